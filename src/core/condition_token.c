/* Conditions cut into words: numbers, names, quoted labels and signs. See loomtap/core/condition.h
 * for the grammar. Signs of other languages (=, &&, !) get an answer that says how it is written
 * here. */
#include "core/condition_token.h"

#include "loomtap/base/number.h"

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\n';
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool is_letter(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '_';
}

/* Two characters before one, so that `<=` is not `<`. */
static const char *const symbols[] = {"<=", ">=", "==", "!=", "(", ")", ",",
                                      "+",  "-",  "*",  "/",  "<", ">"};

static const struct {
    const char *wrong, *text, *advice;
} strangers[] = {
    {"=<", "`=<` is not a comparison", "write `<=`"},
    {"=>", "`=>` is not a comparison", "write `>=`"},
    {"=", "`=` does not compare", "write `==`"},
    {"<>", "`<>` is not a comparison", "write `!=`"},
    {"!", "`!` is not used here", "write `not`, or `!=` to compare"},
    {"&&", "`&&` is not used here", "write `and`"},
    {"&", "`&` is not used here", "write `and`; bits are picked by a signal of their own"},
    {"||", "`||` is not used here", "write `or`"},
    {"|", "`|` is not used here", "write `or`"},
    {"%", "`%` is not used here", "write percent as a plain number: `load > 60`"},
};

static size_t name_length(struct lt_text rest)
{
    size_t len = 0;
    while (len < rest.len && (is_letter(rest.at[len]) || is_digit(rest.at[len])))
        len++;
    return len;
}

/* Takes letters along, so that `60kPa` is one wrong number and not a number and a name. The sign of
 * an exponent belongs to it. */
static size_t number_length(struct lt_text rest)
{
    size_t len = 0;
    while (len < rest.len) {
        char c = rest.at[len];
        bool is_exponent_sign = (c == '+' || c == '-') && len > 0 &&
                                (rest.at[len - 1] == 'e' || rest.at[len - 1] == 'E');
        if (!is_letter(c) && !is_digit(c) && c != '.' && !is_exponent_sign)
            break;
        len++;
    }
    return len;
}

/* With both quotes; 0 when the second one is missing. */
static size_t label_length(struct lt_text rest)
{
    for (size_t i = 1; i < rest.len; i++) {
        if (rest.at[i] == rest.at[0])
            return i + 1;
    }
    return 0;
}

/* One character, all bytes of it. */
static size_t character_length(struct lt_text rest)
{
    size_t len = 1;
    while (len < rest.len && len < 4 && ((unsigned char)rest.at[len] & 0xC0) == 0x80)
        len++;
    return len;
}

static enum lt_code refuse(struct lt_text rest, struct token *ret_token, struct lt_error *error)
{
    for (size_t i = 0; i < COUNT(strangers); i++) {
        if (lt_text_starts(rest, strangers[i].wrong)) {
            ret_token->text.len = strlen(strangers[i].wrong);
            lt_fail(error, LT_E_SYNTAX, "%s", strangers[i].text);
            lt_error_advise(error, "%s", strangers[i].advice);
            return LT_E_SYNTAX;
        }
    }
    ret_token->text.len = character_length(rest);
    lt_fail(error, LT_E_SYNTAX, "`%.*s` has no place in a condition", SHOWN(ret_token->text));
    lt_error_advise(error, "a condition is made of signals, numbers, labels in quotes, "
                           "+ - * / < <= > >= == != and or not ( )");
    return LT_E_SYNTAX;
}

static enum lt_code take_label(struct lt_text rest, struct token *ret_token, struct lt_error *error)
{
    ret_token->type = TOKEN_LABEL;
    ret_token->text.len = label_length(rest);
    if (ret_token->text.len > 2)
        return LT_OK;
    if (ret_token->text.len == 0)
        lt_fail(error, LT_E_SYNTAX, "the label has no closing quote");
    else
        lt_fail(error, LT_E_SYNTAX, "the label is empty");
    lt_error_advise(error, "write it as \"sport\" or 'sport'");
    return LT_E_SYNTAX;
}

static enum lt_code take_number(struct lt_text rest, struct token *ret_token,
                                struct lt_error *error)
{
    ret_token->type = TOKEN_NUMBER;
    ret_token->text.len = number_length(rest);
    if (lt_parse_f64(ret_token->text, &ret_token->number))
        return LT_OK;
    lt_fail(error, LT_E_SYNTAX, "`%.*s` is not a number", SHOWN(ret_token->text));
    lt_error_advise(error, "numbers are decimal, without a unit: `0.98`, `60`, `1e3`");
    return LT_E_SYNTAX;
}

static void take_symbol(struct lt_text rest, struct token *ret_token)
{
    for (size_t i = 0; i < COUNT(symbols) && ret_token->text.len == 0; i++) {
        if (lt_text_starts(rest, symbols[i]))
            ret_token->text.len = strlen(symbols[i]);
    }
}

enum lt_code lt_condition_token(struct lt_text *rest, struct token *ret_token,
                                struct lt_error *error)
{
    enum lt_code code = LT_OK;
    while (rest->len > 0 && is_blank(rest->at[0])) {
        rest->at++;
        rest->len--;
    }
    *ret_token = (struct token){.type = TOKEN_SYMBOL, .text = {rest->at, 0}};
    if (rest->len == 0) {
        ret_token->type = TOKEN_END;
        return LT_OK;
    }
    char first = rest->at[0];
    if (is_digit(first) || (first == '.' && rest->len > 1 && is_digit(rest->at[1]))) {
        code = take_number(*rest, ret_token, error);
    } else if (is_letter(first)) {
        ret_token->type = TOKEN_NAME;
        ret_token->text.len = name_length(*rest);
    } else if (first == '"' || first == '\'') {
        code = take_label(*rest, ret_token, error);
    } else if (lt_text_starts(*rest, "<>")) {
        code = refuse(*rest, ret_token, error);
    } else {
        take_symbol(*rest, ret_token);
        if (ret_token->text.len == 0)
            code = refuse(*rest, ret_token, error);
    }
    rest->at += ret_token->text.len;
    rest->len -= ret_token->text.len;
    return code;
}
