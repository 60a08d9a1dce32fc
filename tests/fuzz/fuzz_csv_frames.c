/* csv of raw frames, any bytes: the first line may be a map of columns (behind "columns:"). Read
 * whole and in small blocks, which must agree; every frame can be on a bus, and what our own writer
 * makes of the frames is read back the same. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "capture/writer.h"
#include "loomtap/capture/reader.h"

#define ROOM 4096

static void check(bool fine)
{
    if (!fine)
        abort();
}

static void check_frame(const struct lt_frame *frame)
{
    bool fd = lt_frame_has(frame, LT_FRAME_FD);
    bool wide = lt_frame_has(frame, LT_FRAME_EXTENDED) || lt_frame_has(frame, LT_FRAME_ERROR);
    check(frame->id <= (wide ? LT_ID_MAX_EXTENDED : LT_ID_MAX_STANDARD));
    check(frame->len <= (fd ? 64 : 8) && frame->raw_dlc <= 15);
    check(!lt_frame_has(frame, LT_FRAME_REMOTE) || (frame->len == 0 && !fd));
    check(frame->time_ns == LT_NO_TIME || frame->time_ns >= 0);
    check((frame->time_text == NULL) == (frame->time_len == 0));
}

static uint64_t mix(uint64_t sum, uint64_t value)
{
    return (sum ^ value) * UINT64_C(0x100000001B3) + (sum >> 29);
}

static uint64_t mix_frame(uint64_t sum, const struct lt_frame *frame, const char *bus)
{
    sum = mix(mix(mix(sum, (uint64_t)frame->time_ns), frame->id), frame->flags);
    sum = mix(mix(sum, frame->len), frame->raw_dlc);
    for (unsigned i = 0; i < frame->len; i++)
        sum = mix(sum, frame->data[i]);
    for (; *bus; bus++)
        sum = mix(sum, (unsigned char)*bus);
    return sum;
}

/* Reads all; with `out`, writes every frame there as csv-all. False: no capture. */
static bool read_all(const void *bytes, size_t size, size_t block, const char *columns,
                     struct lt_writer *out, uint64_t *ret_sum)
{
    struct lt_reader_options options = {.columns = columns};
    struct lt_reader *reader = NULL;
    struct lt_error error;
    const struct lt_frame *frame;
    enum lt_code code =
        lt_reader_open_memory(&reader, "fuzz", bytes, size, block, &options, &error);
    if (code != LT_OK) {
        check((code == LT_E_NOT_CAPTURE || code == LT_E_SYNTAX) && error.text[0]);
        return false;
    }
    *ret_sum = 1;
    while ((frame = lt_reader_next(reader)) != NULL) {
        const char *bus = lt_reader_bus_name(reader, frame->bus);
        check_frame(frame);
        *ret_sum = mix_frame(*ret_sum, frame, bus);
        if (out)
            lt_writer_put_csv_all(out, frame, bus);
    }
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    check(counts->frames + counts->malformed + counts->blank_lines + counts->notes +
              counts->banner_lines + counts->drop_lines ==
          counts->lines);
    lt_reader_free(reader);
    return true;
}

static void check_round_trip(const uint8_t *bytes, size_t size, const char *columns, uint64_t sum)
{
    static struct lt_sink sink;
    struct lt_writer writer = {.out = &sink};
    struct lt_buf buf;
    uint64_t written = 0, back = 0;
    lt_buf_init(&buf, 0);
    lt_sink_init_buf(&sink, &buf);
    check(lt_writer_open_csv_all(&writer, NULL) == LT_OK);
    check(read_all(bytes, size, 0, columns, &writer, &written) && written == sum);
    check(lt_sink_flush(&sink));
    check(read_all(buf.at, buf.len, 0, NULL, NULL, &back) && back == sum);
    lt_buf_release(&buf);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static const char mark[] = "columns:";
    char map[ROOM];
    const char *columns = NULL;
    uint64_t sum, other;
    const uint8_t *end = size > 8 ? memchr(bytes, '\n', size) : NULL;
    if (size > 50000)
        return 0;
    if (end && memcmp(bytes, mark, 8) == 0 && end - bytes < ROOM) {
        size_t len = (size_t)(end - bytes) - 8;
        memcpy(map, bytes + 8, len);
        map[len] = 0;
        columns = map;
        size -= (size_t)(end + 1 - bytes);
        bytes = end + 1;
    }
    if (!read_all(bytes, size, 0, columns, NULL, &sum))
        return 0;
    check(read_all(bytes, size, 1 + size / 5, columns, NULL, &other) && other == sum);
    check_round_trip(bytes, size, columns, sum);
    return 0;
}
