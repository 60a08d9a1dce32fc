/* Cutting the payload of a reply into its values. Internal to src/proto. */
#ifndef PROTO_OBD_SPLIT_H
#define PROTO_OBD_SPLIT_H

#include "loomtap/proto/obd.h"

/* One request, as far as it is remembered. Services without numbers have count 0. */
struct lt_obd_asked {
    uint64_t order; /* later requests have higher ones; 0 = empty place */
    uint8_t service;
    uint8_t count;
    uint32_t number[LT_OBD_ITEMS_MAX];
};

/* Reads a request payload (1 byte at least). False when it is none that is to be remembered. */
bool lt_obd_read_request(const uint8_t *message, uint32_t length, struct lt_obd_asked *ret_asked);
bool lt_obd_asked_has(const struct lt_obd_asked *asked, uint32_t number);

/* The first number of a positive reply, LT_OBD_NO_NUMBER where the service has none. */
uint32_t lt_obd_first_number(const uint8_t *message, uint32_t length);

/* Fills service, count, item[] and ambiguous from a positive reply. `asked` is the request it
 * answers, NULL if that is not known. Returns the number at which it had to stop because its length
 * is not known (it was answered all the same), else LT_OBD_NO_NUMBER. */
uint32_t lt_obd_split(const uint8_t *message, uint32_t length, const struct lt_obd_asked *asked,
                      lt_obd_length_fn length_fn, void *context, struct lt_obd_reply *reply);

#endif
