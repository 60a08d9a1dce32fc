/* Counters and checks of invented frames. They are drawn before the fields, because their families
 * know where they lie. */
#include <string.h>

#include "mimic/random_car.h"
#include "mimic/random_draw.h"

static struct lt_mimic_spot inside(unsigned byte, unsigned bit, unsigned bits)
{
    return (struct lt_mimic_spot){false, (uint16_t)(8 * byte + bit), (uint8_t)bits};
}

static struct lt_mimic_random_field *add_counter(struct lt_mimic_random_frame *frame,
                                                 struct lt_mimic_spot spot, uint32_t modulus)
{
    if (!lt_mimic_random_claim(frame, -1, spot))
        return NULL;
    struct lt_mimic_random_field *field = lt_mimic_random_add(frame, LT_MIMIC_FIELD_COUNTER, spot);
    field->modulus = modulus;
    field->step = 1;
    return field;
}

static struct lt_mimic_random_field *add_check(struct lt_mimic_random_frame *frame,
                                               struct lt_mimic_spot spot,
                                               const struct lt_mimic_seal *seal)
{
    if (!lt_mimic_random_claim(frame, -1, spot))
        return NULL;
    struct lt_mimic_random_field *field = lt_mimic_random_add(frame, LT_MIMIC_FIELD_CHECK, spot);
    field->seal = *seal;
    return field;
}

static void draw_hidden(struct lt_mimic_rng *rng, struct lt_mimic_seal *seal, unsigned count)
{
    seal->hidden_count = (uint8_t)count;
    for (unsigned i = 0; i < count; i++)
        seal->hidden[i] = (uint8_t)draw_below(rng, 256);
}

/* --- AUTOSAR and J1939: everything has its place --- */

static bool guard_e2e_p1(struct lt_mimic_rng *rng, struct lt_mimic_random_frame *frame)
{
    struct lt_mimic_seal seal = {.family = LT_MIMIC_E2E_P1, .poly = 0x1D};
    seal.mode = (enum lt_mimic_hidden)draw_below(rng, 4);
    draw_hidden(rng, &seal, 2);
    seal.counter = inside(1, 0, 4);
    seal.has_counter = seal.mode == LT_MIMIC_HIDDEN_ALTERNATING;
    if (!add_check(frame, inside(0, 0, 8), &seal))
        return false;
    struct lt_mimic_random_field *counter = add_counter(frame, inside(1, 0, 4), 15);
    if (counter)
        counter->count[0] = draw_below(rng, 15);
    if (seal.mode == LT_MIMIC_HIDDEN_NIBBLE && lt_mimic_random_claim(frame, -1, inside(1, 4, 4))) {
        lt_mimic_random_add(frame, LT_MIMIC_FIELD_CONSTANT, inside(1, 4, 4))->constant =
            seal.hidden[1] & 15;
    }
    return true;
}

static bool guard_e2e_p2(struct lt_mimic_rng *rng, struct lt_mimic_random_frame *frame)
{
    struct lt_mimic_seal seal = {.family = LT_MIMIC_E2E_P2,
                                 .poly = 0x2F,
                                 .init = 0xFF,
                                 .xorout = 0xFF,
                                 .mode = LT_MIMIC_HIDDEN_LIST,
                                 .has_counter = true,
                                 .counter = inside(1, 0, 4)};
    draw_hidden(rng, &seal, 16);
    if (!add_check(frame, inside(0, 0, 8), &seal))
        return false;
    struct lt_mimic_random_field *counter = add_counter(frame, inside(1, 0, 4), 16);
    if (counter)
        counter->count[0] = draw_below(rng, 16);
    return true;
}

static bool guard_e2e_p5(struct lt_mimic_rng *rng, struct lt_mimic_random_frame *frame)
{
    struct lt_mimic_seal seal = {.family = LT_MIMIC_E2E_P5, .poly = 0x1021, .init = 0xFFFF};
    draw_hidden(rng, &seal, 2);
    if (!add_check(frame, inside(0, 0, 16), &seal))
        return false;
    struct lt_mimic_random_field *counter = add_counter(frame, inside(2, 0, 8), 256);
    if (counter)
        counter->count[0] = draw_below(rng, 256);
    return true;
}

static bool guard_j1939(struct lt_mimic_rng *rng, struct lt_mimic_random_frame *frame)
{
    if (!frame->extended || frame->len != 8)
        return false;
    struct lt_mimic_seal seal = {.family = draw_chance(rng, 0.5) ? LT_MIMIC_TSC1 : LT_MIMIC_XBR,
                                 .has_counter = true,
                                 .counter = inside(7, 0, 4)};
    unsigned modulus = seal.family == LT_MIMIC_TSC1 ? 8 : 16;
    if (!add_check(frame, inside(7, 4, 4), &seal))
        return false;
    /* TSC1 counts in three bits; the fourth is sent as 0. */
    unsigned bits = modulus == 8 ? 3 : 4;
    struct lt_mimic_random_field *counter = add_counter(frame, inside(7, 0, bits), modulus);
    if (bits == 3 && lt_mimic_random_claim(frame, -1, inside(7, 3, 1)))
        lt_mimic_random_add(frame, LT_MIMIC_FIELD_CONSTANT, inside(7, 3, 1))->constant = 0;
    if (counter)
        counter->count[0] = draw_below(rng, modulus);
    return true;
}

/* --- makers' own: counter and check anywhere --- */

static struct lt_mimic_random_field *
draw_counter(struct lt_mimic_rng *rng, struct lt_mimic_random_frame *frame, int check_byte)
{
    static const double width_weights[] = {0.13, 0.08, 0.5, 0.04, 0.06, 0.03, 0.16};
    unsigned bits = 2 + draw_weighted(rng, width_weights, 7);
    unsigned byte, bit, tries = 0;
    struct lt_mimic_random_field *field = NULL;
    while (!field && tries++ < 12) {
        byte = draw_below(rng, frame->len);
        if (check_byte >= 0 && draw_chance(rng, 0.6)) /* beside the check, as most have it */
            byte = check_byte == 0 ? 1u : (unsigned)check_byte - 1;
        bit = draw_chance(rng, 0.75) ? (draw_chance(rng, 0.5) ? 0 : 8 - bits)
                                     : draw_below(rng, 9 - bits);
        struct lt_mimic_spot spot = inside(byte, bit, bits);
        if (draw_chance(rng, 0.08)) /* over a byte edge */
            spot = (struct lt_mimic_spot){
                frame->motorola, (uint16_t)draw_below(rng, 8u * frame->len), (uint8_t)bits};
        if (spot.start + bits <= 8u * frame->len)
            field = add_counter(frame, spot, 1u << bits);
    }
    if (!field)
        return NULL;
    if (bits >= 3 && draw_chance(rng, 0.18))
        field->modulus--;
    if (bits >= 4 && draw_chance(rng, 0.08))
        field->step = 2 + draw_below(rng, 3);
    if (field->step > 1 && field->step % 2 == 0 && draw_chance(rng, 0.5))
        field->step++;
    field->count[0] = draw_below(rng, field->modulus) / field->step * field->step;
    if (field->count[0] >= field->modulus)
        field->count[0] = 0;
    field->on_change = frame->cadence == LT_MIMIC_CYCLIC_AND_EVENT && draw_chance(rng, 0.4);
    if (frame->pages && draw_chance(rng, 0.3)) {
        field->per_page = true;
        for (unsigned i = 0; i < frame->pages; i++)
            field->count[i] = draw_below(rng, field->modulus) / field->step * field->step;
    }
    return field;
}

static void draw_plain(struct lt_mimic_rng *rng, struct lt_mimic_seal *seal)
{
    if (draw_chance(rng, 0.35))
        seal->start =
            (uint16_t)(1 + draw_below(rng, seal->family == LT_MIMIC_NIBBLE_SUM ? 15 : 255));
    if (draw_chance(rng, 0.3))
        seal->complement = draw_chance(rng, 0.5) ? 'o' : 't';
    seal->with_id = draw_chance(rng, 0.35);
    seal->with_length = seal->with_id && draw_chance(rng, 0.4);
}

static void draw_crc(struct lt_mimic_rng *rng, struct lt_mimic_seal *seal)
{
    static const uint16_t poly8[] = {0x1D, 0x1D, 0x2F, 0x2F, 0x07, 0x31, 0x9B, 0xD5, 0x39, 0x4D};
    static const uint16_t poly16[] = {0x1021, 0x1021, 0x8005, 0x3D65, 0xC867};
    static const uint16_t poly4[] = {0x3, 0x9, 0xF};
    uint16_t ones = seal->family == LT_MIMIC_CRC16  ? 0xFFFF
                    : seal->family == LT_MIMIC_CRC8 ? 0xFF
                                                    : 0xF;
    seal->poly = seal->family == LT_MIMIC_CRC16  ? poly16[draw_below(rng, 5)]
                 : seal->family == LT_MIMIC_CRC8 ? poly8[draw_below(rng, 10)]
                                                 : poly4[draw_below(rng, 3)];
    seal->init = draw_chance(rng, 0.6) ? ones : 0;
    if (draw_chance(rng, 0.15))
        seal->init = (uint16_t)(draw_below(rng, 65536) & ones);
    seal->xorout = draw_chance(rng, 0.5) ? ones : 0;
    if (draw_chance(rng, 0.1))
        seal->xorout = (uint16_t)(draw_below(rng, 65536) & ones);
    seal->reflect = seal->family != LT_MIMIC_CRC4 && draw_chance(rng, 0.25);
    seal->with_id = seal->family != LT_MIMIC_CRC4 && draw_chance(rng, 0.12);
}

/* Bytes that are in the sum and not in the frame. */
static void draw_data_id(struct lt_mimic_rng *rng, struct lt_mimic_seal *seal,
                         const struct lt_mimic_random_field *counter)
{
    if (seal->family == LT_MIMIC_CRC4 || seal->family == LT_MIMIC_NIBBLE_SUM ||
        !draw_chance(rng, 0.45))
        return;
    seal->before = draw_chance(rng, 0.4);
    unsigned luck = draw_below(rng, 100);
    bool list = counter && !counter->per_page && counter->spot.bits == 4 && luck < 25;
    if (list) {
        draw_hidden(rng, seal, 16);
        seal->mode = LT_MIMIC_HIDDEN_LIST;
    } else if (counter && luck < 35) {
        draw_hidden(rng, seal, 2);
        seal->mode = LT_MIMIC_HIDDEN_ALTERNATING;
    } else {
        draw_hidden(rng, seal, 1 + draw_below(rng, 2));
    }
    if (seal->mode == LT_MIMIC_HIDDEN_LIST || seal->mode == LT_MIMIC_HIDDEN_ALTERNATING) {
        seal->has_counter = true;
        seal->counter = counter->spot;
    }
}

static unsigned seal_bits(enum lt_mimic_check_family family)
{
    return family == LT_MIMIC_CRC16                                   ? 16
           : family == LT_MIMIC_NIBBLE_SUM || family == LT_MIMIC_CRC4 ? 4
                                                                      : 8;
}

/* The same check for all pages, or one for each with other hidden bytes. */
static void add_own_check(struct lt_mimic_rng *rng, struct lt_mimic_random_frame *frame,
                          struct lt_mimic_spot place, struct lt_mimic_seal *seal)
{
    bool apart = frame->pages && seal->family == LT_MIMIC_CRC8 && draw_chance(rng, 0.4);
    if (!lt_mimic_random_claim(frame, -1, place))
        return;
    for (unsigned page = 0; page < (apart ? frame->pages : 1); page++) {
        struct lt_mimic_random_field *field =
            lt_mimic_random_add(frame, LT_MIMIC_FIELD_CHECK, place);
        field->seal = *seal;
        if (!apart)
            continue;
        field->pages = 1u << page;
        field->seal.xorout = (uint16_t)draw_below(rng, 256);
    }
}

static void guard_own(struct lt_mimic_rng *rng, struct lt_mimic_random_frame *frame,
                      enum lt_mimic_check_family family)
{
    struct lt_mimic_seal seal = {.family = family};
    unsigned bits = seal_bits(family), bytes = (bits + 7) / 8;
    unsigned byte = draw_chance(rng, 0.45)  ? frame->len - bytes
                    : draw_chance(rng, 0.6) ? 0
                                            : draw_below(rng, frame->len - bytes + 1);
    struct lt_mimic_spot place = inside(byte, bits == 4 && draw_chance(rng, 0.5) ? 4 : 0, bits);
    if (bits == 16 && draw_chance(rng, 0.5))
        place = (struct lt_mimic_spot){true, (uint16_t)(8 * byte), 16};
    /* Kept free while the counter is placed. */
    uint64_t kept[8];
    memcpy(kept, frame->used, sizeof(kept));
    if (!lt_mimic_random_claim(frame, -1, place))
        return;
    struct lt_mimic_random_field *counter =
        draw_chance(rng, 0.85) ? draw_counter(rng, frame, (int)byte) : NULL;
    for (unsigned i = 0; i < 8; i++)
        if (place.start / 64 == i || (place.start + place.bits - 1u) / 64 == i)
            frame->used[i] = kept[i];
    if (counter)
        lt_mimic_random_claim(frame, -1, counter->spot);
    if (bits == 8 && family != LT_MIMIC_CRC8)
        draw_plain(rng, &seal);
    else if (family == LT_MIMIC_NIBBLE_SUM)
        draw_plain(rng, &seal);
    else
        draw_crc(rng, &seal);
    seal.backwards = draw_chance(rng, 0.12);
    draw_data_id(rng, &seal, counter);
    add_own_check(rng, frame, place, &seal);
}

/* A message code with a counter beside it that gives nothing away. */
static void guard_keyed(struct lt_mimic_rng *rng, struct lt_mimic_random_frame *frame)
{
    unsigned bits = frame->len < 8 ? 16 : 16 + 8 * draw_below(rng, 3);
    struct lt_mimic_seal seal = {.family = LT_MIMIC_KEYED, .key = lt_mimic_rng_u64(rng)};
    struct lt_mimic_spot place = {true, (uint16_t)(8u * frame->len - bits), (uint8_t)bits};
    if (!add_check(frame, place, &seal))
        return;
    frame->authenticated = true;
    if (draw_chance(rng, 0.7)) {
        unsigned width = draw_chance(rng, 0.5) ? 8 : 4;
        add_counter(frame, inside(frame->len - bits / 8 - 1u, 0, width), 1u << width);
    }
}

/* A counter of one page alone, where the page has room. */
void lt_mimic_random_page_counter(struct lt_mimic_random_car *car,
                                  struct lt_mimic_random_frame *frame, unsigned page)
{
    unsigned bits = draw_chance(&car->rng, 0.6) ? 4 : 8;
    struct lt_mimic_spot spot;
    if (!lt_mimic_random_place(car, frame, (int)page, bits, bits, &spot) ||
        !lt_mimic_random_claim(frame, (int)page, spot))
        return;
    struct lt_mimic_random_field *field = lt_mimic_random_add(frame, LT_MIMIC_FIELD_COUNTER, spot);
    field->modulus = 1u << bits;
    field->step = 1;
    field->pages = 1u << page;
    field->per_page = true;
    field->count[page] = draw_below(&car->rng, field->modulus);
}

void lt_mimic_random_guard(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame)
{
    struct lt_mimic_rng *rng = &car->rng;
    if (frame->len >= 6 && draw_chance(rng, 0.03)) {
        guard_keyed(rng, frame);
        return;
    }
    if (frame->len < 3 || !draw_chance(rng, car->check_share)) {
        if (draw_chance(rng, car->counter_share))
            draw_counter(rng, frame, -1);
        return;
    }
    unsigned family = draw_chance(rng, 0.85) ? car->families[draw_below(rng, car->family_count)]
                                             : draw_below(rng, LT_MIMIC_KEYED);
    bool done = frame->pages == 0 && frame->len >= 4 &&
                ((family == LT_MIMIC_E2E_P1 && guard_e2e_p1(rng, frame)) ||
                 (family == LT_MIMIC_E2E_P2 && guard_e2e_p2(rng, frame)) ||
                 (family == LT_MIMIC_E2E_P5 && guard_e2e_p5(rng, frame)) ||
                 ((family == LT_MIMIC_TSC1 || family == LT_MIMIC_XBR) && guard_j1939(rng, frame)));
    if (done)
        return;
    bool own = family <= LT_MIMIC_CRC16 || family == LT_MIMIC_CRC4;
    guard_own(rng, frame, own ? (enum lt_mimic_check_family)family : LT_MIMIC_CRC8);
}
