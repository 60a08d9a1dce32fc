/* What a frame does while the capture is read: how often it comes, whether its counter counts and
 * its checksum holds. */
#include "prove/inside.h"

#include <string.h>

/* A gap of so many periods and a half means that frames are missing. */
#define GAP_PERIODS 1.6
/* More than so many: its sender had stopped. */
#define PAUSE_PERIODS 20
#define LOST_PERIODS  4
#define PAUSE_NS      NS_PER_S
#define GAPS_FULL     4096
/* Bytes of frames that have a table of their checksum, of 64 bytes each. */
#define TABLE_BYTES_MAX 32768

bool frame_watch_init(struct lt_prove *prove, uint32_t frame)
{
    struct frame_watch *watch = &prove->frames[frame];
    watch->def = &prove->profile->frames[frame];
    watch->last_ns = LT_NO_TIME;
    watch->counter_bottom = UINT32_MAX;
    watch->due_ns =
        watch->def->period_ns ? (int64_t)(GAP_PERIODS * (double)watch->def->period_ns) : INT64_MAX;
    watch->last_len = NO_FRAME;
    watch->is_pgn = watch->def->is_pgn;
    watch->length =
        (uint16_t)(watch->def->length < LT_FRAME_MAX ? watch->def->length : LT_FRAME_MAX);
    watch->counter_modulus = watch->def->counter.modulus;
    watch->counter_step = watch->def->counter.step;
    watch->counter_length =
        watch->def->counter.present ? lt_bits_length(&watch->def->counter.bits) : 0;
    if (watch->def->counter.present)
        watch->neighbour_count = find_neighbours(prove->profile, frame, &watch->def->counter.bits,
                                                 LT_NONE, watch->neighbour);
    return true;
}

/* Of a frame that several send, the first sender's; the others are counted. */
static bool is_sender(struct frame_watch *watch, const struct lt_frame *frame)
{
    uint32_t source = watch->is_pgn ? frame->id & 0xFF : 0;
    if (watch->has_bus)
        return watch->source == source && watch->bus == frame->bus;
    if (!watch->has_source) {
        watch->has_source = true;
        watch->source = source;
    }
    if (watch->source != source)
        return false;
    watch->has_bus = true;
    watch->bus = frame->bus;
    return true;
}

/* Of very many gaps one in eight is counted by size: between the first two frames of eight. */
static void take_gap(struct lt_prove *prove, struct frame_watch *watch, int64_t time_ns)
{
    if (watch->timing.gaps >= GAPS_FULL) {
        unsigned of_eight = watch->count % 8;
        if (of_eight > 1)
            return;
        if (of_eight == 0)
            lt_timing_counts_break(&watch->timing);
    }
    if (!lt_timing_counts_add(&watch->timing, time_ns))
        prove->failed_memory = true;
}

static void take_late(struct frame_watch *watch, int64_t gap_ns)
{
    double periods = (double)gap_ns / (double)watch->def->period_ns;
    if (periods > PAUSE_PERIODS || (periods > LOST_PERIODS && gap_ns > PAUSE_NS))
        watch->pauses++;
    else
        watch->skipped = (uint64_t)(periods + 0.5) - 1;
}

/* With a silence of the bus left out. */
static void take_any_time(struct frame_watch *watch, int64_t time_ns, int64_t quiet_ns)
{
    watch->skipped = 0;
    if (time_ns == LT_NO_TIME)
        return;
    if (watch->last_ns != LT_NO_TIME && time_ns > watch->last_ns) {
        int64_t gap_ns = gap_between(watch->last_ns, time_ns) - (quiet_ns - watch->last_quiet_ns);
        if (gap_ns > watch->longest_ns)
            watch->longest_ns = gap_ns;
        if (gap_ns > watch->due_ns)
            take_late(watch, gap_ns);
    }
    watch->missing += watch->skipped;
    watch->last_ns = time_ns;
    watch->last_quiet_ns = quiet_ns;
}

static inline void take_time(struct lt_prove *prove, struct frame_watch *watch,
                             const struct lt_frame *frame)
{
    int64_t quiet_ns = prove->live[frame->bus].quiet_ns;
    /* As a number without sign, so that it cannot overflow; after no time at all it is huge. */
    uint64_t gap_ns = (uint64_t)frame->time_ns - (uint64_t)watch->last_ns;
    take_gap(prove, watch, frame->time_ns);
    if (gap_ns > (uint64_t)watch->longest_ns || gap_ns > (uint64_t)watch->due_ns ||
        quiet_ns != watch->last_quiet_ns) {
        take_any_time(watch, frame->time_ns, quiet_ns);
        return;
    }
    watch->skipped = 0;
    watch->last_ns = frame->time_ns;
}

static bool take_counter(struct frame_watch *watch, const struct lt_frame_plan *plan,
                         const struct lt_frame *frame)
{
    uint32_t modulus = watch->counter_modulus, step = watch->counter_step;
    if (frame->len < plan->counter.end_byte)
        return false;
    uint32_t value = (uint32_t)lt_field_fetch(&plan->counter, frame->data);
    uint32_t before = watch->counter;
    bool known = watch->has_counter;
    if (watch->neighbour_count)
        neighbours_take(watch->neighbour, watch->neighbour_count, frame, LT_UNSIGNED,
                        watch->counter_length, known, value, before);
    watch->counter = value;
    watch->has_counter = true;
    watch->counter_top = value > watch->counter_top ? value : watch->counter_top;
    watch->counter_bottom = value < watch->counter_bottom ? value : watch->counter_bottom;
    watch->counter_high += value >= modulus;
    if (!known)
        return false;
    watch->counter_steps++;
    watch->counter_wraps += value < before;
    uint32_t next = before + step;
    if (value == before) {
        watch->counter_still++;
        return true;
    }
    if (value == (next >= modulus ? next - modulus : next)) {
        watch->counter_good++;
        return false;
    }
    uint32_t moved = (value + modulus - before % modulus) % modulus;
    if (moved == step)
        watch->counter_good++;
    else if (watch->skipped && moved == (watch->skipped + 1) * step % modulus)
        watch->counter_lost++;
    else {
        watch->counter_odd++;
        watch->counter_odd_step = moved;
    }
    return false;
}

/* By the table, where it is of such frames. */
static enum lt_verdict verify(struct lt_prove *prove, struct frame_watch *watch,
                              const struct lt_frame_plan *plan, const struct lt_frame *frame)
{
    struct check_table *table = &watch->table;
    if (plan->checksum_count != 1)
        return lt_frame_plan_verify(plan, frame);
    if (!table->tried && frame->len == watch->length && prove->table_bytes < TABLE_BYTES_MAX) {
        prove->table_bytes += frame->len;
        if (!check_table_make(&prove->arena, plan->checksums, frame, table))
            prove->failed_memory = true;
    }
    if (table->ready && frame->len == table->len && frame->id == table->id)
        return check_table_holds(table, frame->data) ? LT_CHECK_GOOD : LT_CHECK_BAD;
    return lt_frame_plan_verify(plan, frame);
}

static bool take_checksum(struct lt_prove *prove, struct frame_watch *watch,
                          const struct lt_frame_plan *plan, const struct lt_frame *frame)
{
    switch (verify(prove, watch, plan, frame)) {
    case LT_CHECK_GOOD:
        watch->check_good++;
        return false;
    case LT_CHECK_BAD:
        watch->check_bad++;
        return true;
    case LT_CHECK_SHORT:
        watch->check_short++;
        return true;
    case LT_CHECK_NONE:
        break;
    }
    return false;
}

/* A counter or checksum that is stated wrongly says nothing about the frame's values: they are
 * suspect only where it holds for most frames so far. */
static bool is_suspect(const struct frame_watch *watch, bool still, bool failed)
{
    if (!still && !failed)
        return false;
    bool counts = 2 * watch->counter_still < watch->counter_steps;
    bool holds = watch->check_bad <= watch->check_good / 4;
    return (still && counts) || (failed && holds);
}

void frame_watch_take(struct lt_prove *prove, struct frame_watch *watch,
                      const struct lt_frame_plan *plan, const struct lt_frame *frame)
{
    bool still = false, failed = false;
    if (!is_sender(watch, frame)) {
        watch->of_others++;
        return;
    }
    watch->count++;
    if (frame->flags & LT_FRAME_SENT)
        watch->own_sent++;
    take_time(prove, watch, frame);
    if (frame->len != watch->length) {
        watch->other_length++;
        watch->other_len = frame->len;
        /* Among frames as stated it is another one. */
        if (2 * watch->other_length < watch->count) {
            frame_fields_take(prove, watch, plan, frame, true);
            return;
        }
    }
    if (plan->has_counter)
        still = take_counter(watch, plan, frame);
    if (plan->checksum_count)
        failed = take_checksum(prove, watch, plan, frame);
    if (!frame_fields_take(prove, watch, plan, frame, is_suspect(watch, still, failed)))
        prove->failed_memory = true;
}
