/* The sentences of an answer, for people: what was found, or which manoeuvre is missing. */
#include "seek/judge.h"

#include "loomtap/base/number.h"

struct manoeuvre {
    const char *role, *what;
};
static const struct manoeuvre manoeuvres[] = {
    {"engine_speed", "blip the throttle in neutral, and pull away three times through the gears"},
    {"vehicle_speed", "three pull-aways to 50 km/h and back to a stop"},
    {"pedal",
     "three pull-aways with the pedal held at different depths, and coasting in gear 10 s"},
    {"throttle",
     "three pull-aways with the pedal held at different depths, and coasting in gear 10 s"},
    {"load", "pull hard at low engine speed, then coast in gear 10 s"},
    {"manifold_pressure", "pull hard at low engine speed, then coast in gear 10 s"},
    {"lambda", "coast in gear 10 s, then full load for 5 s, three times"},
    {"coolant_temp", "start cold and record the whole warm-up, 15 minutes"},
    {"intake_temp", "record from a cold start through driving and standing, 15 minutes"},
    {"oil_temp", "start cold and record the whole warm-up, 20 minutes"},
};

static const char *missing_manoeuvre(const struct seek_course *course)
{
    const char *target = course->reference->target;
    for (size_t i = 0; i < sizeof manoeuvres / sizeof manoeuvres[0]; i++)
        if (target && strcmp(target, manoeuvres[i].role) == 0)
            return manoeuvres[i].what;
    return "make it move several times over its whole range";
}

static void say_why_not(const struct seek_course *course, const char *name, char *text, size_t size)
{
    if (course->reference->clock_unknown && !course->clock_found)
        lt_text_format(text, size,
                       "%s has times of another clock than the recording, so nothing was compared. "
                       "Give times of the recording's clock.",
                       name);
    else
        lt_text_format(text, size,
                       "%s hardly moved in this recording, or not often enough, to be told from "
                       "chance. Record again: %s.",
                       name, missing_manoeuvre(course));
}

const char *seek_say(const struct judging *judging, enum lt_seek_verdict verdict)
{
    char text[400], bits[128];
    const struct seek_course *course = judging->course;
    const struct lt_reference *reference = course->reference;
    const struct entry *best = judging->count ? &judging->entry[0] : NULL;
    const char *name = reference->role ? reference->role->title : reference->target;
    size_t copies = 0;
    for (size_t i = 1; i < judging->count; i++)
        copies += judging->entry[i].copy;
    if (best) {
        struct lt_bits place = seek_window_bits(best->window);
        lt_bits_print(bits, sizeof bits, &place);
    }
    if (verdict == LT_SEEK_FOUND)
        lt_text_format(text, sizeof text,
                       best->window->view->kept.key.extended ? "%s is in frame %08X, bits %s%s."
                                                             : "%s is in frame %03X, bits %s%s.",
                       name, (unsigned)best->window->view->kept.key.id, bits,
                       copies ? ", with copies elsewhere" : "");
    else if (verdict == LT_SEEK_AMBIGUOUS)
        lt_text_format(text, sizeof text,
                       "Several numbers follow %s equally well and differ among themselves. To "
                       "tell them apart: %s.",
                       name, missing_manoeuvre(course));
    else if (verdict == LT_SEEK_NOT_EXERCISED)
        say_why_not(course, name, text, sizeof text);
    else
        lt_text_format(text, sizeof text,
                       "%s moved enough, and no number in any frame follows it: this bus does not "
                       "carry it.",
                       name);
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
    size_t at = strlen(text); /*DEBUG*/
    lt_text_format(text + at, sizeof text - at,
                   "|%.5g,%.5g,%d,%d,%.4g,%.4g,%.4g,%.4g,%.4g,%.4g,%.3f,%d,%.3f", entry->loss,
                   fit->excess, fit->snapped, fit->strong, entry->claimed, entry->outside,
                   fit->jumps, fit->outliers, fit->split_rmse,
                   fmax(judging->course->r_needed, judging->found->null_r), entry->odds,
                   judging->course->slow, fit->filter_s); /*DEBUG*/
    return lt_arena_string(judging->arena, text);
}
