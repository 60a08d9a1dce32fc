/* Output files that appear only when whole. See loomtap/base/sink.h. */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "loomtap/base/sink.h"

enum lt_code lt_file_sink_open(struct lt_file_sink *file, const char *path, struct lt_error *error)
{
    file->is_stdout = strcmp(path, "-") == 0;
    file->fd = STDOUT_FILENO;
    file->temporary[0] = 0;
    if (!file->is_stdout) {
        struct stat status;
        if (strlen(path) >= sizeof file->path)
            return lt_fail(error, LT_E_LIMIT, "the file name is longer than %zu bytes",
                           sizeof file->path - 1);
        memcpy(file->path, path, strlen(path) + 1);
        /* What is there and is no ordinary file (a pipe, /dev/null) is written as it is. */
        bool replace = stat(path, &status) != 0 || S_ISREG(status.st_mode);
        if (replace)
            snprintf(file->temporary, sizeof file->temporary, "%s.part-%ld", path, (long)getpid());
        file->fd =
            open(replace ? file->temporary : path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
        if (file->fd < 0) {
            int reason = errno;
            lt_fail(error, LT_E_IO, "cannot write %s: %s", path, strerror(reason));
            lt_error_advise(error, "choose a folder that exists and that you may write to");
            return LT_E_IO;
        }
    }
    lt_sink_init_fd(&file->sink, file->fd);
    return LT_OK;
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
