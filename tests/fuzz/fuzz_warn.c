/* Any text as `when` and `until` (the first two lines), any bytes as frames and ticks: what the
 * profile's check accepts runs, and ticks change nothing of what comes out. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/defs/load.h"
#include "loomtap/warn/warn.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static const char head[] =
    "[profile]\nformat = 1\nname = fuzz\n[bus b]\n"
    "[frame f]\nbus = b\nid = 0x100\nlength = 3\nperiod_ms = 10\n"
    "[signal a]\nframe = f\nbits = 0.7..0.0\nunavailable = 0xFF\non_lost = hold 20\n"
    "[signal b]\nframe = f\nbits = 1.7..1.0\nmax_age_ms = 50\n"
    "[signal c]\nframe = f\nbits = 2.3..2.0\nvalues = 0 off, 1 on\non_lost = value 3\n"
    "[frame out]\nbus = b\nid = 0x6A0\nlength = 2\nperiod_ms = 20\ncounter = 1.3..1.0\n"
    "direction = send\n[signal lamp]\nframe = out\nbits = 0.0\n"
    "[warning other]\nwhen = a > b\nlimp = yes\nsend = out lamp=1\n"
    "[warning w]\nfor_ms = 15\nhold_ms = 30\nlimp = yes\nsend = out lamp=1\n";

/* Everything that came out, as one number. */
struct seen {
    uint64_t hash, count;
};

static void mix(struct seen *seen, uint64_t value)
{
    seen->hash = (seen->hash ^ value) * UINT64_C(0x100000001B3);
    seen->count++;
}

static void see_event(void *context, const struct lt_warn_event *event)
{
    mix(context, (uint64_t)event->time_ns);
    mix(context, event->warning * 4 + event->on * 2 + event->cause);
}

static void see_frame(void *context, uint32_t index, const struct lt_frame *frame, bool is_clear)
{
    (void)index;
    mix(context, (uint64_t)frame->time_ns);
    mix(context, frame->data[0] * 512u + frame->data[1] * 2u + is_clear);
}

static struct lt_profile *make_profile(struct lt_text when, struct lt_text until)
{
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    struct lt_buf text;
    lt_buf_init(&text, 0);
    lt_faults_init(&faults, 1);
    lt_buf_string(&text, head);
    lt_buf_format(&text, "when = %.*s\n", LT_TEXT_ARG(when));
    if (until.len)
        lt_buf_format(&text, "until = %.*s\n", LT_TEXT_ARG(until));
    if (lt_profile_load_memory(&profile, "fuzz.ini", lt_buf_text(&text), &faults) != LT_OK)
        profile = NULL;
    lt_faults_release(&faults);
    lt_buf_release(&text);
    return profile;
}

/* Six bytes a frame: what it is, the step in time, three bytes of data, a tick between. */
static struct seen play(const struct lt_profile *profile, struct lt_text frames, bool ticks)
{
    struct seen seen = {UINT64_C(0xCBF29CE484222325), 0};
    const struct lt_warn_sink sink = {.context = &seen, .event = see_event, .send = see_frame};
    static const struct lt_binding binding = {0, 0, 0};
    struct lt_warn *warn;
    int64_t now_ns = 0;
    if (lt_warn_new(&warn, profile, &binding, 1, &sink, NULL) != LT_OK)
        return seen;
    for (size_t i = 0; i + 6 <= frames.len && i < 6 * 60; i += 6) {
        const uint8_t *at = (const uint8_t *)frames.at + i;
        struct lt_frame frame = {.id = at[0] & 1 ? 0x100 : 0x200, .len = 3};
        int64_t step_ns = (int64_t)at[1] * (at[0] & 2 ? 1000003 : 100);
        if (ticks && i)
            lt_warn_tick(warn, now_ns + step_ns * at[5] / 256);
        now_ns += step_ns;
        frame.time_ns = now_ns;
        memcpy(frame.data, at + 2, 3);
        lt_warn_frame(warn, &frame);
    }
    lt_warn_end(warn, now_ns, true);
    lt_warn_free(warn);
    return seen;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct lt_text rest = {(const char *)bytes, size}, when, until;
    if (!lt_text_split(&rest, '\n', &when) || !lt_text_split(&rest, '\n', &until) ||
        memchr(when.at, 0, when.len) || memchr(until.at, 0, until.len))
        return 0;
    struct lt_profile *profile = make_profile(when, until);
    if (!profile)
        return 0;
    struct seen without = play(profile, rest, false), with = play(profile, rest, true);
    if (without.hash != with.hash || without.count != with.count)
        abort();
    lt_profile_free(profile);
    return 0;
}
