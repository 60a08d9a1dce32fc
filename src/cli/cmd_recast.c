/* loomtap recast: captures in, one capture out, in another form, cut, merged, renamed, hidden. */
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "cli/captures.h"
#include "cli/commands.h"
#include "loomtap/base/number.h"
#include "loomtap/recast/recast.h"

struct recast_values {
    struct common common;
    const char *output, *form, *from, *to, *columns, *pack, *start, *digits;
    struct list ids, buses, renames, shifts;
    int64_t duration_ns, window_ns;
    uint64_t level;
    bool merge, repair, hide, rebase, strict, differences;
};

#define AT(member) offsetof(struct recast_values, member)

static const struct option_row options[] = {
    {"--output", "-o", OPTION_TEXT, AT(output), "FILE", "write there; it appears when it is whole"},
    {"--as", NULL, OPTION_TEXT, AT(form), "FORM", "the form; default: by FILE's ending, else log"},
    {"--pack", NULL, OPTION_TEXT, AT(pack), "HOW",
     "none, gzip or zstd; default: by FILE's ending .gz or .zst"},
    {"--level", NULL, OPTION_COUNT, AT(level), "N", "of packing: 1 to 9 (gzip), 1 to 19 (zstd)"},
    {"--digits", NULL, OPTION_TEXT, AT(digits), "N", "fraction digits of the time; default: all"},
    CAPTURE_OPTIONS,
    {"--id", NULL, OPTION_LIST, AT(ids), "ID,...",
     "these identifiers and ranges alone; with ! all but these"},
    {"--bus", NULL, OPTION_LIST, AT(buses), "NAME,...", "these buses of the capture alone"},
    {"--rename", NULL, OPTION_LIST, AT(renames), "OLD=NEW",
     "another bus name; 2:OLD=NEW in the second file alone"},
    {"--shift", NULL, OPTION_LIST, AT(shifts), "S", "add to the times; 2:S to those of file 2"},
    {"--merge", NULL, OPTION_FLAG, AT(merge), NULL, "several captures by time, as one"},
    {"--repair", NULL, OPTION_FLAG, AT(repair), NULL, "put frames in order of time"},
    {"--window", NULL, OPTION_SECONDS, AT(window_ns), "TIME",
     "merge, repair: how far a frame may be behind (default 1s)"},
    {"--hide", NULL, OPTION_FLAG, AT(hide), NULL, "put X over identification numbers"},
    {"--rebase", NULL, OPTION_FLAG, AT(rebase), NULL, "the first frame gets time 0"},
    {"--start", NULL, OPTION_TEXT, AT(start), "S", "the first frame gets this time"},
    COMMON_OPTIONS,
};

static const char details[] =
    "CAPTURE is a file in any form that is read; `-` is standard input, can:can0 a live bus.\n"
    "Several are written one\n"
    "behind another, or with --merge by time. --from and --to count as for decode, after --shift.\n"
    "\n"
    "ID is 0x123 (11 bits), 0x00000123 or 123x (29 bits), a range 0x100..0x1FF, or `error` for\n"
    "error frames; `!` before it leaves it out. MAP is such as\n"
    "time=Timestamp,unit=ms,id=ID:hex,data=D0..D7,bus=Channel (docs/capture-forms.md).\n"
    "\n"
    "What the form written cannot hold is counted on stderr, frame by frame.\n\n"
    "examples:\n"
    "  loomtap recast captures/tarn-drive.log -o /tmp/drive.csv.gz\n"
    "  loomtap recast captures/tarn-drive.log --from 5 --to 10 --id 0x0C4,0x7E0..0x7EF\n"
    "  loomtap recast captures/tarn-drive.log --hide --rebase -o /tmp/to-pass-on.log\n";

struct wishes {
    struct lt_writer_options writing;
    struct lt_reader_options reading;
    struct lt_recast_options recast;
    struct lt_id_rule ids[LIST_MAX];
    struct lt_bus_rename renames[LIST_MAX];
    struct lt_clock_shift shifts[LIST_MAX];
};

static int take_lists(const struct recast_values *v, struct wishes *wishes)
{
    for (size_t i = 0; i < v->ids.count; i++)
        if (!lt_id_rule_parse(lt_text_of(v->ids.items[i]), &wishes->ids[i]))
            return usage_error("recast", "--id: `%s` is no identifier or range", v->ids.items[i]);
    for (size_t i = 0; i < v->renames.count; i++)
        if (!lt_bus_rename_parse(lt_text_of(v->renames.items[i]), &wishes->renames[i]))
            return usage_error("recast", "--rename: `%s` is not of the form OLD=NEW",
                               v->renames.items[i]);
    for (size_t i = 0; i < v->shifts.count; i++)
        if (!lt_clock_shift_parse(lt_text_of(v->shifts.items[i]), &wishes->shifts[i]))
            return usage_error("recast", "--shift: `%s` is not of the form SECONDS or FILE:SECONDS",
                               v->shifts.items[i]);
    return EXIT_FINE;
}

static int take_times(const struct recast_values *v, struct lt_recast_options *recast)
{
    struct lt_clock_shift start;
    int status = take_span("recast", v->from, v->to, &recast->from, &recast->to);
    if (status != EXIT_FINE)
        return status;
    if (v->start &&
        (!lt_clock_shift_parse(lt_text_of(v->start), &start) || start.source || start.ns < 0))
        return usage_error("recast", "--start: `%s` is no time in seconds", v->start);
    recast->rebase = v->rebase || v->start;
    recast->rebase_ns = v->start ? start.ns : 0;
    if (v->window_ns && !v->merge && !v->repair)
        return usage_error("recast", "--window goes with --merge or --repair");
    return EXIT_FINE;
}

static int take_packing(const struct recast_values *v, struct lt_writer_options *writing)
{
    static const struct {
        const char *word;
        enum lt_packing packing;
    } rows[] = {{"none", LT_PACK_NONE}, {"gzip", LT_PACK_GZIP}, {"zstd", LT_PACK_ZSTD}};
    uint32_t digits = 0;
    if (v->digits && !lt_parse_u32(lt_text_of(v->digits), 9, &digits))
        return usage_error("recast", "--digits: `%s` is no number from 0 to 9", v->digits);
    writing->form = v->form;
    writing->has_digits = v->digits != NULL;
    writing->digits = digits;
    writing->level = v->level < 100 ? (int)v->level : 100;
    for (size_t i = 0; v->pack && i < sizeof rows / sizeof *rows; i++)
        if (strcmp(v->pack, rows[i].word) == 0)
            writing->packing = rows[i].packing;
    if (v->pack && writing->packing == LT_PACK_BY_ENDING)
        return usage_error("recast", "--pack: `%s` is none of none, gzip and zstd", v->pack);
    return EXIT_FINE;
}

static int take_options(const struct recast_values *v, const char *output, struct wishes *wishes)
{
    struct lt_error error;
    wishes->reading = (struct lt_reader_options){
        .differences = v->differences, .strict = v->strict, .columns = v->columns};
    wishes->recast = (struct lt_recast_options){
        .ids = wishes->ids,
        .id_count = v->ids.count,
        .buses = v->buses.items,
        .bus_count = v->buses.count,
        .renames = wishes->renames,
        .rename_count = v->renames.count,
        .shifts = wishes->shifts,
        .shift_count = v->shifts.count,
        .merge = v->merge,
        .repair = v->repair,
        .window_ns = v->window_ns,
        .hide = v->hide,
    };
    if (!v->common.arguments.count)
        return usage_error("recast", "no capture given");
    int status = take_lists(v, wishes);
    if (status == EXIT_FINE)
        status = take_times(v, &wishes->recast);
    if (status == EXIT_FINE)
        status = take_packing(v, &wishes->writing);
    if (status == EXIT_FINE)
        status = check_columns("recast", v->columns);
    if (status == EXIT_FINE)
        status = take_live("recast", &v->common.arguments, v->duration_ns, &wishes->reading);
    if (status == EXIT_FINE && lt_writer_check(output, &wishes->writing, &error) != LT_OK) {
        say_error(&error);
        status = EXIT_USAGE;
    }
    return status;
}

/* Is an input missing, or the file to be written? The shell may have opened that one already. */
static int check_inputs(const struct list *inputs, const char *output)
{
    struct stat out, in;
    struct lt_error error;
    size_t from_stdin = 0;
    bool is_file =
        (strcmp(output, "-") == 0 ? fstat(STDOUT_FILENO, &out) : stat(output, &out)) == 0;
    is_file = is_file && S_ISREG(out.st_mode);
    for (size_t i = 0; i < inputs->count; i++) {
        const char *path = inputs->items[i];
        bool is_stdin = strcmp(path, "-") == 0;
        from_stdin += is_stdin;
        if (lt_reader_is_live(path))
            continue;
        if ((is_stdin ? fstat(STDIN_FILENO, &in) : stat(path, &in)) != 0) {
            lt_fail(&error, LT_E_IO, "%s", strerror(errno));
            lt_error_at(&error, path, 0, 0);
            lt_error_advise(&error, "look at the spelling and at the folder you are in");
            say_error(&error);
            return EXIT_UNREADABLE;
        }
        if (is_file && in.st_dev == out.st_dev && in.st_ino == out.st_ino)
            return usage_error("recast",
                               "`%s` would be read and written at once: name another "
                               "output",
                               path);
    }
    if (from_stdin > 1)
        return usage_error("recast", "standard input (`-`) can be read only once");
    return EXIT_FINE;
}

/* --- what is said --- */

static void say_losses(const struct lt_writer *writer, const char *output)
{
    const uint64_t *losses = lt_writer_losses(writer);
    for (int i = 0; i < LT_LOSS_COUNT; i++)
        if (losses[i])
            say(false, "%s (%s): %" PRIu64 " %s: %s\n", output, lt_writer_form(writer), losses[i],
                losses[i] == 1 ? "frame" : "frames", lt_loss_text(i));
    bool csv = strcmp(lt_writer_form(writer), "csv") == 0;
    if (csv && (losses[LT_LOSS_FRAME] || losses[LT_LOSS_RAW_DLC] || losses[LT_LOSS_FD_FLAGS]))
        say(false, "    `--as csv-all` keeps them\n");
}

static void say_seconds(const char *before, int64_t ns, const char *behind)
{
    char text[LT_F64_ROOM];
    size_t len = lt_print_f64(text, (double)ns / 1e9);
    say(false, "%s%.*s%s", before, (int)len, text, behind);
}

static void say_source(const char *path, const struct lt_reader_counts *counts)
{
    say_malformed(counts, &path, false);
    say_columns_unused(counts, &path, false);
    if (counts->wall_clock)
        say(false, "%s: the times are dates; they are taken as UTC\n", path);
    if (counts->dropped_frames)
        say(false, "%s: the recorder says that it lost %" PRIu64 " frames\n", path,
            counts->dropped_frames);
    if (counts->looks_like_differences)
        say(false,
            "%s: the times look like differences between frames; --differences adds them "
            "up\n",
            path);
    if (counts->cut_at_end && !counts->bad[LT_BAD_CUT])
        say(false, "%s: the last line has no line break: it may be cut\n", path);
}

static void say_order(const struct lt_recast_counts *counts, bool ordered)
{
    if (counts->steps_back && !ordered) {
        say(false, "steps back in time: %" PRIu64, counts->steps_back);
        say_seconds(" (most: ", counts->step_most_ns, " s); --repair puts frames in order\n");
    }
    if (counts->repaired)
        say(false, "frames that were behind others and are in their place now: %" PRIu64 "\n",
            counts->repaired);
    if (counts->late) {
        say(false, "frames further behind than the window: %" PRIu64, counts->late);
        say_seconds(" (most: ", counts->late_most_ns,
                    " s), not in order; a larger --window takes them in\n");
    }
    if (counts->let_go)
        say(false, "the window held more than %d frames: %" PRIu64 " went out early\n",
            LT_RECAST_HELD_MAX, counts->let_go);
}

static void say_names(const struct recast_values *v, const struct lt_recast *recast)
{
    for (size_t i = 0; i < v->buses.count; i++)
        if (!lt_recast_bus_was_met(recast, i))
            say(false, "--bus: no frame is on a bus `%s`\n", v->buses.items[i]);
    for (size_t i = 0; i < v->renames.count; i++)
        if (!lt_recast_rename_was_met(recast, i))
            say(false, "--rename: no frame is on the bus of `%s`\n", v->renames.items[i]);
}

static void say_hidden(const struct lt_recast_counts *counts)
{
    say(false, "hidden: messages: %" PRIu64 ", frames: %" PRIu64 ", bytes: %" PRIu64 "\n",
        counts->hidden_messages, counts->hidden_frames, counts->hidden_bytes);
    if (counts->unwatched)
        say(false, "%" PRIu64 " messages were not looked at: too many identifiers at once\n",
            counts->unwatched);
    if (counts->vins_left)
        say(false,
            "%" PRIu64 " messages still hold what looks like a vehicle number: their parts "
            "are too far apart\n",
            counts->vins_left);
}

static void say_all(const struct recast_values *v, const struct lt_recast *recast,
                    const struct lt_writer *writer, const char *output)
{
    const struct lt_recast_counts *counts = lt_recast_counts(recast);
    if (v->common.quiet)
        return;
    for (size_t i = 0; i < v->common.arguments.count; i++)
        say_source(v->common.arguments.items[i], lt_recast_source(recast, i));
    say_order(counts, v->merge || v->repair);
    say_names(v, recast);
    if (v->hide)
        say_hidden(counts);
    say_losses(writer, output);
    say(false, "%s: %" PRIu64 " of %" PRIu64 " frames written\n", output, lt_writer_frames(writer),
        counts->read);
}

/* --- the run --- */

static int write_out(const struct recast_values *v, struct lt_recast *recast,
                     struct lt_writer *writer, const char *output)
{
    struct lt_error error;
    const struct lt_recast_counts *counts = lt_recast_counts(recast);
    int status = EXIT_FINE;
    enum lt_code code = lt_recast_run(recast, writer, &error);
    if (code != LT_OK) { /* what was read before stays */
        say_error(&error);
        status = reading_status(code);
        if (counts->read == 0) {
            lt_writer_abort(writer);
            return status;
        }
    }
    if (lt_writer_commit(writer, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    say_all(v, recast, writer, output);
    bool no = lt_writer_frames(writer) == 0 || counts->vins_left || (v->hide && counts->unwatched);
    return status == EXIT_FINE && no ? EXIT_NO : status;
}

static int run(void *values)
{
    const struct recast_values *v = values;
    const char *output = v->output ? v->output : "-";
    static struct wishes wishes;
    struct lt_recast *recast = NULL;
    struct lt_writer *writer = NULL;
    struct lt_error error;
    int status = take_options(v, output, &wishes);
    if (status == EXIT_FINE)
        status = check_inputs(&v->common.arguments, output);
    if (status != EXIT_FINE)
        return status;
    enum lt_code code = lt_recast_new(&recast, v->common.arguments.items, v->common.arguments.count,
                                      &wishes.reading, &wishes.recast, &error);
    if (code == LT_E_RANGE || code == LT_E_LIMIT)
        return usage_error("recast", "%s", error.text);
    if (code == LT_OK)
        code = lt_writer_open(&writer, output, &wishes.writing, &error);
    if (code != LT_OK) {
        say_error(&error);
        status = EXIT_SYSTEM;
    } else {
        status = write_out(v, recast, writer, strcmp(output, "-") == 0 ? "output" : output);
    }
    lt_writer_free(writer);
    lt_recast_free(recast);
    return status;
}

const struct command cmd_recast = {
    .name = "recast",
    .usage = "CAPTURE... -o FILE",
    .help = "captures to another form: cut, filtered, merged, in order, fit to pass on",
    .details = details,
    .options = options,
    .size = sizeof(struct recast_values),
    .run = run,
};
