/* loomtap mimic: the invented car's traffic to a capture file, with its truth beside it, or onto a
 * bus in real time. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli/commands.h"
#include "cli/stop.h"
#include "loomtap/base/number.h"
#include "loomtap/base/sink.h"
#include "loomtap/capture/text.h"
#include "loomtap/live/player.h"
#include "loomtap/mimic/mimic.h"

#define DEFAULT_START_NS  1700000000000000000
#define TIME_DIGITS       6
#define TRUTH_COLUMNS_MAX 512

struct mimic_values {
    struct common common;
    const char *output, *truth, *layout, *marks, *loss;
    uint64_t seed;
    double duration_s;
    int64_t start_ns, truth_every_ns;
    bool polling, no_polling, arm;
    struct list play;
    const char *speed;
};

#define AT(member) offsetof(struct mimic_values, member)

static const struct option_row options[] = {
    {"--output", "-o", OPTION_TEXT, AT(output), "FILE", "the capture (default: standard output)"},
    {"--truth", NULL, OPTION_TEXT, AT(truth), "FILE", "csv of what was behind the frames"},
    {"--truth-every", NULL, OPTION_SECONDS, AT(truth_every_ns), "TIME",
     "at most one truth row a signal in this time, but for changes of a label (default 0: all)"},
    {"--seed", NULL, OPTION_COUNT, AT(seed), "N", "another seed makes another drive (default 1)"},
    {"--duration", NULL, OPTION_RATIO, AT(duration_s), "S",
     "seconds (default: the scenario's own)"},
    {"--start", NULL, OPTION_SECONDS, AT(start_ns), "S", "time of the first frame"},
    {"--layout", NULL, OPTION_TEXT, AT(layout), "FILE", "random: the car's layout as JSON, exact"},
    {"--marks", NULL, OPTION_TEXT, AT(marks), "FILE", "random: csv of the drive modes, as marked"},
    {"--loss", NULL, OPTION_TEXT, AT(loss), "PART",
     "random: share of frames not recorded, 0 to 0.5 (default: as the seed has it)"},
    {"--polling", NULL, OPTION_FLAG, AT(polling), NULL,
     "random: a diagnostic tester, whatever the seed says"},
    {"--no-polling", NULL, OPTION_FLAG, AT(no_polling), NULL, "no diagnostic tester on the bus"},
    {"--play", NULL, OPTION_LIST, AT(play), "[BUS=]INTERFACE",
     "onto a CAN interface in real time, instead of a file"},
    {"--speed", NULL, OPTION_TEXT, AT(speed), "X", "play: X times as fast; 0 without waiting"},
    {"--arm", NULL, OPTION_FLAG, AT(arm), NULL,
     "play: onto an interface that is not virtual; read the cautions in the manual first"},
    COMMON_OPTIONS,
};

static const char details[] =
    "The car is invented. The truth file has a row for each signal of each frame:\n"
    "time_s,bus,frame,signal,value,raw,unit,label, where value is the physical value before it "
    "was\n"
    "rounded into bits. The same seed gives the same bytes everywhere.\n"
    "\n"
    "--play sends on a bus: a virtual one (vcan) for trying things out. Anything else wants "
    "--arm,\n"
    "and belongs on a bench without a vehicle.\n\n"
    "examples:\n"
    "  loomtap mimic drive --seed 1 -o /tmp/drive.log --truth /tmp/drive.csv\n"
    "  loomtap mimic idle\n"
    "  loomtap mimic random --seed 5 --duration 60 -o /tmp/car.log --layout /tmp/car.json\n"
    "  loomtap mimic drive --play can0=vcan0,can1=vcan1   # on a bus\n";

/* Thins the truth: remembers when each signal was last written, and with which label. */
struct truth_column {
    const char *frame, *signal, *label;
    int64_t time_ns;
};

struct truth_file {
    struct lt_file_sink file;
    int64_t every_ns;
    struct truth_column columns[TRUTH_COLUMNS_MAX];
    size_t count;
};

static bool is_due(struct truth_file *truth, const struct lt_mimic_truth *row, int64_t time_ns)
{
    struct truth_column *column = truth->columns;
    while (column < truth->columns + truth->count &&
           (strcmp(column->signal, row->signal) != 0 || strcmp(column->frame, row->frame) != 0))
        column++;
    bool is_new = column == truth->columns + truth->count;
    if (is_new && truth->count == TRUTH_COLUMNS_MAX)
        return true;
    truth->count += is_new;
    if (!is_new && time_ns - column->time_ns < truth->every_ns &&
        strcmp(column->label, row->label) == 0)
        return false;
    *column = (struct truth_column){row->frame, row->signal, row->label, time_ns};
    return true;
}

static void put_truth(struct truth_file *truth, const struct lt_mimic *mimic,
                      const struct lt_frame *frame)
{
    const struct lt_mimic_truth *rows;
    size_t count = lt_mimic_truth(mimic, &rows);
    struct lt_sink *sink = &truth->file.sink;
    for (size_t i = 0; i < count; i++) {
        char time[32], value[LT_F64_ROOM];
        if (!is_due(truth, &rows[i], frame->time_ns))
            continue;
        lt_sink_put(sink, time, lt_print_fixed(time, frame->time_ns / 1000, TIME_DIGITS));
        lt_sink_format(sink, ",%s,%s,%s,", lt_mimic_bus_name(mimic, frame->bus), rows[i].frame,
                       rows[i].signal);
        lt_sink_put(sink, value, lt_print_f64(value, rows[i].value));
        lt_sink_format(sink, ",%" PRIu64 ",%s,%s\n", rows[i].raw, rows[i].unit, rows[i].label);
    }
}

static int finish(struct lt_file_sink *file)
{
    struct lt_error error;
    if (lt_file_sink_commit(file, &error) == LT_OK)
        return EXIT_FINE;
    say_error(&error);
    return EXIT_SYSTEM;
}

static int write_drive(const struct mimic_values *v, struct lt_mimic *mimic,
                       struct lt_file_sink *capture, struct truth_file *truth)
{
    const struct lt_frame *frame;
    uint64_t frames = 0;
    while (!capture->sink.failed && (frame = lt_mimic_next(mimic)) != NULL) {
        lt_frame_write_log(&capture->sink, frame, lt_mimic_bus_name(mimic, frame->bus),
                           TIME_DIGITS);
        if (truth)
            put_truth(truth, mimic, frame);
        frames++;
    }
    int status = finish(capture), truth_status = truth ? finish(&truth->file) : EXIT_FINE;
    say(v->common.quiet || !v->output, "%" PRIu64 " frames\n", frames);
    return status != EXIT_FINE ? status : truth_status;
}

/* The layout or the marks, once the traffic is written. */
static int write_beside(const char *path, const struct lt_mimic *mimic,
                        bool (*put)(const struct lt_mimic *, struct lt_sink *))
{
    struct lt_error error;
    struct lt_file_sink *file = path ? malloc(sizeof *file) : NULL;
    if (!path)
        return EXIT_FINE;
    if (!file)
        return EXIT_SYSTEM;
    int status = EXIT_SYSTEM;
    if (lt_file_sink_open(file, path, &error) != LT_OK) {
        say_error(&error);
    } else {
        put(mimic, &file->sink);
        status = finish(file);
    }
    free(file);
    return status;
}

/* ---- onto a bus ---- */

static struct lt_player_way way_of(const char *item)
{
    const char *interface = cut_at_equals(item);
    return interface ? (struct lt_player_way){item, interface} : (struct lt_player_way){NULL, item};
}

static int open_player(const struct mimic_values *v, struct lt_player **ret_player)
{
    struct lt_player_way ways[LT_PLAYER_WAYS_MAX];
    struct lt_error error;
    double speed = 1.0;
    if (v->speed && (!lt_parse_f64(lt_text_of(v->speed), &speed) || speed < 0.0))
        return usage_error("mimic", "--speed: `%s` is no number from 0 on", v->speed);
    if (v->play.count > LT_PLAYER_WAYS_MAX)
        return usage_error("mimic", "--play: more than %d interfaces", LT_PLAYER_WAYS_MAX);
    for (size_t i = 0; i < v->play.count; i++)
        ways[i] = way_of(v->play.items[i]);
    if (lt_player_open(ret_player, ways, v->play.count, speed, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    if (lt_player_is_virtual(*ret_player) || v->arm)
        return EXIT_FINE;
    lt_player_free(*ret_player);
    return usage_error("mimic",
                       "--play: not every interface named is a virtual one (vcan): sending "
                       "on a real bus can change how a vehicle behaves, and wants --arm");
}

static void say_played(const struct mimic_values *v, const struct lt_player_counts *counts)
{
    bool quiet = v->common.quiet;
    say(quiet, "%" PRIu64 " frames sent, at most %.1f ms behind their time\n", counts->sent,
        (double)counts->late_most_ns / 1e6);
    if (counts->without_way)
        say(quiet, "%" PRIu64 " frames are of buses that no interface was named for\n",
            counts->without_way);
    if (counts->fd_refused)
        say(quiet, "%" PRIu64 " FD frames: the interface takes none (`ip link set ... mtu 72`)\n",
            counts->fd_refused);
}

static int play(const struct mimic_values *v, struct lt_mimic *mimic)
{
    const struct lt_frame *frame;
    struct lt_player *player = NULL;
    struct lt_error error;
    int status = open_player(v, &player);
    if (status != EXIT_FINE)
        return status;
    stop_on_signals();
    while (!stop_asked && status == EXIT_FINE && (frame = lt_mimic_next(mimic)) != NULL) {
        if (lt_player_put(player, frame, lt_mimic_bus_name(mimic, frame->bus), &error) == LT_OK ||
            stop_asked)
            continue;
        say_error(&error);
        status = EXIT_SYSTEM;
    }
    say_played(v, lt_player_counts(player));
    lt_player_free(player);
    return status;
}

/* ---- into files ---- */

static int open_files(const struct mimic_values *v, struct lt_file_sink *capture,
                      struct truth_file *truth)
{
    struct lt_error error;
    if (lt_file_sink_open(capture, v->output ? v->output : "-", &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    if (v->truth && lt_file_sink_open(&truth->file, v->truth, &error) != LT_OK) {
        say_error(&error);
        lt_file_sink_abort(capture);
        return EXIT_SYSTEM;
    }
    if (v->truth)
        lt_sink_string(&truth->file.sink, "time_s,bus,frame,signal,value,raw,unit,label\n");
    truth->every_ns = v->truth_every_ns;
    return EXIT_FINE;
}

static int unknown_scenario(const char *name)
{
    size_t count;
    const struct lt_mimic_scenario *list = lt_mimic_scenarios(&count);
    usage_error("mimic", "there is no scenario `%s`", name);
    for (size_t i = 0; i < count; i++)
        say(false, "    %-8s %s (%.0f s)\n", list[i].name, list[i].text, list[i].duration_s);
    return EXIT_USAGE;
}

static int write_files(const struct mimic_values *v, struct lt_mimic *mimic)
{
    struct lt_file_sink *capture = malloc(sizeof *capture);
    struct truth_file *truth = calloc(1, sizeof *truth);
    int status = EXIT_SYSTEM;
    if (capture && truth)
        status = open_files(v, capture, truth);
    if (status == EXIT_FINE)
        status = write_drive(v, mimic, capture, v->truth ? truth : NULL);
    if (status == EXIT_FINE)
        status = write_beside(v->layout, mimic, lt_mimic_layout);
    if (status == EXIT_FINE)
        status = write_beside(v->marks, mimic, lt_mimic_marks);
    free(capture);
    free(truth);
    return status;
}

static int check_options(const struct mimic_values *v)
{
    if (v->common.arguments.count != 1)
        return usage_error("mimic", "one scenario wanted");
    bool is_random = strcmp(v->common.arguments.items[0], "random") == 0;
    if (!is_random && (v->layout || v->marks || v->loss || v->polling))
        return usage_error("mimic", "--layout, --marks, --loss and --polling go with `random`");
    if (is_random && v->truth)
        return usage_error("mimic", "`random` has no --truth; its truth is in --layout");
    if (v->polling && v->no_polling)
        return usage_error("mimic", "--polling and --no-polling exclude each other");
    if (v->play.count && (v->output || v->truth || v->layout || v->marks))
        return usage_error("mimic",
                           "--play goes to a bus, not to files: `loomtap record` records it");
    if (!v->play.count && (v->speed || v->arm))
        return usage_error("mimic", "--speed and --arm go with --play");
    return EXIT_FINE;
}

static int run(void *values)
{
    const struct mimic_values *v = values;
    struct lt_mimic_options wanted = {.seed = v->seed ? v->seed : 1,
                                      .duration_s = v->duration_s,
                                      .start_ns = v->start_ns ? v->start_ns : DEFAULT_START_NS,
                                      .polling = !v->no_polling};
    struct lt_mimic *mimic = NULL;
    struct lt_error error;
    int status = check_options(v);
    if (status != EXIT_FINE)
        return status;
    if (v->loss && !lt_parse_f64(lt_text_of(v->loss), &wanted.loss))
        return usage_error("mimic", "--loss wants a number, not `%s`", v->loss);
    wanted.loss_by_seed = !v->loss;
    wanted.polling_by_seed = !v->polling && !v->no_polling;
    enum lt_code code = lt_mimic_new(&mimic, v->common.arguments.items[0], &wanted, &error);
    if (code == LT_E_UNKNOWN)
        return unknown_scenario(v->common.arguments.items[0]);
    if (code != LT_OK) {
        say_error(&error);
        return code == LT_E_MEMORY ? EXIT_SYSTEM : EXIT_USAGE;
    }
    status = v->play.count ? play(v, mimic) : write_files(v, mimic);
    lt_mimic_free(mimic);
    return status;
}

const struct command cmd_mimic = {
    .name = "mimic",
    .usage = "SCENARIO",
    .help = "an invented car's traffic with known truth, to a capture or a bus",
    .details = details,
    .options = options,
    .size = sizeof(struct mimic_values),
    .run = run,
};
