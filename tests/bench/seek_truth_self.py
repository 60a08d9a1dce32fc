#!/usr/bin/env python3
"""Does the scorer of seek_truth.py see what it should? A search that says exactly the layout of an
invented car must score full marks; each of a row of planted faults must cost what it is meant to
cost, and tolerances must hold.

    seek_truth_self.py LOOMTAP
"""
import copy
import json
import os
import sys
import tempfile

from seek_replies import Samples, is_exercised, turns
from seek_score import MAIN, Car, Score, score_target
from seek_truth import FIVE, find_said, leave_out, make_car, read_log, truths_of
from survey_checks import positions
from survey_truth_self import text_of

SECONDS = 150


def claim_of(frame, field):
    """What a finder would say that knows everything."""
    form = frame.form
    labelled = field['values'] is not None
    return {'bus': form['bus'], 'id': form['id'], 'extended': form['extended'],
            'length': form['length'], 'page': field['page'][0] if field['page'] else None,
            'bits': field['bits'], 'order': field['order'], 'sign': field['sign'],
            'form': field['form'], 'scale': field['scale'], 'offset': field['offset'],
            'lag_s': 0, 'r': 1, 'confidence': 0.99, 'group': 1,
            'values': [{'raw': int(code), 'label': label} for code, label in
                       field['values'].items()] if labelled else None}


def perfect(truths):
    targets = []
    for truth in truths:
        places = [(f, x) for f, x in truth.copies + truth.cousins if x['mask']]
        name = truth.samples.name() if truth.samples else 'marks'
        verdict = 'found' if places else 'not on this bus'
        targets.append({'target': truth.target, 'reference': name, 'verdict': verdict, 'say': '',
                        'candidates': [claim_of(f, x) for f, x in places]})
    return targets


def score_all(car, truths, targets, labels):
    score = Score()
    for truth in truths:
        score_target(score, car, truth, find_said(targets, truth), 'self', FIVE, labels)
    return score


class Made:
    """One capture, with the search that knows all."""

    def __init__(self, log, layout, marks, name):
        rows, found = read_log(log)
        self.car = Car(layout, rows)
        self.truths, self.labels = truths_of(self.car, found, marks, name)
        self.said = perfect(self.truths)
        self.score = score_all(self.car, self.truths, self.said, self.labels)

    def first(self, wish):
        """Target and field of the first exercised main target whose only copies are as wished."""
        for truth, said in zip(self.truths, self.said):
            main = truth.target in MAIN or self.labels is not None
            if not (main and truth.exercised and truth.carried and said['candidates']):
                continue
            for n, (frame, field) in enumerate(truth.copies):
                if field['mask'] and field['exercised'] and wish(frame, field):
                    return said['target'], said['reference'], claim_of(frame, field), n
        raise LookupError


def plain(frame, field):
    return (field['page'] is None and field['sign'] == 'unsigned' and field['form'] is None and
            field['order'] != 'none' and field['mask'] & 15 == 15 and len(field['places']) >= 10)


def with_top(frame, field):
    """And its top bit moved, and something else lies above."""
    return plain(frame, field) and field['mask'] >> (len(field['places']) - 1) & 1


def on_pages(frame, field):
    return field['page'] is not None and field['form'] is None


def any_field(frame, field):
    return True


def labelled(frame, field):
    return field['kind'] == 'enum'


def cut(bits):
    def change(claim):
        claim['bits'] = text_of(positions(claim['bits'])[0][bits:], claim['order'])
        claim['scale'] *= 1 << bits
    return change


def cut_top(claim):
    places = positions(claim['bits'])[0]
    claim['bits'] = text_of(places[:len(places) // 2], claim['order'])


def other_bits(claim):
    claim['bits'] = '0.7..0.0' if claim['bits'][0] != '0' else '1.7..1.0'


def scaled(factor):
    def change(claim):
        claim['scale'] *= factor
    return change


def moved_by(steps):
    def change(claim):
        claim['offset'] += steps * max(abs(claim['scale']), QUANTUM[0])
    return change


def signed(claim):
    claim['sign'] = 'twos'


def no_page(claim):
    claim['page'] = None


def another_frame(claim):
    claim['id'] ^= 1


def swap_labels(claim):
    a, b = claim['values'][0], claim['values'][1]
    a['label'], b['label'] = b['label'], a['label']


QUANTUM = [0.0]
TOP, THREE = 'main: right at the top', 'main: in the top three'
WRONG = 'wrong claims at 0.95 and above'
# What is planted, where, how, and whether it is wrong then.
CLAIMS = [
    ('two low bits too few', plain, cut(2), False),
    ('three low bits too few', plain, cut(3), True),
    ('half of the top missing', plain, cut_top, True),
    ('other bits', plain, other_bits, True),
    ('scale off by half a percent', plain, scaled(1.005), False),
    ('scale off by two percent', plain, scaled(1.02), True),
    ('offset off by one quantum', plain, moved_by(1), False),
    ('offset off by three quanta', plain, moved_by(3), True),
    ('a sign that is none', with_top, signed, True),
    ('a page left out', on_pages, no_page, True),
    ('another frame', any_field, another_frame, True),
]


def share(score, name):
    right, of = score.rate.get(FIVE + name, [0, 0])
    return right / of if of else None


def plant(made, text, wish, change, wrong):
    """The changed claim alone, in place of what that target had."""
    for capture in made:
        try:
            target, reference, claim, _ = capture.first(wish)
        except LookupError:
            continue
        said = copy.deepcopy(capture.said)
        for element in said:
            if (element['target'], element['reference']) == (target, reference):
                QUANTUM[0] = next((t.samples.step for t in capture.truths if t.samples and
                                   t.samples.name() == reference), 0)
                change(claim)
                element['candidates'] = [claim]
        after = score_all(capture.car, capture.truths, said, capture.labels)
        top = TOP if capture.labels is None else 'drive_mode: right at the top'
        good = (share(after, top) < 1) == wrong and (share(after, WRONG) > 0) == wrong
        if not good or bool(after.failures) != wrong:
            print('FAIL: %s: at the top %s, wrong at 0.95 %s, lines %s' % (
                text, share(after, top), share(after, WRONG), after.failures))
            return 1
        return 0
    print('FAIL: %s: no car has a place for it' % text)
    return 1


def plant_verdicts(capture):
    """Verdicts and missing elements."""
    fails = 0
    target, reference, _, _ = capture.first(any_field)
    def with_verdict(verdict):
        said = copy.deepcopy(capture.said)
        for element in said:
            if (element['target'], element['reference']) == (target, reference):
                element['verdict'] = verdict
        return score_all(capture.car, capture.truths, said, capture.labels)
    name = 'exercised, answered ambiguous or not exercised'
    for verdict in ('ambiguous', 'not exercised'):
        score = with_verdict(verdict)
        fails += not (share(score, name) > 0 and share(score, TOP) < 1 and share(score, THREE) == 1)
    score = with_verdict('not on this bus')
    fails += not (share(score, name) == 0 and share(score, TOP) < 1)
    left = [e for e in capture.said if (e['target'], e['reference']) != (target, reference)]
    score = score_all(capture.car, capture.truths, left, capture.labels)
    fails += not (share(score, 'references answered') < 1 and share(score, TOP) < 1)
    said = copy.deepcopy(capture.said)
    for element in said:  # right, but only as the fourth
        if (element['target'], element['reference']) == (target, reference):
            wrong = dict(element['candidates'][0], id=element['candidates'][0]['id'] ^ 1,
                         confidence=0.9)
            element['candidates'] = [wrong] * 3 + element['candidates']
    score = score_all(capture.car, capture.truths, said, capture.labels)
    fails += not (share(score, THREE) < 1 and share(score, WRONG) == 0)
    if fails:
        print('FAIL: %d of the verdicts planted' % fails)
    return fails


def plant_absent(capture):
    """Found where nothing is."""
    said = copy.deepcopy(capture.said)
    absent = [t for t in capture.truths if t.absent()]
    if not absent:
        print('FAIL: no target is absent where frames were left out')
        return 1
    for element in said:
        if element['reference'] == absent[0].samples.name():
            element['verdict'] = 'found'
            element['candidates'] = [dict(next(e for e in said if e['candidates'])['candidates'][0])]
    score = score_all(capture.car, capture.truths, said, capture.labels)
    good = (share(capture.score, 'absent: answered right') == 1 and
            share(capture.score, 'absent: found') == 0 and share(score, 'absent: found') > 0 and
            share(score, 'absent: answered right') < 1)
    if not good:
        print('FAIL: absent and found is not seen')
    return not good


def check_rules():
    """Turns and the rule of what was exercised, by hand."""
    fails = turns([0, 1, 0, 1, 0], 0.5) != 3
    fails += turns([0, .2, 1, .9, .1, .2, 1], 0.5) != 2
    fails += turns([5, 4, 3, 2, 1, 0], 0.5) != 0
    samples = Samples(0x0C, '7E8')
    samples.values = [800 + 150 * (n % 10) for n in range(80)]
    fails += not is_exercised(samples)
    samples.values = [800 + n % 5 for n in range(80)]
    fails += is_exercised(samples)
    samples.values = [800 + 20 * n for n in range(80)]
    fails += is_exercised(samples)
    if fails:
        print('FAIL: %d of the rules' % fails)
    return int(fails)


def check_perfect(captures):
    fails = 0
    for capture in captures:
        for name, want in ((TOP, 1), (THREE, 1), ('lambda: right at the top', 1),
                           ('drive_mode: right at the top', 1), ('references answered', 1),
                           ('absent: found', 0), (WRONG, 0), ('found, first claim wrong', 0)):
            value = share(capture.score, name)
            if value is not None and value != want:
                print('FAIL: the search that knows all scores %g in %s' % (value, name))
                fails += 1
        for line in capture.score.failures[:5]:
            print('    %s: %s' % line)
        fails += bool(capture.score.failures)
    return fails


def main():
    replies, marks, parts = [], [], []
    fails = check_rules()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, 6):
            paths = make_car(sys.argv[1], seed, SECONDS, folder)
            with open(paths[1]) as file:
                text = file.read()
            replies.append(Made(paths[0], json.loads(text), paths[2], 'replies'))
            marks.append(Made(paths[0], json.loads(text), paths[2], 'marks'))
            if seed == 1:
                part = leave_out(paths, json.loads(text), MAIN, folder)
                parts.append(Made(part, json.loads(text), paths[2], 'replies'))
            for path in paths:
                os.remove(path)
    fails += check_perfect(replies + marks + parts)
    for row in CLAIMS:
        fails += plant(replies, *row)
    fails += plant(marks, 'two labels exchanged', labelled, swap_labels, True)
    fails += plant_verdicts(replies[0])
    fails += plant_absent(parts[0])
    print('%d faults planted, %d wrong' % (len(CLAIMS) + 8, fails))
    return 1 if fails else 0


if __name__ == '__main__':
    sys.exit(main())
