/* loomtap watch: the values of profiles as they come, on a terminal. It only listens. */
#include <langinfo.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "cli/commands.h"
#include "cli/live_binding.h"
#include "cli/profiles.h"
#include "cli/said_buses.h"
#include "cli/stop.h"
#include "cli/watch_screen.h"
#include "loomtap/base/clock.h"
#include "loomtap/base/number.h"
#include "loomtap/base/sink.h"
#include "loomtap/live/filters.h"
#include "loomtap/live/watch.h"

#define SHOW_NS  INT64_C(100000000) /* between two pictures */
#define STEP_NS  LT_SECOND_NS       /* a step into the past */
#define FAR      10                 /* steps */
#define PAST_NS  (LT_WATCH_SLOTS * LT_WATCH_SLOT_NS)
#define RATE_NS  (2 * LT_SECOND_NS) /* frames are counted over */
#define FLUSH_NS LT_SECOND_NS
#define LOOK_NS                                                                                    \
    INT64_C(20000000) /* for keys: asking the terminal for each frame costs more than the frame */
#define NARROW      40
#define LOW         4
#define PLAIN_WIDTH 79

struct watch_values {
    struct common common;
    struct list profiles, buses, only, roles;
    const char *log, *filter;
    int64_t duration_ns, every_ns;
};

#define AT(member) offsetof(struct watch_values, member)

static const struct option_row options[] = {
    {"--profile", "-p", OPTION_LIST, AT(profiles), "PROFILE,...", "what is on the bus"},
    {"--only", NULL, OPTION_LIST, AT(only), "SIGNAL,...", "these signals alone"},
    {"--role", NULL, OPTION_LIST, AT(roles), "ROLE,...", "signals with these roles alone"},
    {"--bus", NULL, OPTION_LIST, AT(buses), "BUS=NAME", "the profile's BUS is the interface NAME"},
    {"--show", NULL, OPTION_TEXT, AT(filter), "TEXT",
     "begin with rows whose name, role or unit holds TEXT"},
    {"--log", NULL, OPTION_TEXT, AT(log), "FILE",
     "every value goes there as it comes: rows as of decode --as csv"},
    {"--duration", NULL, OPTION_SECONDS, AT(duration_ns), "TIME", "end after this time"},
    {"--every", NULL, OPTION_SECONDS, AT(every_ns), "TIME",
     "without a terminal: a picture so often (default: one, at the end)"},
    COMMON_OPTIONS,
};

static const char details[] =
    "BUS is a CAN interface that is up (can0, vcan0). Nothing is ever sent by this command. The\n"
    "kernel lets through what the profiles read, alone.\n"
    "\n"
    "Each signal has a line under a heading for what it is about: name, value, unit, age, how\n"
    "often it comes, and the last minute between its least and greatest value; a label is shown\n"
    "by its first letter, `!` is where something was suspect, a blank where nothing came. A row\n"
    "says `suspect` (checksum wrong, counter standing still) and `lost` (older than it may be).\n"
    "\n"
    "Space stops the picture and starts it again. Left and right go a second back and on, page\n"
    "up and page down ten, over the last three minutes. Typing chooses rows by name, role or\n"
    "unit; Esc shows all again. Ctrl-C ends. Frames are taken in all the while, and --log goes\n"
    "on.\n"
    "\n"
    "Where the output is no terminal, the picture is printed as text.\n"
    "\n"
    "A passenger looks at it, not the driver.\n\n"
    "examples:\n"
    "  loomtap watch can0 -p car.ini\n"
    "  loomtap watch can0 can1 -p car.ini,kit.ini --role engine_speed,load,lambda,drive_mode\n"
    "  loomtap watch can0 -p car.ini --log seen.csv --duration 60 >last.txt\n";

struct run {
    const struct watch_values *v;
    struct profiles profiles;
    struct lt_bus_said said[BUSES_SAID_MAX];
    size_t said_count;
    struct lt_can_filter filters[LT_CAN_FILTERS_MAX];
    struct lt_arena arena;
    struct lt_intake *intake;
    struct lt_watch *watch;
    struct lt_file_sink log;
    bool has_log, log_failed;

    bool on_screen;
    struct lt_watch_view view;
    struct lt_watch_line lines[LT_WATCH_HEIGHT_MAX];
    char title[256], filter[64];
    size_t list_lines;
    int64_t paused_at_ns;

    uint64_t frames, frames_before; /* for the rate */
    int64_t rate_since_ns, flushed_ns;
};

/* ---- what is wanted ---- */

static bool is_named(const struct list *list, const char *name)
{
    for (size_t i = 0; i < list->count; i++)
        if (strcmp(list->items[i], name) == 0)
            return true;
    return false;
}

static bool wants(void *context, const struct lt_profile *profile, uint32_t signal)
{
    const struct watch_values *v = ((const struct run *)context)->v;
    const struct lt_signal_def *def = &profile->signals[signal];
    bool all = v->only.count == 0 && v->roles.count == 0;
    return all || is_named(&v->only, def->name) ||
           (def->role_name && is_named(&v->roles, def->role_name));
}

static int take_options(struct run *run)
{
    const struct watch_values *v = run->v;
    if (v->common.arguments.count == 0)
        return usage_error("watch", "no bus is named: `ip -br link show type can` lists them");
    if (!v->profiles.count)
        return usage_error("watch", "no profile given: -p FILE");
    if (v->filter && strlen(v->filter) >= sizeof run->filter)
        return usage_error("watch", "--show: `%s` is too long", v->filter);
    if (v->filter)
        lt_text_format(run->filter, sizeof run->filter, "%s", v->filter);
    int status = take_said_buses("watch", &v->buses, run->said, &run->said_count);
    return status == EXIT_FINE ? load_profiles(&run->profiles, &v->profiles, v->common.quiet)
                               : status;
}

/* With too many frames for the kernel's filters everything is let through. */
static size_t make_filters(struct run *run)
{
    size_t count = 0;
    for (size_t i = 0; i < run->profiles.count; i++)
        if (!lt_filters_add_profile(run->filters, &count, run->profiles.items[i]))
            return 0;
    return count;
}

/* Profile and interfaces, and what a person has to know at once. */
static void make_title(struct run *run)
{
    const struct list *buses = &run->v->common.arguments;
    size_t room = sizeof run->title;
    size_t at = lt_text_format(run->title, room, "%s%s on", run->log_failed ? "LOG FAILED  " : "",
                               run->profiles.items[0]->name);
    for (size_t i = 0; i < buses->count && at < room; i++) {
        struct lt_can_bus_state state = lt_intake_state(run->intake, i);
        at += lt_text_format(run->title + at, room - at, " %s%s", buses->items[i],
                             state.is_gone ? " (gone)"
                             : state.is_up ? ""
                                           : " (down)");
    }
}

/* ---- the log ---- */

static void log_value(void *context, const struct lt_message *message, const struct lt_field *field,
                      uint64_t raw)
{
    struct run *run = context;
    const struct lt_frame_plan *plan = message->plan;
    const struct lt_scaler *scaler = field->scaler;
    struct lt_sink *sink = &run->log.sink;
    enum lt_state state = lt_scaler_state(scaler, raw);
    const char *label = lt_signal_label(scaler->def, raw);
    char text[LT_VALUE_ROOM];
    if (!run->has_log)
        return;
    lt_sink_put(sink, text, lt_print_fixed(text, message->frame->time_ns, 9));
    lt_sink_char(sink, ',');
    lt_sink_csv(sink, lt_text_of(run->v->common.arguments.items[message->frame->bus]));
    lt_sink_format(sink, ",%s,%s,", plan->def ? plan->def->name : plan->parameter->name,
                   scaler->def->name);
    if (state == LT_STATE_VALUE)
        lt_sink_put(sink, text, lt_scaler_print(scaler, raw, text));
    lt_sink_char(sink, ',');
    lt_sink_csv(sink, lt_text_of(lt_signal_unit(scaler->def)));
    lt_sink_format(sink, ",%s\n",
                   state == LT_STATE_UNAVAILABLE ? "unavailable"
                   : state == LT_STATE_ERROR     ? "error"
                   : message->suspect            ? "suspect"
                   : label                       ? label
                                                 : "");
}

static enum lt_code begin_log(struct run *run, struct lt_error *error)
{
    if (!run->v->log)
        return LT_OK;
    enum lt_code code = lt_file_sink_open_growing(&run->log, run->v->log, error);
    run->has_log = code == LT_OK;
    if (run->has_log)
        lt_sink_string(&run->log.sink, "time_s,bus,frame,signal,value,unit,label\n");
    return code;
}

/* A log that fails is said in the head line, and at the end; watching goes on. */
static void flush_log(struct run *run, int64_t now_ns)
{
    if (!run->has_log || run->log_failed || now_ns - run->flushed_ns < FLUSH_NS)
        return;
    run->flushed_ns = now_ns;
    run->log_failed = !lt_sink_flush(&run->log.sink);
    if (run->log_failed)
        make_title(run);
}

static bool end_log(struct run *run)
{
    struct lt_error error;
    if (!run->has_log)
        return true;
    run->has_log = false;
    if (lt_file_sink_commit(&run->log, &error) == LT_OK)
        return true;
    say_error(&error);
    return false;
}

/* ---- the picture ---- */

static void draw(struct run *run, int64_t now_ns)
{
    struct lt_watch_view *view = &run->view;
    view->now_ns = now_ns;
    if (view->is_paused) /* the picture stands still */
        view->back_ns = now_ns - run->paused_at_ns;
    if (run->on_screen)
        screen_size(&view->width, &view->height);
    if (view->width < NARROW || view->height < LOW)
        return;
    size_t count = lt_watch_draw(run->watch, view, run->lines, &run->list_lines);
    if (run->on_screen) {
        screen_show(run->lines, count);
        return;
    }
    for (size_t i = 0; i + 1 < count; i++) { /* no hints about keys */
        size_t len = strlen(run->lines[i].text);
        while (len && run->lines[i].text[len - 1] == ' ')
            len--;
        printf("%.*s\n", (int)len, run->lines[i].text);
    }
    printf("\n");
    fflush(stdout);
}

static void count_rate(struct run *run, int64_t now_ns)
{
    if (now_ns - run->rate_since_ns < RATE_NS)
        return;
    run->view.frames_hz =
        (double)(run->frames - run->frames_before) * 1e9 / (double)(now_ns - run->rate_since_ns);
    run->frames_before = run->frames;
    run->rate_since_ns = now_ns;
    run->view.lost = 0;
    for (size_t i = 0; i < run->v->common.arguments.count; i++)
        run->view.lost += lt_intake_state(run->intake, i).drops;
}

/* ---- keys ---- */

static void step_back(struct run *run, int64_t now_ns, int64_t by_ns)
{
    struct lt_watch_view *view = &run->view;
    int64_t at_ns = (view->is_paused ? run->paused_at_ns : now_ns) - by_ns;
    view->is_paused = at_ns < now_ns;
    run->paused_at_ns = at_ns > now_ns - PAST_NS ? at_ns : now_ns - PAST_NS;
}

static void change_filter(struct run *run, char letter)
{
    size_t len = strlen(run->filter);
    if (letter && len + 1 < sizeof run->filter) {
        run->filter[len] = letter;
        run->filter[len + 1] = '\0';
    } else if (!letter && len) {
        run->filter[len - 1] = '\0';
    }
    run->view.first = 0;
}

static void take_key(struct run *run, enum screen_key key, char letter, int64_t now_ns)
{
    struct lt_watch_view *view = &run->view;
    switch (key) {
    case SCREEN_NONE:
        break;
    case SCREEN_LETTER:
        change_filter(run, letter);
        break;
    case SCREEN_RUBOUT:
        change_filter(run, '\0');
        break;
    case SCREEN_ESCAPE:
        run->filter[0] = '\0';
        view->first = 0;
        break;
    case SCREEN_SPACE:
        view->is_paused = !view->is_paused;
        run->paused_at_ns = now_ns;
        break;
    case SCREEN_BACK:
    case SCREEN_FAR_BACK:
        step_back(run, now_ns, key == SCREEN_BACK ? STEP_NS : FAR * STEP_NS);
        break;
    case SCREEN_ON:
    case SCREEN_FAR_ON:
        if (view->is_paused)
            step_back(run, now_ns, key == SCREEN_ON ? -STEP_NS : -FAR * STEP_NS);
        break;
    case SCREEN_UP:
        view->first -= view->first > 0;
        break;
    case SCREEN_DOWN:
        view->first += view->first + view->height - 2 < run->list_lines;
        break;
    }
}

static bool take_keys(struct run *run, int64_t now_ns)
{
    bool any = false;
    char letter = '\0';
    enum screen_key key;
    while (run->on_screen && (key = screen_key(&letter)) != SCREEN_NONE) {
        take_key(run, key, letter, now_ns);
        any = true;
    }
    return any;
}

/* ---- while it goes on ---- */

static void take_frames(struct run *run, int64_t wait_ns)
{
    struct lt_can_heard heard;
    enum lt_can_event event = lt_intake_take(run->intake, wait_ns, &heard);
    if (event == LT_CAN_FRAME) {
        run->frames++;
        lt_watch_frame(run->watch, heard.frame);
    } else if (event != LT_CAN_TIMEOUT) {
        make_title(run);
    }
}

static void watch_frames(struct run *run)
{
    int64_t began_ns = lt_clock_ns(CLOCK_MONOTONIC), shown_ns = began_ns, looked_ns = began_ns;
    run->rate_since_ns = run->flushed_ns = began_ns;
    while (!stop_asked) {
        int64_t now_ns = lt_clock_ns(CLOCK_MONOTONIC);
        if (run->v->duration_ns && now_ns - began_ns >= run->v->duration_ns)
            break;
        take_frames(run, SHOW_NS / 5);
        count_rate(run, now_ns);
        flush_log(run, now_ns);
        int64_t every_ns = run->on_screen ? SHOW_NS : run->v->every_ns;
        bool due = every_ns && now_ns - shown_ns >= every_ns;
        int64_t clock_ns = lt_clock_ns(CLOCK_REALTIME); /* that of the frames' stamps */
        if (now_ns - looked_ns >= LOOK_NS) {
            looked_ns = now_ns;
            due = take_keys(run, clock_ns) || due;
        }
        if (due) {
            shown_ns = now_ns;
            draw(run, clock_ns);
        }
    }
}

/* ---- life ---- */

static enum lt_code open_bus(struct run *run, struct lt_error *error)
{
    const struct list *buses = &run->v->common.arguments;
    struct lt_can_bus_options wanted = {
        .filters = run->filters, .filter_count = make_filters(run), .no_errors = true};
    struct lt_can_bus *bus;
    enum lt_code code = lt_can_bus_open(&bus, buses->items, buses->count, &wanted, error);
    return code == LT_OK ? lt_intake_start(&run->intake, bus, buses->count, 0, error) : code;
}

static enum lt_code open_watch(struct run *run, struct lt_error *error)
{
    const struct list *buses = &run->v->common.arguments;
    const struct lt_profile *const *profiles =
        (const struct lt_profile *const *)run->profiles.items;
    struct live_binding with = {
        .interfaces = buses->items,
        .interface_count = buses->count,
        .profiles = profiles,
        .profile_count = run->profiles.count,
        .said = run->said,
        .said_count = run->said_count,
        .quiet = run->v->common.quiet,
    };
    struct lt_watch_setup setup = {.profiles = profiles,
                                   .profile_count = run->profiles.count,
                                   .wants = wants,
                                   .context = run,
                                   .value = log_value};
    struct lt_binding *bindings;
    enum lt_code code =
        bind_live(&with, run->intake, &run->arena, &bindings, &setup.binding_count, error);
    setup.bindings = bindings;
    if (code == LT_OK)
        code = lt_watch_new(&run->watch, &setup, error);
    for (size_t i = 0; code == LT_OK && i < with.heard_count; i++, run->frames++)
        lt_watch_frame(run->watch, &with.heard[i]);
    return code;
}

static void begin_view(struct run *run)
{
    make_title(run);
    run->view = (struct lt_watch_view){.width = PLAIN_WIDTH,
                                       .height = LT_WATCH_HEIGHT_MAX,
                                       .filter = run->filter,
                                       .title = run->title};
    run->on_screen = isatty(STDOUT_FILENO) && isatty(STDIN_FILENO) && screen_begin();
    run->view.is_plain = run->on_screen && strcmp(nl_langinfo(CODESET), "UTF-8") != 0;
}

static int watch(struct run *run)
{
    struct lt_error error;
    stop_on_signals();
    enum lt_code code = open_bus(run, &error);
    if (code == LT_OK)
        code = begin_log(run, &error);
    if (code == LT_OK)
        code = open_watch(run, &error);
    if (code != LT_OK) {
        say_error(&error);
        return code == LT_E_UNKNOWN && run->intake ? EXIT_USAGE : EXIT_SYSTEM;
    }
    begin_view(run);
    watch_frames(run);
    if (!run->on_screen)
        draw(run, lt_clock_ns(CLOCK_REALTIME));
    screen_end();
    bool logged = end_log(run);
    if (run->frames == 0)
        say(run->v->common.quiet, "no frame of the profiles came: is the bus awake, the bit rate "
                                  "right, this the bus?\n");
    return !logged ? EXIT_SYSTEM : run->frames ? EXIT_FINE : EXIT_NO;
}

static int run(void *values)
{
    static struct run state;
    state.v = values;
    lt_arena_init(&state.arena, 0);
    int status = take_options(&state);
    if (status == EXIT_FINE)
        status = watch(&state);
    if (state.has_log)
        lt_file_sink_abort(&state.log);
    lt_watch_free(state.watch);
    lt_intake_free(state.intake);
    lt_arena_release(&state.arena);
    free_profiles(&state.profiles);
    return status;
}

const struct command cmd_watch = {
    .name = "watch",
    .usage = "BUS... -p PROFILE...",
    .help = "live values in the terminal, by what they are about; never sends",
    .details = details,
    .options = options,
    .size = sizeof(struct watch_values),
    .run = run,
};
