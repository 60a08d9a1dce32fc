/* When the invented car's frames are sent, lost, or held back, and what the tester asks. */
#ifndef MIMIC_RANDOM_SEND_H
#define MIMIC_RANDOM_SEND_H

#include "loomtap/base/sink.h"
#include "loomtap/core/frame.h"
#include "loomtap/mimic/mimic.h"
#include "mimic/random_car.h"
#include "mimic/random_ask.h"

#define LT_MIMIC_COPIES_WAITING 64
#define LT_MIMIC_MARKS_MAX      4096

struct lt_mimic_waiting { /* at the gateway */
    int64_t due_ns;
    uint8_t frame;
    uint8_t data[8];
};

struct lt_mimic_mark {
    int64_t time_ns;
    const char *label;
};

struct lt_mimic_random {
    struct lt_mimic_random_car car;
    struct lt_mimic_rng rng;
    struct lt_mimic_ask ask;
    int64_t start_ns, length_ns, now_ns, free_ns[LT_MIMIC_RANDOM_BUSES];
    unsigned burst; /* frames of a burst still to be lost */
    int64_t pause_from_ns, pause_to_ns;
    unsigned pause_controller;
    size_t waiting_count;
    struct lt_mimic_waiting waiting[LT_MIMIC_COPIES_WAITING];
    size_t mark_count;
    struct lt_mimic_mark marks[LT_MIMIC_MARKS_MAX];
    uint64_t frames;
    struct lt_frame frame;
};

/* NULL when there is no memory. */
struct lt_mimic_random *lt_mimic_random_new(const struct lt_mimic_options *options,
                                            double duration_s);
void lt_mimic_random_free(struct lt_mimic_random *random);
bool lt_mimic_random_next(struct lt_mimic_random *random);

/* random_facts.c */
bool lt_mimic_random_facts_init(struct lt_mimic_random_car *car);
void lt_mimic_random_facts_release(struct lt_mimic_random_car *car);
void lt_mimic_random_note(struct lt_mimic_random_frame *frame, const uint8_t *data);
bool lt_mimic_random_exercised(const struct lt_mimic_random_car *car,
                               const struct lt_mimic_random_frame *frame,
                               const struct lt_mimic_random_field *field);
/* random_layout.c: the truth as JSON. */
void lt_mimic_random_layout(const struct lt_mimic_random *random, struct lt_sink *sink);

#endif
