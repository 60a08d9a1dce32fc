#!/usr/bin/env python3
"""Invented cars (loomtap mimic random): their right profiles are never contradicted, and profiles with
one fault are contradicted with the subject that has it.

    cars.py LOOMTAP [--seeds FIRST..LAST] [--seconds N] [--right-only] [--write docs/prove-truth.md]

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
import re
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
        self.facts[name] = {'count': frame['count'], 'cadence': frame['cadence'], 'fields': frame['fields']}
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
            # A line of a profile has at most 199 bytes.
            if field['checksum'] and field['page'] is None and field['checksum']['text'] and \
                    field['checksum']['family'] != 'affine' and len(field['checksum']['text']) < 185:
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
                long = None
                for key, value in {**keys, **edits.get(name, {})}.items():
                    if key == 'values' and value and len(value) > 150:  # longer than a line may be
                        long = value
                    elif value is not None:
                        out.append(f'{key} = {value}')
                if long:
                    out += [f'[values {name}]'] + [pair.replace(' ', ' = ', 1) for pair in long.split(', ')]
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


def positions(bits, order):
    (b1, top), (b0, low) = ends(bits)
    if order != 'motorola':
        return range(8 * b0 + low, 8 * b1 + top + 1)
    at, out = (b1, top), [8 * b0 + low]
    while at != (b0, low):
        out.append(8 * at[0] + at[1])
        at = (at[0], at[1] - 1) if at[1] else (at[0] + 1, 7)
    return out


def shifted(keys, by):
    """The field so many bits further up; None where that is no place in the frame's first 8 bytes."""
    order = keys.get('order', 'none')
    out = []
    for byte, bit in ends(keys['bits']):
        at = (8 * byte if order != 'motorola' else -8 * byte) + bit + by
        byte, bit = (at // 8 if order != 'motorola' else -(at // 8)), at % 8
        if not 0 <= byte < 64:
            return None
        out.append((byte, bit))
    edits = {'bits': '..'.join(f'{byte}.{bit}' for byte, bit in out)}
    edits['order'] = None if out[0][0] == out[1][0] else keys.get('order', 'intel')
    return edits


SLOW = ('coolant_temp', 'intake_temp', 'ambient_temp', 'barometric_pressure')
# The claim that would speak of it: where the drive does not show a fault it may not be proven.
SPEAKS = {'byte order': ('order', 'obd'), 'scale by 2': ('obd',), 'offset': ('obd',), 'moved by one': ('obd',),
          'sign': ('sign',), 'wrong id': ('present',), 'length': ('length',), 'period by 2': ('period',),
          'counter width': ('counter',), 'checksum start': ('checksum',), 'wrong page': ('obd',),
          'swapped labels': ('marks',)}
# What a quantity has to span, so that a factor or a level can be told (docs/random-cars.md).
SPANS = {'engine_speed': 1000, 'pedal': 20, 'throttle': 15, 'load': 25, 'absolute_load': 25, 'manifold_pressure': 20,
         'vehicle_speed': 20, 'lambda': 0.1, 'lambda_target': 0.1, 'air_mass_flow': 10, 'timing_advance': 10}
Fault = collections.namedtuple('Fault', 'kind subject frames signals exercised')


def polled_of(car):
    polling = car.layout['polling']
    return {p['quantity'] for p in polling['parameters']} if polling['on'] else set()


def is_busy(facts):
    return facts['distinct'] >= 20 and facts['changes'] >= 40


def value_span(keys, facts):
    scale, offset = (float(fractions.Fraction(keys.get(key, usual))) for key, usual in (('scale', 1), ('offset', 0)))
    ends = [scale * facts[key] + offset for key in ('least', 'most')]
    if keys.get('form') == 'reciprocal':
        ends = [1 / end if end else 0 for end in ends]
    return abs(ends[1] - ends[0])


def is_followed(car, role, keys, field):
    """Diagnostics are asked for it, and it spans enough to tell a factor or a level."""
    return role in SPANS and role in polled_of(car) and bool(field['exercised']) and is_busy(field['facts']) and \
        value_span(keys, field['facts']) >= SPANS[role]


def is_all_ones_on(car, name, page):
    """Nothing of that page lies there but the filler, and that is its code for unavailable."""
    frame = next(f for f in car.layout['frames'] if any(field is car.field[name] for field in f['fields']))
    mine = set(positions(car.field[name]['bits'], car.field[name]['order']))
    others = [set(positions(field['bits'], field['order'])) for field in frame['fields']
              if field['page'] is not None and int(page) in field['page']]
    return frame['filler'] == 255 and car.field[name]['unavailable'] is not None and not any(mine & other for other in others)


def frame_faults(car):
    used = {int(keys['id'], 16) for keys in car.frames.values()}
    free = next(number for number in range(0x7A5, 0x700, -1) if number not in used)
    for name, keys in car.frames.items():
        facts = car.facts[name]
        cyclic = 'period_ms' in keys and facts['cadence'] == 'cyclic'
        # Five of its periods, and a second, in a drive in which its bus is never silent for long.
        alive = 'period_ms' in keys and float(keys['period_ms']) * 6 < car.layout['duration_s'] * 1000
        yield Fault('wrong id', name, {name: {'id': f'0x{free:X}'}}, {}, alive)
        size = keys['length']
        if size < 8 and not keys.get('fd'):
            yield Fault('length', name, {name: {'length': size + 1}}, {}, facts['count'] > 3)
        if 'period_ms' in keys:
            for factor in (2, 0.5):
                yield Fault('period by 2', name, {name: {'period_ms': f"{float(keys['period_ms']) * factor:.6f}"}}, {},
                            cyclic and facts['count'] > 12)
        if 'counter' in facts:
            yield from counter_faults(name, keys, facts)
        if 'checksum' in facts:
            yield from checksum_faults(name, keys, facts)


def counter_faults(name, keys, facts):
    field = facts['counter']
    (byte, top), (last, low) = ends(field['bits'])
    plain = field['counter']['modulus'] == 1 << width(field) and field['counter']['step'] == 1
    # A counter that chooses a hidden byte of the checksum is in two keys.
    if byte != last or top - low < 1 or not plain or 'counter' in (keys.get('checksum') or ''):
        return
    rounds = field['facts']['changes'] / field['counter']['modulus']
    yield Fault('counter width', name, {name: {'counter': f'{byte}.{top - 1}..{byte}.{low}'}}, {}, rounds > 4)
    if top < 7:
        still = not any(8 * byte + top + 1 in positions(other['bits'], other['order']) for other in facts['fields'])
        yield Fault('counter width', name, {name: {'counter': f'{byte}.{top + 1}..{byte}.{low}'}}, {}, rounds > 4 and still)


def checksum_faults(name, keys, facts):
    check, text = facts['checksum']['checksum'], facts['checksum']['checksum']['text']
    more = facts['checksum']['facts']['contents'] > 10 and facts['count'] > 12
    if check['family'] in ('xor', 'sum', 'nibble-sum'):
        start = re.search(r' start (0x[0-9A-Fa-f]+|\d+)', text)
        changed = text.replace(start.group(0), f' start {int(start.group(1), 0) ^ 1}') if start else text + ' start 1'
        yield Fault('checksum start', name, {name: {'checksum': changed}}, {}, more)
    elif check['family'] in ('crc8', 'crc16') and f" init 0x{check['init']:X}" in text:
        yield Fault('checksum start', name, {name: {'checksum': text.replace(
            f" init 0x{check['init']:X}", f" init 0x{check['init'] ^ 1:X}")}}, {}, more)


def signal_faults(car):
    for name, keys in car.signals.items():
        role, field = keys.get('role'), car.field.get(name)
        if not field or 'values' in keys:
            continue
        facts, bits = field['facts'], width(field)
        busy = field['exercised'] and is_busy(facts)
        follows = is_followed(car, role, keys, field)
        if role and 'scale' in keys and 'form' not in keys:
            scale = float(fractions.Fraction(keys['scale']))
            for factor in (2, 0.5):
                yield Fault('scale by 2', name, {}, {name: {'scale': number(scale * factor)}}, follows)
            span = scale * (facts['most'] - facts['least'])
            # Of what hardly moves a tenth of its usual range: less would be within anybody's tolerance.
            more = 10 if role in SLOW else 0.15 * span
            yield Fault('offset', name, {}, {name: {'offset': number(float(fractions.Fraction(keys['offset'])) + more)}},
                        follows)
        other = swapped(keys['bits'])
        if other and keys.get('order'):
            turned = 'intel' if keys['order'] == 'motorola' else 'motorola'
            moving = bin(int(facts['moved'], 16)).count('1')
            smooth = busy and moving > 9 and facts['distinct'] > 300
            yield Fault('byte order', name, {}, {name: {'bits': other, 'order': turned}}, smooth)
        if keys.get('sign') == 'twos':
            yield Fault('sign', name, {}, {name: {'sign': 'unsigned'}}, busy and facts['crossings'] >= 8 and bits >= 8)
        if bits >= 4 and keys.get('sign') == 'unsigned':
            # Down: its top bit is lost, which shows where that bit moved and the number runs through there.
            top_moved = int(facts['moved'], 16) >> (bits - 1) & 1 and facts['crossings'] >= 3
            for by in (1, -1):
                edits = shifted(keys, by)
                if edits:
                    yield Fault('moved by one', name, {}, {name: edits},
                                follows or bool(by < 0 and bits >= 9 and busy and top_moved))
    mode = car.role('drive_mode')
    if mode:
        pairs = [pair.split(' ') for pair in car.signals[mode]['values'].split(', ')]
        if len(pairs) >= 2:
            pairs[0][1], pairs[1][1] = pairs[1][1], pairs[0][1]
            yield Fault('swapped labels', mode, {}, {mode: {'values': ', '.join(' '.join(p) for p in pairs)}},
                        car.field[mode]['facts']['changes'] >= 4)


def page_faults(car):
    """A field on a page that a role follows takes the role from the one that had it: then its page is
    exchanged for each other one."""
    for name, keys in car.signals.items():
        field = car.field.get(name)
        if 'page' not in keys or not field or not field['role'] or 'values' in keys or 'role' in keys:
            continue
        role = field['role']
        if role not in OBD or not field['exercised'] or field['coarse_steps'] > 4:
            continue
        selector, _, own = keys['page'].partition(' ')
        base = {name: {'role': role}}
        holder = car.role(role)
        if holder:
            base[holder] = {'role': None}
        pages = {page for other in car.signals.values() if other.get('page', '').startswith(selector + ' ')
                 for page in other['page'].partition(' ')[2].split(',')} - set(own.split(','))
        follows = is_followed(car, role, keys, field)
        for page in sorted(pages, key=int):
            yield base, Fault('wrong page', name, {}, {**base, name: {'role': role, 'page': f'{selector} {page}'}},
                              follows and not is_all_ones_on(car, name, page))


def prove(loomtap, folder, base, text):
    path = os.path.join(folder, 'profile.ini')
    with open(path, 'w') as out:
        out.write(text)
    command = [loomtap, 'prove', base + '.log', '-p', path, '--json', '--quiet', '--marks', base + '.csv']
    run = subprocess.run(command, capture_output=True, text=True)
    return (json.loads(run.stdout) if run.stdout else None), run


def interval(hits, count):
    """Wilson's 95 % interval."""
    if not count:
        return 0, 1
    z, p = 1.96, hits / count
    middle, half = p + z * z / 2 / count, z * math.sqrt(p * (1 - p) / count + z * z / 4 / count / count)
    return (middle - half) / (1 + z * z / count), (middle + half) / (1 + z * z / count)


class Tally:
    def __init__(self):
        self.shown, self.hidden = collections.defaultdict(collections.Counter), collections.defaultdict(collections.Counter)
        self.right, self.wrong = collections.Counter(), []

    def add(self, seed, fault, proof, before, car):
        found = {c['subject'] for c in proof['claims'] if c['verdict'] == 'contradicted'
                 and (c['id'], c['subject']) not in before}
        proven = [c['id'] for c in proof['claims'] if c['subject'] == fault.subject and c['verdict'] == 'proven'
                  and c['id'] in SPEAKS[fault.kind]]
        edit = {**fault.frames, **fault.signals}.get(fault.subject)
        keys = car.signals.get(fault.subject) or car.frames.get(fault.subject)
        what = f'seed {seed}: {fault.kind} of {fault.subject}: contradicted {sorted(found)}; {keys} -> {edit}'
        cell = (self.shown if fault.exercised else self.hidden)[fault.kind]
        cell['all'] += 1
        if fault.subject in found:
            cell['named'] += 1
            cell['alone'] += found == {fault.subject}
        elif proven:
            cell['proven'] += 1
            self.wrong.append(f'{what}; PROVEN {proven}')
        else:
            cell['open'] += 1
            if fault.exercised:
                self.wrong.append(what)

    def rows(self):
        yield '| fault | exercised | contradicted, subject named | share (95 % interval) | it alone | proven | not exercised by the drive | contradicted | left open | proven |'
        yield '|---|---:|---:|---|---:|---:|---:|---:|---:|---:|'
        kinds = sorted(set(self.shown) | set(self.hidden)) + ['all']
        total, rest = collections.Counter(), collections.Counter()
        for kind in kinds:
            one, two = (total, rest) if kind == 'all' else (self.shown[kind], self.hidden[kind])
            if kind != 'all':
                total += one
                rest += two
            low, high = interval(one['named'], one['all'])
            share = f"{100 * one['named'] / one['all']:.1f} % ({100 * low:.1f} to {100 * high:.1f})" if one['all'] else '-'
            yield f"| {kind} | {one['all']} | {one['named']} | {share} | {one['alone']} | {one['proven']} | " \
                  f"{two['all']} | {two['named']} | {two['open']} | {two['proven']} |"

    def is_good(self):
        cells = self.shown.values()
        named, every = sum(cell['named'] for cell in cells), sum(cell['all'] for cell in cells)
        proven = sum(cell['proven'] for table in (self.shown, self.hidden) for cell in table.values())
        floor = all(cell['named'] >= 0.9 * cell['all'] for cell in self.shown.values())
        return named >= 0.98 * every and floor and not proven and not self.right['contradicted claims']


def make_car(args, seed, folder):
    base = os.path.join(args.keep or folder, str(seed))
    if not os.path.exists(base + '.json'):
        subprocess.run([args.loomtap, 'mimic', 'random', '--seed', str(seed), '--duration', args.seconds, '--polling',
                        '-o', base + '.log', '--layout', base + '.json', '--marks', base + '.csv', '--quiet'], check=True)
    with open(base + '.json') as file:
        return Car(json.load(file)), base


def try_car(args, seed, tally):
    with tempfile.TemporaryDirectory() as folder:
        car, base = make_car(args, seed, folder)
        job = lambda frames, signals: prove(args.loomtap, folder, base, car.text(frames, signals))
        proof, run = job({}, {})
        if proof is None:
            tally.wrong.append(f'seed {seed}: the right profile is refused: {run.stderr[:400]}')
            return
        before = take_right(tally, seed, car, proof, '')
        if args.right_only:
            return
        made = collections.defaultdict(list)
        for fault in list(frame_faults(car)) + list(signal_faults(car)):
            made[fault.kind, fault.exercised].append((None, fault))
        for role_moved, fault in page_faults(car):
            made[fault.kind, fault.exercised].append((role_moved, fault))
        for key in sorted(made):
            chance = random.Random(f'{seed} {key}')
            chance.shuffle(made[key])
            tried = 0
            for role_moved, fault in made[key]:
                if tried == (args.most if fault.exercised else args.most_hidden):
                    break
                proof, run = job(fault.frames, fault.signals)
                if proof is None:
                    continue  # the profile itself has faults then: nothing to prove
                known = before
                if role_moved:
                    right, _ = job({}, role_moved)
                    known = take_right(tally, seed, car, right, f' with {role_moved}')
                tried += 1
                tally.add(seed, fault, proof, known, car)


def take_right(tally, seed, car, proof, how):
    bad = [c for c in proof['claims'] if c['verdict'] == 'contradicted']
    tally.right[proof['verdict']] += 1
    tally.right['contradicted claims'] += len(bad)
    tally.right['claims'] += len(proof['claims'])
    for c in bad:
        keys = car.signals.get(c['subject']) or car.frames.get(c['subject'])
        tally.wrong.append(f'seed {seed}: right profile{how}: {c["id"]} of {c["subject"]}: {c["measured"]}: {c["say"]} {keys}')
    return {(c['id'], c['subject']) for c in bad}


HEAD = """# How right a proof is

{cars} invented cars (`loomtap mimic random`, seeds {seeds}, {seconds} s each, diagnostics polled, the drive modes marked), on which nothing was
tuned. Each car's right profile is written from its layout, and proven; then profiles with one fault each. Whether the drive exercises a
fault is settled from the layout and its facts before the proof is asked (`tests/prove/cars.py`; the rules stand beside each kind).
Written by

    tests/prove/cars.py build/src/cli/loomtap --seeds {seeds} --seconds {seconds} --write docs/prove-truth.md

Asked: of exercised faults 98 % contradicted with the subject named, 90 % of each kind; never proven of the faulty key; a right profile
never contradicted.

"""


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('loomtap')
    parser.add_argument('--seeds', default='301..303')
    parser.add_argument('--seconds', default='120')
    parser.add_argument('--most', type=int, default=3, help='exercised faults of one kind a car')
    parser.add_argument('--most-hidden', type=int, default=1, help='and of those that are not')
    parser.add_argument('--keep', help='a folder to keep the drives in')
    parser.add_argument('--write', help='the table, for docs/prove-truth.md')
    parser.add_argument('--right-only', action='store_true')
    args = parser.parse_args()
    first, last = map(int, args.seeds.split('..'))
    tally = Tally()
    for seed in range(first, last + 1):
        try_car(args, seed, tally)
    for line in tally.wrong:
        print(line)
    rows = list(tally.rows())
    right = f"Right profiles: {tally.right['proven']} proven, {tally.right['not exercised']} not exercised, " \
            f"{tally.right['contradicted']} contradicted; {tally.right['contradicted claims']} of their " \
            f"{tally.right['claims']} claims are contradicted."
    print('\n'.join(rows), right, sep='\n')
    if args.write:
        with open(args.write, 'w') as out:
            out.write(HEAD.format(cars=last - first + 1, seeds=args.seeds, seconds=args.seconds))
            out.write('\n'.join(rows) + f'\n\n{right}\n')
    return 0 if tally.is_good() else 1


if __name__ == '__main__':
    sys.exit(main())
