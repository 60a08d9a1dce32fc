/* Ends of time spans: see loomtap/capture/span.h. */
#include "loomtap/capture/span.h"

#include "loomtap/base/number.h"
#include "loomtap/core/frame.h"

#define NS_PER_S 1000000000

bool lt_time_bound_parse(struct lt_text text, struct lt_time_bound *ret_bound)
{
    bool from_start = text.len && text.at[0] == '+';
    struct lt_ratio seconds, ns;
    if (from_start) {
        text.at++;
        text.len--;
    }
    if (!text.len || text.at[0] == '+' || !lt_parse_ratio(text, &seconds) ||
        !lt_ratio_mul(seconds, (struct lt_ratio){NS_PER_S, 1}, &ns))
        return false;
    *ret_bound = (struct lt_time_bound){true, from_start, ns.num / ns.den};
    return true;
}

int64_t lt_time_bound_ns(const struct lt_time_bound *bound, int64_t first_ns, int64_t otherwise)
{
    int64_t sum;
    if (!bound->given)
        return otherwise;
    if (first_ns == LT_NO_TIME || (!bound->from_start && bound->ns >= first_ns))
        return bound->ns;
    if (__builtin_add_overflow(first_ns, bound->ns, &sum))
        return otherwise;
    return sum;
}
