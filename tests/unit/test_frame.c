/* Lengths of frames. Sources: ISO 11898-1 and CAN FD (DLC codes, as in the Linux kernel's can.h and
 * can-utils); Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007), for bits on the wire. */
#include "unit.h"

#include "loomtap/core/frame.h"

static const uint8_t fd_lengths[16] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64};

static void dlc_above_eight_means_eight_in_a_classic_frame(void **state)
{
    (void)state;
    for (uint8_t dlc = 0; dlc <= 15; dlc++)
        assert_int_equal(lt_dlc_to_len(dlc, false), dlc < 8 ? dlc : 8);
}

static void dlc_codes_of_fd_frames(void **state)
{
    (void)state;
    for (uint8_t dlc = 0; dlc <= 15; dlc++) {
        assert_int_equal(lt_dlc_to_len(dlc, true), fd_lengths[dlc]);
        assert_int_equal(lt_len_to_dlc(fd_lengths[dlc], true), dlc);
    }
}

static void lengths_between_codes_take_the_next_larger(void **state)
{
    (void)state;
    assert_int_equal(lt_len_to_dlc(9, true), 9);
    assert_int_equal(lt_len_to_dlc(11, true), 9);
    assert_int_equal(lt_len_to_dlc(13, true), 10);
    assert_int_equal(lt_len_to_dlc(33, true), 14);
    assert_int_equal(lt_len_to_dlc(49, true), 15);
    assert_int_equal(lt_len_to_dlc(5, false), 5);
    assert_int_equal(lt_len_to_dlc(8, false), 8);
}

static void only_lengths_on_the_wire_are_valid(void **state)
{
    (void)state;
    for (unsigned len = 0; len <= 255; len++) {
        bool listed = false;
        for (size_t i = 0; i < COUNT_OF(fd_lengths); i++)
            listed |= fd_lengths[i] == len;
        assert_int_equal(lt_len_is_valid((uint8_t)len, true), listed);
        assert_int_equal(lt_len_is_valid((uint8_t)len, false), len <= 8);
    }
}

static void bits_on_the_wire_as_published(void **state)
{
    static const struct {
        uint8_t len;
        unsigned standard_min, standard_max, extended_min, extended_max;
    } rows[] = {
        {0, 47, 55, 67, 80},
        {2, 63, 75, 83, 100},
        {4, 79, 95, 99, 120},
        {8, 111, 135, 131, 160},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        assert_int_equal(lt_frame_bits_min(rows[i].len, false), rows[i].standard_min);
        assert_int_equal(lt_frame_bits_max(rows[i].len, false), rows[i].standard_max);
        assert_int_equal(lt_frame_bits_min(rows[i].len, true), rows[i].extended_min);
        assert_int_equal(lt_frame_bits_max(rows[i].len, true), rows[i].extended_max);
    }
}

static void stuffing_is_counted_for_odd_lengths_too(void **state)
{
    (void)state;
    /* 55 + 10n and 80 + 10n follow from the formula for every n. */
    for (uint8_t n = 0; n <= 8; n++) {
        assert_int_equal(lt_frame_bits_max(n, false), 55 + 10 * n);
        assert_int_equal(lt_frame_bits_max(n, true), 80 + 10 * n);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(dlc_above_eight_means_eight_in_a_classic_frame),
        cmocka_unit_test(dlc_codes_of_fd_frames),
        cmocka_unit_test(lengths_between_codes_take_the_next_larger),
        cmocka_unit_test(only_lengths_on_the_wire_are_valid),
        cmocka_unit_test(bits_on_the_wire_as_published),
        cmocka_unit_test(stuffing_is_counted_for_odd_lengths_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
