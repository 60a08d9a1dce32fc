/* Captures out: frames to a file in one of the writable forms, packed if wanted.
 *
 *     enum lt_code code = lt_writer_open(&writer, "drive.log.gz", NULL, &error);
 *     while (more frames)
 *         if (!lt_writer_put(writer, frame, bus_name))
 *             break;                              // the disk is full or the like
 *     code = lt_writer_commit(writer, &error);    // only now is there a file of that name
 *     for each loss: lt_writer_losses(writer)[loss] says how many frames lost what
 *     lt_writer_free(writer);                     // without a commit: no file
 *
 * Nothing is lost silently: what the form has no place for is counted frame by frame.
 * docs/capture-forms.md describes the forms. */
#ifndef LOOMTAP_CAPTURE_WRITER_H
#define LOOMTAP_CAPTURE_WRITER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"

/* What a form may be unable to hold: name, word for programs, sentence for people that follows
 * "N frames: ". Order is stable; new ones go to the end. */
#define LT_LOSSES(X)                                                                               \
    X(LT_LOSS_FRAME, "frame", "left out, since the form has no place for such a frame")            \
    X(LT_LOSS_NO_TIME, "no-time", "without a time, written as time 0")                             \
    X(LT_LOSS_TIME_RANGE, "time-range", "the time is outside what the form can say")               \
    X(LT_LOSS_TIME_DIGITS, "time-digits", "the last digits of the time are cut off")               \
    X(LT_LOSS_BUS_NAME, "bus-name", "the bus name is lost or changed")                             \
    X(LT_LOSS_DIRECTION, "direction", "no longer marked as sent by the recording host")            \
    X(LT_LOSS_RAW_DLC, "raw-dlc", "the DLC as sent (9 to 15, or a remote frame's) is lost")        \
    X(LT_LOSS_FD_FLAGS, "fd-flags", "the FD flags BRS and ESI are lost")                           \
    X(LT_LOSS_BUSES, "buses", "of another bus than the first frame, and no longer told apart")

#define LT_LOSS_ENUM(name, word, text) name,
enum lt_loss { LT_LOSSES(LT_LOSS_ENUM) LT_LOSS_COUNT };
#undef LT_LOSS_ENUM

const char *lt_loss_word(enum lt_loss loss);
const char *lt_loss_text(enum lt_loss loss);

enum lt_packing {
    LT_PACK_BY_ENDING, /* .gz or .zst behind the form's ending; else none */
    LT_PACK_NONE,
    LT_PACK_GZIP,
    LT_PACK_ZSTD
};

struct lt_writer_options {
    const char *form; /* name of a row, "log"; NULL: by the path's ending, "log" for "-" */
    enum lt_packing packing;
    int level;       /* 1..9 (gzip), 1..19 (zstd); 0 = the usual one */
    bool has_digits; /* else all digits of the time are kept */
    unsigned digits; /* 0..9 fraction digits */
    /* The file has its own name from the start and grows, for recordings: what lt_writer_flush was
     * called for is readable whatever happens then. A file of that name must not be there. */
    bool grows;
};

/* The rows of the table, for help and messages: NULL behind the last. */
const char *lt_writer_form_name(size_t row);
const char *lt_writer_form_help(size_t row);
/* The form and packing that a path and the options ask for; nothing is opened. LT_E_UNKNOWN: no
 * such form, or an ending that names none; the text lists the forms. LT_E_RANGE: level, digits. */
enum lt_code lt_writer_check(const char *path, const struct lt_writer_options *options,
                             struct lt_error *error);

struct lt_writer;

/* "-" is standard output. options may be NULL. */
enum lt_code lt_writer_open(struct lt_writer **ret_writer, const char *path,
                            const struct lt_writer_options *options, struct lt_error *error);
/* bus_name: "" or NULL for no name. The frame is not kept. time_text, where there is one, must be
 * the text of time_ns. False: writing failed; lt_writer_commit says why. */
bool lt_writer_put(struct lt_writer *writer, const struct lt_frame *frame, const char *bus_name);
/* All that was put so far into the file. Packed forms get a little larger by it: once a second is
 * often enough. False: writing failed. */
bool lt_writer_flush(struct lt_writer *writer);
/* Ends the form, the packing and the file, which then appears under its name. */
enum lt_code lt_writer_commit(struct lt_writer *writer, struct lt_error *error);
/* Drops what was written; an older file of that name stays. Also done by lt_writer_free. A file
 * that grows stays as it is, after a last flush. */
void lt_writer_abort(struct lt_writer *writer);
void lt_writer_free(struct lt_writer *writer); /* NULL is allowed */

/* Counts by enum lt_loss; a frame may stand in several. */
const uint64_t *lt_writer_losses(const struct lt_writer *writer);
uint64_t lt_writer_frames(const struct lt_writer *writer); /* written */
uint64_t lt_writer_bytes(const struct lt_writer *writer);  /* of the file, up to the last flush */
/* Name of the form that is written ("log"). */
const char *lt_writer_form(const struct lt_writer *writer);

#endif
