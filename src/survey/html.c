#include "loomtap/survey/output.h"

void lt_survey_html(const struct lt_survey *survey, const struct lt_survey_about *about,
                    struct lt_sink *sink)
{
    (void)survey;
    (void)about;
    (void)sink;
}
