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

#define ECHO_NS      (2000 * MS_NS)
#define FAILURES_MAX 5
#define BACK_OFF_MAX 4 /* doublings of the pause between questions that nobody answers */
#define STANDS_NS    (120000 * MS_NS)
#define RETRY_NS     (60000 * MS_NS)
#define RETRIES_MAX  5

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
    ask_life_init(&ask->life[LT_ASK_HERE], now_ns);
    ask_life_init(&ask->life[LT_ASK_ELSEWHERE], now_ns);
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

/* ---- what time brings ---- */

static void look_for_key_off(struct lt_ask *ask, int64_t now_ns)
{
    const struct ask_life *life = ask->life;
    if (ask_has_ceased(&life[LT_ASK_HERE], now_ns) ||
        ask_has_ceased(&life[LT_ASK_ELSEWHERE], now_ns))
        ask_end(ask, LT_ASK_BUS_QUIET, now_ns);
    else if (ask->engine_ran && ask->engine_zero_ns != LT_NO_TIME &&
             !ask_is_alive(&life[LT_ASK_HERE]) && !ask_is_alive(&life[LT_ASK_ELSEWHERE]) &&
             now_ns - ask->engine_zero_ns >= STANDS_NS)
        ask_end(ask, LT_ASK_ENGINE_STANDS, now_ns);
}

static void look_for_waking(struct lt_ask *ask, bool awake, int64_t now_ns)
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
        quiet = quiet && (!ask_is_alive(&ask->life[i]) || ask_has_ceased(&ask->life[i], now_ns));
    if (ask->was_quiet && awake)
        begin(ask, now_ns);
    else if (quiet && now_ns - ask->ended_ns >= QUIET_NS)
        ask->was_quiet = true;
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
    ask_close_question(ask);
    if (is_deaf)
        ask_end(ask, LT_ASK_REPLIES_CEASE, now_ns);
}

static void look(struct lt_ask *ask, int64_t now_ns)
{
    bool awake = ask_life_look(&ask->life[LT_ASK_HERE], now_ns);
    awake |= ask_life_look(&ask->life[LT_ASK_ELSEWHERE], now_ns);
    if (ask->state == LT_ASK_ENDED) {
        look_for_waking(ask, awake, now_ns);
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
        ask_close_question(ask);
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
    if (!ask_is_active(ask) || now_ns < free_ns(ask, 0))
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

static int64_t later(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static int64_t next_step_ns(const struct lt_ask *ask)
{
    if (ask->state == LT_ASK_ENDED)
        return ask->wakes && ask->end == LT_ASK_NO_ANSWER && ask->retries < RETRIES_MAX
                   ? ask->ended_ns + RETRY_NS
                   : INT64_MAX;
    if (!ask_is_active(ask))
        return ask->quiet_until_ns;
    if (ask->flow_waits)
        return free_ns(ask, 0);
    return ask->question.kind != ASK_NOTHING ? ask->question.until_ns
                                             : later(ask->due_ns, free_ns(ask, 0));
}

int64_t lt_ask_due_ns(const struct lt_ask *ask)
{
    int64_t due_ns = next_step_ns(ask);
    for (int i = 0; i < 2 && ask->state != LT_ASK_ENDED; i++)
        if (ask_is_alive(&ask->life[i]))
            due_ns = sooner(due_ns, ask->life[i].last_ns + QUIET_NS);
    return due_ns;
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
