/* loomtap seek: which bits follow a reference. */
#include <string.h>

#include "cli/captures.h"
#include "cli/commands.h"
#include "cli/gather.h"
#include "cli/outputs.h"
#include "cli/references.h"
#include "cli/surveys.h"
#include "loomtap/seek/marks.h"
#include "loomtap/seek/output.h"

#define ARENA_CEILING ((size_t)192 << 20)
#define SURE          0.5 /* of the counters and checksums that a draft takes */

struct seek_values {
    struct common common;
    struct list profiles, buses, sheet_columns, signals, only;
    const char *output, *html, *draft, *from, *to, *columns;
    const char *sheet, *time_column, *unit, *target, *marks;
    int64_t duration_ns;
    uint64_t threads;
    bool strict, differences, json, roles;
};

#define AT(member) offsetof(struct seek_values, member)

static const struct option_row options[] = {
    {"--profile", "-p", OPTION_AGAIN, AT(profiles), "FILE",
     "more parameters, the signals of --signal, the roles of --roles; again for more"},
    {"--ref", NULL, OPTION_TEXT, AT(sheet), "FILE", "a logger's csv in place of the replies"},
    {"--column", NULL, OPTION_AGAIN, AT(sheet_columns), "NAME",
     "of --ref: this column; again for more"},
    {"--time-column", NULL, OPTION_TEXT, AT(time_column), "NAME", "of --ref: the times"},
    {"--unit", NULL, OPTION_TEXT, AT(unit), "UNIT", "of --ref: what the column is in"},
    {"--marks", NULL, OPTION_TEXT, AT(marks), "FILE", "a csv of marks: time_s,label"},
    {"--target", NULL, OPTION_TEXT, AT(target), "NAME",
     "what --ref or --marks (default drive_mode) measures: a role, or a name"},
    {"--signal", NULL, OPTION_LIST, AT(signals), "SIGNAL,...", "copies of a profile's signals"},
    {"--roles", NULL, OPTION_FLAG, AT(roles), NULL, "everything that the profile requires"},
    {"--only", NULL, OPTION_LIST, AT(only), "TARGET,...", "of the replies: these alone"},
    {"--json", NULL, OPTION_FLAG, AT(json), NULL, "as one JSON object"},
    {"--output", "-o", OPTION_TEXT, AT(output), "FILE",
     "write table or JSON there; it appears when it is whole"},
    {"--html", NULL, OPTION_TEXT, AT(html), "FILE", "also write a page with pictures"},
    {"--draft", NULL, OPTION_TEXT, AT(draft), "FILE", "also write a profile with what was found"},
    {"--bus", NULL, OPTION_LIST, AT(buses), "NAME",
     "this bus alone; again for more; BUS=NAME is the profile's BUS"},
    CAPTURE_OPTIONS,
    THREADS_OPTION,
    COMMON_OPTIONS,
};

static const char details[] =
    "CAPTURE is candump's text, pcap, pcapng or a csv of frames, packed with gzip or zstd or not,\n"
    "told by its content; `-` is standard input, can:can0 a live bus.\n"
    "Several are one recording. --from and --to count\n"
    "seconds from the first frame; a number that is not below the first frame's time is the\n"
    "capture's own time; `+5` always counts from the start.\n\n"
    "A reference is something whose value is known: a diagnostic parameter that was polled while\n"
    "recording (OBD-II is built in; more with -p), a column of a logger's csv (--ref), marks that "
    "a\n"
    "passenger put at each change of a mode or switch (--marks), or a signal of a profile, whose\n"
    "copies are then sought (--signal). For each the answer is one of\n"
    "  found            these bits say it; copies and cousins that say the same are listed\n"
    "  ambiguous        several numbers follow it and differ, and this recording cannot tell "
    "which\n"
    "  not exercised    it moved too little or too seldom; the sentence says what to drive\n"
    "  not on this bus  it moved enough, and nothing follows it\n"
    "Nothing is sent. docs/seek.md says how each number is meant. Exit status: 0 everything "
    "sought\n"
    "was found, 1 something was not.\n\n"
    "examples:\n"
    "  loomtap seek captures/tarn-drive.log --only engine_speed,load\n"
    "  loomtap seek captures/tarn-drive.log --html /tmp/sought.html  # exit 1\n"
    "  loomtap seek captures/tarn-drive.log --roles -p signaldefs/tarn-turbo.ini --draft "
    "/tmp/draft.ini  # exit 1\n"
    "  loomtap seek captures/tarn-drive.log --signal engine_speed -p signaldefs/tarn-turbo.ini\n";

struct search {
    const struct seek_values *values;
    struct gather_options gathering;
    struct reference_options wanted;
    struct gathered gathered;
    struct references references;
    struct lt_arena arena, survey_arena;
    struct lt_seek_target *targets;
    size_t count;
};

static int take_options(struct search *search)
{
    const struct seek_values *v = search->values;
    search->gathering = (struct gather_options){
        .reading = {.differences = v->differences, .strict = v->strict, .columns = v->columns},
        .buses = &v->buses,
        .threads = thread_count(v->threads),
        .progress = !v->common.quiet,
        .watch = references_watch,
        .context = &search->references,
    };
    search->wanted = (struct reference_options){
        .sheet = v->sheet,
        .time_column = v->time_column,
        .unit = v->unit,
        .columns = &v->sheet_columns,
        .marks = v->marks,
        .target = v->target,
        .signals = &v->signals,
        .only = &v->only,
        .roles = v->roles,
        .quiet = v->common.quiet,
    };
    if (!v->common.arguments.count)
        return usage_error("seek", "no capture given");
    int status = take_span("seek", v->from, v->to, &search->gathering.from, &search->gathering.to);
    if (status == EXIT_FINE)
        status = check_columns("seek", v->columns);
    return status == EXIT_FINE
               ? take_live("seek", &v->common.arguments, v->duration_ns, &search->gathering.reading)
               : status;
}

/* --- the search --- */

/* Diagnostics hold no candidates. */
struct places {
    const struct lt_collect *collect;
    const bool *diagnostic; /* by stream */
    size_t next;            /* where the last one asked about was, plus 1 */
};

/* Streams are asked about in their order, so the next one is mostly the one after the last. */
static bool is_candidate(void *context, const struct lt_stream *stream)
{
    struct places *places = context;
    size_t count = lt_collect_count(places->collect);
    for (size_t i = 0; i < count; i++) {
        size_t at = (places->next + i) % count;
        if (lt_collect_stream(places->collect, at) != stream)
            continue;
        places->next = at + 1;
        return !places->diagnostic[at];
    }
    return false;
}

/* All numbers in one call: what follows another reference better is that one. */
static enum lt_code seek_references(struct search *search, const struct lt_seek_options *among,
                                    struct lt_error *error)
{
    const struct references *references = &search->references;
    const struct lt_collect *collect = search->gathered.collect;
    struct lt_seek_target *found;
    enum lt_code code =
        lt_seek(collect, references->list, references->count, among, &search->arena, &found, error);
    if (code != LT_OK)
        return code;
    memcpy(search->targets, found, references->count * sizeof *found);
    search->count = references->count;
    if (references->marks)
        code = lt_seek_marks(collect, references->marks, among, &search->arena,
                             &search->targets[search->count], error);
    search->count += references->marks && code == LT_OK;
    return code;
}

static int seek_all(struct search *search)
{
    struct lt_error error;
    struct references *references = &search->references;
    search->targets =
        lt_arena_array(&search->arena, references->count + 1, sizeof *search->targets);
    if (!search->targets) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    struct places places = {.collect = search->gathered.collect};
    const struct lt_seek_options among = {.wants = is_candidate, .context = &places};
    enum lt_code code =
        lt_survey_diagnostics(places.collect, &search->arena, &places.diagnostic, &error);
    if (code == LT_OK)
        code = seek_references(search, &among, &error);
    if (code != LT_OK)
        say_error(&error);
    return code == LT_OK ? EXIT_FINE : status_of(code);
}

static bool is_found(const struct search *search, const char *target)
{
    for (size_t i = 0; i < search->count; i++)
        if (search->targets[i].verdict == LT_SEEK_FOUND &&
            strcmp(search->targets[i].reference->target, target) == 0)
            return true;
    return false;
}

/* A target is found when one of its references is. */
static int decide(const struct search *search)
{
    int status = search->references.missing_count || !search->count ? EXIT_NO : EXIT_FINE;
    for (size_t i = 0; i < search->count; i++)
        if (!is_found(search, search->targets[i].reference->target))
            status = EXIT_NO;
    return status;
}

/* --- outputs --- */

static struct lt_seek_report report_of(const struct search *search)
{
    const struct gathered *gathered = &search->gathered;
    return (struct lt_seek_report){
        .targets = search->targets,
        .target_count = search->count,
        .missing = search->references.missing,
        .missing_count = search->references.missing_count,
        .asked = search->references.asked,
        .asked_count = search->references.asked_count,
        .files = gathered->paths,
        .file_count = gathered->path_count,
        .collected = lt_collect_counts(gathered->collect),
        .read = lt_reader_counts(gathered->reader),
        .outside_span = gathered->outside_span,
        .other_buses = gathered->other_buses,
        .bus_names = gathered->bus_names,
        .bus_count = gathered->bus_count,
    };
}

struct output {
    const struct lt_seek_report *report;
    void (*put)(const struct lt_seek_report *, struct lt_sink *);
    struct lt_seek_draft_options draft;
    struct lt_seek_draft_counts counts;
};

static enum lt_code put_output(void *context, struct lt_sink *sink, struct lt_error *error)
{
    const struct output *output = context;
    (void)error;
    output->put(output->report, sink);
    return LT_OK;
}

static int give(const char *path, void (*put)(const struct lt_seek_report *, struct lt_sink *),
                const struct lt_seek_report *report)
{
    struct output output = {.report = report, .put = put};
    return write_out(path, put_output, &output);
}

static enum lt_code put_draft(void *context, struct lt_sink *sink, struct lt_error *error)
{
    struct output *output = context;
    return lt_seek_draft(output->report, &output->draft, sink, &output->counts, error);
}

static void say_draft(const char *path, const struct lt_seek_draft_counts *counts, bool quiet)
{
    say(quiet, "%s: %zu signal%s in %zu frame%s", path, counts->signals,
        counts->signals == 1 ? "" : "s", counts->frames, counts->frames == 1 ? "" : "s");
    if (counts->again)
        say(quiet, "; %zu found once more by another reference", counts->again);
    if (counts->taken)
        say(quiet, "; %zu left out whose bits are another signal's, a counter's or a checksum's",
            counts->taken);
    if (counts->no_frame)
        say(quiet,
            "; %zu left out whose frame has another length most of the time, or no sure "
            "selector",
            counts->no_frame);
    if (counts->unusual)
        say(quiet, "; %zu left out whose scale a profile cannot hold", counts->unusual);
    say(quiet, ". A draft is read off a recording; nothing in it is proven.\n");
}

/* Counters, checksums and selectors of the frames come from a survey of the same recording. */
static int give_draft(struct search *search, const struct lt_seek_report *report)
{
    const char *path = search->values->draft, *names[LT_BUSES_MAX];
    char name[LT_NAME_MAX + 1];
    struct lt_survey *survey = NULL;
    struct lt_profile frames;
    uint32_t bus_of[LT_BUSES_MAX];
    struct lt_error error;
    int status = make_survey(&search->gathered, 0, &search->survey_arena, &survey);
    if (!survey || status == EXIT_SYSTEM)
        return EXIT_SYSTEM;
    for (size_t i = 0; i < LT_BUSES_MAX; i++)
        names[i] = search->gathered.said_names[i];
    draft_name(path, name);
    struct lt_survey_about about = about_survey(&search->gathered);
    struct lt_draft_options wanted = {.name = name, .sure = SURE, .bus_names = names};
    if (lt_survey_draft_frames(survey, &about, &wanted, &search->survey_arena, &frames, bus_of,
                               &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    struct output output = {.report = report,
                            .draft = {.name = name, .frames = &frames, .bus_of = bus_of}};
    status = worse(status, write_out(path, put_draft, &output));
    if (status != EXIT_SYSTEM)
        say_draft(path, &output.counts, search->values->common.quiet);
    return status;
}

static bool has_found(const struct search *search)
{
    for (size_t i = 0; i < search->count; i++)
        if (search->targets[i].verdict == LT_SEEK_FOUND)
            return true;
    return false;
}

static int give_all(struct search *search)
{
    const struct seek_values *v = search->values;
    struct lt_seek_report report = report_of(search);
    int status = give(v->output ? v->output : "-", v->json ? lt_seek_json : lt_seek_table, &report);
    if (v->html)
        status = worse(status, give(v->html, lt_seek_html, &report));
    if (v->draft && has_found(search))
        status = worse(status, give_draft(search, &report));
    else if (v->draft)
        say(v->common.quiet, "%s: not written, since nothing was found\n", v->draft);
    return status;
}

/* --- the command --- */

static bool has_any(const struct references *references)
{
    return references->count || references->marks;
}

/* After a reading that broke off, what came before it is searched all the same. */
static int search_recording(struct search *search)
{
    const struct seek_values *v = search->values;
    const struct list *captures = &v->common.arguments;
    struct gathered *gathered = &search->gathered;
    lt_arena_init(&search->arena, ARENA_CEILING);
    lt_arena_init(&search->survey_arena, ARENA_CEILING);
    int status = gather(gathered, captures->items, captures->count, &search->gathering);
    if (!gathered->collect || status == EXIT_SYSTEM)
        return status;
    say_malformed(lt_reader_counts(gathered->reader), captures->items,
                  v->common.quiet || v->strict);
    say_columns_unused(lt_reader_counts(gathered->reader), captures->items, v->common.quiet);
    int references = say_no_frames(gathered);
    if (references == EXIT_FINE) {
        say_left_out(gathered, v->common.quiet);
        references = references_find(&search->references, gathered, &search->arena);
    }
    status = worse(status, references);
    if (references == EXIT_USAGE || references == EXIT_SYSTEM ||
        (references == EXIT_UNREADABLE && !has_any(&search->references)))
        return status;
    status = worse(status, seek_all(search));
    if (status != EXIT_SYSTEM)
        status = worse(status, give_all(search));
    return worse(status, decide(search));
}

static int run(void *values)
{
    static struct profiles profiles;
    struct search search = {.values = values};
    int status = take_options(&search);
    if (status == EXIT_FINE)
        status = load_unfinished_profiles(&profiles, &search.values->profiles,
                                          search.values->common.quiet);
    if (status == EXIT_FINE)
        status = references_begin(&search.references, &search.wanted, &profiles);
    if (status == EXIT_FINE)
        status = search_recording(&search);
    lt_arena_release(&search.survey_arena);
    lt_arena_release(&search.arena);
    gather_free(&search.gathered);
    references_free(&search.references);
    free_profiles(&profiles);
    return status;
}

const struct command cmd_seek = {
    .name = "seek",
    .usage = "CAPTURE...",
    .help = "which bits follow a reference: replies, a logger's values, marks",
    .details = details,
    .options = options,
    .size = sizeof(struct seek_values),
    .run = run,
};
