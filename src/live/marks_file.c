/* Marks of a passenger, one line each, written at once. */
#include <stdlib.h>

#include "loomtap/base/number.h"
#include "loomtap/base/sink.h"
#include "loomtap/live/record.h"

struct lt_marks_file {
    struct lt_file_sink file;
};

enum lt_code lt_marks_open(struct lt_marks_file **ret_marks, const char *path,
                           struct lt_error *error)
{
    struct lt_marks_file *marks = calloc(1, sizeof *marks);
    if (!marks)
        return lt_fail(error, LT_E_MEMORY, "out of memory for marks");
    enum lt_code code = lt_file_sink_open_growing(&marks->file, path, error);
    if (code == LT_OK) {
        lt_sink_string(&marks->file.sink, "time_s,label\n");
        if (!lt_sink_flush(&marks->file.sink))
            code = lt_file_sink_commit(&marks->file, error);
    }
    if (code != LT_OK)
        free(marks);
    else
        *ret_marks = marks;
    return code;
}

bool lt_marks_put(struct lt_marks_file *marks, int64_t time_ns, const char *label)
{
    struct lt_sink *sink = &marks->file.sink;
    char time[32];
    lt_sink_put(sink, time, lt_print_fixed(time, time_ns / 1000, 6));
    lt_sink_char(sink, ',');
    lt_sink_csv(sink, lt_text_of(label));
    lt_sink_char(sink, '\n');
    return lt_sink_flush(sink);
}

void lt_marks_free(struct lt_marks_file *marks)
{
    if (!marks)
        return;
    lt_file_sink_commit(&marks->file, NULL);
    free(marks);
}
