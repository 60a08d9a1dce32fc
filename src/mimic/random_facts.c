/* What the frames written down show of each field: the bits that moved, least and most, how often
 * it changed. A finder cannot know more than this, and the truth says it. */
#include <stdlib.h>

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
            frame->field[f].facts.seen = calloc(HASHED / 64, sizeof(uint64_t));
            if (!frame->field[f].facts.seen)
                return false;
        }
    }
    return true;
}

void lt_mimic_random_facts_release(struct lt_mimic_random_car *car)
{
    for (size_t i = 0; i < car->frame_count; i++)
        for (size_t f = 0; f < car->frame[i].field_count; f++)
            free(car->frame[i].field[f].facts.seen);
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

static bool is_code(const struct lt_mimic_random_field *field, uint64_t raw)
{
    if (!field->codes)
        return false;
    unsigned bits = field->spot.bits;
    return raw == (field->sign == LT_MIMIC_TWOS ? 1ull << (bits - 1)
                   : bits >= 64                 ? UINT64_MAX
                                                : (1ull << bits) - 1);
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

void lt_mimic_random_note(const struct lt_mimic_random_car *car,
                          struct lt_mimic_random_frame *frame, const uint8_t *data)
{
    (void)car;
    unsigned page = page_of(frame, data);
    for (size_t i = 0; i < frame->field_count; i++) {
        struct lt_mimic_random_field *field = &frame->field[i];
        struct lt_mimic_facts *facts = &field->facts;
        if (field->pages && !(field->pages >> page & 1))
            continue;
        uint64_t raw = lt_mimic_spot_get(field->spot, data);
        facts->frames++;
        if (!facts->begun_any)
            facts->first_any = raw;
        facts->begun_any = true;
        facts->moved_with_codes |= raw ^ facts->first_any;
        if (is_code(field, raw))
            facts->codes++;
        else
            note_value(field, raw);
    }
}
