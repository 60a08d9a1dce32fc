/* Any bytes as a condition. What is accepted must run on a stack of LT_CONDITION_DEPTH_MAX values
 * and end with one, and its kept text must read back as the same program. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/core/condition.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static void expect(int is_true)
{
    if (!is_true)
        abort();
}

/* Signals are the names of one letter; those from m on have labels, which are of one letter too. */
static bool find_signal(void *context, struct lt_text name, uint32_t *ret_signal,
                        bool *ret_has_labels)
{
    (void)context;
    if (name.len != 1 || name.at[0] < 'a' || name.at[0] > 'z')
        return false;
    *ret_signal = (uint32_t)(name.at[0] - 'a');
    *ret_has_labels = name.at[0] >= 'm';
    return true;
}

static bool find_label(void *context, uint32_t signal, struct lt_text label, uint64_t *ret_raw)
{
    (void)context;
    (void)signal;
    if (label.len != 1)
        return false;
    *ret_raw = (unsigned char)label.at[0];
    return true;
}

static void list_labels(void *context, uint32_t signal, char *buf, size_t size)
{
    (void)context;
    lt_text_format(buf, size, "those of signal %u", (unsigned)signal);
}

static int stack_change(enum lt_op op)
{
    if (op <= LT_OP_RATE)
        return 1;
    return op == LT_OP_NEGATE || op == LT_OP_ABS || op == LT_OP_NOT ? 0 : -1;
}

static void check_program(const struct lt_condition *condition)
{
    int height = 0;
    expect(condition->count >= 1 && condition->count <= LT_CONDITION_STEPS_MAX);
    for (size_t i = 0; i < condition->count; i++) {
        int change = stack_change(condition->steps[i].op);
        expect(height + (change < 1 ? change : 0) >= (change < 1 ? 1 : 0));
        height += change;
        expect(height <= LT_CONDITION_DEPTH_MAX);
    }
    expect(height == 1);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static const struct lt_condition_names names = {NULL, find_signal, find_label, list_labels};
    struct lt_text input = {(const char *)bytes, size};
    struct lt_arena arena;
    struct lt_condition first, again;
    struct lt_error error;
    lt_arena_init(&arena, 0);
    if (lt_condition_parse(input, &names, &arena, &first, &error) == LT_OK) {
        check_program(&first);
        expect(lt_condition_parse(lt_text_of(first.text), &names, &arena, &again, &error) == LT_OK);
        expect(strcmp(first.text, again.text) == 0 && first.count == again.count);
        for (size_t i = 0; i < first.count; i++)
            expect(first.steps[i].op == again.steps[i].op &&
                   first.steps[i].signal == again.steps[i].signal);
    } else {
        expect(error.column >= 1 && error.column <= size + 1);
        expect(error.text[0] != 0);
    }
    lt_arena_release(&arena);
    return 0;
}
