/* Borrowed texts and growing buffers. See loomtap/base/text.h. */
#include "loomtap/base/text.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#define DEFAULT_CEILING ((size_t)16 << 20)

bool lt_text_equal(struct lt_text a, struct lt_text b)
{
    return a.len == b.len && (a.len == 0 || memcmp(a.at, b.at, a.len) == 0);
}

bool lt_text_is(struct lt_text a, const char *string)
{
    return lt_text_equal(a, lt_text_of(string));
}

bool lt_text_starts(struct lt_text a, const char *prefix)
{
    size_t len = strlen(prefix);
    return a.len >= len && memcmp(a.at, prefix, len) == 0;
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\n';
}

struct lt_text lt_text_trim(struct lt_text text)
{
    while (text.len && is_blank(text.at[0])) {
        text.at++;
        text.len--;
    }
    while (text.len && is_blank(text.at[text.len - 1]))
        text.len--;
    return text;
}

bool lt_text_split(struct lt_text *rest, char separator, struct lt_text *ret_piece)
{
    if (!rest->at)
        return false;
    const char *end = rest->len ? memchr(rest->at, separator, rest->len) : NULL;
    if (!end) {
        *ret_piece = *rest;
        *rest = (struct lt_text){NULL, 0};
        return true;
    }
    size_t len = (size_t)(end - rest->at);
    *ret_piece = (struct lt_text){rest->at, len};
    rest->at += len + 1;
    rest->len -= len + 1;
    return true;
}

bool lt_text_word(struct lt_text *rest, struct lt_text *ret_word)
{
    size_t start = 0, end;
    while (start < rest->len && is_blank(rest->at[start]))
        start++;
    for (end = start; end < rest->len && !is_blank(rest->at[end]);)
        end++;
    if (start == end)
        return false;
    *ret_word = (struct lt_text){rest->at + start, end - start};
    rest->at += end;
    rest->len -= end;
    return true;
}

/* Length of the well-formed UTF-8 character at p (RFC 3629: no overlong forms, no surrogates, none
 * above U+10FFFF), 0 if it is not one. */
static size_t utf8_length(const unsigned char *p, size_t left)
{
    if (p[0] < 0x80)
        return 1;
    size_t len = p[0] >= 0xF0 ? 4 : p[0] >= 0xE0 ? 3 : 2;
    if (p[0] < 0xC2 || p[0] > 0xF4 || len > left)
        return 0;
    for (size_t i = 1; i < len; i++)
        if ((p[i] & 0xC0) != 0x80)
            return 0;
    if ((p[0] == 0xE0 && p[1] < 0xA0) || (p[0] == 0xED && p[1] > 0x9F) ||
        (p[0] == 0xF0 && p[1] < 0x90) || (p[0] == 0xF4 && p[1] > 0x8F))
        return 0;
    return len;
}

bool lt_text_is_utf8(struct lt_text text, size_t *ret_bad)
{
    for (size_t i = 0, len; i < text.len; i += len) {
        len = text.at[i] ? utf8_length((const unsigned char *)text.at + i, text.len - i) : 0;
        if (!len) {
            if (ret_bad)
                *ret_bad = i;
            return false;
        }
    }
    return true;
}

struct lt_text lt_text_cut(struct lt_text text, size_t most)
{
    if (text.len <= most)
        return text;
    while (most > 0 && ((unsigned char)text.at[most] & 0xC0) == 0x80)
        most--;
    return (struct lt_text){text.at, most};
}

size_t lt_text_vformat(char *buffer, size_t size, const char *format, va_list args)
{
    int need = vsnprintf(buffer, size, format, args);
    if (need < 0) {
        buffer[0] = 0;
        return 0;
    }
    if ((size_t)need < size)
        return (size_t)need;
    /* Cut: take off the rest of a character that was split. */
    size_t len = size - 1;
    size_t start = len;
    while (start > 0 && len - start < 3 && ((unsigned char)buffer[start - 1] & 0xC0) == 0x80)
        start--;
    if (start > 0 && (unsigned char)buffer[start - 1] >= 0xC0 &&
        utf8_length((unsigned char *)buffer + start - 1, len - (start - 1)) == 0)
        len = start - 1;
    buffer[len] = 0;
    return len;
}

size_t lt_text_format(char *buffer, size_t size, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    size_t len = lt_text_vformat(buffer, size, format, args);
    va_end(args);
    return len;
}

void lt_buf_init(struct lt_buf *buf, size_t ceiling)
{
    *buf = (struct lt_buf){.ceiling = ceiling ? ceiling : DEFAULT_CEILING};
}

void lt_buf_release(struct lt_buf *buf)
{
    free(buf->at);
    *buf = (struct lt_buf){.ceiling = buf->ceiling};
}

void lt_buf_clear(struct lt_buf *buf)
{
    buf->len = 0;
    buf->failed = false;
    if (buf->at)
        buf->at[0] = 0;
}

static bool buf_make_room(struct lt_buf *buf, size_t more)
{
    if (buf->failed || more > buf->ceiling - buf->len) {
        buf->failed = true;
        return false;
    }
    size_t need = buf->len + more + 1;
    if (need <= buf->capacity)
        return true;
    size_t capacity = buf->capacity ? buf->capacity : 64;
    while (capacity < need)
        capacity *= 2;
    char *moved = realloc(buf->at, capacity);
    if (!moved) {
        buf->failed = true;
        return false;
    }
    buf->at = moved;
    buf->capacity = capacity;
    return true;
}

void lt_buf_add(struct lt_buf *buf, const void *bytes, size_t len)
{
    if (!buf_make_room(buf, len))
        return;
    if (len)
        memcpy(buf->at + buf->len, bytes, len);
    buf->len += len;
    buf->at[buf->len] = 0;
}

void lt_buf_string(struct lt_buf *buf, const char *string)
{
    lt_buf_add(buf, string, strlen(string));
}

void lt_buf_format(struct lt_buf *buf, const char *format, ...)
{
    va_list args, again;
    va_start(args, format);
    va_copy(again, args);
    int need = vsnprintf(NULL, 0, format, args);
    va_end(args);
    if (need < 0)
        buf->failed = true;
    else if (buf_make_room(buf, (size_t)need)) {
        vsnprintf(buf->at + buf->len, (size_t)need + 1, format, again);
        buf->len += (size_t)need;
    }
    va_end(again);
}

struct lt_text lt_buf_text(const struct lt_buf *buf)
{
    return (struct lt_text){buf->at ? buf->at : "", buf->len};
}
