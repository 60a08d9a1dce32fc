/* The pictures of the page of a search. */
#ifndef LOOMTAP_SRC_SEEK_PICTURE_H
#define LOOMTAP_SRC_SEEK_PICTURE_H

#include "loomtap/report/svg.h"
#include "seek/pairs.h"

struct picture_span { /* of the recording: all time axes are the same */
    int64_t first_ns, last_ns;
};

/* The reference, and up to two candidates in its unit, over time. rival: NULL for none. */
void picture_over_time(struct lt_html *html, const struct picture_span *span,
                       const struct lt_reference *reference, const struct seek_trace *best,
                       const struct seek_trace *rival);
/* Labels: when they were marked, and the raw value. */
void picture_of_marks(struct lt_html *html, const struct picture_span *span,
                      const struct lt_reference *marks, const struct lt_candidate *candidate,
                      const struct seek_trace *trace);
/* Raw value against the reference, with the line that was fitted. */
void picture_scatter(struct lt_html *html, const struct lt_candidate *candidate,
                     const struct seek_pairs *pairs);
/* What is left over, with the reference's own step as a band. */
void picture_rest(struct lt_html *html, const struct picture_span *span,
                  const struct lt_reference *reference, const struct seek_pairs *pairs);
/* How well it follows at other lags, and the r that chance may reach. */
void picture_lags(struct lt_html *html, const struct lt_seek_target *target,
                  const struct seek_lags *best, const struct seek_lags *rival);

#endif
