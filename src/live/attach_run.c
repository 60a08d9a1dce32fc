/* An interface through the steps of attaching: see loomtap/live/attach.h. */
#include <string.h>

#include "loomtap/base/clock.h"
#include "loomtap/capture/can_bus.h"
#include "loomtap/live/attach.h"

#define LOOK_NS INT64_C(50000000) /* how late a wish to stop is noticed at most */

struct attaching {
    const char *name;
    const struct lt_attach_options *options;
    struct lt_attached *attached;
};

static bool stopped(const struct attaching *run)
{
    return run->options->stop && *run->options->stop;
}

static enum lt_code went_away(const struct attaching *run, bool gone, struct lt_error *error)
{
    lt_fail(error, LT_E_IO, "%s: %s while it was listened to", run->name,
            gone ? "the adapter vanished" : "somebody took the interface down");
    lt_error_advise(error, gone ? "look at its plug and power" : "is another program setting it?");
    return LT_E_IO;
}

/* Set so, and a socket on it that has nothing of the time before. */
static enum lt_code set_and_open(struct attaching *run, const struct lt_link_wish *wish,
                                 struct lt_can_bus **ret_bus, struct lt_error *error)
{
    enum lt_code code = lt_link_set(run->name, wish, &run->attached->link, error);
    if (code != LT_OK)
        return code;
    run->attached->is_up = true;
    return lt_can_bus_open(ret_bus, &run->name, 1, NULL, error);
}

/* ---- a look of the search ---- */

static enum lt_code listen_to_look(struct attaching *run, struct lt_can_bus *bus, int64_t until_ns,
                                   struct lt_error *error)
{
    struct lt_search *search = &run->attached->search;
    struct lt_can_heard heard;
    int64_t now_ns = lt_clock_ns(CLOCK_MONOTONIC);
    int64_t wait_ns = until_ns - now_ns < LOOK_NS ? until_ns - now_ns : LOOK_NS;
    enum lt_can_event event = lt_can_bus_next(bus, wait_ns > 0 ? wait_ns : 0, &heard);
    if (event == LT_CAN_DOWN || event == LT_CAN_GONE)
        return went_away(run, event == LT_CAN_GONE, error);
    if (event == LT_CAN_FRAME)
        lt_search_hear(search, heard.frame, lt_clock_ns(CLOCK_MONOTONIC));
    return LT_OK;
}

static enum lt_code set_rate(struct attaching *run, uint32_t rate_hz, struct lt_can_bus **bus,
                             struct lt_error *error)
{
    struct lt_link_wish wish = run->options->wish;
    wish.bitrate_hz = rate_hz;
    wish.listen_only = true;
    lt_can_bus_free(*bus);
    *bus = NULL;
    if (run->options->progress)
        run->options->progress(run->options->context, &run->attached->search);
    enum lt_code code = set_and_open(run, &wish, bus, error);
    /* The adapter has not this rate, or makes it so badly that it is another one. */
    bool missing = code == LT_E_RANGE;
    lt_search_was_set(&run->attached->search, !missing, lt_clock_ns(CLOCK_MONOTONIC));
    return missing ? LT_OK : code;
}

static enum lt_code search(struct attaching *run, struct lt_error *error)
{
    struct lt_can_bus *bus = NULL;
    enum lt_code code = LT_OK;
    lt_search_init(&run->attached->search, &run->options->search);
    while (code == LT_OK && !stopped(run)) {
        uint32_t rate_hz = 0;
        int64_t until_ns = 0;
        enum lt_search_step step = lt_search_next(
            &run->attached->search, lt_clock_ns(CLOCK_MONOTONIC), &rate_hz, &until_ns);
        if (step == LT_SEARCH_DONE)
            break;
        code = step == LT_SEARCH_SET ? set_rate(run, rate_hz, &bus, error)
                                     : listen_to_look(run, bus, until_ns, error);
    }
    lt_can_bus_free(bus);
    return code;
}

/* ---- a rate that was given ---- */

static enum lt_verdict judge_given(const struct lt_bus_signs *signs, unsigned enough)
{
    if (lt_bus_signs_of_sending(signs))
        return LT_VERDICT_NOT_LISTENING;
    if (signs->frames > 0 && signs->errors > 0)
        return LT_VERDICT_MIXED;
    if (signs->errors > 0)
        return LT_VERDICT_ERRORS;
    if (signs->frames == 0)
        return LT_VERDICT_QUIET;
    return signs->frames >= enough ? LT_VERDICT_FOUND : LT_VERDICT_FEW;
}

/* The whole time, even after enough frames: FD frames among classic ones may be rare. */
static enum lt_code listen_given(struct attaching *run, struct lt_can_bus *bus,
                                 struct lt_error *error)
{
    struct lt_bus_signs *signs = &run->attached->signs;
    int64_t from_ns = lt_clock_ns(CLOCK_MONOTONIC), now_ns = from_ns;
    int64_t until_ns = from_ns + run->attached->search.options.listen_ns;
    for (; now_ns < until_ns && !stopped(run) && !lt_bus_signs_of_sending(signs);
         now_ns = lt_clock_ns(CLOCK_MONOTONIC)) {
        struct lt_can_heard heard;
        int64_t wait_ns = until_ns - now_ns < LOOK_NS ? until_ns - now_ns : LOOK_NS;
        enum lt_can_event event = lt_can_bus_next(bus, wait_ns, &heard);
        if (event == LT_CAN_DOWN || event == LT_CAN_GONE)
            return went_away(run, event == LT_CAN_GONE, error);
        if (event == LT_CAN_FRAME)
            lt_bus_signs_add(signs, heard.frame);
    }
    run->attached->heard_ns = now_ns - from_ns;
    return LT_OK;
}

static enum lt_code attach_given(struct attaching *run, struct lt_error *error)
{
    struct lt_attached *attached = run->attached;
    struct lt_link_wish wish = run->options->wish;
    struct lt_can_bus *bus = NULL;
    wish.listen_only = true;
    lt_search_init(&attached->search, &run->options->search);
    attached->search.rates[0].rate_hz = wish.bitrate_hz;
    enum lt_code code = set_and_open(run, &wish, &bus, error);
    if (code == LT_OK)
        code = listen_given(run, bus, error);
    lt_can_bus_free(bus);
    attached->search.rates[0].looks = 1;
    attached->search.rates[0].signs = attached->signs;
    attached->search.verdict = judge_given(&attached->signs, attached->search.options.enough);
    return code;
}

/* ---- what becomes of it ---- */

static bool has_cause(const struct lt_attached *attached, enum lt_cause_kind kind, unsigned weight)
{
    for (size_t i = 0; i < attached->cause_count; i++)
        if (attached->causes[i].kind == kind && attached->causes[i].weight >= weight)
            return true;
    return false;
}

static void judge_causes(struct attaching *run)
{
    struct lt_attached *attached = run->attached;
    const struct lt_search *search = &attached->search;
    bool missing = false;
    for (size_t i = 0; attached->searched && i < LT_SEARCH_RATES; i++)
        missing = missing || search->rates[i].missing;
    attached->cause_count =
        lt_bus_causes(&(struct lt_cause_view){.signs = &attached->signs,
                                              .searched = attached->searched,
                                              .some_missing = missing,
                                              .fd = run->options->wish.fd != LT_FD_NO,
                                              .listen_only = true},
                      attached->causes);
}

/* Clean frames allow it; on a bench silence, and a sender that waits for its acknowledgement. */
static bool may_go_active(const struct attaching *run)
{
    const struct lt_attached *attached = run->attached;
    switch (attached->search.verdict) {
    case LT_VERDICT_FOUND:
        return true;
    case LT_VERDICT_QUIET:
    case LT_VERDICT_FEW:
        return run->options->bench && !attached->searched;
    case LT_VERDICT_ERRORS:
        return run->options->bench && !attached->searched && has_cause(attached, LT_CAUSE_LONE, 3);
    default:
        return false;
    }
}

static enum lt_code go_active(struct attaching *run, struct lt_error *error)
{
    struct lt_attached *attached = run->attached;
    struct lt_link_wish wish = run->options->wish;
    wish.bitrate_hz = attached->search.rates[attached->search.at].rate_hz;
    wish.listen_only = false;
    enum lt_code code = lt_link_set(run->name, &wish, &attached->link, error);
    attached->is_active = code == LT_OK;
    return code;
}

/* Stays up what was wanted so or found. */
static bool stays_up(const struct lt_attached *attached)
{
    enum lt_verdict verdict = attached->search.verdict;
    return verdict == LT_VERDICT_FOUND ||
           (!attached->searched && verdict != LT_VERDICT_NOT_LISTENING);
}

static enum lt_code settle(struct attaching *run, struct lt_error *error)
{
    struct lt_attached *attached = run->attached;
    const struct lt_search *search = &attached->search;
    enum lt_verdict verdict = search->verdict;
    if (attached->searched) {
        bool at_one = verdict == LT_VERDICT_FOUND || verdict == LT_VERDICT_FEW ||
                      verdict == LT_VERDICT_MIXED || verdict == LT_VERDICT_NOT_LISTENING;
        attached->signs = at_one ? search->rates[search->at].signs : lt_search_all_signs(search);
    }
    judge_causes(run);
    if (run->options->active && may_go_active(run))
        return go_active(run, error);
    if (stays_up(attached))
        return lt_link_read(&attached->link, run->name, error);
    attached->is_up = false;
    enum lt_code code = lt_link_down(run->name, error);
    return code == LT_OK ? lt_link_read(&attached->link, run->name, error) : code;
}

static enum lt_code attach_virtual(struct attaching *run, struct lt_error *error)
{
    struct lt_attached *attached = run->attached;
    attached->is_virtual = true;
    enum lt_code code = attached->link.is_up ? LT_OK : lt_link_up(run->name, error);
    if (code == LT_OK)
        code = lt_link_read(&attached->link, run->name, error);
    attached->is_up = code == LT_OK;
    return code;
}

static enum lt_code attach(struct attaching *run, struct lt_error *error)
{
    struct lt_attached *attached = run->attached;
    struct lt_can_bus *bus = NULL;
    /* Says in its own words when there is no such interface, or no CAN in this kernel. */
    enum lt_code code = lt_can_bus_open(&bus, &run->name, 1, NULL, error);
    lt_can_bus_free(bus);
    if (code == LT_OK)
        code = lt_link_read(&attached->link, run->name, error);
    if (code != LT_OK)
        return code;
    if (!attached->link.has_modes)
        return attach_virtual(run, error);
    attached->was_up = attached->link.is_up;
    attached->searched = run->options->wish.bitrate_hz == 0;
    code = attached->searched ? search(run, error) : attach_given(run, error);
    attached->stopped = stopped(run);
    if (code == LT_OK && !attached->stopped)
        return settle(run, error);
    if (attached->is_up)
        lt_link_down(run->name, NULL);
    attached->is_up = false;
    return code;
}

enum lt_code lt_attach(struct lt_attached *ret_attached, const char *name,
                       const struct lt_attach_options *options, struct lt_error *error)
{
    struct lt_attached attached;
    memset(&attached, 0, sizeof attached);
    struct attaching run = {.name = name, .options = options, .attached = &attached};
    enum lt_code code = attach(&run, error);
    if (code == LT_OK)
        *ret_attached = attached;
    return code;
}
