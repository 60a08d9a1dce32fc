/* The table of forms, and how an input is told apart by its content. Internal to src/capture. */
#ifndef LOOMTAP_CAPTURE_FORM_H
#define LOOMTAP_CAPTURE_FORM_H

#include "capture/line.h"

struct lt_reader;

struct lt_form {
    enum lt_form_kind kind;
    const char *name;
    /* One line without its line break. The general, strict parser: what it says is the truth. */
    enum lt_line_kind (*parse)(struct lt_text text, struct lt_form_state *state,
                               struct lt_frame *frame, struct lt_line *line);
    /* Or NULL. Takes usual lines out of the reader's whole lines into its batch, and returns at the
     * first unusual one, when the batch is full or the lines are used up. What it accepts must be
     * what `parse` makes of the line; it may refuse any line. Faster ones go here. */
    void (*fast)(struct lt_reader *reader);
    /* Binary forms have these two instead, and no lines. `begin`: at the start of an input, with
     * the first bytes looked at. `take`: whole records out of the input into the batch; returns
     * when the batch is full, on lt_reader_stop, or when what is left in the input, at most
     * LT_BLOCK_FRONT bytes, is no whole record. (records.h) */
    enum lt_code (*begin)(struct lt_reader *reader, const char *name, struct lt_error *error);
    void (*take)(struct lt_reader *reader);
};

const struct lt_form *lt_form(enum lt_form_kind kind);

enum lt_line_kind lt_candump_log_parse(struct lt_text text, struct lt_form_state *state,
                                       struct lt_frame *frame, struct lt_line *line);
enum lt_line_kind lt_candump_screen_parse(struct lt_text text, struct lt_form_state *state,
                                          struct lt_frame *frame, struct lt_line *line);
enum lt_line_kind lt_asc_text_parse(struct lt_text text, struct lt_form_state *state,
                                    struct lt_frame *frame, struct lt_line *line);
enum lt_line_kind lt_csv_frames_parse(struct lt_text text, struct lt_form_state *state,
                                      struct lt_frame *frame, struct lt_line *line);
void lt_candump_log_fast(struct lt_reader *reader);
enum lt_code lt_pcap_begin(struct lt_reader *reader, const char *name, struct lt_error *error);
void lt_pcap_take(struct lt_reader *reader);
enum lt_code lt_pcapng_begin(struct lt_reader *reader, const char *name, struct lt_error *error);
void lt_pcapng_take(struct lt_reader *reader);

/* One line by the given text form, else by any other: concatenated files lose nothing. *ret_form is
 * the form that knew it best. `states` has one element a form. */
enum lt_line_kind lt_form_parse(const struct lt_form *form, struct lt_text text,
                                struct lt_form_state *states, struct lt_frame *frame,
                                struct lt_line *line, const struct lt_form **ret_form);

/* A line that is no frame and need not be one. */
enum lt_other_line {
    LT_OTHER_TEXT,
    LT_OTHER_BLANK,
    LT_OTHER_NOTE, /* a comment, or the tab-indented text under an error frame */
    LT_OTHER_DROPS,
    LT_OTHER_BINARY
};
/* *ret_dropped: LT_OTHER_DROPS: frames lost. *ret_column: LT_OTHER_BINARY: the first such byte. */
enum lt_other_line lt_other_line(struct lt_text text, uint64_t *ret_dropped, uint32_t *ret_column);

/* Looks at an input's first lines until one of them decides. */
#define LT_SNIFF_BYTES 65536

struct lt_sniff {
    const struct lt_form *form;       /* the first line that is a frame decided; or NULL */
    const struct lt_form *like;       /* a line began as a frame of this form does; or NULL */
    size_t looked;                    /* bytes done */
    const struct lt_csv_map *csv_map; /* what the user said about columns, or NULL */
    uint64_t like_lines, text_lines, binary_lines;
};

/* Goes on over `bytes` (from the start of the input); only whole lines unless at_eof. */
void lt_sniff_lines(struct lt_sniff *sniff, struct lt_text bytes, bool at_eof);
/* After the last look: the form to read it by, or NULL and the error, which says what it is. */
const struct lt_form *lt_sniff_decide(const struct lt_sniff *sniff, struct lt_text bytes,
                                      struct lt_error *error);
/* The binary form that the first bytes are the mark of; or NULL. */
const struct lt_form *lt_sniff_binary(struct lt_text bytes);
/* Do the first bytes say for sure that it is something else ("a zip archive")? */
bool lt_sniff_magic(struct lt_text bytes, struct lt_error *error);

#endif
