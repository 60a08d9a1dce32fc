/* Setters of [warning]. */
#include "defs/setters.h"

static bool find_signal(void *context, struct lt_text name, uint32_t *ret_signal,
                        bool *ret_has_labels)
{
    struct lt_loader *loader = context;
    const struct lt_section *section = lt_defs_find(loader, LT_SECTION_SIGNAL, name);
    if (!section)
        return false;
    *ret_signal = section->index;
    *ret_has_labels = loader->profile->signals[section->index].label_count > 0;
    return true;
}

static bool find_label(void *context, uint32_t signal, struct lt_text label, uint64_t *ret_raw)
{
    const struct lt_loader *loader = context;
    const struct lt_signal_def *def = &loader->profile->signals[signal];
    for (size_t i = 0; i < def->label_count; i++) {
        if (!lt_text_is(label, def->labels[i].name))
            continue;
        *ret_raw = def->labels[i].raw;
        return true;
    }
    return false;
}

static void list_labels(void *context, uint32_t signal, char *buf, size_t size)
{
    const struct lt_loader *loader = context;
    const struct lt_signal_def *def = &loader->profile->signals[signal];
    size_t used = 0;
    buf[0] = '\0';
    for (size_t i = 0; i < def->label_count && i < 6 && used + 1 < size; i++)
        used +=
            lt_text_format(buf + used, size - used, "%s\"%s\"", i ? ", " : "", def->labels[i].name);
    if (def->label_count > 6 && used + 1 < size)
        lt_text_format(buf + used, size - used, " ...");
}

static void set_condition(struct lt_loader *loader, const struct lt_section *section,
                          const struct lt_entry *entry, struct lt_condition *condition)
{
    struct lt_error error;
    struct lt_condition made;
    const struct lt_condition_names names = {loader, find_signal, find_label, list_labels};
    enum lt_code code =
        lt_condition_parse(entry->value, &names, &loader->profile->arena, &made, &error);
    if (code == LT_OK)
        *condition = made;
    else
        lt_defs_fault_from(loader, section, entry, 0, &error);
}

LT_SETTER(lt_set_when)
{
    struct lt_warning_def *warning = definition;
    set_condition(loader, section, entry, &warning->when);
}

LT_SETTER(lt_set_until)
{
    struct lt_warning_def *warning = definition;
    set_condition(loader, section, entry, &warning->until);
}

LT_SETTER(lt_set_warning_lost)
{
    static const char *const words[] = {"warn", "ignore", NULL};
    struct lt_warning_def *warning = definition;
    int choice = lt_defs_choice(loader, section, entry, words);
    if (choice >= 0)
        warning->on_lost = choice ? LT_WARNING_LOST_IGNORE : LT_WARNING_LOST_WARN;
}

/* --- send ------------------------------------------------------------------------------------ */

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

/* Takes `signal=value` out of *rest; the value may stand in quotes, for labels with blanks. */
static bool next_assignment(struct lt_text *rest, struct lt_text *ret_whole,
                            struct lt_text *ret_signal, struct lt_text *ret_value)
{
    *rest = lt_text_trim(*rest);
    if (rest->len == 0)
        return false;
    size_t i = 0, end;
    while (i < rest->len && rest->at[i] != '=' && !is_blank(rest->at[i]))
        i++;
    *ret_signal = (struct lt_text){rest->at, i};
    *ret_value = (struct lt_text){rest->at + i, 0};
    end = i;
    if (i < rest->len && rest->at[i] == '=') {
        const char *at = rest->at + i + 1;
        size_t left = rest->len - i - 1, len = 0;
        char quote = left && (*at == '"' || *at == '\'') ? *at : ' ';
        at += quote != ' ';
        left -= quote != ' ';
        while (len < left && (quote == ' ' ? !is_blank(at[len]) : at[len] != quote))
            len++;
        *ret_value = (struct lt_text){at, len};
        end = (size_t)(at - rest->at) + len + (quote != ' ' && len < left);
    }
    *ret_whole = (struct lt_text){rest->at, end};
    rest->at += end;
    rest->len -= end;
    return true;
}

/* kit_alert lamp=1 mode="heavy rain" */
LT_SETTER(lt_set_send)
{
    struct lt_warning_def *warning = definition;
    struct lt_assignment *list = NULL;
    size_t count = 0, capacity = 0;
    struct lt_text rest = entry->value, frame, whole, signal, value;
    if (!lt_text_word(&rest, &frame))
        return;
    warning->send = lt_defs_resolve(loader, section, entry, frame, LT_SECTION_FRAME);
    while (next_assignment(&rest, &whole, &signal, &value)) {
        if (signal.len == 0 || value.len == 0) {
            lt_error_advise(lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, whole),
                                             LT_E_SYNTAX, "send: `%.*s` is not `signal=value`",
                                             LT_TEXT_ARG(whole.len ? whole : rest)),
                            "write the frame, then its signals without blanks around the `=`, "
                            "such as `kit_alert lamp=1`");
            return;
        }
        uint32_t index = lt_defs_resolve(loader, section, entry, signal, LT_SECTION_SIGNAL);
        struct lt_assignment *slot =
            lt_arena_push(&loader->profile->arena, &list, &count, &capacity, sizeof *list);
        if (!slot)
            return;
        *slot = (struct lt_assignment){index, lt_defs_keep(loader, value)};
    }
    warning->assign = list;
    warning->assign_count = count;
}
