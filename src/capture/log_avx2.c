/* The quick path for candump's log form with AVX2, BMI and POPCNT: see log_lines.h and log_fast.c,
 * whose results it gives. Compiled with its own flags and entered only where the processor knows
 * these instructions.
 *
 * One 32-byte register holds the line's time, placed so that the fraction begins at its middle:
 *
 *     . . . . . ( 1 4 3 6 5 0 9 0 5 2 . | 2 4 9 7 1 3 ) _ . . .
 *
 * Subtracting a template (the second that was learnt, and six "0") leaves the digits; whatever is
 * above a limit (0 for what must be the same, 9 for digits, 255 for what is not looked at) is no
 * usual line. A second register holds data and identifier, one in each half, so that both go
 * through the same hex steps. A line that does not fit goes to the portable line parser. */
#include "capture/log_lines.h"

#include <immintrin.h>

#include "loomtap/base/bytes.h"

#define HALF 16 /* where the fraction begins */
/* Line breaks found at a time. Few, since the work is lost when an unusual line ends the run. */
#define BREAKS 32
#define CHUNK  64 /* characters looked at in one go */

#define COUNTS 17 /* of data characters: 0 to 16 */

/* What a line is tested with. The constants are kept here too: as operands in memory they cost
 * nothing, while the compilers would make them anew for every line. */
struct line_test {
    __m256i template, limit; /* of the head */
    __m256i after_9, six, digit_base, upper_case, letter_base, ten, no_digit, pairs, gather;
    uint64_t thousand_twice;
    int64_t seconds_ns;
    ptrdiff_t len; /* below 0: no head yet */
    /* By count of data characters: which of the 32 must be digits, with 3 and with 8 digits of the
     * identifier; len, raw_dlc and time_len as one word; which of the bytes are data. */
    uint32_t must_3[COUNTS], must_8[COUNTS], lens[COUNTS];
    uint64_t kept[COUNTS];
};

/* Where what is written in one go lies in a frame. */
#define AT(member) offsetof(struct lt_frame, member)
_Static_assert(AT(flags) == AT(bus) + 2, "bus and flags are one word");
_Static_assert(AT(raw_dlc) == AT(len) + 1 && AT(time_len) == AT(len) + 2 &&
                   AT(time_text) >= AT(len) + 4,
               "len, raw_dlc and time_len are one word with a byte of padding");

/* The data's characters are in the lower half, the identifier's at the end of the upper half's
 * first eight. An odd count asks for a digit where "#" is, so that it never fits. */
#define HASH_AT 0x01000000
#define MUST(id)                                                                                   \
    {                                                                                              \
        id, HASH_AT, id | 0x0003, HASH_AT, id | 0x000F, HASH_AT, id | 0x003F, HASH_AT,             \
            id | 0x00FF, HASH_AT, id | 0x03FF, HASH_AT, id | 0x0FFF, HASH_AT, id | 0x3FFF,         \
            HASH_AT, id | 0xFFFF                                                                   \
    }
static const uint32_t must_3[COUNTS] = MUST(0x00E00000);
static const uint32_t must_8[COUNTS] = MUST(0x00FF0000);

static void set_constants(struct line_test *test)
{
    test->after_9 = _mm256_set1_epi8((char)(0xFF - '9'));
    test->six = _mm256_set1_epi8(6);
    test->digit_base = _mm256_set1_epi8((char)0xF0);
    test->upper_case = _mm256_set1_epi8((char)0xDF);
    test->letter_base = _mm256_set1_epi8('A');
    test->ten = _mm256_set1_epi8(10);
    test->no_digit = _mm256_set1_epi8(0x70);
    test->pairs = _mm256_set1_epi16(0x0110);
    /* The lower byte of each pair; of the identifier the last first, since its text begins with
     * the highest. */
    test->gather = _mm256_setr_epi8(0, 2, 4, 6, 8, 10, 12, 14, -1, -1, -1, -1, -1, -1, -1, -1, 6, 4,
                                    2, 0, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1);
    test->thousand_twice = UINT64_C(1000) << 32 | 1000;
    memcpy(test->must_3, must_3, sizeof must_3);
    memcpy(test->must_8, must_8, sizeof must_8);
    for (uint32_t i = 0; i < COUNTS; i++)
        test->kept[i] = _bzhi_u64(UINT64_MAX, 4 * i);
}

static void set_head(struct line_test *test, const struct lt_log_head *head)
{
    char template[32], limit[32];
    if (head->len == 0)
        return;
    memset(limit, -1, sizeof limit);
    memset(limit + HALF - head->len, 0, HALF);
    memset(limit + HALF + 8, -1, 8);
    memcpy(limit + HALF, "\x09\x09\x09\x09\x09\x09\x00\x00", 8);
    memset(template, 0, sizeof template);
    memcpy(template + HALF - head->len, head->text, HALF);
    memcpy(template + HALF, "000000) ", 8);
    test->template = _mm256_loadu_si256((const __m256i *)template);
    test->limit = _mm256_loadu_si256((const __m256i *)limit);
    test->seconds_ns = head->seconds_ns;
    test->len = (ptrdiff_t)head->len;
    uint32_t time_len = (uint32_t)head->len - 1 + 6;
    for (uint32_t i = 0; i < COUNTS; i++)
        test->lens[i] = i / 2 * 0x0101 | time_len << 16;
}

/* The six digits of the fraction (0..9 each) in the upper half's lowest bytes, as nanoseconds. */
static inline uint64_t nanos_of(const struct line_test *test, __m256i digits)
{
    const __m128i tens = _mm_setr_epi8(10, 1, 10, 1, 10, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0);
    const __m128i hundreds = _mm_setr_epi16(10000, 100, 1, 0, 0, 0, 0, 0);
    __m128i pairs = _mm_maddubs_epi16(_mm256_extracti128_si256(digits, 1), tens);
    uint64_t two = (uint64_t)_mm_cvtsi128_si64(_mm_madd_epi16(pairs, hundreds));
    /* Both parts times 1000, added up in the upper half: below 2^32 each and together. */
    return (two * test->thousand_twice) >> 32;
}

/* 0..15 for hex digits, at least 16 for everything else. */
static inline __m256i nibbles_of(const struct line_test *test, __m256i text)
{
    /* '0'..'9' become 0xF6..0xFF, saturating moves all that is below out of the way. */
    __m256i digits = _mm256_add_epi8(text, test->after_9);
    digits = _mm256_sub_epi8(_mm256_subs_epu8(digits, test->six), test->digit_base);
    __m256i letters = _mm256_and_si256(text, test->upper_case);
    letters = _mm256_adds_epu8(_mm256_sub_epi8(letters, test->letter_base), test->ten);
    return _mm256_min_epu8(digits, letters);
}

/* An identifier of 3 or 8 `digits` and the data behind it, up to `eol`. Inline with a constant,
 * since 3 digits are the usual case by far. */
static inline __attribute__((always_inline)) bool take_id_and_data(const struct line_test *test,
                                                                   const char *at, const char *eol,
                                                                   unsigned digits, uint32_t bus,
                                                                   struct lt_frame *frame)
{
    const char *hash = at + digits, *data = hash + 1;
    size_t count = (size_t)(eol - data);
    if (count >= COUNTS)
        return false;
    __m128i data_text = _mm_loadu_si128((const __m128i *)data);
    __m128i id_text = _mm_loadu_si128((const __m128i *)(hash - 8));
    __m256i nibbles = nibbles_of(test, _mm256_set_m128i(id_text, data_text));
    uint32_t bad = (uint32_t)_mm256_movemask_epi8(_mm256_adds_epu8(nibbles, test->no_digit));
    if (bad & (digits == 3 ? test->must_3 : test->must_8)[count])
        return false;
    /* What is no digit reaches over into the upper part of its pair at most. */
    __m256i bytes = _mm256_maddubs_epi16(nibbles, test->pairs);
    bytes = _mm256_shuffle_epi8(bytes, test->gather);
    uint32_t id = (uint32_t)_mm_cvtsi128_si32(_mm256_extracti128_si256(bytes, 1));
    if (digits == 3)
        id &= 0xFFF; /* the character before it makes a pair with it */
    else
        bus |= (uint32_t)LT_FRAME_EXTENDED << 16;
    if (id > (digits == 3 ? LT_ID_MAX_STANDARD : LT_ID_MAX_EXTENDED))
        return false;
    frame->id = id;
    memcpy((char *)frame + AT(bus), &bus, sizeof bus);
    memcpy((char *)frame + AT(len), &test->lens[count], sizeof test->lens[count]);
    uint64_t word = (uint64_t)_mm_cvtsi128_si64(_mm256_castsi256_si128(bytes)) & test->kept[count];
    memcpy(frame->data, &word, sizeof word);
    return true;
}

/* Time, bus name and time's text; and where the identifier begins. */
static inline __attribute__((always_inline)) bool take_head(struct lt_log_lines *lines,
                                                            const struct line_test *test,
                                                            const char *at, struct lt_frame *frame,
                                                            uint32_t *ret_bus, const char **ret_id)
{
    const char *fraction = at + test->len, *id = fraction + 8 + lines->name_len;
    __m256i text = _mm256_loadu_si256((const __m256i *)(fraction - HALF));
    __m256i digits = _mm256_sub_epi8(text, test->template);
    __m256i over = _mm256_subs_epu8(digits, test->limit);
    if (!_mm256_testz_si256(over, over))
        return false;
    uint64_t word;
    memcpy(&word, fraction + 8, sizeof word);
    word &= lines->name_mask;
    const struct lt_bus_slot *slot = &lines->buses->slots[lt_bus_slot_of(word)];
    uint32_t bus = slot->bus;
    if (__builtin_expect(slot->key != word, 0)) {
        if (fraction[8] == ' ' || !lt_log_find_name(lines, fraction + 8, &frame->bus))
            return false;
        bus = frame->bus;
        id = fraction + 8 + lines->name_len;
    }
    frame->time_ns = test->seconds_ns + (int64_t)nanos_of(test, digits);
    frame->time_text = at + 1;
    *ret_bus = bus;
    *ret_id = id;
    return true;
}

static inline bool take_line(struct lt_log_lines *lines, const struct line_test *test,
                             const char *at, const char *eol, struct lt_frame *frame)
{
    uint32_t bus;
    const char *id;
    if (!take_head(lines, test, at, frame, &bus, &id))
        return false;
    if (id[3] == '#')
        return take_id_and_data(test, id, eol, 3, bus, frame);
    return id[8] == '#' && take_id_and_data(test, id, eol, 8, bus, frame);
}

/* Of the data of an FD frame, 32 characters at a time; stores past the length, within the room. */
static bool take_fd_data(const struct line_test *test, const char *at, size_t count, uint8_t *to)
{
    for (size_t i = 0; i < count; i += 32, at += 32, to += 16) {
        uint32_t must = _bzhi_u32(UINT32_MAX, (uint32_t)(count - i < 32 ? count - i : 32));
        __m256i nibbles = nibbles_of(test, _mm256_loadu_si256((const __m256i *)at));
        uint32_t bad = (uint32_t)_mm256_movemask_epi8(_mm256_adds_epu8(nibbles, test->no_digit));
        if (bad & must)
            return false;
        __m256i bytes = _mm256_maddubs_epi16(nibbles, test->pairs);
        bytes = _mm256_permute4x64_epi64(_mm256_packus_epi16(bytes, bytes), 0x08);
        _mm_storeu_si128((__m128i *)to, _mm256_castsi256_si128(bytes));
    }
    return true;
}

/* The identifier of 3 or 8 digits before "#". */
static bool take_id(const char *hash, size_t digits, struct lt_frame *frame)
{
    uint32_t id = 0;
    unsigned bad = 0;
    for (const char *at = hash - digits; at < hash; at++) {
        unsigned value = lt_hex_value(*at);
        id = id << 4 | (value & 15);
        bad |= value >> 4;
    }
    frame->id = id;
    frame->flags = digits == 8 ? LT_FRAME_EXTENDED : 0;
    return !bad && id <= (digits == 8 ? LT_ID_MAX_EXTENDED : LT_ID_MAX_STANDARD);
}

/* "##1" and the data, up to `eol`. */
static bool take_fd(struct lt_log_lines *lines, const struct line_test *test, const char *hash,
                    const char *eol, struct lt_frame *frame)
{
    const char *data = hash + 3;
    size_t count = (size_t)(eol - data);
    unsigned flags = lt_hex_value(hash[2]);
    if (flags > 15 || count > 2 * LT_FRAME_MAX || count % 2 != 0 ||
        !take_fd_data(test, data, count, frame->data))
        return false;
    frame->flags |= LT_FRAME_FD;
    frame->flags |= flags & 1 ? LT_FRAME_BRS : 0;
    frame->flags |= flags & 2 ? LT_FRAME_ESI : 0;
    frame->len = (uint8_t)(count / 2);
    frame->raw_dlc = lt_len_to_dlc(frame->len, true);
    lines->oddities += !lt_len_is_valid(frame->len, true);
    return true;
}

/* "#R" alone or with a length of 0..8, up to `eol`. */
static bool take_remote(const char *hash, const char *eol, struct lt_frame *frame)
{
    size_t count = (size_t)(eol - hash);
    if (count < 2 || count > 3 || (count == 3 && (hash[2] < '0' || hash[2] > '8')))
        return false;
    frame->flags |= LT_FRAME_REMOTE;
    frame->len = 0;
    frame->raw_dlc = count == 3 ? (uint8_t)(hash[2] - '0') : 0;
    return true;
}

/* What has another flag than EXTENDED. */
__attribute__((noinline)) static bool take_flagged(struct lt_log_lines *lines,
                                                   const struct line_test *test, const char *at,
                                                   const char *eol, struct lt_frame *frame)
{
    uint32_t bus;
    const char *hash;
    if (!take_head(lines, test, at, frame, &bus, &hash))
        return false;
    size_t digits = hash[3] == '#' ? 3 : 8;
    hash += digits;
    if (hash[0] != '#' || (hash[1] != '#' && (hash[1] | 0x20) != 'r') ||
        !take_id(hash, digits, frame))
        return false;
    bool good =
        hash[1] == '#' ? take_fd(lines, test, hash, eol, frame) : take_remote(hash, eol, frame);
    frame->bus = (uint16_t)bus;
    frame->time_len = (uint8_t)(test->lens[0] >> 16);
    if (good)
        lines->flags |= frame->flags;
    return good;
}

/* By the portable parser, which may learn another head. */
__attribute__((noinline)) static bool take_other(struct lt_log_lines *lines, struct line_test *test,
                                                 const char *at, struct lt_frame *frame)
{
    const char *next = lt_log_take_line(lines, at, frame);
    if (lines->head.seconds_ns != test->seconds_ns || (ptrdiff_t)lines->head.len != test->len)
        set_head(test, &lines->head);
    return next != NULL;
}

/* Where lines end, found ahead of taking them apart: a parser that learns the end of a line from
 * the line makes every line wait for the one before it. */
struct breaks {
    const char *scanned; /* up to here */
    const char *at[BREAKS + CHUNK];
};

static inline uint64_t breaks_in(const char *at)
{
    const __m256i line_break = _mm256_set1_epi8('\n');
    __m256i low = _mm256_cmpeq_epi8(_mm256_loadu_si256((const __m256i *)at), line_break);
    __m256i high = _mm256_cmpeq_epi8(_mm256_loadu_si256((const __m256i *)(at + 32)), line_break);
    return (uint32_t)_mm256_movemask_epi8(low) | (uint64_t)_mm256_movemask_epi8(high) << 32;
}

/* The next `want` breaks before `end`, or those that there are. */
static inline size_t find_breaks(struct breaks *breaks, const char *end, size_t want)
{
    const char *at = breaks->scanned;
    size_t count = 0;
    for (; count < want && at < end; at += CHUNK) {
        uint64_t first = breaks_in(at), second = _blsr_u64(first), rest = _blsr_u64(second);
        size_t after = count + (size_t)_mm_popcnt_u64(first);
        /* Two of them without a branch: whether there are two is anyone's guess. */
        breaks->at[count] = at + _tzcnt_u64(first);
        breaks->at[count + 1] = at + _tzcnt_u64(second);
        for (size_t i = count + 2; __builtin_expect(rest != 0, 0); rest = _blsr_u64(rest), i++)
            breaks->at[i] = at + _tzcnt_u64(rest);
        count = after;
    }
    breaks->scanned = at;
    while (count > 0 && breaks->at[count - 1] >= end)
        count--;
    return count;
}

void lt_log_take_avx2(struct lt_log_lines *lines)
{
    const char *at = lines->at;
    struct lt_frame *frame = lines->frame;
    struct line_test test; /* the head only once there is one */
    struct breaks breaks;
    breaks.scanned = at;
    set_constants(&test);
    test.len = -1;
    set_head(&test, &lines->head);
    if (test.len < 0 && at < lines->end && frame < lines->stop &&
        !take_other(lines, &test, at, frame))
        return;
    while (at < lines->end && frame < lines->stop) {
        size_t room = (size_t)(lines->stop - frame);
        size_t count = find_breaks(&breaks, lines->end, room < BREAKS ? room : BREAKS);
        count = count < room ? count : room;
        const char *const *next = breaks.at, *const *last = next + count;
        for (; next < last; next++, frame++) {
            const char *eol = *next;
            if (!take_line(lines, &test, at, eol, frame) &&
                !take_flagged(lines, &test, at, eol, frame) && !take_other(lines, &test, at, frame))
                break;
            at = eol + 1;
        }
        if (next < last)
            break;
    }
    lines->at = at;
    lines->frame = frame;
}
