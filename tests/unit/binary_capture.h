/* For the tests of binary forms: bytes written as hex, recordings made byte by byte in either order
 * (independently of the program's own writers), and what the reader makes of them. */
#ifndef LOOMTAP_TESTS_BINARY_CAPTURE_H
#define LOOMTAP_TESTS_BINARY_CAPTURE_H

#include "unit.h"

#include <stdbool.h>

#include "loomtap/capture/reader.h"
#include "loomtap/capture/text.h"

struct bytes {
    bool big;
    size_t len;
    uint8_t at[100000];
};

static inline void put(struct bytes *bytes, const void *from, size_t len)
{
    assert_true(bytes->len + len <= sizeof bytes->at);
    if (len)
        memcpy(bytes->at + bytes->len, from, len);
    bytes->len += len;
}

/* A number of 2, 4 or 8 bytes in the recording's order. */
static inline void put_number(struct bytes *bytes, uint64_t value, unsigned size)
{
    for (unsigned i = 0; i < size; i++) {
        unsigned shift = 8 * (bytes->big ? size - 1 - i : i);
        uint8_t byte = (uint8_t)(value >> shift);
        put(bytes, &byte, 1);
    }
}

static inline void put_hex(struct bytes *bytes, const char *hex)
{
    static const char digits[] = "0123456789ABCDEF";
    for (; *hex; hex++) {
        if (*hex == ' ' || *hex == '\n')
            continue;
        const char *high = strchr(digits, hex[0]), *low = strchr(digits, hex[1]);
        assert_true(high && low && hex[1]);
        uint8_t byte = (uint8_t)((high - digits) << 4 | (low - digits));
        put(bytes, &byte, 1);
        hex++;
    }
}

static inline void pad(struct bytes *bytes)
{
    while (bytes->len % 4)
        put(bytes, "", 1);
}

/* Everything that came, as lines of candump's log form with time as its text. */
struct reading {
    enum lt_code open_code, code;
    struct lt_error error;
    struct lt_reader_counts counts;
    size_t buses;
    char lines[20000];
};

static inline void add_frame(struct reading *reading, const struct lt_reader *reader,
                             const struct lt_frame *frame)
{
    char text[LT_FRAME_TEXT_ROOM];
    size_t used = strlen(reading->lines);
    size_t len = lt_frame_print(frame, text);
    snprintf(reading->lines + used, sizeof reading->lines - used, "%u (%.*s) %s %.*s%s\n",
             (unsigned)frame->number, frame->time_len, frame->time_len ? frame->time_text : "",
             lt_reader_bus_name(reader, frame->bus), (int)len, text,
             lt_frame_has(frame, LT_FRAME_SENT) ? " T" : "");
}

/* `block`: the largest read. */
static inline void read_bytes(struct reading *reading, const void *bytes, size_t len, size_t block,
                              const struct lt_reader_options *options)
{
    struct lt_reader *reader = NULL;
    const struct lt_frame *frame;
    memset(reading, 0, sizeof *reading);
    reading->open_code =
        lt_reader_open_memory(&reader, "x", bytes, len, block, options, &reading->error);
    if (reading->open_code != LT_OK)
        return;
    while ((frame = lt_reader_next(reader)) != NULL)
        add_frame(reading, reader, frame);
    reading->code = lt_reader_end(reader, &reading->error);
    reading->counts = *lt_reader_counts(reader);
    reading->buses = lt_reader_bus_count(reader);
    lt_reader_free(reader);
}

/* Whole, byte by byte and in pieces of some sizes: always the lines and the code wanted. */
static inline void check_reading(const struct bytes *bytes, const char *lines, enum lt_code code,
                                 struct reading *ret_reading)
{
    static const size_t blocks[] = {0, 1, 3, 7, 64, 1000};
    for (size_t i = COUNT_OF(blocks); i-- > 0;) {
        read_bytes(ret_reading, bytes->at, bytes->len, blocks[i], NULL);
        if (ret_reading->open_code != LT_OK)
            fail_msg("blocks of %zu: refused: %s", blocks[i], ret_reading->error.text);
        if (ret_reading->code != code)
            fail_msg("blocks of %zu: code %d: %s", blocks[i], ret_reading->code,
                     ret_reading->error.text);
        assert_string_equal(ret_reading->lines, lines);
    }
}

static inline void check_refused(const struct bytes *bytes, const char *words)
{
    struct reading reading;
    read_bytes(&reading, bytes->at, bytes->len, 0, NULL);
    assert_int_equal(reading.open_code, LT_E_NOT_CAPTURE);
    if (!strstr(reading.error.text, words))
        fail_msg("\"%s\" does not say \"%s\"", reading.error.text, words);
    assert_string_equal(reading.error.source, "x");
    assert_true(strlen(reading.error.advice) > 0);
}

#endif
