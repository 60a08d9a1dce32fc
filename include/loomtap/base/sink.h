/* Where results go: a buffered stream of bytes into a function, a file or memory. Rows, CSV and
 * JSON are written through it.
 *
 * A failing write sets `failed` once; later writes are dropped. Look at it at the end (and now and
 * then in a long run, to stop early). */
#ifndef LOOMTAP_BASE_SINK_H
#define LOOMTAP_BASE_SINK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/text.h"

#define LT_SINK_BUFFER 65536

struct lt_sink {
    /* Takes all `len` bytes or returns false (errno says why). */
    bool (*write)(void *context, const char *bytes, size_t len);
    void *context;
    bool failed;
    int failed_errno;
    uint64_t written_bytes;
    size_t used;
    char buffer[LT_SINK_BUFFER];
};

void lt_sink_init(struct lt_sink *sink, bool (*write)(void *, const char *, size_t), void *context);
/* Writes to an open file descriptor, which the caller keeps; repeats short and interrupted
 * writes.*/
void lt_sink_init_fd(struct lt_sink *sink, int fd);
/* Appends to a buffer. */
void lt_sink_init_buf(struct lt_sink *sink, struct lt_buf *buf);
/* Gives what is buffered to the write function; false if anything failed so far. */
bool lt_sink_flush(struct lt_sink *sink);

void lt_sink_put_slow(struct lt_sink *sink, const char *bytes, size_t len);

static inline void lt_sink_put(struct lt_sink *sink, const char *bytes, size_t len)
{
    if (len <= LT_SINK_BUFFER && sink->used <= LT_SINK_BUFFER - len) {
        memcpy(sink->buffer + sink->used, bytes, len);
        sink->used += len;
    } else {
        lt_sink_put_slow(sink, bytes, len);
    }
}

/* A place for at most `len` bytes (LT_SINK_BUFFER or less) that the caller writes itself; then
 * lt_sink_wrote says how many it were. Nothing else may use the sink between the two. */
static inline char *lt_sink_room(struct lt_sink *sink, size_t len)
{
    if (sink->used > LT_SINK_BUFFER - len)
        lt_sink_put_slow(sink, NULL, 0);
    return sink->buffer + sink->used;
}

static inline void lt_sink_wrote(struct lt_sink *sink, const char *end)
{
    sink->used = (size_t)(end - sink->buffer);
}

static inline void lt_sink_char(struct lt_sink *sink, char c)
{
    lt_sink_put(sink, &c, 1);
}

void lt_sink_string(struct lt_sink *sink, const char *string);
void lt_sink_format(struct lt_sink *sink, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* One CSV cell (RFC 4180): quoted only where it holds a comma, a quote or a line break. */
void lt_sink_csv(struct lt_sink *sink, struct lt_text cell);
/* A JSON string with its quotes. Bytes that are not UTF-8 become U+FFFD. */
void lt_sink_json_text(struct lt_sink *sink, struct lt_text text);

/* A file that appears only when whole: written beside its final name, renamed by _commit. _abort
 * (or a crash) leaves an older file of that name untouched. "-" is standard output. */
struct lt_file_sink {
    struct lt_sink sink;
    int fd;
    bool is_stdout;
    char path[4096], temporary[4096 + 16];
};

enum lt_code lt_file_sink_open(struct lt_file_sink *file, const char *path, struct lt_error *error);
/* The same with the final name from the start: what is flushed stays, whatever happens. LT_E_IO
 * where a file of that name is there already. */
enum lt_code lt_file_sink_open_growing(struct lt_file_sink *file, const char *path,
                                       struct lt_error *error);
enum lt_code lt_file_sink_commit(struct lt_file_sink *file, struct lt_error *error);
void lt_file_sink_abort(struct lt_file_sink *file);

/* Nested JSON without counting commas. Keys NULL inside arrays. */
struct lt_json {
    struct lt_sink *sink;
    unsigned depth;
    bool has_items[32];
};

void lt_json_init(struct lt_json *json, struct lt_sink *sink);
void lt_json_open(struct lt_json *json, const char *key, char bracket);        /* '{' or '[' */
void lt_json_close(struct lt_json *json, char bracket);                        /* '}' or ']' */
void lt_json_string(struct lt_json *json, const char *key, const char *value); /* NULL: null */
void lt_json_u64(struct lt_json *json, const char *key, uint64_t value);
void lt_json_i64(struct lt_json *json, const char *key, int64_t value);
void lt_json_f64(struct lt_json *json, const char *key, double value); /* not finite: null */
void lt_json_bool(struct lt_json *json, const char *key, bool value);
void lt_json_null(struct lt_json *json, const char *key);
/* A value already written as JSON text, such as an exact decimal. */
void lt_json_raw(struct lt_json *json, const char *key, struct lt_text value);

#endif
