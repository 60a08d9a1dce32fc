/* pcap, pcapng and packed captures of any bytes: read whole and in small blocks, and strictly. All
 * ways must agree, every frame must be one that can be on a bus and that our own writer's text
 * gives back, and every packet must be counted once. */
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

static void check_time(const struct lt_frame *frame)
{
    int64_t ns = 0, unit = INT64_C(100000000);
    bool fraction = false;
    check((frame->time_ns == LT_NO_TIME) == (frame->time_len == 0));
    check((frame->time_text == NULL) == (frame->time_len == 0));
    if (frame->time_len == 0)
        return;
    /* The text says the number, or its first six digits. */
    for (unsigned i = 0; i < frame->time_len; i++) {
        char c = frame->time_text[i];
        check(lt_is_digit(c) || (c == '.' && !fraction));
        if (c == '.')
            fraction = true, ns *= INT64_C(1000000000);
        else if (!fraction)
            ns = ns * 10 + (c - '0');
        else
            ns += (c - '0') * unit, unit /= 10;
    }
    check(ns == frame->time_ns || ns == frame->time_ns / 1000 * 1000);
}

static void check_frame(const struct lt_reader *reader, const struct lt_frame *frame)
{
    char text[LT_FRAME_TEXT_ROOM];
    struct lt_frame back = {.id = 0};
    check(frame->bus < lt_reader_bus_count(reader));
    check(lt_bus_name_is_good(lt_text_of(lt_reader_bus_name(reader, frame->bus))));
    size_t len = lt_frame_print(frame, text);
    check(len <= sizeof text && lt_frame_parse((struct lt_text){text, len}, &back));
    check(back.id == frame->id && back.len == frame->len && back.raw_dlc == frame->raw_dlc);
    check(back.flags == (frame->flags & ~LT_FRAME_SENT));
    check(memcmp(back.data, frame->data, frame->len) == 0);
}

static void check_counts(const struct lt_reader *reader)
{
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    uint64_t bad = 0;
    for (size_t i = 0; i < LT_BAD_COUNT; i++)
        bad += counts->bad[i];
    check(bad == counts->malformed);
    if (lt_reader_form(reader) == LT_FORM_PCAP || lt_reader_form(reader) == LT_FORM_PCAPNG)
        check(counts->frames + counts->malformed + counts->other_packets == counts->lines);
}

/* A sum over everything that was read. */
static uint64_t read_as(const uint8_t *bytes, size_t size, size_t block,
                        const struct lt_reader_options *options)
{
    struct lt_reader *reader = NULL;
    struct lt_error error;
    const struct lt_frame *frame;
    uint64_t sum = 14695981039346656037u;
    enum lt_code code = lt_reader_open_memory(&reader, "fuzz", bytes, size, block, options, &error);
    if (code != LT_OK) {
        check(error.text[0] && error.source[0]);
        return 1;
    }
    while ((frame = lt_reader_next(reader)) != NULL) {
        bool is_binary =
            lt_reader_form(reader) == LT_FORM_PCAP || lt_reader_form(reader) == LT_FORM_PCAPNG;
        check_frame(reader, frame);
        if (is_binary)
            check_time(frame);
        sum = mix(mix(mix(sum, (uint64_t)frame->time_ns), frame->id), frame->number);
        sum = mix(mix(mix(sum, frame->flags), frame->len), frame->raw_dlc);
        sum = mix(mix(sum, frame->bus), frame->time_len);
        for (unsigned i = 0; i < frame->len; i++)
            sum = mix(sum, frame->data[i]);
    }
    check_counts(reader);
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    code = lt_reader_end(reader, &error);
    check(code == LT_OK || (error.text[0] && error.source[0]));
    for (size_t i = 0; i < LT_BAD_COUNT; i++)
        sum = mix(sum, counts->bad[i]);
    sum = mix(mix(mix(sum, counts->lines), counts->oddities), counts->dropped_frames);
    sum = mix(mix(mix(sum, counts->notes), counts->cut_at_end), code);
    lt_reader_free(reader);
    return sum;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static const struct lt_reader_options strict = {.strict = true};
    bool open;
    if (size > 100000)
        return 0;
    uint64_t whole = read_as(bytes, size, 0, NULL);
    /* Where a text's form is decided depends on how much is read at a time; packed data are slow in
     * small pieces. */
    bool packed = lt_packed_as(bytes, size, &open) != LT_PACKED_NOT;
    if (!packed && lt_sniff_binary((struct lt_text){(const char *)bytes, size})) {
        check(read_as(bytes, size, 1 + size / 7, NULL) == whole);
        if (size < 2000)
            check(read_as(bytes, size, 1, NULL) == whole);
    } else if (packed && size < 1000) {
        check(read_as(bytes, size, 1 + size / 7, NULL) == whole);
    }
    (void)read_as(bytes, size, 64, &strict);
    return 0;
}
