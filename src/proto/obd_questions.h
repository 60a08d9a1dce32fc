/* What was asked and how it was answered. Internal to src/proto. */
#ifndef PROTO_OBD_QUESTIONS_H
#define PROTO_OBD_QUESTIONS_H

#include "loomtap/proto/obd.h"

struct lt_obd_questions {
    /* Sorted by service, number, reply_id. Here reply_id 0 counts the requests to all, and the
     * others the requests to that controller alone; lt_obd_questions_list puts them together. */
    struct lt_obd_question kept[LT_OBD_QUESTIONS_MAX];
    size_t count;
    struct lt_obd_question listed[LT_OBD_QUESTIONS_MAX];
    uint64_t forgotten;
};

struct lt_obd_key {
    uint8_t service;
    uint32_t number;
    uint32_t reply_id; /* 0 = all */
    bool extended;
};

void lt_obd_questions_ask(struct lt_obd_questions *questions, struct lt_obd_key key);
/* nrc 0 = a positive reply. */
void lt_obd_questions_answer(struct lt_obd_questions *questions, struct lt_obd_key key,
                             uint8_t nrc);
size_t lt_obd_questions_list(struct lt_obd_questions *questions,
                             const struct lt_obd_controller *controllers, size_t count);

/* Takes over the mask reply for `pid` (a multiple of 0x20). */
void lt_obd_learn_mask(struct lt_obd_controller *controller, uint32_t pid, const uint8_t mask[4]);

#endif
