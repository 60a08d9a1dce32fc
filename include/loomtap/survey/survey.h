/* What is on an unknown bus: the result of a survey in memory, and the call that makes it. */
#ifndef LOOMTAP_SURVEY_SURVEY_H
#define LOOMTAP_SURVEY_SURVEY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/core/bits.h"
#include "loomtap/core/profile.h"
#include "loomtap/measure/check_solve.h"
#include "loomtap/measure/collect.h"
#include "loomtap/measure/counter.h"

enum lt_field_kind {
    LT_FIELD_CONSTANT,
    LT_FIELD_COUNTER,
    LT_FIELD_CHECKSUM,
    LT_FIELD_SELECTOR,
    LT_FIELD_ENUM,         /* few values, long dwell, jumps */
    LT_FIELD_FLAG,         /* one bit */
    LT_FIELD_PHYSICAL,     /* smooth */
    LT_FIELD_ACCUMULATING, /* only goes up, in steps of its own, and wraps */
    LT_FIELD_TEXT,
    LT_FIELD_UNKNOWN,
    LT_FIELD_KINDS
};
const char *lt_field_kind_name(enum lt_field_kind kind);

struct lt_survey_field {
    struct lt_bits bits;
    enum lt_order order; /* LT_ORDER_NONE inside a byte */
    enum lt_sign sign;   /* LT_UNSIGNED, LT_TWOS or LT_OFFSET_BINARY, LT_SIGN_MAGNITUDE */
    bool sign_exercised; /* false: the capture never crossed zero or mid-scale; sign is a guess */
    enum lt_field_kind kind;
    size_t page_count;
    const uint16_t *pages; /* where it is present; NULL: on every page, or the frame has none */
    double confidence;     /* that bits, order, sign and kind are right; calibrated, 0..1 */
    const char *why;       /* for people */
    /* What was seen of it. */
    uint64_t raw_min, raw_max; /* bit patterns read with `sign` where it orders them */
    uint64_t distinct;        /* different values among the kept frames (counting stops at 65536) */
    uint64_t changes;         /* over frames next to each other */
    double eta;               /* smoothness (measure/moments.h), NaN where not defined */
    double unavailable_share; /* share of frames with all ones, where such codes were seen */
    unsigned group;           /* 0, or the number of its group: the same quantity elsewhere */
    struct lt_counter_found counter; /* of kind counter */
    struct lt_check_found check;     /* of kind checksum */
    const char *text;                /* of kind text: what it says, for people */
};

struct lt_survey_frame {
    const struct lt_stream *stream;
    const char *bus;
    size_t field_count;
    struct lt_survey_field *fields; /* without the selector, which the stream has */
    bool authenticated;
    bool diagnostic;         /* a request or reply of diagnostics: not looked at for fields */
    bool only_with_activity; /* not there from the start to the end: comes with something */
    unsigned copy_of;        /* 0, or 1 + index of the frame that a gateway copies here */
    double copy_delay_s;     /* median; positive: this one is later */
    bool cut_short;          /* so many frames have something to search in that this one got less */
    const char *pgn_name;    /* J1939: "EEC1", NULL where not known or no J1939 */
    const char *say;         /* a sentence for people; NULL for none */
};

struct lt_survey_bus {
    const char *name;
    uint64_t frames;
    uint32_t bitrate_hz; /* as given, or the usual rate that fits best; 0: cannot tell */
    bool bitrate_given;
    double load; /* share of the bit rate, 0..1, with the stuff bits in the middle */
    uint64_t obd_requests, obd_replies;
    bool j1939;            /* 29-bit identifiers that behave as J1939 does */
    bool only_diagnostics; /* a gateway hides the bus: measure behind it */
    const char *say;       /* sentences for people */
};

struct lt_survey_group { /* the same quantity in several places */
    size_t count;
    struct {
        uint32_t frame, field;
        /* Raw value of this one = scale * raw value of the first + offset, lag_s later, within so
         * many quanta of the coarser of the two (four in five of the values). */
        double scale, offset_quanta, lag_s, within_quanta;
    } * members;     /* the fastest, finest and freshest first */
    const char *say; /* for people */
};

struct lt_survey {
    const struct lt_collect_counts *counts;
    double duration_s;
    size_t bus_count;
    struct lt_survey_bus *buses;
    size_t frame_count;
    struct lt_survey_frame *frames; /* in the order of the collector's streams */
    size_t group_count;
    struct lt_survey_group *groups;
};

struct lt_survey_options {
    uint32_t bitrate_hz; /* 0: guess */
    const char *const *bus_names;
    size_t bus_count;
    /* Told how far it is, in frames looked at; NULL for none. */
    void (*progress)(void *context, size_t done, size_t all);
    void *context;
};

/* Works out the survey of a finished collector, which must outlive it. Everything else lives in
 * `arena`. */
enum lt_code lt_survey_make(const struct lt_collect *collect,
                            const struct lt_survey_options *options, struct lt_arena *arena,
                            struct lt_survey **ret_survey, struct lt_error *error);

/* Which streams of a finished collector are questions and answers of diagnostics, or pieces of
 * transported messages: their bytes mean something else from frame to frame. One element a stream,
 * in `arena`. A survey says the same of its frames. */
enum lt_code lt_survey_diagnostics(const struct lt_collect *collect, struct lt_arena *arena,
                                   const bool **ret_diagnostic, struct lt_error *error);

/* A second reading of the capture, for captures that are not kept whole: every frame is checked
 * against counters and checksums of the survey, and `verified` and `failed` become those of the
 * whole capture. */
void lt_survey_verify(struct lt_survey *survey, const struct lt_frame *frame);
/* After the last frame: claims that failed lose their confidence. */
void lt_survey_verified(struct lt_survey *survey);

/* How two recordings differ (A is `survey`, B the other): what appears, vanishes, changes. */
enum lt_change_kind {
    LT_CHANGE_FRAME_ONLY_A,
    LT_CHANGE_FRAME_ONLY_B,
    LT_CHANGE_PERIOD,
    LT_CHANGE_MOVES_ONLY_A,
    LT_CHANGE_MOVES_ONLY_B, /* a field that stands still in the other */
    LT_CHANGE_VALUE,        /* stands still in both, at different values */
    LT_CHANGE_RANGE,        /* values that the other never shows */
};
struct lt_change {
    enum lt_change_kind kind;
    struct lt_stream_key key;
    const char *bus;
    struct lt_bits bits; /* parts = 0: the frame as a whole */
    uint16_t page;
    bool has_page;
    uint64_t a_low, a_high, b_low, b_high; /* raw; or periods in ns */
    double weight;                         /* how much it stands out, the largest first */
    const char *say;
};
/* Buses meet by name where the names are the same, else by the identifiers on them. At most
 * LT_CHANGES_MAX are given; ret_left_out: how many others there are, which tell less. */
#define LT_CHANGES_MAX 4096u
enum lt_code lt_survey_compare(const struct lt_survey *a, const struct lt_survey *b,
                               struct lt_arena *arena, struct lt_change **ret_changes,
                               size_t *ret_count, size_t *ret_left_out, struct lt_error *error);

#endif
