#!/usr/bin/env python3
"""Instructions a frame of what follows a live bus, and of a picture of it, held to limits: what valgrind's
callgrind counts for two rounds more of the demo drive. Repeats to a tenth of a percent.

    live_instructions.py LOOMTAP BENCH_WARN BENCH_WATCH SOURCE_ROOT

The system calls of reading a bus are not among them: guard_latency.sh measures those in a kernel.
Exit: 0 within the limits, 1 above one, 77 (skipped) without valgrind.
"""
import os
import re
import shutil
import subprocess
import sys
import tempfile

ENGINE_LIMIT, COMMAND_LIMIT, GUARD_LIMIT, LOG_LIMIT = 680, 850, 890, 1910
WATCH_LIMIT, PICTURE_LIMIT = 1220, 1950000


def collected(words):
    """Instructions that a command takes, and what it prints."""
    run = subprocess.run(['valgrind', '--tool=callgrind', '--callgrind-out-file=/dev/null'] + words,
                         capture_output=True, text=True, check=True)
    return int(re.search(r'Collected : (\d+)', run.stderr)[1]), run.stdout


def a_frame(counts):
    (first, fewer), (second, more) = counts
    return (second - first) / (more - fewer)


def rounds_of(words, *more):
    """A bench that prints `N frames, ...`; `more`: words behind the number of rounds."""
    counts = []
    for rounds in ('1', '3'):
        count, said = collected(words + [rounds] + [word.format(rounds) for word in more])
        counts.append((count, int(said.split()[0])))
    return a_frame(counts), said


def guarding(words, *log):
    figure, said = rounds_of(words, 'guard', *log)
    sent, lost = (int(part.split()[0]) for part in said.split(',')[2:4])
    assert sent > 500 and lost == 0, said
    return figure


def a_picture(words):
    """What drawing costs, a picture."""
    (plain, _), (drawn, said) = collected(words + ['3']), collected(words + ['3', 'draw'])
    return (drawn - plain) / int(said.split()[2])


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
    return a_frame(counts)


def main():
    if not shutil.which('valgrind'):
        print('valgrind is not installed')
        return 77
    loomtap, bench_warn, bench_watch, root = (os.path.abspath(path) for path in sys.argv[1:5])
    capture = os.path.join(root, 'captures', 'tarn-drive.log')
    profile = os.path.join(root, 'signaldefs', 'tarn-turbo.ini')
    warn, watch = [bench_warn, capture, profile], [bench_watch, capture, profile]
    within = True
    with tempfile.TemporaryDirectory() as folder:
        for name, figure, limit in (
                ('the warning engine alone', lambda: rounds_of(warn)[0], ENGINE_LIMIT),
                ('`rehearse`, with reading', lambda: command(loomtap, capture, profile), COMMAND_LIMIT),
                ('guarding', lambda: guarding(warn), GUARD_LIMIT),
                ('guarding, with the log written', lambda: guarding(warn, os.path.join(folder, '{}.log')), LOG_LIMIT),
                ('watching', lambda: rounds_of(watch)[0], WATCH_LIMIT),
                ('a picture of what is watched', lambda: a_picture(watch), PICTURE_LIMIT)):
            count = figure()
            within = within and count <= limit
            print(f'{name}: {count:.1f} instructions, at most {limit}'
                  f'{"" if count <= limit else ": TOO MANY"}', flush=True)
    return 0 if within else 1


if __name__ == '__main__':
    sys.exit(main())
