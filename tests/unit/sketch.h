/* Small profiles put together by hand, for tests below the profile reader. Numbers and bits are
 * given as the texts that a profile would have. */
#ifndef LOOMTAP_TESTS_SKETCH_H
#define LOOMTAP_TESTS_SKETCH_H

#include "unit.h"

#include "loomtap/core/profile.h"

struct sketch {
    struct lt_profile profile;
    struct lt_bus_def buses[4];
    struct lt_frame_def frames[80];
    struct lt_signal_def signals[256];
    struct lt_parameter_def parameters[4];
    struct lt_curve_def curves[2];
};

static inline void sketch_begin(struct sketch *s)
{
    memset(s, 0, sizeof *s);
    s->profile.buses = s->buses;
    s->profile.frames = s->frames;
    s->profile.signals = s->signals;
    s->profile.parameters = s->parameters;
    s->profile.curves = s->curves;
}

static inline uint32_t sketch_bus(struct sketch *s, const char *name)
{
    assert_true(s->profile.bus_count < COUNT_OF(s->buses));
    s->buses[s->profile.bus_count].name = name;
    return (uint32_t)s->profile.bus_count++;
}

static inline struct lt_frame_def *sketch_frame(struct sketch *s, const char *name, uint32_t bus,
                                                uint32_t id, uint16_t length)
{
    assert_true(s->profile.frame_count < COUNT_OF(s->frames));
    struct lt_frame_def *frame = &s->frames[s->profile.frame_count++];
    *frame = (struct lt_frame_def){
        .name = name,
        .bus = bus,
        .id = id,
        .extended = id > 0x7FF,
        .source = LT_NONE,
        .length = length,
        .fd = length > 8,
    };
    return frame;
}

static inline struct lt_bits sketch_bits(const char *text)
{
    struct lt_bits bits = {0};
    assert_true(lt_bits_parse(lt_text_of(text), &bits));
    return bits;
}

static inline struct lt_ratio sketch_ratio(const char *text)
{
    struct lt_ratio ratio = {0, 1};
    assert_true(lt_parse_ratio(lt_text_of(text), &ratio));
    return ratio;
}

/* On the frame made last. */
static inline struct lt_signal_def *sketch_signal(struct sketch *s, const char *name,
                                                  const char *bits, enum lt_sign sign,
                                                  const char *scale, const char *offset)
{
    assert_true(s->profile.signal_count < COUNT_OF(s->signals));
    struct lt_signal_def *signal = &s->signals[s->profile.signal_count++];
    *signal = (struct lt_signal_def){
        .name = name,
        .frame = (uint32_t)s->profile.frame_count - 1,
        .parameter = LT_NONE,
        .bits = sketch_bits(bits),
        .sign = sign,
        .scale = sketch_ratio(scale),
        .offset = sketch_ratio(offset),
        .curve = LT_NONE,
    };
    signal->order = lt_bits_order(&signal->bits);
    return signal;
}

/* "04 41 0C" into bytes; returns how many. */
static inline size_t sketch_bytes(const char *hex, uint8_t *ret_bytes, size_t room)
{
    struct lt_text rest = lt_text_of(hex), word;
    size_t count = 0;
    while (lt_text_word(&rest, &word)) {
        uint64_t value = 0;
        assert_true(count < room && word.len == 2 && lt_parse_hex(word, &value));
        ret_bytes[count++] = (uint8_t)value;
    }
    return count;
}

#endif
