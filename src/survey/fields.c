/* From one page of a stream to its fields (loomtap/survey/fields.h): calls the steps in their order
 * (fields_inside.h) and writes down what they say. */
#include <math.h>
#include <stdlib.h>

#include "survey/fields_inside.h"
#include "survey/survey_internal.h"

#define SURE_OF_NUMBER 0.6 /* noise that surely is one number is physical all the same */

struct listing {
    struct lt_survey_field *fields;
    size_t count;
};

static struct lt_bits bits_of(unsigned msb, unsigned lsb)
{
    return (struct lt_bits){.parts = 1, .part = {{(uint16_t)msb, (uint16_t)lsb}}};
}

/* All ones count as the code for "not available" where the field jumps there and back. */
static double unavailable_share(const struct field_place *place, const struct field_course *course)
{
    if (place->length < 4 || course->to_ones == 0 || course->jumps_to_ones * 2 < course->to_ones)
        return 0;
    return (double)course->all_ones / (double)course->frames;
}

static struct field_claim claim_of(const struct field_place *place,
                                   const struct field_course *course)
{
    struct field_claim claim = {.kind = field_kind(place, course)};
    if (place->sign == LT_SIGN_MAGNITUDE)
        claim.kind = LT_FIELD_PHYSICAL;
    field_sign(place, course, &claim);
    claim.confidence = field_sureness(place, course, &claim);
    if (claim.kind == LT_FIELD_UNKNOWN && claim.confidence >= SURE_OF_NUMBER)
        claim.kind = LT_FIELD_PHYSICAL;
    return claim;
}

static enum lt_code add_moving(const struct field_lines *lines, const struct field_place *place,
                               struct lt_arena *arena, struct listing *listing,
                               struct lt_error *error)
{
    struct field_course course;
    enum lt_code code = field_course_make(lines, place, arena, &course, error);
    if (code != LT_OK)
        return code;
    struct field_claim claim = claim_of(place, &course);
    struct lt_survey_field *field = &listing->fields[listing->count++];
    field->bits = bits_of(place->msb, place->lsb);
    field->order = lt_bits_order(&field->bits);
    field->sign = claim.sign;
    field->sign_exercised = claim.sign_exercised;
    field->kind = claim.kind;
    field->confidence = claim.confidence;
    field->raw_min = claim.sign == LT_TWOS ? course.twos_min : course.raw_min;
    field->raw_max = claim.sign == LT_TWOS ? course.twos_max : course.raw_max;
    field->distinct = course.distinct;
    field->changes = course.changes;
    field->eta = course.eta;
    field->unavailable_share = unavailable_share(place, &course);
    field->why = field_why(place, &course, &claim, arena);
    return LT_OK;
}

static void add_texts(const struct lt_fields_input *input, struct field_bits *bits,
                      struct lt_arena *arena, struct listing *listing)
{
    struct field_text texts[FIELD_TEXTS_MAX];
    size_t count = field_texts(input->kept, bits, texts);
    for (size_t i = 0; i < count; i++) {
        unsigned bytes = texts[i].bytes, last = texts[i].first + bytes - 1;
        struct lt_survey_field *field = &listing->fields[listing->count++];
        *field = (struct lt_survey_field){
            .bits = bits_of(8u * texts[i].first + 7, 8 * last),
            .order = LT_ORDER_MOTOROLA,
            .kind = LT_FIELD_TEXT,
            .confidence = bytes < 4   ? 0.6
                          : bytes < 5 ? 0.8
                          : bytes < 6 ? 0.9
                                      : 0.95,
            .distinct = 1,
            .why = "letters and digits in every frame",
            .text = survey_text(arena, "%s", texts[i].text),
        };
    }
}

/* Bits in no field so far (a field may hold bits that never move), a run in each byte. */
static void add_constants(const struct lt_fields_input *input, const struct field_bits *bits,
                          struct listing *listing)
{
    struct lt_bit_set listed = {{0}};
    for (size_t i = 0; i < listing->count; i++)
        lt_bit_set_add_bits(&listed, &listing->fields[i].bits);
    for (unsigned at = 0; at < bits->bits; at++)
        if (bits->moved[at] || bits->taken[at])
            lt_bit_set_add(&listed, at);
    for (unsigned at = 0; at < bits->bits && listing->count < LT_FIELDS_MAX; at++) {
        unsigned low = at;
        if (lt_bit_set_has(&listed, at))
            continue;
        while (at % 8 != 7 && !lt_bit_set_has(&listed, at + 1))
            at++;
        struct lt_survey_field *field = &listing->fields[listing->count++];
        *field = (struct lt_survey_field){.bits = bits_of(at, low),
                                          .kind = LT_FIELD_CONSTANT,
                                          .distinct = 1,
                                          .confidence = 0.97,
                                          .why = "never moves in this capture"};
        if (input->kept->count != 0)
            field->raw_min = lt_bits_get(lt_kept_row(input->kept, 0), &field->bits);
        field->raw_max = field->raw_min;
    }
}

static int by_place(const void *a, const void *b)
{
    const struct lt_survey_field *x = a, *y = b;
    unsigned p = x->bits.part[0].msb, q = y->bits.part[0].msb;
    return p < q ? -1 : p > q;
}

enum lt_code lt_fields_find(const struct lt_fields_input *input, struct lt_arena *arena,
                            struct lt_survey_field **ret_fields, size_t *ret_count,
                            struct lt_error *error)
{
    struct field_lines lines;
    struct field_bits *bits = lt_arena_alloc(arena, sizeof *bits);
    struct gaps *gaps = lt_arena_alloc(arena, sizeof *gaps);
    struct field_cut *cut = lt_arena_alloc(arena, sizeof *cut);
    struct listing listing = {lt_arena_array(arena, LT_FIELDS_MAX, sizeof *listing.fields), 0};
    if (!bits || !gaps || !cut || !listing.fields)
        return lt_fail(error, LT_E_MEMORY, "no memory for the fields of a page");
    enum lt_code code = field_lines_make(input->kept, arena, &lines, error);
    if (code != LT_OK)
        return code;
    field_bits_make(input, bits);
    add_texts(input, bits, arena, &listing);
    code = field_gaps_make(&lines, bits, arena, gaps, error);
    if (code != LT_OK)
        return code;
    field_cut_make(&lines, bits, gaps, input->order_prior, cut);
    field_second_opinion(&lines, gaps, cut);
    field_carries(&lines, bits, gaps, cut);
    field_low_ends(&lines, bits, cut);
    field_choices(&lines, cut);
    field_bridge(&lines, bits, cut);
    code = field_magnitude(&lines, bits, arena, cut, error);
    for (size_t i = 0; i < cut->count && listing.count < LT_FIELDS_MAX && code == LT_OK; i++)
        code = add_moving(&lines, &cut->place[i], arena, &listing, error);
    if (code != LT_OK)
        return code;
    add_constants(input, bits, &listing);
    qsort(listing.fields, listing.count, sizeof *listing.fields, by_place);
    *ret_fields = listing.fields;
    *ret_count = listing.count;
    return LT_OK;
}
