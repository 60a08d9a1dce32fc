/* A ranking on a terminal and for programs. */
#include <inttypes.h>
#include <string.h>

#include "loomtap/report/table.h"
#include "prove/identify_inside.h"

#define LISTED_MOST  8 /* so that all fits a screen */
#define REASONS_MOST 12
#define RUNNERS_UP   2
#define RUNNER_LINES 3

const char *lt_identify_verdict_name(enum lt_identify_verdict verdict)
{
    static const char *const names[] = {"fits", "ambiguous", "none"};
    return names[verdict];
}

static const char *file_of(const struct lt_identify_about *about, const struct lt_identity *entry)
{
    return about->files ? about->files[entry->profile] : NULL;
}

static bool is_name_taken(const struct lt_identification *result, const struct lt_identity *entry)
{
    for (size_t i = 0; i < result->count; i++)
        if (&result->ranking[i] != entry && strcmp(result->ranking[i].name, entry->name) == 0)
            return true;
    return false;
}

/* What tells it from the others. */
static const char *called(const struct lt_identification *result,
                          const struct lt_identify_about *about, const struct lt_identity *entry)
{
    const char *file = file_of(about, entry);
    return file && is_name_taken(result, entry) ? file : entry->name;
}

static void put_head(const struct lt_identification *result, const struct lt_identify_about *about,
                     struct lt_sink *sink)
{
    char seconds[NUMBER_ROOM];
    const struct lt_identity *first = result->count ? &result->ranking[0] : NULL;
    switch (result->verdict) {
    case LT_IDENTIFY_FITS:
        lt_sink_format(sink, "fits: %s", called(result, about, first));
        if (first->title)
            lt_sink_format(sink, ", %s", first->title);
        break;
    case LT_IDENTIFY_AMBIGUOUS:
        lt_sink_string(sink, "ambiguous");
        break;
    case LT_IDENTIFY_NONE:
        lt_sink_string(sink, "none of the profiles fits");
        break;
    }
    lt_sink_format(sink, "\n  %s\n  %zu profile%s; %zu capture%s, %" PRIu64 " frames in %s s\n",
                   result->say, result->count, result->count == 1 ? "" : "s", result->captures,
                   result->captures == 1 ? "" : "s", result->frames,
                   number_text(seconds, result->duration_s));
}

static void put_table(const struct lt_identification *result, const struct lt_identify_about *about,
                      struct lt_sink *sink)
{
    static const char *const heads[] = {"score",     "profile", "frames",
                                        "checksums", "known",   "misfits"};
    struct lt_table table;
    size_t shown = about->all || result->count < LISTED_MOST ? result->count : LISTED_MOST;
    if (!shown)
        return;
    lt_table_init(&table, "rlrrrr");
    for (size_t i = 0; i < 6; i++)
        lt_table_cell(&table, "%s", heads[i]);
    for (size_t i = 0; i < shown; i++) {
        const struct lt_identity *e = &result->ranking[i];
        lt_table_cell(&table, "%.3f", e->score);
        lt_table_cell(&table, "%s", called(result, about, e));
        lt_table_cell(&table, "%zu of %zu", e->frames_here, e->frames_due);
        lt_table_cell(&table, "%zu of %zu", e->checks_right, e->checks);
        lt_table_cell(&table, "%zu of %zu", e->streams_explained, e->streams);
        lt_table_cell(&table, "%zu", e->misfit_count);
    }
    lt_sink_char(sink, '\n');
    lt_table_write(&table, sink, 2);
    lt_table_release(&table);
    if (shown < result->count)
        lt_sink_format(sink, "  and %zu more, which score less\n", result->count - shown);
}

static void put_list(const char *head, const char *const *list, size_t count, size_t most,
                     struct lt_sink *sink)
{
    if (!count)
        return;
    lt_sink_format(sink, "  %s\n", head);
    for (size_t i = 0; i < count && i < most; i++)
        lt_sink_format(sink, "    %s\n", list[i]);
    if (count > most)
        lt_sink_format(sink, "    and %zu more: --all or --json lists them\n", count - most);
}

static void put_reasons(const struct lt_identification *result,
                        const struct lt_identify_about *about, struct lt_sink *sink)
{
    for (size_t i = 0; i < result->count && (about->all || i <= RUNNERS_UP); i++) {
        const struct lt_identity *e = &result->ranking[i];
        size_t most = about->all ? SIZE_MAX : i ? RUNNER_LINES : REASONS_MOST;
        if (!about->all && i && !(e->support > 0))
            break;
        lt_sink_format(sink, "\n%s\n", called(result, about, e));
        if (file_of(about, e) && file_of(about, e) != called(result, about, e))
            lt_sink_format(sink, "  %s\n", file_of(about, e));
        if (about->all || !i)
            put_list("for it:", e->reasons, e->reason_count, most, sink);
        put_list("against it:", e->misfits, e->misfit_count, most, sink);
        if (!e->misfit_count)
            lt_sink_string(sink, "  nothing against it\n");
    }
}

void lt_identify_write_text(const struct lt_identification *result,
                            const struct lt_identify_about *about, struct lt_sink *sink)
{
    put_head(result, about, sink);
    put_table(result, about, sink);
    put_reasons(result, about, sink);
    if (result->unwatched)
        lt_sink_format(sink,
                       "\n%" PRIu64 " frames of identifiers past the first %d: not looked at\n",
                       result->unwatched, LT_IDENTIFY_STREAMS_MAX);
}

static void put_strings(struct lt_json *json, const char *key, const char *const *list,
                        size_t count)
{
    lt_json_open(json, key, '[');
    for (size_t i = 0; i < count; i++)
        lt_json_string(json, NULL, list[i]);
    lt_json_close(json, ']');
}

void lt_identify_write_json(const struct lt_identification *result,
                            const struct lt_identify_about *about, struct lt_sink *sink)
{
    struct lt_json json;
    lt_json_init(&json, sink);
    lt_json_open(&json, NULL, '{');
    lt_json_open(&json, "ranking", '[');
    for (size_t i = 0; i < result->count; i++) {
        const struct lt_identity *e = &result->ranking[i];
        lt_json_open(&json, NULL, '{');
        lt_json_string(&json, "profile", called(result, about, e));
        lt_json_string(&json, "file", file_of(about, e));
        lt_json_string(&json, "title", e->title);
        lt_json_f64(&json, "score", e->score);
        put_strings(&json, "fits", e->reasons, e->reason_count);
        put_strings(&json, "misfits", e->misfits, e->misfit_count);
        lt_json_close(&json, '}');
    }
    lt_json_close(&json, ']');
    lt_json_string(&json, "verdict", lt_identify_verdict_name(result->verdict));
    lt_json_string(&json, "say", result->say);
    lt_json_close(&json, '}');
    lt_sink_char(sink, '\n');
}
