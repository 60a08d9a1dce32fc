/* See database.h. */
#include "cli/database.h"

#include <inttypes.h>
#include <stdlib.h>

#include "cli/cmd.h"

static bool forget(void *context, const char *bytes, size_t len)
{
    (void)context;
    (void)bytes;
    (void)len;
    return true;
}

static void say_result(const struct lt_store_result *result, const char *path, bool quiet)
{
    say(quiet, "%s: %s capture %" PRId64 " with %" PRIu64 " values\n", path,
        result->created ? "a new database;" : "added", result->capture, result->value_count);
    if (result->same_frames)
        say(quiet,
            "%s: the same frames are there as capture %" PRId64
            ", decoded with other profiles or options\n",
            path, result->same_frames);
}

static int commit(struct lt_decode *decode, const char *path, bool quiet)
{
    struct lt_store_result result;
    struct lt_error error;
    switch (lt_decode_store(decode, &result, &error)) {
    case LT_OK:
        say_result(&result, path, quiet);
        return EXIT_FINE;
    case LT_E_DUPLICATE:
        say_error(&error);
        return EXIT_NO;
    default:
        say_error(&error);
        return EXIT_SYSTEM;
    }
}

int give_database(struct lt_decode *decode, const char *path, bool quiet)
{
    struct lt_error error;
    struct lt_sink *sink = malloc(sizeof *sink); /* nothing goes through it: it can stop the run */
    if (!sink) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    lt_sink_init(sink, forget, NULL);
    enum lt_code code = lt_decode_run(decode, sink, &error);
    bool full = sink->failed;
    int status = EXIT_FINE;
    free(sink);
    if (code != LT_OK && !full) { /* what was decoded before stays */
        say_error(&error);
        status = code == LT_E_MEMORY ? EXIT_SYSTEM : EXIT_UNREADABLE;
    }
    if (code == LT_E_MEMORY)
        return status;
    int committed = commit(decode, path, quiet);
    return committed > status ? committed : status;
}
