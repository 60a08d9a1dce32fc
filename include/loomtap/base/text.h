/* Text as pointer and length (borrowed), and a growing buffer with a ceiling (owned). */
#ifndef LOOMTAP_BASE_TEXT_H
#define LOOMTAP_BASE_TEXT_H

#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <string.h>

/* Borrowed; not terminated. */
struct lt_text {
    const char *at;
    size_t len; /* bytes */
};

static inline struct lt_text lt_text_of(const char *string)
{
    return (struct lt_text){string, string ? strlen(string) : 0};
}

#define LT_TEXT(literal) ((struct lt_text){literal, sizeof(literal) - 1})
/* For printf: "%.*s", LT_TEXT_ARG(t) */
#define LT_TEXT_ARG(t) (int)(t).len, (t).at

bool lt_text_equal(struct lt_text a, struct lt_text b);
bool lt_text_is(struct lt_text a, const char *string);
bool lt_text_starts(struct lt_text a, const char *prefix);

/* Without leading and trailing blanks, tabs, CR and LF. */
struct lt_text lt_text_trim(struct lt_text text);

/* Takes the part before the first `separator` out of *rest (which keeps what follows it). False at
 * the end: once *rest is used up its `at` is NULL. An empty text gives one empty piece. */
bool lt_text_split(struct lt_text *rest, char separator, struct lt_text *ret_piece);

/* Takes the next word (run of non-blanks) out of *rest; false when none is left. */
bool lt_text_word(struct lt_text *rest, struct lt_text *ret_word);

/* Valid UTF-8 without NUL? *ret_bad (may be NULL) gets the offset of the first bad byte. */
bool lt_text_is_utf8(struct lt_text text, size_t *ret_bad);

/* The start of a text for a message: at most `most` bytes, no split character. */
struct lt_text lt_text_cut(struct lt_text text, size_t most);

/* snprintf-like, but never cuts inside a UTF-8 character; returns the bytes written. */
size_t lt_text_format(char *buffer, size_t size, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
size_t lt_text_vformat(char *buffer, size_t size, const char *format, va_list args)
    __attribute__((format(printf, 3, 0)));

/* A growing buffer, always terminated. A write past the ceiling, or out of memory, sets `failed`
 * and leaves the content as it was; so a caller can write on and look once at the end. */
struct lt_buf {
    char *at;
    size_t len, capacity, ceiling; /* ceiling 0 = 16 MiB */
    bool failed;
};

void lt_buf_init(struct lt_buf *buf, size_t ceiling);
void lt_buf_release(struct lt_buf *buf);
void lt_buf_clear(struct lt_buf *buf);
void lt_buf_add(struct lt_buf *buf, const void *bytes, size_t len);
void lt_buf_string(struct lt_buf *buf, const char *string);
void lt_buf_format(struct lt_buf *buf, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
struct lt_text lt_buf_text(const struct lt_buf *buf);

#endif
