/* The summary as one JSON object, for programs. Keys are stable; new ones may be added. */
#include <stdlib.h>

#include "decode/summary.h"

static void put_value(struct lt_json *json, const char *key, const struct lt_scaler *scaler,
                      uint64_t raw)
{
    char text[LT_VALUE_ROOM];
    lt_json_raw(json, key, (struct lt_text){text, lt_scaler_print(scaler, raw, text)});
}

static void put_labels(struct lt_json *json, const struct summary_row *row)
{
    const struct lt_signal_def *def = row->field->scaler->def;
    lt_json_open(json, "labels", '{');
    for (size_t i = 0; i < def->label_count; i++)
        if (row->tally->labels[i])
            lt_json_u64(json, def->labels[i].name, row->tally->labels[i]);
    if (row->tally->labels[def->label_count])
        lt_json_u64(json, "", row->tally->labels[def->label_count]);
    lt_json_close(json, '}');
}

static void put_figures(struct lt_json *json, const struct summary_row *row)
{
    const struct lt_scaler *scaler = row->field->scaler;
    uint64_t least, greatest;
    tally_ends(row->tally, scaler, &least, &greatest);
    put_value(json, "min", scaler, least);
    lt_json_f64(json, "mean", tally_mean(row->tally, scaler));
    put_value(json, "max", scaler, greatest);
    put_value(json, "first", scaler, row->tally->raw_first);
    put_value(json, "last", scaler, row->tally->raw_last);
    if (row->tally->labels)
        put_labels(json, row);
}

struct json_page {
    struct lt_decode *decode;
    struct lt_json *json;
};

static void put_row(void *context, const struct summary_row *row)
{
    const struct json_page *page = context;
    const struct lt_signal_def *def = row->field->scaler->def;
    struct lt_json *json = page->json;
    static const struct tally none;
    const struct tally *tally = row->tally ? row->tally : &none;
    const char *frame = row->stream      ? row->stream->name
                        : row->plan->def ? row->plan->def->name
                                         : row->plan->parameter->name;
    lt_json_open(json, NULL, '{');
    lt_json_string(json, "signal", def->name);
    lt_json_string(json, "frame", frame);
    lt_json_string(json, "bus",
                   row->stream ? lt_reader_bus_name(page->decode->reader, row->stream->bus) : NULL);
    if (row->stream && row->stream->source != LT_NONE)
        lt_json_u64(json, "source", row->stream->source);
    lt_json_string(json, "role", def->role_name);
    lt_json_string(json, "unit", lt_signal_unit(def));
    lt_json_u64(json, "count", tally->values);
    lt_json_u64(json, "suspect", tally->suspect);
    lt_json_u64(json, "unavailable", tally->unavailable);
    lt_json_u64(json, "error", tally->error_codes);
    lt_json_u64(json, "not_finite", tally->not_finite);
    lt_json_u64(json, "too_short", tally->too_short);
    double period = tally->timing ? timing_period_ns(tally->timing) / 1e6 : 0;
    if (period > 0)
        lt_json_f64(json, "period_ms", period);
    else
        lt_json_null(json, "period_ms");
    if (row_is_valid(row)) {
        put_figures(json, row);
    } else {
        struct lt_buf why;
        lt_buf_init(&why, 4096);
        say_why(page->decode, row, &why);
        lt_json_string(json, "why", why.at);
        lt_buf_release(&why);
    }
    lt_json_close(json, '}');
}

static void put_capture(struct lt_decode *decode, struct lt_json *json)
{
    const struct lt_reader_counts *counts = lt_reader_counts(decode->reader);
    lt_json_open(json, "capture", '{');
    lt_json_open(json, "files", '[');
    for (size_t i = 0; i < lt_reader_source_count(decode->reader); i++)
        lt_json_string(json, NULL, lt_reader_source_name(decode->reader, i));
    lt_json_close(json, ']');
    lt_json_u64(json, "frames", decode->frames);
    lt_json_u64(json, "malformed", counts->malformed);
    lt_reader_counts_json(counts, json);
    lt_json_u64(json, "error_frames", decode->error_frames);
    lt_json_u64(json, "remote_frames", decode->remote_frames);
    lt_json_u64(json, "outside_span", decode->outside_span);
    lt_json_u64(json, "unknown_frames", decode->unknown_frames);
    lt_json_f64(
        json, "duration_s",
        decode->first_ns == LT_NO_TIME ? 0 : (double)(decode->last_ns - decode->first_ns) / 1e9);
    lt_json_close(json, '}');
}

static void put_roles(struct lt_decode *decode, struct lt_json *json)
{
    const char *names[ROLES_ROOM];
    size_t count = roles_wanted(decode, names, ROLES_ROOM);
    lt_json_open(json, "roles", '[');
    for (size_t i = 0; i < count; i++) {
        struct summary_row row;
        bool found = row_of_role(decode, names[i], &row);
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "role", names[i]);
        lt_json_string(json, "signal", found ? row.field->scaler->def->name : NULL);
        lt_json_bool(json, "valid", found && row_is_valid(&row));
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
}

static void put_unknown(struct lt_decode *decode, struct lt_json *json)
{
    const struct unknown **list = calloc(UNKNOWN_SLOTS, sizeof *list);
    size_t count = list ? unknown_sorted(decode, list, UNKNOWN_SLOTS) : 0;
    lt_json_open(json, "unknown", '[');
    for (size_t i = 0; i < count; i++) {
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "bus", lt_reader_bus_name(decode->reader, list[i]->bus));
        lt_json_u64(json, "id", list[i]->id);
        lt_json_bool(json, "extended", list[i]->extended);
        lt_json_u64(json, "count", list[i]->count);
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
    free(list);
}

void lt_decode_summary_json(struct lt_decode *decode, struct lt_sink *sink)
{
    struct lt_json json;
    struct json_page page = {decode, &json};
    lt_json_init(&json, sink);
    lt_json_open(&json, NULL, '{');
    put_capture(decode, &json);
    put_roles(decode, &json);
    lt_json_open(&json, "signals", '[');
    each_row(decode, put_row, &page);
    lt_json_close(&json, ']');
    put_unknown(decode, &json);
    lt_json_close(&json, '}');
    lt_sink_char(sink, '\n');
}
