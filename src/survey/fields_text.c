/* Bytes that spell something: part numbers, names, versions. Every frame of the page holds
 * printable ASCII there, most of it letters and digits, over several bytes in a row. */
#include <string.h>

#include "survey/fields_inside.h"

#define BYTES_LEAST 3u
#define BYTES_MOST  8u /* of one field */
#define ROWS_LEAST  2u

static bool is_letter_or_digit(uint8_t byte)
{
    return (byte >= '0' && byte <= '9') || (byte >= 'A' && byte <= 'Z') ||
           (byte >= 'a' && byte <= 'z');
}

static bool is_printable(uint8_t byte)
{
    return byte >= 0x20 && byte <= 0x7E;
}

/* Letters and digits in nine of ten frames, and nothing that cannot be printed. */
static bool spells(const struct lt_kept *kept, unsigned byte)
{
    size_t letters = 0;
    for (size_t row = 0; row < kept->count; row++) {
        uint8_t value = lt_kept_row(kept, row)[byte];
        if (!is_printable(value))
            return false;
        letters += is_letter_or_digit(value);
    }
    return letters * 10 >= kept->count * 9;
}

static bool is_taken(const struct field_bits *bits, unsigned byte)
{
    bool taken = false;
    for (unsigned i = 0; i < 8; i++)
        taken = taken || bits->taken[8 * byte + i];
    return taken;
}

/* "000" is a number at rest, no word. */
static bool varies(const struct lt_kept *kept, unsigned first, unsigned bytes)
{
    const uint8_t *row = lt_kept_row(kept, 0);
    for (unsigned i = 1; i < bytes; i++)
        if (row[first + i] != row[first])
            return true;
    return false;
}

size_t field_texts(const struct lt_kept *kept, struct field_bits *bits,
                   struct field_text ret_texts[FIELD_TEXTS_MAX])
{
    size_t count = 0;
    unsigned length = kept->key.length, byte = 0;
    if (kept->count < ROWS_LEAST)
        return 0;
    while (byte < length && count < FIELD_TEXTS_MAX) {
        unsigned bytes = 0;
        while (byte + bytes < length && bytes < BYTES_MOST && !is_taken(bits, byte + bytes) &&
               spells(kept, byte + bytes))
            bytes++;
        if (bytes >= BYTES_LEAST && varies(kept, byte, bytes)) {
            struct field_text *text = &ret_texts[count++];
            *text = (struct field_text){.first = (uint8_t)byte, .bytes = (uint8_t)bytes};
            memcpy(text->text, lt_kept_row(kept, kept->count - 1) + byte, bytes);
            memset(bits->free + 8 * byte, 0, (size_t)8 * bytes);
            memset(bits->taken + 8 * byte, true, (size_t)8 * bytes);
        }
        byte += bytes ? bytes : 1;
    }
    return count;
}
