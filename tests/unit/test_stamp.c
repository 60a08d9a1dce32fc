/* Times of binary captures. Expected values are worked out from the definition of if_tsresol
 * (draft-ietf-opsawg-pcapng, section 4.2): 10^-n or 2^-n seconds. */
#include "unit.h"

#include "capture/stamp.h"

struct row {
    uint8_t resolution;
    int64_t offset_s;
    uint64_t count;
    int64_t ns; /* -1: no time */
    unsigned digits;
};

static void counts_become_nanoseconds(void **state)
{
    static const struct row rows[] = {
        {0, 0, 5, 5000000000, 6},
        {6, 0, 1700000000123456, 1700000000123456000, 6},
        {9, 0, 1700000000123456789, 1700000000123456789, 9},
        {10, 0, 99, 9, 9},
        {28, 0, UINT64_MAX, 1, 9}, /* 1.8 ns */
        {29, 0, UINT64_MAX, 0, 9}, /* 10^20 does not fit in 64 bits */
        {127, 0, UINT64_MAX, 0, 9},
        {6, -1, 1000000, 0, 6},
        {6, -1, 999999, -1, 6},
        {6, 8589934592, 0, 8589934592000000000, 6},
        {6, 8589934592, 1000000, -1, 6},
        {6, INT64_MAX, 0, -1, 6},
        {6, INT64_MIN, UINT64_MAX, -1, 6},
        {0, 0, UINT64_MAX, -1, 6},
        {0x80, 0, 7, 7000000000, 9},
        {0x80 + 31, 0, 0x7FFFFFFF, 999999999, 9},
        {0x80 + 32, 0, 0xFFFFFFFF, 999999999, 9},
        {0x80 + 33, 0, 0x100000000, 500000000, 9},
        {0x80 + 63, 0, UINT64_MAX, 1999999999, 9},
        {0x80 + 64, 0, UINT64_MAX, 999999999, 9},
        {0x80 + 94, 0, UINT64_MAX, 0, 9}, /* 2^-30 s is 0.93 ns */
        {0x80 + 93, 0, UINT64_MAX, 1, 9}, /* 2^-29 s is 1.86 ns */
        {0x80 + 127, 0, UINT64_MAX, 0, 9},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_stamp_units units = {rows[i].resolution, rows[i].offset_s};
        int64_t ns = -1;
        bool fine = lt_stamp_ns(units, rows[i].count, &ns);
        if (fine != (rows[i].ns >= 0) || ns != rows[i].ns)
            fail_msg("row %zu: %lld", i, (long long)ns);
        assert_int_equal(lt_stamp_digits(units), rows[i].digits);
    }
}

static void times_are_printed_with_all_digits(void **state)
{
    static const struct {
        int64_t ns;
        unsigned digits;
        const char *text;
    } rows[] = {
        {0, 6, "0.000000"},
        {1700000000123456789, 9, "1700000000.123456789"},
        {1700000000123456789, 6, "1700000000.123456"},
        {1700000000000000001, 9, "1700000000.000000001"},
        {1700000001000001000, 6, "1700000001.000001"},
        {8589934592999999999, 9, "8589934592.999999999"},
        {999999999, 9, "0.999999999"},
    };
    struct lt_stamp_text last = {.seconds = -1};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        char text[LT_STAMP_ROOM + 16];
        size_t len = lt_stamp_print(&last, rows[i].ns, rows[i].digits, text);
        assert_int_equal(len, strlen(rows[i].text));
        assert_memory_equal(text, rows[i].text, len);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(counts_become_nanoseconds),
        cmocka_unit_test(times_are_printed_with_all_digits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
