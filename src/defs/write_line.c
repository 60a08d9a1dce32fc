/* Lines of the canonical text. */
#include "defs/write.h"

#include "defs/lines.h"

#define VALUE_ROOM 4096

bool lt_write_wants(const struct lt_writer *writer, struct lt_place place)
{
    return writer->flat || place.file == 0;
}

void lt_write_section(struct lt_writer *writer, const char *kind, const char *name,
                      struct lt_place place)
{
    lt_sink_format(writer->sink, "%s[%s%s%s]\n", writer->any ? "\n" : "", kind, name ? " " : "",
                   name ? name : "");
    writer->any = true;
    writer->place = place;
}

void lt_write_text(struct lt_writer *writer, const char *key, const char *value)
{
    if (!value)
        return;
    size_t bytes = strlen(key) + 3 + strlen(value);
    if (bytes > LT_LINE_MAX && writer->too_long)
        writer->too_long(writer->context, writer->place, key, bytes);
    lt_sink_string(writer->sink, key);
    lt_sink_string(writer->sink, " = ");
    lt_sink_string(writer->sink, value);
    lt_sink_char(writer->sink, '\n');
}

void lt_write_format(struct lt_writer *writer, const char *key, const char *format, ...)
{
    char value[VALUE_ROOM];
    va_list args;
    va_start(args, format);
    lt_text_vformat(value, sizeof value, format, args);
    va_end(args);
    lt_write_text(writer, key, value);
}

void lt_write_u64(struct lt_writer *writer, const char *key, uint64_t value)
{
    lt_write_format(writer, key, "%llu", (unsigned long long)value);
}

void lt_write_ratio(struct lt_writer *writer, const char *key, struct lt_ratio value)
{
    char text[45];
    text[lt_print_ratio(text, value)] = '\0';
    lt_write_text(writer, key, text);
}

static size_t print_code(char *ret_text, size_t size, uint64_t code, bool shortest)
{
    char decimal[24], hex[24];
    size_t decimal_len = lt_text_format(decimal, sizeof decimal, "%llu", (unsigned long long)code);
    size_t hex_len = lt_text_format(hex, sizeof hex, "0x%llX", (unsigned long long)code);
    bool as_decimal = code < 10 || (shortest && decimal_len <= hex_len);
    return lt_text_format(ret_text, size, "%s", as_decimal ? decimal : hex);
}

size_t lt_print_codes(char *ret_text, size_t size, const struct lt_raw_range *codes, size_t count,
                      bool shortest)
{
    size_t used = 0;
    for (size_t i = 0; i < count; i++) {
        if (i)
            used += lt_text_format(ret_text + used, size - used, ",");
        used += print_code(ret_text + used, size - used, codes[i].first, shortest);
        if (codes[i].first == codes[i].last)
            continue;
        used += lt_text_format(ret_text + used, size - used, "..");
        used += print_code(ret_text + used, size - used, codes[i].last, shortest);
    }
    return used;
}

void lt_write_codes(struct lt_writer *writer, const char *key, const struct lt_raw_range *codes,
                    size_t count)
{
    char text[VALUE_ROOM];
    if (count == 0)
        return;
    if (lt_print_codes(text, sizeof text, codes, count, false) + strlen(key) + 3 > LT_LINE_MAX)
        lt_print_codes(text, sizeof text, codes, count, true);
    lt_write_text(writer, key, text);
}
