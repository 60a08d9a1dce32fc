/* Every family and option of core/checksum.h, put into frames of 4 to 64 bytes whose fields lie and
 * move at random, found again from the frames alone: what is found must give frames to come. Random
 * layouts without a check must give none.
 *
 * Published: the rows of AUTOSAR "PRS E2E Protocol" R20-11 (profiles 1, 2, 5; worked from the
 * document), SAE J1939-71 as publicly quoted (TSC1), the parameters of two public questions about
 * unknown checks of 8 bits (polynomial 0x1D with one hidden byte, 0x2F with one hidden byte). */
#include "check_frames.h"

static const struct row {
    const char *check;
    unsigned length;
    const char *counter;
    unsigned modulus;
    bool extended;
} rows[] = {
    {"xor over 0..6 in 7", 8, "6.3..6.0", 16, false},
    {"xor over 0..6 in 7 start 0x5A", 8, "6.3..6.0", 16, false},
    {"xor over 1..7 in 0", 8, "1.3..1.0", 16, false},
    {"xor over 0..6 in 7 with-id", 8, "6.3..6.0", 16, false},
    {"xor over 0..6 in 7 complement ones", 8, "6.3..6.0", 16, false},
    {"xor over 0..6 in 7 data-id 0x31,0x77 alternating counter 6.3..6.0", 8, "6.3..6.0", 16, false},
    {"sum over 0..6 in 7", 8, "6.3..6.0", 16, false},
    {"sum over 0..6 in 7 complement twos", 8, "6.3..6.0", 16, false},
    {"sum over 0..6 in 7 complement ones", 8, "6.3..6.0", 16, false},
    {"sum over 0..6 in 7 with-id", 8, "6.3..6.0", 16, false},
    {"sum over 0..6 in 7 with-id with-length", 8, "6.3..6.0", 16, false},
    {"sum over 0..6 in 7 complement twos with-id with-length", 8, "6.3..6.0", 16, true},
    {"sum over 0..6 in 7 start 0x44", 8, "6.3..6.0", 16, false},
    {"sum over 0..3 in 4 complement ones", 5, "3.3..3.0", 16, false},
    {"sum over 1..3,5..6 in 7", 8, "6.3..6.0", 16, false},
    {"sum over 0..6 in 7 data-id 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,99 list counter 6.3..6.0", 8,
     "6.3..6.0", 16, false},
    {"nibble-sum over 0..7 in 7.7..7.4", 8, "7.3..7.0", 16, false},
    {"nibble-sum over 0..6 in 7.3..7.0", 8, "6.3..6.0", 16, false},
    {"nibble-sum over 0..7 in 7.7..7.4 complement twos with-id", 8, "7.3..7.0", 16, false},
    {"nibble-sum over 0..3 in 3.3..3.0 start 3", 4, "3.7..3.4", 16, false},
    {"crc8-sae-j1850 over 0..6 in 7", 8, "6.3..6.0", 16, false},
    {"crc8-sae-j1850 over 1..7 in 0", 8, "1.3..1.0", 16, false},
    {"crc8-sae-j1850 over 0..6 in 7 data-id 0x3C after", 8, "6.3..6.0", 16, false},
    {"crc8-sae-j1850 over 0..6 in 7 data-id 0x3C before", 8, "6.3..6.0", 16, false},
    {"crc8-sae-j1850 over 0..6 in 7 data-id 0x3C,0x11 after", 8, "6.3..6.0", 16, false},
    {"crc8-autosar over 0..6 in 7", 8, "6.3..6.0", 16, false},
    {"crc8-autosar over 0..10 in 11 with-id", 12, "10.3..10.0", 16, false},
    {"crc8-maxim-dow over 0..6 in 7", 8, "6.3..6.0", 16, false},
    {"crc8-smbus over 0..6 in 7 with-length", 8, "6.3..6.0", 16, false},
    {"crc8-smbus over 0..6 in 7 with-id", 8, "6.3..6.0", 16, true},
    {"crc8 over 0..6 in 7 poly 0x9B init 0x12 xorout 0x34", 8, "6.3..6.0", 16, false},
    {"crc8 over 6..0 in 7 poly 0x1D init 0xFF", 8, "6.3..6.0", 16, false},
    {"crc8 over 0..6 in 7 poly 0xB7 init 0xFF reflect", 8, "6.3..6.0", 16, false},
    {"crc8-gsm-a over 0..3,5..7 in 4", 8, "6.3..6.0", 16, false},
    {"crc8-gsm-a over 0..7 in 4", 8, "6.3..6.0", 16, false},
    {"crc8-gsm-a over 0..3 in 4", 5, "3.3..3.0", 16, false},
    {"crc8-sae-j1850 over 0..6 in 7 data-id 0x3C,0x99 alternating after counter 6.3..6.0", 8,
     "6.3..6.0", 16, false},
    {"crc8-sae-j1850 over 0..6 in 7 data-id 7,2,3,4,5,6,7,8,9,10,11,12,13,14,15,99 list counter "
     "6.3..6.0",
     8, "6.3..6.0", 16, false},
    {"crc8-sae-j1850 over 0..6 in 7 data-id 7,2,3,4,5,6,7,8,9,10,11,12,13,14,15,99 list before "
     "counter 6.3..6.0",
     8, "6.3..6.0", 16, false},
    {"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both", 8, "1.3..1.0", 15, false},
    {"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 low", 8, "1.3..1.0", 15, false},
    {"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating", 8, "1.3..1.0", 15, false},
    {"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 nibble", 8, "1.3..1.0", 15, false},
    {"e2e-p2 over 1..7 in 0 data-id 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16", 8, "1.3..1.0", 16,
     false},
    {"e2e-p2 over 1..31 in 0 data-id 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16", 32, "1.3..1.0", 16,
     false},
    {"e2e-p5 over 0..7 in 1.7..0.0 data-id 0x34,0x12", 8, "2.7..2.0", 256, false},
    {"e2e-p5 over 0..15 in 9.7..8.0 data-id 0x34,0x12", 16, "10.7..10.0", 256, false},
    {"e2e-p5 over 0..63 in 1.7..0.0 data-id 0x34,0x12", 64, "2.7..2.0", 256, false},
    {"crc16-ibm-3740 over 0..5 in 6.7..7.0", 8, "5.3..5.0", 16, false},
    {"crc16-ibm-3740 over 0..5 in 7.7..6.0", 8, "5.3..5.0", 16, false},
    {"crc16-x25 over 0..29 in 31.7..30.0", 32, "5.3..5.0", 16, false},
    {"crc16-modbus over 0..5 in 7.7..6.0", 8, "5.3..5.0", 16, false},
    {"crc16 over 0..5 in 7.7..6.0 poly 0x3D65 init 0x1234 xorout 0x4321", 8, "5.3..5.0", 16, false},
    {"crc16 over 0..5 in 7.7..6.0 poly 0x7A35 init 0x1234 xorout 0x4321 reflect", 8, "5.3..5.0", 16,
     false},
    {"crc16-xmodem over 0..5 in 6.7..7.0 with-id", 8, "5.3..5.0", 16, false},
    {"crc16-xmodem over 0..5 in 6.7..7.0 data-id 0x45 after", 8, "5.3..5.0", 16, false},
    {"j1939-tsc1 over 0..6 in 7.7..7.4", 8, "7.3..7.0", 8, true},
    {"j1939-xbr over 0..6 in 7.7..7.4", 8, "7.3..7.0", 16, true},
    {"crc8-sae-j1850 over 0..7 in 7", 8, "6.3..6.0", 16, false},
    {"crc8-sae-j1850 over 1..6 in 7", 8, "6.3..6.0", 16, false},
    {"crc8-sae-j1850 over 0..2,4..6 in 7", 8, "6.3..6.0", 16, false},
};

/* Numbers of one and two bytes in both orders, unaligned ones, flags, bytes at rest. */
static void add_fields(struct made *made, bool slow)
{
    char text[40];
    unsigned length = made->key.length;
    for (unsigned b = 0; b < length && made->field_count < 21; b++) {
        unsigned kind = slow ? 2 + made_random(made) % 4 : made_random(made) % 6;
        if (kind < 2 && b + 1 < length) {
            snprintf(text, sizeof text, "%u.7..%u.0", b + kind, b + 1 - kind);
            made_add_field(made, text, 3 + 40 * made_unit(made), 0);
            b++;
        } else if (kind == 2) {
            snprintf(text, sizeof text, "%u.7..%u.0", b, b);
            made_add_field(made, text, slow ? 0.02 : 0.5 + 3 * made_unit(made), 0);
        } else if (kind == 3) {
            snprintf(text, sizeof text, "%u.1..%u.0", b, b);
            made_add_field(made, text, 0, slow ? 500 : 50);
        } else if (kind == 4) {
            snprintf(text, sizeof text, "%u.6..%u.2", b, b);
            made_add_field(made, text, 0.2, 0);
        }
    }
}

static void make(struct made *made, const struct row *row, bool slow, uint64_t seed)
{
    made_init(made, row->length, seed);
    if (row->extended) {
        made->key.id = 0x0C000011;
        made->key.extended = true;
    }
    add_fields(made, slow);
    made_count(made, row->counter, row->modulus);
    made_add_check(made, row->check);
}

static void spoil(struct made *made, struct made_kept *kept, double share)
{
    for (size_t i = 0; i < kept->kept.count; i++) {
        if (made_unit(made) < share)
            kept->bytes[i * made->key.length + made_random(made) % made->key.length] ^=
                (uint8_t)(1 + made_random(made) % 255);
    }
}

/* Exactly one check, in its place, that gives 1000 frames to come. */
static bool is_found(const struct row *row, bool slow, size_t count, double spoiled, uint64_t seed)
{
    struct lt_check_found found[LT_CHECKS_MAX];
    struct made_kept kept;
    struct lt_arena arena;
    struct lt_error error;
    struct made made;
    make(&made, row, slow, seed);
    made_keep(&made, count, &kept);
    spoil(&made, &kept, spoiled);
    lt_arena_init(&arena, 0);
    size_t n = made_search(&made, &kept.kept, &arena, found);
    bool right = n == 1 && found[0].form == LT_CHECK_FOUND &&
                 made_same_place(&found[0].place, &made.check[0].place) &&
                 found[0].verified + found[0].failed == count &&
                 lt_checksum_check(&found[0].checksum, row->length, &error) == LT_OK &&
                 made_predicted(&made, &found[0].checksum, 1000) == 1000;
    if (right && found[0].checksum.family != LT_CHECK_AFFINE) {
        char text[400];
        struct lt_checksum again;
        lt_checksum_print(&found[0].checksum, text, sizeof text);
        right = lt_checksum_parse(lt_text_of(text), &again, &error) == LT_OK &&
                made_predicted(&made, &again, 100) == 100;
    }
    if (!right)
        print_message("%s, seed %u: %zu found\n", row->check, (unsigned)seed, n);
    lt_arena_release(&arena);
    made_release(&kept);
    return right;
}

static void every_form_is_found_and_gives_frames_to_come(void **state)
{
    unsigned missed = 0;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        for (uint64_t seed = 1; seed <= 2; seed++)
            missed += !is_found(&rows[i], false, 3000, 0.0, 77 * seed + i);
    }
    assert_int_equal(missed, 0);
}

static void every_form_is_found_in_frames_that_hardly_move(void **state)
{
    unsigned missed = 0;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        missed += !is_found(&rows[i], true, 3000, 0.0, 77 + i);
    assert_int_equal(missed, 0);
}

static void spoiled_frames_do_not_hide_a_form(void **state)
{
    unsigned missed = 0;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        missed += !is_found(&rows[i], false, 3000, 0.002, 77 + i);
    assert_int_equal(missed, 0);
}

/* The check found in frames of one definition. */
static void find_one(struct made *made, struct lt_arena *arena, struct lt_check_found *ret_found)
{
    struct lt_check_found found[LT_CHECKS_MAX];
    struct made_kept kept;
    made_keep(made, 2000, &kept);
    assert_int_equal(made_search(made, &kept.kept, arena, found), 1);
    assert_int_equal(found[0].form, LT_CHECK_FOUND);
    *ret_found = found[0];
    made_release(&kept);
}

static void find_of_row(const struct row *row, struct lt_arena *arena,
                        struct lt_check_found *ret_found)
{
    struct made made;
    lt_arena_init(arena, 0);
    make(&made, row, false, 5);
    memset(made.still, 0, sizeof made.still);
    find_one(&made, arena, ret_found);
}

static void gives(const struct lt_check_found *found, const uint8_t *bytes, unsigned length,
                  uint32_t id, bool extended)
{
    assert_true(lt_checksum_verify(&found->checksum, bytes, (uint8_t)length, id, extended));
}

static void what_is_found_gives_the_rows_of_autosar_prs_e2e_protocol(void **state)
{
    static const struct {
        struct row row;
        uint8_t first[8], second[8];
        enum lt_check_family family;
    } published[] = {
        {{"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both", 8, "1.3..1.0", 15, false},
         {0xCC, 0x00},
         {0x91, 0x01},
         LT_CHECK_E2E_P1},
        {{"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating", 8, "1.3..1.0", 15, false},
         {0xCE, 0x00},
         {0x02, 0x01},
         LT_CHECK_E2E_P1},
        {{"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 low", 8, "1.3..1.0", 15, false},
         {0xCE, 0x00},
         {0x93, 0x01},
         LT_CHECK_E2E_P1},
        {{"e2e-p2 over 1..7 in 0 data-id 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16", 8, "1.3..1.0", 16,
          false},
         {0x0E, 0x00},
         {0x1B, 0x01},
         LT_CHECK_E2E_P2},
        {{"e2e-p5 over 0..7 in 1.7..0.0 data-id 0x34,0x12", 8, "2.7..2.0", 256, false},
         {0x1C, 0xCA, 0x00},
         {0xCF, 0x8D, 0x01},
         LT_CHECK_E2E_P5},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(published); i++) {
        struct lt_check_found found;
        struct lt_arena arena;
        find_of_row(&published[i].row, &arena, &found);
        assert_int_equal(found.checksum.family, published[i].family);
        gives(&found, published[i].first, 8, 0x123, false);
        gives(&found, published[i].second, 8, 0x123, false);
        lt_arena_release(&arena);
    }
}

static void what_is_found_gives_the_tsc1_example_of_sae_j1939_71(void **state)
{
    static const struct row row = {"j1939-tsc1 over 0..6 in 7.7..7.4", 8, "7.3..7.0", 8, true};
    static const uint8_t last[] = {0x40, 0x51, 0x72, 0x03};
    uint8_t bytes[8] = {0x01, 0xE0, 0x2E, 0x7D, 0xFF, 0xFF, 0xFF};
    struct lt_check_found found;
    struct lt_arena arena;
    (void)state;
    find_of_row(&row, &arena, &found);
    assert_int_equal(found.checksum.family, LT_CHECK_J1939_TSC1);
    for (size_t i = 0; i < sizeof last; i++) {
        bytes[7] = last[i];
        gives(&found, bytes, 8, 0x0C000011, true);
    }
    lt_arena_release(&arena);
}

static void hidden_bytes_of_public_questions_show(void **state)
{
    static const struct row questions[] = {
        {"crc8 over 0..6 in 7 poly 0x1D data-id 0x3D after", 8, "6.3..6.0", 16, false},
        {"crc8 over 1..7 in 0 poly 0x2F data-id 0xC4 after", 8, "1.3..1.0", 16, false},
    };
    static const uint16_t polys[] = {0x1D, 0x2F};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(questions); i++) {
        struct lt_check_found found;
        struct lt_arena arena;
        find_of_row(&questions[i], &arena, &found);
        assert_int_equal(found.checksum.family, LT_CHECK_CRC8);
        assert_int_equal(found.checksum.poly, polys[i]);
        assert_int_equal(found.checksum.data_id_count, 1);
        assert_false(found.checksum.data_id_before);
        lt_arena_release(&arena);
    }
}

/* Any CRC of four bits, by its columns: bits that never moved in the recording come out right. */
/* The columns of x^4 + x + 1 along the frame, those of the place itself left out. */
static void fill_columns(struct lt_affine *affine, unsigned own_low)
{
    unsigned value = 3;
    for (unsigned n = 0; n < 64; n++) {
        unsigned byte = 7 - n / 8, bit = n % 8;
        if (byte != 7 || bit < own_low || bit >= own_low + 4)
            affine->column[byte][7 - bit] = (uint16_t)value;
        value = value << 1 & 16 ? (value << 1 ^ 3) & 15 : value << 1;
    }
}

static void put_short(struct made *made, const char *place, struct lt_affine *affine)
{
    made->check[made->check_count++] = (struct lt_checksum){.family = LT_CHECK_AFFINE,
                                                            .width = 4,
                                                            .ranges = 1,
                                                            .range = {{0, 7}},
                                                            .place = made_bits(place),
                                                            .affine = affine};
}

static void a_crc_of_four_bits_holds_for_bits_that_never_moved(void **state)
{
    struct lt_affine affine = {.constant = 5};
    struct lt_check_found found;
    struct lt_arena arena;
    struct made made;
    (void)state;
    made_init(&made, 8, 9);
    fill_columns(&affine, 4);
    made_add_field(&made, "1.7..2.0", 20, 0);
    made_add_field(&made, "4.6..4.2", 0.4, 0);
    made_count(&made, "7.3..7.0", 16);
    put_short(&made, "7.7..7.4", &affine);
    lt_arena_init(&arena, 0);
    find_one(&made, &arena, &found);
    for (unsigned b = 0; b < 8; b++)
        made.still[b] = (uint8_t)made_random(&made);
    made_add_field(&made, "0.7..0.0", 9, 0);
    assert_int_equal(made_predicted(&made, &found.checksum, 500), 500);
    lt_arena_release(&arena);
}

/* Four bits that the others give as well lie all over the frame; those that carry into the bits
 * above them are a number's. */
static void a_crc_of_four_bits_is_not_the_low_end_of_a_number(void **state)
{
    (void)state;
    for (unsigned seed = 1; seed <= 6; seed++) {
        struct lt_affine affine = {.constant = 5};
        struct lt_check_found found;
        struct lt_arena arena;
        struct made made;
        made_init(&made, 8, seed);
        fill_columns(&affine, 0);
        made_add_field(&made, seed % 2 ? "3.7..2.0" : "1.7..0.0", 25, 0);
        made_add_field(&made, "5.6..5.2", 0.4, 0);
        made_count(&made, "6.7..6.4", 16);
        put_short(&made, "7.3..7.0", &affine);
        lt_arena_init(&arena, 0);
        find_one(&made, &arena, &found);
        assert_int_equal(found.place.part[0].lsb, 56);
        lt_arena_release(&arena);
    }
}

/* A counter in the lower half, a choice in the upper one of another byte: no column of the XOR has
 * more than one of them. */
static void an_xor_of_halves_side_by_side_is_one(void **state)
{
    struct lt_check_found found[LT_CHECKS_MAX];
    struct made_kept kept;
    struct lt_arena arena;
    struct made made;
    unsigned choice = 2;
    (void)state;
    made_init(&made, 5, 3);
    made_count(&made, "3.3..3.0", 16);
    made_keep(&made, 1500, &kept);
    for (size_t i = 0; i < kept.kept.count; i++) {
        uint8_t *bytes = kept.bytes + 5 * i;
        choice = made_random(&made) % 9 ? choice : made_random(&made) & 15;
        bytes[0] = (uint8_t)(choice << 4);
        bytes[1] = 0x21;
        bytes[2] = 0;
        bytes[3] = (uint8_t)(i & 15);
        bytes[4] = bytes[0] ^ bytes[1] ^ bytes[3];
    }
    lt_arena_init(&arena, 0);
    assert_int_equal(made_search(&made, &kept.kept, &arena, found), 1);
    assert_int_equal(found->place.part[0].lsb, 32);
    assert_int_equal(found->checksum.family, LT_CHECK_XOR);
    lt_arena_release(&arena);
    made_release(&kept);
}

/* ---- what nothing explains ---- */

static void put_code(struct made *made, struct made_kept *kept, const char *where)
{
    struct lt_bits place = made_bits(where);
    for (size_t i = 0; i < kept->kept.count; i++)
        lt_bits_put(kept->bytes + i * made->key.length, &place,
                    (uint64_t)made_random(made) << 32 | made_random(made));
}

static void a_message_code_is_said_to_be_one_with_its_place(void **state)
{
    static const char *const places[] = {"4.7..7.0", "6.7..7.0", "4.3..7.0", "5.7..7.0"};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(places); i++) {
        struct lt_check_found found[LT_CHECKS_MAX];
        struct lt_bits place = made_bits(places[i]);
        struct made_kept kept;
        struct lt_arena arena;
        struct made made;
        made_init(&made, 8, 31 + i);
        made_add_field(&made, "0.7..1.0", 15, 0);
        made_add_field(&made, "2.7..2.4", 0, 60);
        made_count(&made, "2.3..2.0", 16);
        made_keep(&made, 3000, &kept);
        put_code(&made, &kept, places[i]);
        lt_arena_init(&arena, 0);
        assert_int_equal(made_search(&made, &kept.kept, &arena, found), 1);
        assert_int_equal(found[0].form, LT_CHECK_AUTHENTICATED);
        assert_true(made_same_place(&found[0].place, &place));
        lt_arena_release(&arena);
        made_release(&kept);
    }
}

static void fast_numbers_are_no_codes(void **state)
{
    static const char *const places[] = {"3.7..0.0", "0.7..3.0", "4.7..1.0", "2.7..6.0"};
    size_t wrong = 0;
    (void)state;
    for (size_t i = 0; i < 4 * COUNT_OF(places); i++) {
        struct lt_check_found found[LT_CHECKS_MAX];
        struct made_kept kept;
        struct lt_arena arena;
        struct made made;
        made_init(&made, 8, 131 + i);
        made_add_field(&made, places[i % COUNT_OF(places)], 2e5 * (double)(1u << i / 2), 0);
        made_add_field(&made, "7.7..7.0", 1, 0);
        made_keep(&made, 3000, &kept);
        lt_arena_init(&arena, 0);
        size_t n = made_search(&made, &kept.kept, &arena, found);
        if (n)
            print_message("%s, %u\n", places[i % COUNT_OF(places)], (unsigned)i);
        wrong += n;
        lt_arena_release(&arena);
        made_release(&kept);
    }
    assert_int_equal(wrong, 0);
}

/* ---- nothing to find ---- */

/* Bytes that hang on others as quantities, copies and mirrors do. */
static void hang_on_others(struct made *made, uint8_t *bytes, unsigned kind, unsigned frame)
{
    switch (kind) {
    case 0: /* a copy */
        bytes[7] = bytes[0];
        bytes[6] = (uint8_t)~bytes[1];
        break;
    case 1: /* a total that fits */
        bytes[7] = (uint8_t)(bytes[0] / 2 + bytes[1] / 2);
        break;
    case 2: /* a difference, with its sign */
        bytes[7] = (uint8_t)(bytes[0] - bytes[1]);
        break;
    case 3: /* a counter and its mirror */
        bytes[6] = (uint8_t)(frame & 15);
        bytes[7] = (uint8_t)(bytes[6] ^ 0xF0);
        break;
    case 4: /* Gray code of a counter */
        bytes[7] = (uint8_t)((frame & 255) ^ (frame & 255) >> 1);
        break;
    case 5: /* a copy of two bytes in the other order */
        bytes[6] = bytes[1];
        bytes[7] = bytes[0];
        break;
    case 6: /* noise in the low bits, apart */
        bytes[7] = (uint8_t)(bytes[7] & 0xC0) | (made_random(made) & 0x3F);
        break;
    default: /* parity of one byte in a bit beside it */
        bytes[7] = (uint8_t)((bytes[7] & 0xFE) | (__builtin_popcount(bytes[0]) & 1));
        break;
    }
}

static void layouts_without_a_check_give_none(void **state)
{
    unsigned wrong = 0;
    (void)state;
    for (unsigned seed = 1; seed <= 1200; seed++) {
        struct lt_check_found found[LT_CHECKS_MAX];
        struct made_kept kept;
        struct lt_arena arena;
        struct made made;
        made_init(&made, 8, 1000 + seed);
        add_fields(&made, seed % 3 == 0);
        if (seed % 2)
            made_count(&made, "5.3..5.0", 16);
        made_keep(&made, 200 + seed % 7 * 200, &kept);
        for (size_t i = 0; i < kept.kept.count; i++)
            hang_on_others(&made, kept.bytes + 8 * i, seed % 8, (unsigned)i);
        lt_arena_init(&arena, 0);
        size_t n = made_search(&made, &kept.kept, &arena, found);
        for (size_t i = 0; i < n; i++) {
            char text[400] = "a message code";
            if (found[i].form == LT_CHECK_FOUND)
                lt_checksum_print(&found[i].checksum, text, sizeof text);
            print_message("seed %u, kind %u: %s\n", seed, seed % 8, text);
        }
        wrong += n > 0;
        lt_arena_release(&arena);
        made_release(&kept);
    }
    assert_int_equal(wrong, 0);
}

/* ---- which of the bytes it is ---- */

/* In an XOR, and in a sum that comes to a constant, any byte could be the check. A number whose low
 * byte is one of them goes on in two bits of another byte, or steps over its bytes' border seldom.
 */
static void fill_beside_a_number(struct made *made, struct made_kept *kept, unsigned own,
                                 bool is_sum, bool seldom)
{
    int number = 0;
    unsigned mode = 3, length = made->key.length;
    for (size_t i = 0; i < kept->kept.count; i++) {
        uint8_t *bytes = kept->bytes + length * i, check = 0;
        memset(bytes, 0, length);
        number += (int)(made_random(made) % (seldom ? 15 : 61)) - (seldom ? 7 : 30);
        number -= number / (seldom ? 40 : 8);
        mode = made_random(made) % 300 ? mode : made_random(made) & 15;
        bytes[3] = (uint8_t)(number >> (seldom ? 0 : 1));
        bytes[4] = (uint8_t)((number >> (seldom ? 8 : 9) & 3) | mode << 4);
        bytes[5] = (uint8_t)(made_random(made) % 50 == 0);
        bytes[6] = (uint8_t)(i & 15);
        for (unsigned b = 0; b < length; b++)
            check = is_sum ? (uint8_t)(check + bytes[b]) : check ^ bytes[b];
        bytes[own] = is_sum ? (uint8_t)(0xFF - check) : check;
    }
}

static void a_number_s_low_byte_is_not_the_check(void **state)
{
    (void)state;
    for (unsigned seed = 1; seed <= 40; seed++) {
        struct lt_check_found found[LT_CHECKS_MAX];
        struct made_kept kept;
        struct lt_arena arena;
        struct made made;
        unsigned own = seed & 1;
        made_init(&made, 7, seed);
        made_count(&made, "6.3..6.0", 16);
        made_keep(&made, 3000, &kept);
        fill_beside_a_number(&made, &kept, own, seed & 2, seed & 4);
        lt_arena_init(&arena, 0);
        size_t n = made_search(&made, &kept.kept, &arena, found);
        assert_int_equal(n, 1);
        assert_int_equal(found->form, LT_CHECK_FOUND);
        assert_int_equal(found->place.part[0].lsb, 8 * own);
        assert_int_equal(found->failed, 0);
        lt_arena_release(&arena);
        made_release(&kept);
    }
}

/* ---- forms known from elsewhere ---- */

static void keep_few(struct made *made, const char *check, size_t count, uint64_t seed,
                     struct made_kept *ret_kept)
{
    made_init(made, 8, seed);
    made->key.id = 0x456;
    made_add_field(made, "0.7..0.0", 3, 0);
    made_add_field(made, "2.7..3.0", 400, 0);
    made_add_field(made, "4.5..4.0", 0, 2);
    made_add_check(made, check);
    made_keep(made, count, ret_kept);
}

static void few_frames_are_enough_for_a_form_that_is_known(void **state)
{
    static const char *const checks[] = {
        "crc8-sae-j1850 over 0..6 in 7",        "crc8-autosar over 0..6 in 7 data-id 0x77 after",
        "sum over 0..6 in 7 with-id",           "xor over 0..6 in 7",
        "crc16-ibm-3740 over 0..5 in 7.7..6.0", "sum over 0..6 in 7 complement twos with-id",
        "nibble-sum over 0..6 in 7.3..7.0",     "nibble-sum over 0..6 in 7.7..7.4 complement twos",
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(checks); i++) {
        struct lt_check_found found;
        struct lt_checksum known;
        struct lt_error error;
        struct lt_arena arena;
        struct made_kept kept;
        struct made made;
        assert_int_equal(lt_checksum_parse(lt_text_of(checks[i]), &known, &error), LT_OK);
        keep_few(&made, checks[i], 9, 7 + i, &kept);
        lt_arena_init(&arena, 0);
        assert_true(lt_check_transfer(&kept.kept, &known, NULL, 0, &arena, &found));
        assert_int_equal(found.verified, 9);
        assert_int_equal(found.failed, 0);
        assert_int_equal(made_predicted(&made, &found.checksum, 300), 300);
        kept.bytes[8 * 4 + 7] ^= 0x44; /* either half byte */
        assert_false(lt_check_transfer(&kept.kept, &known, NULL, 0, &arena, &found));
        lt_arena_release(&arena);
        made_release(&kept);
    }
}

static unsigned count_misread(const char *form)
{
    unsigned wrong = 0;
    struct lt_checksum known;
    struct lt_error error;
    assert_int_equal(lt_checksum_parse(lt_text_of(form), &known, &error), LT_OK);
    for (uint64_t seed = 1; seed <= 500; seed++) {
        struct lt_check_found found;
        struct lt_arena arena;
        struct made_kept kept;
        struct made made;
        made_init(&made, 8, seed);
        add_fields(&made, true);
        made_keep(&made, 60, &kept);
        lt_arena_init(&arena, 0);
        wrong += lt_check_transfer(&kept.kept, &known, NULL, 0, &arena, &found);
        lt_arena_release(&arena);
        made_release(&kept);
    }
    return wrong;
}

static void a_form_is_not_read_into_other_frames(void **state)
{
    (void)state;
    assert_int_equal(count_misread("crc8-sae-j1850 over 0..6 in 7"), 0);
    assert_int_equal(count_misread("nibble-sum over 0..6 in 7.7..7.4"), 0);
}

/* ---- odd input ---- */

static void nothing_is_found_where_there_is_nothing(void **state)
{
    static const unsigned lengths[] = {0, 1, 2, 8, 64};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(lengths); i++) {
        for (size_t count = 0; count < 4; count++) {
            struct lt_check_found found[LT_CHECKS_MAX];
            struct made_kept kept;
            struct lt_arena arena;
            struct made made;
            made_init(&made, lengths[i], 3);
            made_keep(&made, count, &kept);
            lt_arena_init(&arena, 0);
            assert_int_equal(made_search(&made, &kept.kept, &arena, found), 0);
            lt_arena_release(&arena);
            made_release(&kept);
        }
    }
}

static void memory_that_runs_out_is_said(void **state)
{
    struct lt_check_found found[LT_CHECKS_MAX];
    struct lt_counter_found counter;
    struct made_kept kept;
    struct made made;
    (void)state;
    make(&made, &rows[20], false, 4);
    made_keep(&made, 500, &kept);
    size_t counters = made_counters(&made, &counter);
    for (uint64_t nth = 1; nth < 6; nth++) {
        struct lt_arena arena;
        struct lt_error error;
        size_t count = 77;
        lt_arena_init(&arena, 0);
        arena.fail_countdown = nth;
        enum lt_code code =
            lt_checks_find(&kept.kept, &counter, counters, NULL, &arena, found, &count, &error);
        assert_true(code == LT_OK || (code == LT_E_MEMORY && count == 77));
        if (nth == 1)
            assert_int_equal(code, LT_E_MEMORY);
        lt_arena_release(&arena);
    }
    made_release(&kept);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_form_is_found_and_gives_frames_to_come),
        cmocka_unit_test(every_form_is_found_in_frames_that_hardly_move),
        cmocka_unit_test(spoiled_frames_do_not_hide_a_form),
        cmocka_unit_test(what_is_found_gives_the_rows_of_autosar_prs_e2e_protocol),
        cmocka_unit_test(what_is_found_gives_the_tsc1_example_of_sae_j1939_71),
        cmocka_unit_test(hidden_bytes_of_public_questions_show),
        cmocka_unit_test(a_crc_of_four_bits_holds_for_bits_that_never_moved),
        cmocka_unit_test(a_crc_of_four_bits_is_not_the_low_end_of_a_number),
        cmocka_unit_test(an_xor_of_halves_side_by_side_is_one),
        cmocka_unit_test(a_message_code_is_said_to_be_one_with_its_place),
        cmocka_unit_test(fast_numbers_are_no_codes),
        cmocka_unit_test(layouts_without_a_check_give_none),
        cmocka_unit_test(a_number_s_low_byte_is_not_the_check),
        cmocka_unit_test(few_frames_are_enough_for_a_form_that_is_known),
        cmocka_unit_test(a_form_is_not_read_into_other_frames),
        cmocka_unit_test(nothing_is_found_where_there_is_nothing),
        cmocka_unit_test(memory_that_runs_out_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
