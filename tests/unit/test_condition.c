/* Conditions of warnings: programs, kinds, ceilings, and where each fault is. The grammar is this
 * project's own (include/loomtap/core/condition.h). */
#include "unit.h"

#include "loomtap/core/condition.h"

static const char *const signals[] = {"engine_speed", "load", "lambda", "drive_mode", "rate"};
static const char *const modes[] = {"comfort", "sport", "very  wet"};
#define MODE_SIGNAL 3

static bool find_signal(void *context, struct lt_text name, uint32_t *ret_signal,
                        bool *ret_has_labels)
{
    (void)context;
    for (uint32_t i = 0; i < COUNT_OF(signals); i++) {
        if (lt_text_is(name, signals[i])) {
            *ret_signal = i;
            *ret_has_labels = i == MODE_SIGNAL;
            return true;
        }
    }
    return false;
}

static bool find_label(void *context, uint32_t signal, struct lt_text label, uint64_t *ret_raw)
{
    (void)context;
    assert_int_equal(signal, MODE_SIGNAL);
    for (size_t i = 0; i < COUNT_OF(modes); i++) {
        if (lt_text_is(label, modes[i])) {
            *ret_raw = 10 + i;
            return true;
        }
    }
    return false;
}

static void list_labels(void *context, uint32_t signal, char *buf, size_t size)
{
    (void)context;
    (void)signal;
    lt_text_format(buf, size, "comfort, sport");
}

static const struct lt_condition_names names = {NULL, find_signal, find_label, list_labels};

/* The program as text, in postfix order: `lambda 1.05 >`. */
static void describe(const struct lt_condition *condition, char *ret_text, size_t size)
{
    static const char *const words[] = {
        [LT_OP_LIMP] = "limp",       [LT_OP_AGE] = "age",
        [LT_OP_MISSING] = "missing", [LT_OP_SUSPECT] = "suspect",
        [LT_OP_RATE] = "rate",       [LT_OP_NEGATE] = "neg",
        [LT_OP_ABS] = "abs",         [LT_OP_MIN] = "min",
        [LT_OP_MAX] = "max",         [LT_OP_ADD] = "+",
        [LT_OP_SUB] = "-",           [LT_OP_MUL] = "*",
        [LT_OP_DIV] = "/",           [LT_OP_LT] = "<",
        [LT_OP_LE] = "<=",           [LT_OP_GT] = ">",
        [LT_OP_GE] = ">=",           [LT_OP_EQ] = "==",
        [LT_OP_NE] = "!=",           [LT_OP_AND] = "and",
        [LT_OP_OR] = "or",           [LT_OP_NOT] = "not",
    };
    size_t used = 0;
    for (size_t i = 0; i < condition->count; i++) {
        const struct lt_step *step = &condition->steps[i];
        const char *gap = i ? " " : "";
        char *at = ret_text + used;
        size_t left = size - used;
        if (step->op == LT_OP_NUMBER)
            used += lt_text_format(at, left, "%s%g", gap, step->number);
        else if (step->op == LT_OP_SIGNAL)
            used += lt_text_format(at, left, "%s%s", gap, signals[step->signal]);
        else if (step->op == LT_OP_RAW)
            used += lt_text_format(at, left, "%sraw:%s", gap, signals[step->signal]);
        else if (step->op == LT_OP_LABEL)
            used += lt_text_format(at, left, "%s#%u", gap, (unsigned)step->raw);
        else if (step->op >= LT_OP_AGE && step->op <= LT_OP_RATE)
            used +=
                lt_text_format(at, left, "%s%s:%s", gap, words[step->op], signals[step->signal]);
        else
            used += lt_text_format(at, left, "%s%s", gap, words[step->op]);
    }
}

static void programs(void **state)
{
    static const struct {
        const char *text, *program;
    } rows[] = {
        {"lambda > 1.05 and load > 60", "lambda 1.05 > load 60 > and"},
        {"lambda<0.98", "lambda 0.98 <"},
        {"load >= 1 or load <= 2 or load != 3", "load 1 >= load 2 <= or load 3 != or"},
        /* and before or, not before and */
        {"load > 1 or load > 2 and load > 3", "load 1 > load 2 > load 3 > and or"},
        {"(load > 1 or load > 2) and load > 3", "load 1 > load 2 > or load 3 > and"},
        {"not limp and limp", "limp not limp and"},
        {"not (limp and limp)", "limp limp and not"},
        {"not load > 60", "load 60 > not"},
        {"not not limp", "limp not not"},
        /* from left to right; * before + before comparison; minus before * */
        {"load - 1 - 2 > 0", "load 1 - 2 - 0 >"},
        {"load / 2 / 4 > 0", "load 2 / 4 / 0 >"},
        {"load + lambda * 2 > 1 + 2", "load lambda 2 * + 1 2 + >"},
        {"(load + lambda) * 2 > 1", "load lambda + 2 * 1 >"},
        {"-load * 2 < -1e3", "load neg 2 * 1000 neg <"},
        {"--load < .5", "load neg neg 0.5 <"},
        {"load -1 > 0", "load 1 - 0 >"},
        /* labels on either side, in either quotes, through parentheses */
        {"drive_mode == \"sport\"", "raw:drive_mode #11 =="},
        {"drive_mode != 'comfort'", "raw:drive_mode #10 !="},
        {"\"sport\" == drive_mode", "#11 raw:drive_mode =="},
        {"(drive_mode) == (\"sport\")", "raw:drive_mode #11 =="},
        {"drive_mode == 'very  wet'", "raw:drive_mode #12 =="},
        /* a signal with labels is a number too */
        {"drive_mode == 1", "drive_mode 1 =="},
        {"drive_mode > 0 and drive_mode == 'sport'", "drive_mode 0 > raw:drive_mode #11 == and"},
        /* functions */
        {"age(lambda) > 0.5", "age:lambda 0.5 >"},
        {"missing(lambda) or suspect(load)", "missing:lambda suspect:load or"},
        {"missing(drive_mode)", "missing:drive_mode"},
        {"rate(engine_speed) > 1000", "rate:engine_speed 1000 >"},
        {"rate > 1", "rate 1 >"},
        {"abs(load - 50) > 10", "load 50 - abs 10 >"},
        {"max(min(load, 50), lambda * 2) > 10", "load 50 min lambda 2 * max 10 >"},
        {"limp", "limp"},
        {"1 < 2", "1 2 <"},
    };
    struct lt_arena arena;
    (void)state;
    lt_arena_init(&arena, 0);
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_condition condition;
        struct lt_error error;
        char text[400];
        if (lt_condition_parse(lt_text_of(rows[i].text), &names, &arena, &condition, &error) !=
            LT_OK)
            fail_msg("%s: %u: %s", rows[i].text, error.column, error.text);
        describe(&condition, text, sizeof text);
        assert_string_equal(text, rows[i].program);
    }
    lt_arena_release(&arena);
}

static void a_label_step_knows_its_signal(void **state)
{
    struct lt_arena arena;
    struct lt_condition condition;
    (void)state;
    lt_arena_init(&arena, 0);
    assert_int_equal(
        lt_condition_parse(LT_TEXT("drive_mode == 'sport'"), &names, &arena, &condition, NULL),
        LT_OK);
    assert_int_equal(condition.count, 3);
    assert_int_equal(condition.steps[0].signal, MODE_SIGNAL);
    assert_int_equal(condition.steps[1].signal, MODE_SIGNAL);
    assert_int_equal(condition.steps[1].raw, 11);
    lt_arena_release(&arena);
}

static void text_gets_single_blanks_outside_quotes(void **state)
{
    static const struct {
        const char *text, *kept;
    } rows[] = {
        {"  lambda\t >  1.05   and\tload>60 ", "lambda > 1.05 and load>60"},
        {"drive_mode  ==  'very  wet'  and  limp", "drive_mode == 'very  wet' and limp"},
        {"limp", "limp"},
    };
    struct lt_arena arena;
    (void)state;
    lt_arena_init(&arena, 0);
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_condition condition, again;
        assert_int_equal(
            lt_condition_parse(lt_text_of(rows[i].text), &names, &arena, &condition, NULL), LT_OK);
        assert_string_equal(condition.text, rows[i].kept);
        assert_int_equal(
            lt_condition_parse(lt_text_of(condition.text), &names, &arena, &again, NULL), LT_OK);
        assert_string_equal(again.text, rows[i].kept);
        assert_int_equal(again.count, condition.count);
    }
    lt_arena_release(&arena);
}

/* `^` stands under the column that must be named; `part` is in the text or in the advice. */
static const struct {
    enum lt_code code;
    const char *text, *mark, *part, *advice;
} faults[] = {
    {LT_E_MISSING, "", "^", "empty", "lambda > 1.05"},
    {LT_E_MISSING, "   ", "   ^", "empty", "lambda > 1.05"},
    {LT_E_UNKNOWN, "lamda > 1", "^", "no signal is called `lamda`", "name a signal"},
    {LT_E_UNKNOWN, "drive_mode == sport", "              ^", "called `sport`", "in quotes"},
    {LT_E_UNKNOWN, "age(lamda) > 1", "    ^", "called `lamda`", "name a signal"},
    {LT_E_UNKNOWN, "drive_mode == \"wet\"", "              ^", "no label \"wet\"",
     "its labels: comfort, sport"},
    {LT_E_UNKNOWN, "median(load) > 1", "^", "no function is called `median`", "age, missing"},
    {LT_E_SYNTAX, "lambda = 1", "       ^", "`=` does not compare", "write `==`"},
    {LT_E_SYNTAX, "lambda => 1", "       ^", "`=>`", "write `>=`"},
    {LT_E_SYNTAX, "lambda =< 1", "       ^", "`=<`", "write `<=`"},
    {LT_E_SYNTAX, "lambda <> 1", "       ^", "`<>`", "write `!=`"},
    {LT_E_SYNTAX, "limp && limp", "     ^", "`&&`", "write `and`"},
    {LT_E_SYNTAX, "limp || limp", "     ^", "`||`", "write `or`"},
    {LT_E_SYNTAX, "!limp", "^", "`!`", "write `not`"},
    {LT_E_SYNTAX, "load > 60%", "         ^", "`%`", "plain number"},
    {LT_E_SYNTAX, "load > 60kPa", "       ^", "`60kPa` is not a number", "without a unit"},
    {LT_E_SYNTAX, "load > 1.2.3", "       ^", "`1.2.3` is not a number", "decimal"},
    {LT_E_SYNTAX, "load > 1e999", "       ^", "`1e999` is not a number", "decimal"},
    {LT_E_SYNTAX, "load > 0x10", "       ^", "`0x10` is not a number", "decimal"},
    {LT_E_SYNTAX, "load > 20 \xC2\xB0", "          ^", "`\xC2\xB0` has no place", "made of"},
    {LT_E_SYNTAX, "load > ;", "       ^", "`;` has no place", "made of"},
    {LT_E_SYNTAX, "drive_mode == \"sport", "              ^", "no closing quote", "\"sport\""},
    {LT_E_SYNTAX, "drive_mode == ''", "              ^", "label is empty", "\"sport\""},
    {LT_E_SYNTAX, "1 < load < 60", "         ^", "do not chain", "a < b and b < c"},
    {LT_E_SYNTAX, "load == 1 != 2", "          ^", "do not chain", "a < b and b < c"},
    {LT_E_SYNTAX, "load >", "      ^", "ends where a value", "a value is"},
    {LT_E_SYNTAX, "> 60", "^", "where `>` does", "a value is"},
    {LT_E_SYNTAX, "limp and and limp", "         ^", "where `and` does", "before it"},
    {LT_E_SYNTAX, "load + not limp", "       ^", "where `not` does", "parentheses"},
    {LT_E_SYNTAX, "limp limp", "     ^", "no connection", "operator between"},
    {LT_E_SYNTAX, "load > 60)", "         ^", "`)` has no connection", "operator"},
    {LT_E_SYNTAX, "(load > 60", "          ^", "`)` is missing at the end", "wants its"},
    {LT_E_SYNTAX, "(load > 60 load", "           ^", "`)` is missing before `load`", "its"},
    {LT_E_SYNTAX, "abs(load, 1) > 1", "        ^", "`)` is missing before `,`", "one number"},
    {LT_E_SYNTAX, "min(load) > 1", "        ^", "`,` is missing before `)`", "min(a, b)"},
    {LT_E_SYNTAX, "max(load, 1, 2) > 1", "           ^", "`)` is missing", "min(a, b)"},
    {LT_E_SYNTAX, "age(1) > 1", "    ^", "wants the name of a signal", "age(lambda)"},
    {LT_E_SYNTAX, "age(load + 1) > 1", "         ^", "`)` is missing", "age(a)"},
    {LT_E_SYNTAX, "age() > 1", "    ^", "wants the name of a signal", "age(lambda)"},
    {LT_E_SYNTAX, "abs() > 1", "    ^", "where `)` does", "a value is"},
    {LT_E_CONFLICT, "load", "^", "`load` is a number, but a condition wants a truth value",
     "load > 60"},
    {LT_E_CONFLICT, " load + 1", " ^", "`load + 1` is a number", "compare it"},
    {LT_E_CONFLICT, "drive_mode", "^", "is a number", "one of its labels"},
    {LT_E_CONFLICT, "\"sport\"", "^", "is a label", "beside == or !="},
    {LT_E_CONFLICT, "load and limp", "^", "`load` is a number, but `and` wants", "compare it"},
    {LT_E_CONFLICT, "limp or lambda", "        ^", "`lambda` is a number, but `or`", "compare it"},
    {LT_E_CONFLICT, "not load", "    ^", "`load` is a number, but `not` wants", "compare it"},
    {LT_E_CONFLICT, "limp + 1 > 0", "^", "`limp` is a truth value, but `+` wants a number",
     "out of the sum"},
    {LT_E_CONFLICT, "1 + (load > 60) > 0", "    ^", "`(load > 60)` is a truth value", "sum"},
    {LT_E_CONFLICT, "limp == limp", "^", "`limp` is a truth value, but `==`", "sum"},
    {LT_E_CONFLICT, "-limp > 0", " ^", "a truth value, but `-` wants a number", "sum"},
    {LT_E_CONFLICT, "abs(limp) > 0", "    ^", "a truth value, but abs wants", "sum"},
    {LT_E_CONFLICT, "load == missing(load)", "        ^", "`missing(load)` is a truth", "sum"},
    {LT_E_CONFLICT, "load == \"sport\"", "        ^", "`load` has no labels", "with a number"},
    {LT_E_CONFLICT, "drive_mode > \"sport\"", "             ^", "labels have no order", "=="},
    {LT_E_CONFLICT, "\"sport\" == \"sport\"", "^", "is a label", "beside =="},
    {LT_E_CONFLICT, "drive_mode + 1 == 'sport'", "                  ^", "is not a signal",
     "signal alone"},
    {LT_E_CONFLICT, "1 == 'sport'", "     ^", "`1` is not a signal", "signal alone"},
    {LT_E_CONFLICT, "'sport' + 1 > 2", "^", "`'sport'` is a label, but `+`", "beside =="},
};

static void each_fault_names_its_column(void **state)
{
    struct lt_arena arena;
    (void)state;
    lt_arena_init(&arena, 0);
    for (size_t i = 0; i < COUNT_OF(faults); i++) {
        const char *text = faults[i].text;
        struct lt_condition condition = {.count = 77};
        struct lt_error error = {0};
        enum lt_code code =
            lt_condition_parse(lt_text_of(text), &names, &arena, &condition, &error);
        if (code != faults[i].code || error.column != strlen(faults[i].mark) ||
            !strstr(error.text, faults[i].part) || !strstr(error.advice, faults[i].advice))
            fail_msg("%s: code %d, column %u, `%s`, `%s`", text, code, error.column, error.text,
                     error.advice);
        assert_int_equal(error.code, code);
        assert_int_equal(condition.count, 77);
        assert_int_equal(lt_condition_parse(lt_text_of(text), &names, &arena, &condition, NULL),
                         code);
    }
    lt_arena_release(&arena);
}

static enum lt_code parse_repeated(const char *head, unsigned times, const char *piece,
                                   const char *middle, const char *tail_piece)
{
    struct lt_arena arena;
    struct lt_buf buf;
    struct lt_condition condition;
    struct lt_error error = {0};
    lt_arena_init(&arena, 0);
    lt_buf_init(&buf, 0);
    lt_buf_string(&buf, head);
    for (unsigned i = 0; i < times; i++)
        lt_buf_string(&buf, piece);
    lt_buf_string(&buf, middle);
    for (unsigned i = 0; i < times; i++)
        lt_buf_string(&buf, tail_piece);
    enum lt_code code = lt_condition_parse(lt_buf_text(&buf), &names, &arena, &condition, &error);
    assert_true(code == LT_OK || error.column > 0);
    lt_buf_release(&buf);
    lt_arena_release(&arena);
    return code;
}

static void ceilings_on_nesting_steps_and_length(void **state)
{
    (void)state;
    assert_int_equal(parse_repeated("", 24, "(", "limp", ")"), LT_OK);
    assert_int_equal(parse_repeated("", 25, "(", "limp", ")"), LT_E_LIMIT);
    assert_int_equal(parse_repeated("", 100000, "(", "limp", ")"), LT_E_LIMIT);
    assert_int_equal(parse_repeated("", 24, "not ", "limp", ""), LT_OK);
    assert_int_equal(parse_repeated("", 25, "not ", "limp", ""), LT_E_LIMIT);
    assert_int_equal(parse_repeated("0 < ", 25, "-", "1", ""), LT_E_LIMIT);
    assert_int_equal(parse_repeated("0 < ", 25, "abs(", "1", ")"), LT_E_LIMIT);
    /* Nesting on the right keeps values on the stack: two here a level. */
    assert_int_equal(parse_repeated("0 < ", 22, "1 + (", "1", ")"), LT_OK);
    assert_int_equal(parse_repeated("0 < ", 23, "1 + (", "1", ")"), LT_E_LIMIT);
    /* One step at first, two with each piece. */
    assert_int_equal(parse_repeated("limp", 63, " and limp", "", ""), LT_OK);
    assert_int_equal(parse_repeated("limp", 64, " and limp", "", ""), LT_E_LIMIT);
    assert_int_equal(parse_repeated("limp", 4092, " ", "", ""), LT_OK);
    assert_int_equal(parse_repeated("limp", 4093, " ", "", ""), LT_E_LIMIT);
}

static void every_failing_allocation_is_reported(void **state)
{
    (void)state;
    for (unsigned n = 1;; n++) {
        struct lt_arena arena;
        struct lt_condition condition = {.count = 77};
        struct lt_error error = {0};
        lt_arena_init(&arena, 0);
        arena.fail_countdown = n;
        enum lt_code code = lt_condition_parse(LT_TEXT("lambda > 1.05 and load > 60"), &names,
                                               &arena, &condition, &error);
        lt_arena_release(&arena);
        if (code == LT_OK) {
            assert_true(n > 1);
            break;
        }
        assert_int_equal(code, LT_E_MEMORY);
        assert_int_equal(condition.count, 77);
    }
}

/* A NUL inside quotes once cut the kept text short. */
static void bytes_that_are_no_text_are_refused(void **state)
{
    struct lt_arena arena;
    struct lt_condition condition;
    struct lt_error error = {0};
    (void)state;
    lt_arena_init(&arena, 0);
    assert_int_equal(lt_condition_parse((struct lt_text){"drive_mode == 'a\0b'", 19}, &names,
                                        &arena, &condition, &error),
                     LT_E_SYNTAX);
    assert_int_equal(error.column, 17);
    assert_int_equal(lt_condition_parse(LT_TEXT("load > \xC2"), &names, &arena, &condition, &error),
                     LT_E_SYNTAX);
    assert_int_equal(error.column, 8);
    lt_arena_release(&arena);
}

static void labels_need_not_be_listed(void **state)
{
    const struct lt_condition_names no_list = {NULL, find_signal, find_label, NULL};
    struct lt_arena arena;
    struct lt_condition condition;
    struct lt_error error = {0};
    (void)state;
    lt_arena_init(&arena, 0);
    assert_int_equal(
        lt_condition_parse(LT_TEXT("drive_mode == 'x'"), &no_list, &arena, &condition, &error),
        LT_E_UNKNOWN);
    assert_string_equal(error.advice, "");
    lt_arena_release(&arena);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(programs),
        cmocka_unit_test(a_label_step_knows_its_signal),
        cmocka_unit_test(text_gets_single_blanks_outside_quotes),
        cmocka_unit_test(each_fault_names_its_column),
        cmocka_unit_test(ceilings_on_nesting_steps_and_length),
        cmocka_unit_test(every_failing_allocation_is_reported),
        cmocka_unit_test(bytes_that_are_no_text_are_refused),
        cmocka_unit_test(labels_need_not_be_listed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
