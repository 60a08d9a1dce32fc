/* Gathering whole captures: streams, order, kept frames, counts by page. */
#include "unit.h"

#include <string.h>

#include "loomtap/measure/collect.h"

#define MS INT64_C(1000000)

static void add(struct lt_collect *collect, int64_t time_ns, uint32_t id, unsigned len,
                uint64_t data)
{
    struct lt_frame frame = {.time_ns = time_ns, .id = id, .len = (uint8_t)len};
    for (unsigned i = 0; i < 8; i++)
        frame.data[i] = (uint8_t)(data >> 8 * i);
    assert_int_equal(lt_collect_add(collect, &frame, NULL), LT_OK);
}

static struct lt_collect *begin(const struct lt_collect_options *options)
{
    struct lt_collect *collect;
    assert_int_equal(lt_collect_new(&collect, options, NULL), LT_OK);
    return collect;
}

static void streams_come_by_identifier_and_length(void **state)
{
    struct lt_collect *collect = begin(NULL);
    (void)state;
    add(collect, 0, 0x300, 8, 1);
    add(collect, 1, 0x100, 8, 2);
    add(collect, 2, 0x100, 4, 3);
    add(collect, 3, 0x300, 8, 4);
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    assert_int_equal(lt_collect_count(collect), 3);
    assert_int_equal(lt_collect_stream(collect, 0)->key.length, 4);
    assert_int_equal(lt_collect_stream(collect, 1)->key.length, 8);
    assert_int_equal(lt_collect_stream(collect, 2)->key.id, 0x300);
    assert_int_equal(lt_collect_stream(collect, 2)->kept.count, 2);
    assert_int_equal(lt_collect_counts(collect)->frames, 4);
    lt_collect_free(collect);
}

static void a_short_capture_is_kept_whole(void **state)
{
    struct lt_collect *collect = begin(NULL);
    (void)state;
    for (unsigned i = 0; i < 1000; i++)
        add(collect, i * 10 * MS + (i >= 500 ? 40 * MS : 0), 0x100, 8, i);
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    const struct lt_stream *stream = lt_collect_stream(collect, 0);
    assert_true(stream->kept.whole);
    assert_int_equal(stream->kept.count, 1000);
    assert_int_equal(stream->timing.period_ns, 10 * MS);
    assert_true(stream->timing.cyclic);
    assert_int_equal(stream->timing.gaps, 1);
    assert_int_equal(stream->timing.lost, 4);
    assert_int_equal(stream->kept.flags[0] & 3, 0);
    assert_int_equal(stream->kept.flags[499] & 3, LT_KEPT_FOLLOWS | LT_KEPT_NEXT);
    assert_int_equal(stream->kept.flags[500] & 3, LT_KEPT_FOLLOWS);
    assert_int_equal(stream->page_count, 1);
    assert_int_equal(stream->pages[0].frames, 1000);
    assert_int_equal(lt_moments_frames(stream->pages[0].moments), 1000);
    assert_int_equal(lt_moments_steps(stream->pages[0].moments), 998);
    assert_ptr_equal(stream->all, stream->pages[0].moments);
    lt_collect_free(collect);
}

static void a_long_capture_keeps_runs_from_start_to_end(void **state)
{
    struct lt_collect_options options = {.kept_each = 8192};
    struct lt_collect *collect = begin(&options);
    size_t runs = 0, quarter[4] = {0};
    (void)state;
    for (unsigned i = 0; i < 100000; i++)
        add(collect, i * MS, 0x100, 8, i);
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    const struct lt_stream *stream = lt_collect_stream(collect, 0);
    assert_false(stream->kept.whole);
    assert_true(stream->kept.count <= 8192);
    assert_true(stream->kept.count > 3000);
    for (size_t row = 0; row < stream->kept.count; row++) {
        int64_t time_ns = stream->kept.time_ns[row];
        assert_int_equal(lt_kept_row(&stream->kept, row)[0], time_ns / MS & 0xFF);
        runs += !(stream->kept.flags[row] & LT_KEPT_FOLLOWS);
        if (row != 0 && stream->kept.flags[row] & LT_KEPT_FOLLOWS)
            assert_int_equal(time_ns - stream->kept.time_ns[row - 1], MS);
        quarter[time_ns / MS / 25000]++;
    }
    assert_true(runs >= 6 && runs < 200);
    for (unsigned i = 0; i < 4; i++)
        assert_true(quarter[i] > stream->kept.count / 6);
    assert_int_equal(lt_moments_frames(stream->pages[0].moments), 100000);
    assert_int_equal(lt_moments_steps(stream->pages[0].moments), 99999);
    lt_collect_free(collect);
}

/* Frames that wait for their block to fill are counted when the stream settles, and take room then:
 * all bits of 8 bytes moving, some 50 KB a stream. */
static void counts_of_many_streams_stay_below_their_ceiling(void **state)
{
    struct lt_collect_options options = {.moments_bytes = 1000000};
    struct lt_collect *collect = begin(&options);
    uint64_t noise = 1;
    unsigned counted = 0;
    (void)state;
    for (unsigned i = 0; i < 20; i++)
        for (uint32_t id = 0; id < 200; id++)
            add(collect, (i * 1000 + id) * MS, id, 8, noise = noise * 6364136223846793005u + 1);
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    for (size_t i = 0; i < 200; i++)
        counted += lt_collect_stream(collect, i)->pages[0].moments != NULL;
    assert_true(counted > 0 && counted <= 20);
    lt_collect_free(collect);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(streams_come_by_identifier_and_length),
        cmocka_unit_test(a_short_capture_is_kept_whole),
        cmocka_unit_test(a_long_capture_keeps_runs_from_start_to_end),
        cmocka_unit_test(counts_of_many_streams_stay_below_their_ceiling),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
