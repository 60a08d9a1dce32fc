/* The quick path for candump's log form: the usual line, in portable C, eight characters at a time.
 *
 *     (1436509052.249713) can0 0C4#0FA0123400000A7F
 *     ^head......^fraction^name ^id ^data
 *
 * The head is compared with the last line's and read anew when it differs (once a second of the
 * recording). Fraction, name, identifier and data are then at places that do not depend on what
 * they say. Where the line ends is guessed (eight bytes of data) and looked at, so that the
 * processor, which guesses too, works on several lines at once. Whatever does not fit is left to
 * the general parser, which says the truth: tests run both over mutated lines and compare every
 * frame and every reason.
 *
 * Loads go past the end of a line, by less than LT_BLOCK_SLACK; nothing behind the line is used. */
#include "capture/log_lines.h"

#include "capture/reader.h"

#define HIGH_BITS LT_EVERY_BYTE(0x80)
#define NS_PER_S  INT64_C(1000000000)

/* memcpy, since gcc 12 makes byte loads out of shifts where one of the bytes is used alone. */
static inline uint64_t load(const char *at)
{
    uint64_t word;
    memcpy(&word, at, sizeof word);
#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    word = __builtin_bswap64(word);
#endif
    return word;
}

static inline void store32(uint8_t *to, uint32_t value)
{
#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    value = __builtin_bswap32(value);
#endif
    memcpy(to, &value, sizeof value);
}

/* The lowest `bytes` bytes (0..8) of a word. */
static inline uint64_t low_bytes(size_t bytes)
{
    return bytes < 8 ? (UINT64_C(1) << (8 * bytes)) - 1 : UINT64_MAX;
}

__attribute__((noinline)) bool lt_log_learn_head(struct lt_log_head *head, const char *at)
{
    int64_t seconds = 0;
    size_t len = 1;
    if (*at != '(')
        return false;
    while (len < sizeof head->text && lt_is_digit(at[len]))
        seconds = seconds * 10 + (at[len++] - '0'); /* at most 15 digits */
    if (len == 1 || len == sizeof head->text || at[len] != '.' || seconds > LT_TIME_MAX_S)
        return false;
    head->len = ++len;
    head->seconds_ns = seconds * NS_PER_S;
    head->mask[0] = low_bytes(len < 8 ? len : 8);
    head->mask[1] = low_bytes(len < 8 ? 0 : len - 8);
    head->word[0] = load(at) & head->mask[0];
    head->word[1] = load(at + 8) & head->mask[1];
    memset(head->text, 0, sizeof head->text);
    memcpy(head->text, at, len);
    return true;
}

static inline bool head_is_same(const struct lt_log_head *head, const char *at)
{
    return head->len != 0 && (((load(at) ^ head->word[0]) & head->mask[0]) |
                              ((load(at + 8) ^ head->word[1]) & head->mask[1])) == 0;
}

/* Six or nine digits, ")" and a blank: nanoseconds; returns where the name column begins. */
static inline const char *take_fraction(const char *at, uint32_t *ret_ns)
{
    /* ") " and the digits become 0 and 0..9; each may then grow to below 0x80 by adding. */
    uint64_t six = load(at) ^ UINT64_C(0x2029303030303030);
    if ((((six + UINT64_C(0x7F7F767676767676)) | six) & HIGH_BITS) == 0) {
        *ret_ns = lt_digits8(six << 16) * 1000;
        return at + 8;
    }
    uint64_t eight = load(at) ^ LT_EVERY_BYTE('0');
    unsigned ninth = (unsigned char)at[8] ^ '0';
    if (((((eight & ~HIGH_BITS) + LT_EVERY_BYTE(0x76)) | eight) & HIGH_BITS) != 0 || ninth > 9 ||
        at[9] != ')' || at[10] != ' ')
        return NULL;
    *ret_ns = lt_digits8(eight) * 10 + ninth;
    return at + 11;
}

__attribute__((noinline)) static bool find_name_end(struct lt_log_lines *lines, uint64_t word)
{
    uint64_t blanks = word ^ LT_EVERY_BYTE(' ');
    /* The lowest marked byte is a blank; above it there may be false marks. */
    uint64_t marks = (blanks - LT_EVERY_BYTE(0x01)) & ~blanks & HIGH_BITS;
    if (marks == 0)
        return false;
    lines->name_mask = marks ^ (marks - 1); /* the bytes up to the blank */
    lines->name_len = (unsigned)__builtin_ctzll(marks) / 8 + 1;
    return true;
}

bool lt_log_find_name(struct lt_log_lines *lines, const char *at, uint16_t *ret_bus)
{
    uint64_t word = load(at);
    /* The key of a known name ends with its blank and has no other, so a match is a whole name. */
    if (!lt_buses_find(lines->buses, word & lines->name_mask, ret_bus) &&
        (!find_name_end(lines, word) ||
         !lt_buses_find(lines->buses, word & lines->name_mask, ret_bus)))
        return false;
    return true;
}

/* One more than the digit's value, so that 0 is "no digit". */
static const uint8_t digit_values[256] = {
    ['0'] = 1,  ['1'] = 2,  ['2'] = 3,  ['3'] = 4,  ['4'] = 5,  ['5'] = 6,  ['6'] = 7,  ['7'] = 8,
    ['8'] = 9,  ['9'] = 10, ['A'] = 11, ['B'] = 12, ['C'] = 13, ['D'] = 14, ['E'] = 15, ['F'] = 16,
    ['a'] = 11, ['b'] = 12, ['c'] = 13, ['d'] = 14, ['e'] = 15, ['f'] = 16,
};

/* 0..15; above that for what is no hex digit. */
static inline unsigned nibble(char c)
{
    return digit_values[(unsigned char)c] - 1u;
}

/* 3 or 8 digits and "#"; returns where the data begin. Error frames are left to the other path. */
static inline const char *take_id(const char *at, struct lt_frame *frame)
{
    if (at[3] == '#') {
        unsigned high = nibble(at[0]), mid = nibble(at[1]), low = nibble(at[2]);
        frame->id = high << 8 | mid << 4 | low;
        frame->flags = 0;
        return high < 8 && (mid | low) < 16 ? at + 4 : NULL;
    }
    uint64_t text = load(at);
    frame->id = __builtin_bswap32(lt_hex8_bytes(text));
    frame->flags = LT_FRAME_EXTENDED;
    return at[8] == '#' && lt_hex8_bad(text) == 0 && frame->id <= LT_ID_MAX_EXTENDED ? at + 9
                                                                                     : NULL;
}

#define ALL UINT64_MAX
/* Which bytes of two words belong to 0, 2, ... 16 digits. */
static const struct {
    uint64_t first, second;
} digit_masks[9] = {
    {0, 0},        {0xFFFF, 0},       {0xFFFFFFFF, 0},       {0xFFFFFFFFFFFF, 0}, {ALL, 0},
    {ALL, 0xFFFF}, {ALL, 0xFFFFFFFF}, {ALL, 0xFFFFFFFFFFFF}, {ALL, ALL},
};

/* 0..16 digits, an even number. Data bytes past the length become 0. */
static inline bool take_classic(const char *at, size_t digits, struct lt_frame *frame)
{
    uint64_t first = load(at), second = load(at + 8);
    uint64_t first_mask = digit_masks[digits / 2].first;
    uint64_t second_mask = digit_masks[digits / 2].second;
    if ((lt_hex8_bad(first) & first_mask) | (lt_hex8_bad(second) & second_mask))
        return false;
    store32(frame->data, lt_hex8_bytes(first & first_mask));
    store32(frame->data + 4, lt_hex8_bytes(second & second_mask));
    frame->len = (uint8_t)(digits / 2);
    frame->raw_dlc = frame->len;
    return true;
}

/* From the second "#" on: the flags nibble and 0..128 digits. */
__attribute__((noinline)) static bool take_fd(struct lt_log_lines *lines, const char *at,
                                              size_t count, struct lt_frame *frame)
{
    unsigned flags = count >= 2 ? lt_hex_value(at[1]) : 255;
    if (flags > 15 || count - 2 > 2 * LT_FRAME_MAX || count % 2 != 0)
        return false;
    size_t digits = count - 2;
    at += 2;
    for (size_t i = 0; i < digits; i += 8) {
        uint64_t mask = low_bytes(digits - i < 8 ? digits - i : 8);
        uint64_t text = load(at + i);
        if (lt_hex8_bad(text) & mask)
            return false;
        store32(frame->data + i / 2, lt_hex8_bytes(text & mask));
    }
    frame->flags |= LT_FRAME_FD;
    frame->flags |= flags & 1 ? LT_FRAME_BRS : 0;
    frame->flags |= flags & 2 ? LT_FRAME_ESI : 0;
    frame->len = (uint8_t)(digits / 2);
    frame->raw_dlc = lt_len_to_dlc(frame->len, true);
    lines->oddities += !lt_len_is_valid(frame->len, true);
    return true;
}

/* "R" alone or with a length of 0..8. */
static bool take_remote(const char *at, size_t count, struct lt_frame *frame)
{
    if (count < 1 || count > 2 || (at[0] | 0x20) != 'r' ||
        (count == 2 && (at[1] < '0' || at[1] > '8')))
        return false;
    frame->flags |= LT_FRAME_REMOTE;
    frame->len = 0;
    frame->raw_dlc = count == 2 ? (uint8_t)(at[1] - '0') : 0;
    return true;
}

/* The rest of a line that does not end with eight bytes of data; returns where the next begins. */
__attribute__((noinline)) static const char *take_rest(struct lt_log_lines *lines, const char *data,
                                                       struct lt_frame *frame)
{
    const char *next = memchr(data, '\n', (size_t)(lines->end - data));
    if (!next)
        return NULL;
    const char *eol = next;
    uint16_t sent = 0;
    eol -= eol > data && eol[-1] == '\r';
    if (eol - data >= 2 && eol[-2] == ' ' && (eol[-1] == 'R' || eol[-1] == 'T')) {
        sent = eol[-1] == 'T' ? LT_FRAME_SENT : 0;
        eol -= 2;
    }
    size_t count = (size_t)(eol - data);
    if ((count > 16 || count % 2 != 0 || !take_classic(data, count, frame)) &&
        (count == 0 || *data != '#' || !take_fd(lines, data, count, frame)) &&
        !take_remote(data, count, frame))
        return NULL;
    frame->flags |= sent;
    lines->flags |= frame->flags; /* what does not come here is classic, and has none */
    return next + 1;
}

static inline const char *take_line(struct lt_log_lines *lines, const char *at,
                                    struct lt_frame *frame)
{
    struct lt_log_head *head = &lines->head;
    uint32_t fraction_ns;
    if (!head_is_same(head, at) && !lt_log_learn_head(head, at))
        return NULL;
    const char *name = take_fraction(at + head->len, &fraction_ns), *id;
    if (!name)
        return NULL;
    /* "(" before the text; ") " behind it */
    frame->time_len = (uint8_t)(name - at - 3);
    while (*name == ' ')
        name++;
    if (!lt_log_find_name(lines, name, &frame->bus))
        return NULL;
    id = name + lines->name_len;
    const char *data = take_id(id, frame);
    if (!data || data > lines->end)
        return NULL;
    frame->time_ns = head->seconds_ns + fraction_ns;
    frame->time_text = at + 1;
    /* A line break before it would be no hex digit. */
    if (data[16] == '\n' && take_classic(data, 16, frame))
        return data + 17;
    return take_rest(lines, data, frame);
}

const char *lt_log_take_line(struct lt_log_lines *lines, const char *at, struct lt_frame *frame)
{
    return take_line(lines, at, frame);
}

void lt_log_take_portable(struct lt_log_lines *lines)
{
    const char *at = lines->at, *end = lines->end, *next;
    struct lt_frame *frame = lines->frame;
    for (; at < end && frame < lines->stop; at = next, frame++) {
        next = take_line(lines, at, frame);
        if (!next)
            break;
    }
    lines->at = at;
    lines->frame = frame;
}

lt_log_take *lt_log_take_best(void)
{
#if defined(__x86_64__) && !defined(LT_PORTABLE)
    if (__builtin_cpu_supports("avx2") && __builtin_cpu_supports("bmi") &&
        __builtin_cpu_supports("bmi2") && __builtin_cpu_supports("popcnt"))
        return lt_log_take_avx2;
#endif
    return lt_log_take_portable;
}

void lt_candump_log_fast(struct lt_reader *reader)
{
    struct lt_log_lines *lines = &reader->lines;
    struct lt_frame *first = reader->batch + reader->batch_count;
    lines->at = reader->input.at;
    lines->end = reader->whole_end;
    lines->buses = &reader->buses;
    lines->frame = first;
    lines->stop = reader->batch + LT_BATCH;
    lines->oddities = 0;
    lines->flags = 0;
    reader->take(lines);
    size_t count = (size_t)(lines->frame - first);
    reader->input.at = lines->at;
    reader->batch_count += count;
    reader->counts.oddities += lines->oddities;
    lt_reader_count_frames(reader, first, count, lines->flags);
}
