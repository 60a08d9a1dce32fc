#!/usr/bin/env python3
"""Decoding against `wc -l` on the same page-cached file, in turn; prints medians of the ratios.

    against_wc.py LOOMTAP MAKE_LOG [MEGABYTES] [PAIRS]

The log is made with a fixed seed in the temporary folder and removed at the end.
"""
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time


def seconds(words):
    start = time.monotonic()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.monotonic() - start


def peak_kib(words):
    pid = os.fork()
    if pid == 0:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 1)
        os.dup2(null, 2)
        os.execv(words[0], words)
    return os.wait4(pid, 0)[2].ru_maxrss


def main():
    loomtap, make_log = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
    megabytes = int(sys.argv[3]) if len(sys.argv) > 3 else 500
    pairs = int(sys.argv[4]) if len(sys.argv) > 4 else 9
    with tempfile.TemporaryDirectory() as folder:
        log, two, profile = (os.path.join(folder, name) for name in ('big.log', 'two.log', 'x.ini'))
        for path, words in ((log, [str(megabytes * 1000000)]), (profile, ['0']),
                            (two, [str(megabytes * 1000000), '2'])):
            with open(path, 'wb') as file:
                subprocess.run([make_log] + words, stdout=file, check=True)
        cases = [('4 signals, summary', log, ['--as', 'summary']),
                 ('4 signals, csv', log, ['--as', 'csv']),
                 ('4 signals, summary, two buses in turn', two, ['--as', 'summary'])]
        print(f'| work ({megabytes} MB, median of {pairs} pairs) | times `wc -l` | least | most | '
              'peak memory |\n|---|---|---|---|---|')
        for name, path, options in cases:
            words = [loomtap, 'decode', path, '-p', profile, '--quiet'] + options
            seconds(['wc', '-l', path])
            ratios = []
            for _ in range(pairs):
                plain = seconds(['wc', '-l', path])
                ratios.append(seconds(words) / plain)
            print(f'| {name} | {statistics.median(ratios):.2f} | {min(ratios):.2f} | '
                  f'{max(ratios):.2f} | {peak_kib(words) / 1024:.1f} MiB |', flush=True)


main()
