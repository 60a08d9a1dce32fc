"""Holds `loomtap rehearse` against an independent run of the same rules: the demo drive, then
invented cars with invented warnings.

    python3 rehearsal.py LOOMTAP cars [SEED...]     invented cars (default: two dozen seeds)
    python3 rehearsal.py LOOMTAP drive SOURCE_ROOT  captures/tarn-drive.log with its profile

The rules are those of docs/warnings.md, written here a second time: frames decoded by decoder.py,
conditions parsed and run by this file, time in whole nanoseconds. Every event must come at the same
nanosecond with the same cause and values, every frame at the same time with the right bytes. The
comparison is shown that it can fail: with one rule bent at a time it must find differences.
Exit 1 on any difference, 77 (skipped) where there is nothing to compare.
"""

import json
import math
import os
import random
import re
import subprocess
import sys
import tempfile
from fractions import Fraction

sys.dont_write_bytecode = True

import checks
import decoder
import random_car

NS, MS = 10 ** 9, 10 ** 6
SHOWN = 6
# Largest useful age of a role in ms: the table of docs/profile-format.md is without it, so this is
# src/core/role.c read by a person.
ROLE_AGES = {
    "engine_speed": 200, "load": 500, "absolute_load": 500, "lambda": 500, "lambda_target": 500,
    "drive_mode": 2000, "pedal": 200, "throttle": 200, "manifold_pressure": 200,
    "barometric_pressure": 10000, "vehicle_speed": 500, "coolant_temp": 5000, "intake_temp": 5000,
    "oil_temp": 5000, "ambient_temp": 30000, "engine_torque": 200, "gear": 1000, "ignition": 2000,
    "engine_state": 1000, "injector_duty": 200, "air_mass_flow": 200, "rail_pressure": 200,
    "flow_rate": 500, "tank_level": 10000, "pump_current": 500, "valve_duty": 500, "clutch": 200,
    "brake": 200, "timing_advance": 200, "battery_voltage": 1000, "fuel_temp": 5000,
    "oil_pressure": 500, "fuel_level": 30000}
LABEL_ROLES = ("drive_mode", "gear", "ignition", "engine_state", "brake", "clutch")


def nanoseconds(text):
    whole, _, part = text.partition(".")
    return int(whole) * NS + int((part + "0" * 9)[:9])


# ------------------------------------------------------------------------------------- conditions

WORD = re.compile(r"\s*(?:(\d[\d.]*(?:[eE][-+]?\d+)?|\.\d+)|([A-Za-z_]\w*)|\"([^\"]*)\"|'([^']*)'"
                  r"|(<=|>=|==|!=|[-+*/()<>,]))")


class Condition:
    """Text to a tree: ("num", x), ("sig", name), ("label", text), (function, name), (operator, ...)."""

    def __init__(self, text):
        self.words, at = [], 0
        text = text.strip()
        while at < len(text):
            match = WORD.match(text, at)
            assert match, text
            self.words.append(match.groups())
            at = match.end()
        self.at = 0
        self.tree = self.either()
        assert self.at == len(self.words), text

    def peek(self):
        if self.at == len(self.words):
            return None
        _, name, _, _, sign = self.words[self.at]
        return name or sign

    def take(self, *wanted):
        if self.peek() in wanted:
            self.at += 1
            return self.words[self.at - 1][1] or self.words[self.at - 1][4]
        return None

    def chain(self, operand, *signs):
        tree = operand()
        while True:
            sign = self.take(*signs)
            if not sign:
                return tree
            tree = (sign, tree, operand())

    def either(self):
        return self.chain(self.all, "or")

    def all(self):
        return self.chain(self.negated, "and")

    def negated(self):
        return ("not", self.negated()) if self.take("not") else self.compared()

    def compared(self):
        tree = self.sum()
        sign = self.take("<", "<=", ">", ">=", "==", "!=")
        return (sign, tree, self.sum()) if sign else tree

    def sum(self):
        return self.chain(self.product, "+", "-")

    def product(self):
        return self.chain(self.unary, "*", "/")

    def unary(self):
        return ("neg", self.unary()) if self.take("-") else self.primary()

    def primary(self):
        number, name, double, single, sign = self.words[self.at]
        self.at += 1
        if number:
            return "num", float(number)
        if double is not None or single is not None:
            return "label", double if double is not None else single
        if sign == "(":
            tree = self.either()
            assert self.take(")")
            return tree
        if self.peek() != "(":
            return ("limp",) if name == "limp" else ("sig", name)
        self.take("(")
        if name in ("age", "missing", "suspect", "rate"):
            tree = name, self.words[self.at][1]
            self.at += 1
        elif name == "abs":
            tree = name, self.sum()
        else:
            left = self.sum()
            assert self.take(",")
            tree = name, left, self.sum()
        assert self.take(")")
        return tree


def leaves(tree):
    if tree[0] in ("num", "label", "limp"):
        return
    if isinstance(tree[1], str):
        yield tree
        return
    for part in tree[1:]:
        yield from leaves(part)


def comparisons(tree):
    if tree[0] in ("<", "<=", ">", ">=", "==", "!="):
        yield tree
    elif tree[0] in ("and", "or", "not"):
        for part in tree[1:]:
            yield from comparisons(part)


# ----------------------------------------------------------------------------------------- inputs

class Input:
    def __init__(self, profile, signal, bent):
        self.signal, self.bent = signal, bent
        keys = signal.keys
        self.max_age, self.awaited = self.ages(profile, keys)
        self.mode, _, value = keys.get("on_lost", "missing").partition(" ")
        self.hold = int(Fraction(value) * MS) if self.mode == "hold" else 0
        self.stand_in = self.stand_in_of(value.strip()) if self.mode == "value" else None
        self.labels_only = keys.get("role") in LABEL_ROLES and bool(signal.labels)

    def ages(self, profile, keys):
        if "max_age_ms" in keys:
            age = int(keys["max_age_ms"]) * MS
        elif self.signal.parameter:
            age = 5 * NS
        elif keys.get("role") in ROLE_AGES:
            age = ROLE_AGES[keys["role"]] * MS
        elif keys.get("role", "").startswith("wheel_speed_"):
            age = 200 * MS
        else:
            frame = profile.frames[self.signal.frame]
            period = frame.keys.get("period_ms")
            if period is None:
                return None, NS
            age = int(Fraction(period) * MS) * 3
            for selector in self.selectors(profile, self.signal):
                age *= max(1, self.pages(profile, selector))
            age = min(age, 3600 * NS)
        return age, age

    def selectors(self, profile, signal):
        found = []
        for name, _ in signal.pages:
            found += self.selectors(profile, profile.signals[name]) + [name]
        return list(dict.fromkeys(found))

    def pages(self, profile, selector):
        values = set()
        for signal in profile.signals.values():
            for name, ranges in signal.pages:
                for first, last in ranges if name == selector else ():
                    values.update(range(first, min(last, first + 64) + 1))
        return min(len(values), 64)

    def stand_in_of(self, text):
        for raw, label in self.signal.labels.items():
            if label == text:
                return float(raw * self.signal.scale + self.signal.offset), label
        value = float(Fraction(text))
        for raw, label in self.signal.labels.items():
            if raw * self.signal.scale + self.signal.offset == Fraction(text):
                return value, label
        return value, None

    def begin(self, now):
        self.state, self.value, self.label = "awaited", None, None
        self.lost = self.had = self.suspect = False
        self.seen, self.good = None, []  # good: the last two (time, value)
        self.due = now + self.awaited + 1

    def lose(self, now):
        if self.lost:
            return
        self.lost, self.good, self.due = True, [], None
        if self.mode == "value":
            self.state, (self.value, self.label) = "stand-in", self.stand_in
        elif self.mode == "hold" and self.had:
            self.state, self.due = "held", now + self.hold
        else:
            self.state = "missing"

    def take(self, now, row, suspect):
        self.suspect = suspect
        if not suspect:
            self.seen = now
        value = row.value
        bad = suspect or value is None or (isinstance(value, float) and not math.isfinite(value))
        bad = bad or (self.labels_only and row.raw not in self.signal.labels)
        if not bad:
            try:
                bad = not math.isfinite(float(value))
            except OverflowError:
                bad = True
        if bad:
            self.lose(now)
            return
        self.lost, self.had, self.state = False, True, "own"
        self.value, self.label = float(value), self.signal.labels.get(row.raw)
        if self.good and self.good[-1][0] == now:
            self.good.pop()
        self.good = (self.good + [(now, self.value)])[-2:]
        self.due = None
        if self.max_age is not None:
            self.due = now + self.max_age + (0 if self.bent == "stale" else 1)

    def fire(self, now):
        self.due = None
        if self.state == "held":
            self.state = "missing"
        else:
            self.lose(now)

    def known(self):
        return self.state in ("own", "held", "stand-in")

    def shown(self):
        if not self.known():
            return None
        return self.label if self.label is not None else self.value


# ----------------------------------------------------------------------------------------- warnings

class Warning_:
    def __init__(self, name, keys):
        self.name, self.keys = name, keys
        self.when = Condition(keys["when"]).tree
        self.until = Condition(keys["until"]).tree if "until" in keys else None
        self.for_ns, self.hold_ns = (int(keys.get(k, 0)) * MS for k in ("for_ms", "hold_ms"))
        self.warns = keys.get("on_lost", "warn") == "warn"
        self.limp = keys.get("limp") == "yes"
        self.priority = int(keys.get("priority", 0))
        words = keys.get("send", "").split()
        self.frame = words[0] if words else None
        self.settings = [word.split("=", 1) for word in words[1:]]
        named = [*leaves(self.when), *(leaves(self.until) if self.until else ())]
        self.names = list(dict.fromkeys(leaf[1] for leaf in named))
        self.on, self.since, self.due, self.cause = False, None, None, None
        self.on_at = self.changed = None


class Sent:
    def __init__(self, name, profile):
        frame = profile.frames[name]
        self.name = name
        period = frame.keys.get("period_ms")
        self.period = int(Fraction(period) * MS) if period else 0
        self.next = self.last = None
        self.count = 0


class Rehearsal:
    def __init__(self, profile_path, capture_path, buses=None, bent=None):
        self.profile = decoder.Profile(profile_path)
        self.bent = bent
        self.warnings = [Warning_(name, dict(pairs)) for kind, name, pairs
                         in decoder.read_ini(profile_path) if kind == "warning"]
        self.inputs = {name: Input(self.profile, self.profile.signals[name], bent)
                       for warning in self.warnings for name in warning.names}
        self.sent = {w.frame: Sent(w.frame, self.profile) for w in self.warnings if w.frame}
        self.received, _ = decoder.read_capture(capture_path)
        self.decoder = decoder.Decoder(self.profile, self.received, buses)
        self.used = {held.signal.frame for held in self.inputs.values()}
        self.senders, self.events, self.frames = {}, [], []
        self.now, self.limp, self.step = None, False, 0

    # --- truth: True, False, None

    def number(self, tree, now):
        kind = tree[0]
        if kind == "num":
            return tree[1]
        if kind == "sig":
            held = self.inputs[tree[1]]
            return held.value if held.known() else None
        if kind == "age":
            seen = self.inputs[tree[1]].seen
            return None if seen is None else (now - seen) / NS
        if kind == "rate":
            held = self.inputs[tree[1]]
            if held.lost or len(held.good) < 2:
                return None
            (t0, v0), (t1, v1) = held.good
            return self.finite((v1 - v0) / ((t1 - t0) / NS))
        parts = [self.number(part, now) for part in tree[1:]]
        if None in parts:
            return None
        if kind == "neg":
            return -parts[0]
        if kind == "abs":
            return abs(parts[0])
        if kind in ("min", "max"):
            return min(parts) if kind == "min" else max(parts)
        left, right = parts
        if kind == "/":
            return None if right == 0 else self.finite(left / right)
        return self.finite({"+": left + right, "-": left - right, "*": left * right}[kind])

    @staticmethod
    def finite(value):
        return value if math.isfinite(value) else None

    def labelled(self, sign, signal, label):
        held = self.inputs[signal]
        if not held.known():
            return None
        return (held.label == label) == (sign == "==")

    def truth(self, tree, now):
        kind = tree[0]
        if kind == "limp":
            return self.limp
        if kind == "missing":
            return self.inputs[tree[1]].state == "missing"
        if kind == "suspect":
            return self.inputs[tree[1]].suspect
        if kind == "not":
            inner = self.truth(tree[1], now)
            return None if inner is None else not inner
        if kind in ("and", "or"):
            sides = [self.truth(part, now) for part in tree[1:]]
            decides = kind == "or"
            return decides if decides in sides else None if None in sides else not decides
        if tree[2][0] == "label":
            return self.labelled(kind, tree[1][1], tree[2][1])
        if tree[1][0] == "label":
            return self.labelled(kind, tree[2][1], tree[1][1])
        left, right = self.number(tree[1], now), self.number(tree[2], now)
        if left is None or right is None:
            return None
        return {"<": left < right, "<=": left <= right, ">": left > right, ">=": left >= right,
                "==": left == right, "!=": left != right}[kind]

    # --- warnings

    def settle(self):
        self.step += 1
        again = True
        while again:
            for warning in self.warnings:
                self.look(warning)
            limp = any(w.on and w.limp for w in self.warnings)
            again = limp != self.limp
            self.limp = limp

    def look(self, w):
        now = self.now
        when = self.truth(w.when, now)
        if w.until:
            until = self.truth(w.until, now)
        else:
            until = None if when is None else not when
        awaited = any(self.inputs[name].state == "awaited" for name in w.names)
        holds = when is True or (when is None and w.warns and not awaited)
        w.due = None
        if not w.on:
            if not holds:
                w.since = None
                return
            if w.since is None:
                w.since = now
            at = w.since + w.for_ns
            if self.is_time(w, at):
                w.cause = "condition" if when else "lost"
                self.turn(w, True)
            return
        if when:
            w.cause = "condition"
        ends = not holds and (until is True or (w.cause == "lost" and when is False))
        if ends and self.is_time(w, w.on_at + (0 if self.bent == "hold" else w.hold_ns)):
            self.turn(w, False)

    def is_time(self, w, at):
        if self.now < at:
            w.due = at
            return False
        return w.changed != self.step

    def turn(self, w, on):
        w.on, w.since, w.changed = on, None, self.step
        if on:
            w.on_at = self.now
        self.events.append((self.now, w.name, "on" if on else "off", w.cause,
                            {name: self.inputs[name].shown() for name in w.names}))
        if w.frame:
            self.frame_changed(self.sent[w.frame])

    # --- frames

    def lit_by(self, sent):
        return sorted((w for w in self.warnings if w.frame == sent.name and w.on),
                      key=lambda w: w.priority)

    def frame_changed(self, sent):
        """The all-clear belongs to the end of a run that sends, which a recording has not."""
        if not self.lit_by(sent):
            sent.next = None
        elif sent.next is None:
            sent.next = self.now if sent.last is None else max(self.now, sent.last + sent.period)

    def send(self):
        for sent in self.sent.values():
            if sent.next is None or sent.next > self.now:
                continue
            settings = {}
            for warning in self.lit_by(sent):
                for name, value in warning.settings:
                    settings.setdefault(name, value)
            if self.bent == "priority" and settings:
                for name, value in self.lit_by(sent)[-1].settings:
                    settings[name] = value
            self.frames.append((self.now, sent.name, settings, sent.count))
            sent.count += 1
            sent.last, sent.next = self.now, self.now + sent.period

    # --- time

    def age_changes(self, to):
        """The first moment up to `to` at which age alone changes a comparison."""
        first = None
        for warning in self.warnings:
            for tree in (warning.when, warning.until):
                for one in comparisons(tree) if tree else ():
                    if not any(leaf[0] == "age" for leaf in leaves(one)):
                        continue
                    low, high = self.now, to if first is None else first
                    before = self.truth(one, low)
                    if self.truth(one, high) == before:
                        continue
                    while high - low > 1:
                        middle = (low + high) // 2
                        if self.truth(one, middle) == before:
                            low = middle
                        else:
                            high = middle
                    first = high
        return first

    def advance(self, to):
        while True:
            dues = [x.due for x in self.inputs.values()] + [w.due for w in self.warnings]
            dues += [s.next for s in self.sent.values()]
            dues = [due for due in dues if due is not None and due <= to]
            due = min(dues, default=None)
            if self.now < to:
                change = self.age_changes(to if due is None else max(due, self.now))
                due = change if due is None or (change is not None and change < due) else due
            if due is None:
                break
            self.now = max(self.now, due)
            for held in self.inputs.values():
                if held.due is not None and held.due <= self.now:
                    held.fire(self.now)
            self.settle()
            self.send()
        self.now = max(self.now, to)

    def rows_of(self, received):
        """[(key of sender, row, suspect)]"""
        if received.remote or received.error:
            return
        for frame in self.decoder.frames_of(received):
            if frame.name not in self.used:
                continue
            suspect = self.decoder.stands_still(frame, received) \
                or self.decoder.fails_check(frame, received)
            sender = received.id & 0xFF if frame.pgn is not None else None
            data = received.data
            # Heard, even if cut before the first signal.
            self.senders.setdefault(frame.name, (frame.name, received.bus, sender))
            for signal in frame.signals:
                if signal.inside_length(len(data)) and self.profile.present(signal, data):
                    raw = checks.get_bits(data, signal.positions)
                    yield ((frame.name, received.bus, sender),
                           decoder.Row(received, frame.name, signal, raw, suspect), suspect)
        if self.profile.parameters and decoder.is_reply(received):
            for row in self.decoder.reply_rows(received):
                yield (row.frame, received.bus, received.id), row, False

    def run(self):
        for received in self.received:
            time = nanoseconds(received.time)
            if self.now is None:
                self.now = time
                for held in self.inputs.values():
                    held.begin(time)
                self.settle()
                self.send()
            self.advance(time)
            any_input = False
            for key, row, suspect in self.rows_of(received):
                if row.signal not in self.inputs:
                    continue
                if self.senders.setdefault(key[0], key) != key:
                    continue
                self.inputs[row.signal].take(self.now, row, suspect)
                any_input = True
            if any_input:
                self.settle()
                self.send()
        return self


# --------------------------------------------------------------------------------------- comparing

class Findings:
    def __init__(self, what, quiet=False):
        self.what, self.count, self.quiet = what, 0, quiet

    def add(self, text):
        self.count += 1
        if self.count <= SHOWN and not self.quiet:
            print("%s: %s" % (self.what, text))


def run(loomtap, *arguments):
    done = subprocess.run([loomtap, *map(str, arguments)], stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE, timeout=120, check=False)
    return done.returncode, done.stdout.decode(), done.stderr.decode()


def same_value(got, wanted):
    if wanted is None or isinstance(wanted, str):
        return got == wanted
    if got is None or not re.match(r"-?\d", got):
        return False
    return float(got) == wanted or math.isclose(float(got), wanted, rel_tol=1e-12)


def compare_events(findings, wanted, got):
    for one, other in zip(wanted, got):
        mine = (one[0], one[1], one[2], one[3])
        its = (nanoseconds(other["time_s"]), other["warning"], other["change"], other["cause"])
        if mine != its:
            findings.add("event %s, not %s" % (its, mine))
            return
        if set(one[4]) != set(other["values"]):
            findings.add("inputs of %s: %s" % (mine, sorted(other["values"])))
        for name, value in one[4].items():
            if not same_value(other["values"].get(name), value):
                findings.add("%s of %s is %s, not %s" % (name, mine, other["values"].get(name), value))
    if len(wanted) != len(got):
        findings.add("%d events, not %d" % (len(got), len(wanted)))


def raw_of(signal, text):
    for raw, label in signal.labels.items():
        if label == text:
            return raw
    return int((Fraction(text) - signal.offset) / signal.scale)


def check_bytes(findings, profile, name, settings, count, received):
    frame = profile.frames[name]
    if not frame.matches(received.id, received.extended) or len(received.data) != frame.length:
        findings.add("frame %s has identifier %X, %d bytes" % (name, received.id,
                                                               len(received.data)))
        return
    for signal in frame.signals:
        raw = checks.get_bits(received.data, signal.positions)
        wanted = raw_of(signal, settings[signal.name]) if signal.name in settings else 0
        if raw != wanted:
            findings.add("%s: %s is %d, not %d" % (name, signal.name, raw, wanted))
    if frame.counter:
        counter = checks.get_bits(received.data, frame.counter.positions)
        if counter != count % 16:
            findings.add("%s: counter %d, not %d" % (name, counter, count % 16))
    for check in frame.checks:
        if not check.verify(received.data, received.id, received.extended):
            findings.add("%s: wrong check in %s" % (name, received.data.hex()))


def compare_frames(findings, profile, wanted, got):
    for (time, name, settings, count), other in zip(wanted, got):
        if nanoseconds(other["time_s"]) != time:
            findings.add("frame at %s, not %d" % (other["time_s"], time))
            return
        match = decoder.LINE.match("(0.0) x " + other["frame"])
        check_bytes(findings, profile, name, settings, count, decoder.Received(match))
    if len(wanted) != len(got):
        findings.add("%d frames, not %d" % (len(got), len(wanted)))


def program_run(loomtap, profile_path, capture_path, buses):
    options = ["--bus=%s=%s" % pair for pair in ()]
    for bus, interface in (buses or {}).items():
        options += ["--bus", "%s=%s" % (bus, interface)]
    status, out, err = run(loomtap, "rehearse", capture_path, "-p", profile_path, "--json", *options)
    if status not in (0, 1) or not out:
        raise SystemExit("rehearse: exit %d: %s" % (status, err))
    return json.loads(out, parse_int=str, parse_float=str)


def compare(findings, got, profile_path, capture_path, buses=None, bent=None):
    mine = Rehearsal(profile_path, capture_path, buses, bent).run()
    compare_events(findings, mine.events, got["events"])
    compare_frames(findings, mine.profile, mine.frames, got["frames"])
    return mine


def bent_rules_seen(got, profile_path, capture_path, buses=None,
                    kinds=("stale", "hold", "priority")):
    """Which bent rules the comparison notices."""
    seen = set()
    for bent in kinds:
        findings = Findings(bent, quiet=True)
        compare(findings, got, profile_path, capture_path, buses, bent)
        if findings.count:
            seen.add(bent)
    return seen


# --------------------------------------------------------------------------------- invented warnings

class Inventor:
    """Conditions over the signals of a car, with thresholds among the values that came."""

    def __init__(self, rng, profile, rows):
        self.rng, self.profile = rng, profile
        self.values = {}
        for row in rows:
            if row.value is not None and (not isinstance(row.value, float)
                                          or math.isfinite(row.value)):
                if abs(row.value) < 10 ** 15:
                    self.values.setdefault(row.signal, []).append(row)
        # Often heard ones, so that something happens.
        names = sorted(self.values, key=lambda n: (-len(self.values[n]), n))[:60]
        self.names = rng.sample(names, min(len(names), 14))

    def threshold(self, name):
        value = self.rng.choice(self.values[name]).value
        return ("%.6g" % float(value)).replace("+", "") if value >= 0 else "-%.6g" % -float(value)

    def atom(self):
        rng, name = self.rng, self.rng.choice(self.names)
        signal = self.profile.signals[name]
        kind = rng.random()
        if signal.labels and kind < 0.5:
            label = rng.choice(sorted(signal.labels.values()))
            return '%s %s "%s"' % (name, rng.choice(("==", "!=")), label)
        if kind < 0.58:
            return "age(%s) %s %s" % (name, rng.choice((">", "<", ">=", "<=")),
                                      rng.choice(("0.05", "0.0333", "0.1", "0.15", "0.02")))
        if kind < 0.64:
            return "%s(%s)" % (rng.choice(("missing", "suspect")), name)
        if kind < 0.70:
            return "rate(%s) %s %s" % (name, rng.choice("<>"), self.threshold(name))
        if kind < 0.74:
            return "limp"
        if kind < 0.78:
            other = rng.choice(self.names)
            return "age(%s) + age(%s) > 0.12" % (name, other)
        other = rng.choice(self.names)
        left = rng.choice((name, name, name, "abs(%s)" % name, "%s / 3 + 0.5" % name,
                           "max(%s, %s)" % (name, other), "%s - %s" % (name, other),
                           "%s / %s" % (name, other)))
        return "%s %s %s" % (left, rng.choice(("<", ">", "<=", ">=")), self.threshold(name))

    def condition(self):
        rng = self.rng
        text = self.atom()
        for _ in range(rng.randrange(3)):
            part = self.atom()
            if rng.random() < 0.2:
                part = "not (%s)" % part
            text = "%s %s %s" % (text, rng.choice(("and", "or")), part)
            if rng.random() < 0.3:
                text = "(%s)" % text
        return text if len(text) < 150 else self.atom()

    def sections(self, bus):
        rng = self.rng
        taken = {frame.id for frame in self.profile.frames.values()}
        free = next(can_id for can_id in range(0x6FE, 0, -1) if can_id not in taken)
        out = ["[frame oracle_alert]", "bus = " + bus, "id = 0x%X" % free, "length = 8",
               "period_ms = %d" % rng.choice((7, 20, 50)), "counter = 6.3..6.0",
               "checksum = crc8-sae-j1850 over 0..6 in 7", "direction = send", ""]
        for k in range(4):
            out += ["[signal oracle_bit_%d]" % k, "frame = oracle_alert", "bits = 0.%d" % k, ""]
        out += ["[signal oracle_code]", "frame = oracle_alert", "bits = 1.7..1.0", ""]
        for k in range(8):
            out += ["[warning oracle_%d]" % k, "when = " + self.condition(),
                    "for_ms = %d" % rng.choice((0, 0, 5, 20, 50)),
                    "hold_ms = %d" % rng.choice((0, 10, 40, 100)),
                    "priority = %d" % rng.randrange(4)]
            if rng.random() < 0.5:
                out.append("until = " + self.condition())
            if rng.random() < 0.4:
                out.append("on_lost = ignore")
            if rng.random() < 0.3:
                out.append("limp = yes")
            if rng.random() < 0.8:
                out.append("send = oracle_alert oracle_bit_%d=1 oracle_code=%d" % (rng.randrange(4),
                                                                                  k + 1))
            out.append("")
        return "\n".join(out)

    def signal_keys(self, text):
        """Ages and stand-ins for some of the signals, put into their sections."""
        for name in self.names:
            rng, signal = self.rng, self.profile.signals[name]
            lines = ["max_age_ms = %d" % rng.choice((40, 60, 100, 200))]
            if "max_age_ms" in signal.keys or "on_lost" in signal.keys:
                continue
            kind = rng.random()
            if kind < 0.3:
                lines.append("on_lost = hold %s" % rng.choice(("10", "33.25", "70")))
            elif kind < 0.5 and signal.labels and signal.form == "linear":
                pass
            elif kind < 0.5:
                lines.append("on_lost = value %s" % rng.choice(("0.5", "7", "-3.25")))
            text = re.sub(r"(\[signal %s\][^\n]*\n)" % name,
                          lambda m: m[1] + "\n".join(lines) + "\n", text, count=1)
        return text


def compare_cars(loomtap, seeds):
    total, events, frames, seen = 0, 0, 0, set()
    with tempfile.TemporaryDirectory() as folder:
        for k, seed in enumerate(seeds):
            car = random_car.Car(seed)
            profile_path = os.path.join(folder, "car.ini")
            capture_path = os.path.join(folder, "car.log")
            text = car.profile_text()
            with open(profile_path, "w", encoding="utf-8") as file:
                file.write(text)
            lines, _ = car.drive()
            with open(capture_path, "w", encoding="utf-8", newline="") as file:
                file.write("\n".join(lines) + "\n")
            rows = decoder.decode(profile_path, capture_path, dict(car.buses))
            inventor = Inventor(random.Random(seed * 7 + 1), decoder.Profile(profile_path), rows)
            text = inventor.signal_keys(text) + inventor.sections(next(iter(car.buses)))
            with open(profile_path, "w", encoding="utf-8") as file:
                file.write(text)
            findings = Findings("seed %d" % seed)
            got = program_run(loomtap, profile_path, capture_path, dict(car.buses))
            mine = compare(findings, got, profile_path, capture_path, dict(car.buses))
            if k < 6 and not findings.count:
                seen |= bent_rules_seen(got, profile_path, capture_path, dict(car.buses))
            total += findings.count
            events += len(mine.events)
            frames += len(mine.frames)
    missed = {"stale", "hold", "priority"} - seen
    if missed and not total:
        print("bent rules that were not noticed: " + ", ".join(sorted(missed)))
        total += 1
    print("%d cars, %d events, %d frames, %d differences" % (len(seeds), events, frames, total))
    return 1 if total or not events or not frames else 0


def compare_drive(loomtap, root):
    profile_path = os.path.join(root, "signaldefs", "tarn-turbo.ini")
    capture_path = os.path.join(root, "captures", "tarn-drive.log")
    if not os.path.exists(profile_path) or not os.path.exists(capture_path):
        print("no demo drive")
        return 77
    findings = Findings("demo drive")
    got = program_run(loomtap, profile_path, capture_path, None)
    mine = compare(findings, got, profile_path, capture_path)
    if not bent_rules_seen(got, profile_path, capture_path, kinds=("hold",)):
        findings.add("bent rules that were not noticed")
    print("demo drive: %d events, %d frames, %d differences" % (len(mine.events), len(mine.frames),
                                                                findings.count))
    return 1 if findings.count or not mine.events else 0


def main():
    if len(sys.argv) < 3 or sys.argv[2] not in ("cars", "drive"):
        print(__doc__)
        return 2
    if sys.argv[2] == "cars":
        return compare_cars(sys.argv[1], [int(s) for s in sys.argv[3:]] or list(range(1, 25)))
    return compare_drive(sys.argv[1], sys.argv[3])


if __name__ == "__main__":
    sys.exit(main())
