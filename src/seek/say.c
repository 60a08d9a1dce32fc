/* The sentences of an answer, for people: what was found, or which manoeuvre is missing. */
#include "seek/judge.h"

#include "loomtap/base/number.h"

#define SURE         0.9
#define WORTH_A_LOOK 0.1 /* of a target that nothing is */

struct manoeuvre {
    const char *role;
    const char *what;  /* makes it move */
    const char *split; /* parts it from its cousins */
};
static const struct manoeuvre manoeuvres[] = {
    {"engine_speed", "blip the throttle in neutral, and pull away three times through the gears",
     "blip the throttle in neutral, then change gears"},
    {"vehicle_speed", "three pull-aways to 50 km/h and back to a stop", "tight turns both ways"},
    {"pedal", "three pull-aways with the pedal held at different depths",
     "press the pedal with the engine off, and coast in gear 10 s"},
    {"throttle", "three pull-aways with the pedal held at different depths",
     "blip the throttle in neutral, and coast in gear 10 s"},
    {"load", "pull hard at low engine speed, then coast in gear 10 s",
     "coast in gear 10 s, and pull hard at low and at high engine speed"},
    {"absolute_load", "pull hard at low engine speed, then coast in gear 10 s",
     "coast in gear 10 s, and pull hard at low and at high engine speed"},
    {"manifold_pressure", "pull hard at low engine speed, then coast in gear 10 s",
     "engine off with ignition on 10 s, then coast in gear 10 s"},
    {"engine_torque", "pull hard at low engine speed, then coast in gear 10 s",
     "coast in gear 10 s, and blip the throttle in neutral"},
    {"air_mass_flow", "pull hard at low and at high engine speed",
     "hold the pedal still through a gear change"},
    {"lambda", "coast in gear 10 s, then full load for 5 s, three times",
     "coast in gear 10 s, then full load for 5 s"},
    {"lambda_target", "full load for 5 s, three times", "coast in gear 10 s"},
    {"coolant_temp", "start cold and record the whole warm-up, 15 minutes",
     "start cold and record the whole warm-up"},
    {"intake_temp", "record from a cold start through driving and standing, 15 minutes",
     "stand 3 minutes after a drive, then drive again"},
    {"oil_temp", "start cold and record the whole warm-up, 20 minutes",
     "start cold and record the whole warm-up"},
};
static const struct manoeuvre any = {NULL, "make it move several times over its whole range",
                                     "move it alone, several times over its whole range"};

static const struct manoeuvre *manoeuvre_of(const struct seek_course *course)
{
    const char *target = course->reference->target;
    for (size_t i = 0; i < sizeof manoeuvres / sizeof manoeuvres[0]; i++)
        if (target && strcmp(target, manoeuvres[i].role) == 0)
            return &manoeuvres[i];
    return &any;
}

static const char *name_of(const struct seek_course *course)
{
    const struct lt_reference *reference = course->reference;
    return reference->role ? reference->role->title : reference->target;
}

/* "frame 0C4, bits 0.7..1.0" and, where it has pages, which one. */
static void put_place(const struct seek_window *window, char *text, size_t size)
{
    char bits[128], page[32] = "";
    struct lt_bits place = seek_window_bits(window);
    lt_bits_print(bits, sizeof bits, &place);
    if (window->view->has_page)
        lt_text_format(page, sizeof page, " on page %u", (unsigned)window->view->page);
    lt_text_format(text, size,
                   window->view->kept.key.extended ? "frame %08X, bits %s%s"
                                                   : "frame %03X, bits %s%s",
                   (unsigned)window->view->kept.key.id, bits, page);
}

static void say_found(const struct judging *judging, char *text, size_t size)
{
    const struct entry *best = &judging->entry[0];
    char place[192], step[96];
    size_t copies = 0, cousins = 0;
    for (size_t i = 1; i < judging->count; i++) {
        copies += judging->entry[i].copy;
        cousins += !judging->entry[i].copy && judging->entry[i].odds >= 0;
    }
    put_place(best->window, place, sizeof place);
    lt_text_format(step, sizeof step, "%.7g %s a step, %.7g at 0", best->fit->scale,
                   judging->course->reference->unit, best->fit->offset);
    int at = (int)lt_text_format(text, size, "%s is in %s: %s%s.", name_of(judging->course), place,
                                 best->fit->reciprocal ? "as 1/x, " : "", step);
    if (copies)
        at += (int)lt_text_format(text + at, size - (size_t)at,
                                  " %zu more follow%s it as closely: copies, or cousins that %s "
                                  "would split.",
                                  copies, copies == 1 ? "s" : "",
                                  manoeuvre_of(judging->course)->split);
    if (cousins)
        at += (int)lt_text_format(text + at, size - (size_t)at, " Near it, and not the same: %zu.",
                                  cousins);
    if (seek_sigmoid(best->odds) < SURE)
        lt_text_format(text + at, size - (size_t)at, " To be surer: %s.",
                       manoeuvre_of(judging->course)->split);
}

static void say_ambiguous(const struct judging *judging, char *text, size_t size)
{
    char one[192], other[192];
    put_place(judging->entry[0].window, one, sizeof one);
    put_place(judging->rival->window, other, sizeof other);
    lt_text_format(text, size,
                   "%s may be in %s, or in %s: they follow it equally well and say different "
                   "things. To split them: %s.",
                   name_of(judging->course), one, other, manoeuvre_of(judging->course)->split);
}

static void say_why_not(const struct seek_course *course, char *text, size_t size)
{
    const char *name = name_of(course);
    if (course->reference->clock_unknown && !course->clock_found)
        lt_text_format(text, size,
                       "%s has times of another clock than the recording, and nothing that they "
                       "could be matched by. Give times of the recording's clock.",
                       name);
    else if (course->levels < 2)
        lt_text_format(text, size, "%s never moved in this recording. Record again: %s.", name,
                       manoeuvre_of(course)->what);
    else
        lt_text_format(text, size,
                       "%s hardly moved in this recording, or not often enough, to be told from "
                       "chance. Record again: %s.",
                       name, manoeuvre_of(course)->what);
}

static void say_too_short(const struct judging *judging, char *text, size_t size)
{
    const struct entry *best = &judging->entry[0];
    char place[192];
    put_place(best->window, place, sizeof place);
    lt_text_format(text, size,
                   "%s is with %.0f %% in %s, which %.0f s are too short to be sure of. Record "
                   "longer: %s.",
                   name_of(judging->course), 100 * seek_sigmoid(best->odds), place,
                   judging->course->span_s, manoeuvre_of(judging->course)->what);
}

/* Nothing is it; but where something may be, that is the next thing to look at. */
static void say_absent(const struct judging *judging, char *text, size_t size)
{
    const struct entry *best = judging->count ? &judging->entry[0] : NULL;
    const char *name = name_of(judging->course);
    char place[192] = "";
    if (judging->course->reference->has_source) {
        lt_text_format(text, size, "No other number on this bus follows %s: it has no copy here.",
                       name);
        return;
    }
    double sure = best ? seek_sigmoid(best->odds) : 0;
    if (best)
        put_place(best->window, place, sizeof place);
    if (best && best->claimed > CLAIMED_COPY && best->claimed_by)
        lt_text_format(text, size,
                       "%s moved enough, and no number in any frame is it: this bus does not carry "
                       "it. What comes nearest (%s) follows %s better.",
                       name, place, best->claimed_by);
    else if (sure >= WORTH_A_LOOK)
        lt_text_format(
            text, size,
            "%s moved enough, and no number in any frame is it for certain: the bus "
            "hardly carries it. What comes nearest (%s) is it with %.0f %%. To tell: %s.",
            name, place, 100 * sure, manoeuvre_of(judging->course)->what);
    else
        lt_text_format(text, size,
                       "%s moved enough, and no number in any frame is it: this bus does not carry "
                       "it.",
                       name);
}

const char *seek_say(const struct judging *judging, enum lt_seek_verdict verdict)
{
    char text[800];
    const struct seek_course *course = judging->course;
    if (verdict == LT_SEEK_FOUND)
        say_found(judging, text, sizeof text);
    else if (verdict == LT_SEEK_AMBIGUOUS)
        say_ambiguous(judging, text, sizeof text);
    else if (verdict == LT_SEEK_NOT_EXERCISED && judging->too_short)
        say_too_short(judging, text, sizeof text);
    else if (verdict == LT_SEEK_NOT_EXERCISED)
        say_why_not(course, text, sizeof text);
    else
        say_absent(judging, text, sizeof text);
    size_t at = strlen(text);
    if (course->clock_found && (verdict == LT_SEEK_FOUND || verdict == LT_SEEK_AMBIGUOUS))
        lt_text_format(text + at, sizeof text - at,
                       " Its clock is %.2f s %s that of the recording.",
                       fabs((double)course->clock_ns / NS_PER_S),
                       course->clock_ns < 0 ? "behind" : "ahead of");
    return lt_arena_string(judging->arena, text);
}

const char *seek_why(const struct judging *judging, const struct entry *entry)
{
    char text[400];
    const struct seek_fit *fit = entry->fit;
    lt_text_format(text, sizeof text,
                   "r %.4f where %.2f is needed; %.2f %% of its spread left over, %.1f times what "
                   "steps and times explain; %.2f steps where it is steady; each half predicts the "
                   "other to %.1f %%%s%s%s",
                   fabs(fit->r), judging->course->r_needed, 100 * entry->loss, fit->excess,
                   fit->steady_quanta, 100 * fit->split_rmse,
                   fit->snapped ? "; scale and offset are usual ones" : "",
                   entry->claimed > CLAIMED_COPY ? "; follows better: " : "",
                   entry->claimed > CLAIMED_COPY ? entry->claimed_by : "");
    return lt_arena_string(judging->arena, text);
}
