/* What is still missing while recording: see loomtap/seek/coverage.h. The manoeuvres are those that
 * an answer asks for afterwards (say.c), counted: three of them make the excursions wanted, so a
 * third of the missing ones is one of them. */
#include "loomtap/seek/coverage.h"

#include <math.h>
#include <string.h>

#include "seek/judge.h"
#include "seek/modes.h"

#define TURNS      3.0 /* manoeuvres that are enough, about */
#define VISITS     2u
#define CHANGES    3u /* of a label, at least */
#define SECONDS_NS INT64_C(1000000000)

static const struct turn {
    const char *target;
    const char *one, *many; /* behind "one more", "three more" */
    const char *step;       /* as an order */
    int seconds;
    bool slow; /* counted by its different values */
} turns[] = {
    {"vehicle_speed", "pull-away to 50 km/h and back to a stop",
     "pull-aways to 50 km/h and back to a stop", "pull away to 50 km/h, then back to a stop", 40,
     false},
    {"engine_speed", "pull-away through the gears", "pull-aways through the gears",
     "blip the throttle in neutral, then pull away through the gears", 40, false},
    {"pedal", "pull-away, the pedal held at another depth",
     "pull-aways, the pedal held at different depths",
     "pull away with the pedal held, each time at another depth", 30, false},
    {"throttle", "pull-away, the pedal held at another depth",
     "pull-aways, the pedal held at different depths",
     "pull away with the pedal held, each time at another depth", 30, false},
    {"load", "hard pull at low engine speed, then 10 s of coasting in gear",
     "hard pulls at low engine speed, each with 10 s of coasting in gear",
     "pull hard at low engine speed, then coast in gear for 10 s", 30, false},
    {"absolute_load", "hard pull at low engine speed, then 10 s of coasting in gear",
     "hard pulls at low engine speed, each with 10 s of coasting in gear",
     "pull hard at low engine speed, then coast in gear for 10 s", 30, false},
    {"manifold_pressure", "hard pull at low engine speed, then 10 s of coasting in gear",
     "hard pulls at low engine speed, each with 10 s of coasting in gear",
     "pull hard at low engine speed, then coast in gear for 10 s", 30, false},
    {"air_mass_flow", "hard pull at low and at high engine speed",
     "hard pulls at low and at high engine speed", "pull hard at low, then at high engine speed",
     30, false},
    {"lambda", "coasting in gear for 10 s, then full load for 5 s",
     "turns of coasting in gear for 10 s, then full load for 5 s",
     "coast in gear for 10 s, then full load for 5 s", 25, false},
    {"lambda_target", "full load for 5 s", "turns of full load for 5 s", "full load for 5 s", 20,
     false},
    {"coolant_temp", "start cold and record the whole warm-up", NULL,
     "go on driving: the engine warms up", 120, true},
    {"intake_temp", "drive, stand for 3 minutes, drive again", NULL,
     "stand for 3 minutes, then drive again", 240, true},
    {"ambient_temp", "drive from shade into the sun, or out of a garage", NULL, "go on driving",
     120, true},
    {"oil_temp", "start cold and record the whole warm-up", NULL,
     "go on driving: the engine warms up", 120, true},
};
static const struct turn any = {NULL,
                                "move over its whole range",
                                "moves over its whole range",
                                "move it over its whole range",
                                30,
                                false};

static const struct turn *turn_of(const char *target)
{
    for (size_t i = 0; i < sizeof turns / sizeof *turns; i++)
        if (strcmp(turns[i].target, target) == 0)
            return &turns[i];
    return &any;
}

const char *lt_coverage_step(const char *target, int64_t *ret_length_ns)
{
    const struct turn *turn = turn_of(target);
    *ret_length_ns = turn->seconds * SECONDS_NS;
    return turn->step;
}

static const char *count_word(unsigned count, char room[16])
{
    static const char *const words[] = {"no", "one", "two", "three", "four", "five", "six"};
    if (count < sizeof words / sizeof *words)
        return words[count];
    lt_text_format(room, 16, "%u", count);
    return room;
}

/* ---- numbers ---- */

static unsigned turns_missing(const struct seek_course *course)
{
    double part = (SEEK_N_EFF_LEAST - course->n_eff) / SEEK_N_EFF_LEAST;
    double missing = ceil(TURNS * part);
    if (course->levels < 2 || course->count < SEEK_COUNT_LEAST)
        return (unsigned)TURNS;
    return missing < 1 ? 1 : missing > TURNS ? (unsigned)TURNS : (unsigned)missing;
}

static void say_number(const struct turn *turn, const struct seek_course *course, char say[200])
{
    char room[16];
    unsigned missing = turns_missing(course);
    if (turn->slow)
        lt_text_format(say, 200, "%zu of %u different values so far: %s", course->levels,
                       SEEK_SLOW_LEVELS, turn->one);
    else if (course->levels < 2)
        lt_text_format(say, 200, "it has not moved yet: %s %s", count_word(missing, room),
                       missing == 1 ? turn->one : turn->many);
    else
        lt_text_format(say, 200, "%s more %s", count_word(missing, room),
                       missing == 1 ? turn->one : turn->many);
}

enum lt_code lt_coverage_number(const char *target, const struct lt_reference *reference,
                                struct lt_coverage *ret_coverage, struct lt_error *error)
{
    const struct turn *turn = turn_of(target);
    struct lt_coverage coverage = {.wanted = turn->slow ? SEEK_SLOW_LEVELS : SEEK_N_EFF_LEAST};
    struct seek_course course;
    struct lt_arena arena;
    if (!reference || reference->count == 0) {
        lt_text_format(coverage.say, sizeof coverage.say, "no reply has brought it yet");
        *ret_coverage = coverage;
        return LT_OK;
    }
    lt_arena_init(&arena, 0);
    enum lt_code code = seek_course_make(reference, &arena, &course, error);
    if (code == LT_OK) {
        coverage.samples = course.count;
        coverage.n_eff = turn->slow ? (double)course.levels : course.n_eff;
        /* A quick quantity with few excursions would be sought as a slow one, by its values: that
         * finds less. */
        coverage.enough =
            seek_was_exercised(&course) && (turn->slow || course.n_eff >= SEEK_N_EFF_LEAST);
        if (coverage.enough)
            lt_text_format(coverage.say, sizeof coverage.say, "enough");
        else
            say_number(turn, &course, coverage.say);
        *ret_coverage = coverage;
    }
    lt_arena_release(&arena);
    return code;
}

/* ---- marks ---- */

static unsigned visits_of(const struct modes_times *times, const char *label)
{
    for (unsigned i = 0; i < times->label_count; i++)
        if (strcmp(times->label[i], label) == 0)
            return times->visits[i];
    return 0;
}

static void say_visit(const char *label, unsigned visits, char say[200])
{
    lt_text_format(say, 200, "visit %s %s, for at least 5 s", label,
                   visits == 0 ? "twice" : "once more");
}

/* The one visited least is named, and of those the first. */
struct lacking {
    const char *label;
    unsigned visits;
};

static void look_at(struct lacking *lacking, const char *label, unsigned visits)
{
    if (visits < lacking->visits)
        *lacking = (struct lacking){label, visits};
}

static void judge_marks(const struct lt_coverage_marks *marks, const struct modes_times *times,
                        unsigned *visits, struct lt_coverage *coverage)
{
    struct lacking lacking = {NULL, VISITS};
    for (size_t i = 0; i < marks->label_count; i++) {
        unsigned count = visits_of(times, marks->labels[i]);
        if (visits)
            visits[i] = count;
        coverage->n_eff += count < VISITS ? count : VISITS;
        coverage->wanted += VISITS;
        look_at(&lacking, marks->labels[i], count);
    }
    for (unsigned i = 0; i < times->label_count; i++)
        look_at(&lacking, times->label[i], times->visits[i]);
    if (lacking.label)
        say_visit(lacking.label, lacking.visits, coverage->say);
    else if (times->changes < CHANGES || times->label_count < 2)
        lt_text_format(coverage->say, sizeof coverage->say,
                       "mark at least two, each visited twice");
    else
        coverage->enough = true;
    if (coverage->enough)
        lt_text_format(coverage->say, sizeof coverage->say, "enough");
}

enum lt_code lt_coverage_of_marks(const struct lt_coverage_marks *marks, unsigned *visits,
                                  struct lt_coverage *ret_coverage, struct lt_error *error)
{
    const struct lt_reference reference = {.from = LT_FROM_MARKS,
                                           .name = "marks",
                                           .target = marks->target,
                                           .count = marks->count,
                                           .time_ns = marks->time_ns,
                                           .label = marks->label,
                                           .lag_low_ns = -SECONDS_NS,
                                           .lag_high_ns = SECONDS_NS};
    struct lt_coverage coverage = {.samples = marks->count};
    struct modes_times times = {0};
    struct lt_arena arena;
    enum lt_code code = LT_OK;
    lt_arena_init(&arena, 0);
    if (marks->count)
        code = modes_times_make(&reference, marks->first_ns, marks->last_ns, &arena, &times, error);
    if (code == LT_OK) {
        judge_marks(marks, &times, visits, &coverage);
        *ret_coverage = coverage;
    }
    lt_arena_release(&arena);
    return code;
}
