/* For the protocol tests: a frame from candump's "id#bytes" ("7E8#0441", "18DAF110#..", FD
 * "7E8##1.."), as this layer may not use the capture reader. */
#ifndef TESTS_PROTO_FRAME_H
#define TESTS_PROTO_FRAME_H

#include <ctype.h>
#include <string.h>

#include "loomtap/base/number.h"
#include "loomtap/core/frame.h"

#define MS INT64_C(1000000) /* nanoseconds */

static inline struct lt_frame frame_of(const char *text, int64_t time_ns)
{
    struct lt_frame frame = {.time_ns = time_ns};
    const char *hash = strchr(text, '#');
    uint64_t value = 0;
    lt_parse_hex((struct lt_text){text, (size_t)(hash - text)}, &value);
    frame.id = (uint32_t)value;
    frame.flags = hash - text > 3 ? LT_FRAME_EXTENDED : 0;
    const char *at = hash + 1;
    if (*at == '#') {
        frame.flags |= LT_FRAME_FD;
        at += 2;
    }
    for (; isxdigit((unsigned char)at[0]) && isxdigit((unsigned char)at[1]); at += 2) {
        if (frame.len == LT_FRAME_MAX)
            break;
        lt_parse_hex((struct lt_text){at, 2}, &value);
        frame.data[frame.len++] = (uint8_t)value;
    }
    return frame;
}

#endif
