/* The pieces in which a frame of two recordings is compared.
 *
 * The surveys of two recordings seldom cut a frame in the same way: a switch that rests in one is a
 * constant there, a quantity that stays small there lacks its top bits. So the moving fields of
 * both are taken, those that share bits are made one (the longest of them stands for all), and what
 * is left over stands still in both: it is compared by byte. Values are those of the kept frames,
 * which hold every frame that moves a rarely moving bit. */
#include "survey/compare_units.h"

#include <string.h>

#define SCRATCH_CEILING ((size_t)32 << 20)
#define UNITS_MOST      512

struct unit_place {
    struct lt_bits bits;
    enum lt_field_kind kind;
    unsigned length;
};

struct units {
    struct lt_bit_set left_out; /* selector, counters, checks */
    struct lt_bit_set used;     /* of places */
    size_t count;
    struct unit_place place[UNITS_MOST];
};

static bool is_derived(const struct lt_survey_field *field)
{
    return field->kind == LT_FIELD_COUNTER || field->kind == LT_FIELD_CHECKSUM ||
           field->kind == LT_FIELD_SELECTOR;
}

static bool on_page(const struct lt_survey_field *field, bool has_page, uint16_t page)
{
    return !has_page || survey_on_page(field, page);
}

static void leave_out_derived(const struct lt_survey_frame *frame, bool has_page, uint16_t page,
                              struct units *units)
{
    if (frame->stream->selector.present)
        lt_bit_set_add_bits(&units->left_out, &frame->stream->selector.bits);
    for (size_t i = 0; i < frame->field_count; i++)
        if (is_derived(&frame->fields[i]) && on_page(&frame->fields[i], has_page, page))
            lt_bit_set_add_bits(&units->left_out, &frame->fields[i].bits);
}

static bool is_moving(const struct lt_survey_field *field)
{
    return field->kind != LT_FIELD_CONSTANT && !is_derived(field);
}

/* Longer fields first, so that what shares bits with one is left to it. */
static void add_moving(const struct lt_survey_frame *frame, bool has_page, uint16_t page,
                       unsigned least, unsigned most, struct units *units)
{
    for (size_t i = 0; i < frame->field_count && units->count < UNITS_MOST; i++) {
        const struct lt_survey_field *field = &frame->fields[i];
        unsigned length = lt_bits_length(&field->bits);
        if (!is_moving(field) || !on_page(field, has_page, page) || length < least ||
            length > most || lt_bit_set_meets(&units->used, &field->bits) ||
            lt_bit_set_meets(&units->left_out, &field->bits) ||
            lt_bits_bytes(&field->bits) > frame->stream->key.length)
            continue;
        lt_bit_set_add_bits(&units->used, &field->bits);
        units->place[units->count++] = (struct unit_place){field->bits, field->kind, length};
    }
}

static void collect_places(const struct lt_survey_frame *a, const struct lt_survey_frame *b,
                           bool has_page, uint16_t page, struct units *units)
{
    static const unsigned steps[][2] = {{33, 64}, {17, 32}, {13, 16}, {9, 12},
                                        {5, 8},   {3, 4},   {2, 2},   {1, 1}};
    memset(units, 0, sizeof *units);
    leave_out_derived(a, has_page, page, units);
    leave_out_derived(b, has_page, page, units);
    for (size_t i = 0; i < sizeof steps / sizeof *steps; i++) {
        add_moving(b, has_page, page, steps[i][0], steps[i][1], units);
        add_moving(a, has_page, page, steps[i][0], steps[i][1], units);
    }
}

/* --- what is seen --- */

static void see_value(struct unit_seen *seen, uint64_t value)
{
    for (size_t i = 0; i < seen->value_count; i++) {
        if (seen->value[i] == value) {
            seen->visits[i] += seen->visits[i] != UINT32_MAX;
            return;
        }
    }
    if (seen->value_count < UNIT_VALUES_MOST) {
        seen->value[seen->value_count] = value;
        seen->visits[seen->value_count++] = 1;
    }
}

static void look(const struct lt_kept *kept, const struct lt_bits *bits, struct unit_seen *seen)
{
    uint64_t before = 0;
    memset(seen, 0, sizeof *seen);
    seen->first_change_ns = LT_NO_TIME;
    seen->rows = kept->count;
    for (size_t row = 0; row < kept->count; row++) {
        uint64_t value = lt_bits_get(lt_kept_row(kept, row), bits);
        if (row == 0)
            seen->low = seen->high = value;
        else if (value == before)
            continue;
        else if (seen->changes++ == 0)
            seen->first_change_ns = kept->time_ns[row];
        seen->low = value < seen->low ? value : seen->low;
        seen->high = value > seen->high ? value : seen->high;
        see_value(seen, value);
        before = value;
    }
}

/* Bits that never move in a recording; ret_value holds them. */
static void look_at_rest(const struct lt_kept *kept, uint8_t ret_still[64], uint8_t ret_value[64])
{
    unsigned length = kept->key.length;
    memset(ret_still, kept->count ? 0xFF : 0, 64);
    memset(ret_value, 0, 64);
    if (kept->count)
        memcpy(ret_value, lt_kept_row(kept, 0), length);
    for (size_t row = 1; row < kept->count; row++)
        for (unsigned i = 0; i < length; i++)
            ret_still[i] &= (uint8_t) ~(lt_kept_row(kept, row)[i] ^ ret_value[i]);
}

/* --- one page of a frame --- */

struct pair {
    const struct lt_kept *a, *b;
    bool has_page;
    uint16_t page;
    unit_fn with;
    void *context;
};

static enum lt_code give_places(const struct pair *pair, const struct units *units)
{
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < units->count && code == LT_OK; i++) {
        struct unit unit = {.bits = units->place[i].bits,
                            .kind = units->place[i].kind,
                            .has_page = pair->has_page,
                            .page = pair->page};
        look(pair->a, &unit.bits, &unit.a);
        look(pair->b, &unit.bits, &unit.b);
        code = pair->with(pair->context, &unit);
    }
    return code;
}

/* The part of a byte from the highest to the lowest bit that differs. */
static struct lt_bits byte_part(unsigned byte, unsigned differ)
{
    unsigned high = 31u - (unsigned)__builtin_clz(differ);
    unsigned low = (unsigned)__builtin_ctz(differ);
    return (struct lt_bits){.parts = 1,
                            .part = {{(uint16_t)(8 * byte + high), (uint16_t)(8 * byte + low)}}};
}

/* What stands still in both, at different values. Bits that stand still in one and move in the
 * other without being a field of it (the frame was not looked at) are given one by one. */
static enum lt_code give_rest(const struct pair *pair, const struct units *units)
{
    uint8_t still_a[64], still_b[64], value_a[64], value_b[64];
    enum lt_code code = LT_OK;
    look_at_rest(pair->a, still_a, value_a);
    look_at_rest(pair->b, still_b, value_b);
    for (unsigned byte = 0; byte < pair->a->key.length && code == LT_OK; byte++) {
        unsigned free = 0xFFu & ~(unsigned)(units->used.word[byte / 8] >> 8 * (byte % 8)) &
                        ~(unsigned)(units->left_out.word[byte / 8] >> 8 * (byte % 8));
        unsigned both = free & still_a[byte] & still_b[byte];
        unsigned differ = both & (unsigned)(value_a[byte] ^ value_b[byte]);
        unsigned one = free & (unsigned)(still_a[byte] ^ still_b[byte]);
        while ((differ || one) && code == LT_OK) {
            unsigned part = differ ? differ : one & (0u - one);
            struct unit unit = {.bits = byte_part(byte, part),
                                .kind = differ ? LT_FIELD_CONSTANT : LT_FIELD_FLAG,
                                .has_page = pair->has_page,
                                .page = pair->page};
            look(pair->a, &unit.bits, &unit.a);
            look(pair->b, &unit.bits, &unit.b);
            code = pair->with(pair->context, &unit);
            one &= differ ? one : one - 1;
            differ = 0;
        }
    }
    return code;
}

static enum lt_code give_page(const struct pair *pair, const struct lt_survey_frame *a,
                              const struct lt_survey_frame *b)
{
    struct units units;
    if (pair->a->count == 0 || pair->b->count == 0)
        return LT_OK;
    collect_places(a, b, pair->has_page, pair->page, &units);
    enum lt_code code = give_places(pair, &units);
    return code == LT_OK ? give_rest(pair, &units) : code;
}

static bool same_selector(const struct lt_stream *a, const struct lt_stream *b)
{
    return a->selector.present && b->selector.present &&
           memcmp(&a->selector.bits.part, &b->selector.bits.part,
                  sizeof *a->selector.bits.part * a->selector.bits.parts) == 0 &&
           a->selector.bits.parts == b->selector.bits.parts;
}

static enum lt_code give_pages(const struct lt_survey_frame *a, const struct lt_survey_frame *b,
                               unit_fn with, void *context, struct lt_error *error)
{
    const struct lt_selector_found *selector = &a->stream->selector;
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < selector->count && code == LT_OK; i++) {
        struct lt_arena scratch;
        struct lt_kept rows_a, rows_b;
        lt_arena_init(&scratch, SCRATCH_CEILING);
        uint64_t page = selector->value[i];
        code = lt_kept_page(&a->stream->kept, &selector->bits, page, 0, &scratch, &rows_a, error);
        if (code == LT_OK)
            code =
                lt_kept_page(&b->stream->kept, &selector->bits, page, 0, &scratch, &rows_b, error);
        struct pair pair = {&rows_a, &rows_b, true, selector->value[i], with, context};
        if (code == LT_OK)
            code = give_page(&pair, a, b);
        lt_arena_release(&scratch);
    }
    return code;
}

enum lt_code compare_units(const struct lt_survey_frame *a, const struct lt_survey_frame *b,
                           unit_fn with, void *context, struct lt_error *error)
{
    if (same_selector(a->stream, b->stream))
        return give_pages(a, b, with, context, error);
    /* Where one survey saw a selector and the other did not, pages do not match: bits that the
     * selector swaps look like moving in both, which is what they do. */
    struct pair pair = {&a->stream->kept, &b->stream->kept, false, 0, with, context};
    return give_page(&pair, a, b);
}
