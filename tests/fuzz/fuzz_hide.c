/* Hiding identification numbers in any frames: every frame comes out again in order, as long as it
 * was, with its bytes or 'X' in their place; and no whole message that the transport layer puts
 * together from them holds anything like a vehicle number. */
#include <stdlib.h>

#include "loomtap/proto/isotp.h"
#include "proto_records.h"
#include "recast/inside.h"

#define FRAMES_MAX 4096

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static const uint32_t ids[] = {0x7E0, 0x7E8, 0x7DF, 0x612, 0x18DAF110, 0x1CECFF00, 0x1CEBFF00};
#define ID_COUNT (sizeof ids / sizeof *ids)

static struct lt_frame frames[FRAMES_MAX];
static size_t frame_count, given;
static struct lt_isotp streams[ID_COUNT];

static void check(bool fine)
{
    if (!fine)
        abort();
}

static bool is_like_number(const uint8_t *bytes, uint32_t len)
{
    unsigned run = 0, digits = 0;
    for (uint32_t i = 0; i < len; i++) {
        uint8_t c = bytes[i];
        bool digit = c >= '0' && c <= '9';
        bool fits = digit || (c >= 'A' && c <= 'Z' && c != 'I' && c != 'O' && c != 'Q');
        run = fits ? run + 1 : 0;
        digits = fits ? digits + digit : 0;
        if (run >= 17 && digits > 0)
            return true;
    }
    return false;
}

static void give(void *context, const struct held *held)
{
    const struct lt_frame *frame = &held->frame, *before = &frames[given++];
    (void)context;
    check(given <= frame_count);
    check(frame->id == before->id && frame->len == before->len && frame->flags == before->flags);
    check(frame->time_ns == before->time_ns);
    for (unsigned i = 0; i < frame->len; i++)
        check(frame->data[i] == before->data[i] || frame->data[i] == 'X');
    for (size_t i = 0; i < ID_COUNT; i++) {
        if (ids[i] != frame->id)
            continue;
        struct lt_isotp_result result = lt_isotp_feed(&streams[i], frame);
        if (result.event == LT_ISOTP_MESSAGE && result.message)
            check(!is_like_number(result.message, result.length));
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct lt_cursor in = {bytes, size};
    struct lt_recast_counts counts = {0};
    struct source_bus bus = {.name = NULL};
    struct held held = {.bus = &bus};
    int64_t now_ns = 0;
    struct hide *hide = hide_new(give, NULL, &counts);
    check(hide != NULL);
    for (size_t i = 0; i < ID_COUNT; i++)
        lt_isotp_init(&streams[i], false);
    frame_count = given = 0;
    while (frame_count < FRAMES_MAX && next_record(&in, ids, ID_COUNT, &now_ns, &held.frame)) {
        frames[frame_count++] = held.frame;
        hide_feed(hide, &held);
    }
    hide_end(hide);
    check(given == frame_count);
    check(counts.hidden_frames <= frame_count && counts.vins_left == 0);
    hide_free(hide);
    return 0;
}
