/* The summary of a file that several threads take apart in pieces, against that of one reader: the
 * same bytes, whatever the pieces and the kinds of frames in them. */
#include "unit.h"

#include <unistd.h>

#include "profile_text.h"

#include "loomtap/capture/pieces.h"
#include "loomtap/decode/decode.h"

#define NS_PER_S INT64_C(1000000000)

static uint64_t random_state = 20250611;

static unsigned random_below(unsigned limit)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return (unsigned)(random_state % limit);
}

/* Simple frames; one with a counter and one with selector pages, which go the general way; a PGN,
 * whose frames come with any priority; a parameter in diagnostic replies. */
static const char car[] = "[profile]\nformat = 1\nname = car\n"
                          "[frame a]\nid = 0x100\nlength = 8\n"
                          "[signal a1]\nframe = a\nbits = 0.7..1.0\norder = motorola\n"
                          "[signal a2]\nframe = a\nbits = 7.7..6.0\norder = intel\nsign = twos\n"
                          "[frame b]\nid = 0x101\nlength = 8\n"
                          "[signal b1]\nframe = b\nbits = 3.7..3.0\nunavailable = 0xFF\n"
                          "[frame counted]\nid = 0x102\nlength = 8\ncounter = 6.3..6.0\n"
                          "[signal c1]\nframe = counted\nbits = 0.7..0.0\n"
                          "[frame paged]\nid = 0x103\nlength = 8\n"
                          "[signal kind]\nframe = paged\nbits = 0.1..0.0\n"
                          "[signal d1]\nframe = paged\nbits = 1.7..1.0\npage = kind 1\n"
                          "[frame group]\npgn = 61444\nlength = 8\n"
                          "[signal g1]\nframe = group\nbits = 4.7..3.0\norder = intel\n"
                          "[parameter rpm]\nservice = 0x01\npid = 0x0C\n"
                          "[signal r1]\nparameter = rpm\nbits = 0.7..1.0\norder = motorola\n";

/* A second profile with one identifier of the first, and one exact identifier of the group: frames
 * of the group with this priority belong to two streams, those with another to one. */
static const char other[] = "[profile]\nformat = 1\nname = other\n"
                            "[frame x]\nid = 0x101\nlength = 8\n"
                            "[signal x1]\nframe = x\nbits = 2.7..2.0\n"
                            "[frame exact]\nid = 0x0CF00400\nextended = yes\nlength = 8\n"
                            "[signal e1]\nframe = exact\nbits = 1.7..1.0\n";

static size_t print_frame(char *to, bool odd)
{
    static const char *const ids[] = {"100",      "101",      "102",      "103",
                                      "0CF00400", "0CF00403", "18F00400", "18F00403",
                                      "18FEF100", "7E8",      "7DF",      "7FF"};
    unsigned kind = random_below(COUNT_OF(ids) + 4);
    if (odd && random_below(50) == 0)
        return (size_t)sprintf(to, "123#R");
    if (odd && random_below(50) == 0)
        return (size_t)sprintf(to, "100##1%016X", random_below(1 << 30));
    size_t len = kind < COUNT_OF(ids) ? (size_t)sprintf(to, "%s#", ids[kind])
                                      : (size_t)sprintf(to, "%03X#", 0x200 + random_below(300));
    if (kind == 9)
        return len + (size_t)sprintf(to + len, "04410C%04X000000", random_below(65536));
    for (unsigned i = odd ? random_below(9) : 8; i > 0; i--)
        len += (size_t)sprintf(to + len, "%02X", random_below(256));
    return len;
}

enum log_kind { WHOLE, CLOCK_SET, ODD, LOG_KINDS };

/* In order; or with a clock that was set back; or with everything that may be wrong, rarely. */
static size_t make_log(char *text, size_t room, enum log_kind kind)
{
    bool odd = kind == ODD;
    uint64_t time_us = 1700000000000000u;
    size_t len = 0;
    while (len + 200 < room) {
        time_us += random_below(500);
        uint64_t shown_us = odd && random_below(3000) == 0 ? time_us - 1000000 : time_us;
        if (kind != WHOLE && random_below(8000) == 0)
            time_us -= 300000; /* what follows is in order again */
        if (odd && random_below(3000) == 0)
            len += (size_t)sprintf(text + len, "what is this\n");
        len += (size_t)sprintf(text + len, "(%llu.%06llu) can%u ",
                               (unsigned long long)shown_us / 1000000,
                               (unsigned long long)shown_us % 1000000, random_below(2));
        len += print_frame(text + len, odd);
        text[len++] = '\n';
    }
    return len;
}

/* `piece` 0: not split. */
static void summarise(struct lt_buf *out, const char *path,
                      const struct lt_profile *const *profiles, size_t count, size_t piece,
                      unsigned threads, const struct lt_time_bound *to)
{
    struct lt_decode_options options = {.form = LT_DECODE_SUMMARY, .threads = threads, .to = *to};
    struct lt_reader *reader = NULL;
    struct lt_decode *decode = NULL;
    struct lt_sink sink;
    assert_int_equal(lt_reader_open(&reader, path, NULL, NULL), LT_OK);
    lt_reader_set_split(reader, piece ? 1 : PTRDIFF_MAX, piece);
    lt_buf_init(out, 0);
    lt_sink_init_buf(&sink, out);
    assert_int_equal(lt_decode_new(&decode, reader, profiles, count, &options, NULL, NULL), LT_OK);
    assert_int_equal(lt_decode_run(decode, &sink, NULL), LT_OK);
    lt_decode_summary_json(decode, &sink);
    lt_decode_summary(decode, &sink);
    assert_true(lt_sink_flush(&sink));
    lt_decode_free(decode);
    lt_reader_free(reader);
}

static void check_same(const struct lt_buf *whole, const struct lt_buf *split)
{
    size_t at = 0;
    while (at < whole->len && at < split->len && whole->at[at] == split->at[at])
        at++;
    size_t from = at < 200 ? 0 : at - 200;
    if (at < whole->len || at < split->len)
        fail_msg("at %zu, whole:\n%.400s\nin pieces:\n%.400s", at, whole->at + from,
                 split->at + from);
}

enum { LOG_BYTES = 900000 }; /* the first block and the head are not split */

static void check_log(const char *path, const struct lt_profile *const *profiles, unsigned round)
{
    static const size_t pieces[] = {3000, 20000, 100000};
    struct lt_time_bound to = {0};
    struct lt_buf whole, split;
    if (round % 4 == 3)
        to = (struct lt_time_bound){
            .given = true, .from_start = true, .ns = NS_PER_S * (3 + random_below(3))};
    size_t count = 1 + round / LOG_KINDS % 2;
    summarise(&whole, path, profiles, count, 0, 1, &to);
    assert_true(whole.len > 1000);
    summarise(&split, path, profiles, count, pieces[round / 2 % 3], 2 + round / 3 % 3, &to);
    check_same(&whole, &split);
    lt_buf_release(&whole);
    lt_buf_release(&split);
}

static void pieces_give_the_summary_of_one_reader(void **state)
{
    struct loaded first = load_good(car), second = load_good(other);
    const struct lt_profile *profiles[] = {first.profile, second.profile};
    char *text = malloc(LOG_BYTES);
    (void)state;
    assert_non_null(text);
    for (unsigned round = 0; round < 24; round++) {
        char path[] = "/tmp/loomtap-digest-XXXXXX";
        size_t len = make_log(text, LOG_BYTES, round % LOG_KINDS);
        int fd = mkstemp(path);
        assert_true(fd >= 0);
        assert_int_equal(write(fd, text, len), (ssize_t)len);
        close(fd);
        check_log(path, profiles, round);
        unlink(path);
    }
    free(text);
    release(&first);
    release(&second);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pieces_give_the_summary_of_one_reader),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
