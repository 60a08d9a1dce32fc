/* The tester's memory. Internal to src/live. */
#ifndef LIVE_ASK_INSIDE_H
#define LIVE_ASK_INSIDE_H

#include "loomtap/live/ask.h"

#define FUNCTIONAL_11 0x7DFu
#define FUNCTIONAL_29 0x18DB33F1u
#define PHYSICAL_29   0x18DA00F1u /* the controller in the middle */

#define MS_NS INT64_C(1000000)

#define LISTEN_NS   (2000 * MS_NS)
#define WAIT_NS     (200 * MS_NS) /* for an answer, to begin with */
#define WAIT_MAX_NS (1000 * MS_NS)
#define PART_NS     (1000 * MS_NS) /* for the next part of one */
#define HOLD_NS     (1000 * MS_NS) /* after error frames; doubled each time */
#define QUIET_NS    (3000 * MS_NS) /* key off: so long nothing, or no reply */

struct lt_ask_address {
    uint32_t reply_id; /* of the controller; 0: all */
    bool extended;
};

bool lt_ask_request_frame(const struct lt_ask_address *to, uint8_t service, const uint32_t *numbers,
                          size_t count, struct lt_frame *ret_frame);
void lt_ask_flow_frame(const struct lt_ask_address *to, struct lt_frame *ret_frame);

/* Tables of what a controller has, as its masks say. */
enum ask_table { TABLE_LIVE, TABLE_FREEZE, TABLE_INFORMATION, TABLES };

struct ask_masks {
    uint32_t supported[8]; /* bit n & 31 of word n >> 5 */
    uint32_t answered;     /* bit n: the mask of number n * 0x20 came */
};

enum ask_tried { UNTRIED, WORKS, FAILS };

struct ask_controller {
    struct lt_ask_address address;
    bool has_live;          /* answered service 01 */
    bool has_uds;           /* answered service 22, F400 */
    uint8_t live_nrc;       /* how it refused 01 00 */
    enum ask_tried alone;   /* does it answer requests to it alone? */
    enum ask_tried several; /* several PIDs in a request? */
    unsigned alone_silent;
    struct ask_masks masks[TABLES];
};

/* A wanted value at a controller. */
struct ask_cell {
    bool settled; /* never asked again */
    bool uds;     /* asked as service 22, F4xx */
    bool alone;   /* not together with others any more */
    enum lt_obd_answer answer;
    uint8_t nrc;
    unsigned silent, busy;
    uint64_t answered;
    uint64_t round_done; /* the last round in which it is dealt with */
    int64_t rests_until_ns;
};

enum ask_kind { ASK_NOTHING, ASK_FIND, ASK_MASK, ASK_VALUE };

struct ask_question {
    enum ask_kind kind;
    struct lt_ask_address to;
    uint8_t service;
    size_t count;
    uint32_t numbers[LT_ASK_TOGETHER_MAX];
    size_t controller; /* VALUE */
    size_t wanted[LT_ASK_TOGETHER_MAX];
    size_t wanted_count;  /* one for services without numbers */
    enum ask_table table; /* MASK, FIND */
    int64_t asked_ns, until_ns;
    bool answered, flows;
    unsigned pending;
};

#define ECHOES    8
#define SENT_KEPT 16

struct ask_echo { /* a frame of ours that will be heard */
    bool set;
    struct lt_frame frame;
    int64_t until_ns;
};

struct ask_life { /* what is no diagnosis, on a bus */
    uint64_t frames;
    int64_t last_ns;
    /* Frames of the second that runs, and of a usual one; since when there are hardly any. */
    int64_t second_ns, low_since_ns;
    uint64_t in_second, usual;
};

struct lt_ask {
    struct lt_ask_wanted wanted[LT_ASK_WANTED_MAX];
    size_t wanted_count;
    int64_t interval_ns, every_ns;
    uint64_t rounds, random;
    bool wakes;
    lt_obd_length_fn length;
    void *context;
    struct lt_obd *obd;

    enum lt_ask_state state, goes_on; /* goes_on: after yielding or holding */
    enum lt_ask_end end;
    struct lt_ask_counts counts;

    struct ask_controller controllers[LT_ASK_CONTROLLERS_MAX];
    size_t controller_count;
    struct ask_cell cells[LT_ASK_WANTED_MAX][LT_ASK_CONTROLLERS_MAX];
    size_t attempt; /* of FINDING */
    bool found;     /* by one of them, */
    struct ask_question found_by;
    bool heard_29, heard_11;
    uint32_t mask_tries[TABLES][8];

    uint64_t round; /* from 1 */
    int64_t round_ns;

    struct ask_question question, previous;
    struct lt_ask_address flow; /* a reply in parts waits for flow control */
    bool flow_waits;
    struct ask_echo echoes[ECHOES];
    int64_t sent_ns[SENT_KEPT]; /* when the last frames went out, a ring */
    size_t sent_count;
    int64_t window_ns;     /* in so much time */
    size_t allowed;        /* at most so many frames */
    struct lt_frame given; /* by lt_ask_next, until lt_ask_sent */
    bool is_given;

    int64_t due_ns;         /* the next request at the earliest */
    int64_t quiet_until_ns; /* listening, yielding, holding */
    int64_t answer_wait_ns;
    int64_t last_reply_ns, last_error_ns;
    unsigned silences, holds, failures, retries;
    struct ask_life life[2];
    bool engine_ran, was_quiet;
    int64_t engine_zero_ns, ended_ns; /* LT_NO_TIME: not */
};

/* ask_cells.c */
int ask_supports(const struct ask_masks *masks, uint32_t number); /* 1, 0, -1: not known */
void ask_learn_mask(struct ask_masks *masks, uint32_t base, const uint8_t mask[4]);
enum lt_obd_answer ask_judge_nrc(uint8_t nrc);
bool ask_concerns(const struct lt_ask *ask, size_t wanted, size_t controller);
size_t ask_find_controller(const struct lt_ask *ask, const struct lt_ask_address *address);
void ask_take_answer(struct lt_ask *ask, struct ask_question *question,
                     const struct lt_obd_reply *reply, int64_t now_ns);
void ask_take_silence(struct lt_ask *ask, struct ask_question *question, int64_t now_ns);

#define SILENCES_MIN 3 /* so many in a row: is anybody there at all? */

/* ask_plan.c: what to ask next. False: nothing now; the state may have moved on. */
bool ask_plan(struct lt_ask *ask, int64_t now_ns, struct ask_question *ret_question);

size_t ask_value_length(const struct lt_ask *ask, uint8_t service, uint32_t number);

/* ask_life.c */
void ask_life_init(struct ask_life *life, int64_t now_ns);
void ask_life_take(struct ask_life *life, int64_t now_ns);
/* Time passes. True: a second has ended in which the bus was about as busy as it used to be. */
bool ask_life_look(struct ask_life *life, int64_t now_ns);
bool ask_is_alive(const struct ask_life *life);
bool ask_has_ceased(const struct ask_life *life, int64_t now_ns);

/* ask_hear.c */
bool ask_is_active(const struct lt_ask *ask);
void ask_close_question(struct lt_ask *ask);

/* ask.c */
void ask_end(struct lt_ask *ask, enum lt_ask_end end, int64_t now_ns);

#endif
