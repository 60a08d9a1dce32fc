/* A survey as a draft profile: frames with period, length, counter and checksum, and every field
 * that is sure enough as a signal with raw scale. Names say the place: `x0c4_b0_7` is the field of
 * frame 0C4 whose most significant bit is 0.7; `x0c4_p3_b2_7` is there on page 3.
 *
 * The profile is made in memory; lt_draft_write reads it back once, so that what leaves here has no
 * errors. */
#include "survey/draft.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>

#include "survey/survey_internal.h"
#include "survey/words.h"

#define ARENA_CEILING  ((size_t)128 << 20)
#define STATES_MAX     32   /* values of an enum that are given labels */
#define BUS_NAME_SHORT 8    /* bytes of a bus's name that still fit in a signal's */
#define REPEATED_SHARE 0.02 /* a counter that stands still more often marks good frames suspect */

struct draft {
    const struct lt_survey *survey;
    const struct lt_draft_options *options;
    struct lt_arena *arena;
    struct lt_profile profile;
    size_t frame_capacity, signal_capacity;
    uint32_t bus_of[LT_BUSES_MAX]; /* index in the profile, by the capture's */
    struct lt_draft_counts counts;
    bool frames_only; /* no signals but selectors */
    bool failed;
};

/* --- names --- */

static bool bus_name_taken(const struct draft *draft, const char *name)
{
    for (size_t i = 0; i < draft->profile.bus_count; i++)
        if (strcmp(draft->profile.buses[i].name, name) == 0)
            return true;
    return false;
}

static const char *bus_name(struct draft *draft, size_t index)
{
    const char *said = draft->options->bus_names ? draft->options->bus_names[index] : NULL;
    char name[LT_NAME_MAX + 1], own[LT_NAME_MAX + 1];
    lt_draft_name(name, said && *said ? said : draft->survey->buses[index].name, "bus");
    lt_text_format(own, sizeof own, "%s", name);
    for (unsigned n = 2; bus_name_taken(draft, own); n++)
        lt_text_format(own, sizeof own, "%s%u", name, n);
    return lt_arena_string(draft->arena, own);
}

/* A name that Linux gives an interface: at most 15 bytes, no blanks (docs/profile-format.md). */
static const char *interface_name(struct draft *draft, const char *name)
{
    const char *plain = lt_draft_text(draft->arena, "%s", name);
    if (!*name || !plain || strcmp(plain, name) != 0 || strlen(name) > 15 || strpbrk(name, " \t/"))
        return NULL;
    return plain;
}

/* The same identifier on a bus that comes earlier in the capture has the plain name. */
static bool is_on_earlier_bus(const struct draft *draft, const struct lt_survey_frame *frame)
{
    const struct lt_stream_key *key = &frame->stream->key;
    for (size_t i = 0; i < draft->survey->frame_count; i++) {
        const struct lt_stream_key *other = &draft->survey->frames[i].stream->key;
        if (other->bus < key->bus && other->id == key->id && other->extended == key->extended)
            return true;
    }
    return false;
}

static const char *frame_name(struct draft *draft, const struct lt_survey_frame *frame)
{
    const struct lt_stream_key *key = &frame->stream->key;
    const char *bus = draft->profile.buses[draft->bus_of[key->bus]].name;
    char id[16], name[LT_NAME_MAX + 1];
    lt_text_format(id, sizeof id, key->extended ? "x%08x" : "x%03x", (unsigned)key->id);
    if (!is_on_earlier_bus(draft, frame))
        lt_text_format(name, sizeof name, "%s", id);
    else if (strlen(bus) <= BUS_NAME_SHORT)
        lt_text_format(name, sizeof name, "%s_%s", id, bus);
    else
        lt_text_format(name, sizeof name, "%s_n%u", id, key->bus);
    return lt_arena_string(draft->arena, name);
}

static const char *signal_name(struct draft *draft, const char *frame,
                               const struct lt_survey_field *field)
{
    unsigned top = lt_span_position(field->bits.part[0], 0);
    char page[16] = "", name[LT_NAME_MAX + 1];
    if (field->pages)
        lt_text_format(page, sizeof page, "_p%u", field->pages[0]);
    lt_text_format(name, sizeof name, "%s%s_b%u_%u", frame, page, top / 8, top % 8);
    return lt_arena_string(draft->arena, name);
}

/* --- buses --- */

static bool has_fd(const struct lt_survey *survey, size_t bus)
{
    for (size_t i = 0; i < survey->frame_count; i++)
        if (survey->frames[i].stream->key.bus == bus && survey->frames[i].stream->key.fd)
            return true;
    return false;
}

static void add_buses(struct draft *draft)
{
    const struct lt_survey *survey = draft->survey;
    struct lt_bus_def *buses = lt_arena_array(draft->arena, survey->bus_count, sizeof *buses);
    draft->profile.buses = buses;
    for (size_t i = 0; i < survey->bus_count && buses; i++) {
        const struct lt_survey_bus *bus = &survey->buses[i];
        if (!bus->frames)
            continue;
        const char *name = bus_name(draft, i);
        draft->bus_of[i] = (uint32_t)draft->profile.bus_count;
        buses[draft->profile.bus_count++] = (struct lt_bus_def){
            .name = name,
            .bitrate_hz = bus->bitrate_hz <= 1000000 ? bus->bitrate_hz : 0,
            .fd = has_fd(survey, i) ? LT_FD_ISO : LT_FD_NO,
            .sample_point = {0, 1},
            .interface = interface_name(draft, bus->name),
            .evidence = draft_bus_evidence(draft->arena, survey, bus),
        };
    }
    draft->failed |= !buses;
}

/* --- frames --- */

/* To a round figure where the measured one is within its own spread of it. */
static int64_t nominal_period(const struct lt_timing *timing)
{
    static const int64_t steps_ns[] = {10000000, 5000000, 1000000, 500000, 100000, 10000};
    int64_t period_ns = timing->period_ns;
    int64_t room_ns = timing->jitter_ns > period_ns / 200 ? timing->jitter_ns : period_ns / 200;
    for (size_t i = 0; i < sizeof steps_ns / sizeof *steps_ns; i++) {
        int64_t round_ns = (period_ns + steps_ns[i] / 2) / steps_ns[i] * steps_ns[i];
        if (round_ns > 0 && llabs(round_ns - period_ns) <= room_ns)
            return round_ns;
    }
    return period_ns;
}

/* How often it stands still from frame to frame: a counter of its own on each page does. */
static bool repeats(const struct lt_stream *stream, const struct lt_bits *bits)
{
    size_t same = 0, steps = 0;
    for (size_t i = 1; i < stream->kept.count; i++) {
        if (!(stream->kept.flags[i] & LT_KEPT_FOLLOWS))
            continue;
        steps++;
        same += lt_bits_get(lt_kept_row(&stream->kept, i), bits) ==
                lt_bits_get(lt_kept_row(&stream->kept, i - 1), bits);
    }
    return (double)same > REPEATED_SHARE * (double)steps;
}

static bool is_sure(const struct draft *draft, const struct lt_survey_field *field)
{
    return field->confidence >= draft->options->sure;
}

static const struct lt_survey_field *counter_of(const struct draft *draft,
                                                const struct lt_survey_frame *frame)
{
    const struct lt_survey_field *best = NULL;
    for (size_t i = 0; i < frame->field_count; i++) {
        const struct lt_survey_field *field = &frame->fields[i];
        if (field->kind == LT_FIELD_COUNTER && !field->pages && is_sure(draft, field) &&
            !field->counter.on_change && (!best || field->confidence > best->confidence) &&
            !repeats(frame->stream, &field->bits))
            best = field;
    }
    return best;
}

static bool is_usable_check(const struct draft *draft, const struct lt_survey_frame *frame,
                            const struct lt_survey_field *field)
{
    struct lt_error error;
    return field->kind == LT_FIELD_CHECKSUM && field->check.form == LT_CHECK_FOUND &&
           is_sure(draft, field) && field->page_count <= 1 &&
           lt_checksum_check(&field->check.checksum, frame->stream->key.length, &error) == LT_OK;
}

/* One for the whole frame, or one a page; one set of affine numbers at most. */
static void add_checks(struct draft *draft, struct lt_frame_def *def,
                       const struct lt_survey_frame *frame, bool pages)
{
    struct lt_checksum *list = lt_arena_array(draft->arena, frame->field_count + 1, sizeof *list);
    bool has_whole = false, has_affine = false;
    draft->failed |= !list;
    for (size_t i = 0; i < frame->field_count && list; i++) {
        const struct lt_survey_field *field = &frame->fields[i];
        const struct lt_checksum *checksum = &field->check.checksum;
        if (!is_usable_check(draft, frame, field) || (field->pages && !pages))
            continue;
        bool affine = checksum->family == LT_CHECK_AFFINE;
        bool room = def->checksum_count == 0 || (!has_whole && field->pages);
        for (size_t k = 0; k < def->checksum_count; k++)
            room &= !(list[k].has_page && list[k].page == checksum->page);
        if (!room || (affine && has_affine)) {
            draft->counts.left_out++;
            continue;
        }
        list[def->checksum_count++] = *checksum;
        has_whole |= !field->pages;
        has_affine |= affine;
    }
    def->checksums = list;
}

/* The stream with most frames stands for an identifier that comes in several lengths. */
static bool is_main_length(const struct lt_survey *survey, size_t index)
{
    const struct lt_stream *stream = survey->frames[index].stream;
    for (size_t i = 0; i < survey->frame_count; i++) {
        const struct lt_stream *other = survey->frames[i].stream;
        if (i != index && other->key.bus == stream->key.bus && other->key.id == stream->key.id &&
            other->key.extended == stream->key.extended &&
            (other->timing.count > stream->timing.count ||
             (other->timing.count == stream->timing.count && i < index)))
            return false;
    }
    return true;
}

/* --- signals --- */

static struct lt_signal_def *new_signal(struct draft *draft, uint32_t frame)
{
    struct lt_signal_def *signal;
    if (draft->profile.signal_count >= LT_SIGNALS_MAX) {
        draft->counts.left_out++;
        return NULL;
    }
    signal = lt_arena_push(draft->arena, &draft->profile.signals, &draft->profile.signal_count,
                           &draft->signal_capacity, sizeof *signal);
    draft->failed |= !signal;
    if (signal)
        *signal = lt_draft_signal(frame);
    return signal;
}

static int by_value(const void *a, const void *b)
{
    uint64_t one = *(const uint64_t *)a, other = *(const uint64_t *)b;
    return (one > other) - (one < other);
}

/* The values seen, ascending; none where there are more than a person would name. */
static size_t find_states(const struct lt_stream *stream, const struct lt_survey_field *field,
                          uint64_t ret_states[STATES_MAX])
{
    size_t count = 0;
    for (size_t i = 0; i < stream->kept.count; i++) {
        const uint8_t *row = lt_kept_row(&stream->kept, i);
        uint64_t raw = lt_bits_get(row, &field->bits);
        size_t k = 0;
        if (field->pages && !survey_on_page(field, lt_bits_get(row, &stream->selector.bits)))
            continue;
        while (k < count && ret_states[k] != raw)
            k++;
        if (k == STATES_MAX)
            return 0;
        if (k == count)
            ret_states[count++] = raw;
    }
    qsort(ret_states, count, sizeof *ret_states, by_value);
    return count;
}

static void add_labels(struct draft *draft, struct lt_signal_def *signal,
                       const struct lt_stream *stream, const struct lt_survey_field *field)
{
    uint64_t states[STATES_MAX];
    size_t count = find_states(stream, field, states);
    struct lt_label *labels = lt_arena_array(draft->arena, count, sizeof *labels);
    draft->failed |= !labels;
    for (size_t i = 0; i < count && labels; i++)
        labels[i] = (struct lt_label){
            .raw = states[i], .name = lt_draft_text(draft->arena, "state_%" PRIu64, states[i])};
    signal->labels = labels;
    signal->label_count = labels ? count : 0;
}

static void add_unavailable(struct draft *draft, struct lt_signal_def *signal,
                            const struct lt_survey_field *field)
{
    unsigned length = lt_bits_length(&field->bits);
    uint64_t all = length >= 64 ? UINT64_MAX : (UINT64_C(1) << length) - 1;
    struct lt_raw_range *code = lt_arena_alloc(draft->arena, sizeof *code);
    draft->failed |= !code;
    if (!code)
        return;
    *code = (struct lt_raw_range){all, all};
    signal->unavailable = code;
    signal->unavailable_count = 1;
}

/* Pages that follow each other become one range; false where a profile has no room for them. */
static bool add_pages(struct draft *draft, struct lt_signal_def *signal,
                      const struct lt_survey_field *field, uint32_t selector)
{
    struct lt_page_clause *clause = lt_arena_alloc(draft->arena, sizeof *clause);
    draft->failed |= !clause;
    if (!clause)
        return false;
    clause->selector = selector;
    for (size_t i = 0; i < field->page_count; i++) {
        struct lt_raw_range *last = clause->ranges ? &clause->range[clause->ranges - 1] : NULL;
        if (last && last->last + 1 == field->pages[i]) {
            last->last++;
        } else if (clause->ranges < LT_PAGE_RANGES_MAX) {
            clause->range[clause->ranges++] =
                (struct lt_raw_range){field->pages[i], field->pages[i]};
        } else {
            return false;
        }
    }
    signal->page = clause;
    signal->page_count = 1;
    return true;
}

static bool is_signal(const struct lt_survey_field *field, const struct lt_survey_field *counter)
{
    return field->kind != LT_FIELD_CONSTANT && field->kind != LT_FIELD_CHECKSUM &&
           field->kind != LT_FIELD_TEXT && field != counter;
}

static void add_signal(struct draft *draft, uint32_t frame_index,
                       const struct lt_survey_frame *frame, const struct lt_survey_field *field,
                       uint32_t selector)
{
    struct lt_signal_def *signal = new_signal(draft, frame_index);
    bool number = field->kind == LT_FIELD_PHYSICAL || field->kind == LT_FIELD_ACCUMULATING ||
                  field->kind == LT_FIELD_UNKNOWN;
    if (!signal)
        return;
    signal->name = signal_name(draft, draft->profile.frames[frame_index].name, field);
    signal->bits = field->bits;
    signal->order = lt_bits_order(&field->bits);
    signal->sign = number ? field->sign : LT_UNSIGNED;
    signal->evidence = draft_signal_evidence(draft->arena, field);
    if (field->kind == LT_FIELD_ENUM)
        add_labels(draft, signal, frame->stream, field);
    else if (number && field->unavailable_share > 0)
        add_unavailable(draft, signal, field);
    if (field->pages && !add_pages(draft, signal, field, selector)) {
        draft->profile.signal_count--;
        draft->counts.left_out++;
        return;
    }
    draft->counts.signals++;
}

static uint32_t add_selector(struct draft *draft, uint32_t frame_index,
                             const struct lt_selector_found *found)
{
    struct lt_signal_def *signal = new_signal(draft, frame_index);
    char name[LT_NAME_MAX + 1];
    if (!signal)
        return LT_NONE;
    lt_text_format(name, sizeof name, "%s_page", draft->profile.frames[frame_index].name);
    signal->name = lt_arena_string(draft->arena, name);
    signal->bits = found->bits;
    signal->order = lt_bits_order(&found->bits);
    signal->evidence = lt_draft_text(
        draft->arena, "selector %d %%: %u pages, explains %d %% of what changes",
        (int)lround(found->confidence * 100), found->count, (int)lround(found->gain * 100));
    draft->counts.signals++;
    return (uint32_t)(draft->profile.signal_count - 1);
}

/* True: some signal hangs on a page, or may come to. */
static bool add_signals(struct draft *draft, uint32_t index, const struct lt_survey_frame *frame,
                        const struct lt_survey_field *counter)
{
    const struct lt_selector_found *found = &frame->stream->selector;
    uint32_t selector = LT_NONE;
    bool any = false;
    if (found->present && found->confidence >= draft->options->sure)
        selector = add_selector(draft, index, found);
    if (draft->frames_only)
        return selector != LT_NONE;
    for (size_t i = 0; i < frame->field_count; i++) {
        const struct lt_survey_field *field = &frame->fields[i];
        if (!is_signal(field, counter))
            continue;
        if (!is_sure(draft, field) || (field->pages && selector == LT_NONE)) {
            draft->counts.unsure++;
            continue;
        }
        size_t before = draft->profile.signal_count;
        add_signal(draft, index, frame, field, selector);
        any |= field->pages && draft->profile.signal_count > before;
    }
    return any;
}

static void add_frame(struct draft *draft, size_t index)
{
    const struct lt_survey_frame *frame = &draft->survey->frames[index];
    const struct lt_stream_key *key = &frame->stream->key;
    if (draft->profile.frame_count >= LT_FRAMES_MAX || !is_main_length(draft->survey, index)) {
        draft->counts.left_out++;
        return;
    }
    const struct lt_survey_field *counter = counter_of(draft, frame);
    uint32_t at = (uint32_t)draft->profile.frame_count;
    struct lt_frame_def *def =
        lt_arena_push(draft->arena, &draft->profile.frames, &draft->profile.frame_count,
                      &draft->frame_capacity, sizeof *def);
    draft->failed |= !def;
    if (!def)
        return;
    *def = (struct lt_frame_def){
        .name = frame_name(draft, frame),
        .bus = draft->bus_of[key->bus],
        .id = key->id,
        .extended = key->extended,
        .source = LT_NONE,
        .fd = key->fd,
        .length = key->length,
        .period_ns = frame->stream->timing.cyclic ? nominal_period(&frame->stream->timing) : 0,
        .authenticated = frame->authenticated,
        .evidence = draft_frame_evidence(draft->arena, frame),
    };
    if (counter)
        def->counter = (struct lt_counter_def){true, counter->bits, counter->counter.modulus,
                                               counter->counter.step};
    bool pages = add_signals(draft, at, frame, counter);
    add_checks(draft, &draft->profile.frames[at], frame, pages);
    draft->counts.frames++;
}

/* --- the whole --- */

static bool fill(struct draft *draft, const struct lt_survey_about *about)
{
    const struct lt_survey *survey = draft->survey;
    draft->profile = (struct lt_profile){
        .name = draft->options->name,
        .title = lt_draft_text(draft->arena, "draft from %s, not proven",
                               about->file_count ? about->files[0] : "a recording"),
    };
    add_buses(draft);
    for (size_t i = 0; i < survey->frame_count && !draft->failed; i++) {
        if (survey->frames[i].diagnostic)
            draft->counts.other++;
        else
            add_frame(draft, i);
    }
    return !draft->failed && !draft->arena->failed;
}

enum lt_code lt_survey_draft(const struct lt_survey *survey, const struct lt_survey_about *about,
                             const struct lt_draft_options *options, struct lt_sink *sink,
                             struct lt_draft_counts *ret_counts, struct lt_error *error)
{
    struct lt_arena arena;
    lt_arena_init(&arena, ARENA_CEILING);
    struct draft draft = {.survey = survey, .options = options, .arena = &arena};
    enum lt_code code = fill(&draft, about)
                            ? lt_draft_write(&draft.profile, sink, error)
                            : lt_fail(error, LT_E_MEMORY, "out of memory for the draft");
    if (code == LT_OK)
        *ret_counts = draft.counts;
    lt_arena_release(&arena);
    return code;
}

enum lt_code lt_survey_draft_frames(const struct lt_survey *survey,
                                    const struct lt_survey_about *about,
                                    const struct lt_draft_options *options, struct lt_arena *arena,
                                    struct lt_profile *ret_profile,
                                    uint32_t ret_bus_of[LT_BUSES_MAX], struct lt_error *error)
{
    struct draft draft = {
        .survey = survey, .options = options, .arena = arena, .frames_only = true};
    if (!fill(&draft, about))
        return lt_fail(error, LT_E_MEMORY, "out of memory for the draft");
    *ret_profile = draft.profile;
    for (size_t i = 0; i < LT_BUSES_MAX; i++)
        ret_bus_of[i] = draft.bus_of[i];
    return LT_OK;
}
