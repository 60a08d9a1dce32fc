/* The canonical text of a checksum, the inverse of checksum_text.c: options in one fixed order,
 * defaults left out, except that a data id always says its mode. */
#include "core/checksum_rules.h"

static const char *const mode_names[] = {
    [LT_DATA_ID_BOTH] = "both",
    [LT_DATA_ID_LOW] = "low",
    [LT_DATA_ID_ALTERNATING] = "alternating",
    [LT_DATA_ID_NIBBLE] = "nibble",
    [LT_DATA_ID_LIST] = "list",
};

const char *lt_check_mode_name(enum lt_data_id_mode mode)
{
    return mode_names[mode];
}

struct writer {
    char *text;
    size_t size, used;
};

static void put(struct writer *writer, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void put(struct writer *writer, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    if (writer->used + 1 < writer->size)
        writer->used +=
            lt_text_vformat(writer->text + writer->used, writer->size - writer->used, format, args);
    va_end(args);
}

static void put_place(struct writer *writer, const char *name, const struct lt_bits *bits)
{
    char text[128];
    struct lt_span span = bits->part[0];
    if (span.lsb % 8 == 0 && span.msb == span.lsb + 7) {
        put(writer, " %s %u", name, span.lsb / 8u);
        return;
    }
    lt_span_print(text, sizeof text, span);
    put(writer, " %s %s", name, text);
}

static void put_ranges(struct writer *writer, const struct lt_checksum *checksum)
{
    for (unsigned i = 0; i < checksum->ranges; i++) {
        struct lt_check_range range = checksum->range[i];
        put(writer, i ? ",%u" : "%u", range.first);
        if (range.last != range.first)
            put(writer, "..%u", range.last);
    }
}

static void put_number(struct writer *writer, const char *name, unsigned value, unsigned width)
{
    put(writer, " %s 0x%0*X", name, (int)(width / 4), value);
}

static void put_crc(struct writer *writer, const struct lt_checksum *checksum)
{
    put_number(writer, "poly", checksum->poly, checksum->width);
    if (checksum->init)
        put_number(writer, "init", checksum->init, checksum->width);
    if (checksum->xorout)
        put_number(writer, "xorout", checksum->xorout, checksum->width);
    if (checksum->reflect)
        put(writer, " reflect");
}

static void put_data_id(struct writer *writer, const struct lt_checksum *checksum)
{
    for (unsigned i = 0; i < checksum->data_id_count; i++)
        put(writer, i ? ",0x%02X" : " data-id 0x%02X", checksum->data_id[i]);
    put(writer, " %s", lt_check_mode_name(checksum->data_id_mode));
    if (checksum->data_id_before && !check_is_e2e(checksum->family))
        put(writer, " before");
}

size_t lt_checksum_print(const struct lt_checksum *checksum, char *ret_text, size_t size)
{
    struct writer writer = {ret_text, size, 0};
    bool is_crc = checksum->family == LT_CHECK_CRC8 || checksum->family == LT_CHECK_CRC16;
    if (size > 0)
        ret_text[0] = 0;
    put(&writer, "%s over ",
        checksum->catalogue ? checksum->catalogue : lt_check_family_name(checksum->family));
    put_ranges(&writer, checksum);
    put_place(&writer, "in", &checksum->place);
    if (is_crc && !checksum->catalogue)
        put_crc(&writer, checksum);
    if (checksum->start)
        put_number(&writer, "start", checksum->start, checksum->width);
    if (checksum->complement != LT_COMPLEMENT_NONE)
        put(&writer, " complement %s",
            checksum->complement == LT_COMPLEMENT_ONES ? "ones" : "twos");
    if (checksum->with_id)
        put(&writer, " with-id");
    if (checksum->with_length)
        put(&writer, " with-length");
    if (checksum->data_id_count)
        put_data_id(&writer, checksum);
    if (checksum->has_counter)
        put_place(&writer, "counter", &checksum->counter);
    if (checksum->has_page)
        put(&writer, " page %lu", (unsigned long)checksum->page);
    return writer.used;
}
