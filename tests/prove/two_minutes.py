#!/usr/bin/env python3
"""Two minutes of driving with diagnostics polled suffice for engine speed, load, lambda and drive mode.

    two_minutes.py LOOMTAP ROOT [--seeds FIRST..LAST]

The demo car on drives of other seeds, and invented cars: every claim about a required role or its frame that needs
to be proven is. But for one that is right and of no use: a value that comes more seldom than a controller wants it.
"""
import argparse
import json
import os
import subprocess
import sys
import tempfile

from cars import REQUIRED, Car, prove, is_followed


def is_late(proof, signals):
    """One of the required signals comes too seldom for its role, which is no fault of the profile."""
    return any(c['id'] == 'fresh' and c['subject'] in signals and c['verdict'] == 'not exercised'
               for c in proof['claims'])


def drive_demo(loomtap, root, seed, folder):
    log = os.path.join(folder, 'demo.log')
    subprocess.run([loomtap, 'mimic', 'drive', '--seed', str(seed), '--duration', '120', '-o', log, '--quiet'], check=True)
    run = subprocess.run([loomtap, 'prove', log, '-p', os.path.join(root, 'signaldefs/tarn-turbo.ini'), '--json',
                          '--quiet'], capture_output=True, text=True)
    return json.loads(run.stdout), REQUIRED  # each role's signal is called like it


def drive_random(loomtap, seed, folder):
    """None where the car lacks one of the roles, or the drive does not exercise it by the layout's own word."""
    base = os.path.join(folder, 'car')
    subprocess.run([loomtap, 'mimic', 'random', '--seed', str(seed), '--duration', '120', '--polling', '-o', base + '.log',
                    '--layout', base + '.json', '--marks', base + '.csv', '--quiet'], check=True)
    with open(base + '.json') as file:
        car = Car(json.load(file))
    names = {role: car.role(role) for role in REQUIRED}
    if not all(names.values()) or not all(is_followed(car, role, car.signals[name], car.field[name])
                                          for role, name in names.items() if role != 'drive_mode'):
        return None
    return prove(loomtap, folder, base, car.text())[0], list(names.values())


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument('loomtap')
    parser.add_argument('root')
    parser.add_argument('--seeds', default='2001..2012')
    args = parser.parse_args()
    first, last = map(int, args.seeds.split('..'))
    tried, bad = 0, 0
    with tempfile.TemporaryDirectory() as folder:
        drives = [(f'demo car, seed {seed}', lambda seed=seed: drive_demo(args.loomtap, args.root, seed, folder))
                  for seed in (1, 2, 3)]
        drives += [(f'random car, seed {seed}', lambda seed=seed: drive_random(args.loomtap, seed, folder))
                   for seed in range(first, last + 1)]
        for name, drive in drives:
            answer = drive()
            if answer is None:
                continue
            tried += 1
            proof, signals = answer
            if proof['verdict'] == 'proven' or (proof['verdict'] == 'not exercised' and is_late(proof, signals)):
                continue
            bad += 1
            print(f'{name}: {proof["verdict"]}')
            print(*(f'  {c["id"]} of {c["subject"]}: {c["verdict"]}: {c["measured"]}: {c["say"]}'
                    for c in proof['claims'] if c['subject'] in signals and c['verdict'] != 'proven'), sep='\n')
    print(f'{tried} drives with all four roles, {bad} not proven')
    return 1 if bad or tried < 5 else 0


if __name__ == '__main__':
    sys.exit(main())
