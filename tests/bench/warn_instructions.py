#!/usr/bin/env python3
"""Instructions a frame of the warning engine, held to limits: what valgrind's callgrind counts for
one round more of the demo drive, and for the whole command on it. Repeats to a tenth of a percent.

    warn_instructions.py LOOMTAP BENCH_WARN SOURCE_ROOT

Exit: 0 within the limits, 1 above one, 77 (skipped) without valgrind.
"""
import os
import re
import shutil
import subprocess
import sys
import tempfile

ENGINE_LIMIT, COMMAND_LIMIT = 680, 850


def collected(words):
    """Instructions that a command takes, and what it prints."""
    run = subprocess.run(['valgrind', '--tool=callgrind', '--callgrind-out-file=/dev/null'] + words,
                         capture_output=True, text=True, check=True)
    return int(re.search(r'Collected : (\d+)', run.stderr)[1]), run.stdout


def engine(bench, capture, profile):
    counts = []
    for rounds in ('1', '3'):
        count, said = collected([bench, capture, profile, rounds])
        counts.append((count, int(said.split()[0])))
    (first, fewer), (second, more) = counts
    return (second - first) / (more - fewer)


def command(loomtap, capture, profile):
    with open(capture, 'rb') as file:
        lines = file.readlines()
    counts = []
    with tempfile.TemporaryDirectory() as folder:
        for size in (len(lines) // 2, len(lines)):
            path = os.path.join(folder, 'part.log')
            with open(path, 'wb') as file:
                file.writelines(lines[:size])
            counts.append((collected([loomtap, 'rehearse', path, '-p', profile, '--quiet'])[0], size))
    (first, fewer), (second, more) = counts
    return (second - first) / (more - fewer)


def main():
    if not shutil.which('valgrind'):
        print('valgrind is not installed')
        return 77
    loomtap, bench, root = (os.path.abspath(path) for path in sys.argv[1:4])
    capture = os.path.join(root, 'captures', 'tarn-drive.log')
    profile = os.path.join(root, 'signaldefs', 'tarn-turbo.ini')
    within = True
    for name, figure, limit in (('the engine alone', engine(bench, capture, profile), ENGINE_LIMIT),
                                ('`rehearse`, with reading', command(loomtap, capture, profile),
                                 COMMAND_LIMIT)):
        within = within and figure <= limit
        print(f'{name}: {figure:.1f} instructions a frame, at most {limit}'
              f'{"" if figure <= limit else ": TOO MANY"}', flush=True)
    return 0 if within else 1


if __name__ == '__main__':
    sys.exit(main())
