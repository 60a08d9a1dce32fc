/* References by another clock. See loomtap/seek/reference.h. */
#include "loomtap/seek/reference.h"

enum lt_code lt_reference_move(const struct lt_reference *reference, int64_t by_ns,
                               struct lt_arena *arena, struct lt_reference *ret_moved,
                               struct lt_error *error)
{
    int64_t *time_ns = lt_arena_array(arena, reference->count + 1, sizeof *time_ns);
    if (!time_ns)
        return lt_fail(error, LT_E_MEMORY, "no memory to move %s", reference->name);
    for (size_t i = 0; i < reference->count; i++)
        if (__builtin_add_overflow(reference->time_ns[i], by_ns, &time_ns[i]))
            return lt_fail(error, LT_E_RANGE, "%s: a time moved by %lld s cannot be counted",
                           reference->name, (long long)(by_ns / 1000000000));
    struct lt_reference moved = *reference;
    moved.time_ns = time_ns;
    *ret_moved = moved;
    return LT_OK;
}
