/* Reading in blocks: see input.h for the layout and why. */
#include "capture/input.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define PAGE_BYTES   4096
#define MEMORY_BYTES (LT_BLOCK_FRONT + LT_BLOCK_BYTES + LT_BLOCK_SLACK)

enum lt_code lt_input_fail_errno(struct lt_error *error, const char *path, int number)
{
    char room[128];
    lt_fail(error, LT_E_IO, "%s", strerror_r(number, room, sizeof room));
    lt_error_at(error, path, 0, 0);
    if (number == ENOENT)
        lt_error_advise(error, "look at the spelling and at the folder you are in");
    if (number == EACCES)
        lt_error_advise(error, "give yourself the right to read it");
    return LT_E_IO;
}

enum lt_code lt_input_init(struct lt_input *input, struct lt_error *error)
{
    *input = (struct lt_input){.fd = -1, .at_eof = true};
    size_t rounded = (MEMORY_BYTES + PAGE_BYTES - 1) / PAGE_BYTES * PAGE_BYTES;
    input->memory = aligned_alloc(PAGE_BYTES, rounded);
    if (!input->memory)
        return lt_fail(error, LT_E_MEMORY, "out of memory for a block of the capture");
    /* Wide loads may touch bytes never read from the file; they must at least be defined. */
    memset(input->memory, 0, rounded);
    input->block = input->memory + LT_BLOCK_FRONT;
    input->at = input->end = input->block;
    return LT_OK;
}

void lt_input_release(struct lt_input *input)
{
    lt_input_close(input);
    free(input->memory);
    input->memory = NULL;
}

void lt_input_close(struct lt_input *input)
{
    lt_unpack_close(input->unpack);
    input->unpack = NULL;
    input->packed = LT_PACKED_NOT;
    input->code = LT_OK;
    if (input->owns_fd && input->fd >= 0)
        close(input->fd);
    input->fd = -1;
    input->owns_fd = false;
    input->bytes = NULL;
    input->bytes_left = 0;
    input->at = input->end = input->block;
    input->at_eof = true;
}

enum lt_code lt_input_check(const char *path, struct lt_error *error)
{
    struct stat status;
    if (strcmp(path, "-") == 0)
        return LT_OK;
    if (stat(path, &status) != 0)
        return lt_input_fail_errno(error, path, errno);
    if (S_ISDIR(status.st_mode)) {
        lt_input_fail_errno(error, path, EISDIR);
        lt_error_advise(error, "name the capture files in it");
        return LT_E_IO;
    }
    if (access(path, R_OK) != 0)
        return lt_input_fail_errno(error, path, errno);
    return LT_OK;
}

enum lt_code lt_input_open(struct lt_input *input, const char *path, struct lt_error *error)
{
    enum lt_code code = lt_input_check(path, error);
    if (code != LT_OK)
        return code;
    bool is_stdin = strcmp(path, "-") == 0;
    int fd = is_stdin ? STDIN_FILENO : open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0)
        return lt_input_fail_errno(error, path, errno);
    lt_input_close(input);
    /* Only a hint: it fails on a pipe, harmlessly. */
    (void)posix_fadvise(fd, 0, 0, POSIX_FADV_SEQUENTIAL);
    input->fd = fd;
    input->owns_fd = !is_stdin;
    input->largest_read = LT_BLOCK_BYTES;
    input->at_eof = false;
    return LT_OK;
}

void lt_input_open_memory(struct lt_input *input, const void *bytes, size_t len, size_t block)
{
    lt_input_close(input);
    input->bytes = bytes;
    input->bytes_left = len;
    input->largest_read = block > 0 && block < LT_BLOCK_BYTES ? block : LT_BLOCK_BYTES;
    input->at_eof = false;
}

static size_t read_memory(struct lt_input *input, char *to, size_t want)
{
    size_t take = want < input->bytes_left ? want : input->bytes_left;
    if (take > 0)
        memcpy(to, input->bytes, take);
    if (input->bytes)
        input->bytes += take;
    input->bytes_left -= take;
    return take;
}

/* At most `room` bytes to `to`; *ret_got is 0 at the end. */
static enum lt_code read_some(struct lt_input *input, char *to, size_t room, const char *name,
                              size_t *ret_got)
{
    size_t want = room < input->largest_read ? room : input->largest_read;
    if (input->unpack) {
        enum lt_code code = lt_unpack_read(input->unpack, to, want, ret_got, &input->error);
        if (code != LT_OK)
            lt_error_at(&input->error, name, 0, 0);
        return code;
    }
    if (input->fd < 0) {
        *ret_got = read_memory(input, to, want);
        return LT_OK;
    }
    ssize_t got;
    do {
        got = read(input->fd, to, want);
    } while (got < 0 && errno == EINTR);
    if (got < 0)
        return lt_input_fail_errno(&input->error, name, errno);
    *ret_got = (size_t)got;
    return LT_OK;
}

static void read_to_end(struct lt_input *input, char *to, const char *name)
{
    size_t got = 0;
    size_t room = (size_t)(input->block + LT_BLOCK_BYTES - to);
    input->code = read_some(input, to, room, name, &got);
    input->at_eof = got == 0;
    input->bytes_read += got;
    input->end = to + got;
}

void lt_input_more(struct lt_input *input, const char *name)
{
    size_t left = (size_t)(input->end - input->at);
    assert(left <= LT_BLOCK_FRONT);
    if (input->at_eof)
        return;
    char *front = input->block - left;
    memmove(front, input->at, left);
    input->at = front;
    input->end = input->block;
    read_to_end(input, input->block, name);
}

bool lt_input_append(struct lt_input *input, const char *name)
{
    char *to = input->block + (input->end - input->block);
    if (input->at_eof || to == input->block + LT_BLOCK_BYTES)
        return false;
    read_to_end(input, to, name);
    return !input->at_eof;
}

/* What was read so far goes to the unpacking thread, and the block begins anew with its output. */
static enum lt_code start_unpacking(struct lt_input *input, const char *name,
                                    struct lt_error *error)
{
    struct lt_packed_source source = {
        .first = input->at,
        .first_len = (size_t)(input->end - input->at),
        .fd = input->fd,
        .bytes = input->bytes,
        .bytes_left = input->bytes_left,
        .largest_read = input->largest_read,
    };
    enum lt_code code = lt_unpack_open(&input->unpack, input->packed, &source, error);
    if (code != LT_OK) {
        lt_error_at(error, name, 0, 0);
        return code;
    }
    input->bytes_read -= source.first_len;
    input->at = input->end = input->block;
    input->at_eof = false;
    input->code = LT_OK; /* an error of reading comes again, behind what was unpacked */
    return LT_OK;
}

enum lt_code lt_input_begin(struct lt_input *input, const char *name, struct lt_error *error)
{
    bool more, open;
    do {
        more = lt_input_append(input, name);
        input->packed = lt_packed_as(input->at, (size_t)(input->end - input->at), &open);
    } while (more && open);
    return input->packed == LT_PACKED_NOT ? LT_OK : start_unpacking(input, name, error);
}
