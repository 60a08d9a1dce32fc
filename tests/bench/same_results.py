#!/usr/bin/env python3
"""The same bytes of output whatever path the lines take: one, two and three threads, the portable
program, and standard input, on logs with every kind of line, as they are and with some of them
spoiled.

    same_results.py LOOMTAP LOOMTAP_PORTABLE MAKE_LOG [MEGABYTES]
"""
import os
import random
import subprocess
import sys
import tempfile

KINDS = ('one', 'two', 'mixed', 'fd', 'remote', 'lower', 'crlf', 'nanoseconds')
FORMS = (['--as', 'summary'], ['--as', 'summary', '--json'], ['--as', 'csv'], ['--as', 'jsonl'],
         ['--as', 'grid', '--every', '1s'], ['--as', 'csv', '--from', '20', '--to', '+60'])


def spoil(rng, line):
    """One change to one line."""
    at = rng.randrange(len(line) + 1)
    what = rng.randrange(5)
    if what == 0:
        return line[:at] + rng.choice([b'x', b' ', b'#', b'R', b'\t', b'\xff', b'0']) + line[at:]
    if what == 1:
        return line[:at] + line[at + 1:]
    if what == 2:
        return line[:at] + b'\n'
    if what == 3:
        return b''
    return line.replace(b'can0', b'can%d' % rng.randrange(30))


def write_log(make_log, path, kind, size, spoiled):
    rng = random.Random(20250612)
    run = subprocess.run([make_log, 'log', str(size), kind], stdout=subprocess.PIPE, check=True)
    lines = run.stdout.splitlines(keepends=True)
    for _ in range(len(lines) // 200 if spoiled else 0):
        at = rng.randrange(10, len(lines))
        lines[at] = spoil(rng, lines[at])
    with open(path, 'wb') as file:
        file.write(b''.join(lines)[:-1])


def output(words, stdin=None):
    run = subprocess.run(words, stdin=stdin, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    return run.stdout, run.stderr, run.returncode


def compare(programs, path, other, profile, form):
    """Descriptions of the ways that give something else than the first."""
    tail = ['-p', profile] + form
    files = [path, other]
    wanted = output([programs[0], 'decode'] + files + tail + ['--threads', '1'])
    assert wanted[2] == 0 and len(wanted[0]) > 500, wanted[1]
    ways = {f'{threads} threads': [programs[0], 'decode'] + files + tail + ['--threads', threads]
            for threads in ('2', '3')}
    ways['portable'] = [programs[1], 'decode'] + files + tail + ['--threads', '1']
    ways['portable, 2 threads'] = [programs[1], 'decode'] + files + tail + ['--threads', '2']
    found = [way for way, words in ways.items() if output(words) != wanted]
    with open(path, 'rb') as file:
        alone = output([programs[0], 'decode', path] + tail + ['--threads', '2'])
        piped = output([programs[0], 'decode', '-'] + tail, stdin=file)
    if alone[0].replace(path.encode(), b'-') != piped[0].replace(path.encode(), b'-'):
        found.append('standard input')
    return found


def main():
    programs = [os.path.abspath(path) for path in sys.argv[1:3]]
    make_log = os.path.abspath(sys.argv[3])
    size = int(float(sys.argv[4]) * 1000000) if len(sys.argv) > 4 else 6000000
    different = 0
    with tempfile.TemporaryDirectory() as folder:
        profile = os.path.join(folder, 'all.ini')
        with open(profile, 'wb') as file:
            subprocess.run([make_log, 'profile', '300'], stdout=file, check=True)
        for i, kind in enumerate(KINDS):
            path, other = (os.path.join(folder, name) for name in ('a.log', 'b.log'))
            for spoiled, forms in ((False, FORMS[:1]), (True, (FORMS[0], FORMS[i % len(FORMS)]))):
                write_log(make_log, path, kind, size, spoiled)
                write_log(make_log, other, KINDS[i - 1], size, spoiled)
                for form in forms:
                    for way in compare(programs, path, other, profile, form):
                        different += 1
                        print(f'{kind}, {" ".join(form)}: {way} differs')
    print(f'{len(KINDS)} kinds of log, {different} differences')
    return different != 0


if __name__ == '__main__':
    sys.exit(main())
