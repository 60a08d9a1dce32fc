#!/usr/bin/env python3
"""How often `loomtap identify` puts a car's right profile first: invented cars, a folder of 200 profiles,
of which 20 share most identifiers (the right one and 19 variants of it), the others being other cars'.

    which_car.py LOOMTAP [--seeds FIRST..LAST] [--seconds N] [--others N] [--show] [--write docs/identify-truth.md]

A variant is the right profile with one to three changes, each of which the drive exercises by the car's
layout alone: an identifier, a checksum, a period, a length, a scale with diagnostics polled, a byte order.
Without the right profile in the folder, none may be said to fit.
"""
import argparse
import collections
import json
import os
import random
import subprocess
import sys
import tempfile
import time

from cars import Car, frame_faults, interval, signal_faults

KINDS = ['wrong id', 'checksum start', 'period by 2', 'length', 'scale by 2', 'offset', 'byte order', 'counter width']


def layout_of(loomtap, seed, seconds, folder, log=None):
    path = os.path.join(folder, 'layout.json')
    subprocess.run([loomtap, 'mimic', 'random', '--seed', str(seed), '--duration', str(seconds), '--polling',
                    '-o', log or os.devnull, '--layout', path, '--quiet'], check=True)
    with open(path) as file:
        return json.load(file)


def named(text, name):
    return text.replace('name = car\n', f'name = {name}\n')


def write(folder, name, text):
    with open(os.path.join(folder, name + '.ini'), 'w') as file:
        file.write(named(text, name))


def is_sound(loomtap, folder, text):
    path = os.path.join(folder, 'tried.ini')
    with open(path, 'w') as file:
        file.write(text)
    return subprocess.run([loomtap, 'check', '--quiet', path], capture_output=True).returncode == 0


def variants(loomtap, folder, car, count, chance):
    """Texts, no two alike, with what was changed; none has a fault that `check` finds."""
    made = [fault for fault in [*frame_faults(car), *signal_faults(car)] if fault.exercised and fault.kind in KINDS]
    by_kind = collections.defaultdict(list)
    for fault in made:
        by_kind[fault.kind].append(fault)
    seen = {car.text()}
    if not is_sound(loomtap, folder, car.text()):
        raise SystemExit('the right profile has faults')
    while len(seen) <= count:
        frames, signals, what = {}, {}, []
        for _ in range(chance.choice([1, 1, 1, 2, 3])):
            kind, subject, frame_edits, signal_edits, _ = chance.choice(by_kind[chance.choice(sorted(by_kind))])
            if subject in frames or subject in signals:
                continue
            frames.update(frame_edits)
            signals.update(signal_edits)
            what.append(f'{kind} of {subject}')
        text = car.text(frames, signals)
        if text not in seen and what and is_sound(loomtap, folder, text):
            seen.add(text)
            yield text, what


def identify(loomtap, log, folder):
    began = time.monotonic()
    run = subprocess.run([loomtap, 'identify', log, '-l', folder, '--json'], capture_output=True, text=True)
    took = time.monotonic() - began
    return json.loads(run.stdout) if run.stdout else None, run, took


def try_car(loomtap, seed, seconds, folder, library, show):
    """(right is first, says fits, says none without it, seconds, text)."""
    log = os.path.join(folder, 'car.log')
    car = Car(layout_of(loomtap, seed, seconds, folder, log))
    chance = random.Random(seed)
    write(library, 'right', car.text())
    changes = {}
    for at, (text, what) in enumerate(variants(loomtap, folder, car, 19, chance)):
        changes[f'variant_{at}'] = what
        write(library, f'variant_{at}', text)
    answer, run, took = identify(loomtap, log, library)
    said = [line for line in run.stderr.splitlines() if 'left out, for' in line]
    os.remove(os.path.join(library, 'right.ini'))
    without, run, _ = identify(loomtap, log, library)
    first, second = answer['ranking'][:2]
    text = f"seed {seed}: {first['profile']} {first['score']:.4f} {changes.get(first['profile'], '')} before " \
           f"{second['profile']} {second['score']:.4f} {changes.get(second['profile'], '')}; {answer['verdict']}: " \
           f"{first['misfits'][:3]}; without: {without['verdict']} {without['ranking'][0]['profile']} " \
           f"{changes.get(without['ranking'][0]['profile'])}; {took:.2f} s {said}"
    return (first['profile'] == 'right', answer['verdict'] == 'fits', without['verdict'] == 'none', took, text)


HEAD = """# How often identify finds the car

{cars} invented cars (`loomtap mimic random`, seeds {seeds}, {seconds} s each, diagnostics polled), each with a folder of {count} profiles: the
right one, 19 variants of it, {others} other cars'. A variant has one to three changes, each of which the drive exercises by the car's layout:
an identifier, a checksum, a period, a length, a counter's width, a scale or offset of a polled signal, a byte order. Then the right profile is
taken out of the folder. Written by

    tests/prove/which_car.py build/src/cli/loomtap --seeds {seeds} --seconds {seconds} --write docs/identify-truth.md

Asked: the right profile first in 99 %.

"""


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('loomtap')
    parser.add_argument('--seeds', default='301..320')
    parser.add_argument('--seconds', default='300')
    parser.add_argument('--others', type=int, default=180)
    parser.add_argument('--library', help='a folder to keep the other cars in')
    parser.add_argument('--write', help='the table')
    parser.add_argument('--show', action='store_true')
    args = parser.parse_args()
    first, last = map(int, args.seeds.split('..'))
    with tempfile.TemporaryDirectory() as folder:
        library = args.library or os.path.join(folder, 'library')
        os.makedirs(os.path.join(library, 'others'), exist_ok=True)
        for other in range(args.others):
            path = os.path.join(library, 'others', f'other_{other}.ini')
            if not os.path.exists(path):
                write(os.path.join(library, 'others'), f'other_{other}',
                      Car(layout_of(args.loomtap, 50001 + other, 5, folder)).text())
        rows = []
        for seed in range(first, last + 1):
            rows.append(try_car(args.loomtap, seed, args.seconds, folder, library, args.show))
            if args.show or not all(rows[-1][:3]):
                print(rows[-1][4], flush=True)
    table = ['| | of | share (95 % interval) |', '|---|---:|---|']
    for at, text in enumerate(['right profile first', 'said to fit', 'without it: none said to fit']):
        hits = sum(row[at] for row in rows)
        low, high = interval(hits, len(rows))
        table.append(f'| {text}: {hits} | {len(rows)} | {100 * hits / len(rows):.1f} % ({100 * low:.1f} to {100 * high:.1f}) |')
    print(*table, f'longest {max(row[3] for row in rows):.2f} s', sep='\n')
    if args.write:
        with open(args.write, 'w') as out:
            out.write(HEAD.format(cars=len(rows), count=args.others + 20, **vars(args)) + '\n'.join(table) + '\n')
    return 0 if all(row[0] for row in rows) else 1


if __name__ == '__main__':
    sys.exit(main())
