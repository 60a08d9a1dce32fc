/* What is kept under ceilings: of one stream, of many, and frames that move rare bits. */
#include "measure_frames.h"

#include "measure/collect_inside.h"

/* Rows that are next to each other are frames next to each other. */
static void rows_hold_together(const struct lt_kept *kept, int64_t period_ns)
{
    for (size_t row = 0; row < kept->count; row++) {
        bool follows = kept->flags[row] & LT_KEPT_FOLLOWS;
        if (row == 0)
            assert_false(follows);
        else if (follows)
            assert_int_equal(kept->time_ns[row] - kept->time_ns[row - 1], period_ns);
        else
            assert_true(kept->time_ns[row] - kept->time_ns[row - 1] > period_ns);
    }
}

static void a_rare_move_is_kept_wherever_it_comes(void **state)
{
    struct lt_collect_options options = {.kept_each = 4096};
    struct lt_collect *collect = begin_collect(&options);
    unsigned found = 0, before = 0;
    (void)state;
    for (unsigned i = 0; i < 200000; i++) {
        struct lt_frame frame = {.id = 1, .len = 8, .time_ns = i * MS};
        frame.data[0] = (uint8_t)i;
        frame.data[5] = i % 30011 == 30010 ? 0x40 : 0; /* six times for one frame */
        add_frame(collect, &frame);
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    const struct lt_kept *kept = &lt_collect_stream(collect, 0)->kept;
    assert_true(kept->count <= 4096);
    rows_hold_together(kept, MS);
    for (size_t row = 1; row < kept->count; row++) {
        if (lt_kept_row(kept, row)[5] == 0)
            continue;
        found++;
        before += (kept->flags[row] & LT_KEPT_FOLLOWS) && lt_kept_row(kept, row - 1)[5] == 0;
        assert_true(row + 1 < kept->count && (kept->flags[row + 1] & LT_KEPT_FOLLOWS));
    }
    assert_int_equal(found, 6);
    assert_int_equal(before, 6);
    lt_collect_free(collect);
}

static void bits_that_move_often_are_not_rare(void **state)
{
    struct lt_collect_options options = {.kept_each = 4096};
    struct lt_collect *collect = begin_collect(&options);
    (void)state;
    for (unsigned i = 0; i < 100000; i++) {
        struct lt_frame frame = {.id = 1, .len = 8, .time_ns = i * MS};
        frame.data[0] = (uint8_t)i;
        frame.data[5] = (uint8_t)(i / 100 % 2);
        add_frame(collect, &frame);
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    assert_true(collect->streams[0]->store.rare < 4 * LT_RARE_MOVES);
    lt_collect_free(collect);
}

static size_t total_kept(const struct lt_collect *collect)
{
    size_t bytes = 0;
    for (size_t i = 0; i < collect->stream_count; i++)
        bytes += lt_kept_store_bytes(&collect->streams[i]->store, collect->streams[i]->store.room);
    return bytes;
}

static void all_streams_together_stay_below_the_ceiling(void **state)
{
    struct lt_collect_options options = {.kept_bytes = 1 << 20};
    struct lt_collect *collect = begin_collect(&options);
    (void)state;
    for (unsigned i = 0; i < 300000; i++) {
        /* Two fast streams and eight slow ones. */
        struct lt_frame frame = {
            .id = i % 10 < 8 ? i % 2 : 2 + i / 10 % 8, .len = 8, .time_ns = i * MS};
        frame.data[0] = (uint8_t)i;
        add_frame(collect, &frame);
        if (i % 1000 == 0)
            assert_true(total_kept(collect) <= options.kept_bytes);
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    assert_int_equal(total_kept(collect), collect->kept_used);
    assert_true(total_kept(collect) <= options.kept_bytes);
    for (size_t i = 0; i < 10; i++) {
        const struct lt_kept *kept = &lt_collect_stream(collect, i)->kept;
        assert_true(kept->count >= 1024);
        assert_true(kept->time_ns[kept->count - 1] > 260000 * MS); /* to the end */
        assert_int_equal(lt_moments_frames(lt_collect_stream(collect, i)->all),
                         lt_collect_stream(collect, i)->timing.count);
    }
    lt_collect_free(collect);
}

/* Fuzzing traffic: as many identifiers as there are streams, with the longest frames. */
static void thousands_of_identifiers_are_kept_in_part(void **state)
{
    struct lt_collect_options options = {.kept_bytes = 4 << 20};
    struct lt_collect *collect = begin_collect(&options);
    (void)state;
    for (unsigned i = 0; i < 300000; i++) {
        struct lt_frame frame = {.id = i * 2654435761u % 5000,
                                 .flags = LT_FRAME_FD | LT_FRAME_EXTENDED,
                                 .len = 64,
                                 .time_ns = i * MS};
        frame.data[i % 64] = (uint8_t)i;
        add_frame(collect, &frame);
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    assert_int_equal(lt_collect_count(collect), LT_STREAMS_MAX);
    assert_int_equal(lt_collect_counts(collect)->frames, 300000);
    assert_true(lt_collect_counts(collect)->frames_past_streams > 30000);
    assert_true(total_kept(collect) <= options.kept_bytes);
    assert_true(collect->moments_used <= collect->options.moments_bytes);
    lt_collect_free(collect);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_rare_move_is_kept_wherever_it_comes),
        cmocka_unit_test(bits_that_move_often_are_not_rare),
        cmocka_unit_test(all_streams_together_stay_below_the_ceiling),
        cmocka_unit_test(thousands_of_identifiers_are_kept_in_part),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
