/* One row a value: csv and jsonl. The constant parts of a row are made once a signal and stream. */
#include <stdlib.h>

#include "decode/decode_internal.h"
#include "loomtap/base/number.h"

size_t print_time(const struct lt_frame *frame, char *ret_text, bool json)
{
    if (frame->time_len && frame->time_len <= 40) {
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

/* ",bus,frame,signal," or its JSON form. Once a signal and stream, so the sink may come and go. */
static const char *make_head(struct lt_decode *decode, const struct stream *stream,
                             const struct lt_signal_def *def)
{
    struct lt_buf buf;
    struct lt_sink *sink = malloc(sizeof *sink);
    const char *head = NULL;
    lt_buf_init(&buf, 4096);
    if (sink) {
        lt_sink_init_buf(sink, &buf);
        put_head(decode, stream, def, sink);
        if (lt_sink_flush(sink))
            head = lt_arena_string(&decode->arena, buf.at);
    }
    free(sink);
    lt_buf_release(&buf);
    return head;
}

static const char *row_head(struct lt_decode *decode, struct stream *stream, unsigned field)
{
    const struct lt_frame_plan *plan = stream->plan;
    if (!stream->row_head)
        stream->row_head =
            lt_arena_array(&decode->arena, plan->field_count, sizeof *stream->row_head);
    if (stream->row_head && !stream->row_head[field])
        stream->row_head[field] = make_head(decode, stream, plan->fields[field].scaler->def);
    if (!stream->row_head || !stream->row_head[field]) {
        decode->failed_memory = true;
        return "";
    }
    return stream->row_head[field];
}

struct cell {
    char value[LT_VALUE_ROOM];
    size_t len; /* 0: no number */
    const char *label;
};

static struct cell make_cell(const struct lt_scaler *scaler, uint64_t raw, enum value_state state)
{
    struct cell cell;
    cell.len = 0;
    cell.label = state == VALUE_UNAVAILABLE ? "unavailable" : state == VALUE_ERROR ? "error" : "";
    if (state == VALUE_UNAVAILABLE || state == VALUE_ERROR)
        return cell;
    cell.len = lt_scaler_print(scaler, raw, cell.value);
    if (state == VALUE_SUSPECT)
        cell.label = "suspect";
    else if (scaler->def->label_count)
        cell.label = lt_signal_label(scaler->def, raw);
    if (!cell.label)
        cell.label = "";
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

static void csv_value(struct lt_decode *decode, struct stream *stream, unsigned field,
                      const struct message *message, uint64_t raw, enum value_state state)
{
    const struct lt_scaler *scaler = stream->plan->fields[field].scaler;
    struct cell cell = make_cell(scaler, raw, state);
    struct lt_sink *sink = decode->sink;
    char time[64];
    lt_sink_put(sink, time, print_time(message->frame, time, false));
    lt_sink_string(sink, row_head(decode, stream, field));
    lt_sink_put(sink, cell.value, cell.len);
    lt_sink_char(sink, ',');
    lt_sink_csv(sink, lt_text_of(lt_signal_unit(scaler->def)));
    lt_sink_char(sink, ',');
    lt_sink_string(sink, *cell.label ? cell.label : "");
    lt_sink_char(sink, '\n');
}

static void jsonl_value(struct lt_decode *decode, struct stream *stream, unsigned field,
                        const struct message *message, uint64_t raw, enum value_state state)
{
    const struct lt_scaler *scaler = stream->plan->fields[field].scaler;
    struct cell cell = make_cell(scaler, raw, state);
    const char *word = not_a_number(&cell);
    struct lt_sink *sink = decode->sink;
    char time[64];
    size_t time_len = print_time(message->frame, time, true);
    lt_sink_string(sink, "{\"time_s\":");
    lt_sink_put(sink, time_len ? time : "null", time_len ? time_len : 4);
    lt_sink_string(sink, row_head(decode, stream, field));
    lt_sink_put(sink, cell.len && !word ? cell.value : "null", cell.len && !word ? cell.len : 4);
    lt_sink_string(sink, ",\"unit\":");
    lt_sink_json_text(sink, lt_text_of(lt_signal_unit(scaler->def)));
    lt_sink_string(sink, ",\"label\":");
    lt_sink_json_text(sink, lt_text_of(word && !*cell.label ? word : cell.label));
    lt_sink_string(sink, "}\n");
}

const struct output csv_output = {.begin = csv_begin, .value = csv_value};
const struct output jsonl_output = {.value = jsonl_value};
const struct output summary_output = {0};
