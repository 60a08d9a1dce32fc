#!/usr/bin/env python3
"""How right the search for signals is, on cars that a seed invents (`loomtap mimic random`) and whose
layout is known exactly. Shares no code with the finder, and nothing with the program but its output.

    seek_truth.py LOOMTAP [--seeds 1..50] [--aside] [--seconds 300,60,900] [--jobs 2] [--strict]
                  [--write docs/seek-truth.md] [--failures FILE] [--keep FOLDER] [--smoke]
                  [--cars PREFIX ...] [--tally FILE]

Each car is driven as often as there are --seconds: 300 for what a five-minute drive must show, 60
for false finds, 900 for temperatures. A tester polls in all of them. On 300 and 60 seconds each car
is asked a second time with every frame left out that carries one of a half of the targets, drawn by
the seed: there they are absent, and only absent targets are counted. Marks are a run of their own.

--tally keeps the counts in a file and adds to those that are there, so that a long run can be done in
parts, one --seconds after the other; the page is then of all of them.

--cars takes captures made elsewhere: PREFIX.log, PREFIX.json (keys as of --layout), PREFIX.csv.

Seeds 1..50 are there to work on. Seeds 1001..1050 (`--aside`) are only ever scored: nobody looks at
their failures or tunes anything on them, and --failures refuses them. What counts as right stands
at the top of seek_score.py; it was written down before there was a search to score.
"""
import argparse
import concurrent.futures
import json
import os
import random
import sys
import tempfile
import time

from seek_replies import Replies, is_diagnostic, is_exercised, marks_exercised
from seek_score import MAIN, SLOW, Car, Score, Truth, score_target
from survey_truth import give, run, seeds_of, share, wilson

FIVE, ONE, WARM = '5 min: ', '1 min: ', '15 min: '


def prefix_of(seconds):
    return ONE if seconds < 150 else FIVE if seconds < 600 else WARM


def read_log(path):
    """Rows of each (bus, id, extended, fd, length) as (times, data); samples by (pid, responder)."""
    rows, replies = {}, Replies()
    with open(path) as file:
        for line in file:
            stamp, bus, text = line.split()
            ident, _, data = text.partition('#')
            fd = data.startswith('#')
            at, extended = float(stamp[1:-1]), len(ident) == 8
            number, data = int(ident, 16), bytes.fromhex(data[2:] if fd else data)
            if is_diagnostic(number, extended):
                replies.feed(at, bus, number, extended, data)
                continue
            cell = rows.setdefault((bus, number, extended, fd, len(data)), ([], []))
            cell[0].append(at)
            cell[1].append(data)
    return rows, replies.found


def read_marks(path):
    with open(path) as file:
        return [tuple(line.strip().split(',', 1)) for line in file][1:]


def make_car(loomtap, seed, seconds, folder):
    paths = [os.path.join(folder, 'car-%d-%d.%s' % (seed, seconds, end))
             for end in ('log', 'json', 'csv')]
    status, _, said = run([loomtap, 'mimic', 'random', '--seed', str(seed), '--duration',
                           str(seconds), '--polling', '-o', paths[0], '--layout', paths[1],
                           '--marks', paths[2], '--quiet'])
    if status != 0:
        raise SystemExit('mimic failed for seed %d: %s' % (seed, said))
    return paths


def leave_out(paths, layout, dropped, folder):
    """The log without the frames that carry one of these."""
    gone = {(f['bus'], f['id'], bool(f['extended'])) for f in layout['frames']
            for x in f['fields'] if x.get('quantity') in dropped}
    path = os.path.join(folder, os.path.basename(paths[0]) + '.part')
    with open(paths[0]) as file, open(path, 'w') as out:
        for line in file:
            _, bus, text = line.split()
            ident = text.partition('#')[0]
            if (bus, int(ident, 16), len(ident) == 8) not in gone:
                out.write(line)
    return path


def ask(loomtap, log, extra):
    began = time.monotonic()
    status, out, said = run([loomtap, 'seek', log, '--json', '--quiet', '--threads', '1'] + extra)
    took = time.monotonic() - began
    if status not in (0, 1):
        return None, took, 'seek ended with %d: %s' % (status, said.strip())
    return json.loads(out)['targets'], took, None


def find_said(targets, truth):
    """The element for this parameter of this controller; for marks the only one."""
    samples = truth.samples
    for said in targets or []:
        if said['target'] != truth.target:
            continue
        if samples is None or said['reference'].upper() == samples.name().upper():
            return said
    return None


def truths_of(car, found, marks, name):
    """What the replies or the marks of a capture are asked for, and the labels."""
    if name == 'replies':
        return [Truth(car, samples.target, samples, is_exercised(samples))
                for _, samples in sorted(found.items())], None
    table = read_marks(marks)
    return [Truth(car, 'drive_mode', None, marks_exercised(table))], {text for _, text in table}


def score_log(loomtap, log, layout, marks, label, seconds, kept, keep=None, absent_only=False):
    """One capture: replies, then marks. `absent_only`: the others were counted already."""
    score, prefix, slowest = Score(), prefix_of(seconds), 0.0
    rows, found = kept or read_log(log)
    car = Car(layout, rows)
    for extra, name in (([], 'replies'), (['--marks', marks], 'marks')):
        truths, labels = truths_of(car, found, marks, name)
        if absent_only:
            truths = [truth for truth in truths if truth.absent()]
        if not truths:
            continue
        targets, took, problem = ask(loomtap, log, extra)
        slowest = max(slowest, took)
        score.count('searches that ran', problem is None)
        if problem:
            score.fail(label + ' ' + name, 'did not run', problem)
        for truth in truths:
            score_target(score, car, truth, find_said(targets, truth), label, prefix, labels)
        if keep:
            with open('%s-%s.json' % (keep, name), 'w') as file:
                json.dump(targets, file)
    return score, slowest


def score_car(job):
    loomtap, paths, seed, seconds, folder, keep, made = job
    paths = paths or make_car(loomtap, seed, seconds, folder)
    with open(paths[1]) as file:
        layout = json.load(file)
    label = ('seed %d' % seed if made else os.path.basename(paths[0])) + ', %d s' % seconds
    kept = read_log(paths[0])
    base = os.path.join(keep, os.path.basename(paths[0])) if keep else None
    score, slowest = score_log(loomtap, paths[0], layout, paths[2], label, seconds, kept, base)
    if seconds < 600:
        rng = random.Random('absent %d' % seed)
        dropped = [name for name in MAIN + SLOW + ('lambda', 'drive_mode') if rng.random() < 0.5]
        if 'vehicle_speed' in dropped:  # and what may stand for it
            dropped += ['wheel_speed_' + place for place in ('fl', 'fr', 'rl', 'rr')]
        part = leave_out(paths, layout, dropped, folder)
        more, took = score_log(loomtap, part, layout, paths[2],
                               label + ', without ' + ' '.join(dropped), seconds, None,
                               base and base + '-part', absent_only=True)
        score.add(more)
        slowest = max(slowest, took)
        os.remove(part)
    if made and not keep:
        for path in paths:
            os.remove(path)
    return label, slowest, score


# Figure, what it is called in the table, what is asked, and the direction.
ASKED = [
    (FIVE + 'main: right at the top', 'speeds, pedal, throttle, load, pressure: right at the top',
     0.95, '>='),
    (FIVE + 'main: in the top three', 'the same, in the top three', 0.99, '>='),
    (FIVE + 'lambda: right at the top', 'lambda where exercised: right at the top', 0.85, '>='),
    (FIVE + 'drive_mode: right at the top', 'drive mode from marks: right at the top', 0.95, '>='),
    (FIVE + 'absent: answered right', 'carried by no frame: `not on this bus` or `not exercised`',
     0.95, '>='),
    (FIVE + 'absent: found', 'carried by no frame: `found`', 0.0, '<='),
    (FIVE + 'wrong claims at 0.95 and above', 'wrong of what is claimed at 0.95 and above', 0.01,
     '<='),
    (FIVE + 'exercised, answered ambiguous or not exercised',
     'exercised, answered `ambiguous` or `not exercised`', 0.05, '<='),
    (WARM + 'slow: right at the top', 'coolant and intake temperature, 15 minutes: right at the top',
     0.80, '>='),
    (WARM + 'wrong claims at 0.95 and above', '15 minutes: wrong of what is claimed at 0.95', 0.01,
     '<='),
    (ONE + 'found, first claim wrong', 'one minute: `found` and the first claim wrong', 0.01, '<='),
    (ONE + 'wrong claims at 0.95 and above', 'one minute: wrong of what is claimed at 0.95', 0.01,
     '<='),
    (ONE + 'absent: found', 'one minute, carried by no frame: `found`', 0.01, '<='),
]
LEAST_TARGETS = 300


def asked_lines(score):
    yield '| figure | count | of | share (95 % interval) | asked | met |'
    yield '|---|---:|---:|---:|---:|---|'
    for name, text, want, way in ASKED:
        cell = score.rate.get(name, [0, 0])
        good = cell[0] >= want * cell[1] if way == '>=' else cell[0] <= want * cell[1]
        met = 'not seen' if not cell[1] else 'yes' if good else '**no**'
        yield '| %s | %d | %d | %s | %s %g %% | %s |' % (text, *cell, share(cell), way, 100 * want,
                                                         met)


def missed(score):
    for name, text, want, way in ASKED:
        right, of = score.rate.get(name, [0, 0])
        if of and not (right >= want * of if way == '>=' else right <= want * of):
            yield text
    if score.rate.get('searches that ran', [0, 0])[0] < score.rate.get('searches that ran',
                                                                       [0, 0])[1]:
        yield 'searches that ran'


def other_lines(score):
    named = {name for name, _, _, _ in ASKED}
    yield '| figure | count | of | share (95 % interval) |'
    yield '|---|---:|---:|---:|'
    for name in sorted(score.rate):
        if name not in named:
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


def page_of(score, args, seeds, seconds):
    yield '# How right the search for signals is'
    yield ''
    yield 'Made by `tests/bench/seek_truth.py`; do not edit. %d cars invented by seeds %d to %d%s, ' \
          'driven for %s seconds each, with a tester that polls.' % (
              len(seeds), seeds[0], seeds[-1], ' (kept aside: never tuned on)' if args.aside else '',
              ', '.join('%d' % s for s in seconds))
    yield 'What counts as right is written down in `tests/bench/seek_score.py`, what counts as'
    yield 'exercised in `tests/bench/seek_replies.py`.'
    yield ''
    of = score.rate.get(FIVE + 'exercised targets right at the top', [0, 0])[1]
    yield '%d exercised targets on five-minute drives (at least %d are asked).' % (of, LEAST_TARGETS)
    yield ''
    yield from asked_lines(score)
    yield ''
    yield '## Everything else that was counted'
    yield ''
    yield from other_lines(score)
    yield ''
    yield '## Confidence: does a claim hold as often as it says?'
    yield ''
    yield from calibration_lines(score)


# A short run in the test suite must be able to fail and must not be fragile: two cars; floors well
# below what is asked of the real one.
SMOKE = [('searches that ran', 1.0, '>='), (FIVE + 'main: right at the top', 0.6, '>='),
         (FIVE + 'main: in the top three', 0.7, '>='), (FIVE + 'absent: found', 0.4, '<='),
         (FIVE + 'references answered', 1.0, '>='),
         (FIVE + 'wrong claims at 0.95 and above', 0.4, '<=')]


def smoke_fails(score):
    fails = 0
    for name, want, way in SMOKE:
        right, of = score.rate.get(name, [0, 0])
        good = of > 0 and (right >= want * of if way == '>=' else right <= want * of)
        print('%s: %s: %d of %d, asked %s %g' % ('ok' if good else 'FAIL', name, right, of, way,
                                                 want))
        fails += not good
    return fails


def write_failures(score, path):
    causes = {}
    for cause, _ in score.failures:
        causes[cause] = causes.get(cause, 0) + 1
    with open(path, 'w') as file:
        file.writelines('%5d %s\n' % (n, cause) for cause, n in
                        sorted(causes.items(), key=lambda item: -item[1]))
        file.write('\n')
        file.writelines('[%s] %s\n' % item for item in sorted(score.failures))


def add_tally(score, seconds, path):
    """Adds what the file has, and writes it anew. The seconds of all parts."""
    if os.path.exists(path):
        with open(path) as file:
            before = json.load(file)
        for name, (right, of) in before['rate']:
            score.count(name, right, of)
        for group, low, right, of, total in before['bins']:
            cell = score.bins.setdefault((group, low), [0, 0, 0.0])
            for i, more in enumerate((right, of, total)):
                cell[i] += more
        seconds = before['seconds'] + [s for s in seconds if s not in before['seconds']]
    with open(path, 'w') as file:
        json.dump({'seconds': seconds, 'rate': sorted(score.rate.items()),
                   'bins': [list(key) + cell for key, cell in sorted(score.bins.items())]}, file)
    return seconds


def parse():
    parser = argparse.ArgumentParser()
    parser.add_argument('loomtap')
    parser.add_argument('--seeds')
    parser.add_argument('--aside', action='store_true')
    parser.add_argument('--seconds', default='300,60,900')
    parser.add_argument('--jobs', type=int, default=2)
    parser.add_argument('--cars', nargs='+')
    parser.add_argument('--write')
    parser.add_argument('--failures')
    parser.add_argument('--keep')
    parser.add_argument('--tally')
    parser.add_argument('--smoke', action='store_true')
    parser.add_argument('--strict', action='store_true')
    args = parser.parse_args()
    if args.aside and (args.failures or args.keep):
        parser.error('the seeds kept aside are scored, not looked into')
    if args.smoke:
        args.seeds, args.seconds = '3..4', '240'
    return args


def jobs_of(args, folder):
    if args.cars:
        for n, prefix in enumerate(sorted(args.cars)):
            prefix = prefix[:-4] if prefix.endswith('.log') else prefix
            paths = [prefix + end for end in ('.log', '.json', '.csv')]
            with open(paths[1]) as file:
                seconds = json.load(file)['duration_s']
            yield args.loomtap, paths, n + 1, seconds, folder, args.keep, False
        return
    for seconds in [int(text) for text in args.seconds.split(',')]:
        for seed in seeds_of(args):
            yield args.loomtap, None, seed, seconds, folder, args.keep, True


def main():
    args = parse()
    total, slowest = Score(), 0.0
    with tempfile.TemporaryDirectory() as folder:
        if args.keep:
            os.makedirs(args.keep, exist_ok=True)
        with concurrent.futures.ProcessPoolExecutor(args.jobs) as pool:
            for label, took, score in pool.map(score_car, jobs_of(args, folder)):
                print('%s: slowest search %.1f s' % (label, took), file=sys.stderr)
                slowest = max(slowest, took)
                total.add(score)
    if args.failures:
        write_failures(total, args.failures)
    if args.smoke:
        return 1 if smoke_fails(total) else 0
    seconds = [int(text) for text in args.seconds.split(',')]
    if args.tally:
        seconds = add_tally(total, seconds, args.tally)
    page = list(asked_lines(total)) + [''] + list(other_lines(total)) + [''] + \
        list(calibration_lines(total))
    if not args.cars:
        page = list(page_of(total, args, seeds_of(args), seconds))
    return give(page, args, 'search', slowest, list(missed(total)))


if __name__ == '__main__':
    sys.exit(main())
