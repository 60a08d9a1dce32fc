/* Who sends when: periodic senders with jitter on two buses, the kit's events, the tester, and the
 * things that go wrong on real buses. One frame at a time, in order of time. */
#ifndef MIMIC_SCHEDULE_H
#define MIMIC_SCHEDULE_H

#include "loomtap/core/frame.h"
#include "mimic/driver.h"
#include "mimic/frames.h"
#include "mimic/tester.h"

#define LT_MIMIC_SENDERS_MAX 32

struct lt_mimic_sender {
    const struct lt_mimic_frame *frame;
    int64_t slot_ns; /* the even beat; jitter comes on top and does not add up */
    int64_t due_ns;
    bool waits;      /* an event sender with nothing to say */
    unsigned turn;   /* sendings so far, lost ones included */
    unsigned frozen; /* repetitions still to come */
    uint8_t data[8];
    size_t row_count;
    struct lt_mimic_truth rows[LT_MIMIC_ROWS_MAX];
};

struct lt_mimic_schedule {
    struct lt_mimic_car car;
    struct lt_mimic_driver driver;
    struct lt_mimic_tester tester;
    struct lt_mimic_rng rng;
    bool polling;
    int64_t start_ns, length_ns; /* all other times count from start_ns */
    int64_t free_ns[LT_MIMIC_BUSES];
    int64_t now_ns;
    size_t next_mishap;
    double mishap_scale;
    size_t sender_count;
    struct lt_mimic_sender senders[LT_MIMIC_SENDERS_MAX];
    double kit_events_seen;
    uint64_t frames;
    struct lt_frame frame; /* the one given last, and the truth behind it */
    const struct lt_mimic_truth *rows;
    size_t row_count;
};

void lt_mimic_schedule_init(struct lt_mimic_schedule *schedule, size_t scenario,
                            const struct lt_mimic_options *options, double duration_s);
bool lt_mimic_schedule_next(struct lt_mimic_schedule *schedule);

#endif
