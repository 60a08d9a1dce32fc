/* Adding one collector to another (collect.h). */
#include "measure/collect_inside.h"

enum lt_code lt_collect_merge(struct lt_collect *into, const struct lt_collect *from,
                              struct lt_error *error)
{
    (void)into;
    (void)from;
    return lt_fail(error, LT_E_LIMIT, "captures cannot be merged yet");
}
