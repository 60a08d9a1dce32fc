/* Blocks of bytes from a file, standard input or memory, unpacked if they are packed, with the
 * incomplete last line kept in front of the next block. Internal to src/capture.
 *
 *     [ room for an incomplete line | block, page-aligned | slack ]
 *               ^at ...................... ^end
 *
 * Every read lands on the same page-aligned address: appending behind the leftover instead makes
 * the kernel copy to unaligned addresses, which was measured to cost three times as much. */
#ifndef LOOMTAP_CAPTURE_INPUT_H
#define LOOMTAP_CAPTURE_INPUT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"

#include "capture/unpack.h"

#define LT_BLOCK_BYTES (256 * 1024)
/* Largest number of bytes that may be left over when more is read. */
#define LT_BLOCK_FRONT 8192
/* Bytes behind the block that may be read (not used) so that wide loads need no check. */
#define LT_BLOCK_SLACK 128

struct lt_input {
    char *memory, *block;
    const char *at, *end; /* what was read and not yet used */
    bool at_eof;
    /* Reading ended early: set with at_eof. What was read before it is good and may be used. */
    enum lt_code code;
    struct lt_error error;
    enum lt_packed packed;
    struct lt_unpack *unpack; /* NULL where the input is not packed */
    int fd;                   /* -1: from memory */
    bool owns_fd;
    const char *bytes; /* from memory: what is left of it */
    size_t bytes_left;
    size_t largest_read;
    uint64_t bytes_read; /* unpacked, of all inputs */
};

enum lt_code lt_input_init(struct lt_input *input, struct lt_error *error);
void lt_input_release(struct lt_input *input);

/* Both drop what the input held before. */
enum lt_code lt_input_open(struct lt_input *input, const char *path, struct lt_error *error);
void lt_input_open_memory(struct lt_input *input, const void *bytes, size_t len, size_t block);
void lt_input_close(struct lt_input *input);
/* After opening: looks at the first bytes, and starts the unpacking where they are packed. */
enum lt_code lt_input_begin(struct lt_input *input, const char *name, struct lt_error *error);

/* Reads one block more behind what is left, at most LT_BLOCK_FRONT bytes (our own promise). Moves
 * `at`: pointers into the input are void. Sets at_eof at the end, and `code` on an error. */
void lt_input_more(struct lt_input *input, const char *name);
/* Reads on behind what is there without moving it, as long as the block has room (used once, to
 * look at an input before the first line is taken). False: no room, or at_eof. */
bool lt_input_append(struct lt_input *input, const char *name);

/* What went wrong with the input, from errno. */
enum lt_code lt_input_fail_errno(struct lt_error *error, const char *path, int number);
/* LT_OK when `path` is something that can be read; does not open it. */
enum lt_code lt_input_check(const char *path, struct lt_error *error);

#endif
