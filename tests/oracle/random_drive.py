"""The drive of an invented car: frames with spoiled checks, frozen counters, cut ends, noise and
diagnostic replies, and beside it what was put into each."""

from layout import id_text, inside, pgn_of, put

NANOSECOND = 10 ** 9
FD_LENGTHS = (8, 12, 16, 20, 24, 32, 48, 64)


class Drive:
    """The part of a car that sends. `rng`, `frames`, `parameters` and `buses` are the car's."""

    def drive(self, rounds=14):
        """(lines, expected): expected = [(time, bus, frame, signal, raw, suspect)] in order."""
        rng = self.rng
        self.now_ns = 1700000000 * NANOSECOND + rng.randrange(NANOSECOND)
        self.digits = rng.choice((6, 6, 9))
        lines, expected = [], []
        self.streams = {}
        for _ in range(rounds):
            order = list(self.frames)
            rng.shuffle(order)
            for frame in order:
                if rng.random() < 0.05:
                    lines.append(self.noise(frame))
                self.send(frame, lines, expected)
            for _ in range(3):
                self.reply(lines, expected)
        return lines, expected

    def stamp(self):
        self.now_ns += self.rng.randrange(1, 3000000)
        whole, part = divmod(self.now_ns, NANOSECOND)
        return "%d.%s" % (whole, ("%09d" % part)[:self.digits])

    def noise(self, frame):
        """Something that no row may come from."""
        rng = self.rng
        bus = self.buses[frame.bus]
        can_id = frame.id if frame.pgn is None else 0x18EE00FE
        ident = id_text(can_id, frame.extended or frame.pgn is not None)
        other = id_text(rng.randrange(0x700, 0x7D0), False)
        while (int(other, 16), False) in self.ids:
            other = id_text(rng.randrange(0x700, 0x7D0), False)
        choice = rng.randrange(5)
        if choice == 0:
            return "(%s) %s %s#R%d" % (self.stamp(), bus, ident, rng.randrange(9))
        if choice == 1:
            return "(%s) %s 20000004#0004000000000000" % (self.stamp(), bus)
        if choice == 2:
            return "(%s) %s %s#%s" % (self.stamp(), bus, other, rng.randbytes(8).hex().upper())
        # The same number in the other format.
        if choice == 3 and not frame.extended and pgn_of(can_id) not in self.pgns:
            return "(%s) %s %s#%s" % (self.stamp(), bus, id_text(can_id, True),
                                      rng.randbytes(8).hex().upper())
        return "(%s) can9 %s#%s" % (self.stamp(), ident, rng.randbytes(8).hex().upper())

    def real_id(self, frame):
        if frame.pgn is None:
            return frame.id
        rng = self.rng
        source = frame.source if frame.source is not None else rng.choice((0x00, 0x17, 0xF0))
        pgn = frame.pgn
        if pgn_of(pgn << 8) == pgn and (pgn >> 8 & 0xFF) < 240:
            pgn |= rng.choice((0xFF, 0x03))  # any destination
        return rng.choice((0, 3, 6, 7)) << 26 | pgn << 8 | source

    def raw_for(self, field):
        rng, top = self.rng, (1 << field.size) - 1
        kind = rng.random()
        if field.selects:
            pages = [v for page in field.selects for r in page for v in r]
            return rng.choice(pages) if kind < 0.85 else rng.randint(0, top)
        if kind < 0.15:
            return rng.choice((0, top, top >> 1, (top >> 1) + 1, 1))
        if kind < 0.3 and field.codes:
            return rng.choice(rng.choice(field.codes))
        if kind < 0.6 and field.labels:
            return rng.choice(list(field.labels))
        if field.sign == "float" and kind < 0.45:
            special = {32: (0x7F800000, 0xFF800000, 0x7FC00000, 0xFFC00001, 0x80000000, 1,
                            0x7F7FFFFF, 0x3F800000, 0x40490FDB),
                       64: (0x7FF << 52, 0xFFF << 52, 0x7FF8 << 48, 1 << 63, 1, (0x7FF << 52) - 1,
                            0x3FF << 52, 0x400921FB54442D18)}
            return rng.choice(special[field.size])
        return rng.randint(0, top)

    def shown(self, frame, values):
        """Fields on the page that the selectors' values choose."""
        def present(field):
            return all(present(selector) and inside(ranges, values[selector])
                       for selector, ranges in field.page)
        return [field for field in frame.fields if present(field)]

    def send(self, frame, lines, expected):
        rng = self.rng
        can_id = self.real_id(frame)
        data = bytearray(rng.randbytes(frame.length))
        values = {}
        for field in frame.fields:
            if field.selects:
                values[field] = self.raw_for(field)
        for field in self.shown(frame, values):
            values.setdefault(field, self.raw_for(field))
            field.put(data, values[field])
        for positions, raw in frame.fixed:
            put(data, positions, raw)
        sender = can_id & 0xFF if frame.pgn is not None else can_id
        counter = self.next_counter(frame, sender)
        if frame.counter:
            frame.counter.put(data, counter)
        if rng.random() < 0.03 and frame.length < 8:  # longer than declared
            data += rng.randbytes(rng.randint(1, 8 - frame.length))
        check = self.check_on_page(frame, values)
        broken = False
        if check:
            check.apply(data, can_id, frame.extended)
            if rng.random() < 0.08:
                self.spoil(check, data)
                broken = True
        if rng.random() < 0.05 and len(data) == frame.length:
            data = data[:rng.randrange(len(data))]
            broken |= check is not None and check.with_length
        if check and len(data) < check.bytes():
            broken = True
        elif broken and check and check.verify(data, can_id, frame.extended):
            broken = False  # by chance right again
        if any(c.page is not None for c in frame.checks) and not frame.selector.inside(len(data)):
            broken = True  # which check holds cannot be told
        frozen = False
        if frame.counter and frame.counter.inside(len(data)):
            frozen = frame.counts.get(sender) == counter
            frame.counts[sender] = counter
        time = self.stamp()
        lines.append(self.line(time, frame, can_id, data))
        for field in frame.fields:
            if self.there(field, values, len(data)):
                expected.append((time, self.buses[frame.bus], frame.name, field.name,
                                 values[field], broken or frozen))

    def there(self, field, values, length):
        return field.inside(length) and all(
            self.there(selector, values, length) and inside(ranges, values[selector])
            for selector, ranges in field.page)

    def check_on_page(self, frame, values):
        for check in frame.checks:
            if check.page is None or check.page == values[frame.selector]:
                return check
        return None

    def spoil(self, check, data):
        """One bit of the check itself: always wrong then, whatever the family."""
        byte, bit = self.rng.choice(check.place)
        data[byte] ^= 1 << bit

    def next_counter(self, frame, sender):
        if not frame.counter:
            return 0
        rng = self.rng
        last = frame.counts.get(sender)
        if last is None:
            return rng.randrange(frame.modulus)
        kind = rng.random()
        if kind < 0.08:
            return last
        if kind < 0.12:
            return rng.randrange(frame.modulus)
        return (last + frame.step) % frame.modulus

    def line(self, time, frame, can_id, data):
        rng = self.rng
        text = bytes(data).hex().upper()
        if rng.random() < 0.05:
            text = text.lower()
        if rng.random() < 0.03 and data:
            text = ".".join(text[k:k + 2] for k in range(0, len(text), 2))
        mark = "#"
        if frame.length > 8:
            mark = "##" + rng.choice("0145")
            if len(data) > 8 and len(data) not in FD_LENGTHS:
                text = bytes(data).hex().upper()
        elif len(data) == 8 and rng.random() < 0.02:
            text += "_" + rng.choice("9AE")
        tail = rng.choice(("", "", "", "", " R", " T"))
        gap = rng.choice((" ", " ", " ", "   "))
        return "(%s)%s%s %s%s%s%s" % (time, gap, self.buses[frame.bus], id_text(can_id,
                                      frame.extended), mark, text, tail)

    def reply(self, lines, expected):
        """One diagnostic reply: a single frame, several PIDs in one, or several frames."""
        rng = self.rng
        service = rng.choice((0x01, 0x22))
        known = [p for p in self.parameters if p.service == service]
        chosen = rng.sample([p for p in known if p.given], min(2, len(known)))[:rng.randint(1, 2)]
        if rng.random() < 0.3:
            chosen = [rng.choice(known)]
        payload, values = bytearray([service + 0x40]), []
        for parameter in chosen:
            payload += parameter.pid.to_bytes(2 if service == 0x22 else 1, "big")
            data = bytearray(rng.randbytes(parameter.length))
            for field in parameter.fields:
                raw = self.raw_for(field)
                field.put(data, raw)
                values.append((parameter, field, raw))
            payload += data
        bus = self.buses[next(iter(self.buses))]
        extended = rng.random() < 0.3
        ident = id_text(0x18DAF110 if extended else 0x7E8 + rng.randrange(2), extended)
        frames = segments(payload, rng.choice((0x00, 0xAA, 0x55, 0xCC)))
        time = None
        for data in frames:
            time = self.stamp()
            lines.append("(%s) %s %s#%s" % (time, bus, ident, data.hex().upper()))
        for parameter, field, raw in values:
            expected.append((time, bus, parameter.name, field.name, raw, False))


def segments(payload, filler):
    def padded(data):
        return bytes(data) + bytes([filler]) * (8 - len(data))
    if len(payload) <= 7:
        return [padded(bytes([len(payload)]) + payload)]
    frames = [bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF]) + bytes(payload[:6])]
    for k, at in enumerate(range(6, len(payload), 7), 1):
        frames.append(padded(bytes([0x20 | k % 16]) + payload[at:at + 7]))
    return frames
