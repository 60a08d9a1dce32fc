#!/usr/bin/env python3
"""How right the search for the drive mode by marks is, on cars that a seed invents.

    marks_truth.py LOOMTAP MARKS_FOUND [--seeds 1..50] [--duration 300] [--spoil] [--show] [--smoke]

Each car is asked twice: as it is (some true copy must come first, every moving bit of it and no
other, with the right codes), and with every frame that carries the mode left out (nothing may be
found). With --spoil one mark is put 4 s late or left out and one is put twice.
"""
import argparse
import json
import os
import random
import subprocess
import sys
import tempfile


def carriers(layout):
    for frame in layout['frames']:
        for field in frame['fields']:
            if field.get('role') == 'drive_mode':
                yield frame, field


def ask(program, log, marks, dropped):
    done = subprocess.run([program, log, marks] + dropped, stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE, text=True)
    if done.returncode:
        return 'error ' + done.stderr.strip(), done.stderr.strip(), []
    verdict, say, candidates = '', '', []
    for line in done.stdout.split('\n'):
        if line.startswith('verdict '):
            verdict, say = line[8:].split('|', 1)
        elif line.startswith('candidate '):
            words = line.split()
            values = dict((int(w.split('=')[0]), w.split('=')[1].split(':')[0])
                          for w in words[8:])
            candidates.append({'bus': words[1], 'id': int(words[2]), 'extended': words[3] == '1',
                               'page': None if words[4] == '-' else int(words[4]),
                               'bits': words[5], 'confidence': float(words[6]),
                               'lag': float(words[7]), 'values': values})
        elif line.startswith('why '):
            candidates[-1]['why'] = line[4:]
    return verdict, say, candidates


def is_right(candidate, layout, labels):
    for frame, field in carriers(layout):
        if (frame['bus'], frame['id'], bool(frame['extended'])) != (
                candidate['bus'], candidate['id'], candidate['extended']):
            continue
        # The page's number is not compared: a selector's top bits may never have moved.
        if candidate['page'] is not None and not field['page']:
            continue
        # Bits that moved among labels alone (not with a code for "unavailable").
        if candidate['bits'] != field['facts']['moving_bits']:
            continue
        low = 0
        moved = int(field['facts']['moved'], 16)
        while moved and not moved >> low & 1:
            low += 1
        truth = {}
        for code, label in field['values'].items():
            if label in labels:
                truth[label] = int(code)
        got = {label: code for code, label in candidate['values'].items()}
        width = moved.bit_length() - low
        mask = (1 << width) - 1
        if all(got.get(label) == (code >> low & mask) for label, code in truth.items()):
            return True
    return False


def spoil(rows, seed):
    rng = random.Random(seed)
    rows = list(rows)
    if len(rows) < 8:
        return rows
    i = rng.randrange(2, len(rows) - 1)
    if rng.random() < 0.5:
        time, label = rows[i]
        rows[i] = ('%.6f' % min(float(time) + 4, float(rows[i + 1][0]) - 0.1), label)
    else:
        del rows[i]
    j = rng.randrange(1, len(rows))
    rows.insert(j + 1, ('%.6f' % (float(rows[j][0]) + 0.6), rows[j][1]))
    return rows


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('loomtap')
    parser.add_argument('marks_found')
    parser.add_argument('--seeds', default='1..50')
    parser.add_argument('--duration', default='300')
    parser.add_argument('--spoil', action='store_true')
    parser.add_argument('--show', action='store_true')
    parser.add_argument('--smoke', action='store_true')
    args = parser.parse_args()
    if args.smoke:
        args.seeds, args.duration = '3..7', '240'
    first, last = (int(n) for n in args.seeds.split('..'))
    asked = right = missed = wrong = absent_found = sure = sure_wrong = absent = 0
    verdicts = {}
    for seed in range(first, last + 1):
        with tempfile.TemporaryDirectory() as folder:
            log, layout, marks = (os.path.join(folder, n) for n in ('c.log', 'c.json', 'c.csv'))
            subprocess.run([args.loomtap, 'mimic', 'random', '--seed', str(seed), '--duration',
                            args.duration, '-o', log, '--layout', layout, '--marks', marks,
                            '--quiet'], check=True)
            truth = json.load(open(layout))
            rows = [tuple(line.strip().split(',')) for line in open(marks)][1:]
            if args.spoil:
                rows = spoil(rows, seed)
                with open(marks, 'w') as out:
                    out.write('time_s,label\n' + ''.join('%s,%s\n' % r for r in rows))
            labels = set(label for _, label in rows)
            fields = list(carriers(truth))
            exercised = any(field['exercised'] for _, field in fields)
            verdict, say, candidates = ask(args.marks_found, log, marks, [])
            if fields:
                good = bool(candidates) and is_right(candidates[0], truth, labels)
                found = verdict == 'found'
                verdicts[verdict] = verdicts.get(verdict, 0) + 1
                asked += exercised
                right += exercised and found and good
                missed += exercised and not found
                wrong += found and not good
                for c in candidates:
                    if found and c['confidence'] >= 0.95:
                        sure += 1
                        sure_wrong += not is_right(c, truth, labels)
                if args.show and (not good or not found):
                    print(seed, verdict, say, len(rows), 'marks', exercised)
                    for c in candidates[:4]:
                        print('   ', c)
                    for frame, field in fields:
                        print('    true', frame['bus'], frame['id'], field['page'],
                              field['bits'], field['facts']['moving_bits'], field['values'],
                              frame['cadence'], frame['period_ms'], field['unavailable'],
                              field['facts']['changes'])
                elif args.show and sure_wrong:
                    for c in candidates:
                        if c['confidence'] >= 0.95 and not is_right(c, truth, labels):
                            print(seed, '  wrong copy', c)
            dropped = ['%s:%d:%d' % (f['bus'], f['id'], f['extended']) for f, _ in fields]
            verdict, say, candidates = ask(args.marks_found, log, marks, sorted(set(dropped)))
            absent += 1
            absent_found += verdict == 'found'
            verdicts['absent ' + verdict] = verdicts.get('absent ' + verdict, 0) + 1
            if args.show and verdict == 'found':
                print(seed, 'ABSENT', say)
                for c in candidates[:4]:
                    print('   ', c)
    print('exercised %d: right %d, not found %d, found wrong %d; absent %d: found %d; '
          'candidates at 0.95 %d: wrong %d' % (asked, right, missed, wrong, absent, absent_found,
                                               sure, sure_wrong))
    print(verdicts)
    if args.smoke and (asked < 4 or right * 100 < 80 * asked or absent_found or wrong):
        return 1
    return 0


if __name__ == '__main__':
    sys.exit(main())
