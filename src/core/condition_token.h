/* The words of a condition. Inside condition.c and condition_token.c only. */
#ifndef LOOMTAP_SRC_CORE_CONDITION_TOKEN_H
#define LOOMTAP_SRC_CORE_CONDITION_TOKEN_H

#include "loomtap/base/error.h"
#include "loomtap/base/text.h"

enum token_type {
    TOKEN_END, /* `text` is empty and stands at the end */
    TOKEN_NUMBER,
    TOKEN_NAME,  /* a signal, a function, and, or, not, limp */
    TOKEN_LABEL, /* `text` with its quotes */
    TOKEN_SYMBOL,
};

struct token {
    enum token_type type;
    struct lt_text text;
    double number; /* TOKEN_NUMBER */
};

/* Takes the next word out of *rest. On failure the record says what is wrong, and *ret_token.text
 * is the place (that member is set in either case). */
enum lt_code lt_condition_token(struct lt_text *rest, struct token *ret_token,
                                struct lt_error *error);

/* The bytes of a word that a message shows: never a whole page, no split character. With "%.*s". */
#define SHOWN_MAX   40u
#define SHOWN(word) LT_TEXT_ARG(lt_text_cut(word, SHOWN_MAX))

#endif
