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

bool frame_watch_init(struct lt_prove *prove, uint32_t frame)
{
    struct frame_watch *watch = &prove->frames[frame];
    watch->def = &prove->profile->frames[frame];
    watch->last_ns = LT_NO_TIME;
    if (watch->def->counter.present)
        watch->neighbour_count = find_neighbours(prove->profile, frame, &watch->def->counter.bits,
                                                 LT_NONE, watch->neighbour);
    return true;
}

/* Of a frame that several send, the first sender's; the others are counted. */
static bool is_sender(struct frame_watch *watch, const struct lt_frame *frame)
{
    uint32_t source = watch->def->is_pgn ? frame->id & 0xFF : 0;
    if (!watch->has_source) {
        watch->has_source = true;
        watch->source = source;
    }
    if (!watch->has_bus && watch->source == source) {
        watch->has_bus = true;
        watch->bus = frame->bus;
    }
    return watch->has_bus && watch->source == source && watch->bus == frame->bus;
}

static void take_time(struct lt_prove *prove, struct frame_watch *watch,
                      const struct lt_frame *frame)
{
    const struct live_bus *live = &prove->live[frame->bus];
    if (!lt_timing_counts_add(&watch->timing, frame->time_ns))
        prove->failed_memory = true;
    watch->skipped = 0;
    if (frame->time_ns == LT_NO_TIME)
        return;
    if (watch->last_ns != LT_NO_TIME && frame->time_ns > watch->last_ns) {
        int64_t gap_ns =
            gap_between(watch->last_ns, frame->time_ns) - (live->quiet_ns - watch->last_quiet_ns);
        double periods = watch->def->period_ns ? (double)gap_ns / (double)watch->def->period_ns : 0;
        if (gap_ns > watch->longest_ns)
            watch->longest_ns = gap_ns;
        if (periods > PAUSE_PERIODS || (periods > LOST_PERIODS && gap_ns > PAUSE_NS))
            watch->pauses++;
        else if (periods > GAP_PERIODS)
            watch->skipped = (uint64_t)(periods + 0.5) - 1;
    }
    watch->missing += watch->skipped;
    watch->last_ns = frame->time_ns;
    watch->last_quiet_ns = live->quiet_ns;
}

static bool take_counter(struct frame_watch *watch, const struct lt_frame_plan *plan,
                         const struct lt_frame *frame)
{
    const struct lt_counter_def *def = &watch->def->counter;
    if (frame->len < plan->counter.end_byte)
        return false;
    uint32_t value = (uint32_t)lt_field_fetch(&plan->counter, frame->data);
    uint32_t before = watch->counter;
    bool known = watch->has_counter;
    neighbours_take(watch->neighbour, watch->neighbour_count, frame, LT_UNSIGNED,
                    lt_bits_length(&def->bits), known, value, before);
    watch->counter = value;
    watch->has_counter = true;
    watch->counter_top = value > watch->counter_top ? value : watch->counter_top;
    watch->counter_high += value >= def->modulus;
    if (!known)
        return false;
    watch->counter_steps++;
    watch->counter_wraps += value < before;
    uint32_t moved = (value + def->modulus - before % def->modulus) % def->modulus;
    if (value == before)
        watch->counter_still++;
    else if (moved == def->step)
        watch->counter_good++;
    else if (watch->skipped && moved == (watch->skipped + 1) * def->step % def->modulus)
        watch->counter_lost++;
    else {
        watch->counter_odd++;
        watch->counter_odd_step = moved;
    }
    return value == before;
}

static bool take_checksum(struct frame_watch *watch, const struct lt_frame_plan *plan,
                          const struct lt_frame *frame)
{
    switch (lt_frame_plan_verify(plan, frame)) {
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
    bool counts = 2 * watch->counter_still < watch->counter_steps;
    bool holds = watch->check_bad <= watch->check_good / 4;
    return (still && counts) || (failed && holds);
}

static void take_contents(struct frame_watch *watch, const struct lt_frame *frame)
{
    bool same =
        watch->content_len == frame->len && memcmp(watch->content, frame->data, frame->len) == 0;
    if (same && watch->contents)
        return;
    watch->contents++;
    watch->content_len = frame->len;
    memcpy(watch->content, frame->data, frame->len);
}

bool frame_watch_take(struct lt_prove *prove, struct frame_watch *watch,
                      const struct lt_frame_plan *plan, const struct lt_frame *frame)
{
    bool still = false, failed = false;
    if (!is_sender(watch, frame)) {
        watch->of_others++;
        return true;
    }
    watch->count++;
    take_time(prove, watch, frame);
    if (frame->len != watch->def->length) {
        watch->other_length++;
        watch->other_len = frame->len;
        /* Among frames as stated it is another one. */
        if (2 * watch->other_length < watch->count)
            return true;
    }
    if (plan->has_counter)
        still = take_counter(watch, plan, frame);
    if (plan->checksum_count) {
        if (watch->contents < CONTENTS_LEAST)
            take_contents(watch, frame);
        failed = take_checksum(watch, plan, frame);
    }
    return is_suspect(watch, still, failed);
}
