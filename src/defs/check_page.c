/* Checks of selectors and pages, and of the signals of one frame against each other: two signals
 * may share bits only where no frame has both of them. */
#include "defs/check.h"

#define CLAUSES_MAX   64 /* of a signal with those of its selectors folded in */
#define PAGE_SETS_MAX 64 /* different conditions in one frame; what a decode plan holds */
#define DEPTH_MAX     16

/* All clauses under which a signal is present, its selectors' own included. */
struct clauses {
    const struct lt_page_clause *list[CLAUSES_MAX];
    size_t count;
    bool is_circular; /* the signal is its own selector, maybe through others */
    bool is_broken;   /* circular, or more than fit: not compared with others */
};

static void fold(const struct lt_profile *profile, uint32_t owner, uint32_t signal,
                 struct clauses *all, unsigned depth)
{
    const struct lt_signal_def *def = &profile->signals[signal];
    for (size_t i = 0; i < def->page_count; i++) {
        uint32_t selector = def->page[i].selector;
        all->is_circular = all->is_circular || selector == owner;
        if (all->count == CLAUSES_MAX || depth == DEPTH_MAX || all->is_circular) {
            all->is_broken = true;
            return;
        }
        all->list[all->count++] = &def->page[i];
        fold(profile, owner, selector, all, depth + 1);
        if (all->is_broken)
            return;
    }
}

/* Is some value of one selector in all of its clauses, from both lists? */
static bool in_clause(const struct lt_page_clause *clause, uint64_t raw)
{
    for (unsigned i = 0; i < clause->ranges; i++)
        if (clause->range[i].first <= raw && raw <= clause->range[i].last)
            return true;
    return false;
}

static bool in_all(const struct clauses *all, uint32_t selector, uint64_t raw)
{
    for (size_t i = 0; i < all->count; i++)
        if (all->list[i]->selector == selector && !in_clause(all->list[i], raw))
            return false;
    return true;
}

/* If ranges meet at all, they meet at the first value of one of them. */
static bool selector_allows(const struct clauses *a, const struct clauses *b, uint32_t selector)
{
    const struct clauses *both[2] = {a, b};
    for (unsigned side = 0; side < 2; side++)
        for (size_t i = 0; i < both[side]->count; i++) {
            const struct lt_page_clause *clause = both[side]->list[i];
            for (unsigned r = 0; clause->selector == selector && r < clause->ranges; r++) {
                uint64_t raw = clause->range[r].first;
                if (in_all(a, selector, raw) && in_all(b, selector, raw))
                    return true;
            }
        }
    return false;
}

static bool can_meet(const struct clauses *a, const struct clauses *b)
{
    if (a->is_broken || b->is_broken)
        return false;
    for (size_t i = 0; i < a->count; i++)
        for (size_t k = 0; k < b->count; k++)
            if (a->list[i]->selector == b->list[k]->selector &&
                !selector_allows(a, b, a->list[i]->selector))
                return false;
    return true;
}

/* --- selectors ------------------------------------------------------------------------------- */

static void check_clause_values(struct lt_loader *loader, const struct lt_section *section,
                                const struct lt_entry *entry, const struct lt_page_clause *clause)
{
    const struct lt_signal_def *selector = &loader->profile->signals[clause->selector];
    unsigned length = lt_bits_length(&selector->bits);
    for (unsigned i = 0; selector->bits.parts && i < clause->ranges; i++) {
        if (length >= 64 || clause->range[i].last >> length == 0)
            continue;
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "page: selector `%s` has %u bit%s and is never %llu",
                                         selector->name, length, length == 1 ? "" : "s",
                                         (unsigned long long)clause->range[i].last),
                        "correct the page, or the selector's bits");
        return;
    }
}

static void check_clause(struct lt_loader *loader, uint32_t index,
                         const struct lt_page_clause *clause)
{
    const struct lt_profile *profile = loader->profile;
    const struct lt_signal_def *signal = &profile->signals[index];
    const struct lt_signal_def *selector = &profile->signals[clause->selector];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_SIGNAL, index);
    const struct lt_entry *entry = lt_defs_entry(section, "page");
    if (!entry)
        return;
    if (selector->frame != signal->frame || selector->parameter != signal->parameter)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_CONFLICT,
                                         "page: selector `%s` is not in the same frame as `%s`",
                                         selector->name, signal->name),
                        "a selector tells apart pages of its own frame");
    check_clause_values(loader, section, entry, clause);
}

uint32_t lt_check_outermost(const struct lt_loader *loader, uint32_t frame)
{
    const struct lt_profile *profile = loader->profile;
    uint32_t found = LT_NONE;
    for (uint32_t i = 0; i < profile->signal_count; i++) {
        if (profile->signals[i].frame != frame)
            continue;
        for (size_t k = 0; k < profile->signals[i].page_count; k++) {
            uint32_t selector = profile->signals[i].page[k].selector;
            if (profile->signals[selector].page_count || selector == found)
                continue;
            if (found != LT_NONE)
                return LT_NONE;
            found = selector;
        }
    }
    return found;
}

/* --- overlaps -------------------------------------------------------------------------------- */

static void refuse_overlap(struct lt_loader *loader, uint32_t first, uint32_t second)
{
    const struct lt_profile *profile = loader->profile;
    const struct lt_signal_def *a = &profile->signals[first], *b = &profile->signals[second];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_SIGNAL, second);
    char place[LT_PLACE_TEXT_ROOM], bits[128];
    const char *key = lt_defs_entry(section, "bits") ? "bits" : "parts";
    lt_bits_print(bits, sizeof bits, &a->bits);
    lt_error_advise(
        lt_defs_fault_in(loader, section, lt_defs_entry(section, key), 0, LT_E_CONFLICT,
                         "%s: signal `%s` overlaps `%s`, which has %s (%s)", key, b->name, a->name,
                         bits, lt_defs_place_text(loader, a->place, place, sizeof place)),
        "correct the bits; where a selector tells which of the two is there, give both a `page`");
}

/* The frame's counter or checksum as a signal too is fine; half of one is not. */
static void check_special(struct lt_loader *loader, uint32_t index, const struct clauses *own,
                          uint32_t outermost)
{
    const struct lt_signal_def *signal = &loader->profile->signals[index];
    const struct lt_frame_def *frame = &loader->profile->frames[signal->frame];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_SIGNAL, index);
    const char *key = lt_defs_entry(section, "bits") ? "bits" : "parts";
    const struct lt_entry *entry = lt_defs_entry(section, key);
    char bits[128];
    if (frame->counter.present && lt_bits_overlap(&signal->bits, &frame->counter.bits) &&
        !lt_bits_equal(&signal->bits, &frame->counter.bits)) {
        lt_bits_print(bits, sizeof bits, &frame->counter.bits);
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_CONFLICT,
                                         "%s: signal `%s` overlaps the frame's counter in %s", key,
                                         signal->name, bits),
                        "correct the bits; a signal may be the whole counter, not a part of it");
    }
    for (size_t i = 0; i < frame->checksum_count; i++) {
        const struct lt_checksum *checksum = &frame->checksums[i];
        if (!lt_bits_overlap(&signal->bits, &checksum->place) ||
            lt_bits_equal(&signal->bits, &checksum->place) ||
            (checksum->has_page && outermost != LT_NONE && !in_all(own, outermost, checksum->page)))
            continue;
        lt_bits_print(bits, sizeof bits, &checksum->place);
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_CONFLICT,
                                         "%s: signal `%s` overlaps the frame's checksum in %s", key,
                                         signal->name, bits),
                        "correct the bits; a signal may be the whole checksum, not a part of it");
        return;
    }
}

/* --- one owner's signals --------------------------------------------------------------------- */

static bool same_clauses(const struct clauses *a, const struct clauses *b)
{
    if (a->count != b->count)
        return false;
    for (size_t i = 0; i < a->count; i++) {
        const struct lt_page_clause *x = a->list[i], *y = b->list[i];
        if (x->selector != y->selector || x->ranges != y->ranges ||
            memcmp(x->range, y->range, x->ranges * sizeof x->range[0]) != 0)
            return false;
    }
    return true;
}

static void check_page_sets(struct lt_loader *loader, const struct clauses *all, uint32_t first,
                            size_t count)
{
    size_t sets = 0;
    for (size_t i = 0; i < count; i++) {
        bool known = all[i].count == 0;
        for (size_t k = 0; k < i && !known; k++)
            known = same_clauses(&all[i], &all[k]);
        sets += !known;
        if (known || sets <= PAGE_SETS_MAX)
            continue;
        const struct lt_section *section =
            lt_check_of(loader, LT_SECTION_SIGNAL, first + (uint32_t)i);
        lt_error_advise(lt_defs_fault(loader, lt_defs_key_place(section, "page"), LT_E_LIMIT,
                                      "page: more than %d different conditions in one frame",
                                      PAGE_SETS_MAX),
                        "join pages whose signals lie alike, or split the profile");
        return;
    }
}

static void refuse_broken(struct lt_loader *loader, uint32_t index, const struct clauses *all,
                          bool any_circle)
{
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_SIGNAL, index);
    const struct lt_entry *entry = lt_defs_entry(section, "page");
    if (!entry)
        return;
    if (all->is_circular)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_CONFLICT,
                                         "page: whether `%s` is present depends on itself",
                                         loader->profile->signals[index].name),
                        "the outermost selector has no `page`");
    else if (!any_circle)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_LIMIT,
                                         "page: with those of its selectors `%s` has more than %d "
                                         "conditions, or they nest more than %d deep",
                                         loader->profile->signals[index].name, CLAUSES_MAX,
                                         DEPTH_MAX),
                        "say less of what follows from another selector's page");
}

static void fold_group(struct lt_loader *loader, struct clauses *all, uint32_t first, size_t count)
{
    bool any_circle = false;
    for (size_t i = 0; i < count; i++) {
        uint32_t index = first + (uint32_t)i;
        fold(loader->profile, index, index, &all[i], 0);
        any_circle = any_circle || all[i].is_circular;
    }
    for (size_t i = 0; i < count; i++)
        if (all[i].is_broken)
            refuse_broken(loader, first + (uint32_t)i, &all[i], any_circle);
}

/* The first signal before it that can be in the same frame on some of the same bits. */
static void check_overlap(struct lt_loader *loader, const struct clauses *all, uint32_t first,
                          size_t i)
{
    const struct lt_signal_def *signals = loader->profile->signals + first;
    for (size_t k = 0; k < i; k++) {
        if (!signals[k].bits.parts || !lt_bits_overlap(&signals[i].bits, &signals[k].bits) ||
            !can_meet(&all[k], &all[i]))
            continue;
        refuse_overlap(loader, first + (uint32_t)k, first + (uint32_t)i);
        return;
    }
}

static void check_group(struct lt_loader *loader, uint32_t first, size_t count)
{
    const struct lt_profile *profile = loader->profile;
    struct clauses *all = lt_arena_array(&loader->scratch, count, sizeof *all);
    if (!all)
        return;
    uint32_t frame = profile->signals[first].frame;
    uint32_t outermost = frame == LT_NONE ? LT_NONE : lt_check_outermost(loader, frame);
    fold_group(loader, all, first, count);
    check_page_sets(loader, all, first, count);
    for (size_t i = 0; i < count; i++) {
        if (!profile->signals[first + i].bits.parts)
            continue;
        check_overlap(loader, all, first, i);
        if (frame != LT_NONE)
            check_special(loader, first + (uint32_t)i, &all[i], outermost);
    }
}

void lt_check_pages(struct lt_loader *loader)
{
    const struct lt_profile *profile = loader->profile;
    for (uint32_t i = 0; i < profile->signal_count; i++)
        for (size_t k = 0; k < profile->signals[i].page_count; k++)
            check_clause(loader, i, &profile->signals[i].page[k]);
    for (size_t first = 0, end; first < profile->signal_count; first = end) {
        const struct lt_signal_def *signal = &profile->signals[first];
        for (end = first + 1; end < profile->signal_count; end++)
            if (profile->signals[end].frame != signal->frame ||
                profile->signals[end].parameter != signal->parameter)
                break;
        if (signal->frame != LT_NONE || signal->parameter != LT_NONE)
            check_group(loader, (uint32_t)first, end - first);
    }
}
