/* The error record: filling and printing. See loomtap/base/error.h. */
#include "loomtap/base/error.h"

#include <stdlib.h>
#include <string.h>

#include "loomtap/base/text.h"

#define FAULTS_CEILING 200

static const struct {
    enum lt_code code;
    const char *name, *text;
} codes[] = {
#define LT_CODE_ROW(name, number, text) {name, #name, text},
    LT_CODES(LT_CODE_ROW)
#undef LT_CODE_ROW
};

const char *lt_code_name(enum lt_code code)
{
    for (size_t i = 0; i < sizeof codes / sizeof *codes; i++)
        if (codes[i].code == code)
            return codes[i].name;
    return "LT_E_?";
}

const char *lt_code_text(enum lt_code code)
{
    for (size_t i = 0; i < sizeof codes / sizeof *codes; i++)
        if (codes[i].code == code)
            return codes[i].text;
    return "an unknown code";
}

const char *lt_severity_name(enum lt_severity severity)
{
    static const char *const names[] = {"error", "warning", "note"};
    return names[severity];
}

void lt_error_clear(struct lt_error *error)
{
    if (error)
        memset(error, 0, sizeof *error);
}

enum lt_code lt_vfail(struct lt_error *error, enum lt_code code, const char *format, va_list args)
{
    if (error) {
        lt_error_clear(error);
        error->code = code;
        lt_text_vformat(error->text, sizeof error->text, format, args);
    }
    return code;
}

enum lt_code lt_fail(struct lt_error *error, enum lt_code code, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    lt_vfail(error, code, format, args);
    va_end(args);
    return code;
}

void lt_error_at(struct lt_error *error, const char *source, uint64_t line, uint32_t column)
{
    if (!error)
        return;
    lt_text_format(error->source, sizeof error->source, "%s", source ? source : "");
    error->line = line;
    error->column = column;
}

void lt_error_advise(struct lt_error *error, const char *format, ...)
{
    va_list args;
    if (!error)
        return;
    va_start(args, format);
    lt_text_vformat(error->advice, sizeof error->advice, format, args);
    va_end(args);
}

void lt_error_key(struct lt_error *error, const char *format, ...)
{
    va_list args;
    if (!error)
        return;
    va_start(args, format);
    lt_text_vformat(error->key, sizeof error->key, format, args);
    va_end(args);
}

/* "x.ini:12:4: " with just the parts that are known. */
static void add_place(struct lt_buf *buf, const struct lt_error *error)
{
    if (error->source[0])
        lt_buf_format(buf, "%s:", error->source);
    if (error->line)
        lt_buf_format(buf, "%llu:", (unsigned long long)error->line);
    if (error->line && error->column)
        lt_buf_format(buf, "%lu:", (unsigned long)error->column);
    if (error->frame)
        lt_buf_format(buf, "%sframe %llu:", buf->len ? " " : "", (unsigned long long)error->frame);
    if (buf->len)
        lt_buf_string(buf, " ");
}

void lt_error_print(const struct lt_error *error, char *ret_text, size_t size)
{
    struct lt_buf buf;
    lt_buf_init(&buf, 8192);
    add_place(&buf, error);
    lt_buf_format(&buf, "%s: %s", lt_severity_name(error->severity), error->text);
    if (error->advice[0])
        lt_buf_format(&buf, "\n    %s", error->advice);
    lt_text_format(ret_text, size, "%s", buf.at ? buf.at : error->text);
    lt_buf_release(&buf);
}

void lt_faults_init(struct lt_faults *faults, size_t ceiling)
{
    *faults = (struct lt_faults){.ceiling = ceiling ? ceiling : FAULTS_CEILING};
}

void lt_faults_release(struct lt_faults *faults)
{
    free(faults->items);
    *faults = (struct lt_faults){0};
}

static bool faults_make_room(struct lt_faults *faults)
{
    if (faults->count < faults->capacity)
        return true;
    size_t capacity = faults->capacity ? faults->capacity * 2 : 8;
    struct lt_error *items = realloc(faults->items, capacity * sizeof *items);
    if (!items)
        return false;
    faults->items = items;
    faults->capacity = capacity;
    return true;
}

void lt_faults_add(struct lt_faults *faults, const struct lt_error *error)
{
    if (!faults)
        return;
    faults->errors += error->severity == LT_SEVERITY_ERROR;
    faults->warnings += error->severity == LT_SEVERITY_WARNING;
    if (faults->count < faults->ceiling && faults_make_room(faults))
        faults->items[faults->count++] = *error;
}
