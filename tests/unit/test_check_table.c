/* Checks by table against the same checks worked out frame by frame. */
#include "unit.h"

#include "loomtap/core/profile.h"
#include "measure/check_table.h"

static uint64_t random_state = 7;

static uint8_t random_byte(void)
{
    random_state = random_state * 6364136223846793005u + 1442695040888963407u;
    return (uint8_t)(random_state >> 56);
}

static struct lt_checksum parsed(const char *text)
{
    struct lt_checksum checksum;
    struct lt_error error;
    if (lt_checksum_parse(lt_text_of(text), &checksum, &error) != LT_OK)
        fail_msg("%s: %s", text, error.text);
    return checksum;
}

static const struct lt_stream_key key = {.id = 0x1A5, .length = 8};

/* Frames that are right, and frames with one bit or a byte or two that are not. */
static void agrees(const struct lt_checksum *checksum, const struct lt_stream_key *of)
{
    static union {
        struct check_table table;
        uint8_t room[sizeof(struct check_table) + 64 * 512];
    } filled;
    uint8_t data[LT_FRAME_MAX + 8] = {0};
    assert_true(check_has_table(checksum));
    assert_true(check_table_bytes(of->length) <= sizeof filled);
    check_table_fill(&filled.table, checksum, of);
    for (unsigned round = 0; round < 2000; round++) {
        for (unsigned i = 0; i < of->length; i++)
            data[i] = random_byte();
        if (round % 2 == 0)
            lt_checksum_apply(checksum, data, of->length, of->id, of->extended);
        if (round % 4 == 2)
            data[random_byte() % of->length] ^= (uint8_t)(1u << random_byte() % 8);
        bool right = lt_checksum_verify(checksum, data, of->length, of->id, of->extended);
        assert_int_equal(check_table_verify(&filled.table, data), right);
        assert_true(round % 4 != 0 || right);
    }
}

static void agrees_with_each_frame_by_itself(void **state)
{
    static const char *const texts[] = {
        "xor over 0..6 in 7",
        "xor over 0..6 in 7 complement ones",
        "xor over 1..7 in 0 start 90 with-id",
        "sum over 0..6 in 7",
        "sum over 0..6 in 7 complement ones",
        "sum over 0..6 in 7 complement twos start 17 with-id with-length",
        "sum over 0..7 in 3",
        "nibble-sum over 0..7 in 6.7..6.4",
        "nibble-sum over 0..6 in 7.3..7.0 complement twos start 5",
        "crc8-sae-j1850 over 0..6 in 7",
        "crc8 over 6..0 in 7 poly 0x2F init 0x12 reflect",
        "crc16 over 0..5 in 7.7..6.0 poly 0x1021",
        "e2e-p1 over 1..7 in 0 data-id 0x34,0x12 both",
        "e2e-p1 over 1..7 in 0 data-id 0x34,0x12 low",
        "e2e-p1 over 1..7 in 0 data-id 0x34,0x12 alternating",
        "e2e-p2 over 1..7 in 0 data-id 1,2,3,4,5,6,7,0x18,0x29,0x3A,0x4B,0x5C,0x6D,0x7E,0x8F,0x90",
        "crc8 over 0..6 in 7 poly 0x1D data-id 9,8,7 list before counter 2.7..2.4",
        "e2e-p5 over 2..7 in 1.7..0.0 data-id 0x34,0x12",
    };
    (void)state;
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        struct lt_checksum checksum = parsed(texts[i]);
        agrees(&checksum, &key);
    }
}

static void agrees_on_other_lengths(void **state)
{
    (void)state;
    struct lt_checksum crc = parsed("crc8-sae-j1850 over 0..2 in 3");
    struct lt_checksum sum = parsed("sum over 0..30 in 63");
    agrees(&crc, &(struct lt_stream_key){.id = 1, .length = 4});
    agrees(&sum, &(struct lt_stream_key){.id = 1, .fd = true, .length = 64});
}

static void what_hangs_on_more_than_single_bytes_has_none(void **state)
{
    static const char *const texts[] = {
        "j1939-tsc1 over 0..6 in 7.7..7.4",
        "j1939-xbr over 0..6 in 7.7..7.4",
        "xor over 0..6 in 7 complement twos",
        "e2e-p1 over 1..7 in 0 data-id 0x34,0x12 nibble",
        "crc8 over 0..6 in 7 poly 0x1D data-id 9,8,7 list counter 2.3..1.6",
    };
    (void)state;
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        struct lt_checksum checksum = parsed(texts[i]);
        assert_false(check_has_table(&checksum));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(agrees_with_each_frame_by_itself),
        cmocka_unit_test(agrees_on_other_lengths),
        cmocka_unit_test(what_hangs_on_more_than_single_bytes_has_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
