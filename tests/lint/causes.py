#!/usr/bin/env python3
"""Every likely cause that `loomtap attach` names has a row in docs/getting-on-a-bus.md, every row is a cause, and the
bit rates of the search stand there in its order."""
import re
import sys


def read(path):
    with open(f'{sys.argv[1]}/{path}', encoding='utf-8') as file:
        return file.read()


header = re.sub(r'\\\n\s*', ' ', read('include/loomtap/live/signs.h'))
page = read('docs/getting-on-a-bus.md')
causes = set(re.findall(r'X\(LT_CAUSE_\w+,\s*"([a-z-]+)"', header))
rows = set(re.findall(r'^\| `([a-z-]+)` \|', page.split('## What the errors say')[1], re.M))
faults = [f'{word} is in one of signs.h and the page only' for word in sorted(causes ^ rows)]
rates = re.search(r'lt_search_rates_hz\[LT_SEARCH_RATES\] = \{([^}]*)\}', read('src/live/attach.c')).group(1)
said = re.search(r'listens at ([\d., and]+) kbit/s', page).group(1)
wanted = [round(int(rate) / 1000, 1) for rate in rates.split(',')]
if [float(rate) for rate in re.split(r', | and ', said)] != wanted:
    faults.append(f'the page says {said}, the search {wanted}')
if len(causes) < 10:
    faults.append('the table in signs.h could not be read')
print('\n'.join(faults))
print(f'{len(causes)} causes, {len(faults)} faults')
sys.exit(1 if faults else 0)
