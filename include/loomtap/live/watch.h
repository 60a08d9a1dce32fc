/* Live values with their last minutes, and a view of them as lines of text.
 *
 *     lt_watch_new(&watch, &setup, &error);
 *     lt_watch_frame(watch, frame);                  // each frame
 *     count = lt_watch_draw(watch, &view, lines);    // now and then
 *     lt_watch_free(watch);
 *
 * The only clock is the time of the frames and of the view. Memory: 32 bytes a signal and tenth of
 * a second kept (three minutes: 58 KB a signal that comes). */
#ifndef LOOMTAP_LIVE_WATCH_H
#define LOOMTAP_LIVE_WATCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/proto/route.h"

#define LT_WATCH_SLOT_NS  INT64_C(100000000) /* what is kept of the past: one value in so long */
#define LT_WATCH_SLOTS    1800u              /* so many: three minutes */
#define LT_WATCH_ROWS_MAX 2000u

struct lt_watch_setup { /* the profiles and `context` must outlive the watch */
    const struct lt_profile *const *profiles;
    size_t profile_count;
    const struct lt_binding *bindings;
    size_t binding_count;
    /* Which signals; NULL = all. */
    bool (*wants)(void *context, const struct lt_profile *profile, uint32_t signal);
    void *context;
    /* Each value as it comes; may be NULL. */
    void (*value)(void *context, const struct lt_message *message, const struct lt_field *field,
                  uint64_t raw);
};

/* In the order of how bad it is: of several in one slot the worst is kept. */
enum lt_watch_state {
    LT_WATCH_AWAITED, /* never came, or before what is kept */
    LT_WATCH_GOOD,
    LT_WATCH_UNAVAILABLE, /* the code for it */
    LT_WATCH_ERROR,       /* the code for it */
    LT_WATCH_SUSPECT,     /* checksum wrong, counter standing still */
    LT_WATCH_LOST,        /* older than it may be (lt_largest_age_ns) */
};

struct lt_watch_value {
    enum lt_watch_state state;
    uint64_t raw;   /* the last one; not for AWAITED */
    int64_t age_ns; /* of the last frame that brought it */
    double rate_hz; /* NAN: not known */
};

struct lt_watch;

/* LT_E_LIMIT: more than LT_WATCH_ROWS_MAX signals; LT_E_UNKNOWN: none is wanted. */
enum lt_code lt_watch_new(struct lt_watch **ret_watch, const struct lt_watch_setup *setup,
                          struct lt_error *error);
void lt_watch_free(struct lt_watch *watch); /* NULL is allowed */
/* True if it brought a value. Times may run backwards a little; what is older than the newest value
 * of a signal is that signal's value then, but not its newest. */
bool lt_watch_frame(struct lt_watch *watch, const struct lt_frame *frame);

/* Rows are in the order of the view: by group, then as in the profiles. */
size_t lt_watch_rows(const struct lt_watch *watch);
const struct lt_scaler *lt_watch_scaler(const struct lt_watch *watch, size_t row);
/* As it was at that time; the newest where at_ns is not before it. Of the past to a tenth of a
 * second, and without a rate. */
struct lt_watch_value lt_watch_look(const struct lt_watch *watch, size_t row, int64_t at_ns);

/* ---- the view ---- */

enum lt_watch_style {
    LT_WATCH_STYLE_HEAD,
    LT_WATCH_STYLE_GROUP,
    LT_WATCH_STYLE_GOOD,
    LT_WATCH_STYLE_DIM,     /* awaited */
    LT_WATCH_STYLE_SUSPECT, /* and the codes for unavailable and error */
    LT_WATCH_STYLE_LOST,
    LT_WATCH_STYLE_HINT,
};

#define LT_WATCH_WIDTH_MAX  200
#define LT_WATCH_HEIGHT_MAX 200

struct lt_watch_line {
    enum lt_watch_style style;
    char text[4 * LT_WATCH_WIDTH_MAX + 1]; /* UTF-8, at most `width` characters */
};

struct lt_watch_view {
    size_t width, height; /* characters; at least 40 x 4, at most the above */
    int64_t now_ns;
    int64_t back_ns; /* paused, so far in the past; with is_paused */
    bool is_paused;
    const char *filter; /* rows whose name, role or unit hold it; "" for all */
    size_t first;       /* lines of the list scrolled past */
    bool is_plain;      /* ASCII alone in the history */
    const char *title;  /* of the head line, such as profile and buses */
    double frames_hz;
    uint64_t lost; /* frames, by the kernel or here */
};

/* Fills at most view->height lines and returns how many. *ret_list_lines (may be NULL): how many
 * lines the list has, for scrolling. */
size_t lt_watch_draw(const struct lt_watch *watch, const struct lt_watch_view *view,
                     struct lt_watch_line *ret_lines, size_t *ret_list_lines);

#endif
