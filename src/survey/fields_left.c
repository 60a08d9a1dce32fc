/* A page whose fields nobody looked for, since the work of the survey went to other frames
 * (measure/work.h): what moves and what stands still is said all the same, a run of bits in each
 * byte. */
#include <math.h>

#include "survey/fields_inside.h"
#include "survey/parts.h"

#define STEPS_A_GAP 4000u /* of likelihoods, whatever the rows */
#define STEPS_A_ROW 4u

uint64_t parts_field_steps(const struct page_parts *page, const struct lt_bit_set *taken,
                           struct lt_moments *moments)
{
    uint64_t ones[FRAME_BITS], flips[FRAME_BITS], gaps = 0;
    lt_moments_activity(moments, ones, flips);
    for (unsigned at = 0; at < 8u * page->kept.key.length; at++)
        gaps += flips[at] != 0 && !lt_bit_set_has(taken, at);
    return 2 * gaps * (STEPS_A_GAP + STEPS_A_ROW * page->kept.count);
}

static struct lt_survey_field field_left(const struct page_parts *page, struct lt_bits bits,
                                         bool moves)
{
    uint64_t raw = page->kept.count ? lt_bits_get(lt_kept_row(&page->kept, 0), &bits) : 0;
    struct lt_survey_field field = {
        .bits = bits,
        .kind = moves ? LT_FIELD_UNKNOWN : LT_FIELD_CONSTANT,
        .confidence = moves ? 0.05 : 0.97,
        .distinct = 1,
        .raw_min = raw,
        .raw_max = raw,
        .eta = NAN,
        .why = moves ? "not looked at: too many frames have something to search in"
                     : "never moves in this capture",
    };
    for (size_t row = 0; row < page->kept.count && moves; row++) {
        raw = lt_bits_get(lt_kept_row(&page->kept, row), &bits);
        field.raw_min = raw < field.raw_min ? raw : field.raw_min;
        field.raw_max = raw > field.raw_max ? raw : field.raw_max;
    }
    return field;
}

size_t parts_fields_left(const struct page_parts *page, const struct lt_bit_set *taken,
                         struct lt_moments *moments, struct lt_survey_field *ret_fields)
{
    uint64_t ones[FRAME_BITS], flips[FRAME_BITS], frames = lt_moments_frames(moments);
    unsigned bits = 8u * page->kept.key.length;
    size_t count = 0;
    lt_moments_activity(moments, ones, flips);
    for (unsigned low = 0; low < bits && count < LT_FIELDS_MAX; low++) {
        unsigned high = low;
        bool moves = ones[low] != 0 && ones[low] != frames;
        if (lt_bit_set_has(taken, low))
            continue;
        while (high % 8 != 7 && !lt_bit_set_has(taken, high + 1) &&
               (ones[high + 1] != 0 && ones[high + 1] != frames) == moves)
            high++;
        struct lt_bits run = {1, {{(uint16_t)high, (uint16_t)low}}};
        ret_fields[count++] = field_left(page, run, moves);
        low = high;
    }
    return count;
}
