#!/usr/bin/env python3
"""One fault at a time in the demo profile, proven on the demo drive.

    faults.py LOOMTAP ROOT [--show]

Every harmful fault that the drive exercises must be contradicted with the subject that has it;
harmless changes must leave the profile proven. Which faults the drive exercises stands in the table
below and was settled from the drive's description (captures/README.md), not from the program's answers.
"""
import json
import os
import re
import subprocess
import sys
import tempfile


def sections(text):
    """The profile as a list of (header, lines)."""
    parts, head, lines = [], None, []
    for line in text.split('\n'):
        if line.startswith('['):
            parts.append((head, lines))
            head, lines = line.split(']')[0] + ']', []
        lines.append(line)
    parts.append((head, lines))
    return parts


def key_of(text, header, key):
    for head, lines in sections(text):
        if head == header:
            for line in lines:
                match = re.match(rf'{key}\s*=\s*([^;]*)', line)
                if match:
                    return match.group(1).strip()
    return None


def with_key(text, header, key, value):
    """The profile with one key set (value None: removed)."""
    out = []
    for head, lines in sections(text):
        if head == header:
            kept = [line for line in lines if not re.match(rf'{key}\s*=', line)]
            if value is not None:
                kept.insert(1, f'{key} = {value}')
            lines = kept
        out.extend(lines)
    return '\n'.join(out)


def ends(bits):
    return [tuple(map(int, end.split('.'))) for end in bits.split('..')]


def text_of(positions):
    return '..'.join(f'{byte}.{bit}' for byte, bit in positions)


def linear(position, order):
    """A running number along the field's direction, towards the most significant bit."""
    byte, bit = position
    return 8 * byte + bit if order != 'motorola' else -8 * byte + bit


def back(number, order):
    if order != 'motorola':
        return number // 8, number % 8
    byte = -(number // 8)
    return byte, number % 8


def moved(bits, order, by):
    return text_of([back(linear(end, order) + by, order) for end in ends(bits)])


def swapped(bits):
    (first, top), (last, low) = ends(bits)
    return text_of([(last, 7), (first, 0)]) if top == 7 and low == 0 and first != last else None


def signal(name):
    return f'[signal {name}]'


def frame(name):
    return f'[frame {name}]'


def harmful(text):
    """(fault, subject, profile)."""
    def change(header, key, value):
        return with_key(text, header, key, value)

    obd = ['engine_speed', 'pedal', 'throttle', 'load', 'absolute_load', 'manifold_pressure',
           'intake_temp', 'air_mass_flow', 'lambda', 'lambda_target', 'coolant_temp',
           'vehicle_speed', 'timing_advance', 'barometric_pressure']
    for name in obd:
        scale = key_of(text, signal(name), 'scale') or '1'
        number = eval(scale)
        yield 'scale by 2', name, change(signal(name), 'scale', repr(number * 2))
        yield 'scale by half', name, change(signal(name), 'scale', repr(number / 2))
    offsets = {'engine_speed': 300, 'load': 5, 'coolant_temp': -20, 'intake_temp': -60,
               'vehicle_speed': 10, 'manifold_pressure': 30, 'lambda': 0.1, 'pedal': 6,
               'throttle': 5, 'absolute_load': 10, 'air_mass_flow': 10, 'timing_advance': -50}
    for name, offset in offsets.items():
        yield 'offset', name, change(signal(name), 'offset', str(offset))
    # Both orders of whole bytes; the others have neighbours that a turned field would overlap.
    for name in ['engine_speed', 'lambda', 'vehicle_speed', 'air_mass_flow', 'rail_pressure',
                 'oil_temp', 'steering_rate', 'distance_pulses']:
        bits = swapped(key_of(text, signal(name), 'bits'))
        order = key_of(text, signal(name), 'order')
        other = 'intel' if order == 'motorola' else 'motorola'
        turned = with_key(change(signal(name), 'bits', bits), signal(name), 'order', other)
        yield 'byte order', name, turned
    for name, sign in [('engine_torque', None), ('torque_demand', 'twos'),
                       ('steering_angle', None), ('steering_rate', 'twos'),
                       ('lateral_acceleration', 'twos'), ('yaw_rate', None),
                       ('drive_acceleration', None), ('battery_current', None)]:
        yield 'sign', name, change(signal(name), 'sign', sign)
    frames = re.findall(r'\[frame (\w+)\]', text)
    for name in frames:
        if key_of(text, frame(name), 'direction') == 'send':
            continue
        if key_of(text, frame(name), 'period_ms'):
            yield 'wrong id', name, change(frame(name), 'id', '0x7A5')
            period = float(key_of(text, frame(name), 'period_ms'))
            yield 'period by 2', name, change(frame(name), 'period_ms', f'{period * 2:g}')
            yield 'period by half', name, change(frame(name), 'period_ms', f'{period / 2:g}')
        length = int(key_of(text, frame(name), 'length'))
        if length < 8:
            yield 'length', name, change(frame(name), 'length', str(length + 1))
    for name in frames:
        counter = key_of(text, frame(name), 'counter')
        if not counter or key_of(text, frame(name), 'direction') == 'send':
            continue
        (byte, top), (_, low) = ends(counter.split()[0])
        if top - low >= 2:
            yield 'counter width', name, change(frame(name), 'counter', f'{byte}.{top - 1}..{byte}.{low}')
            if 'list' not in (key_of(text, frame(name), 'checksum') or ''):
                yield 'counter place', name, change(frame(name), 'counter',
                                                    f'{byte}.{top}..{byte}.{low + 1}')
    for name, old, new in [('engine_a', '', ' init 0x00'), ('engine_b', '0x23', '0x24'),
                           ('air', '', ' start 0x01'), ('fuel_a', '0x4A', '0x4B'),
                           ('kit_a', '', ' xorout 0x00'), ('kit_b', '0x40', '0x41'),
                           ('wheels', 'twos', 'ones'), ('steering', '0x5A', '0x5B'),
                           ('motion', '', ' start 1'), ('chassis_b', '0xAA', '0xAB')]:
        checksum = key_of(text, frame(name), 'checksum')
        changed = checksum.replace(old, new) if old else checksum + new
        if name in ('engine_a', 'kit_a'):
            poly = {'engine_a': '0x1D init 0x00 xorout 0xFF', 'kit_a': '0x2F init 0xFF xorout 0x00'}
            changed = f'crc8 over 0..6 in 7 poly {poly[name]}'
        yield 'checksum start', name, change(frame(name), 'checksum', changed)
    yield 'moved by one', 'battery_voltage', change(signal('battery_voltage'), 'bits', '6.6..7.3')
    for name, bits in [('pedal', '2.6..2.0'), ('manifold_pressure', '0.5..1.5'),
                       ('steering_angle', '1.1..0.0'), ('vehicle_speed', '0.4..1.0')]:
        yield 'cut at the top', name, change(signal(name), 'bits', bits)
    yield 'swapped labels', 'drive_mode', change(signal('drive_mode'), 'values',
                                                 '1 comfort, 0 sport, 2 wet')
    yield 'send on a used id', 'kit_alert', change(frame('kit_alert'), 'id', '0x4D2')
    yield 'calibration', 'tarn-turbo', change('[fits]', 'calibration_ids', 'TARN9999')


def harmless(text):
    yield 'title', with_key(text, '[profile]', 'title', 'Another title')
    yield 'years', with_key(text, '[fits]', 'years', '2019-2023')
    for name, wide in [('engine_speed', '0..12000'), ('load', '-10..110'), ('lambda', '0.4..6'),
                       ('coolant_temp', '-40..200'), ('vehicle_speed', '0..400')]:
        yield f'wider range of {name}', with_key(text, signal(name), 'range', wide)
    yield 'longer age', with_key(text, signal('engine_speed'), 'max_age_ms', '200')
    yield 'evidence', with_key(text, signal('load'), 'evidence', 'seen on the bench')


MARKS = [(0.5, 'comfort'), (26.2, 'sport'), (40.8, 'wet'), (54.2, 'comfort')]


def prove(loomtap, root, text, folder, marks=False):
    path = os.path.join(folder, 'profile.ini')
    with open(path, 'w') as out:
        out.write(text)
    command = [loomtap, 'prove', os.path.join(root, 'captures/tarn-drive.log'), '-p', path,
               '--json', '--quiet']
    if marks:
        with open(os.path.join(folder, 'marks.csv'), 'w') as out:
            out.write('time_s,label\n')
            out.writelines(f'{1700000000 + at:.3f},{label}\n' for at, label in MARKS)
        command += ['--marks', os.path.join(folder, 'marks.csv')]
    run = subprocess.run(command, capture_output=True, text=True)
    if not run.stdout:
        return None, run
    return json.loads(run.stdout), run


def main():
    loomtap, root = sys.argv[1:3]
    show = '--show' in sys.argv
    with open(os.path.join(root, 'signaldefs/tarn-turbo.ini')) as file:
        text = file.read()
    bad, tried = [], 0
    with tempfile.TemporaryDirectory() as folder:
        proof, run = prove(loomtap, root, text, folder, marks=True)
        if proof['verdict'] != 'proven' or run.returncode != 0:
            bad.append('the profile itself is not proven')
        bad.extend(f'the profile itself: {c["id"]} of {c["subject"]}: {c["say"]}'
                   for c in proof['claims'] if c['verdict'] == 'contradicted')
        for fault, subject, changed in harmful(text):
            tried += 1
            proof, run = prove(loomtap, root, changed, folder, marks=True)
            if proof is None:
                bad.append(f'{fault} of {subject}: refused: {run.stderr.strip()[:300]}')
                continue
            hits = [c for c in proof['claims'] if c['verdict'] == 'contradicted']
            subjects = sorted({c['subject'] for c in hits})
            if subject not in subjects:
                bad.append(f'{fault} of {subject}: contradicted: {subjects}')
            elif subjects != [subject]:
                bad.append(f'{fault} of {subject}: others contradicted too: {subjects}')
            if show:
                print(f'{fault:18} {subject:22}', '; '.join(f'{c["id"]}: {c["say"]}' for c in hits))
        for change, changed in harmless(text):
            tried += 1
            proof, run = prove(loomtap, root, changed, folder)
            if proof is None or proof['verdict'] != 'proven':
                bad.append(f'{change}: no longer proven')
    for line in bad:
        print(line)
    print(f'{tried} changes, {len(bad)} answers wrong')
    return 1 if bad else 0


if __name__ == '__main__':
    sys.exit(main())
