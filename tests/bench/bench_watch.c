/* Watching alone: all frames of a capture from memory, ROUNDS times one after another, and a
 * picture of 80 x 24 characters each tenth of a second.
 *
 *     bench_watch CAPTURE PROFILE ROUNDS
 *
 * Prints frames fed and pictures drawn. What one round costs is the difference between two runs:
 * see live_instructions.py. */
#include <inttypes.h>
#include <stdio.h>

#include "held_capture.h"
#include "loomtap/base/number.h"
#include "loomtap/live/watch.h"

#define SHOW_NS INT64_C(100000000)

static struct lt_watch *make(const struct held_capture *held)
{
    const struct lt_profile *const profiles[] = {held->profile};
    const struct lt_watch_setup setup = {.profiles = profiles,
                                         .profile_count = 1,
                                         .bindings = held->bindings,
                                         .binding_count = held->binding_count};
    struct lt_watch *watch;
    if (lt_watch_new(&watch, &setup, NULL) != LT_OK)
        exit(4);
    return watch;
}

static void draw(const struct lt_watch *watch, int64_t now_ns)
{
    static struct lt_watch_line lines[24];
    const struct lt_watch_view view = {
        .width = 80, .height = 24, .now_ns = now_ns, .filter = "", .title = "bench"};
    if (lt_watch_draw(watch, &view, lines, NULL) != 24)
        exit(5);
}

int main(int argc, char **argv)
{
    uint64_t rounds, frames = 0, pictures = 0;
    if (argc < 4 || !lt_parse_u64(lt_text_of(argv[3]), &rounds))
        return 2;
    struct held_capture *held = hold_capture(argv[1], argv[2]);
    struct lt_watch *watch = make(held);
    int64_t shown_ns = held->frames[0].time_ns;
    for (uint64_t round = 0; round < rounds; round++) {
        for (size_t i = 0; i < held->count; i++) {
            frames++;
            lt_watch_frame(watch, &held->frames[i]);
            if (argc < 5 || held->frames[i].time_ns - shown_ns < SHOW_NS)
                continue;
            shown_ns = held->frames[i].time_ns;
            draw(watch, shown_ns);
            pictures++;
        }
        next_round(held);
    }
    printf("%" PRIu64 " frames, %" PRIu64 " pictures\n", frames, pictures);
    lt_watch_free(watch);
    return 0;
}
