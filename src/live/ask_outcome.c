/* For telling a person: how it stands, and what became of each wanted value: answered, unsupported,
 * locked, refused, or nothing heard. */
#include "live/ask_inside.h"

static const char *const state_texts[] = {
    [LT_ASK_LISTENING] = "listening",
    [LT_ASK_FINDING] = "looking for controllers that answer",
    [LT_ASK_MASKS] = "asking what there is",
    [LT_ASK_ROUNDS] = "asking",
    [LT_ASK_YIELDING] = "somebody else asks: waiting",
    [LT_ASK_HOLDING] = "error frames: waiting",
    [LT_ASK_ENDED] = "ended",
};

static const char *const end_texts[] = {
    [LT_ASK_GOES_ON] = "it goes on",
    [LT_ASK_DONE] = "everything is asked",
    [LT_ASK_NO_ANSWER] = "no controller answered",
    [LT_ASK_BUS_QUIET] = "the bus has gone quiet: the key seems to be off",
    [LT_ASK_REPLIES_CEASE] = "replies come no more: the key seems to be off",
    [LT_ASK_ENGINE_STANDS] = "the engine has stood for two minutes",
    [LT_ASK_ERRORS] = "error frames came again and again",
    [LT_ASK_BUS_OFF] = "the adapter is bus-off",
    [LT_ASK_NOT_SENT] = "frames could not be sent",
    [LT_ASK_FORBIDDEN] = "a frame was held back that must never be sent",
};

const char *lt_ask_state_text(enum lt_ask_state state)
{
    return (size_t)state < sizeof state_texts / sizeof *state_texts ? state_texts[state] : "";
}

const char *lt_ask_end_text(enum lt_ask_end end)
{
    return (size_t)end < sizeof end_texts / sizeof *end_texts ? end_texts[end] : "";
}

static bool was_answered(const struct lt_ask *ask, size_t wanted)
{
    for (size_t c = 0; c < ask->controller_count; c++)
        if (ask->cells[wanted][c].answered > 0)
            return true;
    return false;
}

/* Once somebody has the value, those that have not say nothing new. */
static bool is_told(const struct lt_ask *ask, size_t wanted, size_t controller, bool answered)
{
    return answered ? ask->cells[wanted][controller].answered > 0
                    : ask_concerns(ask, wanted, controller);
}

/* Of no controller: either there is none, or what it refuses or leaves out says why. */
static void judge_of_none(const struct lt_ask *ask, struct lt_ask_outcome *outcome)
{
    for (size_t c = 0; c < ask->controller_count; c++) {
        uint8_t nrc = ask->controllers[c].live_nrc;
        enum lt_obd_answer answer =
            ask->controllers[c].has_live || nrc == 0 ? LT_OBD_UNSUPPORTED : ask_judge_nrc(nrc);
        if (answer > outcome->answer) {
            outcome->answer = answer;
            outcome->nrc = ask->controllers[c].has_live ? 0 : nrc;
        }
    }
}

static void fill(const struct lt_ask *ask, size_t wanted, size_t controller,
                 struct lt_ask_outcome *outcome)
{
    const struct ask_cell *cell = &ask->cells[wanted][controller];
    outcome->reply_id = ask->controllers[controller].address.reply_id;
    outcome->extended = ask->controllers[controller].address.extended;
    outcome->uds = cell->uds;
    outcome->answer = cell->answer;
    outcome->nrc = cell->nrc;
    outcome->answered = cell->answered;
}

bool lt_ask_outcome(const struct lt_ask *ask, size_t n, struct lt_ask_outcome *ret_outcome)
{
    for (size_t i = 0; i < ask->wanted_count; i++) {
        struct lt_ask_outcome outcome = {.wanted = ask->wanted[i]};
        bool answered = was_answered(ask, i), any = false;
        for (size_t c = 0; c < ask->controller_count; c++) {
            if (!is_told(ask, i, c, answered))
                continue;
            any = true;
            if (n-- > 0)
                continue;
            fill(ask, i, c, &outcome);
            *ret_outcome = outcome;
            return true;
        }
        if (!any && n-- == 0) {
            judge_of_none(ask, &outcome);
            *ret_outcome = outcome;
            return true;
        }
    }
    return false;
}
