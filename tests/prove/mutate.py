#!/usr/bin/env python3
"""Every key of the demo profile and of the two standard ones, edited one at a time, and what the proof says:
of tarn-turbo and obd-ii on the demo drive, of j1939 on an invented truck's traffic (truck.py).

    mutate.py LOOMTAP ROOT [--write docs/claims-mutations.md] [--show] [--only PROFILE]

What each edit must lead to is settled here, from the grammar and from the truth of the drive
(captures/tarn-drive.truth.csv, which the decoder has no part in), before the program is asked:

    refused    the profile is at fault in itself: `check` says so, nothing is proven
    harmful    the drive shows that it is wrong: contradicted, with exactly the subject that was edited
    open       wrong, and this drive cannot show it for certain: if anything is contradicted it is that
               subject alone
    harmless   nothing contradicted, the verdict as before

The demo profile and obd-ii are proven before any edit; of j1939 nothing is contradicted, and not all of its frames come. A key without any edit is a fault of this program.
"""
import argparse
import collections
import concurrent.futures
import csv
import fractions
import json
import os
import re
import subprocess
import sys
import tempfile

from faults import MARKS, back, ends, linear, moved, sections, swapped, text_of
from truck import Drive

# What the tester asks, by role (captures/README.md: service 01), where the drive moves it enough to judge
# a factor or a level. Ambient and barometric pressure hardly move: their level can still be told.
POLLED = ['engine_speed', 'pedal', 'throttle', 'load', 'absolute_load', 'manifold_pressure', 'intake_temp',
          'air_mass_flow', 'lambda', 'lambda_target', 'coolant_temp', 'vehicle_speed', 'timing_advance']
LEVEL_ONLY = ['barometric_pressure']
# No claims are made of these sections: the warnings are rehearsed, not proven.
UNPROVEN = ('warning',)
Edit = collections.namedtuple('Edit', 'section key what expect subjects text')


class Profile:
    def __init__(self, text):
        self.text, self.parts = text, sections(text)

    def headers(self):
        return [head for head, _ in self.parts if head]

    def keys(self, header):
        for head, lines in self.parts:
            if head == header:
                return {match.group(1): match.group(2).strip() for line in lines
                        if (match := re.match(r'([\w.]+)\s*=\s*(.*?)(\s;.*)?$', line))}
        return {}

    def changed(self, header, edits):
        """Keys set, each in its place, or taken away (None)."""
        out, left = [], {key: value for key, value in edits.items() if value is not None}
        for head, lines in self.parts:
            for line in lines:
                match = re.match(r'([\w.]+)\s*=', line) if head == header else None
                key = match.group(1) if match else None
                if key not in edits:
                    out.append(line)
                elif key in left:
                    out.append(f'{key} = {left.pop(key)}')
            if head == header:
                last = max(at for at, line in enumerate(out) if line.strip() and not line.startswith(';'))
                out[last + 1:last + 1] = [f'{key} = {value}' for key, value in left.items()]
        return '\n'.join(out)


class Truth:
    """Raw numbers and values of the drive, two looks a second and each change of a label. Of other definitions than
    the demo car's own nothing is known without a path."""

    def __init__(self, path=None, drive=None):
        self.raw, self.value, self.codes = (collections.defaultdict(list) for _ in range(3))
        self.unit = {}
        if drive:
            self.raw, self.value, self.codes = drive.raw, drive.value, drive.codes
        if path:
            self.read(path)

    def read(self, path):
        with open(path, encoding='utf-8') as file:
            for row in csv.DictReader(file):
                self.unit[row['signal']] = row['unit']
                if row['label'] in ('unavailable', 'error'):
                    self.codes[row['signal']].append(row['label'])
                else:
                    self.raw[row['signal']].append(int(row['raw']))
                    self.value[row['signal']].append(float(row['value']))

    def distinct(self, signal):
        return len(set(self.raw[signal]))

    def span(self, signal):
        return max(self.value[signal]) - min(self.value[signal]) if self.value[signal] else 0

    def flips(self, signal, bit):
        raw = self.raw[signal]
        return sum((a ^ b) >> bit & 1 for a, b in zip(raw, raw[1:]))

    def values_in(self, signal, unit):
        """As the profile writes them: the truth speaks the role's unit."""
        factor = {('kPa', 'bar'): 0.01}.get((self.unit.get(signal), unit), 1)
        return [value * factor for value in self.value[signal]]

    def outside(self, signal, unit, low, high, factor=1):
        """Share of the looks that an edited value would have outside of a range."""
        values = self.values_in(signal, unit)
        return sum(not low <= value * factor <= high for value in values) / max(len(values), 1)


def length_of(keys):
    if 'parts' in keys:
        return sum(t - l + 1 for (_, t), (_, l) in (ends(span) if '..' in span else ends(f'{span}..{span}')
                                                    for span in keys['parts'].split()))
    (b1, t), (b0, l) = span_of(keys)
    return 8 * abs(b1 - b0) + (t - l if keys.get('order') != 'motorola' else t - l) + 1


def span_of(keys):
    return ends(keys['bits']) if '..' in keys['bits'] else ends(f"{keys['bits']}..{keys['bits']}")


def number(text):
    return fractions.Fraction(text)


def plain(value):
    return str(value) if value.denominator == 1 else f'{value.numerator}/{value.denominator}'


def numbers(text):
    low, high = text.split('..') if '..' in text[1:] else (text, text)
    return float(low), float(high)


class Mutations:
    polled = POLLED

    def __init__(self, profile, truth):
        self.profile, self.truth, self.list = profile, truth, []
        self.name = profile.keys('[profile]')['name']

    def add(self, header, key, what, expect, subjects=(), **edits):
        edits = {name.rstrip('_'): value for name, value in edits.items()}
        self.list.append(Edit(header, key, what, expect, tuple(subjects), self.profile.changed(header, edits)))

    def all(self):
        for header in self.profile.headers():
            kind, _, name = header[1:-1].partition(' ')
            getattr(self, f'of_{kind}')(header, name, self.profile.keys(header))
        edited = {(edit.section, edit.key) for edit in self.list}
        for header in self.profile.headers():
            for key in self.profile.keys(header):
                if (header, key) not in edited:
                    raise SystemExit(f'{header} {key}: no edit of it')
        return self.list

    # --- profile, fits, buses ---

    def of_profile(self, header, _, keys):
        self.add(header, 'format', 'format 2', 'refused', format='2')
        self.add(header, 'name', 'another name', 'harmless', name='other-name')
        self.add(header, 'title', 'another title', 'harmless', title='Another title')
        self.add(header, 'title', 'no title', 'harmless', title=None)
        self.add(header, 'requires', 'a role that nobody has', 'refused', requires=keys['requires'] + ' exhaust_temp')
        self.add(header, 'requires', 'one role more', 'harmless', requires=keys['requires'] + ' pedal')
        self.add(header, 'requires', 'one role less', 'harmless', requires=' '.join(keys['requires'].split()[1:]))

    def of_fits(self, header, _, keys):
        for key in keys:
            if key == 'calibration_ids':
                self.add(header, key, 'another car\'s', 'harmful', [self.name], calibration_ids='TARN9999')
                self.add(header, key, 'one more', 'harmless', calibration_ids=keys[key] + ' TARN0044')
                self.add(header, key, 'not said', 'harmless', calibration_ids=None)
            else:
                self.add(header, key, 'another text', 'harmless', **{key: 'other'})

    def frames_on(self, bus):
        return [header[7:-1] for header in self.profile.headers() if header.startswith('[frame ')
                and self.profile.keys(header)['bus'] == bus]

    def of_bus(self, header, name, keys):
        others = [head for head in self.profile.headers() if head.startswith('[bus ') and head != header]
        foreign = self.profile.keys(others[0])['interface']
        missed = [frame for frame in self.frames_on(name)
                  if {'period_ms': 1, **self.profile.keys(f'[frame {frame}]')}['direction'] == 'listen'
                  and 'period_ms' in self.profile.keys(f'[frame {frame}]')]
        self.add(header, 'bitrate', 'half of it', 'harmless', bitrate='250000')  # no capture shows bit rates
        self.add(header, 'access', 'another text', 'harmless', access='elsewhere')
        self.add(header, 'interface', 'the other bus', 'harmful', missed, interface=foreign)
        self.add(header, 'interface', 'one that is not there', 'harmless', interface='can7')  # found by content

    # --- frames ---

    def of_frame(self, header, name, keys):
        cyclic, sent = 'period_ms' in keys, keys.get('direction') == 'send'
        shown = 'harmful' if cyclic else 'open'
        buses = [head[5:-1] for head in self.profile.headers() if head.startswith('[bus ')]
        other = next(bus for bus in buses if bus != keys['bus'])
        if sent:
            self.add(header, 'bus', 'the other bus', 'harmless', bus=other)
            self.add(header, 'id', 'one that the car uses', 'harmful', [name], id='0x4D2')
            self.add(header, 'id', 'another free one', 'harmless', id='0x6A1')
            self.add(header, 'direction', 'listen, while warnings send it', 'refused', direction='listen')
            self.add(header, 'period_ms', 'twice', 'harmless', period_ms='200')
            self.add(header, 'period_ms', 'not said', 'refused', period_ms=None)
            self.add(header, 'counter', 'one bit shorter', 'harmless', counter='6.2..6.0')
            self.add(header, 'checksum', 'another start', 'harmless', checksum='crc8-autosar over 0..6 in 7')
            self.add(header, 'length', 'shorter than its fields', 'refused', length='7')
            return
        self.add(header, 'bus', 'the other bus', shown, [name], bus=other)
        self.add(header, 'bus', 'one that is not there', 'refused', bus='nowhere')
        self.add(header, 'id', 'another', shown, [name], id='0x7A5')
        self.add(header, 'id', 'the next number', shown, [name], id=f"0x{int(keys['id'], 16) + 1:X}")
        self.add(header, 'direction', 'not said', 'harmless', direction=None)
        # A frame of the car that is to be sent: the identifier is in use. With no period it is refused.
        # A required role in it is heard no longer either.
        lost = [head[8:-1] for head in self.profile.headers()
                if self.profile.keys(head).get('frame') == name and self.is_required(self.profile.keys(head))]
        self.add(header, 'direction', 'send', 'harmful' if cyclic else 'refused', [name, *lost], direction='send')
        size = int(keys['length'])
        self.add(header, 'length', 'one byte less', 'refused' if self.uses(name, size - 1) else 'harmful', [name],
                 length=str(size - 1))
        if size < 8:
            self.add(header, 'length', 'one byte more', 'harmful', [name], length=str(size + 1))
        if cyclic:
            period = float(keys['period_ms'])
            # A second is seen 75 times in the drive.
            self.add(header, 'period_ms', 'twice', 'harmful', [name], period_ms=f'{2 * period:g}')
            self.add(header, 'period_ms', 'half', 'harmful', [name], period_ms=f'{period / 2:g}')
            self.add(header, 'period_ms', 'a tenth longer', 'harmless', period_ms=f'{period * 1.1:g}')
            self.add(header, 'period_ms', 'not said', 'harmless', period_ms=None)
        if 'counter' in keys:
            self.of_counter(header, name, keys)
        if 'checksum' in keys:
            self.of_checksum(header, name, keys)

    def uses(self, frame, byte):
        """Does something of the frame lie in this byte or behind it?"""
        keys = self.profile.keys(f'[frame {frame}]')
        texts = [keys.get('counter', '').split(' ')[0], *re.findall(r' in (\S+)', keys.get('checksum', '')),
                 *re.findall(r'over \d\.\.(\d)', keys.get('checksum', ''))]
        for header in self.profile.headers():
            signal = self.profile.keys(header)
            if header.startswith('[signal ') and signal.get('frame') == frame:
                texts.append(signal.get('bits') or signal['parts'])
        return any(place >= 8 * byte for text in texts for place in positions_in(text))

    def of_counter(self, header, name, keys):
        counter = keys['counter']
        (byte, top), (_, low) = ends(counter.split()[0])
        self.add(header, 'counter', 'not said', 'harmless', counter=None)
        self.add(header, 'counter', 'its top bit left out', 'harmful', [name], counter=f'{byte}.{top - 1}..{byte}.{low}')
        if top - low >= 2:
            self.add(header, 'counter', 'its low bit left out', 'harmful', [name],
                     counter=f'{byte}.{top}..{byte}.{low + 1}')
        self.add(header, 'counter', 'step 2', 'harmful', [name], counter=counter + ' step 2')
        modulus = 1 << (top - low + 1)
        if 'mod' in counter:
            self.add(header, 'counter', 'all its codes', 'harmful', [name], counter=counter.split()[0])
        else:
            self.add(header, 'counter', 'one code less', 'harmful', [name], counter=f'{counter} mod {modulus - 1}')

    def of_checksum(self, header, name, keys):
        text = keys['checksum']
        wrong = []
        if text.startswith('crc8-sae-j1850'):
            wrong.append(('another start', text.replace('crc8-sae-j1850', 'crc8') + ' poly 0x1D init 0x00 xorout 0xFF'))
            wrong.append(('another polynomial', text.replace('crc8-sae-j1850', 'crc8-autosar')))
        elif text.startswith('crc8-autosar'):
            wrong.append(('another end', text.replace('crc8-autosar', 'crc8') + ' poly 0x2F init 0xFF xorout 0x00'))
            wrong.append(('another polynomial', text.replace('crc8-autosar', 'crc8-sae-j1850')))
        elif text.startswith('crc8'):
            wrong.append(('another start', text.replace('init 0xAA', 'init 0xAB')))
            wrong.append(('the hidden byte before', text.replace(' after', ' before')))
        elif text.startswith('e2e-p2'):
            wrong.append(('another hidden byte', text.replace('0x4A', '0x4B')))
            wrong.append(('the next counter', text.replace('0x4A,0x91', '0x91,0x4A')))
        elif text.startswith('e2e'):
            wrong.append(('another hidden byte', re.sub(r'data-id 0x(\w\w)',
                                                        lambda m: f'data-id 0x{int(m.group(1), 16) ^ 1:02X}', text)))
        elif text.startswith('xor') or text.startswith('sum') or text.startswith('nibble'):
            start = re.search(r'start 0x(\w\w)', text)
            wrong.append(('another start', re.sub(r'start 0x\w\w', f'start 0x{int(start.group(1), 16) ^ 1:02X}', text)
                          if start else text + ' start 1'))
            if 'complement' in text:
                wrong.append(('ones complement', text.replace('twos', 'ones')))
            if 'with-id' in text:
                wrong.append(('without the identifier', text.replace(' with-id', '')))
        for what, changed in wrong:
            self.add(header, 'checksum', what, 'harmful', [name], checksum=changed)
        self.add(header, 'checksum', 'not said', 'harmless', checksum=None)

    # --- signals ---

    def of_signal(self, header, name, keys):
        for key in keys:
            if method := getattr(self, f'signal_{key}', None):
                method(header, name, keys)

    def is_sent(self, keys):
        return self.profile.keys(f"[frame {keys['frame']}]").get('direction') == 'send'

    def is_required(self, keys):
        return keys.get('role') in self.profile.keys('[profile]').get('requires', '').split()

    def signal_frame(self, header, name, keys):
        self.add(header, 'frame', 'one that is not there', 'refused', frame='nowhere')

    def taken(self, name, keys, positions):
        """Is one of these bits another signal's, a counter's or a checksum's, or beyond the frame?"""
        frame = self.profile.keys(f"[frame {keys['frame']}]")
        if any(not 0 <= at < 8 * int(frame['length']) for at in positions):
            return True
        taken = set()
        texts = [frame.get('counter', '').split(' ')[0], re.sub(r'.* in (\S+).*', r'\1', frame.get('checksum', ''))]
        for head in self.profile.headers():
            other = self.profile.keys(head)
            if head.startswith('[signal ') and head != f'[signal {name}]' and other.get('frame') == keys['frame'] \
                    and not self.never_together(keys, other):
                texts.append(other.get('bits') or other['parts'])
        for text in texts:
            taken |= set(positions_in(text))
        return bool(taken & set(positions))

    @staticmethod
    def never_together(one, other):
        pages = [{match.group(1): match.group(2) for match in re.finditer(r'(\w+) (\d+)', keys.get('page', ''))}
                 for keys in (one, other)]
        return any(pages[0][key] != pages[1][key] for key in pages[0].keys() & pages[1].keys())

    def field(self, header, key, what, name, keys, bits, expect, order=None):
        positions = positions_in(bits)
        subjects = [name]
        if positions is None or self.taken(name, keys, positions) or \
                any(code >> len(positions) for code in codes_in(keys)) or \
                (keys.get('sign') == 'float' and len(positions) != 32):
            expect = 'refused'
        if name in self.selectors():
            subjects = [head[8:-1] for head in self.profile.headers()
                        if re.search(rf'\b{name} ', self.profile.keys(head).get('page', ''))]
        edits = {'bits': bits}
        if order or ('order' not in keys and positions and not inside(bits)):
            edits['order'] = order or 'intel'
        self.add(header, key, what, expect, subjects, **edits)

    def selectors(self):
        return {word for head in self.profile.headers()
                for word in re.findall(r'([a-z]\w*) \d', self.profile.keys(head).get('page', ''))}

    def signal_bits(self, header, name, keys):
        if '..' not in keys['bits']:
            self.add(header, 'bits', 'beyond the frame', 'refused', bits='8.0')
            return
        order, span = keys.get('order', 'none'), ends(keys['bits'])
        polled = keys.get('role') in self.polled
        sure = 'harmful' if polled else 'open'
        length = length_of(keys)
        self.field(header, 'bits', 'up by one', name, keys, moved(keys['bits'], order, 1), sure)
        self.field(header, 'bits', 'down by one', name, keys, moved(keys['bits'], order, -1), sure)
        if length > 2 and 'values' not in keys:
            top = text_of([back(linear(span[0], order) - 1, order), span[1]])
            low = text_of([span[0], back(linear(span[1], order) + 1, order)])
            # Without its top bit it wraps, where that bit moved and all of the number runs through there.
            runs = self.truth.flips(name, length - 1) >= 4 and polled
            self.field(header, 'bits', 'its top bit left out', name, keys, top, 'harmful' if runs else 'open',
                       order_of(top, order))
            self.field(header, 'bits', 'its low bit left out', name, keys, low, 'harmful' if polled else 'open',
                       order_of(low, order))

    def signal_parts(self, header, name, keys):
        first, last = keys['parts'].split()
        self.add(header, 'parts', 'the other way round', 'open', [name], parts=f'{last} {first}')

    def signal_order(self, header, name, keys):
        turned = 'intel' if keys['order'] == 'motorola' else 'motorola'
        self.add(header, 'order', 'the other, against the ends', 'refused', order=turned)
        other = swapped(keys['bits'])
        if other:
            # So many numbers that the low byte goes round under the high one.
            busy = self.truth.distinct(name) >= 60 and self.raw_span(name) >= 1024 and not self.is_sent(keys)
            polled = keys.get('role') in self.polled
            self.field(header, 'order', 'the other, of the same bytes', name, keys, other,
                       'harmful' if busy or polled else 'open', turned)

    def raw_span(self, name):
        raw = self.truth.raw[name]
        return max(raw) - min(raw) if raw else 0

    def range_of(self, keys):
        return numbers(keys['range']) if 'range' in keys else (float('-inf'), float('inf'))

    def signal_scale(self, header, name, keys):
        scale = number(keys['scale'])
        for what, factor in (('twice', 2), ('half', fractions.Fraction(1, 2))):
            expect = 'open'
            if keys.get('role') in self.polled:
                expect = 'harmful'
            elif 'offset' not in keys and self.truth.outside(name, keys.get('unit'), *self.range_of(keys), float(factor)) > 0.1:
                expect = 'harmful'
            self.add(header, 'scale', what, expect, [name], scale=plain(scale * factor))
        self.add(header, 'scale', 'the same as a fraction', 'harmless', scale=f'{scale.numerator}/{scale.denominator}')
        self.add(header, 'scale', 'nought', 'refused', scale='0')

    def signal_offset(self, header, name, keys):
        offset, polled = float(keys['offset']), keys.get('role') in self.polled
        span = max(self.truth.span(name), 20)
        self.add(header, 'offset', 'more by half of what it spans', 'harmful' if polled else 'open', [name],
                 offset=f'{offset + span / 2:.3f}')
        self.add(header, 'offset', 'left out', 'harmful' if polled else 'open', [name], offset=None)

    def signal_unit(self, header, name, keys):
        self.add(header, 'unit', 'another quantity', 'refused' if 'role' in keys else 'harmless',
                 unit='kPa' if keys['unit'] not in ('kPa', 'bar') else 'km/h')

    def signal_range(self, header, name, keys):
        low, high = numbers(keys['range'])
        more = (high - low) / 4
        # A range that the field cannot reach is a warning, no fault.
        self.add(header, 'range', 'wider', 'harmless', range=f'{low - more:g}..{high + more:g}')
        self.add(header, 'range', 'not said', 'harmless', range=None)
        values = sorted(self.truth.values_in(name, keys.get('unit')))
        if self.truth.distinct(name) >= 4 and not self.is_sent(keys):
            middle = (values[0] + values[-1]) / 2
            outside = self.truth.outside(name, keys.get('unit'), low, middle)
            self.add(header, 'range', 'only the lower half of what came', 'harmful' if outside > 0.05 else 'open', [name],
                     range=f'{low:g}..{middle:g}')

    def signal_role(self, header, name, keys):
        role = keys['role']
        self.add(header, 'role', 'none', 'refused' if self.is_required(keys) else 'harmless', role=None)
        self.add(header, 'role', 'one that does not exist', 'refused', role='no_such_role')
        wrong = {'pedal': 'load', 'throttle': 'load', 'intake_temp': 'coolant_temp'}
        if role in wrong:
            self.add(header, 'role', f'{wrong[role]}, which another has too', 'open', [name], role=wrong[role])

    def codes_of(self, name, label):
        return label in self.truth.codes[name]

    def signal_unavailable(self, header, name, keys):
        self.codes(header, name, keys, 'unavailable')

    def signal_error(self, header, name, keys):
        self.codes(header, name, keys, 'error')

    def codes(self, header, name, keys, key):
        came, has_range = self.codes_of(name, key), 'range' in keys
        share = self.truth.codes[name].count(key) / max(len(self.truth.raw[name]), 1)
        far = has_range and share > 0.02 and not self.is_sent(keys)
        # A code taken for a value lies beyond the range.
        self.add(header, key, 'not said', 'harmful' if came and far else 'open' if came else 'harmless', [name],
                 **{key: None})

    def signal_max_age_ms(self, header, name, keys):
        self.add(header, 'max_age_ms', 'shorter than the period', 'harmful', [name], max_age_ms='1')
        self.add(header, 'max_age_ms', 'longer', 'harmless', max_age_ms='200')

    def signal_on_lost(self, header, name, keys):
        self.add(header, 'on_lost', 'hold', 'harmless', on_lost='hold 500')

    def signal_sign(self, header, name, keys):
        values = self.truth.value[name]
        # Through the place of the sign, up and down, several times in two looks a second.
        both = sum((a < 0) != (b < 0) for a, b in zip(values, values[1:])) >= 8
        wide = keys['sign'] != 'float' and length_of(keys) >= 8
        # Offset-binary and unsigned are one but for the offset.
        other = {'offset-binary': 'twos', 'float': 'twos'}.get(keys['sign'], 'unsigned')
        self.add(header, 'sign', other, 'harmful' if both and wide else 'open', [name], sign=other)

    def signal_form(self, header, name, keys):
        self.add(header, 'form', 'linear', 'harmful' if keys.get('role') in self.polled else 'open', [name], form='linear')

    def signal_curve(self, header, name, keys):
        self.add(header, 'curve', 'one that is not there', 'refused', curve='nowhere')
        self.add(header, 'curve', 'left out: the bare number', 'open', [name], curve=None)

    def signal_page(self, header, name, keys):
        # The last of its selectors, at a value that no page has.
        selector = re.findall(r'([a-z]\w*) \d', keys['page'])[-1]
        short = 9 >> length_of(self.profile.keys(f'[signal {selector}]'))
        self.add(header, 'page', 'one that never comes', 'refused' if short else 'open', [name],
                 page=re.sub(r'\d+$', '9', keys['page']))

    def signal_values(self, header, name, keys):
        pairs = [pair.split() for pair in keys['values'].split(', ')]
        swap = ', '.join(' '.join(pair) for pair in ([pairs[0][0], pairs[1][1]], [pairs[1][0], pairs[0][1]], *pairs[2:]))
        # Only the drive mode was marked.
        self.add(header, 'values', 'two labels changed about', 'harmful' if name == 'drive_mode' else 'open', [name],
                 values=swap)
        came = sum(str(raw) == pairs[1][0] for raw in self.truth.raw[name])
        often = came > 0.05 * max(len(self.truth.raw[name]), 1) and 'role' in keys
        send = self.is_sent(keys)
        warnings = any(f'"{pairs[1][1]}"' in line or f'={pairs[1][1]}' in line for line in self.profile.text.split('\n'))
        if not warnings:
            self.add(header, 'values', 'one that came left out', 'harmful' if often else 'open', [name],
                     values=', '.join(' '.join(pair) for pair in pairs[:1] + pairs[2:]))
        more = int(pairs[-1][0]) + 1
        if not send:
            taken = more >> length_of(keys) or more in codes_in(keys)
            self.add(header, 'values', 'one more', 'refused' if taken else 'harmless',
                     values=keys['values'] + f', {more} spare')

    # --- tables ---

    def of_values(self, header, name, keys):
        for raw, label in keys.items():
            came = sum(str(value) == raw for value in self.truth.raw[name]) / max(len(self.truth.raw[name]), 1)
            self.add(header, raw, 'left out', 'harmful' if came > 0.04 else 'open', [name], **{raw: None})
            self.add(header, raw, 'another word', 'harmless', **{raw: label + '_too'})

    def of_curve(self, header, name, keys):
        users = [head[8:-1] for head in self.profile.headers() if self.profile.keys(head).get('curve') == name]
        for raw, value in keys.items():
            self.add(header, raw, 'another point', 'open', users, **{raw: f'{float(value) + 3:g}'})

    def of_warning(self, header, name, keys):
        for key, value in keys.items():
            other = {'when': f'({value}) and 1 < 2', 'until': f'({value}) and 1 < 2', 'send': None, 'limp': 'no',
                     'title': 'Other', 'on_lost': 'warn' if value == 'ignore' else 'ignore',
                     'priority': str(int(value) + 1) if value.isdigit() else None}.get(key, '700')
            self.add(header, key, 'left out' if other is None else 'another', 'harmless', **{key: other})


class Standard(Mutations):
    """Definitions that hold for every car: nothing requires them, no diagnostics are held against them."""
    polled = []

    def of_profile(self, header, _, keys):
        self.add(header, 'format', 'format 2', 'refused', format='2')
        self.add(header, 'name', 'another name', 'harmless', name='other-name')
        self.add(header, 'title', 'another title', 'harmless', title='Another title')

    def signals_of(self, kind, name):
        return [head[8:-1] for head in self.profile.headers() if self.profile.keys(head).get(kind) == name]

    def comes(self, frame):
        return any(self.truth.raw[signal] for signal in self.signals_of('frame', frame))

    def of_frame(self, header, name, keys):
        # Without a period nothing says that it has to come.
        self.add(header, 'pgn', 'another', 'open', [name, *self.signals_of('frame', name)], pgn='65024')
        used = self.uses(name, 7)
        self.add(header, 'length', 'one byte less', 'refused' if used else 'harmful' if self.comes(name) else 'open', [name],
                 length='7')

    def of_parameter(self, header, name, keys):
        about = [name, *self.signals_of('parameter', name)]
        self.add(header, 'service', 'another', 'open', about, service='0x02')
        self.add(header, 'pid', 'another', 'open', about, pid='0xDE')
        self.add(header, 'length', 'one byte more', 'open', about, length=str(int(keys['length']) + 1))

    def signal_parameter(self, header, name, keys):
        self.add(header, 'parameter', 'one that is not there', 'refused', parameter='nowhere')

    def is_sent(self, keys):
        return False

    def taken(self, name, keys, positions):
        if 'frame' in keys:
            return super().taken(name, keys, positions)
        length = int(self.profile.keys(f"[parameter {keys['parameter']}]").get('length', 64))
        if any(not 0 <= at < 8 * length for at in positions):
            return True
        others = [self.profile.keys(f'[signal {other}]') for other in self.signals_of('parameter', keys['parameter'])
                  if other != name]
        return any(set(positions_in(other['bits'])) & set(positions) for other in others
                   if not self.never_together(keys, other))


def positions_in(text):
    """8 * byte + bit of each bit that a place, or several, cover; None where it is none."""
    out = []
    for span in text.split():
        if not re.fullmatch(r'-?\d+(\.\d)?(\.\.-?\d+\.\d)?', span):
            continue
        if re.fullmatch(r'\d+', span):
            out += [8 * int(span) + bit for bit in range(8)]
            continue
        (b1, t), (b0, l) = ends(span) if '..' in span else ends(f'{span}..{span}')
        if b1 < 0 or b0 < 0:
            return None
        if b1 == b0:
            out += [8 * b1 + bit for bit in range(l, t + 1)]
            if t < l:
                return None
        elif b1 > b0:
            out += list(range(8 * b0 + l, 8 * b1 + t + 1))
        else:
            at = (b1, t)
            while at != (b0, l):
                out.append(8 * at[0] + at[1])
                at = (at[0], at[1] - 1) if at[1] else (at[0] + 1, 7)
            out.append(8 * b0 + l)
    return out


def codes_in(keys):
    """The ends of what means unavailable or error."""
    return [int(code, 0) for code in re.findall(r'0x[0-9A-F]+|\d+', keys.get('unavailable', '') + ' ' +
                                                keys.get('error', ''))]


def inside(bits):
    (first, _), (last, _) = ends(bits)
    return first == last


def order_of(bits, order):
    """A field inside one byte has none."""
    return None if inside(bits) else order


def prove(loomtap, capture, marks, job):
    number, edit = job
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, 'profile.ini')
        with open(path, 'w', encoding='utf-8') as file:
            file.write(edit.text)
        run = subprocess.run([loomtap, 'prove', capture, '-p', path, '--json', '--quiet', '--threads', '1',
                              '--marks', marks], capture_output=True, text=True)
    proof = json.loads(run.stdout) if run.stdout else None
    return number, proof, run


def answer_of(edit, proof, right):
    """(is it right, what came)."""
    if proof is None:
        return edit.expect == 'refused', 'refused'
    found = sorted({c['subject'] for c in proof['claims'] if c['verdict'] == 'contradicted'})
    ids = sorted({c['id'] for c in proof['claims'] if c['verdict'] == 'contradicted'})
    came = f"contradicted: {', '.join(ids)}" if found else proof['verdict']
    if edit.expect == 'harmless':
        return not found and proof['verdict'] == right, came if found == [] else f'{came} of {found}'
    if edit.expect == 'harmful':
        return found == sorted(edit.subjects), came if found == sorted(edit.subjects) else f'{came} of {found}'
    if edit.expect == 'open':
        good = set(found) <= set(edit.subjects)
        return good, came if good else f'{came} of {found}'
    return False, came


HEAD = '''# Every key of three profiles, edited

One key at a time: of the demo profile `signaldefs/tarn-turbo.ini` on `captures/tarn-drive.log` with the marks of its description, of
`signaldefs/obd-ii.ini` on the same drive, of `signaldefs/j1939.ini` on an invented truck's traffic (`tests/prove/truck.py`, made from the
published layouts). What each edit must lead to is settled from the profile's grammar and from the truth of the drive, before the proof is
asked. Written by `tests/prove/mutate.py`, which the tests run:

    tests/prove/mutate.py build/src/cli/loomtap . --write docs/claims-mutations.md

**Harmful** edits are contradicted, with exactly the subject that was edited. After **harmless** ones nothing is contradicted and the verdict is
the one before. **Refused** are those at fault in themselves: `check` says so with file and line. **Open** are those that are wrong, and that
the drive cannot show for certain: nothing in it tells the scale of a quantity that nobody polled, or a label that nobody marked. The verdict
is of the whole profile then; the claim about the edited key itself is not made, or not exercised, and what is contradicted is the edited
subject alone (of a selector, the signals on its pages).
'''


def rows_of(edits, answers, expect):
    groups = collections.OrderedDict()
    for edit, (good, came) in zip(edits, answers):
        if edit.expect == expect:
            kind = edit.section[1:-1].split(' ')[0]
            key = 'RAW' if edit.key.isdigit() else edit.key
            if kind == 'fits' and key != 'calibration_ids':
                key = 'any other'
            groups.setdefault((kind, key, edit.what), []).append((edit, good, came))
    return sorted(groups.items())


def table(edits, answers, expect):
    yield '| section | key | edit | times | answer |'
    yield '|---|---|---|---:|---|'
    for (kind, key, what), list_of in rows_of(edits, answers, expect):
        came = collections.Counter(came for _, _, came in list_of)
        text = '; '.join(f'{came} ({count})' if count < len(list_of) else came
                         for came, count in sorted(came.items(), key=lambda item: (-item[1], item[0])))
        yield f'| {kind} | `{key}` | {what} | {len(list_of)} | {text} |'


def chapter(name, edits, answers, right):
    counts = collections.Counter(edit.expect for edit in edits)
    yield f'\n## {name}\n'
    yield f'{len(edits)} edits of {keys_of(edits)} keys: ' + ', '.join(f'{counts[kind]} {kind}' for kind in KINDS) + \
        f'. Before any edit: {right}.'
    for kind in KINDS:
        if counts[kind]:
            yield f'\n### {kind.capitalize()}\n'
            yield from table(edits, answers, kind)


KINDS = ('harmful', 'harmless', 'refused', 'open')


def keys_of(edits):
    return len({(edit.section, edit.key) for edit in edits})


def try_profile(args, name, capture, marks, mutations):
    """(edits, answers, the verdict before, wrong answers)"""
    edits = mutations.all()[::args.every]
    untouched = Edit('', '', 'nothing', 'harmless', (), mutations.profile.text)
    _, proof, run = prove(args.loomtap, capture, marks, (0, untouched))
    right = proof['verdict']
    bad = [f'{name}: not edited, and {c["id"]} of {c["subject"]} is contradicted: {c["say"]}' for c in proof['claims']
           if c['verdict'] == 'contradicted']
    answers = [None] * len(edits)
    with concurrent.futures.ThreadPoolExecutor(args.jobs) as pool:
        for number, proof, run in pool.map(lambda job: prove(args.loomtap, capture, marks, job), enumerate(edits)):
            edit = edits[number]
            answers[number] = good, came = answer_of(edit, proof, right)
            line = f'{name} {edit.section} {edit.key}: {edit.what}: {edit.expect}; came: {came}'
            if not good:
                bad.append(line + (f' {run.stderr[:200]}' if proof is None else ''))
            elif args.show:
                print(line)
    return edits, answers, right, bad


def read(root, name):
    with open(os.path.join(root, 'signaldefs', name + '.ini'), encoding='utf-8') as file:
        return Profile(file.read())


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('loomtap')
    parser.add_argument('root')
    parser.add_argument('--write')
    parser.add_argument('--show', action='store_true')
    parser.add_argument('--only')
    parser.add_argument('--jobs', type=int, default=2)
    parser.add_argument('--every', type=int, default=1, help='one edit in so many, for slow builds')
    args = parser.parse_args()
    text, bad = [HEAD.rstrip()], []
    with tempfile.TemporaryDirectory() as folder:
        drive, marks, truck = Drive(), os.path.join(folder, 'marks.csv'), os.path.join(folder, 'truck.log')
        with open(marks, 'w', encoding='utf-8') as out:
            out.write('time_s,label\n')
            out.writelines(f'{1700000000 + at:.3f},{label}\n' for at, label in MARKS)
        with open(truck, 'w', encoding='utf-8') as out:
            out.write('\n'.join(drive.lines) + '\n')
        demo = os.path.join(args.root, 'captures/tarn-drive.log')
        truth = Truth(os.path.join(args.root, 'captures/tarn-drive.truth.csv'))
        for name, capture, mutations, wanted in (
                ('tarn-turbo', demo, Mutations(read(args.root, 'tarn-turbo'), truth), 'proven'),
                ('obd-ii', demo, Standard(read(args.root, 'obd-ii'), Truth()), 'proven'),
                ('j1939', truck, Standard(read(args.root, 'j1939'), Truth(drive=drive)), 'not exercised')):
            if args.only and args.only != name:
                continue
            edits, answers, right, wrong = try_profile(args, name, capture, marks, mutations)
            if right != wanted:
                wrong.append(f'{name}: {right} before any edit, not {wanted}')
            text.extend(chapter(name, edits, answers, right))
            bad.extend(wrong)
            print(*wrong, sep='\n', end='\n' if wrong else '')
            print(f'{name}: {len(edits)} edits of {keys_of(edits)} keys, {len(wrong)} answers wrong', flush=True)
    if args.write and not bad and not args.only and args.every == 1:
        with open(args.write, 'w', encoding='utf-8') as out:
            out.write('\n'.join(text) + '\n')
    return 1 if bad else 0


if __name__ == '__main__':
    sys.exit(main())
