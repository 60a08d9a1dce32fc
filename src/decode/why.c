/* What stands behind the summary: rows, roles, and why a signal never had a valid value. */
#include <stdlib.h>

#include "decode/summary.h"

size_t print_id(char *ret_text, size_t size, uint32_t id, bool extended)
{
    return lt_text_format(ret_text, size, extended ? "%08X" : "%03X", id);
}

static void rows_of_plan(const struct lt_decode *decode, const struct lt_frame_plan *plan,
                         void (*visit)(void *, const struct summary_row *), void *context)
{
    for (unsigned f = 0; f < plan->field_count; f++) {
        struct summary_row row = {plan, &plan->fields[f], NULL, NULL};
        for (size_t i = 0; i < decode->stream_count; i++) {
            const struct stream *stream = decode->streams[i];
            /* Plans are copied into a table a bus; a definition is known by its index. */
            if (stream->plan->index != plan->index || !stream->frames)
                continue;
            row.stream = stream;
            row.tally = &stream->tallies[f];
            visit(context, &row);
        }
        if (!row.stream)
            visit(context, &row);
    }
}

void each_row(const struct lt_decode *decode,
              void (*visit)(void *context, const struct summary_row *row), void *context)
{
    const struct lt_frame_plan *const *plans;
    size_t count = lt_plan_frames(decode->plan, &plans);
    for (size_t i = 0; i < count; i++)
        rows_of_plan(decode, plans[i], visit, context);
    count = lt_plan_parameters(decode->plan, &plans);
    for (size_t i = 0; i < count; i++)
        rows_of_plan(decode, plans[i], visit, context);
}

/* --- reasons --- */

static void why_no_frame(const struct lt_decode *decode, const struct summary_row *row,
                         struct lt_buf *buf)
{
    const struct lt_frame_def *def = row->plan->def;
    uint32_t bus = def->bus == LT_NONE ? LT_NONE : bound_bus(decode, row->plan->profile, def->bus);
    char id[16];
    if (def->bus != LT_NONE && bus == LT_NONE) {
        lt_buf_format(buf, "its bus %s is not in this capture",
                      row->plan->profile->buses[def->bus].name);
        return;
    }
    print_id(id, sizeof id, def->id, def->extended);
    if (def->is_pgn)
        lt_buf_format(buf, "PGN %lu never came", (unsigned long)def->pgn);
    else
        lt_buf_format(buf, "frame %s (%s) never came", def->name, id);
    if (bus != LT_NONE)
        lt_buf_format(buf, " on %s", lt_reader_bus_name(decode->reader, bus));
}

/* The listener's knowledge of a parameter on any bus, added up. */
struct asked {
    uint64_t asked, answered, negative;
    bool locked, unsupported, refused;
    uint8_t nrc;
};

static struct asked ask_listeners(const struct lt_decode *decode,
                                  const struct lt_parameter_def *def)
{
    struct asked sum = {0};
    for (size_t bus = 0; bus < LT_BUSES_MAX; bus++) {
        const struct lt_obd_question *list;
        size_t count = decode->obd[bus] ? lt_obd_questions(decode->obd[bus], &list) : 0;
        for (size_t i = 0; i < count; i++) {
            if (list[i].service != def->service || list[i].number != def->pid)
                continue;
            sum.asked += list[i].asked;
            sum.answered += list[i].answered;
            sum.negative += list[i].negative;
            sum.locked |= list[i].answer == LT_OBD_LOCKED;
            sum.unsupported |= list[i].answer == LT_OBD_UNSUPPORTED;
            sum.refused |= list[i].answer == LT_OBD_REFUSED;
            if (list[i].last_nrc)
                sum.nrc = list[i].last_nrc;
        }
    }
    return sum;
}

static void why_no_reply(const struct lt_decode *decode, const struct summary_row *row,
                         struct lt_buf *buf)
{
    struct asked asked = ask_listeners(decode, row->plan->parameter);
    if (asked.locked)
        lt_buf_string(buf, "locked: the controller wants security access");
    else if (asked.refused)
        lt_buf_format(buf, "refused (%s)", lt_nrc_text(asked.nrc) ? lt_nrc_text(asked.nrc) : "?");
    else if (asked.unsupported && asked.negative)
        lt_buf_format(buf, "asked %llu times, not supported by the controller",
                      (unsigned long long)asked.asked);
    else if (asked.unsupported)
        lt_buf_format(buf, "asked %llu times, never answered, and not in the support mask",
                      (unsigned long long)asked.asked);
    else if (asked.asked)
        lt_buf_format(buf, "asked %llu times, never answered", (unsigned long long)asked.asked);
    else
        lt_buf_string(buf, "never asked in this capture");
}

static void why_not_valid(const struct summary_row *row, struct lt_buf *buf)
{
    const struct tally *tally = row->tally;
    const struct {
        uint64_t count;
        const char *text;
    } parts[] = {
        {tally->unavailable, "unavailable"},
        {tally->error_codes, "an error code"},
        {tally->suspect, "suspect (checksum or counter)"},
        {tally->not_finite, "not a number"},
        {tally->too_short, "past the end of a short frame"},
    };
    const char *before = "always ";
    for (size_t i = 0; i < sizeof parts / sizeof *parts; i++) {
        if (!parts[i].count)
            continue;
        lt_buf_format(buf, "%s%s (%llu times)", before, parts[i].text,
                      (unsigned long long)parts[i].count);
        before = " or ";
    }
    if (strcmp(before, "always ") == 0)
        lt_buf_string(buf, "its page never came, though its frame did");
}

bool row_was_tried(const struct lt_decode *decode, const struct summary_row *row)
{
    if (row->tally)
        return true;
    return row->plan->parameter && ask_listeners(decode, row->plan->parameter).asked > 0;
}

void print_frame_name(char *ret_text, size_t size, const struct summary_row *row)
{
    const struct stream *stream = row->stream;
    const char *name = stream           ? stream->name
                       : row->plan->def ? row->plan->def->name
                                        : row->plan->parameter->name;
    if (stream && row->plan->def && stream->source != LT_NONE && !strchr(name, '@'))
        lt_text_format(ret_text, size, "%s from %02X", name, stream->source);
    else
        lt_text_format(ret_text, size, "%s", name);
}

void say_why(const struct lt_decode *decode, const struct summary_row *row, struct lt_buf *buf)
{
    if (row->tally)
        why_not_valid(row, buf);
    else if (row->plan->def)
        why_no_frame(decode, row, buf);
    else
        why_no_reply(decode, row, buf);
}

/* --- roles --- */

static size_t add_role(const char **names, size_t count, size_t room, const char *name)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(names[i], name) == 0)
            return count;
    if (count < room)
        names[count++] = name;
    return count;
}

struct role_list {
    const struct lt_decode *decode;
    const char **names;
    size_t count, room;
};

static void add_if_tried(void *context, const struct summary_row *row)
{
    struct role_list *list = context;
    const char *name = row->field->scaler->def->role_name;
    if (name && row_was_tried(list->decode, row))
        list->count = add_role(list->names, list->count, list->room, name);
}

static size_t roles_tried(const struct lt_decode *decode, const char **ret_names, size_t room)
{
    struct role_list list = {decode, ret_names, 0, room};
    each_row(decode, add_if_tried, &list);
    return list.count;
}

size_t roles_wanted(const struct lt_decode *decode, const char **ret_names, size_t room)
{
    size_t count = 0;
    for (size_t i = 0; i < decode->options.role_count; i++)
        count = add_role(ret_names, count, room, decode->options.roles[i]);
    if (decode->options.role_count)
        return count;
    for (size_t p = 0; p < decode->profile_count; p++)
        for (size_t i = 0; i < decode->profiles[p]->require_count; i++)
            count = add_role(ret_names, count, room, decode->profiles[p]->requires[i]);
    if (!count && !decode->options.only_count)
        count = roles_tried(decode, ret_names, room);
    return count;
}

struct role_search {
    const char *role;
    bool found;
    struct summary_row row;
};

static void look_for_role(void *context, const struct summary_row *row)
{
    struct role_search *search = context;
    const char *name = row->field->scaler->def->role_name;
    if (!name || strcmp(name, search->role) != 0)
        return;
    if (!search->found || (row_is_valid(row) && !row_is_valid(&search->row)))
        search->row = *row;
    search->found = true;
}

bool row_of_role(const struct lt_decode *decode, const char *role, struct summary_row *ret_row)
{
    struct role_search search = {.role = role};
    each_row(decode, look_for_role, &search);
    if (search.found)
        *ret_row = search.row;
    return search.found;
}

size_t lt_decode_roles_without_signal(const struct lt_decode *decode)
{
    struct summary_row row;
    size_t missing = 0;
    for (size_t i = 0; i < decode->options.role_count; i++)
        missing += !row_of_role(decode, decode->options.roles[i], &row);
    return missing;
}

/* --- the rest of the bus --- */

static int more_frequent(const void *a, const void *b)
{
    const struct unknown *left = *(const struct unknown *const *)a;
    const struct unknown *right = *(const struct unknown *const *)b;
    if (left->count != right->count)
        return left->count < right->count ? 1 : -1;
    if (left->bus != right->bus)
        return left->bus < right->bus ? -1 : 1;
    return left->id < right->id ? -1 : left->id > right->id;
}

size_t unknown_sorted(const struct lt_decode *decode, const struct unknown **ret_list, size_t room)
{
    size_t count = 0;
    for (size_t i = 0; i < UNKNOWN_SLOTS && count < room; i++)
        if (decode->unknown[i].used)
            ret_list[count++] = &decode->unknown[i];
    qsort(ret_list, count, sizeof *ret_list, more_frequent);
    return count;
}
