/* See needs.h. The judging is seek's own (loomtap/seek/coverage.h). It costs the more the longer
 * the recording is, so it is done every five seconds at most, and less often where it takes long;
 * what is enough is not looked at again. */
#include "cli/needs.h"

#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "cli/built_in.h"
#include "loomtap/defs/load.h"
#include "loomtap/base/clock.h"

#define PAUSE_NS  (5 * LT_SECOND_NS)
#define SHARE     50 /* at most a fiftieth of the time is spent on it */
#define LABEL_NS  (15 * LT_SECOND_NS)
#define NO_VISITS 2u /* more of a label are not asked for */

/* ---- what is wanted ---- */

static int add_role(struct needs *needs, const struct needs_wishes *wishes, const char *name)
{
    const struct lt_role *role = lt_role_find(lt_text_of(name));
    if (!role)
        return usage_error("record", "--for: there is no role `%s`", name);
    if (role->is_labels && !wishes->marks)
        return usage_error("record", "--for: %s is told by marks: --marks FILE, and --key", name);
    if (!role->is_labels && role->obd_pid < 0)
        return usage_error("record",
                           "--for: no diagnostic reply measures %s; seek it by a logger's "
                           "values (seek --ref) or copies of a known signal",
                           name);
    if (needs->count == NEEDS_MAX)
        return usage_error("record", "--for: more than %d roles", NEEDS_MAX);
    needs->need[needs->count++].role = role;
    return EXIT_FINE;
}

static int open_replies(struct needs *needs)
{
    struct lt_error error;
    const struct lt_profile *standard = needs->standard = load_built_in_obd();
    if (!standard)
        return EXIT_SYSTEM;
    if (lt_replies_new(&needs->replies, &standard, 1, &error) == LT_OK)
        return EXIT_FINE;
    say_error(&error);
    return EXIT_SYSTEM;
}

int needs_take(struct needs *needs, const struct needs_wishes *wishes)
{
    *needs = (struct needs){.lead = wishes->lead, .quiet = wishes->quiet, .first_ns = LT_NO_TIME};
    if (wishes->roles->count == 0)
        return wishes->lead ? usage_error("record", "--lead goes with --for ROLE,...") : EXIT_FINE;
    for (size_t i = 0; i < wishes->roles->count; i++) {
        int status = add_role(needs, wishes, wishes->roles->items[i]);
        if (status != EXIT_FINE)
            return status;
    }
    for (size_t i = 0; i < wishes->label_count && i < NEEDS_LABELS; i++)
        needs->labels[needs->label_count++] = wishes->labels[i];
    return open_replies(needs);
}

void needs_free(struct needs *needs)
{
    lt_replies_free(needs->replies);
    lt_profile_free(needs->standard);
    needs->replies = NULL;
    needs->standard = NULL;
}

/* ---- what comes ---- */

void needs_hear(struct needs *needs, const struct lt_frame *frame)
{
    struct lt_error error;
    if (needs->count == 0 || needs->replies_failed)
        return;
    if (needs->first_ns == LT_NO_TIME)
        needs->first_ns = frame->time_ns;
    if (lt_replies_feed(needs->replies, frame, &error) != LT_OK) {
        say_error(&error);
        needs->replies_failed = true; /* recording matters more */
    }
}

void needs_mark(struct needs *needs, int64_t time_ns, const char *label)
{
    if (needs->count == 0 || needs->mark_count == NEEDS_MARKS_MAX)
        return;
    needs->mark_ns[needs->mark_count] = time_ns;
    needs->mark[needs->mark_count++] = label;
}

/* ---- judging ---- */

static void judge_labels(struct needs *needs, struct need *need, int64_t now_ns)
{
    struct lt_error error;
    const struct lt_coverage_marks marks = {
        .target = need->role->name,
        .labels = needs->labels,
        .label_count = needs->label_count,
        .time_ns = needs->mark_ns,
        .label = needs->mark,
        .count = needs->mark_count,
        .first_ns = needs->first_ns == LT_NO_TIME ? now_ns : needs->first_ns,
        .last_ns = now_ns};
    lt_coverage_of_marks(&marks, needs->visits, &need->coverage, &error);
}

static void judge_number(struct need *need, const struct lt_reference *list, size_t count)
{
    struct lt_coverage best = {0}, one;
    struct lt_error error;
    bool any = false;
    for (size_t i = 0; i < count; i++) {
        if (!list[i].target || !list[i].value || strcmp(list[i].target, need->role->name) != 0 ||
            lt_coverage_number(need->role->name, &list[i], &one, &error) != LT_OK)
            continue;
        if (!any || one.enough > best.enough ||
            (one.enough == best.enough && one.n_eff > best.n_eff))
            best = one;
        any = true;
    }
    if (any || lt_coverage_number(need->role->name, NULL, &best, &error) == LT_OK)
        need->coverage = best;
}

static void judge(struct needs *needs, int64_t now_ns)
{
    struct lt_arena arena;
    struct lt_reference *list = NULL;
    const char *const *asked;
    size_t count = 0, asked_count;
    struct lt_error error;
    lt_arena_init(&arena, 0);
    if (!needs->replies_failed && lt_replies_references(needs->replies, &arena, &list, &count,
                                                        &asked, &asked_count, &error) != LT_OK)
        count = 0;
    for (size_t i = 0; i < needs->count; i++) {
        struct need *need = &needs->need[i];
        if (need->role->is_labels)
            judge_labels(needs, need, now_ns);
        else if (!need->coverage.enough)
            judge_number(need, list, count);
    }
    lt_arena_release(&arena);
}

static void say_changes(struct needs *needs)
{
    for (size_t i = 0; i < needs->count; i++) {
        struct need *need = &needs->need[i];
        if (strcmp(need->said, need->coverage.say) == 0)
            continue;
        memcpy(need->said, need->coverage.say, sizeof need->said);
        say(needs->quiet, "%s: %s\n", need->role->name, need->said);
    }
}

/* ---- leading ---- */

struct step {
    const struct need *need;
    const char *label; /* to be visited; NULL: a manoeuvre */
};

static size_t list_steps(const struct needs *needs, struct lt_lead_step *steps, struct step *what)
{
    size_t count = 0;
    for (size_t i = 0; i < needs->count; i++) {
        const struct need *need = &needs->need[i];
        for (size_t k = 0; need->role->is_labels && k < needs->label_count; k++) {
            if (count == NEEDS_STEPS)
                return count;
            what[count] = (struct step){need, needs->labels[k]};
            steps[count++] = (struct lt_lead_step){LABEL_NS, needs->visits[k] >= NO_VISITS};
        }
        if (need->role->is_labels || count == NEEDS_STEPS)
            continue;
        int64_t length_ns;
        lt_coverage_step(need->role->name, &length_ns);
        what[count] = (struct step){need, NULL};
        steps[count++] = (struct lt_lead_step){length_ns, need->coverage.enough};
    }
    return count;
}

static void beep(const struct needs *needs)
{
    if (!needs->quiet && isatty(STDERR_FILENO))
        fputc('\a', stderr);
}

static void lead(struct needs *needs, int64_t monotonic_ns)
{
    struct lt_lead_step steps[NEEDS_STEPS];
    struct step what[NEEDS_STEPS];
    size_t count = list_steps(needs, steps, what);
    size_t at = lt_lead_next(&needs->leading, steps, count, monotonic_ns);
    int64_t length_ns;
    if (at == LT_LEAD_SAME)
        return;
    beep(needs);
    if (at == LT_LEAD_END)
        say(needs->quiet, "next: nothing, everything wanted is there; Ctrl-C ends the recording\n");
    else if (what[at].label)
        say(needs->quiet, "next: switch to %s, and press its key when the display shows it\n",
            what[at].label);
    else
        say(needs->quiet, "next: %s\n", lt_coverage_step(what[at].need->role->name, &length_ns));
}

void needs_look(struct needs *needs, int64_t now_ns, int64_t monotonic_ns)
{
    if (needs->count == 0 || monotonic_ns - needs->looked_ns < needs->pause_ns)
        return;
    judge(needs, now_ns);
    say_changes(needs);
    if (needs->lead)
        lead(needs, monotonic_ns);
    int64_t took_ns = lt_clock_ns(CLOCK_MONOTONIC) - monotonic_ns;
    needs->looked_ns = monotonic_ns;
    needs->pause_ns = took_ns * SHARE > PAUSE_NS ? took_ns * SHARE : PAUSE_NS;
}

/* ---- the end ---- */

bool needs_replies(const struct needs *needs)
{
    for (size_t i = 0; i < needs->count; i++)
        if (!needs->need[i].role->is_labels)
            return true;
    return false;
}

size_t needs_enough(const struct needs *needs)
{
    size_t count = 0;
    for (size_t i = 0; i < needs->count; i++)
        count += needs->need[i].coverage.enough;
    return count;
}

size_t needs_say_missing(struct needs *needs, int64_t now_ns)
{
    if (needs->count == 0)
        return 0;
    judge(needs, now_ns);
    for (size_t i = 0; i < needs->count; i++)
        if (!needs->need[i].coverage.enough)
            say(needs->quiet, "missing for %s: %s\n", needs->need[i].role->name,
                needs->need[i].coverage.say);
    return needs->count - needs_enough(needs);
}

const struct lt_record_need *needs_sheet(struct needs *needs)
{
    for (size_t i = 0; i < needs->count; i++)
        needs->sheet[i] = (struct lt_record_need){
            needs->need[i].role->name, needs->need[i].coverage.enough, needs->need[i].coverage.say};
    return needs->sheet;
}
