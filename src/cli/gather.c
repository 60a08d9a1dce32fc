/* Captures into a collector (gather.h). A large file is parsed by several threads; the frames go to
 * the collector in the order of the file, whichever thread has the turn, so that nothing depends on
 * how many there are (loomtap/capture/pieces.h). */
#include "cli/gather.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "cli/captures.h"
#include "loomtap/capture/pieces.h"

/* One reading: which frames go where. */
struct pass {
    const struct gather_options *options;
    struct lt_reader *reader;
    struct lt_collect *collect; /* NULL: `take` alone has the frames */
    void (*take)(void *context, const struct lt_frame *frame);
    void *context;
    bool has_span;
    int64_t from_ns, to_ns;
    uint64_t number;             /* of the frame before: it starts anew with each file */
    int8_t wanted[LT_BUSES_MAX]; /* 0 not yet known, 1 yes, -1 no */
    uint64_t outside_span, other_buses;
    uint64_t frames, expected; /* read so far; in all, 0 not known */
    struct progress progress;
    enum lt_code code;
    struct lt_error error;
};

/* --- which frames --- */

static const char *name_in_capture(const char *said)
{
    const char *equals = strchr(said, '=');
    return equals ? equals + 1 : said;
}

static bool is_wanted(struct pass *pass, uint16_t bus)
{
    const struct list *buses = pass->options->buses;
    if (pass->wanted[bus])
        return pass->wanted[bus] > 0;
    bool wanted = !buses || !buses->count;
    for (size_t i = 0; buses && i < buses->count; i++)
        wanted |=
            strcmp(name_in_capture(buses->items[i]), lt_reader_bus_name(pass->reader, bus)) == 0;
    pass->wanted[bus] = wanted ? 1 : -1;
    return wanted;
}

/* A bound below the first time counts from the start: known with the first frame that has one. */
static bool in_span(struct pass *pass, int64_t time_ns)
{
    if (time_ns == LT_NO_TIME)
        return true;
    if (!pass->has_span) {
        pass->from_ns = lt_time_bound_ns(&pass->options->from, time_ns, INT64_MIN);
        pass->to_ns = lt_time_bound_ns(&pass->options->to, time_ns, INT64_MAX);
        pass->has_span = true;
    }
    return time_ns >= pass->from_ns && time_ns <= pass->to_ns;
}

static void take_frame(struct pass *pass, const struct lt_frame *frame)
{
    if (frame->number < pass->number && pass->collect)
        lt_collect_break(pass->collect);
    pass->number = frame->number;
    if (!in_span(pass, frame->time_ns)) {
        pass->outside_span++;
    } else if (!is_wanted(pass, frame->bus)) {
        pass->other_buses++;
    } else if (pass->collect) {
        pass->code = lt_collect_add(pass->collect, frame, &pass->error);
        if (pass->take)
            pass->take(pass->context, frame);
    } else {
        pass->take(pass->context, frame);
    }
}

/* Nothing is left out: neither a time span nor buses are named. */
static bool takes_all(const struct gather_options *options)
{
    return !options->from.given && !options->to.given &&
           (!options->buses || !options->buses->count);
}

static void take_any(struct pass *pass, const struct lt_frame *frame)
{
    if (frame->number < pass->number && pass->collect)
        lt_collect_break(pass->collect);
    pass->number = frame->number;
    if (pass->collect)
        pass->code = lt_collect_add(pass->collect, frame, &pass->error);
    if (pass->take)
        pass->take(pass->context, frame);
}

static void show_progress(struct pass *pass)
{
    if (pass->expected)
        progress_show(&pass->progress, "second reading: %.0f %%",
                      100.0 * (double)pass->frames / (double)pass->expected);
    else
        progress_show(&pass->progress, "reading: %.1f million frames", (double)pass->frames / 1e6);
}

static bool take_batch(void *context, const struct lt_batch *batch)
{
    struct pass *pass = context;
    pass->frames += batch->count;
    show_progress(pass);
    bool all = takes_all(pass->options);
    for (size_t i = 0; i < batch->count && pass->code == LT_OK; i++)
        all ? take_any(pass, &batch->frames[i]) : take_frame(pass, &batch->frames[i]);
    return pass->code == LT_OK;
}

/* --- readings --- */

static int read_all(struct pass *pass)
{
    struct lt_batch batch;
    struct lt_error error;
    while (pass->code == LT_OK && lt_reader_next_batch(pass->reader, &batch)) {
        take_batch(pass, &batch);
        lt_pieces_each(pass->reader, pass->options->threads, take_batch, pass);
    }
    progress_end(&pass->progress);
    if (pass->code != LT_OK) {
        say_error(&pass->error);
        return EXIT_SYSTEM;
    }
    enum lt_code code = lt_reader_end(pass->reader, &error);
    if (code == LT_OK)
        return EXIT_FINE;
    say_error(&error);
    return reading_status(code);
}

static void note_buses(struct gathered *gathered)
{
    const struct list *said = gathered->options->buses;
    gathered->bus_count = lt_reader_bus_count(gathered->reader);
    for (size_t i = 0; i < gathered->bus_count; i++) {
        const char *name = lt_reader_bus_name(gathered->reader, i);
        gathered->bus_names[i] = name;
        for (size_t k = 0; said && k < said->count; k++)
            if (strchr(said->items[k], '=') && strcmp(name_in_capture(said->items[k]), name) == 0)
                lt_text_format(gathered->said_names[i], LT_NAME_MAX + 1, "%.*s",
                               (int)(strchr(said->items[k], '=') - said->items[k]), said->items[k]);
    }
}

int gather(struct gathered *gathered, const char *const *paths, size_t count,
           const struct gather_options *options)
{
    struct lt_error error;
    *gathered = (struct gathered){.paths = paths, .path_count = count, .options = options};
    if (lt_reader_open_all(&gathered->reader, paths, count, &options->reading, &error) != LT_OK) {
        say_error(&error);
        return reading_status(error.code);
    }
    if (lt_collect_new(&gathered->collect, NULL, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    struct pass pass = {.options = options,
                        .reader = gathered->reader,
                        .collect = gathered->collect,
                        .take = options->watch,
                        .context = options->context,
                        .progress = progress_begin(!options->progress)};
    int status = read_all(&pass);
    gathered->frames = pass.frames;
    gathered->outside_span = pass.outside_span;
    gathered->other_buses = pass.other_buses;
    gathered->broken = status != EXIT_FINE;
    note_buses(gathered);
    if (lt_collect_finish(gathered->collect, &error) != LT_OK) {
        say_error(&error);
        status = EXIT_SYSTEM;
    }
    return status;
}

int say_no_frames(const struct gathered *gathered)
{
    const struct lt_collect_counts *counts = lt_collect_counts(gathered->collect);
    if (lt_collect_count(gathered->collect) > 0)
        return EXIT_FINE;
    if (gathered->other_buses)
        complain("no frame on the buses named: this capture has others");
    else if (gathered->outside_span)
        complain("no frame within the time span");
    else if (counts->remote || counts->error_frames)
        complain("nothing to look at: %" PRIu64 " remote requests and %" PRIu64
                 " error reports, no frame with data",
                 counts->remote, counts->error_frames);
    else if (lt_reader_counts(gathered->reader)->malformed)
        complain("no frame could be read");
    else
        complain("the capture is empty");
    return EXIT_NO;
}

/* Nothing is dropped silently. */
size_t say_left_out(const struct gathered *gathered, bool quiet)
{
    const struct lt_collect *collect = gathered->collect;
    const struct lt_collect_counts *counts = lt_collect_counts(collect);
    uint64_t no_page = 0;
    size_t thinned = 0;
    for (size_t i = 0; i < lt_collect_count(collect); i++) {
        no_page += lt_collect_stream(collect, i)->frames_in_no_page;
        thinned += !lt_collect_stream(collect, i)->kept.whole;
    }
    if (counts->frames_past_streams)
        say(quiet, "%" PRIu64 " frames of identifiers past the first %d: counted, not looked at\n",
            counts->frames_past_streams, LT_STREAMS_MAX);
    if (no_page)
        say(quiet, "%" PRIu64 " frames of selector values past the first %d of their frame\n",
            no_page, LT_PAGES_MAX);
    if (thinned)
        say(quiet,
            "%zu of %zu frames came too often to be kept whole: counts are of all, courses of "
            "what was kept\n",
            thinned, lt_collect_count(collect));
    if (gathered->other_buses)
        say(quiet, "%" PRIu64 " frames on other buses left out\n", gathered->other_buses);
    return thinned;
}

void gather_free(struct gathered *gathered)
{
    lt_collect_free(gathered->collect);
    lt_reader_free(gathered->reader);
    *gathered = (struct gathered){0};
}

bool gather_can_repeat(const struct gathered *gathered)
{
    for (size_t i = 0; i < gathered->path_count; i++) {
        struct stat about;
        if (strcmp(gathered->paths[i], "-") == 0 || stat(gathered->paths[i], &about) != 0 ||
            !S_ISREG(about.st_mode))
            return false;
    }
    return true;
}

int gather_repeat(const struct gathered *gathered,
                  void (*take)(void *context, const struct lt_frame *frame), void *context)
{
    struct lt_error error;
    struct pass pass = {.options = gathered->options,
                        .take = take,
                        .context = context,
                        .expected = gathered->frames,
                        .progress = progress_begin(!gathered->options->progress)};
    if (lt_reader_open_all(&pass.reader, gathered->paths, gathered->path_count,
                           &gathered->options->reading, &error) != LT_OK) {
        say_error(&error);
        return reading_status(error.code);
    }
    int status = read_all(&pass);
    lt_reader_free(pass.reader);
    return status;
}
