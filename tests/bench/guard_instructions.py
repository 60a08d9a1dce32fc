#!/usr/bin/env python3
"""Instructions a frame of guarding, held to limits: what valgrind's callgrind counts for one round more of the
demo drive through gate, engine and the queue to the log; and with the log's own thread. The system calls of
reading a bus are not among them: guard_latency.sh measures those.

    guard_instructions.py BENCH_WARN SOURCE_ROOT

Exit: 0 within the limits, 1 above one, 77 (skipped) without valgrind.
"""
import os
import shutil
import sys
import tempfile

from warn_instructions import collected

GUARD_LIMIT, LOG_LIMIT = 860, 1880


def guarding(bench, capture, profile, log):
    counts = []
    with tempfile.TemporaryDirectory() as folder:
        for rounds in ('1', '3'):
            path = [os.path.join(folder, rounds + '.log')] if log else []
            count, said = collected([bench, capture, profile, rounds, 'guard'] + path)
            frames, _, sent, lost = (int(part.split()[0]) for part in said.split(',')[:4])
            assert sent > 500 and lost == 0, said
            counts.append((count, frames))
    (first, fewer), (second, more) = counts
    return (second - first) / (more - fewer)


def main():
    if not shutil.which('valgrind'):
        print('valgrind is not installed')
        return 77
    bench, root = (os.path.abspath(path) for path in sys.argv[1:3])
    capture = os.path.join(root, 'captures', 'tarn-drive.log')
    profile = os.path.join(root, 'signaldefs', 'tarn-turbo.ini')
    within = True
    for name, log, limit in (('guarding', False, GUARD_LIMIT), ('guarding, with the log written', True, LOG_LIMIT)):
        figure = guarding(bench, capture, profile, log)
        within = within and figure <= limit
        print(f'{name}: {figure:.1f} instructions a frame, at most {limit}'
              f'{"" if figure <= limit else ": TOO MANY"}', flush=True)
    return 0 if within else 1


if __name__ == '__main__':
    sys.exit(main())
