/* The words of recast's options: identifiers, renamed buses, shifted clocks. */
#include "recast/inside.h"

#include "loomtap/base/number.h"

#define NS_PER_S 1000000000

/* One end: the number and whether it is a 29-bit identifier. */
static bool parse_id(struct lt_text text, uint32_t *ret_id, bool *ret_extended)
{
    uint64_t id;
    bool marked = text.len > 2 && text.at[0] == '0' && (text.at[1] | 0x20) == 'x';
    bool wide = false;
    if (marked) {
        wide = text.len == 10;
        if (!lt_parse_hex((struct lt_text){text.at + 2, text.len - 2}, &id))
            return false;
    } else if (text.len > 1 && (text.at[text.len - 1] | 0x20) == 'x' && !lt_text_is(text, "0x")) {
        wide = true;
        if (!lt_parse_hex((struct lt_text){text.at, text.len - 1}, &id))
            return false;
    } else if (!lt_parse_u64(text, &id)) {
        return false;
    }
    if (id > LT_ID_MAX_EXTENDED)
        return false;
    *ret_id = (uint32_t)id;
    *ret_extended = wide || id > LT_ID_MAX_STANDARD;
    return true;
}

static bool find_dots(struct lt_text text, struct lt_text *ret_first, struct lt_text *ret_last)
{
    for (size_t i = 1; i + 2 < text.len; i++) {
        if (text.at[i] == '.' && text.at[i + 1] == '.') {
            *ret_first = (struct lt_text){text.at, i};
            *ret_last = (struct lt_text){text.at + i + 2, text.len - i - 2};
            return true;
        }
    }
    return false;
}

bool lt_id_rule_parse(struct lt_text text, struct lt_id_rule *ret_rule)
{
    struct lt_id_rule rule = {.exclude = text.len > 0 && *text.at == '!'};
    struct lt_text first = text, last = text;
    bool last_extended;
    if (rule.exclude) {
        text.at++;
        text.len--;
    }
    if (lt_text_is(text, "error")) {
        rule.error = true;
        *ret_rule = rule;
        return true;
    }
    if (!find_dots(text, &first, &last))
        first = last = text;
    if (!parse_id(first, &rule.first, &rule.extended) ||
        !parse_id(last, &rule.last, &last_extended) || rule.last < rule.first ||
        rule.extended != last_extended)
        return false;
    *ret_rule = rule;
    return true;
}

bool recast_wants_id(const struct lt_recast_options *options, const struct lt_frame *frame)
{
    bool any_include = false, included = false;
    bool error = lt_frame_has(frame, LT_FRAME_ERROR);
    for (size_t i = 0; i < options->id_count; i++) {
        const struct lt_id_rule *rule = &options->ids[i];
        bool fits = rule->error ? error
                                : !error && frame->id >= rule->first && frame->id <= rule->last &&
                                      rule->extended == lt_frame_has(frame, LT_FRAME_EXTENDED);
        if (rule->exclude && fits)
            return false;
        any_include |= !rule->exclude;
        included |= !rule->exclude && fits;
    }
    return included || !any_include;
}

/* "3:" off the front. */
static bool take_source(struct lt_text *text, size_t *ret_source)
{
    size_t digits = 0;
    uint32_t number;
    *ret_source = 0;
    while (digits < text->len && text->at[digits] >= '0' && text->at[digits] <= '9')
        digits++;
    if (digits == 0 || digits == text->len || text->at[digits] != ':')
        return true;
    if (!lt_parse_u32((struct lt_text){text->at, digits}, 65535, &number) || number == 0)
        return false;
    *ret_source = number;
    text->at += digits + 1;
    text->len -= digits + 1;
    return true;
}

bool lt_bus_rename_parse(struct lt_text text, struct lt_bus_rename *ret_rename)
{
    struct lt_bus_rename rename;
    if (!take_source(&text, &rename.source) || text.len == 0)
        return false;
    lt_text_split(&text, '=', &rename.from);
    rename.to = text;
    if (!text.at || text.len == 0)
        return false;
    *ret_rename = rename;
    return true;
}

bool lt_clock_shift_parse(struct lt_text text, struct lt_clock_shift *ret_shift)
{
    struct lt_clock_shift shift;
    struct lt_ratio seconds, ns;
    if (!take_source(&text, &shift.source))
        return false;
    if (text.len > 1 && *text.at == '+') {
        text.at++;
        text.len--;
    }
    if (!lt_parse_ratio(text, &seconds) ||
        !lt_ratio_mul(seconds, (struct lt_ratio){NS_PER_S, 1}, &ns))
        return false;
    shift.ns = ns.num / ns.den;
    *ret_shift = shift;
    return true;
}
