#!/usr/bin/env python3
"""A survey of an hour against `wc -l` on the same page-cached log, in turn, on one thread: the median
of the ratios, and the most memory it takes. Then what a frame costs in the matrices.

    survey_against_wc.py LOOMTAP MAKE_LOG BENCH_MOMENTS [--megabytes N] [--seconds N] [--pairs N]
                         [--write FILE]

Two logs: one of 60 identifiers and 2000 frames a second (make_log.c), and an hour of a car that a seed
invents (`mimic random`), whose signals move more. Both lie in the temporary folder while it runs.
Exit: 0 within the limits, 1 above one.
"""
import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile

from against_wc import peak_mib, ratios

TIMES_MOST, MIB_MOST = 25, 128
OUTPUTS = [('table', []), ('JSON', ['--json'])]

PAGE = '''# How fast a survey is

Made by `tests/bench/survey_against_wc.py --write docs/survey-speed.md`; do not edit. Each survey is run
in turn with `wc -l` on the same page-cached log, on one thread: reading the text, the second reading and
the output are in it. Given is the median of the ratios.

{pairs} pairs, {cores} processors, {machine}.

| capture | output | times `wc -l` | least | most | limit | peak memory, MiB | limit |
|---|---|---|---|---|---|---|---|
{rows}

## What a frame costs in the matrices

{moments}

## Where the time goes, and what was tried

Of the instructions of the first capture, a tenth is reading the text, twice: long captures are read
again so that counters and checksums are tried on every frame. Three tenths are what every frame costs
after that: finding its stream, gaps, keeping it or leaving it out, and the matrices in the first
reading; a table look-up for each byte of a check in the second. Six tenths are what every stream
costs, however long the capture: of a long one some ten thousand frames of each are kept, so this part
does not grow with it. It is largest on invented cars, whose streams have selectors, pages and more
fields.

What helped: gaps between bits counted for 64 rows at a time instead of row by row; checks tried by
table; pairs of bits counted eight at a time where the processor has an instruction for it; a selector's
candidates refused first by what is cheapest to know; all widths of a counter's window from one reading;
all forms of a check on one view of a frame; logarithms of constants worked out once a page; the usual
frame, short and without pages, by a way of its own.

What did not: without that instruction, leaving pairs out in which nothing flips takes more than it
saves. Not tried: searching counters once for selectors, checks and fields, for the three searches see
different rows and leave out different bits; and turning frames of the second reading 64 at a time.
'''


def make_logs(options, folder):
    """Name and path of each."""
    hour, car = os.path.join(folder, 'hour.log'), os.path.join(folder, 'car.log')
    with open(hour, 'wb') as file:
        subprocess.run([options.make_log, 'log', str(options.megabytes * 1000000), 'one'],
                       stdout=file, check=True)
    subprocess.run([options.loomtap, 'mimic', 'random', '--seed', '5', '--duration',
                    str(options.seconds), '-o', car, '--quiet'], check=True,
                   stdout=subprocess.DEVNULL)
    return [('60 identifiers', hour), ('an invented car', car)]


def count_lines(path):
    said = subprocess.run(['wc', '-l', path], stdout=subprocess.PIPE, check=True, text=True)
    return int(said.stdout.split()[0])


def measure(options, folder):
    rows, within = [], True
    for name, path in make_logs(options, folder):
        name = f'{name}, {count_lines(path) / 1e6:.1f} million frames'
        for output, extra in OUTPUTS:
            words = [options.loomtap, 'survey', path, '--threads', '1', '--quiet'] + extra
            found, memory = ratios(words, ['wc', '-l', path], options.pairs), peak_mib(words)
            middle = statistics.median(found)
            within = within and middle <= TIMES_MOST and memory <= MIB_MOST
            rows.append(f'| {name} | {output} | {middle:.1f} | {min(found):.1f} | {max(found):.1f} |'
                        f' {TIMES_MOST} | {memory:.0f} | {MIB_MOST} |')
            print(rows[-1], flush=True)
    return rows, within


def moments(options):
    """What bench_moments says, as it says it."""
    run = subprocess.run([options.bench_moments], stdout=subprocess.PIPE, check=True, text=True)
    text = '```\n' + run.stdout.rstrip() + '\n```'
    print(text)
    return text


def main():
    parser = argparse.ArgumentParser(description=__doc__.split('\n', maxsplit=1)[0])
    for name in ('loomtap', 'make_log', 'bench_moments'):
        parser.add_argument(name, type=os.path.abspath)
    parser.add_argument('--megabytes', type=int, default=330)
    parser.add_argument('--seconds', type=int, default=3600)
    parser.add_argument('--pairs', type=int, default=9)
    parser.add_argument('--write')
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows, within = measure(options, folder)
    said = moments(options)
    if options.write:
        with open(options.write, 'w', encoding='utf-8') as file:
            file.write(PAGE.format(pairs=options.pairs, cores=os.cpu_count(),
                                   machine=platform.machine(), rows='\n'.join(rows), moments=said))
    return 0 if within else 1


if __name__ == '__main__':
    sys.exit(main())
