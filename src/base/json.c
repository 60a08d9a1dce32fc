/* JSON text through a sink: strings as RFC 8259 has them, commas set where they belong. */
#include <assert.h>
#include <math.h>

#include "loomtap/base/number.h"
#include "loomtap/base/sink.h"

static void put_escaped(struct lt_sink *sink, unsigned char c)
{
    static const char short_form[] = "\"\"\\\\\bb\ff\nn\rr\tt";
    for (size_t i = 0; i + 1 < sizeof short_form; i += 2) {
        if (c == (unsigned char)short_form[i]) {
            lt_sink_char(sink, '\\');
            lt_sink_char(sink, short_form[i + 1]);
            return;
        }
    }
    lt_sink_format(sink, "\\u%04x", c);
}

void lt_sink_json_text(struct lt_sink *sink, struct lt_text text)
{
    lt_sink_char(sink, '"');
    while (text.len) {
        size_t good = text.len;
        lt_text_is_utf8(text, &good);
        for (size_t i = 0; i < good; i++) {
            unsigned char c = (unsigned char)text.at[i];
            if (c < 0x20 || c == '"' || c == '\\')
                put_escaped(sink, c);
            else
                lt_sink_char(sink, (char)c);
        }
        text.at += good;
        text.len -= good;
        if (text.len) { /* one byte that is not UTF-8, or NUL */
            if (*text.at == 0)
                put_escaped(sink, 0);
            else
                lt_sink_string(sink, "\xEF\xBF\xBD");
            text.at++;
            text.len--;
        }
    }
    lt_sink_char(sink, '"');
}

void lt_json_init(struct lt_json *json, struct lt_sink *sink)
{
    *json = (struct lt_json){.sink = sink};
}

static void before_item(struct lt_json *json, const char *key)
{
    if (json->has_items[json->depth])
        lt_sink_char(json->sink, ',');
    json->has_items[json->depth] = true;
    if (!key)
        return;
    lt_sink_json_text(json->sink, lt_text_of(key));
    lt_sink_char(json->sink, ':');
}

void lt_json_open(struct lt_json *json, const char *key, char bracket)
{
    before_item(json, key);
    lt_sink_char(json->sink, bracket);
    assert(json->depth + 1 < sizeof json->has_items / sizeof *json->has_items);
    json->has_items[++json->depth] = false;
}

void lt_json_close(struct lt_json *json, char bracket)
{
    assert(json->depth > 0);
    json->depth--;
    lt_sink_char(json->sink, bracket);
}

void lt_json_raw(struct lt_json *json, const char *key, struct lt_text value)
{
    before_item(json, key);
    lt_sink_put(json->sink, value.at, value.len);
}

void lt_json_string(struct lt_json *json, const char *key, const char *value)
{
    if (!value) {
        lt_json_null(json, key);
        return;
    }
    before_item(json, key);
    lt_sink_json_text(json->sink, lt_text_of(value));
}

void lt_json_u64(struct lt_json *json, const char *key, uint64_t value)
{
    char text[20];
    lt_json_raw(json, key, (struct lt_text){text, lt_print_u64(text, value)});
}

void lt_json_i64(struct lt_json *json, const char *key, int64_t value)
{
    char text[21];
    lt_json_raw(json, key, (struct lt_text){text, lt_print_i64(text, value)});
}

void lt_json_f64(struct lt_json *json, const char *key, double value)
{
    char text[LT_F64_ROOM];
    if (!isfinite(value))
        lt_json_null(json, key);
    else
        lt_json_raw(json, key, (struct lt_text){text, lt_print_f64(text, value)});
}

void lt_json_bool(struct lt_json *json, const char *key, bool value)
{
    lt_json_raw(json, key, value ? LT_TEXT("true") : LT_TEXT("false"));
}

void lt_json_null(struct lt_json *json, const char *key)
{
    lt_json_raw(json, key, LT_TEXT("null"));
}
