/* What of a frame is compared with the other recording, and what both show of it
 * (compare_units.c). */
#ifndef LOOMTAP_SRC_SURVEY_COMPARE_UNITS_H
#define LOOMTAP_SRC_SURVEY_COMPARE_UNITS_H

#include "survey/survey_internal.h"

#define UNIT_VALUES_MOST 33 /* different values that are told apart; more are "many" */

/* One recording's view of a unit. */
struct unit_seen {
    size_t rows;
    uint64_t low, high;
    uint64_t changes;   /* from row to row */
    size_t value_count; /* up to UNIT_VALUES_MOST, which means that many or more */
    uint64_t value[UNIT_VALUES_MOST];
    uint32_t visits[UNIT_VALUES_MOST]; /* how often it was taken up */
    int64_t first_change_ns;           /* LT_NO_TIME without */
};

/* A field, or bits of one byte that stand still in both. */
struct unit {
    struct lt_bits bits;
    enum lt_field_kind kind; /* by the recording in which it moves */
    bool has_page;
    uint16_t page;
    struct unit_seen a, b;
};

typedef enum lt_code (*unit_fn)(void *context, const struct unit *unit);
/* Calls `with` for every unit of a frame that both recordings have; counters and checksums of
 * either are left out. */
enum lt_code compare_units(const struct lt_survey_frame *a, const struct lt_survey_frame *b,
                           unit_fn with, void *context, struct lt_error *error);

#endif
