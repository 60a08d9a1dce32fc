/* The verdict on marks, the confidence, and what the person reads.
 *
 * Found takes three things: chance would not do it (at most 1 % after all that was tried), few
 * blemishes, and two visits of the labels. The figures of the confidence were set from random cars
 * (tests/bench/marks_truth.py). What is missing is said as something to do. */
#include "seek/modes.h"

#include <stdio.h>

#define CHANCE_MAX 0.01
/* Changes from which on a label visited once is no longer a reason to send the person off again. */
#define CHANGES_MANY 6

static double all_chance(const struct modes_found *found, const struct modes_window *window)
{
    double chance = window->chance * (2 * (double)found->tried + 10);
    return chance < 1 ? chance : 1;
}

/* Would a field that follows the marks without a fault be proof enough? */
static bool has_power(const struct modes_times *times, const struct modes_found *found)
{
    double whole = (double)(times->last_ns - times->first_ns);
    double near = (double)(times->early_ns + times->late_ns + 100 * MODES_MS);
    double q = whole > 0 ? near * (double)times->changes / whole : 1;
    double chance = modes_chance(times->changes, times->changes, q < 0.95 ? q : 0.95);
    return chance * (2 * (double)found->tried + 10) < CHANCE_MAX;
}

static bool is_clean(const struct modes_times *times, const struct modes_window *window)
{
    size_t quarter = window->expected / 4;
    size_t missed = window->expected - window->hits;
    size_t extra = times->presses ? window->expected + 2 : quarter > 2 ? quarter : 2;
    return window->bad <= times->tolerance && missed <= (quarter > 1 ? quarter : 1) &&
           window->extra <= extra && window->hits >= 2;
}

static unsigned single_labels(const struct modes_times *times, const char **ret_name)
{
    unsigned count = 0;
    for (unsigned i = 0; i < times->label_count; i++)
        if (times->visits[i] < 2) {
            if (count++ == 0)
                *ret_name = times->label[i];
        }
    return count;
}

static bool enough_visits(const struct modes_times *times)
{
    const char *name;
    unsigned singles = single_labels(times, &name);
    if (times->presses)
        return times->count >= 3;
    if (times->changes < 3)
        return false;
    return singles == 0 || (times->label_count - singles >= 2 && times->changes >= CHANGES_MANY);
}

/* Another field of as few faults that disagrees with the marks elsewhere. */
static bool is_contradicted(const struct modes_found *found, const struct modes_window *best)
{
    for (size_t i = 0; best->bad && i < found->count; i++) {
        const struct modes_window *other = &found->window[i];
        if (other != best && other->injective && other->bad <= best->bad &&
            other->first_bad_mark != best->first_bad_mark && all_chance(found, other) < CHANCE_MAX)
            return true;
    }
    return false;
}

static enum lt_seek_verdict judge(const struct modes_times *times, const struct modes_found *found)
{
    const struct modes_window *best = found->count ? &found->window[0] : NULL;
    bool has_best = best && (best->injective || times->presses);
    if (!enough_visits(times))
        return LT_SEEK_NOT_EXERCISED;
    if (has_best && all_chance(found, best) < CHANCE_MAX && is_clean(times, best))
        return is_contradicted(found, best) ? LT_SEEK_AMBIGUOUS : LT_SEEK_FOUND;
    if (!has_power(times, found))
        return LT_SEEK_NOT_EXERCISED;
    return has_best && all_chance(found, best) < CHANCE_MAX ? LT_SEEK_AMBIGUOUS
                                                            : LT_SEEK_NOT_ON_BUS;
}

/* Of the windows of its frame, the one that looks least like a check. */
static bool is_first_of_frame(const struct modes_found *found, const struct modes_window *window)
{
    for (const struct modes_window *other = found->window; other < window; other++)
        if (other->stream == window->stream && other->rivals)
            return false;
    return true;
}

static double confidence(const struct modes_times *times, const struct modes_found *found,
                         const struct modes_window *window, enum lt_seek_verdict verdict)
{
    const char *name;
    double chance = all_chance(found, window);
    double sure = 0.995 - 0.03 * (double)window->bad -
                  0.01 * (double)(window->expected - window->hits) - 0.02 * (double)window->extra;
    double most = chance < 1e-8 ? 0.995 : chance < 1e-5 ? 0.98 : chance < CHANCE_MAX ? 0.94 : 0.3;
    if (single_labels(times, &name) && !times->presses)
        most = most < 0.9 ? most : 0.9;
    if (window->doubt)
        most = most < 0.9 ? most : 0.9;
    if (window->rivals) {
        double alone = is_first_of_frame(found, window) ? 0.9 : 0.5;
        most = most < alone ? most : alone;
    }
    if (verdict != LT_SEEK_FOUND)
        most = most < 0.5 ? most : 0.5;
    if (!window->injective && !times->presses)
        most = most < 0.2 ? most : 0.2;
    sure = sure < most ? sure : most;
    return sure > 0.01 ? sure : 0.01;
}

/* --- candidates --- */

static size_t put_values(const struct modes_times *times, const struct modes_window *window,
                         struct lt_candidate_value *values)
{
    size_t count = 0;
    if (times->presses)
        return 0;
    for (unsigned label = 0; label < times->label_count; label++) {
        if (!window->agree[label])
            continue;
        size_t at = count++;
        for (; at > 0 && values[at - 1].raw > window->value[label]; at--)
            values[at] = values[at - 1];
        values[at] = (struct lt_candidate_value){window->value[label], times->label[label],
                                                 window->agree[label]};
    }
    return count;
}

static const char *why(const struct modes_times *times, const struct modes_found *found,
                       const struct modes_window *window, struct lt_arena *arena)
{
    char text[320];
    size_t used = 0;
    if (!times->presses)
        used = lt_text_format(text, sizeof text, "its value is the label's on %zu of %zu visits; ",
                              window->known - window->bad, window->known);
    used +=
        lt_text_format(text + used, sizeof text - used,
                       "it changed at %zu of %zu marks and %zu times elsewhere (chance %.1e)",
                       window->hits, window->expected, window->extra, all_chance(found, window));
    if (!window->injective && !times->presses)
        used +=
            lt_text_format(text + used, sizeof text - used, "; it does not tell all labels apart");
    if (window->rivals)
        lt_text_format(text + used, sizeof text - used,
                       "; %u other place%s of its frame change%s with it: one may be a check",
                       window->rivals, window->rivals == 1 ? "" : "s",
                       window->rivals == 1 ? "s" : "");
    return lt_arena_string(arena, text);
}

static bool put_candidate(const struct modes_times *times, const struct modes_found *found,
                          const struct modes_window *window, enum lt_seek_verdict verdict,
                          struct lt_arena *arena, struct lt_candidate *candidate)
{
    struct lt_candidate_value *values =
        lt_arena_array(arena, times->label_count + 1, sizeof *values);
    if (!values)
        return false;
    bool whole = window->injective || times->presses;
    *candidate = (struct lt_candidate){
        .stream = window->stream,
        .has_page = window->has_page,
        .page = (uint16_t)window->page,
        .bits = window->bits,
        .order = lt_bits_order(&window->bits),
        .sign = LT_UNSIGNED,
        .form = LT_FORM_LINEAR,
        .proven_bits = window->bits,
        .scale = 1,
        .lag_s = window->lag_s,
        .r = window->known ? (double)(window->known - window->bad) / (double)window->known : 0,
        .confidence = confidence(times, found, window, verdict),
        .group = whole ? 1 : 2,
        .copy = whole && (!window->rivals || is_first_of_frame(found, window)),
        .value_count = put_values(times, window, values),
        .values = values,
        .why = why(times, found, window, arena),
    };
    return candidate->why != NULL;
}

/* --- sentences --- */

struct talk {
    char text[900];
    size_t used;
};

static void say(struct talk *talk, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void say(struct talk *talk, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    talk->used +=
        lt_text_vformat(talk->text + talk->used, sizeof talk->text - talk->used, format, args);
    va_end(args);
}

static void say_found(const struct modes_times *times, const struct modes_found *found,
                      struct talk *talk)
{
    const struct modes_window *best = &found->window[0];
    size_t copies = 0;
    for (size_t i = 1; i < found->count; i++)
        copies += (found->window[i].injective || times->presses) &&
                  all_chance(found, &found->window[i]) < CHANCE_MAX;
    if (times->presses)
        say(talk, "It changed at %zu of %zu marks.", best->hits, best->expected);
    else
        say(talk, "Its value is a function of the label: %zu labels, %zu of %zu visits agree.",
            (size_t)times->label_count, best->known - best->bad, best->known);
    if (copies)
        say(talk, " %zu other place%s the same; the earliest to change comes first.", copies,
            copies == 1 ? " says" : "s say");
}

static void say_missing(const struct modes_times *times, const struct modes_found *found,
                        struct talk *talk)
{
    const char *name = "";
    unsigned singles = single_labels(times, &name);
    if (times->presses) {
        say(talk,
            "There are %zu marks, which is too few: press it at least %d times, at uneven "
            "intervals of 3 s and more.",
            times->count, 6);
    } else if (times->changes == 0) {
        say(talk, "The label never changes: mark at least two, each visited twice.");
    } else if (singles && !enough_visits(times)) {
        say(talk, "`%s` was visited once only", name);
        if (singles > 1)
            say(talk, ", as %u other%s", singles - 1, singles == 2 ? "" : "s");
        say(talk, ": visit %s once more, for at least 5 s.", singles > 1 ? "each of them" : name);
    } else {
        say(talk,
            "%zu change%s of the label %s too few for so many bits: make some %zu more, at "
            "uneven intervals of 5 s and more.",
            times->changes, times->changes == 1 ? "" : "s", times->changes == 1 ? "is" : "are",
            times->changes < 6 ? 8 - times->changes : (size_t)4);
    }
    if (found->count && (found->window[0].injective || times->presses))
        say(talk, " The candidates are what fits so far.");
}

static void say_absent(const struct modes_times *times, const struct modes_found *found,
                       struct talk *talk)
{
    say(talk, "The marks are enough to tell, and no field on these buses follows them.");
    if (found->count && !found->window[0].injective && !times->presses)
        say(talk, " What is listed tells some of the labels apart, not all.");
    say(talk, " Try another bus, or check that the marks belong to this capture.");
}

static void say_ambiguous(const struct modes_found *found, struct talk *talk)
{
    const struct modes_window *best = &found->window[0];
    if (is_contradicted(found, best))
        say(talk, "Several fields follow the label, and disagree where the marks may be wrong.");
    else
        say(talk,
            "A field follows the label, but it changes at other times as well (%zu), or not "
            "at all marks (%zu of %zu).",
            best->extra, best->hits, best->expected);
    say(talk, " Record once more, with each label held for at least 5 s.");
}

static void say_marks(const struct modes_times *times, const struct modes_found *found,
                      enum lt_seek_verdict verdict, struct talk *talk)
{
    const char *name = "";
    if (verdict == LT_SEEK_FOUND && single_labels(times, &name) && !times->presses)
        say(talk, " `%s` was visited once only: its code wants one more visit.", name);
    if (verdict == LT_SEEK_FOUND && found->window[0].bad)
        say(talk,
            " %zu visit%s not agree, the first from mark %llu on: put late, forgotten or of "
            "another label?",
            found->window[0].bad, found->window[0].bad == 1 ? " does" : "s do",
            (unsigned long long)found->window[0].first_bad_mark);
    if (times->doubled)
        say(talk, " %zu mark%s repeated the label that held.", times->doubled,
            times->doubled == 1 ? "" : "s");
    if (times->outside)
        say(talk, " %zu mark%s outside the capture.", times->outside,
            times->outside == 1 ? " lies" : "s lie");
    if (found->past)
        say(talk, " More than %d places may follow: those that chance explains best were left out.",
            MODES_WINDOWS_MAX);
    if (times->moved_ns)
        say(talk, " The marks were taken as seconds from the capture's start.");
}

static const char *sentences(const struct modes_times *times, const struct modes_found *found,
                             enum lt_seek_verdict verdict, struct lt_arena *arena)
{
    struct talk talk = {.used = 0};
    switch (verdict) {
    case LT_SEEK_FOUND:
        say_found(times, found, &talk);
        break;
    case LT_SEEK_AMBIGUOUS:
        say_ambiguous(found, &talk);
        break;
    case LT_SEEK_NOT_EXERCISED:
        say_missing(times, found, &talk);
        break;
    case LT_SEEK_NOT_ON_BUS:
        say_absent(times, found, &talk);
        break;
    }
    say_marks(times, found, verdict, &talk);
    return lt_arena_string(arena, talk.text);
}

enum lt_code modes_say(const struct modes_times *times, const struct modes_found *found,
                       const struct lt_reference *marks, struct lt_arena *arena,
                       struct lt_seek_target *ret_target, struct lt_error *error)
{
    enum lt_seek_verdict verdict = judge(times, found);
    size_t count = found->count < LT_CANDIDATES_MAX ? found->count : LT_CANDIDATES_MAX, kept = 0;
    struct lt_candidate *list = lt_arena_array(arena, count + 1, sizeof *list);
    bool fine = list != NULL;
    for (size_t i = 0; fine && i < count; i++) {
        /* What chance may have done is no candidate, unless there was too little to tell. */
        if (verdict != LT_SEEK_NOT_EXERCISED && all_chance(found, &found->window[i]) >= CHANCE_MAX)
            continue;
        fine = put_candidate(times, found, &found->window[i], verdict, arena, &list[kept++]);
    }
    const char *text = fine ? sentences(times, found, verdict, arena) : NULL;
    if (!text)
        return lt_fail(error, LT_E_MEMORY, "no memory for the result of %s", marks->name);
    *ret_target = (struct lt_seek_target){
        .reference = marks,
        .n_eff = (double)times->changes,
        .verdict = verdict,
        .say = text,
        .count = kept,
        .candidates = list,
    };
    return LT_OK;
}
