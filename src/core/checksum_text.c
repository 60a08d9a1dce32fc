/* The text of a checksum: FAMILY over RANGES in PLACE [options], read. (checksum_print.c writes
 * it.)
 *
 * The grammar stands in the header. Words are separated by blanks; in a list the blanks around a
 * comma do not count. Which options go with which family is one table here; what the frame's length
 * decides is left to lt_checksum_check. */
#include <string.h>

#include "core/checksum_rules.h"
#include "loomtap/base/number.h"

#define BYTE_MAX     63u /* last byte of the longest frame */
#define SHOWN_MAX    40u /* bytes of a faulty word that a message repeats */
#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

enum option_bit {
    OPTION_POLY = 1 << 0,
    OPTION_INIT = 1 << 1,
    OPTION_XOROUT = 1 << 2,
    OPTION_REFLECT = 1 << 3,
    OPTION_START = 1 << 4,
    OPTION_COMPLEMENT = 1 << 5,
    OPTION_WITH_ID = 1 << 6,
    OPTION_WITH_LENGTH = 1 << 7,
    OPTION_DATA_ID = 1 << 8,
    OPTION_COUNTER = 1 << 9,
    OPTION_PAGE = 1 << 10,
};

#define OPTIONS_BYTES                                                                              \
    (OPTION_WITH_ID | OPTION_WITH_LENGTH | OPTION_DATA_ID | OPTION_COUNTER | OPTION_PAGE)
#define OPTIONS_PLAIN (OPTIONS_BYTES | OPTION_START | OPTION_COMPLEMENT)
#define OPTIONS_CRC   (OPTIONS_BYTES | OPTION_POLY | OPTION_INIT | OPTION_XOROUT | OPTION_REFLECT)
#define OPTIONS_E2E   (OPTION_DATA_ID | OPTION_COUNTER | OPTION_PAGE)

static const struct {
    uint8_t width; /* 0: as wide as its place */
    unsigned options;
    enum lt_data_id_mode mode; /* where none is written */
} families[] = {
    [LT_CHECK_XOR] = {8, OPTIONS_PLAIN, LT_DATA_ID_BOTH},
    [LT_CHECK_SUM] = {8, OPTIONS_PLAIN, LT_DATA_ID_BOTH},
    [LT_CHECK_NIBBLE_SUM] = {4, OPTIONS_PLAIN, LT_DATA_ID_BOTH},
    [LT_CHECK_CRC8] = {8, OPTIONS_CRC, LT_DATA_ID_BOTH},
    [LT_CHECK_CRC16] = {16, OPTIONS_CRC, LT_DATA_ID_BOTH},
    [LT_CHECK_E2E_P1] = {8, OPTIONS_E2E, LT_DATA_ID_BOTH},
    [LT_CHECK_E2E_P2] = {8, OPTIONS_E2E, LT_DATA_ID_LIST},
    [LT_CHECK_E2E_P5] = {16, OPTIONS_E2E, LT_DATA_ID_BOTH},
    [LT_CHECK_J1939_TSC1] = {4, OPTION_COUNTER | OPTION_PAGE, LT_DATA_ID_BOTH},
    [LT_CHECK_J1939_XBR] = {4, OPTION_COUNTER | OPTION_PAGE, LT_DATA_ID_BOTH},
    [LT_CHECK_AFFINE] = {0, OPTION_PAGE, LT_DATA_ID_BOTH},
};

/* A position in the text and what was read so far. */
struct reader {
    struct lt_text text, rest, word; /* `word` is the one being read */
    struct lt_checksum out;
    unsigned seen; /* option bits */
    struct lt_error *error;
};

static uint32_t column_of(const struct reader *reader, struct lt_text word)
{
    return (uint32_t)(word.at - reader->text.at) + 1;
}

/* Of a word, what a message shows: not a whole page. */
#define SHOWN(word) LT_TEXT_ARG(lt_text_cut(word, SHOWN_MAX))

/* Ends a failure: the place is `word`, the advice may be NULL. */
static enum lt_code at_word(struct reader *reader, struct lt_text word, enum lt_code code,
                            const char *advice)
{
    lt_error_at(reader->error, NULL, 0, column_of(reader, word));
    if (advice)
        lt_error_advise(reader->error, "%s", advice);
    return code;
}

static bool next_word(struct reader *reader)
{
    if (lt_text_word(&reader->rest, &reader->word))
        return true;
    reader->word = (struct lt_text){reader->text.at + reader->text.len, 0};
    return false;
}

/* A list is one word or several, as long as there is a comma between them. */
static bool next_list(struct reader *reader)
{
    if (!next_word(reader))
        return false;
    for (;;) {
        struct lt_text rest = reader->rest, word;
        if (!lt_text_word(&rest, &word))
            return true;
        if (reader->word.at[reader->word.len - 1] != ',' && word.at[0] != ',')
            return true;
        reader->word.len = (size_t)(word.at + word.len - reader->word.at);
        reader->rest = rest;
    }
}

static bool is_number(struct lt_text word)
{
    uint64_t value;
    return lt_parse_u64(word, &value);
}

static enum lt_code read_number(struct reader *reader, const char *name, uint32_t max,
                                uint32_t *ret_value)
{
    bool there = next_word(reader);
    if (there && lt_parse_u32(reader->word, max, ret_value))
        return LT_OK;
    enum lt_code code = !there ? LT_E_MISSING : is_number(reader->word) ? LT_E_RANGE : LT_E_SYNTAX;
    lt_fail(reader->error, code, "`%s` wants a number from 0 to 0x%X%s%.*s%s", name, max,
            there ? ", not `" : "", SHOWN(reader->word), there ? "`" : "");
    return at_word(reader, reader->word, code, "write it decimal or as 0x and hex digits");
}

static enum lt_code read_u16(struct reader *reader, const char *name, uint16_t *ret_value)
{
    unsigned bits = reader->out.width;
    uint32_t value;
    enum lt_code code = read_number(reader, name, (1u << bits) - 1, &value);
    if (code == LT_OK)
        *ret_value = (uint16_t)value;
    return code;
}

/* `7` (the whole byte) or `7.3..7.0`. */
static bool parse_place(struct lt_text word, struct lt_bits *ret_bits)
{
    uint32_t byte;
    struct lt_span span;
    if (lt_parse_u32(word, BYTE_MAX, &byte))
        span = (struct lt_span){(uint16_t)(8 * byte + 7), (uint16_t)(8 * byte)};
    else if (!lt_span_parse(word, &span) || span.msb / 8 > BYTE_MAX || span.lsb / 8 > BYTE_MAX)
        return false;
    *ret_bits = (struct lt_bits){1, {span}};
    return true;
}

static enum lt_code read_place(struct reader *reader, const char *name, struct lt_bits *ret_bits)
{
    bool there = next_word(reader);
    if (there && parse_place(reader->word, ret_bits))
        return LT_OK;
    enum lt_code code = there ? LT_E_SYNTAX : LT_E_MISSING;
    lt_fail(reader->error, code, "`%s` wants a byte or bits%s%.*s%s", name, there ? ", not `" : "",
            SHOWN(reader->word), there ? "`" : "");
    return at_word(reader, reader->word, code,
                   "a byte is `7`, bits are `7.3..7.0`: most significant end first, bytes 0 to 63");
}

/* Letters and digits alone, in lower case: "CRC-8/SAE-J1850" and "crc8_sae_j1850" look alike. */
static size_t squeezed(struct lt_text name, char *ret_text, size_t size)
{
    size_t len = 0;
    for (size_t i = 0; i < name.len && len < size; i++) {
        char c = name.at[i];
        if (c >= 'A' && c <= 'Z')
            c = (char)(c - 'A' + 'a');
        if ((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9'))
            ret_text[len++] = c;
    }
    return len;
}

static bool looks_like(struct lt_text word, const char *name)
{
    char a[40], b[40];
    size_t len = squeezed(word, a, sizeof a);
    return len == squeezed(lt_text_of(name), b, sizeof b) && memcmp(a, b, len) == 0;
}

static enum lt_code unknown_family(struct reader *reader)
{
    size_t count;
    const struct lt_crc *rows = lt_crc_table(&count);
    const char *meant = NULL;
    for (size_t i = 0; i < COUNT(families); i++) {
        const char *name = lt_check_family_name((enum lt_check_family)i);
        meant = looks_like(reader->word, name) ? name : meant;
    }
    for (size_t i = 0; i < count; i++)
        meant = looks_like(reader->word, rows[i].name) ? rows[i].name : meant;
    lt_fail(reader->error, LT_E_UNKNOWN, "no checksum family is called `%.*s`",
            SHOWN(reader->word));
    at_word(reader, reader->word, LT_E_UNKNOWN,
            "families: xor, sum, nibble-sum, crc8, crc16, e2e-p1, e2e-p2, e2e-p5, j1939-tsc1, "
            "j1939-xbr, affine, or a catalogue name such as crc8-sae-j1850");
    if (meant)
        lt_error_advise(reader->error, "write `%s`", meant);
    return LT_E_UNKNOWN;
}

static enum lt_code set_catalogue(struct reader *reader, const struct lt_crc *crc)
{
    struct lt_checksum *out = &reader->out;
    if (crc->width != 8 && crc->width != 16) {
        lt_fail(reader->error, LT_E_RANGE, "%s has %u bits; a frame's check has 8 or 16", crc->name,
                crc->width);
        return at_word(reader, reader->word, LT_E_RANGE, "take a name that begins crc8- or crc16-");
    }
    out->family = crc->width == 8 ? LT_CHECK_CRC8 : LT_CHECK_CRC16;
    out->catalogue = crc->name;
    out->poly = (uint16_t)crc->poly;
    out->init = (uint16_t)crc->init;
    out->xorout = (uint16_t)crc->xorout;
    out->reflect = crc->reflect;
    return LT_OK;
}

static enum lt_code read_family(struct reader *reader)
{
    if (!next_word(reader)) {
        lt_fail(reader->error, LT_E_MISSING, "the checksum is empty");
        return at_word(reader, reader->word, LT_E_MISSING,
                       "write it as `FAMILY over BYTES in PLACE`: `crc8-sae-j1850 over 0..6 in 7`");
    }
    const struct lt_crc *crc = lt_crc_find(reader->word);
    enum lt_code code = crc ? set_catalogue(reader, crc) : LT_E_UNKNOWN;
    for (size_t i = 0; !crc && i < COUNT(families); i++) {
        if (lt_text_is(reader->word, lt_check_family_name((enum lt_check_family)i))) {
            reader->out.family = (enum lt_check_family)i;
            code = LT_OK;
        }
    }
    if (!crc && code != LT_OK)
        return unknown_family(reader);
    reader->out.width = families[reader->out.family].width;
    return code;
}

static enum lt_code expect(struct reader *reader, const char *keyword)
{
    bool there = next_word(reader);
    if (there && lt_text_is(reader->word, keyword))
        return LT_OK;
    enum lt_code code = there ? LT_E_SYNTAX : LT_E_MISSING;
    lt_fail(reader->error, code, "`%s` is missing%s%.*s%s", keyword, there ? " before `" : "",
            SHOWN(reader->word), there ? "`" : "");
    return at_word(reader, reader->word, code,
                   "write it as `FAMILY over BYTES in PLACE`: `sum over 0..6 in 7`");
}

/* `4` or `0..6` or `6..0`. */
static bool parse_range(struct lt_text piece, struct lt_check_range *ret_range)
{
    struct lt_text first = lt_text_trim(piece), last = first;
    for (size_t i = 0; i + 1 < piece.len; i++) {
        if (piece.at[i] == '.' && piece.at[i + 1] == '.') {
            first = lt_text_trim((struct lt_text){piece.at, i});
            last = lt_text_trim((struct lt_text){piece.at + i + 2, piece.len - i - 2});
            break;
        }
    }
    uint32_t from, to;
    if (!lt_parse_u32(first, BYTE_MAX, &from) || !lt_parse_u32(last, BYTE_MAX, &to))
        return false;
    *ret_range = (struct lt_check_range){(uint8_t)from, (uint8_t)to};
    return true;
}

static enum lt_code read_ranges(struct reader *reader)
{
    struct lt_checksum *out = &reader->out;
    if (!next_list(reader)) {
        lt_fail(reader->error, LT_E_MISSING, "`over` names no bytes");
        return at_word(reader, reader->word, LT_E_MISSING, "write `over 0..6` or `over 0..2,4..7`");
    }
    struct lt_text list = reader->word, piece;
    while (lt_text_split(&list, ',', &piece)) {
        struct lt_text word = lt_text_trim(piece);
        if (out->ranges == LT_CHECK_RANGES_MAX) {
            lt_fail(reader->error, LT_E_LIMIT, "more than %d ranges of bytes", LT_CHECK_RANGES_MAX);
            return at_word(reader, word, LT_E_LIMIT, "join neighbours: `0..6`");
        }
        if (!parse_range(piece, &out->range[out->ranges])) {
            lt_fail(reader->error, LT_E_SYNTAX, "`%.*s` is not a range of bytes", SHOWN(word));
            return at_word(reader, word, LT_E_SYNTAX,
                           "bytes are whole and count from 0 to 63: `over 0..6`, `over 0..2,4..7`, "
                           "`over 6..0` backwards");
        }
        out->ranges++;
    }
    return LT_OK;
}

static enum lt_code read_poly(struct reader *reader)
{
    enum lt_code code = read_u16(reader, "poly", &reader->out.poly);
    if (code == LT_OK && reader->out.poly == 0) {
        lt_fail(reader->error, LT_E_RANGE, "a polynomial of 0 checks nothing");
        return at_word(reader, reader->word, LT_E_RANGE,
                       "write it without its top bit: `poly 0x1D`");
    }
    return code;
}

static enum lt_code read_init(struct reader *reader)
{
    return read_u16(reader, "init", &reader->out.init);
}

static enum lt_code read_xorout(struct reader *reader)
{
    return read_u16(reader, "xorout", &reader->out.xorout);
}

static enum lt_code read_reflect(struct reader *reader)
{
    reader->out.reflect = true;
    return LT_OK;
}

static enum lt_code read_start(struct reader *reader)
{
    return read_u16(reader, "start", &reader->out.start);
}

static enum lt_code read_complement(struct reader *reader)
{
    bool there = next_word(reader);
    if (there && lt_text_is(reader->word, "ones"))
        reader->out.complement = LT_COMPLEMENT_ONES;
    else if (there && lt_text_is(reader->word, "twos"))
        reader->out.complement = LT_COMPLEMENT_TWOS;
    else {
        enum lt_code code = there ? LT_E_UNKNOWN : LT_E_MISSING;
        lt_fail(reader->error, code, "`complement` wants `ones` or `twos`");
        return at_word(reader, reader->word, code,
                       "`ones` inverts every bit, `twos` makes all bytes add to 0");
    }
    return LT_OK;
}

static enum lt_code read_with_id(struct reader *reader)
{
    reader->out.with_id = true;
    return LT_OK;
}

static enum lt_code read_with_length(struct reader *reader)
{
    reader->out.with_length = true;
    return LT_OK;
}

static enum lt_code read_counter(struct reader *reader)
{
    reader->out.has_counter = true;
    return read_place(reader, "counter", &reader->out.counter);
}

static enum lt_code read_page(struct reader *reader)
{
    reader->out.has_page = true;
    return read_number(reader, "page", UINT32_MAX, &reader->out.page);
}

static enum lt_code read_data_id_bytes(struct reader *reader)
{
    struct lt_checksum *out = &reader->out;
    if (!next_list(reader)) {
        lt_fail(reader->error, LT_E_MISSING, "`data-id` names no bytes");
        return at_word(reader, reader->word, LT_E_MISSING, "write `data-id 0x23,0x01`");
    }
    struct lt_text list = reader->word, piece;
    while (lt_text_split(&list, ',', &piece)) {
        uint32_t byte;
        piece = lt_text_trim(piece);
        if (out->data_id_count == LT_CHECK_DATA_ID_MAX) {
            lt_fail(reader->error, LT_E_LIMIT, "more than %d bytes of data id",
                    LT_CHECK_DATA_ID_MAX);
            return at_word(reader, piece, LT_E_LIMIT, NULL);
        }
        if (!lt_parse_u32(piece, 0xFF, &byte)) {
            enum lt_code code = is_number(piece) ? LT_E_RANGE : LT_E_SYNTAX;
            lt_fail(reader->error, code, "`%.*s` is not a byte of a data id", SHOWN(piece));
            return at_word(reader, piece, code,
                           "one byte each, in the order processed: id 0x0123 sent low byte first "
                           "is `data-id 0x23,0x01`");
        }
        out->data_id[out->data_id_count++] = (uint8_t)byte;
    }
    return LT_OK;
}

/* The mode, if the next word is one. */
static bool take_mode(struct reader *reader)
{
    struct lt_text rest = reader->rest, word;
    if (!lt_text_word(&rest, &word))
        return false;
    for (int i = LT_DATA_ID_BOTH; i <= LT_DATA_ID_LIST; i++) {
        if (lt_text_is(word, lt_check_mode_name((enum lt_data_id_mode)i))) {
            reader->out.data_id_mode = (enum lt_data_id_mode)i;
            reader->rest = rest;
            return true;
        }
    }
    return false;
}

/* `before` or `after`, if the next word is that. The end-to-end profiles know their own order:
 * profile 1 before, 2 and 5 after. */
static enum lt_code take_position(struct reader *reader)
{
    struct lt_text rest = reader->rest, word;
    struct lt_checksum *out = &reader->out;
    if (!lt_text_word(&rest, &word))
        return LT_OK;
    bool before = lt_text_is(word, "before");
    if (!before && !lt_text_is(word, "after"))
        return LT_OK;
    reader->rest = rest;
    reader->word = word;
    if (check_is_e2e(out->family) && before != out->data_id_before) {
        lt_fail(reader->error, LT_E_CONFLICT, "%s processes its data id %s the data",
                lt_check_family_name(out->family), out->data_id_before ? "before" : "after");
        return at_word(reader, word, LT_E_CONFLICT, "leave the word out");
    }
    out->data_id_before = before;
    return LT_OK;
}

static enum lt_code read_data_id(struct reader *reader)
{
    struct lt_checksum *out = &reader->out;
    enum lt_code code = read_data_id_bytes(reader);
    if (code != LT_OK)
        return code;
    out->data_id_mode = families[out->family].mode;
    out->data_id_before = out->family == LT_CHECK_E2E_P1;
    bool had_mode = take_mode(reader);
    code = take_position(reader);
    if (code == LT_OK && !had_mode)
        take_mode(reader);
    return code;
}

static const struct option {
    const char *name;
    unsigned bit;
    enum lt_code (*read)(struct reader *reader);
} options[] = {
    {"poly", OPTION_POLY, read_poly},
    {"init", OPTION_INIT, read_init},
    {"xorout", OPTION_XOROUT, read_xorout},
    {"reflect", OPTION_REFLECT, read_reflect},
    {"start", OPTION_START, read_start},
    {"complement", OPTION_COMPLEMENT, read_complement},
    {"with-id", OPTION_WITH_ID, read_with_id},
    {"with-length", OPTION_WITH_LENGTH, read_with_length},
    {"data-id", OPTION_DATA_ID, read_data_id},
    {"counter", OPTION_COUNTER, read_counter},
    {"page", OPTION_PAGE, read_page},
};

static unsigned options_allowed(const struct lt_checksum *checksum)
{
    unsigned allowed = families[checksum->family].options;
    if (checksum->catalogue)
        allowed &= ~(unsigned)(OPTION_POLY | OPTION_INIT | OPTION_XOROUT | OPTION_REFLECT);
    return allowed;
}

/* A fault of the option itself; the advice lists what the family takes. */
static enum lt_code refuse_option(struct reader *reader, struct lt_text word, enum lt_code code)
{
    char list[200];
    size_t used = 0;
    for (size_t i = 0; i < COUNT(options); i++) {
        if (options[i].bit & options_allowed(&reader->out))
            used += lt_text_format(list + used, sizeof list - used, "%s%s", used ? ", " : "",
                                   options[i].name);
    }
    lt_error_at(reader->error, NULL, 0, column_of(reader, word));
    lt_error_advise(reader->error, "options here: %s", list);
    return code;
}

static enum lt_code read_option(struct reader *reader)
{
    const struct lt_checksum *out = &reader->out;
    struct lt_text word = reader->word;
    const struct option *option = NULL;
    for (size_t i = 0; i < COUNT(options); i++) {
        if (lt_text_is(word, options[i].name))
            option = &options[i];
    }
    if (!option) {
        lt_fail(reader->error, LT_E_UNKNOWN, "a checksum has no option `%.*s`", SHOWN(word));
        return refuse_option(reader, word, LT_E_UNKNOWN);
    }
    if (!(option->bit & options_allowed(out))) {
        lt_fail(reader->error, LT_E_CONFLICT, "`%s` does not go with %s", option->name,
                out->catalogue ? out->catalogue : lt_check_family_name(out->family));
        return refuse_option(reader, word, LT_E_CONFLICT);
    }
    if (option->bit & reader->seen) {
        lt_fail(reader->error, LT_E_DUPLICATE, "`%s` is said twice", option->name);
        return at_word(reader, word, LT_E_DUPLICATE, "remove one");
    }
    reader->seen |= option->bit;
    return option->read(reader);
}

/* What can be said only after the last word. */
static enum lt_code finish(struct reader *reader)
{
    struct lt_checksum *out = &reader->out;
    bool is_crc = out->family == LT_CHECK_CRC8 || out->family == LT_CHECK_CRC16;
    if (is_crc && !out->catalogue && !(reader->seen & OPTION_POLY)) {
        struct lt_text start = lt_text_trim(reader->text);
        lt_fail(reader->error, LT_E_MISSING, "%s has no polynomial",
                lt_check_family_name(out->family));
        return at_word(reader, start, LT_E_MISSING,
                       "add `poly 0x1D` (with init and xorout), or take a catalogue name such as "
                       "crc8-sae-j1850");
    }
    return LT_OK;
}

/* Messages repeat faulty words, so what is no text is refused before. */
static enum lt_code read_as_text(struct reader *reader)
{
    size_t bad;
    if (lt_text_is_utf8(reader->text, &bad))
        return LT_OK;
    lt_fail(reader->error, LT_E_SYNTAX, "the checksum holds a byte that is not text");
    return at_word(reader, (struct lt_text){reader->text.at + bad, 1}, LT_E_SYNTAX,
                   "write it in UTF-8, without NUL");
}

enum lt_code lt_checksum_parse(struct lt_text text, struct lt_checksum *ret_checksum,
                               struct lt_error *error)
{
    if (!text.at)
        text = LT_TEXT("");
    struct reader reader = {.text = text, .rest = text, .error = error};
    enum lt_code code = read_as_text(&reader);
    if (code == LT_OK)
        code = read_family(&reader);
    if (code == LT_OK)
        code = expect(&reader, "over");
    if (code == LT_OK)
        code = read_ranges(&reader);
    if (code == LT_OK)
        code = expect(&reader, "in");
    if (code == LT_OK)
        code = read_place(&reader, "in", &reader.out.place);
    if (code == LT_OK && reader.out.width == 0)
        reader.out.width = (uint8_t)lt_bits_length(&reader.out.place);
    while (code == LT_OK && next_word(&reader))
        code = read_option(&reader);
    if (code == LT_OK)
        code = finish(&reader);
    if (code == LT_OK)
        *ret_checksum = reader.out;
    return code;
}
