/* Bits over time, for modes: the rows in which each changed, and its value on each visit.
 *
 * A mode hardly ever changes, so bits that change often are given up early: what is left is little.
 * Of a visit only the part counts in which the person and the car must agree: not the time around
 * its marks. */
#include "seek/modes.h"

#include "loomtap/base/bytes.h"

/* Changes of a bit beyond which it cannot follow so few marks. */
static size_t most_changes(const struct modes_times *times)
{
    return 4 * times->count + 16;
}

struct live {
    uint64_t word[MODES_FRAME_BITS / 64];
};

static uint64_t row_word(const struct lt_kept *kept, size_t row, unsigned word)
{
    unsigned left = kept->key.length - 8 * word;
    uint64_t mask = left >= 8 ? UINT64_MAX : (UINT64_C(1) << 8 * left) - 1;
    return lt_load64_le(lt_kept_row(kept, row) + 8 * (size_t)word) & mask;
}

/* How often each bit changes; counting ends where it is too often. */
static void count_changes(const struct lt_kept *kept, uint32_t most, uint32_t *changes)
{
    unsigned words = (kept->key.length + 7u) / 8;
    struct live live;
    memset(&live, 0xFF, sizeof live);
    for (size_t row = 1; row < kept->count; row++)
        for (unsigned w = 0; w < words; w++) {
            uint64_t moved = (row_word(kept, row, w) ^ row_word(kept, row - 1, w)) & live.word[w];
            for (; moved; moved &= moved - 1) {
                unsigned bit = 64 * w + (unsigned)__builtin_ctzll(moved);
                if (++changes[bit] > most)
                    live.word[w] &= ~(UINT64_C(1) << bit % 64);
            }
        }
}

static bool bit_at(const struct lt_kept *kept, size_t row, unsigned position)
{
    return lt_kept_row(kept, row)[position / 8] >> position % 8 & 1;
}

static void list_changes(const struct lt_kept *kept, const struct live *wanted,
                         struct modes_bit *const *of)
{
    unsigned words = (kept->key.length + 7u) / 8;
    for (size_t row = 1; row < kept->count; row++)
        for (unsigned w = 0; w < words; w++) {
            uint64_t moved =
                (row_word(kept, row, w) ^ row_word(kept, row - 1, w)) & wanted->word[w];
            for (; moved; moved &= moved - 1) {
                struct modes_bit *bit = of[64 * w + (unsigned)__builtin_ctzll(moved)];
                bit->row[bit->count++] = (uint32_t)row;
            }
        }
}

/* --- visits --- */

/* The part of a visit that counts. False: it was too short for any. */
static bool core_of(const struct modes_times *times, const struct modes_view *view,
                    const struct modes_visit *visit, int64_t *ret_from, int64_t *ret_to)
{
    int64_t period = view->period_ns < 2000 * MODES_MS ? view->period_ns : 2000 * MODES_MS;
    int64_t from = visit->from_ns + times->early_ns + period;
    int64_t to = visit->to_ns - times->late_ns;
    if (from < view->kept.time_ns[0])
        from = view->kept.time_ns[0];
    *ret_from = from;
    *ret_to = to;
    return to > from && to - from >= 200 * MODES_MS;
}

/* Walks along the changes: how long the bit was 1 from `from` to `to`. */
struct walk {
    const struct modes_bit *bit;
    const int64_t *time_ns;
    size_t next;
    bool value;
};

static double share_of_ones(struct walk *walk, int64_t from, int64_t to)
{
    int64_t at = from, ones = 0;
    while (walk->next < walk->bit->count) {
        int64_t time_ns = walk->time_ns[walk->bit->row[walk->next]];
        if (time_ns >= to)
            break;
        if (time_ns > at) {
            ones += walk->value ? time_ns - at : 0;
            at = time_ns;
        }
        walk->value = !walk->value;
        walk->next++;
    }
    ones += walk->value ? to - at : 0;
    return (double)ones / (double)(to - from);
}

static void value_visits(const struct modes_times *times, const struct modes_view *view,
                         struct modes_bit *bit)
{
    struct walk walk = {bit, view->kept.time_ns, 0, bit->first};
    for (size_t i = 0; i < times->count; i++) {
        int64_t from, to;
        bit->on[i] = MODES_NOTHING;
        if (!core_of(times, view, &times->visit[i], &from, &to))
            continue;
        double ones = share_of_ones(&walk, from, to);
        bit->on[i] = ones >= 0.75 ? MODES_ONE : ones <= 0.25 ? MODES_ZERO : MODES_MIXED;
    }
}

/* The same on every visit of a label, but for the tolerance; and not the same for all labels. */
static bool follows_label(const struct modes_times *times, const struct modes_bit *bit)
{
    unsigned votes[LT_MARK_LABELS_MAX][2] = {{0}};
    size_t bad = 0;
    bool seen[2] = {false, false};
    for (size_t i = 0; i < times->count; i++)
        if (bit->on[i] == MODES_ZERO || bit->on[i] == MODES_ONE)
            votes[times->visit[i].label][bit->on[i]]++;
        else
            bad += bit->on[i] == MODES_MIXED;
    for (unsigned label = 0; label < times->label_count; label++) {
        unsigned zeros = votes[label][0], ones = votes[label][1];
        bad += zeros < ones ? zeros : ones;
        if (zeros + ones)
            seen[ones > zeros] = true;
    }
    return bad <= times->tolerance && seen[0] && seen[1];
}

/* Codes for "not available" at the start move bits that hold still on every visit. */
static uint8_t still_value(const struct modes_times *times, const struct modes_bit *bit)
{
    uint8_t value = MODES_NOTHING;
    for (size_t i = 0; i < times->count; i++) {
        if (bit->on[i] == MODES_MIXED ||
            (value != MODES_NOTHING && bit->on[i] != MODES_NOTHING && bit->on[i] != value))
            return 2;
        value = bit->on[i] != MODES_NOTHING ? bit->on[i] : value;
    }
    return value <= MODES_ONE ? value : 2;
}

static enum lt_code no_memory(struct lt_error *error)
{
    return lt_fail(error, LT_E_MEMORY, "no memory to look for modes");
}

enum lt_code modes_bits_make(const struct modes_times *times, const struct modes_view *view,
                             struct lt_arena *scratch, struct modes_bits *ret_bits,
                             struct lt_error *error)
{
    const struct lt_kept *kept = &view->kept;
    uint32_t changes[MODES_FRAME_BITS] = {0};
    struct modes_bit *of[MODES_FRAME_BITS] = {NULL};
    struct live wanted = {{0}};
    uint32_t most = (uint32_t)most_changes(times);
    size_t count = 0;
    if (kept->count >= 2)
        count_changes(kept, most, changes);
    for (unsigned i = 0; i < MODES_FRAME_BITS; i++)
        count += changes[i] > 0 && changes[i] <= most;
    struct modes_bits bits = {.bit = lt_arena_array(scratch, count + 1, sizeof *bits.bit)};
    if (!bits.bit)
        return no_memory(error);
    memset(bits.still, 2, sizeof bits.still);
    for (unsigned i = 0; kept->count && i < 8u * kept->key.length; i++)
        if (changes[i] == 0)
            bits.still[i] = bit_at(kept, 0, i);
    for (unsigned i = 0; i < MODES_FRAME_BITS; i++) {
        if (changes[i] == 0 || changes[i] > most)
            continue;
        struct modes_bit *bit = &bits.bit[bits.count++];
        bit->position = (uint16_t)i;
        bit->first = bit_at(kept, 0, i);
        bit->row = lt_arena_array(scratch, changes[i], sizeof *bit->row);
        bit->on = lt_arena_array(scratch, times->count + 1, 1);
        if (!bit->row || !bit->on)
            return no_memory(error);
        wanted.word[i / 64] |= UINT64_C(1) << i % 64;
        of[i] = bit;
    }
    if (count)
        list_changes(kept, &wanted, of);
    for (size_t i = 0; i < bits.count; i++) {
        value_visits(times, view, &bits.bit[i]);
        /* With presses, what changes at them follows; the chance decides. */
        bits.still[bits.bit[i].position] = still_value(times, &bits.bit[i]);
        bits.bit[i].follows = times->presses || follows_label(times, &bits.bit[i]);
    }
    *ret_bits = bits;
    return LT_OK;
}
