/* What was found as one JSON object, for programs (docs/seek.md). Keys are stable; new ones may be
 * added. */
#include <math.h>

#include "seek/words.h"

static void put_bits(struct lt_json *json, const char *key, const struct lt_bits *bits)
{
    char text[128];
    lt_bits_print(text, sizeof text, bits);
    lt_json_string(json, key, text);
}

/* Figures that belong to a scale; labels have none. */
static void put_figure(struct lt_json *json, const char *key, const struct lt_seek_target *target,
                       double value)
{
    lt_json_f64(json, key, seek_is_labels(target) ? NAN : value);
}

static void put_values(struct lt_json *json, const struct lt_seek_target *target,
                       const struct lt_candidate *candidate)
{
    if (!seek_is_labels(target)) {
        lt_json_null(json, "values");
        return;
    }
    lt_json_open(json, "values", '[');
    for (size_t i = 0; i < candidate->value_count; i++) {
        lt_json_open(json, NULL, '{');
        lt_json_u64(json, "raw", candidate->values[i].raw);
        lt_json_string(json, "label", candidate->values[i].label);
        lt_json_u64(json, "visits", candidate->values[i].visits);
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
}

static void put_place(struct lt_json *json, const struct lt_seek_report *report,
                      const struct lt_candidate *candidate)
{
    const struct lt_stream_key *key = &candidate->stream->key;
    lt_json_string(json, "bus", seek_bus_name(report, key->bus));
    lt_json_u64(json, "id", key->id);
    lt_json_bool(json, "extended", key->extended);
    if (candidate->has_page)
        lt_json_u64(json, "page", candidate->page);
    else
        lt_json_null(json, "page");
    put_bits(json, "bits", &candidate->bits);
    lt_json_string(json, "order", lt_order_name(candidate->order));
    lt_json_string(json, "sign", lt_sign_name(candidate->sign));
    put_bits(json, "proven_bits", &candidate->proven_bits);
}

static void put_more(struct lt_json *json, const struct lt_seek_target *target,
                     const struct lt_candidate *candidate)
{
    lt_json_bool(json, "fd", candidate->stream->key.fd);
    lt_json_u64(json, "length", candidate->stream->key.length);
    lt_json_string(json, "form", candidate->form == LT_FORM_RECIPROCAL ? "reciprocal" : "linear");
    lt_json_bool(json, "copy", candidate->copy);
    lt_json_bool(json, "snapped", candidate->snapped);
    put_figure(json, "scale_error", target, candidate->scale_error);
    put_figure(json, "offset_error", target, candidate->offset_error);
    put_figure(json, "steady_quanta", target, candidate->steady_quanta);
    put_figure(json, "split_rmse", target, candidate->split_rmse);
    lt_json_string(json, "why", candidate->why ? candidate->why : "");
}

static void put_candidate(struct lt_json *json, const struct lt_seek_report *report,
                          const struct lt_seek_target *target, const struct lt_candidate *candidate)
{
    lt_json_open(json, NULL, '{');
    put_place(json, report, candidate);
    put_figure(json, "scale", target, candidate->scale);
    put_figure(json, "offset", target, candidate->offset);
    lt_json_string(json, "unit", target->reference->unit ? target->reference->unit : "");
    lt_json_f64(json, "lag_s", candidate->lag_s);
    lt_json_f64(json, "r", candidate->r);
    put_figure(json, "rmse", target, candidate->rmse);
    lt_json_f64(json, "confidence", candidate->confidence);
    lt_json_u64(json, "group", candidate->group);
    put_values(json, target, candidate);
    put_more(json, target, candidate);
    lt_json_close(json, '}');
}

static void put_target(struct lt_json *json, const struct lt_seek_report *report,
                       const struct lt_seek_target *target)
{
    const struct lt_reference *reference = target->reference;
    bool labels = seek_is_labels(target);
    lt_json_open(json, NULL, '{');
    lt_json_string(json, "target", reference->target);
    lt_json_string(json, "reference", reference->name);
    lt_json_f64(json, "n_eff", target->n_eff);
    lt_json_f64(json, "r_needed", labels ? NAN : target->r_needed);
    lt_json_string(json, "verdict", lt_seek_verdict_name(target->verdict));
    lt_json_string(json, "say", target->say ? target->say : "");
    lt_json_open(json, "candidates", '[');
    for (size_t i = 0; i < target->count; i++)
        put_candidate(json, report, target, &target->candidates[i]);
    lt_json_close(json, ']');
    lt_json_f64(json, "null_r", labels ? NAN : target->null_r);
    lt_json_f64(json, "clock_s", target->clock_found ? target->clock_s : NAN);
    lt_json_u64(json, "samples", reference->count);
    lt_json_string(json, "unit", reference->unit ? reference->unit : "");
    lt_json_f64(json, "quantum", reference->quantum > 0 ? reference->quantum : NAN);
    lt_json_close(json, '}');
}

static void put_capture(struct lt_json *json, const struct lt_seek_report *report)
{
    const struct lt_collect_counts *counts = report->collected;
    int64_t span_ns = counts->frames ? counts->last_ns - counts->first_ns : 0;
    lt_json_open(json, "capture", '{');
    lt_json_open(json, "files", '[');
    for (size_t i = 0; i < report->file_count; i++)
        lt_json_string(json, NULL, report->files[i]);
    lt_json_close(json, ']');
    lt_json_u64(json, "frames", counts->frames);
    lt_json_u64(json, "malformed", report->read ? report->read->malformed : 0);
    lt_json_f64(json, "duration_s", (double)span_ns / 1e9);
    lt_json_u64(json, "remote_frames", counts->remote);
    lt_json_u64(json, "error_frames", counts->error_frames);
    lt_json_u64(json, "without_time", counts->without_time);
    lt_json_u64(json, "past_ceiling", counts->frames_past_streams);
    lt_json_u64(json, "outside_span", report->outside_span);
    lt_json_u64(json, "other_buses", report->other_buses);
    if (report->read)
        lt_reader_counts_json(report->read, json);
    lt_json_close(json, '}');
}

void lt_seek_json(const struct lt_seek_report *report, struct lt_sink *sink)
{
    struct lt_json json;
    lt_json_init(&json, sink);
    lt_json_open(&json, NULL, '{');
    put_capture(&json, report);
    lt_json_open(&json, "targets", '[');
    for (size_t i = 0; i < report->target_count; i++)
        put_target(&json, report, &report->targets[i]);
    lt_json_close(&json, ']');
    lt_json_open(&json, "missing", '[');
    for (size_t i = 0; i < report->missing_count; i++) {
        lt_json_open(&json, NULL, '{');
        lt_json_string(&json, "target", report->missing[i].target);
        lt_json_string(&json, "say", report->missing[i].say);
        lt_json_close(&json, '}');
    }
    lt_json_close(&json, ']');
    lt_json_open(&json, "unanswered", '[');
    for (size_t i = 0; i < report->asked_count; i++)
        lt_json_string(&json, NULL, report->asked[i]);
    lt_json_close(&json, ']');
    lt_json_close(&json, '}');
    lt_sink_char(sink, '\n');
}
