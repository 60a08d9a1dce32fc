/* The reader: inputs one after another, whole lines out of blocks, frames in batches, and the count
 * of everything that was not a frame. Told apart by form: form.c; the blocks: input.c.
 *
 * The loop is made of three parts: the form's quick path takes usual lines as long as it can; one
 * line that it leaves goes through the general parser; when no whole line is left, more is read. A
 * batch never outlives its block, so the frames' time_text may point into it. */
#include "capture/reader.h"

#include <stdlib.h>

#include "capture/records.h"

static void stop(struct lt_reader *reader, enum lt_code code)
{
    reader->ended = true;
    reader->code = code;
}

/* The line's start as ASCII, for a message. */
static void print_start(struct lt_text text, char *ret_text)
{
    size_t len = text.len < LT_BAD_TEXT_KEPT - 1 ? text.len : LT_BAD_TEXT_KEPT - 1;
    for (size_t i = 0; i < len; i++)
        ret_text[i] = text.at[i] >= ' ' && text.at[i] <= '~' ? text.at[i] : '.';
    ret_text[len] = '\0';
}

static void count_bad(struct lt_reader *reader, struct lt_text text, enum lt_bad_line reason,
                      uint32_t column)
{
    struct lt_reader_counts *counts = &reader->counts;
    counts->malformed++;
    counts->bad[reason]++;
    if (counts->first_bad_count < LT_BAD_KEPT) {
        struct lt_bad_place *place = &counts->first_bad[counts->first_bad_count++];
        *place = (struct lt_bad_place){(uint32_t)reader->source, reader->line_number, column,
                                       reason, ""};
        print_start(text, place->text);
    }
    if (!reader->options.strict)
        return;
    bool packet = reader->form->take != NULL; /* its text says which byte */
    lt_fail(&reader->error, LT_E_SYNTAX, "%s%s%.*s", lt_bad_line_text(reason), packet ? ": " : "",
            packet ? (int)text.len : 0, text.at);
    lt_error_at(&reader->error, lt_reader_source_name(reader, reader->source), reader->line_number,
                column);
    lt_error_advise(
        &reader->error, "%s; unless asked to be strict, the reader counts it and goes on",
        reader->form->take ? "the line is the packet's number" : "mend or remove the line");
    stop(reader, LT_E_SYNTAX);
}

static void count_other(struct lt_reader *reader, struct lt_text text, const struct lt_line *line)
{
    struct lt_reader_counts *counts = &reader->counts;
    uint64_t dropped;
    uint32_t column;
    enum lt_other_line other = lt_other_line(text, &dropped, &column);
    if (other == LT_OTHER_BINARY) {
        count_bad(reader, text, LT_BAD_BINARY, column);
    } else if (line->frame_like) {
        count_bad(reader, text, line->reason, line->column);
    } else if (other == LT_OTHER_BLANK) {
        counts->blank_lines++;
    } else if (other == LT_OTHER_NOTE) {
        counts->notes++;
    } else if (other == LT_OTHER_DROPS) {
        counts->drop_lines++;
        counts->dropped_frames += dropped;
    } else if (!reader->has_frame) {
        counts->banner_lines++;
    } else {
        count_bad(reader, text, LT_BAD_NO_FRAME, 1);
    }
}

/* options.differences: the frame's time is what passed since the frame before. */
static bool add_up(struct lt_reader *reader, struct lt_frame *frame)
{
    if (frame->time_ns == LT_NO_TIME)
        return true;
    if (frame->time_ns > LT_TIME_MAX_S * INT64_C(1000000000) - reader->sum_ns)
        return false;
    reader->sum_ns += frame->time_ns;
    frame->time_ns = reader->sum_ns;
    frame->time_text = NULL;
    frame->time_len = 0;
    return true;
}

static void keep_frame(struct lt_reader *reader, struct lt_text text, struct lt_frame *frame,
                       const struct lt_line *line, bool own_form)
{
    if (!lt_buses_intern(&reader->buses, line->bus, &frame->bus)) {
        count_bad(reader, text, LT_BAD_BUSES, (uint32_t)(line->bus.at - text.at) + 1);
        return;
    }
    if (reader->options.differences && !add_up(reader, frame)) {
        count_bad(reader, text, LT_BAD_TIME, 1);
        return;
    }
    reader->line_number--; /* counted again */
    reader->counts.lines--;
    lt_reader_count_frames(reader, frame, 1, frame->flags);
    reader->counts.oddities += line->odd || !own_form;
    reader->counts.wall_clock = reader->counts.wall_clock || line->date;
    reader->batch_count++;
}

/* One line by the general path. */
void lt_reader_take_line(struct lt_reader *reader, const char *at, const char *eol)
{
    struct lt_text text = {at, (size_t)(eol - at)};
    struct lt_frame *frame = &reader->batch[reader->batch_count];
    struct lt_line line;
    const struct lt_form *form;
    reader->line_number++;
    reader->counts.lines++;
    if (text.len > LT_LINE_MAX) {
        count_bad(reader, text, LT_BAD_LONG, LT_LINE_MAX + 1);
        return;
    }
    switch (lt_form_parse(reader->form, text, reader->states, frame, &line, &form)) {
    case LT_LINE_FRAME:
        keep_frame(reader, text, frame, &line, form == reader->form);
        break;
    case LT_LINE_NOTE:
        reader->counts.notes++;
        break;
    case LT_LINE_BAD:
        count_other(reader, text, &line);
        break;
    }
}

/* Whole lines into the batch, until it is full or they are used up. */
static void take_lines(struct lt_reader *reader)
{
    struct lt_input *input = &reader->input;
    bool fast = reader->fast && reader->form->fast && !reader->options.differences;
    while (!reader->ended && input->at < reader->whole_end && reader->batch_count < LT_BATCH) {
        if (fast) {
            reader->form->fast(reader);
            if (input->at == reader->whole_end || reader->batch_count == LT_BATCH)
                return;
        }
        const char *at = input->at;
        const char *eol = memchr(at, '\n', (size_t)(reader->whole_end - at));
        lt_reader_take_line(reader, at, eol);
        input->at = eol + 1;
    }
}

/* The text behind the last line break when the input ends. */
static void take_last_line(struct lt_reader *reader)
{
    struct lt_input *input = &reader->input;
    const char *at = input->at;
    input->at = reader->whole_end = input->end;
    reader->counts.cut_at_end = true;
    if (!reader->skipping)
        lt_reader_take_line(reader, at, input->end);
    reader->skipping = false;
}

static void find_whole_lines(struct lt_reader *reader)
{
    struct lt_input *input = &reader->input;
    size_t len = (size_t)(input->end - input->at);
    const char *last = len > 0 ? memrchr(input->at, '\n', len) : NULL;
    reader->whole_end = last ? last + 1 : input->at;
    if (reader->skipping && last) {
        const char *first = memchr(input->at, '\n', len);
        input->at = first + 1;
        reader->skipping = false;
    }
}

/* Nothing but an incomplete line is left: drop it if it is too long already. */
static void skip_long_line(struct lt_reader *reader)
{
    struct lt_input *input = &reader->input;
    size_t left = (size_t)(input->end - input->at);
    if (!reader->skipping && left > LT_LINE_MAX) {
        reader->line_number++;
        reader->counts.lines++;
        reader->skipping = true;
        count_bad(reader, (struct lt_text){input->at, left}, LT_BAD_LONG, LT_LINE_MAX + 1);
    }
    if (reader->skipping)
        input->at = input->end;
}

/* Some editors mark UTF-8 with three bytes at the start. */
static void skip_mark(struct lt_input *input)
{
    if (input->end - input->at >= 3 && memcmp(input->at, "\xEF\xBB\xBF", 3) == 0)
        input->at += 3;
}

static enum lt_code not_capture(const char *name, struct lt_error *error)
{
    lt_error_at(error, name, 0, 0);
    return LT_E_NOT_CAPTURE;
}

/* Reads from the start of an input until its lines decide what it is. */
static enum lt_code sniff_input(struct lt_reader *reader, const char *name, struct lt_error *error)
{
    struct lt_input *input = &reader->input;
    struct lt_sniff sniff = {.csv_map = reader->csv_map};
    struct lt_text bytes;
    bool more = !input->at_eof; /* what is there already is looked at first: a pipe may be slow */
    for (;;) {
        skip_mark(input);
        bytes = (struct lt_text){input->at, (size_t)(input->end - input->at)};
        reader->form = lt_sniff_binary(bytes);
        if (reader->form)
            return LT_OK;
        if (lt_sniff_magic(bytes, error))
            return not_capture(name, error);
        lt_sniff_lines(&sniff, bytes, input->at_eof);
        if (!more || sniff.form || bytes.len >= LT_SNIFF_BYTES)
            break;
        more = lt_input_append(input, name);
    }
    reader->form = lt_sniff_decide(&sniff, bytes, error);
    if (reader->form)
        return LT_OK;
    if (input->code == LT_OK)
        return not_capture(name, error);
    if (error) /* what is there could not be told apart since it could not be read */
        *error = input->error;
    return input->code;
}

static void count_columns_unused(struct lt_reader *reader)
{
    struct lt_reader_counts *counts = &reader->counts;
    if (!reader->csv_map || reader->form->kind == LT_FORM_CSV_FRAMES ||
        reader->input.at == reader->input.end)
        return;
    if (counts->columns_unused++ == 0) {
        counts->columns_unused_source = (uint32_t)reader->source;
        counts->columns_unused_form = reader->form->kind;
    }
}

static enum lt_code open_source(struct lt_reader *reader, struct lt_error *error)
{
    const char *name = reader->sources[reader->source];
    enum lt_code code = LT_OK;
    if (!reader->from_memory && lt_reader_is_live(name)) {
        reader->form = lt_form(LT_FORM_CAN);
        return reader->form->begin(reader, name, error);
    }
    if (reader->from_memory)
        lt_input_open_memory(&reader->input, reader->bytes, reader->bytes_len, reader->bytes_block);
    else
        code = lt_input_open(&reader->input, name, error);
    if (code == LT_OK)
        code = lt_input_begin(&reader->input, name, error);
    reader->packed = reader->input.packed;
    if (code == LT_OK)
        code = sniff_input(reader, name, error);
    if (code != LT_OK)
        return code;
    count_columns_unused(reader);
    memset(reader->states, 0, sizeof reader->states);
    reader->states[LT_FORM_CSV_FRAMES].csv.map = reader->csv_map;
    reader->lines.head.len = 0;
    reader->split_tried = false;
    reader->line_number = 0;
    reader->has_frame = false;
    reader->skipping = false;
    reader->whole_end = reader->input.at;
    if (reader->form->begin)
        return reader->form->begin(reader, name, error);
    find_whole_lines(reader);
    return LT_OK;
}

void lt_reader_fail_errno(struct lt_reader *reader, int number)
{
    stop(reader, lt_input_fail_errno(&reader->error, reader->sources[reader->source], number));
}

static void open_next_source(struct lt_reader *reader)
{
    lt_input_close(&reader->input);
    if (reader->source + 1 == reader->source_count) {
        stop(reader, LT_OK);
        return;
    }
    reader->source++;
    enum lt_code code = open_source(reader, &reader->error);
    if (code != LT_OK)
        stop(reader, code);
}

/* What follows could not be read. A line cut by that is no line: it is dropped. */
static void stop_at_error(struct lt_reader *reader)
{
    reader->error = reader->input.error;
    stop(reader, reader->input.code);
}

/* No whole line is left: reads on, takes an incomplete last line, or opens the next input. */
static void more_lines(struct lt_reader *reader)
{
    struct lt_input *input = &reader->input;
    if (input->at_eof) {
        if (input->code != LT_OK)
            stop_at_error(reader);
        else if (input->at < input->end || reader->skipping)
            take_last_line(reader);
        else
            open_next_source(reader);
        return;
    }
    skip_long_line(reader);
    if (reader->ended)
        return;
    lt_input_more(input, reader->sources[reader->source]);
    find_whole_lines(reader);
}

/* The same for binary forms. */
static void take_records(struct lt_reader *reader)
{
    struct lt_input *input = &reader->input;
    reader->form->take(reader);
    if (reader->batch_count > 0 || reader->ended)
        return;
    if (!input->at_eof) {
        lt_input_more(input, reader->sources[reader->source]);
    } else if (input->code != LT_OK) {
        stop_at_error(reader);
    } else {
        if (!reader->live)
            lt_records_end(reader);
        if (!reader->ended)
            open_next_source(reader);
    }
}

/* candump -t d begins at 0 and says only what passed between two frames of any identifier, so that
 * about half of the times lie below the one before. A capture of several buses that was merged
 * badly also steps back, but rarely so often, and does not begin at 0. */
void lt_reader_judge_differences(struct lt_reader *reader)
{
    struct lt_reader_counts *counts = &reader->counts;
    if (!reader->has_first_ns && reader->batch_count > 0) {
        reader->first_ns = reader->batch[0].time_ns;
        reader->has_first_ns = true;
    }
    counts->looks_like_differences =
        !reader->options.differences && reader->has_first_ns && reader->first_ns >= 0 &&
        reader->first_ns < INT64_C(1000000000) && counts->backward_steps >= 3 &&
        counts->backward_steps > counts->frames / 5;
}

__attribute__((noinline)) static bool refill(struct lt_reader *reader)
{
    reader->batch_at = reader->batch_count = 0;
    reader->plain_count = 0;
    reader->newest_before_ns = reader->newest_ns;
    while (reader->batch_count == 0 && !reader->ended) {
        if (reader->form->take)
            take_records(reader);
        else if (reader->input.at == reader->whole_end)
            more_lines(reader);
        else
            take_lines(reader);
    }
    reader->counts.bytes = reader->input.bytes_read;
    lt_reader_judge_differences(reader);
    return reader->batch_count > 0;
}

const struct lt_frame *lt_reader_next(struct lt_reader *reader)
{
    if (reader->batch_at == reader->batch_count && !refill(reader))
        return NULL;
    return &reader->batch[reader->batch_at++];
}

/* For paths that do not know: see struct lt_batch. */
static bool batch_is_plain(const struct lt_reader *reader)
{
    int64_t newest_ns = reader->newest_before_ns; /* above LT_NO_TIME */
    for (size_t i = 0; i < reader->batch_count; i++) {
        const struct lt_frame *frame = &reader->batch[i];
        if (frame->time_ns < newest_ns || (frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR)))
            return false;
        newest_ns = frame->time_ns;
    }
    return true;
}

bool lt_reader_next_batch(struct lt_reader *reader, struct lt_batch *ret_batch)
{
    if (reader->batch_at == reader->batch_count && !refill(reader))
        return false;
    *ret_batch =
        (struct lt_batch){reader->batch + reader->batch_at, reader->batch_count - reader->batch_at,
                          reader->plain_count == reader->batch_count || batch_is_plain(reader)};
    reader->batch_at = reader->batch_count;
    return true;
}

static bool copy_names(struct lt_reader *reader, const char *const *names, size_t count)
{
    reader->sources = calloc(count, sizeof *reader->sources);
    if (!reader->sources)
        return false;
    for (reader->source_count = 0; reader->source_count < count; reader->source_count++) {
        char *name = strdup(names[reader->source_count]);
        if (!name)
            return false;
        reader->sources[reader->source_count] = name;
    }
    return true;
}

/* A reader that stands before its first input, with the names copied; NULL and the error. */
static struct lt_reader *new_reader(const char *const *names, size_t count,
                                    const struct lt_reader_options *options, struct lt_error *error)
{
    struct lt_reader *reader = calloc(1, sizeof *reader);
    struct lt_frame *batch = calloc(LT_BATCH, sizeof *batch);
    if (!reader || !batch || lt_input_init(&reader->input, error) != LT_OK) {
        free(batch);
        free(reader);
        lt_fail(error, LT_E_MEMORY, "out of memory for reading a capture");
        return NULL;
    }
    reader->batch = batch;
    reader->fast = true;
    reader->take = lt_log_take_best();
    lt_buses_init(&reader->buses);
    reader->lines.name_mask = UINT64_MAX; /* a name of seven bytes, as good as any */
    reader->lines.name_len = 8;
    reader->newest_ns = LT_NO_TIME + 1;
    reader->split_least = LT_SPLIT_LEAST;
    reader->piece_bytes = LT_PIECE_BYTES;
    reader->whole_end = reader->input.at;
    if (options)
        reader->options = *options;
    for (size_t i = 0; i < LT_BUSES_MAX; i++)
        reader->last_ns[i] = LT_NO_TIME;
    if (copy_names(reader, names, count))
        return reader;
    lt_reader_free(reader);
    lt_fail(error, LT_E_MEMORY, "out of memory for the names of the captures");
    return NULL;
}

static enum lt_code take_columns(struct lt_reader *reader, struct lt_error *error)
{
    if (!reader->options.columns)
        return LT_OK;
    reader->csv_map = calloc(1, sizeof *reader->csv_map);
    if (!reader->csv_map)
        return lt_fail(error, LT_E_MEMORY, "out of memory for the map of columns");
    return lt_csv_map_parse(reader->csv_map, lt_text_of(reader->options.columns), error);
}

static enum lt_code start(struct lt_reader *reader, struct lt_reader **ret_reader,
                          struct lt_error *error)
{
    enum lt_code code = take_columns(reader, error);
    if (code == LT_OK)
        code = open_source(reader, error);
    if (code != LT_OK)
        lt_reader_free(reader);
    else
        *ret_reader = reader;
    return code;
}

/* What can be known to fail before hours of reading is said before. */
static enum lt_code check_inputs(const char *const *paths, size_t count, struct lt_error *error)
{
    size_t from_stdin = 0;
    if (count == 0)
        return lt_fail(error, LT_E_MISSING, "no capture is named");
    for (size_t i = 0; i < count; i++) {
        bool live = lt_reader_is_live(paths[i]);
        enum lt_code code = live ? LT_OK : lt_input_check(paths[i], error);
        if (code != LT_OK)
            return code;
        if (live && count > 1)
            return lt_fail(error, LT_E_CONFLICT,
                           "a live bus is read alone; several buses are "
                           "named as can:can0,can1");
        from_stdin += strcmp(paths[i], "-") == 0;
    }
    if (from_stdin > 1)
        return lt_fail(error, LT_E_DUPLICATE, "standard input (\"-\") can be read only once");
    return LT_OK;
}

enum lt_code lt_reader_open_all(struct lt_reader **ret_reader, const char *const *paths,
                                size_t count, const struct lt_reader_options *options,
                                struct lt_error *error)
{
    enum lt_code code = check_inputs(paths, count, error);
    if (code != LT_OK)
        return code;
    struct lt_reader *reader = new_reader(paths, count, options, error);
    return reader ? start(reader, ret_reader, error) : LT_E_MEMORY;
}

enum lt_code lt_reader_open(struct lt_reader **ret_reader, const char *path,
                            const struct lt_reader_options *options, struct lt_error *error)
{
    return lt_reader_open_all(ret_reader, &path, 1, options, error);
}

enum lt_code lt_reader_open_memory(struct lt_reader **ret_reader, const char *name,
                                   const void *bytes, size_t len, size_t block,
                                   const struct lt_reader_options *options, struct lt_error *error)
{
    struct lt_reader *reader = new_reader(&name, 1, options, error);
    if (!reader)
        return LT_E_MEMORY;
    reader->from_memory = true;
    reader->bytes = bytes;
    reader->bytes_len = len;
    reader->bytes_block = block;
    return start(reader, ret_reader, error);
}

void lt_reader_free(struct lt_reader *reader)
{
    if (!reader)
        return;
    lt_input_release(&reader->input);
    for (size_t i = 0; i < reader->source_count; i++)
        free(reader->sources[i]);
    free(reader->sources);
    free(reader->csv_map);
    free(reader->batch);
    lt_records_free(reader->records);
    lt_can_live_free(reader->live);
    free(reader);
}

enum lt_code lt_reader_end(const struct lt_reader *reader, struct lt_error *error)
{
    if (error && reader->code != LT_OK)
        *error = reader->error;
    return reader->code;
}

const struct lt_reader_counts *lt_reader_counts(const struct lt_reader *reader)
{
    return &reader->counts;
}

size_t lt_reader_bus_count(const struct lt_reader *reader)
{
    return reader->buses.count;
}

const char *lt_reader_bus_name(const struct lt_reader *reader, size_t bus)
{
    return bus < reader->buses.count ? reader->buses.names[bus] : "";
}

size_t lt_reader_source_count(const struct lt_reader *reader)
{
    return reader->source_count;
}

const char *lt_reader_source_name(const struct lt_reader *reader, size_t source)
{
    return source < reader->source_count ? reader->sources[source] : "";
}

enum lt_form_kind lt_reader_form(const struct lt_reader *reader)
{
    return reader->form ? reader->form->kind : LT_FORM_CANDUMP_LOG;
}

void lt_reader_stop(struct lt_reader *reader, enum lt_code code)
{
    stop(reader, code);
}

void lt_reader_count_bad(struct lt_reader *reader, struct lt_text text, enum lt_bad_line reason)
{
    count_bad(reader, text, reason, 0);
}

const char *lt_reader_packing(const struct lt_reader *reader)
{
    return lt_packed_name(reader->packed);
}

void lt_reader_set_fast(struct lt_reader *reader, bool fast)
{
    reader->fast = fast;
}

void lt_reader_set_take(struct lt_reader *reader, lt_log_take *take)
{
    reader->take = take;
}
