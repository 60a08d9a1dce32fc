/* Pages of a stream whose selector is known: counts by page against the frames of each page alone.
 */
#include "measure_frames.h"

#include "../ref/naive_moments.h"
#include "measure/collect_inside.h"

#define SELECTOR_BYTE 0

static struct lt_selector_found by_first_byte(void)
{
    struct lt_selector_found selector = {.present = true, .bits = {.parts = 1}};
    selector.bits.part[0] = (struct lt_span){7, 0};
    return selector;
}

/* Pages in turn, every 10 ms; each page's second byte counts by itself, the eighth over all. */
static struct lt_frame paged_frame(unsigned i, unsigned pages)
{
    struct lt_frame frame = {.id = 5, .len = 8, .time_ns = i * 10 * MS};
    frame.data[SELECTOR_BYTE] = (uint8_t)(2 * (i % pages));
    frame.data[1] = (uint8_t)(i / pages * (i % pages + 1));
    frame.data[4] = (uint8_t)(0x10 * (i % pages));
    frame.data[7] = (uint8_t)i;
    return frame;
}

/* A collector that has `count` frames, settled by the first byte after `settle` of them. */
static struct lt_collect *paged_collect(unsigned pages, unsigned settle, unsigned count,
                                        const struct lt_collect_options *options)
{
    struct lt_collect *collect = begin_collect(options);
    struct lt_selector_found selector = by_first_byte();
    for (unsigned i = 0; i < count; i++) {
        struct lt_frame frame = paged_frame(i, pages);
        add_frame(collect, &frame);
        if (i + 1 == settle)
            assert_int_equal(lt_settle(collect, collect->streams[0], &selector, NULL), LT_OK);
    }
    return collect;
}

/* The page's frames alone, one by one, all next to each other. */
static struct lt_moments *page_alone(unsigned page, unsigned pages, unsigned count)
{
    struct lt_moments *moments;
    assert_int_equal(lt_moments_new(&moments, 8, NULL), LT_OK);
    for (unsigned i = page; i < count; i += pages) {
        struct lt_frame frame = paged_frame(i, pages);
        lt_moments_add(moments, frame.data, true);
    }
    return moments;
}

static void same_counts(struct lt_moments *a, struct lt_moments *b)
{
    const struct lt_band *const *bands_a, *const *bands_b;
    assert_int_equal(lt_moments_frames(a), lt_moments_frames(b));
    assert_int_equal(lt_moments_steps(a), lt_moments_steps(b));
    assert_int_equal(lt_moments_bands(a, &bands_a), 1);
    assert_int_equal(lt_moments_bands(b, &bands_b), 1);
    assert_memory_equal(bands_a[0], bands_b[0], sizeof *bands_a[0]);
}

static void check_pages(const struct lt_stream *stream, unsigned pages, unsigned count)
{
    assert_int_equal(stream->page_count, pages);
    for (unsigned page = 0; page < pages; page++) {
        struct lt_moments *alone = page_alone(page, pages, count);
        assert_int_equal(stream->pages[page].value, 2 * page);
        assert_int_equal(stream->pages[page].frames, lt_moments_frames(alone));
        assert_int_equal(stream->pages[page].period_ns, pages * 10 * MS);
        same_counts(stream->pages[page].moments, alone);
        lt_moments_free(alone);
    }
    struct lt_moments *all = page_alone(0, 1, count);
    lt_moments_free(all);
    assert_int_equal(lt_moments_frames(stream->all), count);
    assert_int_equal(lt_moments_steps(stream->all), count - 1);
}

static void pages_count_by_themselves(void **state)
{
    struct lt_collect *collect = paged_collect(3, 3000, 3000, NULL);
    (void)state;
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    check_pages(lt_collect_stream(collect, 0), 3, 3000);
    lt_collect_free(collect);
}

static void frames_after_settling_go_on_the_same(void **state)
{
    struct lt_collect *collect = paged_collect(3, 1000, 3000, NULL);
    (void)state;
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    check_pages(lt_collect_stream(collect, 0), 3, 3000);
    lt_collect_free(collect);
}

static void a_thinned_stream_counts_every_frame(void **state)
{
    struct lt_collect_options options = {.kept_each = 4096};
    struct lt_collect *collect = paged_collect(5, 2000, 60000, &options);
    (void)state;
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    assert_false(lt_collect_stream(collect, 0)->kept.whole);
    check_pages(lt_collect_stream(collect, 0), 5, 60000);
    lt_collect_free(collect);
}

static void steps_of_all_pages_together(void **state)
{
    struct lt_collect *collect = paged_collect(3, 500, 1000, NULL);
    const struct lt_band *const *bands;
    (void)state;
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    struct lt_moments *all = lt_collect_stream(collect, 0)->all;
    assert_int_equal(lt_moments_bands(all, &bands), 1);
    /* The counter over all frames: its lowest bit flips with every step, and a bit of the page's
     * own byte goes with it where the page number does. */
    assert_int_equal(bands[0]->flips[56], 999);
    assert_int_equal(bands[0]->flips[57], 499);
    assert_int_equal(bands[0]->flip_pairs[57][56], 499);
    lt_collect_free(collect);
}

static void a_page_that_comes_later_is_taken_in_order(void **state)
{
    struct lt_collect *collect = begin_collect(NULL);
    struct lt_selector_found selector = by_first_byte();
    (void)state;
    for (unsigned i = 0; i < 2000; i++) {
        struct lt_frame frame = {.id = 5, .len = 8, .time_ns = i * 10 * MS};
        frame.data[0] = (uint8_t)(i >= 1000 && i % 3 == 1 ? 7 : i % 3 == 0 ? 9 : 3);
        frame.data[1] = (uint8_t)i;
        add_frame(collect, &frame);
        if (i == 999)
            assert_int_equal(lt_settle(collect, collect->streams[0], &selector, NULL), LT_OK);
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    const struct lt_stream *stream = lt_collect_stream(collect, 0);
    assert_int_equal(stream->page_count, 3);
    assert_int_equal(stream->pages[0].value, 3);
    assert_int_equal(stream->pages[1].value, 7);
    assert_int_equal(stream->pages[2].value, 9);
    assert_int_equal(stream->pages[1].frames, 334);
    assert_int_equal(lt_moments_frames(stream->pages[1].moments), 334);
    assert_int_equal(lt_moments_steps(stream->pages[1].moments), 333);
    assert_int_equal(stream->pages[1].period_ns, 30 * MS);
    lt_collect_free(collect);
}

/* Byte 0 stands still for longer than it takes to settle, then says the page of what is in the
 * others. */
static void a_selector_that_begins_late_is_found(void **state)
{
    struct lt_collect_options options = {.kept_each = 8192};
    struct lt_collect *collect = begin_collect(&options);
    (void)state;
    for (unsigned i = 0; i < 60000; i++) {
        unsigned page = i < 12000 ? 0 : i % 4;
        struct lt_frame frame = {.id = 5, .len = 8, .time_ns = i * 10 * MS};
        frame.data[0] = (uint8_t)page;
        for (unsigned byte = 1; byte < 7; byte++)
            frame.data[byte] = (uint8_t)(0x35 * (page + 1) * byte + i / (400 + 100 * byte));
        add_frame(collect, &frame);
    }
    assert_false(collect->streams[0]->open.selector.present);
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    const struct lt_stream *stream = lt_collect_stream(collect, 0);
    assert_true(stream->selector.present);
    assert_int_equal(stream->page_count, 4);
    uint64_t paged = 0;
    for (size_t i = 0; i < 4; i++) {
        assert_int_equal(lt_moments_frames(stream->pages[i].moments), stream->pages[i].frames);
        paged += stream->pages[i].frames;
    }
    assert_int_equal(paged, stream->kept.count);
    assert_int_equal(lt_moments_frames(stream->all), 60000);
    lt_collect_free(collect);
}

static void values_past_the_ceiling_are_in_no_page(void **state)
{
    struct lt_collect *collect = begin_collect(NULL);
    struct lt_selector_found selector = {.present = true, .bits = {.parts = 1}};
    selector.bits.part[0] = (struct lt_span){15, 0};
    (void)state;
    for (unsigned i = 0; i < 3000; i++) {
        struct lt_frame frame = {.id = 5, .len = 8, .time_ns = i * 10 * MS};
        frame.data[0] = (uint8_t)(i % 300);
        frame.data[1] = (uint8_t)(i % 300 >> 8);
        add_frame(collect, &frame);
        if (i == 1999)
            assert_int_equal(lt_settle(collect, collect->streams[0], &selector, NULL), LT_OK);
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    const struct lt_stream *stream = lt_collect_stream(collect, 0);
    assert_int_equal(stream->page_count, LT_PAGES_MAX);
    assert_int_equal(stream->frames_in_no_page, 10 * (300 - LT_PAGES_MAX));
    lt_collect_free(collect);
}

static void counts_past_the_ceiling_are_not_kept(void **state)
{
    struct lt_collect_options options = {.moments_bytes = 200000};
    struct lt_collect *collect = begin_collect(&options);
    size_t with = 0;
    uint64_t state_of_bits = 1;
    (void)state;
    for (unsigned i = 0; i < 40 * 100; i++) {
        struct lt_frame frame = {.id = i % 40, .len = 8, .time_ns = i * MS};
        if (i % 40 < 20 && i > 3000)
            continue; /* these have fewer frames, and lose */
        for (unsigned byte = 0; byte < 8; byte++) {
            state_of_bits = state_of_bits * 6364136223846793005 + 1442695040888963407;
            frame.data[byte] = (uint8_t)(state_of_bits >> 56);
        }
        add_frame(collect, &frame);
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    for (size_t i = 0; i < 40; i++) {
        const struct lt_stream *stream = lt_collect_stream(collect, i);
        assert_ptr_equal(stream->all, stream->pages[0].moments);
        with += stream->all != NULL;
        if (i < 20)
            assert_null(stream->all);
    }
    assert_true(with >= 3 && with < 20);
    assert_true(collect->moments_used <= options.moments_bytes);
    lt_collect_free(collect);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pages_count_by_themselves),
        cmocka_unit_test(frames_after_settling_go_on_the_same),
        cmocka_unit_test(a_thinned_stream_counts_every_frame),
        cmocka_unit_test(steps_of_all_pages_together),
        cmocka_unit_test(a_page_that_comes_later_is_taken_in_order),
        cmocka_unit_test(a_selector_that_begins_late_is_found),
        cmocka_unit_test(values_past_the_ceiling_are_in_no_page),
        cmocka_unit_test(counts_past_the_ceiling_are_not_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
