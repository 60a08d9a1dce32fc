/* Every way in which inih (r55 as Debian 12 ships it) would misread a line, each refused with its
 * place or read rightly. The traps were found by trying the library; its ini.h names the limits
 * (INI_MAX_LINE, INI_ALLOW_MULTILINE ...). */
#include "profile_text.h"

#define HEAD "[profile]\nformat = 1\nname = t\n"

static void expect_refused(const struct wrong *wrong)
{
    expect_wrong(wrong, wrong->text, strlen(wrong->text), 0);
}

static void indented_pair_is_no_continuation(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){"indented pair", HEAD "title = a\n  x = v\n", 5, 1,
                                   "begins with a blank", "first column", .code = LT_E_SYNTAX});
    expect_refused(&(struct wrong){"tab", HEAD "title = a\n\tx = v\n", 5, 1, "begins with a blank",
                                   "first column", .code = LT_E_SYNTAX});
}

static void indented_section_is_no_continuation(void **state)
{
    (void)state;
    /* Nor do its keys land in the section above. */
    expect_refused(&(struct wrong){"indented section", HEAD " [bus b]\nbitrate = 500000\n", 4, 1,
                                   "begins with a blank", "first column", .code = LT_E_SYNTAX});
}

static void indented_comment_is_fine(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "title = a\n   ; b = c\n\t# [bus b]\n   \n");
    assert_string_equal(got.profile->title, "a");
    release(&got);
}

/* "[" 50 bytes "]" */
static void section_of_more_than_49_bytes_is_refused(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){
        "long section", HEAD "[bus aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa]\nbitrate = 1\n",
        4, 51, "50 bytes; at most 49", "shorten", .code = LT_E_LIMIT});
}

static void longest_names_are_read_whole(void **state)
{
    (void)state;
    /* 32 characters, in the section with the longest kind. */
    struct loaded got =
        load_good(HEAD "[parameter abcdefghijklmnopqrstuvwxyz012345]\nservice = 3\n");
    assert_string_equal(got.profile->parameters[0].name, "abcdefghijklmnopqrstuvwxyz012345");
    release(&got);
}

static void duplicate_keys_are_refused(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){"duplicate", HEAD "title = a\ntitle = b\n", 5, 1,
                                   "`title` is already given at t.ini:4", "remove one",
                                   .code = LT_E_DUPLICATE});
    expect_refused(&(struct wrong){"duplicate free key", HEAD "[fits]\na b = 1\na b = 2\n", 6, 1,
                                   "`a b` is already given at t.ini:5", "remove one",
                                   .code = LT_E_DUPLICATE});
}

static void duplicate_sections_are_refused(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){"duplicate section", HEAD "[bus b]\n[bus b]\n", 5, 2,
                                   "[bus b] is already given at t.ini:4", "rename",
                                   .code = LT_E_DUPLICATE});
    expect_refused(&(struct wrong){"duplicate plain section", HEAD "[fits]\n[fits]\n", 5, 2,
                                   "[fits] is already given at t.ini:4", "together",
                                   .code = LT_E_DUPLICATE});
}

static void colon_does_not_separate(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){"colon", HEAD "title: a\n", 4, 6, "`:` stands before",
                                   "key = value", .code = LT_E_SYNTAX});
    expect_refused(&(struct wrong){"colon before =", HEAD "a:b = c\n", 4, 2, "`:` stands before",
                                   "key = value", .code = LT_E_SYNTAX});
    struct loaded got = load_good(HEAD "title = a: b = c\n");
    assert_string_equal(got.profile->title, "a: b = c");
    release(&got);
}

/* A line "title = xxx" of `width` bytes. */
static size_t wide_line(char *text, size_t width, const char *end)
{
    memcpy(text, "title = ", 8);
    memset(text + 8, 'x', width - 8);
    memcpy(text + width, end, strlen(end));
    return width + strlen(end);
}

static void line_of_199_bytes_is_read_whole(void **state)
{
    (void)state;
    static const char *const ends[] = {"\n", "\r\n", "", "\n\n[bus b]\nbitrate = 500000\n"};
    for (size_t e = 0; e < 4; e++)
        for (size_t width = 196; width <= 199; width++) {
            char text[512] = HEAD;
            size_t head = strlen(text);
            struct loaded got = load_bytes(text, head + wide_line(text + head, width, ends[e]));
            assert_int_equal(got.code, LT_OK);
            assert_int_equal(strlen(got.profile->title), width - 8);
            assert_int_equal(got.profile->bus_count, e == 3);
            if (e == 3)
                assert_int_equal(got.profile->buses[0].place.line, 6);
            release(&got);
        }
}

static void line_of_200_bytes_is_refused(void **state)
{
    (void)state;
    for (size_t width = 200; width < 420; width++) {
        char text[1024] = HEAD;
        size_t head = strlen(text);
        size_t len = head + wide_line(text + head, width, "\n[bus b]\nbitrate = 500000\n");
        const struct wrong wrong = {"long line",   text,      4,     200,
                                    "at most 199", "shorten", false, LT_E_LIMIT};
        expect_wrong(&wrong, text, len, 0);
    }
}

static void long_comment_line_is_refused_too(void **state)
{
    (void)state;
    char text[512] = HEAD;
    size_t head = strlen(text);
    memset(text + head, ';', 250);
    const struct wrong wrong = {"long comment",  text,  4,         200, "at most 199",
                                "several lines", false, LT_E_LIMIT};
    expect_wrong(&wrong, text, head + 250, 0);
}

static void handler_gets_line_and_column(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){"number", HEAD "\n; c\n[bus b]\nbitrate   =   fast\n", 7, 15,
                                   "`fast` is not a whole number", "decimal"});
}

static void nul_is_refused(void **state)
{
    (void)state;
    static const char text[] = HEAD "title = a\0b\n[bus b]\n";
    const struct wrong wrong = {"NUL", text, 4, 10, "NUL", "delete", false, LT_E_SYNTAX};
    expect_wrong(&wrong, text, sizeof text - 1, 0);
    static const char first[] = HEAD "\0title = a\n";
    const struct wrong at_start = {"NUL first", first, 4, 1, "NUL", "delete", false, LT_E_SYNTAX};
    expect_wrong(&at_start, first, sizeof first - 1, 0);
}

/* The chunk behind a full buffer starting with NUL made a later inih read before its buffer. */
static void nul_behind_a_full_buffer_is_refused(void **state)
{
    (void)state;
    for (size_t width = 198; width <= 201; width++) {
        char text[512] = HEAD;
        size_t head = strlen(text);
        size_t len = head + wide_line(text + head, width, "");
        memcpy(text + len, "\0\n", 2);
        struct loaded got = load_bytes(text, len + 2);
        assert_int_equal(got.code, LT_E_FAULTS);
        assert_int_equal(got.faults.items[0].line, 4);
        release(&got);
    }
}

static void control_bytes_are_refused(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){"escape", HEAD "title = a\x1B[31m\n", 4, 10, "0x1B", "delete"});
    expect_refused(&(struct wrong){"delete", HEAD "title = a\x7F\n", 4, 10, "0x7F", "delete"});
    expect_refused(&(struct wrong){"C1", HEAD "title = a\xC2\x9B\n", 4, 10, "0xC2", "delete"});
    expect_refused(&(struct wrong){"vertical tab", HEAD "title = a\vb\n", 4, 10, "0x0B", "delete"});
    expect_refused(
        &(struct wrong){"lone CR", HEAD "title = a\rname = b\n", 4, 10, "0x0D", "delete"});
    expect_refused(&(struct wrong){"in a comment", HEAD "; a\x01\n", 4, 4, "0x01", "delete"});
}

static void invalid_utf8_is_refused(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){"Latin-1", HEAD "title = 5 \xB0\x43\n", 4, 11, "not valid UTF-8",
                                   "save the file as UTF-8"});
    struct loaded got = load_good(HEAD "title = 5 °C · größer\n");
    assert_string_equal(got.profile->title, "5 °C · größer");
    release(&got);
}

static void missing_bracket_is_refused_with_its_keys(void **state)
{
    (void)state;
    /* The keys of the broken section are not given to the one above. */
    expect_refused(&(struct wrong){"no ]", HEAD "[bus b\nbitrate = 500000\ntitle = z\n", 4, 7,
                                   "`]` is missing", "[kind name]"});
    expect_refused(&(struct wrong){"comment inside", HEAD "[bus ; b]\nbitrate = 500000\n", 4, 6,
                                   "`]` is missing", "[kind name]"});
}

static void words_behind_a_section_are_refused(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){"junk", HEAD "[bus b] bitrate = 500000\n", 4, 9,
                                   "`bitrate = 500000` stands behind", "lines of their own"});
    expect_refused(&(struct wrong){"hash", HEAD "[bus b] # c\n", 4, 9, "stands behind",
                                   "comment begins with `;`"});
    struct loaded got = load_good(HEAD "[bus b]  ; comment with ]\n[ bus   c ];x\n");
    assert_int_equal(got.profile->bus_count, 2);
    assert_string_equal(got.profile->buses[1].name, "c");
    release(&got);
}

static void byte_order_mark_is_accepted_at_the_start_only(void **state)
{
    (void)state;
    struct loaded got = load_good("\xEF\xBB\xBF" HEAD);
    release(&got);
    got = load_text("\xEF\xBB\xBF" HEAD "\xEF\xBB\xBFtitle = x\n");
    assert_int_equal(got.code, LT_E_FAULTS);
    assert_int_equal(got.faults.items[0].line, 4);
    release(&got);
}

static void comments_are_cut_as_inih_cuts_them(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "title = a;b #c ; d\n[bus b]\naccess = e	;f\n");
    assert_string_equal(got.profile->title, "a;b #c");
    assert_string_equal(got.profile->buses[0].access, "e");
    release(&got);
    expect_refused(&(struct wrong){"; first", HEAD "title =;x\n", 4, 8, "directly behind the `=`",
                                   "blank before"});
    expect_refused(
        &(struct wrong){"= in a comment", HEAD "title ; = x\n", 4, 1, "neither", "comment"});
}

static void a_value_is_never_empty(void **state)
{
    (void)state;
    expect_refused(&(struct wrong){"empty", HEAD "title =\n", 4, 7, "`title` has no value",
                                   "remove the line"});
    expect_refused(&(struct wrong){"comment alone", HEAD "title = ; x\n", 4, 7, "has no value",
                                   "remove the line"});
    expect_refused(&(struct wrong){"no key", HEAD "= x\n", 4, 1, "no key", "key = value"});
    expect_refused(&(struct wrong){"no separator", HEAD "title\n", 4, 1, "neither", "= value"});
}

static void empty_sections_are_seen(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "[bus a]\n[bus b]");
    assert_int_equal(got.profile->bus_count, 2);
    release(&got);
}

static void crlf_and_a_last_line_without_end_are_fine(void **state)
{
    (void)state;
    struct loaded got = load_good("[profile]\r\nformat = 1\r\nname = t\r\n\r\ntitle = x");
    assert_string_equal(got.profile->title, "x");
    release(&got);
}

static void faults_behind_a_refused_line_are_found_too(void **state)
{
    (void)state;
    struct loaded got = load_text("[profile]\nformat = 1\nname = t\n indented = 1\nfromat = 1\n"
                                  "title: x\n[bos b]\nbitrate = 1\n[bus B]\n");
    static const unsigned lines[] = {4, 5, 6, 7, 9};
    assert_int_equal(got.faults.count, 5);
    for (size_t i = 0; i < 5; i++)
        assert_int_equal(got.faults.items[i].line, lines[i]);
    release(&got);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(indented_pair_is_no_continuation),
        cmocka_unit_test(indented_section_is_no_continuation),
        cmocka_unit_test(indented_comment_is_fine),
        cmocka_unit_test(section_of_more_than_49_bytes_is_refused),
        cmocka_unit_test(longest_names_are_read_whole),
        cmocka_unit_test(duplicate_keys_are_refused),
        cmocka_unit_test(duplicate_sections_are_refused),
        cmocka_unit_test(colon_does_not_separate),
        cmocka_unit_test(line_of_199_bytes_is_read_whole),
        cmocka_unit_test(line_of_200_bytes_is_refused),
        cmocka_unit_test(long_comment_line_is_refused_too),
        cmocka_unit_test(handler_gets_line_and_column),
        cmocka_unit_test(nul_is_refused),
        cmocka_unit_test(nul_behind_a_full_buffer_is_refused),
        cmocka_unit_test(control_bytes_are_refused),
        cmocka_unit_test(invalid_utf8_is_refused),
        cmocka_unit_test(missing_bracket_is_refused_with_its_keys),
        cmocka_unit_test(words_behind_a_section_are_refused),
        cmocka_unit_test(byte_order_mark_is_accepted_at_the_start_only),
        cmocka_unit_test(comments_are_cut_as_inih_cuts_them),
        cmocka_unit_test(a_value_is_never_empty),
        cmocka_unit_test(empty_sections_are_seen),
        cmocka_unit_test(crlf_and_a_last_line_without_end_are_fine),
        cmocka_unit_test(faults_behind_a_refused_line_are_found_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
