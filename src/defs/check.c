/* Everything about a profile that takes more than one key to see. A fault here never stops the
 * others from being found: each check passes over what another one has reported. */
#include "defs/check.h"

static const struct lt_section *own_section(const struct lt_loader *loader,
                                            enum lt_section_kind kind)
{
    for (size_t i = 0; i < loader->names[kind].count; i++)
        if (loader->of[kind][i]->place.file == 0)
            return loader->of[kind][i];
    return NULL;
}

/* Every file, included or not, says which format it has. */
static void check_formats(struct lt_loader *loader)
{
    for (uint32_t file = 0; file < loader->profile->file_count; file++) {
        const struct lt_section *section = NULL;
        for (size_t i = 0; i < loader->names[LT_SECTION_PROFILE].count && !section; i++)
            if (loader->of[LT_SECTION_PROFILE][i]->place.file == file)
                section = loader->of[LT_SECTION_PROFILE][i];
        if (!section)
            lt_error_advise(lt_defs_fault(loader, (struct lt_place){file, 1, 1}, LT_E_MISSING,
                                          "the file has no section [profile]"),
                            "begin it with [profile] and `format = 1`");
        else if (!lt_defs_entry(section, "format"))
            lt_error_advise(
                lt_defs_fault(loader, section->place, LT_E_MISSING, "[profile] has no `format`"),
                "add `format = 1`");
    }
    const struct lt_section *own = own_section(loader, LT_SECTION_PROFILE);
    if (own && !lt_defs_entry(own, "name"))
        lt_error_advise(lt_defs_fault(loader, own->place, LT_E_MISSING, "[profile] has no `name`"),
                        "add one, such as `name = tarn-turbo`");
}

static void check_requires(struct lt_loader *loader)
{
    const struct lt_profile *profile = loader->profile;
    const struct lt_section *own = own_section(loader, LT_SECTION_PROFILE);
    for (size_t i = 0; i < profile->require_count && own; i++) {
        bool found = false;
        for (size_t s = 0; s < profile->signal_count && !found; s++)
            found = profile->signals[s].role_name &&
                    lt_role_matches(profile->requires[i], profile -> signals[s].role_name);
        const struct lt_entry *entry = lt_defs_entry(own, "requires");
        if (found || !entry || !lt_role_find(lt_text_of(profile->requires[i])))
            continue;
        struct lt_text rest = entry->value, word = entry->value;
        while (lt_text_word(&rest, &word) && !lt_text_is(word, profile->requires[i]))
            continue;
        lt_error_advise(lt_defs_fault_in(loader, own, entry, (size_t)(word.at - entry->value.at),
                                         LT_E_MISSING, "requires: no signal has the role `%s`",
                                         profile->requires[i]),
                        "add `role = %s` to the signal that has it, or take it off the list",
                        profile->requires[i]);
    }
}

/* Copies of a value on several frames are usual; that they are one is worth knowing. */
static void check_role_copies(struct lt_loader *loader)
{
    const struct lt_profile *profile = loader->profile;
    char place[LT_PLACE_TEXT_ROOM];
    for (uint32_t i = 0; i < profile->signal_count; i++) {
        const struct lt_signal_def *signal = &profile->signals[i];
        /* A diagnostic value stands beside the one on the bus as its reference. */
        if (!signal->role_name || signal->frame == LT_NONE)
            continue;
        for (uint32_t k = 0; k < i; k++) {
            const struct lt_signal_def *other = &profile->signals[k];
            if (!other->role_name || other->frame == LT_NONE ||
                strcmp(other->role_name, signal->role_name) != 0)
                continue;
            const struct lt_section *section = lt_check_of(loader, LT_SECTION_SIGNAL, i);
            lt_error_advise(
                lt_defs_warning(loader, lt_defs_key_place(section, "role"), LT_E_DUPLICATE,
                                "role: signals `%s` and `%s` both have the role `%s` (the other at "
                                "%s)",
                                signal->name, other->name, signal->role_name,
                                lt_defs_place_text(loader, other->place, place, sizeof place)),
                "fine for copies of one value; take the role off the one that is not to be used");
            break;
        }
    }
}

static void check_bus(struct lt_loader *loader, uint32_t index)
{
    const struct lt_bus_def *bus = &loader->profile->buses[index];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_BUS, index);
    const struct lt_entry *fd = lt_defs_entry(section, "fd");
    if (bus->data_bitrate_hz && bus->data_bitrate_hz < bus->bitrate_hz)
        lt_error_advise(lt_defs_fault(loader, lt_defs_key_place(section, "data_bitrate"),
                                      LT_E_CONFLICT, "data_bitrate: %u is below the bitrate %u",
                                      (unsigned)bus->data_bitrate_hz, (unsigned)bus->bitrate_hz),
                        "the data phase of FD is as fast as the arbitration or faster");
    if (bus->data_bitrate_hz && fd && lt_text_is(fd->value, "no"))
        lt_error_advise(lt_defs_fault(loader, fd->place, LT_E_CONFLICT,
                                      "fd: `no`, but bus `%s` has a data_bitrate", bus->name),
                        "write `fd = iso` (or non-iso), or remove data_bitrate");
}

void lt_defs_check(struct lt_loader *loader)
{
    const struct lt_profile *profile = loader->profile;
    check_formats(loader);
    for (uint32_t i = 0; i < profile->bus_count; i++)
        check_bus(loader, i);
    for (uint32_t i = 0; i < profile->frame_count; i++)
        lt_check_frame(loader, i);
    lt_check_identifiers(loader);
    for (uint32_t i = 0; i < profile->signal_count; i++)
        lt_check_signal(loader, i);
    lt_check_pages(loader);
    for (uint32_t i = 0; i < profile->frame_count; i++)
        lt_check_checksums(loader, i);
    lt_check_parameters(loader);
    for (uint32_t i = 0; i < profile->warning_count; i++)
        lt_check_warning(loader, i);
    if (!loader->unfinished)
        check_requires(loader);
    check_role_copies(loader);
}
