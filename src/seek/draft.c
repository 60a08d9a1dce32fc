/* What was found as a draft profile: one signal a target, in frames that someone else knows (their
 * counters and checksums come from a survey; loomtap/seek/output.h).
 *
 * Of several references with one target the surest answer stands. Nothing that is merely ambiguous
 * gets in: a draft is for `check` and `prove`, not for guessing. */
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>

#include "loomtap/base/number.h"
#include "loomtap/core/value.h"
#include "loomtap/defs/draft.h"
#include "seek/search.h"
#include "seek/words.h"

#define ARENA_CEILING ((size_t)64 << 20)
#define DEN_MOST      4096 /* of a usual scale that is no decimal: 100/255, 1/3 */
#define NEAR_ENOUGH   1e-12
#define NONE          SIZE_MAX
#define COPIES_MAX    3 /* that the evidence names */

struct draft {
    const struct lt_seek_report *report;
    const struct lt_seek_draft_options *options;
    struct lt_arena *arena;
    struct lt_profile profile;
    const struct lt_seek_target **order; /* the surest first */
    size_t order_count;
    /* Of each frame of `options->frames`: its signals here; the selector is the first where one
     * hangs on it. */
    struct of_frame {
        struct lt_signal_def *list;
        size_t count, capacity;
        bool pages;
    } * signals;
    struct lt_seek_draft_counts counts;
    bool failed;
};

/* --- numbers --- */

/* A usual number is a short decimal, or a fraction of small whole numbers. */
static bool usual_ratio(double value, struct lt_ratio *ret_ratio)
{
    char text[LT_FIGURE_ROOM];
    size_t len = lt_figure_digits(text, value, 9);
    double read;
    if (lt_parse_f64((struct lt_text){text, len}, &read) &&
        fabs(read - value) <= NEAR_ENOUGH * fabs(value))
        return lt_parse_ratio((struct lt_text){text, len}, ret_ratio);
    for (int64_t den = 3; den <= DEN_MOST; den++) {
        double num = value * (double)den;
        if (fabs(num) < 1e15 && fabs(num) >= 1 && fabs(num - round(num)) <= NEAR_ENOUGH * fabs(num))
            return lt_ratio_make(llround(num), den, ret_ratio);
    }
    return false;
}

/* A measured number, to a tenth of its error. */
static bool measured_ratio(double value, double error, struct lt_ratio *ret_ratio)
{
    char text[LT_FIGURE_ROOM];
    double step = error > 0 && isfinite(error) ? error / 10 : fabs(value) / 1e7;
    int decimals = step > 0 ? (int)ceil(-log10(step)) : 0;
    decimals = decimals < 0 ? 0 : decimals > 12 ? 12 : decimals;
    size_t len = lt_figure_fixed(text, value, (unsigned)decimals);
    return lt_parse_ratio((struct lt_text){text, len}, ret_ratio);
}

static bool ratio_of(double value, double error, bool usual, struct lt_ratio *ret_ratio)
{
    if (!isfinite(value))
        return false;
    if (usual && usual_ratio(value, ret_ratio))
        return true;
    return measured_ratio(value, error, ret_ratio);
}

/* --- evidence --- */

/* Where else the same value is. */
static void add_copies(char *text, size_t size, const struct draft *draft,
                       const struct lt_seek_target *target)
{
    size_t used = 0, copies = 0;
    text[0] = '\0';
    for (size_t i = 1; i < target->count && used + 1 < size; i++) {
        const struct lt_candidate *other = &target->candidates[i];
        char id[LT_STREAM_ID_ROOM], bits[128], page[24] = "";
        if (!other->copy || other->group != target->candidates->group || ++copies > COPIES_MAX)
            continue;
        lt_stream_id_print(id, &other->stream->key);
        lt_bits_print(bits, sizeof bits, &other->bits);
        if (other->has_page)
            lt_text_format(page, sizeof page, " page %u", other->page);
        used +=
            lt_text_format(text + used, size - used, "%s%s %s %s%s", used ? ", " : ", also in ",
                           seek_bus_name(draft->report, other->stream->key.bus), id, bits, page);
    }
    if (copies > COPIES_MAX && used + 1 < size)
        lt_text_format(text + used, size - used, " and %zu more", copies - COPIES_MAX);
}

static const char *evidence_of(const struct draft *draft, const struct lt_seek_target *target)
{
    const struct lt_candidate *best = target->candidates;
    char proven[SEEK_PROVEN_ROOM], copies[LT_DRAFT_TEXT_ROOM], rmse[LT_FIGURE_ROOM],
        r[LT_FIGURE_ROOM], lag[LT_TIME_ROOM];
    int percent = (int)floor(best->confidence * 100);
    add_copies(copies, sizeof copies, draft, target);
    seek_print_lag(lag, best->lag_s);
    if (seek_is_labels(target))
        return lt_draft_text(draft->arena, "%s %d %%: %s%s", target->reference->name, percent,
                             best->why ? best->why : "", copies);
    lt_figure_digits(rmse, best->rmse, 3);
    lt_figure_fixed(r, best->r, 5);
    const char *unit = target->reference->unit ? target->reference->unit : "";
    seek_print_proven(proven, best);
    return lt_draft_text(draft->arena, "%s %d %%%s: r %s, left over %s%s%s, lag %s%s",
                         target->reference->name, percent, proven, r, rmse, *unit ? " " : "", unit,
                         lag, copies);
}

/* --- one signal --- */

static size_t frame_of(const struct draft *draft, const struct lt_stream_key *key)
{
    const struct lt_profile *frames = draft->options->frames;
    for (size_t i = 0; i < frames->frame_count; i++)
        if (frames->frames[i].id == key->id && frames->frames[i].extended == key->extended &&
            frames->frames[i].bus == draft->options->bus_of[key->bus] &&
            frames->frames[i].length == key->length)
            return i;
    return NONE;
}

static const struct lt_signal_def *selector_of(const struct draft *draft, size_t frame)
{
    const struct lt_profile *frames = draft->options->frames;
    for (size_t i = 0; i < frames->signal_count; i++)
        if (frames->signals[i].frame == frame)
            return &frames->signals[i];
    return NULL;
}

static bool share_pages(const struct lt_signal_def *a, const struct lt_signal_def *b)
{
    return !a->page_count || !b->page_count ||
           a->page[0].range[0].first == b->page[0].range[0].first;
}

/* Bits that mean something else already. */
static bool is_taken(const struct draft *draft, size_t frame, const struct lt_signal_def *signal)
{
    const struct lt_frame_def *def = &draft->options->frames->frames[frame];
    const struct of_frame *of = &draft->signals[frame];
    for (size_t i = 0; i < of->count; i++)
        if (share_pages(&of->list[i], signal) && lt_bits_overlap(&of->list[i].bits, &signal->bits))
            return true;
    for (size_t i = 0; i < def->checksum_count; i++)
        if (lt_bits_overlap(&def->checksums[i].place, &signal->bits))
            return true;
    return def->counter.present && lt_bits_overlap(&def->counter.bits, &signal->bits);
}

/* Were all bits ones at times? That is the search's code for no value, so it is the draft's. */
static void add_unavailable(struct draft *draft, struct lt_signal_def *signal,
                            const struct lt_candidate *candidate)
{
    const struct lt_stream *stream = candidate->stream;
    unsigned length = lt_bits_length(&candidate->bits);
    uint64_t ones = length < 64 ? ((uint64_t)1 << length) - 1 : UINT64_MAX;
    bool seen = false;
    if (candidate->sign != LT_UNSIGNED || length < SEEK_CODE_BITS)
        return;
    for (size_t i = 0; i < stream->kept.count && !seen; i++) {
        const uint8_t *row = lt_kept_row(&stream->kept, i);
        seen =
            lt_bits_get(row, &candidate->bits) == ones &&
            (!candidate->has_page || lt_bits_get(row, &stream->selector.bits) == candidate->page);
    }
    if (!seen)
        return;
    struct lt_raw_range *code = lt_arena_alloc(draft->arena, sizeof *code);
    draft->failed |= !code;
    if (!code)
        return;
    *code = (struct lt_raw_range){ones, ones};
    signal->unavailable = code;
    signal->unavailable_count = 1;
}

/* A label as a profile has it: quotes end it there, some words are the program's own. */
static const char *label_name(struct lt_arena *arena, const char *label)
{
    static const char *const own[] = {"unavailable", "error", "suspect"};
    char text[64];
    struct lt_text cut = lt_text_cut(lt_text_of(label), sizeof text - 8);
    size_t len = lt_text_format(text, sizeof text, "%.*s", LT_TEXT_ARG(cut));
    for (size_t i = 0; i < len; i++)
        if (text[i] == '"' || text[i] == '\'')
            text[i] = ' ';
    for (size_t i = 0; i < sizeof own / sizeof *own; i++)
        if (strcmp(text, own[i]) == 0)
            return lt_draft_text(arena, "state %s", text);
    return lt_draft_text(arena, "%s", text);
}

static void add_labels(struct draft *draft, struct lt_signal_def *signal,
                       const struct lt_candidate *candidate)
{
    struct lt_label *labels =
        lt_arena_array(draft->arena, candidate->value_count + 1, sizeof *labels);
    draft->failed |= !labels;
    for (size_t i = 0; i < candidate->value_count && labels; i++)
        labels[i] = (struct lt_label){
            .raw = candidate->values[i].raw,
            .name = label_name(draft->arena, candidate->values[i].label),
        };
    signal->labels = labels;
    signal->label_count = labels ? candidate->value_count : 0;
}

static void add_page(struct draft *draft, struct lt_signal_def *signal, uint16_t page)
{
    struct lt_page_clause *clause = lt_arena_alloc(draft->arena, sizeof *clause);
    draft->failed |= !clause;
    if (!clause)
        return;
    *clause = (struct lt_page_clause){.ranges = 1, .range = {{page, page}}};
    signal->page = clause; /* the selector's number is known when all signals are */
    signal->page_count = 1;
}

static bool make_signal(struct draft *draft, size_t frame, const struct lt_seek_target *target,
                        struct lt_signal_def *signal)
{
    const struct lt_candidate *best = target->candidates;
    const struct lt_reference *reference = target->reference;
    char name[LT_NAME_MAX + 1];
    *signal = lt_draft_signal((uint32_t)frame);
    lt_draft_name(name, reference->target, "found");
    signal->name = lt_arena_string(draft->arena, name);
    signal->bits = best->bits;
    signal->order = lt_bits_order(&best->bits);
    signal->evidence = evidence_of(draft, target);
    if (lt_role_find(lt_text_of(reference->target))) {
        signal->role = lt_role_find(lt_text_of(reference->target));
        signal->role_name = reference->target;
    }
    if (best->has_page)
        add_page(draft, signal, best->page);
    if (seek_is_labels(target)) {
        add_labels(draft, signal, best);
        return true;
    }
    signal->sign = best->sign;
    signal->form = best->form;
    signal->unit = reference->unit && *reference->unit ? reference->unit : NULL;
    add_unavailable(draft, signal, best);
    return ratio_of(best->scale, best->scale_error, best->snapped, &signal->scale) &&
           signal->scale.num != 0 &&
           ratio_of(best->offset, best->offset_error, best->snapped, &signal->offset);
}

static struct lt_signal_def *push(struct draft *draft, size_t frame)
{
    struct of_frame *of = &draft->signals[frame];
    struct lt_signal_def *signal =
        lt_arena_push(draft->arena, &of->list, &of->count, &of->capacity, sizeof *signal);
    draft->failed |= !signal;
    return signal;
}

/* The selector stands before the signals that hang on it. */
static bool add_selector(struct draft *draft, size_t frame)
{
    const struct lt_signal_def *selector = selector_of(draft, frame);
    struct of_frame *of = &draft->signals[frame];
    if (of->pages)
        return true;
    if (!selector || (of->count && is_taken(draft, frame, selector)) || !push(draft, frame))
        return false;
    memmove(of->list + 1, of->list, (of->count - 1) * sizeof *of->list);
    of->list[0] = *selector;
    of->pages = true;
    return true;
}

static void add_target(struct draft *draft, const struct lt_seek_target *target)
{
    struct lt_signal_def signal;
    size_t frame = frame_of(draft, &target->candidates->stream->key);
    if (frame == NONE) {
        draft->counts.no_frame++;
        return;
    }
    if (!make_signal(draft, frame, target, &signal)) {
        draft->counts.unusual++;
        return;
    }
    if (is_taken(draft, frame, &signal)) {
        draft->counts.taken++;
        return;
    }
    if (signal.page_count && !add_selector(draft, frame)) {
        draft->counts.no_frame++;
        return;
    }
    struct lt_signal_def *room = push(draft, frame);
    if (room)
        *room = signal;
    draft->counts.signals++;
}

/* --- all of them --- */

static int by_confidence(const void *a, const void *b)
{
    const struct lt_seek_target *const *one = a, *const *other = b;
    double first = (*one)->candidates->confidence, second = (*other)->candidates->confidence;
    if (first != second)
        return first > second ? -1 : 1;
    return (*one > *other) - (*one < *other);
}

static void order_targets(struct draft *draft)
{
    const struct lt_seek_report *report = draft->report;
    draft->order = lt_arena_array(draft->arena, report->target_count + 1, sizeof *draft->order);
    draft->failed |= !draft->order;
    for (size_t i = 0; i < report->target_count && draft->order; i++)
        if (report->targets[i].verdict == LT_SEEK_FOUND && report->targets[i].count)
            draft->order[draft->order_count++] = &report->targets[i];
    if (draft->order)
        qsort(draft->order, draft->order_count, sizeof *draft->order, by_confidence);
}

static bool was_before(const struct draft *draft, size_t index)
{
    for (size_t i = 0; i < index; i++)
        if (strcmp(draft->order[i]->reference->target, draft->order[index]->reference->target) == 0)
            return true;
    return false;
}

static int by_place(const void *a, const void *b)
{
    const struct lt_signal_def *one = a, *other = b;
    unsigned first = lt_span_position(one->bits.part[0], 0) ^ 7; /* bit 7 of a byte comes first */
    unsigned second = lt_span_position(other->bits.part[0], 0) ^ 7;
    if (first != second)
        return first < second ? -1 : 1;
    return (int)one->page_count - (int)other->page_count;
}

/* Frames and signals one behind the other, with the numbers that they have now. */
static void put_frame(struct draft *draft, size_t frame)
{
    struct lt_profile *profile = &draft->profile;
    struct of_frame *of = &draft->signals[frame];
    struct lt_frame_def *def = &profile->frames[profile->frame_count];
    uint32_t first = (uint32_t)profile->signal_count;
    *def = draft->options->frames->frames[frame];
    struct lt_checksum *list = lt_arena_array(draft->arena, def->checksum_count + 1, sizeof *list);
    draft->failed |= !list;
    size_t checks = 0;
    for (size_t i = 0; i < def->checksum_count && list; i++)
        if (of->pages || !def->checksums[i].has_page)
            list[checks++] = def->checksums[i];
    def->checksums = list;
    def->checksum_count = checks;
    size_t selectors = of->pages ? 1 : 0;
    qsort(of->list + selectors, of->count - selectors, sizeof *of->list, by_place);
    for (size_t i = 0; i < of->count; i++) {
        struct lt_signal_def *signal = &profile->signals[profile->signal_count++];
        *signal = of->list[i];
        signal->frame = (uint32_t)profile->frame_count;
        if (!signal->page_count)
            continue;
        struct lt_page_clause *clause = lt_arena_alloc(draft->arena, sizeof *clause);
        draft->failed |= !clause;
        if (!clause)
            return;
        *clause = signal->page[0];
        clause->selector = first;
        signal->page = clause;
    }
    profile->frame_count++;
    draft->counts.frames++;
}

static void put_buses(struct draft *draft)
{
    const struct lt_profile *frames = draft->options->frames;
    draft->profile.buses = lt_arena_array(draft->arena, frames->bus_count, sizeof *frames->buses);
    draft->failed |= !draft->profile.buses;
    for (size_t i = 0; i < frames->bus_count && draft->profile.buses; i++) {
        bool used = false;
        for (size_t k = 0; k < frames->frame_count; k++)
            used |= draft->signals[k].count && frames->frames[k].bus == i;
        if (!used)
            continue;
        for (size_t k = 0; k < draft->profile.frame_count; k++)
            if (draft->profile.frames[k].bus == i)
                draft->profile.frames[k].bus = (uint32_t)draft->profile.bus_count;
        draft->profile.buses[draft->profile.bus_count++] = frames->buses[i];
    }
}

static void put_roles(struct draft *draft)
{
    struct lt_profile *profile = &draft->profile;
    const char **roles = lt_arena_array(draft->arena, profile->signal_count + 1, sizeof *roles);
    draft->failed |= !roles;
    for (size_t i = 0; i < profile->signal_count && roles; i++)
        if (profile->signals[i].role_name)
            roles[profile->require_count++] = profile->signals[i].role_name;
    profile->requires = roles;
}

static void put_all(struct draft *draft)
{
    const struct lt_profile *frames = draft->options->frames;
    size_t signals = 0;
    for (size_t i = 0; i < frames->frame_count; i++)
        signals += draft->signals[i].count;
    draft->profile.frames =
        lt_arena_array(draft->arena, frames->frame_count + 1, sizeof *draft->profile.frames);
    draft->profile.signals =
        lt_arena_array(draft->arena, signals + 1, sizeof *draft->profile.signals);
    draft->failed |= !draft->profile.frames || !draft->profile.signals;
    for (size_t i = 0; i < frames->frame_count && !draft->failed; i++)
        if (draft->signals[i].count)
            put_frame(draft, i);
    if (!draft->failed)
        put_buses(draft);
    if (!draft->failed)
        put_roles(draft);
}

static bool fill(struct draft *draft)
{
    const struct lt_seek_report *report = draft->report;
    draft->profile = (struct lt_profile){
        .name = draft->options->name,
        .title = lt_draft_text(draft->arena, "draft from %s, not proven",
                               report->file_count ? report->files[0] : "a recording"),
    };
    draft->signals = lt_arena_array(draft->arena, draft->options->frames->frame_count + 1,
                                    sizeof *draft->signals);
    draft->failed |= !draft->signals;
    order_targets(draft);
    for (size_t i = 0; i < draft->order_count && !draft->failed; i++) {
        if (was_before(draft, i))
            draft->counts.again++;
        else
            add_target(draft, draft->order[i]);
    }
    if (!draft->failed)
        put_all(draft);
    return !draft->failed && !draft->arena->failed;
}

enum lt_code lt_seek_draft(const struct lt_seek_report *report,
                           const struct lt_seek_draft_options *options, struct lt_sink *sink,
                           struct lt_seek_draft_counts *ret_counts, struct lt_error *error)
{
    struct lt_arena arena;
    lt_arena_init(&arena, ARENA_CEILING);
    struct draft draft = {.report = report, .options = options, .arena = &arena};
    enum lt_code code = fill(&draft) ? lt_draft_write(&draft.profile, sink, error)
                                     : lt_fail(error, LT_E_MEMORY, "out of memory for the draft");
    if (code == LT_OK)
        *ret_counts = draft.counts;
    lt_arena_release(&arena);
    return code;
}
