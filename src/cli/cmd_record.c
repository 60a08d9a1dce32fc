/* loomtap record: CAN interfaces to a recording, with the marks of a passenger. It only listens,
 * unless it is to poll. */
#include <errno.h>
#include <inttypes.h>
#include <string.h>

#include "cli/cautions.h"
#include "cli/commands.h"
#include "cli/keys.h"
#include "cli/needs.h"
#include "cli/polling.h"
#include "cli/profiles.h"
#include "cli/stop.h"
#include "loomtap/base/clock.h"
#include "loomtap/live/filters.h"
#include "loomtap/live/intake.h"
#include "loomtap/live/record.h"
#include "loomtap/recast/recast.h"

#define LOOK_NS   INT64_C(20000000) /* how late a key is noticed at most */
#define SHEET_END ".json"

struct record_values {
    struct common common;
    const char *output, *form, *marks, *sheet;
    const char *poll_bus;
    struct list keys, notes, ids, profiles, poll, roles;
    int64_t duration_ns, split_ns;
    uint64_t frames, split_mb;
    bool no_errors, vin, arm, cautions_read, lead;
};

#define AT(member) offsetof(struct record_values, member)

static const struct option_row options[] = {
    {"--output", "-o", OPTION_TEXT, AT(output), "FILE",
     "record there; a file there is not touched"},
    {"--as", NULL, OPTION_TEXT, AT(form), "FORM", "the form; default: by FILE's ending, else log"},
    {"--duration", NULL, OPTION_SECONDS, AT(duration_ns), "TIME", "end after this time"},
    {"--frames", NULL, OPTION_COUNT, AT(frames), "N", "end after so many frames"},
    {"--split", NULL, OPTION_SECONDS, AT(split_ns), "TIME", "a new part after this time"},
    {"--split-mb", NULL, OPTION_COUNT, AT(split_mb), "N", "a new part after N megabytes"},
    {"--marks", NULL, OPTION_TEXT, AT(marks), "FILE", "keys pressed go there as marks"},
    {"--key", NULL, OPTION_LIST, AT(keys), "K=LABEL", "what key K means; else the key itself"},
    {"--note", NULL, OPTION_AGAIN, AT(notes), "NAME=TEXT",
     "for the sheet: access=..., odometer=..., adapter=..."},
    {"--sheet", NULL, OPTION_TEXT, AT(sheet), "FILE", "the sheet; default: FILE" SHEET_END},
    {"--id", NULL, OPTION_LIST, AT(ids), "ID,...", "these identifiers and ranges alone"},
    {"--profile", "-p", OPTION_LIST, AT(profiles), "PROFILE,...",
     "what these profiles read, alone"},
    {"--no-errors", NULL, OPTION_FLAG, AT(no_errors), NULL, "leave error frames out"},
    {"--poll", NULL, OPTION_LIST, AT(poll), "VALUE,...",
     "ask the car for these meanwhile, as `loomtap ask` does; wants --arm"},
    {"--poll-bus", NULL, OPTION_TEXT, AT(poll_bus), "BUS", "ask there (default: the first BUS)"},
    {"--vin", NULL, OPTION_FLAG, AT(vin), NULL,
     "polling: ask for the vehicle's number too, and keep it in the sheet"},
    {"--for", NULL, OPTION_LIST, AT(roles), "ROLE,...",
     "say meanwhile what is still missing to seek these"},
    {"--lead", NULL, OPTION_FLAG, AT(lead), NULL,
     "with --for: read out what to drive next, with a beep"},
    ARM_OPTIONS,
    COMMON_OPTIONS,
};

static const char details[] =
    "BUS is a CAN interface that is up (can0, vcan0). Nothing is sent without --poll; that the\n"
    "adapter acknowledges nothing either is the interface's own setting (listen-only on).\n"
    "Frames of several buses are in the order of the host's clock. Ctrl-C ends the recording.\n"
    "\n"
    "What was recorded more than a second ago is in the file, whatever happens: the power of this\n"
    "machine aside. A bus that goes down or loses its adapter is waited for; the gap stands in "
    "the\n"
    "sheet, beside frames, drops, notes and the SHA-256 of each file.\n"
    "\n"
    "--marks takes keys from the terminal (or any other standard input) while recording; a\n"
    "passenger presses them, never the driver. ID is as for recast, without `!` and `error`.\n"
    "\n"
    "--poll asks one bus while all of them are recorded; questions and replies are in the\n"
    "recording, calibration ids in the sheet. It ends when the key is off and begins again when\n"
    "the bus wakes.\n" QUESTION_WORDS "\n"
    "--for counts by the figures that seek judges by: replies (of --poll, or of another tester)\n"
    "for numbers, marks for labels such as drive_mode. With --poll its roles are asked for too.\n\n"
    "examples:\n"
    "  loomtap record can0 -o drive.log --marks marks.csv --key c=comfort,s=sport,w=wet\n"
    "  loomtap record can0 can1 -o drive.pcapng.zst --split 10 --note access='behind the gateway'\n"
    "  loomtap record can0 -o drive.log --poll engine_speed,load,lambda --arm\n"
    "  loomtap record can0 -o drive.log --poll engine_speed,load --for vehicle_speed,drive_mode\n"
    "      --lead --marks marks.csv --key c=comfort,s=sport --arm\n"
    "  loomtap record can0 -o - --duration 60 | loomtap survey -\n";

struct wishes {
    struct lt_record_options record;
    struct lt_can_bus_options bus;
    struct lt_can_filter filters[LT_CAN_FILTERS_MAX];
    const char *note_keys[LIST_MAX], *note_values[LIST_MAX];
    const char *key_labels[256]; /* by key */
    struct polling_wishes polling;
};

struct run {
    const struct record_values *v;
    struct lt_intake *intake;
    struct lt_record *record;
    struct lt_marks_file *marks;
    struct keys keys;
    struct polling polling;
    struct needs needs;
    struct lt_can_bus_state states[LT_BUSES_MAX];
    struct lt_stamps_report clocks[LT_BUSES_MAX];
    struct lt_link links[LT_BUSES_MAX];
    struct lt_record_gap gaps[LT_RECORD_GAPS_MAX];
    struct lt_record_sheet sheet;
    char sheet_path[4096];
    uint64_t frames, marks_lost;
    int64_t began_ns;
    struct progress progress;
    const char *why_ended;
};

/* ---- what is wanted ---- */

static int take_keys(const struct record_values *v, struct wishes *wishes)
{
    if (v->keys.count && !v->marks)
        return usage_error("record", "--key goes with --marks FILE");
    for (size_t i = 0; i < v->keys.count; i++) {
        const char *word = v->keys.items[i];
        if (strlen(word) < 3 || word[1] != '=')
            return usage_error("record", "--key: `%s` is not of the form K=LABEL", word);
        wishes->key_labels[(unsigned char)word[0]] = word + 2;
    }
    return EXIT_FINE;
}

static int take_notes(const struct record_values *v, struct wishes *wishes)
{
    for (size_t i = 0; i < v->notes.count; i++) {
        const char *name = v->notes.items[i];
        wishes->note_keys[i] = name;
        wishes->note_values[i] = *name == '=' ? NULL : cut_at_equals(name);
        if (!wishes->note_values[i])
            return usage_error("record", "--note: `%s` is not of the form NAME=TEXT", name);
    }
    return EXIT_FINE;
}

static int take_ids(const struct record_values *v, struct wishes *wishes)
{
    for (size_t i = 0; i < v->ids.count; i++) {
        struct lt_id_rule rule;
        if (!lt_id_rule_parse(lt_text_of(v->ids.items[i]), &rule) || rule.exclude || rule.error)
            return usage_error("record", "--id: `%s` is no identifier or range", v->ids.items[i]);
        if (!lt_filters_add_range(wishes->filters, &wishes->bus.filter_count, rule.first, rule.last,
                                  rule.extended))
            return usage_error("record", "--id: more filters than the %d that a kernel takes",
                               LT_CAN_FILTERS_MAX);
    }
    return EXIT_FINE;
}

static int take_profiles(const struct record_values *v, struct wishes *wishes)
{
    static struct profiles profiles;
    int status = load_profiles(&profiles, &v->profiles, v->common.quiet);
    for (size_t i = 0; status == EXIT_FINE && i < profiles.count; i++)
        if (!lt_filters_add_profile(wishes->filters, &wishes->bus.filter_count, profiles.items[i]))
            status = usage_error("record",
                                 "the profiles have more frames than the %d filters that "
                                 "a kernel takes: record everything",
                                 LT_CAN_FILTERS_MAX);
    free_profiles(&profiles);
    return status;
}

/* Replies, and whoever else asks, must come through the filters; so must error frames, which make
 * the tester wait. */
static int take_polling(const struct record_values *v, struct wishes *wishes,
                        struct polling *polling)
{
    wishes->polling = (struct polling_wishes){.values = &v->poll,
                                              .roles = &v->roles,
                                              .bus = v->poll_bus,
                                              .vin = v->vin,
                                              .arm = v->arm,
                                              .cautions_read = v->cautions_read,
                                              .quiet = v->common.quiet};
    int status = polling_take(polling, &wishes->polling, &v->common.arguments);
    if (status != EXIT_FINE || !polling->on)
        return status;
    wishes->bus.no_errors = false;
    if (wishes->bus.filter_count == 0 ||
        lt_filters_add_diagnostics(wishes->filters, &wishes->bus.filter_count))
        return EXIT_FINE;
    return usage_error("record", "--poll: more filters than the %d that a kernel takes",
                       LT_CAN_FILTERS_MAX);
}

static int take_needs(const struct record_values *v, const struct wishes *wishes,
                      struct needs *needs)
{
    const char *labels[NEEDS_LABELS];
    size_t count = 0;
    for (size_t i = 0; i < 256 && count < NEEDS_LABELS; i++)
        if (wishes->key_labels[i])
            labels[count++] = wishes->key_labels[i];
    const struct needs_wishes wanted = {.roles = &v->roles,
                                        .labels = labels,
                                        .label_count = count,
                                        .marks = v->marks != NULL,
                                        .lead = v->lead,
                                        .quiet = v->common.quiet};
    return needs_take(needs, &wanted);
}

static int take_options(const struct record_values *v, struct wishes *wishes,
                        struct polling *polling, struct needs *needs)
{
    struct lt_error error;
    if (v->common.arguments.count == 0)
        return usage_error("record", "no bus is named: `ip -br link show type can` lists them");
    if (!v->output)
        return usage_error("record", "-o FILE says where to record; `-o -` is standard output");
    wishes->record = (struct lt_record_options){
        .writing.form = v->form, .split_ns = v->split_ns, .split_bytes = v->split_mb * 1000000};
    wishes->bus =
        (struct lt_can_bus_options){.filters = wishes->filters, .no_errors = v->no_errors};
    if (lt_writer_check(v->output, &wishes->record.writing, &error) != LT_OK) {
        say_error(&error);
        return EXIT_USAGE;
    }
    int status = take_keys(v, wishes);
    if (status == EXIT_FINE)
        status = take_notes(v, wishes);
    if (status == EXIT_FINE)
        status = take_ids(v, wishes);
    if (status == EXIT_FINE)
        status = take_profiles(v, wishes);
    if (status == EXIT_FINE)
        status = take_needs(v, wishes, needs);
    return status == EXIT_FINE ? take_polling(v, wishes, polling) : status;
}

/* ---- the sheet ---- */

static bool write_sheet(struct run *run, bool at_end)
{
    struct lt_error error;
    if (!run->sheet_path[0])
        return true;
    for (size_t i = 0; i < run->sheet.bus_count; i++) {
        run->states[i] = lt_intake_state(run->intake, i);
        run->clocks[i] = lt_intake_clock(run->intake, i);
    }
    run->sheet.polling = polling_sheet(&run->polling);
    run->sheet.needs = needs_sheet(&run->needs);
    run->sheet.need_count = run->needs.count;
    if (lt_record_write_sheet(run->record, &run->sheet, at_end, run->sheet_path, &error) == LT_OK)
        return true;
    say_error(&error);
    return false;
}

static bool name_sheet(struct run *run)
{
    const char *output = run->v->output;
    size_t len = 0;
    if (run->v->sheet)
        len = lt_text_format(run->sheet_path, sizeof run->sheet_path, "%s", run->v->sheet);
    else if (strcmp(output, "-") != 0 && strncmp(output, "/dev/", 5) != 0)
        len = lt_text_format(run->sheet_path, sizeof run->sheet_path, "%s" SHEET_END, output);
    return len < sizeof run->sheet_path - 1;
}

static struct lt_record_gap *open_gap(struct run *run, uint16_t bus)
{
    for (size_t i = run->sheet.gap_count; i-- > 0;)
        if (run->gaps[i].bus == bus)
            return run->gaps[i].to_ns == LT_NO_TIME ? &run->gaps[i] : NULL;
    return NULL;
}

static void note_away(struct run *run, const struct lt_can_heard *heard, bool gone)
{
    struct lt_record_gap *gap = open_gap(run, heard->bus);
    if (gap) {
        gap->gone = gap->gone || gone;
    } else if (run->sheet.gap_count < LT_RECORD_GAPS_MAX) {
        run->gaps[run->sheet.gap_count++] =
            (struct lt_record_gap){heard->bus, heard->time_ns, LT_NO_TIME, gone};
    } else {
        run->sheet.gaps_left_out++;
    }
    say(run->v->common.quiet, "%s: the interface %s; recording goes on when it is back\n",
        run->sheet.buses[heard->bus], gone ? "is gone" : "is down");
}

static void note_back(struct run *run, const struct lt_can_heard *heard)
{
    struct lt_record_gap *gap = open_gap(run, heard->bus);
    if (gap)
        gap->to_ns = heard->time_ns;
    say(run->v->common.quiet, "%s: back after %.1f s\n", run->sheet.buses[heard->bus],
        (double)heard->gap_ns / 1e9);
}

/* ---- while it goes on ---- */

/* What a key without a label is called. */
static const char *key_name(char key)
{
    static char names[256][2];
    names[(unsigned char)key][0] = key;
    return names[(unsigned char)key];
}

static void take_marks(struct run *run, const struct wishes *wishes)
{
    char key;
    while (run->marks && keys_next(&run->keys, &key)) {
        const char *label = wishes->key_labels[(unsigned char)key];
        int64_t time_ns = lt_clock_ns(CLOCK_REALTIME);
        if (!label)
            label = key_name(key);
        if (lt_marks_put(run->marks, time_ns, label)) {
            run->sheet.mark_count++;
            needs_mark(&run->needs, time_ns, label);
        } else if (run->marks_lost++ == 0) {
            complain("a mark could not be written: %s", strerror(errno));
        }
    }
}

static const char *more_text(struct run *run)
{
    static char text[80];
    if (!run->polling.on)
        return "";
    const struct lt_ask_counts *counts = lt_ask_counts(run->polling.asker.ask);
    lt_text_format(text, sizeof text, ", asked: %" PRIu64 ", answered: %" PRIu64, counts->requests,
                   counts->answers);
    return text;
}

static void show(struct run *run, int64_t now)
{
    uint64_t drops = 0;
    for (size_t i = 0; i < run->sheet.bus_count; i++)
        drops += lt_intake_state(run->intake, i).drops;
    int64_t seconds = (now - run->began_ns) / LT_SECOND_NS;
    progress_show(&run->progress,
                  "%02" PRId64 ":%02" PRId64 "  %" PRIu64 " frames, %.0f a second, lost: %" PRIu64
                  ", marks: %" PRIu64 "%s",
                  seconds / 60, seconds % 60, run->frames,
                  (double)run->frames * 1e9 / (double)(now - run->began_ns + 1), drops,
                  run->sheet.mark_count, more_text(run));
}

static bool is_over(struct run *run, int64_t now)
{
    const struct record_values *v = run->v;
    if (stop_asked)
        run->why_ended = "a signal";
    else if (v->frames && run->frames >= v->frames)
        run->why_ended = "the number of frames";
    else if (v->duration_ns && now - run->began_ns >= v->duration_ns)
        run->why_ended = "the time";
    return run->why_ended != NULL;
}

static bool take_frame(struct run *run, const struct lt_can_heard *heard)
{
    if (run->v->no_errors && lt_frame_has(heard->frame, LT_FRAME_ERROR))
        return true;
    run->frames++;
    needs_hear(&run->needs, heard->frame);
    return lt_record_put(run->record, heard->frame, run->sheet.buses[heard->bus]);
}

static bool take_event(struct run *run, enum lt_can_event event, const struct lt_can_heard *heard)
{
    bool good = true;
    switch (event) {
    case LT_CAN_FRAME:
        good = take_frame(run, heard);
        break;
    case LT_CAN_DOWN:
        note_away(run, heard, false);
        break;
    case LT_CAN_GONE:
        note_away(run, heard, true);
        break;
    case LT_CAN_BACK:
        note_back(run, heard);
        break;
    case LT_CAN_TIMEOUT:
        break;
    }
    /* What the car is stands in the sheet as soon as it is known. */
    if (polling_hear(&run->polling, event, heard))
        good = write_sheet(run, false) && good;
    return good;
}

static bool take_one(struct run *run)
{
    struct lt_can_heard heard;
    enum lt_can_event event = lt_intake_take(run->intake, LOOK_NS, &heard);
    return take_event(run, event, &heard);
}

/* What was heard before the end, and waits for a slow disk, is recorded too. */
static bool take_waiting(struct run *run)
{
    int64_t end_ns = lt_clock_ns(CLOCK_REALTIME);
    struct lt_can_heard heard;
    enum lt_can_event event;
    bool good = true;
    while (good && (event = lt_intake_take(run->intake, 0, &heard)) != LT_CAN_TIMEOUT &&
           heard.time_ns <= end_ns)
        good = take_event(run, event, &heard);
    return good;
}

static void record_frames(struct run *run, const struct wishes *wishes)
{
    int64_t looked_ns = 0;
    run->began_ns = lt_clock_ns(CLOCK_MONOTONIC);
    run->progress = progress_begin(run->v->common.quiet);
    bool good = true;
    while (good) {
        good = take_one(run);
        int64_t now = lt_clock_ns(CLOCK_MONOTONIC);
        if (now - looked_ns >= LOOK_NS) {
            looked_ns = now;
            take_marks(run, wishes);
            needs_look(&run->needs, lt_clock_ns(CLOCK_REALTIME), now);
            show(run, now);
        }
        good = good && lt_record_tick(run->record, now);
        if (!good)
            run->why_ended = "a fault in writing";
        else if (is_over(run, now))
            break;
    }
    bool by_number = run->v->frames && run->frames >= run->v->frames;
    if (good && !by_number && !take_waiting(run))
        run->why_ended = "a fault in writing";
    progress_end(&run->progress);
}

/* ---- the end ---- */

static void say_clock(const struct run *run, size_t bus)
{
    const struct lt_stamps_report *clock = &run->clocks[bus];
    if (clock->has_line)
        say(run->v->common.quiet,
            "%s: against the adapter's own clock the host drifts %+.1f ppm; its stamps are %.0f us "
            "off, 99 %% of them less than %.0f\n",
            run->sheet.buses[bus], clock->line.drift_ppm, clock->line.jitter_ns / 1e3,
            clock->line.jitter_99_ns / 1e3);
}

static void say_all(const struct run *run)
{
    const uint64_t *losses = lt_record_losses(run->record);
    bool quiet = run->v->common.quiet;
    for (size_t i = 0; i < run->sheet.bus_count; i++) {
        const struct lt_can_bus_state *state = &run->states[i];
        say(quiet, "%s: %" PRIu64 " frames, lost by the kernel or here: %" PRIu64 "\n",
            run->sheet.buses[i], state->frames, state->drops);
        say_clock(run, i);
    }
    if (run->polling.on)
        asker_say_counts(&run->polling.asker);
    for (int i = 0; i < LT_LOSS_COUNT; i++)
        if (losses[i])
            say(quiet, "%" PRIu64 " frames: %s\n", losses[i], lt_loss_text(i));
    for (size_t i = 0; i < lt_record_file_count(run->record); i++) {
        const struct lt_record_file *file = lt_record_file(run->record, i);
        say(quiet, "%s: %" PRIu64 " frames\n", file->path, file->frames);
    }
}

static int end(struct run *run)
{
    struct lt_error error;
    int status = EXIT_FINE;
    if (lt_record_end(run->record, &error) != LT_OK) {
        say_error(&error);
        status = EXIT_SYSTEM;
    }
    run->sheet.ended_ns = lt_clock_ns(CLOCK_REALTIME);
    run->sheet.why_ended = run->why_ended;
    size_t missing = needs_say_missing(&run->needs, run->sheet.ended_ns);
    for (size_t i = 0; i < run->sheet.bus_count; i++)
        run->states[i] = lt_intake_state(run->intake, i);
    if (!write_sheet(run, true) || run->marks_lost)
        status = EXIT_SYSTEM;
    say_all(run);
    if (run->frames == 0 && status == EXIT_FINE) {
        say(run->v->common.quiet, "no frame came: is the bus awake, the bit rate right?\n");
        status = EXIT_NO;
    }
    if (missing && status == EXIT_FINE)
        status = EXIT_NO;
    return status;
}

static enum lt_code open_all(struct run *run, const struct wishes *wishes, struct lt_error *error)
{
    const struct list *buses = &run->v->common.arguments;
    struct lt_can_bus *bus;
    if (!name_sheet(run))
        return lt_fail(error, LT_E_LIMIT, "the name of the sheet is too long");
    enum lt_code code = lt_can_bus_open(&bus, buses->items, buses->count, &wishes->bus, error);
    if (code == LT_OK)
        code = lt_intake_start(&run->intake, bus, buses->count, 0, error);
    if (code == LT_OK)
        code = lt_record_open(&run->record, run->v->output, &wishes->record, error);
    if (code == LT_OK && run->v->marks)
        code = lt_marks_open(&run->marks, run->v->marks, error);
    return code;
}

static void fill_sheet(struct run *run, const struct wishes *wishes)
{
    run->sheet = (struct lt_record_sheet){
        .program = "loomtap " LOOMTAP_VERSION,
        .started_ns = lt_clock_ns(CLOCK_REALTIME),
        .ended_ns = LT_NO_TIME,
        .buses = run->v->common.arguments.items,
        .states = run->states,
        .clocks = run->clocks,
        .links = run->links,
        .bus_count = run->v->common.arguments.count,
        .gaps = run->gaps,
        .marks = run->v->marks,
        .keys = wishes->note_keys,
        .values = wishes->note_values,
        .key_count = run->v->notes.count,
    };
    for (size_t i = 0; i < run->sheet.bus_count; i++) /* what is not known stays empty */
        (void)lt_link_read(&run->links[i], run->sheet.buses[i], NULL);
}

static int record(struct run *run, const struct wishes *wishes)
{
    struct lt_error error;
    int status = polling_open(&run->polling, &wishes->polling, &run->v->common.arguments);
    if (status != EXIT_FINE)
        return status;
    if (open_all(run, wishes, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    status = polling_begin(&run->polling);
    if (status != EXIT_FINE)
        return status;
    fill_sheet(run, wishes);
    stop_on_signals();
    if (!write_sheet(run, false))
        return EXIT_SYSTEM;
    if (needs_replies(&run->needs) && !run->polling.on)
        say(run->v->common.quiet, "--for: numbers come from diagnostic replies: --poll asks for "
                                  "them, if no other tester does\n");
    if (run->marks)
        keys_begin(&run->keys);
    record_frames(run, wishes);
    if (run->marks)
        keys_end(&run->keys);
    return end(run);
}

static int run(void *values)
{
    static struct wishes wishes;
    static struct run state;
    state.v = values;
    int status = take_options(values, &wishes, &state.polling, &state.needs);
    if (status == EXIT_FINE)
        status = record(&state, &wishes);
    lt_marks_free(state.marks);
    lt_record_free(state.record);
    lt_intake_free(state.intake);
    polling_free(&state.polling);
    needs_free(&state.needs);
    return status;
}

const struct command cmd_record = {
    .name = "record",
    .usage = "BUS... -o FILE",
    .help = "CAN interfaces to a recording, with a passenger's marks",
    .details = details,
    .options = options,
    .size = sizeof(struct record_values),
    .run = run,
};
