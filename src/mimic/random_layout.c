/* The truth about an invented car as JSON: what lies where, and what this traffic showed of it.
 *
 * Keys are those of `survey --json` where both say the same thing. A field is *exercised* when the
 * frames written down give a finder something to go by (random_facts.c). */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "mimic/random_send.h"

static const char *const signs[] = {"unsigned", "twos", "offset-binary", "sign-magnitude"};

static const char *kind_of(const struct lt_mimic_random_car *car,
                           const struct lt_mimic_random_field *field)
{
    static const char *const by_kind[] = {NULL,       "counter", "checksum",
                                          "selector", "text",    "constant"};
    static const char *const by_quantity[] = {"physical", "physical", "accumulating", "enum",
                                              "flag"};
    if (field->kind != LT_MIMIC_FIELD_VALUE)
        return by_kind[field->kind];
    return by_quantity[car->motion.quantity[field->quantity].kind];
}

/* The span from the highest bit that moved to the lowest; false where none did. */
static bool moving_span(const struct lt_mimic_random_field *field, uint64_t moved,
                        struct lt_mimic_spot *ret_spot)
{
    if (moved == 0)
        return false;
    unsigned low = 0, high = 63;
    while (!(moved >> low & 1))
        low++;
    while (!(moved >> high & 1))
        high--;
    struct lt_mimic_spot spot = field->spot;
    spot.bits = (uint8_t)(high - low + 1);
    spot.start = (uint16_t)(field->spot.motorola ? field->spot.start + field->spot.bits - 1u - high
                                                 : field->spot.start + low);
    *ret_spot = spot;
    return true;
}

static void put_pages(struct lt_json *json, const struct lt_mimic_random_frame *frame,
                      const struct lt_mimic_random_field *field)
{
    if (field->pages == 0) {
        lt_json_null(json, "page");
        return;
    }
    lt_json_open(json, "page", '[');
    for (unsigned i = 0; i < frame->pages; i++)
        if (field->pages >> i & 1)
            lt_json_u64(json, NULL, frame->page_value[i]);
    lt_json_close(json, ']');
}

static void put_counter(struct lt_json *json, const struct lt_mimic_random_field *field)
{
    if (field->kind != LT_MIMIC_FIELD_COUNTER) {
        lt_json_null(json, "counter");
        return;
    }
    lt_json_open(json, "counter", '{');
    lt_json_u64(json, "modulus", field->modulus);
    lt_json_u64(json, "step", field->step);
    lt_json_bool(json, "per_page", field->per_page);
    lt_json_bool(json, "on_change", field->on_change);
    lt_json_close(json, '}');
}

/* The same map as constant and columns: what a check of one bit alone differs from none. */
static void put_affine(struct lt_json *json, const struct lt_mimic_random_frame *frame,
                       const struct lt_mimic_random_field *field)
{
    uint8_t data[LT_FRAME_MAX] = {0};
    struct lt_mimic_seal seal = field->seal;
    uint32_t constant = lt_mimic_random_seal(&seal, field->spot, frame, data);
    lt_json_u64(json, "constant", constant);
    lt_json_open(json, "columns", '{');
    for (unsigned at = 0; at < 8u * frame->len; at++) {
        char name[16];
        bool own = false;
        for (unsigned n = 0; n < field->spot.bits; n++)
            own = own || lt_mimic_spot_bit(field->spot, n) == at;
        if (own)
            continue;
        data[at / 8] = (uint8_t)(1u << at % 8);
        uint32_t column = lt_mimic_random_seal(&seal, field->spot, frame, data) ^ constant;
        data[at / 8] = 0;
        snprintf(name, sizeof(name), "%u.%u", at / 8, at % 8);
        if (column)
            lt_json_u64(json, name, column);
    }
    lt_json_close(json, '}');
}

static void put_hidden(struct lt_json *json, const struct lt_mimic_seal *seal)
{
    if (seal->hidden_count == 0) {
        lt_json_null(json, "data_id");
    } else {
        lt_json_open(json, "data_id", '[');
        for (unsigned i = 0; i < seal->hidden_count; i++)
            lt_json_u64(json, NULL, seal->hidden[i]);
        lt_json_close(json, ']');
    }
    bool before = seal->before || seal->family == LT_MIMIC_E2E_P1;
    lt_json_string(json, "data_id_at", before ? "before" : "after");
    lt_json_string(json, "data_id_mode", lt_mimic_hidden_words[seal->mode]);
}

static void put_check(struct lt_json *json, const struct lt_mimic_random_frame *frame,
                      const struct lt_mimic_random_field *field)
{
    if (field->kind != LT_MIMIC_FIELD_CHECK) {
        lt_json_null(json, "checksum");
        return;
    }
    const struct lt_mimic_seal *seal = &field->seal;
    char text[512], over[64], place[32];
    lt_mimic_random_seal_text(frame, field, text, sizeof(text));
    lt_mimic_random_seal_over(frame, field, over, sizeof(over));
    lt_json_open(json, "checksum", '{');
    lt_json_string(json, "text", seal->family == LT_MIMIC_KEYED ? NULL : text);
    lt_json_string(json, "family", lt_mimic_family_words[seal->family]);
    lt_json_u64(json, "poly", seal->poly);
    lt_json_u64(json, "init", seal->init);
    lt_json_u64(json, "xorout", seal->xorout);
    lt_json_bool(json, "reflect", seal->reflect);
    lt_json_u64(json, "start", seal->start);
    lt_json_string(json, "complement",
                   seal->complement == 'o'   ? "ones"
                   : seal->complement == 't' ? "twos"
                                             : NULL);
    lt_json_bool(json, "with_id", seal->with_id);
    lt_json_bool(json, "with_length", seal->with_length);
    lt_json_string(json, "over", over);
    put_hidden(json, seal);
    if (seal->has_counter) {
        lt_mimic_spot_text(seal->counter, place, sizeof(place));
        lt_json_string(json, "counter", place);
    } else {
        lt_json_null(json, "counter");
    }
    if (seal->family == LT_MIMIC_CRC4)
        put_affine(json, frame, field);
    lt_json_close(json, '}');
}

static void put_values(struct lt_json *json, const struct lt_mimic_random_car *car,
                       const struct lt_mimic_random_field *field)
{
    const struct lt_mimic_quantity *quantity = &car->motion.quantity[field->quantity];
    if (field->kind != LT_MIMIC_FIELD_VALUE || quantity->kind != LT_MIMIC_CHOICE) {
        lt_json_null(json, "values");
        return;
    }
    lt_json_open(json, "values", '{');
    for (unsigned code = 0; code <= (unsigned)quantity->high; code++) {
        char raw[16], plain[16];
        const char *label = lt_mimic_motion_label(field->quantity, code);
        snprintf(raw, sizeof(raw), "%u", field->mapped ? field->code_map[code & 15] : code);
        snprintf(plain, sizeof(plain), "%u", code);
        lt_json_string(json, raw, label ? label : plain);
    }
    lt_json_close(json, '}');
}

static void put_facts(struct lt_json *json, const struct lt_mimic_random_field *field)
{
    const struct lt_mimic_facts *facts = &field->facts;
    struct lt_mimic_spot spot;
    char text[32], mask[20];
    lt_json_open(json, "facts", '{');
    lt_json_u64(json, "frames", facts->frames);
    lt_json_u64(json, "codes", facts->codes);
    lt_json_u64(json, "changes", facts->changes);
    lt_json_u64(json, "distinct", facts->distinct);
    if (facts->contents_seen)
        lt_json_u64(json, "contents", facts->contents);
    lt_json_i64(json, "least", facts->least);
    lt_json_i64(json, "most", facts->most);
    lt_json_u64(json, "crossings", facts->crossings);
    snprintf(mask, sizeof(mask), "0x%llX", (unsigned long long)facts->moved);
    lt_json_string(json, "moved", mask);
    snprintf(mask, sizeof(mask), "0x%llX", (unsigned long long)facts->moved_with_codes);
    lt_json_string(json, "moved_with_codes", mask);
    bool moved = moving_span(field, facts->moved, &spot);
    if (moved)
        lt_mimic_spot_text(spot, text, sizeof(text));
    lt_json_string(json, "moving_bits", moved ? text : NULL);
    lt_json_close(json, '}');
}

static void put_meaning(struct lt_json *json, const struct lt_mimic_random_car *car,
                        const struct lt_mimic_random_field *field)
{
    const struct lt_mimic_quantity *quantity = &car->motion.quantity[field->quantity];
    bool value = field->kind == LT_MIMIC_FIELD_VALUE;
    bool number = value && quantity->kind <= LT_MIMIC_GROWING;
    lt_json_string(json, "quantity", value ? quantity->name : NULL);
    lt_json_string(json, "role", value && quantity->role ? quantity->name : NULL);
    if (value)
        lt_json_u64(json, "group", field->quantity);
    else
        lt_json_null(json, "group");
    lt_json_f64(json, "scale", number ? field->scale : NAN);
    lt_json_f64(json, "offset", number ? field->offset : NAN);
    lt_json_string(json, "form", field->reciprocal ? "reciprocal" : NULL);
    lt_json_string(json, "unit", number ? quantity->unit : NULL);
    put_values(json, car, field);
    if (field->codes)
        lt_json_u64(json, "unavailable", lt_mimic_random_unavailable(field));
    else
        lt_json_null(json, "unavailable");
    lt_json_f64(json, "filter_s", field->tau_s);
    lt_json_f64(json, "dither_steps", field->dither);
    lt_json_u64(json, "coarse_steps", field->coarse);
    lt_json_f64(json, "source_ms", (double)(field->hold_ns / 1000000));
}

static void put_field(struct lt_json *json, const struct lt_mimic_random_car *car,
                      const struct lt_mimic_random_frame *frame,
                      const struct lt_mimic_random_field *field)
{
    char bits[32];
    lt_mimic_spot_text(field->spot, bits, sizeof(bits));
    lt_json_open(json, NULL, '{');
    lt_json_string(json, "bits", bits);
    lt_json_string(json, "order", lt_mimic_spot_order(field->spot));
    lt_json_string(json, "sign", signs[field->sign]);
    lt_json_string(json, "kind", kind_of(car, field));
    put_pages(json, frame, field);
    lt_json_bool(json, "exercised", lt_mimic_random_exercised(car, frame, field));
    put_meaning(json, car, field);
    put_counter(json, field);
    put_check(json, frame, field);
    put_facts(json, field);
    lt_json_close(json, '}');
}

static const char *bus_name(unsigned bus)
{
    static const char *const names[LT_MIMIC_RANDOM_BUSES] = {"can0", "can1", "can2"};
    return names[bus];
}

static void put_selector(struct lt_json *json, const struct lt_mimic_random_frame *frame)
{
    if (frame->pages == 0) {
        lt_json_null(json, "selector");
        return;
    }
    char bits[32];
    lt_mimic_spot_text(frame->field[frame->selector].spot, bits, sizeof(bits));
    lt_json_open(json, "selector", '{');
    lt_json_string(json, "bits", bits);
    lt_json_open(json, "pages", '[');
    for (unsigned i = 0; i < frame->pages; i++)
        lt_json_u64(json, NULL, frame->page_value[i]);
    lt_json_close(json, ']');
    lt_json_bool(json, "irregular", frame->irregular);
    lt_json_close(json, '}');
}

static void put_copy(struct lt_json *json, const struct lt_mimic_random_car *car,
                     const struct lt_mimic_random_frame *frame)
{
    if (frame->copy_of < 0) {
        lt_json_null(json, "copy_of");
        return;
    }
    const struct lt_mimic_random_frame *from = &car->frame[frame->copy_of];
    lt_json_open(json, "copy_of", '{');
    lt_json_string(json, "bus", bus_name(from->bus));
    lt_json_u64(json, "id", from->id);
    lt_json_bool(json, "extended", from->extended);
    lt_json_f64(json, "delay_ms", (double)frame->copy_delay_ns * 1e-6);
    lt_json_close(json, '}');
}

static void put_frame(struct lt_json *json, const struct lt_mimic_random_car *car,
                      const struct lt_mimic_random_frame *frame)
{
    static const char *const cadences[] = {"cyclic", "event", "cyclic-and-event"};
    lt_json_open(json, NULL, '{');
    lt_json_string(json, "bus", bus_name(frame->bus));
    lt_json_u64(json, "id", frame->id);
    lt_json_bool(json, "extended", frame->extended);
    lt_json_bool(json, "fd", frame->fd);
    lt_json_u64(json, "length", frame->len);
    lt_json_u64(json, "count", frame->written);
    lt_json_u64(json, "lost", frame->lost);
    lt_json_string(json, "cadence", cadences[frame->cadence]);
    if (frame->cadence == LT_MIMIC_ON_EVENT)
        lt_json_null(json, "period_ms");
    else
        lt_json_f64(json, "period_ms", (double)frame->period_ns * 1e-6);
    lt_json_bool(json, "authenticated", frame->authenticated);
    lt_json_u64(json, "filler", frame->filler);
    put_selector(json, frame);
    put_copy(json, car, frame);
    lt_json_open(json, "fields", '[');
    for (size_t i = 0; i < frame->field_count; i++)
        put_field(json, car, frame, &frame->field[i]);
    lt_json_close(json, ']');
    lt_json_close(json, '}');
}

static void put_polling(struct lt_json *json, const struct lt_mimic_random *random)
{
    const struct lt_mimic_ask *ask = &random->ask;
    lt_json_open(json, "polling", '{');
    lt_json_bool(json, "on", ask->on);
    lt_json_bool(json, "extended", ask->extended);
    lt_json_u64(json, "controllers", ask->on ? ask->controllers : 0);
    lt_json_open(json, "parameters", '[');
    unsigned pid, quantity;
    for (unsigned n = 0; ask->on && lt_mimic_ask_parameter(n, &pid, &quantity); n++) {
        if (!ask->knows[n])
            continue;
        lt_json_open(json, NULL, '{');
        lt_json_u64(json, "pid", pid);
        lt_json_string(json, "quantity", random->car.motion.quantity[quantity].name);
        lt_json_f64(json, "filter_s", ask->tau_s[n]);
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
    lt_json_close(json, '}');
}

void lt_mimic_random_layout(const struct lt_mimic_random *random, struct lt_sink *sink)
{
    const struct lt_mimic_random_car *car = &random->car;
    struct lt_json json;
    lt_json_init(&json, sink);
    lt_json_open(&json, NULL, '{');
    lt_json_u64(&json, "seed", car->seed);
    lt_json_f64(&json, "duration_s", (double)random->length_ns * 1e-9);
    lt_json_f64(&json, "loss", car->loss);
    lt_json_u64(&json, "frames_written", random->frames);
    lt_json_open(&json, "buses", '[');
    for (unsigned i = 0; i < car->buses; i++) {
        lt_json_open(&json, NULL, '{');
        lt_json_string(&json, "name", bus_name(i));
        lt_json_u64(&json, "bitrate", car->bitrate_hz[i]);
        lt_json_bool(&json, "fd", car->bus_fd[i]);
        lt_json_close(&json, '}');
    }
    lt_json_close(&json, ']');
    put_polling(&json, random);
    lt_json_open(&json, "frames", '[');
    for (size_t i = 0; i < car->frame_count; i++)
        put_frame(&json, car, &car->frame[i]);
    lt_json_close(&json, ']');
    lt_json_close(&json, '}');
    lt_sink_char(sink, '\n');
}
