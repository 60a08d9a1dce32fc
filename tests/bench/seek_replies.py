"""Diagnostic replies of a candump log, read a second time: what a search for signals is given. Shares
nothing with the program. SAE J1979 as publicly tabulated, ISO 15765-2 (frames), ISO 15765-4
(identifiers of 11 and 29 bits)."""

# Parameter: target, bytes of the whole answer, value of them, its step.
PARAMETERS = {
    0x04: ('load', 1, lambda d: d[0] * 100 / 255, 100 / 255),
    0x05: ('coolant_temp', 1, lambda d: d[0] - 40, 1),
    0x0B: ('manifold_pressure', 1, lambda d: d[0], 1),
    0x0C: ('engine_speed', 2, lambda d: (256 * d[0] + d[1]) / 4, 0.25),
    0x0D: ('vehicle_speed', 1, lambda d: d[0], 1),
    0x0E: ('timing_advance', 1, lambda d: d[0] / 2 - 64, 0.5),
    0x0F: ('intake_temp', 1, lambda d: d[0] - 40, 1),
    0x10: ('air_mass_flow', 2, lambda d: (256 * d[0] + d[1]) / 100, 0.01),
    0x11: ('throttle', 1, lambda d: d[0] * 100 / 255, 100 / 255),
    0x24: ('lambda', 4, lambda d: (256 * d[0] + d[1]) / 32768, 1 / 32768),
    0x33: ('barometric_pressure', 1, lambda d: d[0], 1),
    0x34: ('lambda', 4, lambda d: (256 * d[0] + d[1]) / 32768, 1 / 32768),
    0x42: ('battery_voltage', 2, lambda d: (256 * d[0] + d[1]) / 1000, 0.001),
    0x43: ('absolute_load', 2, lambda d: (256 * d[0] + d[1]) * 100 / 255, 100 / 255),
    0x44: ('lambda_target', 2, lambda d: (256 * d[0] + d[1]) / 32768, 1 / 32768),
    0x46: ('ambient_temp', 1, lambda d: d[0] - 40, 1),
    0x49: ('pedal', 1, lambda d: d[0] * 100 / 255, 100 / 255),
}


def is_reply(ident, extended):
    return (ident & 0x1FFFFF00) == 0x18DAF100 if extended else 0x7E8 <= ident <= 0x7EF


def is_diagnostic(ident, extended):
    if extended:
        return (ident & 0x1FFE0000) == 0x18DA0000
    return ident == 0x7DF or 0x7E0 <= ident <= 0x7EF


class Samples:
    """The values of one parameter of one controller."""

    def __init__(self, pid, responder):
        self.pid, self.responder = pid, responder
        self.target, _, _, self.step = PARAMETERS[pid]
        self.times, self.values = [], []

    def name(self):
        return 'obd 01 %02X %s' % (self.pid, self.responder)


class Replies:
    """Fed with the frames of a log in order; `found` has Samples by (parameter, controller)."""

    def __init__(self):
        self.found, self.open = {}, {}

    def feed(self, time, bus, ident, extended, data):
        if not is_reply(ident, extended) or not data:
            return
        key, kind = (bus, ident), data[0] >> 4
        if kind == 0:
            self.take(time, key, extended, data[1:1 + (data[0] & 15)])
        elif kind == 1 and len(data) == 8:
            self.open[key] = (time, (data[0] & 15) * 256 + data[1], bytearray(data[2:]), 1)
        elif kind == 2 and key in self.open:
            began, length, body, turn = self.open.pop(key)
            if data[0] & 15 != turn & 15:
                return  # one was lost
            body += data[1:]
            if len(body) >= length:
                self.take(began, key, extended, bytes(body[:length]))
            else:
                self.open[key] = (began, length, body, turn + 1)

    def take(self, time, key, extended, body):
        if not body or body[0] != 0x41:
            return
        at = 1
        while at < len(body):
            pid = body[at]
            length = 4 if pid % 0x20 == 0 else PARAMETERS.get(pid, (None, 0))[1]
            value = body[at + 1:at + 1 + length]
            if not length or len(value) < length:
                return
            if pid in PARAMETERS:
                responder = ('%08X' if extended else '%03X') % key[1]
                samples = self.found.setdefault((pid, responder), Samples(pid, responder))
                samples.times.append(time)
                samples.values.append(PARAMETERS[pid][2](value))
            at += 1 + length


def turns(values, threshold):
    """How often a course turns round after at least `threshold` one way."""
    count, rising, high, low = 0, None, values[0], values[0]
    for value in values:
        if rising is not False:
            high = max(high, value)
        if rising is not True:
            low = min(low, value)
        if rising is not True and value - low > threshold:
            count += rising is False
            rising, high = True, value
        elif rising is not False and high - value > threshold:
            count += rising is True
            rising, low = False, value
    return count


# What counts as exercised, fixed from the replies alone, before any search runs: samples, different
# values, span, and how often the course turned round by a quarter of that span. Slow quantities
# need a span and changes of value instead.
RULES = {
    'engine_speed': (40, 8, 1000, 6), 'vehicle_speed': (40, 8, 20, 4), 'pedal': (40, 8, 20, 6),
    'throttle': (40, 8, 15, 6), 'load': (40, 8, 25, 6), 'manifold_pressure': (40, 8, 20, 6),
    'lambda': (40, 8, 0.1, 6), 'lambda_target': (40, 8, 0.05, 6),
    'absolute_load': (40, 8, 25, 6), 'air_mass_flow': (40, 8, 5, 6),
    'timing_advance': (40, 8, 8, 6),
}
SLOW_RULES = {'coolant_temp': (40, 15, 12), 'intake_temp': (40, 6, 12), 'ambient_temp': (40, 6, 12)}


def is_exercised(samples):
    values, target = samples.values, samples.target
    span = max(values) - min(values)
    if target in SLOW_RULES:
        count, least, changes = SLOW_RULES[target]
        changed = sum(a != b for a, b in zip(values, values[1:]))
        return len(values) >= count and span >= least and changed >= changes
    if target not in RULES:
        return False
    count, distinct, least, wanted = RULES[target]
    return (len(values) >= count and len(set(values)) >= distinct and span >= least and
            turns(values, span / 4) >= wanted)


def marks_exercised(rows):
    """Six changes, every label visited twice at least."""
    visits = {}
    for _, label in rows:
        visits[label] = visits.get(label, 0) + 1
    return len(rows) > 6 and len(visits) > 1 and min(visits.values()) >= 2
