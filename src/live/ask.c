/* The polite tester: see loomtap/live/ask.h. Here is what time and the bus make of it; what is
 * asked next is in ask_plan.c, what answers mean in ask_cells.c, what may be sent in ask_request.c.
 *
 *     LISTENING --2 s of peace--> FINDING --> MASKS --> ROUNDS --> ENDED
 *          ^                         \__________|__________/          |
 *          |                    YIELDING, HOLDING: and back           |
 *          +------------------- the bus wakes (if wished) <-----------+
 *
 * Times of the standards: a controller answers within 50 ms (P2), after "pending" within 5 s (P2*;
 * ISO 14229-2, ISO 15765-4); the next part of a longer reply comes within 1 s (N_Cr; ISO 15765-2).
 * Gateways add to the first, so the wait begins with 200 ms and grows where answers come late. */
#include "loomtap/live/ask.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "live/ask_inside.h"

#define LISTEN_NS      (2000 * MS_NS)
#define YIELD_NS       (5000 * MS_NS) /* of peace after somebody else's last frame */
#define WAIT_NS        (200 * MS_NS)
#define WAIT_MAX_NS    (1000 * MS_NS)
#define PENDING_NS     (5000 * MS_NS)
#define PENDING_MAX    12
#define AFTER_PENDING  (1000 * MS_NS)
#define PART_NS        (1000 * MS_NS)
#define LONGEST_NS     (15000 * MS_NS) /* of a reply in parts */
#define ECHO_NS        (2000 * MS_NS)
#define HOLD_NS        (1000 * MS_NS) /* after error frames; doubled each time */
#define HOLD_FORGET_NS (30000 * MS_NS)
#define HOLDS_MAX      4
#define FAILURES_MAX   5
#define QUIET_NS       (3000 * MS_NS) /* key off: so long nothing, or no reply */
#define BACK_OFF_MAX   4  /* doublings of the pause between questions that nobody answers */
#define LIFE_FRAMES    20 /* so many make a bus alive */
#define STANDS_NS      (120000 * MS_NS)
#define RETRY_NS       (60000 * MS_NS)
#define RETRIES_MAX    5
#define ERROR_BUS_OFF  0x40u  /* linux/can/error.h: CAN_ERR_BUSOFF */
#define ERROR_HARMLESS 0x102u /* CAN_ERR_LOSTARB, CAN_ERR_RESTARTED */

/* ---- begin and end ---- */

static enum lt_code check(const struct lt_ask_options *options, struct lt_error *error)
{
    if (options->wanted_count == 0)
        return lt_fail(error, LT_E_MISSING, "nothing is wanted: name what to ask for");
    if (options->wanted_count > LT_ASK_WANTED_MAX)
        return lt_fail(error, LT_E_LIMIT, "more than %d values to ask for", LT_ASK_WANTED_MAX);
    if (!(options->rate >= 0.0 && options->rate <= LT_ASK_RATE_MAX) ||
        (options->rate > 0.0 && options->rate < 0.01))
        return lt_fail(error, LT_E_RANGE, "the rate is 0.01 to %g frames a second",
                       LT_ASK_RATE_MAX);
    for (size_t i = 0; i < options->wanted_count; i++) {
        const struct lt_ask_wanted *wanted = &options->wanted[i];
        uint8_t payload[7];
        if (!lt_ask_may(wanted->service)) {
            lt_fail(error, LT_E_UNKNOWN, "service %02X is never asked for", wanted->service);
            lt_error_advise(error, "those that only read are 01, 02, 03, 07, 09, 0A and 22");
            return LT_E_UNKNOWN;
        }
        if (!lt_ask_payload(wanted->service, &wanted->number,
                            wanted->number == LT_OBD_NO_NUMBER ? 0 : 1, payload))
            return lt_fail(error, LT_E_RANGE, "service %02X has no such number", wanted->service);
    }
    return LT_OK;
}

static void begin(struct lt_ask *ask, int64_t now_ns)
{
    ask->state = LT_ASK_LISTENING;
    ask->end = LT_ASK_GOES_ON;
    ask->quiet_until_ns = now_ns + LISTEN_NS;
    ask->due_ns = now_ns;
    ask->question.kind = ask->previous.kind = ASK_NOTHING;
    ask->attempt = 0;
    ask->flow_waits = false;
    ask->found = ask->was_quiet = ask->engine_ran = false;
    ask->silences = ask->holds = ask->failures = 0;
    memset(ask->mask_tries, 0, sizeof ask->mask_tries);
    memset(ask->life, 0, sizeof ask->life);
    ask->last_reply_ns = ask->last_error_ns = ask->engine_zero_ns = ask->ended_ns = LT_NO_TIME;
    for (size_t i = 0; i < LT_ASK_WANTED_MAX; i++)
        for (size_t c = 0; c < LT_ASK_CONTROLLERS_MAX; c++) {
            ask->cells[i][c].silent = ask->cells[i][c].busy = 0;
            ask->cells[i][c].rests_until_ns = INT64_MIN;
        }
}

/* A request and its flow control belong together, so a window holds two frames at least. */
static void set_rate(struct lt_ask *ask, double rate)
{
    ask->interval_ns = (int64_t)(1e9 / rate);
    ask->window_ns = rate >= 2.0 ? 1000 * MS_NS : 2 * ask->interval_ns;
    ask->allowed = rate >= 2.0 ? (size_t)rate : 2;
}

enum lt_code lt_ask_new(struct lt_ask **ret_ask, const struct lt_ask_options *options,
                        int64_t now_ns, struct lt_error *error)
{
    enum lt_code code = check(options, error);
    if (code != LT_OK)
        return code;
    struct lt_ask *ask = calloc(1, sizeof *ask);
    if (!ask)
        return lt_fail(error, LT_E_MEMORY, "out of memory for asking");
    code = lt_obd_new(&ask->obd, options->length, options->context, error);
    if (code != LT_OK) {
        free(ask);
        return code;
    }
    for (size_t i = 0; i < options->wanted_count; i++)
        ask->wanted[i] = options->wanted[i];
    ask->wanted_count = options->wanted_count;
    set_rate(ask, options->rate > 0.0 ? options->rate : LT_ASK_RATE);
    ask->every_ns = options->every_ns;
    ask->rounds = options->rounds;
    ask->random = options->seed ^ UINT64_C(0x9E3779B97F4A7C15);
    ask->wakes = options->wakes;
    ask->length = options->length;
    ask->context = options->context;
    ask->answer_wait_ns = WAIT_NS;
    begin(ask, now_ns);
    *ret_ask = ask;
    return LT_OK;
}

void lt_ask_free(struct lt_ask *ask)
{
    if (!ask)
        return;
    lt_obd_free(ask->obd);
    free(ask);
}

void ask_end(struct lt_ask *ask, enum lt_ask_end end, int64_t now_ns)
{
    ask->state = LT_ASK_ENDED;
    ask->end = end;
    ask->ended_ns = now_ns;
    ask->question.kind = ASK_NOTHING;
    ask->flow_waits = false;
    ask->was_quiet = end == LT_ASK_BUS_QUIET;
    ask->life_since = 0;
}

/* 5 to 25 % longer, so that it keeps no step with anything of the car; xorshift64* (Vigna, "An
 * experimental exploration of Marsaglia's xorshift generators, scrambled", 2016). */
static int64_t jittered(struct lt_ask *ask, int64_t interval_ns)
{
    uint64_t x = ask->random;
    x ^= x >> 12;
    x ^= x << 25;
    x ^= x >> 27;
    ask->random = x;
    uint64_t of_1000 = (x * UINT64_C(2685821657736338717) >> 33) % 200;
    return interval_ns + interval_ns / 1000 * (int64_t)(50 + of_1000);
}

/* ---- what is heard ---- */

static bool is_same(const struct lt_frame *a, const struct lt_frame *b)
{
    return a->id == b->id && a->len == b->len &&
           lt_frame_has(a, LT_FRAME_EXTENDED) == lt_frame_has(b, LT_FRAME_EXTENDED) &&
           memcmp(a->data, b->data, a->len) == 0;
}

/* The kernel gives a program's own frames back to its listening sockets. What another program of
 * this machine sends looks just so: only bytes and number tell. */
static bool take_echo(struct lt_ask *ask, const struct lt_frame *frame)
{
    for (size_t i = 0; i < ECHOES; i++)
        if (ask->echoes[i].set && is_same(&ask->echoes[i].frame, frame)) {
            ask->echoes[i].set = false;
            return true;
        }
    return false;
}

static bool is_active(const struct lt_ask *ask)
{
    return ask->state == LT_ASK_FINDING || ask->state == LT_ASK_MASKS ||
           ask->state == LT_ASK_ROUNDS;
}

static void pause_until(struct lt_ask *ask, enum lt_ask_state state, int64_t until_ns)
{
    if (ask->question.kind != ASK_NOTHING)
        ask->previous = ask->question; /* its reply may be on the way */
    ask->question.kind = ASK_NOTHING;
    ask->flow_waits = false;
    ask->silences = 0;
    if (ask->state == LT_ASK_ENDED)
        return;
    if (is_active(ask))
        ask->goes_on = ask->state;
    if (ask->state != LT_ASK_LISTENING)
        ask->state = state;
    if (ask->quiet_until_ns < until_ns)
        ask->quiet_until_ns = until_ns;
}

static void take_foreign(struct lt_ask *ask, int64_t now_ns)
{
    ask->counts.foreign++;
    pause_until(ask, LT_ASK_YIELDING, now_ns + YIELD_NS);
}

static void take_error(struct lt_ask *ask, const struct lt_frame *frame, int64_t now_ns)
{
    ask->counts.error_frames++;
    if (ask->state == LT_ASK_ENDED || (frame->id & ~ERROR_HARMLESS) == 0)
        return;
    if (frame->id & ERROR_BUS_OFF) {
        ask_end(ask, LT_ASK_BUS_OFF, now_ns);
        return;
    }
    /* They come in bursts: one holding a burst. */
    if (ask->last_error_ns != LT_NO_TIME && now_ns - ask->last_error_ns > HOLD_FORGET_NS)
        ask->holds = 0;
    ask->last_error_ns = now_ns;
    if (ask->state == LT_ASK_HOLDING ||
        (ask->state == LT_ASK_LISTENING && ask->quiet_until_ns > now_ns + LISTEN_NS))
        return;
    if (ask->holds == HOLDS_MAX) {
        ask_end(ask, LT_ASK_ERRORS, now_ns);
        return;
    }
    int64_t hold_ns = HOLD_NS << ask->holds++;
    pause_until(ask, LT_ASK_HOLDING,
                now_ns + hold_ns + (ask->state == LT_ASK_LISTENING ? LISTEN_NS : 0));
}

static void take_request(struct lt_ask *ask, const struct lt_frame *frame, int64_t now_ns)
{
    if (take_echo(ask, frame))
        return;
    if (lt_frame_has(frame, LT_FRAME_EXTENDED))
        ask->heard_29 = true;
    else
        ask->heard_11 = true;
    take_foreign(ask, now_ns);
}

static bool is_addressed(const struct ask_question *question, const struct lt_frame *frame)
{
    return question->kind != ASK_NOTHING &&
           lt_frame_has(frame, LT_FRAME_EXTENDED) == question->to.extended &&
           (question->to.reply_id == 0 || question->to.reply_id == frame->id);
}

/* A first frame of the reply to this question? Longer ones (length in 32 bits) are not let go on.
 */
static bool begins_reply(const struct ask_question *question, const struct lt_frame *frame)
{
    return is_addressed(question, frame) && frame->len >= 8 && frame->data[0] >> 4 == 1 &&
           ((frame->data[0] & 15) | frame->data[1]) != 0 &&
           frame->data[2] == (question->service | 0x40);
}

/* One flow control a question, to the controller that was asked. Masks and the finding get none:
 * what answers them fits a frame. */
static void take_first_frame(struct lt_ask *ask, const struct lt_frame *frame, int64_t now_ns)
{
    struct ask_question *question = &ask->question;
    if (question->kind == ASK_NOTHING && begins_reply(&ask->previous, frame) &&
        now_ns - ask->previous.until_ns < WAIT_MAX_NS) {
        *question = ask->previous; /* late, but without flow control it would never end */
        ask->previous.kind = ASK_NOTHING;
    }
    if (question->kind != ASK_VALUE || question->flows || !begins_reply(question, frame) ||
        ask->controllers[question->controller].address.reply_id != frame->id)
        return;
    ask->flow = ask->controllers[question->controller].address;
    ask->flow_waits = question->flows = true;
    question->until_ns = now_ns + PART_NS;
}

/* Each part of a reply that is under way gives the next one its time. */
static void take_part(struct lt_ask *ask, const struct lt_frame *frame, int64_t now_ns)
{
    struct ask_question *question = &ask->question;
    if (question->flows && is_addressed(question, frame) && frame->data[0] >> 4 == 2 &&
        now_ns - question->asked_ns < LONGEST_NS)
        question->until_ns = now_ns + PART_NS;
}

static bool is_reply_to(const struct ask_question *question, const struct lt_obd_reply *reply)
{
    if (question->kind == ASK_NOTHING || reply->service != question->service ||
        reply->extended != question->to.extended ||
        (question->to.reply_id != 0 && question->to.reply_id != reply->id))
        return false;
    if (reply->negative || question->count == 0)
        return true;
    for (size_t i = 0; i < question->count; i++)
        for (size_t k = 0; k < reply->count; k++)
            if (reply->item[k].number == question->numbers[i])
                return true;
    return false;
}

static void close_question(struct lt_ask *ask)
{
    ask->previous = ask->question;
    ask->question.kind = ASK_NOTHING;
}

static void take_pending(struct lt_ask *ask, int64_t now_ns)
{
    ask->counts.pending++;
    if (++ask->question.pending <= PENDING_MAX)
        ask->question.until_ns = now_ns + PENDING_NS;
}

/* A value may have to be asked of all; it is wanted of one. */
static bool is_from_asked(const struct lt_ask *ask, const struct ask_question *question,
                          const struct lt_obd_reply *reply)
{
    return question->kind != ASK_VALUE ||
           ask->controllers[question->controller].address.reply_id == reply->id;
}

static bool take_reply(struct lt_ask *ask, const struct lt_obd_reply *reply, int64_t now_ns)
{
    struct ask_question *question = &ask->question;
    bool is_late = false;
    if (!is_reply_to(question, reply)) {
        if (!is_reply_to(&ask->previous, reply)) {
            take_foreign(ask, now_ns);
            return false;
        }
        question = &ask->previous;
        is_late = true;
    }
    ask->last_reply_ns = now_ns;
    ask->silences = 0;
    if (!is_from_asked(ask, question, reply))
        return false;
    if (reply->negative && reply->nrc == LT_NRC_PENDING) {
        if (is_late && ask->question.kind == ASK_NOTHING && is_active(ask))
            ask->question = ask->previous;
        take_pending(ask, now_ns);
        return false;
    }
    if (is_late && !question->answered) {
        ask->counts.late++;
        if (ask->answer_wait_ns < WAIT_MAX_NS)
            ask->answer_wait_ns *= 2;
    }
    question->answered = true;
    ask_take_answer(ask, question, reply, now_ns);
    bool is_wanted = question->kind == ASK_VALUE && !reply->negative;
    if (!is_late && question->kind == ASK_VALUE) {
        if (question->pending > 0 && ask->due_ns < now_ns + AFTER_PENDING)
            ask->due_ns = now_ns + AFTER_PENDING;
        close_question(ask);
    }
    return is_wanted;
}

static bool hear_reply(struct lt_ask *ask, const struct lt_frame *frame, int64_t now_ns,
                       struct lt_obd_reply *ret_reply)
{
    if (ask->state == LT_ASK_LISTENING) {
        if (lt_frame_has(frame, LT_FRAME_EXTENDED))
            ask->heard_29 = true;
        else
            ask->heard_11 = true;
    }
    if (is_active(ask) && frame->len > 0) {
        take_first_frame(ask, frame, now_ns);
        take_part(ask, frame, now_ns);
    }
    struct lt_obd_reply reply;
    if (!lt_obd_feed(ask->obd, frame, &reply) || ask->state == LT_ASK_ENDED)
        return false;
    if (!take_reply(ask, &reply, now_ns))
        return false;
    *ret_reply = reply;
    return true;
}

static void hear_life(struct lt_ask *ask, enum lt_ask_where where, int64_t now_ns)
{
    ask->life[where].frames++;
    ask->life[where].last_ns = now_ns;
    ask->life_since++;
}

bool lt_ask_hear(struct lt_ask *ask, enum lt_ask_where where, const struct lt_frame *frame,
                 int64_t now_ns, struct lt_obd_reply *ret_reply)
{
    uint32_t partner;
    enum lt_obd_kind kind = lt_obd_classify(frame, &partner);
    bool here = where == LT_ASK_HERE;
    if (lt_frame_has(frame, LT_FRAME_ERROR)) {
        if (here)
            take_error(ask, frame, now_ns);
        return false;
    }
    if (kind == LT_OBD_NOT) {
        hear_life(ask, where, now_ns);
        return false;
    }
    if (here && kind == LT_OBD_REPLY)
        return hear_reply(ask, frame, now_ns, ret_reply);
    if (here)
        take_request(ask, frame, now_ns);
    return false;
}

/* ---- what time brings ---- */

static bool is_alive(const struct ask_life *life)
{
    return life->frames >= LIFE_FRAMES;
}

static bool has_ceased(const struct ask_life *life, int64_t now_ns)
{
    return is_alive(life) && now_ns - life->last_ns >= QUIET_NS;
}

static void look_for_key_off(struct lt_ask *ask, int64_t now_ns)
{
    const struct ask_life *life = ask->life;
    if (has_ceased(&life[LT_ASK_HERE], now_ns) || has_ceased(&life[LT_ASK_ELSEWHERE], now_ns))
        ask_end(ask, LT_ASK_BUS_QUIET, now_ns);
    else if (ask->engine_ran && ask->engine_zero_ns != LT_NO_TIME &&
             !is_alive(&life[LT_ASK_HERE]) && !is_alive(&life[LT_ASK_ELSEWHERE]) &&
             now_ns - ask->engine_zero_ns >= STANDS_NS)
        ask_end(ask, LT_ASK_ENGINE_STANDS, now_ns);
}

static void look_for_waking(struct lt_ask *ask, int64_t now_ns)
{
    bool quiet = true;
    if (!ask->wakes || ask->end == LT_ASK_DONE || ask->end == LT_ASK_BUS_OFF ||
        ask->end == LT_ASK_FORBIDDEN)
        return;
    if (ask->end == LT_ASK_NO_ANSWER && ask->retries < RETRIES_MAX &&
        now_ns - ask->ended_ns >= RETRY_NS) {
        ask->retries++;
        begin(ask, now_ns);
        return;
    }
    for (int i = 0; i < 2; i++)
        quiet = quiet && (ask->life[i].frames == 0 || now_ns - ask->life[i].last_ns >= QUIET_NS);
    if (quiet) {
        ask->was_quiet = true;
        ask->life_since = 0;
    } else if (ask->was_quiet && ask->life_since >= LIFE_FRAMES) {
        begin(ask, now_ns);
    }
}

/* Nobody answered in time: the next question comes later and later. */
static void take_silence(struct lt_ask *ask, int64_t now_ns)
{
    ask->counts.silences++;
    ask->silences++;
    unsigned doublings = ask->silences < BACK_OFF_MAX ? ask->silences : BACK_OFF_MAX;
    int64_t due_ns = ask->question.asked_ns + jittered(ask, ask->interval_ns << doublings);
    if (ask->due_ns < due_ns)
        ask->due_ns = due_ns;
    /* Found once, and now deaf to the question that found it: key off. A starter motor takes the
     * voltage away for a moment only. */
    bool is_deaf = ask->question.kind == ASK_FIND && ask->found &&
                   ask->last_reply_ns != LT_NO_TIME && now_ns - ask->last_reply_ns >= QUIET_NS;
    ask_take_silence(ask, &ask->question, now_ns);
    close_question(ask);
    if (is_deaf)
        ask_end(ask, LT_ASK_REPLIES_CEASE, now_ns);
}

static void look(struct lt_ask *ask, int64_t now_ns)
{
    if (ask->state == LT_ASK_ENDED) {
        look_for_waking(ask, now_ns);
        return;
    }
    look_for_key_off(ask, now_ns);
    if (ask->state == LT_ASK_LISTENING && now_ns >= ask->quiet_until_ns)
        ask->state = LT_ASK_FINDING;
    if ((ask->state == LT_ASK_YIELDING || ask->state == LT_ASK_HOLDING) &&
        now_ns >= ask->quiet_until_ns)
        ask->state = ask->goes_on;
    if (ask->question.kind == ASK_NOTHING || now_ns < ask->question.until_ns)
        return;
    if (ask->question.answered)
        close_question(ask);
    else
        take_silence(ask, now_ns);
}

/* ---- what is sent ---- */

static bool give(struct lt_ask *ask, const struct lt_frame *frame, int64_t now_ns,
                 struct lt_frame *ret_frame)
{
    if (!lt_ask_is_allowed(frame)) {
        ask_end(ask, LT_ASK_FORBIDDEN, now_ns);
        return false;
    }
    ask->given = *frame;
    ask->is_given = true;
    *ret_frame = *frame;
    return true;
}

/* When a frame may go out that `more` are likely to follow at once, so that in no window there are
 * more than allowed: the frame that would be one too many has left the window then. */
static int64_t free_ns(const struct lt_ask *ask, size_t more)
{
    size_t back = ask->allowed - more;
    if (ask->sent_count < back)
        return INT64_MIN;
    return ask->sent_ns[(ask->sent_count - back) % SENT_KEPT] + ask->window_ns;
}

/* Will the reply come in parts? Where its length is not known it may. */
static bool may_need_flow(const struct lt_ask *ask, const struct ask_question *question)
{
    size_t length = question->service == 0x22 ? 2 : 1;
    if (question->kind != ASK_VALUE)
        return false;
    if (question->count == 0)
        return true;
    for (size_t i = 0; i < question->count; i++) {
        size_t known = ask_value_length(ask, question->service, question->numbers[i]);
        if (known == 0)
            return true;
        length += 1 + known;
    }
    return length > 7;
}

static bool plan_request(struct lt_ask *ask, int64_t now_ns, struct lt_frame *ret_frame)
{
    struct ask_question *question = &ask->question;
    if (!ask_plan(ask, now_ns, question)) {
        question->kind = ASK_NOTHING;
        return false;
    }
    if (may_need_flow(ask, question) && now_ns < free_ns(ask, 1)) {
        ask->due_ns = free_ns(ask, 1); /* planned again then */
        question->kind = ASK_NOTHING;
        return false;
    }
    question->asked_ns = now_ns;
    question->until_ns = now_ns + ask->answer_wait_ns;
    if (lt_ask_request_frame(&question->to, question->service, question->numbers, question->count,
                             ret_frame))
        return true;
    ask_end(ask, LT_ASK_FORBIDDEN, now_ns);
    return false;
}

bool lt_ask_next(struct lt_ask *ask, int64_t now_ns, struct lt_frame *ret_frame)
{
    struct lt_frame frame;
    assert(!ask->is_given);
    look(ask, now_ns);
    if (!is_active(ask) || now_ns < free_ns(ask, 0))
        return false;
    if (ask->flow_waits) {
        ask->flow_waits = false;
        lt_ask_flow_frame(&ask->flow, &frame);
        return give(ask, &frame, now_ns, ret_frame);
    }
    if (ask->question.kind != ASK_NOTHING || now_ns < ask->due_ns)
        return false;
    return plan_request(ask, now_ns, &frame) && give(ask, &frame, now_ns, ret_frame);
}

static void keep_echo(struct lt_ask *ask, int64_t now_ns)
{
    struct ask_echo *oldest = ask->echoes;
    for (size_t i = 0; i < ECHOES; i++) {
        struct ask_echo *echo = &ask->echoes[i];
        if (echo->set && echo->until_ns <= now_ns)
            echo->set = false;
        if (oldest->set && (!echo->set || echo->until_ns < oldest->until_ns))
            oldest = echo;
    }
    *oldest = (struct ask_echo){true, ask->given, now_ns + ECHO_NS};
}

void lt_ask_sent(struct lt_ask *ask, bool went_out, int64_t now_ns)
{
    struct lt_obd_reply none;
    bool is_flow = ask->given.data[0] == 0x30;
    assert(ask->is_given);
    ask->is_given = false;
    if (!went_out) {
        ask->counts.not_sent++;
        ask->question.kind = ASK_NOTHING;
        ask->due_ns = now_ns + HOLD_NS;
        if (++ask->failures >= FAILURES_MAX)
            ask_end(ask, LT_ASK_NOT_SENT, now_ns);
        return;
    }
    ask->failures = 0;
    ask->counts.requests += !is_flow;
    ask->counts.flow_controls += is_flow;
    ask->sent_ns[ask->sent_count++ % SENT_KEPT] = now_ns;
    keep_echo(ask, now_ns);
    lt_obd_feed(ask->obd, &ask->given, &none);
    int64_t from_ns = ask->due_ns > now_ns ? ask->due_ns : now_ns;
    ask->due_ns = from_ns + jittered(ask, ask->interval_ns);
    if (is_flow)
        ask->question.until_ns = now_ns + PART_NS;
}

int64_t lt_ask_due_ns(const struct lt_ask *ask)
{
    if (ask->state == LT_ASK_ENDED)
        return INT64_MAX;
    if (!is_active(ask))
        return ask->quiet_until_ns;
    if (ask->flow_waits)
        return free_ns(ask, 0);
    return ask->question.kind != ASK_NOTHING ? ask->question.until_ns : ask->due_ns;
}

/* ---- what is known ---- */

enum lt_ask_state lt_ask_state(const struct lt_ask *ask, enum lt_ask_end *ret_end)
{
    *ret_end = ask->end;
    return ask->state;
}

const struct lt_ask_counts *lt_ask_counts(const struct lt_ask *ask)
{
    return &ask->counts;
}

size_t lt_ask_controllers(const struct lt_ask *ask, bool *ret_extended)
{
    *ret_extended = ask->controller_count > 0 && ask->controllers[0].address.extended;
    return ask->controller_count;
}
