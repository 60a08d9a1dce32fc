/* Buffered output into a function, a descriptor or a buffer, and CSV and JSON cells.
 * See loomtap/base/sink.h. */
#include "loomtap/base/sink.h"

#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

void lt_sink_init(struct lt_sink *sink, bool (*write)(void *, const char *, size_t), void *context)
{
    sink->write = write;
    sink->context = context;
    sink->failed = false;
    sink->failed_errno = 0;
    sink->written_bytes = 0;
    sink->used = 0;
}

static bool write_fd(void *context, const char *bytes, size_t len)
{
    int fd = (int)(intptr_t)context;
    while (len) {
        ssize_t done = write(fd, bytes, len);
        if (done < 0 && errno == EINTR)
            continue;
        if (done < 0)
            return false;
        bytes += done;
        len -= (size_t)done;
    }
    return true;
}

void lt_sink_init_fd(struct lt_sink *sink, int fd)
{
    lt_sink_init(sink, write_fd, (void *)(intptr_t)fd);
}

static bool write_buf(void *context, const char *bytes, size_t len)
{
    struct lt_buf *buf = context;
    lt_buf_add(buf, bytes, len);
    errno = ENOMEM;
    return !buf->failed;
}

void lt_sink_init_buf(struct lt_sink *sink, struct lt_buf *buf)
{
    lt_sink_init(sink, write_buf, buf);
}

static void give(struct lt_sink *sink, const char *bytes, size_t len)
{
    if (sink->failed || !len)
        return;
    if (sink->write(sink->context, bytes, len)) {
        sink->written_bytes += len;
    } else {
        sink->failed = true;
        sink->failed_errno = errno;
    }
}

bool lt_sink_flush(struct lt_sink *sink)
{
    give(sink, sink->buffer, sink->used);
    sink->used = 0;
    return !sink->failed;
}

void lt_sink_put_slow(struct lt_sink *sink, const char *bytes, size_t len)
{
    lt_sink_flush(sink);
    if (len >= LT_SINK_BUFFER) {
        give(sink, bytes, len);
        return;
    }
    if (len)
        memcpy(sink->buffer, bytes, len);
    sink->used = len;
}

void lt_sink_string(struct lt_sink *sink, const char *string)
{
    lt_sink_put(sink, string, strlen(string));
}

void lt_sink_format(struct lt_sink *sink, const char *format, ...)
{
    char text[1024];
    va_list args;
    va_start(args, format);
    int need = vsnprintf(text, sizeof text, format, args);
    va_end(args);
    if (need < 0)
        return;
    if ((size_t)need < sizeof text) {
        lt_sink_put(sink, text, (size_t)need);
        return;
    }
    char *longer = NULL;
    va_start(args, format);
    need = vasprintf(&longer, format, args);
    va_end(args);
    if (need >= 0)
        lt_sink_put(sink, longer, (size_t)need);
    free(longer);
}

void lt_sink_csv(struct lt_sink *sink, struct lt_text cell)
{
    bool quote = false;
    for (size_t i = 0; i < cell.len; i++)
        quote |= cell.at[i] == ',' || cell.at[i] == '"' || cell.at[i] == '\n' || cell.at[i] == '\r';
    if (!quote) {
        lt_sink_put(sink, cell.at, cell.len);
        return;
    }
    lt_sink_char(sink, '"');
    for (size_t i = 0; i < cell.len; i++) {
        if (cell.at[i] == '"')
            lt_sink_char(sink, '"');
        lt_sink_char(sink, cell.at[i]);
    }
    lt_sink_char(sink, '"');
}
