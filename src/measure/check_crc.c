/* Naming a CRC: its polynomial, direction, order of bytes, and what follows the data.
 *
 * The difference of two frames has no start value, final XOR or data id in it: its check is the
 * plain polynomial remainder of the data's difference, shifted by as many bytes as are processed
 * after it. With one table a polynomial all directions and shifts take a microsecond, so for 8 bits
 * every odd polynomial is tried, the usual ones first; for 16 bits those of the catalogue and in
 * use, and those that the solved columns give (the column of the bit processed before another is
 * that other's times x). It is tried only where elimination has not ruled an affine check out. */
#include <string.h>

#include "measure/check_inside.h"

#define IDLE_MOST   64
#define HIDDEN_MAX  6u /* bytes after the data: identifier 4, length 1, one more */
#define POLYS_MAX   160u
#define SKIPPED_MAX 4u
#define MANY        256u
#define USUAL       11u
#define ORDERS      4u

struct order {
    unsigned count, after_last; /* bytes in processing order; those behind the last that moves */
    bool own_at_end;            /* the check's own bytes, as 0, first or last */
    bool backwards;
    uint8_t byte[64];
    uint8_t first[64]; /* the difference of the first pair, in this order */
};

struct search {
    /* Places that fitted all pairs and could not be named. Where the check says no more than a copy
     * does, any polynomial fits: so many, and none is the one. */
    unsigned idle;
    struct check_view *view;
    struct check_claims *claims;
    const struct check_sample *sample, *many; /* `many`: for the constants of a counter's values */
    const struct check_chooser *chooser;
    const struct check_null *null;
    struct lt_bits place;
    unsigned width;
    uint64_t own, covered; /* bytes; `covered`: those that move and enter */
    uint64_t skipped;      /* bytes between them that stand still and do not enter */
    struct check_pairs pairs;
    uint16_t difference[CHECK_PAIRS];
    struct order order[ORDERS]; /* of `covered` and `skipped` as they are */
    /* The first pair's difference in the four orders side by side, their ends together: bytes of 0
     * in front change nothing. */
    unsigned most_inside, most_shifts;
    uint8_t side[64][ORDERS];
    uint16_t table[256];
    bool reflect;
    double hypotheses;
};

static uint16_t mirrored(uint16_t value, unsigned width)
{
    unsigned out = 0;
    for (unsigned n = 0; n < width; n++)
        out |= (value >> n & 1u) << (width - 1 - n);
    return (uint16_t)out;
}

static void fill_table(struct search *search, uint16_t poly, bool reflect)
{
    unsigned width = search->width, top = 1u << (width - 1), mask = 2 * top - 1;
    unsigned value = reflect ? mirrored(poly, width) : poly;
    search->reflect = reflect;
    search->table[0] = 0;
    uint16_t column[8];
    for (unsigned n = 0; n < 8; n++) {
        column[reflect ? 7 - n : n] = (uint16_t)value;
        if (reflect)
            value = value >> 1 ^ (value & 1 ? mirrored(poly, width) : 0);
        else
            value = (value << 1 ^ (value & top ? poly : 0u)) & mask;
    }
    /* A CRC is linear: with one bit more the half that is there comes again. */
    for (unsigned n = 0; n < 8; n++)
        for (unsigned i = 0; i < 1u << n; i++)
            search->table[(1u << n) + i] = search->table[i] ^ column[n];
}

static inline uint16_t feed(const struct search *search, uint16_t value, uint8_t byte)
{
    if (search->width == 8)
        return search->table[value ^ byte];
    if (search->reflect)
        return (uint16_t)(value >> 8 ^ search->table[(value ^ byte) & 0xFF]);
    return (uint16_t)(value << 8 ^ search->table[value >> 8 ^ byte]);
}

static uint16_t remainder_of_first(const struct search *search, const struct order *order,
                                   unsigned count)
{
    uint16_t value = 0;
    for (unsigned i = 0; i < count; i++)
        value = feed(search, value, order->first[i]);
    return value;
}

static uint16_t remainder_of_pair(const struct search *search, const struct order *order,
                                  unsigned count, unsigned pair)
{
    const uint8_t *a = check_bytes(search->view, search->pairs.a[pair]);
    const uint8_t *b = check_bytes(search->view, search->pairs.b[pair]);
    uint16_t value = 0;
    for (unsigned i = 0; i < count; i++) {
        unsigned at = order->byte[i];
        uint8_t byte = search->own >> at & 1 ? 0 : a[at] ^ b[at];
        value = feed(search, value, byte);
    }
    return value;
}

/* The bytes as they may be processed: all but those that move and do not enter; the check's own as
 * 0 or not at all. */
static void make_order(const struct search *search, bool backwards, bool own_as_zero,
                       struct order *ret_order)
{
    const struct check_view *view = search->view;
    unsigned last = 0;
    ret_order->count = 0;
    for (unsigned i = 0; i < view->length; i++) {
        unsigned b = backwards ? view->length - 1 - i : i;
        bool own = search->own >> b & 1, enters = search->covered >> b & 1;
        if ((own && !own_as_zero) || (!own && view->moves[b] && !enters) ||
            (search->skipped >> b & 1))
            continue;
        ret_order->byte[ret_order->count++] = (uint8_t)b;
        if (enters)
            last = ret_order->count;
    }
    ret_order->after_last = ret_order->count - last;
    ret_order->own_at_end =
        ret_order->count > 0 && ((search->own >> ret_order->byte[0] & 1) ||
                                 (search->own >> ret_order->byte[ret_order->count - 1] & 1));
}

static void lay_side_by_side(struct search *search)
{
    search->most_inside = search->most_shifts = 0;
    for (unsigned v = 0; v < ORDERS; v++) {
        const struct order *order = &search->order[v];
        unsigned inside = order->count - order->after_last;
        unsigned shifts = order->after_last + HIDDEN_MAX;
        search->most_inside = inside > search->most_inside ? inside : search->most_inside;
        search->most_shifts = shifts > search->most_shifts ? shifts : search->most_shifts;
    }
    memset(search->side, 0, search->most_inside * sizeof *search->side);
    for (unsigned v = 0; v < ORDERS; v++) {
        const struct order *order = &search->order[v];
        unsigned inside = order->count - order->after_last, front = search->most_inside - inside;
        for (unsigned i = 0; i < inside; i++)
            search->side[front + i][v] = order->first[i];
    }
}

/* They depend on the place and on what is taken to enter, and serve all polynomials. */
static void make_orders(struct search *search)
{
    const uint8_t *a = check_bytes(search->view, search->pairs.a[0]);
    const uint8_t *b = check_bytes(search->view, search->pairs.b[0]);
    for (unsigned variant = 0; variant < ORDERS; variant++) {
        struct order *order = &search->order[variant];
        make_order(search, variant & 1, variant & 2, order);
        order->backwards = variant & 1;
        for (unsigned i = 0; i < order->count; i++) {
            unsigned at = order->byte[i];
            order->first[i] = search->own >> at & 1 ? 0 : a[at] ^ b[at];
        }
    }
    lay_side_by_side(search);
}

/* Orders in which the first pair comes out right at any shift, as a set: the others need no closer
 * look. Four chains of table look-ups at once take little longer than one. */
static unsigned orders_that_fit(const struct search *search)
{
    uint16_t value[ORDERS] = {0};
    unsigned fit = 0;
    for (unsigned i = 0; i < search->most_inside; i++)
        for (unsigned v = 0; v < ORDERS; v++)
            value[v] = feed(search, value[v], search->side[i][v]);
    for (unsigned shift = 0; shift <= search->most_shifts; shift++)
        for (unsigned v = 0; v < ORDERS; v++) {
            fit |= (unsigned)(value[v] == search->difference[0]) << v;
            value[v] = feed(search, value[v], 0);
        }
    return fit;
}

static bool order_ranges(struct lt_checksum *checksum, const struct order *order, unsigned count)
{
    checksum->ranges = 0;
    for (unsigned i = 0; i < count; i++) {
        struct lt_check_range *range =
            &checksum->range[checksum->ranges ? checksum->ranges - 1 : 0];
        int step = i ? (int)order->byte[i] - (int)order->byte[i - 1] : 0;
        bool grows = checksum->ranges && ((step == 1 && range->first <= range->last) ||
                                          (step == -1 && range->first >= range->last));
        if (grows) {
            range->last = order->byte[i];
            continue;
        }
        if (checksum->ranges == LT_CHECK_RANGES_MAX)
            return false;
        checksum->range[checksum->ranges++] =
            (struct lt_check_range){order->byte[i], order->byte[i]};
    }
    return checksum->ranges > 0;
}

static void set_covers(const struct search *search, struct check_claim *claim,
                       const struct order *order)
{
    const struct check_view *view = search->view;
    for (unsigned p = 0; p < 8 * view->length; p++) {
        if ((search->covered >> p / 8 & 1) && lt_bit_set_has(&view->moving, p))
            lt_bit_set_add(&claim->covers, p);
    }
    /* Bytes before the first that moves: only the constant would tell whether they enter. Those
     * between and behind are counted by the shift. */
    for (unsigned i = 0; i < order->count && !(search->covered >> order->byte[i] & 1); i++) {
        for (unsigned bit = 0; bit < 8; bit++)
            lt_bit_set_add(&claim->unexercised, 8u * order->byte[i] + bit);
    }
}

static void linear_rest(const struct search *search, const struct lt_checksum *checksum,
                        unsigned hidden, struct check_constants *ret_constants)
{
    uint16_t value[CHECK_SAMPLE_MAX];
    struct lt_checksum bare = *checksum;
    const struct lt_stream_key *key = &search->view->kept->key;
    bare.catalogue = NULL;
    bare.data_id_count = (uint8_t)hidden;
    for (unsigned i = 0; i < search->many->count; i++) {
        const uint8_t *bytes = check_bytes(search->view, search->many->at[i]);
        value[i] = (uint16_t)lt_bits_get(bytes, &checksum->place) ^
                   lt_checksum_compute(&bare, bytes, key->length, key->id, key->extended);
    }
    check_constants_make(search->view, search->chooser, search->many, value, ret_constants);
}

/* A position that explains all pairs: names it and adds the claim. */
static bool add_hit(struct search *search, uint16_t poly, const struct order *order, unsigned shift)
{
    unsigned inside = order->count - order->after_last;
    unsigned taken = shift < order->after_last ? shift : order->after_last, hidden = shift - taken;
    struct check_claim claim = {
        .checksum = {.family = search->width == 8 ? LT_CHECK_CRC8 : LT_CHECK_CRC16,
                     .width = (uint8_t)search->width,
                     .place = search->place,
                     .poly = poly,
                     .reflect = search->reflect},
        .hypotheses = search->hypotheses,
        .sense = 0.99};
    struct check_constants constants;
    if (!order_ranges(&claim.checksum, order, inside + taken))
        return false;
    linear_rest(search, &claim.checksum, hidden, &constants);
    set_covers(search, &claim, order);
    if (!check_name_crc(search->view, &constants, hidden, &claim))
        return false;
    bool profile =
        claim.checksum.family != LT_CHECK_CRC8 && claim.checksum.family != LT_CHECK_CRC16;
    claim.score = (order->backwards ? 0.0 : 1.0) +
                  (claim.checksum.catalogue || profile ? 1.5 : 0.0) + (profile ? 1.0 : 0.0) +
                  (claim.plain_constant ? 1.0 : 0.0) -
                  (hidden && !claim.plain_constant && !profile ? 0.5 : 0.0) -
                  (taken < order->after_last ? 0.25 : 0.0) -
                  (order->own_at_end && !claim.plain_constant ? 0.75 : 0.0);
    return check_claims_add(search->view, search->claims, &claim);
}

static bool try_order(struct search *search, uint16_t poly, const struct order *order)
{
    uint16_t value[CHECK_PAIRS];
    unsigned inside = order->count - order->after_last;
    bool hit = false;
    value[0] = remainder_of_first(search, order, inside);
    for (unsigned shift = 0; shift <= order->after_last + HIDDEN_MAX; shift++) {
        bool fits = value[0] == search->difference[0];
        /* A spoiled frame that moves what else stands still is in no relation's way, but in ours.
         */
        unsigned spare = search->pairs.count / 6;
        for (unsigned p = 1; fits && p < search->pairs.count; p++) {
            uint16_t other = remainder_of_pair(search, order, inside, p);
            for (unsigned n = 0; n < shift; n++)
                other = feed(search, other, 0);
            fits = other == search->difference[p] || spare-- > 0;
        }
        if (fits && add_hit(search, poly, order, shift))
            hit = true;
        else if (fits && ++search->idle >= IDLE_MOST)
            return hit;
        value[0] = feed(search, value[0], 0);
    }
    return hit;
}

static bool try_poly(struct search *search, uint16_t poly)
{
    bool hit = false;
    for (unsigned reflect = 0; reflect < 2; reflect++) {
        fill_table(search, poly, reflect);
        unsigned fit = orders_that_fit(search);
        for (unsigned variant = 0; variant < ORDERS; variant++) {
            if ((fit >> variant & 1) && try_order(search, poly, &search->order[variant]))
                hit = true;
        }
    }
    return hit;
}

/* Polynomials in use, before all others. */
static const uint8_t usual8[] = {0x1D, 0x2F, 0x07, 0x31, 0x9B, 0xA7, 0xD5, 0x39, 0x49, 0x8D, 0xCF};
static const uint16_t usual16[] = {0x1021, 0x8005, 0x3D65, 0x8BB7, 0xC867, 0x0589,
                                   0xA097, 0x5935, 0x755B, 0x1DCF, 0x6F63, 0x080B};

static void push_poly(uint16_t *polys, unsigned *count, uint16_t poly)
{
    for (unsigned i = 0; i < *count; i++) {
        if (polys[i] == poly)
            return;
    }
    /* x^n + 1 is no polynomial of a CRC: it is the XOR of all bytes. */
    if (*count < POLYS_MAX && (poly & 1) && poly != 1)
        polys[(*count)++] = poly;
}

/* Column of a bit times x is that of the bit processed before it, reduced where it overflows. */
static void push_from_columns(const struct check_null *null, const struct check_solution *solution,
                              const struct check_view *view, uint16_t *polys, unsigned *count)
{
    for (unsigned reflect = 0; reflect < 2; reflect++) {
        for (unsigned p = 0; p + 1 < 8 * view->length; p++) {
            if (p % 8 == 7 || !lt_bit_set_has(&view->moving, p) ||
                !lt_bit_set_has(&view->moving, p + 1))
                continue;
            uint16_t low = check_solution_column(null, solution, p);
            uint16_t high = check_solution_column(null, solution, p + 1);
            uint16_t from = reflect ? mirrored(high, 16) : low;
            uint16_t to = reflect ? mirrored(low, 16) : high;
            if (from & 0x8000)
                push_poly(polys, count, to ^ (uint16_t)(from << 1));
        }
    }
}

static unsigned make_polys(const struct search *search, const struct check_solution *solution,
                           uint16_t *polys)
{
    unsigned count = 0;
    for (unsigned i = 0; search->width == 8 && i < sizeof usual8; i++)
        push_poly(polys, &count, usual8[i]);
    for (unsigned poly = 3; search->width == 8 && poly < 256; poly += 2)
        push_poly(polys, &count, (uint16_t)poly);
    for (unsigned i = 0; search->width == 16 && i < sizeof usual16 / sizeof *usual16; i++)
        push_poly(polys, &count, usual16[i]);
    if (search->width == 16 && search->null->spare >= 8)
        push_from_columns(search->null, solution, search->view, polys, &count);
    return count;
}

static uint64_t moving_bytes(const struct search *search)
{
    uint64_t set = 0;
    for (unsigned b = 0; b < search->view->length; b++)
        set |= (uint64_t)(search->view->moves[b] != 0) << b;
    return set & ~search->own;
}

/* Bytes with a column that is not 0: the others move without entering. */
static uint64_t entering_bytes(const struct search *search, const struct check_solution *solution)
{
    uint64_t set = 0;
    for (unsigned p = 0; p < 8 * search->view->length; p++) {
        if (!(search->own >> p / 8 & 1) && check_solution_column(search->null, solution, p))
            set |= (uint64_t)1 << p / 8;
    }
    return set;
}

static void draw_differences(struct search *search)
{
    check_pairs_draw(search->view, search->sample, search->chooser, &search->pairs);
    for (unsigned p = 0; p < search->pairs.count; p++) {
        const uint8_t *a = check_bytes(search->view, search->pairs.a[p]);
        const uint8_t *b = check_bytes(search->view, search->pairs.b[p]);
        search->difference[p] =
            (uint16_t)(lt_bits_get(a, &search->place) ^ lt_bits_get(b, &search->place));
    }
}

/* log2 of the hypotheses up to the poly tried now. */
static double log2_of(unsigned value)
{
    double bits = 0.0;
    for (; value > 1; value = (value + 1) / 2)
        bits += 1.0;
    return bits;
}

static bool try_polys(struct search *search, const uint16_t *polys, unsigned count)
{
    make_orders(search);
    unsigned steps = 120 + 4 * (search->most_inside + search->most_shifts);
    for (unsigned i = 0; i < count && search->idle < IDLE_MOST; i++) {
        if (!lt_work_take(search->view->work, steps))
            return false;
        search->hypotheses = log2_of(8 * (i + 1) * (HIDDEN_MAX + 3));
        if (try_poly(search, polys[i]))
            return true;
    }
    return false;
}

/* Bytes that move but may not enter: left out one by one, and from either end. Usual polynomials
 * alone: each choice is one more hypothesis. */
static bool try_leaving_out(struct search *search, const uint16_t *polys, unsigned count)
{
    uint64_t all = search->covered;
    unsigned few = count < USUAL ? count : USUAL;
    for (uint64_t rest = all; rest; rest &= rest - 1) {
        search->covered = all & ~(rest & (~rest + 1));
        if (search->covered && try_polys(search, polys, few))
            return true;
    }
    for (uint64_t from_start = all & (all - 1); from_start; from_start &= from_start - 1) {
        uint64_t top = (uint64_t)1 << (63 - __builtin_clzll(from_start));
        const uint64_t choice[] = {from_start, from_start & ~top};
        for (unsigned i = 0; i < 2; i++) {
            search->covered = choice[i];
            if (search->covered && try_polys(search, polys, few))
                return true;
        }
    }
    return false;
}

/* Runs of bytes that stand still, in the middle: they shift what comes before them or not. */
static bool try_skipping(struct search *search, const uint16_t *polys, unsigned count)
{
    unsigned few = count < USUAL ? count : USUAL;
    unsigned first = (unsigned)__builtin_ctzll(search->covered);
    unsigned last = 63 - (unsigned)__builtin_clzll(search->covered);
    bool hit = false;
    for (unsigned from = first + 1; from < last && !hit; from++) {
        search->skipped = 0;
        for (unsigned to = from; to < last && to < from + SKIPPED_MAX && !hit; to++) {
            if (search->view->moves[to] || (search->own >> to & 1))
                break;
            search->skipped |= (uint64_t)1 << to;
            hit = try_polys(search, polys, few);
        }
    }
    search->skipped = 0;
    return hit;
}

/* How far a search goes. Each is run on all places before the next: a check explains the places
 * that it covers, which are the same check turned round. */
enum depth {
    DEPTH_USUAL, /* polynomials in use, all that moves enters */
    DEPTH_ODD,   /* all polynomials */
    DEPTH_PARTS, /* bytes that do not enter */
    DEPTHS
};

static void try_place(struct search *search, enum depth depth)
{
    struct check_solution solution;
    uint16_t polys[POLYS_MAX];
    if (!lt_work_take(search->view->work, 200 + 20u * search->null->count) ||
        !check_null_solve(search->null, &search->place, &solution))
        return;
    draw_differences(search);
    search->idle = 0;
    search->covered = moving_bytes(search);
    if (search->pairs.count < 4 || !search->covered)
        return;
    unsigned count = make_polys(search, &solution, polys);
    unsigned usual = search->width == 8 ? sizeof usual8 : sizeof usual16 / sizeof *usual16;
    if (depth == DEPTH_USUAL) {
        try_polys(search, polys, usual);
        return;
    }
    uint64_t entering = entering_bytes(search, &solution), all = search->covered;
    bool sure = search->null->spare >= 8;
    if (depth == DEPTH_ODD) {
        if (try_polys(search, polys + usual, count - usual) || !sure || entering == all)
            return;
        search->covered = entering;
        if (entering)
            try_polys(search, polys, count);
    } else if (sure && !try_skipping(search, polys, count)) {
        try_leaving_out(search, polys, count);
    }
}

/* Bits of a CRC flip every other time, whatever changes; but the columns of some polynomials of 16
 * bits have few ones (0x8005 has two), so that where little moves little flips. */
static bool may_be_crc(const struct search *search)
{
    unsigned moving = check_moving_bits(search->view, &search->place);
    double rough = check_roughness(search->view, &search->place);
    return check_is_free_of_long(search->view, &search->place) &&
           (search->width == 8 ? moving >= 5 && rough >= 0.2 : moving >= 8 && rough >= 0.1) &&
           !check_is_explained(search->claims, &search->place);
}

static struct lt_bits two_bytes(unsigned byte, bool intel)
{
    uint16_t low = (uint16_t)(8 * byte), high = (uint16_t)(low + 8);
    struct lt_span span = intel ? (struct lt_span){(uint16_t)(high + 7), low}
                                : (struct lt_span){(uint16_t)(low + 7), high};
    return (struct lt_bits){1, {span}};
}

static void set_place(struct search *search, struct lt_bits place)
{
    search->place = place;
    search->width = lt_bits_length(&place);
    search->own = check_own_bytes(&place);
}

/* The n-th place to look at: the ends of a frame first. */
static unsigned nth_byte(unsigned n, unsigned count)
{
    return n == 0 ? count - 1 : n - 1;
}

static void try_places(struct search *search, enum depth depth)
{
    unsigned length = search->view->length;
    for (unsigned n = 0; n + 1 < length; n++) {
        for (unsigned intel = 0; intel < 2; intel++) {
            set_place(search, two_bytes(nth_byte(n, length - 1), intel));
            if (may_be_crc(search))
                try_place(search, depth);
        }
    }
    for (unsigned n = 0; n < length; n++) {
        set_place(search, check_byte_place(nth_byte(n, length)));
        if (may_be_crc(search))
            try_place(search, depth);
    }
}

void check_find_crc(struct check_view *view, const struct check_sample *sample,
                    const struct check_chooser *chooser, const struct check_null *null, bool deep,
                    struct check_claims *claims)
{
    struct search *search = lt_arena_alloc(view->scratch, sizeof *search);
    struct check_sample *many = lt_arena_alloc(view->scratch, sizeof *many);
    if (!search || !many)
        return;
    check_sample_draw(view, MANY, CHECK_SAMPLE_ANY, many);
    *search = (struct search){.view = view,
                              .claims = claims,
                              .sample = sample,
                              .many = many,
                              .chooser = chooser,
                              .null = null};
    if (!deep)
        try_places(search, DEPTH_USUAL);
    for (enum depth depth = DEPTH_ODD; deep && depth < DEPTHS; depth++)
        try_places(search, depth);
}

void check_try_crc(struct check_view *view, const struct lt_checksum *known,
                   struct check_claims *claims)
{
    struct search *search = lt_arena_alloc(view->scratch, sizeof *search);
    struct check_sample *sample = lt_arena_alloc(view->scratch, sizeof *sample);
    if (!search || !sample)
        return;
    check_sample_draw(view, 200, CHECK_SAMPLE_SURE, sample);
    for (unsigned i = 0; i < view->chooser_count; i++) {
        *search = (struct search){.view = view,
                                  .claims = claims,
                                  .sample = sample,
                                  .many = sample,
                                  .chooser = &view->chooser[i],
                                  .hypotheses = 7.0};
        set_place(search, known->place);
        search->covered = moving_bytes(search);
        draw_differences(search);
        if (!search->pairs.count || !search->covered)
            continue;
        make_orders(search);
        if (try_poly(search, known->poly))
            return;
    }
}
