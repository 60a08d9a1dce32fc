/* loomtap identify: which profile of a folder is this car's? */
#include <inttypes.h>
#include <stdlib.h>

#include "cli/built_in.h"
#include "cli/captures.h"
#include "cli/commands.h"
#include "cli/folder.h"
#include "cli/replies.h"
#include "loomtap/defs/load.h"
#include "loomtap/proto/obd.h"
#include "loomtap/prove/identify.h"

#define BUSES_SAID_MAX 32
#define ARENA_CEILING  ((size_t)512 << 20)

struct identify_values {
    struct common common;
    struct list folders, buses;
    const char *output, *from, *to, *columns;
    int64_t duration_ns;
    uint64_t threads;
    bool strict, differences, json, all;
};

#define AT(member) offsetof(struct identify_values, member)

static const struct option_row options[] = {
    {"--library", "-l", OPTION_AGAIN, AT(folders), "FOLDER",
     "the profiles to choose from, in folders below it too; again for more"},
    {"--json", NULL, OPTION_FLAG, AT(json), NULL, "as one JSON object"},
    {"--all", NULL, OPTION_FLAG, AT(all), NULL, "text: every profile with all reasons"},
    {"--output", "-o", OPTION_TEXT, AT(output), "FILE",
     "write text or JSON there; it appears when it is whole"},
    {"--bus", NULL, OPTION_LIST, AT(buses), "BUS=NAME",
     "the bus BUS of any profile is NAME in the capture"},
    CAPTURE_OPTIONS,
    THREADS_OPTION,
    COMMON_OPTIONS,
};

static const char details[] =
    "CAPTURE is candump's text, pcap, pcapng or a csv of frames, packed with gzip or zstd or not,\n"
    "told by its content; `-` is standard input, can:can0 a live bus.\n"
    "Several captures of one car "
    "add up.\n\n"
    "Each profile of the folder is held against the traffic: identifiers, lengths, periods,\n"
    "counters, checksums, ranges, agreement with diagnostic replies and calibration ids, judged "
    "as\n"
    "`loomtap prove` does. The score is the share of the evidence that speaks for a profile; the\n"
    "reasons stand below. `fits` means that nothing decisive speaks against the first one and "
    "that\n"
    "this capture tells it from all others. Variants that differ only in scales are told apart by\n"
    "diagnostics, so poll while driving.\n\n"
    "Files without a [profile] section are parts that others include, and not ranked. A profile\n"
    "with faults is named and left out.\n\n"
    "Nothing is sent. Exit status 0: one fits; 1: none fits, or several do; 3: a capture, the\n"
    "folder or a profile in it could not be read (the answer is given all the same).\n\n"
    "examples:\n"
    "  loomtap identify captures/tarn-drive.log -l signaldefs\n"
    "  loomtap identify captures/tarn-drive.log -l signaldefs --json -o /tmp/which.json\n";

/* Everything of one run. */
struct run {
    const struct identify_values *values;
    struct folder folder;
    struct lt_profile *obd;
    struct lt_replies *replies;
    struct lt_identify *identify;
    struct lt_identification *result;
    struct lt_arena arena;
    struct lt_bus_said said[BUSES_SAID_MAX];
    struct lt_prove_reading reading;
    unsigned threads;
};

static int take_options(struct run *run)
{
    const struct identify_values *v = run->values;
    run->threads = thread_count(v->threads);
    run->reading.threads = run->threads;
    if (!v->common.arguments.count)
        return usage_error("identify", "no capture given");
    if (!v->folders.count)
        return usage_error("identify", "no folder of profiles given: -l FOLDER");
    if (v->json && v->all)
        return usage_error("identify", "--all is for the text; JSON has every reason");
    if (v->buses.count > BUSES_SAID_MAX)
        return usage_error("identify", "--bus: more than %d", BUSES_SAID_MAX);
    for (size_t i = 0; i < v->buses.count; i++) {
        struct lt_text rest = lt_text_of(v->buses.items[i]);
        if (!lt_text_split(&rest, '=', &run->said[i].profile_bus) || !rest.at || !rest.len)
            return usage_error("identify", "--bus: `%s` is not of the form BUS=NAME",
                               v->buses.items[i]);
        run->said[i].capture_bus = rest;
    }
    int status = take_span("identify", v->from, v->to, &run->reading.from, &run->reading.to);
    return status != EXIT_FINE ? status : check_columns("identify", v->columns);
}

static int load_folders(struct run *run)
{
    const struct list *folders = &run->values->folders;
    bool quiet = run->values->common.quiet;
    int status = EXIT_FINE;
    for (size_t i = 0; i < folders->count; i++)
        status = worse(status, folder_load(&run->folder, folders->items[i], run->threads, quiet));
    if (!run->folder.count)
        complain("there is no profile in %s", folders->items[0]);
    return status;
}

static enum lt_code feed(void *context, const struct lt_frame *frame, struct lt_error *error)
{
    struct run *run = context;
    uint32_t partner;
    if (lt_obd_classify(frame, &partner) == LT_OBD_NOT)
        return LT_OK;
    return lt_replies_feed(run->replies, frame, error);
}

static int prepare(struct run *run)
{
    struct lt_error error;
    const struct lt_profile *standard = run->obd = load_built_in_obd();
    if (!standard)
        return EXIT_SYSTEM;
    enum lt_code code = lt_replies_new(&run->replies, &standard, 1, &error);
    if (code == LT_OK)
        code =
            lt_identify_new(&run->identify, (const struct lt_profile *const *)run->folder.profiles,
                            run->folder.count, &error);
    if (code != LT_OK)
        say_error(&error);
    run->reading.tap = feed;
    run->reading.context = run;
    return code == LT_OK ? EXIT_FINE : EXIT_SYSTEM;
}

/* What came before an input broke is judged all the same. */
static int read_captures(struct run *run, bool *ret_read)
{
    const struct identify_values *v = run->values;
    struct lt_reader_options how = {
        .differences = v->differences, .strict = v->strict, .columns = v->columns};
    const struct list *paths = &v->common.arguments;
    struct lt_reader *reader;
    struct lt_error error;
    int status = take_live("identify", paths, v->duration_ns, &how);
    if (status != EXIT_FINE)
        return status;
    if (lt_reader_open_all(&reader, paths->items, paths->count, &how, &error) != LT_OK) {
        say_error(&error);
        return reading_status(error.code);
    }
    *ret_read = true;
    enum lt_code code = lt_identify_read(run->identify, reader, &run->reading, &error);
    if (code != LT_OK) {
        say_error(&error);
        status = reading_status(code);
    }
    say_malformed(lt_reader_counts(reader), paths->items, v->common.quiet || v->strict);
    say_columns_unused(lt_reader_counts(reader), paths->items, v->common.quiet);
    lt_reader_free(reader);
    return status;
}

static int give_out(const struct run *run)
{
    const struct identify_values *v = run->values;
    const struct lt_identify_about about = {.files = (const char *const *)run->folder.paths,
                                            .all = v->all};
    struct lt_file_sink *file = malloc(sizeof *file);
    struct lt_error error;
    if (!file) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    enum lt_code code = lt_file_sink_open(file, v->output ? v->output : "-", &error);
    if (code == LT_OK) {
        if (v->json)
            lt_identify_write_json(run->result, &about, &file->sink);
        else
            lt_identify_write_text(run->result, &about, &file->sink);
        code = lt_file_sink_commit(file, &error);
    }
    if (code != LT_OK)
        say_error(&error);
    free(file);
    return code == LT_OK ? EXIT_FINE : EXIT_SYSTEM;
}

static int finish(struct run *run)
{
    struct lt_identify_given given = {
        .said = run->said, .said_count = run->values->buses.count, .threads = run->threads};
    struct lt_error error;
    int status =
        replies_given(run->replies, &run->arena, &given.references, &given.reference_count);
    if (status != EXIT_FINE)
        return status;
    if (lt_identify_finish(run->identify, &given, &run->arena, &run->result, &error) != LT_OK) {
        say_error(&error);
        return error.code == LT_E_UNKNOWN ? EXIT_USAGE : EXIT_SYSTEM;
    }
    status = give_out(run);
    return worse(status, run->result->verdict == LT_IDENTIFY_FITS ? EXIT_FINE : EXIT_NO);
}

static int identify(struct run *run)
{
    bool read = false;
    int status = take_options(run);
    if (status != EXIT_FINE)
        return status;
    int loading = load_folders(run);
    if (loading == EXIT_SYSTEM)
        return loading;
    status = prepare(run);
    if (status != EXIT_FINE)
        return status;
    status = read_captures(run, &read);
    if (read && status != EXIT_SYSTEM)
        status = worse(status, finish(run));
    return status == EXIT_USAGE ? status : worse(status, loading);
}

static int run_identify(void *values)
{
    struct run *run = calloc(1, sizeof *run);
    if (!run) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    run->values = values;
    lt_arena_init(&run->arena, ARENA_CEILING);
    int status = identify(run);
    lt_identify_free(run->identify);
    lt_replies_free(run->replies);
    lt_profile_free(run->obd);
    folder_free(&run->folder);
    lt_arena_release(&run->arena);
    free(run);
    return status;
}

const struct command cmd_identify = {
    .name = "identify",
    .usage = "CAPTURE... -l FOLDER",
    .help = "which profile of a folder is this car's, with the reasons",
    .details = details,
    .options = options,
    .size = sizeof(struct identify_values),
    .run = run_identify,
};
