/* Captures of any text or noise: read whole and in small blocks, by the quick and the general path,
 * strictly and with differences added up. All ways must agree, and every frame must be one that can
 * be on a bus and that our own writer's text gives back. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "capture/reader.h"
#include "loomtap/capture/text.h"

static void check(bool fine)
{
    if (!fine)
        abort();
}

static uint64_t mix(uint64_t sum, uint64_t value)
{
    return (sum ^ value) * UINT64_C(0x100000001B3) + (sum >> 29);
}

static void check_frame(const struct lt_reader *reader, const struct lt_frame *frame)
{
    char text[LT_FRAME_TEXT_ROOM];
    struct lt_frame back = {.id = 0};
    bool fd = lt_frame_has(frame, LT_FRAME_FD);
    bool wide = lt_frame_has(frame, LT_FRAME_EXTENDED) || lt_frame_has(frame, LT_FRAME_ERROR);
    check(frame->id <= (wide ? LT_ID_MAX_EXTENDED : LT_ID_MAX_STANDARD));
    check(frame->len <= (fd ? 64 : 8) && frame->raw_dlc <= 15);
    check(!lt_frame_has(frame, LT_FRAME_REMOTE) || frame->len == 0);
    check(frame->bus < lt_reader_bus_count(reader));
    check(frame->time_ns == LT_NO_TIME || frame->time_ns >= 0);
    check((frame->time_text == NULL) == (frame->time_len == 0));
    for (unsigned i = 0; i < frame->time_len; i++)
        check(lt_is_digit(frame->time_text[i]) || frame->time_text[i] == '.');
    size_t len = lt_frame_print(frame, text);
    check(len <= sizeof text && lt_frame_parse((struct lt_text){text, len}, &back));
    check(back.id == frame->id && back.len == frame->len && back.raw_dlc == frame->raw_dlc);
    check(back.flags == (frame->flags & ~LT_FRAME_SENT));
    check(memcmp(back.data, frame->data, frame->len) == 0);
}

/* A sum over everything that was read; *ret_opened: was it a capture? */
static uint64_t read_as(const uint8_t *bytes, size_t size, size_t block, bool fast,
                        const struct lt_reader_options *options)
{
    struct lt_reader *reader = NULL;
    struct lt_error error;
    const struct lt_frame *frame;
    uint64_t sum = 14695981039346656037u;
    enum lt_code code = lt_reader_open_memory(&reader, "fuzz", bytes, size, block, options, &error);
    if (code != LT_OK) {
        check(code == LT_E_NOT_CAPTURE && error.text[0]);
        return 1;
    }
    lt_reader_set_fast(reader, fast);
    while ((frame = lt_reader_next(reader)) != NULL) {
        check_frame(reader, frame);
        sum = mix(mix(mix(sum, (uint64_t)frame->time_ns), frame->id), frame->number);
        sum = mix(mix(mix(sum, frame->flags), frame->len), frame->raw_dlc);
        sum = mix(mix(sum, frame->bus), frame->time_len);
        for (unsigned i = 0; i < frame->len; i++)
            sum = mix(sum, frame->data[i]);
    }
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    uint64_t bad = 0;
    for (size_t i = 0; i < LT_BAD_COUNT; i++)
        sum = mix(sum, counts->bad[i]), bad += counts->bad[i];
    check(bad == counts->malformed);
    check(counts->frames + counts->malformed + counts->blank_lines + counts->notes +
              counts->banner_lines + counts->drop_lines ==
          counts->lines);
    check(options || counts->bytes == size);
    sum = mix(mix(mix(sum, counts->lines), counts->oddities), counts->backward_steps);
    lt_reader_free(reader);
    return sum;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static const struct lt_reader_options strict = {.strict = true};
    static const struct lt_reader_options differences = {.differences = true};
    bool open;
    struct lt_text text = {(const char *)bytes, size};
    if (size > 100000)
        return 0;
    /* Binary and packed captures have a target of their own. */
    if (lt_sniff_binary(text) || lt_packed_as(bytes, size, &open) != LT_PACKED_NOT)
        return 0;
    uint64_t whole = read_as(bytes, size, 0, false, NULL);
    check(read_as(bytes, size, 0, true, NULL) == whole);
    /* Where little is read at a time the form may be decided earlier; the first line alone cannot
     * be split from the rest then, so only inputs below the sniffing limit are compared. */
    if (size < LT_SNIFF_BYTES / 2) {
        check(read_as(bytes, size, 1 + size / 7, true, NULL) == whole);
        if (size < 2000)
            check(read_as(bytes, size, 1, true, NULL) == whole);
    }
    (void)read_as(bytes, size, 64, true, &strict);
    (void)read_as(bytes, size, 0, true, &differences);
    return 0;
}
