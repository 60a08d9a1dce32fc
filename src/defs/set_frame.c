/* Setters of [frame] and [affine]. */
#include "defs/setters.h"

LT_SETTER(lt_set_pgn)
{
    struct lt_frame_def *frame = definition;
    uint32_t pgn;
    frame->is_pgn = true;
    if (!lt_parse_u32(entry->value, 0x3FFFF, &pgn)) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "pgn: `%.*s` is not a parameter group number",
                                         LT_TEXT_ARG(entry->value)),
                        "it is 0 to 262143 (0x3FFFF), such as 61444; a whole identifier goes "
                        "into `id` with `extended = yes`");
        return;
    }
    /* J1939-21: below PF 240 the second byte is the destination and no part of the number. */
    if ((pgn >> 8 & 0xFF) < 240 && (pgn & 0xFF) != 0) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "pgn: %.*s (0x%05X) has a destination in its low byte",
                                         LT_TEXT_ARG(entry->value), (unsigned)pgn),
                        "below 0xF000 the low byte of the number is 00: write 0x%05X",
                        (unsigned)(pgn & 0x3FF00));
        return;
    }
    frame->pgn = pgn;
}

/* Milliseconds, decimals allowed. */
LT_SETTER(lt_set_period)
{
    struct lt_frame_def *frame = definition;
    struct lt_ratio ms, ns;
    if (!lt_defs_ratio(loader, section, entry, entry->value, &ms))
        return;
    if (lt_ratio_mul(ms, (struct lt_ratio){1000000, 1}, &ns) && ns.den == 1 && ns.num > 0 &&
        ns.num <= INT64_C(3600000000000)) {
        frame->period_ns = ns.num;
        return;
    }
    lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                     "period_ms: %.*s is not a period", LT_TEXT_ARG(entry->value)),
                    "give milliseconds above 0 and up to 3600000, with at most 6 decimals; leave "
                    "the key out where the frame is sent on events");
}

LT_SETTER(lt_set_length)
{
    struct lt_frame_def *frame = definition;
    uint32_t length;
    if (lt_parse_u32(entry->value, 1785, &length)) {
        frame->length = (uint16_t)length;
        return;
    }
    lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                     "length: `%.*s` is not a number of data bytes",
                                     LT_TEXT_ARG(entry->value)),
                    "0 to 8, for FD to 64, for a transported parameter group to 1785");
}

LT_SETTER(lt_set_direction)
{
    static const char *const words[] = {"listen", "send", NULL};
    struct lt_frame_def *frame = definition;
    int choice = lt_defs_choice(loader, section, entry, words);
    if (choice >= 0)
        frame->direction = choice ? LT_SEND : LT_LISTEN;
}

/* --- counter --------------------------------------------------------------------------------- */

/* "mod 15", "step 2": the word behind the bits, and its number. */
static bool counter_option(struct lt_loader *loader, const struct lt_section *section,
                           const struct lt_entry *entry, struct lt_text word, struct lt_text *rest,
                           struct lt_counter_def *counter, bool seen[2])
{
    bool is_mod = lt_text_is(word, "mod"), is_step = lt_text_is(word, "step");
    struct lt_text number;
    size_t offset = lt_defs_offset(entry, word);
    if (!is_mod && !is_step) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, offset, LT_E_UNKNOWN,
                                         "counter: `%.*s` is not known here", LT_TEXT_ARG(word)),
                        "write the counter's bits, then `mod N` where it wraps early and `step N` "
                        "where it steps by more than 1");
        return false;
    }
    if (seen[is_step]) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, offset, LT_E_DUPLICATE,
                                         "counter: `%.*s` is given twice", LT_TEXT_ARG(word)),
                        "remove one");
        return false;
    }
    seen[is_step] = true;
    if (lt_text_word(rest, &number) &&
        lt_parse_u32(number, UINT32_MAX, is_mod ? &counter->modulus : &counter->step))
        return true;
    lt_error_advise(lt_defs_fault_in(loader, section, entry, offset, LT_E_SYNTAX,
                                     "counter: `%.*s` wants a whole number behind it",
                                     LT_TEXT_ARG(word)),
                    "such as `6.3..6.0 mod 15 step 2`");
    return false;
}

static void check_counter_numbers(struct lt_loader *loader, const struct lt_section *section,
                                  const struct lt_entry *entry, struct lt_counter_def *counter)
{
    unsigned length = lt_bits_length(&counter->bits);
    uint64_t most = UINT64_C(1) << (length < 32 ? length : 31);
    counter->present = false;
    if (length > 31)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "counter: %u bits are too many", length),
                        "a counter has 1 to 31 bits");
    else if (counter->modulus < 2 || counter->modulus > most)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "counter: mod %u does not go with %u bits",
                                         (unsigned)counter->modulus, length),
                        "the counter goes from 0 to mod - 1, so mod is 2 to %u here",
                        (unsigned)most);
    else if (counter->step == 0 || counter->step >= counter->modulus)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "counter: step %u does not go with mod %u",
                                         (unsigned)counter->step, (unsigned)counter->modulus),
                        "the step is 1 to mod - 1");
    else
        counter->present = true;
}

LT_SETTER(lt_set_counter)
{
    struct lt_frame_def *frame = definition;
    struct lt_counter_def counter = {.step = 1};
    struct lt_text rest = entry->value, word, bits = {entry->value.at, 0};
    bool seen[2] = {false, false}, in_bits = true;
    while (lt_text_word(&rest, &word)) {
        in_bits = in_bits && word.at[0] >= '0' && word.at[0] <= '9';
        if (in_bits)
            bits.len = (size_t)(word.at + word.len - bits.at);
        else if (!counter_option(loader, section, entry, word, &rest, &counter, seen))
            return;
    }
    if (!lt_bits_parse(bits, &counter.bits)) {
        lt_defs_explain_bits(loader, section, entry, bits);
        return;
    }
    unsigned length = lt_bits_length(&counter.bits);
    if (!seen[0] && length < 32)
        counter.modulus = UINT32_C(1) << length;
    check_counter_numbers(loader, section, entry, &counter);
    frame->counter = counter;
}

/* --- checksum -------------------------------------------------------------------------------- */

LT_SETTER(lt_set_checksum)
{
    struct lt_frame_def *frame = definition;
    struct lt_error error;
    struct lt_checksum checksum;
    if (!frame->checksums) {
        size_t count = 0;
        for (size_t i = 0; i < section->entry_count; i++)
            count += section->entries[i].key == entry->key;
        frame->checksums = lt_arena_array(&loader->profile->arena, count, sizeof *frame->checksums);
        if (!frame->checksums)
            return;
    }
    if (lt_checksum_parse(entry->value, &checksum, &error) != LT_OK) {
        lt_defs_fault_from(loader, section, entry, 0, &error);
        return;
    }
    /* Ours to fill: the profile has it const for its readers. */
    struct lt_checksum *checksums = (struct lt_checksum *)(uintptr_t)frame->checksums;
    checksums[frame->checksum_count++] = checksum;
}

/* --- [affine FRAME] -------------------------------------------------------------------------- */

static bool affine_number(struct lt_loader *loader, const struct lt_section *section,
                          const struct lt_entry *entry, struct lt_text piece, uint16_t *ret_value)
{
    uint32_t value;
    if (lt_parse_u32(piece, 0xFFFF, &value)) {
        *ret_value = (uint16_t)value;
        return true;
    }
    lt_error_advise(lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, piece),
                                     LT_E_RANGE, "%.*s: `%.*s` is not a number up to 0xFFFF",
                                     LT_TEXT_ARG(entry->name), LT_TEXT_ARG(piece)),
                    "write it in decimal or, behind 0x, in hex");
    return false;
}

static void affine_columns(struct lt_loader *loader, const struct lt_section *section,
                           const struct lt_entry *entry, uint16_t column[8])
{
    struct lt_text rest = entry->value, item;
    unsigned count = 0;
    while (lt_defs_list_item(&rest, &item)) {
        if (count < 8 && !affine_number(loader, section, entry, item, &column[count]))
            return;
        count++;
    }
    if (count != 8)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_SYNTAX,
                                         "%.*s: %u columns, and a byte has 8 bits",
                                         LT_TEXT_ARG(entry->name), count),
                        "give one number for each bit, bit 7 first, such as "
                        "`0x31,0x62,0xC4,0x95,0x37,0x6E,0xDC,0xA5`");
}

static void affine_entry(struct lt_loader *loader, const struct lt_section *section,
                         const struct lt_entry *entry, struct lt_affine *affine)
{
    uint32_t byte;
    struct lt_text number = {entry->name.at + 5, entry->name.len - 5};
    if (lt_text_is(entry->name, "constant"))
        affine_number(loader, section, entry, entry->value, &affine->constant);
    else if (lt_text_starts(entry->name, "byte_") && lt_parse_u32(number, 63, &byte))
        affine_columns(loader, section, entry, affine->column[byte]);
    else
        lt_error_advise(lt_defs_fault(loader, entry->name_place, LT_E_UNKNOWN,
                                      "[affine] has no key `%.*s`", LT_TEXT_ARG(entry->name)),
                        "its keys are `constant` and `byte_0` to `byte_63`");
}

void lt_set_affine(struct lt_loader *loader, const struct lt_section *section)
{
    struct lt_affine *affine = lt_arena_alloc(&loader->profile->arena, sizeof *affine);
    if (!affine)
        return;
    for (size_t i = 0; i < section->entry_count; i++)
        affine_entry(loader, section, &section->entries[i], affine);
    if (!lt_defs_entry(section, "constant"))
        lt_error_advise(lt_defs_fault(loader, section->place, LT_E_MISSING,
                                      "[affine %.*s] has no `constant`",
                                      LT_TEXT_ARG(section->name)),
                        "add it; `constant = 0` where there is none");
    const struct lt_section *frame = lt_defs_find(loader, LT_SECTION_FRAME, section->name);
    if (frame && loader->affine)
        loader->affine[frame->index] = affine;
}
