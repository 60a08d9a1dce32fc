/* See outputs.h. */
#include "cli/outputs.h"

#include <stdlib.h>
#include <string.h>

int write_out(const char *path,
              enum lt_code (*put)(void *context, struct lt_sink *sink, struct lt_error *error),
              void *context)
{
    struct lt_file_sink *file = malloc(sizeof *file);
    struct lt_error error;
    if (!file) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    enum lt_code code = lt_file_sink_open(file, path, &error);
    if (code == LT_OK) {
        code = put(context, &file->sink, &error);
        if (code == LT_OK)
            code = lt_file_sink_commit(file, &error);
        else
            lt_file_sink_abort(file);
    }
    if (code != LT_OK)
        say_error(&error);
    free(file);
    return code == LT_OK ? EXIT_FINE : EXIT_SYSTEM;
}

void draft_name(const char *path, char ret_name[LT_NAME_MAX + 1])
{
    const char *slash = strrchr(path, '/');
    size_t len = 0;
    for (const char *c = slash ? slash + 1 : path; *c && *c != '.' && len < LT_NAME_MAX; c++) {
        bool lower = *c >= 'a' && *c <= 'z', upper = *c >= 'A' && *c <= 'Z';
        bool inner = len && ((*c >= '0' && *c <= '9') || *c == '-' || *c == '_');
        if (lower || upper || inner)
            ret_name[len++] = upper ? (char)(*c - 'A' + 'a') : *c;
    }
    ret_name[len] = '\0';
    if (!len)
        lt_text_format(ret_name, LT_NAME_MAX + 1, "draft");
}
