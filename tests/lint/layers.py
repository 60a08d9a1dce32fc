#!/usr/bin/env python3
"""Holds the #include lines of src/ and include/ to the table of layers.

A file may include headers of its own folder and of folders in lower layers; folders of one layer do
not include each other; only some folders may touch files, sockets, inih or standard output.
"""
import os
import re
import sys

LAYER = {'base': 0, 'core': 1, 'defs': 2, 'capture': 2, 'proto': 2, 'measure': 2, 'store': 2,
         'report': 2, 'decode': 3, 'survey': 3, 'seek': 3, 'prove': 3, 'warn': 3, 'live': 3,
         'mimic': 3, 'recast': 3, 'emit': 3, 'cli': 4, 'web': 4}
# System headers that belong to few folders.
ONLY_IN = {'ini.h': {'defs'}, 'sqlite3.h': {'store'}, 'linux/can.h': {'capture', 'live'},
           'sys/socket.h': {'capture', 'live', 'web'}, 'sha256.h': {'defs'}}
# Calls that no library code makes: libraries never print, never exit, never read the environment.
FORBIDDEN_IN_LIBRARY = re.compile(
    r'\b(printf|puts|putchar|perror|exit|abort|getenv|setenv|fprintf|vfprintf|vprintf)\s*\(')
# Functions that hide a size, a locale or an error; nowhere in the tree.
FORBIDDEN = re.compile(
    r'\b(sprintf|vsprintf|strcpy|strcat|strtok|atoi|atol|atof|gets|strtol|strtoul|strtoull|strtod|'
    r'sscanf|rand|srand|alloca)\s*\(')
# Each exception says why.
EXCEPTIONS = {
    ('src/base/number.c', 'strtod'): 'reads back what it printed itself, under a set locale',
}


def strip_comments_and_strings(text):
    pattern = r'/\*.*?\*/|//[^\n]*|"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])*\''
    keep_lines = lambda match: re.sub(r'[^\n]', ' ', match.group(0))
    return re.sub(pattern, keep_lines, text, flags=re.S)


def folder_of(path):
    parts = path.split('/')
    return parts[2] if parts[0] == 'include' else parts[1]


def target_folder(name):
    parts = name.split('/')
    if parts[0] == 'loomtap' and len(parts) > 2:
        return parts[1]
    return parts[0] if len(parts) > 1 and parts[0] in LAYER else None


def faults_of_includes(path, text):
    folder = folder_of(path)
    for number, line in enumerate(text.split('\n'), 1):
        match = re.match(r'\s*#\s*include\s*([<"])([^">]+)[">]', line)
        if not match:
            continue
        name = match.group(2)
        if name in ONLY_IN and folder not in ONLY_IN[name]:
            yield f'{path}:{number}: <{name}> is for {", ".join(sorted(ONLY_IN[name]))} alone'
        target = target_folder(name)
        if target is None or target == folder:
            continue
        if target not in LAYER:
            yield f'{path}:{number}: folder {target} has no layer'
        elif LAYER[target] >= LAYER[folder]:
            yield (f'{path}:{number}: {folder} (L{LAYER[folder]}) may not include '
                   f'{target} (L{LAYER[target]})')


def faults_of_calls(path, text):
    library = folder_of(path) not in ('cli', 'web')
    for number, line in enumerate(strip_comments_and_strings(text).split('\n'), 1):
        found = FORBIDDEN.findall(line) + (FORBIDDEN_IN_LIBRARY.findall(line) if library else [])
        for name in found:
            if (path, name) not in EXCEPTIONS:
                yield f'{path}:{number}: {name} is not for this place'


def sources(root):
    for top in ('src', 'include'):
        for folder, _, names in os.walk(os.path.join(root, top)):
            for name in sorted(names):
                if name.endswith(('.c', '.h')):
                    yield os.path.relpath(os.path.join(folder, name), root)


def selftest():
    """The test can fail: an upward include, a sideways one, and a printing library are seen."""
    assert list(faults_of_includes('src/core/x.c', '#include "loomtap/capture/reader.h"'))
    assert list(faults_of_includes('src/proto/x.c', '#include "defs/lines.h"'))
    assert not list(faults_of_includes('src/decode/x.c', '#include "loomtap/core/plan.h"'))
    assert list(faults_of_includes('src/core/x.c', '#include <ini.h>'))
    assert list(faults_of_calls('src/core/x.c', 'void f(void) { printf("x"); }'))
    assert not list(faults_of_calls('src/core/x.c', '/* printf("x") */ snprintf(a, b, "c");'))
    assert list(faults_of_calls('src/cli/x.c', 'strcpy(a, b);'))


def main():
    root = sys.argv[1]
    selftest()
    faults = []
    count = 0
    for path in sources(root):
        with open(os.path.join(root, path), encoding='utf-8') as file:
            text = file.read()
        count += 1
        if folder_of(path) not in LAYER:
            faults.append(f'{path}: folder {folder_of(path)} has no layer')
            continue
        faults += list(faults_of_includes(path, text)) + list(faults_of_calls(path, text))
    print('\n'.join(faults))
    print(f'{count} files looked at, {len(faults)} faults')
    return 1 if faults or not count else 0


sys.exit(main())
