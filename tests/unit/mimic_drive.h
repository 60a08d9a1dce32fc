/* What the tests of the invented car share: driving a scenario frame by frame. */
#ifndef LOOMTAP_TESTS_MIMIC_DRIVE_H
#define LOOMTAP_TESTS_MIMIC_DRIVE_H

#include "unit.h"

#include "loomtap/mimic/mimic.h"

#define START_NS 1700000000000000000

/* --- a drive, frame by frame --- */

struct drive {
    struct lt_mimic *mimic;
    const struct lt_frame *frame;
    const struct lt_mimic_truth *rows;
    size_t row_count;
    double at_s; /* since the start */
};

static inline struct drive begin(const char *scenario, uint64_t seed, double duration_s)
{
    const struct lt_mimic_options options = {
        .seed = seed, .duration_s = duration_s, .start_ns = START_NS, .polling = true};
    struct drive drive = {0};
    struct lt_error error;
    assert_int_equal(lt_mimic_new(&drive.mimic, scenario, &options, &error), LT_OK);
    return drive;
}

static inline bool next(struct drive *drive)
{
    drive->frame = lt_mimic_next(drive->mimic);
    if (!drive->frame) {
        lt_mimic_free(drive->mimic);
        return false;
    }
    drive->row_count = lt_mimic_truth(drive->mimic, &drive->rows);
    drive->at_s = (double)(drive->frame->time_ns - START_NS) / 1e9;
    return true;
}

static inline const struct lt_mimic_truth *row_of(const struct drive *drive, const char *signal)
{
    for (size_t i = 0; i < drive->row_count; i++)
        if (strcmp(drive->rows[i].signal, signal) == 0)
            return &drive->rows[i];
    return NULL;
}

/* Takes the value if this frame carries the signal, sound and available. */
static inline bool update(const struct drive *drive, const char *signal, double *value)
{
    const struct lt_mimic_truth *row = row_of(drive, signal);
    if (!row || row->suspect || strcmp(row->label, "unavailable") == 0 ||
        strcmp(row->label, "error") == 0)
        return false;
    *value = row->value;
    return true;
}

#endif
