#!/usr/bin/env python3
"""How right a survey is, on cars that a seed invents (`loomtap mimic random`) and whose layout is
known exactly. Shares no code with the finder, and nothing with the program but its output.

    survey_truth.py LOOMTAP [--seeds 1..50] [--aside] [--duration 300] [--loss 0.05] [--jobs 2]
                    [--write docs/survey-truth.md] [--failures FILE] [--keep FOLDER] [--strict]
                    [--smoke]

Seeds 1..50 are there to work on. Seeds 1001..1050 (`--aside`) are only ever scored: nobody looks at
their failures or tunes anything on them, and --failures refuses them. What counts as right stands
at the top of survey_score.py; it was written down before there was a survey to score.
"""
import argparse
import concurrent.futures
import json
import math
import os
import subprocess
import sys
import tempfile
import time

from survey_score import Score, score_car
from survey_whole import score_whole

TUNED = range(1, 51)
ASIDE = range(1001, 1051)


def run(command):
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    return done.returncode, done.stdout, done.stderr.decode(errors='replace')


def make_car(loomtap, seed, duration, loss, folder):
    log = os.path.join(folder, 'car-%d.log' % seed)
    layout = os.path.join(folder, 'car-%d.json' % seed)
    command = [loomtap, 'mimic', 'random', '--seed', str(seed), '--duration', str(duration),
               '-o', log, '--layout', layout, '--quiet']
    if loss is not None:
        command += ['--loss', str(loss)]
    status, _, said = run(command)
    if status != 0:
        raise SystemExit('mimic failed for seed %d: %s' % (seed, said))
    with open(layout) as file:
        return log, json.load(file)


def read_rows(log):
    """The data bytes of each (bus, id, extended, fd, length), in order, from a candump log."""
    rows = {}
    with open(log) as file:
        for line in file:
            _, bus, frame = line.split()
            ident, _, data = frame.partition('#')
            fd = data.startswith('#')
            data = bytes.fromhex(data[2:] if fd else data)
            key = bus, int(ident, 16), len(ident) == 8, fd, len(data)
            rows.setdefault(key, []).append(data)
    return rows


def score_seed(job):
    loomtap, seed, duration, loss, folder, keep = job
    log, layout = make_car(loomtap, seed, duration, loss, folder)
    began = time.monotonic()
    status, out, said = run([loomtap, 'survey', log, '--json', '--quiet'])
    took = time.monotonic() - began
    label = 'seed %d' % seed
    if status not in (0, 1):
        score = Score()
        score.count('surveys that ran', 0)
        score.fail(label, 'survey ended with %d: %s' % (status, said.strip()))
    else:
        survey = json.loads(out)
        score = score_car(layout, survey, read_rows(log), label)
        score_whole(score, layout, survey, label)
        score.count('surveys that ran', 1)
    if keep:
        with open(os.path.join(folder, 'survey-%d.json' % seed), 'wb') as file:
            file.write(out)
    else:
        os.remove(log)
    return seed, took, score


def wilson(right, of, z=1.96):
    """The 95 % interval of a share (Wilson 1927)."""
    if of == 0:
        return 0.0, 1.0
    p, zz = right / of, z * z
    middle = (p + zz / (2 * of)) / (1 + zz / of)
    half = z * math.sqrt(p * (1 - p) / of + zz / (4 * of * of)) / (1 + zz / of)
    return max(0.0, middle - half), min(1.0, middle + half)


# Figure, what it is called in the table, what is asked (None: shown only), and the direction.
ASKED = [
    ('exact: physical', 'definition-exact, exercised physical', 0.90, '>='),
    ('near: physical', 'the same, low end within 2 bits', 0.96, '>='),
    ('boundary F1', 'boundary F1 between bits that move', 0.96, '>='),
    ('byte order', 'byte order', 0.99, '>='),
    ('sign', 'sign where exercised', 0.99, '>='),
    ('counters found', 'counters found', 0.99, '>='),
    ('false counters', 'counters said that are none', 0.0, '<='),
    ('checksums found', 'checksums found, with exact predictor', 0.98, '>='),
    ('false checksums', 'checksums said that are none', 0.0, '<='),
    ('predictors exact', 'predictors exact', 1.0, '>='),
    ('selectors found', 'selectors found', 0.95, '>='),
    ('false at 0.95 and above', 'false claims at 0.95 and above', 0.01, '<='),
    ('bits claimed twice', 'bits claimed twice', 0.0, '<='),
    ('left open: physical', 'exercised physical left open', 0.05, '<='),
    ('left open: all', 'exercised fields of any kind left open', 0.05, '<='),
]


# No class of field may hide behind the mean: definition-exact at least so often in each of them.
FLOOR, FLOOR_FROM = 0.80, 20  # share; classes with fewer fields than this are shown only


def cell_of(score, name):
    if name != 'boundary F1':
        return score.rate.get(name, [0, 0])
    hit, said = score.rate.get('boundary precision', [0, 0])
    _, true = score.rate.get('boundary recall', [0, 0])
    return [2 * hit, said + true]


def share(cell):
    if cell[1] == 0:
        return '-'
    low, high = wilson(*cell)
    return '%.2f %% (%.1f to %.1f)' % (100 * cell[0] / cell[1], 100 * low, 100 * high)


def asked_lines(score):
    yield '| figure | right | of | share (95 % interval) | asked | met |'
    yield '|---|---:|---:|---:|---:|---|'
    for name, text, want, way in ASKED:
        cell = cell_of(score, name)
        value = cell[0] / cell[1] if cell[1] else math.nan
        met = 'not seen' if not cell[1] else 'yes' if (value >= want if way == '>=' else
                                                      value <= want) else '**no**'
        yield '| %s | %d | %d | %s | %s %g %% | %s |' % (text, cell[0], cell[1], share(cell), way,
                                                         100 * want, met)


def class_lines(score):
    yield '| class of field, definition-exact | right | of | share (95 % interval) | floor | met |'
    yield '|---|---:|---:|---:|---:|---|'
    for name in sorted(score.rate):
        if name.startswith('class: '):
            cell = score.rate[name]
            met = ('few' if cell[1] < FLOOR_FROM else
                   'yes' if cell[0] >= FLOOR * cell[1] else '**no**')
            yield '| %s | %d | %d | %s | %g %% | %s |' % (name[7:], *cell, share(cell),
                                                         100 * FLOOR, met)


def missed(score):
    """What was asked and is not met."""
    for name, text, want, way in ASKED:
        right, of = cell_of(score, name)
        if of and not (right >= want * of if way == '>=' else right <= want * of):
            yield text
    for name, (right, of) in score.rate.items():
        if name.startswith('class: ') and of >= FLOOR_FROM and right < FLOOR * of:
            yield 'floor of ' + name[7:]


def other_lines(score):
    named = {name for name, _, _, _ in ASKED}
    yield '| figure | right | of | share (95 % interval) |'
    yield '|---|---:|---:|---:|'
    for name in sorted(score.rate):
        if name not in named and not name.startswith('class: '):
            yield '| %s | %d | %d | %s |' % (name, *score.rate[name], share(score.rate[name]))


def calibration_lines(score):
    yield '| claims | confidence from | claims | mean confidence | right (95 % interval) | honest |'
    yield '|---|---:|---:|---:|---:|---|'
    for (group, low), (right, of, total) in sorted(score.bins.items()):
        mean = total / of
        # Within 3 points, or on the safe side; noise is allowed for.
        honest = wilson(right, of)[1] >= mean - 0.03
        yield '| %s | %.2f | %d | %.3f | %s | %s |' % (group, low, of, mean, share([right, of]),
                                                       'yes' if honest else '**no**')


def page_of(score, args, seeds):
    yield '# How right the survey is'
    yield ''
    yield 'Made by `tests/bench/survey_truth.py`: %d cars invented by seeds %d to %d%s, %g ' \
          'seconds each, losses %s.' % (len(seeds), seeds[0], seeds[-1],
                                ' (kept aside: never tuned on)' if args.aside else '',
                                args.duration, 'as the seed has them' if args.loss is None
                                else '%g %%' % (100 * args.loss))
    yield 'What counts as right is written down in `tests/bench/survey_score.py`, what counts as'
    yield 'exercised in `src/mimic/random_facts.c`.'
    yield ''
    yield from asked_lines(score)
    yield ''
    yield '## Classes apart'
    yield ''
    yield from class_lines(score)
    yield ''
    yield '## Everything else that was counted'
    yield ''
    yield from other_lines(score)
    yield ''
    yield '## Confidence: does a claim hold as often as it says?'
    yield ''
    yield from calibration_lines(score)


# A short run in the test suite must be able to fail: two cars and half a minute, whose results repeat
# to the bit; floors just below what they reach, room for one or two fields that a change moves.
SMOKE = [('surveys that ran', 1.0, '>='), ('exact: physical', 0.92, '>='),
         ('counters found', 0.97, '>='), ('checksums found', 0.95, '>='),
         ('byte order', 0.98, '>='), ('false at 0.95 and above', 0.045, '<=')]


def smoke_fails(score):
    fails = 0
    for name, want, way in SMOKE:
        right, of = cell_of(score, name)
        value = right / of if of else math.nan
        good = value >= want if way == '>=' else value <= want
        print('%s: %s: %d of %d, asked %s %g' % ('ok' if good else 'FAIL', name, right, of, way,
                                                 want))
        fails += not good
    return fails


def seeds_of(args):
    if args.aside:
        return list(ASIDE)
    first, _, last = (args.seeds or '%d..%d' % (TUNED[0], TUNED[-1])).partition('..')
    return list(range(int(first), int(last or first) + 1))


def give(page, args, what, slowest, fails):
    """The page to its file and to the terminal, what was missed behind it; the exit status."""
    if args.write:
        with open(args.write, 'w') as file:
            file.writelines(line + '\n' for line in page)
    print('\n'.join(page))
    print('\nslowest %s: %.1f s' % (what, slowest))
    for text in fails:
        print('missed: %s' % text, file=sys.stderr)
    return 1 if fails and args.strict else 0


def parse():
    parser = argparse.ArgumentParser()
    parser.add_argument('loomtap')
    parser.add_argument('--seeds')
    parser.add_argument('--aside', action='store_true')
    parser.add_argument('--duration', type=float, default=300)
    parser.add_argument('--loss', type=float)
    parser.add_argument('--jobs', type=int, default=2)
    parser.add_argument('--write')
    parser.add_argument('--failures')
    parser.add_argument('--keep')
    parser.add_argument('--smoke', action='store_true')
    parser.add_argument('--strict', action='store_true')
    args = parser.parse_args()
    if args.aside and (args.failures or args.keep):
        parser.error('the seeds kept aside are scored, not looked into')
    if args.smoke:
        args.seeds, args.duration = '1..2', 30
    return args


def main():
    args = parse()
    seeds = seeds_of(args)
    total, slowest = Score(), 0.0
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.keep or scratch
        os.makedirs(folder, exist_ok=True)
        jobs = [(args.loomtap, seed, args.duration, args.loss, folder, bool(args.keep))
                for seed in seeds]
        with concurrent.futures.ProcessPoolExecutor(args.jobs) as pool:
            for seed, took, score in pool.map(score_seed, jobs):
                exact, of = cell_of(score, 'exact: physical')
                print('seed %d: %d of %d physical fields exact, survey took %.1f s' %
                      (seed, exact, of, took), file=sys.stderr)
                slowest = max(slowest, took)
                total.add(score)
    if args.failures:
        with open(args.failures, 'w') as file:
            file.writelines(line + '\n' for line in total.failures)
    if args.smoke:
        return 1 if smoke_fails(total) else 0
    page = list(page_of(total, args, seeds))
    return give(page, args, 'survey', slowest, list(missed(total)))


if __name__ == '__main__':
    sys.exit(main())
