/* The search for a bit rate as a state machine: see loomtap/live/attach.h.
 *
 * A look at a rate is: set it, let what is on its way pass, then count. It ends
 *   at enough whole frames without an error     once more at this rate; the second time: found
 *   at a number of errors                       next rate: more of them say nothing new
 *   when nothing came for the time of a look    next rate
 * While whole frames come without an error, but slowly, a look lasts up to ten times as long. */
#include "loomtap/live/attach.h"

#include "loomtap/base/clock.h"

#define ENOUGH       16u
#define ROUNDS       2u
#define MANY_ERRORS  16u /* with no whole frame among them */
#define MIXED_ERRORS 64u
#define PATIENCE     10 /* times listen_ns, for a bus that speaks rarely */
/* What the adapter still had of the rate before: longer than a USB adapter's poll. */
#define SETTLE_NS INT64_C(30000000)

const uint32_t lt_search_rates_hz[LT_SEARCH_RATES] = {500000, 250000, 125000, 1000000, 33333,
                                                      83333,  100000, 50000,  800000};

#define VERDICT_WORD(name, word) word,
static const char *const words[LT_VERDICT_COUNT] = {LT_VERDICTS(VERDICT_WORD)};
#undef VERDICT_WORD

const char *lt_verdict_word(enum lt_verdict verdict)
{
    return (unsigned)verdict < LT_VERDICT_COUNT ? words[verdict] : "unknown";
}

void lt_search_init(struct lt_search *search, const struct lt_search_options *options)
{
    *search = (struct lt_search){.options = *options};
    if (search->options.listen_ns <= 0)
        search->options.listen_ns = LT_SECOND_NS;
    if (search->options.enough == 0)
        search->options.enough = ENOUGH;
    if (search->options.rounds == 0)
        search->options.rounds = ROUNDS;
    for (size_t i = 0; i < LT_SEARCH_RATES; i++)
        search->rates[i].rate_hz = lt_search_rates_hz[i];
}

struct lt_bus_signs lt_search_all_signs(const struct lt_search *search)
{
    struct lt_bus_signs all = {0};
    for (size_t i = 0; i < LT_SEARCH_RATES; i++)
        lt_bus_signs_join(&all, &search->rates[i].signs);
    return all;
}

/* ---- the end ---- */

static bool all_missing(const struct lt_search *search)
{
    for (size_t i = 0; i < LT_SEARCH_RATES; i++)
        if (!search->rates[i].missing)
            return false;
    return true;
}

/* Where whole frames were: an undisturbed rate before a disturbed one. */
static size_t best_rate(const struct lt_search *search)
{
    size_t best = 0;
    for (size_t i = 1; i < LT_SEARCH_RATES; i++)
        if (search->rates[i].signs.frames > search->rates[best].signs.frames)
            best = i;
    return best;
}

static void conclude(struct lt_search *search)
{
    struct lt_bus_signs all = lt_search_all_signs(search);
    if (all_missing(search)) {
        search->verdict = LT_VERDICT_NO_RATE;
    } else if (all.frames > 0) {
        search->at = best_rate(search);
        search->verdict =
            search->rates[search->at].signs.errors ? LT_VERDICT_MIXED : LT_VERDICT_FEW;
    } else {
        search->verdict = all.errors ? LT_VERDICT_ERRORS : LT_VERDICT_QUIET;
    }
}

/* ---- from look to look ---- */

static void keep_look(struct lt_search *search)
{
    struct lt_search_rate *rate = &search->rates[search->at];
    lt_bus_signs_join(&rate->signs, &search->look);
    rate->looks++;
    search->look = (struct lt_bus_signs){0};
    search->is_set = false;
}

static void next_rate(struct lt_search *search)
{
    search->second = false;
    do {
        search->at++;
        if (search->at == LT_SEARCH_RATES) {
            search->at = 0;
            if (++search->round == search->options.rounds || all_missing(search)) {
                conclude(search);
                return;
            }
        }
    } while (search->rates[search->at].missing);
}

static void judge_look(struct lt_search *search, int64_t now_ns)
{
    const struct lt_bus_signs *look = &search->look;
    bool clean = lt_bus_is_clean(look, search->options.enough);
    bool many = look->errors >= (look->frames ? MIXED_ERRORS : MANY_ERRORS);
    bool over = now_ns >= search->until_ns;
    if (lt_bus_signs_of_sending(look)) {
        keep_look(search);
        search->verdict = LT_VERDICT_NOT_LISTENING;
    } else if (clean && search->second) {
        keep_look(search);
        search->verdict = LT_VERDICT_FOUND;
    } else if (clean) {
        keep_look(search);
        search->second = true;
    } else if (many || over) {
        keep_look(search);
        next_rate(search);
    }
}

enum lt_search_step lt_search_next(struct lt_search *search, int64_t now_ns, uint32_t *ret_rate_hz,
                                   int64_t *ret_until_ns)
{
    if (search->verdict == LT_VERDICT_OPEN && search->is_set)
        judge_look(search, now_ns);
    if (search->verdict != LT_VERDICT_OPEN)
        return LT_SEARCH_DONE;
    if (!search->is_set) {
        *ret_rate_hz = search->rates[search->at].rate_hz;
        return LT_SEARCH_SET;
    }
    *ret_until_ns = search->until_ns;
    return LT_SEARCH_LISTEN;
}

void lt_search_was_set(struct lt_search *search, bool set, int64_t now_ns)
{
    if (!set) {
        search->rates[search->at].missing = true;
        next_rate(search);
        return;
    }
    search->is_set = true;
    search->from_ns = now_ns + SETTLE_NS;
    search->until_ns = search->from_ns + search->options.listen_ns;
}

void lt_search_hear(struct lt_search *search, const struct lt_frame *frame, int64_t now_ns)
{
    if (!search->is_set || search->verdict != LT_VERDICT_OPEN)
        return;
    /* A sign of sending counts whenever it comes. */
    struct lt_bus_signs heard = {0};
    lt_bus_signs_add(&heard, frame);
    if (now_ns < search->from_ns && !lt_bus_signs_of_sending(&heard))
        return;
    lt_bus_signs_join(&search->look, &heard);
    if (search->look.frames > 0)
        search->until_ns =
            search->from_ns + (search->look.errors ? 1 : PATIENCE) * search->options.listen_ns;
}
