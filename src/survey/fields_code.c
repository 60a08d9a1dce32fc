/* Second opinion on where fields end: what would it cost to write the courses down? One field's
 * course can be told from its own past. Cut in two, the lower part's wraps must be told twice; two
 * fields read as one make every step of the upper one a large number with the lower one's noise
 * behind it. So the shorter of the two descriptions says which it is (minimum description length;
 * Rissanen, Automatica 14, 1978). Where the low bits are as good as random both cost the same, and
 * the first opinion (fields_cut.c) stands.
 *
 * A course costs, for each row in which the whole moved: the size of the step, or of its change
 * from the step before (whichever is cheaper over the whole course), by classes of half an octave
 * with the class before it as context; its sign; and the bits below the class. Frequencies are
 * those of the course, each one that is needed costs half a log of the count. */
#include <math.h>
#include <string.h>

#include "survey/fields_inside.h"

#define CLASSES      116u /* of half an octave, of numbers up to COURSE_BITS bits */
#define CONTEXTS     5u
#define BLOCK_ROWS   1024u
#define ROWS_MOST    8192u
#define TICKS_LEAST  100u
#define TICKS_SINGLE 400u
#define GAIN_LEAST   40.0 /* bits */
#define GAIN_A_TICK  0.12
#define GAIN_SINGLE  0.3
#define NOISE_SHARE  0.85 /* of the bits that random ones would cost */
#define SURE_GAP     25.0 /* odds in bits that need no second opinion */

struct tally {
    uint32_t class_of[CONTEXTS][CLASSES], sign[3][2];
    uint64_t below; /* bits */
    unsigned context, sign_before;
};

/* By class, up to the last context. */
static const uint8_t context_of[] = {0, 1, 1, 2, 2, 2, 2, 2, 2, 3, 3, 3, 3, 3, 3, 3, 3, 4};
#define LAST_CONTEXT_FROM (sizeof context_of / sizeof *context_of - 1)

static inline void tally(struct tally *tally, int64_t step)
{
    unsigned class = 0;
    if (step != 0) {
        uint64_t size = step < 0 ? (uint64_t)-step : (uint64_t)step;
        unsigned octave = 63u - (unsigned)__builtin_clzll(size);
        class = 1 + 2 * octave + (unsigned)(2 * size >> octave & 1); /* the bit below the highest */
        tally->below += octave - (octave != 0);
        tally->sign[tally->sign_before][step < 0]++;
        tally->sign_before = step < 0 ? 2 : 1;
    }
    tally->class_of[tally->context][class]++;
    tally->context = context_of[class < LAST_CONTEXT_FROM ? class : LAST_CONTEXT_FROM];
}

static double cost_of_shares(const uint32_t *counts, size_t count)
{
    double sum = 0, bits = 0, used = 0;
    for (size_t i = 0; i < count; i++)
        sum += counts[i];
    for (size_t i = 0; i < count; i++)
        if (counts[i] != 0) {
            bits -= counts[i] * log2(counts[i] / sum);
            used++;
        }
    return used > 1 ? bits + (used - 1) * log2(sum) / 2 : bits;
}

static double cost_of(const struct tally *tally)
{
    double bits = (double)tally->below;
    for (unsigned i = 0; i < CONTEXTS; i++)
        bits += cost_of_shares(tally->class_of[i], CLASSES);
    for (unsigned i = 0; i < 3; i++)
        bits += cost_of_shares(tally->sign[i], 2);
    return bits;
}

/* --- three courses at once: the whole, its upper part, its lower part --- */

struct part {
    unsigned shift, length;
    int64_t step;
    struct tally plain, bent;
};

static void tally_part(struct part *part, uint64_t before, uint64_t now, bool has_step)
{
    int64_t step = field_step((now >> part->shift) - (before >> part->shift), part->length);
    if (has_step) {
        tally(&part->plain, step);
        tally(&part->bent, field_step((uint64_t)step - (uint64_t)part->step, part->length));
    }
    part->step = step;
}

static double part_cost(const struct part *part)
{
    return fmin(cost_of(&part->plain), cost_of(&part->bent));
}

struct weighing {
    struct part parts[3];
    uint64_t ticks;
};

static void read_block(const struct field_lines *lines, enum lt_order order, unsigned place,
                       size_t from, size_t to, struct weighing *weighing)
{
    unsigned length = weighing->parts[0].length, steps = 0;
    uint64_t before = line_get(lines, order, from, place, length);
    for (size_t row = from + 1; row < to; row++) {
        uint64_t now = line_get(lines, order, row, place, length);
        if (!(lines->flags[row] & LT_KEPT_NEXT))
            steps = 0;
        else if (now != before) {
            for (unsigned i = 0; i < 3; i++)
                tally_part(&weighing->parts[i], before, now, steps > 0);
            weighing->ticks += steps > 0;
            steps++;
        }
        before = now;
    }
}

void field_join_gain(const struct field_lines *lines, enum lt_order order, unsigned lsb,
                     unsigned upper, unsigned lower, struct field_gain *ret_gain)
{
    struct weighing weighing;
    unsigned place = line_place(lines, order, lsb);
    size_t blocks = lines->count / BLOCK_ROWS + 1, each = ROWS_MOST / BLOCK_ROWS;
    memset(&weighing, 0, sizeof weighing);
    weighing.parts[0].length = upper + lower;
    weighing.parts[1].shift = lower;
    weighing.parts[1].length = upper;
    weighing.parts[2].length = lower;
    for (size_t i = 0; i < blocks; i++) {
        size_t from = i * BLOCK_ROWS, to = from + BLOCK_ROWS;
        bool is_wanted = blocks <= each || i * each / blocks != (i + 1) * each / blocks;
        if (is_wanted && from < lines->count)
            read_block(lines, order, place, from, to < lines->count ? to : lines->count, &weighing);
    }
    double low = part_cost(&weighing.parts[2]), most = (double)lower * (double)weighing.ticks;
    ret_gain->ticks = weighing.ticks;
    ret_gain->bits = part_cost(&weighing.parts[1]) + low - part_cost(&weighing.parts[0]);
    ret_gain->low_is_noise = low > NOISE_SHARE * most;
}

/* A single bit is told nearly as well by itself, and learns fewer frequencies. */
static bool is_clear(double gain, uint64_t ticks, bool single)
{
    double a_tick = single ? GAIN_SINGLE : GAIN_A_TICK;
    return ticks >= (single ? TICKS_SINGLE : TICKS_LEAST) && gain > GAIN_LEAST &&
           gain > a_tick * (double)ticks;
}

/* --- merging --- */

static bool follow_each_other(const struct field_lines *lines, const struct field_place *upper,
                              const struct field_place *lower, enum lt_order order)
{
    return (upper->order == LT_ORDER_NONE || upper->order == order) &&
           (lower->order == LT_ORDER_NONE || lower->order == order) &&
           upper->length + lower->length <= COURSE_BITS && upper->length + lower->length >= 4 &&
           gap_lower(lines, order, upper->lsb) == lower->msb;
}

static bool merge(const struct field_lines *lines, struct field_place *upper,
                  const struct field_place *lower, enum lt_order order)
{
    struct field_gain gain;
    if (!follow_each_other(lines, upper, lower, order))
        return false;
    field_join_gain(lines, order, lower->lsb, upper->length, lower->length, &gain);
    if (!is_clear(gain.bits, gain.ticks, upper->length == 1 || lower->length == 1))
        return false;
    upper->length = (uint8_t)(upper->length + lower->length);
    upper->lsb = lower->lsb;
    upper->order = upper->msb / 8 == upper->lsb / 8 ? LT_ORDER_NONE : order;
    upper->weakest = fmin(fmin(upper->weakest, lower->weakest), SECOND_OPINION);
    upper->margin = fmin(fmin(upper->margin, lower->margin), SECOND_OPINION);
    return true;
}

enum lt_order field_cut_order(const struct field_cut *cut)
{
    enum lt_order order = LT_ORDER_NONE;
    for (size_t i = 0; i < cut->count; i++) {
        if (cut->place[i].order == LT_ORDER_NONE)
            continue;
        if (order != LT_ORDER_NONE && cut->place[i].order != order)
            return LT_ORDER_NONE;
        order = cut->place[i].order;
    }
    return order;
}

static bool merge_any(const struct field_lines *lines, struct field_cut *cut)
{
    enum lt_order all = field_cut_order(cut);
    for (size_t i = 0; i < cut->count; i++)
        for (size_t j = 0; j < cut->count; j++)
            for (unsigned order = LT_ORDER_INTEL; order <= LT_ORDER_MOTOROLA; order++) {
                if (i == j || (all != LT_ORDER_NONE && all != order) ||
                    !merge(lines, &cut->place[i], &cut->place[j], order))
                    continue;
                cut->place[j] = cut->place[--cut->count];
                return true;
            }
    return false;
}

/* --- splitting --- */

/* Tries the cut `upper` bits below the top. */
static bool split(const struct field_lines *lines, struct field_cut *cut, size_t index,
                  unsigned upper, unsigned above, unsigned below)
{
    struct field_place *place = &cut->place[index];
    enum lt_order order = place->order == LT_ORDER_NONE ? LT_ORDER_INTEL : place->order;
    struct field_gain gain;
    field_join_gain(lines, order, place->lsb, upper, place->length - upper, &gain);
    /* How noise is described says nothing: half octaves are too coarse for that. */
    if (gain.low_is_noise || !is_clear(-gain.bits, gain.ticks, false) || cut->count >= FRAME_BITS)
        return false;
    struct field_place *rest = &cut->place[cut->count++];
    *rest = *place;
    rest->msb = (uint16_t)below;
    rest->length = (uint8_t)(place->length - upper);
    place->lsb = (uint16_t)above;
    place->length = (uint8_t)upper;
    struct field_place *both[] = {place, rest};
    for (unsigned i = 0; i < 2; i++) {
        both[i]->edge = fmin(both[i]->edge, SECOND_OPINION);
        if (both[i]->msb / 8 == both[i]->lsb / 8) {
            both[i]->order = LT_ORDER_NONE;
            both[i]->margin = INFINITY;
        }
        if (both[i]->length == 1)
            both[i]->weakest = INFINITY;
    }
    return true;
}

static bool split_any(const struct field_lines *lines, const struct gaps *gaps,
                      struct field_cut *cut, size_t index)
{
    struct field_place *place = &cut->place[index];
    enum lt_order order = place->order == LT_ORDER_NONE ? LT_ORDER_INTEL : place->order;
    int above = place->msb;
    if (place->length < 4)
        return false;
    for (unsigned upper = 1; upper < place->length; upper++) {
        int below = gap_lower(lines, order, (unsigned)above);
        const struct gap *gap = &gaps->below[order == LT_ORDER_MOTOROLA][above];
        double odds = gap->odds[(upper < GAP_ABOVE ? upper : GAP_ABOVE) - 1];
        if (odds < SURE_GAP && split(lines, cut, index, upper, (unsigned)above, (unsigned)below))
            return true;
        above = below;
    }
    return false;
}

void field_second_opinion(const struct field_lines *lines, const struct gaps *gaps,
                          struct field_cut *cut)
{
    for (size_t i = 0; i < cut->count; i++)
        while (split_any(lines, gaps, cut, i))
            ;
    while (merge_any(lines, cut))
        ;
}
