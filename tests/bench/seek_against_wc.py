#!/usr/bin/env python3
"""A search in an hour of traffic for what follows ten references, against `wc -l` on the same
page-cached log, in turn, on one thread: the median of the ratios of processor time (user and system,
so that other work on the machine does not count), and the most memory it takes. Then the moment
search alone, against one naive pass over one window.

    seek_against_wc.py LOOMTAP MAKE_LOG BENCH_SEEK SIGNALDEFS/obd-ii.ini [--megabytes N] [--pairs N]
                       [--write FILE]

The log has 60 identifiers, 2000 frames a second and ten parameters answered in turn (make_log.c,
`polled`). It lies in the temporary folder while this runs. Exit: 0 within the limits, 1 above one.
"""
import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile

from against_wc import peak_mib

LAGS = 21  # asked for; a search on fewer is counted as if it had so many
SEARCH_MOST, WHOLE_MOST, PASSES_MOST, MIB_MOST = 60, 150, 8, 256
NAIVE_WINDOWS = 6208  # of a frame of 8 bytes, up to 32 bits, both orders, both signs

PAGE = '''# How fast the search for signals is

Made by `tests/bench/seek_against_wc.py --write docs/seek-speed.md`; do not edit. {frames:.1f} million
frames of 60 identifiers (an hour), ten references from replies, one thread, in turn with `wc -l` on the
same page-cached log. Given is the median of the ratios of processor time. The search takes {lags:.0f}
lags and refines what it found; its time is counted here as if it took {asked}.

{pairs} pairs, {cores} processors, {machine}.

| what | figure | least | most | limit | met |
|---|---|---|---|---|---|
| reading and the moment search, times `wc -l` | {search} |
| everything: null, split halves, refinement, JSON, times `wc -l` | {whole} |
| the moment search for each (identifier, reference) at one lag, in naive passes over one window | {passes} |
| peak memory, MiB | {memory} |

A naive pass is shift, mask and four sums over every frame of the identifier: {naive:.3f} ms on the
mean. Exhaustive naive search takes {windows} of them. The moment search took {each:.4f} ms; with its
{lags:.0f} lags for ten references {search_s:.2f} s for all identifiers, reading {read_s:.2f} s, the
counters and checksums that are left out first {views_s:.2f} s.
'''


def parts(words):
    """What bench_seek says, by name."""
    run = subprocess.run(words, stdout=subprocess.PIPE, check=True, text=True)
    return {line.split()[0]: float(line.split()[1]) for line in run.stdout.splitlines()}


def processor_s(words):
    """User and system time of one run."""
    with open(os.devnull, 'wb') as null, subprocess.Popen(words, stdout=null, stderr=null) as run:
        _, status, used = os.wait4(run.pid, 0)
        run.returncode = os.waitstatus_to_exitcode(status)
    if run.returncode not in (0, 1):
        raise SystemExit('%s ended with %d' % (' '.join(words), run.returncode))
    return used.ru_utime + used.ru_stime


def base_s(log):
    """`wc -l`; its own time is so short that one run says little."""
    return statistics.median(processor_s(['wc', '-l', log]) for _ in range(5))


def row(values, limit, digits=1):
    middle = statistics.median(values)
    return '%.*f | %.*f | %.*f | %d | %s' % (digits, middle, digits, min(values), digits, max(values),
                                           limit, 'yes' if middle <= limit else '**no**')


def main():
    parser = argparse.ArgumentParser(description=__doc__.split('\n', maxsplit=1)[0])
    for name in ('loomtap', 'make_log', 'bench_seek', 'parameters'):
        parser.add_argument(name, type=os.path.abspath)
    parser.add_argument('--megabytes', type=int, default=335)
    parser.add_argument('--pairs', type=int, default=9)
    parser.add_argument('--write')
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        log = os.path.join(folder, 'hour.log')
        with open(log, 'wb') as file:
            subprocess.run([options.make_log, 'log', str(options.megabytes * 1000000), 'polled'],
                           stdout=file, check=True)
        lines = int(subprocess.run(['wc', '-l', log], stdout=subprocess.PIPE, check=True,
                                   text=True).stdout.split()[0])
        words = [options.loomtap, 'seek', log, '--threads', '1', '--quiet', '--json', '-o',
                 os.path.join(folder, 'out.json')]
        processor_s(words)
        whole = [(processor_s(words), base_s(log)) for _ in range(options.pairs)]
        memory = peak_mib(words)
        found, search = [], []
        for _ in range(max(1, options.pairs // 3)):
            base = base_s(log)
            said = parts([options.bench_seek, log, options.parameters])
            found.append(said)
            said['more_s'] = said['search_s'] * max(0, LAGS / said['lags'] - 1)
            search.append((said['read_s'] + said['views_s'] + said['search_s'] + said['more_s']) /
                          base)
    said = found[len(found) // 2]
    whole = [(took + said['more_s']) / base for took, base in whole]
    passes = [each['passes'] for each in found]
    page = PAGE.format(
        frames=lines / 1e6, lags=said['lags'], asked=LAGS, pairs=options.pairs, cores=os.cpu_count(),
        machine=platform.machine(), search=row(search, SEARCH_MOST), whole=row(whole, WHOLE_MOST),
        passes=row(passes, PASSES_MOST, 2), memory=row([memory], MIB_MOST, 0),
        naive=said['naive_pass_ms'], windows=NAIVE_WINDOWS, each=said['search_ms'],
        search_s=said['search_s'], read_s=said['read_s'], views_s=said['views_s'])
    print(page)
    if options.write:
        with open(options.write, 'w', encoding='utf-8') as file:
            file.write(page)
    return 0 if '**no**' not in page else 1


if __name__ == '__main__':
    sys.exit(main())
