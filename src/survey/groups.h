/* Courses of fields over time, to be held against each other: courses.c reads them, groups.c says
 * which are one quantity. */
#ifndef LOOMTAP_SRC_SURVEY_GROUPS_H
#define LOOMTAP_SRC_SURVEY_GROUPS_H

#include "survey/survey_internal.h"
#include "survey/survey_window.h"

#define GRID_POINTS 2048u

/* A field that moves enough to be compared. */
struct course {
    uint32_t frame, field; /* in the survey */
    const struct lt_survey_field *is;
    size_t count; /* rows; their times ascend */
    const int64_t *time_ns;
    const uint8_t *bytes; /* rows of `length` */
    unsigned length;
    struct survey_window window;
    int64_t period_ns; /* between its rows, usually */
    int64_t stale_ns;  /* older values are none */
    float *grid;       /* GRID_POINTS values over the capture, NaN where there is none */
    double mean, deviation, memory_s; /* of the grid; memory: correlation time */
    double span;                      /* in quanta */
};

/* Value of a row; NaN for "not available". Behind the last row 8 bytes can be read (kept.h). */
double course_value(const struct course *course, size_t row);
/* The value at a time, on the line between the rows before and after it; NaN where one of them is
 * too far away. `near`: the row that was found last; 0 at first. */
double course_between(const struct course *course, int64_t time_ns, size_t *near);
/* Reads all courses that can be compared; at most COURSES_MOST, those with most values first. */
#define COURSES_MOST 400u
enum lt_code courses_read(struct survey_work *work, struct course **ret_courses, size_t *ret_count);

/* How two courses hang together: y(t) = scale * x(t - lag) + offset. */
struct likeness {
    double r; /* at the best lag */
    double scale, offset, lag_s;
    double within; /* quanta of the coarser: four in five residuals are smaller */
    double n_eff;
};
/* False where they are not one quantity. `pairs`: how many are tried in all. */
bool courses_alike(const struct course *x, const struct course *y, double duration_s, size_t pairs,
                   struct likeness *ret_likeness);
/* Correlation on the grid, `shift` points of y later (circular). 0 with too few common points. */
double courses_grid_r(const struct course *x, const struct course *y, size_t shift);

#endif
