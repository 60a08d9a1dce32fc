#!/usr/bin/env python3
"""Every kind of claim has a row in docs/claims.md and a unit test that cites its id; every threshold has a
row there with the same figure. Nothing stands there that the tables do not have."""
import re
import sys

root = sys.argv[1]


def read(path):
    with open(f'{root}/{path}', encoding='utf-8') as file:
        return file.read()


header = re.sub(r'\\\n\s*', ' ', read('include/loomtap/prove/claims.h'))
document = read('docs/claims.md')
tests = read('tests/unit/test_prove_frames.c') + read('tests/unit/test_prove_signals.c')
faults = []

claims = re.findall(r'X\(LT_CLAIM_\w+,\s*"([a-z-]+)",\s*LT_ABOUT_(\w+),\s*(true|false),', header)
limits = re.findall(r'X\(LT_LIMIT_\w+,\s*"([a-z._]+)",\s*([\d.]+),\s*"([^"]+)",', header)
rows = {row[0]: row[1:] for row in re.findall(r'^\| `([a-z-]+)` \| (\w+) \| (yes|no) \| (.+) \|$', document, re.M)}
figures = {row[0]: row[1:] for row in re.findall(r'^\| `([a-z._]+)` \| ([\d.]+) \| (\S+) \| (.+) \|$', document, re.M)}

if len(claims) < 20 or len(limits) < 15:
    faults.append('the tables in claims.h could not be read')
for id_, subject, needed in claims:
    if id_ not in rows:
        faults.append(f'docs/claims.md has no sentence for {id_}')
    elif rows[id_][:2] != (subject.lower(), 'yes' if needed == 'true' else 'no'):
        faults.append(f'docs/claims.md says {rows[id_][:2]} of {id_}, the table {subject}, {needed}')
    if f'"{id_}"' not in tests:
        faults.append(f'no unit test cites {id_}')
for key, value, unit in limits:
    if key not in figures:
        faults.append(f'docs/claims.md has no threshold {key}')
    elif (float(figures[key][0]), figures[key][1]) != (float(value), unit):
        faults.append(f'docs/claims.md says {figures[key][:2]} of {key}, the table {value} {unit}')
for name in set(rows) - {claim[0] for claim in claims}:
    faults.append(f'docs/claims.md has {name}, which is no claim')
for name in set(figures) - {limit[0] for limit in limits}:
    faults.append(f'docs/claims.md has {name}, which is no threshold')

for fault in faults:
    print(fault)
print(f'{len(claims)} claims, {len(limits)} thresholds, {len(faults)} faults')
sys.exit(1 if faults else 0)
