/* A ceiling on the work of a search, in steps that are counted, never in time: the same frames give
 * the same result on any machine. A step is about as much as ten instructions. */
#ifndef LOOMTAP_MEASURE_WORK_H
#define LOOMTAP_MEASURE_WORK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct lt_work {
    uint64_t left;
    bool cut; /* something was left out */
};

/* Takes the steps; false, and nothing taken, where there are not so many left. NULL has no end. */
static inline bool lt_work_take(struct lt_work *work, uint64_t steps)
{
    if (!work)
        return true;
    if (steps > work->left) {
        work->cut = true;
        return false;
    }
    work->left -= steps;
    return true;
}

/* What many searches share. Each has an allowance of its own, by how many bytes it has to look at,
 * and borrows what it needs beyond that from the pool, up to a share of it; where thousands of
 * identifiers have emptied the pool, the allowance is all there is. */
struct lt_work_pool {
    uint64_t left;
};

#define LT_WORK_POOL     UINT64_C(300000000)
#define LT_WORK_SHARE    UINT64_C(10000000)
#define LT_WORK_EACH     UINT64_C(10000)
#define LT_WORK_PER_BYTE UINT64_C(30)

static inline uint64_t lt_work_own(size_t rows, size_t length)
{
    return LT_WORK_EACH + LT_WORK_PER_BYTE * (uint64_t)rows * length;
}

static inline struct lt_work lt_work_begin(const struct lt_work_pool *pool, size_t rows,
                                           size_t length)
{
    uint64_t more = pool->left < LT_WORK_SHARE ? pool->left : LT_WORK_SHARE;
    return (struct lt_work){lt_work_own(rows, length) + more, false};
}

/* Gives back what was not needed. */
static inline void lt_work_end(struct lt_work_pool *pool, const struct lt_work *work)
{
    uint64_t more = pool->left < LT_WORK_SHARE ? pool->left : LT_WORK_SHARE;
    pool->left = pool->left - more + (work->left < more ? work->left : more);
}

#endif
