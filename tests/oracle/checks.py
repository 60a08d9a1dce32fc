"""Counters and checksums of frames, computed the slow way.

Written from the project's design and from published documents (CRC RevEng catalogue, AUTOSAR
"Specification of CRC Routines" R21-11 and "PRS E2E Protocol" R20-11, SAE J1939-71 as publicly
quoted), not from the C sources. `python3 checks.py` runs the published rows.
"""

import sys

# Name: width, poly, init, reflect, xorout, check value (CRC of "123456789"); CRC RevEng catalogue.
CATALOGUE = {
    "crc8-sae-j1850": (8, 0x1D, 0xFF, False, 0xFF, 0x4B),
    "crc8-autosar": (8, 0x2F, 0xFF, False, 0xFF, 0xDF),
    "crc8-hitag": (8, 0x1D, 0xFF, False, 0x00, 0xB4),
    "crc8-gsm-a": (8, 0x1D, 0x00, False, 0x00, 0x37),
    "crc8-opensafety": (8, 0x2F, 0x00, False, 0x00, 0x3E),
    "crc8-smbus": (8, 0x07, 0x00, False, 0x00, 0xF4),
    "crc8-maxim-dow": (8, 0x31, 0x00, True, 0x00, 0xA1),
    "crc16-ibm-3740": (16, 0x1021, 0xFFFF, False, 0x0000, 0x29B1),
    "crc16-xmodem": (16, 0x1021, 0x0000, False, 0x0000, 0x31C3),
    "crc16-kermit": (16, 0x1021, 0x0000, True, 0x0000, 0x2189),
    "crc16-genibus": (16, 0x1021, 0xFFFF, False, 0xFFFF, 0xD64E),
    "crc16-arc": (16, 0x8005, 0x0000, True, 0x0000, 0xBB3D),
    "crc16-modbus": (16, 0x8005, 0xFFFF, True, 0x0000, 0x4B37),
}
ALIASES = {"crc16-ccitt-false": "crc16-ibm-3740"}


def mirrored(value, width):
    return int(format(value, "0%db" % width)[::-1], 2)


def crc(data, width, poly, init, reflect, xorout):
    """Rocksoft model, one bit at a time."""
    register = init
    for byte in data:
        if reflect:
            byte = mirrored(byte, 8)
        for k in range(7, -1, -1):
            carry = (register >> (width - 1)) & 1
            register = (register << 1) & ((1 << width) - 1)
            if carry ^ ((byte >> k) & 1):
                register ^= poly
    if reflect:
        register = mirrored(register, width)
    return register ^ xorout


def number(text):
    return int(text, 0)


def span_positions(text):
    """'0.7..1.0' as positions (byte, bit), most significant first."""
    if ".." not in text:
        byte, bit = text.split(".")
        return [(int(byte), int(bit))]
    first, last = text.split("..")
    b0, k0 = (int(x) for x in first.split("."))
    b1, k1 = (int(x) for x in last.split("."))
    found = [(b0, k0)]
    byte, bit = b0, k0
    step = 1 if b1 > b0 else -1  # Motorola goes on in the next byte, Intel in the one before
    while (byte, bit) != (b1, k1):
        bit -= 1
        if bit < 0:
            byte, bit = byte + step, 7
        if byte < 0 or len(found) >= 64:
            raise ValueError("no such field: " + text)
        found.append((byte, bit))
    return found


def get_bits(data, positions):
    raw = 0
    for byte, bit in positions:
        raw = raw * 2 + (data[byte] >> bit & 1)
    return raw


def put_bits(data, positions, raw):
    for byte, bit in reversed(positions):
        data[byte] = data[byte] & ~(1 << bit) | (raw & 1) << bit
        raw >>= 1


class Counter:
    """`6.3..6.0 mod 15 step 2`."""

    def __init__(self, text):
        words = text.split()
        self.positions = span_positions(words[0])
        self.modulus = 1 << len(self.positions)
        self.step = 1
        for key, value in zip(words[1::2], words[2::2]):
            if key == "mod":
                self.modulus = number(value)
            elif key == "step":
                self.step = number(value)
            else:
                raise ValueError("counter: " + text)

    def bytes(self):
        return max(byte for byte, _ in self.positions) + 1


FAMILIES = ("xor", "sum", "nibble-sum", "crc8", "crc16", "e2e-p1", "e2e-p2", "e2e-p5",
            "j1939-tsc1", "j1939-xbr", "affine")
MODES = ("both", "low", "alternating", "nibble", "list")


class Check:
    """`FAMILY over RANGES in PLACE [options]`."""

    def __init__(self, text, affine=None):
        words = text.split()
        self.family = words[0]
        self.crc = None
        name = ALIASES.get(self.family, self.family)
        if name in CATALOGUE:
            self.crc = CATALOGUE[name][:5]
            self.family = "crc%d" % self.crc[0]
        elif self.family not in FAMILIES:
            raise ValueError("family: " + text)
        if words[1] != "over" or words[3] != "in":
            raise ValueError("checksum: " + text)
        self.order = []
        for part in words[2].split(","):
            ends = [int(x) for x in part.split("..")]
            first, last = ends[0], ends[-1]
            self.order += range(first, last + 1) if first <= last else range(first, last - 1, -1)
        place = words[4]
        self.place = span_positions(place if "." in place else "%s.7..%s.0" % (place, place))
        self.poly = self.init = self.xorout = self.start = 0
        self.reflect = self.with_id = self.with_length = False
        self.complement = self.page = self.counter = None
        self.data_id, self.mode = [], "both"
        self.before = self.family == "e2e-p1"
        self.affine = affine
        self.read_options(words[5:])
        if self.crc is None and self.family in ("crc8", "crc16"):
            width = 8 if self.family == "crc8" else 16
            self.crc = (width, self.poly, self.init, self.reflect, self.xorout)

    def read_options(self, words):
        k = 0
        while k < len(words):
            word = words[k]
            if word in ("poly", "init", "xorout", "start", "page"):
                setattr(self, word, number(words[k + 1]))
                k += 1
            elif word == "complement":
                self.complement = words[k + 1]
                k += 1
            elif word == "counter":
                self.counter = span_positions(words[k + 1])
                k += 1
            elif word == "data-id":
                self.data_id = [number(x) for x in words[k + 1].split(",")]
                k += 1
            elif word in ("reflect", "with-id", "with-length"):
                setattr(self, word.replace("-", "_"), True)
            elif word in MODES:
                self.mode = word
            elif word in ("before", "after"):
                self.before = word == "before"
            else:
                raise ValueError("option: " + word)
            k += 1

    def own_bytes(self):
        return {byte for byte, _ in self.place}

    def leaves_out_own_bytes(self):
        return self.family.startswith(("e2e", "j1939"))

    def choosing_counter(self):
        """Positions of the counter that picks hidden bytes or enters the sum; None for none."""
        if self.counter:
            return self.counter
        if self.family in ("e2e-p1", "e2e-p2"):
            return span_positions("1.3..1.0")
        if self.family.startswith("j1939"):
            byte = self.place[0][0]
            return span_positions("%d.3..%d.0" % (byte, byte))
        return None

    def bytes(self):
        """Bytes that a frame must have for the check to be computed."""
        needed = self.own_bytes() | set(self.order)
        chooses = self.family.startswith("j1939") or self.mode in ("alternating", "list")
        if chooses and self.choosing_counter():
            needed |= {byte for byte, _ in self.choosing_counter()}
        return max(needed) + 1

    def hidden(self, data):
        if not self.data_id:
            return []
        if self.mode == "low":
            return self.data_id[:1]
        if self.mode == "nibble":
            return [self.data_id[0], 0]
        if self.mode == "alternating":
            return [self.data_id[get_bits(data, self.choosing_counter()) % 2]]
        if self.mode == "list":
            return [self.data_id[get_bits(data, self.choosing_counter()) % len(self.data_id)]]
        return self.data_id

    def compute(self, data, can_id, extended):
        width = len(self.place)
        own = self.own_bytes()
        cleared = bytearray(data)
        put_bits(cleared, self.place, 0)
        order = [b for b in self.order if not (self.leaves_out_own_bytes() and b in own)]
        if self.family == "affine":
            value = self.affine["constant"]
            for byte in order:
                for bit in range(8):
                    if cleared[byte] >> bit & 1:
                        value ^= self.affine["columns"][byte][7 - bit]
            return value & ((1 << width) - 1)
        id_bytes = list(can_id.to_bytes(4 if extended else 2, "big"))
        if self.family.startswith("j1939"):
            s = sum(cleared[b] for b in order) + get_bits(data, self.choosing_counter())
            s += sum(id_bytes)
            if self.family == "j1939-tsc1":
                return ((s >> 6 & 3) + (s >> 3) + s) & 7
            return ((s >> 4) + s) & 15
        stream = [cleared[b] for b in order]
        if self.with_id:
            stream += id_bytes
        if self.with_length:
            stream.append(len(data))
        hidden = self.hidden(data)
        stream = hidden + stream if self.before else stream + hidden
        if self.family == "e2e-p1":
            return crc(stream, 8, 0x1D, 0x00, False, 0x00)
        if self.family == "e2e-p2":
            return crc(stream, 8, 0x2F, 0xFF, False, 0xFF)
        if self.family == "e2e-p5":
            return crc(stream, 16, 0x1021, 0xFFFF, False, 0x0000)
        if self.crc:
            return crc(stream, *self.crc)
        return self.plain(stream)

    def plain(self, stream):
        modulus = 16 if self.family == "nibble-sum" else 256
        value = self.start
        for byte in stream:
            if self.family == "xor":
                value ^= byte
            elif self.family == "sum":
                value += byte
            else:
                value += (byte >> 4) + (byte & 15)
        if self.complement == "ones":
            value = -1 - value
        elif self.complement == "twos":
            value = -value
        return value % modulus

    def verify(self, data, can_id, extended):
        """False as well where the frame is too short to carry the check."""
        if len(data) < self.bytes():
            return False
        return get_bits(data, self.place) == self.compute(data, can_id, extended)

    def apply(self, data, can_id, extended):
        put_bits(data, self.place, self.compute(data, can_id, extended))


def published_rows():
    """(what, got, expected) for every row of the published tables."""
    for name, row in CATALOGUE.items():
        yield "RevEng check of " + name, crc(b"123456789", *row[:5]), row[5]
    vectors = [  # AUTOSAR Specification of CRC Routines R21-11
        ("00000000", 0x59, 0x12, 0x84C0), ("F20183", 0x37, 0xC2, 0xD374),
        ("0FAA0055", 0x79, 0xC6, 0x2023), ("00FF5511", 0xB8, 0x77, 0xB8F9),
        ("332255AABBCCDDEEFF", 0xCB, 0x11, 0xF53F), ("926B55", 0x8C, 0x33, 0x0745),
        ("FFFFFFFF", 0x74, 0x6C, 0x1D0F)]
    for text, *expected in vectors:
        for name, value in zip(("crc8-sae-j1850", "crc8-autosar", "crc16-ibm-3740"), expected):
            yield "AUTOSAR %s of %s" % (name, text), crc(bytes.fromhex(text),
                                                         *CATALOGUE[name][:5]), value
    rows = [  # AUTOSAR PRS E2E Protocol R20-11: all other data 00
        ("e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both", ("CC00", "9101"), 8, 0),
        ("e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating", ("CE00", "0201"), 8, 0),
        ("e2e-p1 over 1..7 in 0 data-id 0x23,0x01 low", ("CE00", "9301"), 8, 0),
        ("e2e-p1 over 0..7 in 0 data-id 0x23,0x01 nibble", ("2A10", "7711"), 8, 0),
        ("e2e-p2 over 1..7 in 0 data-id 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16 list",
         ("0E00", "1B01", "9802"), 8, 0),
        ("e2e-p5 over 2..7 in 1.7..0.0 data-id 0x34,0x12", ("1CCA00", "CF8D01"), 8, 0),
        ("e2e-p5 over 0..7,10..15 in 9.7..8.0 data-id 0x34,0x12", ("289100", "FBD601"), 16, 8)]
    for text, frames, length, at in rows:
        for head in frames:
            data = bytearray(length)
            data[at:at + len(head) // 2] = bytes.fromhex(head)
            yield "E2E %s %s" % (text, head), Check(text).verify(data, 0, False), True
    # J1939 TSC1, id 0C000011, bytes 1..7 `01 E0 2E 7D FF FF FF`
    for last in (0x40, 0x51, 0x72, 0x03, 0x47):
        data = bytes.fromhex("01E02E7DFFFFFF") + bytes([last])
        check = Check("j1939-tsc1 over 0..7 in 7.7..7.4")
        yield "TSC1 %02X" % last, check.verify(data, 0x0C000011, True), True
    plain = bytes.fromhex("1122334455667700")  # common practice, identifier 0x123
    for text, value in (("xor over 0..6 in 7", 0x00), ("sum over 0..6 in 7", 0xDC),
                        ("sum over 0..6 in 7 complement twos", 0x24),
                        ("sum over 0..6 in 7 complement ones", 0x23),
                        ("nibble-sum over 0..6 in 7.3..7.0", 0x8),
                        ("sum over 0..6 in 7 with-id", 0x00),
                        ("sum over 0..6 in 7 with-id with-length", 0x08)):
        yield text, Check(text).compute(plain, 0x123, False), value


if __name__ == "__main__":
    wrong = [(what, got, value) for what, got, value in published_rows() if got != value]
    for what, got, value in wrong:
        print("%s: expected %s, got %s" % (what, value, got))
    sys.exit(1 if wrong else 0)
