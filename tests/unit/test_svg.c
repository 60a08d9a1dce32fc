/* Pictures: numbers with a point and two decimals at most, whatever they are. */
#include "unit.h"

#include <math.h>

#include "loomtap/report/svg.h"

static void check(void (*draw)(struct lt_html *), const char *wanted)
{
    struct lt_sink *sink = malloc(sizeof *sink);
    struct lt_buf out;
    assert_non_null(sink);
    lt_buf_init(&out, 0);
    lt_sink_init_buf(sink, &out);
    struct lt_html html = {.sink = sink};
    draw(&html);
    assert_int_equal(html.depth, 0);
    assert_true(lt_sink_flush(sink));
    assert_string_equal(out.at, wanted);
    lt_buf_release(&out);
    free(sink);
}

static void draw_shapes(struct lt_html *html)
{
    lt_svg_open(html, "strip", 100, 20.5, "a < b");
    lt_svg_rect(html, "cell", 0, 1.25, 1.0 / 3, 1e-9);
    lt_svg_line(html, NULL, -1, 0.995, 10, 100);
    lt_svg_dot(html, "top", 2, 3, 0.5);
    lt_svg_text(html, NULL, LT_SVG_MIDDLE, 4, 5, "<%d>", 7);
    lt_html_close(html);
}

static void shapes_have_their_numbers(void **state)
{
    (void)state;
    check(draw_shapes,
          "<svg class=\"strip\" width=\"100\" height=\"20.5\" viewBox=\"0 0 100 20.5\" "
          "role=\"img\"><title>a &lt; b</title>\n"
          "<rect class=\"cell\" x=\"0\" y=\"1.25\" width=\"0.33\" height=\"0\"/>\n"
          "<line x1=\"-1\" y1=\"1\" x2=\"10\" y2=\"100\"/>\n"
          "<circle class=\"top\" cx=\"2\" cy=\"3\" r=\"0.5\"/>\n"
          "<text x=\"4\" y=\"5\" text-anchor=\"middle\">&lt;7&gt;</text>\n</svg>\n");
}

static void draw_path(struct lt_html *html)
{
    lt_svg_path_begin(html, "curve");
    lt_svg_move(html, 0, 0);
    lt_svg_draw(html, 1.5, -2);
    lt_svg_draw(html, NAN, INFINITY);
    lt_svg_path_end(html);
}

static void what_is_no_number_does_not_break_the_picture(void **state)
{
    (void)state;
    check(draw_path, "<path class=\"curve\" d=\"M0 0L1.5 -2L0 0\"/>\n");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(shapes_have_their_numbers),
        cmocka_unit_test(what_is_no_number_does_not_break_the_picture),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
