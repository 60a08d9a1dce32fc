#!/usr/bin/env python3
"""Binary captures against the capture tools of another project (tshark, capinfos, text2pcap,
mergecap, editcap), frame for frame and both ways. Skipped (77) where they are not installed.

    tshark.py CONVERT        the program of convert.c
"""
import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile

TOOLS = ['tshark', 'capinfos', 'text2pcap', 'mergecap', 'editcap']
CONVERT = sys.argv[1]
EXTENDED, REMOTE, ERROR = 0x80000000, 0x40000000, 0x20000000
FD_LENGTHS = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]


class Frame:
    """Made here, independently of the program: its packet and its line of log text."""

    def __init__(self, rng, number):
        self.ns = 1_700_000_000_123_456_000 + number * 1_000_017_000
        self.fd = self.brs = self.esi = False
        self.dlc = 0
        kind = rng.choice(['data', 'data', 'data', 'wide', 'fd', 'fd', 'remote', 'error', 'dlc'])
        self.can_id = rng.randrange(0x800)
        if kind == 'wide' or (kind in ('fd', 'remote') and rng.random() < 0.5):
            self.can_id = rng.randrange(0x20000000) | EXTENDED
        length = rng.randrange(9)
        if kind == 'fd':
            self.fd, self.brs, self.esi = True, rng.random() < 0.5, rng.random() < 0.5
            length = rng.choice(FD_LENGTHS)
        if kind == 'remote':
            self.can_id |= REMOTE
        if kind == 'error':
            self.can_id = 1 << rng.randrange(9) | ERROR
        if kind in ('error', 'dlc'):
            length = 8
        if kind == 'dlc':
            self.dlc = rng.randrange(9, 16)
        self.length = length
        self.data = b'' if kind == 'remote' else bytes(rng.randrange(256) for _ in range(length))

    def packet(self, padded):
        flags = (4 | self.brs | self.esi << 1) if self.fd else 0
        head = struct.pack('>IBBBB', self.can_id, self.length, flags, 0, self.dlc)
        return head + self.data + b'\0' * ((64 if self.fd else 8) - len(self.data)) * padded

    def text(self):
        wide = self.can_id & (EXTENDED | ERROR)
        text = '%0*X#' % (8 if wide else 3, self.can_id & (0x3FFFFFFF if wide else 0x7FF))
        if self.can_id & EXTENDED:
            text = '%08X#' % (self.can_id & 0x1FFFFFFF)
        if self.can_id & REMOTE:
            return text + 'R' + (str(self.length) if self.length else '')
        if self.fd:
            return text + '#%X' % (4 | self.brs | self.esi << 1) + self.data.hex().upper()
        return text + self.data.hex().upper() + ('_%X' % self.dlc if self.dlc else '')

    def line(self, bus, digits):
        time = '%d.%09d' % divmod(self.ns, 10 ** 9)
        return f'({time[:len(time) - 9 + digits]}) {bus} {self.text()}'


def run(*command, text=True):
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=text)
    if done.returncode != 0:
        sys.exit(f'{" ".join(command)}: {done.stderr}')
    return done.stdout


def lines_of(path):
    return run(CONVERT, 'log', '-', path).splitlines()


def same(what, came, wanted):
    for number, (a, b) in enumerate(zip(came, wanted), 1):
        if a != b:
            sys.exit(f'{what}: frame {number} is\n  {a}\nand should be\n  {b}')
    if len(came) != len(wanted):
        sys.exit(f'{what}: {len(came)} frames, should be {len(wanted)}')
    print(f'{what}: {len(came)} frames')


def text2pcap(path, form, frames, name=None, padded=False, sent=()):
    with open(path + '.txt', 'w') as out:
        for number, frame in enumerate(frames):
            direction = 'O ' if number in sent else 'I '
            out.write('%s%d.%09d\n' % ((direction,) + divmod(frame.ns, 10 ** 9)))
            packet = frame.packet(padded)
            for at in range(0, len(packet), 16):
                out.write('%06x %s\n' % (at, packet[at:at + 16].hex(' ')))
            out.write('\n')
    extra = ['-N', name] if name else []
    run('text2pcap', '-q', '-D', '-l', '227', '-t', '%s.%f', '-F', form, *extra, path + '.txt', path)


def files_of_others_are_read(folder, frames):
    for form, digits in (('pcap', 6), ('nsecpcap', 9), ('pcapng', 9)):
        for padded in (False, True):
            path = os.path.join(folder, f'made-{padded}.{form}')
            text2pcap(path, form, frames, 'can7' if form == 'pcapng' else None, padded)
            bus = 'can7' if form == 'pcapng' else 'if0'
            same(f'text2pcap {form}{" padded" if padded else ""}', lines_of(path),
                 [frame.line(bus, digits) for frame in frames])


def directions_are_read(folder, frames):
    path = os.path.join(folder, 'sent.pcapng')
    sent = set(range(0, len(frames), 3))
    text2pcap(path, 'pcapng', frames, 'can0', sent=sent)
    same('text2pcap with directions', lines_of(path),
         [frame.line('can0', 9) + (' T' if i in sent else '') for i, frame in enumerate(frames)])


def merged_files_are_read(folder, frames):
    paths = []
    for number, name in enumerate(['can0', 'can1', 'vcan10']):
        paths.append(os.path.join(folder, f'part{number}.pcapng'))
        text2pcap(paths[-1], 'pcapng', frames[number::3], name)
    wanted = [frame.line(['can0', 'can1', 'vcan10'][i % 3], 9) for i, frame in enumerate(frames)]
    for mode in ('none', 'all', 'any'):
        path = os.path.join(folder, f'merged-{mode}.pcapng')
        run('mergecap', '-I', mode, '-F', 'pcapng', '-w', path, *paths)
        same(f'mergecap -I {mode}', lines_of(path), wanted)
    # One file behind the other: two sections.
    path = os.path.join(folder, 'sections.pcapng')
    with open(path, 'wb') as out:
        for part in paths:
            out.write(open(part, 'rb').read())
    same('sections', lines_of(path), [line for k in range(3) for line in wanted[k::3]])
    return os.path.join(folder, 'merged-none.pcapng'), wanted


def edited_files_are_read(folder, merged, wanted):
    commented = os.path.join(folder, 'commented.pcapng')
    run('editcap', '-a', '1:a mark', '-a', '3:another', '--capture-comment', 'a drive', merged,
        commented)
    same('editcap with comments', lines_of(commented), wanted)
    part = os.path.join(folder, 'part.pcapng')
    run('editcap', '-r', merged, part, '10-20')
    same('editcap of a range', lines_of(part), wanted[9:20])
    for form, digits in (('pcap', 6), ('nsecpcap', 9)):
        one = os.path.join(folder, 'one.' + form)
        run('editcap', '-F', form, os.path.join(folder, 'part0.pcapng'), one)
        lines = [line.split(' ', 2) for line in wanted[0::3]]
        same(f'editcap -F {form}', lines_of(one),
             [f'{t[:len(t) - 1 - 9 + digits]}) if0 {text}' for t, _, text in lines])
    for packer in ('gzip', 'zstd'):
        if shutil.which(packer):
            with open(merged + '.packed', 'wb') as out:
                out.write(run(packer, '-c', merged, text=False))
            same(f'{packer} of pcapng', lines_of(merged + '.packed'), wanted)


FIELDS = ['frame.time_epoch', 'frame.interface_name', 'frame.p2p_dir', 'can.id', 'can.flags.xtd',
          'can.flags.rtr', 'can.flags.err', 'can.len', 'canfd.flags.brs', 'canfd.flags.esi',
          'can.reserved', 'data.data', 'frame.protocols']


def as_tshark_says(frame, bus, sent):
    """The fields for a frame; tshark shows no identifier and no data of an error frame."""
    error = bool(frame.can_id & ERROR)
    classic = not frame.fd
    return ['%d.%09d' % divmod(frame.ns, 10 ** 9), bus, '0' if sent else '',
            '' if error else str(frame.can_id & 0x1FFFFFFF),
            '' if error else str(frame.can_id >> 31),
            str(frame.can_id >> 30 & 1) if classic and not error else '',
            str(frame.can_id >> 29 & 1) if classic else '', str(frame.length),
            str(int(frame.brs)) if frame.fd else '', str(int(frame.esi)) if frame.fd else '',
            str(frame.dlc) if classic and not error else '0' if frame.fd else None,
            '' if error else frame.data.hex(), None]


def our_files_are_read_by_tshark(folder, frames):
    log = os.path.join(folder, 'ours.log')
    buses = ['can0', 'vcan_long_name1']
    for form, digits in (('pcapng', 9), ('pcapng', 6), ('pcap', 9), ('pcap', 6)):
        with open(log, 'w') as out:
            for i, frame in enumerate(frames):
                out.write(frame.line(buses[i % 2], digits) + (' T' if i % 5 == 0 else '') + '\n')
        path = os.path.join(folder, f'ours-{digits}.{form}')
        run(CONVERT, form, path, log)
        rows = run('tshark', '-r', path, '-T', 'fields', *[w for f in FIELDS for w in ('-e', f)])
        came = [row.split('\t') for row in rows.splitlines()]
        for row in came: # the reserved bytes, the DLC as sent among them, are shown in hex
            row[10] = str(int(row[10], 16)) if row[10] else ''
        wanted = []
        for i, frame in enumerate(frames):
            row = as_tshark_says(frame, buses[i % 2], i % 5 == 0)
            if form == 'pcap':
                row[1] = row[2] = ''
            wanted.append(row)
        for a, b in zip(came, wanted): # what is not compared
            for k, cell in enumerate(b):
                if cell is None:
                    b[k] = a[k] = ''
        same(f'tshark reads {form} with {digits} digits', came, wanted)
        count = run('capinfos', '-M', '-c', '-T', '-r', path).split()[-1]
        same(f'capinfos reads {form} with {digits} digits', [count], [str(len(frames))])
        back = lines_of(path)
        same(f'and back', back if form == 'pcapng' else [line.split(' ')[2] for line in back],
             open(log).read().splitlines() if form == 'pcapng' else [f.text() for f in frames])


def main():
    missing = [tool for tool in TOOLS if not shutil.which(tool)]
    if missing:
        print('skipped: not installed: ' + ', '.join(missing))
        sys.exit(77)
    rng = random.Random(20231114)
    frames = [Frame(rng, number) for number in range(300)]
    fine = [Frame(rng, number) for number in range(300)]
    for number, frame in enumerate(fine): # nanoseconds that microseconds cannot hold
        frame.ns += number % 997 + 1
    with tempfile.TemporaryDirectory() as folder:
        files_of_others_are_read(folder, fine)
        directions_are_read(folder, fine)
        merged, wanted = merged_files_are_read(folder, fine)
        edited_files_are_read(folder, merged, wanted)
        our_files_are_read_by_tshark(folder, frames)


main()
