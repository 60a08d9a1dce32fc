#!/usr/bin/env python3
"""Golden runs: <command>/<behaviour>.sh against .stdout, .stderr and .exit beside it.

The script runs under `sh -u` in an empty folder with $loomtap (the program), $root (the source
tree) and $here (the folder of the case). A missing .stderr or .exit means empty and 0; without
.stdout the standard output must be empty. `--rewrite` writes what came; read the difference before
you commit it.
"""
import difflib
import os
import subprocess
import sys
import tempfile


def expected(base, ending, otherwise):
    try:
        with open(base + ending, encoding='utf-8') as file:
            return file.read()
    except FileNotFoundError:
        return otherwise


def run_case(program, root, script):
    environment = {'PATH': os.environ['PATH'], 'loomtap': program, 'root': root,
                   'here': os.path.dirname(script), 'LC_ALL': 'C.UTF-8', 'NO_COLOR': '1',
                   'ASAN_OPTIONS': os.environ.get('ASAN_OPTIONS', '')}
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(['sh', '-u', script], cwd=folder, env=environment,
                              stdin=subprocess.DEVNULL, capture_output=True, timeout=120)
    tidy = lambda raw: raw.decode('utf-8', 'replace').replace(root, 'ROOT').replace(program, 'loomtap')
    return {'.stdout': tidy(done.stdout), '.stderr': tidy(done.stderr),
            '.exit': f'{done.returncode}\n'}


def compare(script, came):
    base = script[:-3]
    bad = False
    for ending, otherwise in (('.stdout', ''), ('.stderr', ''), ('.exit', '0\n')):
        wanted = expected(base, ending, otherwise)
        if wanted == came[ending]:
            continue
        bad = True
        print(f'--- {base}{ending}')
        sys.stdout.writelines(difflib.unified_diff(wanted.splitlines(True),
                                                   came[ending].splitlines(True),
                                                   'expected', 'came', n=1))
    return not bad


def rewrite(script, came):
    base = script[:-3]
    for ending, usual in (('.stdout', ''), ('.stderr', ''), ('.exit', '0\n')):
        if came[ending] == usual:
            if os.path.exists(base + ending):
                os.remove(base + ending)
        else:
            with open(base + ending, 'w', encoding='utf-8') as file:
                file.write(came[ending])


def main():
    words = [word for word in sys.argv[1:] if word != '--rewrite']
    program, root, folder = (os.path.abspath(word) for word in words)
    scripts = sorted(os.path.join(folder, name) for name in os.listdir(folder)
                     if name.endswith('.sh'))
    good = 0
    for script in scripts:
        came = run_case(program, root, script)
        if '--rewrite' in sys.argv:
            rewrite(script, came)
        good += compare(script, came)
    print(f'{good} of {len(scripts)} golden runs as expected')
    return 0 if scripts and good == len(scripts) else 1


sys.exit(main())
