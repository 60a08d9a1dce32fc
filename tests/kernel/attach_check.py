#!/usr/bin/env python3
"""What `loomtap attach` answered in the guest (guest_attach.sh), and what went to the serial adapter meanwhile.
The adapter's words are those of the kernel's slcan driver: S6 is 500 kbit/s, L opens listen-only, O does not."""
import json
import os
import sys

run = sys.argv[1]
faults = []
RATES = {2: 50000, 3: 100000, 4: 125000, 5: 250000, 6: 500000, 7: 800000, 8: 1000000}
SEARCHED = ['S6', 'S5', 'S4', 'S8', 'S3', 'S2', 'S7']  # the order of the search, without what the adapter lacks


def expect(truth, text):
    if not truth:
        faults.append(text)


def text(name):
    with open(os.path.join(run, name), encoding='utf-8') as file:
        return file.read()


def answer(name):
    return json.loads(text(name + '.json'))


def words(name):
    """What the adapter was told, without the C of closing; everything it was told."""
    told = [word for word in text(name + '.bytes').replace('\r', '\n').split('\n') if word]
    return [word for word in told if word != 'C']


def causes(name):
    return {row['cause']: row['weight'] for row in answer(name)['causes']}


def only_listened(name):
    others = [word for word in words(name) if word != 'L' and not (word[0] == 'S' and word[1:].isdigit())]
    expect(not others, f'{name}: the adapter was told {others}')


def found(name, code):
    got = answer(name)
    expect((got['verdict'], got['verdict_bitrate'], got['bitrate'], got['up']) ==
           ('found', RATES[code], RATES[code], True), f'{name}: {got}')
    only_listened(name)
    # Twice, set anew in between, and it stays so.
    expect(words(name)[-4:] == [f'S{code}', 'L'] * 2, f'{name}: {words(name)}')
    expect(f'bitrate {RATES[code]}' in text(name + '.link') and 'LISTEN-ONLY' in text(name + '.link'),
           f'{name}: {text(name + ".link")}')
    # This kind of adapter answers nothing, so that it listens only cannot be verified.
    expect(got['listen_only'] == 'unverified', f'{name}: {got["listen_only"]}')


def not_found(name, verdict, rate=None):
    got = answer(name)
    expect((got['verdict'], got['verdict_bitrate'], got['up'], got['active']) == (verdict, rate, False, False),
           f'{name}: {got}')
    only_listened(name)
    expect(',UP' not in text(name + '.link'), f'{name}: it is still up')


statuses = dict(line.rsplit(' ', 1) for line in text('statuses').splitlines())
wanted = {**{f'rate-{code}': 0 for code in RATES}, 'rate-untold': 0, 'rate-passive': 0, 'silent': 1, 'bursts': 1,
          'mixed': 1, 'few': 1, 'sending': 4, 'given': 0, 'given-quiet': 0, 'given-wrong': 1, 'given-few': 0,
          'active': 0, 'active-mixed': 1, 'active-wrong': 1, 'active-quiet': 1, 'active-bench': 0,
          'active-found': 0, 'unread': 2, 'text': 0, 'state': 0, 'down': 0, 'down-text': 0, 'no-such-rate': 4, 'no-fd': 4,
          'away': 4, 'virtual': 0, 'virtual-auto': 0, 'missing': 4, 'no-can': 4, 'not-permitted': 4, 'gone': 4,
          'no-can-in-kernel': 4}
for case, status in wanted.items():
    expect(statuses.get(case) == str(status), f'{case}: exit {statuses.get(case)}, not {status}')

for rate_code in RATES:
    found(f'rate-{rate_code}', rate_code)
found('rate-untold', 7)
found('rate-passive', 5)

not_found('silent', 'quiet')
expect(list(causes('silent'))[0] == 'asleep', f'silent: {causes("silent")}')
expect([word for word in words('silent') if word != 'L'] == SEARCHED * 2, f'silent: {words("silent")}')
lacking = [row['bitrate'] for row in answer('silent')['heard'] if not row['offered']]
expect(lacking == [33333, 83333], f'silent: passed over {lacking}')
not_found('bursts', 'errors')
expect(all(row['frames'] == 0 for row in answer('bursts')['heard']), 'bursts: frames')
not_found('mixed', 'mixed', 500000)
expect(causes('mixed').get('fd-bus') == 3, f'mixed: {causes("mixed")}')
not_found('few', 'few', 500000)
not_found('sending', 'not-listening')
expect(causes('sending').get('not-listening') == 3, f'sending: {causes("sending")}')
expect(words('sending') == ['S6', 'L'], f'sending: it went on: {words("sending")}')

for case, verdict in (('given', 'found'), ('given-quiet', 'quiet'), ('given-wrong', 'errors'), ('given-few', 'few')):
    came = answer(case)
    expect((came['verdict'], came['up'], came['active'], came['bitrate']) == (verdict, True, False, 500000),
           f'{case}: {came}')
    expect(words(case) == ['S6', 'L'], f'{case}: {words(case)}')
expect('80.0 % was asked for; this adapter does not say' in text('given.err'), f'given: {text("given.err")}')
expect(causes('given-wrong').get('wrong-rate') == 3, f'given-wrong: {causes("given-wrong")}')

for case, verdict in (('active', 'found'), ('active-bench', 'quiet'), ('active-found', 'found')):
    came = answer(case)
    expect((came['verdict'], came['active'], came['listen_only']) == (verdict, True, 'no'), f'{case}: {came}')
    # Set once more to the rate at which it listened, and opened.
    expect(words(case)[-3:] == ['L', *[word for word in words(case) if word[0] == 'S'][-2:-1], 'O'] and
           words(case).count('O') == 1, f'{case}: {words(case)}')
    expect('never on a public road' in text(case + '.err'), f'{case}: no cautions')
for case in ('active-mixed', 'active-wrong', 'active-quiet'):
    expect((answer(case)['active'], answer(case)['up']) == (False, True), f'{case}: {answer(case)}')
    expect(words(case) == ['S6', 'L'], f'{case}: {words(case)}')

expect(words('unread') == [] and '--cautions-read' in text('unread.err'), f'unread: {words("unread")}')
expect('cannot be verified' in text('text.json') and '500000 bit/s: found' in text('text.json'),
       f'text: {text("text.json")}')
expect('up\n' in text('state.json') and words('state') == [], f'state: {words("state")}')
expect(text('down-text.json').startswith('can0: down\n') and words('down') == [], 'down: it is not')
expect('10000 20000 50000' in text('no-such-rate.err'), text('no-such-rate.err'))
expect('no CAN FD' in text('no-fd.err'), text('no-fd.err'))
expect('took the interface down' in text('away.err'), text('away.err'))
expect('virtual' in text('virtual.json') and answer('virtual-auto')['virtual'], 'virtual: not said')
expect('no such interface' in text('missing.err') and 'no CAN interface' in text('no-can.err'), 'missing, no-can')
expect('CAP_NET_ADMIN' in text('not-permitted.err'), text('not-permitted.err'))
expect('no such interface' in text('gone.err'), text('gone.err'))
expect('modprobe can-raw' in text('no-can-in-kernel.err'), text('no-can-in-kernel.err'))
for case in wanted:
    if os.path.exists(os.path.join(run, case + '.err')):
        expect('RTNETLINK' not in text(case + '.err'), f'{case}: {text(case + ".err")}')

for fault in faults:
    print(fault)
print(f'{len(wanted)} cases, {len(faults)} faults')
sys.exit(1 if faults else 0)
