#!/usr/bin/env python3
"""What `loomtap guard` did in the guest (guest_guard.sh), by what candump saw on the bus, by its own log, and
by a rehearsal of that log."""
import json
import os
import re
import subprocess
import sys

loomtap, run, profile_hash = sys.argv[1:4]
faults = []
PERIOD = 0.020


def expect(truth, text):
    if not truth:
        faults.append(text)


def path(name):
    return os.path.join(run, name)


def read(name):
    with open(path(name), encoding='utf-8', errors='replace') as file:
        return file.read()


def frames(name, identifier):
    """(time, data) of the frames of one identifier, from candump's text."""
    found = re.findall(r'^\(([0-9.]+)\) \S+ (\S+?)#([0-9A-F]*)', read(name), re.M)
    return [(float(time), bytes.fromhex(data)) for time, id_, data in found if id_ == identifier]


def lines(name):
    """The lines of a log of events; a killed process may leave the last one unfinished."""
    rows = []
    for line in read(name + '.log.jsonl').splitlines():
        try:
            rows.append(json.loads(line))
        except ValueError:
            pass
    return rows


def crc8_j1850(data):
    """CRC RevEng catalogue, CRC-8/SAE-J1850: poly 1D, init FF, xorout FF."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D) & 0xFF if crc & 0x80 else crc << 1
    return crc ^ 0xFF


def check_bytes(name, sent, first=None):
    """Right checksums, and a counter without a gap."""
    bad = [data.hex() for _, data in sent if len(data) != 8 or crc8_j1850(data[:7]) != data[7]]
    expect(not bad, f'{name}: wrong checksums {bad[:3]}')
    counters = [data[6] & 15 for _, data in sent]
    start = counters[0] if counters and first is None else first
    wanted = [((start or 0) + i) % 16 for i in range(len(counters))]
    expect(counters == wanted, f'{name}: counters {counters[:20]}')


def check_rate(name, sent):
    """Never more than the declared rate, by the receiver's stamps: in no window of a second is there more than
    the declared number and one; the machine may stamp late."""
    times = [time for time, _ in sent]
    for i in range(len(times)):
        last = i
        while last + 1 < len(times) and times[last + 1] - times[i] < 1.0:
            last += 1
        if last - i + 1 > 1.0 / PERIOD + 2:
            faults.append(f'{name}: {last - i + 1} frames in a second from {times[i]}')
            return


def check_cycles():
    sent = frames('cycles.bus', '6A0')
    expect(len(sent) >= 1000, f'cycles: {len(sent)} frames')
    check_bytes('cycles', sent)
    check_rate('cycles', sent)
    # A guest that is starved of its processor may make the process stand still at the end; then there is none.
    notes = [row['note'] for row in lines('cycles') if 'note' in row]
    clears = [i for i, (_, data) in enumerate(sent) if data[0] == 0]
    if 'from now on' in notes[-1]:
        expect(clears == [len(sent) - 1], f'cycles: all-clears at {clears} of {len(sent)}')
    expect(clears in ([], [len(sent) - 1]), 'cycles: an all-clear before the end')
    kinds = [data[:2] for _, data in sent[:-1]]
    expect(bytes((1, 4)) in kinds and bytes((2, 5)) in kinds, 'cycles: not both warnings')
    expect(all(data[2:6] == bytes(4) and data[6] < 16 for _, data in sent), 'cycles: other bits')
    stopped, renewed = float(read('cycles.stopped')), float(read('cycles.renewed'))
    # It is told to stop a little after the first of these times, and listens for a second after the other.
    before = max(time for time, _ in sent if time <= renewed)
    after = min(time for time, _ in sent if time > renewed)
    expect(renewed - before > 2 and after > renewed + 0.9, f'cycles: sent {before} and {after}, renewed {renewed}')
    expect(stopped < renewed, 'cycles: the clock of the guest')
    gaps = [b - a for (a, _), (b, _) in zip(sent, sent[1:]) if b - a > 0.5]
    expect(any('stood still' in text for text in notes), f'cycles: {notes}')
    begin = lines('cycles')[0]
    expect(begin['profile_hash'] == profile_hash and begin['proof'] == 'proof.json' and begin['armed'],
           f'cycles: {begin}')
    logged = frames('cycles.log', '6A0')
    expect([data for _, data in logged] == [data for _, data in sent],
           f'cycles: {len(logged)} frames in the log, {len(sent)} on the bus')
    told = [row for row in lines('cycles') if row.get('sent') is True]
    expect([row['frame'].split('#')[1] for row in told] == [data.hex().upper() for _, data in sent],
           f'cycles: {len(told)} frames told as sent')
    print(f'cycles: {len(sent)} frames, pauses {[round(gap, 2) for gap in gaps]}')


def check_rehearsed(name, profile='kit.ini', options=()):
    """The same events and frames, to the nanosecond, up to the end of the run or the last frame: what only time
    brought after it a recording cannot know."""
    done = subprocess.run([loomtap, 'rehearse', path(name + '.log'), '-p', path(profile), '--json',
                           '--quiet', *options], capture_output=True, text=True, check=False)
    expect(done.returncode == 0, f'{name}: rehearse ends with {done.returncode}: {done.stderr}')
    said = json.loads(done.stdout, parse_float=str)
    with open(path(name + '.log.jsonl'), encoding='utf-8') as file:
        rows = [json.loads(line, parse_float=str) for line in file]
    ended = [row for row in rows if 'ended_by' in row]
    expect(len(ended) == 1, f'{name}: no end')
    seconds = lambda row: int(row['time_s'].split('.')[0]) * 10**9 + int(
        row['time_s'].split('.')[1].ljust(9, '0'))
    last = re.findall(r'^\(([0-9.]+)\)', read(name + '.log'), re.M)[-1]
    end = min(seconds(ended[0]), seconds({'time_s': last}))
    until = lambda list_: [row for row in list_ if seconds(row) <= end]
    events = until(row for row in rows if 'warning' in row)
    expect(events and events == until(said['events']),
           f'{name}: {len(events)} events live, {len(until(said["events"]))} rehearsed')
    # A frame that the machine was too late for is left out live; what was sent was wanted.
    wanted = [(row['time_s'], row['frame'][:10]) for row in until(said['frames'])]
    told = until(row for row in rows if 'frame' in row and 'all_clear' not in row)
    live = [(row['time_s'], row['frame'][:10]) for row in told]
    left_out = ended[0]['left_out']
    late = [row for row in told if row.get('why') == 'too late']
    expect(set(live) <= set(wanted) and 0 <= len(wanted) - len(live) <= left_out - len(late),
           f'{name}: {len(live)} frames live, {len(wanted)} rehearsed, {left_out} left out')
    if left_out == 0 and name != 'cycles':  # the counter has no gap for what was not sent after a stop
        expect([row['frame'] for row in told] == [row['frame'] for row in until(said['frames'])], f'{name}: other bytes')
    print(f'{name}: {len(events)} events and {len(live)} frames live as rehearsed; left out: {left_out}')


def check_unarmed():
    expect(not frames('unarmed.bus', '6A0'), 'unarmed: frames on the bus')
    text = read('unarmed.out')
    expect(re.search(r'high +on +condition', text) and ' not ' in text and 'not armed' in text,
           f'unarmed: {text[:300]}')
    expect(len([row for row in lines('unarmed') if row.get('sent') is False]) > 100, 'unarmed: no frames told')


def check_ends():
    for name, why in (('foreign', 'another node began'), ('down', 'went down'), ('bus-off', 'bus-off')):
        sent = frames(name + '.bus', '6A0')
        expect(len(sent) > 20, f'{name}: {len(sent)} frames')
        if name == 'foreign':  # the last or last but one is the peer's
            at = [i for i, (_, data) in enumerate(sent) if data == bytes(8)]
            expect(len(at) == 1 and len(sent) - at[0] <= 3, f'foreign: {at} of {len(sent)}')
            sent = [row for row in sent if row[1] != bytes(8)]
        check_bytes(name, sent)
        expect(sent and all(data[0] for _, data in sent), f'{name}: an all-clear')
        expect(why in read(name + '.err'), f'{name}: said {read(name + ".err")!r}')
        expect(any(why in row.get('ended_by', '') for row in lines(name)), f'{name}: no end in the log')


def check_refused():
    expect(not [row for row in frames('foreign-first.bus', '6A0') if row[1] != bytes(8)],
           'foreign-first: sent all the same')
    expect('refused' in read('foreign-first.err'), f'foreign-first: {read("foreign-first.err")!r}')
    expect(not frames('early.bus', '6A0'), 'early: sent before it had listened')
    expect(not frames('dm1-taken.bus', '18FECA80'), 'dm1-taken: sent from the address of another')
    sent = frames('dm1.bus', '18FECA80')
    expect(len(sent) >= 2 and sent[0][1][0] == 4, f'dm1: {sent}')


def check_killed():
    at = float(read('killed.at'))
    sent = frames('killed.bus', '6A0')
    expect(len(sent) > 50, f'killed: {len(sent)} frames')
    check_bytes('killed', sent)
    after = [time for time, _ in sent if time > at + 0.1]
    expect(not after, f'killed: {len(after)} frames after it was killed')
    # What was sent a second and more before stands in the log; the guest may be slow to get there.
    old = [data for time, data in sent if time < at - 2.5]
    logged = [data for _, data in frames('killed.log', '6A0')]
    expect(old and logged[:len(old)] == old, f'killed: {len(logged)} frames logged, {len(old)} are old')


def check_slow():
    for name, least in (('full', 50), ('held', 50)):
        sent = frames(name + '.bus', '6A0')
        expect(len(sent) >= least, f'{name}: {len(sent)} frames')
        check_bytes(name, sent)
        check_rate(name, sent)
        expect(sent and sent[-1][1][0] == 0, f'{name}: no all-clear at the normal end')
        waits = [b - a for (a, _), (b, _) in zip(sent, sent[1:])]
        print(f'{name}: {len(sent)} frames, longest wait {max(waits) * 1e3:.1f} ms')
    expect('No space left' in read('full.err') and 'the log misses' in read('full.err'),
           f'full: {read("full.err")!r}')
    logged = re.findall(r'^\(([0-9.]+)\)', read('full.log'), re.M)
    expect(logged and frames('full.bus', '6A0')[-1][0] > float(logged[-1]) + 1, 'full: no frames behind the log')
    expect(len(frames('held.log', '6A0')) == len(frames('held.bus', '6A0')), 'held: not all in the log')


def check_bench():
    sent = frames('bench.log', '6A0')
    check_bytes('bench', sent)
    expect(sent, 'bench: nothing was sent')
    # What was recorded beside it holds the same frames of the kit.
    recorded = [data for _, data in frames('drive.log', '6A0')]
    expect(recorded == [data for _, data in sent], f'bench: {len(recorded)} recorded, {len(sent)} in the log')


def check_lost():
    at = float(read('lost.at'))
    sent = frames('lost.bus', '6A0')
    check_bytes('lost', sent)
    expect(sent and at + 10 < sent[-1][0] < at + 20, f'lost: ended {sent[-1][0] - at if sent else 0:.1f} s after')
    expect(sent[-1][1][0] != 0, 'lost: an all-clear')
    expect('every input' in read('lost.err'), f'lost: {read("lost.err")!r}')


def check_statuses():
    statuses = [line.split() for line in read('statuses').splitlines()]
    wanted = {'cycles': 0, 'unarmed': 0, 'foreign': 4, 'foreign-first': 1, 'down': 4, 'killed': 137, 'bus-off': 4,
              'full': 4, 'held': 0, 'lost': 4, 'early': 0, 'dm1': 0, 'dm1-taken': 1, 'bench-play': 0, 'bench': 0, 'bench-record': 0,
              'missing': 4, 'no-can': 4, 'is-down': 4, 'silent': 1, 'nothing': 1, 'there': 4}
    for name, status in statuses:
        expect(int(status) == wanted[name], f'{name}: exit {status}, not {wanted[name]}')
    expect({name for name, _ in statuses} == set(wanted), f'not all came to an end: {statuses}')
    says = {'missing': 'no such interface', 'no-can': 'no CAN interface', 'is-down': 'the interface is down',
            'silent': 'no frame was heard', 'nothing': 'no frame came', 'there': 'not written over'}
    for name, text in says.items():
        expect(text in read(name + '.err'), f'{name}: said {read(name + ".err")!r}')


for check in (check_statuses, check_cycles, check_unarmed, check_ends, check_refused, check_killed, check_slow,
              check_lost, check_bench):
    try:
        check()
    except (OSError, IndexError, KeyError, ValueError) as fault:
        faults.append(f'{check.__name__}: {fault!r}')
for recorded in (('cycles',), ('unarmed',), ('held',),
                 ('bench', 'tarn.ini', ('--bus', 'powertrain=vcan12,chassis=vcan13'))):
    try:
        check_rehearsed(*recorded)
    except (OSError, IndexError, KeyError, ValueError) as fault:
        faults.append(f'rehearsed {recorded[0]}: {fault!r}')
for text in faults:
    print('failed:', text)
print(f'{len(faults)} faults')
sys.exit(bool(faults))
