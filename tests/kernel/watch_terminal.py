#!/usr/bin/env python3
"""`loomtap watch` on a terminal of 80 x 24 characters, as a person sees it, with keys pressed.

The screen is what a VT100 would show of the bytes that came: cursor moves (ECMA-48 CUP, CUU, CUD, CUF,
CUB, ED, EL, and the control characters) are followed, attributes are passed over. Ends with 0 if
everything was seen."""
import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time

loomtap, profile = sys.argv[1], sys.argv[2]
ROWS, COLUMNS = 24, 80
faults = []


class Screen:
    def __init__(self):
        self.cells = [[' '] * COLUMNS for _ in range(ROWS)]
        self.row = self.column = 0

    def control(self, arguments, what):
        numbers = [int(n or 0) for n in arguments.lstrip('?').split(';')] if arguments != '' else [0]
        first = max(numbers[0], 1)
        if what in 'Hf':
            self.row = min(first, ROWS) - 1
            self.column = min(max(numbers[1] if len(numbers) > 1 else 1, 1), COLUMNS) - 1
        elif what == 'A':
            self.row = max(self.row - first, 0)
        elif what == 'B':
            self.row = min(self.row + first, ROWS - 1)
        elif what == 'C':
            self.column = min(self.column + first, COLUMNS - 1)
        elif what == 'D':
            self.column = max(self.column - first, 0)
        elif what == 'K':
            from_column = 0 if numbers[0] else self.column
            to_column = self.column + 1 if numbers[0] == 1 else COLUMNS
            self.cells[self.row][from_column:to_column] = [' '] * (to_column - from_column)
        elif what == 'J':
            self.cells[self.row][self.column:] = [' '] * (COLUMNS - self.column)
            for row in range(self.row + 1, ROWS):
                self.cells[row] = [' '] * COLUMNS

    def put(self, character):
        if character == '\r':
            self.column = 0
        elif character == '\n':
            self.row = min(self.row + 1, ROWS - 1)
        elif character == '\b':
            self.column = max(self.column - 1, 0)
        elif character >= ' ':
            self.cells[self.row][min(self.column, COLUMNS - 1)] = character
            self.column += 1

    def take(self, text):
        """What is cut at the end is given back."""
        while text:
            found = re.match(r'\x1b\[([?0-9;]*)([A-Za-z@])|\x1b[()][A-Z0-9]|\x1b[=>78M]', text)
            if found:
                if found.group(2):
                    self.control(found.group(1), found.group(2))
                text = text[found.end():]
            elif text[0] == '\x1b' and len(text) < 12:
                return text
            else:
                self.put(text[0])
                text = text[1:]
        return ''

    def lines(self):
        return [''.join(row).rstrip() for row in self.cells]


def start():
    child, master = pty.fork()
    if child == 0:
        os.environ.update(TERM='vt100', LC_ALL='C', NO_COLOR='1')
        os.execv(loomtap, [loomtap, 'watch', 'vcan0', 'vcan1', '-p', profile, '--bus',
                           'powertrain=vcan0,chassis=vcan1'])
    fcntl.ioctl(master, termios.TIOCSWINSZ, struct.pack('HHHH', ROWS, COLUMNS, 0, 0))
    return child, master


child, master = start()
screen, rest = Screen(), ''


def wait_for(what, pattern):
    """Until a line of the screen matches; the match."""
    global rest
    until = time.time() + 30
    while time.time() < until:
        if select.select([master], [], [], 0.1)[0]:
            try:
                rest = screen.take(rest + os.read(master, 65536).decode('utf-8', 'replace'))
            except OSError:
                break
        for line in screen.lines():
            if re.search(pattern, line):
                return
    faults.append(f'{what}: not seen; the screen was:\n' + '\n'.join(screen.lines()))


wait_for('before anything came', r'engine_speed +- .*awaited')
player = subprocess.Popen([loomtap, 'mimic', 'drive', '--duration', '60', '--play',
                           'can0=vcan0,can1=vcan1', '--quiet'])
wait_for('a heading', r'^engine$')
wait_for('engine speed, its unit, its rate', r'^engine_speed +[0-9.]+ rpm +[0-9]+ ms +(9[0-9]|1[01][0-9])/s')
wait_for('a hint about keys', 'space stops')
os.write(master, b'lam')
wait_for('chosen by typing', r'only `lam`')
wait_for('lambda', r'^lambda +[0-9.]+ +1? ')
if any(line.startswith('engine_speed') for line in screen.lines()):
    faults.append('engine_speed is shown although `lam` was typed')
os.write(master, b' ')
wait_for('stopped', r'paused, 0\.')
os.write(master, b'\x1b[D\x1b[D')
wait_for('two seconds back', r'paused, [2-9]\.')
os.write(master, b' ')
wait_for('live again', r'  live  ')
os.write(master, b'\x7f\x7f\x7f')
wait_for('all again', r'^engine_speed ')
player.send_signal(signal.SIGINT)
player.wait()
wait_for('lost', r'^engine_speed +[0-9.]+ rpm +lost')
print('\n'.join(screen.lines()))
os.write(master, b'\x03')
status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
if status:
    faults.append(f'it ended with {status}')
print('\n'.join(faults))
sys.exit(bool(faults))
