/* loomtap decode: captures and profiles in, values out. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli/captures.h"
#include "cli/commands.h"
#include "cli/database.h"
#include "cli/profiles.h"
#include "cli/said_buses.h"
#include "loomtap/decode/decode.h"

struct decode_values {
    struct common common;
    struct list profiles, only, roles, buses;
    const char *output, *form, *from, *to, *columns;
    int64_t duration_ns, every_ns, max_age_ns;
    uint64_t threads;
    bool strict, differences, json, senders;
};

#define AT(member) offsetof(struct decode_values, member)

static const struct option_row options[] = {
    {"--profile", "-p", OPTION_AGAIN, AT(profiles), "FILE", "a vehicle profile; again for more"},
    {"--as", NULL, OPTION_TEXT, AT(form), "FORM", "csv (default), grid, jsonl, summary or sqlite"},
    {"--output", "-o", OPTION_TEXT, AT(output), "FILE",
     "write there; it appears when it is whole (sqlite: a database there is added to)"},
    {"--only", NULL, OPTION_LIST, AT(only), "SIGNAL,...", "these signals alone"},
    {"--role", NULL, OPTION_LIST, AT(roles), "ROLE,...", "the signals of these roles alone"},
    CAPTURE_OPTIONS,
    {"--bus", NULL, OPTION_LIST, AT(buses), "BUS=NAME", "the profile's BUS is NAME in the capture"},
    {"--senders", NULL, OPTION_FLAG, AT(senders), NULL,
     "csv, jsonl: name a second sender behind the frame, as in coolant@7E9"},
    {"--every", NULL, OPTION_SECONDS, AT(every_ns), "TIME",
     "grid: step, such as 20ms (default 100ms)"},
    {"--max-age", NULL, OPTION_SECONDS, AT(max_age_ns), "TIME",
     "grid: leave older values empty (default: as the profile says)"},
    {"--json", NULL, OPTION_FLAG, AT(json), NULL, "summary: as one JSON object"},
    THREADS_OPTION,
    COMMON_OPTIONS,
};

static const char details[] =
    "CAPTURE is candump's text, pcap, pcapng or a csv of frames, packed with gzip or zstd or not,\n"
    "told by its content; `-` is standard input, can:can0 a live bus.\n"
    "Several are read one after another. --from and --to count seconds from the first frame; a\n"
    "number that is not below the first frame's time is the capture's own time; `+5` always "
    "counts\n"
    "from the start.\n\n"
    "csv has the columns time_s,bus,frame,signal,value,unit,label. The label is the value's name,\n"
    "or `unavailable`, `error` (then there is no value) or `suspect` (the frame failed its "
    "checksum\n"
    "or its counter stood still). Lines that cannot be read are counted and the first are "
    "shown.\n\n"
    "examples:\n"
    "  loomtap decode captures/tarn-drive.log -p signaldefs/tarn-turbo.ini --as summary\n"
    "  loomtap decode captures/tarn-drive.log -p signaldefs/tarn-turbo.ini --role engine_speed "
    "--to 5\n"
    "  loomtap decode captures/tarn-drive.log -p signaldefs/tarn-turbo.ini --as grid --every 500ms "
    "--role engine_speed,load,lambda,drive_mode\n"
    "  loomtap decode captures/tarn-drive.log -p signaldefs/obd-ii.ini --as summary\n"
    "  loomtap decode captures/tarn-drive.log -p signaldefs/tarn-turbo.ini --as sqlite -o "
    "/tmp/drive.db\n";

static const struct {
    const char *name;
    enum lt_decode_form form;
} forms[] = {{"csv", LT_DECODE_CSV},
             {"grid", LT_DECODE_GRID},
             {"jsonl", LT_DECODE_JSONL},
             {"sqlite", LT_DECODE_SQLITE},
             {"summary", LT_DECODE_SUMMARY}};

static bool find_form(const char *name, enum lt_decode_form *ret_form)
{
    for (size_t i = 0; i < sizeof forms / sizeof *forms; i++) {
        if (!name || strcmp(forms[i].name, name) == 0) {
            *ret_form = forms[i].form;
            return true;
        }
    }
    return false;
}

static int take_options(const struct decode_values *v, struct lt_bus_said *buses,
                        struct lt_decode_options *decode)
{
    *decode = (struct lt_decode_options){
        .only = v->only.items,
        .only_count = v->only.count,
        .roles = v->roles.items,
        .role_count = v->roles.count,
        .senders = v->senders,
        .every_ns = v->every_ns,
        .max_age_ns = v->max_age_ns,
        .threads = thread_count(v->threads),
    };
    if (!v->common.arguments.count)
        return usage_error("decode", "no capture given");
    if (!v->profiles.count)
        return usage_error("decode", "no profile given: -p FILE");
    if (!find_form(v->form, &decode->form))
        return usage_error(
            "decode", "--as: there is no form `%s`; csv, grid, jsonl, summary or sqlite", v->form);
    if (v->json && decode->form != LT_DECODE_SUMMARY)
        return usage_error("decode", "--json goes with --as summary; for values use --as jsonl");
    if (decode->form == LT_DECODE_SQLITE && !v->output)
        return usage_error("decode", "--as sqlite writes a file: -o FILE");
    int status = take_span("decode", v->from, v->to, &decode->from, &decode->to);
    if (status == EXIT_FINE)
        status = check_columns("decode", v->columns);
    decode->buses = buses;
    return status != EXIT_FINE ? status
                               : take_said_buses("decode", &v->buses, buses, &decode->bus_count);
}

static int give_out(const struct decode_values *v, struct lt_decode *decode,
                    enum lt_decode_form form, struct lt_file_sink *file)
{
    struct lt_error error;
    enum lt_code code = lt_decode_run(decode, &file->sink, &error);
    int status = EXIT_FINE;
    if (code != LT_OK) { /* what was decoded before stays */
        say_error(&error);
        status = code == LT_E_MEMORY || file->sink.failed ? EXIT_SYSTEM : EXIT_UNREADABLE;
    }
    if (form == LT_DECODE_SUMMARY && v->json)
        lt_decode_summary_json(decode, &file->sink);
    else if (form == LT_DECODE_SUMMARY)
        lt_decode_summary(decode, &file->sink);
    if (lt_file_sink_commit(file, &error) != LT_OK) {
        if (status != EXIT_SYSTEM)
            say_error(&error);
        status = EXIT_SYSTEM;
    }
    return status;
}

static int decide(const struct decode_values *v, const struct lt_decode *decode)
{
    size_t without = lt_decode_roles_without_signal(decode);
    if (without)
        say(v->common.quiet, "%zu of the roles named have no signal in the profile\n", without);
    else if (lt_decode_values(decode) == 0)
        say(v->common.quiet, "no value came out of this capture; `--as summary` says why\n");
    return without || lt_decode_values(decode) == 0 ? EXIT_NO : EXIT_FINE;
}

static int decode_reader(const struct decode_values *v, const struct lt_decode_options *wanted,
                         struct lt_reader *reader, const struct profiles *profiles)
{
    struct lt_decode *decode = NULL;
    struct lt_faults notes;
    struct lt_error error;
    struct lt_file_sink *file = malloc(sizeof *file);
    int status = EXIT_SYSTEM;
    lt_faults_init(&notes, 0);
    if (!file) {
        complain("out of memory");
        goto out;
    }
    if (lt_decode_new(&decode, reader, (const struct lt_profile *const *)profiles->items,
                      profiles->count, wanted, &notes, &error) != LT_OK) {
        say_error(&error);
        status = error.code == LT_E_UNKNOWN ? EXIT_USAGE : EXIT_SYSTEM;
        goto out;
    }
    if (wanted->store) {
        status = give_database(decode, v->output, v->common.quiet);
    } else if (lt_file_sink_open(file, v->output ? v->output : "-", &error) == LT_OK) {
        status = give_out(v, decode, wanted->form, file);
    } else {
        say_error(&error);
        goto out;
    }
    say_faults(&notes, v->common.quiet);
    /* The error of a strict stop has named the line already. */
    say_malformed(lt_reader_counts(reader), v->common.arguments.items,
                  v->common.quiet || v->strict);
    say_columns_unused(lt_reader_counts(reader), v->common.arguments.items, v->common.quiet);
    if (status == EXIT_FINE)
        status = decide(v, decode);
out:
    lt_decode_free(decode);
    lt_faults_release(&notes);
    free(file);
    return status;
}

static int run(void *values)
{
    const struct decode_values *v = values;
    struct lt_decode_options wanted;
    struct lt_bus_said buses[BUSES_SAID_MAX];
    struct lt_reader_options reading = {
        .differences = v->differences, .strict = v->strict, .columns = v->columns};
    struct lt_reader *reader = NULL;
    struct lt_error error;
    static struct profiles profiles;
    int status = take_options(v, buses, &wanted);
    if (status == EXIT_FINE)
        status = take_live("decode", &v->common.arguments, v->duration_ns, &reading);
    if (status == EXIT_FINE)
        status = load_profiles(&profiles, &v->profiles, v->common.quiet);
    if (status != EXIT_FINE)
        goto out;
    if (lt_reader_open_all(&reader, v->common.arguments.items, v->common.arguments.count, &reading,
                           &error) != LT_OK) {
        say_error(&error);
        status = reading_status(error.code);
        goto out;
    }
    if (wanted.form == LT_DECODE_SQLITE &&
        lt_store_open(&wanted.store, v->output, &error) != LT_OK) {
        say_error(&error);
        status = EXIT_SYSTEM;
        goto out;
    }
    status = decode_reader(v, &wanted, reader, &profiles);
    lt_store_free(wanted.store);
out:
    lt_reader_free(reader);
    free_profiles(&profiles);
    return status;
}

const struct command cmd_decode = {
    .name = "decode",
    .usage = "CAPTURE... -p PROFILE...",
    .help = "frames to values: csv, grid, jsonl, a summary or a database",
    .details = details,
    .options = options,
    .size = sizeof(struct decode_values),
    .run = run,
};
