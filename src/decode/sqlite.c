/* Values into a database (loomtap/store/store.h), and with them what a summary would say: buses,
 * unknown identifiers, what could not be read, why a signal stayed silent. */
#include <inttypes.h>
#include <stdlib.h>

#include "decode/summary.h"
#include "loomtap/defs/load.h"

#define MESSAGES_MAX 4096

struct sqlite_output {
    uint64_t fingerprint[2];
    uint64_t refused; /* values of series beyond the store's ceiling */
    struct lt_store_message *messages;
    size_t message_count, message_capacity;
};

/* --- while reading --- */

static void sqlite_begin(struct lt_decode *decode)
{
    decode->sqlite = lt_arena_alloc(&decode->arena, sizeof *decode->sqlite);
    if (!decode->sqlite)
        decode->failed_memory = true;
}

/* One step of the splitmix64 generator (Steele, Lea, Flood, OOPSLA 2014): every bit of the result
 * depends on every bit put in. */
static uint64_t mix(uint64_t x)
{
    x += 0x9E3779B97F4A7C15u;
    x = (x ^ x >> 30) * 0xBF58476D1CE4E5B9u;
    x = (x ^ x >> 27) * 0x94D049BB133111EBu;
    return x ^ x >> 31;
}

/* Time, identifier, kind and data; not the bus, which a copy may call by another name, and not
 * the form of the file. The frames' hashes are added up: 128 bits tell recordings apart by
 * accident, not by malice. */
static void sqlite_frame(struct lt_decode *decode, const struct lt_frame *frame)
{
    struct sqlite_output *out = decode->sqlite;
    uint64_t kind =
        frame->flags & (LT_FRAME_EXTENDED | LT_FRAME_FD | LT_FRAME_REMOTE | LT_FRAME_ERROR);
    uint64_t hash = mix((uint64_t)frame->time_ns);
    hash = mix(hash ^ frame->id ^ kind << 32 ^ (uint64_t)frame->len << 48);
    for (unsigned i = 0; i < frame->len; i += 8) {
        uint64_t word = lt_load64_le(frame->data + i);
        unsigned left = frame->len - i;
        hash = mix(hash ^ (left < 8 ? word & ~(UINT64_MAX << 8 * left) : word));
    }
    out->fingerprint[0] += hash;
    out->fingerprint[1] += mix(~hash);
}

static struct lt_store_series *make_series(struct lt_decode *decode, struct stream *stream,
                                           unsigned field)
{
    const struct lt_frame_plan *plan = stream->plan;
    struct lt_store_source source = {
        .profile = plan->profile,
        .signal = plan->fields[field].signal,
        .bus = lt_reader_bus_name(decode->reader, stream->bus),
        .frame = stream->name,
        .max_age_ns = grid_max_age_ns(decode, plan, plan->fields[field].scaler->def),
    };
    struct lt_store_series *series = NULL;
    if (!stream->series)
        stream->series = lt_arena_array(&decode->arena, plan->field_count, sizeof *stream->series);
    if (!stream->series) {
        decode->failed_memory = true;
        return NULL;
    }
    enum lt_code code = lt_store_series(decode->options.store, &source, &series, NULL);
    decode->failed_memory |= code == LT_E_MEMORY;
    if (code == LT_OK)
        stream->series[field] = series;
    return series;
}

static void sqlite_value(struct lt_decode *decode, struct stream *stream, unsigned field,
                         const struct message *message, uint64_t raw, enum value_state state)
{
    static const enum lt_store_state states[] = {
        [VALUE_GOOD] = LT_STORE_GOOD,
        [VALUE_SUSPECT] = LT_STORE_SUSPECT,
        [VALUE_UNAVAILABLE] = LT_STORE_UNAVAILABLE,
        [VALUE_ERROR] = LT_STORE_ERROR,
    };
    struct lt_store_series *series = stream->series ? stream->series[field] : NULL;
    if (!series)
        series = make_series(decode, stream, field);
    if (!series)
        decode->sqlite->refused++;
    else if (!lt_store_add(series, message->frame->time_ns, raw, states[state]))
        decode->sink->failed = true; /* stops the reading; the commit says why */
}

const struct output sqlite_output = {
    .begin = sqlite_begin, .frame = sqlite_frame, .value = sqlite_value};

/* --- at the end --- */

static void add_message(struct lt_decode *decode, const char *kind, const char *place,
                        const char *text, uint64_t count)
{
    struct sqlite_output *out = decode->sqlite;
    if (out->message_count >= MESSAGES_MAX)
        return;
    struct lt_store_message *message =
        lt_arena_push(&decode->arena, &out->messages, &out->message_count, &out->message_capacity,
                      sizeof *message);
    if (!message) {
        decode->failed_memory = true;
        return;
    }
    *message = (struct lt_store_message){kind, lt_arena_string(&decode->arena, place),
                                         lt_arena_string(&decode->arena, text), count};
    decode->failed_memory |= !message->place || !message->text;
}

static void add_count(struct lt_decode *decode, const char *kind, uint64_t count, const char *text)
{
    if (count)
        add_message(decode, kind, "", text, count);
}

static void add_unread(struct lt_decode *decode)
{
    const struct lt_reader_counts *counts = lt_reader_counts(decode->reader);
    char place[300], text[400];
    for (int i = 0; i < LT_BAD_COUNT; i++)
        add_count(decode, "malformed", counts->bad[i], lt_bad_line_text((enum lt_bad_line)i));
    for (size_t i = 0; i < counts->first_bad_count; i++) {
        const struct lt_bad_place *bad = &counts->first_bad[i];
        lt_text_format(place, sizeof place, "%s:%" PRIu64 ":%u",
                       lt_reader_source_name(decode->reader, bad->source), bad->line,
                       (unsigned)bad->column);
        lt_text_format(text, sizeof text, "%s: %s", lt_bad_line_text(bad->reason), bad->text);
        add_message(decode, "line", place, text, 0);
    }
    add_count(decode, "lost", counts->dropped_frames, "frames were lost while recording");
    add_count(decode, "lost", decode->sqlite->refused,
              "values are left out: more signals by sender than one database run keeps apart");
    add_count(decode, "note", counts->oddities, "lines that a writer should not write so");
    add_count(decode, "note", decode->error_frames, "error frames of the controller");
    add_count(decode, "note", decode->remote_frames, "remote requests");
    add_count(decode, "note", decode->outside_span, "frames outside the time span asked for");
    add_count(decode, "note", decode->out_of_order, "frames earlier than the one before them");
    add_count(decode, "note", decode->unknown_frames, "frames that no profile knows");
}

/* One message a signal; but one for all of a frame that never came. */
static void add_silent(void *context, const struct summary_row *row)
{
    struct lt_decode *decode = context;
    struct lt_buf why;
    bool whole_frame = !row->stream && row->plan->def;
    if (row_is_valid(row) || (row->plan->parameter && !row_was_tried(decode, row)) ||
        (whole_frame && row->field != row->plan->fields))
        return;
    lt_buf_init(&why, 4096);
    say_why(decode, row, &why);
    add_message(decode, "silent",
                whole_frame ? row->plan->def->name : row->field->scaler->def->name,
                why.at ? why.at : "", 0);
    lt_buf_release(&why);
}

static void add_notes(struct lt_decode *decode)
{
    for (size_t i = 0; decode->notes && i < decode->notes->count; i++)
        add_message(decode, "note", "", decode->notes->items[i].text, 0);
}

/* Inputs' names, as far as they were reached. */
static const char *sources_text(struct lt_decode *decode, struct lt_buf *buf)
{
    for (size_t i = 0; i < lt_reader_source_count(decode->reader); i++)
        lt_buf_format(buf, "%s%s", i ? ", " : "", lt_reader_source_name(decode->reader, i));
    return buf->at ? buf->at : "";
}

/* What was asked for, in a fixed order of keys: the same options give the same text. */
static const char *selection_text(const struct lt_decode *decode, struct lt_buf *buf)
{
    const struct lt_decode_options *options = &decode->options;
    for (size_t i = 0; i < options->only_count; i++)
        lt_buf_format(buf, "only %s; ", options->only[i]);
    for (size_t i = 0; i < options->role_count; i++)
        lt_buf_format(buf, "role %s; ", options->roles[i]);
    for (size_t i = 0; i < options->bus_count; i++)
        lt_buf_format(buf, "bus %.*s=%.*s; ", LT_TEXT_ARG(options->buses[i].profile_bus),
                      LT_TEXT_ARG(options->buses[i].capture_bus));
    if (options->from.given)
        lt_buf_format(buf, "from %" PRId64 " ns; ", decode->from_ns);
    if (options->to.given)
        lt_buf_format(buf, "to %" PRId64 " ns; ", decode->to_ns);
    return buf->at ? buf->at : "";
}

static struct lt_store_bus *list_buses(struct lt_decode *decode, size_t *ret_count)
{
    size_t count = lt_reader_bus_count(decode->reader);
    struct lt_store_bus *list = lt_arena_array(&decode->arena, count, sizeof *list);
    *ret_count = list ? count : 0;
    for (uint32_t i = 0; list && i < count; i++) {
        list[i] = (struct lt_store_bus){.name = lt_reader_bus_name(decode->reader, i),
                                        .frames = decode->frames_by_bus[i]};
        for (size_t b = 0; b < decode->binding_count && !list[i].profile_bus; b++)
            if (decode->bindings[b].capture_bus == i)
                list[i].profile_bus = decode->profiles[decode->bindings[b].profile]
                                          ->buses[decode->bindings[b].bus]
                                          .name;
    }
    return list;
}

static struct lt_store_unknown *list_unknown(struct lt_decode *decode, size_t *ret_count)
{
    const struct unknown **sorted = calloc(UNKNOWN_SLOTS, sizeof *sorted);
    size_t count = sorted ? unknown_sorted(decode, sorted, UNKNOWN_SLOTS) : 0;
    struct lt_store_unknown *list = lt_arena_array(&decode->arena, count, sizeof *list);
    *ret_count = list ? count : 0;
    for (size_t i = 0; list && i < count; i++)
        list[i] = (struct lt_store_unknown){
            .bus = lt_reader_bus_name(decode->reader, sorted[i]->bus),
            .id = sorted[i]->id,
            .extended = sorted[i]->extended,
            .fd = sorted[i]->fd,
            .length = sorted[i]->len,
            .frames = sorted[i]->count,
            .first_ns = sorted[i]->first_ns,
            .last_ns = sorted[i]->last_ns,
        };
    decode->failed_memory |= !sorted || !list;
    free(sorted);
    return list;
}

/* The canonical text of each profile, owned by `texts`. */
static struct lt_store_profile *list_profiles(struct lt_decode *decode, struct lt_buf *texts)
{
    struct lt_store_profile *list =
        lt_arena_array(&decode->arena, decode->profile_count, sizeof *list);
    struct lt_sink *sink = malloc(sizeof *sink);
    for (size_t i = 0; list && sink && i < decode->profile_count; i++) {
        lt_sink_init_buf(sink, &texts[i]);
        lt_profile_write(decode->profiles[i], true, sink);
        decode->failed_memory |= !lt_sink_flush(sink);
        list[i] = (struct lt_store_profile){decode->profiles[i], lt_buf_text(&texts[i])};
    }
    decode->failed_memory |= !list || !sink;
    free(sink);
    return list;
}

static enum lt_code commit(struct lt_decode *decode, struct lt_buf *texts,
                           struct lt_store_result *ret_result, struct lt_error *error)
{
    const struct lt_reader_counts *counts = lt_reader_counts(decode->reader);
    struct lt_buf *names = &texts[decode->profile_count], *selection = names + 1;
    char fingerprint[33];
    struct lt_error stop;
    bool complete = lt_reader_end(decode->reader, &stop) == LT_OK;
    if (!complete)
        add_message(decode, "stopped", stop.source, stop.text, 0);
    add_unread(decode);
    each_row(decode, add_silent, decode);
    add_notes(decode);
    lt_text_format(fingerprint, sizeof fingerprint, "%016" PRIx64 "%016" PRIx64,
                   decode->sqlite->fingerprint[0], decode->sqlite->fingerprint[1]);
    struct lt_store_capture capture = {
        .file = sources_text(decode, names),
        .fingerprint = fingerprint,
        .selection = selection_text(decode, selection),
        .form = lt_form_name(lt_reader_form(decode->reader)),
        .frames = decode->frames,
        .malformed = counts->malformed,
        .first_ns = decode->first_ns,
        .last_ns = decode->last_ns,
        .complete = complete,
        .profiles = list_profiles(decode, texts),
        .profile_count = decode->profile_count,
        .messages = decode->sqlite->messages,
        .message_count = decode->sqlite->message_count,
    };
    capture.buses = list_buses(decode, &capture.bus_count);
    capture.unknown = list_unknown(decode, &capture.unknown_count);
    if (decode->failed_memory || names->failed || selection->failed)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    return lt_store_commit(decode->options.store, &capture, ret_result, error);
}

enum lt_code lt_decode_store(struct lt_decode *decode, struct lt_store_result *ret_result,
                             struct lt_error *error)
{
    size_t count = decode->profile_count + 2;
    struct lt_buf *texts = calloc(count, sizeof *texts);
    if (!texts || !decode->sqlite) {
        free(texts);
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    }
    for (size_t i = 0; i < count; i++)
        lt_buf_init(&texts[i], (size_t)64 << 20);
    enum lt_code code = commit(decode, texts, ret_result, error);
    for (size_t i = 0; i < count; i++)
        lt_buf_release(&texts[i]);
    free(texts);
    return code;
}
