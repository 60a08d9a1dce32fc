/* A recording: frames into a file that is readable at any moment, in parts if wanted, with a sheet
 * beside it that says how it was made, and with the marks of a passenger.
 *
 * A recording that is killed loses what came after the last flush, at most flush_ns: the file has
 * its name from the start and is never written over. */
#ifndef LOOMTAP_LIVE_RECORD_H
#define LOOMTAP_LIVE_RECORD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/capture/can_bus.h"
#include "loomtap/capture/writer.h"
#include "loomtap/live/link.h"
#include "loomtap/live/stamps.h"

struct lt_record_options {
    struct lt_writer_options writing; /* `grows` is set by the recording */
    int64_t flush_ns;                 /* 0: one second */
    /* A new part is begun after so much time or so many bytes; 0: never. Parts are numbered:
     * drive.log becomes drive-001.log, drive-002.log, ... */
    int64_t split_ns;
    uint64_t split_bytes;
};

struct lt_record_file {
    char *path;
    uint64_t frames, bytes;
    int64_t first_ns, last_ns; /* LT_NO_TIME: no frames */
};

struct lt_record;

/* "-" is standard output, which is never split. LT_E_IO: cannot be written, or is there already;
 * LT_E_UNKNOWN and so on as lt_writer_check. */
enum lt_code lt_record_open(struct lt_record **ret_record, const char *path,
                            const struct lt_record_options *options, struct lt_error *error);
/* Ends the recording in any case; an error that was not asked for by lt_record_end is lost. */
void lt_record_free(struct lt_record *record);

/* False: writing failed and nothing more is taken; lt_record_end says why. */
bool lt_record_put(struct lt_record *record, const struct lt_frame *frame, const char *bus_name);
/* To be called now and then, with a clock that runs on without frames: flushes when it is time. */
bool lt_record_tick(struct lt_record *record, int64_t now_ns);
/* The part being written is ended; what stands in it is whole. */
enum lt_code lt_record_end(struct lt_record *record, struct lt_error *error);

size_t lt_record_file_count(const struct lt_record *record);
const struct lt_record_file *lt_record_file(const struct lt_record *record, size_t number);
/* By enum lt_loss, of all parts. */
const uint64_t *lt_record_losses(const struct lt_record *record);

/* ---- marks ---- */

/* `time_s,label`, each mark on the disk when lt_marks_put is back. */
struct lt_marks_file;
enum lt_code lt_marks_open(struct lt_marks_file **ret_marks, const char *path,
                           struct lt_error *error);
/* False: it could not be written; the mark is lost, and errno says why. */
bool lt_marks_put(struct lt_marks_file *marks, int64_t time_ns, const char *label);
void lt_marks_free(struct lt_marks_file *marks);

/* ---- the sheet ---- */

struct lt_record_gap {
    uint16_t bus;
    int64_t from_ns, to_ns; /* to_ns LT_NO_TIME: it was not back at the end */
    bool gone;              /* the interface vanished; else it was down */
};
#define LT_RECORD_GAPS_MAX 256

/* What was asked of the car while recording (ask.h), and what it is. */
struct lt_record_fact {
    const char *controller, *name, *text; /* "7E8", "calibration_id", "TARN0042" */
};
struct lt_record_unanswered {
    const char *value, *why; /* "01 0B", "unsupported" */
};
struct lt_record_polling {
    const char *bus;
    uint64_t questions, flow_controls, answers;
    const struct lt_record_fact *facts;
    size_t fact_count;
    const struct lt_record_unanswered *unanswered;
    size_t unanswered_count;
};

/* What it was recorded for, and what is still missing for that. */
struct lt_record_need {
    const char *role;
    bool enough;
    const char *say;
};

struct lt_record_sheet {
    const char *program;          /* "loomtap 0.4" */
    int64_t started_ns, ended_ns; /* ended_ns LT_NO_TIME: still going on */
    const char *why_ended;        /* NULL while it goes on */
    const char *const *buses;
    const struct lt_can_bus_state *states;
    const struct lt_stamps_report *clocks; /* a bus each; NULL: not known */
    const struct lt_link *links;           /* the same, as set when it began */
    size_t bus_count;
    const struct lt_record_gap *gaps; /* of at most LT_RECORD_GAPS_MAX; further ones are counted */
    size_t gap_count;
    uint64_t gaps_left_out;
    const char *marks; /* path, or NULL */
    uint64_t mark_count;
    /* What the person says about it ("access", "behind the gateway, connector C12"). */
    const char *const *keys, *const *values;
    size_t key_count;
    const struct lt_record_polling *polling; /* NULL: nothing was asked */
    const struct lt_record_need *needs;
    size_t need_count;
};

/* JSON beside the recording, replaced as a whole. With `hash` each file's SHA-256 (FIPS 180-4) is
 * taken, which reads it again. */
enum lt_code lt_record_write_sheet(const struct lt_record *record,
                                   const struct lt_record_sheet *sheet, bool hash, const char *path,
                                   struct lt_error *error);

#endif
