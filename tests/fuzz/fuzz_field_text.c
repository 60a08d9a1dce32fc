/* Any text as a place of bits and as a value to encode. What is accepted must mean what it prints
 * as, and fit the field. The first byte chooses the field, the rest is the text. */
#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "loomtap/core/value.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void try_bits(struct lt_text text)
{
    struct lt_bits bits, again;
    char printed[128];
    if (!lt_bits_parse(text, &bits))
        return;
    size_t len = lt_bits_print(printed, sizeof printed, &bits);
    assert(len < sizeof printed);
    assert(lt_bits_parse((struct lt_text){printed, len}, &again));
    assert(again.parts == bits.parts && lt_bits_length(&bits) <= 64);
    for (unsigned i = 0; i < bits.parts; i++)
        assert(again.part[i].msb == bits.part[i].msb && again.part[i].lsb == bits.part[i].lsb);
}

static const struct lt_curve_point points[] = {
    {{-5, 1}, {-40, 1}}, {{100, 1}, {1, 3}}, {{200, 1}, {1, 3}}, {{1023, 1}, {150, 1}}};
static const struct lt_curve_def curve = {.name = "c", .points = points, .count = 4};
static const struct lt_label labels[] = {{.raw = 0, .name = "off"}, {.raw = 1, .name = "on"}};
static const struct lt_raw_range code = {3, 3};

static struct lt_signal_def choose(uint8_t pick)
{
    static const struct lt_ratio scales[] = {{1, 1}, {1, 4}, {100, 255}, {-1, 10}};
    static const struct lt_span spans[] = {{63, 0}, {31, 0}, {15, 0}, {4, 0}};
    struct lt_signal_def def = {
        .name = "x",
        .frame = 0,
        .parameter = LT_NONE,
        .bits = {.parts = 1, .part = {spans[pick >> 2 & 3]}},
        .sign = (enum lt_sign)((pick >> 4) % 5),
        .form = (enum lt_form)(pick % 3),
        .scale = scales[pick & 3],
        .offset = {pick & 64 ? -40 : 0, 1},
        .labels = labels,
        .label_count = 2,
        .unavailable = &code,
        .unavailable_count = 1,
        .has_range = pick > 200,
        .range_low = {-100, 1},
        .range_high = {1000, 3},
    };
    return def;
}

static void try_value(uint8_t pick, struct lt_text text)
{
    struct lt_signal_def def = choose(pick);
    struct lt_curve_def curves[1] = {curve};
    const struct lt_profile profile = {
        .signals = &def, .signal_count = 1, .curves = curves, .curve_count = 1};
    struct lt_scaler scaler;
    struct lt_error error;
    char printed[LT_VALUE_ROOM];
    uint64_t raw, again;
    if (lt_scaler_init(&scaler, &profile, 0, &error) != LT_OK ||
        lt_scaler_parse(&scaler, text, &raw, &error) != LT_OK)
        return;
    assert(raw <= UINT64_MAX >> (64 - scaler.length));
    size_t len = lt_scaler_print(&scaler, raw, printed);
    assert(len <= LT_VALUE_ROOM);
    if (lt_scaler_state(&scaler, raw) != LT_STATE_VALUE)
        return; /* by the word `unavailable` */
    assert(isfinite(lt_scaler_f64(&scaler, raw)) || lt_signal_label(&def, raw));
    /* Exact decimals lead back to the same bits. The range may cut off what was rounded into it. */
    if (scaler.decimals >= 0 && !def.has_range)
        assert(lt_scaler_parse(&scaler, (struct lt_text){printed, len}, &again, &error) == LT_OK &&
               again == raw);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1 || size > 4096)
        return 0;
    /* A copy of the exact size, so that reading past the end is seen. */
    char *copy = malloc(size);
    if (!copy)
        return 0;
    memcpy(copy, data + 1, size - 1);
    struct lt_text text = {copy, size - 1};
    try_bits(text);
    try_value(data[0], text);
    free(copy);
    return 0;
}
