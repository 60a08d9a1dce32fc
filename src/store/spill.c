/* Values wait in a scratch file until the commit, series by series: the table of values is ordered
 * by series and time, and filling such a table in its own order is several times faster than in the
 * order in which values come. The file lies beside the database (where there is room for it) and
 * has no name, so nothing is left of it whatever happens. Bytes in the machine's own order: nobody
 * else reads them. */
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#include "store/store_internal.h"

static int open_scratch(const char *path)
{
    char name[4096 + 60];
    int fd = -1;
    for (unsigned i = 0; i < 100 && fd < 0; i++) {
        lt_text_format(name, sizeof name, "%s.values-%ld-%u", path, (long)getpid(), i);
        fd = open(name, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
        if (fd < 0 && errno != EEXIST)
            break;
    }
    if (fd >= 0)
        unlink(name);
    return fd;
}

static bool write_block(struct lt_store *store, uint32_t number, const struct block *block)
{
    const char *at = (const char *)block;
    size_t left = sizeof *block;
    off_t offset = (off_t)number * (off_t)sizeof *block;
    if (store->spill_fd < 0)
        store->spill_fd = open_scratch(store->path);
    while (store->spill_fd >= 0 && left) {
        ssize_t done = pwrite(store->spill_fd, at, left, offset);
        if (done < 0 && errno == EINTR)
            continue;
        if (done <= 0)
            break;
        at += done;
        left -= (size_t)done;
        offset += done;
    }
    if (left)
        store->failed_errno = errno ? errno : ENOSPC;
    return !left;
}

bool spill_read(struct lt_store *store, uint32_t number, struct block *ret_block)
{
    char *at = (char *)ret_block;
    size_t left = sizeof *ret_block;
    off_t offset = (off_t)number * (off_t)sizeof *ret_block;
    while (left) {
        ssize_t done = pread(store->spill_fd, at, left, offset);
        if (done < 0 && errno == EINTR)
            continue;
        if (done <= 0) {
            store->failed_errno = done < 0 ? errno : EIO;
            return false;
        }
        at += done;
        left -= (size_t)done;
        offset += done;
    }
    return true;
}

enum lt_code spill_failed(const struct lt_store *store, struct lt_error *error)
{
    lt_fail(error, LT_E_IO, "keeping the values beside %s failed: %s", store->path,
            strerror(store->failed_errno));
    lt_error_advise(error, "make room there: it takes up to 17 bytes a value while reading, and "
                           "about 33 in the end");
    return LT_E_IO;
}

/* Gives the full block away; the next number of this series is set apart at once. */
static bool give_block(struct lt_store_series *series)
{
    struct lt_store *store = series->store;
    if (store->block_count > NO_BLOCK - 2) {
        store->failed_errno = EFBIG;
        return false;
    }
    if (series->first_block == NO_BLOCK)
        series->first_block = series->this_block = store->block_count++;
    series->block.next = store->block_count++;
    if (!write_block(store, series->this_block, &series->block))
        return false;
    series->this_block = series->block.next;
    series->block.used = 0;
    return true;
}

bool lt_store_add(struct lt_store_series *series, int64_t time_ns, uint64_t raw,
                  enum lt_store_state state)
{
    if (series->store->failed_errno)
        return false;
    struct block *block = &series->block;
    if (block->used == BLOCK_SAMPLES && !give_block(series))
        return false;
    block->time_ns[block->used] = time_ns;
    block->raw[block->used] = raw;
    block->state[block->used++] = (uint8_t)state;
    series->count++;
    series->by_state[state & 3]++;
    if (time_ns <= series->last_ns) { /* also when it has none */
        series->not_later = true;
        if (time_ns != LT_NO_TIME && time_ns < series->first_ns)
            series->first_ns = time_ns;
    } else {
        if (series->first_ns == LT_NO_TIME)
            series->first_ns = time_ns;
        series->last_ns = time_ns;
    }
    return true;
}
