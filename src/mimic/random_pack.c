/* Values into bits, for frames that a seed invented. */
#include <stdio.h>
#include <string.h>

#include "mimic/random_car.h"
#include "mimic/random_draw.h"

unsigned lt_mimic_spot_bit(struct lt_mimic_spot spot, unsigned n)
{
    if (!spot.motorola)
        return spot.start + n;
    unsigned along = spot.start + spot.bits - 1u - n;
    return along / 8 * 8 + (7 - along % 8);
}

uint64_t lt_mimic_spot_get(struct lt_mimic_spot spot, const uint8_t *data)
{
    uint64_t raw = 0;
    for (unsigned n = spot.bits; n-- > 0;) {
        unsigned at = lt_mimic_spot_bit(spot, n);
        raw = raw << 1 | (data[at / 8] >> at % 8 & 1u);
    }
    return raw;
}

void lt_mimic_spot_put(struct lt_mimic_spot spot, uint8_t *data, uint64_t raw)
{
    for (unsigned n = 0; n < spot.bits; n++) {
        unsigned at = lt_mimic_spot_bit(spot, n);
        uint8_t mask = (uint8_t)(1u << at % 8);
        data[at / 8] = (uint8_t)((raw >> n & 1) ? data[at / 8] | mask : data[at / 8] & ~mask);
    }
}

size_t lt_mimic_spot_text(struct lt_mimic_spot spot, char *ret_text, size_t size)
{
    unsigned high = lt_mimic_spot_bit(spot, spot.bits - 1u), low = lt_mimic_spot_bit(spot, 0);
    int len = spot.bits == 1
                  ? snprintf(ret_text, size, "%u.%u", low / 8, low % 8)
                  : snprintf(ret_text, size, "%u.%u..%u.%u", high / 8, high % 8, low / 8, low % 8);
    return (size_t)len;
}

const char *lt_mimic_spot_order(struct lt_mimic_spot spot)
{
    if (spot.start / 8 == (spot.start + spot.bits - 1u) / 8)
        return "none";
    return spot.motorola ? "motorola" : "intel";
}

/* --- the value of a field now --- */

/* What the source of the field knows: it looks now and then, and filters. */
static double source_value(const struct lt_mimic_random_car *car,
                           struct lt_mimic_random_field *field, int64_t now_ns)
{
    double value = car->motion.value[field->quantity];
    if (field->hold_ns > 0) {
        if (!field->begun || now_ns - field->looked_ns >= field->hold_ns) {
            field->held = value;
            if (field->tau_s <= 0)
                field->looked_ns = now_ns - now_ns % field->hold_ns;
        }
        value = field->held;
    }
    if (field->tau_s > 0) {
        double passed_s = (double)(now_ns - field->looked_ns) * 1e-9;
        if (!field->begun)
            field->filtered = value;
        else
            field->filtered += (value - field->filtered) * (passed_s / (field->tau_s + passed_s));
        field->looked_ns = now_ns;
        value = field->filtered;
    }
    field->begun = true;
    return value;
}

static int64_t rounded_down(double x)
{
    int64_t whole = (int64_t)x;
    return (double)whole > x ? whole - 1 : whole;
}

static uint64_t all_ones(unsigned bits)
{
    return bits >= 64 ? UINT64_MAX : (1ull << bits) - 1;
}

static bool is_unavailable(const struct lt_mimic_random_car *car,
                           const struct lt_mimic_random_field *field, int64_t now_ns)
{
    if (!field->codes)
        return false;
    if (field->always_unavailable)
        return true;
    double now_s = (double)now_ns * 1e-9;
    if (now_s >= field->fails_from_s && now_s < field->fails_to_s)
        return true;
    if (field->until_running && car->motion.value[LT_MIMIC_Q_ENGINE_STATE] < 3)
        return true;
    return now_s < field->unavailable_until_s;
}

uint64_t lt_mimic_random_unavailable(const struct lt_mimic_random_field *field)
{
    unsigned bits = field->spot.bits;
    return field->sign == LT_MIMIC_TWOS ? 1ull << (bits - 1) : all_ones(bits);
}

static uint64_t coded(const struct lt_mimic_random_field *field, int64_t steps)
{
    unsigned bits = field->spot.bits;
    int64_t low = 0, high = (int64_t)all_ones(bits) - (field->codes ? 2 : 0);
    if (field->sign == LT_MIMIC_SIGN_MAGNITUDE) {
        high = ((int64_t)1 << (bits - 1)) - 1 - (field->codes ? 2 : 0);
        uint64_t top = steps < 0 ? 1ull << (bits - 1) : 0;
        steps = steps < 0 ? -steps : steps;
        return top | (uint64_t)(steps > high ? high : steps);
    }
    if (field->sign != LT_MIMIC_UNSIGNED) {
        int64_t half = (int64_t)1 << (bits - 1);
        low = -half + (field->codes && field->sign == LT_MIMIC_TWOS);
        high = half - 1 - (field->codes && field->sign == LT_MIMIC_OFFSET_BINARY ? 2 : 0);
    }
    steps = steps < low ? low : steps > high ? high : steps;
    if (field->sign == LT_MIMIC_OFFSET_BINARY)
        steps += (int64_t)1 << (bits - 1);
    return (uint64_t)steps & all_ones(bits);
}

static uint64_t value_raw(struct lt_mimic_random_car *car, struct lt_mimic_random_field *field,
                          int64_t now_ns)
{
    const struct lt_mimic_quantity *quantity = &car->motion.quantity[field->quantity];
    if (quantity->kind == LT_MIMIC_CHOICE || quantity->kind == LT_MIMIC_FLAG) {
        if (is_unavailable(car, field, now_ns))
            return lt_mimic_random_unavailable(field);
        unsigned code = (unsigned)car->motion.value[field->quantity];
        return field->mapped ? field->code_map[code & 15] : code;
    }
    double value = source_value(car, field, now_ns);
    if (is_unavailable(car, field, now_ns))
        return lt_mimic_random_unavailable(field);
    if (field->reciprocal)
        value = 1 / value;
    double steps = (value - field->offset) / field->scale;
    if (quantity->kind == LT_MIMIC_GROWING)
        return (uint64_t)rounded_down(steps) & all_ones(field->spot.bits);
    if (field->dither > 0)
        steps += draw_between(&car->motion.noise, -field->dither, field->dither);
    double coarse = field->coarse;
    int64_t whole = rounded_down(steps / coarse + (field->cut ? 0.0 : 0.5)) * field->coarse;
    return coded(field, whole);
}

static bool is_on_page(const struct lt_mimic_random_frame *frame,
                       const struct lt_mimic_random_field *field)
{
    return field->pages == 0 || (field->pages >> frame->page & 1);
}

static void turn_page(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame)
{
    if (frame->pages == 0 || !frame->has_sent)
        return;
    frame->page =
        frame->irregular ? draw_below(&car->rng, frame->pages) : (frame->page + 1) % frame->pages;
}

static void put_counters(struct lt_mimic_random_frame *frame, bool changed)
{
    for (size_t i = 0; i < frame->field_count; i++) {
        struct lt_mimic_random_field *field = &frame->field[i];
        if (field->kind != LT_MIMIC_FIELD_COUNTER || !is_on_page(frame, field))
            continue;
        uint32_t *count = &field->count[field->per_page ? frame->page : 0];
        if (frame->has_sent && (!field->on_change || changed))
            *count = (*count + field->step) % field->modulus;
        lt_mimic_spot_put(field->spot, frame->data, *count);
    }
}

static void put_checks(struct lt_mimic_random_frame *frame)
{
    for (size_t i = 0; i < frame->field_count; i++) {
        struct lt_mimic_random_field *field = &frame->field[i];
        if (field->kind != LT_MIMIC_FIELD_CHECK || !is_on_page(frame, field))
            continue;
        lt_mimic_random_seal_nibble(&field->seal, frame->data);
        lt_mimic_spot_put(field->spot, frame->data, 0);
        uint32_t value = lt_mimic_random_seal(&field->seal, field->spot, frame, frame->data);
        lt_mimic_spot_put(field->spot, frame->data, value);
    }
}

void lt_mimic_random_build(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame,
                           int64_t now_ns)
{
    uint8_t was[64];
    memcpy(was, frame->before, sizeof(was));
    turn_page(car, frame);
    memset(frame->data, frame->filler, frame->len);
    for (size_t i = 0; i < frame->field_count; i++) {
        struct lt_mimic_random_field *field = &frame->field[i];
        if (!is_on_page(frame, field))
            continue;
        if (field->kind == LT_MIMIC_FIELD_VALUE)
            lt_mimic_spot_put(field->spot, frame->data, value_raw(car, field, now_ns));
        else if (field->kind == LT_MIMIC_FIELD_CONSTANT)
            lt_mimic_spot_put(field->spot, frame->data, field->constant);
        else if (field->kind == LT_MIMIC_FIELD_SELECTOR)
            lt_mimic_spot_put(field->spot, frame->data, frame->page_value[frame->page]);
        else if (field->kind == LT_MIMIC_FIELD_TEXT)
            memcpy(frame->data + field->spot.start / 8, field->text, field->spot.bits / 8u);
    }
    memcpy(frame->before, frame->data, sizeof(frame->before));
    put_counters(frame, memcmp(was, frame->before, sizeof(was)) != 0);
    put_checks(frame);
    frame->has_sent = true;
}

uint64_t lt_mimic_random_watch(const struct lt_mimic_random_car *car,
                               const struct lt_mimic_random_frame *frame)
{
    uint64_t mix = 1;
    for (size_t i = 0; i < frame->field_count; i++) {
        const struct lt_mimic_random_field *field = &frame->field[i];
        enum lt_mimic_quantity_kind kind = car->motion.quantity[field->quantity].kind;
        if (field->kind == LT_MIMIC_FIELD_VALUE &&
            (kind == LT_MIMIC_CHOICE || kind == LT_MIMIC_FLAG))
            mix = mix * 31 + (uint64_t)car->motion.value[field->quantity];
    }
    return mix;
}
