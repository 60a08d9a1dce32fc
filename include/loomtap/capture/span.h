/* One end of a time span of a capture, as --from and --to say it. */
#ifndef LOOMTAP_CAPTURE_SPAN_H
#define LOOMTAP_CAPTURE_SPAN_H

#include <stdbool.h>
#include <stdint.h>

#include "loomtap/base/text.h"

/* Seconds from the first frame, or the capture's own time. */
struct lt_time_bound {
    bool given, from_start;
    int64_t ns;
};

/* "5" or "1700000005.25": a number below the time of the first frame counts from the start, which
 * is decided once that frame is known; "+5" always counts from the start. */
bool lt_time_bound_parse(struct lt_text text, struct lt_time_bound *ret_bound);

/* In the capture's own time. first_ns: of the first frame with a time, or LT_NO_TIME; `otherwise`
 * where no bound is given. */
int64_t lt_time_bound_ns(const struct lt_time_bound *bound, int64_t first_ns, int64_t otherwise);

#endif
