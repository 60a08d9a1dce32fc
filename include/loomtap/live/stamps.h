/* The adapter's own clock against the host's: how far apart, how fast they drift, and how much
 * later or sooner than even the kernel's stamps are. Fed frame by frame, constant in size.
 *
 * A straight line is laid through kernel stamp minus adapter stamp over adapter time by least
 * squares: its start is the offset, its slope the drift, and what is left of each frame the jitter.
 * The jitter is mostly the way from the adapter to the kernel (a USB poll, a busy machine): times
 * from the kernel's stamps are no better than that. */
#ifndef LOOMTAP_LIVE_STAMPS_H
#define LOOMTAP_LIVE_STAMPS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define LT_STAMPS_KEPT     2048
#define LT_STAMPS_LEAST    16           /* frames for a line */
#define LT_STAMPS_LEAST_NS 1000000000LL /* and adapter time between the first and the last */
#define LT_STAMPS_JUMP_NS  1000000000LL /* a step of one clock against the other */

/* Zeroed: ready. */
struct lt_stamps {
    uint64_t frames; /* with both stamps, since the last jump */
    uint64_t jumps;  /* one of the clocks was set, or the adapter started anew: all begins again */
    int64_t first_hardware_ns, first_apart_ns, last_hardware_ns, last_apart_ns;
    /* Means and sums of products about them: of adapter seconds, and nanoseconds apart. */
    double mean_x, mean_y, sum_xx, sum_xy;
    /* Every stride'th frame, for how the jitter is spread. */
    struct {
        double x, y;
    } kept[LT_STAMPS_KEPT];
    size_t kept_count;
    uint64_t stride;
};

/* Either may be LT_NO_TIME: the frame is then not counted. */
void lt_stamps_add(struct lt_stamps *stamps, int64_t kernel_ns, int64_t hardware_ns);

struct lt_stamps_line {
    int64_t offset_ns;   /* kernel minus adapter at the first frame, by the line */
    double drift_ppm;    /* by how much the host's clock is faster */
    double jitter_ns;    /* root mean square of what is left */
    double jitter_99_ns; /* 99 of 100 frames are less off than this */
};

/* False: too few frames with both stamps, or within too short a time. */
bool lt_stamps_line(const struct lt_stamps *stamps, struct lt_stamps_line *ret_line);

/* Both, for a sheet. */
struct lt_stamps_report {
    uint64_t frames, jumps; /* frames 0: the adapter gives no stamps of its own */
    bool has_line;
    struct lt_stamps_line line;
};
struct lt_stamps_report lt_stamps_report(const struct lt_stamps *stamps);

#endif
