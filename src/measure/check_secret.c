/* Random-looking bits that nothing in the frame explains: a message authentication code, most
 * likely.
 *
 * Each bit flips every other time and is 1 half of the time, no byte is smooth, no step is usual
 * (a fast timer has one), and there are at least 16 in a row: noise of a quantity has a few random
 * bits, and above them bits that are less so. A check over data that is not sent, or with a key,
 * looks the same, and that is what is said. */
#include <math.h>

#include "loomtap/base/text.h"
#include "measure/check_inside.h"

#define RUN_MIN      16u
#define RUN_MAX      64u
#define CHANGES_MIN  128u
#define CHANGES_SURE 400u
#define SIGMAS       4.5

struct tally {
    uint64_t steps, frames;
    uint64_t flips[CHECK_POSITIONS], ones[CHECK_POSITIONS], together[CHECK_POSITIONS];
};

/* Over at most some thousand neighbouring frames; `together`: flips with the next position. */
static void count_flips(const struct check_view *view, struct tally *tally)
{
    const struct lt_kept *kept = view->kept;
    size_t runs = kept->count / 4096 + 1;
    for (size_t r = 1; r < kept->count; r++) {
        if (r / 256 % runs != 0)
            continue;
        const uint8_t *bytes = lt_kept_row(kept, r), *before = lt_kept_row(kept, r - 1);
        tally->steps++;
        for (unsigned b = 0; b < view->length; b++) {
            unsigned flips = bytes[b] ^ before[b];
            unsigned next = b + 1 < view->length ? bytes[b + 1] ^ before[b + 1] : 0u;
            for (unsigned set = flips; set; set &= set - 1)
                tally->flips[8 * b + (unsigned)__builtin_ctz(set)]++;
            for (unsigned set = bytes[b]; set; set &= set - 1)
                tally->ones[8 * b + (unsigned)__builtin_ctz(set)]++;
            unsigned pairs = flips & (flips >> 1 | (next & 1) << 7);
            for (unsigned set = pairs; set; set &= set - 1)
                tally->together[8 * b + (unsigned)__builtin_ctz(set)]++;
        }
    }
}

static bool is_near(uint64_t count, uint64_t of, double share)
{
    double n = (double)of, expected = n * share;
    return fabs((double)count - expected) <= SIGMAS * sqrt(n * share * (1.0 - share));
}

/* A step that is usual: the steps of one byte, on a circle. */
static bool steps_spread(const struct check_view *view, unsigned low_byte, unsigned high_byte)
{
    const struct lt_kept *kept = view->kept;
    double x = 0.0, y = 0.0;
    uint64_t count = 0;
    size_t runs = kept->count / 4096 + 1;
    for (size_t r = 1; r < kept->count; r++) {
        if (r / 256 % runs != 0)
            continue;
        const uint8_t *bytes = lt_kept_row(kept, r), *before = lt_kept_row(kept, r - 1);
        unsigned now = bytes[low_byte] | (unsigned)bytes[high_byte] << 8;
        unsigned then = before[low_byte] | (unsigned)before[high_byte] << 8;
        double angle = 6.283185307179586 / 65536.0 * (double)((now - then) & 0xFFFF);
        x += cos(angle);
        y += sin(angle);
        count++;
    }
    return x * x + y * y <= 16.0 * (double)count;
}

/* Along Motorola fields places run 7..0 inside a byte, along Intel fields 0..7. */
static unsigned position_at(unsigned n, bool motorola)
{
    return motorola ? n ^ 7u : n;
}

struct run {
    unsigned first, count;
    bool motorola;
    unsigned random_first, random_end; /* before it was cut to nibbles */
};

static void find_run(const struct check_view *view, const bool *random, bool motorola,
                     struct run *best)
{
    unsigned bits = 8 * view->length, length = 0;
    for (unsigned n = 0; n <= bits; n++) {
        if (n < bits && random[position_at(n, motorola)]) {
            length++;
            continue;
        }
        /* A whole byte border is likelier than a bit or two of the neighbour's noise. */
        unsigned first = (n - length + 3) & ~3u, end = n & ~3u;
        if (length && end > first && end - first > best->count)
            *best = (struct run){first, end - first, motorola, n - length, n};
        length = 0;
    }
}

static unsigned gather(const uint8_t *bytes, unsigned first, unsigned count, bool motorola)
{
    unsigned value = 0;
    for (unsigned n = 0; n < count; n++) {
        unsigned place = position_at(motorola ? first + n : first + count - 1 - n, motorola);
        value = value << 1 | (bytes[place / 8] >> place % 8 & 1u);
    }
    return value;
}

/* A fast number has random low bits, but goes on in bits that are less so: when those step up by
 * one, the bits below them fall. `high` and `low` are places along the order, 8 bits of the run. */
static bool steps_carry(const struct check_view *view, unsigned high, unsigned high_bits,
                        unsigned low, bool motorola)
{
    const struct lt_kept *kept = view->kept;
    double sum = 0.0, count = 0.0;
    size_t runs = kept->count / 4096 + 1;
    for (size_t r = 1; r < kept->count; r++) {
        if (r / 256 % runs != 0)
            continue;
        const uint8_t *bytes = lt_kept_row(kept, r), *before = lt_kept_row(kept, r - 1);
        int up = (int)gather(bytes, high, high_bits, motorola) -
                 (int)gather(before, high, high_bits, motorola);
        if (up != 1 && up != -1)
            continue;
        int below = (int)gather(bytes, low, 8, motorola) - (int)gather(before, low, 8, motorola);
        sum += up * below;
        count += 1.0;
    }
    /* In few frames a doubt is enough. */
    double sigmas = view->changes < CHANGES_SURE ? 2.0 : 5.0;
    return count >= 8.0 && sum < -sigmas * 104.0 * sqrt(count);
}

/* Is there more of a number above these places of the run? */
static bool goes_on_above(const struct check_view *view, unsigned first, unsigned end,
                          bool motorola)
{
    unsigned bits = 8 * view->length, above = motorola ? first : bits - end;
    above = above > 8 ? 8 : above;
    if (above < 2 || end < first + 8)
        return false;
    return motorola ? steps_carry(view, first - above, above, first, true)
                    : steps_carry(view, end, above, end - 8, false);
}

/* In the order of the run to the bit, and in both by whole bytes; all grown by the random bits that
 * follow in that order. */
static bool goes_on(const struct check_view *view, const struct run *run, const bool *random)
{
    unsigned first_byte = (run->first + 7) & ~7u, end_byte = (run->first + run->count) & ~7u;
    if (goes_on_above(view, run->random_first, run->random_end, run->motorola))
        return true;
    while (end_byte < 8 * view->length && random[position_at(end_byte, false)])
        end_byte++;
    if (goes_on_above(view, first_byte, end_byte, false))
        return true;
    end_byte = (run->first + run->count) & ~7u;
    while (first_byte > 0 && random[position_at(first_byte - 1, true)])
        first_byte--;
    return goes_on_above(view, first_byte, end_byte, true);
}

static bool run_is_random(const struct check_view *view, const struct run *run, const bool *random)
{
    double band = 2.0 * SIGMAS / sqrt((double)view->changes);
    unsigned first = (run->first + 7) / 8, end = (run->first + run->count) / 8;
    if (goes_on(view, run, random))
        return false;
    for (unsigned b = first; b < end; b++) {
        if (fabs(view->eta[b] - 2.0) > band)
            return false;
    }
    for (unsigned b = first; b + 1 < end; b++) {
        if (!steps_spread(view, b, b + 1) || !steps_spread(view, b + 1, b))
            return false;
    }
    return true;
}

static struct lt_bits run_place(const struct run *run)
{
    unsigned last = run->first + run->count - 1;
    struct lt_span span = run->motorola
                              ? (struct lt_span){(uint16_t)(run->first ^ 7u), (uint16_t)(last ^ 7u)}
                              : (struct lt_span){(uint16_t)last, (uint16_t)run->first};
    return (struct lt_bits){1, {span}};
}

/* Frames that are alike outside the run, and differ inside. */
static uint64_t unlike_twins(const struct check_view *view, const struct lt_bits *place)
{
    uint8_t own[64] = {0};
    uint64_t twins = 0;
    struct lt_bit_set set = {{0}};
    lt_bit_set_add_bits(&set, place);
    for (unsigned p = 0; p < 8 * view->length; p++)
        own[p / 8] |= (uint8_t)(lt_bit_set_has(&set, p) << p % 8);
    size_t count = view->count < 400 ? view->count : 400;
    for (size_t a = 1; a < count; a++) {
        for (size_t b = 0; b < a; b++) {
            const uint8_t *x = check_bytes(view, a), *y = check_bytes(view, b);
            unsigned differ = 0;
            for (unsigned i = 0; i < view->length && !differ; i++)
                differ = (x[i] ^ y[i]) & (uint8_t)~own[i];
            twins += !differ;
        }
    }
    return twins;
}

static void say(const struct check_view *view, unsigned bits, uint64_t twins, bool whole,
                struct lt_check_found *found)
{
    char text[320];
    if (whole)
        lt_text_format(text, sizeof text,
                       "all %u bits look random: encrypted, or not a frame of quantities", bits);
    else if (twins)
        lt_text_format(text, sizeof text,
                       "%u random-looking bits that differ where all the rest of the frame is the "
                       "same: a code with a key, or a check over data that is not sent",
                       bits);
    else
        lt_text_format(text, sizeof text,
                       "%u random-looking bits that no sum, CRC or affine map of the frame gives: "
                       "a code with a key, or a check over data that is not sent",
                       bits);
    found->why = lt_arena_string(view->arena, text);
}

bool check_find_secret(struct check_view *view, const struct lt_bit_set *known,
                       struct lt_check_found *ret_found)
{
    struct tally *tally = lt_arena_alloc(view->scratch, sizeof *tally);
    bool random[CHECK_POSITIONS] = {false};
    struct run run = {0, 0, false, 0, 0};
    if (!tally || view->changes < CHANGES_MIN)
        return false;
    count_flips(view, tally);
    for (unsigned p = 0; p < 8 * view->length; p++) {
        random[p] =
            is_near(tally->flips[p], tally->steps, 0.5) &&
            is_near(tally->ones[p], tally->steps, 0.5) &&
            (p + 1 == 8 * view->length || !is_near(tally->flips[p + 1], tally->steps, 0.5) ||
             is_near(tally->together[p], tally->steps, 0.25)) &&
            !lt_bit_set_has(known, p);
    }
    find_run(view, random, true, &run);
    find_run(view, random, false, &run);
    if (run.count < RUN_MIN || run.count > RUN_MAX || !run_is_random(view, &run, random))
        return false;
    struct lt_bits place = run_place(&run);
    uint64_t twins = unlike_twins(view, &place);
    bool whole = run.count >= view->moving_count;
    double confidence = whole ? 0.6 : run.count >= 24 ? 0.97 : twins ? 0.95 : 0.8;
    if (view->changes < CHANGES_SURE)
        confidence *= 0.9;
    *ret_found = (struct lt_check_found){.form = LT_CHECK_AUTHENTICATED,
                                         .place = place,
                                         .distinct = view->count,
                                         .confidence = confidence};
    say(view, run.count, twins, whole, ret_found);
    return true;
}
