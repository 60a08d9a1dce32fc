#!/usr/bin/env python3
"""Surveys of real recordings that no one here made, against published definitions. The recordings
are not part of this repository; where the folder is absent the test skips.

- an agricultural tractor, SAE J1939 (public repository, MIT, commit db5c894). Every field of the
  table below that moves in a recording should come out with its order and its bits, from the lowest
  bit that moved to the highest. What moves through many values must; what moves through few is
  printed with what was found in its place.
- an electric car's diagnostic bus while a phone program polls, and the same car's two buses without
  key (public repository, CC0, commit 83a5cac): what is said of these buses.
"""
import json
import os
import subprocess
import sys

program, root = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
folder = os.path.join(root, '..', 'shared', 'captures')
faults = []

# SPN, name, PGN, first byte (from 0), first bit, bits. Positions as SAE J1939-71 has them, quoted by
# the makers' manuals in the last column; "memory": quoted by none that was seen.
FIELDS = [
    (190, 'engine speed', 61444, 3, 0, 16, 'engine controller manual; generator controller manual'),
    (512, "driver's demand torque", 61444, 1, 0, 8, 'telematics manual'),
    (513, 'actual torque', 61444, 2, 0, 8, 'marine display manual; generator controller manual'),
    (4154, 'actual torque, fraction', 61444, 0, 4, 4, 'telematics manual'),
    (91, 'accelerator pedal', 61443, 1, 0, 8, "marine display manual; bodywork interface"),
    (92, 'load at current speed', 61443, 2, 0, 8, 'marine display manual; bodywork interface'),
    (110, 'coolant temperature', 65262, 0, 0, 8, 'engine controller manual'),
    (174, 'fuel temperature', 65262, 1, 0, 8, 'memory'),
    (175, 'oil temperature', 65262, 2, 0, 16, 'engine controller manual'),
    (94, 'fuel delivery pressure', 65263, 0, 0, 8, 'memory'),
    (98, 'oil level', 65263, 2, 0, 8, 'memory'),
    (100, 'oil pressure', 65263, 3, 0, 8, 'engine controller manual'),
    (109, 'coolant pressure', 65263, 6, 0, 8, 'memory'),
    (111, 'coolant level', 65263, 7, 0, 8, 'memory'),
    (102, 'boost pressure', 65270, 1, 0, 8, 'marine display manual'),
    (105, 'intake manifold temperature', 65270, 2, 0, 8, 'marine display manual'),
    (106, 'air inlet pressure', 65270, 3, 0, 8, 'memory'),
    (84, 'vehicle speed', 65265, 1, 0, 16, 'memory'),
    (183, 'fuel rate', 65266, 0, 0, 16, 'memory'),
    (184, 'instantaneous economy', 65266, 2, 0, 16, 'memory'),
    (51, 'throttle position', 65266, 6, 0, 8, 'memory'),
    (108, 'barometric pressure', 65269, 0, 0, 8, 'memory'),
    (171, 'ambient air temperature', 65269, 3, 0, 16, 'engine controller manual'),
    (172, 'air inlet temperature', 65269, 5, 0, 8, 'memory'),
    (168, 'battery potential', 65271, 4, 0, 16, 'engine controller manual'),
    (247, 'engine hours', 65253, 0, 0, 32, 'engine controller manual'),
    (96, 'fuel level', 65276, 1, 0, 8, 'telematics manual'),
    (250, 'total fuel used', 65257, 4, 0, 32, 'telematics manual'),
    (245, 'total distance', 65248, 4, 0, 32, 'memory'),
    (523, 'current gear', 61445, 3, 0, 8, 'bodywork interface'),
]
MANY = 40  # values: from here on a field must be found


def survey(capture):
    done = subprocess.run([program, 'survey', os.path.join(folder, capture), '--json'],
                          capture_output=True, text=True, timeout=120)
    if done.returncode not in (0, 1):
        faults.append(f'{capture}: status {done.returncode}: {done.stderr[:200]}')
    return json.loads(done.stdout)


def pgn_of(identifier):
    pgn = identifier >> 8 & 0x3FFFF
    return pgn if pgn >> 8 & 0xFF >= 240 else pgn & 0x3FF00


def frames_of(capture):
    """Data of every 29-bit identifier, as whole numbers, little-endian."""
    frames = {}
    with open(os.path.join(folder, capture), encoding='ascii') as lines:
        for line in lines:
            identifier, _, data = line.split()[2].partition('#')
            if len(identifier) == 8:
                frames.setdefault(int(identifier, 16), []).append(
                    int.from_bytes(bytes.fromhex(data), 'little'))
    return frames


def ends_of(bits):
    """Lowest and highest position (8 * byte + bit) of a field without gaps."""
    places = [8 * int(b) + int(k) for b, k in
              (end.split('.') for end in bits.replace('..', ' ').split())]
    return min(places), max(places)


def spans(field, low, high, first, last):
    """Does a field hold all bits that moved, and none but the published one's?"""
    if field['kind'] in ('constant', 'counter', 'checksum') or ' ' in field['bits']:
        return False
    if high // 8 > low // 8 and field['order'] != 'intel':
        return False
    if low // 8 == high // 8 and field['order'] == 'motorola':
        return False
    at, to = ends_of(field['bits'])
    return first <= at <= low and high <= to <= last


def tractor(capture):
    report = survey(capture)
    found = missed = 0
    for identifier, values in sorted(frames_of(capture).items()):
        for spn, name, pgn, byte, bit, length, source in FIELDS:
            first, last = 8 * byte + bit, 8 * byte + bit + length - 1
            seen = [value >> first & (1 << length) - 1 for value in values]
            # Error and "not available" codes are no movement.
            limit = 0xFAFFFFFF >> 32 - length if length >= 8 else 1 << length
            seen = [value for value in seen if value <= limit]
            if pgn_of(identifier) != pgn or len(set(seen)) < 2:
                continue
            moved = 0
            for value in seen:
                moved |= value ^ seen[0]
            low = first + (moved & -moved).bit_length() - 1
            high = first + moved.bit_length() - 1
            fields = [field for frame in report['frames'] if frame['id'] == identifier
                      for field in frame['fields']]
            if any(spans(field, low, high, first, last) for field in fields):
                found += 1
                continue
            missed += 1
            near = [f"{field['bits']} {field['order']} {field['kind']}" for field in fields
                    if first <= ends_of(field['bits'])[1] and ends_of(field['bits'])[0] <= last]
            text = (f'{capture}: SPN {spn} {name} ({identifier:08X}, {len(set(seen))} values, bits '
                    f'{high // 8}.{high % 8} to {low // 8}.{low % 8} moved; by {source}): not '
                    f'found; there: {"; ".join(near)}')
            if len(set(seen)) >= MANY:
                faults.append(text)
            else:
                print(text)
    print(f'{capture}: {found} moving fields found, {missed} not')
    bus = report['capture']['buses'][0]
    for words in ('SAE J1939', 'EEC1', '250 kbit/s'):
        if words not in bus['say']:
            faults.append(f'{capture}: {words!r} is not said: {bus["say"]}')
    names = {frame['id']: frame.get('pgn') for frame in report['frames']}
    if names.get(0x0CF00400) != 'EEC1':
        faults.append(f'{capture}: 0CF00400 is {names.get(0x0CF00400)!r}')


def polled():
    say = survey('ev-diagnostics/polled-17min.log')['capture']['buses'][0]['say']
    for words in ('Only diagnostics here: a gateway hides the bus, measure behind it',
                  '467 request frames, 780 reply frames', 'UDS'):
        if words not in say:
            faults.append(f'polled: {words!r} is not said: {say}')


def without_key():
    """Both buses are alive: nothing hides them, and most of what is on them rests."""
    for bus in survey('ev-diagnostics/two-buses-no-key.log')['capture']['buses']:
        if 'gateway hides' in bus['say'] or 'J1939' in bus['say']:
            faults.append(f'no key: {bus["name"]}: {bus["say"]}')
        if 'never change' not in bus['say']:
            faults.append(f'no key: {bus["name"]}: not said that most rests: {bus["say"]}')
        if not 0 < bus['load'] < 1:
            faults.append(f'no key: {bus["name"]}: load {bus["load"]}')


if not os.path.isdir(folder):
    print('skipped: the real recordings are not beside this folder')
    sys.exit(77)
for name in ('highRPM1', 'start1', 'inNeutralForStartUp', 'transmision123inGear20Seconds'):
    tractor(f'tractor-j1939/{name}.log')
polled()
without_key()
for fault in faults:
    print('FAULT', fault)
sys.exit(bool(faults))
