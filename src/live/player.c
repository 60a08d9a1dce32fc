/* Frames in their own time: see loomtap/live/player.h. Each frame's moment is reckoned from the
 * first one, so that waiting too long once does not put everything behind for good. */
#include "loomtap/live/player.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/base/clock.h"
#include "loomtap/capture/can_send.h"

#define ROOM_NS LT_SECOND_NS /* a queue that has no room for so long is a fault */

struct way {
    const char *bus;
    struct lt_can_sender *sender;
};

struct lt_player {
    struct way ways[LT_PLAYER_WAYS_MAX];
    size_t count;
    double speed;
    bool has_first;
    int64_t first_ns, began_ns;
    struct lt_player_counts counts;
};

enum lt_code lt_player_open(struct lt_player **ret_player, const struct lt_player_way *ways,
                            size_t count, double speed, struct lt_error *error)
{
    if (count > LT_PLAYER_WAYS_MAX)
        return lt_fail(error, LT_E_LIMIT, "more than %d interfaces to play to", LT_PLAYER_WAYS_MAX);
    struct lt_player *player = calloc(1, sizeof *player);
    if (!player)
        return lt_fail(error, LT_E_MEMORY, "out of memory for playing");
    player->speed = speed;
    for (size_t i = 0; i < count; i++) {
        enum lt_code code = lt_can_sender_open(&player->ways[i].sender, ways[i].interface, error);
        if (code != LT_OK) {
            lt_player_free(player);
            return code;
        }
        player->ways[i].bus = ways[i].bus;
        player->count++;
    }
    *ret_player = player;
    return LT_OK;
}

void lt_player_free(struct lt_player *player)
{
    if (!player)
        return;
    for (size_t i = 0; i < player->count; i++)
        lt_can_sender_free(player->ways[i].sender);
    free(player);
}

bool lt_player_is_virtual(const struct lt_player *player)
{
    for (size_t i = 0; i < player->count; i++)
        if (!lt_can_sender_is_virtual(player->ways[i].sender))
            return false;
    return true;
}

static struct lt_can_sender *find_way(const struct lt_player *player, const char *bus)
{
    struct lt_can_sender *rest = NULL;
    for (size_t i = 0; i < player->count; i++) {
        if (!player->ways[i].bus)
            rest = player->ways[i].sender;
        else if (strcmp(player->ways[i].bus, bus) == 0)
            return player->ways[i].sender;
    }
    return rest;
}

/* False: a signal came. */
static bool wait_for(struct lt_player *player, int64_t time_ns)
{
    if (time_ns == LT_NO_TIME || player->speed <= 0.0)
        return true;
    if (!player->has_first) {
        player->has_first = true;
        player->first_ns = time_ns;
        player->began_ns = lt_clock_ns(CLOCK_MONOTONIC);
    }
    int64_t due_ns =
        player->began_ns + (int64_t)((double)(time_ns - player->first_ns) / player->speed);
    struct timespec due = lt_timespec_of(due_ns);
    int64_t late_ns = lt_clock_ns(CLOCK_MONOTONIC) - due_ns;
    if (late_ns < 0) {
        if (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, NULL) == EINTR)
            return false;
        late_ns = lt_clock_ns(CLOCK_MONOTONIC) - due_ns;
    }
    if (late_ns > player->counts.late_most_ns)
        player->counts.late_most_ns = late_ns;
    return true;
}

enum lt_code lt_player_put(struct lt_player *player, const struct lt_frame *frame, const char *bus,
                           struct lt_error *error)
{
    struct lt_can_sender *sender = find_way(player, bus);
    if (!sender || lt_frame_has(frame, LT_FRAME_ERROR)) {
        player->counts.without_way += !sender;
        player->counts.error_frames += sender != NULL;
        return LT_OK;
    }
    if (lt_frame_has(frame, LT_FRAME_FD) && !lt_can_sender_takes_fd(sender)) {
        player->counts.fd_refused++;
        return LT_OK;
    }
    if (!wait_for(player, frame->time_ns))
        return lt_fail(error, LT_E_LIMIT, "ended by a signal");
    enum lt_code code = lt_can_sender_send(sender, frame, ROOM_NS, error);
    player->counts.sent += code == LT_OK;
    return code;
}

const struct lt_player_counts *lt_player_counts(const struct lt_player *player)
{
    return &player->counts;
}
