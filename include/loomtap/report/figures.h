/* Figures and sentences as people read them. */
#ifndef LOOMTAP_REPORT_FIGURES_H
#define LOOMTAP_REPORT_FIGURES_H

#include <stdint.h>

#include "loomtap/base/sink.h"

/* A number with just these decimals; "-" where it is none. Returns the length. */
#define LT_FIGURE_ROOM 32
size_t lt_figure_fixed(char ret_text[LT_FIGURE_ROOM], double value, unsigned decimals);
/* So many digits that count, without zeros at the end: 0.25, 1234.5. */
size_t lt_figure_digits(char ret_text[LT_FIGURE_ROOM], double value, unsigned digits);

/* A share as "93 %"; ">99 %" where rounding would say that all of it is. */
void lt_figure_percent(char ret_text[LT_FIGURE_ROOM], double share);

/* A length of time: "10 ms", "1.25 s", "83.3 us". */
#define LT_TIME_ROOM 40
void lt_figure_time(char ret_text[LT_TIME_ROOM], int64_t ns);

/* A text from column `indent` on, broken between words at `columns`, and the end of its line. */
void lt_put_wrapped(struct lt_sink *sink, unsigned indent, unsigned columns, const char *text);

#endif
