/* For the tests of the text forms: a table of lines with what each must become. */
#ifndef LOOMTAP_TESTS_CAPTURE_LINES_H
#define LOOMTAP_TESTS_CAPTURE_LINES_H

#include "unit.h"

#include "loomtap/capture/reader.h"

enum {
    EXT = LT_FRAME_EXTENDED,
    RTR = LT_FRAME_REMOTE,
    FD = LT_FRAME_FD,
    BRS = LT_FRAME_BRS,
    ESI = LT_FRAME_ESI,
    ERR = LT_FRAME_ERROR,
    SENT = LT_FRAME_SENT,
};

struct good_line {
    const char *line;
    int64_t time_ns;
    const char *time_text; /* NULL: none */
    const char *bus;
    uint32_t id;
    uint16_t flags;
    uint8_t len, raw_dlc;
    bool odd;
    uint8_t data[64];
};

struct bad_line {
    const char *line;
    enum lt_bad_line reason;
    uint32_t column;
};

/* Reads the line alone, with and without a line break, and compares. */
static inline void check_good_line(const struct good_line *want, enum lt_form_kind form)
{
    for (size_t len = strlen(want->line), cut = 0; cut < 2; cut++) {
        struct lt_reader *reader = NULL;
        char text[5000];
        snprintf(text, sizeof text, "%s\n", want->line);
        if (lt_reader_open_memory(&reader, "line", text, len + 1 - cut, 0, NULL, NULL) != LT_OK)
            fail_msg("\"%s\" is not taken for a capture", want->line);
        const struct lt_frame *frame = lt_reader_next(reader);
        if (!frame) {
            const struct lt_reader_counts *counts = lt_reader_counts(reader);
            fail_msg("\"%s\" is refused: %s", want->line,
                     counts->malformed ? lt_bad_line_word(counts->first_bad[0].reason) : "other");
            return;
        }
        if (frame->time_ns != want->time_ns || frame->id != want->id ||
            frame->flags != want->flags || frame->len != want->len ||
            frame->raw_dlc != want->raw_dlc || memcmp(frame->data, want->data, want->len) != 0)
            fail_msg("\"%s\": time %lld id %X flags %X len %u dlc %u", want->line,
                     (long long)frame->time_ns, frame->id, frame->flags, frame->len,
                     frame->raw_dlc);
        assert_int_equal(frame->number, 1);
        assert_string_equal(lt_reader_bus_name(reader, frame->bus), want->bus);
        assert_int_equal(frame->time_len, want->time_text ? strlen(want->time_text) : 0);
        if (want->time_text)
            assert_memory_equal(frame->time_text, want->time_text, frame->time_len);
        else
            assert_null(frame->time_text);
        if (lt_reader_counts(reader)->oddities != want->odd)
            fail_msg("\"%s\": oddities %d", want->line, (int)lt_reader_counts(reader)->oddities);
        assert_int_equal(lt_reader_form(reader), form);
        assert_int_equal(lt_reader_counts(reader)->cut_at_end, cut);
        assert_null(lt_reader_next(reader));
        assert_int_equal(lt_reader_end(reader, NULL), LT_OK);
        lt_reader_free(reader);
    }
}

/* Reads a good line, the bad one, and a good one. */
static inline void check_bad_line(const struct bad_line *want, const char *good)
{
    struct lt_reader *reader = NULL;
    char text[20000];
    int len = snprintf(text, sizeof text, "%s\n%s\n%s\n", good, want->line, good);
    assert_int_equal(lt_reader_open_memory(&reader, "line", text, (size_t)len, 0, NULL, NULL),
                     LT_OK);
    size_t frames = 0;
    while (lt_reader_next(reader))
        frames++;
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    const struct lt_bad_place *place = &counts->first_bad[0];
    if (counts->malformed != 1 || counts->bad[want->reason] != 1 || frames != 2)
        fail_msg("\"%.80s\": %d malformed, %s, %zu frames", want->line, (int)counts->malformed,
                 counts->malformed ? lt_bad_line_word(place->reason) : "-", frames);
    if (place->column != want->column || place->line != 2)
        fail_msg("\"%.80s\": said to be wrong at %d:%u", want->line, (int)place->line,
                 place->column);
    lt_reader_free(reader);
}

#endif
