/* Frames into growing files, part by part: see loomtap/live/record.h. */
#include "loomtap/live/record.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/base/clock.h"
#include "loomtap/base/text.h"

#define PARTS_MAX 100000

struct lt_record {
    struct lt_record_options options;
    char *path;               /* as given */
    struct lt_writer *writer; /* NULL: between two parts; the next begins with a frame */
    struct lt_record_file *files;
    size_t file_count, file_room;
    uint64_t losses[LT_LOSS_COUNT];
    int64_t flushed_ns, begun_ns; /* of the caller's clock; LT_NO_TIME: not yet known */
    bool ended;
    enum lt_code code;
    struct lt_error error;
};

/* ---- the name of a part ---- */

/* Where "-001" goes: before the endings that name form and packing. */
static size_t ending_at(const char *path)
{
    static const char *const packed[] = {".gz", ".zst", ".zstd"};
    size_t end = strlen(path), name = end;
    while (name > 0 && path[name - 1] != '/')
        name--;
    for (size_t i = 0; i < sizeof packed / sizeof *packed; i++) {
        size_t len = strlen(packed[i]);
        if (end > name + len && strcasecmp(path + end - len, packed[i]) == 0) {
            end -= len;
            break;
        }
    }
    for (size_t at = end; at > name + 1; at--)
        if (path[at - 1] == '.')
            return at - 1;
    return end;
}

static bool is_split(const struct lt_record *record)
{
    return (record->options.split_ns > 0 || record->options.split_bytes > 0) &&
           strcmp(record->path, "-") != 0;
}

static char *part_name(const struct lt_record *record)
{
    if (!is_split(record))
        return strdup(record->path);
    size_t at = ending_at(record->path), size = strlen(record->path) + 16;
    char *name = malloc(size);
    if (name)
        lt_text_format(name, size, "%.*s-%03zu%s", (int)at, record->path, record->file_count + 1,
                       record->path + at);
    return name;
}

/* ---- parts ---- */

static struct lt_record_file *add_file(struct lt_record *record)
{
    if (record->file_count == record->file_room) {
        size_t room = record->file_room ? 2 * record->file_room : 8;
        struct lt_record_file *files = realloc(record->files, room * sizeof *files);
        if (!files)
            return NULL;
        record->files = files;
        record->file_room = room;
    }
    char *name = part_name(record);
    if (!name)
        return NULL;
    struct lt_record_file *file = &record->files[record->file_count++];
    *file = (struct lt_record_file){.path = name, .first_ns = LT_NO_TIME, .last_ns = LT_NO_TIME};
    return file;
}

static enum lt_code begin_part(struct lt_record *record, struct lt_error *error)
{
    if (record->file_count >= PARTS_MAX)
        return lt_fail(error, LT_E_LIMIT, "more than %d parts of one recording", PARTS_MAX);
    struct lt_record_file *file = add_file(record);
    if (!file)
        return lt_fail(error, LT_E_MEMORY, "out of memory for another part of the recording");
    enum lt_code code =
        lt_writer_open(&record->writer, file->path, &record->options.writing, error);
    if (code != LT_OK)
        free(record->files[--record->file_count].path);
    return code;
}

static enum lt_code end_part(struct lt_record *record, struct lt_error *error)
{
    if (!record->writer)
        return LT_OK;
    enum lt_code code = lt_writer_commit(record->writer, error);
    struct lt_record_file *file = &record->files[record->file_count - 1];
    file->bytes = lt_writer_bytes(record->writer);
    for (int i = 0; i < LT_LOSS_COUNT; i++)
        record->losses[i] += lt_writer_losses(record->writer)[i];
    lt_writer_free(record->writer);
    record->writer = NULL;
    return code;
}

/* Only the first failure is told. */
static bool fail(struct lt_record *record, enum lt_code code)
{
    if (record->code == LT_OK)
        record->code = code;
    return false;
}

/* ---- for others ---- */

enum lt_code lt_record_open(struct lt_record **ret_record, const char *path,
                            const struct lt_record_options *options, struct lt_error *error)
{
    struct lt_record *record = calloc(1, sizeof *record);
    if (record)
        record->path = strdup(path);
    if (!record || !record->path) {
        lt_record_free(record);
        return lt_fail(error, LT_E_MEMORY, "out of memory for a recording");
    }
    record->options = *options;
    record->options.writing.grows = true;
    if (record->options.flush_ns <= 0)
        record->options.flush_ns = LT_SECOND_NS;
    record->flushed_ns = record->begun_ns = LT_NO_TIME;
    enum lt_code code = begin_part(record, error);
    if (code != LT_OK)
        lt_record_free(record);
    else
        *ret_record = record;
    return code;
}

void lt_record_free(struct lt_record *record)
{
    if (!record)
        return;
    end_part(record, NULL);
    for (size_t i = 0; i < record->file_count; i++)
        free(record->files[i].path);
    free(record->files);
    free(record->path);
    free(record);
}

static bool flush(struct lt_record *record)
{
    struct lt_record_file *file = &record->files[record->file_count - 1];
    if (lt_writer_flush(record->writer)) {
        file->bytes = lt_writer_bytes(record->writer);
        return true;
    }
    return fail(record, end_part(record, &record->error));
}

bool lt_record_put(struct lt_record *record, const struct lt_frame *frame, const char *bus_name)
{
    if (record->code != LT_OK || record->ended)
        return false;
    if (!record->writer && begin_part(record, &record->error) != LT_OK)
        return fail(record, record->error.code);
    if (!lt_writer_put(record->writer, frame, bus_name))
        return fail(record, end_part(record, &record->error));
    struct lt_record_file *file = &record->files[record->file_count - 1];
    file->frames++;
    if (file->first_ns == LT_NO_TIME)
        file->first_ns = frame->time_ns;
    file->last_ns = frame->time_ns;
    return true;
}

/* A quiet bus makes no empty parts. */
static bool is_full(const struct lt_record *record, int64_t now_ns)
{
    const struct lt_record_options *options = &record->options;
    const struct lt_record_file *file = &record->files[record->file_count - 1];
    return is_split(record) && file->frames > 0 &&
           ((options->split_ns > 0 && now_ns - record->begun_ns >= options->split_ns) ||
            (options->split_bytes > 0 && file->bytes >= options->split_bytes));
}

bool lt_record_tick(struct lt_record *record, int64_t now_ns)
{
    if (record->code != LT_OK || record->ended)
        return false;
    if (record->begun_ns == LT_NO_TIME)
        record->begun_ns = record->flushed_ns = now_ns;
    if (now_ns - record->flushed_ns < record->options.flush_ns)
        return true;
    record->flushed_ns = now_ns;
    if (record->writer && !flush(record))
        return false;
    if (!record->writer || !is_full(record, now_ns))
        return true;
    record->begun_ns = now_ns;
    enum lt_code code = end_part(record, &record->error);
    return code == LT_OK || fail(record, code);
}

enum lt_code lt_record_end(struct lt_record *record, struct lt_error *error)
{
    if (record->code == LT_OK)
        record->code = end_part(record, &record->error);
    record->ended = true;
    if (record->code != LT_OK && error)
        *error = record->error;
    return record->code;
}

size_t lt_record_file_count(const struct lt_record *record)
{
    return record->file_count;
}

const struct lt_record_file *lt_record_file(const struct lt_record *record, size_t number)
{
    return number < record->file_count ? &record->files[number] : NULL;
}

const uint64_t *lt_record_losses(const struct lt_record *record)
{
    return record->losses;
}
