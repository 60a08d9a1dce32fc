/* Captures in: a stream of frames from text or binary recordings, packed or not, told apart by
 * content. Constant memory.
 *
 *     enum lt_code code = lt_reader_open(&reader, path, NULL, &error);
 *     while ((frame = lt_reader_next(reader)) != NULL)
 *         ...
 *     code = lt_reader_end(reader, &error);   // LT_OK at the end of the input, else why it stopped
 *     lt_reader_free(reader);
 *
 * One malformed line or record is counted and the next is read. docs/capture-forms.md describes the
 * forms. */
#ifndef LOOMTAP_CAPTURE_READER_H
#define LOOMTAP_CAPTURE_READER_H

#include <signal.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/sink.h"
#include "loomtap/base/text.h"
#include "loomtap/core/frame.h"

/* Why a line is not a frame, one list: name, word for programs, sentence for people. The counts
 * stand apart in the summary. Order is stable; new ones go to the end. */
#define LT_BAD_LINES(X)                                                                            \
    X(LT_BAD_TIME, "time", "the time stamp is not a number of seconds in parentheses")             \
    X(LT_BAD_BUS, "bus", "the bus name is missing or longer than 15 bytes")                        \
    X(LT_BAD_ID, "id", "the identifier has neither 3 nor 8 hex digits, or is above its limit")     \
    X(LT_BAD_ODD, "odd", "the data end in half a byte")                                            \
    X(LT_BAD_HEX, "hex", "a character among the data is not a hex digit")                          \
    X(LT_BAD_LENGTH, "length", "more data bytes than the frame kind carries, or not as announced") \
    X(LT_BAD_FLAGS, "flags",                                                                       \
      "the FD flags, the remote length or the raw DLC are not as they may be")                     \
    X(LT_BAD_NO_FRAME, "no-frame", "no frame in this line")                                        \
    X(LT_BAD_BINARY, "binary", "bytes that are no text")                                           \
    X(LT_BAD_LONG, "long", "the line is longer than 4096 bytes")                                   \
    X(LT_BAD_XL, "xl", "a CAN XL frame, which this program does not decode")                       \
    X(LT_BAD_BUSES, "buses", "more bus names than the 64 that one run can hold")                   \
    /* Of binary records: */                                                                       \
    X(LT_BAD_SHORT, "short", "the packet holds fewer bytes than its frame has")                    \
    X(LT_BAD_STAMP, "stamp", "the time stamp is outside what a capture can have")                  \
    X(LT_BAD_INTERFACE, "interface", "the packet names an interface that is not described")        \
    X(LT_BAD_BLOCK, "block", "the lengths inside the block contradict each other")                 \
    X(LT_BAD_CUT, "cut", "the file ends inside a record")                                          \
    /* Of csv rows: */                                                                             \
    X(LT_BAD_COLUMNS, "columns", "fewer columns than the header, or a quote that does not end")    \
    X(LT_BAD_CSV_TIME, "csv-time", "the time is no number or date; --columns says its unit")       \
    X(LT_BAD_CSV_ID, "csv-id",                                                                     \
      "the identifier is neither decimal nor 0x and hex digits, or too large; for hex without 0x " \
      "say --columns id=NAME:hex")                                                                 \
    X(LT_BAD_CELL, "cell", "a flag, direction or byte is none of the words and numbers allowed")

#define LT_BAD_ENUM(name, word, text) name,
enum lt_bad_line { LT_BAD_LINES(LT_BAD_ENUM) LT_BAD_COUNT };
#undef LT_BAD_ENUM

const char *lt_bad_line_word(enum lt_bad_line reason);
const char *lt_bad_line_text(enum lt_bad_line reason);

/* The forms. Each is a row of the table in src/capture/form.c. */
enum lt_form_kind {
    LT_FORM_CANDUMP_LOG,
    LT_FORM_CANDUMP_SCREEN,
    LT_FORM_ASC_TEXT, /* as log2asc of can-utils writes it */
    LT_FORM_PCAP,
    LT_FORM_PCAPNG,
    LT_FORM_CSV_FRAMES,
    LT_FORM_CAN, /* no file: a bus that is listened to */
    LT_FORM_KINDS
};
const char *lt_form_name(enum lt_form_kind kind);

#define LT_LINE_MAX      4096
#define LT_BAD_KEPT      10 /* malformed lines whose place and reason are kept */
#define LT_BAD_TEXT_KEPT 60

struct lt_bad_place {
    uint32_t source; /* index of the input */
    uint64_t line;   /* or packet number, from 1 */
    uint32_t column;
    enum lt_bad_line reason;
    /* The line's start, made printable; of a binary record "byte 112: 00 00 01 23": where it begins
     * in the unpacked file, and its first bytes. */
    char text[LT_BAD_TEXT_KEPT];
};

/* What was in the input besides frames; grows while reading. */
struct lt_reader_counts {
    uint64_t frames, bytes, lines;         /* bytes: unpacked; lines: packets of binary forms */
    uint64_t malformed, bad[LT_BAD_COUNT]; /* malformed is their sum */
    struct lt_bad_place first_bad[LT_BAD_KEPT];
    size_t first_bad_count;
    uint64_t blank_lines;
    uint64_t notes;        /* lines that are not frames and need not be: comments, the tab-indented
                              text under an error frame; comments in binary forms, which are no
                              packets */
    uint64_t banner_lines; /* text above the first frame (a terminal's greeting) */
    uint64_t drop_lines, dropped_frames; /* DROPCOUNT lines and what they add up to */
    uint64_t other_packets;              /* binary forms: packets that hold no CAN frame */
    uint64_t backward_steps;             /* time below the frame before it on the same bus */
    int64_t backward_most_ns;            /* the largest such step */
    uint64_t error_frames, remote_frames, fd_frames, sent_frames;
    uint64_t oddities; /* accepted, but not as a writer should write: 9th byte, 11-bit id above
                          7FF cut by other readers, ignored suffix */
    bool cut_at_end;   /* the last line has no line break: it may be cut; or the file ends inside a
                          record, which is then malformed (LT_BAD_CUT) */
    bool no_times;     /* at least one frame without time */
    bool wall_clock;   /* times were dates; taken as UTC */
    bool looks_like_differences; /* the times seem to be differences (candump -t d) */
    /* Of live buses: how often one was down or its adapter away, and for how long those were that
     * came back. dropped_frames are what the kernel had no room for. */
    uint64_t away_times;
    int64_t away_ns;
    /* With options.columns: inputs that are no csv, so that the map did nothing for them; the first
     * of them. */
    uint64_t columns_unused;
    uint32_t columns_unused_source;
    enum lt_form_kind columns_unused_form;
};

struct lt_reader;

/* Is this a map of columns, as options.columns takes it? LT_E_SYNTAX says what is wrong. */
enum lt_code lt_reader_check_columns(const char *columns, struct lt_error *error);

struct lt_reader_options {
    bool differences; /* times are differences to the frame before: add them up */
    bool strict;      /* the first malformed line ends the reading with an error */
    /* Of csv inputs: which column is what, "time=Timestamp,unit=ms,id=ID:hex,data=D0..D7"; NULL:
     * by the header's own words. Used while opening only. */
    const char *columns;
    /* Of live buses: end after this time (0: never), or when *live_stop is not 0 (NULL: never). */
    int64_t live_for_ns;
    const volatile sig_atomic_t *live_stop;
};

/* Is it a live bus, "can:can0" or "can:can0,can1" (in one order, by the kernel's stamps), and no
 * file of that name? Such a capture has no end of its own: options say when it is over. It is read
 * alone (LT_E_CONFLICT). LT_E_DEVICE: no such bus, no CAN in this kernel, not permitted. */
bool lt_reader_is_live(const char *path);

/* "-" is standard input. What is no capture at all is LT_E_NOT_CAPTURE with one clear sentence. An
 * empty file is a capture without frames. */
enum lt_code lt_reader_open(struct lt_reader **ret_reader, const char *path,
                            const struct lt_reader_options *options, struct lt_error *error);
/* Several inputs one after another, as one stream with one list of buses. They are opened as they
 * are reached; lt_reader_end names the one that failed. */
enum lt_code lt_reader_open_all(struct lt_reader **ret_reader, const char *const *paths,
                                size_t count, const struct lt_reader_options *options,
                                struct lt_error *error);
/* From memory (tests, fuzzing); the bytes stay the caller's. `block` = largest read, 0 = all. */
enum lt_code lt_reader_open_memory(struct lt_reader **ret_reader, const char *name,
                                   const void *bytes, size_t len, size_t block,
                                   const struct lt_reader_options *options, struct lt_error *error);
void lt_reader_free(struct lt_reader *reader);

/* The next frame, borrowed until the call after it; NULL at the end or on an error. */
const struct lt_frame *lt_reader_next(struct lt_reader *reader);
/* Several at once, for those who read much: all that are ready, at least one, borrowed until the
 * next call. False at the end or on an error. Both calls can be mixed. */
struct lt_batch {
    const struct lt_frame *frames;
    size_t count;
    /* All are data frames with times, none below the newest time of any frame before it. */
    bool plain;
};
bool lt_reader_next_batch(struct lt_reader *reader, struct lt_batch *ret_batch);
enum lt_code lt_reader_end(const struct lt_reader *reader, struct lt_error *error);

const struct lt_reader_counts *lt_reader_counts(const struct lt_reader *reader);
/* Into an open object: `malformed_by_reason`, `dropped`, `other_packets`. */
void lt_reader_counts_json(const struct lt_reader_counts *counts, struct lt_json *json);
size_t lt_reader_bus_count(const struct lt_reader *reader);
const char *lt_reader_bus_name(const struct lt_reader *reader, size_t bus); /* "" for no name */
size_t lt_reader_source_count(const struct lt_reader *reader);
const char *lt_reader_source_name(const struct lt_reader *reader, size_t source);
/* The form of the input being read. */
enum lt_form_kind lt_reader_form(const struct lt_reader *reader);
/* How it is packed: "gzip", "zstd", or "". */
const char *lt_reader_packing(const struct lt_reader *reader);

#endif
