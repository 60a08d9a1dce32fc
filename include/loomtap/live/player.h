/* Plays frames onto CAN interfaces in their own time, or faster.
 *
 * The interfaces are the caller's to choose; lt_player_is_virtual says whether all of them are
 * inside this machine. On anything else playing is sending on a real bus (see can_send.h). */
#ifndef LOOMTAP_LIVE_PLAYER_H
#define LOOMTAP_LIVE_PLAYER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"

struct lt_player_way { /* frames of `bus` go to `interface` */
    const char *bus;   /* as the frames' source names it; NULL: all that no other way takes */
    const char *interface;
};
#define LT_PLAYER_WAYS_MAX 16

struct lt_player_counts {
    uint64_t sent, without_way, error_frames, fd_refused;
    int64_t late_most_ns; /* how far behind its time a frame went out at most */
};

struct lt_player;

/* speed: 1 = as it was, 2 = twice as fast; 0 = without waiting. LT_E_LIMIT: too many ways; else as
 * lt_can_sender_open. */
enum lt_code lt_player_open(struct lt_player **ret_player, const struct lt_player_way *ways,
                            size_t count, double speed, struct lt_error *error);
void lt_player_free(struct lt_player *player); /* NULL is allowed */
bool lt_player_is_virtual(const struct lt_player *player);

/* Waits until it is the frame's time, then sends it; frames without time and frames behind the one
 * before go at once. A signal ends the wait early: the frame is not sent, and LT_E_LIMIT. What the
 * interface cannot carry is left out and counted. */
enum lt_code lt_player_put(struct lt_player *player, const struct lt_frame *frame, const char *bus,
                           struct lt_error *error);
const struct lt_player_counts *lt_player_counts(const struct lt_player *player);

#endif
