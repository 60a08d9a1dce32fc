/* Finding checksums (loomtap/measure/check_solve.h). Nothing is looked for yet. */
#include "loomtap/measure/check_solve.h"

enum lt_code lt_checks_find(const struct lt_kept *kept, const struct lt_counter_found *counters,
                            size_t counter_count, const struct lt_bit_set *taken,
                            struct lt_arena *arena, struct lt_check_found ret_found[LT_CHECKS_MAX],
                            size_t *ret_count, struct lt_error *error)
{
    (void)kept;
    (void)counters;
    (void)counter_count;
    (void)taken;
    (void)arena;
    (void)ret_found;
    (void)error;
    *ret_count = 0;
    return LT_OK;
}

bool lt_check_transfer(const struct lt_kept *kept, const struct lt_checksum *known,
                       const struct lt_counter_found *counters, size_t counter_count,
                       struct lt_arena *arena, struct lt_check_found *ret_found)
{
    (void)kept;
    (void)known;
    (void)counters;
    (void)counter_count;
    (void)arena;
    (void)ret_found;
    return false;
}
