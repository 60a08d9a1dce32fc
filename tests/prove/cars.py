#!/usr/bin/env python3
"""Invented cars (loomtap mimic random): their right profiles are never contradicted, and profiles with
one fault are contradicted with the subject that has it.

    cars.py LOOMTAP [--seeds FIRST..LAST] [--seconds N] [--show] [--right-only]

A profile is written from the car's layout. Whether the drive exercises a fault is settled from the layout
and its facts before the program runs; what it does not exercise must not be called proven of that subject.
"""
import argparse
import collections
import fractions
import json
import math
import os
import random
import subprocess
import sys
import tempfile

FIXED_UNITS = {'degC': '°C', None: '1'}
# What the program's table of roles says may change no faster, is in its source; faults are named by kind.
OBD = {'engine_speed': 0x0C, 'load': 0x04, 'absolute_load': 0x43, 'lambda': 0x24, 'lambda_target': 0x44,
       'pedal': 0x49, 'throttle': 0x11, 'manifold_pressure': 0x0B, 'vehicle_speed': 0x0D,
       'coolant_temp': 0x05, 'intake_temp': 0x0F, 'air_mass_flow': 0x10, 'timing_advance': 0x0E,
       'barometric_pressure': 0x33, 'ambient_temp': 0x46}
REQUIRED = ['engine_speed', 'load', 'lambda', 'drive_mode']


def number(value):
    """Exactly, or so near that no field of 32 bits tells the difference."""
    ratio = fractions.Fraction(value).limit_denominator(10 ** 9)
    return str(ratio) if abs(float(ratio) - value) <= 1e-9 * abs(value) else f'{value:.12g}'


class Car:
    """Frames and signals of a layout, as dictionaries of keys that a profile's sections are made of."""

    def __init__(self, layout):
        self.layout = layout
        self.frames, self.signals = {}, {}
        self.facts, self.field = {}, {}
        roles = self.choose_roles()
        places = collections.Counter((f['bus'], f['id'], f['extended']) for f in layout['frames'])
        for frame in layout['frames']:
            # One identifier with two lengths is two frames; a profile can name one of them only.
            if places[frame['bus'], frame['id'], frame['extended']] == 1:
                self.take_frame(frame, roles)

    def choose_roles(self):
        """The field with most changes gets the role: a car has copies, and some of them are dead."""
        best = {}
        for at, frame in enumerate(self.layout['frames']):
            if sum((f['bus'], f['id'], f['extended']) == (frame['bus'], frame['id'], frame['extended'])
                   for f in self.layout['frames']) > 1:
                continue
            for index, field in enumerate(frame['fields']):
                role = field['role']
                if not role or not field['exercised'] or field['coarse_steps'] > 4:
                    continue
                rank = (field['page'] is None, frame['copy_of'] is None,
                        -frame['period_ms'] if frame['period_ms'] else -1e9, field['facts']['distinct'])
                if role not in best or rank > best[role][0]:
                    best[role] = (rank, at, index)
        return {(at, index): role for role, (_, at, index) in best.items()}

    def take_frame(self, frame, roles):
        at = self.layout['frames'].index(frame)
        if frame['count'] == 0:
            return
        name = f"f_{frame['bus']}_{frame['id']:x}{'x' if frame['extended'] else ''}"
        keys = {'bus': frame['bus'], 'id': f"0x{frame['id']:X}", 'length': frame['length']}
        if frame['extended']:
            keys['extended'] = 'yes'
        if frame['fd']:
            keys['fd'] = 'yes'
        if frame['cadence'] != 'event' and frame['period_ms']:
            keys['period_ms'] = f"{frame['period_ms']:.6f}".rstrip('0').rstrip('.')
        if frame['authenticated']:
            keys['authenticated'] = 'yes'
        self.frames[name] = keys
        self.facts[name] = {'count': frame['count'], 'cadence': frame['cadence'], 'lost': frame['lost']}
        selector = None
        if frame['selector']:
            selector = f's{at}_selector'
            self.signals[selector] = {'frame': name, 'bits': frame['selector']['bits']}
        for index, field in enumerate(frame['fields']):
            self.take_field(name, keys, at, index, field, selector, roles)

    def take_field(self, name, keys, at, index, field, selector, roles):
        if field['kind'] == 'counter':
            counter = field['counter']
            if field['page'] is None and not counter['per_page'] and not counter['on_change']:
                size = 1 << width(field)
                keys['counter'] = field['bits']
                if counter['modulus'] != size:
                    keys['counter'] += f" mod {counter['modulus']}"
                if counter['step'] != 1:
                    keys['counter'] += f" step {counter['step']}"
                self.facts[name]['counter'] = field
            return
        if field['kind'] == 'checksum':
            if field['checksum'] and field['page'] is None and field['checksum']['text'] and \
                    field['checksum']['family'] != 'affine':
                keys['checksum'] = field['checksum']['text']
                self.facts[name]['checksum'] = field
            return
        if field['kind'] in ('selector', 'text', 'constant') and field['kind'] != 'constant':
            return
        signal = f's{at}_{index}'
        entry = {'frame': name, 'bits': field['bits'], 'sign': field['sign']}
        if field['order'] != 'none':
            entry['order'] = field['order']
        if field['scale'] is not None:
            entry['scale'], entry['offset'] = number(field['scale']), number(field['offset'] or 0)
            if field['form'] == 'reciprocal':
                entry['form'] = 'reciprocal'
            if field['unit']:
                entry['unit'] = FIXED_UNITS.get(field['unit'], field['unit'])
        if field['values']:
            entry['values'] = ', '.join(f"{raw} {label if not label[0].isdigit() else 'g' + label}"
                                        for raw, label in field['values'].items())
            entry.pop('sign')
        if field['unavailable'] is not None:
            entry['unavailable'] = field['unavailable']
        if field['page'] is not None and selector:
            entry['page'] = f"{selector} {','.join(map(str, field['page']))}"
        if (at, index) in roles:
            entry['role'] = roles[at, index]
        self.signals[signal] = entry
        self.field[signal] = field

    def role(self, role):
        return next((name for name, keys in self.signals.items() if keys.get('role') == role), None)

    def text(self, frames=None, signals=None):
        frames, signals = frames or {}, signals or {}
        have = {keys.get('role') for keys in self.signals.values()}
        wanted = [role for role in REQUIRED if role in have]
        out = ['[profile]', 'format = 1', 'name = car', 'title = invented']
        if wanted:
            out.append('requires = ' + ' '.join(wanted))
        for bus in self.layout['buses']:
            out += [f"[bus {bus['name']}]", f"bitrate = {bus['bitrate']}", f"interface = {bus['name']}"]
            if bus['fd']:
                out += ['fd = iso']
        for kind, table, edits in (('frame', self.frames, frames), ('signal', self.signals, signals)):
            for name, keys in table.items():
                out.append(f'[{kind} {name}]')
                for key, value in {**keys, **edits.get(name, {})}.items():
                    if value is not None:
                        out.append(f'{key} = {value}')
        return '\n'.join(out) + '\n'


def ends(bits):
    return [tuple(map(int, end.split('.'))) for end in bits.split('..')] if '..' in bits else \
        [tuple(map(int, bits.split('.')))] * 2


def width(field):
    (b1, t), (b0, l) = ends(field['bits'])
    if field['order'] == 'motorola':
        return (b0 - b1) * 8 + t - l + 1
    return 8 * (b1 - b0) + t - l + 1


def swapped(bits):
    (first, top), (last, low) = ends(bits)
    return f'{last}.7..{first}.0' if top == 7 and low == 0 and first != last else None


def faults(car):
    """(kind, subject, frame edits, signal edits, exercised)."""
    polled = {p['quantity'] for p in car.layout['polling']['parameters']} if car.layout['polling']['on'] else set()
    for name, keys in car.frames.items():
        facts = car.facts[name]
        alive = 'period_ms' in keys and float(keys['period_ms']) * 6 < car.layout['duration_s'] * 1000
        if alive:
            yield 'wrong id', name, {name: {'id': '0x7A5'}}, {}, not keys.get('extended')
        if keys['length'] < 8 and not keys.get('fd'):
            yield 'length', name, {name: {'length': keys['length'] + 1}}, {}, facts['count'] > 3
        if 'period_ms' in keys and facts['cadence'] == 'cyclic':
            yield 'period', name, {name: {'period_ms': f"{float(keys['period_ms']) * 2:.6f}"}}, {}, facts['count'] > 12
        if 'counter' in facts:
            field = facts['counter']
            (byte, top), (_, low) = ends(field['bits'])
            plain = field['counter']['modulus'] == 1 << width(field) and field['counter']['step'] == 1
            if top - low >= 2 and plain and field['order'] == 'none' and (keys.get('checksum') or '').find('counter') < 0:
                rounds = field['facts']['changes'] / field['counter']['modulus']
                yield 'counter width', name, {name: {'counter': f'{byte}.{top - 1}..{byte}.{low}'}}, {}, rounds > 4
        if 'checksum' in facts:
            check = facts['checksum']['checksum']
            text = check['text']
            more = facts['checksum']['facts']['contents'] > 10 and facts['count'] > 12
            if check['family'] in ('xor', 'sum', 'nibble-sum') and ' start ' not in text:
                yield 'checksum start', name, {name: {'checksum': text + ' start 1'}}, {}, more
            elif ' init ' in text and check['family'] in ('crc8', 'crc16'):
                old = check['init']
                yield 'checksum start', name, {name: {'checksum': text.replace(
                    f' init 0x{old:X}', f' init 0x{old ^ 1:X}')}}, {}, more and f' init 0x{old:X}' in text
    for name, keys in car.signals.items():
        role, field = keys.get('role'), car.field.get(name)
        if not field or not field['exercised'] or 'values' in keys:
            continue
        follows = role in OBD and (role in polled or (role == 'lambda' and 'lambda' in polled))
        facts = field['facts']
        busy = facts['distinct'] >= 20 and facts['changes'] >= 40
        slow = role in ('coolant_temp', 'intake_temp', 'ambient_temp', 'barometric_pressure')
        if role and 'scale' in keys and 'form' not in keys:
            scale = float(fractions.Fraction(keys['scale']))
            yield 'scale by 2', name, {}, {name: {'scale': number(scale * 2)}}, follows and busy and not slow
            span = scale * (facts['most'] - facts['least'])
            yield 'offset', name, {}, {name: {'offset': number(float(fractions.Fraction(keys['offset'])) + 0.15 * span)}}, follows and busy and not slow
        other = swapped(keys['bits'])
        if other and keys.get('order'):
            turned = 'intel' if keys['order'] == 'motorola' else 'motorola'
            moving = bin(int(facts['moved'], 16)).count('1')
            smooth = busy and moving > 9 and facts['distinct'] > 300
            yield 'byte order', name, {}, {name: {'bits': other, 'order': turned}}, smooth
        if keys.get('sign') == 'twos' and facts['crossings'] >= 8 and width(field) >= 8 and busy:
            yield 'sign', name, {}, {name: {'sign': 'unsigned'}}, True
        (b1, top), (b0, low) = ends(keys['bits'])
        by_one = cut_by_one(keys, facts, width(field))
        if by_one:
            yield 'cut by one', name, {}, {name: by_one[0]}, by_one[1] and busy
    mode = car.role('drive_mode')
    if mode:
        pairs = [pair.split(' ') for pair in car.signals[mode]['values'].split(', ')]
        if len(pairs) >= 2:
            pairs[0][1], pairs[1][1] = pairs[1][1], pairs[0][1]
            yield 'swapped labels', mode, {}, {mode: {'values': ', '.join(' '.join(p) for p in pairs)}}, \
                car.field[mode]['facts']['changes'] >= 4


def cut_by_one(keys, facts, bits):
    """The field without its top bit, where that bit moved."""
    if bits < 9 or keys.get('sign') != 'unsigned':
        return None
    (b1, top), (b0, low) = ends(keys['bits'])
    if top == 0 or b1 == b0:
        return None
    moved = int(facts['moved'], 16) >> (bits - 1) & 1
    return {'bits': f'{b1}.{top - 1}..{b0}.{low}'}, bool(moved) and facts['crossings'] >= 3


def prove(loomtap, folder, text):
    path = os.path.join(folder, 'profile.ini')
    with open(path, 'w') as out:
        out.write(text)
    command = [loomtap, 'prove', os.path.join(folder, 'car.log'), '-p', path, '--json', '--quiet',
               '--marks', os.path.join(folder, 'car.csv')]
    run = subprocess.run(command, capture_output=True, text=True)
    return (json.loads(run.stdout) if run.stdout else None), run


def interval(hits, count):
    """Wilson's 95 % interval."""
    if not count:
        return 0, 1
    z, p = 1.96, hits / count
    middle, half = p + z * z / 2 / count, z * math.sqrt(p * (1 - p) / count + z * z / 4 / count / count)
    return (middle - half) / (1 + z * z / count), (middle + half) / (1 + z * z / count)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('loomtap')
    parser.add_argument('--seeds', default='1001..1003')
    parser.add_argument('--seconds', default='60')
    parser.add_argument('--most', type=int, default=3, help='faults of one kind a car')
    parser.add_argument('--show', action='store_true')
    parser.add_argument('--right-only', action='store_true')
    args = parser.parse_args()
    first, last = map(int, args.seeds.split('..'))
    hits, counts, wrong = collections.Counter(), collections.Counter(), []
    verdicts = collections.Counter()
    for seed in range(first, last + 1):
        with tempfile.TemporaryDirectory() as folder:
            subprocess.run([args.loomtap, 'mimic', 'random', '--seed', str(seed), '--duration', args.seconds,
                            '-o', f'{folder}/car.log', '--layout', f'{folder}/car.json', '--marks',
                            f'{folder}/car.csv', '--quiet'], check=True)
            with open(f'{folder}/car.json') as file:
                car = Car(json.load(file))
            proof, run = prove(args.loomtap, folder, car.text())
            if proof is None:
                wrong.append(f'seed {seed}: the right profile is refused: {run.stderr[:400]}')
                continue
            verdicts[proof['verdict']] += 1
            bad = [c for c in proof['claims'] if c['verdict'] == 'contradicted']
            before = {(c['id'], c['subject']) for c in bad}
            for c in bad:
                keys = car.signals.get(c['subject']) or car.frames.get(c['subject'])
                wrong.append(f'seed {seed}: right profile: {c["id"]} of {c["subject"]}: {c["measured"]}: {c["say"]} {keys}')
            if args.right_only:
                continue
            made = collections.defaultdict(list)
            for fault in faults(car):
                if fault[4]:
                    made[fault[0]].append(fault)
            for kind, list_of in made.items():
                random.Random(seed).shuffle(list_of)
                for kind, subject, frames, signals, _ in list_of[:args.most]:
                    proof, run = prove(args.loomtap, folder, car.text(frames, signals))
                    if proof is None:
                        continue  # the profile itself has faults then: nothing to prove
                    found = {c['subject'] for c in proof['claims'] if c['verdict'] == 'contradicted'
                             and (c['id'], c['subject']) not in before}
                    counts[kind] += 1
                    hits[kind] += subject in found
                    if subject not in found:
                        wrong.append(f'seed {seed}: {kind} of {subject}: contradicted {sorted(found)}; '
                                     f'{car.signals.get(subject) or car.frames.get(subject)} -> '
                                     f'{signals.get(subject) or frames.get(subject)}')
    for line in wrong:
        print(line)
    print('right profiles:', dict(verdicts))
    for kind in sorted(counts):
        low, high = interval(hits[kind], counts[kind])
        print(f'{kind:16} {hits[kind]:4} of {counts[kind]:4}  {100 * low:.1f}..{100 * high:.1f} %')
    print(f'{sum(counts.values())} faults, {sum(hits.values())} named, {len(wrong)} answers wrong')
    return 1 if wrong else 0


if __name__ == '__main__':
    sys.exit(main())
