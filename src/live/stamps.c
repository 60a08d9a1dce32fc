/* A line through two clocks: see loomtap/live/stamps.h. Sums are taken about running means
 * (Welford, Technometrics 4, 1962): raw sums of nanoseconds lose the jitter in their last digits.
 */
#include "loomtap/live/stamps.h"

#include <math.h>
#include <stdlib.h>

#include "loomtap/base/clock.h"
#include "loomtap/core/frame.h"

static void begin(struct lt_stamps *stamps, int64_t hardware_ns, int64_t apart_ns)
{
    uint64_t jumps = stamps->jumps;
    *stamps = (struct lt_stamps){.jumps = jumps,
                                 .first_hardware_ns = hardware_ns,
                                 .first_apart_ns = apart_ns,
                                 .last_hardware_ns = hardware_ns,
                                 .last_apart_ns = apart_ns,
                                 .stride = 1};
}

/* Both clocks are far from the ends of 64 bits, or it is no time at all. */
static bool is_time(int64_t time_ns)
{
    return time_ns > -(INT64_C(1) << 62) && time_ns < INT64_C(1) << 62;
}

static bool has_jumped(const struct lt_stamps *stamps, int64_t hardware_ns, int64_t apart_ns)
{
    int64_t step_ns = apart_ns - stamps->last_apart_ns;
    return hardware_ns < stamps->last_hardware_ns - LT_STAMPS_JUMP_NS ||
           step_ns > LT_STAMPS_JUMP_NS || step_ns < -LT_STAMPS_JUMP_NS;
}

/* When there is no room every second one goes, and half as many come from then on. */
static void keep(struct lt_stamps *stamps, double x, double y)
{
    if (stamps->frames % stamps->stride != 0)
        return;
    if (stamps->kept_count == LT_STAMPS_KEPT) {
        for (size_t i = 0; i < LT_STAMPS_KEPT / 2; i++)
            stamps->kept[i] = stamps->kept[2 * i];
        stamps->kept_count = LT_STAMPS_KEPT / 2;
        stamps->stride *= 2;
        if (stamps->frames % stamps->stride != 0)
            return;
    }
    stamps->kept[stamps->kept_count].x = x;
    stamps->kept[stamps->kept_count++].y = y;
}

void lt_stamps_add(struct lt_stamps *stamps, int64_t kernel_ns, int64_t hardware_ns)
{
    if (!is_time(kernel_ns) || !is_time(hardware_ns))
        return;
    int64_t apart_ns = kernel_ns - hardware_ns;
    if (stamps->frames > 0 && has_jumped(stamps, hardware_ns, apart_ns)) {
        stamps->jumps++;
        stamps->frames = 0;
    }
    if (stamps->frames == 0)
        begin(stamps, hardware_ns, apart_ns);
    double x = (double)(hardware_ns - stamps->first_hardware_ns) / (double)LT_SECOND_NS;
    double y = (double)(apart_ns - stamps->first_apart_ns);
    keep(stamps, x, y);
    stamps->frames++;
    double from_x = x - stamps->mean_x;
    stamps->mean_x += from_x / (double)stamps->frames;
    stamps->sum_xx += from_x * (x - stamps->mean_x);
    stamps->mean_y += (y - stamps->mean_y) / (double)stamps->frames;
    stamps->sum_xy += from_x * (y - stamps->mean_y);
    stamps->last_hardware_ns = hardware_ns;
    stamps->last_apart_ns = apart_ns;
}

static int by_size(const void *a, const void *b)
{
    double one = *(const double *)a, other = *(const double *)b;
    return (one > other) - (one < other);
}

/* From the frames kept: no difference of two large sums. */
static void measure_jitter(const struct lt_stamps *stamps, double slope, double start,
                           struct lt_stamps_line *line)
{
    double left[LT_STAMPS_KEPT], squares = 0.0;
    for (size_t i = 0; i < stamps->kept_count; i++) {
        left[i] = fabs(stamps->kept[i].y - start - slope * stamps->kept[i].x);
        squares += left[i] * left[i];
    }
    qsort(left, stamps->kept_count, sizeof *left, by_size);
    line->jitter_ns = sqrt(squares / (double)stamps->kept_count);
    line->jitter_99_ns = left[(stamps->kept_count - 1) * 99 / 100];
}

bool lt_stamps_line(const struct lt_stamps *stamps, struct lt_stamps_line *ret_line)
{
    if (stamps->frames < LT_STAMPS_LEAST ||
        stamps->last_hardware_ns - stamps->first_hardware_ns < LT_STAMPS_LEAST_NS ||
        !(stamps->sum_xx > 0.0))
        return false;
    double slope = stamps->sum_xy / stamps->sum_xx;
    double start = stamps->mean_y - slope * stamps->mean_x;
    ret_line->drift_ppm = slope / 1000.0; /* nanoseconds a second */
    ret_line->offset_ns = stamps->first_apart_ns + llround(start);
    measure_jitter(stamps, slope, start, ret_line);
    return true;
}

struct lt_stamps_report lt_stamps_report(const struct lt_stamps *stamps)
{
    struct lt_stamps_report report = {.frames = stamps->frames, .jumps = stamps->jumps};
    report.has_line = lt_stamps_line(stamps, &report.line);
    return report;
}
