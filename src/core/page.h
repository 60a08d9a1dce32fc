/* Pages: which selectors must have which values for a signal to be present. Shared by plan.c and
 * encode.c; not for others. */
#ifndef LOOMTAP_CORE_PAGE_H
#define LOOMTAP_CORE_PAGE_H

#include "loomtap/core/profile.h"

#define LT_PAGE_CLAUSES_MAX 32

/* Everything that must hold for `signal`: its own clauses, then those of its selectors, and so on
 * outwards. False when there are more than LT_PAGE_CLAUSES_MAX, or a selector leads back to
 * itself. */
bool lt_page_clauses(const struct lt_profile *profile, uint32_t signal,
                     const struct lt_page_clause *ret_clauses[LT_PAGE_CLAUSES_MAX],
                     size_t *ret_count);

/* The first of the selectors in the signal's own page that have no page themselves; LT_NONE if none
 * has. The least of these over a frame's signals is the frame's outermost selector, whose value is
 * what a checksum's `page` means. */
uint32_t lt_page_outer(const struct lt_profile *profile, uint32_t signal);

bool lt_page_clause_holds(const struct lt_page_clause *clause, uint64_t raw);

#endif
