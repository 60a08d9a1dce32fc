/* What the files of src/decode share. A decode is: a head of frames read ahead (binding.c), the
 * plan, streams with their state (stream.c), listeners for diagnostics and transport
 * (diagnostics.c, transport.c), and one output (rows.c, grid.c) beside the tallies (tally.c). */
#ifndef LOOMTAP_SRC_DECODE_INTERNAL_H
#define LOOMTAP_SRC_DECODE_INTERNAL_H

#include "loomtap/base/arena.h"
#include "loomtap/core/plan.h"
#include "loomtap/decode/decode.h"
#include "loomtap/proto/j1939.h"
#include "loomtap/proto/obd.h"

#define HEAD_FRAMES   4096
#define UNKNOWN_SLOTS 8192 /* identifiers outside the profiles that are kept apart */
#define STREAMS_MAX   8192
#define DM1_MAX       32

/* Intervals between frames in bins of an eighth of an octave, from 8 us to 137 s: enough to find
 * the usual period among gaps and bursts, in constant memory. */
#define TIMING_BINS 200
struct timing {
    uint64_t count;
    int64_t first_ns, last_ns, longest_ns;
    uint64_t bin[TIMING_BINS];
    uint64_t sum_ns[TIMING_BINS];
};

void timing_add(struct timing *timing, int64_t time_ns);
/* The usual interval: mean of the bin that holds the median and its two neighbours; 0 = unknown. */
double timing_period_ns(const struct timing *timing);

/* A sum of whole numbers that never rounds, so that it does not depend on their order: two's
 * complement, high * 2^64 + low. 2^64 numbers of 63 bits fit. */
struct whole_sum {
    int64_t high;
    uint64_t low;
};

static inline void whole_sum_add(struct whole_sum *sum, int64_t number)
{
    uint64_t low = sum->low + (uint64_t)number;
    sum->high += (number < 0 ? -1 : 0) + (low < sum->low);
    sum->low = low;
}

static inline void whole_sum_add_unsigned(struct whole_sum *sum, uint64_t number)
{
    sum->low += number;
    sum->high += sum->low < number;
}

/* What became of one signal in one stream. */
struct tally {
    uint64_t values;  /* valid, not suspect: what low, high, sum, first and last are about */
    uint64_t suspect; /* decoded, but the frame failed its check or its counter stood still */
    uint64_t unavailable, error_codes, not_finite;
    uint64_t too_short; /* the frame ended before the signal */
    uint64_t key_low, key_high, raw_low, raw_high, raw_first, raw_last;
    struct whole_sum whole; /* of the signed raw numbers where the law is linear */
    double sum;             /* else of the values */
    uint64_t *labels;       /* count by label, one more for "no label"; NULL without labels */
    struct timing *timing;  /* its own where pages take turns, else its stream's */
};

void tally_add(struct tally *tally, const struct lt_field *field, uint64_t raw);
double tally_mean(const struct tally *tally, const struct lt_scaler *scaler);
/* The raw values whose physical values are the least and the greatest. */
void tally_ends(const struct tally *tally, const struct lt_scaler *scaler, uint64_t *ret_least,
                uint64_t *ret_greatest);

/* Where values come from: a frame definition (or parameter) on one bus from one sender. */
struct stream {
    const struct lt_frame_plan *plan;
    uint16_t bus;
    uint32_t source;        /* J1939 address or reply identifier; LT_NONE where the plan fixes it */
    const char *plain_name; /* "ccvs" */
    const char *name;       /* "ccvs@2F" for a second sender, else the same */
    uint64_t frames;
    uint64_t checked, failed_checks, short_for_check;
    uint64_t counter_frozen, counter_jumps, counter_lost;
    bool has_counter_value;
    uint32_t counter_value;
    bool suspect_now;
    bool general; /* some of its frames go the general way always, others may not */
    struct timing timing;
    struct tally *tallies;           /* one a field of the plan */
    struct lane *lane;               /* frames put off, NULL where there are none (batch.c) */
    struct row_part *row_parts;      /* what all rows of a field have, one a field (rows only) */
    struct lt_store_series **series; /* one a field (sqlite only) */
    struct stream *next;             /* in its hash chain */
};

struct unknown {
    uint32_t id;
    uint16_t bus;
    bool extended, used, fd;
    uint8_t len;
    uint64_t count;
    int64_t first_ns, last_ns;
};

/* A frame, or a message put together from frames: bytes with a time. */
struct message {
    const struct lt_frame *frame; /* gives time and bus */
    const uint8_t *data;          /* readable 8 bytes past the end */
    size_t len;
    bool suspect;
};

enum value_state { VALUE_GOOD, VALUE_SUSPECT, VALUE_UNAVAILABLE, VALUE_ERROR };

struct output {
    void (*begin)(struct lt_decode *decode);
    /* Before each frame that matches something; NULL if not needed. */
    void (*frame)(struct lt_decode *decode, const struct lt_frame *frame);
    void (*value)(struct lt_decode *decode, struct stream *stream, unsigned field,
                  const struct message *message, uint64_t raw, enum value_state state);
    void (*end)(struct lt_decode *decode);
};
extern const struct output csv_output, jsonl_output, grid_output, summary_output, sqlite_output;

struct grid;
struct sqlite_output;

struct dm1_seen { /* active codes of one J1939 address */
    uint16_t bus;
    uint8_t source;
    uint64_t messages;
    struct lt_dm1 last; /* the last message that had a code or a lamp, else the last */
    bool had_code;
};

struct trouble { /* a stored code in a diagnostic reply */
    uint16_t bus;
    uint8_t service;
    uint32_t reply_id;
    char code[6];
};
#define TROUBLE_MAX 64

struct kept_frame {
    struct lt_frame frame;
    char time_text[40];
};

struct lt_decode {
    struct lt_arena arena;
    struct lt_reader *reader;
    const struct lt_profile *const *profiles;
    size_t profile_count;
    struct lt_decode_options options;
    struct lt_faults *notes;
    struct kept_frame *head;
    size_t head_count, head_at;
    struct lt_binding *bindings;
    size_t binding_count;
    struct lt_plan *plan;
    const struct output *output;
    struct lt_sink *sink;
    struct grid *grid;
    struct sqlite_output *sqlite;
    bool failed_memory;

    /* The only stream of a plan, by its index; frames and parameters share one numbering. */
    struct stream **by_plan;
    struct stream *buckets[1024];
    struct stream **streams; /* in order of appearance */
    size_t stream_count, stream_capacity;
    uint64_t streams_refused;

    struct routes *routes; /* batch.c */
    size_t lane_count;

    struct unknown unknown[UNKNOWN_SLOTS];
    size_t unknown_count;
    uint64_t unknown_frames, unknown_not_kept;

    struct lt_obd *obd[LT_BUSES_MAX];
    struct lt_j1939 *j1939[LT_BUSES_MAX];
    bool has_pgns;
    struct dm1_seen dm1[DM1_MAX];
    size_t dm1_count;
    struct trouble trouble[TROUBLE_MAX];
    size_t trouble_count;
    uint64_t trouble_not_kept, dm1_not_kept;

    uint64_t frames, frames_by_bus[LT_BUSES_MAX], outside_span, error_frames, remote_frames;
    uint64_t matched_frames, diagnostic_frames;
    int64_t first_ns, last_ns; /* least and greatest time seen, span or not */
    int64_t from_ns, to_ns;
    int64_t before_ns;     /* time of the frame before, on whatever bus */
    uint64_t out_of_order; /* frames whose time is below it */
    uint64_t values;       /* all that were given out */
};

/* binding.c */
enum lt_code read_head(struct lt_decode *decode, struct lt_error *error);
enum lt_code bind_buses(struct lt_decode *decode, struct lt_error *error);
uint32_t bound_bus(const struct lt_decode *decode, const struct lt_profile *profile, uint32_t bus);
void note(struct lt_decode *decode, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* stream.c */
struct stream *stream_for_frame(struct lt_decode *decode, const struct lt_frame_plan *plan,
                                uint16_t bus, uint32_t source);
struct stream *stream_for_reply(struct lt_decode *decode, const struct lt_frame_plan *plan,
                                uint16_t bus, uint32_t reply_id);
/* Looks at counter and checksum; true if the frame's values are suspect. */
bool stream_judge(struct stream *stream, const struct lt_frame *frame);
/* Where it was counted, or NULL if there was no place. */
struct unknown *count_unknown(struct lt_decode *decode, const struct lt_frame *frame);

/* decode.c */
void take_message(struct lt_decode *decode, struct stream *stream, const struct message *message);
void take_frame(struct lt_decode *decode, const struct lt_frame *frame);
/* A data frame within the span that has been counted. */
void take_data_frame(struct lt_decode *decode, const struct lt_frame *frame);

/* tally.c */
enum value_state judge_value(const struct lt_scaler *scaler, uint64_t raw, bool suspect);
void tally_state(struct tally *tally, const struct lt_field *field, uint64_t raw,
                 enum value_state state);

/* diagnostics.c, transport.c */
static inline bool is_diagnostic_id(const struct lt_frame *frame)
{
    if (frame->flags & LT_FRAME_EXTENDED)
        return (frame->id & 0x1FFE0000u) == 0x18DA0000u;
    return frame->id >= 0x7DF && frame->id <= 0x7EF;
}
void take_diagnostic(struct lt_decode *decode, const struct lt_frame *frame);
void take_transport(struct lt_decode *decode, const struct lt_frame *frame);
void take_dm1(struct lt_decode *decode, uint16_t bus, uint8_t source, const uint8_t *data,
              size_t len);

/* grid.c: how long a value is held. */
int64_t grid_max_age_ns(const struct lt_decode *decode, const struct lt_frame_plan *plan,
                        const struct lt_signal_def *def);

/* rows.c: the time column of a frame; returns the length, at most 64 bytes. */
size_t print_time(const struct lt_frame *frame, char *ret_text, bool json);

#endif
