/* Records through a queue to a slow worker: order, losses, ends. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

#include "loomtap/live/outflow.h"

struct seen {
    uint32_t next;
    bool in_order;
    size_t bytes;
    atomic_bool held, was_called;
    uint32_t fails_at;
    unsigned idles;
};

static void pause_a_little(void)
{
    nanosleep(&(struct timespec){0, 1000000}, NULL);
}

static bool take(void *context, unsigned kind, const void *bytes, size_t len)
{
    struct seen *seen = context;
    uint32_t number;
    atomic_store(&seen->was_called, true);
    while (atomic_load(&seen->held))
        pause_a_little();
    memcpy(&number, bytes, sizeof number);
    if (seen->fails_at && number >= seen->fails_at)
        return false;
    seen->in_order = seen->in_order && number >= seen->next && kind == number % 7;
    seen->next = number + 1;
    seen->bytes += len;
    return true;
}

static bool idle(void *context)
{
    ((struct seen *)context)->idles++;
    return true;
}

static struct lt_outflow *start(struct seen *seen, size_t room)
{
    struct lt_outflow *flow = NULL;
    const struct lt_outflow_work work = {.context = seen, .take = take, .idle = idle};
    *seen = (struct seen){.in_order = true};
    assert_int_equal(lt_outflow_start(&flow, &work, room, NULL), LT_OK);
    return flow;
}

static bool put(struct lt_outflow *flow, uint32_t number, size_t len)
{
    char record[LT_OUTFLOW_RECORD_MAX + 1] = {0};
    memcpy(record, &number, sizeof number);
    return lt_outflow_put(flow, number % 7, record, len);
}

static void records_come_in_order_and_whole(void **state)
{
    struct seen seen;
    struct lt_outflow *flow = start(&seen, 0);
    uint64_t lost = 0;
    size_t bytes = 0;
    (void)state;
    for (uint32_t i = 0; i < 20000; i++) { /* many times around the ring */
        size_t len = 4 + i * 31 % 300;
        while (!put(flow, i, len))
            pause_a_little();
        bytes += len;
    }
    assert_true(lt_outflow_end(flow, INT64_C(60000000000), &lost));
    assert_true(seen.in_order);
    assert_int_equal(seen.next, 20000);
    assert_int_equal(seen.bytes, bytes);
    assert_true(seen.idles > 0);
}

static void a_full_queue_loses_and_counts_and_never_waits(void **state)
{
    struct seen seen;
    struct lt_outflow *flow = start(&seen, 65536);
    uint32_t taken = 0;
    uint64_t lost;
    (void)state;
    atomic_store(&seen.held, true);
    put(flow, 0, 8);
    while (!atomic_load(&seen.was_called))
        pause_a_little();
    for (uint32_t i = 1; i < 10000; i++)
        taken += put(flow, i, 24);
    assert_int_equal(taken, 65536 / 32); /* a head of 8 bytes each; the first was taken out */
    assert_int_equal(lt_outflow_lost(flow), 9999 - taken);
    atomic_store(&seen.held, false);
    assert_true(lt_outflow_end(flow, INT64_C(60000000000), &lost));
    assert_int_equal(lost, 9999 - taken);
    assert_true(seen.in_order);
    assert_int_equal(seen.next, taken + 1);
}

static void what_a_broken_worker_leaves_is_counted(void **state)
{
    struct seen seen;
    struct lt_outflow *flow = start(&seen, 0);
    uint64_t lost;
    (void)state;
    atomic_store(&seen.held, true);
    seen.fails_at = 10;
    for (uint32_t i = 0; i < 100; i++)
        assert_true(put(flow, i, 8));
    atomic_store(&seen.held, false);
    assert_true(lt_outflow_end(flow, INT64_C(60000000000), &lost));
    assert_int_equal(lost, 90);
}

static void too_long_a_record_is_lost(void **state)
{
    struct seen seen;
    struct lt_outflow *flow = start(&seen, 0);
    uint64_t lost;
    (void)state;
    assert_true(put(flow, 0, LT_OUTFLOW_RECORD_MAX));
    assert_false(put(flow, 1, LT_OUTFLOW_RECORD_MAX + 1));
    assert_true(lt_outflow_end(flow, INT64_C(60000000000), &lost));
    assert_int_equal(lost, 1);
}

static void a_worker_that_is_held_is_given_up(void **state)
{
    static struct seen seen; /* outlives the flow, which is left to its thread */
    struct lt_outflow *flow = start(&seen, 0);
    (void)state;
    atomic_store(&seen.held, true);
    put(flow, 0, 8);
    while (!atomic_load(&seen.was_called))
        pause_a_little();
    assert_false(lt_outflow_end(flow, 1000000, NULL));
    assert_true(lt_outflow_end(NULL, 0, NULL));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(records_come_in_order_and_whole),
        cmocka_unit_test(a_full_queue_loses_and_counts_and_never_waits),
        cmocka_unit_test(what_a_broken_worker_leaves_is_counted),
        cmocka_unit_test(too_long_a_record_is_lost),
        cmocka_unit_test(a_worker_that_is_held_is_given_up),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
