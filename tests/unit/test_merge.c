/* Two collectors added up against one for both captures, which is broken where the second begins.
 */
#include "measure_frames.h"

static void same_moments(struct lt_moments *a, struct lt_moments *b)
{
    const struct lt_band *const *bands_a, *const *bands_b;
    assert_int_equal(lt_moments_frames(a), lt_moments_frames(b));
    assert_int_equal(lt_moments_steps(a), lt_moments_steps(b));
    size_t count = lt_moments_bands(a, &bands_a);
    assert_int_equal(count, lt_moments_bands(b, &bands_b));
    for (size_t i = 0; i < count; i++)
        assert_memory_equal(bands_a[i], bands_b[i], sizeof *bands_a[i]);
    lt_moments_fold(a);
    lt_moments_fold(b);
}

static void same_timing(const struct lt_timing *a, const struct lt_timing *b)
{
    assert_int_equal(a->count, b->count);
    assert_int_equal(a->first_ns, b->first_ns);
    assert_int_equal(a->last_ns, b->last_ns);
    assert_int_equal(a->shortest_ns, b->shortest_ns);
    assert_int_equal(a->longest_ns, b->longest_ns);
    assert_int_equal(a->backward_steps, b->backward_steps);
    assert_int_equal(a->cyclic, b->cyclic);
    /* Of thinned streams from the frames that are kept, which are not the same. */
    assert_in_range(a->period_ns, b->period_ns - MS / 50, b->period_ns + MS / 50);
}

static void same_streams(const struct lt_collect *a, const struct lt_collect *b, bool whole)
{
    assert_int_equal(lt_collect_count(a), lt_collect_count(b));
    for (size_t i = 0; i < lt_collect_count(a); i++) {
        const struct lt_stream *x = lt_collect_stream(a, i), *y = lt_collect_stream(b, i);
        assert_memory_equal(&x->key, &y->key, sizeof x->key);
        assert_int_equal(x->page_count, y->page_count);
        for (size_t page = 0; page < x->page_count; page++) {
            assert_int_equal(x->pages[page].value, y->pages[page].value);
            assert_int_equal(x->pages[page].frames, y->pages[page].frames);
            same_moments(x->pages[page].moments, y->pages[page].moments);
        }
        same_timing(&x->timing, &y->timing);
        if (!whole)
            continue;
        assert_true(x->kept.whole && y->kept.whole);
        assert_int_equal(x->kept.count, y->kept.count);
        assert_memory_equal(x->kept.time_ns, y->kept.time_ns, 8 * x->kept.count);
        assert_memory_equal(x->kept.flags, y->kept.flags, x->kept.count);
        assert_memory_equal(x->kept.bytes, y->kept.bytes, x->kept.count * x->key.length);
    }
    assert_memory_equal(lt_collect_counts(a), lt_collect_counts(b), sizeof *lt_collect_counts(a));
}

/* A capture of `total` frames cut at `cut`. */
static void compare(uint64_t seed, unsigned cut, unsigned total, bool whole)
{
    struct lt_collect *one = begin_collect(NULL);
    struct lt_collect *first = begin_collect(NULL), *second = begin_collect(NULL);
    struct traffic traffic = begin_traffic(seed);
    for (unsigned i = 0; i < total; i++) {
        struct lt_frame frame = next_frame(&traffic);
        if (i == cut)
            lt_collect_break(one);
        add_frame(one, &frame);
        add_frame(i < cut ? first : second, &frame);
    }
    assert_int_equal(lt_collect_finish(one, NULL), LT_OK);
    assert_int_equal(lt_collect_finish(second, NULL), LT_OK);
    assert_int_equal(lt_collect_merge(first, second, NULL), LT_OK);
    assert_int_equal(lt_collect_finish(first, NULL), LT_OK);
    same_streams(first, one, whole);
    lt_collect_free(one);
    lt_collect_free(first);
    lt_collect_free(second);
}

static void short_captures_add_up_frame_by_frame(void **state)
{
    (void)state;
    for (unsigned i = 0; i < 10; i++)
        compare(i, 137 * i, 2000, true);
}

static void captures_of_which_one_had_settled(void **state)
{
    (void)state;
    compare(20, 30000, 33000, true); /* 7 streams: some above 8192 frames, some below */
    compare(21, 1000, 60000, true);
}

static void counts_of_thinned_captures_add_up(void **state)
{
    (void)state;
    compare(30, 150000, 300000, false);
    compare(31, 299000, 300000, false);
}

static void thinned_parts_keep_runs_of_both(void **state)
{
    struct lt_collect_options options = {.kept_each = 4096};
    struct lt_collect *first = begin_collect(&options), *second = begin_collect(&options);
    size_t in_second = 0;
    (void)state;
    for (unsigned i = 0; i < 60000; i++) {
        struct lt_frame frame = {.id = 1, .len = 8, .time_ns = i * MS, .data = {(uint8_t)i}};
        add_frame(i < 20000 ? first : second, &frame);
    }
    assert_int_equal(lt_collect_finish(second, NULL), LT_OK);
    assert_int_equal(lt_collect_merge(first, second, NULL), LT_OK);
    for (unsigned i = 60000; i < 100000; i++) {
        struct lt_frame frame = {.id = 1, .len = 8, .time_ns = i * MS, .data = {(uint8_t)i}};
        add_frame(first, &frame);
    }
    assert_int_equal(lt_collect_finish(first, NULL), LT_OK);
    const struct lt_kept *kept = &lt_collect_stream(first, 0)->kept;
    size_t part[5] = {0};
    assert_true(kept->count <= 4096 && kept->count > 1500);
    for (size_t row = 0; row < kept->count; row++) {
        int64_t at = kept->time_ns[row] / MS;
        assert_int_equal(lt_kept_row(kept, row)[0], at & 0xFF);
        if (row != 0 && (kept->flags[row] & LT_KEPT_FOLLOWS))
            assert_int_equal(kept->time_ns[row] - kept->time_ns[row - 1], MS);
        part[at / 20000]++;
        in_second += at >= 20000 && at < 60000;
    }
    for (unsigned i = 0; i < 5; i++)
        assert_true(part[i] >= 256);
    assert_true(in_second > 512);
    lt_collect_free(first);
    lt_collect_free(second);
}

static void more_streams_than_there_may_be(void **state)
{
    struct lt_collect *first = begin_collect(NULL), *second = begin_collect(NULL);
    (void)state;
    for (unsigned i = 0; i < 3000; i++) {
        struct lt_frame frame = {.id = 0x10000 + i, .flags = LT_FRAME_EXTENDED, .len = 1};
        add_frame(first, &frame);
        frame.id += 2000;
        add_frame(second, &frame);
    }
    assert_int_equal(lt_collect_finish(second, NULL), LT_OK);
    assert_int_equal(lt_collect_merge(first, second, NULL), LT_OK);
    assert_int_equal(lt_collect_finish(first, NULL), LT_OK);
    assert_int_equal(lt_collect_count(first), LT_STREAMS_MAX);
    assert_int_equal(lt_collect_counts(first)->frames_past_streams, 5000 - LT_STREAMS_MAX);
    assert_int_equal(lt_collect_counts(first)->frames, 6000);
    lt_collect_free(first);
    lt_collect_free(second);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(short_captures_add_up_frame_by_frame),
        cmocka_unit_test(captures_of_which_one_had_settled),
        cmocka_unit_test(counts_of_thinned_captures_add_up),
        cmocka_unit_test(thinned_parts_keep_runs_of_both),
        cmocka_unit_test(more_streams_than_there_may_be),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
