/* Conditions run on a stack machine: numbers, raw values and truths of three kinds.
 *
 * A number is a value now and a slope a second: only age() has one. A comparison of two numbers
 * that come nearer to each other tells when they meet; there the condition is looked at again, a
 * nanosecond before and then each until it is past, so that rounding cannot miss the moment. */
#include "warn/internal.h"

#include <math.h>

struct cell {
    bool known; /* numbers and raw values */
    enum truth truth;
    uint64_t raw;
    double number, slope;
};

struct machine {
    const struct lt_warn *warn;
    int64_t next_ns;
    struct cell stack[LT_CONDITION_DEPTH_MAX];
};

/* In `seconds` from now something may change. */
static void look_again(struct machine *m, double seconds)
{
    double ns = seconds * NS_PER_S_F;
    if (!(ns > -3)) /* past, with room for rounding */
        return;
    int64_t in = ns < 2 ? 1 : ns > 4e18 ? NEVER : (int64_t)ns - 1;
    int64_t at = later(m->warn->now_ns, in < 1 ? 1 : in);
    if (at < m->next_ns)
        m->next_ns = at;
}

/* When do two numbers meet? */
static void look_at_meeting(struct machine *m, const struct cell *a, const struct cell *b)
{
    double closing = b->slope - a->slope;
    if (closing != 0 && a->known && b->known)
        look_again(m, (a->number - b->number) / closing);
}

static struct cell if_finite(struct cell cell)
{
    cell.known = cell.known && isfinite(cell.number);
    return cell;
}

static enum truth truth_of(bool is_true)
{
    return is_true ? YES : NO;
}

static bool has_value(const struct input *input)
{
    return input->is.source <= LT_WARN_SUBSTITUTED;
}

static struct cell age_of(const struct machine *m, const struct input *input)
{
    if (input->seen_ns == LT_NO_TIME)
        return (struct cell){.known = false};
    return (struct cell){.known = true,
                         .number = (double)(m->warn->now_ns - input->seen_ns) / NS_PER_S_F,
                         .slope = 1};
}

static struct cell rate_of(const struct input *input)
{
    if (!input->has_base || input->is.loss != LT_WARN_NOT_LOST)
        return (struct cell){.known = false};
    double seconds = (double)(input->last_ns - input->base_ns) / NS_PER_S_F;
    return if_finite((struct cell){.known = true, .number = (input->last - input->base) / seconds});
}

static struct cell operand(const struct machine *m, const struct step *step)
{
    const struct input *input = &m->warn->inputs[step->input];
    switch (step->op) {
    case LT_OP_NUMBER:
        return (struct cell){.known = true, .number = step->number};
    case LT_OP_SIGNAL:
        return (struct cell){.known = has_value(input), .number = input->is.value};
    case LT_OP_RAW:
        /* A value that stands in without being a raw one equals no label: 0 is not it either. */
        return (struct cell){
            .known = has_value(input), .raw = input->is.raw, .truth = truth_of(input->is.has_raw)};
    case LT_OP_LABEL:
        return (struct cell){.known = true, .raw = step->raw, .truth = YES};
    case LT_OP_LIMP:
        return (struct cell){.truth = truth_of(m->warn->limp)};
    case LT_OP_AGE:
        return age_of(m, input);
    case LT_OP_MISSING:
        return (struct cell){.truth = truth_of(input->is.source == LT_WARN_MISSING)};
    case LT_OP_SUSPECT:
        return (struct cell){.truth = truth_of(input->suspect)};
    default:
        return rate_of(input);
    }
}

static struct cell choose(struct machine *m, const struct cell *a, const struct cell *b, bool least)
{
    struct cell unknown = {.known = false};
    look_at_meeting(m, a, b);
    if (!a->known || !b->known)
        return unknown;
    return (a->number < b->number) == least ? *a : *b;
}

static struct cell arithmetic(struct machine *m, enum lt_op op, const struct cell *a,
                              const struct cell *b)
{
    struct cell result = {.known = a->known && b->known};
    switch (op) {
    case LT_OP_ADD:
        result.number = a->number + b->number;
        result.slope = a->slope + b->slope;
        break;
    case LT_OP_SUB:
        result.number = a->number - b->number;
        result.slope = a->slope - b->slope;
        break;
    case LT_OP_MUL: /* one of them has no slope: see is_linear_in_age */
        result.number = a->number * b->number;
        result.slope = a->slope * b->number + b->slope * a->number;
        break;
    case LT_OP_DIV:
        result.known = result.known && b->number != 0;
        result.number = result.known ? a->number / b->number : 0;
        result.slope = result.known ? a->slope / b->number : 0;
        break;
    default:
        return choose(m, a, b, op == LT_OP_MIN);
    }
    return if_finite(result);
}

static struct cell compare(struct machine *m, enum lt_op op, const struct cell *a,
                           const struct cell *b, bool is_raw)
{
    bool is_true = false;
    look_at_meeting(m, a, b);
    if (!a->known || !b->known)
        return (struct cell){.truth = UNKNOWN};
    switch (op) {
    case LT_OP_LT:
        is_true = a->number < b->number;
        break;
    case LT_OP_LE:
        is_true = a->number <= b->number;
        break;
    case LT_OP_GT:
        is_true = a->number > b->number;
        break;
    case LT_OP_GE:
        is_true = a->number >= b->number;
        break;
    default:
        is_true = is_raw ? a->truth == YES && b->truth == YES && a->raw == b->raw
                         : a->number == b->number;
        is_true = is_true == (op == LT_OP_EQ);
    }
    return (struct cell){.truth = truth_of(is_true)};
}

static enum truth both(enum truth a, enum truth b)
{
    if (a == NO || b == NO)
        return NO;
    return a == YES && b == YES ? YES : UNKNOWN;
}

static enum truth negate(enum truth a)
{
    return a == UNKNOWN ? UNKNOWN : truth_of(a == NO);
}

static void unary(struct machine *m, enum lt_op op, struct cell *cell)
{
    if (op == LT_OP_NOT) {
        cell->truth = negate(cell->truth);
        return;
    }
    if (op == LT_OP_ABS && cell->slope != 0 && cell->known)
        look_again(m, -cell->number / cell->slope);
    if (op == LT_OP_ABS && cell->number >= 0)
        return;
    cell->number = -cell->number;
    cell->slope = -cell->slope;
}

static bool is_raw_step(const struct step *step)
{
    return step->op == LT_OP_LABEL || step->op == LT_OP_RAW;
}

enum truth warn_evaluate(const struct lt_warn *warn, const struct program *program,
                         int64_t *next_ns)
{
    struct machine m; /* the stack is left as it is: what is read was written before */
    m.warn = warn;
    m.next_ns = *next_ns;
    struct cell *top = m.stack; /* one past the last */
    for (size_t i = 0; i < program->count; i++) {
        const struct step *step = &program->steps[i];
        if (step->op <= LT_OP_RATE) {
            *top++ = operand(&m, step);
            continue;
        }
        if (step->op == LT_OP_NEGATE || step->op == LT_OP_ABS || step->op == LT_OP_NOT) {
            unary(&m, step->op, top - 1);
            continue;
        }
        struct cell *a = top - 2, *b = top - 1;
        top--;
        if (step->op == LT_OP_AND)
            a->truth = both(a->truth, b->truth);
        else if (step->op == LT_OP_OR)
            a->truth = negate(both(negate(a->truth), negate(b->truth)));
        else if (step->op >= LT_OP_LT)
            *a = compare(&m, step->op, a, b, is_raw_step(step - 1));
        else
            *a = arithmetic(&m, step->op, a, b);
    }
    *next_ns = m.next_ns;
    return m.stack[0].truth;
}

bool is_linear_in_age(const struct program *program)
{
    bool ages[LT_CONDITION_DEPTH_MAX] = {false};
    size_t height = 0;
    for (size_t i = 0; i < program->count; i++) {
        enum lt_op op = program->steps[i].op;
        if (op <= LT_OP_RATE) {
            ages[height++] = op == LT_OP_AGE;
            continue;
        }
        if (op == LT_OP_NEGATE || op == LT_OP_ABS || op == LT_OP_NOT)
            continue;
        bool right = ages[--height];
        bool left = ages[height - 1];
        if ((op == LT_OP_MUL && left && right) || (op == LT_OP_DIV && right))
            return false;
        ages[height - 1] = op < LT_OP_LT && (left || right);
    }
    return true;
}
