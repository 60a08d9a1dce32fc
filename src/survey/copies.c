/* Frames that a gateway copies from one bus to another. Nothing is looked for yet. */
#include "survey/survey_internal.h"

enum lt_code survey_copies(struct survey_work *work)
{
    (void)work;
    return LT_OK;
}
