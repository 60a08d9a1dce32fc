/* One error record for the whole library.
 *
 * Every function that can fail takes a `struct lt_error *error` (NULL is allowed: the caller then
 * learns the code alone) and returns an `enum lt_code`. Results go out through arguments named
 * `ret_...`, which are written only when the code is LT_OK.
 *
 * Library code never prints. The program turns a record into
 *     file:line:column: severity: text
 *         advice
 */
#ifndef LOOMTAP_BASE_ERROR_H
#define LOOMTAP_BASE_ERROR_H

#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* The one list of codes. Numbers are never reused. The text says what the caller can do. */
#define LT_CODES(X)                                                                                \
    X(LT_OK, 0, "fine")                                                                            \
    X(LT_E_MEMORY, 1, "out of memory: free some and try again")                                    \
    X(LT_E_IO, 2, "reading or writing failed: the operating system's reason is in the text")       \
    X(LT_E_SYNTAX, 3, "the text does not follow its grammar: mend the place named")                \
    X(LT_E_RANGE, 4, "a number is outside what is allowed: the text names the limits")             \
    X(LT_E_UNKNOWN, 5, "a name is not known: the text says which are")                             \
    X(LT_E_DUPLICATE, 6, "said twice: remove one")                                                 \
    X(LT_E_MISSING, 7, "something required is absent: add it")                                     \
    X(LT_E_CONFLICT, 8, "two statements contradict each other: mend one")                          \
    X(LT_E_LIMIT, 9, "a ceiling was reached: the text names it")                                   \
    X(LT_E_NOT_CAPTURE, 10, "not a form of capture that this program reads")                       \
    X(LT_E_TRUNCATED, 11, "the input ends early: what came before is good")                        \
    X(LT_E_FAULTS, 12, "faults were found and listed one by one")                                  \
    X(LT_E_DEVICE, 13, "a bus or its adapter cannot be used: the text says why")

#define LT_CODE_ENUM(name, number, text) name = number,
enum lt_code { LT_CODES(LT_CODE_ENUM) };
#undef LT_CODE_ENUM

enum lt_severity { LT_SEVERITY_ERROR, LT_SEVERITY_WARNING, LT_SEVERITY_NOTE };

/* All texts are NUL-terminated UTF-8, cut (never split inside a character) where they do not fit.
 */
struct lt_error {
    enum lt_code code;
    enum lt_severity severity;
    char source[200]; /* file or input name; empty if there is none */
    uint64_t line;    /* from 1; 0 = not a place in a text */
    uint32_t column;  /* from 1, in bytes; 0 = the whole line */
    uint64_t frame;   /* frame number from 1; 0 = not about a frame */
    char key[80];     /* "[section name] key" or "", for programs */
    char text[320];   /* what is wrong, for people, without the place */
    char advice[240]; /* what to do about it; may be empty */
};

/* The name of a code ("LT_E_SYNTAX") and its sentence. Static storage. */
const char *lt_code_name(enum lt_code code);
const char *lt_code_text(enum lt_code code);
const char *lt_severity_name(enum lt_severity severity);

void lt_error_clear(struct lt_error *error);

/* Fills code and text; severity becomes LT_SEVERITY_ERROR; all other members are cleared.
 * Returns `code`, so that a failing function can end in `return lt_fail(error, ...)`. */
enum lt_code lt_fail(struct lt_error *error, enum lt_code code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

enum lt_code lt_vfail(struct lt_error *error, enum lt_code code, const char *format, va_list args)
    __attribute__((format(printf, 3, 0)));

/* Adds to a record that lt_fail filled; each takes a NULL record. */
void lt_error_at(struct lt_error *error, const char *source, uint64_t line, uint32_t column);
void lt_error_advise(struct lt_error *error, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
void lt_error_key(struct lt_error *error, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* "file:line:column: severity: text", then a line break, four blanks and the advice if there is
 * one; no final line break. Cut to `size` bytes; always terminated (size > 0). */
void lt_error_print(const struct lt_error *error, char *ret_text, size_t size);

/* A list of records, such as everything wrong with a profile. Holds at most `ceiling`; more are
 * counted but not kept. lt_faults_init(&f, 0) sets the usual ceiling of 200. */
struct lt_faults {
    struct lt_error *items;
    size_t count, capacity, ceiling;
    size_t errors, warnings; /* all that were added, kept or not */
};

void lt_faults_init(struct lt_faults *faults, size_t ceiling);
void lt_faults_release(struct lt_faults *faults);
void lt_faults_add(struct lt_faults *faults, const struct lt_error *error);

#endif
