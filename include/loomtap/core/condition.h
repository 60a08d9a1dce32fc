/* Conditions of warnings: text parsed to a checked form. (What runs them comes with the warnings.)
 *
 *     expression: or  ->  and  ->  not  ->  comparison  ->  + -  ->  * /  ->  unary -  ->  primary
 *     primary:    number, signal name, 'label' or "label", ( ... ), limp,
 *                 age(s) missing(s) suspect(s) rate(s), abs(x) min(x, y) max(x, y)
 *
 * Every node has a kind: a number, a truth value or a label. Arithmetic takes numbers; < <= > >=
 * compare numbers; == != compare numbers, or a signal that has labels with one of its labels; and,
 * or, not take truth values; the whole is a truth value. */
#ifndef LOOMTAP_CORE_CONDITION_H
#define LOOMTAP_CORE_CONDITION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/base/text.h"

enum lt_op {
    LT_OP_NUMBER, /* push .number */
    LT_OP_SIGNAL, /* push the value of .signal */
    LT_OP_RAW,    /* push the raw value of .signal, to be compared with a label */
    LT_OP_LABEL,  /* push .raw, the raw value behind a label */
    LT_OP_LIMP,
    LT_OP_AGE,     /* seconds since .signal was last received */
    LT_OP_MISSING, /* .signal */
    LT_OP_SUSPECT, /* .signal */
    LT_OP_RATE,    /* .signal, per second */
    LT_OP_NEGATE,
    LT_OP_ABS,
    LT_OP_MIN,
    LT_OP_MAX,
    LT_OP_ADD,
    LT_OP_SUB,
    LT_OP_MUL,
    LT_OP_DIV,
    LT_OP_LT,
    LT_OP_LE,
    LT_OP_GT,
    LT_OP_GE,
    LT_OP_EQ,
    LT_OP_NE,
    LT_OP_AND,
    LT_OP_OR,
    LT_OP_NOT,
};

struct lt_step {
    enum lt_op op;
    uint32_t signal; /* index in the profile */
    uint64_t raw;
    double number;
};

#define LT_CONDITION_STEPS_MAX 128
#define LT_CONDITION_DEPTH_MAX 24 /* nesting, and values on the stack when it runs */

/* A program for a stack machine, in the order of execution. */
struct lt_condition {
    const struct lt_step *steps;
    size_t count;
    const char *text; /* as in the profile, blanks made single */
};

/* How the parser learns about names. */
struct lt_condition_names {
    void *context;
    /* True if `name` is a signal; then its index, and whether it has labels. */
    bool (*find_signal)(void *context, struct lt_text name, uint32_t *ret_signal,
                        bool *ret_has_labels);
    /* True if the signal has this label; then its raw value. */
    bool (*find_label)(void *context, uint32_t signal, struct lt_text label, uint64_t *ret_raw);
    /* Fills buf with a few of the labels, for the message when one is not found. May be NULL. */
    void (*list_labels)(void *context, uint32_t signal, char *buf, size_t size);
};

/* On failure error->column is the 1-based offset of the fault inside `text`. */
enum lt_code lt_condition_parse(struct lt_text text, const struct lt_condition_names *names,
                                struct lt_arena *arena, struct lt_condition *ret_condition,
                                struct lt_error *error);

#endif
