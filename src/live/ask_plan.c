/* What is asked next.
 *
 *     FINDING   01 00 to all, with 11 and 29 bits, each twice; where nothing has it, 22 F400
 *     MASKS     further masks, as far as something wanted stands in them: 01, 02, 09 (or 22 F4xx)
 *               (after silences in a row: the question that found somebody, once more)
 *     ROUNDS    each wanted value of each controller that it concerns; PIDs together where the car
 *               takes it
 *
 * Masks and the finding go to all controllers at once, since their replies are single frames; a
 * value is asked of its controller alone, so that there is one flow control a request at most.
 *
 * Documents: ISO 15765-4 (initialisation: 11 bits, then 29), SAE J1979 (masks), SAE J1979-2 / ISO
 * 27145 (F4xx). */
#include "live/ask_inside.h"

static const struct attempt {
    bool extended; /* the other way round where 29 bits were heard */
    uint8_t service;
} attempts[] = {
    {false, 0x01}, {false, 0x01}, {true, 0x01}, {true, 0x01}, {false, 0x22}, {true, 0x22},
};
#define ATTEMPTS (sizeof attempts / sizeof *attempts)

#define MASK_TRIES 2

static uint32_t number_in(uint8_t service, uint32_t number)
{
    return service == 0x22 ? 0xF400 | number : number;
}

static bool plan_find(struct lt_ask *ask, struct ask_question *question)
{
    if (ask->found || ask->attempt == ATTEMPTS)
        return false;
    const struct attempt *attempt = &attempts[ask->attempt++];
    bool turned = ask->heard_29 && !ask->heard_11;
    *question = (struct ask_question){.kind = ASK_FIND,
                                      .to = {0, attempt->extended != turned},
                                      .service = attempt->service,
                                      .count = 1,
                                      .numbers = {number_in(attempt->service, 0)},
                                      .table = TABLE_LIVE};
    return true;
}

/* ---- masks ---- */

static const uint8_t table_service[TABLES] = {
    [TABLE_LIVE] = 0x01, [TABLE_FREEZE] = 0x02, [TABLE_INFORMATION] = 0x09};

/* How many masks something wanted stands in or behind. */
static uint32_t masks_wanted(const struct lt_ask *ask, enum ask_table table)
{
    uint32_t most = 0;
    for (size_t i = 0; i < ask->wanted_count; i++) {
        const struct lt_ask_wanted *wanted = &ask->wanted[i];
        if (wanted->service != table_service[table])
            continue;
        uint32_t masks = (wanted->number == 0 ? 0 : (wanted->number - 1) >> 5) + 1;
        most = masks > most ? masks : most;
    }
    return most;
}

static bool any_has_live(const struct lt_ask *ask)
{
    for (size_t i = 0; i < ask->controller_count; i++)
        if (ask->controllers[i].has_live)
            return true;
    return false;
}

/* Has some controller this mask, and did not give it yet? */
static bool lacks_mask(const struct lt_ask *ask, enum ask_table table, uint32_t mask, bool live,
                       bool *ret_extended)
{
    for (size_t i = 0; i < ask->controller_count; i++) {
        const struct ask_controller *controller = &ask->controllers[i];
        const struct ask_masks *masks = &controller->masks[table];
        if (!(live ? controller->has_live : controller->has_uds) || (masks->answered >> mask & 1))
            continue;
        if (mask == 0 || ask_supports(masks, mask << 5) == 1) {
            *ret_extended = controller->address.extended;
            return true;
        }
    }
    return false;
}

static bool plan_table(struct lt_ask *ask, enum ask_table table, struct ask_question *question)
{
    bool live = any_has_live(ask), extended = false;
    uint32_t count = masks_wanted(ask, table);
    uint8_t service = live ? table_service[table] : 0x22;
    if (!live && table != TABLE_LIVE)
        return false;
    for (uint32_t mask = 0; mask < count && mask < 8; mask++) {
        if (ask->mask_tries[table][mask] == MASK_TRIES ||
            !lacks_mask(ask, table, mask, live, &extended))
            continue;
        ask->mask_tries[table][mask]++;
        *question = (struct ask_question){.kind = ASK_MASK,
                                          .to = {0, extended},
                                          .service = service,
                                          .count = 1,
                                          .numbers = {number_in(service, mask << 5)},
                                          .table = table};
        return true;
    }
    return false;
}

static bool plan_mask(struct lt_ask *ask, struct ask_question *question)
{
    for (int table = 0; table < TABLES; table++)
        if (plan_table(ask, (enum ask_table)table, question))
            return true;
    return false;
}

/* ---- values ---- */

static bool is_left(const struct lt_ask *ask, size_t wanted, size_t controller)
{
    const struct ask_cell *cell = &ask->cells[wanted][controller];
    return !cell->settled && !(lt_ask_is_once(ask->wanted[wanted].service) && cell->answered > 0) &&
           ask_concerns(ask, wanted, controller);
}

static bool is_due(const struct lt_ask *ask, size_t wanted, size_t controller, int64_t now_ns)
{
    const struct ask_cell *cell = &ask->cells[wanted][controller];
    return cell->round_done < ask->round && cell->rests_until_ns <= now_ns &&
           is_left(ask, wanted, controller);
}

/* 0: not known. */
size_t ask_value_length(const struct lt_ask *ask, uint8_t service, uint32_t number)
{
    size_t length = ask->length ? ask->length(ask->context, service, number) : 0;
    if (length == 0 && service == 0x01)
        length = lt_obd_pid_length(number);
    if (length == 0 && service == 0x22 && number >> 8 == 0xF4)
        length = lt_obd_pid_length(number & 0xFF);
    return length;
}

/* A reply with several values says nothing of their lengths: only those are asked for together
 * whose length is known. */
static bool fits_together(const struct lt_ask *ask, size_t wanted, size_t controller)
{
    const struct ask_cell *cell = &ask->cells[wanted][controller];
    const struct lt_ask_wanted *value = &ask->wanted[wanted];
    if (value->service != 0x01 || cell->uds || cell->alone || cell->silent || cell->busy)
        return false;
    return ask_value_length(ask, value->service, value->number) > 0;
}

static void put_value(const struct lt_ask *ask, size_t wanted, size_t controller,
                      struct ask_question *question)
{
    const struct lt_ask_wanted *value = &ask->wanted[wanted];
    bool uds = ask->cells[wanted][controller].uds;
    question->service = uds ? 0x22 : value->service;
    question->wanted[question->wanted_count++] = wanted;
    if (value->number != LT_OBD_NO_NUMBER)
        question->numbers[question->count++] = number_in(uds ? 0x22 : 0, value->number);
}

static void put_others(const struct lt_ask *ask, size_t first, size_t controller, int64_t now_ns,
                       struct ask_question *question)
{
    if (ask->controllers[controller].several == FAILS || question->to.reply_id == 0 ||
        !fits_together(ask, first, controller))
        return;
    for (size_t i = 0; i < ask->wanted_count && question->count < LT_ASK_TOGETHER_MAX; i++)
        if (i != first && fits_together(ask, i, controller) && is_due(ask, i, controller, now_ns))
            put_value(ask, i, controller, question);
}

static bool plan_value(struct lt_ask *ask, int64_t now_ns, struct ask_question *question)
{
    for (size_t i = 0; i < ask->wanted_count; i++)
        for (size_t c = 0; c < ask->controller_count; c++) {
            if (!is_due(ask, i, c, now_ns))
                continue;
            const struct ask_controller *controller = &ask->controllers[c];
            *question = (struct ask_question){.kind = ASK_VALUE, .controller = c};
            question->to = controller->address;
            if (controller->alone == FAILS)
                question->to.reply_id = 0;
            if (!controller->has_live && ask->wanted[i].service == 0x01)
                ask->cells[i][c].uds = true;
            put_value(ask, i, c, question);
            put_others(ask, i, c, now_ns, question);
            return true;
        }
    return false;
}

static bool nothing_is_left(const struct lt_ask *ask)
{
    for (size_t i = 0; i < ask->wanted_count; i++)
        for (size_t c = 0; c < ask->controller_count; c++)
            if (is_left(ask, i, c))
                return false;
    return true;
}

static void end_round(struct lt_ask *ask, int64_t now_ns)
{
    if (ask->round > 0)
        ask->counts.rounds++;
    if (nothing_is_left(ask) || (ask->rounds && ask->counts.rounds >= ask->rounds)) {
        ask_end(ask, LT_ASK_DONE, now_ns);
        return;
    }
    /* A round in which everything rests is over at once: not again before it is time. */
    int64_t next_ns =
        ask->round_ns + (ask->every_ns > ask->interval_ns ? ask->every_ns : ask->interval_ns);
    if (ask->round > 0 && ask->due_ns < next_ns)
        ask->due_ns = next_ns;
    ask->round++;
    ask->round_ns = ask->due_ns > now_ns ? ask->due_ns : now_ns;
}

static bool plan_round(struct lt_ask *ask, int64_t now_ns, struct ask_question *question)
{
    if (ask->round == 0)
        end_round(ask, now_ns);
    if (ask->state != LT_ASK_ROUNDS || ask->due_ns > now_ns)
        return false;
    if (plan_value(ask, now_ns, question))
        return true;
    end_round(ask, now_ns);
    return ask->state == LT_ASK_ROUNDS && ask->due_ns <= now_ns &&
           plan_value(ask, now_ns, question);
}

bool ask_plan(struct lt_ask *ask, int64_t now_ns, struct ask_question *ret_question)
{
    if (ask->state == LT_ASK_FINDING) {
        if (plan_find(ask, ret_question))
            return true;
        if (ask->controller_count == 0) {
            ask_end(ask, LT_ASK_NO_ANSWER, now_ns);
            return false;
        }
        ask->state = LT_ASK_MASKS;
    }
    if (ask->found && ask->silences >= SILENCES_MIN) {
        *ret_question = ask->found_by;
        ret_question->answered = false;
        ret_question->pending = 0;
        return true;
    }
    if (ask->state == LT_ASK_MASKS) {
        if (plan_mask(ask, ret_question))
            return true;
        ask->state = LT_ASK_ROUNDS;
    }
    return ask->state == LT_ASK_ROUNDS && plan_round(ask, now_ns, ret_question);
}
