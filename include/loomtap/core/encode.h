/* Encoding: values into the bytes of a frame, the inverse of decoding. Other bits keep their value;
 * then the counter is set, then the checksum. */
#ifndef LOOMTAP_CORE_ENCODE_H
#define LOOMTAP_CORE_ENCODE_H

#include "loomtap/core/frame.h"
#include "loomtap/core/profile.h"

struct lt_setting {
    struct lt_text signal; /* its name */
    struct lt_text value;  /* decimal number, label, `unavailable` or `error` */
};

/* `frame->data` holds the starting bytes (all zero unless the caller has others); id, flags, len
 * and data are set. `counter` is the n-th frame of a run: the field gets (start + n * step) mod
 * modulus with start 0. Selectors of the page a set signal lives on are set as well when the page
 * names one value; a contradiction (two settings on different pages) is an error, as are an
 * authenticated frame, an unknown signal or label, and a value that does not fit. */
enum lt_code lt_encode(const struct lt_profile *profile, uint32_t frame_index,
                       const struct lt_setting *settings, size_t setting_count, uint64_t counter,
                       struct lt_frame *frame, struct lt_error *error);

#endif
