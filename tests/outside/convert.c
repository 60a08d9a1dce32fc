/* For the tests against other programs: reads captures and writes them in another form.
 *
 *     convert FORM OUT IN...
 *
 * Says on stderr, a line each, what was counted: "malformed 1", "other 2", "dropped 3", "cut 1". */
#include <inttypes.h>
#include <stdio.h>

#include "loomtap/capture/reader.h"
#include "loomtap/capture/writer.h"

static int fail(const struct lt_error *error)
{
    fprintf(stderr, "error %s: %s\n", error->source, error->text);
    return 1;
}

int main(int argc, char **argv)
{
    struct lt_reader *reader = NULL;
    struct lt_writer *writer = NULL;
    struct lt_error error;
    const struct lt_frame *frame;
    if (argc < 4)
        return 2;
    struct lt_writer_options options = {.form = argv[1]};
    if (lt_reader_open_all(&reader, (const char *const *)argv + 3, (size_t)argc - 3, NULL,
                           &error) != LT_OK)
        return fail(&error);
    if (lt_writer_open(&writer, argv[2], &options, &error) != LT_OK)
        return fail(&error);
    while ((frame = lt_reader_next(reader)) != NULL)
        if (!lt_writer_put(writer, frame, lt_reader_bus_name(reader, frame->bus)))
            break;
    int status = lt_reader_end(reader, &error) != LT_OK ? fail(&error) : 0;
    if (lt_writer_commit(writer, &error) != LT_OK)
        status = fail(&error);
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    fprintf(stderr, "malformed %" PRIu64 "\nother %" PRIu64 "\ndropped %" PRIu64 "\ncut %d\n",
            counts->malformed, counts->other_packets, counts->dropped_frames, counts->cut_at_end);
    for (int i = 0; i < LT_LOSS_COUNT; i++)
        if (lt_writer_losses(writer)[i])
            fprintf(stderr, "lost %s %" PRIu64 "\n", lt_loss_word((enum lt_loss)i),
                    lt_writer_losses(writer)[i]);
    lt_writer_free(writer);
    lt_reader_free(reader);
    return status;
}
