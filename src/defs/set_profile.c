/* Setters of [profile], [fits], [prove], [bus] and [parameter]. */
#include "defs/setters.h"

LT_SETTER(lt_set_format)
{
    (void)definition;
    uint64_t format;
    if (lt_parse_u64(entry->value, &format) && format == 1)
        return;
    lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_UNKNOWN,
                                     "format: `%.*s` is not a format that this program reads",
                                     LT_TEXT_ARG(entry->value)),
                    "write `format = 1`; a later format wants a later version of the program");
}

static bool is_profile_name(struct lt_text name)
{
    if (name.len > 64)
        return false;
    for (size_t i = 0; i < name.len; i++) {
        char c = name.at[i];
        bool plain = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
        if (!plain && (i == 0 || !strchr("_-.", c)))
            return false;
    }
    return name.len > 0;
}

LT_SETTER(lt_set_profile_name)
{
    (void)section;
    struct lt_profile *profile = definition;
    profile->name = lt_defs_keep(loader, entry->value);
    if (is_profile_name(entry->value))
        return;
    lt_error_advise(lt_defs_warning(loader, entry->place, LT_E_SYNTAX,
                                    "name: `%.*s` will not do as the name of a file",
                                    LT_TEXT_ARG(entry->value)),
                    "use a-z, 0-9, `-`, `_` and `.`, beginning with a letter or digit, at most 64; "
                    "`title` takes any text");
}

/* The words of a list, each once. */
static const char **keep_words(struct lt_loader *loader, const struct lt_section *section,
                               const struct lt_entry *entry, size_t *ret_count)
{
    const char **words = NULL;
    size_t count = 0, capacity = 0;
    struct lt_text rest = entry->value, word;
    while (lt_text_word(&rest, &word)) {
        for (size_t i = 0; i < count; i++) {
            if (!words[i] || !lt_text_is(word, words[i]))
                continue;
            lt_error_advise(lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, word),
                                             LT_E_DUPLICATE, "%.*s: `%.*s` is given twice",
                                             LT_TEXT_ARG(entry->name), LT_TEXT_ARG(word)),
                            "remove one");
        }
        const char **slot =
            lt_arena_push(&loader->profile->arena, &words, &count, &capacity, sizeof *words);
        if (!slot)
            break;
        *slot = lt_defs_keep(loader, word);
    }
    *ret_count = count;
    return words;
}

static void refuse_role(struct lt_loader *loader, const struct lt_section *section,
                        const struct lt_entry *entry, struct lt_text word)
{
    struct lt_nearest nearest;
    size_t count;
    const struct lt_role *roles = lt_role_table(&count);
    lt_nearest_init(&nearest, word);
    for (size_t i = 0; i < count; i++)
        lt_nearest_try(&nearest, lt_text_of(roles[i].name));
    struct lt_error *error = lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, word),
                                              LT_E_UNKNOWN, "%.*s: there is no role `%.*s`",
                                              LT_TEXT_ARG(entry->name), LT_TEXT_ARG(word));
    if (memchr(word.at, ',', word.len))
        lt_error_advise(error, "roles are listed with blanks between them, without commas");
    else if (lt_nearest_word(&nearest))
        lt_error_advise(error, "did you mean `%s`?", lt_nearest_word(&nearest));
    else
        lt_error_advise(error, "docs/profile-format.md lists the roles");
}

LT_SETTER(lt_set_requires)
{
    struct lt_profile *profile = definition;
    struct lt_text rest = entry->value, word;
    while (lt_text_word(&rest, &word))
        if (!lt_role_find(word))
            refuse_role(loader, section, entry, word);
    profile->requires = keep_words(loader, section, entry, &profile->require_count);
}

LT_SETTER(lt_set_include)
{
    struct lt_profile *profile = definition;
    profile->includes = keep_words(loader, section, entry, &profile->include_count);
}

LT_SETTER(lt_set_role)
{
    struct lt_signal_def *signal = definition;
    const struct lt_role *role = lt_role_find(entry->value);
    if (!role || memchr(entry->value.at, '*', entry->value.len)) {
        refuse_role(loader, section, entry, entry->value);
        return;
    }
    signal->role = role;
    signal->role_name = lt_defs_keep(loader, entry->value);
}

/* --- [fits], [prove] ------------------------------------------------------------------------- */

static void keep_pair(struct lt_loader *loader, struct lt_text_pair *pair,
                      const struct lt_entry *entry)
{
    pair->key = lt_defs_keep(loader, entry->name);
    pair->value = lt_defs_keep(loader, entry->value);
    pair->place = entry->name_place;
}

/* The profile's own only: what an included file fits is that file's affair. */
void lt_set_fits(struct lt_loader *loader, const struct lt_section *section)
{
    struct lt_profile *profile = loader->profile;
    if (section->place.file != 0 || profile->fits)
        return;
    profile->fits = lt_arena_array(&profile->arena, section->entry_count, sizeof *profile->fits);
    if (!profile->fits)
        return;
    for (size_t i = 0; i < section->entry_count; i++)
        keep_pair(loader, &profile->fits[profile->fit_count++], &section->entries[i]);
}

static bool is_prove_key(struct lt_text key)
{
    if (key.len == 0 || key.at[0] < 'a' || key.at[0] > 'z')
        return false;
    for (size_t i = 1; i < key.len; i++) {
        char c = key.at[i];
        if (!((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '_' || c == '.'))
            return false;
    }
    return true;
}

static struct lt_text_pair *find_pair(struct lt_text_pair *pairs, size_t count, struct lt_text key)
{
    for (size_t i = 0; i < count; i++)
        if (pairs[i].key && lt_text_is(key, pairs[i].key))
            return &pairs[i];
    return NULL;
}

/* All files' together; the profile itself has the last word, then the file read later. */
void lt_set_prove(struct lt_loader *loader, const struct lt_section *section)
{
    struct lt_profile *profile = loader->profile;
    if (!profile->prove) {
        size_t most = 0;
        for (size_t i = 0; i < loader->section_count; i++)
            if (loader->sections[i]->kind == LT_SECTION_PROVE)
                most += loader->sections[i]->entry_count;
        profile->prove = lt_arena_array(&profile->arena, most, sizeof *profile->prove);
        if (!profile->prove)
            return;
    }
    for (size_t i = 0; i < section->entry_count; i++) {
        const struct lt_entry *entry = &section->entries[i];
        if (!is_prove_key(entry->name)) {
            lt_error_advise(lt_defs_fault(loader, entry->name_place, LT_E_SYNTAX,
                                          "`%.*s` is not a key of [prove]",
                                          LT_TEXT_ARG(entry->name)),
                            "keys there are made of a-z, 0-9, `_` and `.`, beginning with a "
                            "letter");
            continue;
        }
        struct lt_text_pair *pair = find_pair(profile->prove, profile->prove_count, entry->name);
        keep_pair(loader, pair ? pair : &profile->prove[profile->prove_count++], entry);
    }
}

/* --- [bus] ----------------------------------------------------------------------------------- */

LT_SETTER(lt_set_bus_fd)
{
    static const char *const words[] = {"no", "iso", "non-iso", NULL};
    static const enum lt_fd_kind kinds[] = {LT_FD_NO, LT_FD_ISO, LT_FD_NON_ISO};
    struct lt_bus_def *bus = definition;
    int choice = lt_defs_choice(loader, section, entry, words);
    if (choice >= 0)
        bus->fd = kinds[choice];
}

/* "0.875", "87.5", "87.5 %" */
LT_SETTER(lt_set_sample_point)
{
    struct lt_bus_def *bus = definition;
    struct lt_text text = entry->value;
    struct lt_ratio value, percent = {1, 100};
    bool is_percent = text.len > 1 && text.at[text.len - 1] == '%';
    if (is_percent)
        text = lt_text_trim((struct lt_text){text.at, text.len - 1});
    if (!lt_defs_ratio(loader, section, entry, text, &value))
        return;
    if (is_percent || lt_ratio_f64(value) > 1)
        if (!lt_ratio_mul(value, percent, &value))
            value = (struct lt_ratio){0, 1};
    if (lt_ratio_f64(value) < 0.5 || lt_ratio_f64(value) >= 1) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "sample_point: %.*s is not between 50 %% and 100 %% of a "
                                         "bit",
                                         LT_TEXT_ARG(entry->value)),
                        "usual are 0.75 to 0.875; 0.875 and 87.5 %% mean the same");
        return;
    }
    bus->sample_point = value;
}

LT_SETTER(lt_set_interface)
{
    struct lt_bus_def *bus = definition;
    struct lt_text name = entry->value;
    bool bad = name.len > 15; /* IFNAMSIZ with its terminator */
    for (size_t i = 0; i < name.len; i++)
        bad = bad || strchr(" \t/", name.at[i]);
    if (bad)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_SYNTAX,
                                         "interface: `%.*s` cannot be the name of an interface",
                                         LT_TEXT_ARG(name)),
                        "at most 15 characters, no blanks and no `/`, such as can0");
    else
        bus->interface = lt_defs_keep(loader, name);
}

/* --- [parameter] ----------------------------------------------------------------------------- */

LT_SETTER(lt_set_service)
{
    struct lt_parameter_def *parameter = definition;
    uint32_t service;
    if (lt_parse_u32(entry->value, UINT32_MAX, &service) && service >= 1 && service <= 0x3E) {
        parameter->service = (uint8_t)service;
        return;
    }
    lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                     "service: `%.*s` is not a diagnostic service",
                                     LT_TEXT_ARG(entry->value)),
                    "give the number of the request, 0x01 to 0x3E: 0x01 for live data of OBD-II, "
                    "0x22 for data by identifier; the reply's is 0x40 higher");
}

LT_SETTER(lt_set_parameter_length)
{
    struct lt_parameter_def *parameter = definition;
    uint32_t length;
    if (lt_parse_u32(entry->value, 4095, &length) && length > 0) {
        parameter->length = (uint16_t)length;
        return;
    }
    lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                     "length: `%.*s` is not a number of data bytes",
                                     LT_TEXT_ARG(entry->value)),
                    "1 to 4095 bytes behind the parameter's number; leave the key out where it "
                    "varies");
}
