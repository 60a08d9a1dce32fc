/* A survey as one JSON object, for programs (docs/survey.md). Keys are stable; new ones may be
 * added. */
#include <math.h>

#include "loomtap/survey/output.h"
#include "survey/survey_internal.h"
#include "survey/words.h"

static void put_bits(struct lt_json *json, const char *key, const struct lt_bits *bits)
{
    char text[128];
    lt_bits_print(text, sizeof text, bits);
    lt_json_string(json, key, text);
}

/* --- capture --- */

static void put_bus(struct lt_json *json, const struct lt_survey_bus *bus)
{
    lt_json_open(json, NULL, '{');
    lt_json_string(json, "name", bus->name);
    lt_json_u64(json, "frames", bus->frames);
    if (bus->bitrate_hz)
        lt_json_u64(json, "bitrate_assumed", bus->bitrate_hz);
    else
        lt_json_null(json, "bitrate_assumed");
    lt_json_bool(json, "bitrate_given", bus->bitrate_given);
    lt_json_f64(json, "load", bus->load);
    lt_json_string(json, "say", bus->say ? bus->say : "");
    lt_json_u64(json, "obd_requests", bus->obd_requests);
    lt_json_u64(json, "obd_replies", bus->obd_replies);
    lt_json_bool(json, "j1939", bus->j1939);
    lt_json_bool(json, "only_diagnostics", bus->only_diagnostics);
    lt_json_close(json, '}');
}

static void put_reading(struct lt_json *json, const struct lt_reader_counts *counts)
{
    lt_reader_counts_json(counts, json);
    lt_json_u64(json, "backward_steps", counts->backward_steps);
}

static void put_capture(struct lt_json *json, const struct lt_survey *survey,
                        const struct lt_survey_about *about)
{
    const struct lt_collect_counts *counts = survey->counts;
    lt_json_open(json, "capture", '{');
    lt_json_open(json, "files", '[');
    for (size_t i = 0; i < about->file_count; i++)
        lt_json_string(json, NULL, about->files[i]);
    lt_json_close(json, ']');
    lt_json_u64(json, "frames", counts->frames);
    lt_json_u64(json, "malformed", about->counts ? about->counts->malformed : 0);
    lt_json_f64(json, "duration_s", survey->duration_s);
    lt_json_open(json, "buses", '[');
    for (size_t i = 0; i < survey->bus_count; i++)
        if (survey->buses[i].frames)
            put_bus(json, &survey->buses[i]);
    lt_json_close(json, ']');
    lt_json_u64(json, "remote_frames", counts->remote);
    lt_json_u64(json, "error_frames", counts->error_frames);
    lt_json_u64(json, "without_time", counts->without_time);
    lt_json_u64(json, "past_ceiling", counts->frames_past_streams);
    lt_json_u64(json, "outside_span", about->outside_span);
    lt_json_u64(json, "other_buses", about->other_buses);
    if (about->counts)
        put_reading(json, about->counts);
    lt_json_close(json, '}');
}

/* --- checks --- */

static void put_over(struct lt_json *json, const struct lt_checksum *checksum)
{
    char text[LT_CHECK_RANGES_MAX * 8 + 1] = "";
    size_t used = 0;
    for (unsigned i = 0; i < checksum->ranges; i++) {
        struct lt_check_range range = checksum->range[i];
        used += lt_text_format(text + used, sizeof text - used, i ? ",%u" : "%u", range.first);
        if (range.last != range.first)
            used += lt_text_format(text + used, sizeof text - used, "..%u", range.last);
    }
    lt_json_string(json, "over", text);
}

static void put_data_id(struct lt_json *json, const struct lt_checksum *checksum)
{
    if (!checksum->data_id_count) {
        lt_json_null(json, "data_id");
    } else {
        lt_json_open(json, "data_id", '[');
        for (unsigned i = 0; i < checksum->data_id_count; i++)
            lt_json_u64(json, NULL, checksum->data_id[i]);
        lt_json_close(json, ']');
    }
    lt_json_string(json, "data_id_at", checksum->data_id_before ? "before" : "after");
    lt_json_string(json, "data_id_mode", lt_check_mode_name(checksum->data_id_mode));
    if (checksum->has_counter)
        put_bits(json, "counter", &checksum->counter);
    else
        lt_json_null(json, "counter");
}

static void put_affine(struct lt_json *json, const struct lt_affine *affine)
{
    lt_json_u64(json, "constant", affine->constant);
    lt_json_open(json, "columns", '{');
    for (unsigned byte = 0; byte < 64; byte++)
        for (unsigned i = 0; i < 8; i++) {
            char place[8];
            lt_text_format(place, sizeof place, "%u.%u", byte, 7 - i);
            if (affine->column[byte][i])
                lt_json_u64(json, place, affine->column[byte][i]);
        }
    lt_json_close(json, '}');
}

static void put_unexercised(struct lt_json *json, const struct lt_bit_set *set)
{
    lt_json_open(json, "unexercised", '[');
    for (unsigned byte = 0; byte < 64; byte++)
        for (int bit = 7; bit >= 0; bit--) {
            struct lt_bits run = {1, {{0, 0}}};
            if (!lt_bit_set_has(set, byte * 8 + (unsigned)bit))
                continue;
            run.part[0].msb = (uint16_t)(byte * 8 + (unsigned)bit);
            while (bit > 0 && lt_bit_set_has(set, byte * 8 + (unsigned)bit - 1))
                bit--;
            run.part[0].lsb = (uint16_t)(byte * 8 + (unsigned)bit);
            put_bits(json, NULL, &run);
        }
    lt_json_close(json, ']');
}

static void put_checksum(struct lt_json *json, const struct lt_check_found *check)
{
    static const char *const complements[] = {
        [LT_COMPLEMENT_NONE] = NULL, [LT_COMPLEMENT_ONES] = "ones", [LT_COMPLEMENT_TWOS] = "twos"};
    const struct lt_checksum *checksum = &check->checksum;
    bool found = check->form == LT_CHECK_FOUND;
    lt_json_open(json, "checksum", '{');
    lt_json_string(json, "family",
                   found ? lt_check_family_name(checksum->family) : "authenticated");
    lt_json_string(json, "catalogue", checksum->catalogue);
    lt_json_u64(json, "poly", checksum->poly);
    lt_json_u64(json, "init", checksum->init);
    lt_json_u64(json, "xorout", checksum->xorout);
    lt_json_bool(json, "reflect", checksum->reflect);
    lt_json_u64(json, "start", checksum->start);
    lt_json_string(json, "complement", complements[checksum->complement]);
    lt_json_bool(json, "with_id", checksum->with_id);
    lt_json_bool(json, "with_length", checksum->with_length);
    put_over(json, checksum);
    put_data_id(json, checksum);
    if (checksum->has_page)
        lt_json_u64(json, "page", checksum->page);
    else
        lt_json_null(json, "page");
    lt_json_u64(json, "verified", check->verified);
    lt_json_u64(json, "failed", check->failed);
    if (found && checksum->family == LT_CHECK_AFFINE && checksum->affine)
        put_affine(json, checksum->affine);
    put_unexercised(json, &check->unexercised);
    lt_json_close(json, '}');
}

/* --- fields --- */

static void put_pages(struct lt_json *json, const char *key, const uint16_t *pages, size_t count)
{
    lt_json_open(json, key, '[');
    for (size_t i = 0; i < count; i++)
        lt_json_u64(json, NULL, pages[i]);
    lt_json_close(json, ']');
}

static void put_counter(struct lt_json *json, const struct lt_counter_found *counter)
{
    lt_json_open(json, "counter", '{');
    lt_json_u64(json, "modulus", counter->modulus);
    lt_json_u64(json, "step", counter->step);
    lt_json_bool(json, "on_change", counter->on_change);
    lt_json_u64(json, "kept_steps", counter->kept_steps);
    lt_json_u64(json, "other_steps", counter->other_steps);
    lt_json_close(json, '}');
}

static void put_seen(struct lt_json *json, const struct lt_survey_field *field)
{
    lt_json_bool(json, "sign_exercised", field->sign_exercised);
    lt_json_u64(json, "raw_min", field->raw_min);
    lt_json_u64(json, "raw_max", field->raw_max);
    lt_json_u64(json, "distinct", field->distinct);
    lt_json_u64(json, "changes", field->changes);
    lt_json_f64(json, "eta", field->eta);
    lt_json_f64(json, "unavailable_share", field->unavailable_share);
    lt_json_u64(json, "group", field->group);
    lt_json_string(json, "text", field->text);
}

static void put_field(struct lt_json *json, const struct lt_survey_field *field)
{
    lt_json_open(json, NULL, '{');
    put_bits(json, "bits", &field->bits);
    lt_json_string(json, "order", lt_order_name(field->order));
    lt_json_string(json, "sign", lt_sign_name(field->sign));
    lt_json_string(json, "kind", lt_field_kind_name(field->kind));
    if (field->pages)
        put_pages(json, "page", field->pages, field->page_count);
    else
        lt_json_null(json, "page");
    lt_json_f64(json, "confidence", field->confidence);
    lt_json_string(json, "why", field->why ? field->why : "");
    if (field->kind == LT_FIELD_COUNTER)
        put_counter(json, &field->counter);
    else
        lt_json_null(json, "counter");
    if (field->kind == LT_FIELD_CHECKSUM)
        put_checksum(json, &field->check);
    else
        lt_json_null(json, "checksum");
    put_seen(json, field);
    lt_json_close(json, '}');
}

/* --- frames --- */

static void put_ms(struct lt_json *json, const char *key, bool known, int64_t ns)
{
    if (known)
        lt_json_f64(json, key, (double)ns / 1e6);
    else
        lt_json_null(json, key);
}

static void put_selector(struct lt_json *json, const struct lt_survey_frame *frame)
{
    const struct lt_selector_found *selector = &frame->stream->selector;
    if (!survey_is_paged(frame)) {
        lt_json_null(json, "selector");
        return;
    }
    lt_json_open(json, "selector", '{');
    put_bits(json, "bits", &selector->bits);
    put_pages(json, "pages", selector->value, selector->count);
    lt_json_f64(json, "confidence", selector->confidence);
    lt_json_f64(json, "gain", selector->gain);
    lt_json_close(json, '}');
}

static void put_timing(struct lt_json *json, const struct lt_timing *timing)
{
    bool known = timing->period_ns > 0;
    put_ms(json, "period_ms", known, timing->period_ns);
    put_ms(json, "jitter_ms", known, timing->jitter_ns);
    lt_json_u64(json, "gaps", timing->gaps);
    lt_json_u64(json, "lost", timing->lost);
    lt_json_u64(json, "pauses", timing->pauses);
    lt_json_bool(json, "cyclic", timing->cyclic);
    lt_json_bool(json, "extra_on_change", timing->extra_on_change);
    lt_json_u64(json, "backward_steps", timing->backward_steps);
}

static void put_copy(struct lt_json *json, const struct lt_survey *survey,
                     const struct lt_survey_frame *frame)
{
    if (!frame->copy_of) {
        lt_json_null(json, "copy_of");
        return;
    }
    const struct lt_survey_frame *source = &survey->frames[frame->copy_of - 1];
    lt_json_open(json, "copy_of", '{');
    lt_json_string(json, "bus", source->bus);
    lt_json_u64(json, "id", source->stream->key.id);
    lt_json_bool(json, "extended", source->stream->key.extended);
    lt_json_f64(json, "delay_s", frame->copy_delay_s);
    lt_json_close(json, '}');
}

static void put_frame(struct lt_json *json, const struct lt_survey *survey,
                      const struct lt_survey_frame *frame)
{
    const struct lt_stream *stream = frame->stream;
    lt_json_open(json, NULL, '{');
    lt_json_string(json, "bus", frame->bus);
    lt_json_u64(json, "id", stream->key.id);
    lt_json_bool(json, "extended", stream->key.extended);
    lt_json_bool(json, "fd", stream->key.fd);
    lt_json_u64(json, "length", stream->key.length);
    lt_json_u64(json, "count", stream->timing.count);
    put_timing(json, &stream->timing);
    put_selector(json, frame);
    lt_json_open(json, "fields", '[');
    for (size_t i = 0; i < frame->field_count; i++)
        put_field(json, &frame->fields[i]);
    lt_json_close(json, ']');
    lt_json_bool(json, "authenticated", frame->authenticated);
    lt_json_bool(json, "diagnostic", frame->diagnostic);
    lt_json_bool(json, "only_with_activity", frame->only_with_activity);
    put_copy(json, survey, frame);
    lt_json_string(json, "pgn", frame->pgn_name);
    lt_json_string(json, "say", frame->say);
    lt_json_u64(json, "kept", stream->kept.count);
    lt_json_u64(json, "frames_in_no_page", stream->frames_in_no_page);
    lt_json_close(json, '}');
}

/* --- groups, differences --- */

static void put_group(struct lt_json *json, const struct lt_survey *survey,
                      const struct lt_survey_group *group)
{
    lt_json_open(json, NULL, '{');
    lt_json_open(json, "members", '[');
    for (size_t i = 0; i < group->count; i++) {
        const struct lt_survey_frame *frame = &survey->frames[group->members[i].frame];
        const struct lt_survey_field *field = &frame->fields[group->members[i].field];
        lt_json_open(json, NULL, '{');
        lt_json_string(json, "bus", frame->bus);
        lt_json_u64(json, "id", frame->stream->key.id);
        lt_json_bool(json, "extended", frame->stream->key.extended);
        lt_json_u64(json, "length", frame->stream->key.length);
        put_bits(json, "bits", &field->bits);
        if (field->pages)
            put_pages(json, "page", field->pages, field->page_count);
        else
            lt_json_null(json, "page");
        lt_json_f64(json, "scale", group->members[i].scale);
        lt_json_f64(json, "offset_quanta", group->members[i].offset_quanta);
        lt_json_f64(json, "lag_s", group->members[i].lag_s);
        lt_json_f64(json, "within_quanta", group->members[i].within_quanta);
        lt_json_close(json, '}');
    }
    lt_json_close(json, ']');
    lt_json_string(json, "say", group->say ? group->say : "");
    lt_json_close(json, '}');
}

static void put_change(struct lt_json *json, const struct lt_change *change)
{
    lt_json_open(json, NULL, '{');
    lt_json_string(json, "change", survey_change_word(change->kind));
    lt_json_string(json, "bus", change->bus);
    lt_json_u64(json, "id", change->key.id);
    lt_json_bool(json, "extended", change->key.extended);
    lt_json_u64(json, "length", change->key.length);
    if (change->bits.parts)
        put_bits(json, "bits", &change->bits);
    else
        lt_json_null(json, "bits");
    if (change->has_page)
        lt_json_u64(json, "page", change->page);
    else
        lt_json_null(json, "page");
    lt_json_u64(json, "a_low", change->a_low);
    lt_json_u64(json, "a_high", change->a_high);
    lt_json_u64(json, "b_low", change->b_low);
    lt_json_u64(json, "b_high", change->b_high);
    lt_json_f64(json, "weight", change->weight);
    lt_json_string(json, "say", change->say);
    lt_json_close(json, '}');
}

static void put_changes(struct lt_json *json, const struct lt_survey_about *about)
{
    lt_json_open(json, "against", '{');
    lt_json_string(json, "file", about->against);
    lt_json_open(json, "changes", '[');
    for (size_t i = 0; i < about->change_count; i++)
        put_change(json, &about->changes[i]);
    lt_json_close(json, ']');
    lt_json_close(json, '}');
}

void lt_survey_json(const struct lt_survey *survey, const struct lt_survey_about *about,
                    struct lt_sink *sink)
{
    struct lt_json json;
    lt_json_init(&json, sink);
    lt_json_open(&json, NULL, '{');
    put_capture(&json, survey, about);
    lt_json_open(&json, "frames", '[');
    for (size_t i = 0; i < survey->frame_count; i++)
        put_frame(&json, survey, &survey->frames[i]);
    lt_json_close(&json, ']');
    lt_json_open(&json, "groups", '[');
    for (size_t i = 0; i < survey->group_count; i++)
        put_group(&json, survey, &survey->groups[i]);
    lt_json_close(&json, ']');
    if (about->against)
        put_changes(&json, about);
    lt_json_close(&json, '}');
    lt_sink_char(sink, '\n');
}
