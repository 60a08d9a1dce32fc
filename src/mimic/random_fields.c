/* Which quantities an invented frame carries, and how: length, order, sign, scale, habits. */
#include <string.h>

#include "mimic/random_car.h"
#include "mimic/random_draw.h"

/* --- room in a frame --- */

static bool is_free(const struct lt_mimic_random_frame *frame, int page, struct lt_mimic_spot spot)
{
    for (unsigned n = 0; n < spot.bits; n++) {
        unsigned at = lt_mimic_spot_bit(spot, n);
        if (at >= 8u * frame->len || frame->used[at / 64] >> at % 64 & 1)
            return false;
        if (page >= 0 && frame->page_used[page][at / 64] >> at % 64 & 1)
            return false;
        for (unsigned p = 0; page < 0 && p < frame->pages; p++)
            if (frame->page_used[p][at / 64] >> at % 64 & 1)
                return false;
    }
    return true;
}

bool lt_mimic_random_claim(struct lt_mimic_random_frame *frame, int page, struct lt_mimic_spot spot)
{
    if (frame->field_count >= LT_MIMIC_RANDOM_FIELDS || !is_free(frame, page, spot))
        return false;
    for (unsigned n = 0; n < spot.bits; n++) {
        unsigned at = lt_mimic_spot_bit(spot, n);
        uint64_t *used = page < 0 ? frame->used : frame->page_used[page];
        used[at / 64] |= 1ull << at % 64;
    }
    return true;
}

struct lt_mimic_random_field *lt_mimic_random_add(struct lt_mimic_random_frame *frame,
                                                  enum lt_mimic_field_kind kind,
                                                  struct lt_mimic_spot spot)
{
    struct lt_mimic_random_field *field = &frame->field[frame->field_count];
    if (frame->field_count + 1 < LT_MIMIC_RANDOM_FIELDS)
        frame->field_count++;
    memset(field, 0, sizeof(*field));
    field->kind = kind;
    field->spot = spot;
    field->coarse = 1;
    return field;
}

bool lt_mimic_random_place(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame,
                           int page, unsigned bits, unsigned align, struct lt_mimic_spot *ret_spot)
{
    struct lt_mimic_spot spot = {frame->motorola, 0, (uint8_t)bits};
    if (frame->mixed && draw_chance(&car->rng, 0.4))
        spot.motorola = !spot.motorola;
    unsigned room = 8u * frame->len;
    /* Mostly from the front; now and then from anywhere, which leaves holes. */
    unsigned from = draw_chance(&car->rng, 0.15) ? draw_below(&car->rng, room) : 0;
    for (unsigned turn = 0; turn < 2; turn++, from = 0)
        for (unsigned start = from / align * align; start + bits <= room; start += align) {
            spot.start = (uint16_t)start;
            /* Motorola fields that end at a byte edge, as makers write them: aligned below. */
            if (spot.motorola && align == 8 && bits % 8 && bits > 8)
                spot.start = (uint16_t)(start + 8 - bits % 8);
            if (spot.start + bits > room || !is_free(frame, page, spot))
                continue;
            *ret_spot = spot;
            return true;
        }
    return false;
}

/* --- scales --- */

/* The smallest of the habit's scales that is at least this large, as num / den. */
static void snap_scale(struct lt_mimic_random_car *car, double least, double *ret_num,
                       double *ret_den)
{
    struct lt_mimic_rng *rng = &car->rng;
    double num = 1, den = 1;
    if (draw_chance(rng, 0.3)) { /* powers of two */
        while (num / den < least && num < 1e9)
            num *= 2;
        while (num / den / 2 >= least && den < 1e9)
            den *= 2;
    } else {
        static const double nice[] = {1, 2, 2.5, 4, 5, 7.5, 10};
        while (least > 10 * num)
            num *= 10;
        while (num / den > least)
            den *= 10;
        double lead = least * den / num; /* 1 .. 10 */
        if (draw_chance(rng, car->nice)) {
            unsigned i = 0;
            while (i < 6 && nice[i] < lead)
                i++;
            num *= nice[i] * 2;
            den *= 2;
        } else { /* three digits that nobody would guess */
            double digits = (double)(uint64_t)(lead * 100 + 1 + draw_between(rng, 0, 25));
            num *= digits;
            den *= 100;
        }
    }
    while (num > 1 && den > 1 && (uint64_t)num % 2 == 0 && (uint64_t)den % 2 == 0) {
        num /= 2;
        den /= 2;
    }
    *ret_num = num;
    *ret_den = den;
}

static void draw_scale(struct lt_mimic_random_car *car, struct lt_mimic_random_field *field,
                       const struct lt_mimic_quantity *quantity)
{
    struct lt_mimic_rng *rng = &car->rng;
    double low = quantity->low, high = quantity->high;
    double codes = (double)((1ull << field->spot.bits) - 1) - 3;
    double span = high - low;
    if (low < 0 && draw_chance(rng, 0.55)) {
        field->sign = draw_chance(rng, car->signed_offset) ? LT_MIMIC_OFFSET_BINARY : LT_MIMIC_TWOS;
        if (draw_chance(rng, car->magnitude_share))
            field->sign = LT_MIMIC_SIGN_MAGNITUDE;
        span = 2 * (high > -low ? high : -low);
    }
    double headroom = draw_chance(rng, 0.7) ? draw_between(rng, 1, 1.4) : draw_log(rng, 1.4, 12);
    if (draw_chance(rng, 0.04))
        headroom = draw_between(rng, 0.35, 0.8); /* saturates */
    double least = span / codes * headroom;
    snap_scale(car, least, &field->num, &field->den);
    field->scale = field->num / field->den;
    if (field->sign != LT_MIMIC_UNSIGNED)
        return;
    if (low < 0) {
        field->offset = low;
        if (draw_chance(rng, 0.3)) /* a whole number of steps */
            field->offset = -(double)((int64_t)(-low / field->scale) + 1) * field->scale;
        else
            field->offset = -(double)(int64_t)(-low + 1);
    } else if (low > 0 && draw_chance(rng, 0.5)) {
        field->offset = (double)(int64_t)low;
    }
}

/* Some send lambda as its reciprocal: 0.5 to 1.7. */
static void draw_reciprocal(struct lt_mimic_rng *rng, struct lt_mimic_random_field *field)
{
    double codes = (double)((1ull << field->spot.bits) - 4);
    field->reciprocal = true;
    field->sign = LT_MIMIC_UNSIGNED;
    field->offset = 0;
    field->num = draw_chance(rng, 0.5) ? 2 : 1.75;
    field->den = codes;
    field->scale = field->num / field->den;
}

/* --- one field --- */

static unsigned draw_bits(struct lt_mimic_random_car *car, const struct lt_mimic_quantity *quantity)
{
    static const uint8_t smooth[] = {8, 9, 10, 11, 12, 13, 14, 15, 16, 20, 24, 32};
    static const double tight[] = {1.5, .4, 2, 1, 3, 1.2, 1, .6, 3, .1, .12, .04};
    static const double bytes[] = {4, 0, .4, 0, .5, 0, 0, 0, 5, 0, .15, .06};
    struct lt_mimic_rng *rng = &car->rng;
    switch (quantity->kind) {
    case LT_MIMIC_FLAG:
        return 1;
    case LT_MIMIC_CHOICE: {
        unsigned bits = 1;
        while ((1u << bits) <= (unsigned)quantity->high)
            bits++;
        return bits + (draw_chance(rng, 0.35) ? draw_below(rng, 9 - bits) : 0);
    }
    case LT_MIMIC_GROWING: {
        static const uint8_t sizes[] = {8, 16, 16, 24, 32};
        return sizes[draw_below(rng, 5)];
    }
    case LT_MIMIC_SLOW:
        return draw_chance(rng, 0.6) ? 8 : 8 + draw_below(rng, 9);
    default:
        return smooth[draw_weighted(rng, draw_chance(rng, car->tight) ? tight : bytes, 12)];
    }
}

static void draw_habits_of_field(struct lt_mimic_random_car *car,
                                 const struct lt_mimic_random_frame *frame,
                                 struct lt_mimic_random_field *field,
                                 const struct lt_mimic_quantity *quantity)
{
    struct lt_mimic_rng *rng = &car->rng;
    field->cut = draw_chance(rng, car->cut_share);
    if (draw_chance(rng, 0.02))
        field->coarse = (uint8_t)(2 << draw_below(rng, 3));
    if (draw_chance(rng, car->filter_share))
        field->tau_s = draw_log(rng, 0.02, 0.6);
    if (draw_chance(rng, car->dither_share) && quantity->kind == LT_MIMIC_SMOOTH)
        field->dither = draw_between(rng, 0.5, 3.5);
    if (draw_chance(rng, car->hold_share))
        field->hold_ns = (int64_t)(10 << draw_below(rng, 4)) * 1000000;
    if (field->hold_ns <= frame->period_ns)
        field->hold_ns = 0;
}

static void draw_codes(struct lt_mimic_random_car *car, struct lt_mimic_random_field *field)
{
    struct lt_mimic_rng *rng = &car->rng;
    if (!draw_chance(rng, car->codes_share))
        return;
    field->codes = true;
    unsigned luck = draw_below(rng, 10);
    field->always_unavailable = luck == 0;
    field->until_running = luck > 5;
    if (luck > 0 && luck < 6)
        field->unavailable_until_s = draw_between(rng, 0.3, 6);
    if (draw_chance(rng, 0.12)) { /* a sensor that fails for a while */
        field->fails_from_s = draw_between(rng, 0.2, 0.8) * car->duration_s;
        field->fails_to_s = field->fails_from_s + draw_log(rng, 0.3, 12);
    }
}

static void draw_code_map(struct lt_mimic_random_car *car, struct lt_mimic_random_field *field,
                          unsigned codes)
{
    struct lt_mimic_rng *rng = &car->rng;
    unsigned room = field->spot.bits >= 8 ? 256 : 1u << field->spot.bits;
    if (codes > 16 || room < codes + 2 || !draw_chance(rng, 0.4))
        return;
    field->mapped = true;
    for (unsigned i = 0; i < codes; i++) {
        bool taken = true;
        while (taken) {
            field->code_map[i] = (uint8_t)draw_below(rng, room - 1);
            taken = false;
            for (unsigned j = 0; j < i; j++)
                taken = taken || field->code_map[j] == field->code_map[i];
        }
    }
}

/* False where there is no room. */
static bool add_value(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame,
                      int page, unsigned which)
{
    const struct lt_mimic_quantity *quantity = &car->motion.quantity[which];
    struct lt_mimic_rng *rng = &car->rng;
    unsigned bits = draw_bits(car, quantity), align = frame->packing;
    if (bits < 4)
        align = draw_chance(rng, 0.9) ? 1 : align;
    else if (bits < 8 && align == 8)
        align = 4;
    struct lt_mimic_spot spot;
    if (!lt_mimic_random_place(car, frame, page, bits, align, &spot) ||
        !lt_mimic_random_claim(frame, page, spot))
        return false;
    struct lt_mimic_random_field *field = lt_mimic_random_add(frame, LT_MIMIC_FIELD_VALUE, spot);
    field->quantity = (uint16_t)which;
    field->pages = page < 0 ? 0 : 1u << page;
    field->num = field->den = field->scale = 1;
    if (quantity->kind == LT_MIMIC_CHOICE) {
        draw_code_map(car, field, (unsigned)quantity->high + 1);
        field->codes = !field->mapped && bits >= 4 && (unsigned)quantity->high + 2 < 1u << bits &&
                       draw_chance(rng, 0.2);
        field->unavailable_until_s = field->codes ? draw_between(rng, 0.3, 3) : 0;
        return true;
    }
    if (quantity->kind == LT_MIMIC_FLAG)
        return true;
    if (quantity->kind == LT_MIMIC_GROWING) {
        static const double steps[] = {1, 0.1, 0.25, 0.5, 2, 0.01, 10};
        /* Never more than a quarter of its range from one frame to the next. */
        static const double fastest[] = {60, 40, 1, 120};
        double most = fastest[(which - LT_MIMIC_Q_DISTANCE) & 3] * (double)frame->period_ns * 1e-9;
        double least = 4 * most / (double)(1ull << bits) * (frame->pages ? frame->pages * 3 : 1);
        field->scale = steps[draw_below(rng, 7)];
        /* A clock that goes on by the same in every frame would be a counter and nothing else. */
        double turn_s = 1e-9 * (double)frame->period_ns * (frame->pages ? frame->pages : 1);
        if (which == LT_MIMIC_Q_RUN_TIME && least < 2.5 * turn_s)
            least = 2.5 * turn_s;
        while (field->scale < least)
            field->scale *= 2;
        field->num = field->scale * 100;
        field->den = 100;
        return true;
    }
    draw_scale(car, field, quantity);
    if (which == LT_MIMIC_Q_LAMBDA && draw_chance(rng, 0.12))
        draw_reciprocal(rng, field);
    draw_habits_of_field(car, frame, field, quantity);
    draw_codes(car, field);
    return true;
}

/* Quantities that makers send side by side and alike: neighbours of the same speed and range. */
static const struct bundle {
    uint16_t first, count;
} bundles[] = {
    {LT_MIMIC_Q_WHEEL_SPEED_FL, 4}, {LT_MIMIC_Q_PEDAL, 3}, /* pedal, throttle, load */
    {LT_MIMIC_Q_YAW_RATE, 3},       {LT_MIMIC_Q_ENGINE_TORQUE, 2},  {LT_MIMIC_Q_STEERING_ANGLE, 2},
    {LT_MIMIC_Q_COOLANT_TEMP, 3},   {LT_MIMIC_Q_INDICATOR_LEFT, 4},
};

static void copy_coding(struct lt_mimic_random_field *to, const struct lt_mimic_random_field *from)
{
    struct lt_mimic_random_field kept = *to;
    *to = *from;
    to->spot = kept.spot;
    to->quantity = kept.quantity;
    to->pages = kept.pages;
}

/* The rest of a bundle right behind its first, in the same coding. */
static void add_alike(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame,
                      const struct bundle *bundle)
{
    size_t first = frame->field_count;
    if (!add_value(car, frame, -1, bundle->first))
        return;
    for (unsigned i = 1; i < bundle->count; i++) {
        const struct lt_mimic_random_field *like = &frame->field[first];
        struct lt_mimic_spot spot = frame->field[frame->field_count - 1].spot;
        spot.start = (uint16_t)(spot.start + spot.bits);
        if (spot.start + spot.bits > 8u * frame->len || !lt_mimic_random_claim(frame, -1, spot))
            return;
        struct lt_mimic_random_field *field =
            lt_mimic_random_add(frame, LT_MIMIC_FIELD_VALUE, spot);
        field->quantity = (uint16_t)(bundle->first + i);
        copy_coding(field, like);
    }
}

/* --- pages --- */

static void add_text_pages(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame,
                           unsigned from, unsigned to)
{
    static const char letters[] = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789";
    for (unsigned page = from; page < to; page++) {
        unsigned bytes = frame->len - 1u - draw_below(&car->rng, 2);
        struct lt_mimic_spot spot;
        while (bytes > 1 && !(lt_mimic_random_place(car, frame, (int)page, 8 * bytes, 8, &spot) &&
                              spot.start % 8 == 0))
            bytes--;
        if (bytes < 2 || bytes > 8)
            return;
        spot.motorola = true;
        if (!lt_mimic_random_claim(frame, (int)page, spot))
            return;
        struct lt_mimic_random_field *field = lt_mimic_random_add(frame, LT_MIMIC_FIELD_TEXT, spot);
        field->pages = 1u << page;
        for (unsigned i = 0; i < bytes; i++)
            field->text[i] = letters[draw_below(&car->rng, sizeof(letters) - 1)];
    }
}

/* A frame that says the same for ever: text, or bytes that mean something to somebody. */
static void add_constants(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame)
{
    bool text = frame->len >= 4 && frame->len <= 8 && draw_chance(&car->rng, 0.5);
    struct lt_mimic_spot spot = {true, 0, (uint8_t)(8 * (frame->len < 8 ? frame->len : 8))};
    if (!lt_mimic_random_claim(frame, -1, spot))
        return;
    struct lt_mimic_random_field *field =
        lt_mimic_random_add(frame, text ? LT_MIMIC_FIELD_TEXT : LT_MIMIC_FIELD_CONSTANT, spot);
    field->constant = lt_mimic_rng_u64(&car->rng);
    for (unsigned i = 0; i < sizeof(field->text); i++)
        field->text[i] = (char)('A' + draw_below(&car->rng, 26));
}

static void add_selector(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame)
{
    struct lt_mimic_rng *rng = &car->rng;
    unsigned bits = draw_chance(rng, 0.5) ? 8 : 2 + draw_below(rng, 6);
    unsigned most = bits > 4 ? LT_MIMIC_RANDOM_PAGES : 1u << bits;
    unsigned pages = draw_chance(rng, 0.7) ? 2 + draw_below(rng, 5) : 2 + draw_below(rng, most - 1);
    pages = pages > most ? most : pages;
    unsigned byte = draw_chance(rng, 0.7) ? 0 : draw_below(rng, frame->len);
    unsigned bit = bits == 8 ? 0 : draw_chance(rng, 0.5) ? 8 - bits : draw_below(rng, 9 - bits);
    struct lt_mimic_spot spot = {false, (uint16_t)(8 * byte + bit), (uint8_t)bits};
    if (!lt_mimic_random_claim(frame, -1, spot))
        return;
    frame->selector = (int)frame->field_count;
    lt_mimic_random_add(frame, LT_MIMIC_FIELD_SELECTOR, spot);
    frame->pages = pages;
    frame->irregular = draw_chance(rng, 0.3);
    unsigned value = draw_chance(rng, 0.6) ? 0 : draw_below(rng, (1u << bits) - pages + 1);
    for (unsigned i = 0; i < pages; i++)
        frame->page_value[i] = (uint8_t)(value + i);
    if (bits == 8 && draw_chance(rng, 0.3)) /* values that do not follow each other */
        for (unsigned i = 0; i < pages; i++)
            frame->page_value[i] = (uint8_t)(value % 7 + i * (3 + value % 5));
}

/* --- the whole car --- */

/* What has to be somewhere, and how often copies of it are found. */
static unsigned draw_copies(struct lt_mimic_rng *rng, const struct lt_mimic_quantity *quantity)
{
    if (quantity->role && draw_chance(rng, 0.06))
        return 0; /* this car does not tell */
    unsigned copies = 1;
    if (quantity->role)
        while (copies < 5 && draw_chance(rng, 0.4))
            copies++;
    return copies;
}

static bool suits(const struct lt_mimic_quantity *quantity,
                  const struct lt_mimic_random_frame *frame)
{
    bool slow = quantity->kind == LT_MIMIC_SLOW || quantity->kind == LT_MIMIC_GROWING;
    if (frame->copy_of >= 0 || frame->len == 0)
        return false;
    if (frame->cadence == LT_MIMIC_ON_EVENT)
        return quantity->kind == LT_MIMIC_CHOICE || quantity->kind == LT_MIMIC_FLAG;
    if (slow)
        return frame->period_ns >= 50000000;
    return quantity->kind != LT_MIMIC_SMOOTH || frame->period_ns <= 100000000;
}

static void spread(struct lt_mimic_random_car *car, unsigned which)
{
    for (unsigned tries = 0; tries < 60; tries++) {
        struct lt_mimic_random_frame *frame =
            &car->frame[draw_below(&car->rng, (unsigned)car->frame_count)];
        if (!suits(&car->motion.quantity[which], frame) ||
            frame->field_count >= LT_MIMIC_RANDOM_FIELDS - 10)
            continue;
        int page = frame->pages && draw_chance(&car->rng, 0.7)
                       ? (int)draw_below(&car->rng, frame->pages)
                       : -1;
        if (add_value(car, frame, page, which))
            return;
    }
}

static void spread_bundles(struct lt_mimic_random_car *car)
{
    for (size_t i = 0; i < sizeof(bundles) / sizeof(bundles)[0]; i++) {
        unsigned wanted = draw_below(&car->rng, 3);
        for (unsigned tries = 0; wanted > 0 && tries < 40; tries++) {
            struct lt_mimic_random_frame *frame =
                &car->frame[draw_below(&car->rng, (unsigned)car->frame_count)];
            if (!suits(&car->motion.quantity[bundles[i].first], frame) || frame->len < 6 ||
                frame->pages || frame->field_count > 4)
                continue;
            add_alike(car, frame, &bundles[i]);
            wanted--;
        }
    }
}

static unsigned draw_filling(struct lt_mimic_random_car *car)
{
    struct lt_mimic_rng *rng = &car->rng;
    unsigned luck = draw_below(rng, 100);
    if (luck < 50)
        return LT_MIMIC_Q_PROCESS + draw_below(rng, LT_MIMIC_PROCESSES);
    if (luck < 62)
        return LT_MIMIC_Q_WANDERING_FLAG + draw_below(rng, LT_MIMIC_WANDERING_FLAGS);
    if (luck < 70)
        return LT_MIMIC_Q_WANDERING_CHOICE + draw_below(rng, LT_MIMIC_WANDERING_CHOICES);
    return draw_below(rng, LT_MIMIC_Q_PROCESS);
}

/* More of anything, until the frame is as full as the maker likes. */
static void fill_up(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame, int page)
{
    unsigned misses = 0;
    while (misses < 3 && frame->field_count < LT_MIMIC_RANDOM_FIELDS - 4 &&
           !draw_chance(&car->rng, car->empty)) {
        unsigned which = draw_filling(car);
        if (!suits(&car->motion.quantity[which], frame) || !add_value(car, frame, page, which))
            misses++;
    }
}

static void lay_out(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame)
{
    struct lt_mimic_rng *rng = &car->rng;
    frame->selector = -1;
    frame->motorola = draw_chance(rng, car->order_bias);
    frame->mixed = frame->len > 2 && draw_chance(rng, 0.03);
    frame->packing = draw_chance(rng, car->tight) ? 1 : draw_chance(rng, car->nibble) ? 4 : 8;
    frame->filler = draw_chance(rng, 0.85) ? car->filler : (uint8_t)~car->filler;
    if (frame->len >= 4 && frame->len <= 8 && frame->cadence == LT_MIMIC_CYCLIC &&
        draw_chance(rng, 0.1))
        add_selector(car, frame);
    lt_mimic_random_guard(car, frame);
}

void lt_mimic_random_fill(struct lt_mimic_random_car *car)
{
    for (size_t i = 0; i < car->frame_count; i++)
        if (car->frame[i].copy_of < 0)
            lay_out(car, &car->frame[i]);
    spread_bundles(car);
    for (unsigned which = 0; which < LT_MIMIC_QUANTITIES; which++) {
        unsigned copies = draw_copies(&car->rng, &car->motion.quantity[which]);
        while (copies-- > 0)
            spread(car, which);
    }
    for (size_t i = 0; i < car->frame_count; i++) {
        struct lt_mimic_random_frame *frame = &car->frame[i];
        if (frame->copy_of >= 0)
            continue;
        if (frame->pages && draw_chance(&car->rng, 0.35))
            add_text_pages(car, frame, frame->pages / 2, frame->pages);
        for (unsigned page = 0; page < frame->pages; page++) {
            if (draw_chance(&car->rng, 0.08))
                lt_mimic_random_page_counter(car, frame, page);
            fill_up(car, frame, (int)page);
        }
        if (frame->field_count == 0 && draw_chance(&car->rng, 0.3))
            add_constants(car, frame);
        else
            fill_up(car, frame, -1);
    }
}
