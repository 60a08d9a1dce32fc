/* gzip (RFC 1952) and zstd (RFC 8878) data unpacked by a thread of their own, a few large buffers
 * ahead of who reads them. Internal to src/capture.
 *
 *     file -> [packed bytes] -> thread -> ring of LT_UNPACK_SLOTS buffers -> lt_unpack_read
 *
 * Members of gzip and frames of zstd may follow one another, as packers with several threads and
 * people with `cat` make them. What was unpacked before an error is handed out before the error. */
#ifndef LOOMTAP_CAPTURE_UNPACK_H
#define LOOMTAP_CAPTURE_UNPACK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

#include "loomtap/base/error.h"

#define LT_UNPACK_SLOTS      4
#define LT_UNPACK_SLOT_BYTES (512 * 1024)

enum lt_packed { LT_PACKED_NOT, LT_PACKED_GZIP, LT_PACKED_ZSTD };

/* By the first bytes. *ret_open: more bytes could still decide otherwise (fewer than 4 so far). */
enum lt_packed lt_packed_as(const void *bytes, size_t len, bool *ret_open);
const char *lt_packed_name(enum lt_packed packed); /* "gzip"; "" for LT_PACKED_NOT */

/* Where packed bytes come from: first `first`, which were read already, then the file. */
struct lt_packed_source {
    const void *first; /* copied; at most LT_UNPACK_FIRST_MAX */
    size_t first_len;
    int fd;            /* -1: from memory */
    const char *bytes; /* from memory: what follows `first`; stays the caller's until closed */
    size_t bytes_left;
    size_t largest_read;
};
#define LT_UNPACK_FIRST_MAX (256 * 1024)

struct lt_unpack;

/* Starts the thread. */
enum lt_code lt_unpack_open(struct lt_unpack **ret_unpack, enum lt_packed packed,
                            const struct lt_packed_source *source, struct lt_error *error);
/* Up to `room` bytes; *ret_got is 0 at the end. On an error the place (byte of the packed file) is
 * in the text; the source's name is the caller's to add. */
enum lt_code lt_unpack_read(struct lt_unpack *unpack, void *to, size_t room, size_t *ret_got,
                            struct lt_error *error);
/* Ends the thread wherever it is, even when it waits for a silent pipe. NULL is allowed. */
void lt_unpack_close(struct lt_unpack *unpack);

#endif
