/* What a signal does while the capture is read.
 *
 * Beside its values, these are looked at for numbers:
 *
 *   - each boundary inside the field. When bit k of a number flips and the number hardly moved, the
 *     bits below it wrapped. Bits below that stay where they are while bit k flips again and again
 *     are another number.
 *   - bits just above the field. If the field wraps when such a bit flips, the number goes on
 * there.
 *   - the way that the number travels when it is read in the other byte order or with another sign:
 *     a quantity goes step by step, a wrong reading jumps. */
#include <math.h>
#include <string.h>

#include "prove/inside.h"

/* In parts of the field. */
#define WRAP_STEP       0.5
#define SMOOTH_STEP     0.3
#define WRAPS_LEAST     3
#define EXPLAINED_LEAST 0.9
#define HARMED_MOST     0.1
#define NOISE_QUANTA    4
/* Of a role's usual range: a value may lie so far beyond. */
#define USUAL_SLACK 0.05

/* --- which bits are whose --- */

static bool clauses_exclude(const struct lt_page_clause *a, const struct lt_page_clause *b)
{
    if (a->selector != b->selector)
        return false;
    for (unsigned i = 0; i < a->ranges; i++)
        for (unsigned k = 0; k < b->ranges; k++)
            if (a->range[i].first <= b->range[k].last && b->range[k].first <= a->range[i].last)
                return false;
    return true;
}

static bool never_together(const struct lt_signal_def *a, const struct lt_signal_def *b)
{
    for (size_t i = 0; i < a->page_count; i++)
        for (size_t k = 0; k < b->page_count; k++)
            if (clauses_exclude(&a->page[i], &b->page[k]))
                return true;
    return false;
}

static bool is_claimed(const struct lt_profile *profile, uint32_t frame, uint32_t signal,
                       uint16_t position)
{
    const struct lt_frame_def *def = &profile->frames[frame];
    struct lt_bits bit = {1, {{position, position}}};
    if (def->counter.present && lt_bits_overlap(&def->counter.bits, &bit))
        return true;
    for (size_t i = 0; i < def->checksum_count; i++)
        if (lt_bits_overlap(&def->checksums[i].place, &bit))
            return true;
    for (uint32_t i = 0; i < profile->signal_count; i++) {
        const struct lt_signal_def *other = &profile->signals[i];
        if (i == signal || other->frame != frame || !lt_bits_overlap(&other->bits, &bit))
            continue;
        if (signal == LT_NONE || !never_together(&profile->signals[signal], other))
            return true;
    }
    return false;
}

static void add_neighbour(const struct lt_profile *profile, uint32_t frame, uint32_t signal,
                          int position, struct neighbour *list, size_t *count)
{
    if (position < 0 || position >= 8 * (int)profile->frames[frame].length)
        return;
    if (!is_claimed(profile, frame, signal, (uint16_t)position))
        list[(*count)++] = (struct neighbour){.position = (uint16_t)position};
}

size_t find_neighbours(const struct lt_profile *profile, uint32_t frame, const struct lt_bits *bits,
                       uint32_t signal, struct neighbour ret_list[NEIGHBOURS_MAX])
{
    size_t count = 0;
    if (bits->parts != 1)
        return 0;
    int top = bits->part[0].msb;
    enum lt_order order = lt_bits_order(bits);
    if (top % 8 != 7) {
        add_neighbour(profile, frame, signal, top + 1, ret_list, &count);
        return count;
    }
    if (order != LT_ORDER_MOTOROLA)
        add_neighbour(profile, frame, signal, top + 1, ret_list, &count);
    if (order != LT_ORDER_INTEL)
        add_neighbour(profile, frame, signal, top - 15, ret_list, &count);
    return count;
}

/* A whole number that goes with the value: what lies next to each other in the one does in the
 * other. */
static uint64_t in_order(enum lt_sign sign, unsigned length, uint64_t raw)
{
    uint64_t top = (uint64_t)1 << (length - 1);
    if (sign == LT_TWOS)
        return raw ^ top;
    if (sign == LT_SIGN_MAGNITUDE)
        return raw & top ? top - (raw ^ top) : top + raw;
    return raw;
}

/* Around the whole of field and bit: a running number wraps there too. */
static double the_short_way(double step)
{
    return step >= 1 ? step - 2 : step < -1 ? step + 2 : step;
}

static void neighbour_step(struct neighbour *n, enum lt_sign sign, unsigned length, uint64_t raw,
                           uint64_t before, bool bit, bool was)
{
    uint64_t top = (uint64_t)1 << length;
    double size = (double)top;
    double step =
        ((double)in_order(sign, length, raw) - (double)in_order(sign, length, before)) / size;
    double whole = ((double)in_order(sign, length + 1, bit ? raw | top : raw) -
                    (double)in_order(sign, length + 1, was ? before | top : before)) /
                   size;
    whole = the_short_way(whole);
    if (fabs(step) > WRAP_STEP) {
        n->wraps++;
        n->explained += fabs(whole) < SMOOTH_STEP;
    } else {
        n->harmed += fabs(whole) > WRAP_STEP;
    }
}

void neighbours_take(struct neighbour *list, size_t count, const struct lt_frame *frame,
                     enum lt_sign sign, unsigned length, bool follows, uint64_t raw,
                     uint64_t before)
{
    for (size_t i = 0; i < count; i++) {
        struct neighbour *n = &list[i];
        if (n->position / 8 >= frame->len)
            continue;
        bool bit = frame->data[n->position / 8] >> n->position % 8 & 1, was = n->bit;
        if (n->known && follows && (bit != was || raw != before))
            neighbour_step(n, sign, length, raw, before, bit, was);
        n->bit = bit;
        n->known = true;
    }
}

const struct neighbour *goes_on(const struct neighbour *list, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        double wraps = (double)list[i].wraps;
        if (list[i].wraps >= WRAPS_LEAST && (double)list[i].explained >= EXPLAINED_LEAST * wraps &&
            (double)list[i].harmed <= HARMED_MOST * wraps)
            return &list[i];
    }
    return NULL;
}

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

bool signal_watch_init(struct lt_prove *prove, uint32_t signal, struct lt_error *error)
{
    struct signal_watch *watch = &prove->signals[signal];
    const struct lt_signal_def *def = &prove->profile->signals[signal];
    watch->def = def;
    if (def->frame == LT_NONE)
        return true;
    if (lt_scaler_init(&watch->scaler, prove->profile, signal, error) != LT_OK)
        return false;
    watch->length = watch->scaler.length;
    watch->bits_and = UINT64_MAX;
    watch->stated.low = watch->turned.low = UINT64_MAX;
    set_range(watch);
    if (def->label_count &&
        !(watch->labels = lt_arena_array(&prove->arena, def->label_count, sizeof *watch->labels))) {
        lt_fail(error, LT_E_MEMORY, "out of memory");
        return false;
    }
    watch->watches_bits = def->bits.parts == 1 && def->sign != LT_FLOAT && !def->label_count &&
                          watch->length > 1 && watch->length <= 56;
    if (watch->watches_bits) {
        set_pieces(watch);
        watch->neighbour_count =
            find_neighbours(prove->profile, def->frame, &def->bits, signal, watch->neighbour);
    }
    return true;
}

void signal_watch_break(struct signal_watch *watch)
{
    signal_watch_settle(watch);
    watch->has_last = false;
    for (size_t i = 0; i < watch->neighbour_count; i++)
        watch->neighbour[i].known = false;
}

/* --- steps --- */

static uint64_t distance(uint64_t a, uint64_t b)
{
    return a > b ? a - b : b - a;
}

static uint64_t turn(const struct signal_watch *watch, uint64_t raw)
{
    uint64_t turned = 0;
    for (size_t i = watch->piece_count; i-- > 0;) {
        uint64_t mask = ((uint64_t)1 << watch->piece[i].width) - 1;
        turned = turned << watch->piece[i].width | (raw >> watch->piece[i].shift & mask);
    }
    return turned;
}

static void travel(struct reading *reading, const struct signal_watch *watch, uint64_t raw,
                   uint64_t before)
{
    raw = in_order(watch->def->sign, watch->length, raw);
    before = in_order(watch->def->sign, watch->length, before);
    reading->travel += (double)distance(raw, before);
    reading->low = raw < reading->low ? raw : reading->low;
    reading->high = raw > reading->high ? raw : reading->high;
}

static void step_of_signs(struct signal_watch *watch, uint64_t raw, uint64_t before)
{
    unsigned n = watch->length;
    uint64_t top = (uint64_t)1 << (n - 1);
    double plain = (double)distance(raw, before);
    watch->travel_unsigned += plain;
    watch->travel_twos += (double)distance(raw ^ top, before ^ top);
    double a = raw & top ? -(double)(raw ^ top) : (double)raw;
    double b = before & top ? -(double)(before ^ top) : (double)before;
    watch->travel_magnitude += fabs(a - b);
    uint64_t step = distance(raw, before), near = top / 8;
    if (!((raw ^ before) & top))
        return;
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
    for (uint64_t flipped = raw ^ before; flipped; flipped &= flipped - 1) {
        unsigned k = (unsigned)__builtin_ctzll(flipped);
        uint64_t below = ((uint64_t)1 << k) - 1;
        watch->flips[k]++;
        watch->unmoved[k] += distance(raw & below, before & below) <= below / 8;
    }
}

static void step_of_value(struct signal_watch *watch, double value, int64_t time_ns)
{
    const struct lt_role *role = watch->def->role;
    if (!role || role->max_rate <= 0 || time_ns == LT_NO_TIME || watch->moved_ns == LT_NO_TIME ||
        time_ns <= watch->moved_ns)
        return;
    /* Steps of the field itself and noise on its low bits are no speed. A value may be older than
     * its frame: what counts is the time since it moved last. */
    double noise = NOISE_QUANTA * quantum_of(watch);
    double moved = fabs(value - watch->last_value) - noise;
    double rate = moved / ((double)gap_between(watch->moved_ns, time_ns) / (double)NS_PER_S);
    watch->fast_steps += rate > role->max_rate;
    watch->fastest = rate > watch->fastest ? rate : watch->fastest;
}

/* Round the field either way: across the place of any sign it is small too. */
static bool is_small(const struct signal_watch *watch, uint64_t step)
{
    if (watch->length >= 64)
        return false;
    uint64_t size = (uint64_t)1 << watch->length, least = size / 16;
    return step <= least || size - step <= least || distance(step, size / 2) <= least;
}

static void take_change(struct signal_watch *watch, uint64_t raw, double value, int64_t time_ns)
{
    uint64_t before = watch->last_raw;
    watch->changes++;
    watch->small_steps += is_small(watch, distance(raw, before));
    step_of_value(watch, value, time_ns);
    watch->moved_ns = time_ns;
    if (!watch->watches_bits)
        return;
    step_of_bits(watch, raw, before);
    step_of_signs(watch, raw, before);
    if (watch->piece_count) {
        travel(&watch->stated, watch, raw, before);
        travel(&watch->turned, watch, turn(watch, raw), turn(watch, before));
    }
}

static size_t label_of(const struct signal_watch *watch, uint64_t raw)
{
    size_t at = 0;
    while (at < watch->def->label_count && watch->def->labels[at].raw != raw)
        at++;
    return at;
}

void signal_watch_settle(struct signal_watch *watch)
{
    uint64_t count = watch->repeats;
    watch->repeats = 0;
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

static bool is_value(struct signal_watch *watch, uint64_t raw)
{
    enum lt_state state = lt_scaler_state(&watch->scaler, raw);
    watch->unavailable += state == LT_STATE_UNAVAILABLE;
    watch->errors += state == LT_STATE_ERROR;
    return state == LT_STATE_VALUE;
}

static void take_value(struct signal_watch *watch, uint64_t raw, double value)
{
    if (!watch->values || value < watch->low)
        watch->low = value;
    if (!watch->values || value > watch->high)
        watch->high = value;
    watch->bits_or |= raw;
    watch->bits_and &= raw;
    /* A stated limit is a decimal, the value a double: the last digit is no fault. */
    double slack = 1e-9 * (fabs(value) + 1);
    watch->last_outside = value < watch->range_low - slack || value > watch->range_high + slack;
}

/* The first value, or another than before. False: it is a code. */
static bool take_new(struct signal_watch *watch, uint64_t raw, int64_t time_ns)
{
    signal_watch_settle(watch);
    double value;
    if (!is_value(watch, raw)) {
        signal_watch_break(watch);
        return false;
    }
    value = lt_scaler_f64(&watch->scaler, raw);
    if (!isfinite(value)) {
        watch->not_finite++;
        signal_watch_break(watch);
        return false;
    }
    take_value(watch, raw, value);
    watch->last_label = watch->labels ? label_of(watch, raw) : 0;
    if (watch->has_last) {
        take_change(watch, raw, value, time_ns);
    } else {
        watch->moved_ns = time_ns;
        watch->steps--; /* the first of a run follows none */
    }
    watch->last_value = value;
    return true;
}

void signal_watch_take(struct lt_prove *prove, struct signal_watch *watch,
                       const struct lt_frame *frame, uint64_t raw)
{
    uint64_t before = watch->last_raw;
    bool follows = watch->has_last;
    if ((!follows || raw != before) && !take_new(watch, raw, frame->time_ns))
        return;
    watch->repeats++;
    if (watch->neighbour_count)
        neighbours_take(watch->neighbour, watch->neighbour_count, frame, watch->def->sign,
                        watch->length, follows, raw, before);
    watch->has_last = true;
    watch->last_raw = raw;
    if (watch->def->role && frame->time_ns != LT_NO_TIME &&
        !samples_add(&watch->samples, frame->time_ns,
                     watch->labels ? (double)raw : watch->last_value))
        prove->failed_memory = true;
}
