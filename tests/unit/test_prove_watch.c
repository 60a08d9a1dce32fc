/* The figures of signals and checksums, which are taken only where something changed, against a
 * plain twin that looks at every frame anew; and checksums by tables against those computed. */
#include <math.h>

#include "prove/inside.h"
#include "proving.h"

static uint64_t state;

/* Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8 (2003). */
static uint64_t random_word(void)
{
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return state;
}

static unsigned below(unsigned limit)
{
    return (unsigned)(random_word() >> 33) % limit;
}

/* --- figures --- */

static const char figures_profile[] = HEAD
    "[bus b]\nbitrate = 500000\ninterface = can0\nfd = iso\n"
    "[frame f]\nbus = b\nid = 0x123\nlength = 8\nperiod_ms = 10\nchecksum = xor over 0..6 in 7\n"
    "[signal high]\nframe = f\nbits = 0.7..1.0\norder = motorola\nscale = 0.25\nrange = 100..9000\n"
    "unavailable = 0xFFFF\n"
    "[signal low]\nframe = f\nbits = 3.3..2.0\norder = intel\nsign = twos\nscale = -0.5\nrange = "
    "-200..300\n"
    "[signal turned]\nframe = f\nbits = 4.7..4.2\nsign = sign-magnitude\n"
    "[signal code]\nframe = f\nbits = 4.1..4.0\nvalues = 0 off, 1 on, 2 both\n"
    "[signal page]\nframe = f\nbits = 5.0\n"
    "[signal first]\nframe = f\nbits = 6.7..6.0\npage = page 0\nerror = 0xFE..0xFF\n"
    "[signal second]\nframe = f\nbits = 6.5..6.1\npage = page 1\n"
    "[signal inverse]\nframe = f\nbits = 3.7..3.4\nform = reciprocal\nscale = 0.1\nrange = 1..5\n"
    "[frame long]\nbus = b\nid = 0x124\nlength = 12\nfd = yes\nperiod_ms = 10\n"
    "[signal far]\nframe = long\nbits = 10.4..9.0\norder = intel\n"
    "[signal wide]\nframe = long\nparts = 0.3..0.0 8.7..8.4\n"
    "[signal real]\nframe = long\nbits = 4.7..1.0\norder = intel\nsign = float\n";

struct plain {
    uint64_t values, steps, changes, outside, unavailable, errors, too_short, suspect, not_finite;
    uint64_t bits_or, bits_and, flips[64], unmoved[64], small;
    double low, high;
    bool follows;
    uint64_t raw;
};

static uint64_t plain_distance(uint64_t a, uint64_t b)
{
    return a > b ? a - b : b - a;
}

static void plain_step(struct plain *p, const struct signal_watch *watch, uint64_t raw)
{
    uint64_t step = plain_distance(raw, p->raw);
    double size = ldexp(1, watch->length), part = (double)step / size;
    p->changes++;
    p->small += part <= 1 / 16. || part >= 15 / 16. || fabs(part - 0.5) <= 1 / 16.;
    if (!watch->watches_bits)
        return;
    for (unsigned k = 0; k < watch->length; k++) {
        uint64_t mask = ((uint64_t)1 << k) - 1;
        if (!((raw ^ p->raw) >> k & 1))
            continue;
        p->flips[k]++;
        p->unmoved[k] += plain_distance(raw & mask, p->raw & mask) <= mask / 8;
    }
}

static void plain_take(struct plain *p, const struct signal_watch *watch, uint64_t raw)
{
    enum lt_state is = lt_scaler_state(&watch->scaler, raw);
    double value = lt_scaler_f64(&watch->scaler, raw);
    p->unavailable += is == LT_STATE_UNAVAILABLE;
    p->errors += is == LT_STATE_ERROR;
    p->not_finite += is == LT_STATE_VALUE && !isfinite(value);
    if (is != LT_STATE_VALUE || !isfinite(value)) {
        p->follows = false;
        return;
    }
    p->low = p->values ? fmin(p->low, value) : value;
    p->high = p->values ? fmax(p->high, value) : value;
    p->bits_and = p->values ? p->bits_and & raw : raw;
    p->bits_or |= raw;
    p->values++;
    double slack = 1e-9 * (fabs(value) + 1);
    p->outside += value < watch->range_low - slack || value > watch->range_high + slack;
    p->steps += p->follows;
    if (p->follows && raw != p->raw)
        plain_step(p, watch, raw);
    p->follows = true;
    p->raw = raw;
}

static bool is_on_page(const struct lt_signal_def *def, const uint8_t *data, unsigned len)
{
    if (!def->page_count)
        return true;
    return len > 5 && def->page[0].range[0].first == (uint64_t)(data[5] & 1);
}

/* Walks: mostly the same again or a little further, now and then anywhere. */
static void move(uint8_t *data, unsigned len)
{
    unsigned what = below(8);
    if (what < 3)
        return;
    if (what == 3)
        data[below(len)] ^= (uint8_t)(1u << below(8));
    else if (what == 4)
        data[below(len)] = (uint8_t)below(256);
    else
        data[1] = (uint8_t)(data[1] + below(3));
    if (!below(50))
        data[0] = data[1] = 0xFF;
}

static void write_frame(double ms, const char *id, const uint8_t *data, unsigned len)
{
    bool fd = len > 8;
    lt_buf_format(&capture, "(%.6f) can0 %s%s", 1700000000 + ms / 1000, id, fd ? "##0" : "#");
    for (unsigned i = 0; i < len; i++)
        lt_buf_format(&capture, "%02X", data[i]);
    lt_buf_string(&capture, "\n");
}

/* What a frame brings, field by field. */
static void plain_frame(struct plain *list, struct lt_prove *prove, uint32_t frame,
                        const uint8_t *data, unsigned len, bool suspect)
{
    for (uint32_t i = 0; i < prove->profile->signal_count; i++) {
        const struct lt_signal_def *def = &prove->profile->signals[i];
        if (def->frame != frame || !is_on_page(def, data, len))
            continue;
        if (suspect) {
            list[i].suspect++;
            list[i].follows = false;
        } else if (lt_bits_bytes(&def->bits) > len) {
            list[i].too_short++;
            list[i].follows = false;
        } else {
            plain_take(&list[i], &prove->signals[i], lt_bits_get(data, &def->bits));
        }
    }
}

static void drive(struct plain *list, struct lt_prove *prove)
{
    uint8_t data[LT_FRAME_ROOM] = {0}, far[LT_FRAME_ROOM] = {0};
    unsigned good = 0, bad = 0, other = 0;
    begin_capture();
    for (unsigned i = 0; i < 3000; i++) {
        unsigned len = i > 100 && !below(40) ? 5 + below(3) : 8, long_len = below(60) ? 12 : 8;
        bool spoiled = i > 100 && !below(30);
        move(data, 7);
        data[7] = 0;
        for (unsigned k = 0; k < 7; k++)
            data[7] ^= data[k];
        data[7] ^= spoiled ? 0x40 : 0;
        write_frame(10 * i, "123", data, len);
        good += len == 8 && !spoiled;
        bad += len == 8 && spoiled;
        assert_true(4 * bad <= good); /* the premise of what follows: they are the odd ones */
        plain_frame(list, prove, 0, data, len, len < 8 || spoiled);
        move(far, 12);
        write_frame(10 * i + 1, "124", far, long_len);
        other += long_len < 12;
        plain_frame(list, prove, 1, far, long_len, long_len < 12 && 2 * other < i + 1);
    }
}

static void compare(const struct plain *p, const struct signal_watch *watch)
{
    assert_int_equal(p->values, watch->values);
    assert_int_equal(p->steps, watch->steps);
    assert_int_equal(p->changes, watch->changes);
    assert_int_equal(p->small, watch->small_steps);
    assert_int_equal(p->outside, watch->outside);
    assert_int_equal(p->unavailable, watch->unavailable);
    assert_int_equal(p->errors, watch->errors);
    assert_int_equal(p->not_finite, watch->not_finite);
    assert_int_equal(p->too_short, watch->too_short);
    assert_int_equal(p->suspect, watch->suspect);
    assert_int_equal(p->bits_or, watch->bits_or);
    assert_int_equal(p->bits_and, watch->bits_and);
    assert_true(p->low <= watch->low && p->low >= watch->low);
    assert_true(p->high <= watch->high && p->high >= watch->high);
    for (unsigned k = 2; watch->watches_bits && k < watch->length; k++) {
        assert_int_equal(p->flips[k], watch->boundary[k].flips);
        assert_int_equal(p->unmoved[k], watch->boundary[k].unmoved);
    }
}

static void figures_are_those_of_every_frame(void **unused)
{
    struct lt_prove_reading reading = {.threads = 1};
    struct lt_faults faults;
    struct lt_prove *prove;
    struct lt_reader *reader;
    struct lt_error error;
    (void)unused;
    lt_faults_init(&faults, 0);
    if (lt_profile_load_memory(&proof_profile, "t.ini", lt_text_of(figures_profile), &faults) !=
        LT_OK)
        fail_msg("%s", faults.items[0].text);
    for (uint64_t seed = 1; seed <= 8; seed++) {
        struct plain list[16] = {0};
        state = seed * UINT64_C(0x9E3779B97F4A7C15);
        assert_int_equal(lt_prove_new(&prove, proof_profile, &faults, &error), LT_OK);
        drive(list, prove);
        assert_int_equal(
            lt_reader_open_memory(&reader, "t.log", capture.at, capture.len, 0, NULL, &error),
            LT_OK);
        assert_int_equal(lt_prove_read(prove, reader, &reading, NULL, &error), LT_OK);
        assert_true(prove->frames[0].table.ready);
        for (uint32_t i = 0; i < proof_profile->signal_count; i++) {
            signal_watch_settle(&prove->signals[i]);
            assert_true(list[i].changes > 20);
            compare(&list[i], &prove->signals[i]);
        }
        lt_reader_free(reader);
        lt_prove_free(prove);
    }
    lt_faults_release(&faults);
}

/* --- checksums --- */

static const char *const checks[] = {
    "xor over 0..6 in 7",
    "xor over 6..0 in 7 start 0x5A complement twos with-id",
    "xor over 0..7 in 7 complement ones with-length data-id 0x11,0x22 both before",
    "xor over 0..6 in 7 data-id 0x11,0x72 alternating after counter 3.3..3.0",
    "sum over 0..6 in 7",
    "sum over 0..6 in 7 complement ones start 3",
    "sum over 1..7 in 0 complement twos with-id data-id 0x31 low before",
    "sum over 0..6 in 7 data-id 1,20,30,99 list after counter 2.5..2.4",
    "nibble-sum over 0..7 in 7.3..7.0 complement twos",
    "nibble-sum over 0..7 in 1.7..1.4 start 9",
    "crc8-sae-j1850 over 0..6 in 7",
    "crc8 over 7..1 in 0 poly 0x2F init 0xFF xorout 0xFF reflect with-id",
    "crc8 over 1..7 in 0 poly 0x4D init 0xFF data-id 1,2,3,4,9,7,5 list before counter 6.5..6.2",
    "crc16 over 0..5 in 6.7..7.0 poly 0x1021 init 0xFFFF",
    "crc16 over 2..7 in 1.7..0.0 poly 0x3D65 init 0xFFFF xorout 0xFFFF reflect",
    "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both",
    "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating",
    "e2e-p2 over 1..7 in 0 data-id 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16 list",
    "e2e-p5 over 2..7 in 1.7..0.0 data-id 0x34,0x12",
};

static void tables_say_what_computing_says(void **unused)
{
    struct lt_arena arena;
    struct lt_error error;
    (void)unused;
    lt_arena_init(&arena, 0);
    state = 77;
    for (size_t c = 0; c < COUNT_OF(checks); c++) {
        struct lt_checksum checksum;
        struct check_table table;
        struct lt_frame frame = {.id = 0x2A4, .len = 8};
        if (lt_checksum_parse(lt_text_of(checks[c]), &checksum, &error) != LT_OK)
            fail_msg("%s: %s", checks[c], error.text);
        assert_true(check_table_make(&arena, &checksum, &frame, &table));
        if (!table.ready)
            fail_msg("no table for %s", checks[c]);
        for (unsigned i = 0; i < 3000; i++) {
            for (unsigned k = 0; k < 8; k++)
                frame.data[k] = (uint8_t)below(256);
            if (i % 2)
                lt_checksum_apply(&checksum, frame.data, 8, frame.id, false);
            if (i % 4 == 3)
                frame.data[below(8)] ^= (uint8_t)(1u << below(8));
            bool plain = lt_checksum_verify(&checksum, frame.data, 8, frame.id, false);
            if (check_table_holds(&table, frame.data) != plain)
                fail_msg("%s: frame %u", checks[c], i);
        }
    }
    lt_arena_release(&arena);
}

/* SAE J1939-71's fold their sums: they have no table and are computed. */
static void folded_sums_have_no_table(void **unused)
{
    static const char *const folded[] = {"j1939-tsc1 over 0..7 in 7.7..7.4",
                                         "j1939-xbr over 0..7 in 7.7..7.4"};
    struct lt_arena arena;
    struct lt_error error;
    (void)unused;
    lt_arena_init(&arena, 0);
    for (size_t c = 0; c < COUNT_OF(folded); c++) {
        struct lt_checksum checksum;
        struct check_table table;
        struct lt_frame frame = {.id = 0x0C000003, .len = 8, .flags = LT_FRAME_EXTENDED};
        if (lt_checksum_parse(lt_text_of(folded[c]), &checksum, &error) != LT_OK)
            fail_msg("%s: %s", folded[c], error.text);
        assert_true(check_table_make(&arena, &checksum, &frame, &table));
        assert_false(table.ready);
    }
    lt_arena_release(&arena);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(figures_are_those_of_every_frame),
        cmocka_unit_test(tables_say_what_computing_says),
        cmocka_unit_test(folded_sums_have_no_table),
    };
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    end_proof();
    lt_buf_release(&capture);
    return failed;
}
