/* Borrowed texts, words, UTF-8, and buffers with a ceiling. */
#include "unit.h"

#include "loomtap/base/text.h"

static void words_and_pieces(void **state)
{
    struct lt_text rest = LT_TEXT("  a  bb\tc "), word;
    (void)state;
    assert_true(lt_text_word(&rest, &word) && lt_text_is(word, "a"));
    assert_true(lt_text_word(&rest, &word) && lt_text_is(word, "bb"));
    assert_true(lt_text_word(&rest, &word) && lt_text_is(word, "c"));
    assert_false(lt_text_word(&rest, &word));
    rest = LT_TEXT("1,,2");
    assert_true(lt_text_split(&rest, ',', &word) && lt_text_is(word, "1"));
    assert_true(lt_text_split(&rest, ',', &word) && word.len == 0);
    assert_true(lt_text_split(&rest, ',', &word) && lt_text_is(word, "2"));
    assert_false(lt_text_split(&rest, ',', &word));
    assert_true(lt_text_is(lt_text_trim(LT_TEXT(" \t x y \r\n")), "x y"));
}

/* The borderline forms of RFC 3629, section 4. */
static void utf8_as_rfc_3629_has_it(void **state)
{
    static const struct {
        const char *bytes;
        bool good;
    } rows[] = {{"\xC2\xB0"
                 "C",
                 true},
                {"\xC0\xB0", false},
                {"\xE0\x9F\xBF", false},
                {"\xE2\x82\xAC", true},
                {"\xED\xA0\x80", false},
                {"\xF0\x9F\x9A\x97", true},
                {"\xF4\x90\x80\x80", false},
                {"\xF5\x80\x80\x80", false},
                {"\x80", false},
                {"\xE2\x82", false},
                {"plain", true}};
    size_t bad;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        assert_int_equal(lt_text_is_utf8(lt_text_of(rows[i].bytes), &bad), rows[i].good);
    assert_false(lt_text_is_utf8((struct lt_text){"a\0b", 3}, &bad));
    assert_int_equal(bad, 1);
}

static void cutting_keeps_characters_whole(void **state)
{
    char text[5];
    (void)state;
    assert_int_equal(lt_text_format(text, sizeof text, "abc\xC2\xB0"), 3);
    assert_string_equal(text, "abc");
    assert_int_equal(lt_text_format(text, sizeof text,
                                    "ab\xC2\xB0"
                                    "d"),
                     4);
    assert_string_equal(text, "ab\xC2\xB0");
    assert_int_equal(lt_text_format(text, sizeof text, "a\xF0\x9F\x9A\x97"), 1);
}

static void a_cut_text_ends_at_a_character(void **state)
{
    (void)state;
    assert_true(lt_text_is(lt_text_cut(LT_TEXT("abc\u00B0d"), 4), "abc"));
    assert_true(lt_text_is(lt_text_cut(LT_TEXT("abc\u00B0d"), 5), "abc\u00B0"));
    assert_true(lt_text_is(lt_text_cut(LT_TEXT("abc"), 3), "abc"));
    assert_true(lt_text_is(lt_text_cut(LT_TEXT("abc"), 0), ""));
}

static void a_full_buffer_fails_and_keeps_what_it_has(void **state)
{
    struct lt_buf buf;
    (void)state;
    lt_buf_init(&buf, 10);
    lt_buf_string(&buf, "12345");
    lt_buf_format(&buf, "%s", "678901");
    assert_true(buf.failed);
    assert_string_equal(buf.at, "12345");
    lt_buf_clear(&buf);
    lt_buf_format(&buf, "%d%s", 12345, "67890");
    assert_false(buf.failed);
    assert_string_equal(buf.at, "1234567890");
    lt_buf_release(&buf);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(words_and_pieces),
        cmocka_unit_test(utf8_as_rfc_3629_has_it),
        cmocka_unit_test(cutting_keeps_characters_whole),
        cmocka_unit_test(a_cut_text_ends_at_a_character),
        cmocka_unit_test(a_full_buffer_fails_and_keeps_what_it_has),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
