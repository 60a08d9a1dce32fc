/* What the files of the summary for people share. */
#ifndef LOOMTAP_SRC_DECODE_SUMMARY_TEXT_H
#define LOOMTAP_SRC_DECODE_SUMMARY_TEXT_H

#include "decode/summary.h"

struct lt_table;

struct page {
    struct lt_decode *decode;
    struct lt_sink *sink;
    struct lt_table *table; /* being filled */
    size_t shown;           /* rows in it */
};

void heading(struct page *page, const char *text);
/* "  12 error frames", or nothing for 0. */
void say_count(struct page *page, uint64_t count, const char *text);
/* "10.0 ms", "1.25 s": three figures are enough for people; "-" for 0. */
void print_period(char *text, size_t size, double ns);

/* summary_bus.c */
void say_checks(struct page *page);
void say_diagnostics(struct page *page);
void say_j1939(struct page *page);

/* summary_signals.c */
void say_signals(struct page *page);
void say_roles(struct page *page);

#endif
