#!/usr/bin/env python3
"""What `loomtap ask` did in the guest (guest_ask.sh): every frame it sent, by what candump saw, and what it
said. Facts: SAE J1979 (410C1AF8 is 1726 rpm, 410480 50.2 %), ISO 15765-2, ISO 15765-4, ISO 14229-1."""
import csv
import json
import os
import re
import subprocess
import sys

loomtap, run = sys.argv[1:3]
profile = os.path.join(os.path.dirname(os.path.abspath(__file__)), '..', '..', 'signaldefs', 'obd-ii.ini')
faults = []
READ_ONLY = {0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22}
FOREIGN = '02010D5555555555'


def expect(truth, text):
    if not truth:
        faults.append(text)


def path(name):
    return os.path.join(run, name)


def read(name):
    with open(path(name), encoding='utf-8') as file:
        return file.read()


traffic = []  # (time, bus, id, data)
for line in read('traffic.log').splitlines():
    time, bus, frame = re.match(r'\(([0-9.]+)\) +(\S+) +(\S+)', line).groups()
    traffic.append((float(time), bus) + tuple(frame.split('#', 1)))


def is_request(identifier):
    value = int(identifier, 16)
    if len(identifier) == 8:
        return value == 0x18DB33F1 or value & 0xFFFF00FF == 0x18DA00F1
    return value == 0x7DF or 0x7E0 <= value <= 0x7E7


def sent(bus):
    """What the tester sent: (time, id, data)."""
    return [(time, identifier, data) for time, b, identifier, data in traffic
            if b == bus and is_request(identifier) and data != FOREIGN]


def moment_off(bus):
    return [time for time, b, identifier, _ in traffic if b == bus and identifier == '6FF'][0]


def check_every_frame():
    """Only what only reads, and never more than five frames in a second."""
    for bus in {b for _, b, _, _ in traffic}:
        frames = sent(bus)
        for _, identifier, data in frames:
            raw = bytes.fromhex(data)
            flow = raw[:3] == b'\x30\0\0' and identifier not in ('7DF', '18DB33F1')
            single = 1 <= raw[0] <= 7 and raw[1] in READ_ONLY
            expect(len(raw) == 8 and (flow or single), f'{bus}: sent {identifier}#{data}')
        for first, sixth in zip(frames, frames[5:]):
            expect(sixth[0] - first[0] >= 0.99, f'{bus}: six frames in {sixth[0] - first[0]:.3f} s')


def rows(name):
    return list(csv.DictReader(read(name).splitlines()))


def values(name, signal):
    return [(row['frame'].split('@')[1], row['value'] or row['label'])
            for row in rows(name) if row['signal'] == signal]


def check_plain():
    expect(values('plain.out', 'obd_engine_speed') == [('7E8', '1726.00')] * 4,
           f"plain: {values('plain.out', 'obd_engine_speed')}")
    expect([v for _, v in values('plain.out', 'obd_vehicle_speed')] == ['60'] * 4, 'plain: speed')
    load = [float(v) for _, v in values('plain.out', 'obd_engine_load')]
    expect(len(load) == 4 and all(abs(v - 50.196) < 0.001 for v in load), f'plain: load {load}')
    expect(values('plain.out', 'vin') == [('7E8', '1D4GP00R55B123456')], 'plain: vin')
    expect(values('plain.out', 'calibration_id') == [('7E8', 'TARN0042')],
           f"plain: {values('plain.out', 'calibration_id')}")
    expect(values('plain.out', 'stored_code') == [('7E8', 'P0135'), ('7E9', 'U0158'), ('7E8', 'U1600')]
           or sorted(values('plain.out', 'stored_code')) ==
           [('7E8', 'P0135'), ('7E8', 'U1600'), ('7E9', 'U0158')],
           f"plain: {values('plain.out', 'stored_code')}")
    expect(sorted(values('plain.out', 'pending_code')) == [('7E8', 'none'), ('7E9', 'none')],
           'plain: pending codes')
    together = [f for f in sent('plain') if f[2].startswith('0501040C0D05')]
    expect(len(together) == 4, f'plain: four together {len(together)} times')
    expect(sum(f[2].startswith('30') for f in sent('plain')) == 6,
           'plain: flow control for four values, the number and the calibration')


def check_wide():
    lines = [json.loads(line) for line in read('wide.out').splitlines()]
    speed = [row for row in lines if row['signal'] == 'obd_engine_speed']
    expect(len(speed) == 1 and speed[0]['value'] == 1726 and speed[0]['unit'] == 'rpm' and
           speed[0]['frame'] == 'pid_0c@18DAF110', f'wide: {speed}')
    expect(any(row['signal'] == 'vin' and row['label'] == '1D4GP00R55B123456' for row in lines),
           'wide: vin')
    expect(any(row['signal'] == 'obd_lambda_target' and abs(row['value'] - 0.84) < 0.001
               for row in lines), 'wide: lambda')
    expect(all(int(f[1], 16) > 0x7FF for f in sent('wide')[2:]), 'wide: 11 bits after 29 were found')
    expect('29-bit' in read('wide.err'), 'wide: the addressing is not said')


def check_slow():
    frames = sent('slow')
    asked = [n for n, f in enumerate(frames) if f[2].startswith('02010C')]
    expect(len(asked) == 1, f'slow: asked {len(asked)} times')
    after = frames[asked[0] + 1][0] - frames[asked[0]][0]
    expect(after >= 1.5, f'slow: the next question after {after:.2f} s')
    expect(values('slow.out', 'obd_engine_speed') == [('7E8', '1726.00')], 'slow: no value')
    labels = {row['signal']: row['label'] for row in rows('slow.out')}
    expect(labels['obd_manifold_pressure'] == 'unsupported', f'slow: {labels}')
    expect(labels['data_22_f190'] == 'unsupported', f'slow: {labels}')
    expect(labels['data_22_f18c'] == 'locked' and labels['data_22_f18b'] == 'locked', f'slow: {labels}')
    for identifier in ('F190', 'F18C', 'F18B'):
        expect(sum('0322' + identifier in f[2] for f in frames) == 1, f'slow: {identifier} again')


def check_mute():
    expect(1 <= len(sent('mute')) <= 6, f"mute: {len(sent('mute'))} questions")
    expect('no answer' in read('mute.out'), 'mute: not told')
    expect('no controller answered' in read('mute.err'), 'mute: not said')
    first = [time for time, bus, _, _ in traffic if bus == 'mute'][0]
    expect(sent('mute')[0][0] - first >= 1.5, 'mute: no listening before the first question')


def check_other():
    foreign = [time for time, bus, _, data in traffic if bus == 'other' and data == FOREIGN]
    expect(len(foreign) == 3, f'other: {len(foreign)} foreign frames')
    times = [f[0] for f in sent('other')]
    between = [t for t in times if foreign[0] + 0.1 < t < foreign[-1] + 4.9]
    expect(not between, f'other: sent while somebody else asked: {between}')
    expect([t for t in times if t < foreign[0]] and [t for t in times if t > foreign[-1] + 4.9],
           'other: did not ask before and after')
    expect('somebody else' in read('other.err'), 'other: not said')


def check_key_off():
    for bus, where, most, reason in (('deaf', 'deaf', 6, 'replies'), ('quiet', 'quiet', 25, 'quiet'),
                                     ('port', 'inner', 25, 'quiet')):
        off = moment_off(where)
        after = [f[0] for f in sent(bus) if f[0] > off]
        expect(len(after) <= most, f'{bus}: {len(after)} frames after the key was off')
        expect(not after or after[-1] - off < 8, f'{bus}: asked for {after[-1:]} after {off}')
        expect(reason in read(bus + '.err') and 'the key seems to be off' in read(bus + '.err'),
               f"{bus}: said {read(bus + '.err')}")
    expect(not sent('inner'), 'inner: sent where only listening was wanted')


def check_wire():
    frames = re.findall(r't[0-9A-F]{4}[0-9A-F]*', read('adapter.unaccepted'))
    expect(not frames, f'sent without the cautions accepted: {frames}')
    typed = len(re.findall(r't7DF8020100', read('adapter.typed')))
    expect(typed, 'not sent after yes was typed')
    expect(len(re.findall(r't7DF8020100', read('adapter.bytes'))) > typed,
           'not sent after the cautions were said to be read')
    expect('nothing is sent' in read('declined.err'), 'declined: not said')
    for name in ('accepted', 'unaccepted', 'plain', 'declined', 'typed'):
        expect('wheels chocked' in read(name + '.err'), f'{name}: no cautions')


def check_polled():
    sheet = json.loads(read('polled.log.json'))['polling']
    facts = {(fact['controller'], fact['name'], fact['text']) for fact in sheet['identification']}
    expect(facts == {('7E8', 'calibration_id', 'TARN0042'), ('7E8', 'vin', '1D4GP00R55B123456')},
           f'polled: {facts}')
    expect({'value': '01 0B', 'why': 'unsupported'} in sheet['not_answered'], f'polled: {sheet}')
    recorded = [line.split(' ')[2] for line in read('polled.log').splitlines()]
    asked = [frame for frame in recorded if is_request(frame.split('#')[0])]
    on_the_bus = [f'{identifier}#{data}' for _, identifier, data in sent('rec')]
    expect(asked == on_the_bus, f'polled: recorded {len(asked)} of {len(on_the_bus)} questions')
    expect(sheet['questions'] + sheet['flow_controls'] == len(on_the_bus), 'polled: counts in the sheet')
    # Three values together, one frame more a round for flow control.
    expect(sum(frame.startswith('7E8#1008410C1AF80480') for frame in recorded) >= 5, 'polled: replies')
    expect(sum(frame.startswith('0C4#') for frame in recorded) > 100, 'polled: the other traffic')
    rows_ = subprocess.run([loomtap, 'decode', path('polled.log'), '-p', profile, '--only', 'obd_vehicle_speed'],
                           check=False, capture_output=True, text=True).stdout.splitlines()
    expect(len(rows_) > 5 and all(',60,km/h,' in row for row in rows_[1:]), f'polled: decoded {rows_[:3]}')


def check_wanted():
    wanted = {need['role']: need for need in json.loads(read('polled.log.json'))['wanted_for']}
    expect(wanted['drive_mode']['enough'] and wanted['drive_mode']['say'] == 'enough', f'wanted: {wanted}')
    expect(not wanted['engine_speed']['enough'] and 'three pull-aways' in wanted['engine_speed']['say'],
           f'wanted: {wanted}')
    said = read('polled.err').splitlines()
    expect('drive_mode: enough' in said, f'wanted: said {said}')
    expect('next: blip the throttle in neutral, then pull away through the gears' in said, f'wanted: {said}')
    expect(any(line.startswith('missing for engine_speed: it has not moved yet') for line in said),
           f'wanted: said {said}')
    expect('\a' not in read('polled.err'), 'wanted: beeps into a file')


def check_said():
    expect(not sent('still'), 'still: sent without --arm')
    statuses = dict(line.split() for line in read('statuses').splitlines())
    wanted = {'plain': '0', 'wide': '0', 'slow': '1', 'mute': '1', 'other': '0', 'deaf': '0', 'quiet': '0',
              'port': '0', 'unarmed': '0', 'missing': '4', 'no-can': '4', 'down': '4', 'unaccepted': '2',
              'accepted': '1', 'polled': '1',
              'declined': '1', 'typed': '1'}
    for name, status in wanted.items():
        expect(statuses.get(name) == status, f'{name}: exit {statuses.get(name)}, not {status}')
    says = {'missing': 'no such interface', 'no-can': 'no CAN interface', 'down': 'is down',
            'unaccepted': '--cautions-read', 'unarmed': 'nothing was sent'}
    for name, text in says.items():
        expect(text in read(name + '.err'), f'{name}: said {read(name + ".err")!r}')


for check in (check_every_frame, check_plain, check_wide, check_slow, check_mute, check_other, check_key_off,
              check_wire, check_polled, check_wanted, check_said):
    try:
        check()
    except (IndexError, KeyError, FileNotFoundError) as error:
        faults.append(f'{check.__name__}: {error!r}')
for fault in faults:
    print('failed:', fault)
print(f'{len(faults)} faults')
sys.exit(bool(faults))
