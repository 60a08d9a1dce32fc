"""Invents cars: a profile and a drive (candump log) from a seed, with every construct that the
profile format knows, each under random parameters.

The expectation is kept beside it: what raw value was put into which signal of which frame, and
which frames were spoiled (check, counter) or cut short. It has its own encoder and knows nothing
of the decoder; only the check algorithms of checks.py are shared, which hold to published rows.

    python3 random_car.py SEED PROFILE CAPTURE
"""

import random
import sys
from fractions import Fraction

from checks import CATALOGUE, Check
from layout import Field, InventedFrame, Layout, Span, inside, pgn_of
from random_drive import FD_LENGTHS, Drive

WORDS = ("amber birch cedar delta ember fjord grove heron inlet juniper kelp lagoon marsh nettle "
         "otter peat quartz ridge slate thorn umber vale willow yarrow zinc").split()
LABELS = ("calm brisk wild idle ready open closed left right high low warm cold first second "
          "third fourth fifth sixth parked").split()

# Role: units it may be written in (with the role's own first), None for labelled states.
ROLES = {
    "engine_speed": ("rpm",), "load": ("%",), "absolute_load": ("%",), "lambda": ("1", "AFR"),
    "lambda_target": ("1", "AFR"), "drive_mode": None, "gear": None, "ignition": None,
    "engine_state": None, "pedal": ("%",), "throttle": ("%",),
    "manifold_pressure": ("kPa", "bar", "mbar", "hPa", "psi", "Pa"),
    "barometric_pressure": ("kPa", "hPa", "bar"), "vehicle_speed": ("km/h", "mph", "m/s"),
    "wheel_speed_fl": ("km/h", "mph"), "wheel_speed_rr": ("km/h", "m/s"),
    "coolant_temp": ("°C", "K", "°F"), "intake_temp": ("°C", "°F", "K"),
    "engine_torque": ("Nm",), "injector_duty": ("%",), "rail_pressure": ("kPa", "bar", "MPa"),
    "flow_rate": ("L/h",), "tank_level": ("%",), "pump_current": ("A",)}

KNOWN_LENGTHS = {0x05: 1, 0x0C: 2, 0x10: 2, 0x24: 4, 0x42: 2, 0x63: 2}  # J1979 parameters
RECIPES = ("xor", "sum", "nibble-sum", "crc8", "crc16", "named-crc", "e2e-p1", "e2e-p2", "e2e-p5",
           "j1939-tsc1", "j1939-xbr", "affine", "crc8-page", "e2e-p1", "named-crc", "crc8", "sum")


class Car(Drive):
    def __init__(self, seed):
        self.rng = random.Random(seed)
        self.seed = seed
        self.frames, self.parameters, self.sections = [], [], []
        self.names = set()
        self.roles = list(ROLES)
        self.rng.shuffle(self.roles)
        self.buses = {}
        for k, bus in enumerate(("powertrain", "chassis", "body")[:self.rng.randint(2, 3)]):
            self.buses[bus] = "can%d" % k if self.rng.random() < 0.7 else "vcan1%d" % k
        self.ids, self.pgns = set(), set()
        for k in range(self.rng.randint(30, 45)):
            self.frames.append(self.invent_frame(k))
        self.invent_parameters()

    # ------------------------------------------------------------------------------- definitions

    def name(self):
        while True:
            name = self.rng.choice(WORDS) + "_" + self.rng.choice(WORDS)
            if self.rng.random() < 0.3:
                name += "_%d" % self.rng.randrange(1000)
            if self.rng.random() < 0.05:
                name = (name + "_" + "x" * 32)[:32]
            if name not in self.names:
                self.names.add(name)
                return name

    def invent_frame(self, k):
        rng = self.rng
        kind = rng.choice(("base", "base", "base", "extended", "pgn", "fd"))
        if k in (0, 1):
            kind = ("pgn", "fd")[k]
        length = rng.choice((8, 8, 8, 8, 7, 6, 5, 4, 3, 2, 1))
        if kind == "fd":
            length = rng.choice(FD_LENGTHS[1:])
        if kind == "pgn" or (k < len(RECIPES) and length < 4):
            length = 8
        frame = InventedFrame(self.name(), length)
        frame.bus = rng.choice(list(self.buses))
        self.choose_id(frame, kind)
        layout = Layout(length)
        recipe = rng.choice(RECIPES) if length >= 4 else None
        if k < len(RECIPES):  # each at least once
            recipe = RECIPES[k]
        paged = length >= 6 and (rng.random() < 0.35 or (recipe and "page" in recipe))
        if paged:
            self.add_selector(frame, layout)
        if recipe:
            self.add_check(frame, layout, recipe)
        if frame.counter is None and length >= 2 and rng.random() < 0.6:
            self.add_counter(frame, layout)
        self.fill(frame, layout)
        frame.lines += self.frame_extras()
        return frame

    def choose_id(self, frame, kind):
        rng = self.rng
        while True:
            if kind == "pgn":
                pgn = rng.choice((rng.randrange(0xF000, 0xFFFF), rng.randrange(0, 0xEA) << 8,
                                  0x10000 + rng.randrange(0xF000, 0xFFFF)))
                if pgn in self.pgns or pgn in (0xDA00, 0xDB00):
                    continue
                self.pgns.add(pgn)
                frame.pgn, frame.extended = pgn, True
                frame.lines.append(rng.choice(("pgn = %d", "pgn = 0x%X")) % pgn)
                if rng.random() < 0.5:
                    frame.source = rng.randrange(0xFE)
                    frame.lines.append("source = %d" % frame.source)
                return
            frame.extended = kind == "extended" or (kind == "fd" and rng.random() < 0.2)
            can_id = rng.randrange(0x20000000) if frame.extended else rng.randrange(1, 0x7D0)
            if frame.extended and rng.random() < 0.2:
                can_id = rng.randrange(1, 0x7FF)  # a small number, and yet 29 bits
            pgn = pgn_of(can_id)
            if frame.extended and (pgn in self.pgns or 0xDA00 <= pgn <= 0xEFFF):
                continue
            if (can_id, frame.extended) in self.ids:
                continue
            self.ids.add((can_id, frame.extended))
            if frame.extended:
                self.pgns.add(pgn)
            frame.id = can_id
            frame.lines.append(("id = 0x%X" if rng.random() < 0.8 else "id = %d") % can_id)
            if frame.extended:
                frame.lines.append("extended = yes")
            return

    def frame_extras(self):
        rng, lines = self.rng, []
        if rng.random() < 0.5:
            lines.append("period_ms = %d" % rng.choice((10, 20, 50, 100)))
        if rng.random() < 0.3:
            lines.append("direction = listen")
        if rng.random() < 0.1:
            lines.append("evidence = seen on a test drive, with a ;semicolon inside")
        return lines

    def add_counter(self, frame, layout, positions=None):
        rng = self.rng
        if positions is None:
            span = layout.find(rng, rng.choice((2, 3, 4, 4, 4, 8)), True)
            if span is None:
                return
        else:
            span = positions
            layout.take(span.positions)
        frame.counter = Field("", [span])
        frame.modulus = 1 << frame.counter.size
        text = span.text()
        if frame.counter.size >= 3 and rng.random() < 0.3:
            frame.modulus -= rng.choice((1, 1, 2))
            text += " mod %d" % frame.modulus
        if frame.counter.size >= 3 and rng.random() < 0.15:
            frame.step = rng.choice((2, 3))
            text += " step %d" % frame.step
        frame.lines.append("counter = " + text)

    def add_selector(self, frame, layout):
        rng = self.rng
        span = layout.find(rng, rng.choice((2, 3, 4, 8)), True)
        if span is None:
            return
        frame.selector = Field(self.name(), [span])
        frame.selector.lines.append("bits = " + span.text())
        if span.crosses():
            frame.selector.lines.append("order = intel")
        top = 1 << frame.selector.size
        count = min(top - 1, rng.randint(2, 4))
        values = sorted(rng.sample(range(top), count))
        frame.selector.selects = [[(v, v)] for v in values]
        if top >= 16 and rng.random() < 0.5:  # one page made of a list with a range
            free = [v for v in range(top - 3) if not {v, v + 1, v + 2} & set(values)]
            if free:
                v = rng.choice(free)
                others = [w for w in range(top) if w not in values and not v <= w <= v + 2]
                page = [(v, v + 2)] + ([(others[0], others[0])] if others else [])
                frame.selector.selects.append(page)
        if rng.random() < 0.3:
            frame.selector.labels = {values[0]: rng.choice(LABELS)}
        frame.fields.append(frame.selector)

    # -------------------------------------------------------------------------------- checks

    def add_check(self, frame, layout, recipe):
        rng, length = self.rng, frame.length
        if recipe in ("e2e-p1", "e2e-p2"):
            places = Span(7, 8, True), Span(11, 4, True)
            if layout.taken & set(places[0].positions + places[1].positions):
                return
            text = "%s over %s in 0 " % (recipe, rng.choice(("1..%d", "0..%d")) % (length - 1))
            layout.take(places[0].positions)
            self.add_counter(frame, layout, places[1])
            if recipe == "e2e-p1":
                text += self.e2e_p1_id(frame, layout)
            else:
                text += "data-id %s list" % self.hidden(16)
        elif recipe == "e2e-p5":
            at = rng.randrange(length - 2)
            if layout.taken & set(range(8 * at, 8 * at + 24)):
                return
            layout.take(range(8 * at, 8 * at + 16))
            self.add_counter(frame, layout, Span(8 * at + 23, 8, True))
            before = "0..%d," % (at - 1) if at else ""
            text = "e2e-p5 over %s%d..%d in %d.7..%d.0 data-id %s" % (
                before, at + 2, length - 1, at + 1, at, self.hidden(2))
        elif recipe.startswith("j1939"):
            last = 8 * (length - 1)
            if layout.taken & set(range(last, last + 8)):
                return
            layout.take(range(last + 4, last + 8))
            self.add_counter(frame, layout, Span(last + 3, 4, True))
            text = "%s over 0..%d in %d.7..%d.4" % (recipe, rng.choice((length - 1, length - 2)),
                                                    length - 1, length - 1)
        else:
            text = self.free_check(frame, layout, recipe)
            if text is None:
                return
        for one in text.split("|"):
            assert len("checksum = " + one) < 199
            frame.lines.append("checksum = " + one)
            frame.checks.append(Check(one, getattr(frame, "affine", None)))

    def hidden(self, count):
        return ",".join("0x%02X" % self.rng.randrange(256) for _ in range(count))

    def e2e_p1_id(self, frame, layout):
        low, high = self.rng.randrange(256), self.rng.randrange(256)
        mode = self.rng.choice(("both", "low", "alternating", "nibble"))
        if mode == "nibble":
            high &= 15
            nibble = list(range(15, 11, -1))
            if layout.taken & set(nibble):
                mode = "both"
            else:
                layout.take(nibble)
                frame.fixed.append((nibble, high))
        return "data-id 0x%02X,0x%02X %s" % (low, high, mode)

    def free_check(self, frame, layout, recipe):
        """The families whose place, ranges and options are free."""
        rng, length = self.rng, frame.length
        width = {"nibble-sum": 4, "crc16": 16}.get(recipe, 8)
        if recipe in ("named-crc", "crc8-page"):
            name = rng.choice([n for n in CATALOGUE if recipe != "crc8-page" or "crc8" in n])
            width = CATALOGUE[name][0]
        if recipe == "affine":
            width = rng.choice((4, 8, 8, 11, 16))
        span = layout.find(rng, width, rng.random() < 0.5, 100)
        if width == 8 and rng.random() < 0.7 and not layout.taken & set(range(8 * length - 8,
                                                                             8 * length)):
            layout.taken -= set(span.positions) if span else set()
            span = Span(8 * length - 1, 8, True)
            layout.take(span.positions)
        if span is None:
            return None
        place = span.text()
        if width == 8 and not span.crosses() and rng.random() < 0.7:
            place = str(span.positions[0] // 8)
        ranges = self.ranges(length, span)
        if recipe == "affine":
            frame.affine = {"constant": rng.randrange(1 << width), "columns": {}}
            for byte in Check("xor over %s in 0" % ranges).order:
                frame.affine["columns"][byte] = [rng.randrange(1 << width) for _ in range(8)]
            self.sections.append(affine_section(frame))
            return "affine over %s in %s" % (ranges, place)
        if recipe == "crc8-page":
            pages = [page[0][0] for page in frame.selector.selects] if frame.selector else []
            if not pages:
                return "%s over %s in %s" % (name, ranges, place)
            return "|".join("%s over %s in %s data-id 0x%02X page %d" % (
                name, ranges, place, rng.randrange(256), page) for page in pages)
        words = [name if recipe == "named-crc" else recipe, "over", ranges, "in", place]
        words += self.family_options(recipe, width)
        words += self.common_options(frame, layout, recipe)
        return " ".join(words)

    def ranges(self, length, span):
        rng = self.rng
        own = {p // 8 for p in span.positions}
        kind = rng.random()
        if kind < 0.25:
            return "0..%d" % (length - 1)  # its own bits count as 0
        if kind < 0.4:
            return "%d..0" % (length - 1)
        parts = []
        run = []
        for byte in list(range(length)) + [None]:
            if byte is not None and (byte not in own):
                run.append(byte)
            elif run:
                parts.append("%d..%d" % (run[0], run[-1]) if len(run) > 1 else str(run[0]))
                run = []
        if not parts:
            return "0..%d" % (length - 1)
        if kind < 0.5:
            parts.reverse()
        if kind > 0.9:
            parts = [".." .join(reversed(p.split(".."))) for p in reversed(parts)]
        return ",".join(parts)

    def family_options(self, recipe, width):
        rng, words = self.rng, []
        if recipe in ("crc8", "crc16"):
            top = 1 << width
            words += ["poly", "0x%X" % (rng.randrange(1, top) | 1)]
            if rng.random() < 0.6:
                words += ["init", "0x%X" % rng.randrange(top)]
            if rng.random() < 0.6:
                words += ["xorout", "0x%X" % rng.randrange(top)]
            if rng.random() < 0.4:
                words.append("reflect")
        if recipe in ("xor", "sum", "nibble-sum") and rng.random() < 0.5:
            words += ["start", "0x%X" % rng.randrange(16 if recipe == "nibble-sum" else 256)]
        if recipe in ("sum", "nibble-sum") and rng.random() < 0.6:
            words += ["complement", rng.choice(("ones", "twos"))]
        return words

    def common_options(self, frame, layout, recipe):
        rng, words = self.rng, []
        if rng.random() < 0.3:
            words.append("with-id")
        if rng.random() < 0.3:
            words.append("with-length")
        if rng.random() < 0.5:
            mode = rng.choice(("both", "low", "alternating", "list"))
            counter = []
            if mode in ("alternating", "list"):
                self.add_counter(frame, layout)
                if frame.counter is None or frame.counter.size > 4:
                    return words
                if mode == "list" and frame.counter.size > 3 and recipe != "named-crc":
                    mode = "alternating"  # a list of 16 would make the line too long
                counter = ["counter", frame.counter.spans[0].text()]
            count = {"both": rng.randint(1, 4), "low": 2, "alternating": 2}.get(mode)
            count = count or (1 << frame.counter.size)
            words += ["data-id", self.hidden(count)]
            if mode != "both" or rng.random() < 0.5:
                words.append(mode)
            if rng.random() < 0.6:
                words.append(rng.choice(("before", "after")))
            words += counter
        return words

    # ------------------------------------------------------------------------------- signals

    def fill(self, frame, layout):
        rng = self.rng
        if frame.selector is None:
            self.fill_page(frame, layout, [], rng.randint(2, 9))
            return
        self.fill_page(frame, layout, [], rng.randint(0, 2))
        for k, ranges in enumerate(frame.selector.selects):
            page_layout = layout.copy()
            page = [(frame.selector, ranges)]
            if k == 0 and self.add_inner(frame, page_layout, page):
                for inner_ranges in frame.inner.selects:
                    inner_layout = page_layout.copy()
                    inner_page = page + [(frame.inner, inner_ranges)]
                    if rng.random() < 0.3:  # the selector's own page goes without saying
                        inner_page = [(frame.inner, inner_ranges)]
                    self.fill_page(frame, inner_layout, inner_page, rng.randint(1, 3))
            else:
                self.fill_page(frame, page_layout, page, rng.randint(1, 5))

    def add_inner(self, frame, layout, page):
        span = layout.find(self.rng, self.rng.choice((1, 2, 4)), True)
        if span is None:
            return False
        inner = Field(self.name(), [span])
        inner.lines.append("bits = " + span.text())
        if span.crosses():
            inner.lines.append("order = intel")
        inner.page = page
        inner.lines.append(page_line(page))
        top = 1 << inner.size
        inner.selects = [[(v, v)] for v in self.rng.sample(range(top), min(top, 3) - 1)]
        frame.inner = inner
        frame.fields.append(inner)
        return True

    def fill_page(self, frame, layout, page, count):
        for _ in range(count):
            field = self.invent_field(layout, frame.length)
            if field is None:
                continue
            field.page = page
            if page:
                field.lines.append(page_line(page))
            frame.fields.append(field)

    def invent_field(self, layout, length, roles=True):
        rng = self.rng
        intel = rng.random() < 0.5
        spans = []
        kind = rng.random()
        if kind < 0.08:
            for _ in range(rng.randint(2, 3)):
                span = layout.find(rng, rng.randint(1, 12), intel)
                if span:
                    spans.append(span)
        else:
            sizes = (1, 1, 2, 3, 4, 7, 8, 8, 10, 12, 16, 16, 16, 20, 24, 32, 32, 48, 53, 54, 63,
                     64, 64, rng.randint(1, 64))
            size = rng.choice([s for s in sizes if s <= 8 * length])
            span = layout.find(rng, size, intel)
            if span:
                spans = [span]
        if not spans:
            return None
        field = Field(self.name(), spans)
        key = "bits" if len(spans) == 1 else "parts"
        field.lines.append("%s = %s" % (key, " ".join(s.text() for s in spans)))
        if any(s.crosses() for s in spans):
            field.lines.append("order = " + ("intel" if intel else "motorola"))
        self.give_meaning(field, roles)
        return field

    def give_meaning(self, field, roles):
        rng, size = self.rng, field.size
        kind = rng.random()
        if size <= 8 and kind < 0.25:
            self.give_labels(field, roles)
        elif size in (32, 64) and len(field.spans) == 1 and kind < 0.4:
            field.sign = "float"
            field.lines.append("sign = float")
            if rng.random() < 0.3:
                field.lines.append("scale = %s" % rng.choice(("0.5", "-2", "10")))
            self.give_unit(field, roles)
        else:
            if size >= 2:
                field.sign = rng.choice(("unsigned", "unsigned", "unsigned", "twos", "twos",
                                         "offset-binary", "sign-magnitude"))
            if field.sign != "unsigned" or rng.random() < 0.1:
                field.lines.append("sign = " + field.sign)
            self.give_form(field)
            self.give_codes(field)
            self.give_unit(field, roles)
            self.give_range(field)
        if rng.random() < 0.1:
            field.lines.append(rng.choice(("max_age_ms = 250", "on_lost = missing",
                                           "on_lost = hold 500", "evidence = a guess; unproven")))

    def give_labels(self, field, roles):
        rng = self.rng
        top = 1 << field.size
        raws = sorted(rng.sample(range(top), min(top, rng.randint(1, 8))))
        field.labels = dict(zip(raws, rng.sample(LABELS, len(raws))))
        field.sign = "unsigned"
        if roles and field.size <= 4 and rng.random() < 0.6:
            for role in ("drive_mode", "gear", "ignition", "engine_state"):
                if role in self.roles:
                    self.roles.remove(role)
                    field.lines.append("role = " + role)
                    break
        pairs = ["%s %s" % (raw_text(rng, raw), label) for raw, label in field.labels.items()]
        line = "values = " + ", ".join(pairs)
        if rng.random() < 0.5 and len(line) < 150:
            field.lines.append(line)
        else:
            self.sections.append(["[values %s]" % field.name] + [
                "%s = %s" % (raw_text(rng, raw), label) for raw, label in field.labels.items()])

    def give_form(self, field):
        rng = self.rng
        kind = rng.random()
        field.scale, field.offset = Fraction(1), Fraction(0)
        if kind < 0.08 and field.size <= 16:
            field.form = "curve"
            self.give_curve(field)
            return
        if kind < 0.16:
            field.form = "reciprocal"
            field.lines.append("form = reciprocal")
        wide = field.size > 40
        scales = ("1", "0.1", "0.25", "0.5", "0.01", "0.001", "2", "-1", "-0.5", "1/256", "100/255",
                  "1/3", "0.0625", "0.03125", "0.0000152587890625", "7", "-3/7", "0.004", "32")
        if wide:
            scales = ("1", "1", "0.1", "0.5", "1/2", "0.01")
        if rng.random() < 0.7:
            scale = rng.choice(scales)
            field.scale = Fraction(scale)
            field.lines.append("scale = " + scale)
        if rng.random() < 0.4:
            offset = rng.choice(("-40", "-273", "0.5", "-100", "12.75", "-0.001", "1/7", "-125",
                                 "100000"))
            field.offset = Fraction(offset)
            field.lines.append("offset = " + offset)

    def give_curve(self, field):
        rng = self.rng
        low, high = 0, (1 << field.size) - 1
        if field.sign != "unsigned":
            half = 1 << (field.size - 1)
            low, high = (1 - half if field.sign == "sign-magnitude" else -half), half - 1
        if high - low < 3:
            field.form = "linear"
            return
        raws = sorted(rng.sample(range(low, high + 1), min(high - low + 1, rng.randint(2, 6))))
        name = self.name()
        field.lines.append("curve = " + name)
        value, lines = Fraction(rng.randint(-500, 500), 10), ["[curve %s]" % name]
        for raw in raws:
            lines.append("%d = %s" % (raw, decimal_text(value)))
            value += Fraction(rng.randint(1, 300), rng.choice((1, 10, 100)))
        self.sections.append(lines)

    def give_codes(self, field):
        rng, size = self.rng, field.size
        if size < 4 or rng.random() < 0.5:
            return
        top = (1 << size) - 1
        if rng.random() < 0.6:
            first = top - rng.choice((0, 0, top >> 4))
            unavailable, error = [(first, top)], [(first - 1, first - 1)]
        else:
            at = rng.randrange(top - 2)
            unavailable, error = [(at, at)], [(at + 1, at + 2)]
        if rng.random() < 0.2 and not inside(unavailable + error, 0):
            unavailable.append((0, 0))
        field.codes = list(unavailable)
        field.lines.append("unavailable = " + ranges_text(rng, unavailable))
        if rng.random() < 0.6:
            field.codes += error
            field.lines.append("error = " + ranges_text(rng, error))

    def give_unit(self, field, roles):
        rng = self.rng
        # A role's unit multiplies into the scale; fields beyond 32 bits keep their own.
        if roles and field.size <= 32 and rng.random() < 0.2:
            fitting = [r for r in self.roles if ROLES[r]]
            if fitting:
                role = fitting[0]
                self.roles.remove(role)
                unit = rng.choice(ROLES[role])
                field.lines += ["role = " + role, "unit = " + unit]
                if unit == "AFR":
                    field.lines.append("stoich = " + rng.choice(("14.7", "9.0", "14.1")))
                field.role = role
                return
        if rng.random() < 0.6:
            field.lines.append("unit = " + rng.choice(("rpm", "1", "°/s", "m/s²", "L/h", "V", "A",
                                                       "%", "µs", "km/h")))

    def give_range(self, field):
        rng = self.rng
        if field.form != "linear" or rng.random() < 0.6 or field.size < 4:
            return
        span = (1 << field.size) - 1
        if field.sign != "unsigned":
            half = 1 << (field.size - 1)
            ends = sorted((rng.randrange(1 - half, half), rng.randrange(1 - half, half)))
        else:
            ends = sorted((rng.randrange(span), rng.randrange(span)))
        if ends[0] == ends[1] or ends[1] - ends[0] < 4:
            return
        values = [e * field.scale + field.offset for e in ends]
        if any(not ends_somewhere(v) or len(decimal_text(v)) > 18 for v in values):
            return  # numbers of definitions are fractions of 64-bit whole numbers
        low, high = sorted(values)
        field.allowed = ends
        field.lines.append("range = %s..%s" % (decimal_text(low), decimal_text(high)))

    # ------------------------------------------------------------------- diagnostic parameters

    def invent_parameters(self):
        rng = self.rng
        pids = rng.sample([p for p in range(0xA8, 0xE0) if p % 32], 4)  # not J1979's
        pids += rng.sample(list(KNOWN_LENGTHS), 2)
        pids += rng.sample(range(0x1000, 0xF000), 4)
        for k, pid in enumerate(pids):
            parameter = InventedFrame(self.name(), rng.choice((1, 2, 4, 4, 9)))
            parameter.pid, parameter.service = pid, 0x22 if pid > 0xFF else 0x01
            parameter.bus = next(iter(self.buses)) if k % 2 else None
            if pid in KNOWN_LENGTHS:
                parameter.length = KNOWN_LENGTHS[pid]
            parameter.given = k not in (4, 9)  # `length` is written
            layout = Layout(parameter.length)
            while len(parameter.fields) < 1:
                self.fill_parameter(parameter, layout)
            self.parameters.append(parameter)

    def fill_parameter(self, parameter, layout):
        for _ in range(self.rng.randint(1, 3)):
            field = self.invent_field(layout, parameter.length)
            if field:
                parameter.fields.append(field)

    # ----------------------------------------------------------------------------- profile text

    def profile_text(self):
        rng = self.rng
        out = ["; an invented car, seed %d" % self.seed, "[profile]", "format = 1",
               "name = invented-%d" % self.seed, "title = Invented car (no maker's)", ""]
        for k, (bus, interface) in enumerate(self.buses.items()):
            out += ["[bus %s]" % bus, "bitrate = 500000            ; bit/s",
                    "interface = " + interface]
            if k == 0:
                out += ["data_bitrate = 2000000", "fd = iso", "sample_point = 0.8"]
            else:
                out += ["data_bitrate = 2000000", "fd = iso"]
            out.append("")
        late = []
        for frame in self.frames:
            out += ["[frame %s]" % frame.name, "bus = " + frame.bus, "length = %d" % frame.length]
            out += frame.lines + [""]
            for field in frame.fields:
                section = ["[signal %s]" % field.name, "frame = " + frame.name] + field.lines
                section += self.selector_labels(frame, field) + [""]
                if field is not frame.selector and rng.random() < 0.1:
                    late.append((frame, field, section))
                else:
                    out += section
        for frame, field, section in late:  # far from their frame: the order is the profile's
            frame.fields.remove(field)
            frame.fields.append(field)
            out += section
        for parameter in self.parameters:
            out += ["[parameter %s]" % parameter.name, "service = 0x%02X" % parameter.service,
                    "pid = 0x%02X" % parameter.pid]
            if parameter.bus:
                out.append("bus = " + parameter.bus)
            if parameter.given:
                out.append("length = %d" % parameter.length)
            out.append("")
            for field in parameter.fields:
                out += ["[signal %s]" % field.name, "parameter = " + parameter.name]
                out += field.lines + [""]
        for section in self.sections:
            out += section + [""]
        return "\n".join(self.decorated(line) for line in out) + "\n"

    def selector_labels(self, frame, field):
        if field is not frame.selector or not field.labels:
            return []
        return ["values = " + ", ".join("%d %s" % pair for pair in field.labels.items())]

    def decorated(self, line):
        if line and not line.startswith((";", "[", "evidence")) and self.rng.random() < 0.05:
            remark = "   ; a remark = with [brackets]"
            line += remark if len(line.encode()) < 199 - len(remark) else ""
        if line.startswith("[") and self.rng.random() < 0.05:
            line += "  ; a remark"
        assert len(line.encode()) < 199, line
        return line


def raw_text(rng, raw):
    return "0x%X" % raw if rng.random() < 0.3 else str(raw)


def ranges_text(rng, ranges):
    return ",".join(raw_text(rng, a) if a == b else "%s..%s" % (raw_text(rng, a), raw_text(rng, b))
                    for a, b in ranges)


def page_line(page):
    def ranges_of(ranges):
        return ",".join(str(a) if a == b else "%d..%d" % (a, b) for a, b in ranges)
    return "page = " + " and ".join("%s %s" % (s.name, ranges_of(r)) for s, r in page)


def affine_section(frame):
    lines = ["[affine %s]" % frame.name, "constant = 0x%X" % frame.affine["constant"]]
    for byte, columns in frame.affine["columns"].items():
        lines.append("byte_%d = %s" % (byte, ",".join("0x%X" % c for c in columns)))
    return lines


def ends_somewhere(value):
    rest = value.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    return rest == 1


def decimal_text(value):
    """A fraction that ends, as a decimal without needless zeros."""
    digits = 0
    while (value * 10 ** digits).denominator != 1:
        digits += 1
    number = abs(value * 10 ** digits).numerator
    text = str(number).rjust(digits + 1, "0")
    text = text[:len(text) - digits] + ("." + text[-digits:] if digits else "")
    return ("-" if value < 0 else "") + text


def main():
    car = Car(int(sys.argv[1]))
    with open(sys.argv[2], "w", encoding="utf-8") as file:
        file.write(car.profile_text())
    lines, _ = car.drive()
    with open(sys.argv[3], "w", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
