/* loomtap survey: what is on an unknown bus. */
#include <inttypes.h>
#include <stddef.h>

#include "cli/captures.h"
#include "cli/commands.h"
#include "cli/gather.h"
#include "cli/outputs.h"
#include "cli/surveys.h"
#include "loomtap/base/number.h"
#include "loomtap/core/profile.h"
#include "loomtap/survey/output.h"

/* A bus at its very limit carries some tens of thousands of frames a second; a rate below or above
 * these is a slip of the finger. */
#define BITRATE_LEAST 5000u
#define BITRATE_MOST  2000000u
#define SURE_DEFAULT  0.5
#define ARENA_CEILING ((size_t)192 << 20)

struct survey_values {
    struct common common;
    struct list buses;
    const char *output, *html, *draft, *against, *from, *to, *columns, *sure;
    int64_t duration_ns;
    uint64_t threads, bitrate;
    bool strict, differences, json, brief;
};

#define AT(member) offsetof(struct survey_values, member)

static const struct option_row options[] = {
    {"--json", NULL, OPTION_FLAG, AT(json), NULL, "as one JSON object"},
    {"--output", "-o", OPTION_TEXT, AT(output), "FILE",
     "write table or JSON there; it appears when it is whole"},
    {"--html", NULL, OPTION_TEXT, AT(html), "FILE", "also write a page with pictures"},
    {"--draft", NULL, OPTION_TEXT, AT(draft), "FILE", "also write a profile with what was found"},
    {"--sure", NULL, OPTION_TEXT, AT(sure), "SHARE",
     "draft: signals of at least this confidence (default 0.5)"},
    {"--against", NULL, OPTION_TEXT, AT(against), "CAPTURE",
     "also say how the bus differs in that recording"},
    {"--brief", NULL, OPTION_FLAG, AT(brief), NULL, "table: one line a frame"},
    {"--bitrate", NULL, OPTION_COUNT, AT(bitrate), "BITS",
     "bits a second of the bus, for its load (default: the usual rate that fits)"},
    {"--bus", NULL, OPTION_LIST, AT(buses), "NAME",
     "this bus alone; again for more; SAID=NAME calls it SAID in the draft"},
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
    "Says what each frame is made of: timing and losses, selector, counters, checksums, where\n"
    "fields begin and end, their byte order, sign and kind, each with how sure it is; and what "
    "the\n"
    "bus is: load, diagnostics, J1939, copies behind a gateway. Nothing is sent, and only what "
    "the\n"
    "recording exercised can be found: a switch that nobody touched looks like a constant. Long\n"
    "captures are read twice, to try counters and checksums on every frame; from standard input\n"
    "they are tried on the frames kept.\n\n"
    "examples:\n"
    "  loomtap survey captures/tarn-drive.log\n"
    "  loomtap survey captures/tarn-drive.log --brief\n"
    "  loomtap survey captures/tarn-drive.log --json --html /tmp/drive.html\n"
    "  loomtap survey captures/tarn-drive.log --draft /tmp/draft.ini\n"
    "  loomtap survey captures/tarn-drive.log --to 10 --against captures/tarn-drive.log\n";

/* --- options --- */

static int take_sure(const struct survey_values *v, double *ret_sure)
{
    *ret_sure = SURE_DEFAULT;
    if (v->sure && (!lt_parse_f64(lt_text_of(v->sure), ret_sure) || *ret_sure < 0 || *ret_sure > 1))
        return usage_error("survey", "--sure: `%s` is no number from 0 to 1", v->sure);
    return EXIT_FINE;
}

static int take_options(const struct survey_values *v, struct gather_options *gathering,
                        double *ret_sure)
{
    *gathering = (struct gather_options){
        .reading = {.differences = v->differences, .strict = v->strict, .columns = v->columns},
        .buses = &v->buses,
        .threads = thread_count(v->threads),
        .progress = !v->common.quiet,
    };
    if (!v->common.arguments.count)
        return usage_error("survey", "no capture given");
    if (v->bitrate && (v->bitrate < BITRATE_LEAST || v->bitrate > BITRATE_MOST))
        return usage_error("survey", "--bitrate: %" PRIu64 " is not within %u..%u bits a second",
                           v->bitrate, BITRATE_LEAST, BITRATE_MOST);
    if (v->json && v->brief)
        return usage_error("survey", "--brief is for the table, not for --json");
    if (v->sure && !v->draft)
        return usage_error("survey", "--sure goes with --draft FILE");
    int status = take_span("survey", v->from, v->to, &gathering->from, &gathering->to);
    if (status == EXIT_FINE)
        status = check_columns("survey", v->columns);
    if (status == EXIT_FINE)
        status = take_live("survey", &v->common.arguments, v->duration_ns, &gathering->reading);
    return status == EXIT_FINE ? take_sure(v, ret_sure) : status;
}

/* --- one recording --- */

struct recording {
    struct gathered gathered;
    struct lt_arena arena;
    struct lt_survey *survey;
};

static void release(struct recording *recording)
{
    lt_arena_release(&recording->arena);
    gather_free(&recording->gathered);
}

/* After a reading that broke off, what came before it is surveyed all the same. */
static int survey_recording(struct recording *recording, const struct survey_values *v,
                            const char *const *paths, size_t count,
                            const struct gather_options *gathering)
{
    struct gathered *gathered = &recording->gathered;
    lt_arena_init(&recording->arena, ARENA_CEILING);
    int status = gather(gathered, paths, count, gathering);
    if (!gathered->collect || status == EXIT_SYSTEM)
        return status;
    say_malformed(lt_reader_counts(gathered->reader), paths, v->common.quiet || v->strict);
    say_columns_unused(lt_reader_counts(gathered->reader), paths, v->common.quiet);
    return worse(
        status, make_survey(gathered, (uint32_t)v->bitrate, &recording->arena, &recording->survey));
}

/* --- what is said beside the results --- */

static void say_limits(const struct recording *recording, bool quiet)
{
    const struct lt_survey *survey = recording->survey;
    size_t cut_short = 0;
    for (size_t i = 0; i < survey->frame_count; i++)
        cut_short += survey->frames[i].cut_short;
    if (cut_short)
        say(quiet,
            "%zu of %zu frames looked at less closely: so many have something to search in "
            "that the work is limited for each\n",
            cut_short, survey->frame_count);
    if (say_left_out(&recording->gathered, quiet) && !gather_can_repeat(&recording->gathered))
        say(quiet, "no second reading of this input: checks were tried on the frames kept\n");
}

/* --- outputs --- */

struct output {
    const struct lt_survey *survey;
    const struct lt_survey_about *about;
    void (*put)(const struct lt_survey *, const struct lt_survey_about *, struct lt_sink *);
    struct lt_draft_options draft;
    struct lt_draft_counts counts;
};

static enum lt_code put_output(void *context, struct lt_sink *sink, struct lt_error *error)
{
    const struct output *output = context;
    (void)error;
    output->put(output->survey, output->about, sink);
    return LT_OK;
}

static int give(const char *path,
                void (*put)(const struct lt_survey *, const struct lt_survey_about *,
                            struct lt_sink *),
                const struct lt_survey *survey, const struct lt_survey_about *about)
{
    struct output output = {.survey = survey, .about = about, .put = put};
    return write_out(path, put_output, &output);
}

static enum lt_code put_draft(void *context, struct lt_sink *sink, struct lt_error *error)
{
    struct output *output = context;
    return lt_survey_draft(output->survey, output->about, &output->draft, sink, &output->counts,
                           error);
}

static void say_draft(const char *path, const struct lt_draft_counts *counts, double sure,
                      bool quiet)
{
    say(quiet, "%s: %zu signals in %zu frames; %zu fields below %g left out", path, counts->signals,
        counts->frames, counts->unsure, sure);
    if (counts->other)
        say(quiet, ", %zu frames of diagnostics", counts->other);
    if (counts->left_out)
        say(quiet, ", %zu definitions that a profile has no room for", counts->left_out);
    say(quiet, ". A draft is read off a recording; nothing in it is proven.\n");
}

static int give_draft(const struct survey_values *v, double sure, const struct recording *recording,
                      const struct lt_survey_about *about)
{
    const char *names[LT_BUSES_MAX];
    char name[LT_NAME_MAX + 1];
    for (size_t i = 0; i < LT_BUSES_MAX; i++)
        names[i] = recording->gathered.said_names[i];
    draft_name(v->draft, name);
    struct output output = {.survey = recording->survey,
                            .about = about,
                            .draft = {.name = name, .sure = sure, .bus_names = names}};
    int status = write_out(v->draft, put_draft, &output);
    if (status == EXIT_FINE)
        say_draft(v->draft, &output.counts, sure, v->common.quiet);
    return status;
}

static int give_all(const struct survey_values *v, double sure, const struct recording *recording,
                    const struct lt_survey_about *about)
{
    int status = give(v->output ? v->output : "-", v->json ? lt_survey_json : lt_survey_table,
                      recording->survey, about);
    if (v->html)
        status = worse(status, give(v->html, lt_survey_html, recording->survey, about));
    if (v->draft)
        status = worse(status, give_draft(v, sure, recording, about));
    return status;
}

/* --- the command --- */

static int compare(const struct survey_values *v, struct recording *recording,
                   struct recording *other, const struct gather_options *gathering,
                   struct lt_survey_about *about)
{
    struct lt_change *changes = NULL;
    size_t left_out = 0;
    struct lt_error error;
    int status = survey_recording(other, v, &v->against, 1, gathering);
    if (!other->survey)
        return status;
    if (lt_survey_compare(recording->survey, other->survey, &recording->arena, &changes,
                          &about->change_count, &left_out, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    if (left_out)
        say(v->common.quiet, "%zu differences past the %u that tell most left out\n", left_out,
            LT_CHANGES_MAX);
    about->changes = changes;
    about->against = v->against;
    return status;
}

static int run_with(const struct survey_values *v, const struct gather_options *gathering,
                    double sure, struct recording *recording, struct recording *other)
{
    const struct list *captures = &v->common.arguments;
    int status = survey_recording(recording, v, captures->items, captures->count, gathering);
    if (!recording->survey)
        return status;
    struct lt_survey_about about = about_survey(&recording->gathered);
    about.brief = v->brief;
    if (v->against)
        status = worse(status, compare(v, recording, other, gathering, &about));
    status = worse(status, give_all(v, sure, recording, &about));
    say_limits(recording, v->common.quiet);
    return worse(status, say_no_frames(&recording->gathered));
}

static int run(void *values)
{
    const struct survey_values *v = values;
    struct gather_options gathering;
    double sure;
    int status = take_options(v, &gathering, &sure);
    if (status != EXIT_FINE)
        return status;
    struct recording recording = {0}, other = {0};
    status = run_with(v, &gathering, sure, &recording, &other);
    release(&other);
    release(&recording);
    return status;
}

const struct command cmd_survey = {
    .name = "survey",
    .usage = "CAPTURE...",
    .help = "what is on an unknown bus: frames, fields, counters, checksums",
    .details = details,
    .options = options,
    .size = sizeof(struct survey_values),
    .run = run,
};
