/* What follows from several keys of a definition together: identifiers of J1939 frames, FD, the
 * order of a field, and the way from a signal's unit to its role's. */
#include "defs/resolve.h"

#include "defs/setters.h"

static void resolve_bus(struct lt_bus_def *bus)
{
    /* Only FD has a data phase with a rate of its own. */
    if (bus->data_bitrate_hz && bus->fd == LT_FD_NO)
        bus->fd = LT_FD_ISO;
}

/* SAE J1939-21: priority, parameter group, for PF below 240 the destination (all), source. */
static uint32_t pgn_identifier(const struct lt_frame_def *frame)
{
    uint32_t source = frame->source == LT_NONE ? 0 : frame->source;
    uint32_t destination = (frame->pgn >> 8 & 0xFF) < 240 ? 0xFF00 : 0;
    return UINT32_C(6) << 26 | frame->pgn << 8 | destination | source;
}

static void resolve_frame(struct lt_loader *loader, uint32_t index)
{
    struct lt_frame_def *frame = &loader->profile->frames[index];
    if (frame->is_pgn) {
        frame->extended = true;
        frame->id = pgn_identifier(frame);
    } else if (frame->length > 8) {
        frame->fd = true;
    }
    struct lt_checksum *checksums = (struct lt_checksum *)(uintptr_t)frame->checksums;
    for (size_t i = 0; i < frame->checksum_count; i++)
        if (checksums[i].family == LT_CHECK_AFFINE)
            checksums[i].affine = loader->affine[index];
}

static bool same_unit(const struct lt_signal_def *signal)
{
    const char *unit = signal->unit ? signal->unit : "1";
    return strcmp(unit, signal->role->unit) == 0;
}

/* Would any stoichiometric ratio do? */
static bool needs_stoich(const struct lt_unit *from, const struct lt_unit *to)
{
    struct lt_ratio factor, offset;
    return to && lt_unit_convert(from, to, (struct lt_ratio){147, 10}, &factor, &offset);
}

static void refuse_unit(struct lt_loader *loader, const struct lt_section *section,
                        const struct lt_signal_def *signal, const struct lt_unit *from,
                        const struct lt_unit *to)
{
    struct lt_error *error;
    const char *unit = signal->unit;
    if (unit)
        error = lt_defs_fault(loader, lt_defs_key_place(section, "unit"), LT_E_CONFLICT,
                              "unit: `%s` cannot be converted to `%s`, the unit of role `%s`", unit,
                              signal->role->unit, signal->role_name);
    else
        error = lt_defs_fault(loader, section->place, LT_E_MISSING,
                              "signal `%s` has no unit, and its role `%s` is in `%s`", signal->name,
                              signal->role_name, signal->role->unit);
    if (!unit)
        lt_error_advise(error, "add `unit = %s`, or the unit that the value has",
                        signal->role->unit);
    else if (!from)
        lt_error_advise(error,
                        "`%s` is not a unit known here: is it misspelt? Else scale the "
                        "value to `%s`",
                        unit, signal->role->unit);
    else if (signal->stoich.num == 0 && needs_stoich(from, to))
        lt_error_advise(error, "add `stoich`, the air per fuel by mass that is lambda 1, such as "
                               "`stoich = 14.7` for petrol");
    else
        lt_error_advise(error, "the two do not measure the same: correct the unit or the role");
}

static void resolve_role(struct lt_loader *loader, uint32_t index)
{
    struct lt_signal_def *signal = &loader->profile->signals[index];
    if (!signal->role || signal->role->is_labels)
        return;
    signal->role_unit = signal->role->unit;
    if (same_unit(signal))
        return;
    /* `unit = 1` for a role in % is said on purpose; no unit at all is more likely forgotten, and
     * would silently make a value a hundred times as large. */
    const struct lt_unit *from = signal->unit ? lt_unit_find(lt_text_of(signal->unit)) : NULL;
    const struct lt_unit *to = lt_unit_find(lt_text_of(signal->role->unit));
    if (from && to &&
        lt_unit_convert(from, to, signal->stoich, &signal->role_factor, &signal->role_offset))
        return;
    refuse_unit(loader, loader->of[LT_SECTION_SIGNAL][index], signal, from, to);
}

static const struct lt_label *find_label(const struct lt_signal_def *signal, struct lt_text name)
{
    for (size_t i = 0; i < signal->label_count; i++)
        if (lt_text_is(name, signal->labels[i].name))
            return &signal->labels[i];
    return NULL;
}

/* `on_lost = value comfort`: the number behind the label. */
static void resolve_lost(struct lt_loader *loader, struct lt_signal_def *signal,
                         const struct lt_section *section)
{
    const struct lt_entry *entry = lt_defs_entry(section, "on_lost");
    struct lt_text rest = entry ? entry->value : LT_TEXT(""), word;
    struct lt_ratio value;
    if (signal->on_lost != LT_LOST_VALUE || !lt_text_word(&rest, &word) ||
        lt_parse_ratio(lt_text_trim(rest), &value))
        return;
    struct lt_text name = lt_text_trim(rest);
    const struct lt_label *label = find_label(signal, name);
    if (label && label->raw <= INT64_MAX && signal->form == LT_FORM_LINEAR &&
        signal->sign == LT_UNSIGNED &&
        lt_ratio_mul((struct lt_ratio){(int64_t)label->raw, 1}, signal->scale, &value) &&
        lt_ratio_add(value, signal->offset, &signal->on_lost_value))
        return;
    lt_error_advise(lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, name),
                                     LT_E_SYNTAX,
                                     "on_lost: `%.*s` is neither a number nor a "
                                     "label of signal `%s`",
                                     LT_TEXT_ARG(name), signal->name),
                    "write `value V` with a decimal such as 0.25, or one of its labels");
}

static void resolve_signal(struct lt_loader *loader, uint32_t index)
{
    struct lt_signal_def *signal = &loader->profile->signals[index];
    const struct lt_section *section = loader->of[LT_SECTION_SIGNAL][index];
    if (signal->form == LT_FORM_CURVE &&
        (lt_defs_entry(section, "scale") || lt_defs_entry(section, "offset"))) {
        const char *key = lt_defs_entry(section, "scale") ? "scale" : "offset";
        lt_error_advise(lt_defs_warning(loader, lt_defs_key_place(section, key), LT_E_CONFLICT,
                                        "%s is not used: signal `%s` has a curve", key,
                                        signal->name),
                        "remove it; the curve gives the value by itself");
        signal->scale = (struct lt_ratio){1, 1};
        signal->offset = (struct lt_ratio){0, 1};
    }
    resolve_role(loader, index);
    resolve_lost(loader, signal, section);
}

void lt_defs_resolve_all(struct lt_loader *loader)
{
    struct lt_profile *profile = loader->profile;
    for (size_t i = 0; i < profile->bus_count; i++)
        resolve_bus(&profile->buses[i]);
    for (uint32_t i = 0; i < profile->frame_count; i++)
        resolve_frame(loader, i);
    for (uint32_t i = 0; i < profile->signal_count; i++)
        resolve_signal(loader, i);
}
