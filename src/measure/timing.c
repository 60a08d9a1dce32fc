/* When frames come (loomtap/measure/timing.h). */
#include "measure/timing.h"

#include <stdlib.h>

#include "loomtap/core/frame.h"
#include "measure/kept_flags.h"

#define FIRST_POWER 10u /* gaps below 2^10 ns share the first bin */
#define BIN_POWER   6u  /* 2^6 bins an octave */
#define LOST_MOST   20  /* periods: longer silences are pauses */

/* ---- Counting ---- */

void lt_timing_counts_release(struct lt_timing_counts *counts)
{
    for (unsigned octave = 0; octave < LT_GAP_OCTAVES; octave++)
        free(counts->octave[octave]);
    *counts = (struct lt_timing_counts){.count = 0};
}

static uint32_t *octave_of(struct lt_timing_counts *counts, unsigned octave)
{
    if (!counts->octave[octave])
        counts->octave[octave] = calloc(LT_GAP_OCTAVE_BINS, sizeof(uint32_t));
    return counts->octave[octave];
}

static bool count_gap(struct lt_timing_counts *counts, uint64_t gap_ns)
{
    const unsigned last = LT_GAP_OCTAVES - 1;
    unsigned power = 63u - (unsigned)__builtin_clzll(gap_ns | 1);
    unsigned octave = power < FIRST_POWER ? 0 : power - FIRST_POWER + 1;
    unsigned bin = octave == 0 ? 0 : gap_ns >> (power - BIN_POWER) & (LT_GAP_OCTAVE_BINS - 1);
    uint32_t *bins = octave_of(counts, octave < last ? octave : last);
    if (!bins)
        return false;
    bins += octave < LT_GAP_OCTAVES ? bin : LT_GAP_OCTAVE_BINS - 1;
    *bins += *bins != UINT32_MAX;
    counts->gaps++;
    if (octave != 0 && octave < last) {
        counts->recent = bins;
        counts->recent_shift = power - BIN_POWER;
        counts->recent_start = gap_ns >> counts->recent_shift;
    }
    return true;
}

/* Most gaps fall into the bin that the one before fell into. */
static inline bool is_recent(const struct lt_timing_counts *counts, uint64_t gap_ns)
{
    return counts->recent && gap_ns >> counts->recent_shift == counts->recent_start;
}

/* The middle of a bin. */
static uint64_t bin_gap_ns(unsigned octave, unsigned bin)
{
    if (octave == 0)
        return UINT64_C(1) << (FIRST_POWER - 1);
    unsigned power = octave + FIRST_POWER - 1;
    uint64_t width = UINT64_C(1) << (power - BIN_POWER);
    return (UINT64_C(1) << power) + bin * width + width / 2;
}

/* The bins in the order of their gaps. */
static uint64_t gaps_of_bin(const struct lt_timing_counts *counts, unsigned octave, unsigned bin)
{
    return counts->octave[octave] ? counts->octave[octave][bin] : 0;
}

int64_t lt_timing_counts_quantile(const struct lt_timing_counts *counts, double share)
{
    uint64_t below = 0;
    int64_t gap_ns = 0;
    for (unsigned at = 0; at < LT_GAP_OCTAVES * LT_GAP_OCTAVE_BINS; at++) {
        unsigned octave = at / LT_GAP_OCTAVE_BINS, bin = at % LT_GAP_OCTAVE_BINS;
        uint64_t here = gaps_of_bin(counts, octave, bin);
        if (!here)
            continue;
        gap_ns = (int64_t)bin_gap_ns(octave, bin);
        below += here;
        if ((double)below >= share * (double)counts->gaps)
            break;
    }
    return gap_ns;
}

double lt_timing_counts_share(const struct lt_timing_counts *counts, int64_t low_ns,
                              int64_t high_ns)
{
    uint64_t inside = 0;
    for (unsigned at = 0; at < LT_GAP_OCTAVES * LT_GAP_OCTAVE_BINS; at++) {
        unsigned octave = at / LT_GAP_OCTAVE_BINS, bin = at % LT_GAP_OCTAVE_BINS;
        int64_t gap_ns = (int64_t)bin_gap_ns(octave, bin);
        if (gap_ns >= low_ns && gap_ns <= high_ns)
            inside += gaps_of_bin(counts, octave, bin);
    }
    return counts->gaps ? (double)inside / (double)counts->gaps : 0;
}

/* A frame that follows none, or none with a time. */
static void begin(struct lt_timing_counts *counts, int64_t time_ns)
{
    if (!counts->timed) {
        counts->first_ns = counts->lowest_ns = counts->highest_ns = time_ns;
    } else {
        lt_timing_counts_ends(counts, &counts->lowest_ns, &counts->highest_ns);
        if (time_ns < counts->lowest_ns)
            counts->lowest_ns = time_ns;
    }
    counts->last_ns = time_ns;
    counts->timed = counts->begun = true;
}

bool lt_timing_counts_add(struct lt_timing_counts *counts, int64_t time_ns)
{
    counts->count++;
    if (time_ns == LT_NO_TIME) {
        counts->without_time++;
        return true;
    }
    int64_t gap_ns = lt_gap_of(counts->last_ns, time_ns);
    if (!counts->begun || gap_ns < 0) {
        counts->backward_steps += counts->begun;
        begin(counts, time_ns);
        return true;
    }
    counts->last_ns = time_ns;
    if (gap_ns < counts->shortest_ns || counts->gaps == 0)
        counts->shortest_ns = gap_ns;
    if (gap_ns > counts->longest_ns)
        counts->longest_ns = gap_ns;
    if (!is_recent(counts, (uint64_t)gap_ns))
        return count_gap(counts, (uint64_t)gap_ns);
    *counts->recent += *counts->recent != UINT32_MAX;
    counts->gaps++;
    return true;
}

void lt_timing_counts_ends(const struct lt_timing_counts *counts, int64_t *ret_lowest_ns,
                           int64_t *ret_highest_ns)
{
    int64_t lowest_ns = counts->lowest_ns, highest_ns = counts->highest_ns;
    if (!counts->timed)
        lowest_ns = highest_ns = LT_NO_TIME;
    else if (counts->last_ns > highest_ns)
        highest_ns = counts->last_ns;
    *ret_lowest_ns = lowest_ns;
    *ret_highest_ns = highest_ns;
}

void lt_timing_counts_break(struct lt_timing_counts *counts)
{
    counts->begun = false;
}

/* The ends of both, and what comes last of `from`. */
static void merge_ends(struct lt_timing_counts *into, const struct lt_timing_counts *from)
{
    int64_t lowest_ns, highest_ns, from_lowest_ns, from_highest_ns;
    if (!from->timed)
        return;
    lt_timing_counts_ends(into, &lowest_ns, &highest_ns);
    lt_timing_counts_ends(from, &from_lowest_ns, &from_highest_ns);
    if (!into->timed)
        into->first_ns = from->first_ns;
    into->lowest_ns = into->timed && lowest_ns < from_lowest_ns ? lowest_ns : from_lowest_ns;
    into->highest_ns = into->timed && highest_ns > from_highest_ns ? highest_ns : from_highest_ns;
    into->last_ns = from->last_ns;
    into->timed = true;
}

bool lt_timing_counts_merge(struct lt_timing_counts *into, const struct lt_timing_counts *from)
{
    merge_ends(into, from);
    if (from->gaps != 0 && (into->gaps == 0 || from->shortest_ns < into->shortest_ns))
        into->shortest_ns = from->shortest_ns;
    if (from->longest_ns > into->longest_ns)
        into->longest_ns = from->longest_ns;
    into->count += from->count;
    into->without_time += from->without_time;
    into->backward_steps += from->backward_steps;
    into->gaps += from->gaps;
    into->begun = false;
    for (unsigned octave = 0; octave < LT_GAP_OCTAVES; octave++) {
        if (!from->octave[octave])
            continue;
        uint32_t *bins = octave_of(into, octave);
        if (!bins)
            return false;
        for (unsigned bin = 0; bin < LT_GAP_OCTAVE_BINS; bin++) {
            uint64_t sum = (uint64_t)bins[bin] + from->octave[octave][bin];
            bins[bin] = sum < UINT32_MAX ? (uint32_t)sum : UINT32_MAX;
        }
    }
    return true;
}

/* ---- Working out ---- */

/* The value that would stand at `wanted` if the values were sorted (Hoare's selection). */
static int64_t select_nth(int64_t *values, size_t count, size_t wanted)
{
    size_t low = 0, high = count - 1;
    while (low < high) {
        int64_t pivot = values[low + (high - low) / 2];
        size_t left = low, right = high;
        for (;;) {
            while (values[left] < pivot)
                left++;
            while (values[right] > pivot)
                right--;
            if (left >= right)
                break;
            int64_t swap = values[left];
            values[left++] = values[right];
            values[right--] = swap;
        }
        /* low..right are at most the pivot, right + 1..high at least. */
        if (wanted <= right)
            high = right;
        else
            low = right + 1;
    }
    return values[wanted];
}

static int64_t distance(int64_t a, int64_t b)
{
    return a > b ? a - b : b - a;
}

int64_t lt_gaps_period(int64_t *gaps_ns, size_t count, bool *ret_cyclic)
{
    size_t near = 0, pauses = 0;
    *ret_cyclic = false;
    if (count < 2)
        return 0;
    int64_t period_ns = select_nth(gaps_ns, count, count / 2);
    for (size_t i = 0; i < count; i++) {
        near += distance(gaps_ns[i], period_ns) <= period_ns / 4;
        pauses += gaps_ns[i] / (LOST_MOST + 1) > period_ns;
    }
    /* Bursts with long silences between them have a median gap too, but no period. */
    *ret_cyclic = period_ns > 0 && count >= 3 && near > count / 2 && pauses <= 2 + count / 20;
    return period_ns;
}

/* Gaps of rows that follow each other. */
static size_t gather_gaps(const struct lt_kept *kept, int64_t *ret_gaps_ns)
{
    size_t count = 0;
    for (size_t row = 1; row < kept->count; row++) {
        int64_t gap_ns = lt_gap_of(kept->time_ns[row - 1], kept->time_ns[row]);
        if ((kept->flags[row] & LT_KEPT_FOLLOWS) && gap_ns >= 0)
            ret_gaps_ns[count++] = gap_ns;
    }
    return count;
}

static int64_t jitter_of(int64_t *gaps_ns, size_t count, int64_t period_ns)
{
    size_t used = 0;
    for (size_t i = 0; i < count; i++) {
        int64_t off_ns = distance(gaps_ns[i], period_ns);
        if (off_ns <= period_ns / 2)
            gaps_ns[used++] = off_ns;
    }
    return used == 0 ? 0 : select_nth(gaps_ns, used, used / 2);
}

/* How often a frame came late and the next one early, so that nothing was lost (a busy gateway, a
 * recorder that reads in batches), and how often one came early after one in time. */
struct rhythm {
    uint64_t late, made_up, extra, gaps;
};

static struct rhythm rhythm_of(const struct lt_kept *kept, int64_t period_ns)
{
    struct rhythm rhythm = {.gaps = 0};
    int64_t before_ns = -1;
    for (size_t row = 1; row < kept->count; row++) {
        int64_t gap_ns = lt_gap_of(kept->time_ns[row - 1], kept->time_ns[row]);
        if (!(kept->flags[row] & LT_KEPT_FOLLOWS) || gap_ns < 0) {
            before_ns = -1;
            continue;
        }
        rhythm.gaps++;
        rhythm.late += gap_ns - period_ns > period_ns / 2;
        if (before_ns >= 0 && gap_ns < period_ns / 2 + period_ns / 8) {
            bool was_late = before_ns - period_ns > period_ns / 2;
            int64_t both_ns = gap_ns + before_ns % period_ns;
            rhythm.made_up += was_late && distance(both_ns, period_ns) <= period_ns / 4;
            rhythm.extra += !was_late && before_ns + gap_ns - period_ns < period_ns / 2;
        }
        before_ns = gap_ns;
    }
    return rhythm;
}

static void count_losses(const struct lt_timing_counts *counts, struct lt_timing *timing)
{
    uint64_t period_ns = (uint64_t)timing->period_ns;
    for (unsigned octave = 0; octave < LT_GAP_OCTAVES; octave++) {
        const uint32_t *bins = counts->octave[octave];
        for (unsigned bin = 0; bins && bin < LT_GAP_OCTAVE_BINS; bin++) {
            uint64_t gap_ns = bin_gap_ns(octave, bin);
            uint64_t periods = (gap_ns + period_ns / 2) / period_ns;
            if (periods > LOST_MOST) {
                timing->pauses += bins[bin];
            } else if (periods >= 2) {
                timing->gaps += bins[bin];
                timing->lost += bins[bin] * (periods - 1);
            }
        }
    }
    if (timing->pauses != 0)
        timing->pause_longest_ns = timing->longest_ns;
}

/* Takes the late frames that were made up for out of the losses, in the share seen among the kept
 * rows. Each stood for one lost frame. */
static void forgive_late(const struct rhythm *rhythm, struct lt_timing *timing)
{
    if (rhythm->made_up == 0 || rhythm->late == 0)
        return;
    double share = (double)rhythm->made_up / (double)rhythm->late;
    uint64_t forgiven = (uint64_t)(share * (double)timing->gaps + 0.5);
    timing->gaps -= forgiven < timing->gaps ? forgiven : timing->gaps;
    timing->lost -= forgiven < timing->lost ? forgiven : timing->lost;
    if (timing->gaps == 0)
        timing->lost = 0;
}

enum lt_code lt_timing_work_out(const struct lt_timing_counts *counts, const struct lt_kept *kept,
                                struct lt_arena *scratch, struct lt_timing *ret_timing,
                                struct lt_error *error)
{
    struct lt_timing timing = {.count = counts->count,
                               .first_ns = counts->first_ns,
                               .last_ns = counts->last_ns,
                               .shortest_ns = counts->shortest_ns,
                               .longest_ns = counts->longest_ns,
                               .backward_steps = counts->backward_steps};
    int64_t *gaps_ns = lt_arena_array(scratch, kept->count + 1, sizeof *gaps_ns);
    if (!gaps_ns)
        return lt_fail(error, LT_E_MEMORY, "no memory for the gaps between frames");
    size_t count = gather_gaps(kept, gaps_ns);
    timing.period_ns = lt_gaps_period(gaps_ns, count, &timing.cyclic);
    if (timing.period_ns > 0)
        timing.jitter_ns = jitter_of(gaps_ns, count, timing.period_ns);
    if (timing.cyclic) {
        struct rhythm rhythm = rhythm_of(kept, timing.period_ns);
        count_losses(counts, &timing);
        forgive_late(&rhythm, &timing);
        timing.extra_on_change = rhythm.extra >= 3 && rhythm.extra >= rhythm.gaps / 200;
    }
    *ret_timing = timing;
    return LT_OK;
}
