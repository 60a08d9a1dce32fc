/* Kept frames: their identifier, sets of bits, and the rows of one page (loomtap/measure/kept.h).
 */
#include "loomtap/measure/kept.h"

#include <string.h>

#include "measure/kept_flags.h"

void lt_stream_id_print(char ret_text[LT_STREAM_ID_ROOM], const struct lt_stream_key *key)
{
    lt_text_format(ret_text, LT_STREAM_ID_ROOM, key->extended ? "%08X" : "%03X", (unsigned)key->id);
}

/* Positions first to last, both with them. */
static void add_run(struct lt_bit_set *set, unsigned first, unsigned last)
{
    if (first >= 8 * LT_FRAME_MAX)
        return;
    if (last >= 8 * LT_FRAME_MAX)
        last = 8 * LT_FRAME_MAX - 1;
    for (unsigned word = first / 64; word <= last / 64; word++) {
        uint64_t from = word == first / 64 ? UINT64_MAX << first % 64 : UINT64_MAX;
        uint64_t to = word == last / 64 ? UINT64_MAX >> (63 - last % 64) : UINT64_MAX;
        set->word[word] |= from & to;
    }
}

void lt_bit_set_add_bits(struct lt_bit_set *set, const struct lt_bits *bits)
{
    for (unsigned part = 0; part < bits->parts; part++) {
        unsigned msb = bits->part[part].msb, lsb = bits->part[part].lsb;
        if (msb / 8 >= lsb / 8) {
            add_run(set, lsb, msb);
            continue;
        }
        /* Motorola: down to bit 0 of the first byte, whole bytes, down from bit 7 of the last. */
        add_run(set, msb & ~7u, msb);
        if (lsb / 8 - msb / 8 > 1)
            add_run(set, (msb | 7u) + 1, (lsb & ~7u) - 1);
        add_run(set, lsb, lsb | 7u);
    }
}

bool lt_bit_set_meets(const struct lt_bit_set *set, const struct lt_bits *bits)
{
    struct lt_bit_set other = {{0}};
    uint64_t common = 0;
    lt_bit_set_add_bits(&other, bits);
    for (unsigned word = 0; word < 8; word++)
        common |= set->word[word] & other.word[word];
    return common != 0;
}

/* The page's very next frame: no row of the stream is missing since the page's last one. */
static uint8_t page_flags(uint8_t flags, bool unbroken, int64_t gap_ns, int64_t period_ns)
{
    if (!unbroken && !(flags & LT_KEPT_PAGE_FOLLOWS))
        return 0;
    return LT_KEPT_FOLLOWS | (lt_gap_is_next(gap_ns, period_ns) ? LT_KEPT_NEXT : 0);
}

enum lt_code lt_kept_page(const struct lt_kept *kept, const struct lt_bits *selector, uint64_t page,
                          int64_t period_ns, struct lt_arena *arena, struct lt_kept *ret_page,
                          struct lt_error *error)
{
    size_t count = 0, length = kept->key.length, at = 0;
    for (size_t row = 0; row < kept->count; row++)
        count += lt_bits_get(lt_kept_row(kept, row), selector) == page;
    int64_t *time_ns = lt_arena_array(arena, count + 1, sizeof *time_ns);
    uint8_t *flags = lt_arena_array(arena, count + 1, sizeof *flags);
    uint8_t *bytes = lt_arena_alloc(arena, count * length + 8);
    if (!time_ns || !flags || !bytes)
        return lt_fail(error, LT_E_MEMORY, "no memory for the frames of a page");
    bool unbroken = false; /* since the page's last row */
    for (size_t row = 0; row < kept->count; row++) {
        unbroken = unbroken && (kept->flags[row] & LT_KEPT_FOLLOWS);
        if (lt_bits_get(lt_kept_row(kept, row), selector) != page)
            continue;
        time_ns[at] = kept->time_ns[row];
        flags[at] = 0;
        if (at != 0)
            flags[at] = page_flags(kept->flags[row], unbroken,
                                   lt_gap_of(time_ns[at - 1], time_ns[at]), period_ns);
        memcpy(bytes + at * length, lt_kept_row(kept, row), length);
        unbroken = true;
        at++;
    }
    *ret_page = (struct lt_kept){.key = kept->key,
                                 .count = count,
                                 .time_ns = time_ns,
                                 .flags = flags,
                                 .bytes = bytes,
                                 .whole = kept->whole};
    return LT_OK;
}
