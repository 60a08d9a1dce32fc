/* The table of writable forms and a writer's inside. Internal to src/capture.
 *
 * To add a form: its three functions in a file of its own, their declarations here, a row in the
 * table of writer.c, a section in docs/capture-forms.md. */
#ifndef LOOMTAP_CAPTURE_WRITER_INSIDE_H
#define LOOMTAP_CAPTURE_WRITER_INSIDE_H

#include "loomtap/base/sink.h"
#include "loomtap/capture/writer.h"

#include "capture/pack.h"

struct lt_writer_form {
    const char *name;
    const char *help;
    /* File endings that suggest it, apart by blanks: ".log .txt". */
    const char *endings;
    /* Writes what stands before the first frame. NULL: nothing. May allocate writer->state. */
    enum lt_code (*open)(struct lt_writer *writer, struct lt_error *error);
    /* One frame into writer->out; bus_name is never NULL. What the form cannot hold goes through
     * lt_writer_lose. False: the frame was left out (counted as LT_LOSS_FRAME by the caller). */
    bool (*put)(struct lt_writer *writer, const struct lt_frame *frame, const char *bus_name);
    /* Writes what stands behind the last frame. NULL: nothing. */
    enum lt_code (*close)(struct lt_writer *writer, struct lt_error *error);
};

struct lt_writer {
    const struct lt_writer_form *form;
    struct lt_writer_options options;
    struct lt_sink *out; /* where a form writes: the packer's sink, or the file's */
    void *state;         /* of the form; one block, freed with free() */
    uint64_t losses[LT_LOSS_COUNT], frames;
    struct lt_pack *pack; /* NULL: not packed */
    bool is_open;
    struct lt_file_sink file;
};

static inline void lt_writer_lose(struct lt_writer *writer, enum lt_loss loss)
{
    writer->losses[loss]++;
}

/* The fraction digits that a time without text needs: 6, or 9 where it has nanoseconds; or those
 * of the options. Counts LT_LOSS_TIME_DIGITS where the frame has more than `limit` can hold. */
unsigned lt_writer_digits(struct lt_writer *writer, const struct lt_frame *frame, unsigned limit);

bool lt_writer_put_log(struct lt_writer *writer, const struct lt_frame *frame,
                       const char *bus_name);
enum lt_code lt_writer_open_csv(struct lt_writer *writer, struct lt_error *error);
enum lt_code lt_writer_open_csv_all(struct lt_writer *writer, struct lt_error *error);
bool lt_writer_put_csv(struct lt_writer *writer, const struct lt_frame *frame,
                       const char *bus_name);
bool lt_writer_put_csv_all(struct lt_writer *writer, const struct lt_frame *frame,
                           const char *bus_name);
enum lt_code lt_writer_open_pcap(struct lt_writer *writer, struct lt_error *error);
bool lt_writer_put_pcap(struct lt_writer *writer, const struct lt_frame *frame,
                        const char *bus_name);
enum lt_code lt_writer_close_pcap(struct lt_writer *writer, struct lt_error *error);
enum lt_code lt_writer_open_pcapng(struct lt_writer *writer, struct lt_error *error);
bool lt_writer_put_pcapng(struct lt_writer *writer, const struct lt_frame *frame,
                          const char *bus_name);

#endif
