/* Checks of a signal's raw codes (unavailable, error) and labels: inside the field, and each raw
 * value with one meaning. */
#include "defs/check.h"

#define CODES_MAX 512

/* One code or label as a range of raw values, with where it stands and what it is. */
struct code {
    struct lt_raw_range range;
    const char *what;
    struct lt_place place;
};

static uint64_t greatest_raw(const struct lt_signal_def *signal)
{
    unsigned length = lt_bits_length(&signal->bits);
    return length >= 64 ? UINT64_MAX : (UINT64_C(1) << length) - 1;
}

/* Place of the n-th item of a key's list. */
static struct lt_place item_place(const struct lt_section *section, const char *key, size_t n)
{
    const struct lt_entry *entry = lt_defs_entry(section, key);
    if (!entry)
        return section->place;
    size_t start = 0;
    bool in_item = false;
    for (size_t i = 0, count = 0; i < entry->value.len; i++) {
        bool gap = strchr(" \t,", entry->value.at[i]) != NULL;
        if (!gap && !in_item) {
            start = i;
            if (count++ == n)
                break;
        }
        in_item = !gap;
    }
    return lt_defs_place_at(entry->place, start);
}

static size_t gather(const struct lt_section *section, const struct lt_signal_def *signal,
                     struct code *codes)
{
    size_t count = 0;
    for (size_t i = 0; i < signal->unavailable_count && count < CODES_MAX; i++)
        codes[count++] = (struct code){signal->unavailable[i], "unavailable",
                                       item_place(section, "unavailable", i)};
    for (size_t i = 0; i < signal->error_count && count < CODES_MAX; i++)
        codes[count++] = (struct code){signal->error[i], "error", item_place(section, "error", i)};
    return count;
}

static void refuse_outside(struct lt_loader *loader, const struct lt_signal_def *signal,
                           const struct code *code, uint64_t most)
{
    lt_error_advise(lt_defs_fault(loader, code->place, LT_E_RANGE,
                                  "%s: raw value 0x%llX does not fit in the %u bits of signal `%s`",
                                  code->what, (unsigned long long)code->range.last,
                                  lt_bits_length(&signal->bits), signal->name),
                    "the greatest is 0x%llX (%llu)", (unsigned long long)most,
                    (unsigned long long)most);
}

static void refuse_overlap(struct lt_loader *loader, const struct code *a, const struct code *b)
{
    uint64_t raw = a->range.first > b->range.first ? a->range.first : b->range.first;
    char place[LT_PLACE_TEXT_ROOM];
    lt_error_advise(lt_defs_fault(loader, b->place, LT_E_CONFLICT,
                                  "%s: raw value 0x%llX already means %s%s%s at %s", b->what,
                                  (unsigned long long)raw, strcmp(a->what, b->what) ? "`" : "",
                                  a->what, strcmp(a->what, b->what) ? "`" : "",
                                  lt_defs_place_text(loader, a->place, place, sizeof place)),
                    "every raw value has one meaning: take it out of one of the two");
}

static bool overlap(struct lt_raw_range a, struct lt_raw_range b)
{
    return a.first <= b.last && b.first <= a.last;
}

static void check_labels(struct lt_loader *loader, const struct lt_signal_def *signal,
                         const struct code *codes, size_t count, uint64_t most)
{
    for (size_t i = 0; i < signal->label_count; i++) {
        const struct lt_label *label = &signal->labels[i];
        struct code code = {{label->raw, label->raw}, label->name, label->place};
        if (label->raw > most)
            refuse_outside(loader, signal, &code, most);
        for (size_t k = 0; k < count; k++)
            if (overlap(codes[k].range, code.range))
                refuse_overlap(loader, &codes[k], &code);
    }
}

void lt_check_codes(struct lt_loader *loader, uint32_t index)
{
    const struct lt_signal_def *signal = &loader->profile->signals[index];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_SIGNAL, index);
    struct code codes[CODES_MAX];
    uint64_t most = greatest_raw(signal);
    size_t count = gather(section, signal, codes);
    for (size_t i = 0; i < count; i++) {
        if (codes[i].range.last > most)
            refuse_outside(loader, signal, &codes[i], most);
        for (size_t k = 0; k < i; k++)
            if (overlap(codes[k].range, codes[i].range)) {
                refuse_overlap(loader, &codes[k], &codes[i]);
                break;
            }
    }
    check_labels(loader, signal, codes, count, most);
}
