/* Pages: text from outside stays text, and nothing is fetched from elsewhere. */
#include "unit.h"

#include "loomtap/report/html.h"

struct written {
    struct lt_sink sink;
    struct lt_buf out;
};

static struct written *begin(void)
{
    struct written *written = malloc(sizeof *written);
    assert_non_null(written);
    lt_buf_init(&written->out, 0);
    lt_sink_init_buf(&written->sink, &written->out);
    return written;
}

static const char *text_of(struct written *written)
{
    assert_true(lt_sink_flush(&written->sink));
    return written->out.at;
}

static void end(struct written *written)
{
    lt_buf_release(&written->out);
    free(written);
}

static void text_cannot_become_markup(void **state)
{
    struct written *written = begin();
    (void)state;
    lt_html_escape(&written->sink, LT_TEXT("<script>\"a\" & 'b'</script>"));
    assert_string_equal(text_of(written), "&lt;script&gt;&quot;a&quot; &amp; "
                                          "&#39;b&#39;&lt;/script&gt;");
    end(written);
}

/* U+FFFD is EF BF BD (Unicode, section 23.8). */
static void bytes_that_are_no_text_are_replaced(void **state)
{
    struct written *written = begin();
    (void)state;
    lt_html_escape(&written->sink, LT_TEXT("a\xC3(\x01"
                                           "b\xE2\x82\xAC\xFF"));
    assert_string_equal(text_of(written), "a\xEF\xBF\xBD(\xEF\xBF\xBD"
                                          "b\xE2\x82\xAC\xEF\xBF\xBD");
    end(written);
}

static void elements_close_in_their_order(void **state)
{
    struct written *written = begin();
    struct lt_html html;
    (void)state;
    lt_html_begin(&html, &written->sink, "a < b", ".x{color:#000}");
    size_t head = 0;
    assert_non_null(strstr(text_of(written), "<title>a &lt; b</title>"));
    assert_non_null(strstr(text_of(written), ".x{color:#000}</style>"));
    head = written->out.len;
    lt_html_open(&html, "table", NULL);
    lt_html_open(&html, "tr", "odd");
    lt_html_line(&html, "td", "number", "%d", 5);
    lt_html_close(&html);
    lt_html_close(&html);
    lt_html_end(&html);
    assert_string_equal(text_of(written) + head,
                        "<table><tr class=\"odd\"><td class=\"number\">5</td>\n</tr>\n</table>\n"
                        "</body></html>\n");
    end(written);
}

static void what_is_folded_is_there_for_print(void **state)
{
    struct written *written = begin();
    struct lt_html html;
    (void)state;
    lt_html_begin(&html, &written->sink, "t", NULL);
    text_of(written);
    size_t head = written->out.len;
    lt_html_fold(&html, "%d <fields>", 2);
    lt_html_string(&html, "x");
    lt_html_close(&html);
    lt_html_close(&html);
    lt_html_end(&html);
    const char *page = text_of(written);
    assert_string_equal(page + head, "<div class=\"fold\"><input type=\"checkbox\" id=\"fold1\">"
                                     "<label for=\"fold1\">2 &lt;fields&gt;</label>\n"
                                     "<div class=\"folded\">x</div>\n</div>\n</body></html>\n");
    /* Hiding is a rule for screens alone. */
    const char *hidden = strstr(page, "~.folded{display:none}");
    assert_non_null(hidden);
    assert_null(strstr(hidden + 1, "~.folded{display:none}"));
    assert_non_null(strstr(page, "@media screen{.fold>input:not(:checked)~.folded{display:none}}"));
    assert_null(strstr(page, "<details"));
    end(written);
}

static void a_page_fetches_nothing(void **state)
{
    struct written *written = begin();
    struct lt_html html;
    (void)state;
    lt_html_begin(&html, &written->sink, "t", NULL);
    lt_html_end(&html);
    const char *page = text_of(written);
    assert_non_null(strstr(page, "default-src 'none'"));
    assert_null(strstr(page, "http:"));
    assert_null(strstr(page, "https:"));
    assert_null(strstr(page, "<script"));
    assert_null(strstr(page, "url("));
    end(written);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(text_cannot_become_markup),
        cmocka_unit_test(bytes_that_are_no_text_are_replaced),
        cmocka_unit_test(elements_close_in_their_order),
        cmocka_unit_test(what_is_folded_is_there_for_print),
        cmocka_unit_test(a_page_fetches_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
