/* loomtap prove: is this profile right for this car? */
#include <stdlib.h>
#include <string.h>

#include "cli/built_in.h"
#include "cli/captures.h"
#include "cli/commands.h"
#include "cli/profiles.h"
#include "cli/references.h"
#include "cli/replies.h"
#include "cli/said_buses.h"
#include "loomtap/defs/load.h"
#include "loomtap/prove/older.h"
#include "loomtap/seek/reference.h"

#define ARENA_CEILING ((size_t)256 << 20)
#define MARKS_TARGET  "drive_mode"

struct prove_values {
    struct common common;
    struct list profiles, buses;
    const char *output, *html, *against, *marks, *target, *from, *to, *columns;
    int64_t duration_ns;
    uint64_t threads;
    bool strict, differences, json, all;
};

#define AT(member) offsetof(struct prove_values, member)

static const struct option_row options[] = {
    {"--profile", "-p", OPTION_AGAIN, AT(profiles), "FILE",
     "the profile to prove; again for more that say how diagnostic replies are read"},
    {"--json", NULL, OPTION_FLAG, AT(json), NULL, "as one JSON object"},
    {"--all", NULL, OPTION_FLAG, AT(all), NULL, "text: every claim"},
    {"--output", "-o", OPTION_TEXT, AT(output), "FILE",
     "write text or JSON there; it appears when it is whole"},
    {"--html", NULL, OPTION_TEXT, AT(html), "FILE", "also write a page for the customer's file"},
    {"--against", NULL, OPTION_TEXT, AT(against), "FILE",
     "also say what changed since that proof (its JSON)"},
    {"--marks", NULL, OPTION_TEXT, AT(marks), "FILE", "csv of time_s,label that a passenger noted"},
    {"--target", NULL, OPTION_TEXT, AT(target), "ROLE",
     "the role that the marks are about (default drive_mode)"},
    {"--bus", NULL, OPTION_LIST, AT(buses), "BUS=NAME", "the profile's BUS is NAME in the capture"},
    CAPTURE_OPTIONS,
    THREADS_OPTION,
    COMMON_OPTIONS,
};

static const char details[] =
    "CAPTURE is candump's text, pcap, pcapng or a csv of frames, packed with gzip or zstd or not,\n"
    "told by its content; `-` is standard input, can:can0 a live bus.\n"
    "Several captures add up: one can exercise what\n"
    "another did not. --from and --to count seconds from the first frame of each; a number that "
    "is\n"
    "not below its time is the capture's own time; `+5` always counts from the start.\n\n"
    "Every claim that the profile makes is proven, contradicted or not exercised, with the\n"
    "numbers. The verdict is the worst of the claims about the roles that the profile requires;\n"
    "other faults are listed. docs/claims.md says how each is judged and which thresholds a "
    "[prove]\n"
    "section may change. Diagnostic replies in the captures are what scale and offset are held\n"
    "against, so poll while driving.\n\n"
    "Nothing is sent. Exit status 0: proven; 1: contradicted or not exercised.\n\n"
    "examples:\n"
    "  loomtap prove captures/tarn-drive.log -p signaldefs/tarn-turbo.ini\n"
    "  loomtap prove captures/tarn-drive.log -p signaldefs/tarn-turbo.ini --json -o "
    "/tmp/proof.json "
    "--html /tmp/proof.html\n"
    "  loomtap prove captures/tarn-drive.log -p signaldefs/tarn-turbo.ini --all\n";

/* Everything of one run. */
struct run {
    const struct prove_values *values;
    struct profiles profiles;
    struct lt_profile *obd;
    struct lt_replies *replies;
    struct lt_reader *reader; /* of the capture being read */
    uint16_t bus_number[LT_BUSES_MAX];
    bool bus_known[LT_BUSES_MAX];
    const char *bus_names[LT_BUSES_MAX]; /* of all captures */
    size_t bus_count, read;
    struct lt_prove *prove;
    struct lt_proof *proof;
    struct lt_arena arena;
    struct lt_faults notes;
    struct lt_bus_said said[BUSES_SAID_MAX];
    struct lt_prove_reading reading;
    struct lt_reader_options reader_options;
    struct lt_proof_capture *captures;
    struct lt_older_proof older;
    struct lt_proof_about about;
};

/* --- options --- */

static int take_options(struct run *run)
{
    const struct prove_values *v = run->values;
    run->reading.threads = thread_count(v->threads);
    run->reader_options = (struct lt_reader_options){
        .differences = v->differences, .strict = v->strict, .columns = v->columns};
    if (!v->common.arguments.count)
        return usage_error("prove", "no capture given");
    if (!v->profiles.count)
        return usage_error("prove", "no profile given: -p FILE");
    if (v->json && v->all)
        return usage_error("prove", "--all is for the text; JSON has every claim");
    if (v->target && !v->marks)
        return usage_error("prove", "--target goes with --marks");
    if (v->target && !lt_role_find(lt_text_of(v->target)))
        return usage_error("prove", "--target: there is no role `%s`", v->target);
    int status = take_span("prove", v->from, v->to, &run->reading.from, &run->reading.to);
    if (status == EXIT_FINE)
        status = check_columns("prove", v->columns);
    if (status == EXIT_FINE)
        status = take_live("prove", &v->common.arguments, v->duration_ns, &run->reader_options);
    run->reading.said = run->said;
    if (status == EXIT_FINE)
        status = take_said_buses("prove", &v->buses, run->said, &run->reading.said_count);
    return status;
}

/* --- reading --- */

/* The number that a bus has in all captures together: each capture numbers its own. */
static uint16_t common_bus(struct run *run, uint16_t bus)
{
    const char *name = lt_reader_bus_name(run->reader, bus);
    size_t at = 0;
    if (run->bus_known[bus])
        return run->bus_number[bus];
    while (at < run->bus_count && strcmp(run->bus_names[at], name) != 0)
        at++;
    if (at == run->bus_count && at + 1 < LT_BUSES_MAX) {
        const char *kept = lt_arena_string(&run->arena, name);
        run->bus_names[run->bus_count++] = kept ? kept : "";
    }
    run->bus_known[bus] = true;
    return run->bus_number[bus] = (uint16_t)at;
}

static enum lt_code feed(void *context, const struct lt_frame *frame, struct lt_error *error)
{
    struct run *run = context;
    uint16_t bus = common_bus(run, frame->bus);
    if (bus == frame->bus)
        return lt_replies_feed(run->replies, frame, error);
    struct lt_frame renumbered = *frame;
    renumbered.bus = bus;
    return lt_replies_feed(run->replies, &renumbered, error);
}

/* What the profiles say about replies goes before what the standard does. */
static int prepare(struct run *run)
{
    static const struct lt_profile *list[LIST_MAX + 1];
    struct lt_error error;
    size_t count = 0;
    bool own_parameters = false;
    for (size_t i = 0; i < run->profiles.count; i++) {
        list[count++] = run->profiles.items[i];
        own_parameters |= run->profiles.items[i]->parameter_count > 0;
    }
    if (!own_parameters) {
        run->obd = load_built_in_obd();
        if (!run->obd)
            return EXIT_SYSTEM;
        list[count++] = run->obd;
    }
    if (lt_prove_new(&run->prove, run->profiles.items[0], &run->notes, &error) != LT_OK) {
        say_error(&error);
        return error.code == LT_E_MEMORY ? EXIT_SYSTEM : EXIT_NO;
    }
    if (lt_replies_new(&run->replies, list, count, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    run->reading.tap = feed;
    run->reading.tap_diagnostics = true;
    run->reading.context = run;
    return EXIT_FINE;
}

static int read_capture(struct run *run, const char *path)
{
    struct lt_reader *reader;
    struct lt_error error;
    bool quiet = run->values->common.quiet;
    if (lt_reader_open(&reader, path, &run->reader_options, &error) != LT_OK) {
        say_error(&error);
        return reading_status(error.code);
    }
    run->reader = reader;
    run->read++;
    memset(run->bus_known, 0, sizeof run->bus_known);
    enum lt_code code = lt_prove_read(run->prove, reader, &run->reading, &run->notes, &error);
    int status = EXIT_FINE;
    if (code != LT_OK) {
        say_error(&error);
        status = code == LT_E_UNKNOWN ? EXIT_USAGE : reading_status(code);
    }
    run->about.malformed += lt_reader_counts(reader)->malformed;
    say_malformed(lt_reader_counts(reader), &path, quiet || run->values->strict);
    say_columns_unused(lt_reader_counts(reader), &path, quiet);
    lt_reader_free(reader);
    return status;
}

static int read_captures(struct run *run)
{
    const struct list *paths = &run->values->common.arguments;
    struct lt_error error;
    int worst = EXIT_FINE;
    run->captures = calloc(paths->count, sizeof *run->captures);
    if (!run->captures) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    for (size_t i = 0; i < paths->count; i++) {
        int status = read_capture(run, paths->items[i]);
        worst = status > worst ? status : worst;
        run->captures[i].name = paths->items[i];
        /* What could not even be opened was said above. */
        if (run->values->html && strcmp(paths->items[i], "-") != 0 &&
            !lt_reader_is_live(paths->items[i]) &&
            lt_file_hash(paths->items[i], run->captures[i].hash, &error) != LT_OK &&
            status == EXIT_FINE) {
            say_error(&error);
            worst = worst > EXIT_UNREADABLE ? worst : EXIT_UNREADABLE;
        }
    }
    say_faults(&run->notes, run->values->common.quiet);
    run->about.captures = run->captures;
    run->about.capture_count = paths->count;
    return worst;
}

/* --- what is given besides --- */

static int take_marks(struct run *run, struct lt_prove_given *given, struct lt_proof_marks *marks)
{
    const struct prove_values *v = run->values;
    const char *target = v->target ? v->target : MARKS_TARGET;
    struct lt_reference reference;
    if (!v->marks)
        return EXIT_FINE;
    int status = read_marks(v->marks, target, v->common.quiet, &run->arena, &reference);
    if (status != EXIT_FINE)
        return status;
    *marks = (struct lt_proof_marks){.target = target,
                                     .count = reference.count,
                                     .time_ns = reference.time_ns,
                                     .label = reference.label};
    given->marks = marks;
    return EXIT_FINE;
}

static int take_older(struct run *run)
{
    struct lt_error error;
    if (!run->values->against)
        return EXIT_FINE;
    if (lt_older_proof_read(run->values->against, &run->older, &error) == LT_OK)
        return EXIT_FINE;
    say_error(&error);
    return EXIT_UNREADABLE;
}

static int compare(struct run *run)
{
    struct lt_proof_about *about = &run->about;
    if (!run->values->against)
        return EXIT_FINE;
    about->compared = true;
    about->old_name = run->values->against;
    about->old_verdict = run->older.verdict;
    about->other_profile = strcmp(run->older.hash, run->proof->profile->hash) != 0;
    if (lt_older_proof_compare(&run->older, run->proof, &run->arena, &about->changes,
                               &about->change_count))
        return EXIT_FINE;
    complain("out of memory");
    return EXIT_SYSTEM;
}

/* --- outputs --- */

static int write_file(const struct run *run, const char *path, bool html)
{
    struct lt_file_sink *file = malloc(sizeof *file);
    struct lt_error error;
    if (!file) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    enum lt_code code = lt_file_sink_open(file, path, &error);
    if (code == LT_OK) {
        if (html)
            lt_proof_write_html(run->proof, &run->about, &file->sink);
        else if (run->values->json)
            lt_proof_write_json(run->proof, &file->sink);
        else
            lt_proof_write_text(run->proof, &run->about, &file->sink);
        code = lt_file_sink_commit(file, &error);
    }
    if (code != LT_OK)
        say_error(&error);
    free(file);
    return code == LT_OK ? EXIT_FINE : EXIT_SYSTEM;
}

static int give_out(const struct run *run)
{
    const struct prove_values *v = run->values;
    int status = write_file(run, v->output ? v->output : "-", false);
    if (v->html) {
        int page = write_file(run, v->html, true);
        status = page > status ? page : status;
    }
    return status;
}

static int decide(const struct run *run)
{
    const struct lt_proof *proof = run->proof;
    bool quiet = run->values->common.quiet;
    if (!proof->frames)
        say(quiet, "no frame came: an empty capture, or none within the time span\n");
    else if (!proof->claim_count)
        say(quiet, "the profile says nothing that could be proven\n");
    else if (!proof->claimed_frames && proof->profile->frame_count)
        say(quiet, "none of the profile's frames is in this capture: another car, another bus, or "
                   "--bus is needed\n");
    return proof->verdict == LT_PROVEN ? EXIT_FINE : EXIT_NO;
}

static int finish(struct run *run)
{
    struct lt_prove_given given = {0};
    struct lt_proof_marks marks;
    struct lt_error error;
    int status =
        replies_given(run->replies, &run->arena, &given.references, &given.reference_count);
    if (status == EXIT_FINE)
        status = take_marks(run, &given, &marks);
    if (status != EXIT_FINE)
        return status;
    if (lt_prove_finish(run->prove, &given, &run->arena, &run->proof, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    status = compare(run);
    if (status == EXIT_FINE)
        status = give_out(run);
    return status == EXIT_FINE ? decide(run) : status;
}

static int prove(struct run *run)
{
    int status = take_options(run);
    if (status == EXIT_FINE)
        status = take_older(run);
    if (status == EXIT_FINE)
        status = load_profiles(&run->profiles, &run->values->profiles, run->values->common.quiet);
    if (status == EXIT_FINE)
        status = prepare(run);
    if (status != EXIT_FINE)
        return status;
    int reading = read_captures(run);
    if (reading == EXIT_USAGE || reading == EXIT_SYSTEM || !run->read)
        return reading;
    /* What came before an input broke is judged all the same. */
    status = finish(run);
    return reading > status ? reading : status;
}

static int run_prove(void *values)
{
    struct run *run = calloc(1, sizeof *run);
    if (!run) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    run->values = values;
    run->about.version = LOOMTAP_VERSION;
    run->about.all = run->values->all;
    lt_arena_init(&run->arena, ARENA_CEILING);
    lt_faults_init(&run->notes, 0);
    int status = prove(run);
    lt_prove_free(run->prove);
    lt_replies_free(run->replies);
    lt_profile_free(run->obd);
    free_profiles(&run->profiles);
    lt_older_proof_free(&run->older);
    lt_faults_release(&run->notes);
    lt_arena_release(&run->arena);
    free(run->captures);
    free(run);
    return status;
}

const struct command cmd_prove = {
    .name = "prove",
    .usage = "CAPTURE... -p PROFILE",
    .help = "is a profile right for this car: claim by claim, with the numbers",
    .details = details,
    .options = options,
    .size = sizeof(struct prove_values),
    .run = run_prove,
};
