#!/usr/bin/env python3
"""The far end of a serial CAN adapter: makes an interface (slcan) out of a pseudo terminal and keeps
what the kernel sends to the adapter. Ends when the file named `stop` appears.

    slcan_peer.py FOLDER     writes FOLDER/adapter: the interface's name; FOLDER/adapter.bytes

It plays a car as well, when FOLDER/car says how, in words: `rate N` (the digit of the adapter's S command
at which the car speaks; 0 none), `right X` and `wrong X` (what is heard at the car's rate and at others):

    frames    whole frames                     errors    stuff and form errors
    mixed     both in turn                     silence   nothing
    few       a frame every half second              sending   nobody acknowledges: what only a sender can notice
    passive   no single errors, but a change to error-passive

The words of the adapter's protocol are those of the kernel's drivers/net/can/slcan: S and a digit sets a bit
rate, O opens, L opens listen-only, C closes; t, r, T and R are frames; e and s tell errors and states.
"""
import array
import fcntl
import os
import select
import sys
import termios
import time
import tty

N_SLCAN = 17          # linux/tty.h
SIOCGIFNAME = 0x8910  # of the terminal: the interface's name

SPEECH = {
    'frames': [b't12381122334455667788\r', b't0C42AABB\r', b'T18FEF10023344\r'],
    'few': [b't12381122334455667788\r'],
    'errors': [b'e1s\r', b'e1f\r', b'e2sf\r'],
    'mixed': [b't12381122334455667788\r', b'e1f\r', b't0C42AABB\r', b'e1s\r'],
    'sending': [b'e1a\r'],
    'passive': [b'sp128000\r'],
    'silence': [],
}


class Car:
    def __init__(self, path):
        self.path, self.rate, self.right, self.wrong = path, b'', 'silence', 'silence'
        self.set, self.is_open, self.turn, self.pending, self.next = b'', False, 0, b'', 0.0

    def read(self):
        try:
            with open(self.path, encoding='utf-8') as file:
                words = file.read().split()
        except FileNotFoundError:
            return
        said = dict(zip(words[::2], words[1::2]))
        self.rate = said.get('rate', '').encode()
        self.right, self.wrong = said.get('right', 'silence'), said.get('wrong', 'silence')

    def hear(self, data):
        *lines, self.pending = (self.pending + data).split(b'\r')
        for line in lines:
            if line[:1] == b'S':
                self.set = line[1:]
            elif line[:1] in (b'O', b'L'):
                self.is_open = True
                self.read()
            elif line[:1] == b'C':
                self.is_open = False

    def says(self):
        kind = self.right if self.set == self.rate else self.wrong
        words = SPEECH[kind]
        if not self.is_open or not words or time.monotonic() < self.next:
            return b''
        self.next = time.monotonic() + (0.5 if kind == 'few' else 0.0)
        self.turn += 1
        return words[self.turn % len(words)]


def main():
    folder = sys.argv[1]
    master, slave = os.openpty()
    tty.setraw(slave)
    fcntl.ioctl(slave, termios.TIOCSETD, array.array('i', [N_SLCAN]))
    name = fcntl.ioctl(slave, SIOCGIFNAME, bytes(16)).split(b'\0')[0].decode()
    with open(os.path.join(folder, 'adapter.new'), 'w', encoding='utf-8') as file:
        file.write(name)
    os.rename(os.path.join(folder, 'adapter.new'), os.path.join(folder, 'adapter'))
    car = Car(os.path.join(folder, 'car'))
    with open(os.path.join(folder, 'adapter.bytes'), 'ab', buffering=0) as file:
        while not os.path.exists(os.path.join(folder, 'stop')):
            if select.select([master], [], [], 0.003)[0]:
                data = os.read(master, 4096)
                file.write(data)
                car.hear(data)
            speech = car.says()
            if speech:
                os.write(master, speech)


main()
