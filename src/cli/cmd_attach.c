/* loomtap attach: a CAN interface onto a bus, listening only unless told otherwise. */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "cli/cautions.h"
#include "cli/commands.h"
#include "cli/stop.h"
#include "loomtap/base/number.h"
#include "loomtap/base/sink.h"
#include "loomtap/capture/can_bus.h"
#include "loomtap/live/attach.h"

struct attach_values {
    struct common common;
    const char *bitrate, *sample_point, *fd, *data_bitrate, *data_sample_point;
    uint64_t restart_ms;
    int64_t listen_ns;
    bool active, bench, cautions_read, down, json;
};

#define AT(member) offsetof(struct attach_values, member)

static const struct option_row options[] = {
    {"--bitrate", NULL, OPTION_TEXT, AT(bitrate), "RATE",
     "bits a second, 500000 or 500k; or `auto`: listen for it"},
    {"--sample-point", NULL, OPTION_TEXT, AT(sample_point), "P",
     "where in a bit it is sampled, 87.5% or 0.875; default: the kernel's choice"},
    {"--fd", NULL, OPTION_TEXT, AT(fd), "KIND", "CAN FD: iso (ISO 11898-1:2015) or non-iso"},
    {"--data-bitrate", NULL, OPTION_TEXT, AT(data_bitrate), "RATE",
     "the rate of the data of FD frames"},
    {"--data-sample-point", NULL, OPTION_TEXT, AT(data_sample_point), "P", "the same for the data"},
    {"--active", NULL, OPTION_FLAG, AT(active), NULL,
     "acknowledge frames, once clean ones were heard; the cautions are shown first"},
    {"--bench", NULL, OPTION_FLAG, AT(bench), NULL,
     "with --active: also where nothing can be heard yet; never on a car"},
    {"--cautions-read", NULL, OPTION_FLAG, AT(cautions_read), NULL,
     "with --active: they are read and accepted, do not wait for an answer"},
    {"--restart-ms", NULL, OPTION_COUNT, AT(restart_ms), "N",
     "come back N ms after bus-off; 0, the default: stay off"},
    {"--listen", NULL, OPTION_SECONDS, AT(listen_ns), "TIME",
     "how long to listen, with `auto` at each rate (default 1s)"},
    {"--down", NULL, OPTION_FLAG, AT(down), NULL, "take the interface off the bus"},
    {"--json", NULL, OPTION_FLAG, AT(json), NULL, "the answer as one JSON object"},
    COMMON_OPTIONS,
};

static const char details[] =
    "BUS is a CAN interface (can0). Without --bitrate and --down its state is shown and nothing "
    "is\n"
    "changed; that takes no right, all else takes the right to set interfaces (sudo).\n"
    "\n"
    "The interface listens only: no frame, acknowledgement or error frame goes out. Whether it "
    "does\n"
    "so is read back, and said where that is not possible. `auto` listens at 500, 250, 125, 1000,\n"
    "33.3, 83.3, 100, 50 and 800 kbit/s; a rate is accepted after enough whole frames without an\n"
    "error, twice. Nothing is sent meanwhile.\n"
    "\n"
    "What was heard, errors by kind, and their likely causes are said, with what to do. --active "
    "is\n"
    "refused where errors were heard, or nothing.\n\n"
    "examples:\n"
    "  loomtap attach can0 --bitrate auto\n"
    "  loomtap attach can0 --bitrate 500000\n"
    "  loomtap attach can0 --bitrate 500k --fd iso --data-bitrate 2M\n"
    "  loomtap attach can0 --down\n";

/* ---- what is wanted ---- */

/* "500000", "500k", "83.3k", "1M"; 33.3k and 83.3k stand for thirds. False: no such number. */
static bool parse_rate(const char *word, uint32_t *ret_hz)
{
    struct lt_text text = lt_text_of(word);
    struct lt_ratio number, rate;
    int64_t unit = 1;
    if (text.len > 1 && (text.at[text.len - 1] == 'k' || text.at[text.len - 1] == 'M')) {
        unit = text.at[text.len - 1] == 'k' ? 1000 : 1000000;
        text.len--;
    }
    if (!lt_parse_ratio(text, &number) || !lt_ratio_mul(number, (struct lt_ratio){unit, 1}, &rate))
        return false;
    int64_t hz = rate.num / rate.den;
    if (hz == 33300 || hz == 83300)
        hz += 33;
    if (rate.num <= 0 || hz < 1000 || hz > 20000000)
        return false;
    *ret_hz = (uint32_t)hz;
    return true;
}

/* Tenths of a percent, as the kernel counts. */
static bool parse_point(const char *word, uint32_t *ret_point)
{
    struct lt_text text = lt_text_of(word);
    struct lt_ratio number, point;
    int64_t unit = 1000;
    if (text.len > 1 && text.at[text.len - 1] == '%') {
        unit = 10;
        text.len--;
    }
    if (!lt_parse_ratio(text, &number) ||
        !lt_ratio_mul(number, (struct lt_ratio){unit, 1}, &point) || point.num <= 0)
        return false;
    int64_t tenths = point.num / point.den;
    if (tenths < 500 || tenths > 950)
        return false;
    *ret_point = (uint32_t)tenths;
    return true;
}

static int take_rate(const char *option, const char *word, uint32_t *ret_hz)
{
    if (!word || parse_rate(word, ret_hz))
        return EXIT_FINE;
    return usage_error("attach", "%s: `%s` is no bit rate: 500000, 500k, 33.3k or 1M", option,
                       word);
}

static int take_point(const char *option, const char *word, uint32_t *ret_point)
{
    if (!word || parse_point(word, ret_point))
        return EXIT_FINE;
    return usage_error("attach", "%s: `%s` is no sample point from 50%% to 95%%", option, word);
}

static int take_fd(const struct attach_values *v, struct lt_link_wish *wish)
{
    if (!v->fd)
        return v->data_bitrate || v->data_sample_point
                   ? usage_error("attach", "a data bit rate is for FD: say --fd iso or non-iso")
                   : EXIT_FINE;
    if (strcmp(v->fd, "iso") != 0 && strcmp(v->fd, "non-iso") != 0)
        return usage_error("attach", "--fd: `%s` is neither iso nor non-iso", v->fd);
    wish->fd = v->fd[0] == 'i' ? LT_FD_ISO : LT_FD_NON_ISO;
    if (!v->data_bitrate)
        return usage_error("attach", "--fd wants --data-bitrate; 2000000 and 5000000 are usual");
    if (wish->bitrate_hz && wish->data_bitrate_hz < wish->bitrate_hz)
        return usage_error("attach", "--data-bitrate is below --bitrate");
    return EXIT_FINE;
}

/* What goes only with a rate. */
static bool has_settings(const struct attach_values *v)
{
    return v->sample_point || v->fd || v->data_bitrate || v->data_sample_point || v->active ||
           v->bench || v->cautions_read || v->restart_ms || v->listen_ns;
}

static int check_together(const struct attach_values *v)
{
    size_t buses = v->common.arguments.count;
    if (buses == 0)
        return usage_error("attach", "no bus is named: `ip -br link show type can` lists them");
    if (buses > 1)
        return usage_error("attach", "one bus at a time");
    if (v->down && (v->bitrate || has_settings(v)))
        return usage_error("attach", "--down goes alone");
    if (!v->bitrate && has_settings(v))
        return usage_error("attach", "--bitrate is missing: RATE or auto");
    if ((v->bench || v->cautions_read) && !v->active)
        return usage_error("attach", "--bench and --cautions-read go with --active");
    if (v->bench && strcmp(v->bitrate, "auto") == 0)
        return usage_error("attach", "--bench wants a bit rate: what cannot be heard cannot be "
                                     "found");
    if (v->restart_ms > UINT32_MAX)
        return usage_error("attach", "--restart-ms: more than the %u that a kernel takes",
                           UINT32_MAX);
    return EXIT_FINE;
}

static int take_options(const struct attach_values *v, struct lt_attach_options *wanted)
{
    struct lt_link_wish *wish = &wanted->wish;
    int status = check_together(v);
    if (status == EXIT_FINE && v->bitrate && strcmp(v->bitrate, "auto") != 0)
        status = take_rate("--bitrate", v->bitrate, &wish->bitrate_hz);
    if (status == EXIT_FINE)
        status = take_rate("--data-bitrate", v->data_bitrate, &wish->data_bitrate_hz);
    if (status == EXIT_FINE)
        status = take_point("--sample-point", v->sample_point, &wish->sample_point);
    if (status == EXIT_FINE)
        status = take_point("--data-sample-point", v->data_sample_point, &wish->data_sample_point);
    if (status == EXIT_FINE)
        status = take_fd(v, wish);
    wish->restart_ms = (uint32_t)v->restart_ms;
    wanted->search.listen_ns = v->listen_ns;
    wanted->active = v->active;
    wanted->bench = v->bench;
    return status;
}

/* ---- how an interface stands ---- */

static const char *listening_text(const struct lt_link *link)
{
    switch (link->listening) {
    case LT_LISTENING_READ_BACK:
        return "yes, read back from the adapter's driver";
    case LT_LISTENING_UNVERIFIED:
        return "it was told to; cannot be verified, this kind of adapter answers nothing";
    default:
        return "no: it acknowledges frames, and sends error frames";
    }
}

static void put_rate(struct lt_sink *out, const char *title, uint32_t rate, uint32_t point)
{
    lt_sink_format(out, "  %-15s%u bit/s", title, rate);
    if (point)
        lt_sink_format(out, ", sample point %u.%u %%", point / 10, point % 10);
    lt_sink_char(out, '\n');
}

static void put_counters(struct lt_sink *out, const struct lt_link *link)
{
    lt_sink_format(out, "  %-15s%s", "state", lt_link_state_text(link->state));
    if (link->has_counters)
        lt_sink_format(out, "; error counters: receive %u, transmit %u", link->receive_errors,
                       link->transmit_errors);
    else
        lt_sink_string(out, "; this adapter does not tell its error counters");
    lt_sink_char(out, '\n');
    if (link->has_statistics)
        lt_sink_format(out,
                       "  %-15s%u bus errors, %u to error-warning, %u to error-passive, %u "
                       "bus-offs, %u restarts\n",
                       "since made", link->bus_errors, link->warnings, link->passives,
                       link->bus_offs, link->restarts);
}

static void put_link(struct lt_sink *out, const char *name, const struct lt_link *link)
{
    static const char *const fd_texts[] = {"off", "ISO 11898-1:2015",
                                           "non-ISO, as before ISO 11898-1:2015"};
    lt_sink_format(out, "%s: %s%s\n", name, link->is_up ? "up" : "down",
                   link->has_modes ? "" : ", a virtual bus: no bit rate, no controller");
    if (!link->has_modes)
        return;
    if (link->bitrate_hz == 0) {
        lt_sink_string(out, "  no bit rate is set\n");
        return;
    }
    put_rate(out, "bit rate", link->bitrate_hz, link->sample_point);
    lt_sink_format(out, "  %-15s%s\n", "listens only", listening_text(link));
    if (link->fd != LT_FD_NO) {
        lt_sink_format(out, "  %-15s%s\n", "FD", fd_texts[link->fd]);
        put_rate(out, "data bit rate", link->data_bitrate_hz, link->data_sample_point);
    }
    if (link->restart_ms)
        lt_sink_format(out, "  %-15scomes back after %u ms\n", "after bus-off", link->restart_ms);
    else
        lt_sink_format(out, "  %-15sstays off\n", "after bus-off");
    if (link->termination_ohm)
        lt_sink_format(out, "  %-15s%u ohm, in the adapter\n", "terminator", link->termination_ohm);
    put_counters(out, link);
}

/* ---- what was heard ---- */

static void put_signs(struct lt_sink *out, const struct lt_bus_signs *signs)
{
    lt_sink_format(out, "%" PRIu64 " frames", signs->frames);
    if (signs->fd_frames)
        lt_sink_format(out, " (%" PRIu64 " of them FD)", signs->fd_frames);
    if (signs->own_frames)
        lt_sink_format(out, ", %" PRIu64 " of this machine", signs->own_frames);
    if (signs->errors)
        lt_sink_format(out, ", %" PRIu64 " error reports", signs->errors);
    else
        lt_sink_string(out, ", no errors");
    const char *comma = ": ";
    for (int i = 0; i < LT_SIGN_COUNT; i++) {
        if (!signs->signs[i])
            continue;
        lt_sink_format(out, "%s%" PRIu64 " %s", comma, signs->signs[i], lt_sign_text(i));
        comma = ", ";
    }
    lt_sink_char(out, '\n');
}

static void put_heard(struct lt_sink *out, const struct lt_attached *attached)
{
    if (!attached->searched) {
        lt_sink_format(out, "  %-15sin %.1f s ", "heard", (double)attached->heard_ns / 1e9);
        put_signs(out, &attached->signs);
        return;
    }
    const char *title = "heard";
    for (size_t i = 0; i < LT_SEARCH_RATES; i++) {
        const struct lt_search_rate *rate = &attached->search.rates[i];
        if (!rate->missing && rate->looks == 0)
            continue;
        lt_sink_format(out, "  %-15sat %7u: ", title, rate->rate_hz);
        title = "";
        if (rate->missing)
            lt_sink_string(out, "this adapter does not have it: passed over\n");
        else
            put_signs(out, &rate->signs);
    }
}

/* The rate that the verdict is about, or NULL. */
static const struct lt_search_rate *rate_meant(const struct lt_attached *attached)
{
    enum lt_verdict verdict = attached->search.verdict;
    bool meant =
        verdict == LT_VERDICT_FOUND || verdict == LT_VERDICT_FEW || verdict == LT_VERDICT_MIXED;
    return meant ? &attached->search.rates[attached->search.at] : NULL;
}

static const char *verdict_text(const struct lt_attached *attached)
{
    bool searched = attached->searched;
    switch (attached->search.verdict) {
    case LT_VERDICT_FOUND:
        return searched ? "found, whole frames and no error, twice"
                        : "right, whole frames and no error";
    case LT_VERDICT_QUIET:
        return "quiet, cannot tell: neither a frame nor an error was heard";
    case LT_VERDICT_FEW:
        return "too few frames to be sure; listen longer with --listen";
    case LT_VERDICT_MIXED:
        return "whole frames and errors at the same bit rate: do not go active here";
    case LT_VERDICT_ERRORS:
        return searched ? "errors, and no whole frame at any bit rate"
                        : "errors, and no whole frame";
    case LT_VERDICT_NOT_LISTENING:
        return "the adapter does not listen only: it was taken off the bus";
    case LT_VERDICT_NO_RATE:
        return "the adapter has none of the usual bit rates";
    default:
        return "stopped before anything is known; the interface is down";
    }
}

static void put_causes(struct lt_sink *out, const struct lt_attached *attached)
{
    static const char *const weights[] = {"", "possible", "likely", "points there"};
    if (attached->cause_count)
        lt_sink_string(out, "\nWhat it may be (docs/getting-on-a-bus.md):\n");
    for (size_t i = 0; i < attached->cause_count; i++) {
        const struct lt_cause *cause = &attached->causes[i];
        lt_sink_format(out, "- %s (%s)\n    %s\n", lt_cause_text(cause->kind),
                       weights[cause->weight], lt_cause_advice(cause->kind));
    }
}

static void put_unproven(struct lt_sink *out, const struct lt_attached *attached)
{
    if (attached->link.fd != LT_FD_NO && attached->signs.switched_frames == 0 &&
        attached->search.verdict == LT_VERDICT_FOUND)
        lt_sink_string(out, "No FD frame with a data bit rate of its own was heard: that rate is "
                            "not proven.\n");
}

static void put_text(struct lt_sink *out, const struct attach_values *v,
                     const struct lt_attached *attached)
{
    const struct lt_search_rate *rate = rate_meant(attached);
    if (attached->is_up)
        put_link(out, v->common.arguments.items[0], &attached->link);
    else
        lt_sink_format(out, "%s: down\n", v->common.arguments.items[0]);
    if (attached->is_virtual)
        return;
    put_heard(out, attached);
    lt_sink_char(out, '\n');
    if (rate)
        lt_sink_format(out, "%u bit/s: ", rate->rate_hz);
    lt_sink_format(out, "%s.\n", verdict_text(attached));
    if (v->active && !attached->is_active && attached->is_up)
        lt_sink_string(out, "It stays listen-only: --active wants clean frames first.\n");
    put_unproven(out, attached);
    put_causes(out, attached);
}

/* ---- the same as JSON ---- */

static void json_point(struct lt_json *json, const char *key, uint32_t point)
{
    if (point)
        lt_json_f64(json, key, (double)point / 10);
    else
        lt_json_null(json, key);
}

static void json_link(struct lt_json *json, const char *name, const struct lt_link *link)
{
    static const char *const fd_words[] = {"off", "iso", "non-iso"};
    static const char *const listening_words[] = {"no", "read-back", "unverified"};
    lt_json_string(json, "bus", name);
    lt_json_bool(json, "up", link->is_up);
    lt_json_bool(json, "virtual", !link->has_modes);
    if (!link->has_modes)
        return;
    lt_json_u64(json, "bitrate", link->bitrate_hz);
    json_point(json, "sample_point_percent", link->sample_point);
    lt_json_string(json, "listen_only", listening_words[link->listening]);
    lt_json_string(json, "fd", fd_words[link->fd]);
    lt_json_u64(json, "data_bitrate", link->data_bitrate_hz);
    json_point(json, "data_sample_point_percent", link->data_sample_point);
    lt_json_u64(json, "restart_ms", link->restart_ms);
    lt_json_string(json, "state", lt_link_state_text(link->state));
    if (!link->has_counters) {
        lt_json_null(json, "error_counters");
        return;
    }
    lt_json_open(json, "error_counters", '{');
    lt_json_u64(json, "receive", link->receive_errors);
    lt_json_u64(json, "transmit", link->transmit_errors);
    lt_json_close(json, '}');
}

static void json_signs(struct lt_json *json, const struct lt_search_rate *rate)
{
    const struct lt_bus_signs *signs = &rate->signs;
    lt_json_open(json, NULL, '{');
    lt_json_u64(json, "bitrate", rate->rate_hz);
    lt_json_bool(json, "offered", !rate->missing);
    lt_json_u64(json, "frames", signs->frames);
    lt_json_u64(json, "fd_frames", signs->fd_frames);
    lt_json_u64(json, "errors", signs->errors);
    lt_json_open(json, "kinds", '{');
    for (int i = 0; i < LT_SIGN_COUNT; i++)
        if (signs->signs[i])
            lt_json_u64(json, lt_sign_word(i), signs->signs[i]);
    lt_json_close(json, '}');
    lt_json_close(json, '}');
}

static void json_heard(struct lt_json *json, const struct lt_attached *attached)
{
    const struct lt_search_rate *rate = rate_meant(attached);
    lt_json_string(json, "verdict", lt_verdict_word(attached->search.verdict));
    if (rate)
        lt_json_u64(json, "verdict_bitrate", rate->rate_hz);
    else
        lt_json_null(json, "verdict_bitrate");
    lt_json_bool(json, "active", attached->is_active);
    lt_json_open(json, "heard", '[');
    for (size_t i = 0; i < LT_SEARCH_RATES; i++)
        if (attached->search.rates[i].missing || attached->search.rates[i].looks)
            json_signs(json, &attached->search.rates[i]);
    lt_json_close(json, ']');
    lt_json_open(json, "causes", '[');
    for (size_t i = 0; i < attached->cause_count; i++) {
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "cause", lt_cause_word(attached->causes[i].kind));
        lt_json_u64(json, "weight", attached->causes[i].weight);
        lt_json_string(json, "say", lt_cause_text(attached->causes[i].kind));
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
}

/* ---- giving it out ---- */

/* `attached` NULL: the link alone. */
static int give_out(const struct attach_values *v, const struct lt_link *link,
                    const struct lt_attached *attached)
{
    const char *name = v->common.arguments.items[0];
    struct lt_error error;
    struct lt_file_sink *file = malloc(sizeof *file);
    if (!file || lt_file_sink_open(file, "-", &error) != LT_OK) {
        complain("no output");
        free(file);
        return EXIT_SYSTEM;
    }
    if (v->json) {
        struct lt_json json;
        lt_json_init(&json, &file->sink);
        lt_json_open(&json, NULL, '{');
        json_link(&json, name, link);
        if (attached && !attached->is_virtual)
            json_heard(&json, attached);
        lt_json_close(&json, '}');
        lt_sink_char(&file->sink, '\n');
    } else if (attached) {
        put_text(&file->sink, v, attached);
    } else {
        put_link(&file->sink, name, link);
    }
    int status = EXIT_FINE;
    if (lt_file_sink_commit(file, &error) != LT_OK) {
        say_error(&error);
        status = EXIT_SYSTEM;
    }
    free(file);
    return status;
}

static int status_of_verdict(const struct attach_values *v, const struct lt_attached *attached)
{
    if (attached->is_virtual)
        return EXIT_FINE;
    switch (attached->search.verdict) {
    case LT_VERDICT_FOUND:
        return EXIT_FINE;
    case LT_VERDICT_QUIET: /* a rate that was given is set; only a search has no answer then */
    case LT_VERDICT_FEW:
        return attached->searched || (v->active && !attached->is_active) ? EXIT_NO : EXIT_FINE;
    case LT_VERDICT_ERRORS:
        return attached->is_active ? EXIT_FINE : EXIT_NO;
    case LT_VERDICT_NOT_LISTENING:
    case LT_VERDICT_NO_RATE:
        return EXIT_SYSTEM;
    default:
        return EXIT_NO;
    }
}

static void show_search(void *context, const struct lt_search *search)
{
    progress_show(context, "listening at %u bit/s ...", search->rates[search->at].rate_hz);
}

static int accept_them(const struct attach_values *v)
{
    char doing[80];
    lt_text_format(doing, sizeof doing, "acknowledges, and can disturb, what is sent on %s",
                   v->common.arguments.items[0]);
    return accept_cautions("attach", doing, v->cautions_read, false);
}

/* Controllers have few places to sample at, and serial adapters one that nobody tells. */
static void say_point(const struct attach_values *v, const char *what, uint32_t wanted,
                      uint32_t got)
{
    const char *name = v->common.arguments.items[0];
    if (!wanted || (got && got + 5 >= wanted && wanted + 5 >= got))
        return;
    if (got)
        say(v->common.quiet, "%s: %s %u.%u %% was asked for, the nearest it has is %u.%u %%\n",
            name, what, wanted / 10, wanted % 10, got / 10, got % 10);
    else
        say(v->common.quiet, "%s: %s %u.%u %% was asked for; this adapter does not say its own\n",
            name, what, wanted / 10, wanted % 10);
}

static int attach(const struct attach_values *v, struct lt_attach_options *wanted)
{
    static struct lt_attached attached;
    struct lt_error error;
    struct progress progress = progress_begin(v->common.quiet);
    wanted->stop = &stop_asked;
    wanted->progress = show_search;
    wanted->context = &progress;
    stop_on_signals();
    enum lt_code code = lt_attach(&attached, v->common.arguments.items[0], wanted, &error);
    progress_end(&progress);
    if (code != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    if (attached.was_up)
        say(v->common.quiet, "%s was up; it was taken down to be set\n",
            v->common.arguments.items[0]);
    if (attached.is_up && !attached.is_virtual) {
        say_point(v, "sample point", wanted->wish.sample_point, attached.link.sample_point);
        say_point(v, "data sample point", wanted->wish.data_sample_point,
                  attached.link.data_sample_point);
    }
    return worse(give_out(v, &attached.link, &attached), status_of_verdict(v, &attached));
}

/* The kernel without CAN is told by the socket, which lt_link_read does not open. */
static int show(const struct attach_values *v)
{
    const char *name = v->common.arguments.items[0];
    struct lt_can_bus *bus = NULL;
    struct lt_link link;
    struct lt_error error;
    enum lt_code code = lt_can_bus_open(&bus, &name, 1, NULL, &error);
    lt_can_bus_free(bus);
    if (code == LT_OK && v->down)
        code = lt_link_down(name, &error);
    if (code == LT_OK)
        code = lt_link_read(&link, name, &error);
    if (code == LT_OK)
        return give_out(v, &link, NULL);
    say_error(&error);
    return EXIT_SYSTEM;
}

static int run(void *values)
{
    const struct attach_values *v = values;
    struct lt_attach_options wanted = {0};
    int status = take_options(v, &wanted);
    if (status == EXIT_FINE && v->active)
        status = accept_them(v);
    if (status != EXIT_FINE)
        return status;
    return v->bitrate ? attach(v, &wanted) : show(v);
}

const struct command cmd_attach = {
    .name = "attach",
    .usage = "BUS --bitrate RATE|auto",
    .help = "a CAN interface onto a bus, listening only unless told otherwise",
    .details = details,
    .options = options,
    .size = sizeof(struct attach_values),
    .run = run,
};
