#!/usr/bin/env python3
"""docs/sqlite.md against the program: every question on the page is run on a database of the bundled
drive, and its answer is compared with figures made from the rows of `--as csv`; the tables of columns
are compared with the file; `v_wide` is compared with `--as grid`.
"""
import csv
import math
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile

program, root = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
CAPTURE = os.path.join(root, 'captures', 'tarn-drive.log')
PROFILE = os.path.join(root, 'signaldefs', 'tarn-turbo.ini')
faults = []


def decode(*options):
    return subprocess.run([program, 'decode', CAPTURE, '-p', PROFILE, '--quiet', *options],
                          check=True, capture_output=True, text=True, timeout=120).stdout


def same(came, wanted):
    if isinstance(came, float) and isinstance(wanted, float):
        return math.isclose(came, wanted, rel_tol=1e-9, abs_tol=1e-9)
    return came == wanted


def compare(name, came, wanted):
    if len(came) != len(wanted) or not wanted:
        faults.append(f'{name}: {len(came)} rows, not {len(wanted)}')
    for i, (left, right) in enumerate(zip(came, wanted)):
        if len(left) != len(right) or not all(map(same, left, right)):
            faults.append(f'{name}: row {i} is {left}, not {right}')
            return


def ns_of(text):
    whole, _, part = text.partition('.')
    return int(whole) * 10**9 + int((part + '000000000')[:9])


class Rows:
    """The csv, and roles by the database's own table of signals (csv has no roles)."""

    def __init__(self, roles):
        self.rows = list(csv.DictReader(decode('--as', 'csv').splitlines()))
        self.roles = roles

    def good(self, role):
        for row in self.rows:
            if self.roles.get(row['signal']) == role and row['value'] and row['label'] != 'suspect':
                yield row


def figures(rows):
    for role in ('engine_speed', 'lambda', 'load'):
        values = [float(row['value']) for row in rows.good(role)]
        unit = next(rows.good(role))['unit']
        yield role, unit, len(values), min(values), math.fsum(values) / len(values), max(values)


def seconds_in_modes(rows):
    modes = [(ns_of(row['time_s']), row['label']) for row in rows.good('drive_mode')]
    sums = {}
    for (start, label), (end, _) in zip(modes, modes[1:]):
        sums[label] = sums.get(label, 0) + end - start
    return [(label, round(total / 1e9, 3)) for label, total in sorted(sums.items())]


def grid_rows():
    for row in csv.DictReader(decode('--as', 'grid', '--every', '100ms').splitlines()):
        yield row


def leanest(rows):
    names = {role: signal for signal, role in rows.roles.items()}
    cells = lambda row, *roles: [row[names[role]] for role in roles]
    grid = list(grid_rows())
    start = ns_of(grid[0]['time_s'])
    best = None
    for row in grid:
        lean, load, speed = cells(row, 'lambda', 'load', 'engine_speed')
        if lean and load and float(load) > 60 and (best is None or float(lean) > best[1]):
            best = ((ns_of(row['time_s']) - start) / 1e9, float(lean), float(load), float(speed))
    return [best]


def speeds_at_gears(rows):
    speed, before = None, None
    for row in rows.rows:
        if not row['value'] or row['label'] == 'suspect':
            continue
        role = rows.roles.get(row['signal'])
        if role == 'engine_speed':
            speed = float(row['value'])
        elif role == 'gear':
            if before is not None and row['label'] != before:
                yield ns_of(row['time_s']), row['label'], speed
            before = row['label']


def not_to_be_trusted(rows):
    counts = {}
    for row in rows.rows:
        if row['label'] in ('suspect', 'unavailable', 'error'):
            entry = counts.setdefault(row['frame'] + '.' + row['signal'], [0, 0, 0])
            entry[('suspect', 'unavailable', 'error').index(row['label'])] += 1
    return [(name, *entry) for name, entry in sorted(counts.items())]


ANSWERS = [figures, seconds_in_modes, leanest, speeds_at_gears, not_to_be_trusted]


def through_the_shell(path, question):
    """The same question through the sqlite3 shell, where there is one: it must take the text too."""
    if shutil.which('sqlite3'):
        done = subprocess.run(['sqlite3', '-bail', path, question], capture_output=True, text=True,
                              timeout=120)
        if done.returncode or done.stderr:
            faults.append(f'the sqlite3 shell: {done.stderr}')
        return len(done.stdout.splitlines())
    return None


def check_questions(page, path, database, rows):
    questions = re.findall(r'```sql\n(.*?)```', page, re.S)
    if len(questions) != len(ANSWERS):
        faults.append(f'{len(questions)} questions on the page, {len(ANSWERS)} answers here')
    for question, answer in zip(questions, ANSWERS):
        came = database.execute(question).fetchall()
        compare(answer.__name__, came, list(answer(rows)))
        if through_the_shell(path, question) not in (None, len(came)):
            faults.append(f'{answer.__name__}: the shell gives another number of rows')


def check_columns(page, database):
    said = dict(re.findall(r'^\| `(\w+)` \| (.*) \|$', page, re.M))
    for name, columns in said.items():
        wanted = [word.strip() for word in columns.split(',')]
        came = [row[1] for row in database.execute(f'PRAGMA table_info({name})')]
        if wanted[-1] == 'then one column a role':
            wanted = wanted[:-1] + came[len(wanted) - 1:]
        if came != wanted:
            faults.append(f'{name}: the page says {wanted}, the file has {came}')
    have = {row[0] for row in database.execute(
        "SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")}
    roles = {name for name in have if name.startswith('role_') and name != 'role_series'}
    for name in have - roles - set(said):
        faults.append(f'{name} is not on the page')
    wide = {row[1] for row in database.execute('PRAGMA table_info(v_wide)')}
    if roles != {'role_' + name for name in wide - {'capture', 'time_ns', 'since_start_s'}}:
        faults.append('v_wide and the views of roles do not have the same roles')


def check_all_values(database, rows):
    """Every row of the csv is in v_values, exactly, and nothing else is."""
    wanted = sorted((ns_of(row['time_s']), row['bus'], row['frame'], row['signal'], row['value'],
                     row['unit'], row['label']) for row in rows.rows)
    came = sorted(database.execute(
        "SELECT time_ns, bus, frame, signal, coalesce(value_text, ''), unit,"
        " CASE state WHEN 'good' THEN coalesce(label, '') ELSE state END FROM v_values"))
    exact = {row[0] for row in database.execute('SELECT name FROM signal WHERE decimals >= 0')}
    text = lambda list_: [row for row in list_ if row[3] in exact]
    compare('all values as text', text(came), text(wanted))
    number = lambda list_: [row[:4] + (float(row[4]) if row[4] != '' else None,) + row[5:]
                            for row in list_]
    compare('all values', number(came), number(wanted))


def check_wide(database, rows):
    """v_wide against the grid, for roles of one signal."""
    roles = [role for role in set(rows.roles.values())
             if role and sum(other == role for other in rows.roles.values()) == 1]
    signals = {role: signal for signal, role in rows.roles.items()}
    present = [row[1] for row in database.execute('PRAGMA table_info(v_wide)')]
    roles = sorted(role for role in roles if role in present)
    wide = database.execute(f'SELECT time_ns, {", ".join(roles)} FROM v_wide').fetchall()
    cell = lambda text: None if text == '' else float(text) if re.match(r'-?[\d.]+$', text) else text
    grid = [(ns_of(row['time_s']), *(cell(row[signals[role]]) for role in roles))
            for row in grid_rows()]
    # The grid goes on to the last frame, the view to the last value.
    compare('v_wide', wide, grid[:len(wide)])
    if len(roles) < 10 or len(grid) - len(wide) > 1:
        faults.append(f'v_wide: {len(roles)} roles, {len(wide)} of {len(grid)} rows')


def main():
    with open(os.path.join(root, 'docs', 'sqlite.md'), encoding='utf-8') as file:
        page = file.read()
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, 'drive.db')
        decode('--as', 'sqlite', '-o', path)
        database = sqlite3.connect(path)
        rows = Rows(dict(database.execute('SELECT name, role FROM signal')))
        check_questions(page, path, database, rows)
        check_columns(page, database)
        check_all_values(database, rows)
        check_wide(database, rows)
        database.close()
    print('\n'.join(faults))
    print(f'{len(ANSWERS)} questions, {len(rows.rows)} values, {len(faults)} faults')
    return 1 if faults else 0


sys.exit(main())
