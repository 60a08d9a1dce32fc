/* loomtap rehearse: the warnings of a profile over captures. Nothing is sent. */
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "cli/captures.h"
#include "cli/commands.h"
#include "cli/outputs.h"
#include "cli/profiles.h"
#include "cli/said_buses.h"
#include "loomtap/warn/rehearse.h"

#define FAULTS_SHOWN 50

struct rehearse_values {
    struct common common;
    struct list profiles, buses;
    const char *output, *html, *expect, *write_expect, *from, *to, *columns;
    int64_t duration_ns;
    bool json, frames, strict, differences;
};

#define AT(member) offsetof(struct rehearse_values, member)

static const struct option_row options[] = {
    {"--profile", "-p", OPTION_AGAIN, AT(profiles), "FILE", "the profile with the warnings"},
    {"--frames", NULL, OPTION_FLAG, AT(frames), NULL,
     "text: also each frame that would have been sent"},
    {"--json", NULL, OPTION_FLAG, AT(json), NULL, "events and frames as one JSON object"},
    {"--output", "-o", OPTION_TEXT, AT(output), "FILE",
     "write text or JSON there; it appears when it is whole"},
    {"--html", NULL, OPTION_TEXT, AT(html), "FILE", "also write a page with pictures"},
    {"--expect", NULL, OPTION_TEXT, AT(expect), "FILE",
     "the events that have to come, and no others"},
    {"--write-expect", NULL, OPTION_TEXT, AT(write_expect), "FILE",
     "write the events of this run as such a file"},
    CAPTURE_OPTIONS,
    {"--bus", NULL, OPTION_LIST, AT(buses), "BUS=NAME", "the profile's BUS is NAME in the capture"},
    COMMON_OPTIONS,
};

static const char details[] =
    "Runs the warnings of the profile over recorded frames: when each would have come on and gone\n"
    "off and why, to the nanosecond of the capture's own clock, and the frames that would have\n"
    "been sent, with counter and checksum. Nothing is sent.\n\n"
    "CAPTURE is candump's text, pcap, pcapng or a csv of frames, packed with gzip or zstd or not,\n"
    "told by its content; `-` is standard input, can:can0 a live bus.\n"
    "Several are read one after "
    "another. --from and\n"
    "--to count seconds from the first frame; a number that is not below the first frame's time "
    "is\n"
    "the capture's own time; `+5` always counts from the start.\n\n"
    "docs/warnings.md has the rules of conditions, timing and lost inputs, and the form of\n"
    "--expect.\n\n"
    "examples:\n"
    "  loomtap rehearse captures/tarn-drive.log -p signaldefs/tarn-turbo.ini\n"
    "  loomtap rehearse captures/tarn-drive.log -p signaldefs/tarn-turbo.ini --from 29 --to 34 "
    "--frames\n"
    "  loomtap rehearse captures/tarn-drive.log -p signaldefs/tarn-turbo.ini --json --html "
    "/tmp/drive.html\n"
    "  loomtap rehearse captures/tarn-drive.log -p signaldefs/tarn-turbo.ini --write-expect "
    "/tmp/drive.expect\n";

/* --- what one run has --- */

struct run {
    const struct rehearse_values *v;
    struct lt_bus_said buses[BUSES_SAID_MAX];
    struct lt_rehearse_options wanted;
    struct profiles profiles;
    struct lt_reader *reader;
    struct lt_rehearse *rehearse;
    struct lt_arena arena; /* of the expectation */
    struct lt_faults notes, expect_faults;
    struct lt_file_sink *out, *expect_out;
    struct lt_sink *spill; /* frames, until they go behind the events */
    FILE *spill_file;
};

static int take_options(struct run *r)
{
    const struct rehearse_values *v = r->v;
    if (!v->common.arguments.count)
        return usage_error("rehearse", "no capture given");
    if (!v->profiles.count)
        return usage_error("rehearse", "no profile given: -p FILE");
    if (v->profiles.count > 1)
        return usage_error("rehearse", "one profile at a time; a profile can `include` others");
    if (v->json && v->frames)
        return usage_error("rehearse", "--frames is for text; --json has the frames anyway");
    r->wanted.page = v->html != NULL;
    r->wanted.text_frames = v->frames;
    int status = take_span("rehearse", v->from, v->to, &r->wanted.from, &r->wanted.to);
    if (status == EXIT_FINE)
        status = check_columns("rehearse", v->columns);
    r->wanted.buses = r->buses;
    return status == EXIT_FINE
               ? take_said_buses("rehearse", &r->v->buses, r->buses, &r->wanted.bus_count)
               : status;
}

static int fail(const struct lt_error *error, int status)
{
    say_error(error);
    return status;
}

/* --- the expectation --- */

/* At most one byte more than is allowed, so that the parser can say so. */
static char *read_file(struct lt_arena *arena, const char *path, size_t *ret_len,
                       struct lt_error *error)
{
    FILE *file = fopen(path, "rb");
    char *text = lt_arena_alloc(arena, LT_EXPECT_BYTES_MAX + 1);
    size_t len = file && text ? fread(text, 1, LT_EXPECT_BYTES_MAX + 1, file) : 0;
    bool bad = !file || !text || ferror(file);
    if (bad)
        lt_fail(error, LT_E_IO, "cannot be read: %s", strerror(errno));
    lt_error_at(bad ? error : NULL, path, 0, 0);
    if (file)
        fclose(file);
    *ret_len = len;
    return bad ? NULL : text;
}

static int load_expect(struct run *r)
{
    struct lt_error error;
    size_t len = 0;
    if (!r->v->expect)
        return EXIT_FINE;
    char *text = read_file(&r->arena, r->v->expect, &len, &error);
    if (!text)
        return fail(&error, EXIT_UNREADABLE);
    if (lt_expect_parse(r->v->expect, (struct lt_text){text, len}, r->profiles.items[0], &r->arena,
                        &r->wanted.expect, &error) != LT_OK)
        return fail(&error, error.code == LT_E_MEMORY ? EXIT_SYSTEM : EXIT_UNREADABLE);
    r->wanted.expect_faults = &r->expect_faults;
    return EXIT_FINE;
}

static int open_write_expect(struct run *r)
{
    struct lt_error error;
    if (!r->v->write_expect)
        return EXIT_FINE;
    r->expect_out = malloc(sizeof *r->expect_out);
    if (!r->expect_out) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    if (lt_file_sink_open(r->expect_out, r->v->write_expect, &error) != LT_OK) {
        free(r->expect_out);
        r->expect_out = NULL;
        return fail(&error, EXIT_SYSTEM);
    }
    struct lt_sink *sink = r->wanted.write_expect = &r->expect_out->sink;
    lt_sink_format(sink, "# What `loomtap rehearse --expect` holds a run of profile %s against:\n",
                   r->profiles.items[0]->name);
    lt_sink_string(sink, "# seconds from the first frame, warning, on or off, cause.\n"
                         "tolerance 0.05\n");
    return EXIT_FINE;
}

static int check_expect(struct run *r)
{
    if (!r->wanted.expect)
        return EXIT_FINE;
    const struct lt_expect_counts *counts = lt_expect_counts(r->wanted.expect);
    say_faults(&r->expect_faults, false);
    say(r->v->common.quiet,
        "%s: %" PRIu64 " of %" PRIu64 " events came as expected, %" PRIu64 " missed, %" PRIu64
        " unexpected\n",
        r->v->expect, counts->met, counts->lines, counts->missed, counts->unexpected);
    return counts->missed || counts->unexpected ? EXIT_NO : EXIT_FINE;
}

/* --- outputs --- */

static int open_output(struct run *r)
{
    struct lt_error error;
    r->out = malloc(sizeof *r->out);
    if (!r->out) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    if (lt_file_sink_open(r->out, r->v->output ? r->v->output : "-", &error) != LT_OK) {
        free(r->out);
        r->out = NULL;
        return fail(&error, EXIT_SYSTEM);
    }
    if (!r->v->json) {
        r->wanted.text = &r->out->sink;
        return EXIT_FINE;
    }
    r->spill = malloc(sizeof *r->spill);
    r->spill_file = tmpfile();
    if (!r->spill || !r->spill_file) {
        complain("no room for frames in between: %s", strerror(errno));
        return EXIT_SYSTEM;
    }
    lt_sink_init_fd(r->spill, fileno(r->spill_file));
    r->wanted.json = &r->out->sink;
    r->wanted.json_frames = r->spill;
    return EXIT_FINE;
}

static int join_json(struct run *r)
{
    char buffer[16384];
    ssize_t len = -1;
    if (lt_sink_flush(r->spill) && lseek(fileno(r->spill_file), 0, SEEK_SET) == 0)
        while ((len = read(fileno(r->spill_file), buffer, sizeof buffer)) > 0)
            lt_sink_put(&r->out->sink, buffer, (size_t)len);
    lt_sink_string(&r->out->sink, "]}\n");
    if (len == 0)
        return EXIT_FINE;
    complain("the frames could not be kept in between: %s", strerror(errno));
    return EXIT_SYSTEM;
}

static int commit(struct lt_file_sink **file)
{
    struct lt_error error;
    int status = EXIT_FINE;
    if (*file && lt_file_sink_commit(*file, &error) != LT_OK)
        status = fail(&error, EXIT_SYSTEM);
    free(*file);
    *file = NULL;
    return status;
}

static enum lt_code put_page(void *context, struct lt_sink *sink, struct lt_error *error)
{
    const struct run *r = context;
    const struct lt_rehearse_about about = {r->v->common.arguments.items,
                                            r->v->common.arguments.count};
    (void)error;
    lt_rehearse_html(r->rehearse, &about, sink);
    return LT_OK;
}

/* --- what is said beside the results --- */

static void say_cautions(const struct run *r)
{
    const struct lt_profile *profile = r->profiles.items[0];
    bool sends = false;
    for (size_t i = 0; i < profile->warning_count; i++)
        sends |= profile->warnings[i].send != LT_NONE;
    if (!sends)
        return;
    say(r->v->common.quiet, "nothing is sent here; the profile declares frames to send:\n");
    for (size_t i = 0; lt_warn_cautions[i]; i++)
        say(r->v->common.quiet, "  %s\n", lt_warn_cautions[i]);
}

static void say_count(const struct run *r, uint64_t count, const char *text)
{
    if (count)
        say(r->v->common.quiet, "%" PRIu64 " %s\n", count, text);
}

static void say_left_out(const struct run *r)
{
    const struct lt_warn_counts *counts = lt_rehearse_engine_counts(r->rehearse);
    if (counts->foreign)
        say(false,
            "frame %s: its identifier is sent in this capture already (%" PRIu64
            " frames): give it one of the kit's own, or it would be refused when live\n",
            r->profiles.items[0]->frames[counts->foreign_frame].name, counts->foreign);
    say_count(r, lt_rehearse_counts(r->rehearse).outside_span, "frames outside the time span");
    say_count(r, counts->no_time, "frames without a time, taken at the time of the one before");
    say_count(r, counts->backward, "frames with a time below the newest");
    say_count(r, counts->restarts,
              "steps back or long pauses, each the start of a new recording with nothing known");
    say_count(r, counts->other_senders, "frames of a second sender of an input, passed over");
    say_count(r, counts->not_encoded, "frames whose settings could not be put together");
}

/* 1: there was nothing to rehearse with. */
static int decide(const struct run *r)
{
    const struct lt_warn_counts *counts = lt_rehearse_engine_counts(r->rehearse);
    int status = EXIT_FINE;
    if (!r->profiles.items[0]->warning_count)
        complain("the profile has no warnings");
    else if (!counts->frames)
        complain("no frame to rehearse with");
    else if (counts->no_time == counts->frames)
        complain("the capture has no times, and warnings are a matter of time");
    else if (!counts->matched && !r->wanted.expect)
        complain("no frame brought an input of a warning: is this the right bus? --bus says which");
    else
        return status;
    return EXIT_NO;
}

/* --- the command --- */

static int run_engine(struct run *r)
{
    struct lt_error error;
    enum lt_code code = lt_rehearse_run(r->rehearse, &error);
    int status = EXIT_FINE;
    if (code != LT_OK) /* what came before is given out */
        status =
            fail(&error, code == LT_E_MEMORY || code == LT_E_IO ? EXIT_SYSTEM : EXIT_UNREADABLE);
    if (r->v->json)
        status = worse(status, join_json(r));
    else
        lt_rehearse_summary(r->rehearse, &r->out->sink);
    status = worse(status, commit(&r->out));
    status = worse(status, commit(&r->expect_out));
    return r->v->html ? worse(status, write_out(r->v->html, put_page, r)) : status;
}

static int rehearse(struct run *r)
{
    const struct rehearse_values *v = r->v;
    struct lt_error error;
    int status = open_output(r);
    if (status == EXIT_FINE)
        status = open_write_expect(r);
    if (status != EXIT_FINE)
        return status;
    if (lt_rehearse_new(&r->rehearse, r->reader, r->profiles.items[0], &r->wanted, &r->notes,
                        &error) != LT_OK)
        return fail(&error, error.code == LT_E_UNKNOWN    ? EXIT_USAGE
                            : error.code == LT_E_CONFLICT ? EXIT_NO
                                                          : EXIT_SYSTEM);
    say_faults(&r->notes, v->common.quiet);
    say_cautions(r);
    status = run_engine(r);
    say_malformed(lt_reader_counts(r->reader), v->common.arguments.items,
                  v->common.quiet || v->strict);
    say_columns_unused(lt_reader_counts(r->reader), v->common.arguments.items, v->common.quiet);
    say_left_out(r);
    status = worse(status, check_expect(r));
    return worse(status, decide(r));
}

static void release(struct run *r)
{
    if (r->out)
        lt_file_sink_abort(r->out);
    if (r->expect_out)
        lt_file_sink_abort(r->expect_out);
    free(r->out);
    free(r->expect_out);
    free(r->spill);
    if (r->spill_file)
        fclose(r->spill_file);
    lt_rehearse_free(r->rehearse);
    lt_reader_free(r->reader);
    free_profiles(&r->profiles);
    lt_faults_release(&r->notes);
    lt_faults_release(&r->expect_faults);
    lt_arena_release(&r->arena);
}

static int prepare_and_run(struct run *r)
{
    const struct rehearse_values *v = r->v;
    struct lt_reader_options reading = {
        .differences = v->differences, .strict = v->strict, .columns = v->columns};
    struct lt_error error;
    int status = take_options(r);
    if (status == EXIT_FINE)
        status = take_live("rehearse", &v->common.arguments, v->duration_ns, &reading);
    if (status == EXIT_FINE)
        status = load_profiles(&r->profiles, &v->profiles, v->common.quiet);
    if (status == EXIT_FINE)
        status = load_expect(r);
    if (status != EXIT_FINE)
        return status;
    if (lt_reader_open_all(&r->reader, v->common.arguments.items, v->common.arguments.count,
                           &reading, &error) != LT_OK)
        return fail(&error, reading_status(error.code));
    return rehearse(r);
}

static int run(void *values)
{
    static struct run r;
    r.v = values;
    lt_arena_init(&r.arena, 0);
    lt_faults_init(&r.notes, 0);
    lt_faults_init(&r.expect_faults, FAULTS_SHOWN);
    int status = prepare_and_run(&r);
    release(&r);
    return status;
}

const struct command cmd_rehearse = {
    .name = "rehearse",
    .usage = "CAPTURE... -p PROFILE",
    .help = "the warnings of a profile over captures: when, why, and what would be sent",
    .details = details,
    .options = options,
    .size = sizeof(struct rehearse_values),
    .run = run,
};
