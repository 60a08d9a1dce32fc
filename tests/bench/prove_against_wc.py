#!/usr/bin/env python3
"""A proof over an hour of traffic with polling against `wc -l` on the same page-cached log, in turn:
the median of the ratios, and the most memory it takes. Elapsed time as the program is run by itself,
with as many threads as there are processors, and processor time (user and system) of one thread, which
other work on the machine disturbs less.

    prove_against_wc.py LOOMTAP [--seconds N] [--pairs N] [--seeds A,B,...] [--write FILE]
    prove_against_wc.py LOOMTAP --make FOLDER [--seconds N] [--seeds A,B,...]

The logs are of cars that a seed invents (`mimic random`), a tester polling; the profile of each has 40
signals, those with a role first, the others from the frames that come most often, with every counter
and checksum of their frames. --make leaves logs and profiles in a folder, for a profiler.
Exit: 0 within the limits, 1 above one.
"""
import argparse
import fractions
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile

from against_wc import peak_mib, ratios
from seek_against_wc import processor_s

TIMES_MOST, MIB_MOST, SIGNALS = 10, 128, 40

PAGE = '''# How fast a proof is

Made by `tests/bench/prove_against_wc.py --write docs/prove-speed.md`; do not edit. {minutes:.0f} minutes of
invented cars with a tester polling, a profile of {signals} signals with the counters and checksums of
their frames. Each proof is run in turn with `wc -l` on the same page-cached log: reading the text, the
diagnostic replies, the judgement and the output are in it. Given is the median of the ratios; what is
asked for is the elapsed time of the program as it is run by itself. The processor time of one thread
is less disturbed by whatever else the machine does; where all processors are busy with other programs the
second thread comes late, so look at the least as well.

{pairs} pairs, {cores} processors, {machine}.

| car | million frames | of claimed frames | measured | times `wc -l` | least | most | limit | peak memory, MiB | limit |
|---|---|---|---|---|---|---|---|---|---|
{rows}

## What carries it

- What an identifier comes to is remembered. A frame with the very bytes of the one before it in its
  stream is counted and little else.
- Checksums are sums of small tables, made from the algorithm itself.
- Of another one only the fields whose bytes changed are looked at.
- What is looked at is whole numbers: raw values, their steps and the flips of their bits. Values in a
  unit are made only where a value is new.
- A signal with a role is kept over time in at most 65536 samples, thinned by halves. Of very many gaps
  and changes (4096, 8192) a part is looked at.
- With several threads the text is parsed beside the rest.
'''


def places(frame):
    return frame['bus'], frame['id'], frame['extended']


def usable(layout):
    """Frames that a profile can name: one length each, not on events only, and seen."""
    every = [places(frame) for frame in layout['frames']]
    return [frame for frame in layout['frames']
            if every.count(places(frame)) == 1 and frame['count'] and frame['period_ms']]


def chosen(layout):
    """(frame, field) of the signals: one of each role, then by how often the frame comes."""
    fields = [(frame, field) for frame in usable(layout) for field in frame['fields']
              if field['kind'] not in ('counter', 'checksum', 'selector', 'text')]
    fields.sort(key=lambda pair: (-pair[0]['count'], pair[0]['id'], pair[1]['bits']))
    with_role, seen = [], set()
    for frame, field in fields:
        if field['role'] and field['role'] not in seen and field['exercised']:
            seen.add(field['role'])
            with_role.append((frame, field))
    taken = [id(field) for _, field in with_role]
    others = [pair for pair in fields if id(pair[1]) not in taken]
    roles = {id(field): field['role'] for _, field in with_role}
    return (with_role + others)[:SIGNALS], roles


def frame_lines(frame, name):
    yield f'[frame {name}]'
    yield f"bus = {frame['bus']}"
    yield f"id = 0x{frame['id']:X}"
    yield f"length = {frame['length']}"
    yield f"period_ms = {frame['period_ms']:.6f}"
    if frame['extended']:
        yield 'extended = yes'
    if frame['fd']:
        yield 'fd = yes'
    if frame['authenticated']:
        yield 'authenticated = yes'
    for field in frame['fields']:
        counter, check = field['counter'], field['checksum']
        if field['page'] is not None:
            continue
        if field['kind'] == 'counter' and not counter['per_page'] and not counter['on_change']:
            yield f"counter = {field['bits']} mod {counter['modulus']} step {counter['step']}"
        if field['kind'] == 'checksum' and check and check['text'] and check['family'] != 'affine':
            yield f"checksum = {check['text']}"


def signal_lines(frame, field, name, role, frame_name):
    yield f'[signal {name}]'
    yield f'frame = {frame_name}'
    yield f"bits = {field['bits']}"
    if field['order'] != 'none':
        yield f"order = {field['order']}"
    if field['values']:
        labels = (f"{raw} {label if not label[0].isdigit() else 'g' + label}"
                  for raw, label in field['values'].items())
        yield 'values = ' + ', '.join(labels)
    else:
        yield f"sign = {field['sign']}"
    if field['scale'] is not None:
        for key in ('scale', 'offset'):
            ratio = fractions.Fraction(field[key] or 0).limit_denominator(10 ** 9)
            yield f'{key} = {ratio}'
        if field['form'] == 'reciprocal':
            yield 'form = reciprocal'
        if field['unit']:
            unit = '°C' if field['unit'] == 'degC' else field['unit']
            yield f'unit = {unit}'
    if field['unavailable'] is not None:
        yield f"unavailable = {field['unavailable']}"
    if field['page'] is not None:
        yield f"page = {frame_name}_page {','.join(map(str, field['page']))}"
    if role:
        yield f'role = {role}'


def profile_text(layout):
    """The profile, and how many of the car's frames it claims."""
    signals, roles = chosen(layout)
    frames = []
    for frame, _ in signals:
        if frame not in frames:
            frames.append(frame)
    lines = ['[profile]', 'format = 1', 'name = car', 'requires = engine_speed']
    for bus in layout['buses']:
        lines += [f"[bus {bus['name']}]", f"bitrate = {bus['bitrate']}", f"interface = {bus['name']}"]
        lines += ['fd = iso'] if bus['fd'] else []
    for number, frame in enumerate(frames):
        lines += frame_lines(frame, f'f{number}')
        if frame['selector']:
            lines += [f'[signal f{number}_page]', f'frame = f{number}',
                      f"bits = {frame['selector']['bits']}"]
    for number, (frame, field) in enumerate(signals):
        lines += signal_lines(frame, field, f's{number}', roles.get(id(field)),
                              f'f{frames.index(frame)}')
    return '\n'.join(lines) + '\n', sum(frame['count'] for frame in frames)


def make_car(options, folder, seed):
    """Log, profile, frames, share of frames that the profile claims."""
    log, layout_path, profile = (os.path.join(folder, f'car{seed}.{end}')
                                 for end in ('log', 'json', 'ini'))
    subprocess.run([options.loomtap, 'mimic', 'random', '--seed', str(seed), '--duration',
                    str(options.seconds), '--polling', '-o', log, '--layout', layout_path, '--quiet'],
                   check=True, stdout=subprocess.DEVNULL)
    with open(layout_path, encoding='utf-8') as file:
        text, claimed = profile_text(json.load(file))
    with open(profile, 'w', encoding='utf-8') as file:
        file.write(text)
    said = subprocess.run(['wc', '-l', log], stdout=subprocess.PIPE, check=True, text=True)
    frames = int(said.stdout.split()[0])
    return log, profile, frames, claimed / frames


def processor_ratios(words, base, pairs):
    """Processor time of `words` by that of `base`, run in turn."""
    return [processor_s(words) / processor_s(base) for _ in range(pairs)]


def measure(options, folder, seed):
    log, profile, frames, part = make_car(options, folder, seed)
    rows, within = [], True
    base = ['wc', '-l', log]
    words = [options.loomtap, 'prove', log, '-p', profile, '--quiet', '-o',
             os.path.join(folder, 'out')]
    alone = words + ['--threads', '1']
    if subprocess.run(words, check=False).returncode not in (0, 1):
        raise SystemExit('the proof failed: ' + ' '.join(words))
    memory = peak_mib(words)
    found = ratios(['sh', '-c', '"$@" || true', 'sh'] + words, base, options.pairs)
    for name, found, limit in (
            ('elapsed', found, TIMES_MOST),
            ('processor time, one thread', processor_ratios(alone, base, options.pairs), None)):
        middle = statistics.median(found)
        within = within and (not limit or middle <= limit) and memory <= MIB_MOST
        rows.append(f'| {seed} | {frames / 1e6:.1f} | {100 * part:.0f} % | {name} | {middle:.1f} |'
                    f' {min(found):.1f} | {max(found):.1f} | {limit or ""} | {memory:.0f} |'
                    f' {MIB_MOST} |')
        print(rows[-1], flush=True)
    os.remove(log)
    return rows, within


def main():
    parser = argparse.ArgumentParser(description=__doc__.split('\n', maxsplit=1)[0])
    parser.add_argument('loomtap', type=os.path.abspath)
    parser.add_argument('--seconds', type=int, default=3600)
    parser.add_argument('--pairs', type=int, default=9)
    parser.add_argument('--seeds', default='5,11,12')
    parser.add_argument('--make')
    parser.add_argument('--write')
    options = parser.parse_args()
    rows, within = [], True
    seeds = [int(seed) for seed in options.seeds.split(',')]
    if options.make:
        for seed in seeds:
            print(*make_car(options, options.make, seed))
        return 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            more, fine = measure(options, folder, seed)
            rows += more
            within = within and fine
    if options.write:
        with open(options.write, 'w', encoding='utf-8') as file:
            file.write(PAGE.format(minutes=options.seconds / 60, signals=SIGNALS, pairs=options.pairs,
                                   cores=os.cpu_count(), machine=platform.machine(),
                                   rows='\n'.join(rows)))
    return 0 if within else 1


if __name__ == '__main__':
    sys.exit(main())
