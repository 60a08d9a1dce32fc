/* loomtap guard: the warnings of a profile on live buses. Here is all that is decided before a bus
 * is touched: what the profile may send at all, and whether it is proven. */
#include <stdlib.h>
#include <string.h>

#include "cli/cautions.h"
#include "cli/commands.h"
#include "cli/guarding.h"
#include "cli/profiles.h"
#include "loomtap/capture/writer.h"
#include "loomtap/live/filters.h"
#include "loomtap/live/guard.h"
#include "loomtap/live/refuse.h"
#include "loomtap/prove/older.h"
#include "loomtap/warn/warn.h"

#define BUSES_SAID_MAX 32

struct guard_values {
    struct common common;
    struct list profiles, buses, known;
    const char *proof, *reason, *log, *form;
    int64_t duration_ns, listen_ns;
    bool arm, cautions_read, frames, json, all;
};

#define AT(member) offsetof(struct guard_values, member)

static const struct option_row options[] = {
    {"--profile", "-p", OPTION_AGAIN, AT(profiles), "FILE", "the profile with the warnings"},
    {"--frames", NULL, OPTION_FLAG, AT(frames), NULL,
     "text: also each frame that is sent, or would be"},
    {"--json", NULL, OPTION_FLAG, AT(json), NULL, "a line of JSON an event and a frame"},
    {"--log", NULL, OPTION_TEXT, AT(log), "FILE",
     "record there, events to FILE.jsonl; files there are not touched"},
    {"--as", NULL, OPTION_TEXT, AT(form), "FORM", "the log's form; default: by FILE's ending"},
    {"--all", NULL, OPTION_FLAG, AT(all), NULL, "hear and log all frames, not the profile's alone"},
    {"--bus", NULL, OPTION_LIST, AT(buses), "BUS=NAME", "the profile's BUS is the interface NAME"},
    {"--duration", NULL, OPTION_SECONDS, AT(duration_ns), "TIME", "end after this time"},
    ARM_OPTIONS,
    {"--proof", NULL, OPTION_TEXT, AT(proof), "FILE",
     "with --arm: the proof of this profile, as `prove --json` gives it"},
    {"--reason", NULL, OPTION_TEXT, AT(reason), "TEXT",
     "with --arm: why it is right without a proof; stands in the log"},
    {"--known", NULL, OPTION_AGAIN, AT(known), "FILE",
     "a profile or draft with more that the car sends"},
    {"--listen", NULL, OPTION_SECONDS, AT(listen_ns), "TIME",
     "with --arm: listen first for so long, if that is longer"},
    COMMON_OPTIONS,
};

static const char details[] =
    "BUS is a CAN interface that is up (can0, vcan0). Runs the warnings of the profile as they\n"
    "come, by the same engine as `rehearse`: over the log of a run that gives the same events, to\n"
    "the frame. Ctrl-C ends it.\n"
    "\n"
    "Without --arm nothing is sent. With it the cautions are shown, and a log, a proof of exactly\n"
    "this profile or a reason are wanted. It listens first, ten of the longest periods, and then\n"
    "sends the profile's frames, never faster than declared. It stops for good when another node\n"
    "sends one of its identifiers, when the controller goes bus-off or the interface down, and\n"
    "when all inputs are lost for ten seconds. The all-clear is given on a normal end alone.\n"
    "\n"
    "This is a bench tool, and no safety device: what runs on the road is the kit's firmware.\n\n"
    "examples:\n"
    "  loomtap guard can0 can1 -p car.ini --frames\n"
    "  loomtap guard vcan0 -p car.ini --arm --proof car.proof.json --log bench.log\n"
    "  loomtap rehearse bench.log -p car.ini --frames   # on a bus: the log of the run before\n";

struct run {
    const struct guard_values *v;
    struct profiles profiles, known;
    struct lt_can_filter filters[LT_CAN_FILTERS_MAX];
    struct lt_can_bus_options bus;
    struct lt_arena arena;
    struct lt_faults notes;
    struct guarding guarding;
};

/* ---- options ---- */

static int check_arming(const struct guard_values *v)
{
    if (!v->arm && (v->proof || v->reason || v->cautions_read || v->listen_ns))
        return usage_error("guard",
                           "--proof, --reason, --cautions-read and --listen go with --arm");
    if (!v->arm)
        return EXIT_FINE;
    if (!v->proof && !v->reason)
        return usage_error("guard", "--arm wants --proof FILE, the proof of exactly this profile, "
                                    "or --reason TEXT, why it is right without one");
    if (v->reason && !*v->reason)
        return usage_error("guard", "--reason: the text is empty");
    if (!v->log)
        return usage_error("guard", "--arm wants --log FILE: what is sent has to stand in a log");
    return EXIT_FINE;
}

static int check_log(const struct guard_values *v)
{
    const struct lt_writer_options writing = {.form = v->form};
    struct lt_error error;
    if (!v->log)
        return v->form ? usage_error("guard", "--as goes with --log FILE") : EXIT_FINE;
    if (strcmp(v->log, "-") == 0)
        return usage_error("guard", "--log wants a file: standard output is for events");
    if (lt_writer_check(v->log, &writing, &error) == LT_OK)
        return EXIT_FINE;
    say_error(&error);
    return EXIT_USAGE;
}

static int check_options(const struct guard_values *v)
{
    if (v->common.arguments.count == 0)
        return usage_error("guard", "no bus is named: `ip -br link show type can` lists them");
    if (v->common.arguments.count > LT_BUSES_MAX)
        return usage_error("guard", "more buses than %u", LT_BUSES_MAX);
    if (!v->profiles.count)
        return usage_error("guard", "no profile given: -p FILE");
    if (v->profiles.count > 1)
        return usage_error("guard", "one profile at a time; a profile can `include` others");
    if (v->json && v->frames)
        return usage_error("guard", "--frames is for text; --json has the frames anyway");
    int status = check_arming(v);
    return status == EXIT_FINE ? check_log(v) : status;
}

/* ---- what may be sent ---- */

static void say_refusal(const struct run *r, uint32_t frame, enum lt_refusal refusal,
                        const char *where)
{
    const struct lt_frame_def *def = &r->profiles.items[0]->frames[frame];
    struct lt_error error;
    lt_fail(&error, LT_E_CONFLICT, "frame %s (%X) is %s: %s%s", def->name, def->id,
            r->v->arm ? "refused" : "not for sending", lt_refusal_text(refusal), where);
    lt_error_advise(&error, "%s", lt_refusal_advice(refusal));
    if (!r->v->arm)
        error.severity = LT_SEVERITY_WARNING;
    say_error(&error);
}

static enum lt_refusal refuse_by_known(const struct run *r, uint32_t frame, char *where,
                                       size_t size)
{
    const struct lt_profile *own = r->profiles.items[0];
    uint32_t found;
    enum lt_refusal refusal = lt_refuse_known(&own->frames[frame], own, false, &found);
    const struct lt_profile *by = own;
    for (size_t i = 0; i < r->known.count && refusal == LT_REFUSE_NOTHING; i++) {
        by = r->known.items[i];
        refusal = lt_refuse_known(&own->frames[frame], by, true, &found);
    }
    if (refusal != LT_REFUSE_NOTHING)
        lt_text_format(where, size, " (%s: frame %s)", by->files[0], by->frames[found].name);
    return refusal;
}

static bool is_refused(const struct run *r, uint32_t frame)
{
    char where[300] = "";
    enum lt_refusal refusal = lt_refuse_frame(&r->profiles.items[0]->frames[frame]);
    if (refusal == LT_REFUSE_NOTHING)
        refusal = refuse_by_known(r, frame, where, sizeof where);
    if (refusal != LT_REFUSE_NOTHING)
        say_refusal(r, frame, refusal, where);
    return refusal != LT_REFUSE_NOTHING;
}

static bool is_sent_before(const struct lt_profile *profile, size_t warning)
{
    for (size_t i = 0; i < warning; i++)
        if (profile->warnings[i].send == profile->warnings[warning].send)
            return true;
    return false;
}

static int check_frames(const struct run *r)
{
    const struct lt_profile *profile = r->profiles.items[0];
    bool any = false, refused = false;
    for (size_t i = 0; i < profile->warning_count; i++) {
        uint32_t send = profile->warnings[i].send;
        any |= send != LT_NONE;
        if (send != LT_NONE && !is_sent_before(profile, i))
            refused |= is_refused(r, send);
    }
    if (!profile->warning_count)
        complain("the profile has no warnings");
    else if (r->v->arm && !any)
        complain("no warning of the profile sends a frame: there is nothing to arm");
    else
        return refused && r->v->arm ? EXIT_NO : EXIT_FINE;
    return EXIT_NO;
}

/* ---- the proof ---- */

static int judge_proof(const struct run *r, const struct lt_older_proof *proof)
{
    const struct lt_profile *profile = r->profiles.items[0];
    if (strcmp(proof->hash, profile->hash) != 0)
        complain("%s is the proof of another profile: its hash is %.16s..., that of %s %.16s...; "
                 "prove this one, or say --reason",
                 r->v->proof, proof->hash, r->v->profiles.items[0], profile->hash);
    else if (strcmp(proof->verdict, "proven") != 0)
        complain("%s: the profile is not proven: %s", r->v->proof, proof->verdict);
    else
        return EXIT_FINE;
    return EXIT_NO;
}

static int check_proof(const struct run *r)
{
    struct lt_older_proof proof = {0};
    struct lt_error error;
    if (!r->v->proof)
        return EXIT_FINE;
    if (lt_older_proof_read(r->v->proof, &proof, &error) != LT_OK) {
        say_error(&error);
        return EXIT_UNREADABLE;
    }
    int status = judge_proof(r, &proof);
    lt_older_proof_free(&proof);
    return status;
}

/* ---- buses ---- */

static const char *name_of_bus(const void *context, size_t bus)
{
    const struct run *r = context;
    return r->v->common.arguments.items[bus];
}

/* By names alone: what the buses carry is no ground to send on one of them. */
static int bind_buses(struct run *r)
{
    struct lt_bus_said said[BUSES_SAID_MAX];
    const struct list *words = &r->v->buses;
    const struct lt_profile *profile = r->profiles.items[0];
    struct lt_binding *bindings;
    struct lt_error error;
    if (words->count > BUSES_SAID_MAX)
        return usage_error("guard", "--bus: more than %d", BUSES_SAID_MAX);
    for (size_t i = 0; i < words->count; i++) {
        const char *name = *words->items[i] == '=' ? NULL : cut_at_equals(words->items[i]);
        if (!name || !*name)
            return usage_error("guard", "--bus: `%s` is not of the form BUS=NAME", words->items[i]);
        said[i] = (struct lt_bus_said){lt_text_of(words->items[i]), lt_text_of(name)};
    }
    const struct lt_bind request = {
        .profiles = (const struct lt_profile *const *)&profile,
        .profile_count = 1,
        .said = said,
        .said_count = words->count,
        .bus_name = name_of_bus,
        .bus_count = r->v->common.arguments.count,
        .context = r,
        .notes = &r->notes,
    };
    if (lt_bind_buses(&request, &r->arena, &bindings, &r->guarding.binding_count, &error) !=
        LT_OK) {
        say_error(&error);
        return error.code == LT_E_UNKNOWN ? EXIT_USAGE : EXIT_SYSTEM;
    }
    r->guarding.bindings = bindings;
    return EXIT_FINE;
}

static uint16_t bus_of(const struct run *r, uint32_t bus)
{
    const struct guarding *g = &r->guarding;
    for (size_t i = 0; i < g->binding_count; i++)
        if ((g->bindings[i].bus == bus || (bus == LT_NONE && g->binding_count == 1)) &&
            g->bindings[i].capture_bus != LT_NONE)
            return (uint16_t)g->bindings[i].capture_bus;
    return LT_WARN_NO_BUS;
}

static int place_frames(struct run *r)
{
    const struct lt_profile *profile = r->profiles.items[0];
    uint16_t *buses = lt_arena_array(&r->arena, profile->frame_count + 1, sizeof *buses);
    int status = EXIT_FINE;
    if (!buses) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    for (size_t i = 0; i < profile->frame_count; i++)
        buses[i] = bus_of(r, profile->frames[i].bus);
    r->guarding.bus_of_frame = buses;
    for (size_t i = 0; i < profile->warning_count && r->v->arm; i++) {
        uint32_t send = profile->warnings[i].send;
        if (send == LT_NONE || buses[send] != LT_WARN_NO_BUS || is_sent_before(profile, i))
            continue;
        status = usage_error("guard", "frame %s: which interface is its bus? --bus BUS=NAME",
                             profile->frames[send].name);
    }
    return status;
}

/* Whoever speaks from an address of the kit's is heard, whatever it says. */
static void make_filters(struct run *r)
{
    const struct lt_profile *profile = r->profiles.items[0];
    size_t count = 0;
    r->bus.filters = r->filters;
    if (r->v->all || !lt_filters_add_profile(r->filters, &count, profile))
        return;
    for (size_t i = 0; i < profile->frame_count; i++) {
        const struct lt_frame_def *def = &profile->frames[i];
        if (def->direction != LT_SEND || !def->is_pgn || def->source == LT_NONE)
            continue;
        if (count == LT_CAN_FILTERS_MAX)
            return;
        r->filters[count++] = (struct lt_can_filter){def->source, 0xFF, true};
    }
    r->bus.filter_count = count;
}

/* ---- the command ---- */

static int64_t listen_for(const struct run *r)
{
    int64_t least_ns = lt_guard_listen_ns(r->profiles.items[0]);
    return r->v->listen_ns > least_ns ? r->v->listen_ns : least_ns;
}

static int guard(struct run *r)
{
    const struct guard_values *v = r->v;
    struct guarding *g = &r->guarding;
    make_filters(r);
    g->profile = r->profiles.items[0];
    g->names = v->common.arguments.items;
    g->bus_count = v->common.arguments.count;
    g->bus = &r->bus;
    g->armed = v->arm;
    g->cautions_read = v->cautions_read;
    g->proof = v->proof;
    g->reason = v->reason;
    g->log = v->log;
    g->form = v->form;
    g->json = v->json;
    g->frames = v->frames;
    g->quiet = v->common.quiet;
    g->duration_ns = v->duration_ns;
    g->listen_ns = listen_for(r);
    return guard_buses(g);
}

static int prepare(struct run *r)
{
    const struct guard_values *v = r->v;
    int status = check_options(v);
    if (status == EXIT_FINE)
        status = load_profiles(&r->profiles, &v->profiles, v->common.quiet);
    if (status == EXIT_FINE)
        status = load_unfinished_profiles(&r->known, &v->known, true);
    if (status == EXIT_FINE)
        status = check_frames(r);
    if (status == EXIT_FINE)
        status = check_proof(r);
    if (status == EXIT_FINE)
        status = bind_buses(r);
    say_faults(&r->notes, v->common.quiet);
    return status == EXIT_FINE ? place_frames(r) : status;
}

static int run(void *values)
{
    static struct run r;
    r.v = values;
    lt_arena_init(&r.arena, 0);
    lt_faults_init(&r.notes, 0);
    int status = prepare(&r);
    if (status == EXIT_FINE)
        status = guard(&r);
    free_profiles(&r.profiles);
    free_profiles(&r.known);
    lt_faults_release(&r.notes);
    lt_arena_release(&r.arena);
    return status;
}

const struct command cmd_guard = {
    .name = "guard",
    .usage = "BUS... -p PROFILE",
    .help = "the warnings of a profile on live buses; sends them when armed",
    .details = details,
    .options = options,
    .size = sizeof(struct guard_values),
    .run = run,
};
