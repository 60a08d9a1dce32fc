/* A signal over time in bounded memory: see inside.h. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "prove/inside.h"

bool samples_make_room(struct samples *samples)
{
    if (samples->capacity == SAMPLES_MAX) { /* every second one stays */
        for (size_t i = 0; i < samples->count / 2; i++) {
            samples->time_ns[i] = samples->time_ns[2 * i];
            samples->value[i] = samples->value[2 * i];
        }
        samples->count /= 2;
        samples->every *= 2;
        return true;
    }
    size_t capacity = samples->capacity ? 4 * samples->capacity : 1024;
    int64_t *times = realloc(samples->time_ns, capacity * sizeof *times);
    if (times)
        samples->time_ns = times;
    double *values = times ? realloc(samples->value, capacity * sizeof *values) : NULL;
    if (!values)
        return false;
    samples->value = values;
    if (!samples->capacity)
        samples->newest_ns = INT64_MIN;
    samples->capacity = capacity;
    return true;
}

struct pair {
    int64_t time_ns;
    double value;
    size_t index;
};

static int by_time(const void *a, const void *b)
{
    const struct pair *x = a, *y = b;
    if (x->time_ns != y->time_ns)
        return x->time_ns < y->time_ns ? -1 : 1;
    return (x->index > y->index) - (x->index < y->index);
}

/* Captures need not be given in the order of their times. */
bool samples_put_in_order(struct samples *samples)
{
    if (!samples->unordered)
        return true;
    struct pair *pairs = malloc(samples->count * sizeof *pairs);
    if (!pairs)
        return false;
    for (size_t i = 0; i < samples->count; i++)
        pairs[i] = (struct pair){samples->time_ns[i], samples->value[i], i};
    qsort(pairs, samples->count, sizeof *pairs, by_time);
    for (size_t i = 0; i < samples->count; i++) {
        samples->time_ns[i] = pairs[i].time_ns;
        samples->value[i] = pairs[i].value;
    }
    free(pairs);
    samples->unordered = false;
    return true;
}

void samples_release(struct samples *samples)
{
    free(samples->time_ns);
    free(samples->value);
    *samples = (struct samples){0};
}

/* On to the first sample later than the time: by steps that double, then by halves. */
static void skip_to(const struct samples *samples, int64_t time_ns, size_t *at)
{
    size_t low = *at, step = 1;
    while (low + step < samples->count && samples->time_ns[low + step] <= time_ns) {
        low += step;
        step *= 2;
    }
    size_t high = low + step < samples->count ? low + step : samples->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (samples->time_ns[middle] <= time_ns)
            low = middle + 1;
        else
            high = middle;
    }
    *at = low;
}

double samples_at(const struct samples *samples, int64_t time_ns, int64_t hold_ns, size_t *at)
{
    skip_to(samples, time_ns, at);
    if (*at == 0 || *at == samples->count)
        return NAN;
    int64_t before = samples->time_ns[*at - 1], after = samples->time_ns[*at];
    int64_t gap_ns;
    if (__builtin_sub_overflow(after, before, &gap_ns) || gap_ns > hold_ns || gap_ns <= 0)
        return NAN;
    double part = (double)(time_ns - before) / (double)gap_ns;
    double low = samples->value[*at - 1], high = samples->value[*at];
    return low + part * (high - low);
}
