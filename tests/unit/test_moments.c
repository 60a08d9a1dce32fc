/* Bit moments: every count against a twin that looks at one pair of bits at a time. */
#include "unit.h"

#include <stdlib.h>
#include <string.h>

#include "../ref/naive_moments.h"
#include "loomtap/measure/moments.h"

static uint64_t random_state;

static uint64_t random_word(void)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return random_state;
}

#define ROWS_MAX 700

struct made {
    uint8_t bytes[ROWS_MAX * 64];
    bool next[ROWS_MAX];
    struct naive_frames frames;
};

/* Frames with bits that stand at 0 or 1, bits that move seldom, and bits that move always; about
 * one frame in eight follows no other. */
static struct made *make_frames(uint64_t seed, unsigned length, size_t count)
{
    static struct made made;
    random_state = seed * 0x9E3779B97F4A7C15 + 1;
    for (unsigned byte = 0; byte < length; byte++) {
        uint8_t stands = (uint8_t)random_word(), moves = (uint8_t)random_word();
        uint8_t value = (uint8_t)random_word();
        unsigned often = 1u << random_word() % 9;
        for (size_t row = 0; row < count; row++) {
            if (random_word() % often == 0)
                value ^= (uint8_t)random_word();
            made.bytes[row * length + byte] = (uint8_t)((value & moves) | (stands & ~moves));
        }
    }
    for (size_t row = 0; row < count; row++)
        made.next[row] = row != 0 && random_word() % 8 != 0;
    made.frames = (struct naive_frames){length, count, made.bytes, made.next};
    return &made;
}

static struct lt_moments *add_rows(const struct naive_frames *frames, size_t from, size_t to)
{
    struct lt_moments *moments;
    assert_int_equal(lt_moments_new(&moments, frames->length, NULL), LT_OK);
    for (size_t row = from; row < to; row++)
        lt_moments_add(moments, frames->bytes + row * frames->length, frames->next[row]);
    return moments;
}

static void compare_band(const struct lt_band *band, const struct naive_frames *frames)
{
    for (unsigned i = 0; i < 8u * band->bytes; i++) {
        unsigned at_i = i + 8u * band->first_byte;
        assert_int_equal(band->ones[i], naive_ones(frames, at_i));
        assert_int_equal(band->flips[i], naive_flips(frames, at_i, at_i, false));
        for (unsigned j = 0; j <= i; j++) {
            unsigned at_j = j + 8u * band->first_byte;
            assert_int_equal(band->both[i][j], naive_both(frames, at_i, at_j));
            assert_int_equal(band->flip_pairs[i][j], naive_flips(frames, at_i, at_j, false));
            assert_int_equal(band->against[i][j], naive_flips(frames, at_i, at_j, true));
        }
    }
}

static void compare(struct lt_moments *moments, const struct naive_frames *frames)
{
    const struct lt_band *const *bands;
    uint64_t steps = 0, ones[512], flips[512];
    for (size_t row = 0; row < frames->count; row++)
        steps += frames->next[row];
    assert_int_equal(lt_moments_frames(moments), frames->count);
    assert_int_equal(lt_moments_steps(moments), steps);
    size_t count = lt_moments_bands(moments, &bands);
    for (size_t i = 0; i < count; i++)
        compare_band(bands[i], frames);
    lt_moments_activity(moments, ones, flips);
    for (unsigned i = 0; i < 512; i++) {
        bool inside = i < 8 * frames->length;
        assert_int_equal(ones[i], inside ? naive_ones(frames, i) : 0);
        assert_int_equal(flips[i], inside ? naive_flips(frames, i, i, false) : 0);
    }
    assert_false(lt_moments_failed(moments));
}

static void counts_are_those_of_single_pairs(void **state)
{
    static const size_t counts[] = {1, 2, 63, 64, 65, 128, 300, 700};
    (void)state;
    for (unsigned i = 0; i < sizeof counts / sizeof *counts; i++)
        for (unsigned length = 1; length <= 8; length += i % 2 + 1) {
            struct made *made = make_frames(i * 100 + length, length, counts[i]);
            struct lt_moments *moments = add_rows(&made->frames, 0, counts[i]);
            compare(moments, &made->frames);
            lt_moments_free(moments);
        }
}

static void long_frames_have_a_band_every_four_bytes(void **state)
{
    static const unsigned lengths[] = {12, 16, 20, 64};
    static const size_t bands[] = {2, 3, 4, 15};
    (void)state;
    for (unsigned i = 0; i < 4; i++) {
        struct made *made = make_frames(7000 + i, lengths[i], 130);
        struct lt_moments *moments = add_rows(&made->frames, 0, 130);
        const struct lt_band *const *list;
        assert_int_equal(lt_moments_bands(moments, &list), bands[i]);
        for (size_t band = 0; band < bands[i]; band++) {
            assert_int_equal(list[band]->first_byte, 4 * band);
            assert_int_equal(list[band]->bytes, 8);
        }
        compare(moments, &made->frames);
        lt_moments_free(moments);
    }
}

static void looking_on_the_way_changes_nothing(void **state)
{
    struct made *made = make_frames(11, 8, 500);
    struct lt_moments *moments = add_rows(&made->frames, 0, 0);
    (void)state;
    for (size_t row = 0; row < 500; row++) {
        const struct lt_band *const *bands;
        lt_moments_add(moments, made->bytes + row * 8, made->next[row]);
        if (random_word() % 7 == 0)
            lt_moments_bands(moments, &bands);
        if (random_word() % 50 == 0)
            lt_moments_fold(moments);
    }
    compare(moments, &made->frames);
    lt_moments_free(moments);
}

static void two_parts_add_up_to_the_whole(void **state)
{
    (void)state;
    for (unsigned i = 0; i < 40; i++) {
        unsigned length = i % 10 == 9 ? 24 : i % 8 + 1;
        struct made *made = make_frames(5000 + i, length, 250);
        size_t cut = random_word() % 251;
        if (cut < 250)
            made->next[cut] = false;
        struct lt_moments *first = add_rows(&made->frames, 0, cut);
        struct lt_moments *second = add_rows(&made->frames, cut, 250);
        lt_moments_merge(first, second);
        compare(first, &made->frames);
        lt_moments_free(first);
        lt_moments_free(second);
    }
}

static void a_frame_without_data_has_no_bands(void **state)
{
    struct lt_moments *moments;
    const struct lt_band *const *bands;
    (void)state;
    assert_int_equal(lt_moments_new(&moments, 0, NULL), LT_OK);
    for (unsigned i = 0; i < 100; i++)
        lt_moments_add(moments, (const uint8_t *)"", true);
    assert_int_equal(lt_moments_bands(moments, &bands), 0);
    assert_int_equal(lt_moments_frames(moments), 100);
    assert_int_equal(lt_moments_steps(moments), 99);
    lt_moments_free(moments);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(counts_are_those_of_single_pairs),
        cmocka_unit_test(long_frames_have_a_band_every_four_bytes),
        cmocka_unit_test(looking_on_the_way_changes_nothing),
        cmocka_unit_test(two_parts_add_up_to_the_whole),
        cmocka_unit_test(a_frame_without_data_has_no_bands),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
