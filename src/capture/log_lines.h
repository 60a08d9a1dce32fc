/* The quick path for candump's log form: usual lines of text into frames, nothing else. It depends
 * on the text and on the bus names known so far, and touches neither the reader nor its counts, so
 * that several threads can each take a piece of one file. Internal to src/capture.
 *
 * Two ways with the same result: log_fast.c in portable C, log_avx2.c with vector instructions. */
#ifndef LOOMTAP_CAPTURE_LOG_LINES_H
#define LOOMTAP_CAPTURE_LOG_LINES_H

#include "capture/buses.h"

/* "(1436509052.": the seconds change rarely, so the head of the last line is kept and compared. */
struct lt_log_head {
    char text[16];
    uint64_t word[2], mask[2]; /* the same as words, and which of their bits count */
    size_t len;                /* bytes of it, the dot included; 0: none yet */
    int64_t seconds_ns;
};

struct lt_log_lines {
    const char *at, *end; /* whole lines; 16 bytes before and LT_BLOCK_SLACK behind are readable */
    const struct lt_buses *buses;
    struct lt_frame *frame, *stop; /* where the next frame goes, and behind the room for them */
    uint64_t oddities;             /* see lt_reader_counts */
    unsigned flags;                /* other than EXTENDED, of any frame taken */
    struct lt_log_head head;
    /* The length of the last name with the blank behind it: most captures have names of one
     * length, and then the name is found without looking for its end. */
    size_t name_len;
    uint64_t name_mask;
};

/* Takes lines until one is unusual (it is left), the room is full or the lines are used up. All of
 * a frame is set but its number. */
typedef void lt_log_take(struct lt_log_lines *lines);
lt_log_take lt_log_take_portable;
#if defined(__x86_64__)
lt_log_take lt_log_take_avx2;
#endif
/* The best way that this processor knows. */
lt_log_take *lt_log_take_best(void);

/* One line in portable C; where the next begins, or NULL if it is unusual. */
const char *lt_log_take_line(struct lt_log_lines *lines, const char *at, struct lt_frame *frame);

/* Learns another head from the line at `at`; false: it does not begin as a usual line does. */
bool lt_log_learn_head(struct lt_log_head *head, const char *at);

/* The number of the name that begins at `at` (no blank) and has one blank behind it; false: unknown
 * or longer than 7 bytes. The identifier begins lines->name_len behind `at`. */
bool lt_log_find_name(struct lt_log_lines *lines, const char *at, uint16_t *ret_bus);

#endif
