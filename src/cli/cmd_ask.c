/* loomtap ask: reads a car's own values over its diagnostics, politely. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "cli/answers.h"
#include "cli/asker.h"
#include "cli/cautions.h"
#include "cli/commands.h"
#include "cli/questions.h"
#include "cli/stop.h"
#include "loomtap/base/clock.h"
#include "loomtap/live/intake.h"

#define LOOK_NS INT64_C(20000000)

struct ask_values {
    struct common common;
    const char *form;
    struct list listen;
    int64_t every_ns, duration_ns;
    uint64_t count, seed;
    double rate;
    bool arm, cautions_read;
};

#define AT(member) offsetof(struct ask_values, member)

static const struct option_row options[] = {
    {"--as", NULL, OPTION_TEXT, AT(form), "FORM", "table (default), csv or jsonl"},
    {"--count", NULL, OPTION_COUNT, AT(count), "N", "N rounds (default: one)"},
    {"--duration", NULL, OPTION_SECONDS, AT(duration_ns), "TIME", "rounds for so long"},
    {"--every", NULL, OPTION_SECONDS, AT(every_ns), "TIME",
     "a round begins at most so often; alone: until Ctrl-C"},
    {"--rate", NULL, OPTION_RATIO, AT(rate), "N", "frames a second at most (default 5, up to 10)"},
    {"--listen", NULL, OPTION_LIST, AT(listen), "BUS,...",
     "listen there too: shows when the key is off"},
    {"--seed", NULL, OPTION_COUNT, AT(seed), "N", "of the jitter between the questions"},
    ARM_OPTIONS,
    COMMON_OPTIONS,
};

static const char details[] =
    "Without --arm it says what it would ask and touches no bus. BUS is a CAN interface that is\n"
    "up and may send (not listen-only).\n"
    "\n" QUESTION_WORDS "\n"
    "It listens for two seconds; finds out whether 11 or 29 bits are answered; asks for what the\n"
    "car has, then for the values, several in a request where the car takes that. It waits while\n"
    "another tester asks, after error frames, and while a controller says \"pending\"; it ends\n"
    "within seconds when the key seems to be off. Nothing is ever cleared or set.\n"
    "\n"
    "csv and jsonl have the columns of decode; the frame names the controller, as in pid_0c@7E8.\n"
    "Codes and texts stand in the label. What did not come is there at the end without a value,\n"
    "with the label unsupported, locked, refused or `no answer`.\n\n"
    "examples:\n"
    "  loomtap ask can0 engine_speed load lambda vin\n"
    "  loomtap ask can0 engine_speed 05 0F --every 500ms --as csv --arm   # on a bus\n"
    "  loomtap ask can1 codes pending_codes --listen can0 --arm   # on a bus\n";

struct run {
    const struct ask_values *v;
    struct questions questions;
    struct answers answers;
    struct asker asker;
    struct lt_intake *intake;
    const char *buses[LIST_MAX];
    size_t bus_count;
    struct lt_sink *sink;
    int64_t began_ns;
};

static uint64_t rounds(const struct ask_values *v)
{
    bool without_end = !v->count && (v->duration_ns || v->every_ns);
    return without_end ? 0 : v->count ? v->count : 1;
}

static struct lt_ask_options ask_options(const struct run *run)
{
    const struct ask_values *v = run->v;
    return (struct lt_ask_options){.wanted = run->questions.wanted,
                                   .wanted_count = run->questions.count,
                                   .rate = v->rate,
                                   .every_ns = v->every_ns,
                                   .rounds = rounds(v),
                                   .seed = v->seed};
}

/* ---- without --arm ---- */

static int show_plan(struct run *run)
{
    const struct ask_values *v = run->v;
    const struct questions *questions = &run->questions;
    char text[16], name[24];
    printf("%s would be asked, after two seconds of listening, with at most %g frames a second:\n",
           v->common.arguments.items[0], v->rate > 0.0 ? v->rate : LT_ASK_RATE);
    printf("    what it has, to all controllers: 7DF or 18DB33F1\n");
    for (size_t i = 0; i < questions->count; i++) {
        const struct lt_ask_wanted *wanted = &questions->wanted[i];
        printf("    %-8s %s%s\n", question_text(wanted->service, wanted->number, text),
               question_name(questions->standard, wanted->service, wanted->number, name),
               lt_ask_is_once(wanted->service) && rounds(v) != 1 ? " (once)" : "");
    }
    say(v->common.quiet, "nothing was sent: --arm sends, after showing the cautions\n");
    return EXIT_FINE;
}

/* ---- with --arm ---- */

static int open_buses(struct run *run)
{
    struct lt_error error;
    struct lt_can_bus *bus;
    if (lt_can_bus_open(&bus, run->buses, run->bus_count, NULL, &error) == LT_OK &&
        lt_intake_start(&run->intake, bus, run->bus_count, 0, &error) == LT_OK)
        return EXIT_FINE;
    say_error(&error);
    return EXIT_SYSTEM;
}

/* An event of the bus that is asked: it is of no use any more. */
static bool is_lost(const struct run *run, enum lt_can_event event,
                    const struct lt_can_heard *heard)
{
    if ((event != LT_CAN_DOWN && event != LT_CAN_GONE) || heard->bus != run->asker.number)
        return false;
    complain("%s: the interface %s", run->asker.bus, event == LT_CAN_DOWN ? "is down" : "is gone");
    return true;
}

static bool is_over(const struct run *run)
{
    enum lt_ask_end end;
    int64_t now_ns = lt_clock_ns(CLOCK_MONOTONIC);
    return stop_asked || run->sink->failed || asker_has_ended(&run->asker, &end) ||
           (run->v->duration_ns && now_ns - run->began_ns >= run->v->duration_ns);
}

static int ask_on(struct run *run)
{
    run->began_ns = lt_clock_ns(CLOCK_MONOTONIC);
    while (!is_over(run)) {
        struct lt_can_heard heard;
        struct lt_obd_reply reply;
        enum lt_can_event event = lt_intake_take(run->intake, LOOK_NS, &heard);
        if (is_lost(run, event, &heard))
            return EXIT_SYSTEM;
        if (asker_take(&run->asker, event, &heard, &reply)) {
            answers_put(&run->answers, &reply);
            lt_sink_flush(run->sink);
        }
    }
    return EXIT_FINE;
}

/* Words of which nothing was answered. */
static size_t put_outcomes(struct run *run)
{
    bool answered[LT_ASK_WANTED_MAX + 1] = {false};
    struct lt_ask_outcome outcome;
    struct questions *questions = &run->questions;
    size_t missed = 0;
    int64_t now_ns = lt_clock_ns(CLOCK_REALTIME);
    for (int turn = 0; turn < 2; turn++)
        for (size_t n = 0; lt_ask_outcome(run->asker.ask, n, &outcome); n++) {
            size_t i = 0;
            while (questions->wanted[i].service != outcome.wanted.service ||
                   questions->wanted[i].number != outcome.wanted.number)
                i++;
            if (turn == 0)
                answered[questions->word[i]] |= outcome.answer == LT_OBD_ANSWERED;
            else if (!answered[questions->word[i]])
                answers_put_outcome(&run->answers, &outcome, now_ns);
        }
    for (size_t word = 0; word < questions->word_count; word++)
        missed += !answered[word];
    return missed;
}

static int end(struct run *run, int status)
{
    enum lt_ask_end why;
    size_t missed = put_outcomes(run);
    lt_sink_flush(run->sink);
    asker_say_counts(&run->asker);
    asker_has_ended(&run->asker, &why);
    if (run->sink->failed || why == LT_ASK_NOT_SENT || why == LT_ASK_BUS_OFF ||
        why == LT_ASK_FORBIDDEN)
        return EXIT_SYSTEM;
    if (why == LT_ASK_NO_ANSWER)
        say(run->v->common.quiet,
            "is the ignition on, the bit rate right, the interface not listen-only? Not every\n"
            "bus of a car carries diagnostics\n");
    return worse(status, missed ? EXIT_NO : EXIT_FINE);
}

static int ask(struct run *run)
{
    const struct ask_values *v = run->v;
    const struct lt_ask_options wanted = ask_options(run);
    enum answers_form form;
    answers_form_of(v->form, &form);
    int status =
        asker_open(&run->asker, "ask", run->buses[0], 0, v->cautions_read, v->common.quiet);
    if (status == EXIT_FINE)
        status =
            answers_begin(&run->answers, form, run->sink, run->buses[0], run->questions.standard);
    if (status == EXIT_FINE)
        status = open_buses(run);
    if (status == EXIT_FINE)
        status = asker_begin(&run->asker, &wanted);
    if (status != EXIT_FINE)
        return status;
    stop_on_signals();
    status = ask_on(run);
    return end(run, status);
}

/* ---- the command line ---- */

static int take_options(struct run *run)
{
    const struct ask_values *v = run->v;
    const struct list *arguments = &v->common.arguments;
    static struct list words;
    enum answers_form form;
    if (arguments->count == 0)
        return usage_error("ask", "no bus is named: `ip -br link show type can` lists them");
    if (arguments->count == 1)
        return usage_error("ask", "what shall be asked for? A PID such as 0C, or engine_speed");
    if (!answers_form_of(v->form, &form))
        return usage_error("ask", "--as: there is no form `%s`; table, csv or jsonl", v->form);
    if (!(v->rate == 0.0 || (v->rate >= 0.01 && v->rate <= LT_ASK_RATE_MAX)))
        return usage_error("ask", "--rate: from 0.01 to %g frames a second", LT_ASK_RATE_MAX);
    if (v->cautions_read && !v->arm)
        return usage_error("ask", "--cautions-read goes with --arm");
    run->buses[run->bus_count++] = arguments->items[0];
    for (size_t i = 0; i < v->listen.count && run->bus_count < LT_BUSES_MAX; i++)
        run->buses[run->bus_count++] = v->listen.items[i];
    for (size_t i = 1; i < arguments->count; i++)
        words.items[words.count++] = arguments->items[i];
    return questions_take(&run->questions, "ask", &words);
}

static int run(void *values)
{
    static struct run run;
    run.v = values;
    run.sink = malloc(sizeof *run.sink);
    int status = run.sink ? take_options(&run) : EXIT_SYSTEM;
    if (status == EXIT_FINE) {
        lt_sink_init_fd(run.sink, STDOUT_FILENO);
        status = run.v->arm ? ask(&run) : show_plan(&run);
    }
    lt_intake_free(run.intake);
    asker_free(&run.asker);
    answers_free(&run.answers);
    questions_free(&run.questions);
    free(run.sink);
    return status;
}

const struct command cmd_ask = {
    .name = "ask",
    .usage = "BUS VALUE...",
    .help = "reads the car's own values over its diagnostics, politely; sends with --arm alone",
    .details = details,
    .options = options,
    .size = sizeof(struct ask_values),
    .run = run,
};
