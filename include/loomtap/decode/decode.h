/* Decoding a capture: frames from a reader through a plan into rows, a grid or a summary.
 *
 *     lt_decode_new(&decode, reader, profiles, count, &options, &notes, &error)
 *     lt_decode_run(decode, sink, &error)      // rows or grid go to the sink while reading
 *     lt_decode_summary(decode, sink)          // what was there, what was not, and why
 *     lt_decode_free(decode)
 *
 * Memory is constant: it depends on the profiles and on how many identifiers there are, not on the
 * length of the capture. */
#ifndef LOOMTAP_DECODE_DECODE_H
#define LOOMTAP_DECODE_DECODE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/sink.h"
#include "loomtap/capture/reader.h"
#include "loomtap/capture/span.h"
#include "loomtap/core/binding.h"
#include "loomtap/core/profile.h"
#include "loomtap/store/store.h"

enum lt_decode_form {
    LT_DECODE_CSV,     /* time_s,bus,frame,signal,value,unit,label; one row a value */
    LT_DECODE_JSONL,   /* the same keys, one object a line */
    LT_DECODE_GRID,    /* one row a time step, one column a signal, the last value held */
    LT_DECODE_SUMMARY, /* nothing while reading; lt_decode_summary has it all */
    LT_DECODE_SQLITE,  /* into options.store; lt_decode_store puts it in the file */
};

struct lt_decode_options {
    enum lt_decode_form form;
    const struct lt_bus_said *buses; /* said by the user; go before everything else */
    size_t bus_count;
    const char *const *only; /* signal names; none = all */
    size_t only_count;
    const char *const *roles; /* with `only`: either counts */
    size_t role_count;
    struct lt_time_bound from, to; /* both included */
    bool senders; /* rows: a second sender's identifier behind the frame's name, "coolant@7E9" */
    int64_t every_ns;       /* grid step; 0 = 100 ms */
    struct lt_store *store; /* sqlite: where the values go */
    int64_t max_age_ns;     /* grid: older values are left empty; 0 = the signal's own limit */
    unsigned threads; /* large files are read by as many, with the same results; 0 and 1: one */
};

struct lt_decode;

/* Reads the head of the capture to learn its buses. `notes` (may be NULL) gets what the user should
 * know: how buses were matched, names that are not there. reader and profiles must outlive it.
 * LT_E_UNKNOWN: a signal, role or bus of the options does not exist. */
enum lt_code lt_decode_new(struct lt_decode **ret_decode, struct lt_reader *reader,
                           const struct lt_profile *const *profiles, size_t profile_count,
                           const struct lt_decode_options *options, struct lt_faults *notes,
                           struct lt_error *error);
void lt_decode_free(struct lt_decode *decode);

/* To the end of the input. On a read error, everything before it has been given out, and the
 * summary holds it. LT_E_IO when the sink failed. */
enum lt_code lt_decode_run(struct lt_decode *decode, struct lt_sink *sink, struct lt_error *error);

void lt_decode_summary(struct lt_decode *decode, struct lt_sink *sink);
/* The same facts as one JSON object. */
void lt_decode_summary_json(struct lt_decode *decode, struct lt_sink *sink);

/* After lt_decode_run, also when that ended early: commits what came. */
enum lt_code lt_decode_store(struct lt_decode *decode, struct lt_store_result *ret_result,
                             struct lt_error *error);

/* What decides the exit status: values given out (suspect ones included), and roles named in the
 * options that no profile has a signal for. */
uint64_t lt_decode_values(const struct lt_decode *decode);
size_t lt_decode_roles_without_signal(const struct lt_decode *decode);

#endif
