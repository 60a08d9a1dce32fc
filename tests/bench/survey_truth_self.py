#!/usr/bin/env python3
"""Does the scorer of surveys see what it should? A survey that says exactly the layout of an
invented car must score full marks, predictors computed over every frame included; and each of a
row of planted faults must cost what it is meant to cost, and nothing that it is not.

    survey_truth_self.py LOOMTAP
"""
import copy
import sys
import tempfile

from survey_checks import crc, positions
from survey_score import score_car
from survey_truth import make_car, read_rows

FIELD = ('bits', 'order', 'sign', 'kind', 'page', 'counter')


def perfect(layout, rows):
    """What a finder would say that knows everything."""
    frames = []
    for frame in layout['frames']:
        key = frame['bus'], frame['id'], frame['extended'], frame['fd'], frame['length']
        if not rows.get(key):
            continue
        said = {name: frame[name] for name in ('bus', 'id', 'extended', 'fd', 'length', 'count')}
        said['selector'] = None
        if frame['selector']:
            bits = positions(frame['selector']['bits'])[0]
            seen = {sum((data[at >> 3] >> (at & 7) & 1) << n for n, at in enumerate(bits))
                    for data in rows[key]}
            said['selector'] = {'bits': frame['selector']['bits'], 'pages': sorted(seen)}
        said['fields'] = []
        for field in frame['fields']:
            if field['kind'] == 'selector' or field['facts']['frames'] == 0:
                continue
            claim = {name: field[name] for name in FIELD}
            claim['confidence'], claim['why'] = 0.99, 'knows'
            claim['checksum'] = None
            if field['checksum']:
                claim['checksum'] = dict(field['checksum'], page=None)
            said['fields'].append(claim)
        frames.append(said)
    return {'frames': frames}


def place_of(frame):
    return frame['bus'], frame['id'], frame['extended'], frame['length']


def fields_of(frame):
    return LAYOUT[place_of(frame)]['fields']


def pick(survey, wish):
    """The first claim that is as wished, with its frame."""
    for frame in survey['frames']:
        for claim in frame['fields']:
            if wish(frame, claim):
                return frame, claim
    raise LookupError('the car has nothing to plant this fault in')


def long_field(frame, claim):
    if claim['kind'] != 'physical' or claim['order'] == 'none' or claim['page'] is not None:
        return False
    return moves(frame, claim)


def moves(frame, claim):
    """Is it exercised, and does its lowest bit move? Looked up in the layout."""
    for field in fields_of(frame):
        if field['bits'] == claim['bits'] and field['page'] == claim['page']:
            return (field['exercised'] and int(field['facts']['moved'], 16) & 7 == 7 and
                    field['facts']['moving_bits'] is not None)
    return False


def text_of(places, order):
    high, low = places[-1], places[0]
    if len(places) == 1:
        return '%d.%d' % (low // 8, low % 8)
    return '%d.%d..%d.%d' % (high // 8, high % 8, low // 8, low % 8)


def cut_low(bits):
    def plant(survey):
        _, claim = pick(survey, long_field)
        claim['bits'] = text_of(positions(claim['bits'])[0][bits:], claim['order'])
        if len({at // 8 for at in positions(claim['bits'])[0]}) == 1:
            claim['order'] = 'none'
    return plant


def other_order(survey):
    def wish(frame, claim):
        places = positions(claim['bits'])[0]
        return long_field(frame, claim) and len(places) == 16 and places[0] % 8 == 0
    _, claim = pick(survey, wish)
    high, low = claim['bits'].split('..')
    byte = min(int(high.split('.')[0]), int(low.split('.')[0]))
    other = 'motorola' if claim['order'] == 'intel' else 'intel'
    claim['order'] = other
    claim['bits'] = ('%d.7..%d.0' % ((byte, byte + 1) if other == 'motorola' else
                                     (byte + 1, byte)))


def other_sign(survey):
    def wish(frame, claim):
        if claim['sign'] != 'twos' or claim['page'] is not None:
            return False
        for field in fields_of(frame):
            if field['bits'] == claim['bits']:
                return field['exercised'] and field['facts']['crossings'] >= 2
        return False
    pick(survey, wish)[1]['sign'] = 'unsigned'


def exercised(kind):
    def wish(frame, claim):
        fields = fields_of(frame)
        return claim['kind'] == kind and any(
            field['exercised'] for field in fields
            if field['bits'] == claim['bits'] and field['page'] == claim['page'])
    return wish


def drop(kind):
    def plant(survey):
        frame, claim = pick(survey, long_field if kind == 'physical' else exercised(kind))
        frame['fields'].remove(claim)
    return plant


def shy(survey):
    pick(survey, long_field)[1]['confidence'] = 0.4


def false_counter(survey):
    _, claim = pick(survey, long_field)
    claim['kind'], claim['counter'] = 'counter', {'modulus': 256, 'step': 1}


def wrong_modulus(survey):
    _, claim = pick(survey, exercised('counter'))
    claim['counter'] = dict(claim['counter'], modulus=claim['counter']['modulus'] + 1)


def wrong_polynomial(survey):
    def wish(frame, claim):
        return exercised('checksum')(frame, claim) and claim['checksum']['family'] == 'crc8'
    pick(survey, wish)[1]['checksum']['poly'] ^= 2


def false_checksum(survey):
    _, claim = pick(survey, long_field)
    claim['kind'] = 'checksum'
    claim['checksum'] = {'family': 'xor', 'over': '0', 'start': 0, 'complement': None,
                         'with_id': False, 'with_length': False, 'data_id': None}


def no_selector(survey):
    for frame in survey['frames']:
        if frame['selector']:
            frame['selector'] = None
            return
    raise LookupError('no selector to forget')


def glue(survey):
    """Two flags side by side as one enum."""
    for frame in survey['frames']:
        flags = [c for c in frame['fields'] if c['kind'] == 'flag' and c['page'] is None]
        for one in flags:
            for two in flags:
                a, b = positions(one['bits'])[0][0], positions(two['bits'])[0][0]
                if b == a + 1 and b % 8 and moving_flags(frame, one, two):
                    frame['fields'].remove(two)
                    one['bits'], one['kind'] = text_of([a, b], 'none'), 'enum'
                    return
    raise LookupError('no two flags side by side')


def moving_flags(frame, *claims):
    fields = fields_of(frame)
    return all(field['exercised'] for claim in claims for field in fields
               if field['bits'] == claim['bits'])


def twice(survey):
    frame, claim = pick(survey, long_field)
    frame['fields'].append(dict(claim, confidence=0.6))


LAYOUT = {}

# The fault, the figures that must get worse, and some that must stay as they were.
PLANTED = [
    ('one low bit too few', cut_low(1), ['exact: physical'], ['near: physical', 'sign']),
    ('three low bits too few', cut_low(3), ['exact: physical', 'near: physical'], ['sign']),
    ('the other byte order', other_order, ['exact: physical', 'byte order'], ['counters found']),
    ('the other sign', other_sign, ['exact: physical', 'sign'], ['byte order']),
    ('a field left out', drop('physical'), ['exact: physical', 'left open: physical'], ['sign']),
    ('a field said under 0.5', shy, ['left open: physical'], ['exact: physical']),
    ('a counter left out', drop('counter'), ['counters found'], ['false counters']),
    ('a counter that is none', false_counter, ['false counters', 'false at 0.95 and above'],
     ['counters found']),
    ('a wrong modulus', wrong_modulus, ['counters found', 'false at 0.95 and above'],
     ['false counters']),
    ('a checksum left out', drop('checksum'), ['checksums found'], ['false checksums']),
    ('a wrong polynomial', wrong_polynomial, ['checksums found', 'predictors exact'],
     ['false checksums']),
    ('a checksum that is none', false_checksum, ['false checksums', 'predictors exact'],
     ['checksums found']),
    ('a selector not seen', no_selector, ['selectors found'], ['selectors said where none is']),
    ('a field said twice', twice, ['bits claimed twice'], ['exact: physical']),
    ('two flags glued', glue, ['exact: flag', 'false at 0.95 and above', 'boundary recall'],
     ['exact: physical']),
]

BAD_WHEN_HIGH = ('false', 'left open', 'selectors said', 'bits claimed twice')


def share(score, name):
    right, of = score.rate.get(name, [0, 0])
    if of == 0:
        return None
    return -right / of if name.startswith(BAD_WHEN_HIGH) else right / of


def check_perfect(score):
    fails = 0
    for name in sorted(score.rate):
        value = share(score, name)
        if value is not None and value != (0 if name.startswith(BAD_WHEN_HIGH) else 1):
            print('FAIL: the survey that knows all scores %g in %s' % (value, name))
            fails += 1
    for line in score.failures[:20]:
        print('    ' + line)
    return fails + bool(score.failures)


def plant_one(cars, text, plant, worse, same):
    """Into the first car that has a place for it."""
    for layout, rows, good, before in cars:
        LAYOUT.clear()
        for frame in layout['frames']:
            LAYOUT[place_of(frame)] = frame
        survey = copy.deepcopy(good)
        try:
            plant(survey)
        except LookupError:
            continue
        after = score_car(layout, survey, rows, 'planted')
        return judge(text, before, after, worse, same)
    print('FAIL: %s: no car has a place for it' % text)
    return 1


def judge(text, before, after, worse, same):
    fails = 0
    for name in worse:
        if not (share(after, name) or 0) < (share(before, name) or 0):
            print('FAIL: %s: %s stays %s' % (text, name, share(after, name)))
            fails += 1
    for name in same:
        if share(after, name) != share(before, name):
            print('FAIL: %s: %s changes to %s' % (text, name, share(after, name)))
            fails += 1
    if not after.failures:
        print('FAIL: %s: no line for the developer' % text)
        fails += 1
    return fails


def main():
    loomtap = sys.argv[1]
    fails = 0
    # CRC RevEng catalogue: check values of "123456789".
    for width, poly, init, xorout, reflect, value in (
            (8, 0x1D, 0xFF, 0xFF, False, 0x4B), (8, 0x2F, 0xFF, 0xFF, False, 0xDF),
            (8, 0x31, 0x00, 0x00, True, 0xA1), (16, 0x1021, 0xFFFF, 0, False, 0x29B1),
            (16, 0x8005, 0, 0, True, 0xBB3D)):
        fails += crc(width, poly, init, xorout, reflect, list(b'123456789')) != value
    cars = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, 9):
            log, layout = make_car(loomtap, seed, 30, None, folder)
            rows = read_rows(log)
            said = perfect(layout, rows)
            score = score_car(layout, said, rows, 'seed %d' % seed)
            fails += check_perfect(score)
            cars.append((layout, rows, said, score))
    for row in PLANTED:
        fails += plant_one(cars, *row)
    print('%d faults planted, %d wrong' % (len(PLANTED), fails))
    return 1 if fails else 0


if __name__ == '__main__':
    sys.exit(main())
