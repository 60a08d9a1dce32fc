/* The survey of a finished collector, in the order of survey_internal.h. */
#include "loomtap/survey/survey.h"

#include <stdio.h>

#include "survey/survey_internal.h"

const char *lt_field_kind_name(enum lt_field_kind kind)
{
    static const char *const names[LT_FIELD_KINDS] = {
        [LT_FIELD_CONSTANT] = "constant", [LT_FIELD_COUNTER] = "counter",
        [LT_FIELD_CHECKSUM] = "checksum", [LT_FIELD_SELECTOR] = "selector",
        [LT_FIELD_ENUM] = "enum",         [LT_FIELD_FLAG] = "flag",
        [LT_FIELD_PHYSICAL] = "physical", [LT_FIELD_ACCUMULATING] = "accumulating",
        [LT_FIELD_TEXT] = "text",         [LT_FIELD_UNKNOWN] = "unknown",
    };
    return names[kind];
}

const char *survey_text(struct lt_arena *arena, const char *format, ...)
{
    char text[1024];
    va_list args;
    va_start(args, format);
    size_t len = lt_text_vformat(text, sizeof text, format, args);
    va_end(args);
    return lt_arena_text(arena, (struct lt_text){text, len});
}
