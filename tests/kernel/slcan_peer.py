#!/usr/bin/env python3
"""The far end of a serial CAN adapter: makes an interface (slcan) out of a pseudo terminal and keeps
what the kernel sends to the adapter. Ends when the file named `stop` appears.

    slcan_peer.py FOLDER     writes FOLDER/adapter: the interface's name; FOLDER/adapter.bytes
"""
import array
import fcntl
import os
import select
import sys
import termios
import tty

N_SLCAN = 17          # linux/tty.h
SIOCGIFNAME = 0x8910  # of the terminal: the interface's name

folder = sys.argv[1]
master, slave = os.openpty()
tty.setraw(slave)
fcntl.ioctl(slave, termios.TIOCSETD, array.array('i', [N_SLCAN]))
name = fcntl.ioctl(slave, SIOCGIFNAME, bytes(16)).split(b'\0')[0].decode()
with open(os.path.join(folder, 'adapter.new'), 'w', encoding='utf-8') as file:
    file.write(name)
os.rename(os.path.join(folder, 'adapter.new'), os.path.join(folder, 'adapter'))
with open(os.path.join(folder, 'adapter.bytes'), 'wb', buffering=0) as file:
    while not os.path.exists(os.path.join(folder, 'stop')):
        if select.select([master], [], [], 0.05)[0]:
            file.write(os.read(master, 4096))
