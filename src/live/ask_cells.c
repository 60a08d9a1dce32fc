/* What is known of the controllers, and what an answer, a refusal or a silence makes of a wanted
 * value.
 *
 *     positive                    answered
 *     7F .. 11, 12, 31            unsupported, never asked again (ISO 14229-1 annex A)
 *     7F .. 33, 34                locked: security access, authentication; never asked again
 *     7F .. 21                    busy: again after a second, five times at most
 *     7F .. other                 refused: again after ten seconds ("conditions not right" pass)
 *     left out of the masks       unsupported, not asked (SAE J1979)
 *     silence, three times        service 01: once more as UDS F4xx; else never answered, or
 *                                 resting for ten seconds where it had been answered before
 *
 * A request with several PIDs that is not answered in full is not repeated: the PIDs are asked one
 * by one from then on. */
#include "live/ask_inside.h"

#define BUSY       0x21
#define LOCKED_TOO 0x34 /* authentication required */
#define REST_NS    (10000 * MS_NS)
#define BUSY_NS    (1000 * MS_NS)
#define BUSY_MAX   5
#define SILENT_MAX 3
#define ALONE_MAX  2
#define NUMBERS    0x100u
#define ENGINE     0x0C /* PID of the engine speed, F40C in UDS */

/* ---- masks ---- */

/* A number stands in the mask before it, and the last bit of a mask says whether the next one is
 * there (SAE J1979): what lies behind the last is not there. */
int ask_supports(const struct ask_masks *masks, uint32_t number)
{
    uint32_t wanted = number == 0 ? 0 : (number - 1) >> 5;
    if (number >= NUMBERS)
        return 0;
    for (uint32_t mask = 0;; mask++) {
        uint32_t next = (mask + 1) << 5;
        if ((masks->answered >> mask & 1) == 0)
            return -1;
        if (mask == wanted)
            return number == 0 || (masks->supported[number >> 5] >> (number & 31) & 1) != 0;
        if ((masks->supported[next >> 5] >> (next & 31) & 1) == 0)
            return 0;
    }
}

void ask_learn_mask(struct ask_masks *masks, uint32_t base, const uint8_t mask[4])
{
    if (base >= NUMBERS || base % 32 != 0)
        return;
    for (uint32_t i = 0; i < 32 && base + 1 + i < NUMBERS; i++) {
        uint32_t number = base + 1 + i, bit = UINT32_C(1) << (number & 31);
        if (mask[i / 8] >> (7 - i % 8) & 1)
            masks->supported[number >> 5] |= bit;
        else
            masks->supported[number >> 5] &= ~bit;
    }
    masks->answered |= UINT32_C(1) << (base >> 5);
}

/* ---- which controller is asked for what ---- */

size_t ask_find_controller(const struct lt_ask *ask, const struct lt_ask_address *address)
{
    size_t i = 0;
    while (i < ask->controller_count &&
           (ask->controllers[i].address.reply_id != address->reply_id ||
            ask->controllers[i].address.extended != address->extended))
        i++;
    return i;
}

static struct ask_controller *add_controller(struct lt_ask *ask,
                                             const struct lt_ask_address *address)
{
    size_t i = ask_find_controller(ask, address);
    if (i == LT_ASK_CONTROLLERS_MAX)
        return NULL;
    if (i == ask->controller_count) {
        ask->controllers[i] = (struct ask_controller){.address = *address};
        ask->controller_count++;
    }
    return &ask->controllers[i];
}

/* Live data are asked of one controller, since several have many of them: that with the lowest
 * identifier (ISO 15765-4: the engine's is 7E8) of those whose masks name it, or, where no mask
 * does, of those whose mask did not come. */
static size_t owner(const struct lt_ask *ask, uint32_t number)
{
    size_t found = LT_ASK_CONTROLLERS_MAX;
    int best = 0;
    for (size_t i = 0; i < ask->controller_count; i++) {
        const struct ask_controller *controller = &ask->controllers[i];
        int supports = ask_supports(&controller->masks[TABLE_LIVE], number);
        if ((!controller->has_live && !controller->has_uds) || supports == 0)
            continue;
        bool better = found == LT_ASK_CONTROLLERS_MAX || supports > best ||
                      (supports == best &&
                       controller->address.reply_id < ask->controllers[found].address.reply_id);
        if (better) {
            found = i;
            best = supports;
        }
    }
    return found;
}

/* Where no controller gave the first mask of a service, those without one are asked; where one did,
 * the others do not have the service. */
static bool may_have(const struct lt_ask *ask, enum ask_table table, uint32_t number,
                     const struct ask_controller *controller)
{
    int supports = ask_supports(&controller->masks[table], number);
    if (!controller->has_live || supports >= 0)
        return supports > 0;
    for (size_t i = 0; i < ask->controller_count; i++)
        if (ask->controllers[i].masks[table].answered)
            return false;
    return true;
}

bool ask_concerns(const struct lt_ask *ask, size_t wanted, size_t controller)
{
    const struct ask_controller *at = &ask->controllers[controller];
    uint32_t number = ask->wanted[wanted].number;
    switch (ask->wanted[wanted].service) {
    case 0x01:
        return owner(ask, number) == controller;
    case 0x02:
        return may_have(ask, TABLE_FREEZE, number, at);
    case 0x09:
        return may_have(ask, TABLE_INFORMATION, number, at);
    case 0x22:
        return true;
    default: /* codes */
        return at->has_live;
    }
}

/* ---- answers ---- */

static bool is_locked(uint8_t nrc)
{
    return nrc == LT_NRC_LOCKED || nrc == LOCKED_TOO;
}

static bool is_unsupported(uint8_t nrc)
{
    return nrc == LT_NRC_SERVICE_NOT_SUPPORTED || nrc == LT_NRC_SUBFUNCTION_NOT_SUPPORTED ||
           nrc == LT_NRC_OUT_OF_RANGE;
}

enum lt_obd_answer ask_judge_nrc(uint8_t nrc)
{
    return is_locked(nrc)        ? LT_OBD_LOCKED
           : is_unsupported(nrc) ? LT_OBD_UNSUPPORTED
                                 : LT_OBD_REFUSED;
}

static void cell_answered(struct lt_ask *ask, struct ask_cell *cell)
{
    cell->answered++;
    cell->answer = LT_OBD_ANSWERED;
    cell->silent = cell->busy = 0;
    cell->round_done = ask->round;
}

static void rest(struct lt_ask *ask, struct ask_cell *cell, int64_t now_ns)
{
    cell->rests_until_ns = now_ns + REST_NS;
    cell->round_done = ask->round;
    cell->silent = cell->busy = 0;
}

static void cell_refused(struct lt_ask *ask, struct ask_cell *cell, uint8_t nrc, int64_t now_ns)
{
    cell->nrc = nrc;
    cell->silent = 0;
    if (nrc == BUSY && ++cell->busy < BUSY_MAX) {
        if (ask->due_ns < now_ns + BUSY_NS)
            ask->due_ns = now_ns + BUSY_NS;
        return;
    }
    if (cell->answered == 0)
        cell->answer = ask_judge_nrc(nrc);
    cell->settled = is_locked(nrc) || is_unsupported(nrc);
    rest(ask, cell, now_ns);
}

static const struct lt_obd_item *find_item(const struct lt_obd_reply *reply, uint32_t number)
{
    for (size_t i = 0; i < reply->count; i++)
        if (reply->item[i].number == number)
            return &reply->item[i];
    return NULL;
}

static void watch_engine(struct lt_ask *ask, const struct lt_obd_reply *reply, int64_t now_ns)
{
    const struct lt_obd_item *item = NULL;
    if (reply->service == 0x01)
        item = find_item(reply, ENGINE);
    else if (reply->service == 0x22)
        item = find_item(reply, 0xF400 | ENGINE);
    if (!item || item->length < 2)
        return;
    if (item->data[0] | item->data[1]) {
        ask->engine_ran = true;
        ask->engine_zero_ns = LT_NO_TIME;
    } else if (ask->engine_zero_ns == LT_NO_TIME) {
        ask->engine_zero_ns = now_ns;
    }
}

static void take_values(struct lt_ask *ask, struct ask_question *question,
                        struct ask_controller *controller, size_t at,
                        const struct lt_obd_reply *reply)
{
    bool whole = !reply->ambiguous;
    for (size_t i = 0; i < question->wanted_count; i++) {
        struct ask_cell *cell = &ask->cells[question->wanted[i]][at];
        uint32_t number = question->count ? question->numbers[i] : LT_OBD_NO_NUMBER;
        if (find_item(reply, number)) {
            cell_answered(ask, cell);
        } else {
            cell->alone = true;
            whole = false;
        }
    }
    if (question->count > 1 && controller->several == UNTRIED)
        controller->several = whole ? WORKS : FAILS;
}

static void take_masks(const struct ask_question *question, struct ask_controller *controller,
                       const struct lt_obd_reply *reply)
{
    for (size_t i = 0; i < reply->count; i++)
        if (reply->item[i].length >= 4)
            ask_learn_mask(&controller->masks[question->table],
                           reply->service == 0x22 ? reply->item[i].number & 0xFF
                                                  : reply->item[i].number,
                           reply->item[i].data);
}

static void take_positive(struct lt_ask *ask, struct ask_question *question,
                          const struct lt_ask_address *from, const struct lt_obd_reply *reply)
{
    if (question->kind == ASK_FIND) {
        struct ask_controller *controller = add_controller(ask, from);
        if (!controller)
            return;
        controller->has_live |= question->service == 0x01;
        controller->has_uds |= question->service == 0x22;
        if (!ask->found)
            ask->found_by = *question;
        ask->found = true;
        take_masks(question, controller, reply);
        return;
    }
    size_t at = ask_find_controller(ask, from);
    if (at == ask->controller_count)
        return;
    struct ask_controller *controller = &ask->controllers[at];
    if (question->kind == ASK_MASK) {
        take_masks(question, controller, reply);
    } else if (at == question->controller) {
        if (question->to.reply_id != 0)
            controller->alone = WORKS;
        take_values(ask, question, controller, at, reply);
    }
}

static void take_negative(struct lt_ask *ask, struct ask_question *question,
                          const struct lt_ask_address *from, uint8_t nrc, int64_t now_ns)
{
    struct ask_controller *controller =
        question->kind == ASK_FIND ? add_controller(ask, from) : NULL;
    if (controller && question->service == 0x01)
        controller->live_nrc = nrc;
    size_t at = ask_find_controller(ask, from);
    if (question->kind != ASK_VALUE || at != question->controller || at == ask->controller_count)
        return;
    if (question->to.reply_id != 0)
        ask->controllers[at].alone = WORKS;
    if (question->count > 1) {
        ask->controllers[at].several = FAILS;
        return;
    }
    cell_refused(ask, &ask->cells[question->wanted[0]][at], nrc, now_ns);
}

void ask_take_answer(struct lt_ask *ask, struct ask_question *question,
                     const struct lt_obd_reply *reply, int64_t now_ns)
{
    const struct lt_ask_address from = {reply->id, reply->extended};
    if (reply->negative) {
        ask->counts.negative++;
        take_negative(ask, question, &from, reply->nrc, now_ns);
    } else {
        ask->counts.answers++;
        take_positive(ask, question, &from, reply);
        watch_engine(ask, reply, now_ns);
    }
}

/* ---- silence ---- */

static void cell_silent(struct lt_ask *ask, size_t wanted, size_t at, int64_t now_ns)
{
    struct ask_cell *cell = &ask->cells[wanted][at];
    if (++cell->silent < SILENT_MAX)
        return;
    cell->silent = 0;
    if (cell->answered > 0) {
        rest(ask, cell, now_ns);
    } else if (ask->wanted[wanted].service == 0x01 && !cell->uds) {
        cell->uds = true;
    } else {
        cell->settled = true;
        cell->round_done = ask->round;
    }
}

void ask_take_silence(struct lt_ask *ask, struct ask_question *question, int64_t now_ns)
{
    if (question->kind != ASK_VALUE)
        return;
    struct ask_controller *controller = &ask->controllers[question->controller];
    if (question->count > 1 && controller->several == UNTRIED) {
        controller->several = FAILS;
        return;
    }
    /* A gateway may let through requests to all and none to one. */
    if (question->to.reply_id != 0 && controller->alone == UNTRIED) {
        if (++controller->alone_silent >= ALONE_MAX)
            controller->alone = FAILS;
        return;
    }
    for (size_t i = 0; i < question->wanted_count; i++)
        cell_silent(ask, question->wanted[i], question->controller, now_ns);
}
