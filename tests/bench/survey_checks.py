"""Check families, written a second time: computes what a definition of `survey --json` (or of a
layout) says of a frame's bytes. Shares nothing with the program; the families are those of the
profile format, their sources the CRC RevEng catalogue, AUTOSAR "PRS E2E Protocol" and SAE J1939-71
as publicly quoted."""

E2E = {'e2e-p1': (8, 0x1D, 0x00, 0x00), 'e2e-p2': (8, 0x2F, 0xFF, 0xFF),
       'e2e-p5': (16, 0x1021, 0xFFFF, 0x0000)}
LEAVES_ITSELF_OUT = ('e2e-p1', 'e2e-p2', 'e2e-p5', 'j1939-tsc1', 'j1939-xbr')


def positions(text):
    """'0.7..1.0' as a list of 8 * byte + bit, least significant first, and the order. Several
    spans have the most significant first."""
    if ' ' in text:
        spans = [positions(span) for span in text.split()]
        order = next((order for _, order in spans if order != 'none'), 'none')
        return [at for places, _ in reversed(spans) for at in places], order
    def one(end):
        byte, bit = end.split('.')
        return int(byte) * 8 + int(bit)
    if '..' not in text:
        return [one(text)], 'none'
    high, low = (one(end) for end in text.split('..'))
    if high // 8 == low // 8:
        if high < low:
            raise ValueError('ends in the wrong order: ' + text)
        return list(range(low, high + 1)), 'none'
    if high > low:
        return list(range(low, high + 1)), 'intel'
    found, at = [], low
    while True:
        found.append(at)
        if at == high:
            return found, 'motorola'
        at = at + 1 if at % 8 != 7 else at - 15


def raw_of(places, data):
    """The value of the bits at these places (least significant first)."""
    raw = 0
    for n, at in enumerate(places):
        raw |= (data[at >> 3] >> (at & 7) & 1) << n
    return raw


def ranges(text):
    """'0..2,4..7' as the bytes in processing order."""
    found = []
    for part in text.split(','):
        ends = [int(end) for end in part.split('..')]
        first, last = ends[0], ends[-1]
        found += range(first, last + 1) if first <= last else range(first, last - 1, -1)
    return found


def mirrored(value, width):
    return int(format(value, '0%db' % width)[::-1], 2)


TABLES = {}


def crc_table(width, poly):
    if (width, poly) not in TABLES:
        table, top, mask = [], 1 << (width - 1), (1 << width) - 1
        for index in range(256):
            rest = index << (width - 8)
            for _ in range(8):
                rest = (rest << 1 ^ (poly if rest & top else 0)) & mask
            table.append(rest)
        TABLES[width, poly] = table
    return TABLES[width, poly]


MIRROR = [mirrored(byte, 8) for byte in range(256)]


def crc(width, poly, init, xorout, reflect, numbers):
    table, mask, rest = crc_table(width, poly), (1 << width) - 1, init
    for byte in numbers:
        if reflect:
            byte = MIRROR[byte]
        rest = (rest << 8 & mask) ^ table[(rest >> (width - 8)) ^ byte]
    return (mirrored(rest, width) if reflect else rest) ^ xorout


class Check:
    """One definition, ready to be computed."""

    def __init__(self, form, bits, length, ident, extended):
        self.form, self.family = form, form['family']
        self.places, _ = positions(bits)
        self.length = length
        self.ident = list(ident.to_bytes(4 if extended else 2, 'big'))
        own = {}
        for at in self.places:
            own[at // 8] = own.get(at // 8, 0) | 1 << at % 8
        self.bytes = []  # byte number and the mask of what counts
        for byte in ranges(form['over']) if form.get('over') else []:
            if self.family in LEAVES_ITSELF_OUT and byte in own:
                continue
            self.bytes.append((byte, 0xFF & ~own.get(byte, 0)))
        counter = form.get('counter')
        if not counter and self.family in ('e2e-p1', 'e2e-p2'):
            counter = '1.3..1.0'
        if not counter and self.family in ('j1939-tsc1', 'j1939-xbr'):
            byte = self.places[0] // 8
            counter = '%d.3..%d.0' % (byte, byte)
        self.counter = positions(counter)[0] if counter else None
        self.columns = None
        if self.family == 'affine':
            self.columns = []
            for name, column in form['columns'].items():
                byte, bit = name.split('.')
                self.columns.append((int(byte), int(bit), column))

    def hidden(self, data):
        ids = self.form.get('data_id')
        if not ids:
            return []
        mode = self.form.get('data_id_mode') or 'both'
        counter = raw_of(self.counter, data) if self.counter else 0
        if mode == 'low':
            return ids[:1]
        if mode == 'alternating':
            return [ids[counter & 1]]
        if mode == 'nibble':
            return [ids[0], 0]
        if mode == 'list':
            return [ids[counter % len(ids)]]
        return ids

    def compute(self, data):
        form, family = self.form, self.family
        if family == 'affine':
            value = form['constant']
            for byte, bit, column in self.columns:
                if data[byte] >> bit & 1:
                    value ^= column
            return value
        numbers = [data[byte] & mask for byte, mask in self.bytes]
        if form.get('with_id') or family.startswith('j1939'):
            numbers += self.ident
        if form.get('with_length'):
            numbers.append(self.length)
        hidden = self.hidden(data)
        before = family == 'e2e-p1' or (form.get('data_id_at') == 'before' and
                                        not family.startswith('e2e'))
        numbers = hidden + numbers if before else numbers + hidden
        if family in E2E:
            width, poly, init, xorout = E2E[family]
            return crc(width, poly, init, xorout, False, numbers)
        if family in ('crc8', 'crc16'):
            return crc(8 if family == 'crc8' else 16, form['poly'], form['init'], form['xorout'],
                       form['reflect'], numbers)
        total = sum(numbers)
        if family == 'j1939-tsc1':
            total += raw_of(self.counter, data)
            return ((total >> 6 & 3) + (total >> 3) + total) & 7
        if family == 'j1939-xbr':
            total += raw_of(self.counter, data)
            return ((total >> 4) + total) & 15
        value, mask = form.get('start') or 0, 0xFF
        if family == 'xor':
            for byte in numbers:
                value ^= byte
        elif family == 'sum':
            value += total
        elif family == 'nibble-sum':
            mask = 0xF
            value += sum((byte & 15) + (byte >> 4) for byte in numbers)
        else:
            raise ValueError('no such family: %s' % family)
        if form.get('complement') == 'ones':
            value = ~value
        elif form.get('complement') == 'twos':
            value = -value
        return value & mask

    def holds(self, data):
        if self.form.get('data_id_mode') == 'nibble' and len(self.form.get('data_id') or []) > 1:
            if data[1] >> 4 != self.form['data_id'][1] & 15:
                return False
        return self.compute(data) == raw_of(self.places, data)
