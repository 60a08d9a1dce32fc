/* Shared setters and the pieces that values are made of. */
#include "defs/setters.h"

static void *member(void *definition, const struct lt_key *key)
{
    return (char *)definition + key->offset;
}

/* Why a number may have been misspelt: the usual slips get their own advice. */
static void advise_number(struct lt_error *error, struct lt_text piece, const char *usual)
{
    if (memchr(piece.at, '#', piece.len))
        lt_error_advise(error, "a comment behind a value begins with a blank and `;`, not `#`");
    else if (memchr(piece.at, ';', piece.len))
        lt_error_advise(error, "a comment needs a blank before its `;`");
    else if (memchr(piece.at, ',', piece.len))
        lt_error_advise(error, "decimals have a point, thousands no separator");
    else
        lt_error_advise(error, "%s", usual);
}

LT_SETTER(lt_set_text)
{
    (void)section;
    const char **text = member(definition, entry->key);
    *text = lt_defs_keep(loader, entry->value);
}

LT_SETTER(lt_set_u32)
{
    const struct lt_key *key = entry->key;
    const char *gap = key->unit ? " " : "", *unit = key->unit ? key->unit : "";
    uint64_t value;
    uint32_t *number = member(definition, key);
    if (!lt_parse_u64(entry->value, &value)) {
        struct lt_error *error = lt_defs_fault_in(loader, section, entry, 0, LT_E_SYNTAX,
                                                  "%s: `%.*s` is not a whole number", key->name,
                                                  LT_TEXT_ARG(entry->value));
        advise_number(error, entry->value,
                      key->unit ? "write it without its unit, in decimal or, behind 0x, in hex"
                                : "write it in decimal or, behind 0x, in hex");
        return;
    }
    if (value < key->min || value > key->max) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "%s: %.*s is outside %u..%u%s%s", key->name,
                                         LT_TEXT_ARG(entry->value), (unsigned)key->min,
                                         (unsigned)key->max, gap, unit),
                        "%s", key->help);
        return;
    }
    *number = (uint32_t)value;
}

LT_SETTER(lt_set_yes_no)
{
    static const char *const words[] = {"no", "yes", NULL};
    int choice = lt_defs_choice(loader, section, entry, words);
    if (choice >= 0)
        *(bool *)member(definition, entry->key) = choice == 1;
}

LT_SETTER(lt_set_ratio)
{
    lt_defs_ratio(loader, section, entry, entry->value, member(definition, entry->key));
}

LT_SETTER(lt_set_bus)
{
    *(uint32_t *)member(definition, entry->key) =
        lt_defs_resolve(loader, section, entry, entry->value, LT_SECTION_BUS);
}

int lt_defs_choice(struct lt_loader *loader, const struct lt_section *section,
                   const struct lt_entry *entry, const char *const *words)
{
    char list[160] = "";
    size_t used = 0;
    for (int i = 0; words[i]; i++) {
        if (lt_text_is(entry->value, words[i]))
            return i;
        used += lt_text_format(list + used, sizeof list - used, "%s`%s`",
                               i == 0         ? ""
                               : words[i + 1] ? ", "
                                              : " or ",
                               words[i]);
    }
    lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_UNKNOWN,
                                     "%.*s: `%.*s` is none of the words known here",
                                     LT_TEXT_ARG(entry->name), LT_TEXT_ARG(entry->value)),
                    "write %s", list);
    return -1;
}

bool lt_defs_ratio(struct lt_loader *loader, const struct lt_section *section,
                   const struct lt_entry *entry, struct lt_text piece, struct lt_ratio *ret_value)
{
    if (lt_parse_ratio(piece, ret_value))
        return true;
    advise_number(lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, piece),
                                   LT_E_SYNTAX,
                                   "%.*s: `%.*s` is not a number, or has more digits than can be "
                                   "kept exactly",
                                   LT_TEXT_ARG(entry->name), LT_TEXT_ARG(piece)),
                  piece, "write a decimal such as -0.25 or a fraction such as 1/256");
    return false;
}

bool lt_defs_split_range(struct lt_text text, struct lt_text *ret_low, struct lt_text *ret_high)
{
    for (size_t i = 0; i + 1 < text.len; i++) {
        if (text.at[i] != '.' || text.at[i + 1] != '.')
            continue;
        *ret_low = lt_text_trim((struct lt_text){text.at, i});
        *ret_high = lt_text_trim((struct lt_text){text.at + i + 2, text.len - i - 2});
        return true;
    }
    return false;
}

static bool is_separator(char c)
{
    return c == ' ' || c == '\t' || c == ',';
}

bool lt_defs_list_item(struct lt_text *rest, struct lt_text *ret_item)
{
    size_t start = 0;
    while (start < rest->len && is_separator(rest->at[start]))
        start++;
    size_t end = start;
    while (end < rest->len && !is_separator(rest->at[end]))
        end++;
    if (start == end)
        return false;
    *ret_item = (struct lt_text){rest->at + start, end - start};
    rest->at += end;
    rest->len -= end;
    return true;
}

bool lt_defs_raw_range(struct lt_loader *loader, const struct lt_section *section,
                       const struct lt_entry *entry, struct lt_text piece,
                       struct lt_raw_range *ret_range)
{
    struct lt_text low = piece, high = piece;
    struct lt_raw_range range;
    lt_defs_split_range(piece, &low, &high);
    if (!lt_parse_u64(low, &range.first) || !lt_parse_u64(high, &range.last)) {
        struct lt_error *error = lt_defs_fault_in(
            loader, section, entry, lt_defs_offset(entry, piece), LT_E_SYNTAX,
            "%.*s: `%.*s` is not a raw value", LT_TEXT_ARG(entry->name), LT_TEXT_ARG(piece));
        if (memchr(piece.at, '-', piece.len))
            lt_error_advise(error, "raw values are bit patterns without a sign: -1 in 4 bits is "
                                   "15, in 8 bits 0xFF");
        else
            lt_error_advise(error, "write a number such as 15 or 0x0F, or a range such as "
                                   "0xFB..0xFF");
        return false;
    }
    if (range.first > range.last) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, piece),
                                         LT_E_RANGE, "%.*s: the range `%.*s` runs backwards",
                                         LT_TEXT_ARG(entry->name), LT_TEXT_ARG(piece)),
                        "write the lower value first");
        return false;
    }
    *ret_range = range;
    return true;
}

/* --- bit ends -------------------------------------------------------------------------------- */

/* "12.7" to 12 and 7, whatever their size. */
static bool parse_end(struct lt_text text, uint32_t *ret_byte, uint32_t *ret_bit)
{
    const char *point = text.len ? memchr(text.at, '.', text.len) : NULL;
    if (!point)
        return false;
    struct lt_text byte = {text.at, (size_t)(point - text.at)};
    struct lt_text bit = {point + 1, text.len - byte.len - 1};
    return lt_parse_u32(byte, UINT32_MAX, ret_byte) && lt_parse_u32(bit, UINT32_MAX, ret_bit);
}

static void explain_span(struct lt_loader *loader, const struct lt_section *section,
                         const struct lt_entry *entry, struct lt_text span)
{
    struct lt_text first = span, last = span;
    uint32_t byte[2], bit[2];
    size_t offset = lt_defs_offset(entry, span);
    lt_defs_split_range(span, &first, &last);
    if (!parse_end(first, &byte[0], &bit[0]) || !parse_end(last, &byte[1], &bit[1])) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, offset, LT_E_SYNTAX,
                                         "%.*s: `%.*s` does not name bits",
                                         LT_TEXT_ARG(entry->name), LT_TEXT_ARG(span)),
                        "write the two ends as byte.bit, most significant first, such as "
                        "0.7..1.0; one bit alone is 3.5");
        return;
    }
    for (int i = 0; i < 2; i++) {
        if (bit[i] <= 7 && byte[i] <= 2047)
            continue;
        lt_error_advise(lt_defs_fault_in(loader, section, entry, offset, LT_E_RANGE,
                                         "%.*s: `%.*s`: there is no bit %u in byte %u",
                                         LT_TEXT_ARG(entry->name), LT_TEXT_ARG(span),
                                         (unsigned)bit[i], (unsigned)byte[i]),
                        "bytes count from 0 to at most 2047, bits from 0 (least significant) to 7");
        return;
    }
    if (byte[0] == byte[1] && bit[0] < bit[1]) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, offset, LT_E_SYNTAX,
                                         "%.*s: `%.*s` names the lower bit first",
                                         LT_TEXT_ARG(entry->name), LT_TEXT_ARG(span)),
                        "the most significant end comes first: %u.%u..%u.%u", (unsigned)byte[0],
                        (unsigned)bit[1], (unsigned)byte[0], (unsigned)bit[0]);
        return;
    }
    lt_error_advise(lt_defs_fault_in(loader, section, entry, offset, LT_E_RANGE,
                                     "%.*s: `%.*s` is longer than 64 bits",
                                     LT_TEXT_ARG(entry->name), LT_TEXT_ARG(span)),
                    "a field has 1 to 64 bits; split it");
}

void lt_defs_explain_bits(struct lt_loader *loader, const struct lt_section *section,
                          const struct lt_entry *entry, struct lt_text text)
{
    struct lt_text rest = text, word;
    struct lt_span span;
    size_t count = 0;
    while (lt_text_word(&rest, &word)) {
        if (!lt_span_parse(word, &span)) {
            explain_span(loader, section, entry, word);
            return;
        }
        count++;
    }
    struct lt_error *error = lt_defs_fault_in(
        loader, section, entry, lt_defs_offset(entry, text), LT_E_RANGE,
        "%.*s: `%.*s` names a bit twice, has more than 64 bits or more than %d parts",
        LT_TEXT_ARG(entry->name), LT_TEXT_ARG(text), LT_PARTS_MAX);
    if (count == 0)
        lt_error_advise(error, "write the two ends as byte.bit, such as 0.7..1.0");
    else
        lt_error_advise(error, "every bit of a field comes from a place of its own");
}
