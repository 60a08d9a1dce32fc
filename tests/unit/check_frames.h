/* Frames with checks in them, for the tests of the search for checksums: fields that move like
 * quantities, flags, counters; the check by its definition. Random numbers of its own. */
#ifndef LOOMTAP_TESTS_CHECK_FRAMES_H
#define LOOMTAP_TESTS_CHECK_FRAMES_H

#include "unit.h"

#include "loomtap/measure/check_solve.h"

struct made_field {
    struct lt_bits bits;
    double value,
        speed;     /* of a walk, in quanta a frame; 0: a flag or mode that changes now and then */
    unsigned hold; /* 1 of so many frames changes a flag */
};

struct made {
    struct lt_stream_key key;
    uint64_t random;
    unsigned field_count;
    struct made_field field[24];
    bool counts;
    struct lt_bits counter;
    uint32_t modulus, now;
    uint8_t still[64]; /* what stands where nothing moves */
    unsigned check_count;
    struct lt_checksum check[2];
    bool on_change; /* frames come only where something changed */
};

static inline uint32_t made_random(struct made *made)
{
    made->random ^= made->random << 13;
    made->random ^= made->random >> 7;
    made->random ^= made->random << 17;
    return (uint32_t)(made->random * 0x2545F4914F6CDD1Du >> 32);
}

static inline double made_unit(struct made *made)
{
    return made_random(made) / 4294967296.0;
}

static inline struct lt_bits made_bits(const char *text)
{
    struct lt_bits bits;
    assert_true(lt_bits_parse(lt_text_of(text), &bits));
    return bits;
}

static inline void made_init(struct made *made, unsigned length, uint64_t seed)
{
    *made = (struct made){.key = {.id = 0x123, .length = (uint8_t)length},
                          .random = seed * 0x9E3779B97F4A7C15u | 1};
    for (unsigned i = 0; i < 20; i++)
        made_random(made);
    for (unsigned i = 0; i < length; i++)
        made->still[i] = made_random(made) & 3 ? 0 : (uint8_t)made_random(made);
}

static inline void made_add_field(struct made *made, const char *bits, double speed, unsigned hold)
{
    struct lt_bits place = made_bits(bits);
    double top = (double)((uint64_t)1 << lt_bits_length(&place));
    made->field[made->field_count++] =
        (struct made_field){place, top * (0.2 + 0.6 * made_unit(made)), speed, hold};
}

static inline void made_add_check(struct made *made, const char *text)
{
    struct lt_error error;
    struct lt_checksum *check = &made->check[made->check_count++];
    if (lt_checksum_parse(lt_text_of(text), check, &error) != LT_OK ||
        lt_checksum_check(check, made->key.length, &error) != LT_OK)
        fail_msg("%s: %s", text, error.text);
}

static inline void made_count(struct made *made, const char *bits, uint32_t modulus)
{
    made->counts = true;
    made->counter = made_bits(bits);
    made->modulus = modulus;
}

/* The next frame. */
static inline void made_next(struct made *made, uint8_t *bytes)
{
    memcpy(bytes, made->still, made->key.length);
    for (unsigned i = 0; i < made->field_count; i++) {
        struct made_field *field = &made->field[i];
        double top = (double)((uint64_t)1 << lt_bits_length(&field->bits)) - 1.0;
        if (field->hold) {
            if (made_random(made) % field->hold == 0)
                field->value = (double)(made_random(made) % ((uint64_t)top + 1));
        } else {
            field->value += field->speed * (made_unit(made) + made_unit(made) - 1.0) * 2.0;
            if (field->value < 0.0)
                field->value = -field->value;
            if (field->value > top)
                field->value = 2.0 * top - field->value;
            if (field->value < 0.0 || field->value > top)
                field->value = top / 2.0;
        }
        lt_bits_put(bytes, &field->bits, (uint64_t)field->value);
    }
    if (made->counts) {
        lt_bits_put(bytes, &made->counter, made->now);
        made->now = (made->now + 1) % made->modulus;
    }
    for (unsigned i = 0; i < made->check_count; i++)
        lt_checksum_apply(&made->check[i], bytes, made->key.length, made->key.id,
                          made->key.extended);
}

struct made_kept {
    struct lt_kept kept;
    int64_t *time_ns;
    uint8_t *flags, *bytes;
};

static inline void made_keep(struct made *made, size_t count, struct made_kept *ret)
{
    unsigned length = made->key.length;
    ret->time_ns = calloc(count + 1, sizeof *ret->time_ns);
    ret->flags = calloc(count + 1, 1);
    ret->bytes = calloc(count * length + 8, 1);
    assert_true(ret->time_ns && ret->flags && ret->bytes);
    for (size_t i = 0; i < count; i++) {
        ret->time_ns[i] = (int64_t)i * 10000000;
        ret->flags[i] = i ? LT_KEPT_FOLLOWS | LT_KEPT_NEXT : 0;
        made_next(made, ret->bytes + i * length);
    }
    ret->kept = (struct lt_kept){.key = made->key,
                                 .count = count,
                                 .time_ns = ret->time_ns,
                                 .flags = ret->flags,
                                 .bytes = ret->bytes,
                                 .whole = true};
}

static inline void made_release(struct made_kept *kept)
{
    free(kept->time_ns);
    free(kept->flags);
    free(kept->bytes);
}

static inline size_t made_counters(const struct made *made, struct lt_counter_found *ret)
{
    if (!made->counts)
        return 0;
    *ret = (struct lt_counter_found){.bits = made->counter.part[0],
                                     .order = lt_bits_order(&made->counter),
                                     .modulus = made->modulus,
                                     .step = 1,
                                     .confidence = 1.0};
    return 1;
}

/* The search on these frames; results live in `arena`. */
static inline size_t made_search(const struct made *made, const struct lt_kept *kept,
                                 struct lt_arena *arena, struct lt_check_found *found)
{
    struct lt_counter_found counter;
    struct lt_error error;
    size_t count = 99, counters = made_counters(made, &counter);
    assert_int_equal(lt_checks_find(kept, &counter, counters, NULL, arena, found, &count, &error),
                     LT_OK);
    assert_in_range(count, 0, LT_CHECKS_MAX);
    return count;
}

static inline bool made_same_place(const struct lt_bits *a, const struct lt_bits *b)
{
    return a->parts == b->parts && a->part[0].msb == b->part[0].msb &&
           a->part[0].lsb == b->part[0].lsb;
}

/* Frames to come that it gives, of `count`. */
static inline size_t made_predicted(struct made *made, const struct lt_checksum *checksum,
                                    size_t count)
{
    size_t good = 0;
    for (size_t i = 0; i < count; i++) {
        uint8_t bytes[72] = {0};
        made_next(made, bytes);
        good +=
            lt_checksum_verify(checksum, bytes, made->key.length, made->key.id, made->key.extended);
    }
    return good;
}

#endif
