/* What several kinds of references need. See reference_inside.h. */
#include "seek/reference_inside.h"

#include <math.h>
#include <stdlib.h>

struct pair {
    int64_t time_ns;
    double value;
    size_t at;
};

static int compare_pairs(const void *a, const void *b)
{
    const struct pair *x = a, *y = b;
    if (x->time_ns != y->time_ns)
        return x->time_ns < y->time_ns ? -1 : 1;
    return x->at < y->at ? -1 : x->at > y->at;
}

bool reference_put_in_order(int64_t *time_ns, double *value, size_t count)
{
    struct pair *pairs = malloc((count + 1) * sizeof *pairs);
    if (!pairs)
        return false;
    for (size_t i = 0; i < count; i++)
        pairs[i] = (struct pair){time_ns[i], value[i], i};
    qsort(pairs, count, sizeof *pairs, compare_pairs);
    for (size_t i = 0; i < count; i++) {
        time_ns[i] = pairs[i].time_ns;
        value[i] = pairs[i].value;
    }
    free(pairs);
    return true;
}

double reference_step(const struct lt_scaler *scaler)
{
    bool linear = scaler->def->form == LT_FORM_LINEAR && scaler->def->sign != LT_FLOAT;
    return linear ? fabs(lt_ratio_f64(scaler->scale)) : 0;
}
