#!/usr/bin/env python3
"""`decode --as sqlite` cut off by SIGKILL at many moments, and on a full disk: the file is then absent,
or the old one, or the whole new one; never anything else. The next run works.

The moments are spread over the time that an undisturbed run takes, so that some fall into the
reading, some into the writing.
"""
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time

program, root = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
CAPTURE = os.path.join(root, 'captures', 'tarn-drive.log')
PROFILE = os.path.join(root, 'signaldefs', 'tarn-turbo.ini')
OBD = os.path.join(root, 'signaldefs', 'obd-ii.ini')
MOMENTS = 24
faults = []


def words(path, profile):
    return [program, 'decode', CAPTURE, '-p', profile, '--as', 'sqlite', '-o', path, '--quiet']


def captures_in(path, moment):
    """How many captures the file holds; None without file. It must be a whole database."""
    if not os.path.exists(path):
        return None
    database = sqlite3.connect(path)
    try:
        if database.execute('PRAGMA integrity_check').fetchall() != [('ok',)]:
            faults.append(f'{moment}: integrity check failed')
        if database.execute('PRAGMA foreign_key_check').fetchall():
            faults.append(f'{moment}: rows that name what is not there')
        wrong = database.execute(
            'SELECT count(*) FROM series s WHERE count <>'
            ' (SELECT count(*) FROM value v WHERE v.series = s.id)').fetchone()[0]
        if wrong:
            faults.append(f'{moment}: {wrong} series without all their values')
        return database.execute('SELECT count(*) FROM capture').fetchone()[0]
    except sqlite3.Error as error:
        faults.append(f'{moment}: {error}')
        return None
    finally:
        database.close()


def kill_after(seconds, command):
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(seconds)
    process.send_signal(signal.SIGKILL)
    return process.wait()


def check_kills(folder, before, profile, allowed):
    """`before`: a database to start from, or None. Returns the outcomes that came."""
    path = os.path.join(folder, 'x.db')
    start = time.monotonic()
    fresh(path, before)
    subprocess.run(words(path, profile), check=True)
    whole = time.monotonic() - start
    seen = set()
    for i in range(MOMENTS):
        fresh(path, before)
        kill_after(whole * i / (MOMENTS - 4), words(path, profile))
        came = captures_in(path, f'killed at moment {i}')
        seen.add(came)
        if came not in allowed:
            faults.append(f'killed at moment {i}: {came} captures, not one of {allowed}')
        if came == allowed[0]:
            subprocess.run(words(path, profile), check=True)
            if captures_in(path, f'after moment {i}') != allowed[1]:
                faults.append(f'after moment {i}: the next run did not add its capture')
    return seen


def fresh(path, before):
    for name in os.listdir(os.path.dirname(path)):
        if name.startswith('x.db'):
            os.remove(os.path.join(os.path.dirname(path), name))
    if before:
        shutil.copy(before, path)


def check_full_disk(folder):
    """A ceiling on the size of files stands for the full disk: SIGXFSZ ignored gives an error."""
    path = os.path.join(folder, 'x.db')
    for blocks in (1, 100, 2000, 6000):
        fresh(path, None)
        done = subprocess.run(['sh', '-c', f'trap "" XFSZ; ulimit -f {blocks}; exec "$@"', 'sh',
                               *words(path, PROFILE)], capture_output=True, text=True, timeout=120)
        left = [name for name in os.listdir(folder) if name.startswith('x.db')]
        if done.returncode != 4 or 'error' not in done.stderr or left:
            faults.append(f'full at {blocks} blocks: exit {done.returncode}, left {left}: '
                          f'{done.stderr}')
    for target in ('/dev/full', '-', folder, os.path.join(folder, 'no', 'such.db')):
        done = subprocess.run(words(target, PROFILE), capture_output=True, text=True, timeout=120)
        if done.returncode != 4 or 'error' not in done.stderr:
            faults.append(f'-o {target}: exit {done.returncode}: {done.stderr}')


def main():
    with tempfile.TemporaryDirectory() as folder:
        first = os.path.join(folder, 'first.db')
        subprocess.run(words(first, OBD), check=True)
        new = check_kills(folder, None, PROFILE, (None, 1))
        added = check_kills(folder, first, PROFILE, (1, 2))
        if None not in new or 1 not in added:
            faults.append(f'no run was cut off: {new}, {added}')
        check_full_disk(folder)
    print('\n'.join(faults))
    print(f'{2 * MOMENTS} runs killed, {len(faults)} faults')
    return 1 if faults else 0


sys.exit(main())
