/* Is the car awake? By the frames that are no diagnosis. A bus that runs down after the key is off
 * often keeps a few frames of network management for minutes: so it counts as quiet, too, when for
 * three seconds there was less than a twentieth of what is usual there. */
#include "live/ask_inside.h"

#define SECOND_NS  (1000 * MS_NS)
#define ALIVE      20 /* so many frames make a bus alive */
#define LOW_PART   20
#define FINE       64u /* units of `usual` in a frame a second */
#define MEMORY     8u  /* seconds */
#define AWAKE_PART 4
#define AWAKE_MIN  5

void ask_life_init(struct ask_life *life, int64_t now_ns)
{
    *life = (struct ask_life){.last_ns = now_ns, .second_ns = now_ns, .low_since_ns = LT_NO_TIME};
}

void ask_life_take(struct ask_life *life, int64_t now_ns)
{
    life->frames++;
    life->in_second++;
    life->last_ns = now_ns;
}

bool ask_life_look(struct ask_life *life, int64_t now_ns)
{
    uint64_t count = life->in_second;
    if (now_ns - life->second_ns < SECOND_NS)
        return false;
    bool low = count * LOW_PART * FINE < life->usual;
    if (!low) {
        life->low_since_ns = LT_NO_TIME;
        life->usual =
            life->usual ? life->usual - life->usual / MEMORY + count * FINE / MEMORY : count * FINE;
    } else if (life->low_since_ns == LT_NO_TIME) {
        life->low_since_ns = life->second_ns;
    }
    life->second_ns = now_ns;
    life->in_second = 0;
    return count >= AWAKE_MIN && count * AWAKE_PART * FINE >= life->usual;
}

bool ask_is_alive(const struct ask_life *life)
{
    return life->frames >= ALIVE;
}

bool ask_has_ceased(const struct ask_life *life, int64_t now_ns)
{
    bool low = life->low_since_ns != LT_NO_TIME && now_ns - life->low_since_ns >= QUIET_NS;
    return ask_is_alive(life) && (low || now_ns - life->last_ns >= QUIET_NS);
}
