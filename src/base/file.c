/* Output files that appear only when whole. See loomtap/base/sink.h. */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "loomtap/base/sink.h"

static enum lt_code fail_open(const char *path, int reason, struct lt_error *error)
{
    lt_fail(error, LT_E_IO, "cannot write %s: %s", path, strerror(reason));
    lt_error_advise(error, reason == EEXIST
                               ? "a recording is not written over: choose another name"
                               : "choose a folder that exists and that you may write to");
    return LT_E_IO;
}

static enum lt_code name_file(struct lt_file_sink *file, const char *path, struct lt_error *error)
{
    file->is_stdout = strcmp(path, "-") == 0;
    file->fd = STDOUT_FILENO;
    file->temporary[0] = 0;
    if (strlen(path) >= sizeof file->path)
        return lt_fail(error, LT_E_LIMIT, "the file name is longer than %zu bytes",
                       sizeof file->path - 1);
    memcpy(file->path, path, strlen(path) + 1);
    return LT_OK;
}

/* What is there and is no ordinary file (a pipe, /dev/null) is written as it is. */
static bool is_replaced(const char *path)
{
    struct stat status;
    return stat(path, &status) != 0 || S_ISREG(status.st_mode);
}

static enum lt_code open_file(struct lt_file_sink *file, const char *path, int flags,
                              struct lt_error *error)
{
    if (!file->is_stdout)
        file->fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC | flags, 0666);
    if (file->fd < 0)
        return fail_open(file->path, errno, error);
    lt_sink_init_fd(&file->sink, file->fd);
    return LT_OK;
}

enum lt_code lt_file_sink_open(struct lt_file_sink *file, const char *path, struct lt_error *error)
{
    enum lt_code code = name_file(file, path, error);
    if (code != LT_OK)
        return code;
    bool replace = is_replaced(path);
    if (replace && !file->is_stdout)
        snprintf(file->temporary, sizeof file->temporary, "%s.part-%ld", path, (long)getpid());
    return open_file(file, replace ? file->temporary : path, O_TRUNC, error);
}

enum lt_code lt_file_sink_open_growing(struct lt_file_sink *file, const char *path,
                                       struct lt_error *error)
{
    enum lt_code code = name_file(file, path, error);
    if (code != LT_OK)
        return code;
    return open_file(file, path, is_replaced(path) ? O_EXCL : 0, error);
}

enum lt_code lt_file_sink_commit(struct lt_file_sink *file, struct lt_error *error)
{
    int reason = lt_sink_flush(&file->sink) ? 0 : file->sink.failed_errno;
    if (!file->is_stdout) {
        if (close(file->fd) != 0 && !reason)
            reason = errno;
        file->fd = -1;
        if (!reason && file->temporary[0] && rename(file->temporary, file->path) != 0)
            reason = errno;
        if (reason && file->temporary[0])
            unlink(file->temporary);
    }
    if (!reason)
        return LT_OK;
    return lt_fail(error, LT_E_IO, "writing %s failed: %s",
                   file->is_stdout ? "standard output" : file->path, strerror(reason));
}

void lt_file_sink_abort(struct lt_file_sink *file)
{
    if (file->is_stdout || file->fd < 0)
        return;
    close(file->fd);
    file->fd = -1;
    if (file->temporary[0])
        unlink(file->temporary);
}
