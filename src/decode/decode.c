/* The frame loop of decoding: look up, judge, take the fields out, hand them on.
 * See loomtap/decode/decode.h. */
#include <stdlib.h>

#include "decode/batch.h"
#include "loomtap/capture/pieces.h"

#define ARENA_CEILING   ((size_t)24 << 20)
#define DEFAULT_EVERY   100000000
#define PGN_SELECTS(pf) ((pf) == 0xEB || (pf) == 0xEC || (pf) == 0xFE)

static const struct output *const outputs[] = {
    [LT_DECODE_CSV] = &csv_output,       [LT_DECODE_JSONL] = &jsonl_output,
    [LT_DECODE_GRID] = &grid_output,     [LT_DECODE_SUMMARY] = &summary_output,
    [LT_DECODE_SQLITE] = &sqlite_output,
};

/* --- which signals are wanted --- */

static bool listed(const char *const *list, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++)
        if (name && strcmp(list[i], name) == 0)
            return true;
    return false;
}

static bool wants(void *context, const struct lt_profile *profile, uint32_t signal)
{
    const struct lt_decode_options *options = context;
    const struct lt_signal_def *def = &profile->signals[signal];
    if (!options->only_count && !options->role_count)
        return true;
    return listed(options->only, options->only_count, def->name) ||
           listed(options->roles, options->role_count, def->role_name);
}

static enum lt_code check_wanted(const struct lt_decode *decode, struct lt_error *error)
{
    const struct lt_decode_options *options = &decode->options;
    for (size_t i = 0; i < options->only_count; i++) {
        bool known = false;
        for (size_t p = 0; p < decode->profile_count; p++)
            known |= lt_profile_find_signal(decode->profiles[p], lt_text_of(options->only[i])) !=
                     LT_NONE;
        if (!known) {
            lt_fail(error, LT_E_UNKNOWN, "--only: no profile has a signal `%s`", options->only[i]);
            lt_error_advise(error, "`--as summary` without --only lists the signals");
            return LT_E_UNKNOWN;
        }
    }
    for (size_t i = 0; i < options->role_count; i++)
        if (!lt_role_find(lt_text_of(options->roles[i])))
            return lt_fail(error, LT_E_UNKNOWN, "--role: there is no role `%s`", options->roles[i]);
    return LT_OK;
}

/* --- life --- */

static void set_span(struct lt_decode *decode)
{
    int64_t first = LT_NO_TIME;
    for (size_t i = 0; i < decode->head_count && first == LT_NO_TIME; i++)
        first = decode->head[i].frame.time_ns;
    decode->from_ns = lt_time_bound_ns(&decode->options.from, first, INT64_MIN);
    decode->to_ns = lt_time_bound_ns(&decode->options.to, first, INT64_MAX);
}

static void look_for_pgns(struct lt_decode *decode)
{
    for (size_t p = 0; p < decode->profile_count; p++)
        for (size_t i = 0; i < decode->profiles[p]->frame_count; i++)
            decode->has_pgns |= decode->profiles[p]->frames[i].is_pgn;
}

static enum lt_code prepare(struct lt_decode *decode, struct lt_error *error)
{
    struct lt_plan_options plan_options = {.wants = wants, .context = &decode->options};
    const struct lt_frame_plan *const *plans;
    enum lt_code code = check_wanted(decode, error);
    if (code == LT_OK)
        code = read_head(decode, error);
    if (code == LT_OK)
        code = bind_buses(decode, error);
    if (code == LT_OK)
        code = lt_plan_new(&decode->plan, decode->profiles, decode->profile_count, decode->bindings,
                           decode->binding_count, &plan_options, error);
    if (code != LT_OK)
        return code;
    /* Frames and parameters share one numbering, in the order of the profiles. */
    size_t plan_count = lt_plan_frames(decode->plan, &plans);
    plan_count += lt_plan_parameters(decode->plan, &plans);
    decode->by_plan = lt_arena_array(&decode->arena, plan_count, sizeof *decode->by_plan);
    if (!decode->by_plan || !routes_init(decode))
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    set_span(decode);
    look_for_pgns(decode);
    return LT_OK;
}

enum lt_code lt_decode_new(struct lt_decode **ret_decode, struct lt_reader *reader,
                           const struct lt_profile *const *profiles, size_t profile_count,
                           const struct lt_decode_options *options, struct lt_faults *notes,
                           struct lt_error *error)
{
    struct lt_decode *decode = calloc(1, sizeof *decode);
    if (!decode)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    lt_arena_init(&decode->arena, ARENA_CEILING);
    decode->reader = reader;
    decode->profiles = profiles;
    decode->profile_count = profile_count;
    decode->options = *options;
    if (!decode->options.every_ns)
        decode->options.every_ns = DEFAULT_EVERY;
    decode->notes = notes;
    decode->output = outputs[options->form];
    decode->first_ns = decode->last_ns = decode->before_ns = LT_NO_TIME;
    enum lt_code code = prepare(decode, error);
    if (code != LT_OK) {
        lt_decode_free(decode);
        return code;
    }
    *ret_decode = decode;
    return LT_OK;
}

void lt_decode_free(struct lt_decode *decode)
{
    if (!decode)
        return;
    for (size_t i = 0; i < LT_BUSES_MAX; i++) {
        lt_obd_free(decode->obd[i]);
        lt_j1939_free(decode->j1939[i]);
    }
    lt_plan_free(decode->plan);
    lt_arena_release(&decode->arena);
    free(decode);
}

/* --- the loop --- */

void take_message(struct lt_decode *decode, struct stream *stream, const struct message *message)
{
    const struct lt_frame_plan *plan = stream->plan;
    uint64_t pages =
        plan->page_set_count ? lt_frame_plan_pages(plan, message->data, message->len) : 0;
    for (unsigned i = 0; i < plan->field_count; i++) {
        const struct lt_field *field = &plan->fields[i];
        struct tally *tally = &stream->tallies[i];
        if (!lt_field_on_page(field, pages))
            continue;
        if (message->len < field->end_byte) {
            tally->too_short++;
            continue;
        }
        if (field->page_set)
            timing_add(tally->timing, message->frame->time_ns);
        uint64_t raw = lt_field_fetch(field, message->data);
        enum value_state state = judge_value(field->scaler, raw, message->suspect);
        tally_state(tally, field, raw, state);
        decode->values += state == VALUE_GOOD || state == VALUE_SUSPECT;
        if (decode->output->value)
            decode->output->value(decode, stream, i, message, raw, state);
    }
}

static bool is_transport(const struct lt_decode *decode, const struct lt_frame *frame)
{
    return decode->has_pgns && lt_frame_has(frame, LT_FRAME_EXTENDED) &&
           PGN_SELECTS(frame->id >> 16 & 0xFF);
}

/* `goes_on`: it also goes to a listener for diagnostics or transport. */
static void take_matches(struct lt_decode *decode, const struct lt_frame_plan *first,
                         const struct lt_frame *frame, bool goes_on)
{
    decode->matched_frames++;
    for (const struct lt_frame_plan *plan = first; plan; plan = plan->next) {
        struct stream *stream = stream_for_frame(decode, plan, frame->bus, frame->id & 0xFF);
        if (!stream)
            continue;
        struct message message = {frame, frame->data, frame->len, stream_judge(stream, frame)};
        stream->frames++;
        timing_add(&stream->timing, frame->time_ns);
        take_message(decode, stream, &message);
        if (first->next || goes_on)
            stream->general = true;
        else
            route_stream(decode, frame, stream);
    }
}

void take_data_frame(struct lt_decode *decode, const struct lt_frame *frame)
{
    const struct lt_frame_plan *plan = lt_plan_lookup(decode->plan, frame);
    bool diagnostic = is_diagnostic_id(frame), transport = is_transport(decode, frame);
    if (plan) {
        take_matches(decode, plan, frame, diagnostic || transport);
    } else if (!diagnostic) {
        struct unknown *unknown = count_unknown(decode, frame);
        if (unknown && !transport)
            route_unknown(decode, frame, unknown);
    }
    if (diagnostic) {
        decode->diagnostic_frames++;
        take_diagnostic(decode, frame);
    }
    if (transport)
        take_transport(decode, frame);
}

void take_frame(struct lt_decode *decode, const struct lt_frame *frame)
{
    int64_t time_ns = frame->time_ns;
    decode->frames++;
    decode->frames_by_bus[frame->bus]++;
    if (time_ns != LT_NO_TIME) {
        if (decode->first_ns == LT_NO_TIME || time_ns < decode->first_ns)
            decode->first_ns = time_ns;
        if (time_ns > decode->last_ns)
            decode->last_ns = time_ns;
        decode->out_of_order += time_ns < decode->before_ns;
        decode->before_ns = time_ns;
        if (time_ns < decode->from_ns || time_ns > decode->to_ns) {
            decode->outside_span++;
            return;
        }
    }
    if (decode->output->frame)
        decode->output->frame(decode, frame);
    if (frame->flags & LT_FRAME_ERROR)
        decode->error_frames++;
    else if (frame->flags & LT_FRAME_REMOTE)
        decode->remote_frames++;
    else
        take_data_frame(decode, frame);
}

/* Frame by frame from the head, which was read ahead; then in batches; what is large enough is
 * shared between threads. */
static void take_all(struct lt_decode *decode)
{
    struct lt_batch batch;
    while (!decode_has_failed(decode) && decode->head_at < decode->head_count)
        take_frame(decode, &decode->head[decode->head_at++].frame);
    while (!decode_has_failed(decode) && lt_reader_next_batch(decode->reader, &batch)) {
        take_batch(decode, &batch);
        if (decode->options.threads > 1 && lt_reader_can_split(decode->reader))
            take_in_pieces(decode);
    }
    lanes_work_off(decode);
}

enum lt_code lt_decode_run(struct lt_decode *decode, struct lt_sink *sink, struct lt_error *error)
{
    decode->sink = sink;
    if (decode->output->begin)
        decode->output->begin(decode);
    take_all(decode);
    if (decode->output->end)
        decode->output->end(decode);
    if (decode->failed_memory)
        return lt_fail(error, LT_E_MEMORY,
                       "out of memory: this capture has more identifiers than "
                       "this program keeps apart");
    if (!lt_sink_flush(sink))
        return lt_fail(error, LT_E_IO, "writing the values failed: %s",
                       strerror(sink->failed_errno));
    return lt_reader_end(decode->reader, error);
}

uint64_t lt_decode_values(const struct lt_decode *decode)
{
    return decode->values;
}
