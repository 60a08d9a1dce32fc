#!/usr/bin/env python3
"""A car's controllers on a CAN interface of the guest: they answer from a table, in parts after flow
control where a reply is long. What the tester on the other side does is not known here.

    ask_car.py BUS KIND ROWS [life] [off-after N quiet|deaf]

KIND 11 or 29. ROWS: a file of lines `who request reply`, all in hex: `7E8 010C 410C1AF8`; a reply that
begins with `+` comes after "pending" and a second and a half. life: other traffic, twenty frames a second.
off-after: N requests later the key is off: `deaf` answers nothing and sends nothing any more, `quiet`
answers and sends nothing else; so does a file off.BUS. A frame 6FF marks the moment. Ends when the file `stop` appears.
Payloads: SAE J1979; parts: ISO 15765-2."""
import os
import select
import socket
import struct
import sys
import time

bus, kind, rows_name = sys.argv[1:4]
words = sys.argv[4:]
life = 'life' in words
off_after = int(words[words.index('off-after') + 1]) if 'off-after' in words else None
off_kind = words[words.index('off-after') + 2] if off_after is not None else 'quiet'
FORM = '=IB3x8s'
EXTENDED = 0x80000000

rows = {}
with open(rows_name, encoding='utf-8') as file:
    for line in file:
        if line.strip():
            who, request, reply = line.split()
            rows.setdefault(request, []).append((int(who, 16), reply))

can = socket.socket(socket.PF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
can.bind((bus,))
queue = []      # (time, id, data)
parts = {}      # id -> frames that wait for flow control
requests = 0
is_off = False
next_life = time.monotonic()


def put(identifier, data, after):
    queue.append((time.monotonic() + after, identifier, data.ljust(8, b'\xAA')))
    queue.sort(key=lambda entry: entry[0])


def answer(who, reply):
    after = 0.01
    if reply[0] == '+':
        reply = reply[1:]
        put(who, bytes([3, 0x7F, int(reply[:2], 16) & 0xBF, 0x78]), after)
        after = 1.5
    payload = bytes.fromhex(reply)
    if len(payload) <= 7:
        put(who, bytes([len(payload)]) + payload, after)
        return
    put(who, struct.pack('>H', 0x1000 | len(payload)) + payload[:6], after)
    rest = payload[6:]
    parts[who] = [bytes([0x20 | (n + 1) & 15]) + rest[7 * n:7 * n + 7]
                  for n in range((len(rest) + 6) // 7)]


def reply_id(identifier):
    if kind == '29':
        return 0x18DAF100 | (identifier >> 8 & 0xFF)
    return identifier + 8


def take(identifier, data):
    global requests
    to_all = identifier == (0x18DB33F1 if kind == '29' else 0x7DF)
    if not to_all and not (0x7E0 <= identifier <= 0x7E7 if kind == '11' else
                           identifier & 0xFFFF00FF == 0x18DA00F1):
        return
    if data[0] >> 4 == 3:
        for n, part in enumerate(parts.pop(reply_id(identifier), [])):
            put(reply_id(identifier), part, 0.005 * n)
        return
    requests += 1
    for who, reply in rows.get(data[1:1 + data[0]].hex().upper(), []):
        if to_all or who == reply_id(identifier):
            answer(who, reply)


while not os.path.exists('stop'):
    now = time.monotonic()
    if not is_off and (os.path.exists('off.' + bus) or
                       off_after is not None and requests >= off_after):
        is_off = True
        life = False
        can.send(struct.pack(FORM, 0x6FF, 1, b'\x01'))
    if life and now >= next_life:
        next_life = now + 0.05
        can.send(struct.pack(FORM, 0x0C4, 8, bytes(8)))
    while queue and queue[0][0] <= now:
        _, who, data = queue.pop(0)
        if not (is_off and off_kind == 'deaf'):
            can.send(struct.pack(FORM, who | (EXTENDED if kind == '29' else 0), 8, data))
    if select.select([can], [], [], 0.005)[0]:
        identifier, length, data = struct.unpack(FORM, can.recv(16))
        if bool(identifier & EXTENDED) == (kind == '29'):
            take(identifier & 0x1FFFFFFF, data[:length])
