/* Selectors: found by what they explain, with their extent; counters, checks, modes and flags that
 * explain something too are none. */
#include "measure_stream.h"

#include "loomtap/measure/selector.h"

static struct lt_selector_found find(const struct stream *s)
{
    struct lt_selector_found found;
    struct lt_arena arena;
    lt_arena_init(&arena, 0);
    assert_int_equal(lt_selector_find(&s->kept, NULL, &arena, &found, NULL), LT_OK);
    lt_arena_release(&arena);
    return found;
}

static bool is_at(const struct lt_selector_found *found, const char *place)
{
    struct lt_bits bits = stream_bits(place);
    return found->present && found->bits.part[0].msb == bits.part[0].msb &&
           found->bits.part[0].lsb == bits.part[0].lsb;
}

/* A check over bytes 0..6: CRC-8 with the polynomial of SAE J1850 (1D). */
static uint8_t crc8(const uint8_t *data)
{
    uint8_t crc = 0xFF;
    for (unsigned i = 0; i < 7; i++) {
        crc ^= data[i];
        for (unsigned bit = 0; bit < 8; bit++)
            crc = (uint8_t)(crc & 0x80 ? (unsigned)crc << 1 ^ 0x1D : (unsigned)crc << 1);
    }
    return (uint8_t)(crc ^ 0xFF);
}

#define PAGES_MAX 16

struct shape {
    const char *place; /* of the selector, as defined */
    const char *moves; /* its moving bits */
    unsigned first, pages;
    bool irregular, counter, check, rates;
};

static const struct shape shapes[] = {
    {"0.7..0.0", "0.1..0.0", 0, 4, false, false, false, false},
    {"0.7..0.0", "0.2..0.0", 0, 8, false, true, false, false},
    {"0.7..0.0", "0.2..0.0", 0, 6, true, false, false, false},
    {"0.3..0.0", "0.3..0.0", 0, 16, false, true, true, false},
    {"0.7..0.4", "0.6..0.4", 1, 5, false, false, true, false},
    {"0.5..0.2", "0.4..0.2", 0, 7, true, true, true, false},
    {"4.7..4.5", "4.7..4.5", 0, 8, false, true, false, false},
    {"0.7..0.0", "0.0", 0, 2, false, true, false, false},
    {"0.7..0.0", "0.1..0.0", 1, 3, true, true, true, false},
    {"0.7..0.0", "0.1..0.0", 0, 4, false, false, false, true},
};

/* Three fields of each page wander by themselves; byte 5 has a field that all pages share. */
static void make(struct stream *s, uint64_t seed, const struct shape *shape, size_t frames,
                 int64_t period_ns, unsigned lost_percent)
{
    int field[PAGES_MAX][3], common = 100;
    stream_begin(s, seed, 8, period_ns);
    for (unsigned p = 0; p < PAGES_MAX; p++)
        for (unsigned k = 0; k < 3; k++)
            field[p][k] = (int)stream_below(s, 256);
    for (size_t i = 0; i < frames; i++) {
        uint8_t data[LT_FRAME_MAX] = {0};
        unsigned page = shape->irregular ? stream_below(s, shape->pages)
                        : shape->rates
                            ? (i % 4 == 3 ? 1 + (unsigned)(i / 4) % (shape->pages - 1) : 0)
                            : (unsigned)(i % shape->pages);
        for (unsigned k = 0; k < 3; k++) {
            if (stream_below(s, 4) == 0)
                field[page][k] = stream_wander(s, field[page][k], 2, 255);
            data[1 + k] = (uint8_t)field[page][k];
        }
        if (stream_below(s, 5) == 0)
            common = stream_wander(s, common, 1, 255);
        data[5] = (uint8_t)common;
        if (shape->counter)
            data[6] = (uint8_t)(i & 15);
        stream_put(data, shape->place, shape->first + page);
        if (shape->check)
            data[7] = crc8(data);
        stream_send(s, data, stream_below(s, 100) < lost_percent);
    }
}

static struct stream stream; /* too large for the stack */

static void every_shape_is_found_exactly(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(shapes); i++) {
        make(&stream, i, &shapes[i], 3000, 20 * STREAM_MS, 0);
        struct lt_selector_found found = find(&stream);
        char place[128] = "none";
        if (found.present)
            lt_bits_print(place, sizeof place, &found.bits);
        if (!is_at(&found, shapes[i].moves))
            fail_msg("shape %zu: %s instead of %s", i, place, shapes[i].moves);
        assert_int_equal(found.count, shapes[i].pages);
        for (unsigned v = 1; v < found.count; v++)
            assert_true(found.value[v] > found.value[v - 1]);
        assert_true(found.gain > 0.3 && found.gain <= 1);
        assert_true(found.confidence > 0.9 && found.confidence <= 1);
    }
}

/* Dozens of each, with losses, event-driven, thinned and short. */
static void random_streams(const char *name, size_t frames, int64_t period_ns, unsigned lost,
                           size_t thin, unsigned least_percent, unsigned wrong_percent)
{
    size_t right = 0, wrong = 0, all = 60;
    for (size_t i = 0; i < all; i++) {
        const struct shape *shape = &shapes[i % COUNT_OF(shapes)];
        make(&stream, 500 + i, shape, frames, period_ns, lost);
        if (thin)
            stream_thin(&stream, thin);
        struct lt_selector_found found = find(&stream);
        right += is_at(&found, shape->moves);
        wrong += found.present && !is_at(&found, shape->moves);
    }
    print_message("%s: %zu of %zu found, %zu wrong\n", name, right, all, wrong);
    assert_true(right * 100 >= least_percent * all);
    assert_true(wrong * 100 <= wrong_percent * all);
}

static void random_selectors_are_found(void **state)
{
    (void)state;
    random_streams("whole", 2500, 20 * STREAM_MS, 0, 0, 95, 4);
    random_streams("5 % lost", 2500, 20 * STREAM_MS, 5, 0, 93, 5);
    random_streams("event-driven", 2500, 0, 5, 0, 93, 5);
    random_streams("thinned", 5000, 20 * STREAM_MS, 0, 256, 93, 5);
    random_streams("30 s of 10 a second", 300, 100 * STREAM_MS, 0, 0, 75, 15);
}

static void pages_that_never_change_are_known_by_their_size(void **state)
{
    (void)state;
    static const char part_number[] = "TARN0042-SUPPORT-KIT";
    stream_begin(&stream, 1, 8, 100 * STREAM_MS);
    for (size_t i = 0; i < 400; i++) {
        uint8_t data[8] = {(uint8_t)(i % 3)};
        for (unsigned k = 0; k < 6; k++)
            data[1 + k] = (uint8_t)part_number[6 * (i % 3) + k];
        stream_send(&stream, data, false);
    }
    struct lt_selector_found found = find(&stream);
    assert_true(is_at(&found, "0.1..0.0"));
    assert_int_equal(found.count, 3);
}

static void what_all_pages_share_is_common(void **state)
{
    (void)state;
    make(&stream, 4, &shapes[1], 4000, 20 * STREAM_MS, 0);
    struct lt_selector_found found = find(&stream);
    assert_true(found.present);
    for (unsigned bit = 0; bit < 4; bit++) {
        assert_true(lt_bit_set_has(&found.common, 8 * 5 + bit)); /* the shared field */
        assert_true(lt_bit_set_has(&found.common, 8 * 6 + bit)); /* the counter */
    }
    for (unsigned bit = 0; bit < 32; bit++)
        assert_false(lt_bit_set_has(&found.common, bit)); /* selector and pages */
}

/* ---- Pages that hold little, or much that tells them too ---- */

typedef void (*pages_fn)(struct stream *s, uint8_t *data, unsigned page, size_t row);

static struct lt_selector_found find_pages(uint64_t seed, size_t frames, const char *place,
                                           const unsigned *page_of, unsigned pages, bool irregular,
                                           pages_fn fill)
{
    stream_begin(&stream, seed, 8, 20 * STREAM_MS);
    for (size_t i = 0; i < frames; i++) {
        uint8_t data[LT_FRAME_MAX] = {0};
        unsigned page = irregular ? stream_below(&stream, pages) : (unsigned)(i % pages);
        fill(&stream, data, page, i);
        stream_put(data, place, page_of[page]);
        stream_send(&stream, data, false);
    }
    return find(&stream);
}

/* Fifteen pages of which only two say anything, beside numbers that all share. */
static void nearly_empty(struct stream *s, uint8_t *data, unsigned page, size_t row)
{
    static int common;
    common = row == 0 ? 500 : stream_wander(s, common, 3, 4000);
    data[5] = (uint8_t)(common >> 8);
    data[6] = (uint8_t)common;
    data[2] = page == 14 ? 0x04 : 0;
    data[3] = page == 1 ? 0x80 : 0;
}

/* A text on each page: its letters tell the page as well. */
static void texts(struct stream *s, uint8_t *data, unsigned page, size_t row)
{
    static const char text[] = "TARN42XSUPPORTKITFUELWEIRDAMWATERMILL";
    (void)s;
    (void)row;
    memcpy(data + 1, text + 6 * page, 6);
}

/* A signed number about zero on each page, at once above the selector. */
static void about_zero(struct stream *s, uint8_t *data, unsigned page, size_t row)
{
    static int number[8], slow[8];
    if (row == 0)
        memset(number, 0, sizeof number);
    number[page] = stream_wander(s, number[page] + 900, 25, 1800) - 900;
    if (stream_below(s, 9) == 0)
        slow[page] = (int)stream_below(s, 200);
    unsigned raw = (unsigned)(number[page] + 40 * ((int)page - 1)) & 0xFFF;
    data[0] = (uint8_t)(raw << 4);
    data[1] = (uint8_t)(raw >> 4);
    data[3 + page] = (uint8_t)slow[page];
}

static void assert_pages(const struct lt_selector_found *found, const char *place,
                         const unsigned *page_of, unsigned pages)
{
    char said[128] = "none";
    if (found->present)
        lt_bits_print(said, sizeof said, &found->bits);
    if (!is_at(found, place))
        fail_msg("%s instead of %s", said, place);
    assert_int_equal(found->count, pages);
    for (unsigned p = 0; p < pages; p++)
        assert_int_equal(found->value[p], page_of[p]);
}

static void pages_that_hold_little_are_found_beside_what_all_share(void **state)
{
    static const unsigned pages[] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14};
    unsigned offset[15];
    (void)state;
    for (unsigned p = 0; p < 15; p++)
        offset[p] = 6 + pages[p];
    struct lt_selector_found found =
        find_pages(1, 6000, "0.7..0.0", offset, 15, false, nearly_empty);
    assert_pages(&found, "0.4..0.0", offset, 15);
}

static void letters_that_tell_the_page_are_not_the_selector(void **state)
{
    static const unsigned all[] = {0, 1, 2, 3, 4, 5};
    (void)state;
    for (unsigned pages = 2; pages <= 6; pages++) {
        struct lt_selector_found found =
            find_pages(pages, 1500, "0.7..0.0", all, pages, pages % 2, texts);
        assert_pages(&found, pages == 2 ? "0.0" : pages <= 4 ? "0.1..0.0" : "0.2..0.0", all, pages);
    }
}

static void the_sign_of_a_page_s_number_is_not_the_selector(void **state)
{
    static const unsigned pages[] = {0, 1, 2};
    (void)state;
    for (uint64_t seed = 0; seed < 10; seed++) {
        struct lt_selector_found found =
            find_pages(seed, 5000, "0.1..0.0", pages, 3, true, about_zero);
        assert_pages(&found, "0.1..0.0", pages, 3);
    }
}

/* Fast numbers that all pages share have most of what moves in the frame; what a page holds of its
 * own is slow. */
static void slow_beside_fast(struct stream *s, uint8_t *data, unsigned page, size_t row)
{
    static int own[8], fast[3];
    (void)row;
    if (stream_below(s, 8) == 0)
        own[page] = stream_wander(s, own[page], 2, 60);
    data[1] = (uint8_t)(50 * page + (unsigned)own[page]);
    for (unsigned k = 0; k < 3; k++) {
        fast[k] = stream_wander(s, fast[k], 300, 65535);
        data[2 + 2 * k] = (uint8_t)(fast[k] >> 8);
        data[3 + 2 * k] = (uint8_t)fast[k];
    }
}

static void pages_in_any_order_are_found_beside_fast_numbers_of_all(void **state)
{
    static const unsigned pages[] = {0, 1, 2, 3};
    (void)state;
    for (uint64_t seed = 0; seed < 6; seed++) {
        struct lt_selector_found found =
            find_pages(seed, 4000, "0.1..0.0", pages, 4, true, slow_beside_fast);
        assert_pages(&found, "0.1..0.0", pages, 4);
    }
}

/* It counts as an alive counter does, but its pages change one by one. */
static void pages_that_count_like_a_counter_are_found_beside_fast_numbers(void **state)
{
    static const unsigned pages[] = {0, 1, 2, 3};
    (void)state;
    for (uint64_t seed = 0; seed < 6; seed++) {
        struct lt_selector_found found =
            find_pages(seed, 4000, "0.1..0.0", pages, 4, false, slow_beside_fast);
        assert_pages(&found, "0.1..0.0", pages, 4);
    }
}

/* A few of many pages hold anything that moves. */
static void few_hold_anything(struct stream *s, uint8_t *data, unsigned page, size_t row)
{
    static int number[19];
    (void)row;
    if (page % 4)
        return;
    number[page] = stream_wander(s, number[page], 1, 60);
    data[3] = (uint8_t)(10 * page + (unsigned)number[page]);
    data[4] = (uint8_t)(0x35 + 7 * page);
}

static void upper_bits_that_make_a_run_of_the_numbers_are_the_selectors(void **state)
{
    unsigned numbers[19];
    (void)state;
    for (unsigned p = 0; p < 19; p++)
        numbers[p] = 99 + p;
    for (uint64_t seed = 0; seed < 4; seed++) {
        struct lt_selector_found found =
            find_pages(seed, 4000, "0.6..0.0", numbers, 19, true, few_hold_anything);
        assert_pages(&found, "0.6..0.0", numbers, 19);
    }
}

/* A part number on one page of two; the selector shares its byte with a choice. */
static void part_number(struct stream *s, uint8_t *data, unsigned page, size_t row)
{
    static int number, choice;
    (void)row;
    choice = stream_below(s, 300) ? choice : (int)stream_below(s, 8);
    data[6] = (uint8_t)choice;
    if (page == 0)
        return;
    memcpy(data, "LT4711", 6);
    number = stream_wander(s, number, 1, 200);
    data[7] = (uint8_t)number;
}

static void a_part_number_is_what_a_page_holds(void **state)
{
    static const unsigned pages[] = {0, 1};
    (void)state;
    struct lt_selector_found found = find_pages(2, 3000, "6.6", pages, 2, false, part_number);
    assert_pages(&found, "6.6", pages, 2);
}

/* ---- Where it ends ---- */

/* Bits of the page's own, beside the selector, that never change on a page. */
static void constants_beside(struct stream *s, uint8_t *data, unsigned page, size_t row)
{
    static const uint8_t beside[] = {0x4, 0xC, 0x0, 0x8, 0x4, 0xC};
    texts(s, data, page, row);
    data[0] = beside[page];
    data[7] = (uint8_t)(row >> 3);
}

static void alive(struct stream *s, uint8_t *data, unsigned page, size_t row)
{
    static int number[8][6];
    (void)row;
    for (unsigned k = 0; k < 6; k++) {
        number[page][k] = stream_wander(s, number[page][k], 4, 255);
        data[1 + k] = (uint8_t)(number[page][k] + 30 * page);
    }
}

static void pages_are_numbered_one_after_another_where_much_never_changes(void **state)
{
    static const unsigned pages[] = {0, 1, 2, 3, 4, 5};
    (void)state;
    struct lt_selector_found found =
        find_pages(3, 4000, "0.6..0.4", pages, 6, false, constants_beside);
    assert_pages(&found, "0.6..0.4", pages, 6);
}

static void pages_have_any_number_where_all_else_changes(void **state)
{
    static const unsigned three[] = {31, 138, 183}, two[] = {1, 10};
    (void)state;
    struct lt_selector_found found = find_pages(4, 4000, "0.7..0.0", three, 3, true, alive);
    assert_pages(&found, "0.7..0.0", three, 3);
    found = find_pages(5, 4000, "0.3..0.0", two, 2, false, alive);
    assert_pages(&found, "0.3..0.0", two, 2);
}

/* Unused bits are ones. */
static void alive_among_ones(struct stream *s, uint8_t *data, unsigned page, size_t row)
{
    alive(s, data, page, row);
    for (unsigned k = 4; k < 8; k++)
        data[k] = 0xFF;
    data[0] = 0xFF;
}

static void ones_that_never_move_are_part_of_the_numbers_unless_unused_bits_are(void **state)
{
    static const unsigned high[] = {230, 231, 232, 233}, odd[] = {1, 3}, plain[] = {0, 1, 2},
                          last[] = {252, 253, 254, 255};
    (void)state;
    struct lt_selector_found found = find_pages(6, 4000, "0.7..0.0", high, 4, false, alive);
    assert_pages(&found, "0.7..0.0", high, 4);
    found = find_pages(9, 4000, "0.7..0.0", last, 4, true, alive);
    assert_pages(&found, "0.7..0.0", last, 4);
    found = find_pages(7, 4000, "0.1..0.0", odd, 2, false, alive);
    assert_pages(&found, "0.1..0.0", odd, 2);
    found = find_pages(8, 4000, "0.7..0.0", plain, 3, false, alive);
    assert_pages(&found, "0.1..0.0", plain, 3);
    found = find_pages(8, 4000, "0.1..0.0", plain, 3, false, alive_among_ones);
    assert_pages(&found, "0.1..0.0", plain, 3);
}

/* ---- What is none ---- */

typedef void (*fill_fn)(struct stream *s, uint8_t *data, size_t row, int *state);

static void counter_and_check(struct stream *s, uint8_t *data, size_t row, int *state)
{
    if (stream_below(s, 150) == 0)
        *state = stream_wander(s, *state, 3, 255);
    data[1] = (uint8_t)(row % 16);
    data[3] = (uint8_t)*state;
    data[7] = crc8(data);
}

static void counter_of_fifteen_and_check(struct stream *s, uint8_t *data, size_t row, int *state)
{
    counter_and_check(s, data, row, state);
    data[1] = (uint8_t)(row % 15);
    data[7] = crc8(data);
}

static void two_counters_and_a_toggle(struct stream *s, uint8_t *data, size_t row, int *state)
{
    (void)s;
    (void)state;
    data[0] = (uint8_t)(row % 4);
    data[2] = (uint8_t)(row % 16 << 4);
    data[6] = (uint8_t)(row & 1);
}

/* The gear stays for long, and a ratio and a lamp follow it. */
static void gear(struct stream *s, uint8_t *data, size_t row, int *state)
{
    (void)row;
    if (stream_below(s, 60) == 0)
        *state = (int)stream_below(s, 7);
    data[0] = (uint8_t)*state;
    data[1] = (uint8_t)(200 - 30 * *state);
    data[2] = *state > 4;
    data[4] = (uint8_t)(100 + stream_below(s, 3));
}

static void blinking_flags(struct stream *s, uint8_t *data, size_t row, int *state)
{
    (void)state;
    data[0] = (uint8_t)(row / 17 % 2 * 3);
    data[1] = (uint8_t)(row / 17 % 2 * 0x80 | (stream_below(s, 40) == 0));
}

/* To and fro over 7/8 and over zero: all bits change together. */
static void trembling_number(struct stream *s, uint8_t *data, size_t row, int *state)
{
    (void)row;
    *state = stream_wander(s, *state, 1, 12);
    stream_put(data, "0.3..1.0", (uint64_t)(*state - 6) & 0xFFF);
    stream_put(data, "4.7..5.4", 0x7F8 + stream_below(s, 2));
}

static void field_and_its_copy(struct stream *s, uint8_t *data, size_t row, int *state)
{
    (void)row;
    *state = stream_wander(s, *state, 3, 1023);
    stream_put(data, "0.7..1.6", (uint64_t)*state);
    stream_put(data, "3.7..4.6", 1023 - (uint64_t)*state);
}

/* Stays for some frames, then all of it jumps to somewhere new. */
static void jumping_number(struct stream *s, uint8_t *data, size_t row, int *state)
{
    (void)row;
    (void)state;
    if (stream_below(s, 4) == 0)
        stream_put(data, "6.7..1.0", stream_random(s) & 0x3F0FFFFF7F3F);
}

/* A message code over a counter and a flag that seldom changes: for each value of the counter it is
 * the same until the flag changes, and then it is another for all of them. */
static void counter_and_code(struct stream *s, uint8_t *data, size_t row, int *state)
{
    *state ^= stream_below(s, 150) == 0;
    data[5] = (uint8_t)(row % 16);
    data[4] = (uint8_t)*state;
    uint64_t code = ((uint64_t)data[5] << 8 | data[4]) * UINT64_C(0x9E3779B97F4A7C15);
    code ^= code >> 29;
    code *= UINT64_C(0xBF58476D1CE4E5B9);
    data[6] = (uint8_t)(code >> 40);
    data[7] = (uint8_t)(code >> 48);
}

static void noise(struct stream *s, uint8_t *data, size_t row, int *state)
{
    (void)row;
    (void)state;
    stream_put(data, "7.7..0.0", stream_random(s));
}

static void what_explains_others_for_another_reason_is_none(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        fill_fn fill;
    } fillers[] = {
        {"counter and check", counter_and_check},
        {"counter of fifteen and check", counter_of_fifteen_and_check},
        {"two counters and a toggle", two_counters_and_a_toggle},
        {"gear", gear},
        {"blinking flags", blinking_flags},
        {"trembling number", trembling_number},
        {"field and its copy", field_and_its_copy},
        {"jumping number", jumping_number},
        {"counter and code", counter_and_code},
        {"noise", noise},
    };
    for (size_t f = 0; f < COUNT_OF(fillers); f++) {
        size_t wrong = 0, all = 20;
        for (size_t i = 0; i < all; i++) {
            int value = 6;
            uint8_t data[8] = {0};
            stream_begin(&stream, i, 8, i % 3 == 2 ? 0 : 20 * STREAM_MS);
            for (size_t row = 0; row < (i % 2 ? 1500u : 120u); row++) {
                fillers[f].fill(&stream, data, row, &value);
                stream_send(&stream, data, i % 4 == 3 && stream_below(&stream, 20) == 0);
            }
            wrong += find(&stream).present;
        }
        print_message("%s: %zu of %zu false\n", fillers[f].name, wrong, all);
        assert_true(wrong <= all / 20);
    }
}

/* First frames and consecutive frames of a transport protocol have a first nibble that means
 * something else; nothing is asked here but an answer. */
static void transport_frames_do_no_harm(void **state)
{
    (void)state;
    stream_begin(&stream, 9, 8, 10 * STREAM_MS);
    for (size_t i = 0; i < 500; i++) {
        uint8_t data[8];
        for (unsigned k = 1; k < 8; k++)
            data[k] = (uint8_t)stream_random(&stream);
        data[0] = (uint8_t)(i % 5 == 0 ? 0x10 : 0x20 + i % 5);
        stream_send(&stream, data, false);
    }
    struct lt_selector_found found = find(&stream);
    assert_true(found.confidence >= 0 && found.confidence <= 1);
}

static void tiny_streams_have_none(void **state)
{
    (void)state;
    for (size_t frames = 0; frames < 8; frames++) {
        make(&stream, 2, &shapes[0], frames, 20 * STREAM_MS, 0);
        assert_false(find(&stream).present);
    }
    stream_begin(&stream, 1, 0, 20 * STREAM_MS);
    for (size_t i = 0; i < 40; i++)
        stream_send(&stream, (const uint8_t *)"", false);
    assert_false(find(&stream).present);
}

static void memory_that_runs_out_is_said(void **state)
{
    (void)state;
    make(&stream, 2, &shapes[1], 600, 20 * STREAM_MS, 0);
    for (uint64_t nth = 1;; nth++) {
        struct lt_selector_found found;
        struct lt_arena arena;
        lt_arena_init(&arena, 0);
        arena.fail_countdown = nth;
        enum lt_code code = lt_selector_find(&stream.kept, NULL, &arena, &found, NULL);
        bool failed = arena.failed;
        lt_arena_release(&arena);
        assert_int_equal(code, failed ? LT_E_MEMORY : LT_OK);
        assert_true(failed || found.present);
        if (!failed)
            break;
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_shape_is_found_exactly),
        cmocka_unit_test(random_selectors_are_found),
        cmocka_unit_test(pages_that_never_change_are_known_by_their_size),
        cmocka_unit_test(what_all_pages_share_is_common),
        cmocka_unit_test(pages_that_hold_little_are_found_beside_what_all_share),
        cmocka_unit_test(letters_that_tell_the_page_are_not_the_selector),
        cmocka_unit_test(the_sign_of_a_page_s_number_is_not_the_selector),
        cmocka_unit_test(pages_in_any_order_are_found_beside_fast_numbers_of_all),
        cmocka_unit_test(pages_that_count_like_a_counter_are_found_beside_fast_numbers),
        cmocka_unit_test(upper_bits_that_make_a_run_of_the_numbers_are_the_selectors),
        cmocka_unit_test(a_part_number_is_what_a_page_holds),
        cmocka_unit_test(pages_are_numbered_one_after_another_where_much_never_changes),
        cmocka_unit_test(pages_have_any_number_where_all_else_changes),
        cmocka_unit_test(ones_that_never_move_are_part_of_the_numbers_unless_unused_bits_are),
        cmocka_unit_test(what_explains_others_for_another_reason_is_none),
        cmocka_unit_test(transport_frames_do_no_harm),
        cmocka_unit_test(tiny_streams_have_none),
        cmocka_unit_test(memory_that_runs_out_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
