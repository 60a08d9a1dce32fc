/* What the files of src/prove share.
 *
 *     prove           life, thresholds
 *     read            one capture: buses bound, frames looked up and handed on
 *     watch_frame     figures of a frame while it comes: timing, counter, checksum
 *     watch_fields    which fields of a frame are looked at: those that changed
 *     watch_signal    figures of a signal: values, bits, steps, readings beside the stated one
 *     neighbour       bits just above a field: does its number go on there
 *     samples         a signal over time, thinned
 *     judge_*         claims from the figures
 *     follow          one series over another: lag, slope, level, effective samples
 *     proof           all claims together, verdict, what to drive next
 *     text, json, html  the report
 */
#ifndef LOOMTAP_SRC_PROVE_INSIDE_H
#define LOOMTAP_SRC_PROVE_INSIDE_H

#include "loomtap/core/plan.h"
#include "loomtap/core/value.h"
#include "loomtap/prove/prove.h"
#include "loomtap/proto/obd.h"
#include "measure/timing.h"

#define NS_PER_S       INT64_C(1000000000)
#define SAMPLES_MAX    65536u
#define BUS_QUIET_NS   (NS_PER_S / 2) /* no frame for so long: the bus sleeps */
#define CALIBRATIONS   16
#define NEIGHBOURS_MAX 2
#define CONTENTS_LEAST 3 /* different frames that make a checksum certain enough to be proven */
#define PIECES_MAX     8
#define NO_FRAME       UINT8_MAX

/* From one time to another; what cannot be counted is for ever. */
static inline int64_t gap_between(int64_t from_ns, int64_t to_ns)
{
    int64_t gap_ns;
    return __builtin_sub_overflow(to_ns, from_ns, &gap_ns) ? INT64_MAX / 4 : gap_ns;
}

static inline uint64_t distance(uint64_t a, uint64_t b)
{
    return a > b ? a - b : b - a;
}

/* A whole number that goes with the value: what lies next to each other in the one does in the
 * other. */
static inline uint64_t ordered(enum lt_sign sign, unsigned length, uint64_t raw)
{
    uint64_t top = (uint64_t)1 << (length - 1);
    if (sign == LT_TWOS)
        return raw ^ top;
    if (sign == LT_SIGN_MAGNITUDE)
        return raw & top ? top - (raw ^ top) : top + raw;
    return raw;
}

/* A signal over time (of labelled signals the raw code): every `every`-th value is kept; when full,
 * every second of those stays. */
struct samples {
    int64_t *time_ns;
    double *value;
    size_t count, capacity;
    uint64_t every;    /* frames from one that is kept to the next */
    int64_t newest_ns; /* of the last one */
    bool unordered;
};
bool samples_make_room(struct samples *samples);
static inline bool samples_keep(struct samples *samples, int64_t time_ns, double value)
{
    if (samples->count == samples->capacity && !samples_make_room(samples))
        return false;
    if (time_ns < samples->newest_ns)
        samples->unordered = true;
    samples->newest_ns = time_ns;
    samples->time_ns[samples->count] = time_ns;
    samples->value[samples->count++] = value;
    return true;
}
bool samples_put_in_order(struct samples *samples);
void samples_release(struct samples *samples);
/* The value at a time, straight between the samples; NaN outside, or where they are further apart
 * than `hold_ns`. *at is where the search begins; times asked for ascend. */
double samples_at(const struct samples *samples, int64_t time_ns, int64_t hold_ns, size_t *at);

/* A bit just beyond a field's upper end: does the number go on there? A field that is cut short
 * wraps, and with the bit before it it does not. */
struct neighbour {
    uint16_t position; /* 8 * byte + bit */
    bool known, bit;
    uint64_t wraps, explained, harmed; /* harmed: only with the bit there is a jump */
};

/* How a number of so many bits would move, read in one way. */
struct reading {
    double travel; /* sum of its steps */
    uint64_t low, high;
};

/* Flips of a bit, and those over which the bits below it hardly moved. */
struct boundary {
    uint64_t flips, unmoved;
};

/* What a signal has had since its last change. */
enum standing {
    STANDING_NOTHING, /* no frame, or a break: the next follows no other */
    STANDING_VALUE,
    STANDING_UNAVAILABLE,
    STANDING_ERROR,
    STANDING_NOT_FINITE,
};

struct signal_watch {
    /* What every change touches comes first. */
    const struct lt_signal_def *def;
    /* Frames that brought the signal, and how many of those are counted among the figures. */
    const uint64_t *taken;
    uint64_t own_taken, since;
    uint64_t last_raw, last_place, last_turned;
    uint8_t length, piece_count, neighbour_count;
    bool watches_bits; /* a number in one place that is no float */
    bool is_linear;    /* judged by places: whole numbers in the order of the values */
    bool has_codes, has_places, last_outside, has_value;
    enum lt_sign sign;
    enum standing standing;
    struct {
        uint8_t shift, width;
    } piece[PIECES_MAX]; /* of the field, byte by byte, to turn their order */
    uint64_t values, steps, outside, changes, small_steps;
    uint64_t bits_or, bits_and, told_bits;                  /* of the valid raw values */
    uint64_t low_place, high_place, least_place, end_place; /* seen; of the range, end beyond it */
    int64_t moved_ns;
    double last_value;   /* where `has_value` */
    double steps_per_ns; /* the fastest that a linear one's role moves */
    uint64_t *labels;
    struct reading stated, turned;
    /* Steps over which the top bit stands are the same for all signs. */
    double travel_common, travel_unsigned, travel_twos, travel_magnitude;
    struct neighbour neighbour[NEIGHBOURS_MAX];
    struct boundary boundary[64]; /* of bit k and those below it */
    uint64_t suspect, unavailable, errors, too_short, not_finite;
    double low, high;             /* of a linear one set when all is read */
    double range_low, range_high; /* stated, or the role's; infinite where there is none */
    size_t last_label;
    uint64_t unlabelled;
    uint64_t fast_steps;
    double fastest;                 /* per second */
    uint64_t over_top, over_middle; /* steps across where a sign shows, up and down */
    uint64_t over_top_down, over_middle_down, top_alone, top_alone_down;
    uint64_t sample_due;    /* of one on pages: the next of its own frames that is kept */
    struct samples samples; /* of signals with a role */
    struct lt_scaler scaler;
};

/* A field on every page, and which bits of a word it cares for (0: look whatever changed). */
struct glance {
    uint64_t care;
    struct signal_watch *watch;
    uint16_t first_byte; /* of the word */
    struct lt_field field;
};

struct place { /* of a few bits */
    const struct lt_bits *bits;
    bool is_small; /* in one byte */
    uint16_t byte;
    uint8_t shift, mask;
};

struct check_part { /* of a byte, by the values of its low and its high half */
    uint16_t half[2][16];
};

/* check_table.c: for frames of one identifier and length. */
struct check_table {
    const struct lt_checksum *checksum;
    bool tried, ready, adds, turns, extended, has_counter;
    uint8_t len;
    uint32_t id;
    uint16_t mask;
    struct place place, counter;
    unsigned count; /* bytes that enter */
    uint8_t byte[LT_FRAME_MAX];
    const struct check_part *parts;
    const uint16_t *constants; /* by the counter */
};
/* Not `ready` where there is no such form; false without memory. */
bool check_table_make(struct lt_arena *arena, const struct lt_checksum *checksum,
                      const struct lt_frame *frame, struct check_table *ret_table);
bool check_table_holds(const struct check_table *table, const uint8_t *data);

/* Frames that come with one and the same content. */
struct run {
    uint64_t frames;        /* without the first */
    uint64_t news;          /* of all frames: when it began; of one that is over, meanwhile */
    int64_t from_ns, to_ns; /* of the first and last */
};

struct frame_watch {
    /* What every frame touches comes first. */
    const struct lt_frame_def *def;
    uint64_t count;
    bool is_pgn, has_source, has_bus, has_counter, has_pages, has_last;
    uint16_t length; /* stated, as far as a frame can hold it */
    uint32_t source;
    uint16_t bus;   /* of the capture being read */
    int64_t due_ns; /* later than this after the last one, some are missing */
    int64_t last_ns, last_quiet_ns, longest_ns;
    uint64_t missing;
    uint64_t skipped; /* frames that should have come before this one */
    uint32_t counter, counter_top, counter_bottom, counter_modulus, counter_step;
    unsigned counter_length;
    uint64_t counter_steps, counter_good, counter_still, counter_high, counter_wraps;
    uint64_t check_good, check_bad, check_short;
    uint64_t news; /* frames with another content than the one before */
    struct run run;
    /* Its fields (of the capture being read), and the frame that they were taken from last. */
    size_t glance_count, role_count; /* those with a role are first */
    struct glance *glances;
    uint64_t care, taken, sample_due, sample_every;
    size_t neighbour_count; /* above the counter */
    struct neighbour neighbour[NEIGHBOURS_MAX];
    uint8_t last_len; /* NO_FRAME: the next is another whatever it is */
    _Alignas(8) uint8_t last[LT_FRAME_ROOM];
    struct lt_timing_counts timing;
    struct check_table table;
    uint64_t other_length, of_others, own_sent, pauses, counter_lost, counter_odd;
    unsigned other_len;
    uint32_t counter_odd_step;
    int64_t usual_gap_ns, slow_gap_ns; /* half and nine tenths of the gaps; set at the end */
    struct run longest;
    uint64_t repeats,
        repeated_frames; /* runs too long to be a quantity that stands, if it counts */
};

struct bus_watch { /* of the profile */
    bool bound;    /* in some capture */
    uint64_t frames, bits_max;
    int64_t alive_ns;     /* with the sleep left out */
    uint32_t capture_bus; /* of the capture being read; LT_NONE */
};

struct live_bus { /* of the capture being read */
    bool begun;
    int64_t first_ns, last_ns, quiet_ns;
    uint64_t frames, bits_max;
};

struct lt_prove {
    const struct lt_profile *profile;
    struct lt_arena arena;
    double limit[LT_LIMIT_COUNT];
    bool limit_set[LT_LIMIT_COUNT];
    struct frame_watch *frames; /* as in the profile */
    struct signal_watch *signals;
    struct bus_watch *buses;                  /* as in the profile, and one for frames on any bus */
    size_t table_bytes;                       /* of frames, that have tables of their checksums */
    uint16_t frame_bits[2][LT_FRAME_MAX + 1]; /* at most, by extended and length */
    bool failed_memory;
    uint64_t frame_count, claimed_frames, captures, news;
    int64_t duration_ns;
    char calibrations[CALIBRATIONS][32];
    size_t calibration_count;
    char numbers[CALIBRATIONS][32]; /* calibration verification numbers */
    size_t number_count;
    bool wants_calibrations, has_transport;
    /* The capture being read. */
    struct lt_plan *plan;
    struct live_bus live[LT_BUSES_MAX];
    struct lt_obd *obd[LT_BUSES_MAX];
    struct lt_j1939 *j1939[LT_BUSES_MAX]; /* where `has_transport` */
};

/* read.c */
void live_bus_take(struct live_bus *live, const struct lt_frame *frame);
int64_t live_bus_alive_ns(const struct live_bus *live);
/* A frame of a plan's chain to the figures. */
void prove_take(struct lt_prove *prove, const struct lt_frame_plan *plan,
                const struct lt_frame *frame);
/* The next frame follows no other: a clock was set, or another capture begins. */
void prove_break(struct lt_prove *prove);
/* Back by more than frames of several buses may be out of order. */
bool is_clock_step(int64_t before_ns, int64_t time_ns);
/* The plan, and what watches its fields, for buses that are bound so. */
enum lt_code prove_plan(struct lt_prove *prove, const struct lt_binding *bindings, size_t count,
                        struct lt_error *error);

/* watch_frame.c, watch_signal.c */
bool frame_watch_init(struct lt_prove *prove, uint32_t frame);
bool signal_watch_init(struct lt_prove *prove, uint32_t signal, struct lt_error *error);
/* Looks at the frame itself, and where it is whole and its own at its fields. */
void frame_watch_take(struct lt_prove *prove, struct frame_watch *watch,
                      const struct lt_frame_plan *plan, const struct lt_frame *frame);
/* The frame counted last (*taken) brings this. Need not be called where nothing changed. */
void signal_watch_take(struct signal_watch *watch, const struct lt_frame *frame, uint64_t raw);
/* It is too short for it. */
void signal_watch_skip(struct signal_watch *watch);
/* The next value follows no other. */
void signal_watch_break(struct signal_watch *watch);
/* Keeps the present value over time, if there is one; false without memory. */
bool signal_watch_sample(struct signal_watch *watch, int64_t time_ns);
/* At the end, before anything is read: what was put off is counted. */
void signal_watch_settle(struct signal_watch *watch);
/* watch_fields.c: false without memory. */
bool frame_fields_bind(struct lt_prove *prove, const struct lt_frame_plan *plan);
/* Looks at the fields that changed; `suspect`: at none. */
bool frame_fields_take(struct lt_prove *prove, struct frame_watch *watch,
                       const struct lt_frame_plan *plan, const struct lt_frame *frame,
                       bool suspect);
/* The next frame follows no other: the run under way is over. */
void frame_run_end(struct lt_prove *prove, struct frame_watch *watch);
/* transport.c */
bool needs_transport(const struct lt_profile *profile);
bool is_transport(const struct lt_frame *frame);
/* True if it completed a message that the profile claims. */
bool transport_take(struct lt_prove *prove, const struct lt_frame *frame);
/* neighbour.c */
/* Positions just above a field that nothing else on its pages claims. */
size_t find_neighbours(const struct lt_profile *profile, uint32_t frame, const struct lt_bits *bits,
                       uint32_t signal, struct neighbour ret_list[NEIGHBOURS_MAX]);
void neighbour_step(struct neighbour *neighbour, enum lt_sign sign, unsigned length, uint64_t raw,
                    uint64_t before, bool bit, bool was);
/* A step of up to half the field while the bit stands tells nothing. */
static inline bool is_long(enum lt_sign sign, unsigned length, uint64_t raw, uint64_t before)
{
    uint64_t half = (uint64_t)1 << (length - 1);
    if (length == 1)
        return raw < before;
    return distance(raw, before) > half ||
           (sign != LT_UNSIGNED &&
            distance(ordered(sign, length, raw), ordered(sign, length, before)) > half);
}
static inline void neighbours_take(struct neighbour *list, size_t count,
                                   const struct lt_frame *frame, enum lt_sign sign, unsigned length,
                                   bool follows, uint64_t raw, uint64_t before)
{
    for (struct neighbour *n = list; n < list + count; n++) {
        if (n->position / 8 >= frame->len)
            continue;
        bool bit = frame->data[n->position / 8] >> n->position % 8 & 1, was = n->bit;
        if (n->known && follows && (bit != was || is_long(sign, length, raw, before)))
            neighbour_step(n, sign, length, raw, before, bit, was);
        n->bit = bit;
        n->known = true;
    }
}
/* The one of them at which the number goes on; NULL. */
const struct neighbour *goes_on(const struct neighbour *list, size_t count);

/* claim list */
struct judge {
    struct lt_prove *prove;
    const struct lt_prove_given *given;
    struct lt_arena *arena;
    struct lt_claim *list;
    size_t count, capacity;
    struct lt_proof_plot *plots;
    size_t plot_count, plot_capacity;
    struct lt_claim nowhere; /* what is written when memory has run out */
};

/* Texts are printf forms; NULL for none. */
struct lt_claim *claim(struct judge *judge, enum lt_claim_id id, const char *subject,
                       enum lt_proof_verdict verdict);
void claim_expected(struct judge *judge, struct lt_claim *claim, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
void claim_measured(struct judge *judge, struct lt_claim *claim, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
void claim_say(struct judge *judge, struct lt_claim *claim, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
/* What was claimed so far: this kind of the subject holds; any kind of it does not. */
bool is_proven(const struct judge *judge, enum lt_claim_id id, const char *subject);
bool is_contradicted(const struct judge *judge, const char *subject);
/* Diagnostics agree with the signal. */
static inline bool is_borne_out(const struct judge *judge, const char *signal)
{
    return is_proven(judge, LT_CLAIM_OBD, signal);
}
static inline double limit_of(const struct judge *judge, enum lt_limit limit)
{
    return judge->prove->limit[limit];
}
const struct bus_watch *bus_of(const struct lt_prove *prove, const struct lt_frame_def *def);
/* A number for people: four digits, no exponent where it can be. */
#define NUMBER_ROOM 40
const char *number_text(char *ret_text, double value);
/* With its unit: "12 km/h"; ratios have none. */
#define VALUE_ROOM 80
const char *value_text(char *ret_text, double value, const char *unit);

/* What was put off is counted; a second time changes nothing. */
void prove_settle(struct lt_prove *prove);
void judge_frames(struct judge *judge);
void judge_repeats(struct judge *judge);
/* Where it does not stand still, it counts. */
bool counter_counts(const struct frame_watch *watch);
/* Of several controllers the one that answered most; NULL. */
const struct lt_proof_reference *reference_of(const struct judge *judge, const char *role);
void judge_sends(struct judge *judge);
void judge_signals(struct judge *judge);
void judge_bits(struct judge *judge, const struct signal_watch *watch);
void judge_agreement(struct judge *judge);
void judge_copies(struct judge *judge);
void judge_required(struct judge *judge);
enum lt_proof_verdict overall(const struct judge *judge);
/* What to drive or record next, from the required claims that are not exercised. */
bool find_todo(struct judge *judge, const char *const **ret_list, size_t *ret_count);
void judge_laws(struct judge *judge);
void judge_marks(struct judge *judge);
void judge_calibration(struct judge *judge);
void judge_answers(struct judge *judge);
/* Does [fits] say anything that service 09 answers? */
bool lists_calibrations(const struct lt_profile *profile);

/* One series over another. */
struct follow {
    size_t count; /* pairs used */
    double n_eff; /* of them independent */
    double r, slope, offset;
    double level;  /* mean of the reference less that of the signal, after the lag */
    double middle; /* median of what the reference is more: one pair far off does not move it */
    double rmse;
    double span; /* of the reference, 5 % to 95 % */
    double low, high;
    double lag_s;
    double signal_span;
    bool moved;
};
/* A step of the field, in the signal's unit (of a linear one). */
double quantum_of(const struct signal_watch *watch);
/* How long a sample says something: five usual gaps of its frame, and of the thinning. */
int64_t hold_of(const struct judge *judge, const struct signal_watch *watch);
/* The first signal of a role, with samples; NULL. */
struct signal_watch *role_signal(const struct judge *judge, const char *role);
bool follow(const struct signal_watch *watch, const int64_t *time_ns, const double *value,
            size_t count, double quantum, int64_t hold_ns, struct follow *ret_follow);

#endif
