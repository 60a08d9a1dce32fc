/* Finding alive counters (loomtap/measure/counter.h): tries every window that can be one, lets the
 * largest saving win where windows overlap, and says what is sure enough to be called a counter.
 *
 * Extent: from the lowest bit that moves to the highest. A counter that steps by two is therefore
 * one that steps by one without its lowest bit: both describe the frame equally. Where the count
 * never wrapped, constant bits up to the byte's edge are taken along; that is how most are defined.
 *
 * A clock that ticks exactly once a frame looks like a counter. Wider than a byte, it is called one
 * only when it has wrapped twice; in a byte, only when it has wrapped, or when no constant byte
 * beside it could be its upper part.
 *
 * Not found: Gray-coded counters, and those that leave out 0 when they wrap (1, 2 .. 15, 1). */
#include "loomtap/measure/counter.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/core/frame.h"
#include "measure/counter_inside.h"
#include "measure/words.h"

#define ROWS_MAX     8192
#define STEPPING_MAX 512 /* windows that count, before one of each place is chosen */
#define LIVELY       0.2 /* share of changing frames in which one of the lowest three bits flips */

#define SAVING_LEAST   16.0 /* bits: against two thousand windows and a few moduli tried */
#define SAVING_SURE    12.0 /* every so many bits above, doubt falls to a third */
#define NEVER_WRAPPED  0.5
#define WRAPPED_ONCE   0.9
#define SUREST         0.997
#define DOUBT_OF_WRAPS 0.15  /* seen twice 0.925, fifty times 0.997 */
#define CLEANER        0.003 /* of two that go together */
#define UNCLEAN_MORE   0.02
#define STIRS_MOST     0.3 /* flips of a bit of contents, of the frames in which anything moves */
#define STIRRED_LEAST  24
#define STIRRED_TIMES  4

struct search {
    const struct lt_kept *kept;
    const struct lt_bit_set *taken;
    struct steps steps;
    struct first_steps first;
    unsigned bits;
    struct lt_bit_set varies;
    uint32_t *flips; /* per bit, over next frames */
    size_t count;
    struct counting *found;
};

/* ---- What moves ---- */

static void see_what_varies(struct search *s)
{
    unsigned length = s->kept->key.length, words = (length + 7) / 8;
    uint64_t first[LT_WORDS_MAX], now[LT_WORDS_MAX];
    lt_words_of(first, lt_kept_row(s->kept, 0), length);
    for (size_t row = 1; row < s->kept->count; row++) {
        lt_words_of(now, lt_kept_row(s->kept, row), length);
        for (unsigned w = 0; w < words; w++)
            s->varies.word[w] |= now[w] ^ first[w];
    }
}

static void count_all_flips(struct search *s)
{
    unsigned length = s->kept->key.length;
    for (size_t i = 0; i < s->steps.count; i++) {
        if (s->steps.gap[i] != 1 || s->steps.moved[i] == 0)
            continue;
        const uint8_t *row = lt_kept_row(s->kept, s->steps.row[i]);
        for (unsigned b = 0; b < length; b++)
            for (unsigned change = row[b] ^ *(row - length + b); change; change &= change - 1)
                s->flips[8 * b + (unsigned)__builtin_ctz(change)]++;
    }
}

static bool is_free(const struct search *s, const struct narrow *window)
{
    struct lt_bits bits = narrow_bits(window);
    return !s->taken || !lt_bit_set_meets(s->taken, &bits);
}

/* A step of 4 modulo 15 leaves the lowest two bits alone until it wraps. */
static bool is_lively(const struct search *s, unsigned lsb, bool motorola)
{
    uint32_t most = 0;
    for (unsigned n = 0; n < 3; n++) {
        unsigned at = motorola ? lsb ^ 7u : lsb + n;
        if (motorola && at < n)
            break;
        at = motorola ? (at - n) ^ 7u : at;
        if (at < s->bits && s->flips[at] > most)
            most = s->flips[at];
    }
    return (double)most >= LIVELY * (double)s->steps.changing && most > 0;
}

/* ---- Trying windows ---- */

/* `widest` is the widest of its lowest bit and order; *was_read: its values were. */
static void try_window(struct search *s, const struct narrow *window, const struct narrow *widest,
                       bool *was_read)
{
    if (s->count == STEPPING_MAX || !lt_bit_set_has(&s->varies, window->span.msb) ||
        !is_free(s, window))
        return;
    uint32_t step = lt_steps_usual(&s->first, window->mask);
    if (step != 0 && !*was_read) {
        lt_steps_read(&s->steps, widest);
        *was_read = true;
    }
    if (lt_steps_count_by(&s->steps, window, step, &s->found[s->count]) &&
        s->found[s->count].saving >= SAVING_LEAST)
        s->count++;
}

/* All widths from one lowest bit. */
static void try_widths(struct search *s, unsigned lsb, bool motorola)
{
    unsigned length = s->kept->key.length, width = NARROW_BITS_MAX;
    struct narrow widest, window;
    bool was_read = false;
    while (width >= 2 && !narrow_make(&widest, lsb, width, motorola, length))
        width--;
    if (width < 2)
        return;
    lt_steps_first(&s->steps, &widest, &s->first);
    for (width = 2; width <= NARROW_BITS_MAX; width++)
        if (narrow_make(&window, lsb, width, motorola, length))
            try_window(s, &window, &widest, &was_read);
}

static void try_windows(struct search *s)
{
    for (unsigned lsb = 0; lsb < s->bits; lsb++) {
        if (!lt_bit_set_has(&s->varies, lsb))
            continue;
        for (unsigned motorola = 0; motorola < 2; motorola++)
            if (is_lively(s, lsb, motorola))
                try_widths(s, lsb, motorola);
    }
}

/* ---- Choosing ---- */

/* The larger saving first; of equal ones the wider (its top bit moved with a frame that was lost),
 * then the one further in front. */
static int by_saving(const void *a, const void *b)
{
    const struct counting *one = a, *other = b;
    if (one->saving != other->saving)
        return one->saving < other->saving ? 1 : -1;
    if (one->window.width != other->window.width)
        return one->window.width > other->window.width ? -1 : 1;
    return one->window.span.lsb < other->window.span.lsb
               ? -1
               : one->window.span.lsb > other->window.span.lsb;
}

static size_t drop_overlapping(struct counting *found, size_t count)
{
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        struct lt_bits bits = narrow_bits(&found[i].window);
        bool meets = false;
        for (size_t k = 0; k < kept && !meets; k++) {
            struct lt_bits other = narrow_bits(&found[k].window);
            meets = lt_bits_overlap(&bits, &other);
        }
        if (!meets)
            found[kept++] = found[i];
    }
    return kept;
}

static bool byte_is_constant(const struct search *s, unsigned byte)
{
    for (unsigned bit = 0; bit < 8; bit++)
        if (lt_bit_set_has(&s->varies, 8 * byte + bit))
            return false;
    return true;
}

/* Could the window be the low end of something wider that has not carried yet? */
static bool may_go_on(const struct search *s, const struct counting *c)
{
    unsigned first = c->window.span.msb / 8, last = first;
    return (first > 0 && byte_is_constant(s, first - 1)) ||
           (last + 1 < s->kept->key.length && byte_is_constant(s, last + 1));
}

/* More than one other byte moves: beside a counter of changes and its check, there are changes. */
static bool others_move(const struct search *s, const struct counting *c)
{
    unsigned moving = 0;
    for (unsigned byte = 0; byte < s->kept->key.length; byte++)
        if (byte != c->window.span.msb / 8 && byte != c->window.span.lsb / 8)
            moving += !byte_is_constant(s, byte);
    return moving >= 2;
}

static bool is_counter(const struct search *s, const struct counting *c)
{
    if (c->on_change && (c->wraps < 2 || (c->window.width > 4 && !others_move(s, c))))
        return false;
    if (c->window.width > 8)
        return c->wraps >= 2;
    return c->wraps >= 1 || (c->good >= 12 && !may_go_on(s, c));
}

static size_t drop_clocks(const struct search *s, struct counting *found, size_t count)
{
    size_t kept = 0;
    for (size_t i = 0; i < count; i++)
        if (is_counter(s, &found[i]))
            found[kept++] = found[i];
    return kept;
}

/* Share of steps that are not right. */
static double unclean(const struct counting *c)
{
    double wrong = (double)(c->bad + c->skips);
    return wrong / (wrong + (double)c->good);
}

/* In a frame that stands still, a check is a function of the counter, and some of its bits may
 * count too: in step with the counter, modulo the same or a part of it. A second counter of the
 * frame that does the same is given up with them. */
static bool go_together(const struct counting *a, const struct counting *b)
{
    uint32_t more = a->modulus > b->modulus ? a->modulus : b->modulus;
    uint32_t less = a->modulus > b->modulus ? b->modulus : a->modulus;
    return a->on_change == b->on_change &&
           (more % less == 0 || unclean(b) > unclean(a) + UNCLEAN_MORE);
}

/* Bits of the bytes that move now and then: a check moves nearly always, and beside a counter whose
 * frame stands still nothing else does. Those of both windows are left out. */
static struct lt_bit_set stirring_bytes(const struct search *s, const struct counting *a,
                                        const struct counting *b)
{
    struct lt_bit_set stirring = {{0}};
    const struct narrow *one = &a->window, *other = &b->window;
    for (unsigned byte = 0; byte < s->kept->key.length; byte++) {
        uint32_t most = 0;
        for (unsigned bit = 8 * byte; bit < 8 * byte + 8; bit++)
            most = s->flips[bit] > most ? s->flips[bit] : most;
        if (byte == one->span.msb / 8u || byte == one->span.lsb / 8u ||
            byte == other->span.msb / 8u || byte == other->span.lsb / 8u ||
            (double)most > STIRS_MOST * (double)s->steps.changing)
            continue;
        for (unsigned bit = 8 * byte; bit < 8 * byte + 8; bit++)
            lt_bit_set_add(&stirring, bit);
    }
    return stirring;
}

/* The bits of a byte that the window has, of any byte: an XOR runs in columns. */
static uint8_t columns_of(const struct narrow *window)
{
    unsigned columns = 0;
    for (unsigned n = 0; n < window->width; n++)
        columns |= 1u << lt_span_position(window->span, n) % 8;
    return (uint8_t)columns;
}

/* Both count on, unmoved by what else changes in the frame: a check would not. Then both are
 * counters. */
static bool both_count_on(const struct search *s, const struct counting *a,
                          const struct counting *b)
{
    const struct lt_bit_set stirring = stirring_bytes(s, a, b);
    uint8_t of_a = columns_of(&a->window), of_b = columns_of(&b->window);
    unsigned length = s->kept->key.length;
    uint64_t stirred_a = 0, stirred_b = 0;
    for (size_t i = 0; i < s->steps.count; i++) {
        const uint8_t *row = lt_kept_row(s->kept, s->steps.row[i]);
        uint8_t moves = 0;
        for (unsigned k = 0; s->steps.gap[i] == 1 && k < length; k++)
            moves |= (uint8_t)((row[k] ^ *(row + k - length)) &
                               (stirring.word[k / 8] >> 8 * (k % 8) & 0xFF));
        stirred_a += (moves & of_a) != 0;
        stirred_b += (moves & of_b) != 0;
    }
    uint64_t stirred = stirred_a < stirred_b ? stirred_a : stirred_b;
    uint64_t wrong = a->bad + a->skips + b->bad + b->skips;
    return stirred >= STIRRED_LEAST && STIRRED_TIMES * wrong <= stirred;
}

/* A sum goes on above where the counter in it ends. */
static bool goes_on_above(const struct search *s, const struct counting *c)
{
    unsigned above = c->window.span.msb + 1u;
    return above % 8 != 0 && lt_bit_set_has(&s->varies, above);
}

/* Which of two that go together is the counter: the longer one, then what counts up by one, what
 * counts up at all, what is not at an end of the frame, where checks like to be, nor goes on. */
static unsigned unlikeliness(const struct search *s, const struct counting *c)
{
    unsigned byte = c->window.span.lsb / 8;
    bool down = c->up > c->modulus / 2;
    return (16 - c->window.width) * 8 + (c->up != 1 ? 4u : 0u) + (down ? 2u : 0u) +
           (byte == 0 || byte + 1u == s->kept->key.length || goes_on_above(s, c) ? 1u : 0u);
}

static size_t drop_echoes(const struct search *s, struct counting *found, size_t count)
{
    for (size_t i = 0; i < count; i++)
        for (size_t k = i + 1; k < count;) {
            if (!go_together(&found[i], &found[k]) || both_count_on(s, &found[i], &found[k])) {
                k++;
                continue;
            }
            double cleaner = unclean(&found[i]) - unclean(&found[k]);
            if (cleaner > CLEANER ||
                (cleaner > -CLEANER && unlikeliness(s, &found[k]) < unlikeliness(s, &found[i])))
                found[i] = found[k];
            memmove(&found[k], &found[k + 1], (--count - k) * sizeof *found);
        }
    return count;
}

/* ---- Saying ---- */

static double confidence_of(const struct counting *c)
{
    double count = (double)(c->good + c->bad + c->skips);
    double doubt = pow(3, -(c->saving - SAVING_LEAST) / SAVING_SURE) * 0.3;
    double wrong = ((double)c->bad + 0.2 * (double)c->skips) / count;
    double most = c->wraps >= 2   ? 1 - DOUBT_OF_WRAPS / (double)c->wraps
                  : c->wraps == 1 ? WRAPPED_ONCE
                                  : NEVER_WRAPPED;
    double confidence = (1 - doubt) * (1 - wrong);
    most = most < SUREST ? most : SUREST;
    return confidence < most ? confidence : most;
}

/* Constant bits above one that never wrapped, up to the edge of its byte. */
static struct lt_span whole_span(const struct search *s, const struct counting *c)
{
    struct lt_span span = c->window.span;
    if (c->wraps > 0 || lt_span_order(span) != LT_ORDER_NONE)
        return span;
    for (unsigned at = span.msb + 1u; at % 8 != 0; at++)
        if (lt_bit_set_has(&s->varies, at) || (s->taken && lt_bit_set_has(s->taken, at)))
            return span;
    span.msb = (uint16_t)(span.msb | 7u);
    return span;
}

static struct lt_counter_found say(const struct search *s, const struct counting *c)
{
    struct lt_span span = whole_span(s, c);
    bool wider = span.msb != c->window.span.msb;
    uint64_t kept = c->good + c->lost_right;
    return (struct lt_counter_found){
        .bits = span,
        .order = lt_span_order(span),
        .modulus = wider ? (uint32_t)1 << lt_span_length(span) : c->modulus,
        .step = c->up,
        .on_change = c->on_change,
        .kept_steps = kept,
        .other_steps = c->bad + c->skips + c->lost_wrong,
        .confidence = confidence_of(c),
    };
}

static int by_confidence(const void *a, const void *b)
{
    const struct lt_counter_found *one = a, *other = b;
    if (one->confidence != other->confidence)
        return one->confidence < other->confidence ? 1 : -1;
    return one->bits.lsb < other->bits.lsb ? -1 : one->bits.lsb > other->bits.lsb;
}

static enum lt_code make_room_for_first(struct search *s, struct lt_arena *arena,
                                        struct lt_error *error)
{
    s->first.step = lt_arena_array(arena, s->steps.count + 1, sizeof *s->first.step);
    return s->first.step
               ? LT_OK
               : lt_fail(error, LT_E_MEMORY, "no memory for the steps of a frame's counters");
}

/* All rows, where the search saw some of them. */
static enum lt_code count_again(struct search *s, int64_t period_ns, struct lt_arena *arena,
                                struct lt_error *error)
{
    if (s->count == 0 || s->kept->count <= ROWS_MAX)
        return LT_OK;
    enum lt_code code = lt_steps_make(s->kept, period_ns, s->kept->count, arena, &s->steps, error);
    if (code == LT_OK)
        code = make_room_for_first(s, arena, error);
    if (code != LT_OK)
        return code;
    size_t kept = 0;
    for (size_t i = 0; i < s->count; i++) {
        struct narrow window = s->found[i].window;
        lt_steps_first(&s->steps, &window, &s->first);
        lt_steps_read(&s->steps, &window);
        if (lt_steps_count_by(&s->steps, &window, lt_steps_usual(&s->first, window.mask),
                              &s->found[kept]))
            kept++;
    }
    s->count = kept;
    return LT_OK;
}

enum lt_code lt_counters_find(const struct lt_kept *kept, int64_t period_ns,
                              const struct lt_bit_set *taken, struct lt_arena *arena,
                              struct lt_counter_found ret_found[LT_COUNTERS_MAX], size_t *ret_count,
                              struct lt_error *error)
{
    struct search s = {.kept = kept, .taken = taken, .bits = 8u * kept->key.length};
    *ret_count = 0;
    if (kept->count < 2 || kept->key.length == 0 || kept->key.length > LT_FRAME_MAX)
        return LT_OK;
    s.flips = lt_arena_array(arena, s.bits, sizeof *s.flips);
    s.found = lt_arena_array(arena, STEPPING_MAX + 1, sizeof *s.found);
    if (!s.flips || !s.found)
        return lt_fail(error, LT_E_MEMORY, "no memory for the steps of a frame's counters");
    enum lt_code code = lt_steps_make(kept, period_ns, ROWS_MAX, arena, &s.steps, error);
    if (code == LT_OK)
        code = make_room_for_first(&s, arena, error);
    if (code != LT_OK)
        return code;
    see_what_varies(&s);
    count_all_flips(&s);
    try_windows(&s);
    qsort(s.found, s.count, sizeof *s.found, by_saving);
    s.count = drop_overlapping(s.found, s.count);
    code = count_again(&s, period_ns, arena, error);
    if (code != LT_OK)
        return code;
    s.count = drop_clocks(&s, s.found, s.count);
    s.count = drop_echoes(&s, s.found, s.count);
    struct lt_counter_found all[STEPPING_MAX];
    for (size_t i = 0; i < s.count; i++)
        all[i] = say(&s, &s.found[i]);
    qsort(all, s.count, sizeof *all, by_confidence);
    *ret_count = s.count < LT_COUNTERS_MAX ? s.count : LT_COUNTERS_MAX;
    memcpy(ret_found, all, *ret_count * sizeof *all);
    return LT_OK;
}

enum lt_code lt_counter_goes_on(const struct lt_kept *kept, int64_t period_ns,
                                const struct lt_counter_found *known, struct lt_arena *arena,
                                struct lt_counter_found *ret_found, bool *ret_goes_on,
                                struct lt_error *error)
{
    struct search s = {.kept = kept, .bits = 8u * kept->key.length};
    unsigned width = lt_span_length(known->bits);
    bool motorola = known->order == LT_ORDER_MOTOROLA;
    struct narrow window;
    *ret_goes_on = false;
    if (kept->count < 2 || width > NARROW_BITS_MAX ||
        !narrow_make(&window, known->bits.lsb, width, motorola, kept->key.length))
        return LT_OK;
    enum lt_code code = lt_steps_make(kept, period_ns, ROWS_MAX, arena, &s.steps, error);
    if (code == LT_OK)
        code = make_room_for_first(&s, arena, error);
    if (code != LT_OK)
        return code;
    struct counting counting;
    see_what_varies(&s);
    lt_steps_first(&s.steps, &window, &s.first);
    lt_steps_read(&s.steps, &window);
    if (!lt_steps_count_by(&s.steps, &window, lt_steps_usual(&s.first, window.mask), &counting) ||
        counting.modulus != known->modulus || counting.up != known->step ||
        counting.on_change != known->on_change || counting.wraps == 0)
        return LT_OK;
    *ret_found = say(&s, &counting);
    *ret_goes_on = true;
    return LT_OK;
}
