/* See age.h. */
#include "loomtap/core/age.h"

#define NS_PER_MS        INT64_C(1000000)
#define PARAMETER_AGE_NS INT64_C(5000000000)
#define LONGEST_AGE_NS   INT64_C(3600000000000)
#define PERIODS          3
#define PAGES_TOLD_APART 64u

/* How many values of the selector show something. */
static int64_t count_pages(const struct lt_profile *profile, uint32_t selector)
{
    uint64_t seen[PAGES_TOLD_APART];
    size_t count = 0;
    for (size_t i = 0; i < profile->signal_count; i++)
        for (size_t k = 0; k < profile->signals[i].page_count; k++) {
            const struct lt_page_clause *clause = &profile->signals[i].page[k];
            for (unsigned r = 0; clause->selector == selector && r < clause->ranges; r++) {
                uint64_t raw = clause->range[r].first;
                for (;; raw++) {
                    size_t at = 0;
                    while (at < count && seen[at] != raw)
                        at++;
                    if (at == PAGES_TOLD_APART)
                        return PAGES_TOLD_APART;
                    if (at == count)
                        seen[count++] = raw;
                    if (raw == clause->range[r].last)
                        break;
                }
            }
        }
    return (int64_t)count;
}

/* Three periods; where pages take turns, three rounds of them. */
static int64_t age_by_period(const struct lt_profile *profile, const struct lt_frame_plan *plan,
                             const struct lt_field *field)
{
    int64_t age_ns = plan->def->period_ns * PERIODS;
    const struct lt_page_set *set = field->page_set ? &plan->page_sets[field->page_set - 1] : NULL;
    for (size_t i = 0; set && i < set->count && age_ns < LONGEST_AGE_NS; i++) {
        bool is_first = true; /* of this selector */
        for (size_t k = 0; k < i; k++)
            is_first &= set->clauses[k]->selector != set->clauses[i]->selector;
        int64_t pages = count_pages(profile, set->clauses[i]->selector);
        age_ns *= is_first && pages > 1 ? pages : 1;
    }
    return age_ns < LONGEST_AGE_NS ? age_ns : LONGEST_AGE_NS;
}

int64_t lt_largest_age_ns(const struct lt_frame_plan *plan, const struct lt_field *field)
{
    const struct lt_signal_def *def = field->scaler->def;
    if (def->max_age_ms)
        return def->max_age_ms * NS_PER_MS;
    if (plan->parameter)
        return PARAMETER_AGE_NS;
    if (def->role && def->role->max_age_ms)
        return def->role->max_age_ms * NS_PER_MS;
    return plan->def->period_ns ? age_by_period(plan->profile, plan, field) : LT_AGE_NEVER;
}
