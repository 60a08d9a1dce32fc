/* Makes the definitions out of the sections: names are known already, so every setter can turn a
 * name into its index at once. Order matters only where a setter looks into another definition:
 * labels come before the conditions that use them. */
#include "defs/setters.h"

#include <stdlib.h>

#include "defs/resolve.h"

/* --- the order of signals -------------------------------------------------------------------- */

struct place_in_order {
    uint64_t key; /* the owner's number */
    uint32_t index;
    struct lt_section *section;
};

/* Frames in their order, then parameters, then what belongs nowhere. */
static uint64_t owner_key(const struct lt_loader *loader, const struct lt_section *section)
{
    const struct lt_entry *frame = lt_defs_entry(section, "frame");
    const struct lt_entry *parameter = lt_defs_entry(section, "parameter");
    const struct lt_section *owner = NULL;
    if (frame)
        owner = lt_defs_find(loader, LT_SECTION_FRAME, frame->value);
    if (owner)
        return owner->index;
    if (parameter)
        owner = lt_defs_find(loader, LT_SECTION_PARAMETER, parameter->value);
    return owner ? (uint64_t)LT_NONE + owner->index : UINT64_MAX;
}

static int compare_order(const void *left, const void *right)
{
    const struct place_in_order *a = left, *b = right;
    if (a->key != b->key)
        return a->key < b->key ? -1 : 1;
    return (a->index > b->index) - (a->index < b->index);
}

/* Signals stand behind each other frame by frame, whatever the order in the file, because that is
 * how they are written: so reading back what was written gives the same indices. */
static void order_signals(struct lt_loader *loader)
{
    size_t count = loader->names[LT_SECTION_SIGNAL].count;
    struct place_in_order *order = lt_arena_array(&loader->scratch, count, sizeof *order);
    if (!order)
        return;
    for (size_t i = 0; i < count; i++) {
        struct lt_section *section = loader->of[LT_SECTION_SIGNAL][i];
        order[i] = (struct place_in_order){owner_key(loader, section), (uint32_t)i, section};
    }
    qsort(order, count, sizeof *order, compare_order);
    for (size_t i = 0; i < count; i++) {
        loader->of[LT_SECTION_SIGNAL][i] = order[i].section;
        order[i].section->index = (uint32_t)i;
    }
}

/* --- definitions ----------------------------------------------------------------------------- */

static void set_entries(struct lt_loader *loader, const struct lt_section *section,
                        void *definition, struct lt_place *key_place)
{
    const struct lt_key *keys = lt_defs_section_row(section->kind)->keys;
    for (size_t i = 0; i < section->entry_count; i++) {
        const struct lt_entry *entry = &section->entries[i];
        entry->key->set(loader, section, entry, definition);
        if (key_place)
            key_place[entry->key - keys] = entry->place;
    }
}

static struct lt_place *new_key_places(struct lt_loader *loader, enum lt_section_kind kind)
{
    return lt_arena_array(&loader->profile->arena, lt_defs_section_row(kind)->key_count,
                          sizeof(struct lt_place));
}

static void build_profile(struct lt_loader *loader)
{
    /* What an included file says of itself is read for its faults and then forgotten. */
    struct lt_profile *other = lt_arena_alloc(&loader->scratch, sizeof *other);
    for (size_t i = 0; other && i < loader->names[LT_SECTION_PROFILE].count; i++) {
        const struct lt_section *section = loader->of[LT_SECTION_PROFILE][i];
        set_entries(loader, section, section->place.file == 0 ? loader->profile : other, NULL);
    }
}

static void build_pairs(struct lt_loader *loader)
{
    for (size_t i = 0; i < loader->names[LT_SECTION_FITS].count; i++)
        lt_set_fits(loader, loader->of[LT_SECTION_FITS][i]);
    for (size_t i = 0; i < loader->names[LT_SECTION_PROVE].count; i++)
        lt_set_prove(loader, loader->of[LT_SECTION_PROVE][i]);
}

static void build_buses(struct lt_loader *loader)
{
    struct lt_profile *profile = loader->profile;
    size_t count = loader->names[LT_SECTION_BUS].count;
    profile->buses = lt_arena_array(&profile->arena, count, sizeof *profile->buses);
    for (size_t i = 0; profile->buses && i < count; i++) {
        const struct lt_section *section = loader->of[LT_SECTION_BUS][i];
        struct lt_bus_def *bus = &profile->buses[profile->bus_count++];
        bus->name = lt_defs_keep(loader, section->name);
        bus->place = section->place;
        bus->sample_point = (struct lt_ratio){0, 1};
        set_entries(loader, section, bus, NULL);
    }
}

static void build_curves(struct lt_loader *loader)
{
    struct lt_profile *profile = loader->profile;
    size_t count = loader->names[LT_SECTION_CURVE].count;
    profile->curves = lt_arena_array(&profile->arena, count, sizeof *profile->curves);
    for (size_t i = 0; profile->curves && i < count; i++) {
        const struct lt_section *section = loader->of[LT_SECTION_CURVE][i];
        struct lt_curve_def *curve = &profile->curves[profile->curve_count++];
        curve->name = lt_defs_keep(loader, section->name);
        curve->place = section->place;
        lt_set_curve_points(loader, section, curve);
    }
}

static void build_frames(struct lt_loader *loader)
{
    struct lt_profile *profile = loader->profile;
    size_t count = loader->names[LT_SECTION_FRAME].count;
    profile->frames = lt_arena_array(&profile->arena, count, sizeof *profile->frames);
    loader->affine = lt_arena_array(&loader->scratch, count, sizeof *loader->affine);
    for (size_t i = 0; profile->frames && i < count; i++) {
        const struct lt_section *section = loader->of[LT_SECTION_FRAME][i];
        struct lt_frame_def *frame = &profile->frames[profile->frame_count++];
        struct lt_place *places = new_key_places(loader, LT_SECTION_FRAME);
        frame->name = lt_defs_keep(loader, section->name);
        frame->place = section->place;
        frame->key_place = places;
        frame->bus = LT_NONE;
        frame->source = LT_NONE;
        frame->length = 8;
        set_entries(loader, section, frame, places);
    }
}

static void build_parameters(struct lt_loader *loader)
{
    struct lt_profile *profile = loader->profile;
    size_t count = loader->names[LT_SECTION_PARAMETER].count;
    profile->parameters = lt_arena_array(&profile->arena, count, sizeof *profile->parameters);
    for (size_t i = 0; profile->parameters && i < count; i++) {
        const struct lt_section *section = loader->of[LT_SECTION_PARAMETER][i];
        struct lt_parameter_def *parameter = &profile->parameters[profile->parameter_count++];
        parameter->name = lt_defs_keep(loader, section->name);
        parameter->place = section->place;
        parameter->bus = LT_NONE;
        parameter->pid = LT_NONE;
        parameter->responder = LT_NONE;
        set_entries(loader, section, parameter, NULL);
    }
}

static void init_signal(struct lt_signal_def *signal)
{
    const struct lt_ratio none = {0, 1}, one = {1, 1};
    signal->frame = LT_NONE;
    signal->parameter = LT_NONE;
    signal->curve = LT_NONE;
    signal->scale = one;
    signal->offset = none;
    signal->range_low = none;
    signal->range_high = none;
    signal->role_factor = one;
    signal->role_offset = none;
    signal->stoich = none;
    signal->on_lost_value = none;
}

static void build_signals(struct lt_loader *loader)
{
    struct lt_profile *profile = loader->profile;
    size_t count = loader->names[LT_SECTION_SIGNAL].count;
    profile->signals = lt_arena_array(&profile->arena, count, sizeof *profile->signals);
    for (size_t i = 0; profile->signals && i < count; i++) {
        const struct lt_section *section = loader->of[LT_SECTION_SIGNAL][i];
        struct lt_signal_def *signal = &profile->signals[profile->signal_count++];
        struct lt_place *places = new_key_places(loader, LT_SECTION_SIGNAL);
        init_signal(signal);
        signal->name = lt_defs_keep(loader, section->name);
        signal->place = section->place;
        signal->key_place = places;
        set_entries(loader, section, signal, places);
    }
}

/* A section about a definition stands in the same file: otherwise writing a profile without its
 * includes would lose it. */
static bool has_owner(struct lt_loader *loader, const struct lt_section *section,
                      enum lt_section_kind owner_kind)
{
    char place[LT_PLACE_TEXT_ROOM];
    const char *kind = lt_defs_section_row(section->kind)->name;
    const char *owner_word = lt_defs_section_row(owner_kind)->name;
    const struct lt_section *owner = lt_defs_find(loader, owner_kind, section->name);
    if (owner && owner->place.file == section->place.file)
        return true;
    struct lt_error *error = lt_defs_fault(
        loader, section->place, LT_E_UNKNOWN, "[%s %.*s]: there is no %s `%.*s` in this file", kind,
        LT_TEXT_ARG(section->name), owner_word, LT_TEXT_ARG(section->name));
    if (owner) {
        lt_error_advise(error, "it is at %s: put this section there",
                        lt_defs_place_text(loader, owner->place, place, sizeof place));
        return false;
    }
    struct lt_nearest nearest;
    lt_nearest_init(&nearest, section->name);
    for (size_t i = 0; i < loader->names[owner_kind].count; i++)
        lt_nearest_try(&nearest, loader->names[owner_kind].sorted[i]->name);
    if (lt_nearest_word(&nearest))
        lt_error_advise(error, "did you mean `%s`?", lt_nearest_word(&nearest));
    else
        lt_error_advise(error, "the section has the name of the %s that it belongs to", owner_word);
    return false;
}

static void build_belongings(struct lt_loader *loader)
{
    for (size_t i = 0; i < loader->names[LT_SECTION_VALUES].count; i++) {
        const struct lt_section *section = loader->of[LT_SECTION_VALUES][i];
        if (has_owner(loader, section, LT_SECTION_SIGNAL))
            lt_set_value_section(loader, section);
    }
    for (size_t i = 0; i < loader->names[LT_SECTION_AFFINE].count; i++) {
        const struct lt_section *section = loader->of[LT_SECTION_AFFINE][i];
        if (has_owner(loader, section, LT_SECTION_FRAME))
            lt_set_affine(loader, section);
    }
}

static void build_warnings(struct lt_loader *loader)
{
    struct lt_profile *profile = loader->profile;
    size_t count = loader->names[LT_SECTION_WARNING].count;
    profile->warnings = lt_arena_array(&profile->arena, count, sizeof *profile->warnings);
    for (size_t i = 0; profile->warnings && i < count; i++) {
        const struct lt_section *section = loader->of[LT_SECTION_WARNING][i];
        struct lt_warning_def *warning = &profile->warnings[profile->warning_count++];
        warning->name = lt_defs_keep(loader, section->name);
        warning->place = section->place;
        warning->send = LT_NONE;
        set_entries(loader, section, warning, NULL);
    }
}

void lt_defs_build(struct lt_loader *loader)
{
    order_signals(loader);
    build_profile(loader);
    build_pairs(loader);
    build_buses(loader);
    build_curves(loader);
    build_frames(loader);
    build_parameters(loader);
    build_signals(loader);
    build_belongings(loader);
    /* A condition names signals: without memory for them there is nothing to look into. */
    if (loader->profile->arena.failed || loader->scratch.failed)
        return;
    build_warnings(loader);
    lt_defs_resolve_all(loader);
}
