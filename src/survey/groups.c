/* The same quantity in several places. Nothing is looked for yet. */
#include "survey/survey_internal.h"

enum lt_code survey_groups(struct survey_work *work)
{
    (void)work;
    return LT_OK;
}
