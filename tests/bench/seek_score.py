"""Scores what a search for signals says of a car against the car's layout. Knows both only by their
JSON, and the log by its text.

What counts as right (the same for every car, written down before there was anything to score):

- A candidate is *right* when it lies on a true copy of the target (a field whose quantity is the
  target, filtered or late copies too): frame and page; every bit that moved, in the right order and
  with the right weight and sign, and no other that moved. Bits that never moved are free, and so are
  its own that moved with a code for "unavailable" alone. The low
  end may be off by two bits either way. Scale within 1 % of what these bits mean; offset, where
  either raw value is 0, within two quanta (the coarser of the field's step and the reference's).
- A *cousin* counts as a true copy where it is another field in the same unit that is equal within
  the reference's step (its own, where that is coarser): the root mean square of the difference is at
  most one step at one lag. So are wheel speeds on a straight road. How often a true copy itself is
  at the top is shown beside.
- Labels: every bit that moved and the code of every label that was marked.
- *Right at the top*: the verdict is `found` and the first candidate is right. *In the top three*:
  whatever the verdict.
- A target is *absent* where no field carries it and no cousin does. `found` is wrong there.
- *Exercised* is fixed from the replies or marks before any search (seek_replies.py); a copy must
  have been exercised too, by the layout's own word, and reach what 98 of 100 replies say: a field
  that is cut off below that carries its target in part. It is right where it is named, and not
  wanted.
- *Claims* are candidates with a confidence, in any target that was asked.
"""
from bisect import bisect_right

from survey_checks import positions, raw_of

MAIN = ('engine_speed', 'vehicle_speed', 'pedal', 'throttle', 'load', 'manifold_pressure')
SLOW = ('coolant_temp', 'intake_temp')
SCALE_MOST, QUANTA_MOST, LOW_MOST = 0.01, 2.0, 2


class Score:
    """Adds up over cars. Every figure is [right, of]; failures are (cause, line)."""

    def __init__(self):
        self.rate, self.bins, self.failures = {}, {}, []

    def count(self, name, right, of=1):
        cell = self.rate.setdefault(name, [0, 0])
        cell[0] += int(right)
        cell[1] += of

    def bin(self, group, confidence, right):
        edges = (0, .3, .5, .6, .7, .8, .9, .95, .98, 1.01)
        low = max(edge for edge in edges if confidence >= edge)
        cell = self.bins.setdefault((group, low), [0, 0, 0.0])
        cell[0] += int(right)
        cell[1] += 1
        cell[2] += confidence

    def fail(self, place, cause, text):
        self.failures.append((cause, '%s: %s' % (place, text)))

    def add(self, other):
        for name, (right, of) in other.rate.items():
            self.count(name, right, of)
        for key, cell in other.bins.items():
            mine = self.bins.setdefault(key, [0, 0, 0.0])
            for i in range(3):
                mine[i] += cell[i]
        self.failures += other.failures


def weights(sign, width):
    """What each bit adds, least significant first, and what is added always; None for a reading
    that is no sum of bits."""
    own = [1 << n for n in range(width)]
    if sign == 'twos':
        own[-1] = -own[-1]
    if sign == 'sign-magnitude':
        return None, 0
    return own, -(1 << (width - 1)) if sign == 'offset-binary' else 0


def signed(sign, raw, width):
    half = 1 << (width - 1)
    if sign == 'twos':
        return raw - 2 * half if raw & half else raw
    if sign == 'offset-binary':
        return raw - half
    if sign == 'sign-magnitude':
        return half - raw if raw & half else raw
    return raw


def decode(form, data):
    """The physical value that a layout's field has in a frame."""
    places = form['places']
    raw = raw_of(places, data)
    if raw == form.get('unavailable'):
        return None
    value = signed(form['sign'], raw, len(places)) * form['scale'] + form['offset']
    if form.get('form') == 'reciprocal':
        return 1 / value if value else None
    return value


class Frame:
    """One frame of the layout with the rows that were recorded of it."""

    def __init__(self, form, rows):
        self.form, self.times, self.data = form, rows[0], rows[1]
        self.fields = form['fields']
        for field in self.fields:
            field['places'], field['line'] = positions(field['bits'])
            field['mask'] = int(field['facts']['moved'], 16) if field.get('facts') else 0
            any_moved = (field.get('facts') or {}).get('moved_with_codes', '0x0')
            field['any_mask'] = field['mask'] | int(any_moved, 16)
        self.selector = next((f for f in self.fields if f['kind'] == 'selector'), None)

    def key(self):
        return self.form['bus'], self.form['id'], bool(self.form['extended'])

    def page_of(self, data):
        return raw_of(self.selector['places'], data) if self.selector else None

    def moving(self, pages):
        """The places that moved on these pages (None: all)."""
        found = set()
        for field in self.fields:
            if pages is None or field['page'] is None or set(field['page']) & set(pages):
                found |= {at for n, at in enumerate(field['places']) if field['any_mask'] >> n & 1}
        return found

    def pattern(self, field):
        """The last row that holds a value of this field."""
        for data in reversed(self.data):
            if ((field['page'] is None or self.page_of(data) in field['page']) and
                    raw_of(field['places'], data) != field.get('unavailable')):
                return data
        return None

    def holds_page(self, claimed, pages):
        """Is this page one of these? A page's number is one of the bits that a finder took for the
        selector, and those need not be the true ones (top bits that never move; another bit that
        differs between the pages). So only the number of another true page is surely wrong."""
        every = self.form['selector']['pages'] if self.form['selector'] else []
        return claimed in pages or self.part(claimed) in {self.part(page) for page in pages} or \
            claimed not in every

    def part(self, page):
        """As much of the number as moved."""
        mask = self.selector['mask']
        low = (mask & -mask).bit_length() - 1 if mask else 0
        return page >> low & ((1 << mask.bit_length() - low) - 1)


def align(frame, field, claim):
    """Where the claim lies on the field: (shift, off, cause). `shift`: bit j of the claim is bit
    j - shift of the field."""
    places = positions(claim['bits'])[0]
    where = {at: n for n, at in enumerate(field['places'])}
    moving = [n for n in range(len(field['places'])) if field['mask'] >> n & 1]
    if not moving:
        return None, 'the copy never moved'
    inside = [(j, where[at]) for j, at in enumerate(places) if at in where]
    shifts = {j - n for j, n in inside if n in moving}
    if not shifts:
        return None, 'other bits'
    if len(shifts) > 1:
        return None, 'order of bytes'
    shift = shifts.pop()
    held = {n for _, n in inside}
    lost = [n for n in moving if n not in held]
    low = -shift
    if any(n > low for n in lost):
        return None, 'top end: %d moving bits short' % sum(n > low for n in lost)
    off = low - moving[0] if low > moving[0] else -min(low, 0)
    foreign = [j for j, at in enumerate(places)
               if at in frame.moving(field['page']) and at not in where]
    if any(j >= shift for j in foreign):
        return None, 'top end: foreign bits that move'
    if off > LOW_MOST:
        return None, 'low end off by %s%d' % ('+' if low > 0 else '-', off)
    return shift, None


def meaning(frame, field, claim, shift):
    """What the claim's numbers should be: (scale, offsets, cause)."""
    places, width = positions(claim['bits'])[0], len(field['places'])
    own, own_add = weights(field['sign'], width)
    said, said_add = weights(claim['sign'], len(places))
    magnitude = field['sign'] == 'sign-magnitude'
    if (own is None) != (said is None):
        top = field['mask'] >> (width - 1) & 1 if magnitude else 1
        if top:
            return None, None, 'sign'
    if magnitude:
        own, own_add = [1 << n for n in range(width)], 0
        own[-1] = 0
    if said is None:
        said, said_add = [1 << j for j in range(len(places))], 0
        said[-1] = 0
    ratio = 2.0 ** -shift
    pattern = frame.pattern(field)
    if pattern is None:
        return None, None, 'no rows'
    true_rest, said_rest, held = float(own_add), float(said_add), set()
    for j, at in enumerate(places):
        n = j - shift
        held.add(n if 0 <= n < width and field['places'][n] == at else None)
        moves = 0 <= n < width and field['places'][n] == at and field['mask'] >> n & 1
        if moves and own[n] != said[j] * ratio:
            return None, None, 'sign'
        if not moves:
            said_rest += said[j] * (pattern[at >> 3] >> (at & 7) & 1)
    for n, at in enumerate(field['places']):
        if not field['mask'] >> n & 1:
            true_rest += own[n] * (pattern[at >> 3] >> (at & 7) & 1)
        elif n not in held:
            true_rest += own[n] / 2
    step = field['scale'] * ratio
    return step, field['offset'] + field['scale'] * (true_rest - ratio * said_rest), None


def compare(frame, field, claim, quantum):
    """None where the claim is right for this field, else why not."""
    if claim.get('length') is not None and claim['length'] != frame.form['length']:
        return 'another length'
    if field['page'] is not None:
        if claim['page'] is None:
            return 'page left out'
        if not frame.holds_page(claim['page'], field['page']):
            return 'another page'
    shift, cause = align(frame, field, claim)
    if cause:
        return cause
    if (field.get('form') or 'linear') != (claim.get('form') or 'linear'):
        return 'form'
    scale, offset, cause = meaning(frame, field, claim, shift)
    if cause:
        return cause
    if claim['scale'] is None or abs(claim['scale'] / scale - 1) > SCALE_MOST:
        return 'scale'
    # Offset at the claim's raw 0, or at the field's own 0, whichever agrees better.
    at_own = claim['offset'] - offset + (claim['scale'] - scale) * (field['offset'] - offset) / scale
    off = min(abs(claim['offset'] - offset), abs(at_own))
    most = max(abs(scale), abs(field['scale']))
    if field.get('form') != 'reciprocal':
        most = max(most, quantum)
    return None if off <= QUANTA_MOST * most else 'offset'


def compare_labels(frame, field, claim, labels):
    if field['page'] is not None and claim['page'] is None:
        return 'page left out'
    shift, cause = align(frame, field, claim)
    if cause:
        return cause
    places, pattern = positions(claim['bits'])[0], frame.pattern(field)
    got = {value['label']: value['raw'] for value in claim.get('values') or []}
    for code, label in field['values'].items():
        if label not in labels:
            continue
        want = 0
        for j, at in enumerate(places):
            n = j - shift
            mine = 0 <= n < len(field['places']) and field['places'][n] == at
            want |= ((int(code) >> n & 1) if mine else (pattern[at >> 3] >> (at & 7) & 1)) << j
        if got.get(label) != want:
            return 'codes'
    return None


class Truth:
    """A target with its copies and cousins."""

    def __init__(self, car, target, samples, exercised):
        self.target, self.samples, self.exercised = target, samples, exercised
        self.copies = [(frame, field) for frame in car.frames for field in frame.fields
                       if field.get('quantity') == target and frame.data]
        self.cousins = self.find_cousins(car) if samples else []
        self.carried = any(field['exercised'] and not self.clips(field)
                           for _, field in self.copies)

    def absent(self):
        return not self.copies and not self.cousins

    def clips(self, field):
        """Does it reach less than the replies did, for more than 2 of 100?"""
        if self.samples is None or field.get('form') == 'reciprocal':
            return False
        width = len(field['places'])
        ends = [signed(field['sign'], raw, width) * field['scale'] + field['offset']
                for raw in (0, (1 << width) - 1, 1 << (width - 1), (1 << (width - 1)) - 1)]
        low, high = min(ends) - self.samples.step, max(ends) + self.samples.step
        beyond = sum(not low <= value <= high for value in self.samples.values)
        return beyond > 0.02 * len(self.samples.values)

    def find_cousins(self, car):
        unit = UNITS.get(self.target)
        found = []
        for frame in car.frames:
            for field in frame.fields:
                if (field['kind'] == 'physical' and field.get('unit') == unit and unit and
                        field.get('quantity') != self.target and field['mask'] and frame.data and
                        self.agrees(frame, field)):
                    found.append((frame, field))
        return found

    def agrees(self, frame, field):
        rows = [(time, data) for time, data in zip(frame.times, frame.data)
                if field['page'] is None or frame.page_of(data) in field['page']]
        times = [time for time, _ in rows]
        return any(self.agrees_at(field, rows, times, lag / 10) for lag in range(-3, 7))

    def agrees_at(self, field, rows, times, lag):
        squares, of, step = 0.0, 0, max(self.samples.step, abs(field['scale']))
        most = len(self.samples.times) * step * step
        for time, value in zip(self.samples.times, self.samples.values):
            n = bisect_right(times, time - lag) - 1
            got = decode(field, rows[n][1]) if n >= 0 else None
            if got is not None:
                of += 1
                squares += (got - value) ** 2
                if squares > most:
                    return False
        return of >= 10 and squares <= of * step * step

    def judge(self, claim, labels=None):
        """(is it right, why not; a cousin is right with 'cousin')."""
        quantum = self.samples.step if self.samples else 0
        causes = []
        for n, (frame, field) in enumerate(self.copies + self.cousins):
            if frame.key() != (claim['bus'], claim['id'], bool(claim['extended'])):
                continue
            cause = (compare(frame, field, claim, quantum) if labels is None else
                     compare_labels(frame, field, claim, labels))
            if cause is None:
                return True, None if n < len(self.copies) else 'cousin'
            if cause != 'other bits':
                causes.append((cause == 'another page', len(causes), cause))
        return False, min(causes)[2] if causes else 'another signal'


UNITS = {'vehicle_speed': 'km/h', 'engine_speed': 'rpm', 'pedal': '%', 'throttle': '%', 'load': '%',
         'absolute_load': '%', 'manifold_pressure': 'kPa', 'barometric_pressure': 'kPa',
         'lambda': '1', 'lambda_target': '1', 'coolant_temp': 'degC', 'intake_temp': 'degC',
         'ambient_temp': 'degC'}


class Car:
    """Layout and log together; `dropped`: quantities whose frames are left out."""

    def __init__(self, layout, rows):
        self.frames = []
        for form in layout['frames']:
            key = (form['bus'], form['id'], bool(form['extended']), bool(form['fd']),
                   form['length'])
            if key in rows:
                self.frames.append(Frame(form, rows[key]))


def lies_on(car, claim):
    """What is really there, for failures."""
    places, found = set(positions(claim['bits'])[0]), []
    for frame in car.frames:
        if frame.key() != (claim['bus'], claim['id'], bool(claim['extended'])):
            continue
        for field in frame.fields:
            shared = sum(field['mask'] >> n & 1 for n, at in enumerate(field['places'])
                         if at in places)
            if shared:
                found.append((shared, '%s %s %s %s%s x %s + %s, filter %s, page %s' % (
                    field.get('quantity') or field['kind'], field['bits'],
                    field['facts']['moving_bits'], field['sign'],
                    ' ' + field['form'] if field.get('form') else '',
                    field.get('scale'), field.get('offset'), field.get('filter_s'),
                    field['page'])))
    return ' & '.join(text for _, text in sorted(found, reverse=True)[:2]) or 'nothing that moves'


def told(claim):
    return '%s %X%s %s %s x %s + %s, lag %s, r %s, confidence %s' % (
        claim['bus'], claim['id'], '' if claim['page'] is None else ' page %s' % claim['page'],
        claim['bits'], claim['sign'], claim['scale'], claim['offset'], claim['lag_s'], claim['r'],
        claim['confidence'])


def score_target(score, car, truth, said, label, prefix, labels=None):
    """`said`: the element of `targets`, or None where nothing was said."""
    place = '%s %s' % (label, truth.samples.name() if truth.samples else 'marks')
    place += ' ' + truth.target
    kind = ('main' if truth.target in MAIN else 'slow' if truth.target in SLOW else truth.target
            if truth.target in ('lambda', 'drive_mode') else 'other')
    if said is None:
        score.count(prefix + 'references answered', 0)
        score.fail(place, 'no answer', 'no element for this reference')
        said = {'verdict': 'none', 'say': '', 'candidates': []}
    else:
        score.count(prefix + 'references answered', 1)
    verdict, claims = said['verdict'], said['candidates']
    judged = [truth.judge(claim, labels) for claim in claims]
    for n, (claim, (right, cause)) in enumerate(zip(claims, judged)):
        confidence = claim['confidence'] or 0
        score.bin(prefix + ('first of `found`' if n == 0 and verdict == 'found' else 'others'),
                  confidence, right)
        if confidence >= 0.95:
            score.count(prefix + 'wrong claims at 0.95 and above', not right)
            if not right:
                score.fail(place, 'wrong at 0.95: ' + cause, '%s, number %d: %s | %s' % (
                    verdict, n + 1, told(claim), lies_on(car, claim)))
    first = bool(claims) and judged[0][0]
    if verdict == 'found':
        score.count(prefix + 'found, first claim wrong', not first)
        score.count(prefix + 'found, another signal',
                    not first and (not claims or judged[0][1] == 'another signal'))
    if truth.absent():
        good = verdict in ('not on this bus', 'not exercised')
        score.count(prefix + 'absent: answered right', good)
        score.count(prefix + 'absent: found', verdict == 'found')
        score.count(prefix + 'absent %s: answered right' % kind, good)
        if not good:
            score.fail(place, 'absent, said %s' % verdict, '%s | %s | %s' % (
                said['say'], told(claims[0]) if claims else '', lies_on(car, claims[0])
                if claims else ''))
        return
    if not (truth.exercised and (truth.carried or truth.cousins)):
        score.count(prefix + 'carried, not exercised: no wrong `found`',
                    not (verdict == 'found' and not first))
        return
    top = verdict == 'found' and first
    three = any(right for right, _ in judged[:3])
    score.count(prefix + kind + ': right at the top', top)
    score.count(prefix + kind + ': in the top three', three)
    score.count(prefix + kind + ': a true copy itself at the top', top and judged[0][1] is None)
    score.count(prefix + 'target ' + truth.target, top)
    if kind != 'other':
        score.count(prefix + 'exercised, answered ambiguous or not exercised',
                    verdict in ('ambiguous', 'not exercised'))
        score.count(prefix + 'exercised, answered not on this bus', verdict == 'not on this bus')
        score.count(prefix + 'exercised targets right at the top', top)
    if not top:
        cause = ('said %s%s' % (verdict, ', first right' if first else '') if verdict != 'found'
                 else 'first wrong: ' + judged[0][1])
        copies = '; '.join('%s %X %s(%s) %s%s x %s + %s page %s %s ms filter %s' % (
            frame.form['bus'], frame.form['id'], field['bits'], field['facts']['moving_bits'],
            field['sign'], ' ' + field['form'] if field.get('form') else '', field.get('scale'),
            field.get('offset'), field['page'], frame.form['period_ms'], field.get('filter_s'))
            for frame, field in truth.copies if field['exercised'])
        score.fail(place, kind + ' ' + cause, '%s | %s | there: %s | true: %s%s' % (
            said['say'], told(claims[0]) if claims else 'no candidate',
            lies_on(car, claims[0]) if claims else '', copies,
            ' | right is in the top three' if three else ''))
