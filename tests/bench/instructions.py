#!/usr/bin/env python3
"""Instructions a line of decoding, held to limits: what valgrind's callgrind counts on two logs of
100,000 and 200,000 lines, the difference divided by 100,000, so that start and end do not count.
Repeats to a tenth of a percent, whatever else the machine does.

    instructions.py LOOMTAP LOOMTAP_PORTABLE MAKE_LOG

Exit: 0 within the limits, 1 above one, 77 (skipped) without valgrind.
"""
import os
import re
import shutil
import subprocess
import sys
import tempfile

LINES = 100000
# name, signals, portable, kind of log, options, limit
CASES = [
    ('4 signals, summary', 4, False, 'one', ['--as', 'summary'], 150),
    ('all 300 signals, summary', 300, False, 'one', ['--as', 'summary'], 180),
    ('4 signals, summary, two buses', 4, False, 'two', ['--as', 'summary'], 155),
    ('4 signals, summary, mixed', 4, False, 'mixed', ['--as', 'summary'], 155),
    ('4 signals, summary, CAN FD', 4, False, 'fd', ['--as', 'summary'], 420),
    ('4 signals, csv', 4, False, 'one', ['--as', 'csv'], 200),
    ('4 signals, summary, portable', 4, True, 'one', ['--as', 'summary'], 280),
]


def collected(words):
    """Instructions that the run of a command takes."""
    run = subprocess.run(['valgrind', '--tool=callgrind', '--callgrind-out-file=/dev/null'] + words,
                         stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=True)
    return int(re.search(r'Collected : (\d+)', run.stderr)[1])


def make_logs(make_log, folder, kind):
    """Two logs, the second with twice the lines; their paths."""
    run = subprocess.run([make_log, 'log', str(LINES * 2 * 120), kind], stdout=subprocess.PIPE,
                         check=True)
    lines = run.stdout.splitlines(keepends=True)
    assert len(lines) >= 2 * LINES
    paths = []
    for count in (LINES, 2 * LINES):
        paths.append(os.path.join(folder, f'{kind}-{count}.log'))
        with open(paths[-1], 'wb') as file:
            file.writelines(lines[:count])
    return paths


def make_profile(make_log, folder, signals):
    path = os.path.join(folder, f'{signals}.ini')
    with open(path, 'wb') as file:
        subprocess.run([make_log, 'profile', str(signals)], stdout=file, check=True)
    return path


def measure(programs, make_log, say):
    """All cases; `say` gets name, instructions a line and limit of each. True: all within."""
    within = True
    logs, profiles = {}, {}
    with tempfile.TemporaryDirectory() as folder:
        for name, signals, portable, kind, options, limit in CASES:
            logs[kind] = logs.get(kind) or make_logs(make_log, folder, kind)
            profiles[signals] = profiles.get(signals) or make_profile(make_log, folder, signals)
            counts = [collected([programs[portable], 'decode', path, '-p', profiles[signals],
                                 '--quiet', '--threads', '1'] + options) for path in logs[kind]]
            per_line = (counts[1] - counts[0]) / LINES
            within = within and per_line <= limit
            say(name, per_line, limit)
    return within


def main():
    if not shutil.which('valgrind'):
        print('valgrind is not installed')
        return 77
    loomtap, portable, make_log = (os.path.abspath(path) for path in sys.argv[1:4])

    def say(name, per_line, limit):
        print(f'{name}: {per_line:.1f} instructions a line, at most {limit}'
              f'{"" if per_line <= limit else ": TOO MANY"}', flush=True)
    return 0 if measure((loomtap, portable), make_log, say) else 1


if __name__ == '__main__':
    sys.exit(main())
