/* The fast codec against its bit-at-a-time twin: over a million random fields, and planted faults
 * that the comparison must notice. Seeds are fixed. */
#include "sketch.h"

#include <math.h>

#include "../ref/bit_at_a_time.h"
#include "loomtap/core/frame.h"
#include "loomtap/core/plan.h"

enum { BATCH = 4096, BATCHES = 256, FAULT_BATCHES = 2 };

static uint64_t random64(uint64_t *state)
{
    *state += UINT64_C(0x9E3779B97F4A7C15); /* splitmix64 */
    uint64_t z = *state;
    z = (z ^ z >> 30) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ z >> 27) * UINT64_C(0x94D049BB133111EB);
    return z ^ z >> 31;
}

static unsigned below(uint64_t *seed, unsigned limit)
{
    return (unsigned)(random64(seed) % limit);
}

/* A random span of `length` bits inside the frame: places counted up (Intel) or along the wire
 * (Motorola), drawn in the header of bits.h. */
static struct twin_span random_span(uint64_t *seed, unsigned frame_bits, unsigned length)
{
    unsigned first = below(seed, frame_bits - length + 1), last = first + length - 1;
    if (below(seed, 2)) /* Intel: the higher end is the more significant */
        return (struct twin_span){last / 8, last % 8, first / 8, first % 8};
    return (struct twin_span){first / 8, 7 - first % 8, last / 8, 7 - last % 8};
}

static unsigned random_length(uint64_t *seed, unsigned most)
{
    static const unsigned common[] = {1, 8, 12, 16, 24, 32, 32, 63, 64, 64};
    unsigned length = below(seed, 3) ? 1 + below(seed, 64) : common[below(seed, COUNT_OF(common))];
    return length < most ? length : 1 + below(seed, most);
}

/* One field; parts may share bits here, which reading does not mind. Parts for writing do not: see
 * parts_share_bits. */
struct layout {
    struct twin_span spans[LT_PARTS_MAX];
    size_t count;
    unsigned length, frame_bytes;
};

static struct layout random_layout(uint64_t *seed)
{
    struct layout layout = {.frame_bytes = 1 + below(seed, below(seed, 2) ? 8 : LT_FRAME_MAX)};
    unsigned frame_bits = 8 * layout.frame_bytes;
    unsigned most = frame_bits < 64 ? frame_bits : 64;
    size_t parts = below(seed, 4) ? 1 : 2 + below(seed, LT_PARTS_MAX - 1);
    for (size_t i = 0; i < parts && layout.length < most; i++) {
        unsigned left = most - layout.length;
        unsigned length = random_length(seed, left);
        if (parts > 1 && length > 1 + left / 2)
            length = 1 + left / 2;
        layout.spans[layout.count++] = random_span(seed, frame_bits, length);
        layout.length += length;
    }
    return layout;
}

static struct lt_bits bits_of(const struct layout *layout)
{
    struct lt_bits bits = {.parts = (uint8_t)layout->count};
    for (size_t i = 0; i < layout->count; i++) {
        const struct twin_span *s = &layout->spans[i];
        bits.part[i] = (struct lt_span){(uint16_t)(8 * s->from_byte + s->from_bit),
                                        (uint16_t)(8 * s->to_byte + s->to_bit)};
    }
    return bits;
}

/* All ones written by the twin: fewer bits come up than the field has where parts share some. */
static bool parts_share_bits(const struct layout *layout)
{
    uint8_t data[LT_FRAME_MAX] = {0};
    unsigned ones = 0;
    twin_put(data, layout->spans, layout->count, UINT64_MAX, TWIN_RIGHT);
    for (size_t i = 0; i < sizeof data; i++)
        ones += (unsigned)__builtin_popcount(data[i]);
    return ones != layout->length;
}

struct batch {
    struct lt_profile profile;
    struct lt_frame_def frame;
    struct lt_signal_def signals[BATCH];
    struct layout layouts[BATCH];
};

static void fill_batch(struct batch *b, uint64_t *seed)
{
    b->frame = (struct lt_frame_def){
        .name = "f", .bus = LT_NONE, .id = 1, .source = LT_NONE, .length = 64, .fd = true};
    b->profile = (struct lt_profile){
        .frames = &b->frame, .frame_count = 1, .signals = b->signals, .signal_count = BATCH};
    for (size_t i = 0; i < BATCH; i++) {
        struct layout *layout = &b->layouts[i];
        *layout = random_layout(seed);
        enum lt_sign sign = (enum lt_sign)below(seed, 5);
        if (sign == LT_FLOAT && layout->length != 32 && layout->length != 64)
            sign = (enum lt_sign)below(seed, 4);
        b->signals[i] = (struct lt_signal_def){
            .name = "s",
            .parameter = LT_NONE,
            .bits = bits_of(layout),
            .sign = sign,
            .scale = {1, 1},
            .offset = {0, 1},
            .curve = LT_NONE,
        };
    }
}

static bool same_double(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

/* Sign and size, from the text of a value with scale 1. */
static bool text_is_number(const struct lt_scaler *scaler, uint64_t raw, struct twin_number number)
{
    char text[LT_VALUE_ROOM], expected[LT_VALUE_ROOM];
    size_t len = lt_scaler_print(scaler, raw, text);
    int expected_len = snprintf(expected, sizeof expected, "%s%llu", number.negative ? "-" : "",
                                (unsigned long long)number.size);
    return len == (size_t)expected_len && memcmp(text, expected, len) == 0;
}

static bool value_agrees(const struct lt_field *field, uint64_t raw, enum twin_fault fault)
{
    const struct lt_scaler *scaler = field->scaler;
    enum lt_sign sign = scaler->def->sign;
    if (sign == LT_FLOAT)
        return same_double(lt_scaler_f64(scaler, raw), twin_float(scaler->length, raw));
    static const enum twin_kind kinds[] = {
        [LT_UNSIGNED] = TWIN_UNSIGNED,
        [LT_TWOS] = TWIN_TWOS,
        [LT_OFFSET_BINARY] = TWIN_OFFSET_BINARY,
        [LT_SIGN_MAGNITUDE] = TWIN_SIGN_MAGNITUDE,
    };
    return text_is_number(scaler, raw, twin_signed(kinds[sign], scaler->length, raw, fault));
}

static bool put_agrees(const struct layout *layout, const struct lt_bits *bits, const uint8_t *data,
                       uint64_t raw, enum twin_fault fault)
{
    uint8_t fast[LT_FRAME_ROOM], slow[LT_FRAME_ROOM];
    if (layout->count > 1 && parts_share_bits(layout))
        return true;
    memcpy(fast, data, sizeof fast);
    memcpy(slow, data, sizeof slow);
    lt_bits_put(fast, bits, raw);
    twin_put(slow, layout->spans, layout->count, raw, fault);
    return memcmp(fast, slow, sizeof fast) == 0 && lt_bits_get(fast, bits) == raw;
}

static bool field_agrees(const struct lt_field *field, const struct layout *layout, uint64_t *seed,
                         enum twin_fault fault)
{
    uint8_t data[LT_FRAME_ROOM];
    for (size_t i = 0; i < sizeof data; i += 8) {
        uint64_t word = random64(seed);
        memcpy(data + i, &word, 8);
    }
    uint64_t slow = twin_get(data, layout->spans, layout->count, fault);
    if (lt_field_fetch(field, data) != slow || lt_bits_get(data, field->bits) != slow ||
        field->end_byte > layout->frame_bytes || lt_bits_length(field->bits) != layout->length)
        return false;
    uint64_t raw = random64(seed) >> (64 - layout->length);
    return value_agrees(field, slow, fault) && put_agrees(layout, field->bits, data, raw, fault);
}

/* Fields compared, and how many of them differ from the twin. */
static size_t compare(uint64_t seed, size_t batches, enum twin_fault fault, size_t *ret_fields)
{
    static struct batch b;
    const struct lt_profile *profile = &b.profile;
    size_t differ = 0, fields = 0;
    for (size_t i = 0; i < batches; i++) {
        struct lt_plan *plan = NULL;
        const struct lt_frame_plan *const *list;
        fill_batch(&b, &seed);
        assert_int_equal(lt_plan_new(&plan, &profile, 1, NULL, 0, NULL, NULL), LT_OK);
        assert_int_equal(lt_plan_frames(plan, &list), 1);
        assert_int_equal(list[0]->field_count, BATCH);
        for (size_t k = 0; k < BATCH; k++, fields++)
            differ += !field_agrees(&list[0]->fields[k], &b.layouts[k], &seed, fault);
        lt_plan_free(plan);
    }
    *ret_fields = fields;
    return differ;
}

static void a_million_random_fields_agree_with_the_twin(void **state)
{
    size_t fields;
    (void)state;
    assert_int_equal(compare(20, BATCHES, TWIN_RIGHT, &fields), 0);
    assert_true(fields >= 1000000);
}

static void planted_faults_are_noticed(void **state)
{
    static const enum twin_fault faults[] = {
        TWIN_SHIFTED,        TWIN_SWAPPED_ORDER, TWIN_PARTS_REVERSED,
        TWIN_SIGN_FORGOTTEN, TWIN_SHORT_MASK,    TWIN_PUT_TOUCHES_BIT,
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(faults); i++) {
        size_t fields;
        size_t differ = compare(20, FAULT_BATCHES, faults[i], &fields);
        if (differ < fields / 200)
            fail_msg("fault %d: %zu of %zu fields differ", (int)faults[i], differ, fields);
    }
}

/* The twin itself stands on the drawing of bits.h: both fields worked there by hand. */
static void the_twin_reads_the_drawing(void **state)
{
    const uint8_t data[] = {0, 0, 0x3A, 0xB7};
    const struct twin_span motorola = {2, 3, 3, 0}, intel = {3, 7, 2, 4};
    (void)state;
    assert_int_equal(twin_get(data, &motorola, 1, TWIN_RIGHT), 2743);
    assert_int_equal(twin_get(data, &intel, 1, TWIN_RIGHT), 2931);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_twin_reads_the_drawing),
        cmocka_unit_test(a_million_random_fields_agree_with_the_twin),
        cmocka_unit_test(planted_faults_are_noticed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
