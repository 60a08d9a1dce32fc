#!/usr/bin/env python3
"""The examples of docs/fleet.md run as they stand, on three drives; their files are what decoding one
capture at a time gives. Then csv, grid and jsonl through Python's own readers: types, empty cells, no
stray blanks, one header. Skips (77) the part with GNU parallel where it is absent.
"""
import csv
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile

program, root = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
NAMES = ('anna', 'bela', 'cora')
COLUMNS = ['time_s', 'bus', 'frame', 'signal', 'value', 'unit', 'label']
NUMBER = re.compile(r'-?(0|[1-9]\d*)(\.\d+)?(e[-+]?\d+)?$')
faults = []


def run(words, **more):
    return subprocess.run(words, check=True, capture_output=True, text=True, timeout=240, **more)


def decode(capture, *options):
    return run([program, 'decode', capture, '-p', os.path.join(root, 'signaldefs/tarn-turbo.ini'),
                '--quiet', *options]).stdout


def make_captures(folder):
    os.mkdir(os.path.join(folder, 'customers'))
    os.symlink(os.path.join(root, 'signaldefs'), os.path.join(folder, 'signaldefs'))
    os.mkdir(os.path.join(folder, 'bin'))
    os.symlink(program, os.path.join(folder, 'bin', 'loomtap'))
    for seed, name in enumerate(NAMES):
        whole = run([program, 'mimic', 'drive', '--seed', str(seed + 1), '-o', '-']).stdout
        with open(os.path.join(folder, 'customers', name + '.log'), 'w', encoding='utf-8') as file:
            file.writelines(whole.splitlines(True)[:6000])


def check_examples(page, folder):
    environment = {**os.environ, 'PATH': os.path.join(folder, 'bin') + ':' + os.environ['PATH'],
                   'LC_ALL': 'C.UTF-8', 'HOME': folder}
    for block in re.findall(r'```sh\n(.*?)```', page, re.S):
        done = subprocess.run(['sh', '-eu', '-c', block], cwd=folder, env=environment,
                              capture_output=True, text=True, timeout=240)
        if done.returncode: # what the tools say of the machine on stderr is no fault of the page
            faults.append(f'exit {done.returncode}: {block}{done.stderr}')
    done = subprocess.run([sys.executable, '-c', re.search(r'```python\n(.*?)```', page, re.S)[1]],
                          cwd=folder, capture_output=True, text=True, timeout=120)
    if done.returncode:
        faults.append(f'the Python example: {done.stderr}')


def check_results(folder):
    """Against one capture at a time."""
    values = os.path.join(folder, 'values')
    everything = ['capture,' + ','.join(COLUMNS)]
    for name in NAMES:
        capture = os.path.join(folder, 'customers', name + '.log')
        with open(os.path.join(values, name + '.csv'), encoding='utf-8') as file:
            if file.read() != decode(capture, '--role', 'engine_speed,load,lambda,drive_mode'):
                faults.append(f'{name}.csv differs from a single run')
        everything += [f'{name},{line}' for line in
                       decode(capture, '--role', 'engine_speed').splitlines()[1:]]
    with open(os.path.join(values, 'all.csv'), encoding='utf-8') as file:
        if file.read().splitlines() != everything:
            faults.append('all.csv is not the single runs one after another')
    with open(os.path.join(values, 'jobs.tsv'), encoding='utf-8') as file:
        jobs = list(csv.DictReader(file, delimiter='\t'))
    if [job['Exitval'] for job in jobs] != ['0'] * len(NAMES):
        faults.append(f'jobs.tsv: {jobs}')
    database = sqlite3.connect(os.path.join(values, 'fleet.db'))
    for name in NAMES:
        capture = os.path.join(folder, 'customers', name + '.log')
        wanted = len(decode(capture).splitlines()) - 1
        came = database.execute('SELECT count(*) FROM v_values v JOIN capture c ON c.id = v.capture'
                                ' WHERE c.file = ?', (f'customers/{name}.log',)).fetchone()[0]
        if came != wanted:
            faults.append(f'fleet.db: {came} values of {name}, not {wanted}')
    if database.execute('PRAGMA integrity_check').fetchone()[0] != 'ok':
        faults.append('fleet.db: integrity')
    database.close()


def plain_cells(name, text):
    """What any csv reader may assume: no BOM, no CR, no blanks at the ends of cells, even rows."""
    rows = list(csv.reader(text.splitlines(), strict=True))
    if text.startswith('\ufeff') or '\r' in text or not text.endswith('\n'):
        faults.append(f'{name}: not plain lines')
    if any(len(row) != len(rows[0]) for row in rows):
        faults.append(f'{name}: rows of different lengths')
    if any(cell != cell.strip() for row in rows for cell in row):
        faults.append(f'{name}: blanks at the end of a cell')
    if rows[0] in rows[1:] or len(set(rows[0])) != len(rows[0]) or not all(rows[0]):
        faults.append(f'{name}: the header comes again, or its names are not distinct')
    return rows


def check_csv(capture):
    rows = plain_cells('csv', decode(capture))
    if rows[0] != COLUMNS:
        faults.append(f'csv: header {rows[0]}')
    for time_s, bus, frame, signal, value, _, label in rows[1:]:
        good = re.match(r'\d+\.\d+$', time_s) and bus and frame and signal
        good = good and (NUMBER.match(value) or (not value and label in ('unavailable', 'error')))
        if not good:
            faults.append(f'csv: {time_s},{bus},{frame},{signal},{value},{label}')
            return rows
    return rows


def check_grid(capture):
    text = decode(capture, '--as', 'grid', '--every', '50ms')
    rows = plain_cells('grid', text)
    if rows[0][0] != 'time_s' or len(rows) < 20:
        faults.append(f'grid: {len(rows)} rows, first column {rows[0][0]}')
    # One type a column: a data frame then makes it one of numbers or one of words.
    for at, name in enumerate(rows[0]):
        cells = [row[at] for row in rows[1:] if row[at]]
        numbers = sum(bool(NUMBER.match(cell)) for cell in cells)
        if numbers not in (0, len(cells)):
            faults.append(f'grid: column {name} mixes numbers and words')
    times = [float(row[0]) for row in rows[1:]]
    if any(abs(b - a - 0.05) > 1e-6 for a, b in zip(times, times[1:])):
        faults.append('grid: the steps are not even')
    if not any(cell == '' for row in rows for cell in row):
        faults.append('grid: no cell is empty, so nothing was tried')


def check_jsonl(capture, rows):
    def word(row):
        value = json.loads(row[4]) if row[4] else None
        return [float(row[0]), row[1], row[2], row[3], value, row[5], row[6]]
    objects = [json.loads(line) for line in decode(capture, '--as', 'jsonl').splitlines()]
    if any(list(o) != COLUMNS for o in objects):
        faults.append('jsonl: other keys than csv')
    if [list(o.values()) for o in objects] != [word(row) for row in rows[1:]]:
        faults.append('jsonl: other values than csv')


def check_loading_csv(rows):
    """csv into SQLite by hand: the values are numbers there, and add up to the same."""
    database = sqlite3.connect(':memory:')
    database.execute('CREATE TABLE v (time_s REAL, bus, frame, signal, value REAL, unit, label)')
    database.executemany('INSERT INTO v VALUES (?, ?, ?, ?, nullif(?, \'\'), ?, ?)', rows[1:])
    types = {row[0] for row in database.execute('SELECT DISTINCT typeof(value) FROM v')}
    if not {'real'} <= types <= {'real', 'null'}:
        faults.append(f'csv into SQLite: {types}')
    database.close()


def main():
    with open(os.path.join(root, 'docs', 'fleet.md'), encoding='utf-8') as file:
        page = file.read()
    with tempfile.TemporaryDirectory() as folder:
        make_captures(folder)
        capture = os.path.join(folder, 'customers', 'anna.log')
        rows = check_csv(capture)
        check_grid(capture)
        check_jsonl(capture, rows)
        check_loading_csv(rows)
        with_parallel = shutil.which('parallel') is not None
        if with_parallel:
            check_examples(page, folder)
            check_results(folder)
    print('\n'.join(faults))
    print(f'{len(rows)} rows, {len(faults)} faults, GNU parallel {"" if with_parallel else "not "}there')
    return 1 if faults else 0 if with_parallel else 77


sys.exit(main())
