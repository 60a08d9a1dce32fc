/* Captures out: the table of writable forms, the choice among them, and what all have in common:
 * packing, the file that appears only when whole, and the counts of what was lost. */
#include "capture/writer.h"

#include <stdlib.h>
#include <string.h>

static const struct lt_writer_form forms[] = {
    {"log", "candump's log form", ".log .candump .txt", NULL, lt_writer_put_log, NULL},
    {"csv", "time_s,bus,id,extended,fd,dir,data", ".csv", lt_writer_open_csv, lt_writer_put_csv,
     NULL},
    {"csv-all", "csv with the columns brs,esi,remote,error,dlc behind them", "",
     lt_writer_open_csv_all, lt_writer_put_csv_all, NULL},
    {"pcap", "pcap, link type 227: no bus names, no direction", ".pcap .cap", lt_writer_open_pcap,
     lt_writer_put_pcap, lt_writer_close_pcap},
    {"pcapng", "pcapng, link type 227: an interface a bus", ".pcapng", lt_writer_open_pcapng,
     lt_writer_put_pcapng, NULL},
};
#define FORM_COUNT (sizeof forms / sizeof *forms)

#define LOSS_ROW(name, word, text) {word, text},
static const struct {
    const char *word, *text;
} losses[LT_LOSS_COUNT] = {LT_LOSSES(LOSS_ROW)};
#undef LOSS_ROW

const char *lt_loss_word(enum lt_loss loss)
{
    return (unsigned)loss < LT_LOSS_COUNT ? losses[loss].word : "unknown";
}

const char *lt_loss_text(enum lt_loss loss)
{
    return (unsigned)loss < LT_LOSS_COUNT ? losses[loss].text : "unknown";
}

const char *lt_writer_form_name(size_t row)
{
    return row < FORM_COUNT ? forms[row].name : NULL;
}

const char *lt_writer_form_help(size_t row)
{
    return row < FORM_COUNT ? forms[row].help : NULL;
}

static bool ends_in(struct lt_text path, struct lt_text ending)
{
    return path.len > ending.len &&
           strncasecmp(path.at + path.len - ending.len, ending.at, ending.len) == 0;
}

static struct lt_text without_packing(struct lt_text path, enum lt_packing *ret_packing)
{
    static const struct {
        const char *ending;
        enum lt_packing packing;
    } rows[] = {{".gz", LT_PACK_GZIP}, {".zst", LT_PACK_ZSTD}, {".zstd", LT_PACK_ZSTD}};
    *ret_packing = LT_PACK_NONE;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct lt_text ending = lt_text_of(rows[i].ending);
        if (ends_in(path, ending)) {
            *ret_packing = rows[i].packing;
            path.len -= ending.len;
            return path;
        }
    }
    return path;
}

static bool suggests(const struct lt_writer_form *form, struct lt_text path)
{
    struct lt_text rest = lt_text_of(form->endings), ending;
    while (lt_text_word(&rest, &ending))
        if (ends_in(path, ending))
            return true;
    return false;
}

/* `name` decides, then the ending; standard output and things that are no files get a log. */
static const struct lt_writer_form *find_form(const char *name, struct lt_text path)
{
    bool nameless = lt_text_is(path, "-") || lt_text_starts(path, "/dev/");
    for (size_t i = 0; i < FORM_COUNT; i++)
        if (name ? strcmp(name, forms[i].name) == 0 : suggests(&forms[i], path))
            return &forms[i];
    return !name && nameless ? &forms[0] : NULL;
}

static void list_forms(struct lt_error *error)
{
    char names[200];
    size_t used = 0;
    names[0] = '\0';
    for (size_t i = 0; i < FORM_COUNT && used < sizeof names; i++)
        used +=
            lt_text_format(names + used, sizeof names - used, "%s%s", i ? ", " : "", forms[i].name);
    lt_error_advise(error, "the forms that can be written are %s", names);
}

static enum lt_code choose(const char *path, struct lt_writer_options *options,
                           const struct lt_writer_form **ret_form, struct lt_error *error)
{
    enum lt_packing by_ending;
    struct lt_text name = without_packing(lt_text_of(path), &by_ending);
    if (options->packing == LT_PACK_BY_ENDING)
        options->packing = by_ending;
    const struct lt_writer_form *form = find_form(options->form, name);
    if (!form && options->form)
        lt_fail(error, LT_E_UNKNOWN, "no form `%s` can be written", options->form);
    else if (!form)
        lt_fail(error, LT_E_UNKNOWN, "the ending of `%s` names no form of capture: say which",
                path);
    if (!form) {
        list_forms(error);
        return LT_E_UNKNOWN;
    }
    if (options->has_digits && options->digits > 9)
        return lt_fail(error, LT_E_RANGE, "the digits of the time are 0 to 9, not %u",
                       options->digits);
    int most = options->packing == LT_PACK_GZIP ? 9 : 19;
    if (options->level && options->packing == LT_PACK_NONE)
        return lt_fail(error, LT_E_CONFLICT, "a packing level is given, but nothing is packed");
    if (options->level < 0 || options->level > most)
        return lt_fail(error, LT_E_RANGE, "the packing level is 1 to %d, not %d", most,
                       options->level);
    *ret_form = form;
    return LT_OK;
}

enum lt_code lt_writer_check(const char *path, const struct lt_writer_options *options,
                             struct lt_error *error)
{
    struct lt_writer_options wanted = options ? *options : (struct lt_writer_options){0};
    const struct lt_writer_form *form;
    return choose(path, &wanted, &form, error);
}

static enum lt_code start(struct lt_writer *writer, const char *path, struct lt_error *error)
{
    enum lt_code code = (writer->options.grows ? lt_file_sink_open_growing
                                               : lt_file_sink_open)(&writer->file, path, error);
    if (code != LT_OK)
        return code;
    writer->is_open = true;
    writer->out = &writer->file.sink;
    if (writer->options.packing != LT_PACK_NONE) {
        code = lt_pack_new(&writer->pack, writer->options.packing, writer->options.level,
                           &writer->file.sink, error);
        if (code != LT_OK)
            return code;
        writer->out = lt_pack_sink(writer->pack);
    }
    return writer->form->open ? writer->form->open(writer, error) : LT_OK;
}

enum lt_code lt_writer_open(struct lt_writer **ret_writer, const char *path,
                            const struct lt_writer_options *options, struct lt_error *error)
{
    struct lt_writer *writer = calloc(1, sizeof *writer);
    if (!writer)
        return lt_fail(error, LT_E_MEMORY, "out of memory for writing a capture");
    if (options)
        writer->options = *options;
    enum lt_code code = choose(path, &writer->options, &writer->form, error);
    if (code == LT_OK)
        code = start(writer, path, error);
    if (code != LT_OK)
        lt_writer_free(writer);
    else
        *ret_writer = writer;
    return code;
}

bool lt_writer_put(struct lt_writer *writer, const struct lt_frame *frame, const char *bus_name)
{
    if (writer->form->put(writer, frame, bus_name ? bus_name : ""))
        writer->frames++;
    else
        lt_writer_lose(writer, LT_LOSS_FRAME);
    return !writer->out->failed && !writer->file.sink.failed;
}

/* A failure in the packer's sink must reach the file, or half a file would be kept. */
static void end_packing(struct lt_writer *writer)
{
    struct lt_sink *file = &writer->file.sink;
    if (!writer->pack || lt_pack_finish(writer->pack) || file->failed)
        return;
    file->failed = true;
    file->failed_errno = writer->out->failed_errno;
}

enum lt_code lt_writer_commit(struct lt_writer *writer, struct lt_error *error)
{
    enum lt_code code = LT_OK;
    if (!writer->is_open)
        return lt_fail(error, LT_E_CONFLICT, "this capture was ended before");
    if (writer->form->close)
        code = writer->form->close(writer, error);
    if (code != LT_OK) {
        lt_writer_abort(writer);
        return code;
    }
    end_packing(writer);
    writer->is_open = false;
    return lt_file_sink_commit(&writer->file, error);
}

bool lt_writer_flush(struct lt_writer *writer)
{
    bool good = writer->pack ? lt_pack_flush(writer->pack) : true;
    if (!good && !writer->file.sink.failed) {
        writer->file.sink.failed = true;
        writer->file.sink.failed_errno = writer->out->failed_errno;
    }
    return lt_sink_flush(&writer->file.sink) && good;
}

void lt_writer_abort(struct lt_writer *writer)
{
    if (writer->is_open && writer->options.grows)
        lt_writer_flush(writer);
    if (writer->is_open)
        lt_file_sink_abort(&writer->file);
    writer->is_open = false;
}

void lt_writer_free(struct lt_writer *writer)
{
    if (!writer)
        return;
    lt_writer_abort(writer);
    lt_pack_free(writer->pack);
    free(writer->state);
    free(writer);
}

const uint64_t *lt_writer_losses(const struct lt_writer *writer)
{
    return writer->losses;
}

uint64_t lt_writer_frames(const struct lt_writer *writer)
{
    return writer->frames;
}

uint64_t lt_writer_bytes(const struct lt_writer *writer)
{
    return writer->file.sink.written_bytes;
}

const char *lt_writer_form(const struct lt_writer *writer)
{
    return writer->form->name;
}
