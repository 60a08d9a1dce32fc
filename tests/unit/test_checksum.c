/* Checks inside frames against published values, and against a slow twin.
 *
 * Published: the CRC RevEng catalogue (check values of "123456789"), AUTOSAR "Specification of CRC
 * Routines" R21-11 (vectors), AUTOSAR "PRS E2E Protocol" R20-11 (profiles 1, 2, 5; rows worked from
 * the document), SAE J1939-71 as publicly quoted (TSC1, XBR). The plain forms are common practice;
 * their sums can be added by hand. */
#include "unit.h"

#include "loomtap/core/checksum.h"

/* Bit by bit, as the Rocksoft model describes a CRC; shares nothing with the code under test. */
static uint32_t slow_crc(unsigned width, uint64_t poly, uint64_t init, uint64_t xorout,
                         bool reflect, const uint8_t *bytes, size_t count)
{
    uint64_t top = (uint64_t)1 << (width - 1), crc = init;
    for (size_t i = 0; i < count * 8; i++) {
        unsigned bit = reflect ? bytes[i / 8] >> (i % 8) & 1 : bytes[i / 8] >> (7 - i % 8) & 1;
        bool out = (crc & top) != 0;
        crc = crc << 1 & (2 * top - 1);
        if (out != (bit != 0))
            crc ^= poly;
    }
    if (reflect) {
        uint64_t mirrored = 0;
        for (unsigned i = 0; i < width; i++)
            mirrored |= (crc >> i & 1) << (width - 1 - i);
        crc = mirrored;
    }
    return (uint32_t)(crc ^ xorout);
}

static const struct {
    const char *name;
    uint8_t width;
    uint32_t poly, init;
    bool reflect;
    uint32_t xorout, check;
} published[] = {
    {"crc8-sae-j1850", 8, 0x1D, 0xFF, false, 0xFF, 0x4B},
    {"crc8-autosar", 8, 0x2F, 0xFF, false, 0xFF, 0xDF},
    {"crc8-hitag", 8, 0x1D, 0xFF, false, 0x00, 0xB4},
    {"crc8-gsm-a", 8, 0x1D, 0x00, false, 0x00, 0x37},
    {"crc8-opensafety", 8, 0x2F, 0x00, false, 0x00, 0x3E},
    {"crc8-smbus", 8, 0x07, 0x00, false, 0x00, 0xF4},
    {"crc8-maxim-dow", 8, 0x31, 0x00, true, 0x00, 0xA1},
    {"crc15-can", 15, 0x4599, 0, false, 0, 0x059E},
    {"crc17-can-fd", 17, 0x1685B, 0, false, 0, 0x04F03},
    {"crc21-can-fd", 21, 0x102899, 0, false, 0, 0x0ED841},
    {"crc16-ibm-3740", 16, 0x1021, 0xFFFF, false, 0x0000, 0x29B1},
    {"crc16-xmodem", 16, 0x1021, 0x0000, false, 0x0000, 0x31C3},
    {"crc16-kermit", 16, 0x1021, 0x0000, true, 0x0000, 0x2189},
    {"crc16-genibus", 16, 0x1021, 0xFFFF, false, 0xFFFF, 0xD64E},
    {"crc16-x25", 16, 0x1021, 0xFFFF, true, 0xFFFF, 0x906E},
    {"crc16-arc", 16, 0x8005, 0x0000, true, 0x0000, 0xBB3D},
    {"crc16-modbus", 16, 0x8005, 0xFFFF, true, 0x0000, 0x4B37},
    {"crc32-iso-hdlc", 32, 0x04C11DB7, 0xFFFFFFFF, true, 0xFFFFFFFF, 0xCBF43926},
    {"crc32-autosar", 32, 0xF4ACFB13, 0xFFFFFFFF, true, 0xFFFFFFFF, 0x1697D06A},
};

static const uint8_t digits[] = "123456789";

static void crc_reveng_catalogue_rows(void **state)
{
    size_t count;
    (void)state;
    lt_crc_table(&count);
    assert_int_equal(count, COUNT_OF(published));
    for (size_t i = 0; i < count; i++) {
        const struct lt_crc *crc = lt_crc_find(lt_text_of(published[i].name));
        assert_non_null(crc);
        assert_int_equal(crc->width, published[i].width);
        assert_int_equal(crc->poly, published[i].poly);
        assert_int_equal(crc->init, published[i].init);
        assert_int_equal(crc->reflect, published[i].reflect);
        assert_int_equal(crc->xorout, published[i].xorout);
        assert_int_equal(crc->check, published[i].check);
        assert_int_equal(lt_crc_compute(crc, digits, 9), published[i].check);
        assert_int_equal(
            slow_crc(crc->width, crc->poly, crc->init, crc->xorout, crc->reflect, digits, 9),
            published[i].check);
    }
}

static void other_names_find_the_same_row(void **state)
{
    (void)state;
    assert_string_equal(lt_crc_find(LT_TEXT("crc16-ccitt-false"))->name, "crc16-ibm-3740");
    assert_string_equal(lt_crc_find(LT_TEXT("crc16-x-25"))->name, "crc16-x25");
    assert_string_equal(lt_crc_find(LT_TEXT("crc16-ibm-sdlc"))->name, "crc16-x25");
    assert_string_equal(lt_crc_find(LT_TEXT("crc8-8h2f"))->name, "crc8-autosar");
    assert_null(lt_crc_find(LT_TEXT("crc8-sae")));
    assert_null(lt_crc_find(LT_TEXT("")));
}

/* AUTOSAR Specification of CRC Routines R21-11: data, then SAE J1850, 8H2F, CCITT-FALSE. */
static void autosar_crc_routines_r21_11_vectors(void **state)
{
    static const struct {
        uint8_t count, bytes[9];
        uint32_t j1850, h2f, ccitt;
    } rows[] = {
        {4, {0x00, 0x00, 0x00, 0x00}, 0x59, 0x12, 0x84C0},
        {3, {0xF2, 0x01, 0x83}, 0x37, 0xC2, 0xD374},
        {4, {0x0F, 0xAA, 0x00, 0x55}, 0x79, 0xC6, 0x2023},
        {4, {0x00, 0xFF, 0x55, 0x11}, 0xB8, 0x77, 0xB8F9},
        {9, {0x33, 0x22, 0x55, 0xAA, 0xBB, 0xCC, 0xDD, 0xEE, 0xFF}, 0xCB, 0x11, 0xF53F},
        {3, {0x92, 0x6B, 0x55}, 0x8C, 0x33, 0x0745},
        {4, {0xFF, 0xFF, 0xFF, 0xFF}, 0x74, 0x6C, 0x1D0F},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        const uint8_t *b = rows[i].bytes;
        size_t n = rows[i].count;
        assert_int_equal(lt_crc_compute(lt_crc_find(LT_TEXT("crc8-sae-j1850")), b, n),
                         rows[i].j1850);
        assert_int_equal(lt_crc_compute(lt_crc_find(LT_TEXT("crc8-autosar")), b, n), rows[i].h2f);
        assert_int_equal(lt_crc_compute(lt_crc_find(LT_TEXT("crc16-ibm-3740")), b, n),
                         rows[i].ccitt);
    }
}

/* xorshift64*: the same numbers in every run. */
static uint64_t next_random(uint64_t *seed)
{
    *seed ^= *seed >> 12;
    *seed ^= *seed << 25;
    *seed ^= *seed >> 27;
    return *seed * 2685821657736338717u;
}

static void crc_equals_its_slow_twin(void **state)
{
    static const uint8_t widths[] = {8, 8, 16, 16, 15, 17, 21, 32, 12, 4};
    uint64_t seed = 20240611;
    (void)state;
    for (unsigned i = 0; i < 20000; i++) {
        uint8_t bytes[64], width = widths[next_random(&seed) % sizeof widths];
        uint32_t mask = width == 32 ? 0xFFFFFFFF : (1u << width) - 1;
        struct lt_crc crc = {"random",
                             width,
                             (uint32_t)next_random(&seed) & mask,
                             (uint32_t)next_random(&seed) & mask,
                             (uint32_t)next_random(&seed) & mask,
                             next_random(&seed) >> 63,
                             0};
        static const uint32_t tabled[] = {0x1D, 0x2F, 0x1021, 0x07, 0x8005};
        if (i % 2)
            crc.poly = tabled[next_random(&seed) % 5] & mask;
        size_t count = next_random(&seed) % 65;
        for (size_t k = 0; k < count; k++)
            bytes[k] = (uint8_t)(next_random(&seed) >> 32);
        uint32_t slow = slow_crc(width, crc.poly, crc.init, crc.xorout, crc.reflect, bytes, count);
        assert_int_equal(lt_crc_compute(&crc, bytes, count), slow);
        /* The comparison can fail: a CRC notices any single wrong bit (its polynomial ends in 1).
         */
        if (count > 0 && (crc.poly & 1)) {
            bytes[count / 2] ^= (uint8_t)(1u << i % 8);
            assert_int_not_equal(lt_crc_compute(&crc, bytes, count), slow);
        }
    }
}

static struct lt_checksum parsed(const char *text)
{
    struct lt_checksum checksum;
    struct lt_error error;
    if (lt_checksum_parse(lt_text_of(text), &checksum, &error) != LT_OK)
        fail_msg("%s: %s", text, error.text);
    return checksum;
}

/* Puts the check in, compares the bytes with the published ones; then verify agrees with them and
 * with no frame that differs in one bit of what is covered. */
static void expect_frame(const char *text, const uint8_t *published_frame, uint8_t length,
                         uint32_t id, bool extended)
{
    struct lt_checksum checksum = parsed(text);
    struct lt_error error;
    uint8_t data[64];
    if (lt_checksum_check(&checksum, length, &error) != LT_OK)
        fail_msg("%s: %s", text, error.text);
    assert_true(lt_checksum_bytes(&checksum) <= length);
    memcpy(data, published_frame, length);
    lt_bits_put(data, &checksum.place, 0);
    lt_checksum_apply(&checksum, data, length, id, extended);
    assert_memory_equal(data, published_frame, length);
    assert_true(lt_checksum_verify(&checksum, data, length, id, extended));
    for (unsigned n = 0; n < checksum.width; n++) {
        unsigned at = lt_span_position(checksum.place.part[0], n);
        data[at / 8] ^= (uint8_t)(1u << at % 8);
        assert_false(lt_checksum_verify(&checksum, data, length, id, extended));
        data[at / 8] ^= (uint8_t)(1u << at % 8);
    }
}

/* AUTOSAR PRS E2E Protocol R20-11, profile 1: id 0x123, 8 bytes, all other data 00. */
static void autosar_e2e_profile_1_in_its_four_modes(void **state)
{
    static const struct {
        const char *text;
        uint8_t first[2], second[2];
    } rows[] = {
        {"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both", {0xCC, 0x00}, {0x91, 0x01}},
        {"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating", {0xCE, 0x00}, {0x02, 0x01}},
        {"e2e-p1 over 1..7 in 0 data-id 0x23 low", {0xCE, 0x00}, {0x93, 0x01}},
        {"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 nibble", {0x2A, 0x10}, {0x77, 0x11}},
        {"e2e-p1 over 1..7 in 0 data-id 0x23 nibble", {0x2A, 0x10}, {0x77, 0x11}},
        /* The check's byte is left out, wherever the range covers it. */
        {"e2e-p1 over 0..7 in 0 data-id 0x23,0x01 both", {0xCC, 0x00}, {0x91, 0x01}},
        {"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating counter 1.3..1.0",
         {0xCE, 0x00},
         {0x02, 0x01}},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        uint8_t first[8] = {rows[i].first[0], rows[i].first[1]};
        uint8_t second[8] = {rows[i].second[0], rows[i].second[1]};
        expect_frame(rows[i].text, first, 8, 0x100, false);
        expect_frame(rows[i].text, second, 8, 0x100, false);
    }
}

/* Profile 1C: the receiver compares the nibble, and the sender sets it. */
static void autosar_e2e_profile_1_carries_the_nibble(void **state)
{
    struct lt_checksum check = parsed("e2e-p1 over 1..7 in 0 data-id 0x23,0x01 nibble");
    uint8_t data[8] = {0x2A, 0x10}, other[8] = {0, 0xF0};
    (void)state;
    data[1] = 0x20; /* another id's nibble, with the check that goes with it */
    data[0] = (uint8_t)lt_checksum_compute(&check, data, 8, 0, false);
    assert_false(lt_checksum_verify(&check, data, 8, 0, false));
    lt_checksum_apply(&check, other, 8, 0, false);
    assert_int_equal(other[0], 0x2A);
    assert_int_equal(other[1], 0x10);
}

/* The trap: with the plain SAE J1850 start and XOR (FF) the first row would be B0. */
static void autosar_e2e_profile_1_is_not_plain_sae_j1850(void **state)
{
    struct lt_checksum plain =
        parsed("crc8-sae-j1850 over 1..7 in 0 data-id 0x23,0x01 both before");
    struct lt_checksum profile = parsed("e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both");
    uint8_t data[8] = {0};
    (void)state;
    assert_int_equal(lt_checksum_compute(&plain, data, 8, 0, false), 0xB0);
    assert_int_equal(lt_checksum_compute(&profile, data, 8, 0, false), 0xCC);
}

/* AUTOSAR PRS E2E Protocol R20-11, profile 2: id list 01 02 .. 10, 8 bytes. */
static void autosar_e2e_profile_2_picks_the_id_by_the_counter(void **state)
{
    static const char text[] = "e2e-p2 over 1..7 in 0 data-id 0x01,0x02,0x03,0x04,0x05,0x06,0x07,"
                               "0x08,0x09,0x0A,0x0B,0x0C,0x0D,0x0E,0x0F,0x10 list";
    static const uint8_t rows[][8] = {{0x0E, 0x00}, {0x1B, 0x01}, {0x98, 0x02}};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        expect_frame(text, rows[i], 8, 0x100, false);
}

/* AUTOSAR PRS E2E Protocol R20-11, profile 5: id 0x1234; offset 0 in 8 bytes, 8 in 16 bytes. */
static void autosar_e2e_profile_5_low_byte_first(void **state)
{
    static const uint8_t rows[][8] = {{0x1C, 0xCA, 0x00}, {0xCF, 0x8D, 0x01}};
    static const uint8_t late[][16] = {{[8] = 0x28, 0x91, 0x00}, {[8] = 0xFB, 0xD6, 0x01}};
    (void)state;
    for (size_t i = 0; i < 2; i++) {
        expect_frame("e2e-p5 over 2..7 in 1.7..0.0 data-id 0x34,0x12", rows[i], 8, 0x100, false);
        expect_frame("e2e-p5 over 0..7,10..15 in 9.7..8.0 data-id 0x34,0x12 both after", late[i],
                     16, 0x100, false);
        expect_frame("e2e-p5 over 0..15 in 9.7..8.0 data-id 0x34,0x12", late[i], 16, 0x100, false);
    }
}

/* SAE J1939-71 as publicly quoted; id 0C000011, bytes 1..7 01 E0 2E 7D FF FF FF: S = 0x4A6 with
 * counter 0, and byte 8 is 40, 51, 72, 03 and (counter 7) 47. */
static void sae_j1939_tsc1_example(void **state)
{
    static const uint8_t eighth[] = {0x40, 0x51, 0x72, 0x03, 0x47};
    uint8_t frame[8] = {0x01, 0xE0, 0x2E, 0x7D, 0xFF, 0xFF, 0xFF};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(eighth); i++) {
        frame[7] = eighth[i];
        expect_frame("j1939-tsc1 over 0..6 in 7.7..7.4", frame, 8, 0x0C000011, true);
        expect_frame("j1939-tsc1 over 0..7 in 7.7..7.4", frame, 8, 0x0C000011, true);
        expect_frame("j1939-tsc1 over 0..6 in 7.7..7.4 counter 7.3..7.0", frame, 8, 0x0C000011,
                     true);
    }
    struct lt_checksum checksum = parsed("j1939-tsc1 over 0..6 in 7.7..7.4");
    assert_false(lt_checksum_verify(&checksum, frame, 8, 0x0C000012, true));
}

/* SAE J1939-71 as publicly quoted: ((S >> 4) + S) & 15. By hand for the bytes above: counter 0,
 * S = 0x4A6: 0x4A + 0x4A6 = 0x4F0, so 0; counter 10, S = 0x4B0: 0x4B + 0x4B0 = 0x4FB, so B. */
static void sae_j1939_xbr_formula(void **state)
{
    uint8_t frame[8] = {0x01, 0xE0, 0x2E, 0x7D, 0xFF, 0xFF, 0xFF, 0x00};
    (void)state;
    expect_frame("j1939-xbr over 0..6 in 7.7..7.4", frame, 8, 0x0C000011, true);
    frame[7] = 0xBA;
    expect_frame("j1939-xbr over 0..6 in 7.7..7.4", frame, 8, 0x0C000011, true);
}

/* Common practice; bytes 11 22 33 44 55 66 77 add to 0x1DC. */
static void plain_forms_of_common_practice(void **state)
{
    static const struct {
        const char *text;
        uint8_t last;
    } rows[] = {
        {"xor over 0..6 in 7", 0x00},
        {"sum over 0..6 in 7", 0xDC},
        {"sum over 0..6 in 7 complement twos", 0x24},
        {"sum over 0..6 in 7 complement ones", 0x23},
        {"sum over 0..6 in 7 with-id", 0x00},
        {"sum over 0..6 in 7 with-id with-length", 0x08},
        {"nibble-sum over 0..6 in 7.3..7.0", 0x08},
        {"nibble-sum over 0..6 in 7.7..7.4", 0x80},
        {"nibble-sum over 0..6 in 7.3..7.0 complement twos", 0x08},
        {"nibble-sum over 0..6 in 7.3..7.0 complement ones", 0x07},
        {"nibble-sum over 0..6 in 7.3..7.0 start 0x9", 0x01},
        {"xor over 0..6 in 7 start 0x5A", 0x5A},
        {"xor over 0..6 in 7 complement ones", 0xFF},
        {"sum over 0..6 in 7 start 0x24", 0x00},
        /* The check's own bits count as 0 where a range covers them. */
        {"sum over 0..7 in 7", 0xDC},
        {"xor over 0..7 in 7 with-length", 0x08},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        uint8_t frame[8] = {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, rows[i].last};
        expect_frame(rows[i].text, frame, 8, 0x123, false);
    }
}

static void twos_complement_makes_all_bytes_add_to_zero(void **state)
{
    struct lt_checksum checksum = parsed("sum over 0..6 in 7 complement twos");
    uint8_t data[8] = {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77}, sum = 0;
    (void)state;
    lt_checksum_apply(&checksum, data, 8, 0x123, false);
    for (size_t i = 0; i < 8; i++)
        sum = (uint8_t)(sum + data[i]);
    assert_int_equal(sum, 0);
}

/* A 29-bit identifier enters with four bytes, though its number would fit in two. */
static void identifier_bytes_by_kind_of_frame(void **state)
{
    struct lt_checksum checksum = parsed("crc8-sae-j1850 over 0..1 in 2 with-id");
    uint8_t data[3] = {0xAB, 0xCD, 0};
    static const uint8_t standard[] = {0xAB, 0xCD, 0x01, 0x23};
    static const uint8_t extended[] = {0xAB, 0xCD, 0x00, 0x00, 0x01, 0x23};
    (void)state;
    assert_int_equal(lt_checksum_compute(&checksum, data, 3, 0x123, false),
                     slow_crc(8, 0x1D, 0xFF, 0xFF, false, standard, 4));
    assert_int_equal(lt_checksum_compute(&checksum, data, 3, 0x123, true),
                     slow_crc(8, 0x1D, 0xFF, 0xFF, false, extended, 6));
}

/* A CRC depends on the order, so it shows in which order the bytes enter. */
static void bytes_enter_in_the_documented_order(void **state)
{
    static const struct {
        const char *text;
        uint8_t count, bytes[16];
    } rows[] = {
        {"crc16-xmodem over 0..3 in 7.7..6.0", 4, {0xA0, 0xA1, 0xA2, 0xA3}},
        {"crc16-xmodem over 3..0 in 7.7..6.0", 4, {0xA3, 0xA2, 0xA1, 0xA0}},
        {"crc16-xmodem over 4,0..2 in 6.7..7.0", 4, {0xA4, 0xA0, 0xA1, 0xA2}},
        {"crc16-xmodem over 7..4 in 7.7..6.0", 4, {0x00, 0x00, 0xA5, 0xA4}},
        {"crc16-xmodem over 0..1 in 7.7..6.0 with-length with-id data-id 0xE1,0xE2",
         7,
         {0xA0, 0xA1, 0x03, 0x21, 0x08, 0xE1, 0xE2}},
        {"crc16-xmodem over 0..1 in 7.7..6.0 data-id 0xE1,0xE2 both before with-length",
         5,
         {0xE1, 0xE2, 0xA0, 0xA1, 0x08}},
        {"crc16-xmodem over 0..1 in 7.7..6.0 data-id 0xE1,0xE2 low", 3, {0xA0, 0xA1, 0xE1}},
        {"crc16-xmodem over 0..1 in 7.7..6.0 data-id 0xE1,0xE2 alternating counter 1.3..1.0",
         3,
         {0xA0, 0xA1, 0xE2}},
        {"crc16-xmodem over 0..1 in 7.7..6.0 data-id 0xE1,0xE2 alternating before counter 0.0",
         3,
         {0xE1, 0xA0, 0xA1}},
        {"crc16-xmodem over 0..1 in 7.7..6.0 data-id 0xE1,0xE2,0xE3,0xE4 list counter 2.1..2.0",
         3,
         {0xA0, 0xA1, 0xE3}},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_checksum checksum = parsed(rows[i].text);
        uint8_t data[8] = {0xA0, 0xA1, 0xA2, 0xA3, 0xA4, 0xA5, 0xFF, 0xFF};
        assert_int_equal(lt_checksum_check(&checksum, 8, NULL), LT_OK);
        assert_int_equal(lt_checksum_compute(&checksum, data, 8, 0x321, false),
                         slow_crc(16, 0x1021, 0, 0, false, rows[i].bytes, rows[i].count));
    }
}

static void generic_crc_takes_its_parameters(void **state)
{
    uint8_t data[8] = {0xF2, 0x01, 0x83, 0, 0, 0, 0, 0};
    struct lt_checksum j1850 = parsed("crc8 over 0..2 in 7 poly 0x1D init 0xFF xorout 0xFF");
    struct lt_checksum ccitt = parsed("crc16 over 0..2 in 6.7..7.0 poly 0x1021 init 0xFFFF");
    struct lt_checksum mirrored = parsed("crc8 over 0..2 in 7 poly 0x31 init 0x0F reflect");
    (void)state;
    /* AUTOSAR CRC Routines R21-11: F2 01 83. */
    assert_int_equal(lt_checksum_compute(&j1850, data, 8, 0, false), 0x37);
    assert_int_equal(lt_checksum_compute(&ccitt, data, 8, 0, false), 0xD374);
    assert_int_equal(lt_checksum_compute(&mirrored, data, 8, 0, false),
                     slow_crc(8, 0x31, 0x0F, 0, true, data, 3));
}

static void sixteen_bits_are_stored_in_either_order(void **state)
{
    struct lt_checksum low_first = parsed("crc16-ibm-3740 over 0..2 in 4.7..3.0");
    struct lt_checksum high_first = parsed("crc16-ibm-3740 over 0..2 in 3.7..4.0");
    uint8_t data[5] = {0xF2, 0x01, 0x83};
    (void)state;
    lt_checksum_apply(&low_first, data, 5, 0, false);
    assert_int_equal(data[3], 0x74);
    assert_int_equal(data[4], 0xD3);
    assert_false(lt_checksum_verify(&high_first, data, 5, 0, false));
    lt_checksum_apply(&high_first, data, 5, 0, false);
    assert_int_equal(data[3], 0xD3);
    assert_int_equal(data[4], 0x74);
}

static void storing_leaves_other_bits_alone(void **state)
{
    struct lt_checksum checksum = parsed("nibble-sum over 0..1 in 2.5..2.2");
    uint8_t data[3] = {0x11, 0x21, 0xC3};
    (void)state;
    lt_checksum_apply(&checksum, data, 3, 0, false);
    assert_int_equal(data[2], 0xC3 | 5 << 2);
}

/* Any CRC over a fixed length is affine, so its columns can be found from single bits; the affine
 * form must then agree with the published CRC on other data. */
static void affine_form_of_a_known_crc_agrees_with_it(void **state)
{
    struct lt_checksum crc = parsed("crc8-autosar over 0..6 in 7");
    struct lt_checksum affine = parsed("affine over 0..7 in 7");
    struct lt_affine numbers = {0};
    uint8_t data[8] = {0};
    (void)state;
    numbers.constant = lt_checksum_compute(&crc, data, 8, 0, false);
    for (unsigned byte = 0; byte < 7; byte++) {
        for (unsigned n = 0; n < 8; n++) {
            data[byte] = (uint8_t)(0x80u >> n);
            numbers.column[byte][n] =
                numbers.constant ^ lt_checksum_compute(&crc, data, 8, 0, false);
            data[byte] = 0;
        }
    }
    affine.affine = &numbers;
    assert_int_equal(lt_checksum_check(&affine, 8, NULL), LT_OK);
    uint64_t seed = 7;
    for (unsigned i = 0; i < 200; i++) {
        uint64_t bits = next_random(&seed);
        memcpy(data, &bits, 8);
        assert_int_equal(lt_checksum_compute(&affine, data, 8, 0, false),
                         lt_checksum_compute(&crc, data, 8, 0, false));
    }
}

static void affine_by_hand(void **state)
{
    struct lt_checksum affine = parsed("affine over 0..1 in 2.2..2.0");
    struct lt_affine numbers = {.constant = 5, .column = {{1, 2, 4, 0, 0, 0, 0, 7}, {3}}};
    uint8_t data[3] = {0xA1, 0x80, 0};
    (void)state;
    affine.affine = &numbers;
    assert_int_equal(affine.width, 3);
    assert_int_equal(lt_checksum_check(&affine, 3, NULL), LT_OK);
    /* 5 ^ 1 (0.7) ^ 4 (0.5) ^ 7 (0.0) ^ 3 (1.7) */
    assert_int_equal(lt_checksum_compute(&affine, data, 3, 0, false), 4);
}

static void bytes_needed(void **state)
{
    struct lt_checksum checksum = parsed("sum over 0..2 in 3");
    (void)state;
    assert_int_equal(lt_checksum_bytes(&checksum), 4);
    checksum = parsed("sum over 6..0 in 1");
    assert_int_equal(lt_checksum_bytes(&checksum), 7);
    checksum = parsed("xor over 0 in 1 data-id 1,2 alternating counter 5.3..5.0");
    assert_int_equal(lt_checksum_bytes(&checksum), 6);
    checksum = parsed("e2e-p1 over 2..3 in 0 data-id 1,2 both");
    assert_int_equal(lt_checksum_bytes(&checksum), 4);
    checksum = parsed("e2e-p1 over 0 in 0 data-id 1,2 alternating");
    assert_int_equal(lt_checksum_bytes(&checksum), 2);
}

#define LIST_16 "1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16"

static void what_is_right_passes(void **state)
{
    static const char *const texts[] = {
        "sum over 0..6 in 7",
        "sum over 0..7 in 7",
        "sum over 7..0 in 0",
        "xor over 0..1,3..7 in 2",
        "crc16-xmodem over 0..5 in 6.7..7.0",
        "crc16-xmodem over 0..5 in 7.7..6.0",
        "crc8-smbus over 0..4 in 5.3..6.4",
        "nibble-sum over 0..7 in 7.3..7.0",
        "crc8-smbus over 0..6 in 7 data-id 1,2,3,4,5",
        ("crc8-smbus over 0..6 in 7 data-id " LIST_16 " list counter 6.3..6.0"),
        ("crc8-smbus over 0..6 in 7 data-id " LIST_16 " list counter 6"),
        "crc8-smbus over 0..6 in 7 data-id 1,2,3,4 list counter 6.1..6.0",
        "e2e-p1 over 1..7 in 0 data-id 1 low counter 2.3..2.0",
        ("e2e-p2 over 1..7 in 0 data-id " LIST_16),
        "e2e-p5 over 2..7 in 0.7..1.0 data-id 1,2",
        "j1939-xbr over 0..6 in 7.3..7.0 counter 7.7..7.4",
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        struct lt_checksum checksum = parsed(texts[i]);
        struct lt_error error;
        if (lt_checksum_check(&checksum, 8, &error) != LT_OK)
            fail_msg("%s: %s", texts[i], error.text);
    }
}

static void what_is_wrong_for_the_frame(void **state)
{
    static const struct {
        const char *text;
        enum lt_code code;
        const char *part; /* of the message */
    } rows[] = {
        {"sum over 0..8 in 7", LT_E_RANGE, "covers byte 8, but the frame has 8 bytes"},
        {"sum over 8..0 in 7", LT_E_RANGE, "covers byte 8"},
        {"sum over 0..6 in 8", LT_E_RANGE, "lies in byte 8"},
        {"crc16-xmodem over 0..6 in 8.7..7.0", LT_E_RANGE, "lies in byte 8"},
        {"sum over 0..4,4..6 in 7", LT_E_DUPLICATE, "byte 4 twice"},
        {"sum over 6..3,0..3 in 7", LT_E_DUPLICATE, "byte 3 twice"},
        {"sum over 7 in 7", LT_E_MISSING, "nothing but its own place"},
        {"j1939-xbr over 7 in 7.7..7.4", LT_E_MISSING, "nothing but its own place"},
        {"sum over 0..6 in 7.3..7.0", LT_E_CONFLICT, "sum has 8 bits, but its place has 4"},
        {"crc16-xmodem over 0..6 in 7", LT_E_CONFLICT, "16 bits, but its place has 8"},
        {"nibble-sum over 0..6 in 7", LT_E_CONFLICT, "4 bits, but its place has 8"},
        {"j1939-tsc1 over 0..6 in 7", LT_E_CONFLICT, "4 bits, but its place has 8"},
        {"e2e-p1 over 2..7 in 0.3..1.4 data-id 1,2", LT_E_CONFLICT, "across bytes"},
        {"j1939-tsc1 over 0..5 in 6.1..7.6", LT_E_CONFLICT, "across bytes"},
        {"e2e-p1 over 1..7 in 0", LT_E_MISSING, "e2e-p1 has no data id"},
        {"e2e-p2 over 1..7 in 0", LT_E_MISSING, "e2e-p2 has no data id"},
        {"e2e-p5 over 2..7 in 1.7..0.0", LT_E_MISSING, "e2e-p5 has no data id"},
        {"e2e-p1 over 1..7 in 0 data-id 1 both", LT_E_CONFLICT, "2 bytes, not 1"},
        {"e2e-p1 over 1..7 in 0 data-id 1,2,3 both", LT_E_CONFLICT, "2 bytes, not 3"},
        {"e2e-p1 over 1..7 in 0 data-id 1 alternating", LT_E_CONFLICT, "2 bytes, not 1"},
        {"e2e-p1 over 1..7 in 0 data-id 1,2,3 low", LT_E_CONFLICT, "1 or 2 bytes, not 3"},
        {"e2e-p1 over 1..7 in 0 data-id 1,2,3 nibble", LT_E_CONFLICT, "1 or 2 bytes, not 3"},
        {"e2e-p1 over 1..7 in 0 data-id " LIST_16 " list", LT_E_CONFLICT, "this mode"},
        {"e2e-p2 over 1..7 in 0 data-id 1,2 both", LT_E_CONFLICT, "this mode"},
        {"e2e-p2 over 1..7 in 0 data-id 1,2,3 list", LT_E_CONFLICT, "16 data ids, not 3"},
        {"e2e-p5 over 2..7 in 1.7..0.0 data-id 1,2 low", LT_E_CONFLICT, "this mode"},
        {"e2e-p5 over 2..7 in 1.7..0.0 data-id 1", LT_E_CONFLICT, "2 bytes, not 1"},
        {"crc8-smbus over 0..6 in 7 data-id 1,2 nibble", LT_E_CONFLICT, "this mode"},
        {"sum over 0..6 in 7 data-id 1,2,3 list counter 6.3..6.0", LT_E_CONFLICT, "16 data ids"},
        {"sum over 0..6 in 7 data-id 1,2,3,4 list counter 6.3..6.0", LT_E_CONFLICT, "16 data ids"},
        {"sum over 0..6 in 7 data-id 1,2 alternating", LT_E_MISSING, "no counter is named"},
        {"sum over 0..6 in 7 data-id " LIST_16 " list", LT_E_MISSING, "no counter is named"},
        {"sum over 0..6 in 7 data-id 1,2 alternating counter 8.3..8.0", LT_E_RANGE,
         "counter lies in byte 8"},
        {"sum over 0..6 in 7 data-id 1,2 alternating counter 7.3..7.0", LT_E_CONFLICT,
         "share bits"},
        {"e2e-p1 over 0,2..7 in 1 data-id 1,2 alternating", LT_E_CONFLICT, "share bits"},
        {"j1939-tsc1 over 0..6 in 7.3..7.0", LT_E_CONFLICT, "share bits"},
        {"j1939-tsc1 over 0..6 in 7.7..7.4 counter 6.3..6.0", LT_E_CONFLICT, "twice"},
        {"affine over 0..6 in 7", LT_E_MISSING, "no numbers"},
        {"affine over 0..4 in 5.7..7.0", LT_E_RANGE, "1 to 16 bits"},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_checksum checksum = parsed(rows[i].text);
        struct lt_error error = {0};
        enum lt_code code = lt_checksum_check(&checksum, 8, &error);
        if (code != rows[i].code || !strstr(error.text, rows[i].part))
            fail_msg("%s: code %d, `%s`", rows[i].text, code, error.text);
        assert_int_equal(error.code, code);
        assert_int_equal(lt_checksum_check(&checksum, 8, NULL), code);
    }
}

static void affine_numbers_that_do_not_fit(void **state)
{
    struct lt_checksum affine = parsed("affine over 0..1 in 2.3..2.0");
    struct lt_affine constant = {.constant = 16}, column = {.column = {{[7] = 16}}},
                     outside = {.column = {[4] = {1}}};
    struct lt_error error;
    (void)state;
    affine.affine = &constant;
    assert_int_equal(lt_checksum_check(&affine, 8, &error), LT_E_RANGE);
    assert_non_null(strstr(error.text, "constant 0x10"));
    affine.affine = &column;
    assert_int_equal(lt_checksum_check(&affine, 8, &error), LT_E_RANGE);
    assert_non_null(strstr(error.text, "0.0"));
    /* A table of all the frame's bytes is fine: those that `over` does not name are not looked at.
     */
    affine.affine = &outside;
    assert_int_equal(lt_checksum_check(&affine, 8, &error), LT_OK);
    uint8_t data[8] = {[4] = 0xFF};
    assert_int_equal(lt_checksum_compute(&affine, data, 8, 0, false), 0);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(crc_reveng_catalogue_rows),
        cmocka_unit_test(other_names_find_the_same_row),
        cmocka_unit_test(autosar_crc_routines_r21_11_vectors),
        cmocka_unit_test(crc_equals_its_slow_twin),
        cmocka_unit_test(autosar_e2e_profile_1_in_its_four_modes),
        cmocka_unit_test(autosar_e2e_profile_1_carries_the_nibble),
        cmocka_unit_test(autosar_e2e_profile_1_is_not_plain_sae_j1850),
        cmocka_unit_test(autosar_e2e_profile_2_picks_the_id_by_the_counter),
        cmocka_unit_test(autosar_e2e_profile_5_low_byte_first),
        cmocka_unit_test(sae_j1939_tsc1_example),
        cmocka_unit_test(sae_j1939_xbr_formula),
        cmocka_unit_test(plain_forms_of_common_practice),
        cmocka_unit_test(twos_complement_makes_all_bytes_add_to_zero),
        cmocka_unit_test(identifier_bytes_by_kind_of_frame),
        cmocka_unit_test(bytes_enter_in_the_documented_order),
        cmocka_unit_test(generic_crc_takes_its_parameters),
        cmocka_unit_test(sixteen_bits_are_stored_in_either_order),
        cmocka_unit_test(storing_leaves_other_bits_alone),
        cmocka_unit_test(affine_form_of_a_known_crc_agrees_with_it),
        cmocka_unit_test(affine_by_hand),
        cmocka_unit_test(bytes_needed),
        cmocka_unit_test(what_is_right_passes),
        cmocka_unit_test(what_is_wrong_for_the_frame),
        cmocka_unit_test(affine_numbers_that_do_not_fit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
