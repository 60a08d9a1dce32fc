/* Conditions of warnings: text to a checked program for a stack machine. The grammar and the kinds
 * stand in the header.
 *
 * One function a level of the grammar, by descent. Steps are written as operands come, operators
 * after them, so the program is in postfix order and needs no tree. Ceilings on steps, nesting and
 * stack make sure that what comes out can run in fixed memory. */
#include "loomtap/core/condition.h"

#include "core/condition_token.h"

#define TEXT_MAX     4096u /* bytes; no profile line is that long */
#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

enum kind { KIND_NUMBER, KIND_TRUTH, KIND_LABEL };

static const char *const kind_names[] = {
    [KIND_NUMBER] = "a number", [KIND_TRUTH] = "a truth value", [KIND_LABEL] = "a label"};

/* What an expression turned out to be. */
struct node {
    enum kind kind;
    bool is_signal; /* nothing but the name of a signal */
    bool has_labels;
    uint32_t signal;
    size_t step;         /* its only step: signals and labels */
    struct lt_text text; /* where it stands */
};

struct parser {
    const struct lt_condition_names *names;
    struct lt_error *error;
    struct lt_text text, rest;
    struct token token; /* the next one, not yet taken */
    const char *taken;  /* end of the last one taken */
    unsigned depth, height;
    size_t count;
    struct lt_step steps[LT_CONDITION_STEPS_MAX];
};

enum level { LEVEL_OR, LEVEL_AND, LEVEL_COMPARE, LEVEL_ADD, LEVEL_MULTIPLY };

static const struct operation {
    enum level level;
    enum token_type type;
    const char *word;
    enum lt_op op;
} operations[] = {
    {LEVEL_OR, TOKEN_NAME, "or", LT_OP_OR},         {LEVEL_AND, TOKEN_NAME, "and", LT_OP_AND},
    {LEVEL_COMPARE, TOKEN_SYMBOL, "<", LT_OP_LT},   {LEVEL_COMPARE, TOKEN_SYMBOL, "<=", LT_OP_LE},
    {LEVEL_COMPARE, TOKEN_SYMBOL, ">", LT_OP_GT},   {LEVEL_COMPARE, TOKEN_SYMBOL, ">=", LT_OP_GE},
    {LEVEL_COMPARE, TOKEN_SYMBOL, "==", LT_OP_EQ},  {LEVEL_COMPARE, TOKEN_SYMBOL, "!=", LT_OP_NE},
    {LEVEL_ADD, TOKEN_SYMBOL, "+", LT_OP_ADD},      {LEVEL_ADD, TOKEN_SYMBOL, "-", LT_OP_SUB},
    {LEVEL_MULTIPLY, TOKEN_SYMBOL, "*", LT_OP_MUL}, {LEVEL_MULTIPLY, TOKEN_SYMBOL, "/", LT_OP_DIV},
};

/* Functions of expressions take numbers and give one; the others take the name of a signal. */
static const struct function {
    const char *name;
    enum lt_op op;
    unsigned numbers; /* 0: one signal's name */
    enum kind kind;
} functions[] = {
    {"age", LT_OP_AGE, 0, KIND_NUMBER},        {"missing", LT_OP_MISSING, 0, KIND_TRUTH},
    {"suspect", LT_OP_SUSPECT, 0, KIND_TRUTH}, {"rate", LT_OP_RATE, 0, KIND_NUMBER},
    {"abs", LT_OP_ABS, 1, KIND_NUMBER},        {"min", LT_OP_MIN, 2, KIND_NUMBER},
    {"max", LT_OP_MAX, 2, KIND_NUMBER},
};

static enum lt_code parse_expression(struct parser *parser, struct node *ret_node);

/* Ends a failure: names the place and the advice (NULL: none). */
static enum lt_code at_text(struct parser *parser, struct lt_text text, enum lt_code code,
                            const char *advice)
{
    lt_error_at(parser->error, NULL, 0, (uint32_t)(text.at - parser->text.at) + 1);
    if (advice)
        lt_error_advise(parser->error, "%s", advice);
    return code;
}

static enum lt_code next(struct parser *parser)
{
    parser->taken = parser->token.text.at + parser->token.text.len;
    enum lt_code code = lt_condition_token(&parser->rest, &parser->token, parser->error);
    if (code != LT_OK)
        at_text(parser, parser->token.text, code, NULL);
    return code;
}

static bool is_symbol(const struct parser *parser, const char *symbol)
{
    return parser->token.type == TOKEN_SYMBOL && lt_text_is(parser->token.text, symbol);
}

static bool is_word(const struct parser *parser, const char *word)
{
    return parser->token.type == TOKEN_NAME && lt_text_is(parser->token.text, word);
}

/* From the start of a node to the last word taken. */
static struct lt_text since(const struct parser *parser, const char *start)
{
    return (struct lt_text){start, (size_t)(parser->taken - start)};
}

static enum lt_code enter(struct parser *parser)
{
    if (parser->depth < LT_CONDITION_DEPTH_MAX) {
        parser->depth++;
        return LT_OK;
    }
    lt_fail(parser->error, LT_E_LIMIT, "the condition is nested more than %d deep",
            LT_CONDITION_DEPTH_MAX);
    return at_text(parser, parser->token.text, LT_E_LIMIT, "split it into several warnings");
}

/* `takes` values come off the stack, one goes on. */
static enum lt_code emit(struct parser *parser, struct lt_text where, struct lt_step step,
                         unsigned takes)
{
    unsigned height = parser->height - takes + 1;
    if (parser->count == LT_CONDITION_STEPS_MAX || height > LT_CONDITION_DEPTH_MAX) {
        lt_fail(parser->error, LT_E_LIMIT,
                "the condition is too long: more than %d steps, or %d "
                "values kept at once",
                LT_CONDITION_STEPS_MAX, LT_CONDITION_DEPTH_MAX);
        return at_text(parser, where, LT_E_LIMIT, "split it into several warnings");
    }
    parser->height = height;
    parser->steps[parser->count++] = step;
    return LT_OK;
}

/* Is the node what its neighbour wants? */
static enum lt_code want(struct parser *parser, const struct node *node, enum kind kind,
                         const char *who)
{
    if (node->kind == kind)
        return LT_OK;
    lt_fail(parser->error, LT_E_CONFLICT, "`%.*s` is %s, but %s wants %s", SHOWN(node->text),
            kind_names[node->kind], who, kind_names[kind]);
    const char *advice = "take the comparison out of the sum";
    if (node->kind == KIND_LABEL)
        advice = "a label stands beside == or != and a signal: `drive_mode == \"sport\"`";
    else if (kind == KIND_TRUTH && node->has_labels)
        advice = "compare it with one of its labels: `drive_mode == \"sport\"`";
    else if (kind == KIND_TRUTH)
        advice = "compare it with something: `load > 60`";
    return at_text(parser, node->text, LT_E_CONFLICT, advice);
}

static enum lt_code want_beside(struct parser *parser, const struct node *node, enum kind kind,
                                const struct operation *operation)
{
    char who[16];
    lt_text_format(who, sizeof who, "`%s`", operation->word);
    return want(parser, node, kind, who);
}

static const struct operation *operation_at(const struct parser *parser, enum level level)
{
    for (size_t i = 0; i < COUNT(operations); i++) {
        if (operations[i].level == level && operations[i].type == parser->token.type &&
            lt_text_is(parser->token.text, operations[i].word))
            return &operations[i];
    }
    return NULL;
}

static enum lt_code expect_symbol(struct parser *parser, const char *symbol, const char *advice)
{
    if (is_symbol(parser, symbol))
        return next(parser);
    if (parser->token.type == TOKEN_END)
        lt_fail(parser->error, LT_E_SYNTAX, "`%s` is missing at the end", symbol);
    else
        lt_fail(parser->error, LT_E_SYNTAX, "`%s` is missing before `%.*s`", symbol,
                SHOWN(parser->token.text));
    return at_text(parser, parser->token.text, LT_E_SYNTAX, advice);
}

/* Functions. */

static enum lt_code unknown_signal(struct parser *parser, struct lt_text name)
{
    lt_fail(parser->error, LT_E_UNKNOWN, "no signal is called `%.*s`", SHOWN(name));
    return at_text(parser, name, LT_E_UNKNOWN,
                   "name a signal of this profile; a label stands in quotes: \"sport\"");
}

/* `age(` and the name of a signal. */
static enum lt_code parse_signal_argument(struct parser *parser, const struct function *function,
                                          struct lt_step *step)
{
    bool has_labels;
    struct lt_text name = parser->token.text;
    if (parser->token.type != TOKEN_NAME) {
        lt_fail(parser->error, LT_E_SYNTAX, "`%s` wants the name of a signal", function->name);
        return at_text(parser, name, LT_E_SYNTAX, "write it as `age(lambda)`");
    }
    if (!parser->names->find_signal(parser->names->context, name, &step->signal, &has_labels))
        return unknown_signal(parser, name);
    return next(parser);
}

static enum lt_code parse_number_arguments(struct parser *parser, const struct function *function)
{
    enum lt_code code = LT_OK;
    for (unsigned i = 0; i < function->numbers && code == LT_OK; i++) {
        struct node node;
        if (i > 0)
            code = expect_symbol(parser, ",", "min and max compare two: `min(a, b)`");
        if (code == LT_OK)
            code = parse_expression(parser, &node);
        if (code == LT_OK)
            code = want(parser, &node, KIND_NUMBER, function->name);
    }
    return code;
}

/* The name was taken, `(` is next. */
static enum lt_code parse_function(struct parser *parser, struct lt_text name,
                                   const struct function *function, struct node *ret_node)
{
    struct lt_step step = {.op = function->op};
    enum lt_code code = enter(parser);
    if (code == LT_OK)
        code = next(parser);
    if (code == LT_OK)
        code = function->numbers ? parse_number_arguments(parser, function)
                                 : parse_signal_argument(parser, function, &step);
    if (code == LT_OK)
        code = expect_symbol(parser, ")",
                             function->numbers == 2   ? "two numbers: `min(a, b)`"
                             : function->numbers == 1 ? "one number: `abs(a)`"
                                                      : "one signal: `age(a)`");
    if (code != LT_OK)
        return code;
    parser->depth--;
    *ret_node = (struct node){.kind = function->kind, .text = since(parser, name.at)};
    return emit(parser, name, step, function->numbers);
}

static enum lt_code unknown_function(struct parser *parser, struct lt_text name)
{
    lt_fail(parser->error, LT_E_UNKNOWN, "no function is called `%.*s`", SHOWN(name));
    return at_text(parser, name, LT_E_UNKNOWN,
                   "functions: age, missing, suspect, rate of a signal; abs, min, max of numbers");
}

/* Primaries. */

static enum lt_code parse_signal(struct parser *parser, struct lt_text name, struct node *ret_node)
{
    struct node node = {
        .kind = KIND_NUMBER, .is_signal = true, .step = parser->count, .text = name};
    if (!parser->names->find_signal(parser->names->context, name, &node.signal, &node.has_labels))
        return unknown_signal(parser, name);
    *ret_node = node;
    return emit(parser, name, (struct lt_step){.op = LT_OP_SIGNAL, .signal = node.signal}, 0);
}

static bool is_keyword(struct lt_text name)
{
    return lt_text_is(name, "and") || lt_text_is(name, "or") || lt_text_is(name, "not");
}

static enum lt_code misplaced(struct parser *parser, const char *advice)
{
    struct lt_text text = parser->token.text;
    if (parser->token.type == TOKEN_END)
        lt_fail(parser->error, LT_E_SYNTAX, "the condition ends where a value should stand");
    else
        lt_fail(parser->error, LT_E_SYNTAX, "a value should stand where `%.*s` does", SHOWN(text));
    return at_text(parser, text, LT_E_SYNTAX, advice);
}

static enum lt_code parse_name(struct parser *parser, struct node *ret_node)
{
    struct lt_text name = parser->token.text;
    if (is_keyword(name))
        return misplaced(parser, lt_text_is(name, "not") ? "set it in parentheses: `(not ...)`"
                                                         : "something is missing before it");
    enum lt_code code = next(parser);
    if (code != LT_OK)
        return code;
    if (lt_text_is(name, "limp")) {
        *ret_node = (struct node){.kind = KIND_TRUTH, .text = name};
        return emit(parser, name, (struct lt_step){.op = LT_OP_LIMP}, 0);
    }
    if (!is_symbol(parser, "("))
        return parse_signal(parser, name, ret_node);
    for (size_t i = 0; i < COUNT(functions); i++) {
        if (lt_text_is(name, functions[i].name))
            return parse_function(parser, name, &functions[i], ret_node);
    }
    return unknown_function(parser, name);
}

/* The label's raw value is not known until its signal is: compare_label() fills it in. */
static enum lt_code parse_label(struct parser *parser, struct node *ret_node)
{
    *ret_node =
        (struct node){.kind = KIND_LABEL, .step = parser->count, .text = parser->token.text};
    enum lt_code code = next(parser);
    return code != LT_OK ? code
                         : emit(parser, ret_node->text, (struct lt_step){.op = LT_OP_LABEL}, 0);
}

static enum lt_code parse_number(struct parser *parser, struct node *ret_node)
{
    struct token token = parser->token;
    *ret_node = (struct node){.kind = KIND_NUMBER, .text = token.text};
    enum lt_code code = next(parser);
    return code != LT_OK ? code
                         : emit(parser, token.text,
                                (struct lt_step){.op = LT_OP_NUMBER, .number = token.number}, 0);
}

static enum lt_code parse_parentheses(struct parser *parser, struct node *ret_node)
{
    const char *start = parser->token.text.at;
    enum lt_code code = enter(parser);
    if (code == LT_OK)
        code = next(parser);
    if (code == LT_OK)
        code = parse_expression(parser, ret_node);
    if (code == LT_OK)
        code = expect_symbol(parser, ")", "every `(` wants its `)`");
    if (code != LT_OK)
        return code;
    parser->depth--;
    if (ret_node->kind != KIND_LABEL)
        ret_node->text = since(parser, start);
    return LT_OK;
}

static enum lt_code parse_primary(struct parser *parser, struct node *ret_node)
{
    switch (parser->token.type) {
    case TOKEN_NUMBER:
        return parse_number(parser, ret_node);
    case TOKEN_NAME:
        return parse_name(parser, ret_node);
    case TOKEN_LABEL:
        return parse_label(parser, ret_node);
    case TOKEN_SYMBOL:
        if (is_symbol(parser, "("))
            return parse_parentheses(parser, ret_node);
        break;
    case TOKEN_END:
        break;
    }
    return misplaced(parser, "a value is a number, a signal, a function, or a label in quotes");
}

/* Operators. */

/* `-` before a value and `not` before a comparison. */
static enum lt_code parse_prefix(struct parser *parser, enum lt_op op, enum kind kind,
                                 const char *who,
                                 enum lt_code (*operand)(struct parser *, struct node *),
                                 struct node *ret_node)
{
    struct token sign = parser->token;
    enum lt_code code = enter(parser);
    if (code == LT_OK)
        code = next(parser);
    if (code == LT_OK)
        code = operand(parser, ret_node);
    if (code == LT_OK)
        code = want(parser, ret_node, kind, who);
    if (code != LT_OK)
        return code;
    parser->depth--;
    *ret_node = (struct node){.kind = kind, .text = since(parser, sign.text.at)};
    return emit(parser, sign.text, (struct lt_step){.op = op}, 1);
}

static enum lt_code parse_unary(struct parser *parser, struct node *ret_node)
{
    if (is_symbol(parser, "-"))
        return parse_prefix(parser, LT_OP_NEGATE, KIND_NUMBER, "`-`", parse_unary, ret_node);
    return parse_primary(parser, ret_node);
}

/* Operators of one level, from left to right; operands and result are of one kind. */
static enum lt_code parse_chain(struct parser *parser, enum level level, enum kind kind,
                                enum lt_code (*operand)(struct parser *, struct node *),
                                struct node *ret_node)
{
    enum lt_code code = operand(parser, ret_node);
    const struct operation *operation;
    while (code == LT_OK && (operation = operation_at(parser, level)) != NULL) {
        struct lt_text sign = parser->token.text;
        struct node right;
        code = want_beside(parser, ret_node, kind, operation);
        if (code == LT_OK)
            code = next(parser);
        if (code == LT_OK)
            code = operand(parser, &right);
        if (code == LT_OK)
            code = want_beside(parser, &right, kind, operation);
        if (code == LT_OK)
            code = emit(parser, sign, (struct lt_step){.op = operation->op}, 2);
        *ret_node = (struct node){.kind = kind, .text = since(parser, ret_node->text.at)};
    }
    return code;
}

static enum lt_code parse_product(struct parser *parser, struct node *ret_node)
{
    return parse_chain(parser, LEVEL_MULTIPLY, KIND_NUMBER, parse_unary, ret_node);
}

static enum lt_code parse_sum(struct parser *parser, struct node *ret_node)
{
    return parse_chain(parser, LEVEL_ADD, KIND_NUMBER, parse_product, ret_node);
}

static enum lt_code unknown_label(struct parser *parser, const struct node *signal,
                                  const struct node *label)
{
    char list[160] = "";
    lt_fail(parser->error, LT_E_UNKNOWN, "signal `%.*s` has no label %.*s", SHOWN(signal->text),
            SHOWN(label->text));
    if (parser->names->list_labels)
        parser->names->list_labels(parser->names->context, signal->signal, list, sizeof list);
    if (list[0])
        lt_error_advise(parser->error, "its labels: %s", list);
    return at_text(parser, label->text, LT_E_UNKNOWN, NULL);
}

/* A signal beside a label: both steps are written already, now they get their meaning. */
static enum lt_code compare_label(struct parser *parser, const struct operation *operation,
                                  const struct node *signal, const struct node *label)
{
    struct lt_text name = {label->text.at + 1, label->text.len - 2};
    uint64_t raw;
    if (operation->op != LT_OP_EQ && operation->op != LT_OP_NE) {
        lt_fail(parser->error, LT_E_CONFLICT, "labels have no order: `%s` cannot compare %.*s",
                operation->word, SHOWN(label->text));
        return at_text(parser, label->text, LT_E_CONFLICT, "use == or !=");
    }
    if (!signal->is_signal) {
        lt_fail(parser->error, LT_E_CONFLICT, "`%.*s` is not a signal, so %.*s cannot be its label",
                SHOWN(signal->text), SHOWN(label->text));
        return at_text(parser, label->text, LT_E_CONFLICT,
                       "a label is compared with a signal alone: `drive_mode == \"sport\"`");
    }
    if (!signal->has_labels) {
        lt_fail(parser->error, LT_E_CONFLICT, "signal `%.*s` has no labels", SHOWN(signal->text));
        return at_text(parser, label->text, LT_E_CONFLICT,
                       "compare it with a number, or give it `values`");
    }
    if (!parser->names->find_label(parser->names->context, signal->signal, name, &raw))
        return unknown_label(parser, signal, label);
    parser->steps[signal->step].op = LT_OP_RAW;
    parser->steps[label->step].signal = signal->signal;
    parser->steps[label->step].raw = raw;
    return LT_OK;
}

static enum lt_code compare(struct parser *parser, const struct operation *operation,
                            const struct node *left, const struct node *right)
{
    if (right->kind == KIND_LABEL && left->kind != KIND_LABEL)
        return compare_label(parser, operation, left, right);
    if (left->kind == KIND_LABEL && right->kind != KIND_LABEL)
        return compare_label(parser, operation, right, left);
    enum lt_code code = want_beside(parser, left, KIND_NUMBER, operation);
    return code != LT_OK ? code : want_beside(parser, right, KIND_NUMBER, operation);
}

static enum lt_code refuse_chained_comparison(struct parser *parser)
{
    lt_fail(parser->error, LT_E_SYNTAX, "comparisons do not chain: `%.*s` is one too many",
            SHOWN(parser->token.text));
    return at_text(parser, parser->token.text, LT_E_SYNTAX, "write `a < b and b < c`");
}

static enum lt_code parse_comparison(struct parser *parser, struct node *ret_node)
{
    enum lt_code code = parse_sum(parser, ret_node);
    const struct operation *operation = operation_at(parser, LEVEL_COMPARE);
    if (code != LT_OK || !operation)
        return code;
    struct lt_text sign = parser->token.text;
    struct node right;
    code = next(parser);
    if (code == LT_OK)
        code = parse_sum(parser, &right);
    if (code == LT_OK)
        code = compare(parser, operation, ret_node, &right);
    if (code == LT_OK)
        code = emit(parser, sign, (struct lt_step){.op = operation->op}, 2);
    if (code == LT_OK && operation_at(parser, LEVEL_COMPARE))
        code = refuse_chained_comparison(parser);
    *ret_node = (struct node){.kind = KIND_TRUTH, .text = since(parser, ret_node->text.at)};
    return code;
}

static enum lt_code parse_not(struct parser *parser, struct node *ret_node)
{
    if (is_word(parser, "not"))
        return parse_prefix(parser, LT_OP_NOT, KIND_TRUTH, "`not`", parse_not, ret_node);
    return parse_comparison(parser, ret_node);
}

static enum lt_code parse_and(struct parser *parser, struct node *ret_node)
{
    return parse_chain(parser, LEVEL_AND, KIND_TRUTH, parse_not, ret_node);
}

static enum lt_code parse_expression(struct parser *parser, struct node *ret_node)
{
    return parse_chain(parser, LEVEL_OR, KIND_TRUTH, parse_and, ret_node);
}

/* The text with single blanks, none at its ends; what is in quotes stays as it is. */
static const char *tidy_text(struct lt_text text, struct lt_arena *arena)
{
    char *copy = lt_arena_alloc(arena, text.len + 1);
    size_t len = 0;
    char quote = 0;
    for (size_t i = 0; copy && i < text.len; i++) {
        char c = text.at[i];
        if (quote ? c == quote : c == '"' || c == '\'')
            quote = quote ? 0 : c;
        if (!quote && (c == ' ' || c == '\t' || c == '\r' || c == '\n')) {
            if (len > 0 && copy[len - 1] != ' ')
                copy[len++] = ' ';
        } else {
            copy[len++] = c;
        }
    }
    if (copy)
        copy[len] = 0;
    return copy;
}

static enum lt_code keep(const struct parser *parser, struct lt_arena *arena,
                         struct lt_condition *ret_condition)
{
    struct lt_step *steps = lt_arena_array(arena, parser->count, sizeof *steps);
    const char *text = tidy_text(lt_text_trim(parser->text), arena);
    if (!steps || !text)
        return lt_fail(parser->error, LT_E_MEMORY, "out of memory for a condition");
    memcpy(steps, parser->steps, parser->count * sizeof *steps);
    *ret_condition = (struct lt_condition){steps, parser->count, text};
    return LT_OK;
}

static enum lt_code parse_whole(struct parser *parser)
{
    struct node node;
    enum lt_code code = next(parser);
    if (code == LT_OK && parser->token.type == TOKEN_END) {
        lt_fail(parser->error, LT_E_MISSING, "the condition is empty");
        return at_text(parser, parser->token.text, LT_E_MISSING,
                       "write it as `lambda > 1.05 and load > 60`");
    }
    if (code == LT_OK)
        code = parse_expression(parser, &node);
    if (code == LT_OK && parser->token.type != TOKEN_END) {
        lt_fail(parser->error, LT_E_SYNTAX, "`%.*s` has no connection with what stands before it",
                SHOWN(parser->token.text));
        return at_text(parser, parser->token.text, LT_E_SYNTAX,
                       "put an operator between them: and, or, a comparison, + - * /");
    }
    return code != LT_OK ? code : want(parser, &node, KIND_TRUTH, "a condition");
}

enum lt_code lt_condition_parse(struct lt_text text, const struct lt_condition_names *names,
                                struct lt_arena *arena, struct lt_condition *ret_condition,
                                struct lt_error *error)
{
    if (!text.at)
        text = LT_TEXT("");
    struct parser parser = {.names = names, .error = error, .text = text, .rest = text};
    size_t bad;
    parser.token.text = (struct lt_text){text.at, 0};
    if (text.len > TEXT_MAX) {
        lt_fail(error, LT_E_LIMIT, "the condition is longer than %u bytes", TEXT_MAX);
        return at_text(&parser, text, LT_E_LIMIT, "split it into several warnings");
    }
    if (!lt_text_is_utf8(text, &bad)) {
        lt_fail(error, LT_E_SYNTAX, "the condition holds a byte that is not text");
        return at_text(&parser, (struct lt_text){text.at + bad, 1}, LT_E_SYNTAX,
                       "write it in UTF-8, without NUL");
    }
    enum lt_code code = parse_whole(&parser);
    return code != LT_OK ? code : keep(&parser, arena, ret_condition);
}
