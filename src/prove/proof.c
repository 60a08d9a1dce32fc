/* All claims together: which belong to required roles, the verdict of the whole, and what to drive
 * next. */
#include <string.h>

#include "prove/inside.h"

#define TODO_MAX 12

static bool has_role(const char *wanted, const char *role)
{
    size_t len = strlen(wanted);
    if (len && wanted[len - 1] == '*')
        return strncmp(wanted, role, len - 1) == 0 && strlen(role) >= len;
    return strcmp(wanted, role) == 0;
}

/* Signals in frames that come; of a profile of parameters alone, those in replies. */
static bool is_there(const struct lt_profile *profile, const struct lt_signal_def *def)
{
    if (!profile->frame_count)
        return def->parameter != LT_NONE;
    return def->frame != LT_NONE && profile->frames[def->frame].direction == LT_LISTEN;
}

static bool has_roles(const struct lt_profile *profile)
{
    for (size_t i = 0; i < profile->signal_count; i++)
        if (profile->signals[i].role_name && is_there(profile, &profile->signals[i]))
            return true;
    return false;
}

/* What the verdict rests on: the roles in `requires`; where it names none, every signal with a
 * role; where none has one, every signal. */
static bool is_required(const struct lt_profile *profile, const struct lt_signal_def *def)
{
    if (!profile->require_count)
        return is_there(profile, def) && (def->role_name || !has_roles(profile));
    for (size_t i = 0; def->role_name && i < profile->require_count; i++)
        if (has_role(profile->requires[i], def -> role_name))
            return true;
    return false;
}

static void judge_roles(struct judge *judge)
{
    const struct lt_profile *profile = judge->prove->profile;
    for (size_t r = 0; r < profile->require_count; r++) {
        const char *subject = NULL;
        for (size_t i = 0; !subject && i < profile->signal_count; i++)
            if (profile->signals[i].role_name && is_there(profile, &profile->signals[i]) &&
                has_role(profile->requires[r], profile -> signals[i].role_name))
                subject = profile->signals[i].name;
        struct lt_claim *c = claim(judge, LT_CLAIM_ROLE, subject ? subject : profile->requires[r],
                                   subject ? LT_PROVEN : LT_CONTRADICTED);
        claim_expected(judge, c, "a signal with role %s", profile->requires[r]);
        claim_measured(judge, c, "%s", subject ? subject : "none in a frame");
        if (!subject)
            claim_say(judge, c, "no signal of a frame has this role");
    }
}

static bool carries_signal(const struct lt_profile *profile, const struct lt_signal_def *def,
                           const struct lt_claim *c)
{
    enum lt_claim_subject about = lt_claim_kind(c->id)->subject;
    if (about == LT_ABOUT_SIGNAL)
        return strcmp(def->name, c->subject) == 0;
    if (def->frame == LT_NONE)
        return false;
    const struct lt_frame_def *frame = &profile->frames[def->frame];
    if (about == LT_ABOUT_FRAME)
        return strcmp(frame->name, c->subject) == 0;
    return about == LT_ABOUT_BUS && frame->bus != LT_NONE && c->id == LT_CLAIM_REACHABLE &&
           strcmp(profile->buses[frame->bus].name, c->subject) == 0;
}

/* Does the claim's subject carry a required role: the signal, its frame, its bus? What is to be
 * sent carries none, and counts where nothing is required. */
static bool carries(const struct lt_profile *profile, const struct lt_claim *c)
{
    enum lt_claim_subject about = lt_claim_kind(c->id)->subject;
    bool of_sending = c->id == LT_CLAIM_SEND_FREE || c->id == LT_CLAIM_SEND_ROOM;
    if (about == LT_ABOUT_ROLE ||
        (!profile->require_count && (of_sending || about == LT_ABOUT_PROFILE)))
        return true;
    for (size_t i = 0; i < profile->signal_count; i++)
        if (is_required(profile, &profile->signals[i]) &&
            carries_signal(profile, &profile->signals[i], c))
            return true;
    return false;
}

void judge_required(struct judge *judge)
{
    for (size_t i = 0; i < judge->count; i++)
        judge->list[i].required = carries(judge->prove->profile, &judge->list[i]);
}

static bool is_needed(const struct judge *judge, const struct lt_claim *c)
{
    if (c->id == LT_CLAIM_OBD && limit_of(judge, LT_LIMIT_OBD_NEEDED) <= 0)
        return false;
    return lt_claim_kind(c->id)->needed;
}

enum lt_proof_verdict overall(const struct judge *judge)
{
    enum lt_proof_verdict worst = LT_PROVEN;
    bool any = false;
    for (size_t i = 0; i < judge->count; i++) {
        const struct lt_claim *c = &judge->list[i];
        if (!c->required)
            continue;
        any |= c->verdict == LT_PROVEN && lt_claim_kind(c->id)->subject == LT_ABOUT_SIGNAL;
        bool counts = c->verdict == LT_CONTRADICTED || is_needed(judge, c);
        if (counts && c->verdict > worst)
            worst = c->verdict;
    }
    return worst == LT_PROVEN && !any ? LT_NOT_EXERCISED : worst;
}

static const char *advice(const struct lt_claim *c)
{
    switch (c->id) {
    case LT_CLAIM_EXERCISED:
        return "drive so that %s moves over more of its range";
    case LT_CLAIM_OBD:
        return "ask diagnostics for what %s measures, often, while it moves";
    case LT_CLAIM_PRESENT:
    case LT_CLAIM_PERIOD:
    case LT_CLAIM_COUNTER:
    case LT_CLAIM_CHECKSUM:
        return "record for longer, so that %s comes often enough";
    case LT_CLAIM_REACHABLE:
        return "record the bus %s too";
    case LT_CLAIM_UNAVAILABLE:
        return "warm the engine up, so that %s is available";
    default:
        return NULL;
    }
}

bool find_todo(struct judge *judge, const char *const **ret_list, size_t *ret_count)
{
    const char **list = lt_arena_array(judge->arena, TODO_MAX, sizeof *list);
    size_t count = 0;
    if (!list)
        return false;
    for (size_t i = 0; i < judge->count && count < TODO_MAX; i++) {
        const struct lt_claim *c = &judge->list[i];
        const char *form = advice(c), *place = form ? strstr(form, "%s") : NULL;
        char text[200];
        if (!c->required || c->verdict != LT_NOT_EXERCISED || !is_needed(judge, c) || !place)
            continue;
        lt_text_format(text, sizeof text, "%.*s%s%s", (int)(place - form), form, c->subject,
                       place + 2);
        list[count] = lt_arena_string(judge->arena, text);
        if (!list[count++])
            return false;
    }
    *ret_list = list;
    *ret_count = count;
    return true;
}

void prove_settle(struct lt_prove *prove)
{
    for (size_t i = 0; i < prove->profile->signal_count; i++)
        if (prove->signals[i].def->frame != LT_NONE)
            signal_watch_settle(&prove->signals[i]);
    for (size_t i = 0; i < prove->profile->frame_count; i++) {
        struct frame_watch *watch = &prove->frames[i];
        watch->usual_gap_ns = lt_timing_counts_quantile(&watch->timing, 0.5);
        watch->slow_gap_ns = lt_timing_counts_quantile(&watch->timing, 0.9);
    }
}

enum lt_code lt_prove_finish(struct lt_prove *prove, const struct lt_prove_given *given,
                             struct lt_arena *arena, struct lt_proof **ret_proof,
                             struct lt_error *error)
{
    static const struct lt_prove_given nothing;
    struct judge judge = {.prove = prove, .given = given ? given : &nothing, .arena = arena};
    struct lt_proof *proof = lt_arena_alloc(arena, sizeof *proof);
    prove_settle(prove);
    judge_roles(&judge);
    judge_frames(&judge);
    judge_sends(&judge);
    judge_signals(&judge);
    judge_answers(&judge);
    judge_agreement(&judge);
    judge_copies(&judge);
    judge_laws(&judge);
    judge_repeats(&judge);
    judge_marks(&judge);
    judge_calibration(&judge);
    judge_required(&judge);
    if (!proof || !find_todo(&judge, &proof->todo, &proof->todo_count) || arena->failed)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    proof->profile = prove->profile;
    proof->verdict = overall(&judge);
    proof->claims = judge.list;
    proof->claim_count = judge.count;
    for (size_t i = 0; i < judge.count; i++)
        proof->counts[judge.list[i].verdict]++;
    proof->frames = prove->frame_count;
    proof->claimed_frames = prove->claimed_frames;
    proof->duration_s = (double)prove->duration_ns / (double)NS_PER_S;
    proof->plots = judge.plots;
    proof->plot_count = judge.plot_count;
    *ret_proof = proof;
    return LT_OK;
}
