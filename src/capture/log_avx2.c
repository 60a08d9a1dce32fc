/* The quick path for candump's log form with AVX2 and BMI2: see log_lines.h and log_fast.c, whose
 * results it gives. Compiled with its own flags and entered only where the processor knows these
 * instructions.
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

/* What a line is tested with. The constants are kept here too: as operands in memory they cost
 * nothing, while the compilers would make them anew for every line. */
struct line_test {
    __m256i template, limit; /* of the head */
    __m256i after_9, six, digit_base, upper_case, letter_base, ten, no_digit, low_nibble, pairs;
    int64_t seconds_ns;
    ptrdiff_t len; /* below 0: no head yet */
    uint8_t time_len;
};

static void set_constants(struct line_test *test)
{
    test->after_9 = _mm256_set1_epi8((char)(0xFF - '9'));
    test->six = _mm256_set1_epi8(6);
    test->digit_base = _mm256_set1_epi8((char)0xF0);
    test->upper_case = _mm256_set1_epi8((char)0xDF);
    test->letter_base = _mm256_set1_epi8('A');
    test->ten = _mm256_set1_epi8(10);
    test->no_digit = _mm256_set1_epi8(0x70);
    test->low_nibble = _mm256_set1_epi8(0x0F);
    test->pairs = _mm256_set1_epi16(0x0110);
}

static void set_head(struct line_test *test, const struct lt_log_head *head)
{
    char template[32] = {0}, limit[32];
    if (head->len == 0)
        return;
    memset(limit, -1, sizeof limit);
    memcpy(template + HALF - head->len, head->text, head->len);
    memset(limit + HALF - head->len, 0, head->len);
    memcpy(template + HALF, "000000) ", 8);
    memcpy(limit + HALF, "\x09\x09\x09\x09\x09\x09\x00\x00", 8);
    test->template = _mm256_loadu_si256((const __m256i *)template);
    test->limit = _mm256_loadu_si256((const __m256i *)limit);
    test->seconds_ns = head->seconds_ns;
    test->len = (ptrdiff_t)head->len;
    test->time_len = (uint8_t)(head->len - 1 + 6);
}

/* The six digits of the fraction (0..9 each) in the upper half's lowest bytes, as a number. */
static inline uint32_t micros_of(__m256i digits)
{
    const __m128i tens = _mm_setr_epi8(10, 1, 10, 1, 10, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0);
    const __m128i hundreds = _mm_setr_epi16(10000, 100, 1, 0, 0, 0, 0, 0);
    __m128i pairs = _mm_maddubs_epi16(_mm256_extracti128_si256(digits, 1), tens);
    __m128i two = _mm_madd_epi16(pairs, hundreds);
    return (uint32_t)_mm_cvtsi128_si32(_mm_add_epi32(two, _mm_srli_epi64(two, 32)));
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

/* An identifier of 3 or 8 `digits` and the data from `at` on; returns where the next line begins,
 * or NULL. Inline with a constant, since 3 digits are the usual case by far. */
static inline __attribute__((always_inline)) const char *
take_id_and_data(const struct line_test *test, const char *at, unsigned digits,
                 struct lt_frame *frame)
{
    const char *hash = at + digits, *data = hash + 1;
    __m128i data_text = _mm_loadu_si128((const __m128i *)data);
    __m128i id_text = _mm_loadu_si128((const __m128i *)(hash - 8));
    __m256i nibbles = nibbles_of(test, _mm256_set_m128i(id_text, data_text));
    uint32_t bad = (uint32_t)_mm256_movemask_epi8(_mm256_adds_epu8(nibbles, test->no_digit));
    /* The identifier's digits end at the eighth byte of the upper half. */
    uint32_t must = digits == 3 ? 0x00E00000 : 0x00FF0000, count = 16;
    if (__builtin_expect(data[16] != '\n', 0)) {
        /* Not from `bad`, which comes later: the next line waits for this. */
        __m128i breaks = _mm_cmpeq_epi8(data_text, _mm_set1_epi8('\n'));
        count = (uint32_t)_mm_movemask_epi8(breaks);
        if (count == 0)
            return NULL;
        count = (uint32_t)__builtin_ctz(count);
        if (count % 2 != 0)
            return NULL;
    }
    if (bad & (must | _bzhi_u32(0xFFFF, count)))
        return NULL;
    /* What is no digit must not reach over into the digit it makes a byte with. */
    nibbles = _mm256_and_si256(nibbles, test->low_nibble);
    __m256i bytes = _mm256_maddubs_epi16(nibbles, test->pairs);
    bytes = _mm256_packus_epi16(bytes, bytes);
    uint32_t id =
        __builtin_bswap32((uint32_t)_mm_cvtsi128_si32(_mm256_extracti128_si256(bytes, 1)));
    frame->id = digits == 3 ? id & 0xFFF : id;
    if (frame->id > (digits == 3 ? LT_ID_MAX_STANDARD : LT_ID_MAX_EXTENDED))
        return NULL;
    uint64_t word = (uint64_t)_mm_cvtsi128_si64(_mm256_castsi256_si128(bytes));
    word = _bzhi_u64(word, 4 * count);
    memcpy(frame->data, &word, sizeof word);
    frame->flags = digits == 3 ? 0 : LT_FRAME_EXTENDED;
    frame->len = frame->raw_dlc = (uint8_t)(count / 2);
    return data + count + 1;
}

static inline const char *take_line(struct lt_log_lines *lines, const struct line_test *test,
                                    const char *at, struct lt_frame *frame)
{
    const char *fraction = at + test->len, *name = fraction + 8, *id = name + lines->name_len;
    __m256i text = _mm256_loadu_si256((const __m256i *)(fraction - HALF));
    __m256i digits = _mm256_sub_epi8(text, test->template);
    __m256i over = _mm256_subs_epu8(digits, test->limit);
    if (!_mm256_testz_si256(over, over))
        return NULL;
    uint64_t word;
    memcpy(&word, name, sizeof word);
    word &= lines->name_mask;
    const struct lt_bus_slot *slot = &lines->buses->slots[lt_bus_slot_of(word)];
    frame->bus = (uint16_t)slot->bus;
    if (__builtin_expect(slot->key != word || word == 0, 0) &&
        (*name == ' ' || !lt_log_find_name(lines, name, &frame->bus, &id)))
        return NULL;
    frame->time_ns = test->seconds_ns + (int64_t)micros_of(digits) * 1000;
    frame->time_text = at + 1;
    frame->time_len = test->time_len;
    if (id[3] == '#')
        return take_id_and_data(test, id, 3, frame);
    return id[8] == '#' ? take_id_and_data(test, id, 8, frame) : NULL;
}

/* By the portable parser, which may learn another head. */
__attribute__((noinline)) static const char *take_other(struct lt_log_lines *lines,
                                                        struct line_test *test, const char *at,
                                                        struct lt_frame *frame)
{
    const char *next = lt_log_take_line(lines, at, frame);
    if (lines->head.seconds_ns != test->seconds_ns || (ptrdiff_t)lines->head.len != test->len)
        set_head(test, &lines->head);
    return next;
}

void lt_log_take_avx2(struct lt_log_lines *lines)
{
    const char *at = lines->at, *end = lines->end, *next;
    struct lt_frame *frame = lines->frame;
    const struct lt_frame *stop = lines->stop;
    struct line_test test; /* the head only once there is one */
    set_constants(&test);
    test.len = -1;
    set_head(&test, &lines->head);
    if (test.len < 0 && at < end && frame < stop && take_other(lines, &test, at, frame) == NULL)
        return;
    for (; at < end && frame < stop; at = next, frame++) {
        next = take_line(lines, &test, at, frame);
        if (!next)
            next = take_other(lines, &test, at, frame);
        if (!next)
            break;
    }
    lines->at = at;
    lines->frame = frame;
}
