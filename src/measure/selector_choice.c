/* Which of the windows that were believed is the selector (selector_inside.h).
 *
 * What the pages hold differs from page to page, so its upper bits tell the page too, and explain
 * their own number besides: the sign of a number of one page explains more than the selector does.
 * They give themselves away, for within a page they stay mostly what they are, while another page
 * is as likely to come as it was before. */
#include <math.h>
#include <string.h>

#include "measure/selector_inside.h"

#define NESTED      0.985 /* a narrower window inside, as good up to chance */
#define NESTED_FEW  0.85  /* ... and with many times fewer values */
#define FEW_TIMES   4
#define ELSEWHERE   0.75 /* fewer values elsewhere, and nearly as good */
#define TELLS       0.94
#define ROUND_RATIO 0.7 /* of the bits saved */
#define FEWER       0.8
#define UNREST      0.5
#define ALIKE       0.93 /* saved by windows that tell the same pages; their own bits differ */
#define SAME        0.995
#define MIXED       0.1 /* what a narrower window may save more for that its pages are mixed */
#define RUN_MORE    6.0 /* bits of evidence */

double lt_selector_tells(struct search *s, const struct narrow *finer, const struct narrow *coarser)
{
    size_t agree = 0;
    memset(s->scratch->last, 0, sizeof *s->scratch->last << finer->width);
    for (size_t row = 0; row < s->kept->count; row++) {
        const uint8_t *bytes = lt_kept_row(s->kept, row);
        uint32_t *with = &s->scratch->last[narrow_value(finer, bytes)];
        uint32_t value = 1 + narrow_value(coarser, bytes);
        agree += *with == value || *with == 0;
        *with = value;
    }
    return s->kept->count ? (double)agree / (double)s->kept->count : 0;
}

/* The values of a window that were met so far, numbered; `number` holds 1 + that of each. */
static unsigned number_of(uint16_t *number, unsigned *count, unsigned value)
{
    if (number[value] == 0) {
        *count += 1;
        number[value] = (uint16_t)*count;
    }
    return number[value] - 1u;
}

/* How often the value of `finer` changes within a value of `coarser`, against how often it would if
 * it came in any order: 1 where it does, near 0 where it stays what it is for long. */
static double unrest(struct search *s, const struct narrow *finer, const struct narrow *coarser)
{
    uint16_t *fine = s->scratch->after, coarse[SELECTOR_WINDOW] = {0};
    uint32_t times[LT_SELECTOR_VALUES_MAX] = {0}, last[LT_SELECTOR_VALUES_MAX] = {0};
    unsigned fine_count = 0, coarse_count = 0;
    double changes = 0, by_chance = 0;
    memset(fine, 0, sizeof *fine << finer->width);
    memset(s->together, 0, SELECTOR_PAIRS * sizeof *s->together);
    for (size_t i = s->look.first; i < s->look.end; i++) {
        const uint8_t *bytes = lt_kept_row(s->kept, s->rows.source[i]);
        unsigned page = number_of(coarse, &coarse_count, narrow_value(coarser, bytes));
        unsigned value = number_of(fine, &fine_count, narrow_value(finer, bytes));
        if (page >= LT_SELECTOR_VALUES_MAX || value >= LT_SELECTOR_VALUES_MAX)
            continue;
        s->together[page * LT_SELECTOR_VALUES_MAX + value]++;
        times[page]++;
        changes += last[page] != 0 && last[page] != 1 + value;
        last[page] = 1 + value;
    }
    for (unsigned page = 0; page < coarse_count && page < LT_SELECTOR_VALUES_MAX; page++) {
        double alike = 0;
        for (unsigned value = 0; value < LT_SELECTOR_VALUES_MAX; value++) {
            double count = s->together[page * LT_SELECTOR_VALUES_MAX + value];
            alike += count * count;
        }
        by_chance += times[page] ? times[page] - alike / times[page] : 0;
    }
    return by_chance > 0 ? changes / by_chance : 0;
}

/* Within the pages of `coarser`: does the window stay what it is, or go on as a number? */
static bool is_content(struct search *s, const struct narrow *finer, const struct narrow *coarser)
{
    return unrest(s, finer, coarser) < UNREST || lt_selector_is_number_within(s, finer, coarser);
}

/* Of two windows where one tells the other, the one that goes round in order is the selector, or
 * else the one with fewer values, if the other's are no pages too. */
static bool is_rather(struct search *s, const struct believed *one, const struct believed *best)
{
    const struct narrow *own = &one->candidate->window, *other = &best->candidate->window;
    if (lt_selector_is_alive(s, own) || own->span.msb / 8 == other->span.msb / 8)
        return false;
    double ratio = one->saved / best->saved;
    if (best->run >= one->run + RUN_MORE)
        return false;
    if (one->round != best->round)
        return one->round && ratio >= ROUND_RATIO && one->values <= best->values &&
               lt_selector_tells(s, other, own) >= TELLS;
    return one->values < best->values && ratio >= FEWER &&
           lt_selector_tells(s, other, own) >= TELLS && is_content(s, other, own);
}

/* Evidence that upper bits make a run of the numbers. A lower bit that is not the selector's own
 * makes a run of twice as many. */
static bool completes_run(const struct believed *wide, const struct believed *narrow)
{
    return wide->candidate->window.span.lsb == narrow->candidate->window.span.lsb &&
           wide->run >= narrow->run + RUN_MORE;
}

/* A narrower window inside another: not where the wider one's values go round or are a run, and
 * those of the narrower one are not: then it mixes pages that hold little. */
static bool is_rather_inside(struct search *s, const struct believed *one,
                             const struct believed *best)
{
    double ratio = one->saved / best->saved;
    if ((best->round && !one->round && ratio < 1 + MIXED) || completes_run(best, one))
        return false;
    return ratio >= NESTED || (ratio >= NESTED_FEW && FEW_TIMES * one->values <= best->values) ||
           (ratio >= FEWER && one->values < best->values &&
            is_content(s, &best->candidate->window, &one->candidate->window));
}

/* What it takes to say the window's own bits is no evidence, but a counter that explains a selector
 * explains those too. */
static double worth_beside_counter(const struct search *s, const struct believed *one)
{
    return one->score + one->score / one->saved * lt_selector_own_bits(s, &one->candidate->window);
}

/* Among what tells the same; a narrower window inside the best, where it is as good; and one that
 * is no counter and has no more values: a counter explains a selector that counts with it, and is
 * not explained itself. */
static bool is_better(struct search *s, const struct believed *one, const struct believed *best)
{
    const struct candidate *at = one->candidate, *top = best->candidate;
    if (narrow_inside(&at->window, &top->window))
        return is_rather_inside(s, one, best);
    if (narrow_inside(&top->window, &at->window))
        return completes_run(one, best) && one->saved >= NESTED_FEW * best->saved;
    if (lt_selector_is_counter(s, &top->window) && !lt_selector_is_counter(s, &at->window))
        return worth_beside_counter(s, one) >= ELSEWHERE * best->score &&
               one->values + (at->window.span.msb / 8 == 0 ? 0u : 1u) <= best->values;
    return is_rather(s, one, best);
}

/* Do both tell the same pages? */
static bool tells_the_same(struct search *s, const struct believed *one,
                           const struct believed *best)
{
    const struct narrow *own = &one->candidate->window, *other = &best->candidate->window;
    return one == best ||
           (one->values == best->values && one->round == best->round &&
            one->saved >= ALIKE * best->saved && best->saved >= ALIKE * one->saved &&
            lt_selector_tells(s, other, own) >= SAME && lt_selector_tells(s, own, other) >= SAME);
}

/* Where pages hold much that never changes, other bits tell the page as well. */
static const struct believed *most_likely(struct search *s, const struct believed *list,
                                          size_t count, const struct believed *best)
{
    const struct believed *likely = best;
    double most = -INFINITY;
    for (size_t i = 0; i < count; i++) {
        const struct narrow *window = &list[i].candidate->window;
        if (!tells_the_same(s, &list[i], best) ||
            !lt_selector_judge(s, window, &s->look, s->judged))
            continue;
        double prior = lt_selector_prior(s, window, s->judged);
        if (prior > most || (prior == most && list[i].score > likely->score)) {
            most = prior;
            likely = &list[i];
        }
    }
    return likely;
}

const struct believed *lt_selector_choose(struct search *s, const struct believed *list,
                                          size_t count)
{
    const struct believed *best = count ? list : NULL;
    for (size_t i = 1; i < count; i++)
        if (list[i].score > best->score)
            best = &list[i];
    for (size_t i = 0; i < count; i++)
        if (&list[i] != best && list[i].saved > 0 && best->saved > 0 &&
            is_better(s, &list[i], best))
            best = &list[i];
    return best ? most_likely(s, list, count, best) : NULL;
}
