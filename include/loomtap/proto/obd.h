/* OBD-II over CAN (SAE J1979 / ISO 15031-5 on ISO 15765-4) and UDS service 22 (ISO 14229-1), as a
 * listener: conversations put together from frames of a log or a live bus.
 *
 * One listener a bus. It follows requests (7DF, 7E0..7E7, 18DB33F1, 18DAxxF1) and replies
 * (7E8..7EF, 18DAF1xx), keeps controllers apart, and remembers what was asked and how it was
 * answered. */
#ifndef LOOMTAP_PROTO_OBD_H
#define LOOMTAP_PROTO_OBD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"
#include "loomtap/proto/isotp.h"

enum lt_obd_kind {
    LT_OBD_NOT,        /* not a diagnostic identifier */
    LT_OBD_FUNCTIONAL, /* request to all */
    LT_OBD_PHYSICAL,   /* request to one */
    LT_OBD_REPLY,
};
/* By identifier alone. ret_partner: for a physical request its reply id, for a reply its request
 * id, else 0. */
enum lt_obd_kind lt_obd_classify(const struct lt_frame *frame, uint32_t *ret_partner);

#define LT_OBD_NO_NUMBER UINT32_MAX

/* Negative response codes of ISO 14229-1; others keep their number. */
enum lt_nrc {
    LT_NRC_SERVICE_NOT_SUPPORTED = 0x11,
    LT_NRC_SUBFUNCTION_NOT_SUPPORTED = 0x12,
    LT_NRC_WRONG_LENGTH = 0x13,
    LT_NRC_RESPONSE_TOO_LONG = 0x14,
    LT_NRC_CONDITIONS = 0x22,
    LT_NRC_OUT_OF_RANGE = 0x31,
    LT_NRC_LOCKED = 0x33,
    LT_NRC_PENDING = 0x78,
};
const char *lt_nrc_text(uint8_t code); /* for people; NULL if not known */

/* How a question ended, worst knowledge first; kept for each (question, controller). */
enum lt_obd_answer {
    LT_OBD_NEVER_ANSWERED, /* asked, and no reply of any kind (but perhaps "pending") */
    LT_OBD_UNSUPPORTED,    /* 11, 12, 31; or no reply at all (answered and negative are 0) and the
                              number is left out of the support masks that were answered */
    LT_OBD_LOCKED,         /* 33 (security access) */
    LT_OBD_REFUSED,        /* another negative code; see `nrc` */
    LT_OBD_ANSWERED,
};

/* One value inside a reply: the bytes behind one number. */
struct lt_obd_item {
    uint8_t service; /* of the request: 0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22 ... */
    uint32_t number; /* PID, information type or data identifier; LT_OBD_NO_NUMBER where none */
    uint8_t freeze_frame; /* service 02: its number */
    const uint8_t *data; /* behind the number (and count, for service 09); borrowed until next feed;
                            readable 8 bytes past the end */
    uint32_t length;
};

#define LT_OBD_ITEMS_MAX 32

struct lt_obd_reply {
    uint32_t id; /* reply identifier, of the controller */
    bool extended;
    int64_t time_ns; /* of the frame that completed it */
    bool negative;
    uint8_t nrc;     /* of a negative reply */
    uint8_t service; /* of the request */
    bool ambiguous;  /* several numbers in one reply, and one's length is not known or what follows
                        was not asked for: the items up to it are given, the rest is not */
    size_t count;    /* 0 in a negative reply */
    struct lt_obd_item item[LT_OBD_ITEMS_MAX];
    const uint8_t *message; /* whole payload, from the service byte */
    uint32_t length;
};

/* Data length behind a number, for splitting replies with several: from the profile, or the
 * built-in table of SAE J1979 lengths (lt_obd_pid_length). 0 = not known. */
typedef uint16_t (*lt_obd_length_fn)(void *context, uint8_t service, uint32_t number);
/* Service 01/02 PIDs; 0 = not known. */
uint16_t lt_obd_pid_length(uint32_t pid);

/* What is remembered of one question to (or answer from) one controller. */
struct lt_obd_question {
    uint8_t service;
    uint32_t number;
    uint32_t reply_id; /* of the controller that answered, or was asked alone; 0 = asked of all and
                          answered by none */
    bool extended;
    uint64_t asked; /* of this controller alone or, once it has answered, of all as well */
    uint64_t answered, negative, pending; /* pending is not counted as negative */
    uint8_t last_nrc;
    enum lt_obd_answer answer;
};

struct lt_obd_controller {
    uint32_t reply_id;
    bool extended;
    uint64_t messages, frames;
    uint64_t lost, replaced, stray, timeouts, repeated, bad; /* transport faults */
    /* Supported PIDs of service 01 as its masks say; bit pid & 31 of word pid >> 5, bit 0 = lowest.
     */
    uint32_t supported[8];
    uint32_t mask_answered; /* bit n: mask PID n * 0x20 was answered */
};

#define LT_OBD_CONTROLLERS_MAX 32
#define LT_OBD_QUESTIONS_MAX   512

struct lt_obd;

enum lt_code lt_obd_new(struct lt_obd **ret_obd, lt_obd_length_fn length, void *context,
                        struct lt_error *error);
void lt_obd_free(struct lt_obd *obd);

/* True if the frame completed a reply: *ret_reply is then valid until the next feed. */
bool lt_obd_feed(struct lt_obd *obd, const struct lt_frame *frame, struct lt_obd_reply *ret_reply);

/* What was asked and answered so far. Order: by service, number, controller. */
size_t lt_obd_questions(struct lt_obd *obd, const struct lt_obd_question **ret_list);
size_t lt_obd_controllers(const struct lt_obd *obd, const struct lt_obd_controller **ret_list);
/* Frames on the request and reply identifiers (flow control among them); whole requests and replies
 * in them, the negative replies (without "pending") and those that said "pending"; questions and
 * identifiers not remembered because a list was full. */
struct lt_obd_counts {
    uint64_t request_frames, reply_frames, requests, replies, negative, pending, forgotten;
};
struct lt_obd_counts lt_obd_counts(const struct lt_obd *obd);

/* Does this controller's mask name the PID? 1 yes, 0 no, -1 the mask was not answered. */
int lt_obd_supports(const struct lt_obd_controller *controller, uint32_t pid);
/* PID numbers in a mask reply of four bytes for mask PID `base`; returns how many (up to 32). */
size_t lt_obd_mask(uint32_t base, const uint8_t mask[4], uint8_t ret_pids[32]);
/* "P0135" for 01 35; room for 6. SAE J2012 / ISO 15031-6. False for 00 00, which is padding. */
bool lt_obd_trouble_code(const uint8_t bytes[2], char ret_text[6]);
/* Codes in a reply to services 03, 07, 0A: `data` of the item (count byte first). */
size_t lt_obd_trouble_codes(const uint8_t *data, size_t length, char (*ret_codes)[6], size_t room);

#endif
