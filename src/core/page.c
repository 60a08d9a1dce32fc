/* Pages. See page.h. */
#include "core/page.h"

bool lt_page_clause_holds(const struct lt_page_clause *clause, uint64_t raw)
{
    for (unsigned i = 0; i < clause->ranges; i++)
        if (raw >= clause->range[i].first && raw <= clause->range[i].last)
            return true;
    return false;
}

bool lt_page_clauses(const struct lt_profile *profile, uint32_t signal,
                     const struct lt_page_clause *ret_clauses[LT_PAGE_CLAUSES_MAX],
                     size_t *ret_count)
{
    const struct lt_page_clause *found[LT_PAGE_CLAUSES_MAX];
    size_t count = 0, opened = 0;
    const struct lt_signal_def *def = &profile->signals[signal];
    for (;;) {
        for (size_t i = 0; i < def->page_count; i++) {
            if (count == LT_PAGE_CLAUSES_MAX || def->page[i].selector >= profile->signal_count ||
                def->page[i].selector == signal)
                return false;
            found[count++] = &def->page[i];
        }
        /* The next selector's own pages. A ring that leaves out `signal` ends at the ceiling. */
        if (opened == count)
            break;
        def = &profile->signals[found[opened++]->selector];
    }
    memcpy(ret_clauses, found, count * sizeof *found);
    *ret_count = count;
    return true;
}

uint32_t lt_page_outer(const struct lt_profile *profile, uint32_t signal)
{
    const struct lt_signal_def *def = &profile->signals[signal];
    uint32_t least = LT_NONE;
    for (size_t i = 0; i < def->page_count; i++) {
        uint32_t selector = def->page[i].selector;
        if (selector < profile->signal_count && !profile->signals[selector].page_count &&
            selector < least)
            least = selector;
    }
    return least;
}
