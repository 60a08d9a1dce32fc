/* What a signal does while the capture is read.
 *
 * Beside its values, these are looked at for numbers:
 *
 *   - each boundary inside the field. When bit k of a number flips and the number hardly moved, the
 *     bits below it wrapped. Bits below that stay where they are while bit k flips again and again
 *     are another number.
 *   - bits just above the field (neighbour.c).
 *   - the way that the number travels when it is read in the other byte order or with another sign:
 *     a quantity goes step by step, a wrong reading jumps.
 *
 * Only what is new comes here: how many frames brought the same again is counted by the frame and
 * put to the signal's figures at its next change (signal_watch_settle). A linear number is judged
 * by whole numbers that go with its value; limits of the range are turned into such once. */
#include <math.h>
#include <string.h>

#include "prove/inside.h"

#define NOISE_QUANTA 4
#define STEP_QUANTA  8 /* between two values, each with its noise */
/* Of a role's usual range: a value may lie so far beyond. */
#define USUAL_SLACK 0.05
/* Boundaries above bits below this one are not looked at, so their flips need no count. */
#define QUIET_BITS   2
#define CHANGES_FULL 8192
#define STRETCH      256

/* --- making ready --- */

static void set_range(struct signal_watch *watch)
{
    const struct lt_signal_def *def = watch->def;
    watch->range_low = -INFINITY;
    watch->range_high = INFINITY;
    if (def->role && !def->role->is_labels) {
        double slack = USUAL_SLACK * (def->role->high - def->role->low);
        if (def->form == LT_FORM_LINEAR)
            slack += NOISE_QUANTA * quantum_of(watch);
        watch->range_low = def->role->low - slack;
        watch->range_high = def->role->high + slack;
    }
    if (!def->has_range)
        return;
    double factor = def->role ? lt_ratio_f64(def->role_factor) : 1;
    double offset = def->role ? lt_ratio_f64(def->role_offset) : 0;
    double a = def->range_low.num == -INT64_MAX ? -INFINITY
                                                : lt_ratio_f64(def->range_low) * factor + offset;
    double b = def->range_high.num == INT64_MAX ? INFINITY
                                                : lt_ratio_f64(def->range_high) * factor + offset;
    watch->range_low = fmin(a, b);
    watch->range_high = fmax(a, b);
}

/* A stated limit is a decimal, the value a double: the last digit is no fault. */
static int side_of(const struct signal_watch *watch, double value)
{
    double slack = 1e-9 * (fabs(value) + 1);
    return value < watch->range_low - slack ? -1 : value > watch->range_high + slack;
}

/* The raw bits that have a place in the order of the values. */
static uint64_t at_place(enum lt_sign sign, unsigned length, uint64_t place)
{
    uint64_t top = (uint64_t)1 << (length - 1);
    if (sign == LT_TWOS)
        return place ^ top;
    if (sign == LT_SIGN_MAGNITUDE)
        return place < top ? top | (top - place) : place - top;
    return place;
}

/* The first place from which on the value is no longer on this side of the range (where it falls:
 * from which on it is). */
static uint64_t find_place(const struct signal_watch *watch, int side, bool falls)
{
    uint64_t low = 0, high = ((uint64_t)1 << watch->length) - 1, size = high + 1;
    while (low < size) {
        uint64_t middle = low + (size - low) / 2;
        uint64_t raw = at_place(watch->sign, watch->length, middle);
        bool on_side = side_of(watch, lt_scaler_f64(&watch->scaler, raw)) == side;
        if (on_side != falls)
            low = middle + 1;
        else
            size = middle;
    }
    return low;
}

static void set_places(struct signal_watch *watch)
{
    const struct lt_signal_def *def = watch->def;
    double scale = lt_ratio_f64(watch->scaler.scale);
    watch->is_linear = def->form == LT_FORM_LINEAR && def->sign != LT_FLOAT && fabs(scale) > 0 &&
                       watch->length <= 56;
    if (!watch->is_linear)
        return;
    /* Values rise with the places, or fall where the scale is below 0. */
    int first = scale > 0 ? -1 : 1;
    watch->least_place = find_place(watch, first, false);
    watch->end_place = find_place(watch, -first, true);
    if (def->role && def->role->max_rate > 0)
        watch->steps_per_ns = def->role->max_rate / fabs(scale) / (double)NS_PER_S;
}

/* The field byte by byte, from its most significant piece. */
static void set_pieces(struct signal_watch *watch)
{
    unsigned done = 0;
    struct lt_span span = watch->def->bits.part[0];
    while (done < watch->length && watch->piece_count < PIECES_MAX) {
        unsigned first = lt_span_position(span, done), width = 1;
        while (done + width < watch->length &&
               lt_span_position(span, done + width) / 8 == first / 8)
            width++;
        watch->piece[watch->piece_count].width = (uint8_t)width;
        watch->piece[watch->piece_count++].shift = (uint8_t)(watch->length - done - width);
        done += width;
    }
    if (done < watch->length || watch->piece_count < 2)
        watch->piece_count = 0;
}

/* Which flips are of no use to anyone: of low bits, and those are most. */
static void set_quiet(struct signal_watch *watch)
{
    unsigned quiet = QUIET_BITS;
    for (size_t i = 0; i + 1 < watch->piece_count; i++)
        quiet = watch->piece[i].shift < quiet ? watch->piece[i].shift : quiet;
    quiet = watch->length - 1u < quiet ? watch->length - 1u : quiet;
    watch->told_bits = UINT64_MAX << quiet;
}

bool signal_watch_init(struct lt_prove *prove, uint32_t signal, struct lt_error *error)
{
    struct signal_watch *watch = &prove->signals[signal];
    const struct lt_signal_def *def = &prove->profile->signals[signal];
    watch->def = def;
    watch->taken = &watch->own_taken;
    if (def->frame == LT_NONE && def->parameter == LT_NONE)
        return true;
    if (lt_scaler_init(&watch->scaler, prove->profile, signal, error) != LT_OK)
        return false;
    watch->length = watch->scaler.length;
    watch->sign = def->sign;
    watch->has_codes = watch->scaler.has_codes;
    watch->bits_and = UINT64_MAX;
    watch->stated.low = watch->turned.low = UINT64_MAX;
    watch->samples.every = 1;
    set_range(watch);
    if (def->frame == LT_NONE)
        return true;
    set_places(watch);
    if (def->label_count &&
        !(watch->labels = lt_arena_array(&prove->arena, def->label_count, sizeof *watch->labels))) {
        lt_fail(error, LT_E_MEMORY, "out of memory");
        return false;
    }
    watch->watches_bits = def->bits.parts == 1 && def->sign != LT_FLOAT && !def->label_count &&
                          watch->length > 1 && watch->length <= 56;
    if (watch->watches_bits) {
        set_pieces(watch);
        set_quiet(watch);
        watch->neighbour_count = (uint8_t)find_neighbours(prove->profile, def->frame, &def->bits,
                                                          signal, watch->neighbour);
    }
    return true;
}

/* --- what stood still --- */

/* So many frames brought what the one before them had. */
static void count_same(struct signal_watch *watch, uint64_t count)
{
    switch (watch->standing) {
    case STANDING_NOTHING:
        return;
    case STANDING_UNAVAILABLE:
        watch->unavailable += count;
        return;
    case STANDING_ERROR:
        watch->errors += count;
        return;
    case STANDING_NOT_FINITE:
        watch->not_finite += count;
        return;
    case STANDING_VALUE:
        break;
    }
    watch->values += count;
    watch->steps += count;
    if (watch->last_outside)
        watch->outside += count;
    if (!watch->labels)
        return;
    if (watch->last_label < watch->def->label_count)
        watch->labels[watch->last_label] += count;
    else
        watch->unlabelled += count;
}

static inline void settle_to(struct signal_watch *watch, uint64_t frames)
{
    uint64_t count = frames - watch->since;
    watch->since = frames;
    if (watch->standing != STANDING_VALUE || watch->last_outside || watch->labels) {
        count_same(watch, count);
    } else {
        watch->values += count;
        watch->steps += count;
    }
}

void signal_watch_settle(struct signal_watch *watch)
{
    settle_to(watch, *watch->taken);
    if (!watch->is_linear || !watch->has_places)
        return;
    double a =
        lt_scaler_f64(&watch->scaler, at_place(watch->sign, watch->length, watch->low_place));
    double b =
        lt_scaler_f64(&watch->scaler, at_place(watch->sign, watch->length, watch->high_place));
    watch->low = fmin(a, b);
    watch->high = fmax(a, b);
}

void signal_watch_break(struct signal_watch *watch)
{
    settle_to(watch, *watch->taken);
    watch->standing = STANDING_NOTHING;
    for (size_t i = 0; i < watch->neighbour_count; i++)
        watch->neighbour[i].known = false;
}

void signal_watch_skip(struct signal_watch *watch)
{
    settle_to(watch, *watch->taken - 1);
    watch->since = *watch->taken;
    watch->too_short++;
    signal_watch_break(watch);
}

/* --- steps --- */

/* The place of the number that the field holds in the other byte order. */
static uint64_t turn(const struct signal_watch *watch, uint64_t raw)
{
    uint64_t turned = 0;
    for (size_t i = watch->piece_count; i-- > 0;) {
        uint64_t mask = ((uint64_t)1 << watch->piece[i].width) - 1;
        turned = turned << watch->piece[i].width | (raw >> watch->piece[i].shift & mask);
    }
    return ordered(watch->sign, watch->length, turned);
}

static void travel(struct reading *reading, uint64_t place, uint64_t before)
{
    reading->travel += (double)(int64_t)distance(place, before);
    reading->low = place < reading->low ? place : reading->low;
    reading->high = place > reading->high ? place : reading->high;
}

static double magnitude(uint64_t raw, uint64_t top)
{
    return raw & top ? -(double)(int64_t)(raw ^ top) : (double)(int64_t)raw;
}

static void step_of_signs(struct signal_watch *watch, uint64_t raw, uint64_t before)
{
    uint64_t top = (uint64_t)1 << (watch->length - 1), step = distance(raw, before);
    if (!((raw ^ before) & top)) { /* the same whatever the sign */
        watch->travel_common += (double)(int64_t)step;
        return;
    }
    uint64_t near = top / 8;
    watch->travel_unsigned += (double)(int64_t)step;
    watch->travel_twos += (double)(int64_t)distance(raw ^ top, before ^ top);
    watch->travel_magnitude += fabs(magnitude(raw, top) - magnitude(before, top));
    if (2 * top - step <= near) { /* over the top of the unsigned number: 0 beside all ones */
        watch->over_top++;
        watch->over_top_down += raw > before;
    } else if (step <= near) {
        watch->over_middle++;
        watch->over_middle_down += raw < before;
    } else if (distance(step, top) <= near) { /* the top bit alone, as of a sign and magnitude */
        watch->top_alone++;
        watch->top_alone_down += raw < before;
    }
}

/* Every boundary whose upper bit flipped. */
static void step_of_bits(struct signal_watch *watch, uint64_t raw, uint64_t before)
{
    for (uint64_t flipped = (raw ^ before) & watch->told_bits; flipped; flipped &= flipped - 1) {
        unsigned k = (unsigned)__builtin_ctzll(flipped);
        uint64_t below = ((uint64_t)1 << k) - 1;
        struct boundary *boundary = &watch->boundary[k];
        boundary->flips++;
        boundary->unmoved += distance(raw & below, before & below) <= below / 8;
    }
}

/* Steps of the field itself and noise on its low bits are no speed. A value may be older than its
 * frame: what counts is the time since it moved last. */
static void step_of_rate(struct signal_watch *watch, double moved, double noise, double most_per_ns,
                         double unit, int64_t time_ns)
{
    if (!(moved > noise) || time_ns == LT_NO_TIME || watch->moved_ns == LT_NO_TIME ||
        time_ns <= watch->moved_ns)
        return;
    double gap_ns = (double)gap_between(watch->moved_ns, time_ns);
    moved -= noise;
    watch->fast_steps += moved > most_per_ns * gap_ns;
    double rate = moved / gap_ns * (double)NS_PER_S * unit;
    watch->fastest = rate > watch->fastest ? rate : watch->fastest;
}

static void step_of_value(struct signal_watch *watch, uint64_t place, double value, int64_t time_ns)
{
    const struct lt_role *role = watch->def->role;
    if (watch->is_linear && watch->steps_per_ns > 0)
        step_of_rate(watch, (double)(int64_t)distance(place, watch->last_place), STEP_QUANTA,
                     watch->steps_per_ns, quantum_of(watch), time_ns);
    else if (!watch->is_linear && role && role->max_rate > 0)
        step_of_rate(watch, fabs(value - watch->last_value), STEP_QUANTA * quantum_of(watch),
                     role->max_rate / (double)NS_PER_S, 1, time_ns);
}

/* Round the field either way: across the place of any sign it is small too. */
static bool is_small(const struct signal_watch *watch, uint64_t step)
{
    if (watch->length >= 64)
        return false;
    uint64_t size = (uint64_t)1 << watch->length, least = size / 16;
    if (step <= least)
        return true;
    return size - step <= least || distance(step, size / 2) <= least;
}

/* Of very many changes one in four, in stretches of many: the ways to read a field are held against
 * each other by the same steps. */
static bool is_looked_at(const struct signal_watch *watch)
{
    return watch->changes < CHANGES_FULL || watch->changes % (4 * STRETCH) < STRETCH;
}

static void take_change(struct signal_watch *watch, uint64_t raw, uint64_t place, uint64_t turned)
{
    uint64_t before = watch->last_raw;
    watch->changes++;
    watch->small_steps += is_small(watch, distance(raw, before));
    if (!watch->watches_bits || !is_looked_at(watch))
        return;
    step_of_bits(watch, raw, before);
    step_of_signs(watch, raw, before);
    if (watch->piece_count) {
        travel(&watch->stated, place, watch->last_place);
        travel(&watch->turned, turned, watch->last_turned);
    }
}

/* --- what is new --- */

static size_t label_of(const struct signal_watch *watch, uint64_t raw)
{
    size_t at = 0;
    while (at < watch->def->label_count && watch->def->labels[at].raw != raw)
        at++;
    return at;
}

static void take_place(struct signal_watch *watch, uint64_t place)
{
    if (!watch->has_places || place < watch->low_place)
        watch->low_place = place;
    if (!watch->has_places || place > watch->high_place)
        watch->high_place = place;
    watch->has_places = true;
    watch->last_outside = place < watch->least_place || place >= watch->end_place;
}

static void take_double(struct signal_watch *watch, double value)
{
    if (!watch->has_places || value < watch->low)
        watch->low = value;
    if (!watch->has_places || value > watch->high)
        watch->high = value;
    watch->has_places = true;
    watch->last_outside = side_of(watch, value) != 0;
}

static enum standing state_of(const struct signal_watch *watch, uint64_t raw, double *ret_value)
{
    enum lt_state state = watch->has_codes ? lt_scaler_state(&watch->scaler, raw) : LT_STATE_VALUE;
    *ret_value = 0;
    if (state != LT_STATE_VALUE)
        return state == LT_STATE_ERROR ? STANDING_ERROR : STANDING_UNAVAILABLE;
    if (watch->is_linear)
        return STANDING_VALUE;
    *ret_value = lt_scaler_f64(&watch->scaler, raw);
    return isfinite(*ret_value) ? STANDING_VALUE : STANDING_NOT_FINITE;
}

/* The frame that was counted last brings another value than the one before, or the first. */
static void take_new(struct signal_watch *watch, uint64_t raw, int64_t time_ns)
{
    bool follows = watch->standing == STANDING_VALUE;
    double value;
    settle_to(watch, *watch->taken - 1);
    watch->standing = state_of(watch, raw, &value);
    watch->has_value = !watch->is_linear;
    if (watch->standing != STANDING_VALUE) {
        for (size_t i = 0; i < watch->neighbour_count; i++)
            watch->neighbour[i].known = false;
        return;
    }
    uint64_t place = ordered(watch->sign, watch->length, raw);
    watch->bits_or |= raw;
    watch->bits_and &= raw;
    if (watch->is_linear)
        take_place(watch, place);
    else
        take_double(watch, value);
    watch->last_label = watch->labels ? label_of(watch, raw) : 0;
    uint64_t turned = watch->piece_count ? turn(watch, raw) : 0;
    if (follows) {
        step_of_value(watch, place, value, time_ns);
        take_change(watch, raw, place, turned);
    } else {
        watch->steps--; /* the first of a run follows none */
    }
    watch->moved_ns = time_ns;
    watch->last_place = place;
    watch->last_turned = turned;
    watch->last_value = value;
}

void signal_watch_take(struct signal_watch *watch, const struct lt_frame *frame, uint64_t raw)
{
    uint64_t before = watch->last_raw;
    bool followed = watch->standing == STANDING_VALUE;
    if (raw != before || watch->standing == STANDING_NOTHING)
        take_new(watch, raw, frame->time_ns);
    watch->last_raw = raw;
    if (watch->neighbour_count && watch->standing == STANDING_VALUE)
        neighbours_take(watch->neighbour, watch->neighbour_count, frame, watch->sign, watch->length,
                        followed, raw, before);
}

bool signal_watch_sample(struct signal_watch *watch, int64_t time_ns)
{
    if (watch->standing != STANDING_VALUE || time_ns == LT_NO_TIME)
        return true;
    if (watch->labels)
        return samples_keep(&watch->samples, time_ns, (double)watch->last_raw);
    if (!watch->has_value) {
        watch->last_value = lt_scaler_f64(&watch->scaler, watch->last_raw);
        watch->has_value = true;
    }
    return samples_keep(&watch->samples, time_ns, watch->last_value);
}
