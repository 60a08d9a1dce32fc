/* The polite tester: what is heard on the bus. Whose frame it is, is told by bytes and number: the
 * kernel gives a program's own frames back to its listening sockets, and those of another program
 * of this machine look just so. A reply belongs to the question that is open, or to the one before
 * if it is late; one that belongs to none was asked for by somebody else. */
#include <string.h>

#include "live/ask_inside.h"

#define YIELD_NS       (5000 * MS_NS) /* of peace after somebody else's last frame */
#define PENDING_NS     (5000 * MS_NS)
#define PENDING_MAX    12
#define AFTER_PENDING  (1000 * MS_NS)
#define LONGEST_NS     (15000 * MS_NS) /* of a reply in parts */
#define HOLD_FORGET_NS (30000 * MS_NS)
#define HOLDS_MAX      4
#define ERROR_BUS_OFF  0x40u  /* linux/can/error.h: CAN_ERR_BUSOFF */
#define ERROR_HARMLESS 0x102u /* CAN_ERR_LOSTARB, CAN_ERR_RESTARTED */

static bool is_same(const struct lt_frame *a, const struct lt_frame *b)
{
    return a->id == b->id && a->len == b->len &&
           lt_frame_has(a, LT_FRAME_EXTENDED) == lt_frame_has(b, LT_FRAME_EXTENDED) &&
           memcmp(a->data, b->data, a->len) == 0;
}

/* The kernel gives a program's own frames back to its listening sockets. What another program of
 * this machine sends looks just so: only bytes and number tell. */
static bool take_echo(struct lt_ask *ask, const struct lt_frame *frame, int64_t now_ns)
{
    for (size_t i = 0; i < ECHOES; i++)
        if (ask->echoes[i].set && now_ns <= ask->echoes[i].until_ns &&
            is_same(&ask->echoes[i].frame, frame)) {
            ask->echoes[i].set = false;
            return true;
        }
    return false;
}

bool ask_is_active(const struct lt_ask *ask)
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
    if (ask_is_active(ask))
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
    if (take_echo(ask, frame, now_ns))
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

void ask_close_question(struct lt_ask *ask)
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
        if (is_late && ask->question.kind == ASK_NOTHING && ask_is_active(ask))
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
        ask_close_question(ask);
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
    if (ask_is_active(ask) && frame->len > 0) {
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
        ask_life_take(&ask->life[where], now_ns);
        return false;
    }
    if (here && kind == LT_OBD_REPLY)
        return hear_reply(ask, frame, now_ns, ret_reply);
    if (here)
        take_request(ask, frame, now_ns);
    return false;
}
