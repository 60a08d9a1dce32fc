/* Which of a frame's fields are looked at when it comes: those whose bytes changed.
 *
 * The fields on every page lie in a list with a word of the bits that each cares for (its own, and
 * those just above it). The frame is held against the one before; where no cared-for bit differs,
 * a frame more is counted and that is all, since every signal settles its count at its next change.
 * Fields on pages count for themselves: their page is not in every frame. */
#include <string.h>

#include "loomtap/base/bytes.h"
#include "prove/inside.h"

/* A run of one content this long, in which other frames had so much news, is no chance. */
#define REPEATED_FRAMES 20
#define REPEATED_NEWS   20

/* What is not done for every frame is kept out of the way of what is. */
#define AWAY __attribute__((noinline))

/* --- making ready --- */

struct extent {
    unsigned first, last; /* bytes */
    uint16_t position[LT_FRAME_MAX + NEIGHBOURS_MAX + 1];
    size_t count;
};

static void reach(struct extent *extent, unsigned position)
{
    unsigned byte = position / 8;
    extent->first = !extent->count || byte < extent->first ? byte : extent->first;
    extent->last = !extent->count || byte > extent->last ? byte : extent->last;
    extent->position[extent->count++] = (uint16_t)position;
}

/* Bits of one 8-byte word from the first byte on; 0 where they do not fit into it. */
static void set_care(struct glance *glance, const struct signal_watch *watch, unsigned length)
{
    const struct lt_bits *bits = &watch->def->bits;
    struct extent extent = {.count = 0};
    for (unsigned p = 0; p < bits->parts; p++)
        for (unsigned n = 0; n < lt_span_length(bits->part[p]); n++)
            reach(&extent, lt_span_position(bits->part[p], n));
    for (size_t i = 0; i < watch->neighbour_count; i++)
        reach(&extent, watch->neighbour[i].position);
    glance->first_byte = length <= 8 ? 0 : (uint16_t)extent.first;
    if (extent.last - glance->first_byte >= 8)
        return;
    for (size_t i = 0; i < extent.count; i++)
        glance->care |= (uint64_t)1 << (extent.position[i] - 8 * glance->first_byte);
}

static bool add_glance(struct lt_prove *prove, struct frame_watch *watch,
                       const struct lt_field *field)
{
    if (field->page_set) {
        watch->has_pages = true;
        return false;
    }
    if (field->end_byte > LT_FRAME_MAX) /* no frame has so much */
        return false;
    struct glance *glance = &watch->glances[watch->glance_count++];
    *glance = (struct glance){.field = *field, .watch = &prove->signals[field->signal]};
    glance->watch->taken = &watch->taken;
    set_care(glance, glance->watch, watch->def->length);
    watch->care |= glance->care ? glance->care : UINT64_MAX;
    return true;
}

/* The place where the fields of a plan lie is the same in each capture, the plan is not. */
bool frame_fields_bind(struct lt_prove *prove, const struct lt_frame_plan *plan)
{
    struct frame_watch *watch = &prove->frames[plan->def - prove->profile->frames];
    if (!watch->glances)
        watch->glances = lt_arena_array(&prove->arena, plan->field_count, sizeof *watch->glances);
    if (!watch->glances)
        return plan->field_count == 0;
    watch->glance_count = watch->role_count = 0;
    watch->has_pages = false;
    watch->care = watch->sample_due = 0;
    for (unsigned i = 0; i < plan->field_count; i++)
        if (prove->signals[plan->fields[i].signal].def->role)
            watch->role_count += add_glance(prove, watch, &plan->fields[i]);
    for (unsigned i = 0; i < plan->field_count; i++)
        if (!prove->signals[plan->fields[i].signal].def->role)
            add_glance(prove, watch, &plan->fields[i]);
    if (!watch->role_count)
        watch->sample_due = UINT64_MAX;
    else if (!watch->sample_every)
        watch->sample_every = watch->glances[0].watch->samples.every;
    return true;
}

/* --- taking --- */

/* Every field, whatever changed: the first frame of a run, or one of another length. */
static AWAY void look_at_all(struct frame_watch *watch, const struct lt_frame *frame)
{
    for (size_t i = 0; i < watch->glance_count; i++) {
        struct glance *glance = &watch->glances[i];
        if (frame->len < glance->field.end_byte)
            signal_watch_skip(glance->watch);
        else
            signal_watch_take(glance->watch, frame, lt_field_fetch(&glance->field, frame->data));
    }
}

static void look_at_changed(struct frame_watch *watch, const struct lt_frame *frame)
{
    for (size_t i = 0; i < watch->glance_count; i++) {
        struct glance *glance = &watch->glances[i];
        uint64_t changed = lt_load64_le(frame->data + glance->first_byte) ^
                           lt_load64_le(watch->last + glance->first_byte);
        if (glance->care && !(changed & glance->care))
            continue;
        signal_watch_take(glance->watch, frame, lt_field_fetch(&glance->field, frame->data));
    }
}

static bool is_same(const struct frame_watch *watch, const struct lt_frame *frame)
{
    if (frame->len != watch->last_len)
        return false;
    if (frame->len != 8)
        return memcmp(frame->data, watch->last, frame->len) == 0;
    return lt_load64_le(frame->data) == lt_load64_le(watch->last);
}

static bool is_cared_for(const struct frame_watch *watch, const struct lt_frame *frame)
{
    return frame->len > 8 ||
           ((lt_load64_le(frame->data) ^ lt_load64_le(watch->last)) & watch->care) != 0;
}

/* The run of frames with one content that ends here, if it is the longest so far. */
void frame_run_end(struct lt_prove *prove, struct frame_watch *watch)
{
    struct run *run = &watch->run;
    uint64_t news = prove->news - run->news;
    if (run->frames > watch->longest.frames) {
        watch->longest = *run;
        watch->longest.news = news;
    }
    double seconds = (double)gap_between(run->from_ns, run->to_ns) / (double)NS_PER_S;
    if (run->frames >= REPEATED_FRAMES && news >= REPEATED_NEWS && run->from_ns != LT_NO_TIME &&
        seconds > prove->limit[LT_LIMIT_REPEATED]) {
        watch->repeats++;
        watch->repeated_frames += run->frames;
    }
    run->frames = 0;
    watch->last_len = NO_FRAME;
}

static void take_news(struct lt_prove *prove, struct frame_watch *watch, int64_t time_ns)
{
    if (watch->run.frames)
        frame_run_end(prove, watch);
    watch->news++;
    prove->news++;
    watch->run.from_ns = time_ns;
    watch->run.news = prove->news;
}

/* All of one frame are thinned alike. */
static AWAY bool take_samples(struct frame_watch *watch, int64_t time_ns)
{
    struct glance *end = watch->glances + watch->role_count;
    bool fine = true;
    for (struct glance *glance = watch->glances; glance < end; glance++) {
        struct samples *samples = &glance->watch->samples;
        samples->every = watch->sample_every;
        fine = signal_watch_sample(glance->watch, time_ns) && fine;
        watch->sample_every = samples->every;
    }
    watch->sample_due = watch->taken + watch->sample_every;
    return fine;
}

static bool sample_own(struct signal_watch *watch, int64_t time_ns)
{
    bool fine = signal_watch_sample(watch, time_ns);
    watch->sample_due = watch->own_taken + watch->samples.every;
    return fine;
}

static AWAY bool take_pages(struct lt_prove *prove, const struct lt_frame_plan *plan,
                            const struct lt_frame *frame, bool suspect)
{
    uint64_t pages = lt_frame_plan_pages(plan, frame->data, frame->len);
    bool fine = true;
    for (unsigned i = 0; i < plan->field_count; i++) {
        const struct lt_field *field = &plan->fields[i];
        struct signal_watch *watch = &prove->signals[field->signal];
        if (!field->page_set || !lt_field_on_page(field, pages))
            continue;
        if (suspect) {
            watch->suspect++;
            signal_watch_break(watch);
            continue;
        }
        watch->own_taken++;
        if (frame->len < field->end_byte) {
            signal_watch_skip(watch);
            continue;
        }
        signal_watch_take(watch, frame, lt_field_fetch(field, frame->data));
        if (watch->def->role && watch->own_taken >= watch->sample_due)
            fine = sample_own(watch, frame->time_ns) && fine;
    }
    return fine;
}

static AWAY void leave_out(struct frame_watch *watch)
{
    for (size_t i = 0; i < watch->glance_count; i++) {
        watch->glances[i].watch->suspect++;
        signal_watch_break(watch->glances[i].watch);
    }
    watch->has_last = false;
}

/* Sizes that are known when this is compiled: a move or two. */
static void keep(struct frame_watch *watch, const struct lt_frame *frame)
{
    if (frame->len <= 8)
        memcpy(watch->last, frame->data, 8);
    else
        memcpy(watch->last, frame->data, LT_FRAME_MAX);
    watch->last_len = frame->len;
    watch->has_last = frame->len == watch->length;
}

bool frame_fields_take(struct lt_prove *prove, struct frame_watch *watch,
                       const struct lt_frame_plan *plan, const struct lt_frame *frame, bool suspect)
{
    bool fine = !watch->has_pages || take_pages(prove, plan, frame, suspect);
    bool same = is_same(watch, frame);
    if (same) {
        watch->run.frames++;
        watch->run.to_ns = frame->time_ns;
    } else {
        take_news(prove, watch, frame->time_ns);
    }
    if (suspect) {
        leave_out(watch);
        if (!same)
            keep(watch, frame);
        watch->has_last = false;
        return fine;
    }
    watch->taken++;
    if (!watch->has_last || !same) {
        if (!watch->has_last || frame->len != watch->length)
            look_at_all(watch, frame);
        else if (is_cared_for(watch, frame))
            look_at_changed(watch, frame);
        keep(watch, frame);
    }
    return watch->taken < watch->sample_due ? fine : take_samples(watch, frame->time_ns) && fine;
}
