/* Time stamps of binary captures: a count of units to nanoseconds, and to text. Internal to
 * src/capture. The units are those of pcapng's if_tsresol (draft-ietf-opsawg-pcapng, section 4.2):
 * 10^-n or 2^-n seconds. */
#ifndef LOOMTAP_CAPTURE_STAMP_H
#define LOOMTAP_CAPTURE_STAMP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct lt_stamp_units {
    uint8_t resolution; /* as if_tsresol: bit 7 set: 2^-(the rest), else 10^-n */
    int64_t offset_s;   /* if_tsoffset */
};

/* Parts of a nanosecond are cut. False: the time is before 0 or above LT_TIME_MAX_S. */
bool lt_stamp_ns(struct lt_stamp_units units, uint64_t count, int64_t *ret_ns);
/* 6 or 9 digits behind the point: 6 where the units are 10^-6 s or coarser decimal ones. */
unsigned lt_stamp_digits(struct lt_stamp_units units);

/* Digits of seconds, a point, digits of the fraction. */
#define LT_STAMP_ROOM 24

/* The last seconds printed: they change rarely. Begin with .seconds = -1. */
struct lt_stamp_text {
    int64_t seconds;
    size_t len; /* point included */
    char text[LT_STAMP_ROOM];
};

/* time_ns from 0 on, digits 6 or 9; returns the length. */
size_t lt_stamp_print(struct lt_stamp_text *last, int64_t time_ns, unsigned digits, char *ret_text);

#endif
