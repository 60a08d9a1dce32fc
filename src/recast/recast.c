/* Frames from files to a writer: see loomtap/recast/recast.h for the order of the steps. */
#include <stdlib.h>
#include <string.h>

#include "recast/inside.h"

#define USUAL_WINDOW_NS 1000000000
#define NEVER           INT64_MIN /* no frame yet */

struct source {
    const char *path;
    struct lt_reader *reader; /* NULL: not opened, or ended */
    struct lt_reader_counts counts;
    int64_t shift_ns;
    int64_t high_ns; /* the latest time read */
    struct source_bus *buses;
};

struct lt_recast {
    struct lt_recast_options options;
    struct lt_reader_options reading;
    struct source *sources;
    size_t count;
    struct lt_recast_counts counts;
    struct order order;
    struct hide *hide;
    struct lt_writer *writer;
    uint64_t number;    /* frames read, for the order of equal times */
    int64_t out_ns;     /* ordered: the latest time let out */
    int64_t first_ns;   /* of the stream: what --from counts from */
    int64_t last_ns;    /* of the frame written before */
    int64_t written_ns; /* time of the first frame written, before rebasing */
    int64_t from_ns, to_ns;
    bool *renames_met, *buses_met;
    bool failed;       /* writing */
    enum lt_code code; /* the first error of an input */
    struct lt_error error;
    struct held plain; /* the frame read last */
};

/* --- life --- */

static int64_t add_capped(int64_t a, int64_t b)
{
    int64_t sum;
    if (__builtin_add_overflow(a, b, &sum))
        return b < 0 ? INT64_MIN + 1 : INT64_MAX;
    return sum == LT_NO_TIME ? sum + 1 : sum;
}

static enum lt_code check_options(const struct lt_recast_options *options, size_t count,
                                  struct lt_error *error)
{
    if (count == 0)
        return lt_fail(error, LT_E_MISSING, "no capture is named");
    if (options->merge && count > LT_RECAST_MERGE_MAX) {
        lt_fail(error, LT_E_LIMIT, "%zu files are to be merged; %d are the most at once", count,
                LT_RECAST_MERGE_MAX);
        lt_error_advise(error, "merge some of them first");
        return LT_E_LIMIT;
    }
    for (size_t i = 0; i < options->shift_count; i++)
        if (options->shifts[i].source > count)
            return lt_fail(error, LT_E_RANGE, "a shift is for file %zu, but there are %zu",
                           options->shifts[i].source, count);
    for (size_t i = 0; i < options->rename_count; i++)
        if (options->renames[i].source > count)
            return lt_fail(error, LT_E_RANGE, "a bus name is for file %zu, but there are %zu",
                           options->renames[i].source, count);
    return LT_OK;
}

static void init_sources(struct lt_recast *recast, const char *const *paths)
{
    for (size_t i = 0; i < recast->count; i++) {
        struct source *source = &recast->sources[i];
        *source = (struct source){.path = paths[i], .high_ns = NEVER};
        for (size_t k = 0; k < recast->options.shift_count; k++)
            if (recast->options.shifts[k].source == 0 || recast->options.shifts[k].source == i + 1)
                source->shift_ns = add_capped(source->shift_ns, recast->options.shifts[k].ns);
    }
}

static void give(void *context, const struct held *held);

enum lt_code lt_recast_new(struct lt_recast **ret_recast, const char *const *paths, size_t count,
                           const struct lt_reader_options *reading,
                           const struct lt_recast_options *options, struct lt_error *error)
{
    enum lt_code code = check_options(options, count, error);
    if (code != LT_OK)
        return code;
    struct lt_recast *recast = calloc(1, sizeof *recast);
    if (!recast)
        return lt_fail(error, LT_E_MEMORY, "out of memory for recasting");
    recast->options = *options;
    if (recast->options.window_ns == 0)
        recast->options.window_ns = USUAL_WINDOW_NS;
    if (reading)
        recast->reading = *reading;
    recast->count = count;
    recast->out_ns = NEVER;
    recast->first_ns = recast->written_ns = recast->last_ns = LT_NO_TIME;
    order_init(&recast->order, LT_RECAST_HELD_MAX);
    recast->sources = calloc(count, sizeof *recast->sources);
    recast->renames_met = calloc(options->rename_count + 1, sizeof *recast->renames_met);
    recast->buses_met = calloc(options->bus_count + 1, sizeof *recast->buses_met);
    if (options->hide)
        recast->hide = hide_new(give, recast, &recast->counts);
    if (!recast->sources || !recast->renames_met || !recast->buses_met ||
        (options->hide && !recast->hide)) {
        lt_recast_free(recast);
        return lt_fail(error, LT_E_MEMORY, "out of memory for recasting");
    }
    init_sources(recast, paths);
    *ret_recast = recast;
    return LT_OK;
}

static void free_source(struct source *source)
{
    lt_reader_free(source->reader);
    for (size_t i = 0; source->buses && i < LT_BUSES_MAX; i++)
        free(source->buses[i].name);
    free(source->buses);
}

void lt_recast_free(struct lt_recast *recast)
{
    if (!recast)
        return;
    for (size_t i = 0; recast->sources && i < recast->count; i++)
        free_source(&recast->sources[i]);
    free(recast->sources);
    free(recast->renames_met);
    free(recast->buses_met);
    order_release(&recast->order);
    hide_free(recast->hide);
    free(recast);
}

/* --- buses --- */

static bool wants_bus(struct lt_recast *recast, const char *name)
{
    bool wanted = recast->options.bus_count == 0;
    for (size_t i = 0; i < recast->options.bus_count; i++) {
        if (strcmp(recast->options.buses[i], name) == 0) {
            recast->buses_met[i] = true;
            wanted = true;
        }
    }
    return wanted;
}

static char *new_name_of(struct lt_recast *recast, size_t source, const char *name)
{
    for (size_t i = 0; i < recast->options.rename_count; i++) {
        const struct lt_bus_rename *rename = &recast->options.renames[i];
        if ((rename->source == 0 || rename->source == source + 1) &&
            lt_text_is(rename->from, name)) {
            recast->renames_met[i] = true;
            return strndup(rename->to.at, rename->to.len);
        }
    }
    return strdup(name);
}

static const struct source_bus *bus_of(struct lt_recast *recast, size_t source, uint16_t number)
{
    struct source_bus *bus = &recast->sources[source].buses[number];
    if (bus->name)
        return bus;
    const char *name = lt_reader_bus_name(recast->sources[source].reader, number);
    bus->wanted = wants_bus(recast, name);
    bus->name = new_name_of(recast, source, name);
    return bus->name ? bus : NULL;
}

/* --- the last steps of a frame --- */

static void set_time(struct lt_frame *frame, int64_t time_ns)
{
    frame->time_ns = time_ns;
    frame->time_text = NULL;
    frame->time_len = 0;
}

static void count_step(struct lt_recast *recast, int64_t time_ns)
{
    if (time_ns == LT_NO_TIME)
        return;
    if (time_ns < recast->last_ns) {
        recast->counts.steps_back++;
        if (recast->last_ns - time_ns > recast->counts.step_most_ns)
            recast->counts.step_most_ns = recast->last_ns - time_ns;
    }
    recast->last_ns = time_ns;
}

/* Rebased, renamed, written. */
static void give(void *context, const struct held *held)
{
    struct lt_recast *recast = context;
    struct lt_frame frame = held->frame;
    if (recast->failed)
        return;
    if (recast->options.rebase && frame.time_ns != LT_NO_TIME) {
        if (recast->written_ns == LT_NO_TIME)
            recast->written_ns = frame.time_ns;
        set_time(&frame, add_capped(frame.time_ns - recast->written_ns, recast->options.rebase_ns));
    }
    count_step(recast, frame.time_ns);
    recast->failed = !lt_writer_put(recast->writer, &frame, held->bus->name);
    recast->counts.written++;
}

/* Span and filters; in the order of the output. */
static void pass(struct lt_recast *recast, const struct held *held)
{
    const struct lt_frame *frame = &held->frame;
    if (recast->first_ns == LT_NO_TIME && frame->time_ns != LT_NO_TIME) {
        recast->first_ns = frame->time_ns;
        recast->from_ns = lt_time_bound_ns(&recast->options.from, frame->time_ns, INT64_MIN);
        recast->to_ns = lt_time_bound_ns(&recast->options.to, frame->time_ns, INT64_MAX);
    }
    bool spanned = recast->options.from.given || recast->options.to.given;
    if (spanned && (frame->time_ns < recast->from_ns || frame->time_ns > recast->to_ns))
        recast->counts.outside_span++;
    else if (!held->bus->wanted)
        recast->counts.other_bus++;
    else if (!recast_wants_id(&recast->options, frame))
        recast->counts.other_id++;
    else if (recast->hide)
        hide_feed(recast->hide, held);
    else
        give(recast, held);
}

/* --- inputs --- */

static void note_error(struct lt_recast *recast, enum lt_code code, const struct lt_error *error)
{
    if (recast->code != LT_OK)
        return;
    recast->code = code;
    recast->error = *error;
}

static bool open_source(struct lt_recast *recast, struct source *source)
{
    struct lt_error error;
    if (!source->buses)
        source->buses = calloc(LT_BUSES_MAX, sizeof *source->buses);
    if (!source->buses) {
        lt_fail(&error, LT_E_MEMORY, "out of memory for the names of buses");
        note_error(recast, LT_E_MEMORY, &error);
        return false;
    }
    enum lt_code code = lt_reader_open(&source->reader, source->path, &recast->reading, &error);
    if (code != LT_OK)
        note_error(recast, code, &error);
    return code == LT_OK;
}

static void end_source(struct lt_recast *recast, struct source *source)
{
    struct lt_error error;
    enum lt_code code = lt_reader_end(source->reader, &error);
    if (code != LT_OK)
        note_error(recast, code, &error);
    source->counts = *lt_reader_counts(source->reader);
    lt_reader_free(source->reader);
    source->reader = NULL;
}

/* The next frame of a source into *held, its clock shifted; false at its end. */
static bool read_frame(struct lt_recast *recast, struct source *source, struct held *held)
{
    const struct lt_frame *frame = lt_reader_next(source->reader);
    struct lt_error error;
    if (!frame) {
        end_source(recast, source);
        return false;
    }
    hold(held, frame);
    held->source = (uint32_t)(source - recast->sources);
    held->number = recast->number++;
    held->bus = bus_of(recast, held->source, frame->bus);
    if (!held->bus) {
        lt_fail(&error, LT_E_MEMORY, "out of memory for the names of buses");
        note_error(recast, LT_E_MEMORY, &error);
        return false;
    }
    if (source->shift_ns != 0 && frame->time_ns != LT_NO_TIME)
        set_time(&held->frame, add_capped(frame->time_ns, source->shift_ns));
    recast->counts.read++;
    return true;
}

static void run_in_file_order(struct lt_recast *recast)
{
    for (size_t i = 0; i < recast->count && recast->code == LT_OK && !recast->failed; i++) {
        if (!open_source(recast, &recast->sources[i]))
            return;
        while (!recast->failed && read_frame(recast, &recast->sources[i], &recast->plain))
            pass(recast, &recast->plain);
    }
}

/* --- in order of time ---
 *
 * The source that is behind the others is read next. A frame may go out when every source has read
 * to at least a window behind it, so nothing that is displaced by less can come before it. */

static struct source *most_behind(struct lt_recast *recast)
{
    struct source *behind = NULL;
    for (size_t i = 0; i < recast->count; i++) {
        struct source *source = &recast->sources[i];
        if (source->reader && (!behind || source->high_ns < behind->high_ns))
            behind = source;
    }
    return behind;
}

static void let_out_first(struct lt_recast *recast)
{
    const struct held *first = order_first(&recast->order);
    if (first->key_ns < recast->out_ns) {
        recast->counts.late++;
        if (recast->out_ns - first->key_ns > recast->counts.late_most_ns)
            recast->counts.late_most_ns = recast->out_ns - first->key_ns;
    } else {
        recast->out_ns = first->key_ns;
    }
    pass(recast, first);
    order_drop_first(&recast->order);
}

static void let_out(struct lt_recast *recast, int64_t high_ns)
{
    const struct held *first;
    while (!recast->failed && (first = order_first(&recast->order)) != NULL &&
           (first->key_ns < recast->out_ns ||
            (high_ns > NEVER && first->key_ns <= add_capped(high_ns, -recast->options.window_ns))))
        let_out_first(recast);
}

static bool hold_next(struct lt_recast *recast, struct source *source)
{
    struct lt_error error;
    if (!read_frame(recast, source, &recast->plain))
        return true;
    if (recast->order.count == LT_RECAST_HELD_MAX) {
        recast->counts.let_go++;
        let_out_first(recast);
    }
    struct held *held = order_room(&recast->order);
    if (!held) {
        lt_fail(&error, LT_E_MEMORY, "out of memory for putting frames in order");
        note_error(recast, LT_E_MEMORY, &error);
        return false;
    }
    *held = recast->plain;
    if (held->frame.time_text)
        held->frame.time_text = held->time_text;
    if (held->frame.time_ns != LT_NO_TIME) {
        recast->counts.repaired += held->frame.time_ns < source->high_ns;
        held->key_ns = held->frame.time_ns;
    } else { /* stays where it is */
        held->key_ns = source->high_ns == NEVER ? 0 : source->high_ns;
    }
    if (held->key_ns > source->high_ns)
        source->high_ns = held->key_ns;
    order_put(&recast->order);
    return true;
}

/* Memory ran out, or a strict reader stopped: nothing more is read. A file that is cut ends, and
 * the others go on. */
static bool must_stop(const struct lt_recast *recast)
{
    return recast->failed || recast->code == LT_E_MEMORY || recast->code == LT_E_SYNTAX;
}

static void run_merged(struct lt_recast *recast)
{
    struct source *source;
    for (size_t i = 0; i < recast->count; i++)
        if (!open_source(recast, &recast->sources[i]))
            return;
    while (!must_stop(recast) && (source = most_behind(recast)) != NULL) {
        if (!hold_next(recast, source))
            break;
        source = most_behind(recast);
        if (source)
            let_out(recast, source->high_ns);
    }
}

static void run_repaired(struct lt_recast *recast)
{
    int64_t high_ns = NEVER;
    for (size_t i = 0; i < recast->count && recast->code == LT_OK && !recast->failed; i++) {
        struct source *source = &recast->sources[i];
        source->high_ns = high_ns;
        if (!open_source(recast, source))
            break;
        while (!must_stop(recast) && source->reader && hold_next(recast, source))
            let_out(recast, source->high_ns);
        high_ns = source->high_ns;
    }
}

enum lt_code lt_recast_run(struct lt_recast *recast, struct lt_writer *writer,
                           struct lt_error *error)
{
    recast->writer = writer;
    if (recast->options.merge)
        run_merged(recast);
    else if (recast->options.repair)
        run_repaired(recast);
    else
        run_in_file_order(recast);
    while (!recast->failed && order_first(&recast->order))
        let_out_first(recast);
    if (recast->hide)
        hide_end(recast->hide);
    for (size_t i = 0; i < recast->count; i++)
        if (recast->sources[i].reader)
            recast->sources[i].counts = *lt_reader_counts(recast->sources[i].reader);
    uint64_t late = recast->counts.late < recast->counts.repaired ? recast->counts.late
                                                                  : recast->counts.repaired;
    recast->counts.repaired -= late;
    if (error && recast->code != LT_OK)
        *error = recast->error;
    return recast->code;
}

const struct lt_recast_counts *lt_recast_counts(const struct lt_recast *recast)
{
    return &recast->counts;
}

const struct lt_reader_counts *lt_recast_source(const struct lt_recast *recast, size_t index)
{
    return &recast->sources[index].counts;
}

bool lt_recast_rename_was_met(const struct lt_recast *recast, size_t index)
{
    return recast->renames_met[index];
}

bool lt_recast_bus_was_met(const struct lt_recast *recast, size_t index)
{
    return recast->buses_met[index];
}
