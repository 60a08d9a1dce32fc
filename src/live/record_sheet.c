/* How a recording was made, as JSON beside it: what a reader of the recording, months later, would
 * ask. Written at the start and again at the end, so that a killed recording has one too. */
#include <sys/types.h>

#include <sha2.h>
#include <stdio.h>

#include "loomtap/base/clock.h"
#include "loomtap/base/number.h"
#include "loomtap/base/sink.h"
#include "loomtap/live/record.h"

/* Decimal seconds with microseconds, and null for no time. */
static void put_time(struct lt_json *json, const char *key, int64_t time_ns)
{
    char text[32];
    if (time_ns == LT_NO_TIME) {
        lt_json_null(json, key);
        return;
    }
    size_t len = lt_print_fixed(text, time_ns / 1000, 6);
    lt_json_raw(json, key, (struct lt_text){text, len});
}

/* "+0200": whose wall clock the person's notes are in. */
static void put_zone(struct lt_json *json, int64_t time_ns)
{
    time_t seconds = (time_t)(time_ns / LT_SECOND_NS);
    struct tm local;
    char text[16] = "";
    if (localtime_r(&seconds, &local))
        strftime(text, sizeof text, "%z", &local);
    lt_json_string(json, "time_zone", text);
}

/* The adapter's own stamps against the kernel's, which are in the recording. */
static void put_clock(struct lt_json *json, const struct lt_stamps_report *clock)
{
    if (!clock || clock->frames == 0) {
        lt_json_null(json, "adapter_clock");
        return;
    }
    lt_json_open(json, "adapter_clock", '{');
    lt_json_u64(json, "frames", clock->frames);
    lt_json_u64(json, "jumps", clock->jumps);
    if (clock->has_line) {
        lt_json_i64(json, "offset_ns", clock->line.offset_ns);
        lt_json_f64(json, "drift_ppm", clock->line.drift_ppm);
        lt_json_f64(json, "jitter_us", clock->line.jitter_ns / 1e3);
        lt_json_f64(json, "jitter_99_us", clock->line.jitter_99_ns / 1e3);
    }
    lt_json_close(json, '}');
}

/* A virtual bus has no settings. */
static void put_adapter(struct lt_json *json, const struct lt_link *link)
{
    static const char *const listening[] = {[LT_LISTENING_NO] = "no",
                                            [LT_LISTENING_READ_BACK] = "read-back",
                                            [LT_LISTENING_UNVERIFIED] = "unverified"};
    if (!link || !link->has_modes) {
        lt_json_null(json, "adapter");
        return;
    }
    lt_json_open(json, "adapter", '{');
    lt_json_string(json, "driver", link->driver[0] ? link->driver : NULL);
    lt_json_u64(json, "bitrate", link->bitrate_hz);
    if (link->data_bitrate_hz)
        lt_json_u64(json, "data_bitrate", link->data_bitrate_hz);
    lt_json_string(json, "listen_only", listening[link->listening]);
    lt_json_close(json, '}');
}

static void put_buses(struct lt_json *json, const struct lt_record_sheet *sheet)
{
    lt_json_open(json, "buses", '[');
    for (size_t i = 0; i < sheet->bus_count; i++) {
        const struct lt_can_bus_state *state = &sheet->states[i];
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "name", sheet->buses[i]);
        lt_json_bool(json, "fd", state->is_fd);
        lt_json_u64(json, "frames", state->frames);
        lt_json_u64(json, "drops", state->drops);
        lt_json_u64(json, "queue_bytes", state->queue_bytes);
        put_adapter(json, sheet->links ? &sheet->links[i] : NULL);
        put_clock(json, sheet->clocks ? &sheet->clocks[i] : NULL);
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
    lt_json_open(json, "gaps", '[');
    for (size_t i = 0; i < sheet->gap_count; i++) {
        const struct lt_record_gap *gap = &sheet->gaps[i];
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "bus", sheet->buses[gap->bus]);
        put_time(json, "from_s", gap->from_ns);
        put_time(json, "to_s", gap->to_ns);
        lt_json_string(json, "why", gap->gone ? "interface gone" : "interface down");
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
    if (sheet->gaps_left_out)
        lt_json_u64(json, "gaps_left_out", sheet->gaps_left_out);
}

static void put_files(struct lt_json *json, const struct lt_record *record, bool hash)
{
    lt_json_open(json, "files", '[');
    for (size_t i = 0; i < lt_record_file_count(record); i++) {
        const struct lt_record_file *file = lt_record_file(record, i);
        char text[SHA256_DIGEST_STRING_LENGTH];
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "path", file->path);
        lt_json_u64(json, "frames", file->frames);
        lt_json_u64(json, "bytes", file->bytes);
        put_time(json, "first_s", file->first_ns);
        put_time(json, "last_s", file->last_ns);
        lt_json_string(json, "sha256", hash ? SHA256File(file->path, text) : NULL);
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
}

static void put_polling(struct lt_json *json, const struct lt_record_polling *polling)
{
    if (!polling) {
        lt_json_null(json, "polling");
        return;
    }
    lt_json_open(json, "polling", '{');
    lt_json_string(json, "bus", polling->bus);
    lt_json_u64(json, "questions", polling->questions);
    lt_json_u64(json, "flow_controls", polling->flow_controls);
    lt_json_u64(json, "answers", polling->answers);
    lt_json_open(json, "identification", '[');
    for (size_t i = 0; i < polling->fact_count; i++) {
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "controller", polling->facts[i].controller);
        lt_json_string(json, "name", polling->facts[i].name);
        lt_json_string(json, "text", polling->facts[i].text);
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
    lt_json_open(json, "not_answered", '[');
    for (size_t i = 0; i < polling->unanswered_count; i++) {
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "value", polling->unanswered[i].value);
        lt_json_string(json, "why", polling->unanswered[i].why);
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
    lt_json_close(json, '}');
}

static void put_sheet(struct lt_json *json, const struct lt_record *record,
                      const struct lt_record_sheet *sheet, bool hash)
{
    lt_json_open(json, NULL, '{');
    lt_json_string(json, "program", sheet->program);
    put_time(json, "started_s", sheet->started_ns);
    put_time(json, "ended_s", sheet->ended_ns);
    lt_json_string(json, "ended_by", sheet->why_ended);
    put_zone(json, sheet->started_ns);
    put_buses(json, sheet);
    put_files(json, record, hash);
    lt_json_string(json, "marks", sheet->marks);
    lt_json_u64(json, "mark_count", sheet->mark_count);
    lt_json_open(json, "notes", '{');
    for (size_t i = 0; i < sheet->key_count; i++)
        lt_json_string(json, sheet->keys[i], sheet->values[i]);
    lt_json_close(json, '}');
    put_polling(json, sheet->polling);
    lt_json_open(json, "wanted_for", '[');
    for (size_t i = 0; i < sheet->need_count; i++) {
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "role", sheet->needs[i].role);
        lt_json_bool(json, "enough", sheet->needs[i].enough);
        lt_json_string(json, "say", sheet->needs[i].say);
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
    lt_json_close(json, '}');
}

enum lt_code lt_record_write_sheet(const struct lt_record *record,
                                   const struct lt_record_sheet *sheet, bool hash, const char *path,
                                   struct lt_error *error)
{
    struct lt_file_sink file;
    struct lt_json json;
    enum lt_code code = lt_file_sink_open(&file, path, error);
    if (code != LT_OK)
        return code;
    lt_json_init(&json, &file.sink);
    put_sheet(&json, record, sheet, hash);
    lt_sink_char(&file.sink, '\n');
    return lt_file_sink_commit(&file, error);
}
