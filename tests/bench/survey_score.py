"""Scores what a survey says of a car against the car's layout. Knows both only by their JSON.

What counts as right (and is the same for every car):

- A value (physical, accumulating, enum, flag) is *definition-exact* when byte order, sign and both
  ends are right and nothing foreign is in it. Top bits that never moved cannot be seen: the upper
  end may lie anywhere from the highest bit that moved to the defined one. Likewise low bits that
  never moved (a source that is coarser than its field). Bits that moved count without tolerance.
- Order counts where the claim or the moving part of the field spans bytes.
- Sign is exercised where a two's complement or sign-magnitude field crossed zero twice, or the top
  bit of another moved.
  Unsigned and offset-binary are the same reading but for an offset: either word is right for both.
  Choices and flags have codes, and codes have no sign.
- "Low end within 2": the lower end may be off by two bits either way.
- A field on all pages may be claimed on all, or page by page, and then must be right on each.
- Of a selector, top and low bits that never moved cannot be seen either; pages count by what they
  are, whichever of its bits number them.
- *Exercised* is what the layout says (its rule: src/mimic/random_facts.c), from the
  traffic alone. Abstaining (no claim on most of the moving bits, confidence under 0.5, or kind
  `unknown`) is counted.
"""
from survey_checks import Check, positions, raw_of

VALUES = ('physical', 'accumulating', 'enum', 'flag')


class Truth:
    def __init__(self, form):
        self.form = form
        self.kind = form['kind']
        self.places, self.order = positions(form['bits'])
        self.set = set(self.places)
        facts = form['facts']
        moved = int(facts['moved'], 16)
        any_moved = int(facts['moved_with_codes'], 16)
        self.moving = [n for n in range(len(self.places)) if moved >> n & 1]
        self.moved = {at for n, at in enumerate(self.places) if any_moved >> n & 1}
        self.low = self.moving[0] if self.moving else 0
        self.high = self.moving[-1] if self.moving else 0
        self.pages = form['page']
        self.exercised = form['exercised']
        self.moved_own = {self.places[n] for n in self.moving}

    def sign_exercised(self):
        if self.kind not in ('physical', 'accumulating'):
            return False
        if self.form['sign'] in ('twos', 'sign-magnitude'):
            return self.form['facts']['crossings'] >= 2
        return bool(self.moving) and self.high == len(self.places) - 1

    def classes(self, frame):
        """The classes whose floors are reported apart."""
        if self.kind in ('enum', 'flag'):
            return [self.kind]
        found = []
        n, form = len(self.places), self.form
        if self.kind in ('physical', 'accumulating'):
            if form['sign'] == 'twos':
                found.append("two's complement")
            if form['sign'] in ('offset-binary', 'sign-magnitude'):
                found.append(form['sign'])
            edge = self.places[0] % 8 == 0 or self.places[-1] % 8 == 7
            if 10 <= n <= 13 and not edge:
                found.append('10 to 13 bits, no end at a byte edge')
            if 10 <= n <= 13:
                found.append('10 to 13 bits')
            if n > 16:
                found.append('longer than 16 bits')
            found.append({'intel': 'little-endian', 'motorola': 'big-endian',
                          'none': 'inside a byte'}[self.order])
            if self.high < n - 2:
                found.append('top bits that never move')
            if form['dither_steps'] > 0:
                found.append('noise on low bits')
            if form['filter_s'] > 0:
                found.append('filtered')
            if form['facts']['codes']:
                found.append('with unavailable codes')
        if self.kind == 'physical':
            slow = form['facts']['changes'] < 0.02 * form['facts']['frames']
            found.append('slow' if slow else 'fast')
        if self.pages:
            found.append('on pages')
        if frame['fd']:
            found.append('FD')
        if frame['extended']:
            found.append('29-bit identifier')
        if frame['cadence'] != 'cyclic':
            found.append('event frames')
        return found


class Claim:
    def __init__(self, form):
        self.form = form
        self.kind = form['kind']
        self.places, self.order = positions(form['bits'])
        self.set = set(self.places)
        self.pages = self.said_pages = form.get('page')
        self.confidence = form.get('confidence') or 0.0

    def on(self, page):
        return self.pages is None or page is None or page in self.pages


def sign_is_right(truth, claim):
    if truth.kind in ('enum', 'flag'):
        return True  # codes have no sign
    said, true = claim.form['sign'], truth.form['sign']
    if true in ('twos', 'sign-magnitude'):
        return said == true or not truth.sign_exercised()
    if said in ('unsigned', 'offset-binary'):
        return True
    return claim.places[-1] not in truth.moved_own  # says so, but its top bit never moved


def ends(truth, claim):
    """How far the claim's ends are off: (low, high), 0 where they are right; None where the
    claim's bits do not follow the field's own line."""
    line = list(truth.places)
    order = truth.order
    if claim.order != order and claim.order != 'none' and order != 'none':
        return None
    where = {at: n for n, at in enumerate(line)}
    low = where.get(claim.places[0])
    high = where.get(claim.places[-1])
    if low is None:  # foreign bits below: how many
        inside = [n for n, at in enumerate(claim.places) if at in where]
        if not inside or where[claim.places[inside[0]]] != 0:
            return None
        low = -inside[0]
    if high is None or (high - low != len(claim.places) - 1):
        return None
    off_low = 0 if 0 <= low <= truth.low else (low - truth.low if low > truth.low else low)
    off_high = 0 if high >= truth.high else high - truth.high
    return off_low, off_high


def exact(truth, claim, slack=0):
    if claim.kind not in VALUES + ('unknown',) or truth.kind not in VALUES:
        return False
    if not truth.moving:
        return claim.set <= truth.set
    off = ends(truth, claim)
    return off is not None and abs(off[0]) <= slack and off[1] == 0 and sign_is_right(truth, claim)


def shared(truth, claim):
    return len(truth.moved_own & claim.set)


def best_claim(truth, claims):
    """The claim that has most of the field's moving bits, the fewest others among equals."""
    found = [c for c in claims if c.kind != 'constant' and shared(truth, c)]
    return max(found, key=lambda c: (shared(truth, c), -len(c.set)), default=None)


class Score:
    """Adds up over cars. Every figure is [right, of]; failures are lines for a developer."""

    def __init__(self):
        self.rate, self.bins, self.failures = {}, {}, []

    def count(self, name, right, of=1):
        cell = self.rate.setdefault(name, [0, 0])
        cell[0] += right if not isinstance(right, bool) else int(right)
        cell[1] += of

    def bin(self, group, confidence, right):
        edges = (0, .3, .5, .6, .7, .8, .9, .95, .98, 1.01)
        low = max(edge for edge in edges if confidence >= edge)
        cell = self.bins.setdefault((group, low), [0, 0, 0.0])
        cell[0] += right
        cell[1] += 1
        cell[2] += confidence

    def fail(self, place, text):
        self.failures.append('%s: %s' % (place, text))

    def add(self, other):
        for name, (right, of) in other.rate.items():
            self.count(name, right, of)
        for key, cell in other.bins.items():
            mine = self.bins.setdefault(key, [0, 0, 0.0])
            for i in range(3):
                mine[i] += cell[i]
        self.failures += other.failures


def told(claim):
    if claim is None:
        return 'nothing'
    form = claim.form
    text = '%s %s %s %s' % (form['kind'], form['bits'], form['order'], form['sign'])
    if form.get('page') is not None:
        text += ' page %s' % form['page']
    return '%s, %.3f (%s)' % (text, claim.confidence, form.get('why'))


def name_of(truth):
    form = truth.form
    facts = form['facts']
    page = '' if form['page'] is None else ' page %s' % form['page']
    return ('%s %s %s %s %s%s [moving %s, %d values, %d changes of %d, filter %.2f, noise %.1f]' %
            (form['kind'], form['quantity'] or '', form['bits'], form['order'], form['sign'], page,
             facts['moving_bits'], facts['distinct'], facts['changes'], facts['frames'],
             form['filter_s'], form['dither_steps']))


class FrameScore:
    """One frame of the truth with what was said of it."""

    def __init__(self, score, place, truth, said, rows):
        self.score, self.place, self.frame, self.rows = score, place, truth, rows
        self.truths = [Truth(form) for form in truth['fields']]
        self.claims = []
        for form in (said or {'fields': []})['fields']:
            try:
                self.claims.append(Claim(form))
            except (ValueError, KeyError, TypeError) as problem:
                score.count('claims that cannot be read', 1)
                score.fail(place, 'claim that cannot be read: %s, %s' % (form.get('bits'), problem))
        self.said = said
        selector = truth['selector']
        self.pages = self.seen_pages() if selector else [None]
        if selector and (said or {}).get('selector'):
            self.number_pages_alike(said['selector']['bits'])

    def number_pages_alike(self, text):
        """Where the selector is right as far as it moved, its claims' pages are the defined ones:
        the same page is 3 in two bits and 195 in the whole byte."""
        said, true = positions(text)[0], positions(self.frame['selector']['bits'])[0]
        moved = set().union(*[t.moved_own for t in self.truths if t.kind == 'selector'], set())
        if not moved <= set(said) <= set(true):
            return
        names = {raw_of(said, data): raw_of(true, data) for data in self.rows}
        for claim in self.claims:
            if claim.pages is not None:
                claim.pages = [names.get(page, page) for page in claim.pages]

    def seen_pages(self):
        bits = positions(self.frame['selector']['bits'])[0]
        return sorted({raw_of(bits, data) for data in self.rows})

    def pages_of(self, truth):
        return self.pages if truth.pages is None else [p for p in self.pages if p in truth.pages]

    def page_claims(self, page):
        return [c for c in self.claims if c.on(page)]

    def run(self):
        self.fields()
        self.counters()
        self.checksums()
        self.selector()
        self.texts()
        self.boundaries()
        self.overlaps()
        self.false_claims()

    # --- values ---

    def fields(self):
        for truth in self.truths:
            if truth.kind not in VALUES or not truth.exercised:
                continue
            pages = self.pages_of(truth)
            best = [best_claim(truth, self.page_claims(page)) for page in pages]
            if not pages:
                continue
            self.value(truth, best)

    def value(self, truth, best):
        score, physical = self.score, truth.kind in ('physical', 'accumulating')
        need = 0.5 * len(truth.moved_own)
        silent = any(c is None or shared(truth, c) < need or c.confidence < 0.5 or
                     c.kind == 'unknown' for c in best)
        right = all(c is not None and self.whole(truth, c) and exact(truth, c) for c in best)
        near = all(c is not None and self.whole(truth, c) and exact(truth, c, 2) for c in best)
        kind = 'physical' if physical else truth.kind
        score.count('exact: ' + kind, right)
        score.count('near: ' + kind, near)
        score.count('left open: ' + kind, silent)
        score.count('left open: all', silent)
        for name in truth.classes(self.frame):
            score.count('class: ' + name, right)
        if truth.kind == 'accumulating':
            score.count('class: accumulating', right)
            score.count('kind: accumulating', right and best[0].kind == 'accumulating')
        elif right:
            score.count('kind: ' + truth.kind, best[0].kind == truth.kind)
        if not right:
            wrong = next(c for c in best
                         if c is None or not self.whole(truth, c) or not exact(truth, c))
            score.fail(self.place, '%s -- said: %s' % (name_of(truth), told(wrong)))
        elif silent:
            score.fail(self.place, '%s -- left open: %s' %
                       (name_of(truth), told(min(best, key=lambda c: c.confidence))))
        if physical:
            self.order_and_sign(truth, best[0])

    def whole(self, truth, claim):
        """A field of some pages is not claimed for others too."""
        if truth.pages is None or len(self.pages) == 1:
            return True
        return claim.pages is not None and set(claim.pages) & set(self.pages) <= set(truth.pages)

    def order_and_sign(self, truth, claim):
        if claim is None or claim.kind not in ('physical', 'accumulating', 'enum'):
            return
        spans = len({at // 8 for at in truth.moved_own}) > 1
        if spans and claim.order != 'none':
            self.score.count('byte order', claim.order == truth.order)
            self.score.count('byte order: ' + truth.order, claim.order == truth.order)
        if truth.sign_exercised() and truth.places[truth.high] in claim.set:
            self.score.count('sign', sign_is_right(truth, claim))
            self.score.count('sign: ' + truth.form['sign'], sign_is_right(truth, claim))
            if truth.form['sign'] == 'offset-binary':
                self.score.count('offset-binary named so', claim.form['sign'] == 'offset-binary')

    # --- counters, checks, selectors, text ---

    @staticmethod
    def same_counter(truth, claim):
        """Also right: the part of it that counts, where a step leaves low bits alone."""
        said = claim.form.get('counter') or {}
        places = list(truth.places)
        modulus, step = truth.form['counter']['modulus'], truth.form['counter']['step']
        while True:
            if (claim.places == places and said.get('modulus') == modulus and
                    said.get('step') == step):
                return True
            if modulus % 2 or step % 2 or len(places) < 2:
                break
            places, modulus, step = places[1:], modulus // 2, step // 2
        # an upper bit that the modulus never reaches
        top = (truth.form['counter']['modulus'] - 1).bit_length()
        return (claim.places == truth.places[:top] and
                said.get('modulus') == truth.form['counter']['modulus'] and
                said.get('step') == truth.form['counter']['step'])

    def counters(self):
        for truth in self.truths:
            if truth.kind != 'counter' or not truth.exercised:
                continue
            found = all(any(c.kind == 'counter' and self.same_counter(truth, c)
                            for c in self.page_claims(page)) for page in self.pages_of(truth))
            self.score.count('counters found', found)
            form = truth.form['counter']
            forms = ['modulus 2^n' if form['modulus'] & (form['modulus'] - 1) == 0
                     else 'other modulus']
            forms += ['step over 1'] if form['step'] > 1 else []
            forms += ['counts on a page'] if form['per_page'] else []
            forms += ['counts on change'] if form['on_change'] else []
            for name in forms:
                self.score.count('counters: ' + name, found)
            if not found:
                best = best_claim(truth, self.claims)
                said = best.form.get('counter') if best else None
                self.score.fail(self.place, 'counter %s %s -- said: %s %s' %
                                (truth.form['bits'], form, told(best), said))

    def check_rows(self, claim):
        """The frames that the claim speaks of."""
        form = claim.form['checksum']
        page = form.get('page')
        pages = claim.said_pages if page is None else [page]
        said = self.said.get('selector') or self.frame['selector']
        if pages is None or not said:
            return self.rows
        bits = positions(said['bits'])[0]
        return [data for data in self.rows if raw_of(bits, data) in pages]

    def predicts(self, claim):
        form = claim.form.get('checksum')
        if not form:
            return False
        try:
            check = Check(form, claim.form['bits'], self.frame['length'], self.frame['id'],
                          self.frame['extended'])
            return all(check.holds(data) for data in self.check_rows(claim))
        except (ValueError, KeyError, IndexError, TypeError, AttributeError) as problem:
            self.score.fail(self.place, 'checksum that cannot be computed: %s, %s' %
                            (claim.form['bits'], problem))
            return False

    @staticmethod
    def same_check_place(truth, claim):
        """Moving bits all there, nothing foreign."""
        return truth.moved_own <= claim.set <= truth.set

    def checksums(self):
        for truth in self.truths:
            if truth.kind != 'checksum' or not truth.exercised:
                continue
            family = truth.form['checksum']['family']
            found = True
            for page in self.pages_of(truth):
                found = found and any(
                    c.kind == 'checksum' and self.same_check_place(truth, c) and
                    ((c.form.get('checksum') or {}).get('family') == 'authenticated' if
                     family == 'authenticated' else
                     (c.form.get('checksum') or {}).get('family') != 'authenticated' and
                     self.predicts(c)) for c in self.page_claims(page))
            name = 'authenticated said so' if family == 'authenticated' else 'checksums found'
            self.score.count(name, found)
            if family != 'authenticated':
                self.score.count('checksums: ' + family, found)
            if not found:
                best = best_claim(truth, self.claims)
                self.score.fail(self.place, 'checksum %s -- said: %s %s' %
                                (truth.form['checksum']['text'] or 'authenticated ' +
                                 truth.form['bits'], told(best),
                                 (best.form.get('checksum') if best else None)))

    def selector_shows(self):
        """Do pages differ in anything that was sent?"""
        bits = positions(self.frame['selector']['bits'])[0]
        first = {}
        paged = set()
        for truth in self.truths:
            if truth.pages is not None and truth.kind not in ('checksum', 'constant'):
                paged |= truth.set
        for data in self.rows:
            first.setdefault(raw_of(bits, data), []).append(data)
        if not paged or len(first) < 2 or min(len(rows) for rows in first.values()) < 4:
            return False
        return len({tuple(data[at >> 3] >> (at & 7) & 1 for at in sorted(paged))
                    for rows in first.values() for data in rows[:4]}) > 1

    def selector(self):
        said = (self.said or {}).get('selector')
        if not self.frame['selector']:
            if self.rows and self.said:
                self.score.count('selectors said where none is', bool(said))
                if said:
                    self.score.fail(self.place, 'no selector -- said: %s' % said)
            return
        if not self.selector_shows():
            return
        true = set(positions(self.frame['selector']['bits'])[0])
        moved = set()
        for truth in self.truths:
            if truth.kind == 'selector':
                moved = truth.moved_own
        found = bool(said) and moved <= set(positions(said['bits'])[0]) <= true
        if found:
            bits = positions(said['bits'])[0]
            found = set(said['pages']) == {raw_of(bits, data) for data in self.rows}
        self.score.count('selectors found', found)
        if not found:
            self.score.fail(self.place, 'selector %s pages %s -- said: %s' %
                            (self.frame['selector']['bits'], self.pages, said))

    def texts(self):
        for truth in self.truths:
            if truth.kind != 'text':
                continue
            pages = self.pages_of(truth)
            if not pages:
                continue
            covered = all(truth.set <= set().union(*[c.set for c in self.page_claims(page)
                                                     if c.kind == 'text'], set())
                          for page in pages)
            self.score.count('text found', covered)
            self.score.count('class: text', covered)
            if not covered:
                self.score.fail(self.place, 'text %s page %s -- said: %s' %
                                (truth.form['bits'], truth.form['page'],
                                 [told(c) for c in self.page_claims(pages[0])
                                  if c.set & truth.set][:3]))

    def overlaps(self):
        """Claiming the same bits twice would be having it both ways."""
        for page in self.pages:
            taken, double = set(), set()
            for claim in self.page_claims(page):
                double |= taken & claim.set
                taken |= claim.set
            self.score.count('bits claimed twice', len(double), max(1, len(taken)))
            if double:
                self.score.fail(self.place, 'bits claimed twice on page %s: %s' % (
                    page, ['%d.%d' % (at // 8, at % 8) for at in sorted(double)]))

    # --- boundaries: gaps between neighbouring bits that moved ---

    def boundaries(self):
        votes = {'intel': 0, 'motorola': 0}
        for truth in self.truths:
            if truth.order in votes:
                votes[truth.order] += 1
        flip = 7 if votes['motorola'] > votes['intel'] else 0
        for page in self.pages:
            owner, said = {}, {}
            for number, truth in enumerate(self.truths):
                if truth.pages is None or page in truth.pages:
                    for at in truth.moved:
                        owner[at] = number
            for number, claim in enumerate(self.page_claims(page)):
                if claim.kind != 'constant':
                    for at in claim.set:
                        said[at] = number
            if self.said and self.said.get('selector'):
                for at in positions(self.said['selector']['bits'])[0]:
                    said[at] = 'selector'
            line = sorted(owner, key=lambda at: (at // 8, (at % 8) ^ flip))
            for one, two in zip(line, line[1:]):
                true = owner[one] != owner[two]
                claim = one not in said or two not in said or said[one] != said[two]
                self.score.count('boundary precision', true and claim, int(claim))
                self.score.count('boundary recall', true and claim, int(true))

    # --- every claim ---

    def claim_is_right(self, claim):
        pages = [p for p in self.pages if claim.on(p)] or self.pages[:1]
        if claim.pages is not None and self.frame['selector'] is None:
            return False
        if claim.kind == 'checksum':
            family = (claim.form.get('checksum') or {}).get('family')
            true = [t for t in self.truths if t.kind == 'checksum' and t.set & claim.set]
            if not true or not claim.set <= true[0].set:
                return False
            keyed = true[0].form['checksum']['family'] == 'authenticated'
            return keyed if family == 'authenticated' else not keyed and self.predicts(claim)
        if claim.kind == 'selector':
            return bool(self.frame['selector']) and claim.set <= set(
                positions(self.frame['selector']['bits'])[0])
        return all(any(self.agrees(truth, claim) for truth in self.truths
                       if truth.pages is None or page in truth.pages) for page in pages)

    def agrees(self, truth, claim):
        if claim.kind == 'counter':
            return truth.kind == 'counter' and self.same_counter(truth, claim)
        if claim.kind == 'text':
            return truth.kind == 'text' and claim.set <= truth.set
        return exact(truth, claim)

    def kind_is_right(self, claim):
        """For claims that are right otherwise: is the kind the field's too? Where the field was not
        exercised, or only one bit of a choice moved, nobody can tell."""
        if claim.kind not in VALUES:
            return True
        for truth in self.truths:
            if exact(truth, claim) and (not truth.exercised or truth.kind == claim.kind or
                                        (len(truth.moving) < 2 and claim.kind in ('flag', 'enum'))):
                return True
        return False

    def constant_is_right(self, claim):
        moved = set()
        for truth in self.truths:
            if claim.pages is None or truth.pages is None or set(truth.pages) & set(claim.pages):
                moved |= truth.moved
        return not moved & claim.set

    def false_claims(self):
        score = self.score
        for claim in self.claims:
            if claim.kind == 'constant':
                score.count('constants right', self.constant_is_right(claim))
                continue
            right = self.claim_is_right(claim)
            group = claim.kind if claim.kind in ('counter', 'checksum') else 'fields'
            score.bin('all', claim.confidence, right)
            score.bin(group, claim.confidence, right)
            if claim.confidence >= 0.95:
                score.count('false at 0.95 and above', not right)
                score.count('false at 0.95 and above, wrong kind counted too',
                            not right or not self.kind_is_right(claim))
                score.count('false at 0.95 and above: ' + claim.kind, not right)
            if claim.kind in ('counter', 'checksum'):
                touches = any(t.kind == claim.kind and len(t.set & claim.set) * 2 >= len(claim.set)
                              for t in self.truths)
                if self.frame['count'] >= 8:
                    score.count('false %ss' % claim.kind, not touches)
                    if claim.kind == 'checksum':
                        score.count('predictors exact', self.said_authenticated(claim) or
                                    self.predicts(claim))
            if not right and claim.confidence >= 0.95:
                score.fail(self.place, 'FALSE at %.3f: %s -- truth: %s' % (
                    claim.confidence, told(claim),
                    [name_of(t) for t in self.truths if t.set & claim.set][:3]))

    @staticmethod
    def said_authenticated(claim):
        return (claim.form.get('checksum') or {}).get('family') == 'authenticated'


def key_of(frame):
    return frame['bus'], frame['id'], frame['extended'], frame['fd'], frame['length']


def score_car(layout, survey, rows, label):
    """`rows` gives for each frame's key the list of its data bytes as logged."""
    score = Score()
    said = {key_of(frame): frame for frame in survey['frames']}
    for frame in layout['frames']:
        key = key_of(frame)
        if not rows.get(key):
            continue
        place = '%s %s %X' % (label, frame['bus'], frame['id'])
        score.count('frames seen', key in said)
        FrameScore(score, place, frame, said.get(key), rows[key]).run()
    known = {key_of(frame) for frame in layout['frames']}
    for frame in survey['frames']:
        if key_of(frame) not in known and not is_diagnostic(frame):
            score.fail(label, 'frame that was never sent: %s' % (key_of(frame),))
    return score


def is_diagnostic(frame):
    if frame['extended']:
        return frame['id'] >> 16 in (0x18DA, 0x18DB)
    return frame['id'] >= 0x700
