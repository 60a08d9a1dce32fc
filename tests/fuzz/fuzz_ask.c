/* The polite tester on a bus where anything may come: whatever is answered, it sends only what may
 * be sent, and in no second more than five frames. */
#include <assert.h>
#include <stdlib.h>

#include "loomtap/live/ask.h"
#include "proto_records.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static volatile uint8_t seen;

#define STEP_NS   INT64_C(20000000)
#define SECOND_NS INT64_C(1000000000)

struct sent {
    int64_t time_ns[5];
    size_t count;
};

static void check_reply(const struct lt_obd_reply *reply)
{
    assert(!reply->negative && reply->count <= LT_OBD_ITEMS_MAX);
    for (size_t i = 0; i < reply->count; i++)
        seen = read_all(reply->item[i].data, reply->item[i].length);
}

static void check_sent(struct sent *sent, const struct lt_frame *frame, int64_t now_ns)
{
    size_t at = sent->count++ % 5;
    assert(lt_ask_is_allowed(frame));
    assert(sent->count <= 5 || now_ns - sent->time_ns[at] >= SECOND_NS);
    sent->time_ns[at] = now_ns;
}

/* Up to `until_ns`, in steps; the input says whether a frame goes out. */
static void pass_time(struct lt_ask *ask, int64_t *now_ns, int64_t until_ns, uint8_t fails,
                      struct sent *sent)
{
    struct lt_frame frame;
    struct lt_obd_reply reply;
    while (*now_ns < until_ns) {
        *now_ns += STEP_NS;
        if (!lt_ask_next(ask, *now_ns, &frame))
            continue;
        bool goes_out = fails < 250;
        if (goes_out)
            check_sent(sent, &frame, *now_ns);
        lt_ask_sent(ask, goes_out, *now_ns);
        if (goes_out && (fails & 1))
            lt_ask_hear(ask, LT_ASK_HERE, &frame, *now_ns, &reply);
    }
}

static size_t take_wanted(struct lt_cursor *in, struct lt_ask_wanted *wanted)
{
    static const struct lt_ask_wanted choice[] = {{0x01, 0x0C},
                                                  {0x01, 0x0D},
                                                  {0x01, 0x04},
                                                  {0x01, 0x34},
                                                  {0x01, 0x70},
                                                  {0x01, 0xC4},
                                                  {0x02, 0x0C},
                                                  {0x03, LT_OBD_NO_NUMBER},
                                                  {0x07, LT_OBD_NO_NUMBER},
                                                  {0x0A, LT_OBD_NO_NUMBER},
                                                  {0x09, 0x02},
                                                  {0x09, 0x04},
                                                  {0x09, 0x25},
                                                  {0x22, 0xF190},
                                                  {0x22, 0xF40C},
                                                  {0x01, 0x00}};
    uint8_t count = 0, which;
    size_t taken = 0;
    lt_take8(in, &count);
    while (taken < 1u + count % 12u && lt_take8(in, &which))
        wanted[taken++] = choice[which % (sizeof choice / sizeof *choice)];
    return taken;
}

static void check_outcomes(const struct lt_ask *ask)
{
    struct lt_ask_outcome outcome;
    size_t count = 0;
    while (lt_ask_outcome(ask, count, &outcome)) {
        assert((outcome.answer == LT_OBD_ANSWERED) == (outcome.answered > 0));
        count++;
    }
    assert(count > 0 && count <= 12 * LT_ASK_CONTROLLERS_MAX);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static const uint32_t ids[] = {0x7E8,      0x7E8, 0x7E8, 0x7E9,      0x7EF, 0x18DAF110,
                                   0x18DAF111, 0x7DF, 0x7E0, 0x18DB33F1, 0x123, 0x123};
    struct lt_cursor in = {bytes, size};
    struct lt_ask_wanted wanted[12];
    struct lt_frame frame;
    struct lt_obd_reply reply;
    struct sent sent = {.count = 0};
    uint8_t flags = 0;
    int64_t now_ns = 0, time_ns = 0;
    struct lt_ask *ask;
    lt_take8(&in, &flags);
    struct lt_ask_options options = {.wanted = wanted,
                                     .wanted_count = take_wanted(&in, wanted),
                                     .rounds = flags & 1 ? 2 : 0,
                                     .every_ns = flags & 2 ? SECOND_NS : 0,
                                     .wakes = (flags & 4) != 0,
                                     .seed = flags};
    if (lt_ask_new(&ask, &options, 0, NULL) != LT_OK)
        return 0;
    pass_time(ask, &now_ns, 2 * SECOND_NS + 2 * STEP_NS, flags, &sent);
    while (next_record(&in, ids, sizeof ids / sizeof ids[0], &time_ns, &frame)) {
        bool here = frame.id != 0x123 || (flags & 8) == 0;
        if (frame.id == 0x123 && frame.len == 8 && frame.data[0] == 0xEE)
            frame.flags |= LT_FRAME_ERROR;
        time_ns = time_ns < now_ns ? now_ns : time_ns;
        pass_time(ask, &now_ns, time_ns, flags, &sent);
        frame.time_ns = now_ns;
        if (lt_ask_hear(ask, here ? LT_ASK_HERE : LT_ASK_ELSEWHERE, &frame, now_ns, &reply))
            check_reply(&reply);
    }
    pass_time(ask, &now_ns, now_ns + 20 * SECOND_NS, flags, &sent);
    check_outcomes(ask);
    lt_ask_free(ask);
    return 0;
}
