"""Where the fields of invented frames lie, and how raw values are put into them."""


def inside(ranges, raw):
    return any(first <= raw <= last for first, last in ranges)


def pgn_of(can_id):
    pgn = can_id >> 8 & 0x3FFFF
    return pgn & 0x3FF00 if (pgn >> 8 & 0xFF) < 240 else pgn


def id_text(can_id, extended):
    return ("%08X" if extended else "%03X") % can_id


def put(data, positions, raw):
    """Raw into these positions, most significant first; other bits stay."""
    for position in reversed(positions):
        byte, bit = divmod(position, 8)
        data[byte] = data[byte] & ~(1 << bit) | (raw & 1) << bit
        raw >>= 1


def place_text(position):
    return "%d.%d" % divmod(position, 8)


class Span:
    """Positions (8 * byte + bit) of a field or of one part of it, most significant first."""

    def __init__(self, msb, length, intel):
        self.positions = []
        byte, bit = divmod(msb, 8)
        for _ in range(length):
            self.positions.append(8 * byte + bit)
            if bit:
                bit -= 1
            else:
                bit, byte = 7, byte - 1 if intel else byte + 1

    def text(self):
        first, last = self.positions[0], self.positions[-1]
        return place_text(first) if first == last else "%s..%s" % (place_text(first),
                                                                   place_text(last))

    def crosses(self):
        return self.positions[0] // 8 != self.positions[-1] // 8


class Field:
    def __init__(self, name, spans):
        self.name = name
        self.spans = spans
        self.positions = [p for span in spans for p in span.positions]
        self.size = len(self.positions)
        self.codes = []      # ranges of unavailable and error codes
        self.labels = {}
        self.page = []       # [(selector field, [(first, last)])] that must hold
        self.lines = []
        self.sign, self.form = "unsigned", "linear"
        self.allowed = None  # raw values that `range` admits, where that is known
        self.selects = []    # for a selector: its pages

    def put(self, data, raw):
        put(data, self.positions, raw)

    def inside(self, length):
        return max(self.positions) // 8 < length


class Layout:
    """Which bits of a frame are taken."""

    def __init__(self, length, taken=()):
        self.length, self.taken = length, set(taken)

    def copy(self):
        return Layout(self.length, self.taken)

    def take(self, positions):
        self.taken |= set(positions)

    def find(self, rng, length, intel, tries=30):
        for _ in range(tries):
            msb = rng.randrange(8 * self.length)
            span = Span(msb, length, intel)
            if (0 <= min(span.positions) and max(span.positions) < 8 * self.length
                    and not self.taken & set(span.positions)):
                self.take(span.positions)
                return span
        return None


class InventedFrame:
    def __init__(self, name, length):
        self.name, self.length = name, length
        self.bus = None
        self.id, self.extended, self.pgn, self.source = 0, False, None, None
        self.fields = []
        self.selector = self.inner = None
        self.counter = None             # Field
        self.modulus = self.step = 1
        self.checks = []                # Check
        self.fixed = []                 # (positions, raw): bits that must hold a value
        self.lines = []
        self.counts = {}                # sender -> last counter
