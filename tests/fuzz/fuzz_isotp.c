/* ISO-TP: any frames, normal and extended addressing. */
#include <assert.h>
#include <stdlib.h>

#include "loomtap/proto/isotp.h"
#include "proto_records.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static volatile uint8_t seen;

static void check(const struct lt_isotp *stream, const struct lt_isotp_result *result)
{
    bool complete = result->event == LT_ISOTP_MESSAGE || result->then == LT_ISOTP_MESSAGE;
    assert((result->message != NULL) == (complete && !result->oversize));
    assert(!stream->busy || stream->have < stream->length);
    if (result->message) {
        assert(result->length >= 1 && result->length <= LT_ISOTP_MAX);
        seen = read_all(result->message, result->length + 8);
    }
    assert(result->missing < 16);
    assert(lt_isotp_event_text(result->event) != NULL);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static const uint32_t id[1] = {0x7E8};
    struct lt_cursor in = {bytes, size};
    struct lt_frame frame;
    int64_t now_ns = 0;
    uint8_t mode;
    if (!lt_take8(&in, &mode))
        return 0;
    /* Not static: memory of its own, so that a read past it is seen. */
    struct lt_isotp *stream = malloc(sizeof *stream);
    if (!stream)
        return 0;
    lt_isotp_init(stream, mode & 1);
    while (next_record(&in, id, 1, &now_ns, &frame)) {
        struct lt_isotp_result result = lt_isotp_feed(stream, &frame);
        check(stream, &result);
    }
    free(stream);
    return 0;
}
