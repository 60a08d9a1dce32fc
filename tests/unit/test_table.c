/* Text tables: widths in characters, numbers right, no blanks at the ends of lines. */
#include "unit.h"

#include "loomtap/report/table.h"

static void columns_line_up(void **state)
{
    static struct lt_sink sink;
    struct lt_buf out;
    struct lt_table table;
    (void)state;
    lt_buf_init(&out, 0);
    lt_sink_init_buf(&sink, &out);
    lt_table_init(&table, "lrl");
    static const char *const cells[] = {"name",    "value", "unit",     "coolant", "85.5",
                                        "\u00B0C", "x",     "-1234.25", ""};
    for (size_t i = 0; i < COUNT_OF(cells); i++)
        lt_table_cell(&table, "%s", cells[i]);
    lt_table_write(&table, &sink, 2);
    lt_sink_flush(&sink);
    assert_string_equal(out.at, "  name        value  unit\n"
                                "  coolant      85.5  \u00B0C\n"
                                "  x        -1234.25\n");
    lt_table_release(&table);
    lt_buf_release(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(columns_line_up)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
