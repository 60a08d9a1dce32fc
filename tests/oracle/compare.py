"""Holds the program against the independent decoder: invented cars, then the demo drive.

    python3 compare.py LOOMTAP cars [SEED...]     invented cars (default: a dozen seeds)
    python3 compare.py LOOMTAP drive SOURCE_ROOT  captures/tarn-drive.log with its profile

Checked for each: `check` finds no error; `decode` as csv and as jsonl agrees row for row, also with
frames and parameters in two profiles, whichever comes first; the summary agrees with the rows; `encode` makes frames that decode to what was asked, with the right
counter and check, and refuses what does not fit; and faults planted in a copy of the profile are
seen by the comparison. Exit 1 on any difference, 77 (skipped) where there is nothing to compare.
"""

import csv
import io
import json
import math
import os
import random
import re
import subprocess
import sys
import tempfile
from collections import Counter as Tally
from fractions import Fraction

sys.dont_write_bytecode = True  # nothing is left behind in the source

import checks
import decoder
import random_car

SHOWN = 8  # differences printed of each kind
TOLERANCE = Fraction(1, 10 ** 12)


class Findings:
    def __init__(self, what):
        self.what, self.count, self.kinds = what, 0, Tally()

    def add(self, kind, text):
        self.count += 1
        self.kinds[kind] += 1
        if self.kinds[kind] <= SHOWN:
            print("%s: %s: %s" % (self.what, kind, text))

    def close(self):
        for kind, count in self.kinds.items():
            if count > SHOWN:
                print("%s: %s: %d more" % (self.what, kind, count - SHOWN))
        return self.count


def run(loomtap, *arguments):
    done = subprocess.run([loomtap, *map(str, arguments)], stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE, timeout=120, check=False)
    return done.returncode, done.stdout.decode(), done.stderr.decode()


# --------------------------------------------------------------------------------------- values

def same_number(text, value):
    """Is this text the number? `value` a Fraction or a float that is not finite."""
    if isinstance(value, float):
        return text == ("nan" if math.isnan(value) else "inf" if value > 0 else "-inf")
    if not re.fullmatch(r"-?\d+(\.\d+)?([eE][-+]?\d+)?", text):
        return False
    if repr(float(text)) == decoder.short(value):  # numbers so small that a double has few digits
        return True
    return abs(Fraction(text) - value) <= TOLERANCE * abs(value)


def row_fault(row, got, exact_text=True):
    """What is wrong with the program's row, '' for nothing."""
    for key, value in (("frame", row.frame), ("unit", row.unit), ("label", row.label)):
        if got[key] != value:
            return "%s is `%s`, not `%s`" % (key, got[key], value)
    if row.value is None:
        return "" if got["value"] == "" else "a code has the value %s" % got["value"]
    if exact_text and row.places is not None and not isinstance(row.value, float):
        return "" if got["value"] == row.text() else "value is `%s`, not `%s`" % (got["value"],
                                                                               row.text())
    if same_number(got["value"], row.value):
        return ""
    return "value is `%s`, not `%s`" % (got["value"], row.text())


def identity(row):
    return row.time, row.bus, row.frame, row.signal


def got_identity(got):
    return got["time_s"], got["bus"], got["frame"].partition("@")[0], got["signal"]


def compare_rows(findings, form, rows, got_rows, exact_text=True):
    expected_keys, got_keys = list(map(identity, rows)), list(map(got_identity, got_rows))
    if expected_keys != got_keys:
        missing = Tally(expected_keys) - Tally(got_keys)
        extra = Tally(got_keys) - Tally(expected_keys)
        for key in missing:
            findings.add(form + ", row missing", " ".join(key))
        for key in extra:
            findings.add(form + ", row too many", " ".join(key))
        if not missing and not extra:
            k = next(k for k, pair in enumerate(zip(expected_keys, got_keys)) if pair[0] != pair[1])
            findings.add(form + ", order of rows", "%s stands where %s should" % (
                " ".join(got_keys[k]), " ".join(expected_keys[k])))
    waiting = {}
    for got in got_rows:
        waiting.setdefault(got_identity(got), []).append(got)
    for row in rows:
        here = waiting.get(identity(row))
        if here:
            fault = row_fault(row, here.pop(0), exact_text)
            if fault:
                findings.add("%s, %s" % (form, fault.split()[0]), "%s raw 0x%X: %s" % (
                    " ".join(identity(row)), row.raw, fault))


def read_csv(text):
    lines = csv.reader(io.StringIO(text))
    header = next(lines, None)
    if header != "time_s,bus,frame,signal,value,unit,label".split(","):
        raise ValueError("csv header: %s" % header)
    return [dict(zip(header, line)) for line in lines]


def read_jsonl(text, rows):
    """Numbers stay text, so that no digit is lost. Null stands for a code or what is not finite."""
    found, odd = [], {}
    for row in rows:
        if isinstance(row.value, float):
            odd.setdefault(identity(row), row)
    for line in text.splitlines():
        got = json.loads(line, parse_int=str, parse_float=str)
        found.append(got)
        if got["value"] is None:
            row = odd.get(got_identity(got))
            got["value"] = row.text() if row else ""
            if row and got["label"] == row.text():  # null alone would not say what it was
                got["label"] = row.label
    return found


# -------------------------------------------------------------------------------------- summary

def compare_summary(findings, text, rows):
    per_signal = {}
    for row in rows:
        per_signal.setdefault(row.signal, []).append(row)
    for entry in merged(json.loads(text, parse_int=str, parse_float=str)["signals"]):
        mine = per_signal.pop(entry["signal"], [])
        good = [r for r in mine if r.value is not None and r.label != "suspect"]
        numbers = [r.value for r in good if not isinstance(r.value, float)]
        counts = {"count": len(numbers),
                  "suspect": sum(r.label == "suspect" for r in mine),
                  "unavailable": sum(r.label == "unavailable" for r in mine),
                  "error": sum(r.label == "error" for r in mine),
                  "not_finite": len(good) - len(numbers)}
        for key, value in counts.items():
            if entry[key] != str(value):
                findings.add("summary", "%s: %s is %s, not %d" % (entry["signal"], key, entry[key],
                                                                  value))
        compare_extremes(findings, entry, numbers)
    for name in per_signal:
        findings.add("summary", name + " is not in it")


def merged(entries):
    """One entry a signal, where several senders of one PGN have an entry each."""
    together = {}
    for entry in entries:
        one = together.setdefault(entry["signal"], entry)
        if one is entry:
            continue
        for key in ("count", "suspect", "unavailable", "error", "not_finite"):
            one[key] = str(int(one[key]) + int(entry[key]))
        for key, choose in (("min", min), ("max", max)):
            both = [e[key] for e in (one, entry) if e.get(key) is not None]
            one[key] = choose(both, key=Fraction, default=None)
        one["senders"] = True
    return list(together.values())


def compare_extremes(findings, entry, numbers):
    wanted = {"min": min(numbers, default=None), "max": max(numbers, default=None)}
    wanted["first"], wanted["last"] = (numbers[0], numbers[-1]) if numbers else (None, None)
    if numbers and max(map(abs, numbers)) < 10 ** 300:  # a double holds their sum
        wanted["mean"] = sum(numbers) / len(numbers)
    for key, value in wanted.items():
        got = entry.get(key)  # absent where no value came
        if "senders" in entry and key in ("first", "last", "mean"):
            continue
        if value is None or got is None:
            agrees = value is None and got is None
        elif key == "mean":  # a running sum of doubles
            room = Fraction(1, 10 ** 9) * max(abs(n) for n in numbers)
            agrees = abs(Fraction(got) - value) <= room or same_number(got, value)
        else:
            agrees = same_number(got, value)
        if not agrees:
            findings.add("summary", "%s: %s is %s, not %s" % (
                entry["signal"], key, got, None if value is None else float(value)))


# --------------------------------------------------------------------------------------- encode

class Encoding:
    """Random settings of a frame: what to ask for, and what must come back."""

    def __init__(self, rng, profile, frame):
        self.rng, self.profile, self.frame = rng, profile, frame
        self.settings = {}  # signal -> raw
        data = bytearray(frame.length)
        selectors = {name for signal in frame.signals for name, _ in signal.pages}
        # Selectors first, outer before inner, then what is on the page that they show.
        for signal in sorted(frame.signals, key=lambda s: (s.name not in selectors, len(s.pages))):
            if profile.present(signal, data):
                self.choose(signal, data)

    def choose(self, signal, data):
        raw = self.raw_for(signal)
        if raw is None:
            return
        self.settings[signal] = raw
        checks.put_bits(data, signal.positions, raw)

    def raw_for(self, signal):
        size = len(signal.positions)
        pages = [a for s in self.frame.signals for name, ranges in s.pages if name == signal.name
                 for a, _ in ranges]
        for _ in range(40):
            raw = self.rng.choice(pages) if pages else self.rng.randrange(1 << size)
            if self.fits(signal, raw):
                return raw
        return None

    def fits(self, signal, raw):
        if decoder.inside(signal.unavailable + signal.error, raw):
            return False
        value = signal.physical(raw)
        if isinstance(value, float) or (value and abs(value) < Fraction(1, 10 ** 8)):
            return False  # not finite, or with more decimals than a command line would carry
        if signal.form == "curve" and not (signal.curve[0][0] <= signal.number_of(raw)
                                           <= signal.curve[-1][0]):
            return False  # beyond the curve's ends many bit patterns have one value
        if signal.sign == "sign-magnitude" and raw == 1 << len(signal.positions) - 1:
            return False  # the second zero
        low, high = limits(signal)
        return low is None or low <= value <= high

    def arguments(self):
        return ["%s=%s" % (signal.name, self.value_text(signal, raw))
                for signal, raw in self.settings.items()]

    def value_text(self, signal, raw):
        if raw in signal.labels and self.rng.random() < 0.7:
            return signal.labels[raw]
        value, places = signal.physical(raw), signal.places()
        if places is not None:
            return decoder.fixed(value, places)
        return decoder.short(value)  # as decode prints it


def limits(signal):
    """`range` in the unit outside."""
    if "range" not in signal.keys:
        return None, None
    ends = [Fraction(x) * signal.factor + signal.shift for x in signal.keys["range"].split("..")]
    return min(ends), max(ends)


def printed_frames(text):
    """[(id, extended, bytes)] of the lines `123#DEAD` or `123##1DEAD`."""
    frames = []
    for line in text.splitlines():
        match = decoder.LINE.match("(0.0) x " + line)
        if not match:
            raise ValueError("not a frame: " + line)
        frames.append(decoder.Received(match))
    return frames


def compare_encode(findings, loomtap, path, rng, count):
    profile = decoder.Profile(path)
    frames = [f for f in profile.frames.values() if f.signals]
    for frame in rng.sample(frames, min(count, len(frames))):
        asked = Encoding(rng, profile, frame)
        if not asked.settings:
            continue
        number = rng.choice((1, 3, 20))
        status, out, err = run(loomtap, "encode", "-p", path, frame.name, *asked.arguments(),
                               "--count", number)
        where = "%s %s" % (frame.name, " ".join(asked.arguments()))
        if status != 0:
            findings.add("encode refused", "%s: %s" % (where, err.strip()))
            continue
        made = printed_frames(out)
        if len(made) != number:
            findings.add("encode", "%s: %d frames, not %d" % (where, len(made), number))
        check_made(findings, profile, frame, asked, made, where)
        refuse_outside(findings, loomtap, path, frame, rng)


def check_made(findings, profile, frame, asked, made, where):
    before = None
    for one in made:
        if len(one.data) != frame.length or not frame.matches(one.id, one.extended):
            findings.add("encode", "%s: identifier or length: %X %s" % (where, one.id,
                                                                        one.data.hex()))
            return
        for signal, raw in asked.settings.items():
            got = checks.get_bits(one.data, signal.positions)
            wanted, value = signal.physical(raw), signal.physical(got)
            exact = signal.places() is not None
            if got != raw and not (value == wanted if exact else near(value, wanted)):
                findings.add("encode", "%s: %s is 0x%X, not 0x%X in %s" % (
                    where, signal.name, got, raw, one.data.hex()))
        if frame.counter:
            counter = checks.get_bits(one.data, frame.counter.positions)
            wanted = None if before is None else (before + frame.counter.step) \
                % frame.counter.modulus
            if wanted not in (None, counter) or counter >= frame.counter.modulus:
                findings.add("encode counter", "%s: %d, not %s" % (where, counter, wanted))
            before = counter
        for check in frame.checks:
            selector = profile.top_selector(frame)
            if check.page is not None and checks.get_bits(one.data,
                                                          selector.positions) != check.page:
                continue
            if not check.verify(one.data, one.id, one.extended):
                findings.add("encode check", "%s: wrong in %s" % (where, one.data.hex()))
            if check.mode == "nibble" and one.data[1] >> 4 != check.data_id[1] & 15:
                findings.add("encode check", "%s: nibble of the data id in %s" % (
                    where, one.data.hex()))


def near(value, wanted):
    return not isinstance(value, float) and abs(value - wanted) <= abs(wanted) / 10 ** 9


def refuse_outside(findings, loomtap, path, frame, rng):
    """A value one step beyond `range`, or beyond what the bits carry, is refused."""
    able = [s for s in frame.signals if s.places() is not None and not s.pages]
    if not able:
        return
    signal = rng.choice(able)
    size = len(signal.positions)
    ends = [signal.physical(r) for r in (0, (1 << size) - 1, 1 << size - 1, (1 << size - 1) - 1)]
    low, high = limits(signal)
    step = abs(signal.scale * signal.factor)
    if low is not None:
        beyond = rng.choice((low - step, high + step))
    else:
        beyond = rng.choice((min(ends) - step, max(ends) + step))
    asked = "%s=%s" % (signal.name, decoder.fixed(beyond, 30).rstrip("0").rstrip("."))
    status, out, _ = run(loomtap, "encode", "-p", path, frame.name, asked)
    if status != 1 or out:
        findings.add("encode took what does not fit", "%s %s: exit %d, `%s`" % (
            frame.name, asked, status, out.strip()))


# ------------------------------------------------------------------------------- planted faults

def swap_order(match):
    first, last = int(match[2]), int(match[4])
    return "%s%d.7..%d.0" % (match[1], last, first) if first != last else match[0]


PLANTED = {  # what a line of the profile becomes
    "scale": (r"^(scale\s*=\s*)(-?)(\d\S*)", r"\1\g<2>1\3"),
    "offset": (r"^(offset\s*=\s*)(-?)(\d\S*)", r"\1\g<2>1\3"),
    "order": (r"^(bits\s*=\s*)(\d+)(\.7\.\.)(\d+)(\.0)", swap_order),
    "bit": (r"^(bits\s*=\s*\d+\.)([0-6])(\s*$)", lambda m: m[1] + str(int(m[2]) + 1) + m[3]),
    "sign": (r"^(sign\s*=\s*)twos", r"\1unsigned"),
    "unavailable": (r"^unavailable\s*=.*", "evidence = none"),
    "label": (r"^(values\s*=\s*\S+ )(\w+)", r"\1other_\2"),
    "page": (r"^(page\s*=\s*\w+ )(\d+)", lambda m: m[1] + str(int(m[2]) + 1)),
    "counter": (r"^counter\s*=.*", "evidence = none"),
    "checksum": (r"^checksum\s*=.*", "evidence = none"),
    "checked bytes": (r"^(checksum\s*=\s*crc\S+ over )(\d)", r"\g<1>1\2"),
    "unit": (r"^(unit\s*=\s*)V", r"\1mV"),
    "identifier": (r"^id\s*=.*", "id = 0x7FF"),
}


def compare_planted(findings, profile_text, capture_path, buses, got_rows, folder,
                    spoils=True):
    """A comparison that cannot fail proves nothing: each kind of fault must show."""
    frames, _ = decoder.read_capture(capture_path)
    odd = {got["time_s"] for got in got_rows if got["label"] == "suspect"}
    at = next((k for k, frame in enumerate(frames) if frame.time in odd), 0)
    frames = frames[max(0, at - 200):at + 400]  # a stretch that has a spoiled frame, if any has
    first, last = Fraction(frames[0].time), Fraction(frames[-1].time)
    got_rows = [got for got in got_rows if first <= Fraction(got["time_s"]) <= last]
    unspoiled = decoder.Decoder(decoder.Profile(path_of(folder, profile_text)), frames, buses)
    if rows_differ(list(unspoiled.rows()), got_rows):
        findings.add("planted faults", "the stretch differs without one")
    suspect = any(got["label"] == "suspect" for got in got_rows)
    for kind, (pattern, becomes) in PLANTED.items():
        if kind in ("counter", "checksum") and not (suspect and spoils):
            continue  # nothing here shows that they are looked at
        places = [m for m in re.finditer(pattern, profile_text, re.M)]
        seen = False
        for match in places[:12]:
            line = re.sub(pattern, becomes, match[0], flags=re.M)
            path = path_of(folder, profile_text[:match.start()] + line
                           + profile_text[match.end():])
            try:
                rows = list(decoder.Decoder(decoder.Profile(path), frames, buses).rows())
            except (IndexError, ValueError, decoder.ProfileFault):
                continue  # not a profile any more
            if rows_differ(rows, got_rows):
                seen = True
                break
        if places and not seen:
            findings.add("planted fault not seen", "%s (%d places)" % (kind, len(places)))
        yield kind, seen


def path_of(folder, text):
    path = os.path.join(folder, "planted.ini")
    with open(path, "w", encoding="utf-8") as file:
        file.write(text)
    return path


def rows_differ(rows, got_rows):
    if len(rows) != len(got_rows):
        return True
    return any(identity(row) != got_identity(got) or row_fault(row, got)
               for row, got in zip(rows, got_rows))


# ------------------------------------------------------------------------------- two profiles

def owner_of(block):
    """Which part a section goes to: "frames", "parameters", or None for both."""
    kind = re.match(r"\[(\w+)", block)[1]
    if kind == "parameter" or re.search(r"^parameter\s*=", block, re.M):
        return "parameters"
    return "frames" if kind in ("frame", "signal", "affine", "warning") else None


def split_profile(text):
    """The profile's text as two, one with its frames and one with its parameters. What belongs to a
    signal by its name (values, curves) goes along with those who name it."""
    blocks = re.findall(r"^\[.*?(?=^\[|\Z)", text, re.M | re.S)
    parts = {"frames": [], "parameters": []}
    for block in blocks:
        kind, name = re.match(r"\[(\w+)\s*([^\]\s]*)", block).groups()
        for part, chosen in parts.items():
            if kind == "profile":
                chosen.append(re.sub(r"^(name\s*=\s*\S+)", r"\1-" + part, block, flags=re.M))
            elif kind in ("values", "curve"):
                pattern = (r"^\[signal %s\]" if kind == "values" else r"^curve\s*=\s*%s\b") % name
                if any(owner_of(b) == part and re.search(pattern, b, re.M) for b in blocks):
                    chosen.append(block)
            elif owner_of(block) in (None, part):
                chosen.append(block)
    return "".join(parts["frames"]), "".join(parts["parameters"])


def compare_two_profiles(findings, loomtap, text, capture_path, buses, rows, folder):
    paths = []
    for part, content in zip(("frames", "parameters"), split_profile(text)):
        paths.append(os.path.join(folder, "%s.ini" % part))
        with open(paths[-1], "w", encoding="utf-8") as file:
            file.write(content)
    for first, second in (paths, paths[::-1]):
        options = [capture_path, "-p", first, "-p", second, "--quiet"]
        for bus, interface in (buses or {}).items():
            options += ["--bus", "%s=%s" % (bus, interface)]
        status, out, err = run(loomtap, "decode", *options, "--as", "csv")
        if status != 0:
            findings.add("two profiles", "exit %d: %s" % (status, err.strip()))
            continue
        compare_rows(findings, "csv, %s first" % os.path.basename(first), rows, read_csv(out))
        status, out, err = run(loomtap, "decode", *options, "--as", "summary", "--json")
        compare_summary(findings, out, rows)


# ----------------------------------------------------------------------------------------- runs

def compare_car(findings, loomtap, profile_path, capture_path, buses, seed, encodes, folder):
    status, out, err = run(loomtap, "check", profile_path)
    if status != 0:
        findings.add("check", (out + err).strip())
    frames, malformed = decoder.read_capture(capture_path)
    if malformed:
        findings.add("oracle", "%d lines that it cannot read" % malformed)
    rows = list(decoder.Decoder(decoder.Profile(profile_path), frames, buses).rows())
    options = [capture_path, "-p", profile_path, "--quiet"]
    for bus, interface in (buses or {}).items():
        options += ["--bus", "%s=%s" % (bus, interface)]
    status, out, err = run(loomtap, "decode", *options, "--as", "csv")
    if status != 0:
        findings.add("decode", "exit %d: %s" % (status, err.strip()))
        return rows, []
    got_rows = read_csv(out)
    compare_rows(findings, "csv", rows, got_rows)
    status, out, err = run(loomtap, "decode", *options, "--as", "jsonl")
    compare_rows(findings, "jsonl", rows, read_jsonl(out, rows))
    status, out, err = run(loomtap, "decode", *options, "--as", "summary", "--json")
    compare_summary(findings, out, rows)
    compare_encode(findings, loomtap, profile_path, random.Random(seed), encodes)
    return rows, got_rows


def self_check(findings, car, rows, expected):
    """The decoder against what the generator put into the frames."""
    got = [(*identity(row), row.raw) for row in rows]
    wanted = [entry[:5] for entry in expected]
    if got != wanted:
        findings.add("oracle against its own cars", "rows differ")
    for row, entry in zip(rows, expected):
        if row.value is not None and (row.label == "suspect") != entry[5]:
            findings.add("oracle against its own cars", "suspect: %s" % (entry,))


def compare_cars(loomtap, seeds):
    total, compared, seen_planted = 0, 0, set()
    wrong = [what for what, got, value in checks.published_rows() if got != value]
    for what in wrong:
        print("published row not met by the oracle: " + what)
    with tempfile.TemporaryDirectory() as folder:
        for k, seed in enumerate(seeds):
            findings = Findings("seed %d" % seed)
            car = random_car.Car(seed)
            profile_path = os.path.join(folder, "car-%d.ini" % seed)
            capture_path = os.path.join(folder, "car-%d.log" % seed)
            text = car.profile_text()
            with open(profile_path, "w", encoding="utf-8") as file:
                file.write(text)
            lines, expected = car.drive()
            with open(capture_path, "w", encoding="utf-8", newline="") as file:
                file.write("\n".join(lines) + "\n")
            buses = dict(car.buses) if k % 3 == 0 else None  # told, or by `interface`
            rows, got_rows = compare_car(findings, loomtap, profile_path, capture_path, buses,
                                         seed, 12, folder)
            self_check(findings, car, rows, expected)
            if k % 2 == 1:
                compare_two_profiles(findings, loomtap, text, capture_path, buses, rows, folder)
            if k < 2 and not findings.count:
                for kind, seen in compare_planted(findings, text, capture_path, buses, got_rows,
                                                  folder):
                    if seen:
                        seen_planted.add(kind)
            compared += len(rows)
            total += findings.close()
    if not total and seen_planted != set(PLANTED):
        print("planted faults never tried: " + ", ".join(sorted(set(PLANTED) - seen_planted)))
        total += 1
    print("%d cars, %d rows, %d differences, %d kinds of planted faults seen" % (
        len(seeds), compared, total, len(seen_planted)))
    return 1 if total or wrong else 0


def compare_drive(loomtap, root):
    profile_path = os.path.join(root, "signaldefs", "tarn-turbo.ini")
    capture_path = os.path.join(root, "captures", "tarn-drive.log")
    if not os.path.exists(profile_path) or not os.path.exists(capture_path):
        print("no demo drive")
        return 77
    findings = Findings("demo drive")
    with tempfile.TemporaryDirectory() as folder:
        rows, got_rows = compare_car(findings, loomtap, profile_path, capture_path, None, 1, 30,
                                     folder)
        seen = set()
        if not findings.count:
            with open(profile_path, encoding="utf-8") as file:
                seen = {kind for kind, shown in compare_planted(
                    findings, file.read(), capture_path, None, got_rows, folder, False) if shown}
    total = findings.close()
    print("demo drive: %d rows, %d differences, %d kinds of planted faults seen" % (
        len(rows), total, len(seen)))
    return 1 if total or not rows else 0


def main():
    if len(sys.argv) < 3 or sys.argv[2] not in ("cars", "drive"):
        print(__doc__)
        return 2
    if sys.argv[2] == "cars":
        return compare_cars(sys.argv[1], [int(s) for s in sys.argv[3:]] or [*range(1, 13), 54, 418])
    return compare_drive(sys.argv[1], sys.argv[3])


if __name__ == "__main__":
    sys.exit(main())
