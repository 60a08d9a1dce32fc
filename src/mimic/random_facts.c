/* What the frames written down show of each field: the bits that moved, least and most, how often
 * it changed. A finder cannot know more than this, and the truth says it. */
#include <stdlib.h>
#include <string.h>

#include "mimic/random_send.h"

#define HASHED 65536

bool lt_mimic_random_facts_init(struct lt_mimic_random_car *car)
{
    for (size_t i = 0; i < car->frame_count; i++) {
        struct lt_mimic_random_frame *frame = &car->frame[i];
        /* A copy has the layout of its original and facts of its own. */
        if (frame->copy_of >= 0) {
            const struct lt_mimic_random_frame *from = &car->frame[frame->copy_of];
            frame->field_count = from->field_count;
            frame->pages = from->pages;
            frame->selector = from->selector;
            frame->authenticated = from->authenticated;
            for (size_t p = 0; p < LT_MIMIC_RANDOM_PAGES; p++)
                frame->page_value[p] = from->page_value[p];
            for (size_t f = 0; f < frame->field_count; f++) {
                frame->field[f] = from->field[f];
                frame->field[f].facts = (struct lt_mimic_facts){0};
            }
        }
        for (size_t f = 0; f < frame->field_count; f++) {
            struct lt_mimic_facts *facts = &frame->field[f].facts;
            facts->seen = calloc(HASHED / 64, sizeof(uint64_t));
            if (frame->field[f].kind == LT_MIMIC_FIELD_CHECK)
                facts->contents_seen = calloc(HASHED / 64, sizeof(uint64_t));
            if (!facts->seen ||
                (frame->field[f].kind == LT_MIMIC_FIELD_CHECK && !facts->contents_seen))
                return false;
        }
    }
    return true;
}

void lt_mimic_random_facts_release(struct lt_mimic_random_car *car)
{
    for (size_t i = 0; i < car->frame_count; i++)
        for (size_t f = 0; f < car->frame[i].field_count; f++) {
            free(car->frame[i].field[f].facts.seen);
            free(car->frame[i].field[f].facts.contents_seen);
        }
}

static int64_t as_signed(const struct lt_mimic_random_field *field, uint64_t raw)
{
    unsigned bits = field->spot.bits;
    int64_t half = bits < 64 ? (int64_t)1 << (bits - 1) : 0;
    if (field->sign == LT_MIMIC_OFFSET_BINARY)
        return (int64_t)raw - half;
    if (field->sign == LT_MIMIC_SIGN_MAGNITUDE)
        return raw >> (bits - 1) & 1 ? half - (int64_t)raw : (int64_t)raw;
    if (field->sign == LT_MIMIC_TWOS && raw >> (bits - 1) & 1)
        return (int64_t)raw - 2 * half;
    return (int64_t)raw;
}

static void note_value(struct lt_mimic_random_field *field, uint64_t raw)
{
    struct lt_mimic_facts *facts = &field->facts;
    int64_t value = as_signed(field, raw);
    uint64_t slot = field->spot.bits <= 16 ? raw : (raw * 0x9E3779B97F4A7C15u) >> 48;
    if (!(facts->seen[slot / 64] >> slot % 64 & 1))
        facts->distinct++;
    facts->seen[slot / 64] |= 1ull << slot % 64;
    if (!facts->begun) {
        facts->first = facts->last = raw;
        facts->least = facts->most = value;
        facts->begun = true;
    }
    facts->moved |= raw ^ facts->first;
    facts->changes += raw != facts->last;
    facts->crossings += (as_signed(field, facts->last) < 0) != (value < 0);
    facts->last = raw;
    if (value < facts->least)
        facts->least = value;
    if (value > facts->most)
        facts->most = value;
}

static void note_contents(const struct lt_mimic_random_frame *frame,
                          struct lt_mimic_random_field *field, const uint8_t *data)
{
    uint8_t rest[64];
    memcpy(rest, data, frame->len);
    lt_mimic_spot_put(field->spot, rest, 0);
    uint64_t mix = 0;
    for (unsigned i = 0; i < frame->len; i++)
        mix = (mix ^ rest[i]) * 0x9E3779B97F4A7C15u;
    mix ^= mix >> 31;
    uint64_t slot = mix * 0x94D049BB133111EBu >> 48, *word = &field->facts.contents_seen[slot / 64];
    field->facts.contents += !(*word >> slot % 64 & 1);
    *word |= 1ull << slot % 64;
}

/* The page is read from the frame itself: a copy comes later than its original. */
static unsigned page_of(const struct lt_mimic_random_frame *frame, const uint8_t *data)
{
    if (frame->pages == 0)
        return 0;
    uint64_t value = lt_mimic_spot_get(frame->field[frame->selector].spot, data);
    unsigned page = 0;
    while (page + 1 < frame->pages && frame->page_value[page] != value)
        page++;
    return page;
}

void lt_mimic_random_note(struct lt_mimic_random_frame *frame, const uint8_t *data)
{
    unsigned page = page_of(frame, data);
    for (size_t i = 0; i < frame->field_count; i++) {
        struct lt_mimic_random_field *field = &frame->field[i];
        struct lt_mimic_facts *facts = &field->facts;
        if (field->pages && !(field->pages >> page & 1))
            continue;
        uint64_t raw = lt_mimic_spot_get(field->spot, data);
        facts->frames++;
        if (facts->contents_seen)
            note_contents(frame, field, data);
        if (!facts->begun_any)
            facts->first_any = raw;
        facts->begun_any = true;
        facts->moved_with_codes |= raw ^ facts->first_any;
        if (field->codes && raw == lt_mimic_random_unavailable(field))
            facts->codes++;
        else
            note_value(field, raw);
    }
}

/* --- exercised: what a finder could go by. No finder's result enters this. --- */

static unsigned count_bits(uint64_t word)
{
    unsigned count = 0;
    for (; word; word &= word - 1)
        count++;
    return count;
}

/* It went round at least once: else its modulus cannot be known. */
static bool counter_went_round(const struct lt_mimic_random_frame *frame,
                               const struct lt_mimic_random_field *field)
{
    uint64_t pages = field->per_page && field->pages == 0 ? frame->pages : 1;
    return field->facts.frames >= 16 * pages &&
           field->facts.changes * field->step >= (field->modulus + 4ull) * pages;
}

/* A CRC is a set of equations with one unknown for each bit that moved: as many different
 * contents, and two dozen more to be sure. Sums have far fewer unknowns. Each entry of a list of
 * hidden bytes is one more, or a few. */
static bool check_can_be_solved(const struct lt_mimic_random_frame *frame,
                                const struct lt_mimic_random_field *field)
{
    const struct lt_mimic_seal *seal = &field->seal;
    uint64_t unknown = 0;
    bool is_sum = seal->family <= LT_MIMIC_NIBBLE_SUM || seal->family == LT_MIMIC_TSC1 ||
                  seal->family == LT_MIMIC_XBR;
    for (size_t i = 0; i < frame->field_count && !is_sum; i++) {
        const struct lt_mimic_random_field *other = &frame->field[i];
        bool together = !field->pages || !other->pages || (field->pages & other->pages);
        if (other->kind != LT_MIMIC_FIELD_CHECK && together)
            unknown += count_bits(other->facts.moved_with_codes);
    }
    if (seal->mode == LT_MIMIC_HIDDEN_LIST)
        unknown += 3u * seal->hidden_count;
    return field->facts.contents >= unknown + 24;
}

bool lt_mimic_random_exercised(const struct lt_mimic_random_car *car,
                               const struct lt_mimic_random_frame *frame,
                               const struct lt_mimic_random_field *field)
{
    const struct lt_mimic_facts *facts = &field->facts;
    switch (field->kind) {
    case LT_MIMIC_FIELD_COUNTER:
        return counter_went_round(frame, field);
    case LT_MIMIC_FIELD_CHECK:
        return check_can_be_solved(frame, field);
    case LT_MIMIC_FIELD_SELECTOR:
        return facts->frames >= 8 && facts->changes >= 4;
    case LT_MIMIC_FIELD_TEXT:
    case LT_MIMIC_FIELD_CONSTANT:
        return false;
    case LT_MIMIC_FIELD_VALUE:
        break;
    }
    switch (car->motion.quantity[field->quantity].kind) {
    case LT_MIMIC_CHOICE:
        return facts->changes >= 6;
    case LT_MIMIC_FLAG:
        return facts->changes >= 4;
    default:
        return facts->distinct >= 8 && facts->changes >= 24 && count_bits(facts->moved) >= 3;
    }
}
