#!/usr/bin/env python3
"""What `loomtap record` wrote in the guest (guest_record.sh) against what can-utils sent there."""
import json
import os
import re
import subprocess
import sys

loomtap, run, full_frames = sys.argv[1], sys.argv[2], int(sys.argv[3])
faults = []


def expect(truth, text):
    if not truth:
        faults.append(text)


def path(name):
    return os.path.join(run, name)


def frames(name):
    """(time, bus, id, data) of a recording, whatever its form, by the program's own log form."""
    text = subprocess.run([loomtap, 'recast', path(name), '--as', 'log', '--quiet'], check=False,
                          capture_output=True, text=True).stdout
    rows = []
    for line in text.splitlines():
        time, bus, frame = re.match(r'\(([0-9.]+)\) (\S+) (\S+)', line).groups()
        identifier, data = frame.split('#', 1)
        rows.append((float(time), bus, identifier, data))
    return rows


def sheet(name):
    with open(path(name + '.json'), encoding='utf-8') as file:
        return json.load(file)


def numbers(rows, bus):
    """cangen -D i counts in the data, least significant byte first."""
    return [int.from_bytes(bytes.fromhex(data), 'little') for _, b, _, data in rows if b == bus]


def check_counted(name, bus, sent, rows):
    """Every frame is there, in order, or counted as lost."""
    got = numbers(rows, bus)
    lost = [b for b in sheet(name)['buses'] if b['name'] == bus][0]['drops']
    expect(got == sorted(got) and len(set(got)) == len(got), f'{name}: {bus} is not in order')
    expect(len(got) + lost == sent, f'{name}: {bus}: {len(got)} frames and {lost} lost of {sent}')
    expect(got and got[0] == 0, f'{name}: {bus}: the first frame is missing')
    return lost


def check_full():
    rows = frames('full.log')
    lost = [check_counted('full.log', bus, full_frames, rows) for bus in ('vcan0', 'vcan1')]
    times = [row[0] for row in rows]
    expect(times == sorted(times), 'full.log: not in the order of time')
    expect({row[2] for row in rows} == {'123', '1ABCDEF0'}, 'full.log: other identifiers')
    print(f'two full buses: {len(rows)} frames, lost {lost}')


def check_fd():
    rows = frames('fd.log')
    lost = sheet('fd.log')['buses'][0]['drops']
    expect(len(rows) + lost == 2000, f'fd.log: {len(rows)} and {lost} lost')
    expect(all(len(row[3]) == 2 + 128 and row[3][0] == '#' for row in rows), 'fd.log: not 64 bytes')


def check_killed():
    wanted = [(f'10{i}', f'0{i}') for i in range(1, 10)]
    for name in ('killed.log', 'killed.log.gz', 'killed.pcapng.zst'):
        got = [(row[2], row[3]) for row in frames(name)]
        expect(got == wanted, f'{name}: {got}')
        expect(sheet(name)['ended_s'] is None, f'{name}: the sheet says that it ended')


def check_stopped():
    rows = frames('stopped.log')
    lost = sheet('stopped.log')['buses'][0]['drops']
    expect(len(rows) + lost == 3000, f'stopped.log: {len(rows)} frames and {lost} lost of 3000')


def check_gaps():
    got = [(row[1], row[2]) for row in frames('gaps.log')]
    expect(got == [('vcan0', '101'), ('vcan2', '202'), ('vcan0', '103'), ('vcan2', '204'),
                   ('vcan0', '105')], f'gaps.log: {got}')
    gaps = sheet('gaps.log')['gaps']
    expect([(gap['bus'], gap['why']) for gap in gaps] ==
           [('vcan0', 'interface down'), ('vcan0', 'interface gone')], f'gaps.log: {gaps}')
    expect(all(gap['to_s'] and gap['to_s'] > gap['from_s'] for gap in gaps), f'gaps.log: {gaps}')
    expect(sheet('gaps.log')['ended_by'] == 'a signal', 'gaps.log: not ended by a signal')


def check_parts():
    about = sheet('parts.log')
    expect(len(about['files']) >= 2, f'parts.log: {len(about["files"])} parts')
    rows = []
    for file in about['files']:
        name = os.path.basename(file['path'])
        part = frames(name)
        digest = subprocess.run(['sha256sum', path(name)], check=True, capture_output=True, text=True)
        expect(len(part) == file['frames'], f'{name}: {len(part)} frames, the sheet says {file["frames"]}')
        expect(digest.stdout.split()[0] == file['sha256'], f'{name}: another hash')
        expect(os.path.getsize(path(name)) == file['bytes'], f'{name}: another size')
        rows += part
    expect([row[2] for row in rows] == ['300'] * 10 + ['301'] * 10 + ['302'] * 10, 'parts: frames')
    expect(about['notes'] == {'access': 'bench', 'odometer': '12 345 km'}, f'notes: {about["notes"]}')
    with open(path('marks.csv'), encoding='utf-8') as file:
        lines = file.read().splitlines()
    expect(lines[0] == 'time_s,label', 'marks.csv: header')
    labels = [line.split(',', 1)[1] for line in lines[1:]]
    expect(labels == ['sport', 'comfort', '?'], f'marks.csv: {labels}')
    times = [float(line.split(',')[0]) for line in lines[1:]] + [0, 0]
    # Pressed before the first frames, and before the second lot; all by one clock.
    expect(0 < times[0] < rows[10][0] < rows[20][0] and rows[9][0] < times[1] < rows[20][0],
           f'marks.csv: times {times}')


def check_filters():
    got = [int(row[2], 16) for row in frames('some.log')]
    expect(got == list(range(0x100, 0x200)) + [0x7E8, 0x100], f'some.log: {len(got)} frames')


def check_played():
    """What the car played is what it writes into a file, bus by bus, by the receiver's stamps."""
    def of_bus(rows, bus):
        return [row[2:] for row in rows if row[1] == bus]
    wanted, got = frames('drive.log'), frames('played.log')
    for mine, theirs in (('vcan3', 'can0'), ('vcan4', 'can1')):
        expect(of_bus(wanted, theirs) and of_bus(got, mine) == of_bus(wanted, theirs),
               f'played.log: {mine} differs from what the car sends')


def check_wire():
    with open(path('adapter.unarmed'), 'rb') as file:
        unarmed = file.read()
    with open(path('adapter.bytes'), 'rb') as file:
        armed = file.read()
    # Frames are t, T, r, R lines of the serial protocol (linux, drivers/net/can/slcan).
    expect(not re.search(rb'[tTrR][0-9A-Fa-f]{4}', unarmed), f'sent without --arm: {unarmed!r}')
    expect(len(re.findall(rb't[0-9A-Fa-f]{4,}\r', armed)) > 5, f'not sent with --arm: {armed!r}')
    with open(path('unarmed.err'), encoding='utf-8') as file:
        expect('wants --arm' in file.read(), 'unarmed: the reason is not said')


def check_refused():
    with open(path('statuses'), encoding='utf-8') as file:
        statuses = [line.split() for line in file]
    wanted = {'kinds': 0, 'full': 0, 'fd': 0, 'stopped': 0, 'gaps': 0, 'parts': 0, 'some': 0, 'play': 0, 'played': 0,
              'unarmed': 2, 'armed': 0,
              'missing': 4, 'no-can': 4, 'twice': 4, 'silent': 1, 'there': 4, 'no-folder': 4,
              'marks-unwritable': 4, 'disk-full': 4}
    for name, status in statuses:
        expect(int(status) == wanted[name], f'{name}: exit {status}, not {wanted[name]}')
    expect({name for name, _ in statuses} == set(wanted), f'not all came to an end: {statuses}')
    says = {'missing': 'no such interface', 'no-can': 'no CAN interface', 'twice': 'named twice',
            'silent': 'no frame came', 'there': 'not written over', 'no-folder': 'cannot write',
            'marks-unwritable': 'cannot write', 'disk-full': 'No space left'}
    for name, text in says.items():
        with open(path(name + '.err'), encoding='utf-8') as file:
            said = file.read()
        expect(text in said, f'{name}: said {said!r}')
    whole = numbers(frames('disk-full.log'), 'vcan0')
    expect(len(whole) > 500 and whole == list(range(len(whole))), 'disk-full.log: not readable')


for check in (check_full, check_fd, check_killed, check_stopped, check_gaps, check_parts, check_filters,
              check_played, check_wire, check_refused):
    check()
for fault in faults:
    print('failed:', fault)
print(f'{len(faults)} faults')
sys.exit(bool(faults))
