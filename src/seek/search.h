/* What the files of the numeric search share.
 *
 *     views     the pages of the streams, with the bits that are no numbers
 *     codes     rows in which a field says "not available"
 *     course    a reference made ready: whole numbers, memory, effective size
 *     clock     the offset of a reference whose clock is another one
 *     sums      moments of a view's bits at the reference's times
 *     scores    the correlation of every window, from the sums
 *     scan      all windows, all lags: what is worth a closer look
 *     magnitude the same for sign and magnitude
 *     ends      where such a window really begins and ends
 *     fit       scale, offset, lag, filter and residuals of one window
 *     snap      usual scales and offsets
 *     proof     how far down a window's bits are proven
 *     evidence  what speaks for a candidate beside the size of its residual
 *     odds      confidence, from all of this
 *     judge     groups, verdict
 *     say       the sentences
 */
#ifndef LOOMTAP_SRC_SEEK_SEARCH_H
#define LOOMTAP_SRC_SEEK_SEARCH_H

#include <math.h>
#include <string.h>

#include "loomtap/measure/kept.h"
#include "loomtap/seek/seek.h"

#define SEEK_BITS   64u
#define SEEK_NO_ROW UINT32_MAX
#define SEEK_PICKS  6u /* windows of one band that are looked at closely */
/* From this length on all ones of an unsigned field are a code for "not available"; narrower fields
 * have none (common practice, as SAE J1939-71 has it). */
#define SEEK_CODE_BITS 6u
#define SEEK_TRIALS    96u /* windows of one reference that are fitted */
#define SEEK_KEPT      40u /* and of those, that are judged */
#define NS_PER_S       1e9
/* For r_needed where a clock was searched: 1 % over 500 fields at 1500 offsets. */
#define SEEK_Z_CLOCK 5.7

__extension__ typedef __int128 lt_wide_sum;

struct seek_view {
    const struct lt_stream *stream;
    bool has_page;
    uint16_t page;
    struct lt_kept kept;
    struct lt_bit_set moving;        /* bits that are not the same in all rows */
    struct lt_bit_set taken;         /* counters, checks, selectors: no part of a number */
    const struct lt_bit_set *common; /* the top bit of a number must be one of these; or NULL */
    int64_t period_ns;
    int64_t hold_ns;      /* a frame says nothing for longer than this */
    const uint8_t *codes; /* by row: 1 where some field says "not available"; NULL: nowhere */
};

struct seek_views {
    struct seek_view *view;
    size_t count;
};

void seek_view_look(struct seek_view *view); /* sets `moving` */
enum lt_code seek_views_find(const struct lt_collect *collect,
                             const struct lt_seek_options *options, struct lt_arena *arena,
                             struct seek_views *ret_views, struct lt_error *error);

/* Sets `codes`; false: out of memory. */
bool seek_codes_find(struct seek_view *view, struct lt_arena *arena);

struct seek_course {
    const struct lt_reference *reference;
    size_t count;
    const int64_t *time_ns;
    const double *value;
    const int32_t *whole; /* centred, at most 30 bits */
    double unit;          /* value of one of `whole` */
    double mean, sd, quantum;
    double memory_s, span_s, n_eff, r_needed;
    size_t levels, changes; /* different values; places where it changed */
    double
        spread; /* how many sixteenths of its range it lives in: 2 for what is mostly two values */
    int64_t lag_low_ns, lag_high_ns;
    bool clock_found; /* and the times are moved by it */
    int64_t clock_ns; /* the reference's clock minus the capture's */
    size_t every;     /* samples for comparing candidates: each one so far from the one before */
    bool slow;        /* too few excursions for a correlation to say anything */
};

enum lt_code seek_course_make(const struct lt_reference *reference, struct lt_arena *arena,
                              struct seek_course *ret_course, struct lt_error *error);
/* Did it move enough, and often enough, for an answer to mean something? Of slow ones by the number
 * of different values. */
#define SEEK_COUNT_LEAST 8u
#define SEEK_SLOW_LEVELS 4u
#define SEEK_N_EFF_LEAST 10.0
bool seek_was_exercised(const struct seek_course *course);
/* The time in which a series forgets itself (its autocorrelation falls below 1/e). */
double seek_memory_s(const int64_t *time_ns, const double *value, size_t count);
/* Finds the offset of a clock that is not known, and moves the course's times by it. clock_found
 * stays false where the two cannot meet. */
enum lt_code seek_clock_find(struct seek_course *course, const struct seek_views *views,
                             struct lt_arena *arena, struct lt_error *error);
/* How fast the reference moves around a sample, a second. */
double seek_rate_at(const struct seek_course *course, size_t i);
/* The rows that were last sent at each reference time less the lag. */
void seek_rows(const struct seek_view *view, const struct seek_course *course, int64_t lag_ns,
               uint32_t *ret_rows);

/* A band of 8 bytes: every window of up to 32 bits lies in one. Exact whole numbers. */
struct seek_sums {
    uint64_t count, active;
    int64_t y;
    lt_wide_sum yy;
    uint64_t ones[SEEK_BITS];
    int64_t cross[SEEK_BITS];
    uint64_t both[SEEK_BITS][SEEK_BITS]; /* [i][j], i >= j, of active bits */
};

unsigned seek_bands(unsigned length);
void seek_sums_take(const struct seek_view *view, const struct seek_course *course,
                    const uint32_t *rows, unsigned band, struct seek_sums *ret_sums);

/* r of each window by order (0 Intel, 1 Motorola), sign (0 unsigned, 1 two's complement), place of
 * the least significant bit in the band, and length - 1. 0: does not move, or holds taken bits. */
struct seek_scores {
    float r[2][2][SEEK_BITS][LT_WINDOW_MAX];
};

/* Position in the band of the next bit up, or -1. */
int seek_next_bit(unsigned position, unsigned order, unsigned bytes);
void seek_scores_take(const struct seek_sums *sums, uint64_t usable, unsigned bytes,
                      struct seek_scores *ret_scores);
void seek_inverse_take(const struct seek_sums *sums, uint64_t usable, unsigned bytes,
                       struct seek_scores *ret_inverse);
uint64_t seek_usable(const struct seek_view *view, unsigned band, unsigned *ret_bytes);

struct seek_window {
    const struct seek_view *view;
    enum lt_order order; /* Intel or Motorola, also inside one byte */
    uint16_t lsb;        /* position in the frame */
    uint8_t length;
    enum lt_sign sign;
    double lag_s, r;
};

/* May this stream hold candidates, by the options or, where they say nothing, by its identifier? */
bool seek_wants(const struct lt_seek_options *options, const struct lt_stream *stream);

struct lt_bits seek_window_bits(const struct seek_window *window);
/* As a number; false for the code "not available" (all ones). */
bool seek_window_value(const struct seek_window *window, const struct lt_bits *bits, size_t row,
                       double *ret_value);

/* 1 - r^2 at the reference's times, with r's sign; codes left out. */
double seek_loss(const struct seek_window *window, const struct seek_course *course,
                 const uint32_t *rows, double *ret_r);

struct seek_scan {
    struct lt_arena *arena;
    const struct seek_course *course;
    const struct seek_views *views;
    unsigned null_shifts;
    double null_r;
    struct seek_window *found;
    size_t count;
};
enum lt_code seek_scan_run(struct seek_scan *scan, struct lt_error *error);

/* Adds numbers as sign and magnitude to what the scan found. */
enum lt_code seek_magnitude_scan(struct seek_scan *scan, struct lt_error *error);

/* Sets length, place, order of what the scan found; bits below are said to belong to the number
 * because they carry into it. */
void seek_ends_find(struct seek_window *window, const struct seek_course *course,
                    const uint32_t *rows);

/* The window down to the edge of its last byte, where that is a few free bits away that move. */
bool seek_to_edge(const struct seek_window *window, struct seek_window *ret_longer);

struct seek_fit {
    double scale, offset, scale_error, offset_error;
    double fitted_scale, fitted_offset; /* before they were snapped */
    double
        usual; /* of a snapped scale: 0 the commonest, 1 powers of two, percents; 2 and on rare */
    double r, rmse, lag_s, filter_s;
    double steady_quanta, split_rmse;
    double loss;      /* the residual over the spread, with what was left out */
    double excess;    /* the residual over what rounding and unsure times explain */
    double low, high; /* of the values, physical, in all frames */
    double coarse;    /* the coarser of both steps */
    double outliers;  /* share of samples that were left out */
    size_t used;
    double jumps; /* share of half seconds in which it goes faster than the role can */
    bool snapped, strong, reciprocal; /* strong: scale and offset are both of the commonest */
    double *predicted; /* at every `every`-th reference time; NaN where there is none */
};
enum lt_code seek_fit_window(const struct seek_window *window, const struct seek_course *course,
                             struct lt_arena *keep, struct seek_fit *ret_fit,
                             struct lt_error *error);
/* Is one of the commonest scales within the error? */
bool seek_is_common(double scale, double error);
bool seek_snap(struct seek_fit *fit, const struct seek_window *window,
               const struct seek_course *course);

/* The part of a window whose low end is proven by the weights of its bits. `rows`: room for one
 * number of each sample. */
void seek_prove(const struct seek_window *window, const struct seek_course *course,
                const struct seek_fit *fit, uint32_t *rows, struct lt_bits *ret_proven);

/* What one reference's search came to: the best windows, by what they leave over. */
struct seek_found {
    struct seek_course course;
    double null_r;
    struct seek_window *window;
    struct seek_fit *fit;
    size_t count;
};
struct seek_all {
    struct seek_found *found;
    size_t count;
};

/* Candidates of one reference, in the light of all others. */
enum lt_code seek_judge(const struct seek_all *all, size_t which, struct lt_arena *arena,
                        struct lt_seek_target *ret_target, struct lt_error *error);

static inline enum lt_code seek_no_memory(struct lt_error *error)
{
    return lt_fail(error, LT_E_MEMORY, "no memory left for the search");
}

#endif
