/* The pictures of a survey's page. */
#ifndef LOOMTAP_SRC_SURVEY_PICTURE_H
#define LOOMTAP_SRC_SURVEY_PICTURE_H

#include "loomtap/report/svg.h"
#include "loomtap/survey/output.h"

/* One strip of the frame's bits: a bar for how often each flips, brackets of the fields below. */
void picture_strip(struct lt_html *html, const struct lt_survey_frame *frame);
/* When the frame comes: period, its spread, and the shortest and longest gap. */
void picture_timing(struct lt_html *html, const struct lt_timing *timing);
/* What the brackets of each kind look like. */
void picture_legend(struct lt_html *html);

#endif
