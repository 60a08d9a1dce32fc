#!/usr/bin/env python3
"""Real recordings that no one here made, against what their sources say of them. They are not part
of this repository; where the folder is absent the test skips.

- an agricultural tractor, SAE J1939 (public repository, MIT, commit db5c894): engine speed
  0..1259.5 rpm and coolant 30..31 degrees in one recording, up to 1010.5 rpm in another; vehicle
  speed comes from source address 47; many parameters are "not available"
- an electric car's diagnostic bus while a phone program polls (public repository, CC0, commit
  83a5cac): 467 request frames, 780 reply frames, engine speed and vehicle speed asked and never
  answered
- the same car's two buses in one file, whose times interleave backwards
"""
import json
import os
import subprocess
import sys

program, root = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
folder = os.path.join(root, '..', 'shared', 'captures')
faults = []


def decode(capture, profile, *options):
    words = [program, 'decode', os.path.join(folder, capture), '-p',
             os.path.join(root, 'signaldefs', profile), '--quiet', *options]
    return subprocess.run(words, capture_output=True, text=True, timeout=120)


def summary(capture, profile):
    return json.loads(decode(capture, profile, '--as', 'summary', '--json').stdout)


def expect(what, came, wanted):
    if came != wanted:
        faults.append(f'{what}: {came!r}, not {wanted!r}')


def signal(report, name):
    return next(row for row in report['signals'] if row['signal'] == name)


def tractor():
    report = summary('tractor-j1939/highRPM1.log', 'j1939.ini')
    speed, coolant = signal(report, 'j1939_engine_speed'), signal(report, 'j1939_coolant_temp')
    expect('frames', report['capture']['frames'], 7736)
    expect('malformed', report['capture']['malformed'], 0)
    expect('engine speed', (speed['min'], speed['max']), (0, 1259.5))
    expect('coolant', (coolant['min'], coolant['max']), (30, 31))
    expect('vehicle speed from', signal(report, 'j1939_vehicle_speed')['source'], 0x47)
    absent = signal(report, 'j1939_battery_voltage')
    expect('battery: values', absent['count'], 0)
    expect('battery: unavailable', absent['unavailable'] > 0, True)
    expect('battery: no figures', 'min' in absent, False)
    rows = decode('tractor-j1939/highRPM1.log', 'j1939.ini', '--only', 'j1939_battery_voltage')
    cells = {tuple(line.split(',')[4:]) for line in rows.stdout.splitlines()[1:]}
    expect('battery: rows', cells, {('', 'V', 'unavailable')})
    speed = signal(summary('tractor-j1939/start1.log', 'j1939.ini'), 'j1939_engine_speed')
    expect('engine speed of the start', speed['max'], 1010.5)


def electric_car():
    text = decode('ev-diagnostics/polled-17min.log', 'obd-ii.ini', '--as', 'summary').stdout
    expect('frames counted', '467 request frames, 780 reply frames' in text, True)
    for number in ('0C', '0D'):
        line = next(line for line in text.splitlines() if line.split()[:2] == ['01', number])
        expect(f'{number}', 'none' in line and 'never answered' in line, True)
    for name in ('obd_engine_speed', 'obd_vehicle_speed'):
        report = summary('ev-diagnostics/polled-17min.log', 'obd-ii.ini')
        expect(f'{name} found', signal(report, name)['count'], 0)
    for number in ('00', '20', '40'):
        expect(f'mask {number}', f'pid_{number}@7EC' in text, True)


def two_buses():
    capture = 'ev-diagnostics/two-buses-no-key.log'
    report = summary(capture, 'obd-ii.ini')
    expect('frames', (report['capture']['frames'], report['capture']['malformed']), (14294, 0))
    text = decode(capture, 'obd-ii.ini', '--as', 'summary').stdout
    expect('order said', "not in one order of time" in text, True)
    expect('status without values', decode(capture, 'obd-ii.ini').returncode, 1)


if not os.path.isdir(folder):
    print('skipped: the real recordings are not beside this folder')
    sys.exit(77)
tractor()
electric_car()
two_buses()
print('\n'.join(faults) or 'as their sources say')
sys.exit(1 if faults else 0)
