"""An independent decoder: profile and candump log in, rows of the csv form out, exact arithmetic.

Written from the project's design, the reference sheet and the public headers' comments, not from
the C sources, so that both can be wrong only in different ways. Slow on purpose: every bit is
looked at alone, every number is a whole number or a fraction.

    python3 decoder.py PROFILE CAPTURE [--bus NAME=INTERFACE ...]
"""

import bisect
import math
import re
import struct
import sys
from fractions import Fraction

from checks import Check, Counter, get_bits, number, span_positions

# Roles with the unit that each is spoken in. "1" is a number without unit; None a labelled state.
ROLE_UNITS = {
    "engine_speed": "rpm", "load": "%", "absolute_load": "%", "lambda": "1", "lambda_target": "1",
    "drive_mode": None, "pedal": "%", "throttle": "%", "manifold_pressure": "kPa",
    "barometric_pressure": "kPa", "vehicle_speed": "km/h", "coolant_temp": "°C",
    "intake_temp": "°C", "engine_torque": "Nm", "gear": None, "ignition": None,
    "engine_state": None, "injector_duty": "%", "rail_pressure": "kPa", "flow_rate": "L/h",
    "tank_level": "%", "pump_current": "A"}

# Unit: quantity, and value in the quantity's first unit = value * factor + offset.
PSI = Fraction("4448.2216152605") / Fraction("645.16")  # pound-force in newton, square inch in mm2
UNITS = {
    "rpm": ("rotation", 1, 0), "rps": ("rotation", 60, 0),
    "km/h": ("speed", 1, 0), "m/s": ("speed", Fraction("3.6"), 0),
    "mph": ("speed", Fraction("1.609344"), 0),
    "kPa": ("pressure", 1, 0), "Pa": ("pressure", Fraction(1, 1000), 0),
    "hPa": ("pressure", Fraction(1, 10), 0), "mbar": ("pressure", Fraction(1, 10), 0),
    "bar": ("pressure", 100, 0), "MPa": ("pressure", 1000, 0), "psi": ("pressure", PSI, 0),
    "°C": ("temperature", 1, 0), "K": ("temperature", 1, Fraction("-273.15")),
    "°F": ("temperature", Fraction(5, 9), Fraction(-160, 9)),
    "A": ("current", 1, 0), "mA": ("current", Fraction(1, 1000), 0),
    "Nm": ("torque", 1, 0), "%": ("share", 1, 0), "L/h": ("flow", 1, 0)}


class ProfileFault(Exception):
    pass


# ---------------------------------------------------------------------------------- profile text

def read_ini(path):
    """[(kind, name, [(key, value)])] in file order. `;` behind a blank starts a comment."""
    sections = []
    with open(path, encoding="utf-8", newline="") as file:
        for count, line in enumerate(file, 1):
            line = line.rstrip("\r\n")
            bare = re.split(r"(?:^|(?<=\s));", line)[0].strip()
            if not bare or bare.startswith("#"):
                continue
            if bare.startswith("["):
                words = bare[1:bare.index("]")].split()
                sections.append((words[0], words[1] if len(words) > 1 else "", []))
                continue
            key, equals, value = bare.partition("=")
            if not equals or not sections:
                raise ProfileFault("%s:%d: %s" % (path, count, line))
            sections[-1][2].append((key.strip(), value.strip()))
    return sections


def decimal_places(fraction):
    """Digits behind the point of the exact decimal; None where it never ends."""
    rest, twos, fives = fraction.denominator, 0, 0
    while rest % 2 == 0:
        rest, twos = rest // 2, twos + 1
    while rest % 5 == 0:
        rest, fives = rest // 5, fives + 1
    return max(twos, fives) if rest == 1 else None


def raw_ranges(text):
    ranges = []
    for word in text.replace(",", " ").split():
        first, _, last = word.partition("..")
        ranges.append((number(first), number(last or first)))
    return ranges


def inside(ranges, raw):
    return any(first <= raw <= last for first, last in ranges)


class Signal:
    def __init__(self, name, keys):
        self.name, self.keys = name, keys
        self.frame, self.parameter = keys.get("frame"), keys.get("parameter")
        self.positions = []
        for part in keys.get("parts", keys.get("bits", "")).split():
            self.positions += span_positions(part)
        self.sign = keys.get("sign", "unsigned")
        self.scale, self.offset = (Fraction(keys.get(k, d)) for k, d in
                                   (("scale", "1"), ("offset", "0")))
        self.form = "curve" if "curve" in keys else keys.get("form", "linear")
        self.curve = None
        self.unavailable = raw_ranges(keys.get("unavailable", ""))
        self.error = raw_ranges(keys.get("error", ""))
        self.labels = {}
        for pair in filter(None, keys.get("values", "").split(",")):
            raw, label = pair.split(None, 1)
            self.labels[number(raw)] = label.strip()
        self.pages = []
        for clause in re.split(r"\s+and\s+", keys["page"]) if "page" in keys else []:
            selector, ranges = clause.split(None, 1)
            self.pages.append((selector, raw_ranges(ranges)))
        self.set_unit(keys)

    def set_unit(self, keys):
        own = keys.get("unit", "")
        self.unit = "" if own == "1" else own
        self.factor, self.shift = Fraction(1), Fraction(0)
        role = keys.get("role")
        if not role:
            return
        if role.startswith("wheel_speed_"):
            wanted = "km/h"
        elif role in ROLE_UNITS:
            wanted = ROLE_UNITS[role]
        else:
            wanted = own  # a role that the design does not list: spoken as written
        if wanted is None:
            return
        if own == "AFR" and wanted == "1":
            self.factor = 1 / Fraction(keys["stoich"])
        elif own not in ("", wanted) and wanted != "1":
            quantity, factor, shift = UNITS[own]
            if quantity != UNITS[wanted][0]:
                raise ProfileFault("unit of " + self.name)
            self.factor, self.shift = Fraction(factor), Fraction(shift)
        self.unit = "" if wanted == "1" else wanted

    def places(self):
        """Decimals of the printed value where scale and offset are decimals, else None."""
        keys = self.keys
        if self.form != "linear" or self.sign == "float":
            return None
        if "/" in keys.get("scale", "") or "/" in keys.get("offset", ""):
            return None
        mul = decimal_places(self.scale * self.factor)
        add = decimal_places(self.offset * self.factor + self.shift)
        if mul is None or add is None:
            return None
        places = max(mul, add)
        largest = max(abs(self.scale * self.factor), abs(self.offset * self.factor + self.shift))
        # Exact text as long as the constants are 64-bit whole numbers of the last decimal.
        return places if largest * 10 ** places < 1 << 63 and places <= 18 else None

    def number_of(self, raw):
        """What `sign` makes of the bits: a whole number, or a float."""
        size = len(self.positions)
        if self.sign == "twos":
            return raw - (1 << size) if raw >> (size - 1) else raw
        if self.sign == "offset-binary":
            return raw - (1 << (size - 1))
        if self.sign == "sign-magnitude":
            magnitude = raw & ((1 << (size - 1)) - 1)
            return -magnitude if raw >> (size - 1) else magnitude
        if self.sign == "float":
            return struct.unpack(">f" if size == 32 else ">d", raw.to_bytes(size // 8, "big"))[0]
        return raw

    def physical(self, raw):
        """Fraction, or a float that is not a number or infinite."""
        value = self.number_of(raw)
        if isinstance(value, float):
            if not math.isfinite(value):
                if math.isinf(value) and self.form == "linear" and self.scale * self.factor < 0:
                    return -value
                return value
            value = Fraction(value)
        value = Fraction(value)
        if self.form == "curve":
            value = self.on_curve(value)
        else:
            value = value * self.scale + self.offset
            if self.form == "reciprocal":
                if value == 0:
                    return math.inf
                value = 1 / value
        value = value * self.factor + self.shift
        if short(value) in ("inf", "-inf"):  # a double cannot hold it
            return math.inf if value > 0 else -math.inf
        return value

    def on_curve(self, raw):
        points = self.curve
        if raw <= points[0][0]:
            return points[0][1]
        if raw >= points[-1][0]:
            return points[-1][1]
        k = bisect.bisect_right([x for x, _ in points], raw)
        (x0, y0), (x1, y1) = points[k - 1], points[k]
        return y0 + (raw - x0) * (y1 - y0) / (x1 - x0)

    def inside_length(self, length):
        return all(byte < length for byte, _ in self.positions)


class Frame:
    def __init__(self, name, pairs, affine):
        keys = dict(pairs)
        self.name, self.keys = name, keys
        self.bus = keys.get("bus")
        self.pgn = number(keys["pgn"]) if "pgn" in keys else None
        self.source = number(keys["source"]) if "source" in keys else None
        self.id = number(keys["id"]) if "id" in keys else None
        self.extended = keys.get("extended", "no") == "yes" or self.pgn is not None
        self.length = number(keys["length"])
        self.counter = Counter(keys["counter"]) if "counter" in keys else None
        self.checks = [Check(value, affine) for key, value in pairs if key == "checksum"]
        self.signals = []

    def matches(self, can_id, extended):
        if extended != self.extended:
            return False
        if self.pgn is None:
            return can_id == self.id
        return pgn_of(can_id) == self.pgn and self.source in (None, can_id & 0xFF)


def pgn_of(can_id):
    pgn = can_id >> 8 & 0x3FFFF
    return pgn & 0x3FF00 if (pgn >> 8 & 0xFF) < 240 else pgn


class Parameter:
    def __init__(self, name, keys):
        self.name, self.bus = name, keys.get("bus")
        self.service = number(keys["service"])
        self.pid = number(keys["pid"]) if "pid" in keys else None
        self.length = number(keys["length"]) if "length" in keys else None
        self.signals = []


class Profile:
    def __init__(self, path):
        self.buses, self.frames, self.signals, self.parameters = {}, {}, {}, {}
        sections = read_ini(path)
        affine = {name: read_affine(pairs) for kind, name, pairs in sections if kind == "affine"}
        curves = {name: sorted((Fraction(k), Fraction(v)) for k, v in pairs)
                  for kind, name, pairs in sections if kind == "curve"}
        for kind, name, pairs in sections:
            if kind == "bus":
                self.buses[name] = dict(pairs)
            elif kind == "frame":
                self.frames[name] = Frame(name, pairs, affine.get(name))
            elif kind == "signal":
                self.signals[name] = Signal(name, dict(pairs))
            elif kind == "parameter":
                self.parameters[name] = Parameter(name, dict(pairs))
        for kind, name, pairs in sections:
            if kind == "values":
                self.signals[name].labels.update((number(k), v) for k, v in pairs)
        for signal in self.signals.values():
            signal.curve = curves.get(signal.keys.get("curve"))
            home = self.frames if signal.frame else self.parameters
            home[signal.frame or signal.parameter].signals.append(signal)

    def present(self, signal, data):
        """Is the signal on the page that this frame shows, selectors of selectors included?"""
        for name, ranges in signal.pages:
            selector = self.signals[name]
            if not selector.inside_length(len(data)) or not self.present(selector, data):
                return False
            if not inside(ranges, get_bits(data, selector.positions)):
                return False
        return True

    def top_selector(self, frame):
        """The selector that is on every page: the one that `page N` of a checksum means."""
        names = [name for signal in frame.signals for name, _ in signal.pages]
        for signal in frame.signals:
            if signal.name in names and not signal.pages:
                return signal
        return None


def read_affine(pairs):
    keys = dict(pairs)
    columns = {number(key[5:]): [number(x) for x in value.split(",")]
               for key, value in pairs if key.startswith("byte_")}
    return {"constant": number(keys.get("constant", "0")), "columns": columns}


# --------------------------------------------------------------------------------------- capture

LINE = re.compile(r"^\((?P<time>\d+\.\d+)\) +(?P<bus>\S+) +(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#"
                  r"(?:#(?P<flags>[0-9A-Fa-f])(?P<fd>(?:[0-9A-Fa-f]{2}\.?)*)"
                  r"|(?P<remote>[Rr].*?)"
                  r"|(?P<data>(?:[0-9A-Fa-f]{2}\.?)*)(?:_[9A-Fa-f])?)(?: +[RT])?\s*$")


class Received:
    def __init__(self, match):
        self.time, self.bus = match["time"], match["bus"]
        self.id, self.extended = int(match["id"], 16), len(match["id"]) == 8
        self.remote = match["remote"] is not None
        self.error = self.extended and bool(self.id & 0x20000000)
        self.fd = match["fd"] is not None
        text = match["fd"] if self.fd else match["data"] or ""
        self.data = bytes.fromhex(text.replace(".", ""))


def read_capture(path):
    """The frames of a candump log, and how many lines are none."""
    frames, malformed = [], 0
    with open(path, encoding="utf-8", newline="") as file:
        for line in file:
            match = LINE.match(line)
            if match:
                frames.append(Received(match))
            elif line.strip():
                malformed += 1
    return frames, malformed


# ---------------------------------------------------------------------------------------- decoding

class Row:
    """One row of the csv form. `value` is None (a code), a Fraction or a float that is not finite;
    `places` the decimals of its text, None where only the number counts."""

    __slots__ = ("time", "bus", "frame", "signal", "value", "places", "unit", "label", "raw")

    def __init__(self, received, frame, signal, raw, suspect):
        self.time, self.bus = received.time, received.bus
        self.frame, self.signal = frame, signal.name
        self.raw, self.unit, self.value = raw, signal.unit, None
        self.places = signal.places()
        if inside(signal.unavailable, raw):
            self.label = "unavailable"
        elif inside(signal.error, raw):
            self.label = "error"
        else:
            self.value = signal.physical(raw)
            self.label = "suspect" if suspect else signal.labels.get(raw, "")

    def text(self):
        if self.value is None:
            return ""
        if isinstance(self.value, float):
            return "nan" if math.isnan(self.value) else "inf" if self.value > 0 else "-inf"
        if self.places is None:
            return short(self.value)
        return fixed(self.value, self.places)


def short(value):
    try:
        return repr(float(value))
    except OverflowError:  # a double cannot hold it
        return "inf" if value > 0 else "-inf"


def fixed(value, places):
    """Exact decimal text; the value has at most `places` decimals."""
    scaled = value * 10 ** places
    assert scaled.denominator == 1, "a decimal that does not end where it should"
    digits = str(abs(scaled.numerator)).rjust(places + 1, "0")
    sign = "-" if scaled < 0 else ""
    return sign + digits[:len(digits) - places] + ("." + digits[-places:] if places else "")


class Transport:
    """ISO 15765-2, normal addressing, as a listener on one reply identifier hears it."""

    def __init__(self):
        self.wanted, self.payload, self.next = 0, None, 0

    def feed(self, data):
        """The whole payload when this frame completes one, else None."""
        if not data:
            return None
        kind = data[0] >> 4
        if kind == 0:
            self.payload = None
            size, at = data[0] & 15, 1
            if size == 0 and len(data) > 8:
                size, at = data[1], 2
            return data[at:at + size] if 0 < size <= len(data) - at else None
        if kind == 1 and len(data) >= 8:
            self.wanted, at = (data[0] & 15) << 8 | data[1], 2
            if self.wanted == 0:
                self.wanted, at = int.from_bytes(data[2:6], "big"), 6
            self.payload, self.next = data[at:], 1
        elif kind == 2 and self.payload is not None:
            if data[0] & 15 != self.next:
                self.payload = None
                return None
            self.payload += data[1:]
            self.next = (self.next + 1) % 16
            if len(self.payload) >= self.wanted:
                whole, self.payload = self.payload[:self.wanted], None
                return whole
        return None


def is_reply(received):
    if received.extended:
        return received.id & 0x1FFFFF00 == 0x18DAF100
    return 0x7E8 <= received.id <= 0x7EF


class Decoder:
    def __init__(self, profile, frames, buses=None):
        self.profile, self.frames = profile, frames
        self.bound = self.bind(buses or {})
        self.last, self.streams, self.known = {}, {}, {}

    def bind(self, given):
        """Bus of the profile -> bus of the capture."""
        names = list(dict.fromkeys(f.bus for f in self.frames))
        bound = {}
        for bus, keys in self.profile.buses.items():
            if bus in given:
                bound[bus] = given[bus]
            elif "interface" in keys:
                bound[bus] = keys["interface"]
            elif len(names) == 1:
                bound[bus] = names[0]
            else:
                bound[bus] = self.likeliest(bus, names)
        return bound

    def likeliest(self, bus, names):
        mine = [f for f in self.profile.frames.values() if f.bus == bus]
        seen = {name: set() for name in names}
        for received in self.frames:
            for frame in mine:
                if frame.matches(received.id, received.extended):
                    seen[received.bus].add(frame.name)
        return max(names, key=lambda name: len(seen[name]), default=None)

    def lives_here(self, bus, received):
        return bus is None or self.bound[bus] == received.bus

    def rows(self):
        for received in self.frames:
            if received.remote or received.error:
                continue
            for frame in self.frames_of(received):
                yield from self.frame_rows(frame, received)
            if self.profile.parameters and is_reply(received):
                yield from self.reply_rows(received)

    def frames_of(self, received):
        key = (received.bus, received.id, received.extended)
        if key not in self.known:
            self.known[key] = [
                frame for frame in self.profile.frames.values()
                if self.lives_here(frame.bus, received)
                and frame.matches(received.id, received.extended)]
        return self.known[key]

    def frame_rows(self, frame, received):
        suspect = self.stands_still(frame, received) or self.fails_check(frame, received)
        for signal in frame.signals:
            if signal.inside_length(len(received.data)) and self.profile.present(signal,
                                                                                 received.data):
                raw = get_bits(received.data, signal.positions)
                yield Row(received, frame.name, signal, raw, suspect)

    def stands_still(self, frame, received):
        if not frame.counter or len(received.data) < frame.counter.bytes():
            return False
        # Two senders of one PGN count apart.
        sender = received.id & 0xFF if frame.pgn is not None else received.id
        key = (frame.name, received.bus, sender)
        now, before = get_bits(received.data, frame.counter.positions), self.last.get(key)
        self.last[key] = now
        return now == before

    def fails_check(self, frame, received):
        for check in frame.checks:
            if check.page is not None:
                selector = self.profile.top_selector(frame)
                if not selector.inside_length(len(received.data)):
                    return True  # cut before the selector: no check can be told right
                if get_bits(received.data, selector.positions) != check.page:
                    continue
            if not check.verify(received.data, received.id, received.extended):
                return True
        return False

    def reply_rows(self, received):
        stream = self.streams.setdefault((received.bus, received.id, received.extended),
                                         Transport())
        payload = stream.feed(received.data)
        if not payload or not 0x41 <= payload[0] <= 0x7E:
            return
        service = payload[0] - 0x40
        size = 2 if service == 0x22 else 1
        rest = payload[1:]
        while len(rest) >= size:
            pid, rest = int.from_bytes(rest[:size], "big"), rest[size:]
            known = [p for p in self.profile.parameters.values()
                     if (p.service, p.pid) == (service, pid) and self.lives_here(p.bus, received)]
            if not known:
                return
            for parameter in known:
                data = rest if parameter.length is None else rest[:parameter.length]
                yield from self.parameter_rows(parameter, received, data)
            rest = b"" if known[0].length is None else rest[known[0].length:]

    def parameter_rows(self, parameter, received, data):
        for signal in parameter.signals:
            if signal.inside_length(len(data)) and self.profile.present(signal, data):
                yield Row(received, parameter.name, signal, get_bits(data, signal.positions), False)


def decode(profile_path, capture_path, buses=None):
    frames, _ = read_capture(capture_path)
    return list(Decoder(Profile(profile_path), frames, buses).rows())


def main():
    given, paths, arguments = {}, [], iter(sys.argv[1:])
    for argument in arguments:
        if argument == "--bus":
            name, _, interface = next(arguments).partition("=")
            given[name] = interface
        else:
            paths.append(argument)
    print("time_s,bus,frame,signal,value,unit,label")
    for row in decode(*paths, given):
        print(",".join((row.time, row.bus, row.frame, row.signal, row.text(), row.unit, row.label)))


if __name__ == "__main__":
    main()
