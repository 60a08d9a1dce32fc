/* One row a value: csv and jsonl. The constant parts of a row are made once a signal and stream. */
#include <stdlib.h>

#include "decode/decode_internal.h"
#include "loomtap/base/number.h"

#define TIME_MAX 40
/* Time, head, value, tail, label (at most 32 bytes or one of our words) and the line break. */
#define ROW_ROOM 4096

size_t print_time(const struct lt_frame *frame, char *ret_text, bool json)
{
    if (frame->time_len && frame->time_len <= TIME_MAX) {
        const char *at = frame->time_text;
        size_t len = frame->time_len;
        /* "000.5" and "5." are no JSON numbers. */
        while (json && len > 1 && at[0] == '0' && at[1] != '.') {
            at++;
            len--;
        }
        if (json && at[len - 1] == '.')
            len--;
        memcpy(ret_text, at, len);
        return len;
    }
    if (frame->time_ns == LT_NO_TIME)
        return 0;
    size_t len = lt_print_fixed(ret_text, frame->time_ns, 9);
    while (ret_text[len - 1] == '0' && ret_text[len - 2] != '.')
        len--;
    return len;
}

/* What all rows of one field have: before the value, and behind it up to the label. */
struct row_part {
    const char *head, *tail;
    size_t head_len, tail_len; /* each below PART_MAX */
};

/* Names and units come from lines of a profile, which are shorter than 200 bytes. */
#define PART_MAX 1024

static void put_head(const struct lt_decode *decode, const struct stream *stream,
                     const struct lt_signal_def *def, struct lt_sink *sink)
{
    struct lt_text bus = lt_text_of(lt_reader_bus_name(decode->reader, stream->bus));
    const char *name = decode->options.senders ? stream->name : stream->plain_name;
    if (decode->options.form == LT_DECODE_CSV) {
        lt_sink_char(sink, ',');
        lt_sink_csv(sink, bus);
        lt_sink_format(sink, ",%s,%s,", name, def->name);
    } else {
        lt_sink_string(sink, ",\"bus\":");
        lt_sink_json_text(sink, bus);
        lt_sink_format(sink, ",\"frame\":\"%s\",\"signal\":\"%s\",\"value\":", name, def->name);
    }
}

static void put_tail(const struct lt_decode *decode, const struct stream *stream,
                     const struct lt_signal_def *def, struct lt_sink *sink)
{
    struct lt_text unit = lt_text_of(lt_signal_unit(def));
    (void)stream;
    if (decode->options.form == LT_DECODE_CSV) {
        lt_sink_char(sink, ',');
        lt_sink_csv(sink, unit);
        lt_sink_char(sink, ',');
    } else {
        lt_sink_string(sink, ",\"unit\":");
        lt_sink_json_text(sink, unit);
        lt_sink_string(sink, ",\"label\":");
    }
}

/* Once a signal and stream, so the sink may come and go. NULL: no memory. */
static const char *keep_text(struct lt_decode *decode, const struct stream *stream,
                             const struct lt_signal_def *def,
                             void (*put)(const struct lt_decode *, const struct stream *,
                                         const struct lt_signal_def *, struct lt_sink *),
                             size_t *ret_len)
{
    struct lt_buf buf;
    struct lt_sink *sink = malloc(sizeof *sink);
    const char *text = NULL;
    lt_buf_init(&buf, PART_MAX);
    if (sink) {
        lt_sink_init_buf(sink, &buf);
        put(decode, stream, def, sink);
        if (lt_sink_flush(sink))
            text = lt_arena_string(&decode->arena, buf.at);
    }
    *ret_len = text ? buf.len : 0;
    free(sink);
    lt_buf_release(&buf);
    return text;
}

static bool make_parts(struct lt_decode *decode, struct stream *stream)
{
    const struct lt_frame_plan *plan = stream->plan;
    struct row_part *parts = lt_arena_array(&decode->arena, plan->field_count, sizeof *parts);
    for (unsigned i = 0; parts && i < plan->field_count; i++) {
        const struct lt_signal_def *def = plan->fields[i].scaler->def;
        parts[i].head = keep_text(decode, stream, def, put_head, &parts[i].head_len);
        parts[i].tail = keep_text(decode, stream, def, put_tail, &parts[i].tail_len);
        if (!parts[i].head || !parts[i].tail)
            parts = NULL;
    }
    stream->row_parts = parts;
    decode->failed_memory |= !parts;
    return parts != NULL;
}

struct cell {
    char value[LT_VALUE_ROOM];
    size_t len; /* 0: no number */
    const char *label;
};

static const char *label_of(const struct lt_scaler *scaler, uint64_t raw, enum value_state state)
{
    static const char *const words[] = {
        [VALUE_SUSPECT] = "suspect", [VALUE_UNAVAILABLE] = "unavailable", [VALUE_ERROR] = "error"};
    if (state != VALUE_GOOD)
        return words[state];
    const char *label = scaler->def->label_count ? lt_signal_label(scaler->def, raw) : NULL;
    return label ? label : "";
}

static struct cell make_cell(const struct lt_scaler *scaler, uint64_t raw, enum value_state state)
{
    struct cell cell;
    cell.label = label_of(scaler, raw, state);
    cell.len = state == VALUE_UNAVAILABLE || state == VALUE_ERROR
                   ? 0
                   : lt_scaler_print(scaler, raw, cell.value);
    return cell;
}

/* Words instead of digits: "nan", "inf", "-inf". */
static const char *not_a_number(const struct cell *cell)
{
    static const char *const words[] = {"nan", "inf", "-inf"};
    for (size_t i = 0; i < sizeof words / sizeof *words; i++)
        if (lt_text_is((struct lt_text){cell->value, cell->len}, words[i]))
            return words[i];
    return NULL;
}

static void csv_begin(struct lt_decode *decode)
{
    lt_sink_string(decode->sink, "time_s,bus,frame,signal,value,unit,label\n");
}

/* Copies of 8 and 16 bytes are two moves; one of unknown length is a call. */
static inline char *copy_short(char *to, const char *from, size_t len)
{
    if (len >= 16 && len <= 32) {
        memcpy(to, from, 16);
        memcpy(to + len - 16, from + len - 16, 16);
    } else if (len >= 8 && len <= 16) {
        memcpy(to, from, 8);
        memcpy(to + len - 8, from + len - 8, 8);
    } else {
        memcpy(to, from, len);
    }
    return to + len;
}

static inline char *copy_string(char *to, const char *string)
{
    while (*string)
        *to++ = *string++;
    return to;
}

/* Hot: writes straight into the sink's buffer. */
static void csv_value(struct lt_decode *decode, struct stream *stream, unsigned field,
                      const struct message *message, uint64_t raw, enum value_state state)
{
    if (!stream->row_parts && !make_parts(decode, stream))
        return;
    const struct row_part *part = &stream->row_parts[field];
    const struct lt_scaler *scaler = stream->plan->fields[field].scaler;
    const struct lt_frame *frame = message->frame;
    const char *label = label_of(scaler, raw, state);
    char *at = lt_sink_room(decode->sink, ROW_ROOM);
    if (frame->time_len && frame->time_len <= TIME_MAX)
        at = copy_short(at, frame->time_text, frame->time_len);
    else
        at += print_time(frame, at, false);
    at = copy_short(at, part->head, part->head_len);
    if (state == VALUE_GOOD || state == VALUE_SUSPECT)
        at += lt_scaler_print(scaler, raw, at);
    at = copy_short(at, part->tail, part->tail_len);
    at = copy_string(at, label);
    *at++ = '\n';
    lt_sink_wrote(decode->sink, at);
}

static void jsonl_value(struct lt_decode *decode, struct stream *stream, unsigned field,
                        const struct message *message, uint64_t raw, enum value_state state)
{
    if (!stream->row_parts && !make_parts(decode, stream))
        return;
    const struct row_part *part = &stream->row_parts[field];
    const struct lt_scaler *scaler = stream->plan->fields[field].scaler;
    struct cell cell = make_cell(scaler, raw, state);
    const char *word = not_a_number(&cell);
    struct lt_sink *sink = decode->sink;
    char time[64];
    size_t time_len = print_time(message->frame, time, true);
    lt_sink_string(sink, "{\"time_s\":");
    lt_sink_put(sink, time_len ? time : "null", time_len ? time_len : 4);
    lt_sink_put(sink, part->head, part->head_len);
    lt_sink_put(sink, cell.len && !word ? cell.value : "null", cell.len && !word ? cell.len : 4);
    lt_sink_put(sink, part->tail, part->tail_len);
    lt_sink_json_text(sink, lt_text_of(word && !*cell.label ? word : cell.label));
    lt_sink_string(sink, "}\n");
}

const struct output csv_output = {.begin = csv_begin, .value = csv_value};
const struct output jsonl_output = {.value = jsonl_value};
const struct output summary_output = {0};
