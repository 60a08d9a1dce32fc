/* Checks of a frame's checksums: each by itself (core/checksum_check.c), then several on pages, and
 * the numbers of affine ones. */
#include "defs/check.h"

/* The entry behind the n-th checksum; a refused line shifts them, then it is the first. */
static const struct lt_entry *checksum_entry(const struct lt_section *section,
                                             const struct lt_frame_def *frame, size_t n)
{
    size_t count = 0;
    const struct lt_entry *first = NULL, *found = NULL;
    for (size_t i = 0; i < section->entry_count; i++) {
        const struct lt_entry *entry = &section->entries[i];
        if (!lt_text_is(entry->name, "checksum"))
            continue;
        if (!first)
            first = entry;
        if (count++ == n)
            found = entry;
    }
    return count == frame->checksum_count && found ? found : first;
}

static void check_page(struct lt_loader *loader, uint32_t index, const struct lt_section *section,
                       const struct lt_entry *entry, const struct lt_checksum *checksum)
{
    const struct lt_profile *profile = loader->profile;
    uint32_t selector = lt_check_outermost(loader, index);
    if (selector == LT_NONE) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_CONFLICT,
                                         "checksum: `page %u` needs one selector that all pages of "
                                         "frame `%s` hang on",
                                         (unsigned)checksum->page, profile->frames[index].name),
                        "pages come from signals with `page = SELECTOR VALUES`; remove `page` "
                        "where the checksum holds on every page");
        return;
    }
    const struct lt_signal_def *signal = &profile->signals[selector];
    unsigned length = lt_bits_length(&signal->bits);
    if (length < 32 && checksum->page >> length)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "checksum: selector `%s` has %u bits and is never %u",
                                         signal->name, length, (unsigned)checksum->page),
                        "give a page of 0 to %u", (1u << length) - 1);
}

/* Several lines: each on a page of its own. */
static void check_repeated(struct lt_loader *loader, const struct lt_section *section,
                           const struct lt_frame_def *frame, size_t n)
{
    const struct lt_checksum *checksum = &frame->checksums[n];
    const struct lt_entry *entry = checksum_entry(section, frame, n);
    char place[LT_PLACE_TEXT_ROOM];
    for (size_t i = 0; i < n; i++) {
        const struct lt_checksum *other = &frame->checksums[i];
        if (checksum->has_page && other->has_page && checksum->page != other->page)
            continue;
        const struct lt_entry *first = checksum_entry(section, frame, i);
        lt_error_advise(
            lt_defs_fault_in(loader, section, entry, 0, LT_E_DUPLICATE,
                             "checksum: already given at %s",
                             lt_defs_place_text(loader, first->place, place, sizeof place)),
            "a frame has several only where each has a `page N` of its own");
        return;
    }
}

static void refuse_no_numbers(struct lt_loader *loader, const struct lt_section *section,
                              const struct lt_entry *entry, const struct lt_frame_def *frame)
{
    lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_MISSING,
                                     "checksum: `affine` without its numbers"),
                    "add a section [affine %s] with `constant` and `byte_0`, `byte_1` ...",
                    frame->name);
}

static void check_one(struct lt_loader *loader, uint32_t index, size_t n)
{
    const struct lt_frame_def *frame = &loader->profile->frames[index];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_FRAME, index);
    const struct lt_checksum *checksum = &frame->checksums[n];
    const struct lt_entry *entry = checksum_entry(section, frame, n);
    struct lt_error error;
    if (frame->length > 64)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "checksum: a transported group of %u bytes has none",
                                         (unsigned)frame->length),
                        "remove it; only frames of up to 64 bytes are checked");
    else if (checksum->family == LT_CHECK_AFFINE && !checksum->affine)
        refuse_no_numbers(loader, section, entry, frame);
    else if (lt_checksum_check(checksum, frame->length, &error) != LT_OK)
        lt_defs_fault_from(loader, section, entry, 0, &error);
    if (checksum->has_page)
        check_page(loader, index, section, entry, checksum);
    check_repeated(loader, section, frame, n);
}

void lt_check_checksums(struct lt_loader *loader, uint32_t index)
{
    const struct lt_frame_def *frame = &loader->profile->frames[index];
    bool has_affine = false;
    for (size_t i = 0; i < frame->checksum_count; i++) {
        check_one(loader, index, i);
        has_affine = has_affine || frame->checksums[i].family == LT_CHECK_AFFINE;
    }
    const struct lt_section *affine =
        lt_defs_find(loader, LT_SECTION_AFFINE, lt_text_of(frame->name));
    if (affine && !has_affine)
        lt_error_advise(lt_defs_fault(loader, affine->place, LT_E_CONFLICT,
                                      "[affine %s]: the frame has no affine checksum", frame->name),
                        "add `checksum = affine over RANGES in PLACE` to [frame %s], or remove the "
                        "section",
                        frame->name);
}
