#!/usr/bin/env python3
"""Decoding against `wc -l` on the same page-cached log, in turn; prints medians of the ratios.

    against_wc.py LOOMTAP LOOMTAP_PORTABLE MAKE_LOG [--megabytes N] [--pairs N] [--write FILE]

The logs are made with a fixed seed in the temporary folder and removed at the end; those of rarer
kinds have a quarter of the size. --write makes a page of the results, with instructions a line where
valgrind is installed.
"""
import argparse
import collections
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time

import instructions

SUMMARY, CSV = ['--as', 'summary'], ['--as', 'csv']
Case = collections.namedtuple('Case', 'name signals kind options portable targets',
                              defaults=(False, (None, None)))
# Times `wc -l`, one thread and two; None: no second measurement.
CASES = [
    Case('4 signals of 4 identifiers, summary', 4, 'one', SUMMARY, False, (3, 1.6)),
    Case('all 300 signals of 60 identifiers, summary', 300, 'one', SUMMARY, False, (3.3, 2)),
    Case('4 signals as csv', 4, 'one', CSV, False, (3.5, 2)),
    Case('4 signals, summary, without vector instructions', 4, 'one', SUMMARY, True, (4.5, None)),
    Case('4 signals, summary, mixed (two buses, several lengths)', 4, 'mixed', SUMMARY, False,
         (3, 1.6)),
    Case('all 300 signals, summary, mixed', 300, 'mixed', SUMMARY, False, (3.3, 2)),
    Case('4 signals, summary, CAN FD with up to 64 bytes', 4, 'fd', SUMMARY, False, (6, None)),
    Case('4 signals, summary, a quarter remote frames', 4, 'remote', SUMMARY, False, (6, None)),
    Case('4 signals, summary, lower case', 4, 'lower', SUMMARY, False, (6, None)),
    Case('4 signals, summary, CRLF', 4, 'crlf', SUMMARY, False, (6, None)),
    Case('4 signals, summary, nanoseconds', 4, 'nanoseconds', SUMMARY, False, (6, None)),
]


def seconds(words):
    start = time.monotonic()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.monotonic() - start


def peak_mib(words):
    """Read from the running process: what the system keeps of an ended one counts its parent too."""
    peak = 0
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as run:
        while run.poll() is None:
            try:
                with open(f'/proc/{run.pid}/status', encoding='ascii') as file:
                    found = [line for line in file if line.startswith('VmHWM:')]
            except OSError:
                break
            peak = max([peak] + [int(line.split()[1]) for line in found])
            time.sleep(0.005)
    return peak / 1024


def ratios(words, base, pairs):
    """Time of `words` by time of `base`, run in turn."""
    seconds(base)
    seconds(words)
    found = []
    for _ in range(pairs):
        plain = seconds(base)
        found.append(seconds(words) / plain)
    return found


class Bench:
    def __init__(self, options, folder):
        self.options, self.folder, self.rows = options, folder, []
        self.logs, self.profiles = {}, {}

    def log(self, kind):
        if kind not in self.logs:
            size = self.options.megabytes * 1000000 // (1 if kind in ('one', 'two', 'mixed') else 4)
            self.logs[kind] = os.path.join(self.folder, kind + '.log')
            with open(self.logs[kind], 'wb') as file:
                subprocess.run([self.options.make_log, 'log', str(size), kind], stdout=file,
                               check=True)
        return self.logs[kind]

    def decode(self, path, signals, options, threads=1, portable=False):
        if signals not in self.profiles:
            self.profiles[signals] = instructions.make_profile(self.options.make_log, self.folder,
                                                               signals)
        program = self.options.loomtap_portable if portable else self.options.loomtap
        return [program, 'decode', path, '-p', self.profiles[signals], '--quiet', '--threads',
                str(threads)] + options

    def add(self, name, threads, value, low, high, target, memory):
        row = (name, threads, f'{value:.2f}', f'{low:.2f}', f'{high:.2f}', target, f'{memory:.1f}')
        self.rows.append(row)
        print('| ' + ' | '.join(map(str, row)) + ' |', flush=True)

    def run_case(self, case):
        path = self.log(case.kind)
        for threads, target in zip((1, 2), case.targets):
            if target is None:
                continue
            words = self.decode(path, case.signals, case.options, threads, case.portable)
            found = ratios(words, ['wc', '-l', path], self.options.pairs)
            self.add(case.name, threads, statistics.median(found), min(found), max(found),
                     f'<= {target}', peak_mib(words))

    def run_csv_bytes(self):
        """Bytes of csv a second by bytes a second of `wc -l`."""
        path = self.log('one')
        for threads, target in ((1, 0.11), (2, 0.2)):
            words = self.decode(path, 300, CSV, threads)
            written = 0
            with subprocess.Popen(words, stdout=subprocess.PIPE) as run:
                for block in iter(lambda: run.stdout.read(1 << 20), b''):
                    written += len(block)
            factor = written / os.path.getsize(path)
            found = [factor / r for r in ratios(words, ['wc', '-l', path], self.options.pairs)]
            self.add('all 300 signals as csv to nowhere: bytes a second by those of `wc -l`', threads,
                     statistics.median(found), min(found), max(found), f'>= {target}',
                     peak_mib(words))

    def run_two_buses(self):
        words = self.decode(self.log('two'), 4, SUMMARY)
        base = self.decode(self.log('one'), 4, SUMMARY)
        found = ratios(words, base, self.options.pairs)
        self.add('two buses in turn, by the same with one bus', 1, statistics.median(found),
                 min(found), max(found), '<= 1.1', peak_mib(words))

    def run_packed(self):
        """Packed logs by unpacking them to nowhere."""
        for tool, ending, target in (('zstd', '.zst', 1.1), ('gzip', '.gz', 0.55)):
            path = self.log('mixed') + ending
            if not shutil.which(tool):
                continue
            with open(path, 'wb') as file:
                subprocess.run([tool, '-c', self.log('mixed')], stdout=file, check=True,
                               stderr=subprocess.DEVNULL)
            words = self.decode(path, 4, SUMMARY)
            if subprocess.run(words, stdout=subprocess.DEVNULL,
                              stderr=subprocess.DEVNULL).returncode:
                continue
            found = ratios(words, [tool, '-dc', path], self.options.pairs)
            self.add(f'{tool} input, by `{tool} -dc` to nowhere', 1, statistics.median(found),
                     min(found), max(found), f'<= {target}', peak_mib(words))


PAGE = '''# Performance

Made by `tests/bench/against_wc.py --write docs/performance.md`; do not edit. Each command is run in
turn with `wc -l` on the same page-cached log (60 identifiers, about 2000 frames a second, made by
`tests/bench/make_log.c` with a fixed seed), and the median of the ratios is given: seconds depend on
the machine and the hour, ratios hardly. `wc -l` takes most of its time for the copy out of the page
cache, so a ratio of 1 cannot be reached by a program that looks at the bytes.

{size} MB, {pairs} pairs, {cores} processors, {machine}. With other programs running on the machine
the second thread comes late or not at all, so look at the least of two threads as well.

| work | threads | median | least | most | target | peak memory, MiB |
|---|---|---|---|---|---|---|
{rows}

## Instructions a line

From callgrind, the difference of two sizes (`tests/bench/instructions.py`, which holds them to the
limits). They do not depend on what else the machine does.

{counted}

## What carries it

- Blocks of 256 KiB are read to one page-aligned address, the incomplete last line is put before it.
- Line breaks are found ahead, 64 characters at a time, so that no line waits for the one before it
  and frames of all lengths cost the same.
- One usual line is one test of its head against a template (`src/capture/log_avx2.c`; in portable C
  eight characters at a time, `log_fast.c`), one look-up of the bus name, one pass over identifier
  and data. Whatever does not fit goes to the general parser, which alone decides what is malformed.
- Frames come in batches of 64, which stay in the first cache with their text.
- What became of an identifier is remembered: one look-up by identifier, bus and kind together.
- Frames of simple streams wait in a lane until 256 are there, then each field is worked off over all
  of them (`src/decode/lane_kernel.c`). Sums are of whole numbers, so they are exact and do not
  depend on the order.
- Rows are written straight into the output buffer: the time as it stands in the capture, the constant
  parts ready-made, the value by whole numbers with a fixed point.
- Several threads parse pieces of one file at the same time, and for a summary put the frames into
  lanes of their own (`src/decode/digest.c`); the rest is done in the order of the file, by the
  thread whose turn it is. So the results cannot depend on their number.
- gzip's sums are taken by the thread that decodes, beside the one that unpacks.
'''


def write_page(bench, path):
    counted = []
    options = bench.options
    if shutil.which('valgrind'):
        instructions.measure((options.loomtap, options.loomtap_portable), options.make_log,
                             lambda *row: counted.append(row))
    lines = ['| work | instructions a line | limit |', '|---|---|---|']
    lines += [f'| {name} | {per_line:.0f} | {limit} |' for name, per_line, limit in counted]
    with open(path, 'w', encoding='utf-8') as file:
        file.write(PAGE.format(
            size=options.megabytes, pairs=options.pairs, cores=os.cpu_count(),
            machine=platform.machine(), counted='\n'.join(lines),
            rows='\n'.join('| ' + ' | '.join(map(str, row)) + ' |' for row in bench.rows)))


def main():
    parser = argparse.ArgumentParser(description=__doc__.split('\n', maxsplit=1)[0])
    for name in ('loomtap', 'loomtap_portable', 'make_log'):
        parser.add_argument(name, type=os.path.abspath)
    parser.add_argument('--megabytes', type=int, default=1000)
    parser.add_argument('--pairs', type=int, default=9)
    parser.add_argument('--write')
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(options, folder)
        print('| work | threads | median | least | most | target | peak memory, MiB |')
        for case in CASES:
            bench.run_case(case)
        bench.run_csv_bytes()
        bench.run_two_buses()
        bench.run_packed()
        if options.write:
            write_page(bench, options.write)


if __name__ == '__main__':
    sys.exit(main())
