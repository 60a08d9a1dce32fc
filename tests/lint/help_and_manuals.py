#!/usr/bin/env python3
"""Every command has a manual page, and page and --help name the same options; every example in the
manuals, in --help and in README.md runs and ends with the status it should."""
import os
import re
import shlex
import subprocess
import sys
import tempfile

program, root = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
faults = []
NEED_A_BUS = {
    'attach',
    'guard',
    'record',
    'watch',
}


def run(words, cwd, status):
    done = subprocess.run(words, cwd=cwd, capture_output=True, timeout=120)
    if done.returncode != status:
        faults.append(f'{shlex.join(words)}: exit {done.returncode}, not {status}: '
                      f'{done.stderr.decode(errors="replace")[:300]}')
    return done.stdout.decode()


def commands():
    return re.findall(r'^  (\w+) +\S', run([program, '--help'], root, 0), re.M)


def options_in(text):
    return set(re.findall(r'(?<![\w-])--[a-z][a-z-]*', text))


def examples_in(text):
    """Lines indented and starting with `loomtap `; a note `# exit N` says another status than 0. Those
    that need a bus (`# on a bus`) are tried in a real kernel (tests/kernel); here only their options."""
    for line in re.findall(r'^ +\$? ?(loomtap .*)$', text, re.M):
        status = re.search(r'# exit (\d)', line)
        on_a_bus = line.split()[1] in NEED_A_BUS or '# on a bus' in line
        line = re.sub(r'#.*', '', line).strip()
        if on_a_bus:
            check_options(line)
        else:
            yield line, int(status.group(1)) if status else 0


def check_options(line):
    known = options_in(run([program, line.split()[1], '--help'], root, 0).split('options:')[1])
    for option in options_in(line.split('|')[0]) - known:
        faults.append(f'`{line}`: there is no {option}')


def check_examples(name, text, count):
    # In a copy of nothing: examples write to /tmp at most, and read captures/ and signaldefs/.
    for line, status in examples_in(text):
        count[0] += 1
        with tempfile.TemporaryDirectory() as folder:
            line = line.replace('/tmp/', folder + '/')
            words = [program if word == 'loomtap' else word for word in shlex.split(line)]
            done = subprocess.run(shlex.join(words).replace("'|'", '|').replace("'<'", '<')
                                  .replace("'>'", '>'), shell=True, cwd=root, capture_output=True,
                                  timeout=300)
            if done.returncode != status:
                faults.append(f'{name}: `{line}` gives exit {done.returncode}, not {status}: '
                              f'{done.stderr.decode(errors="replace")[:300]}')


count = [0]
for command in commands():
    text = run([program, command, '--help'], root, 0)
    check_examples(f'{command} --help', text, count)
    page = os.path.join(root, 'docs', 'man', f'loomtap-{command}.1')
    if not os.path.exists(page):
        faults.append(f'docs/man/loomtap-{command}.1 is missing')
        continue
    with open(page, encoding='utf-8') as file:
        manual = file.read().replace('\\-', '-')
    options = text.split('options:')[1].split('\n\n')[0]
    for option in options_in(options) ^ options_in(
            manual.split('.SH OPTIONS')[1].split('.SH')[0]):
        faults.append(f'{command}: {option} is in one of --help and the manual only')
    check_examples(page, manual, count)
with open(os.path.join(root, 'README.md'), encoding='utf-8') as file:
    check_examples('README.md', file.read(), count)
print('\n'.join(faults))
print(f'{count[0]} examples run, {len(faults)} faults')
sys.exit(1 if faults or count[0] < 8 else 0)
