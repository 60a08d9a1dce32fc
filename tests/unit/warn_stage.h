/* A stage for warnings: a profile from text, frames and ticks by hand, and a log of what came out,
 * one line each, to be compared with a timeline worked out on paper:
 *     30000000 w on condition
 *     30000000 send 6A0#01 */
#ifndef LOOMTAP_TESTS_WARN_STAGE_H
#define LOOMTAP_TESTS_WARN_STAGE_H

#include "unit.h"

#include "loomtap/base/number.h"
#include "loomtap/capture/text.h"
#include "loomtap/defs/load.h"
#include "loomtap/warn/warn.h"

#define MS INT64_C(1000000)

struct stage {
    struct lt_profile *profile;
    struct lt_warn *warn;
    struct lt_buf log;
};

static void stage_event(void *context, const struct lt_warn_event *event)
{
    struct stage *stage = context;
    lt_buf_format(&stage->log, "%lld %s %s %s\n", (long long)event->time_ns,
                  stage->profile->warnings[event->warning].name, event->on ? "on" : "off",
                  event->cause == LT_WARN_CAUSE_LOST ? "lost" : "condition");
}

static void stage_send(void *context, uint32_t frame_index, const struct lt_frame *frame,
                       bool is_clear)
{
    struct stage *stage = context;
    char text[LT_FRAME_TEXT_ROOM];
    size_t len = lt_frame_print(frame, text);
    assert_int_equal(stage->profile->frames[frame_index].id, frame->id);
    lt_buf_format(&stage->log, "%lld %s %.*s\n", (long long)frame->time_ns,
                  is_clear ? "clear" : "send", (int)len, text);
}

static inline struct lt_profile *stage_profile(const char *text)
{
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    if (lt_profile_load_memory(&profile, "stage.ini", lt_text_of(text), &faults) != LT_OK)
        fail_msg("%s", faults.count ? faults.items[0].text : "no profile");
    lt_faults_release(&faults);
    return profile;
}

static inline void stage_begin(struct stage *stage, const char *text)
{
    const struct lt_warn_sink sink = {.context = stage, .event = stage_event, .send = stage_send};
    static const struct lt_binding binding = {0, 0, 0};
    struct lt_error error;
    memset(stage, 0, sizeof *stage);
    stage->profile = stage_profile(text);
    lt_buf_init(&stage->log, 0);
    if (lt_warn_new(&stage->warn, stage->profile, &binding, stage->profile->bus_count ? 1 : 0,
                    &sink, &error) != LT_OK)
        fail_msg("%s", error.text);
}

static inline void stage_end(struct stage *stage)
{
    lt_warn_free(stage->warn);
    lt_profile_free(stage->profile);
    lt_buf_release(&stage->log);
}

/* "100#0A14" at a time. */
static inline void stage_frame(struct stage *stage, int64_t time_ns, const char *text)
{
    struct lt_frame frame = {0};
    assert_true(lt_frame_parse(lt_text_of(text), &frame));
    frame.time_ns = time_ns;
    lt_warn_frame(stage->warn, &frame);
}

static inline void stage_tick(struct stage *stage, int64_t time_ns)
{
    lt_warn_tick(stage->warn, time_ns);
}

/* What came out since the last look. */
static inline void stage_expect(struct stage *stage, const char *wanted)
{
    assert_string_equal(stage->log.at ? stage->log.at : "", wanted);
    lt_buf_clear(&stage->log);
}

/* Two signals of a byte each, at most 100 ms old; a frame to send with them. */
#define STAGE_CAR                                                                                  \
    "[profile]\nformat = 1\nname = stage\n[bus b]\ninterface = can0\n"                             \
    "[frame f]\nbus = b\nid = 0x100\nlength = 2\nperiod_ms = 10\n"                                 \
    "[signal a]\nframe = f\nbits = 0.7..0.0\nmax_age_ms = 100\nunavailable = 0xFF\n"               \
    "error = 0xFE\n"                                                                               \
    "[signal b]\nframe = f\nbits = 1.7..1.0\nmax_age_ms = 100\n"                                   \
    "[frame g]\nbus = b\nid = 0x200\nlength = 1\nperiod_ms = 10\n"                                 \
    "[signal c]\nframe = g\nbits = 0.7..0.0\nmax_age_ms = 100\n"                                   \
    "[frame out]\nbus = b\nid = 0x6A0\nlength = 2\nperiod_ms = 20\ncounter = 1.3..1.0\n"           \
    "direction = send\n"                                                                           \
    "[signal lamp]\nframe = out\nbits = 0.3..0.0\n"                                                \
    "[signal buzzer]\nframe = out\nbits = 0.7\n"

#endif
