/* Where a window that follows the reference really begins and ends.
 *
 * The correlation settles the upper end: a foreign bit on top weighs as much as the whole number,
 * and a moving bit left out makes it jump. It says little of the lower end, where bits weigh less
 * than the reference's own step. There the carry speaks, at the frames' own rate: with W the number
 * so far and b the bit below it, over neighbouring frames
 *
 *     c = - E(dW db) / (E(db^2) / 2)
 *
 * is 1 where b is the next binary digit of the same number (when W steps up, b falls back), both
 * for a slow number, where each step of W has one of b against it, and for a fast one, where the
 * rounding of W has the variance 1/12 that b explains; it is 0 for a bit that has nothing to do
 * with W. Where W moves by many steps a frame its own motion hides this, so there the same is asked
 * of its bends, the differences from the mean of both neighbours. */
#include "seek/search.h"

#define CARRY_LEAST   0.5
#define BEND_LEAST    0.3
#define CARRY_ERROR   0.2  /* above it the carry says nothing */
#define CARRY_DIM     0.6  /* above it hardly anything, */
#define CARRY_BLIND   2.0  /* and above it nothing at all */
#define CARRY_DOUBT   0.75 /* errors, for the digit */
#define CARRY_ROWS    20000u
#define CARRY_RUN     512u
#define CARRY_SOME    0.1
#define CARRY_SURE    5.0 /* errors */
#define CARRY_AGAINST 0.6
#define CORE_LOSS     1.10 /* of 1 - r^2, for the part that the correlation is sure of */
#define EXTEND_LOSS   1.30
#define EDGE_BITS     3u
#define FLIPS_DEAD    0.005
#define FLIPS_KEPT    0.75 /* lower digits flip about as often as those above, or more */

static int up(unsigned position, enum lt_order order)
{
    if (order == LT_ORDER_INTEL || position % 8 < 7)
        return (int)position + 1;
    return position >= 15 ? (int)position - 15 : -1;
}

static int down(unsigned position, enum lt_order order)
{
    if (order == LT_ORDER_INTEL || position % 8 > 0)
        return (int)position - 1;
    return (int)position + 15;
}

static int msb_of(const struct seek_window *window)
{
    int at = window->lsb;
    for (unsigned n = 1; n < window->length; n++)
        at = up((unsigned)at, window->order);
    return at;
}

struct lt_bits seek_window_bits(const struct seek_window *window)
{
    return (struct lt_bits){1, {{(uint16_t)msb_of(window), window->lsb}}};
}

bool seek_window_value(const struct seek_window *window, const struct lt_bits *bits, size_t row,
                       double *ret_value)
{
    uint64_t raw = lt_bits_get(lt_kept_row(&window->view->kept, row), bits);
    uint64_t ones = ((uint64_t)1 << window->length) - 1; /* at most 32 bits */
    if (window->sign == LT_UNSIGNED && window->length >= SEEK_CODE_BITS && raw == ones)
        return false;
    *ret_value = (double)raw;
    if (window->sign == LT_SIGN_MAGNITUDE) {
        uint64_t size = raw & ones >> 1;
        *ret_value = raw == size ? (double)size : -(double)size;
    }
    if (window->sign == LT_TWOS && raw >> (window->length - 1) & 1)
        *ret_value -= ldexp(1, window->length);
    return true;
}

double seek_loss(const struct seek_window *window, const struct seek_course *course,
                 const uint32_t *rows, double *ret_r)
{
    struct lt_bits bits = seek_window_bits(window);
    double n = 0, mx = 0, my = 0, xx = 0, yy = 0, xy = 0, x;
    for (size_t i = 0; i < course->count; i++) {
        if (rows[i] == SEEK_NO_ROW || !seek_window_value(window, &bits, rows[i], &x))
            continue;
        double y = course->value[i], dx = x - mx, dy = y - my;
        n++;
        mx += dx / n;
        my += dy / n;
        xx += dx * (x - mx);
        yy += dy * (y - my);
        xy += dx * (y - my);
    }
    *ret_r = xx > 0 && yy > 0 ? xy / sqrt(xx * yy) : 0;
    double loss = 1 - *ret_r * *ret_r;
    return loss > 1e-12 ? loss : 1e-12;
}

/* What the bit does at the frames' own rate, against the window above it. */
struct carry {
    double c, error;           /* and its standard error */
    double least;              /* c of a digit; of bends the weights take some off it */
    double against;            /* of steps in which both move: opposite less alike */
    double flips, flips_above; /* of the bit and of the window's last bit, over all steps */
};

/* Sums over steps, and over bends: what is between a row and the mean of its neighbours. A number
 * that moves by many steps from frame to frame drowns the carry in its own motion; bends are free
 * of that, and c is the same for them. */
struct carry_sums {
    double steps, flips, above, opposite, both;
    double sum, squares;
    double bend_bits, bend_sum, bend_squares;
};

struct carry_row {
    bool known;
    double value, bit;
};

static void add_step(struct carry_sums *sums, const struct carry_row *now,
                     const struct carry_row *before)
{
    double product = (now->value - before->value) * (now->bit - before->bit);
    sums->steps++;
    sums->sum += product;
    sums->squares += product * product;
    sums->opposite += (product < 0) - (product > 0);
    sums->both += product != 0;
    sums->flips += now->bit != before->bit;
    sums->above += ((uint64_t)(int64_t)now->value ^ (uint64_t)(int64_t)before->value) & 1;
}

/* A bend of the value and of the bit. */
struct carry_bend {
    bool known;
    double before, value, bit; /* before: of the value, the bend before it */
};

static struct carry_bend bend_of(const struct carry_row *now, const struct carry_row *before,
                                 const struct carry_row *first)
{
    return (struct carry_bend){.known = true,
                               .value = before->value - (now->value + first->value) / 2,
                               .bit = before->bit - (now->bit + first->bit) / 2};
}

/* Wide bends come in runs, and a number that is written more often than it is measured has two at
 * each of its steps: a bend beside a wide one weighs less. */
static void add_bend(struct carry_sums *sums, const struct carry_bend *bend, double after)
{
    double beside = fmax(fabs(bend->before), fabs(after)), weight = 1 / (1 + beside * beside);
    double product = weight * bend->value * bend->bit;
    sums->bend_bits += weight * bend->bit * bend->bit;
    sums->bend_sum += product;
    sums->bend_squares += product * product;
}

static struct carry carry_from(const struct carry_sums *sums)
{
    if (!(sums->flips > 0))
        return (struct carry){.c = 0, .error = INFINITY};
    struct carry carry = {.c = -sums->sum / (sums->flips / 2),
                          .error = sqrt(sums->squares) / (sums->flips / 2),
                          .least = CARRY_LEAST,
                          .against = sums->both > 0 ? sums->opposite / sums->both : 0,
                          .flips = sums->flips / sums->steps,
                          .flips_above = sums->above / sums->steps};
    double error =
        sums->bend_bits > 0 ? sqrt(sums->bend_squares) / (sums->bend_bits / 2) : INFINITY;
    if (carry.error > CARRY_ERROR && error < carry.error) {
        carry.c = -sums->bend_sum / (sums->bend_bits / 2);
        carry.error = error;
        carry.least = BEND_LEAST;
    }
    return carry;
}

static struct carry carry_of(const struct seek_window *window, int bit)
{
    const struct lt_kept *kept = &window->view->kept;
    struct lt_bits bits = seek_window_bits(window);
    struct lt_bits one = {1, {{(uint16_t)bit, (uint16_t)bit}}};
    struct carry_sums sums = {0};
    struct carry_row now = {0}, before = {0}, first = {0};
    struct carry_bend last = {0}, bend;
    bool before_follows = false;
    size_t skip = kept->count / CARRY_ROWS + 1;
    for (size_t i = 0; i < kept->count; i++) {
        if (i / CARRY_RUN % skip) { /* of many rows some runs */
            before.known = false;
            continue;
        }
        now.known = seek_window_value(window, &bits, i, &now.value);
        now.bit = (double)lt_bits_get(lt_kept_row(kept, i), &one);
        bool follows = now.known && before.known && kept->flags[i] & LT_KEPT_FOLLOWS;
        if (follows)
            add_step(&sums, &now, &before);
        bend = (struct carry_bend){0};
        if (follows && before_follows) {
            bend = bend_of(&now, &before, &first);
            if (last.known)
                add_bend(&sums, &last, bend.value);
            bend.before = last.known ? last.value : 0;
        }
        last = bend;
        first = before;
        before = now;
        before_follows = follows;
    }
    return carry_from(&sums);
}

static bool is_free(const struct seek_window *window, int bit)
{
    return bit >= 0 && bit < 8 * (int)window->view->kept.key.length &&
           !lt_bit_set_has(&window->view->taken, (unsigned)bit);
}

static bool is_digit(const struct carry *carry)
{
    if (!(carry->flips > 0))
        return false;
    if (carry->error <= CARRY_ERROR)
        return carry->c >= carry->least ||
               /* It rests where the bit flips more often than the number above it steps. */
               (carry->c >= CARRY_SOME && carry->c >= CARRY_SURE * carry->error &&
                carry->against >= CARRY_AGAINST && carry->flips >= FLIPS_KEPT * carry->flips_above);
    /* Too fast for the carry to be seen clearly, or at all. */
    if (carry->error <= CARRY_DIM && carry->c < carry->least - CARRY_DOUBT * carry->error)
        return false;
    return carry->flips >= FLIPS_KEPT * carry->flips_above &&
           (carry->error > CARRY_BLIND || carry->c > -2 * carry->error);
}

/* Is -1 the only number below zero? Then it is the code for no value of an unsigned number. */
static bool is_code_alone(const struct seek_window *window)
{
    const struct lt_kept *kept = &window->view->kept;
    struct lt_bits bits = seek_window_bits(window);
    uint64_t ones = ((uint64_t)1 << window->length) - 1;
    for (size_t i = 0; i < kept->count; i++) {
        uint64_t raw = lt_bits_get(lt_kept_row(kept, i), &bits);
        if (raw >> (window->length - 1) & 1 && raw != ones)
            return false;
    }
    return window->length >= SEEK_CODE_BITS;
}

/* Bits on top that are the same in all frames but those with a code. */
static void strip_top(struct seek_window *window)
{
    const struct lt_kept *kept = &window->view->kept;
    struct lt_bits bits = seek_window_bits(window);
    uint64_t all = UINT64_MAX, any = 0, ones = ((uint64_t)1 << window->length) - 1;
    if (window->sign == LT_TWOS && is_code_alone(window))
        window->sign = LT_UNSIGNED;
    for (size_t i = 0; i < kept->count; i++) {
        uint64_t raw = lt_bits_get(lt_kept_row(kept, i), &bits);
        if (raw == ones && window->sign == LT_UNSIGNED && window->length >= SEEK_CODE_BITS)
            continue;
        all &= raw;
        any |= raw;
    }
    while (window->length > 1 && !((any & ~all) >> (window->length - 1) & 1)) {
        window->length--;
        window->sign = LT_UNSIGNED;
    }
}

/* Does the bit next to never move beside the window above it? */
static bool is_dead(const struct seek_window *above, int bit)
{
    struct carry carry = carry_of(above, bit);
    return carry.flips <= FLIPS_DEAD * carry.flips_above;
}

/* The shortest part from the top that correlates as well as any. */
static void find_core(struct seek_window *window, const struct seek_course *course,
                      const uint32_t *rows, double *ret_loss)
{
    double loss[LT_WINDOW_MAX + 1] = {0}, best = INFINITY, r;
    struct seek_window part[LT_WINDOW_MAX + 1];
    unsigned most = window->length;
    part[most] = *window;
    for (unsigned length = most; length >= 1; length--) {
        loss[length] = seek_loss(&part[length], course, rows, &r);
        best = loss[length] < best ? loss[length] : best;
        if (length > 1) {
            part[length - 1] = part[length];
            part[length - 1].lsb = (uint16_t)up(part[length].lsb, window->order);
            part[length - 1].length--;
        }
    }
    unsigned length = 1;
    while (length < most && loss[length] > CORE_LOSS * best)
        length++;
    /* A bit that moves with a code alone only makes another number of the end of the scale. */
    while (length > 1 && is_dead(&part[length - 1], (int)part[length].lsb))
        length--;
    *window = part[length];
    *ret_loss = loss[length];
}

static void extend_down(struct seek_window *window, const struct seek_course *course,
                        const uint32_t *rows, double core_loss)
{
    /* A reference that is rounded fits the part of the number that it shows best of all. */
    double part = course->sd > 0 ? course->quantum / course->sd : 0, rounded = part * part / 6;
    while (window->length < LT_WINDOW_MAX) {
        int bit = down(window->lsb, window->order);
        if (!is_free(window, bit))
            return;
        struct carry carry = carry_of(window, bit);
        struct seek_window longer = *window;
        longer.lsb = (uint16_t)bit;
        longer.length++;
        double r, loss = seek_loss(&longer, course, rows, &r);
        if (!is_digit(&carry) || loss > EXTEND_LOSS * core_loss + rounded)
            return;
        *window = longer;
        window->r = r;
    }
}

/* Where its top bit flips, does the number go on from about where it was? A flag beside it makes it
 * jump by half its range. */
static bool goes_on(const struct seek_window *window)
{
    const struct lt_kept *kept = &window->view->kept;
    struct lt_bits bits = seek_window_bits(window);
    struct lt_bits top = {1, {{bits.part[0].msb, bits.part[0].msb}}};
    double half = ldexp(1, window->length - 2), before = 0, value = 0;
    uint64_t bit_before = 0;
    bool known_before = false;
    size_t on = 0, jumps = 0;
    for (size_t i = 0; i < kept->count; i++) {
        bool known = seek_window_value(window, &bits, i, &value);
        uint64_t bit = lt_bits_get(lt_kept_row(kept, i), &top);
        if (known && known_before && bit != bit_before && kept->flags[i] & LT_KEPT_FOLLOWS) {
            on += fabs(value - before) < half;
            jumps += fabs(value - before) >= half;
        }
        known_before = known;
        before = value;
        bit_before = bit;
    }
    return on > jumps;
}

/* The window with one more bit on top, read as `sign`, where that bit moves and the window follows
 * the reference no worse. */
static bool try_up(struct seek_window *window, enum lt_sign sign, double *loss,
                   const struct seek_course *course, const uint32_t *rows)
{
    struct seek_window longer = *window;
    double r;
    longer.length++;
    longer.sign = sign;
    struct seek_window stripped = longer;
    strip_top(&stripped);
    if (stripped.length < longer.length)
        return false;
    double now = seek_loss(&longer, course, rows, &r);
    /* Where the reference does not see the bit move, its frames have to say that it is one of it.
     */
    if (now > *loss * (1 + 1e-9) || (now > *loss * (1 - 1e-9) && !goes_on(&longer)))
        return false;
    *window = longer;
    window->r = r;
    *loss = now;
    return true;
}

static void extend_up(struct seek_window *window, const struct seek_course *course,
                      const uint32_t *rows)
{
    double loss = seek_loss(window, course, rows, &window->r);
    while (window->length < LT_WINDOW_MAX) {
        int bit = up((unsigned)msb_of(window), window->order);
        if (!is_free(window, bit))
            return;
        if (!try_up(window, LT_UNSIGNED, &loss, course, rows) &&
            !try_up(window, LT_TWOS, &loss, course, rows))
            return;
    }
}

static bool inside_byte(const struct seek_window *window)
{
    return msb_of(window) / 8 == window->lsb / 8;
}

bool seek_to_edge(const struct seek_window *window, struct seek_window *ret_longer)
{
    struct seek_window longer = *window;
    while (longer.lsb % 8 != 0) {
        int bit = down(longer.lsb, longer.order);
        if (!is_free(&longer, bit) || !lt_bit_set_has(&window->view->moving, (unsigned)bit) ||
            longer.length == LT_WINDOW_MAX)
            return false;
        longer.lsb = (uint16_t)bit;
        longer.length++;
    }
    *ret_longer = longer;
    return longer.length > window->length && longer.length <= window->length + EDGE_BITS;
}

/* Inside one byte the order is not known yet: bits of either neighbour may be on top. */
static void find_top(struct seek_window *window, const struct seek_course *course,
                     const uint32_t *rows)
{
    struct seek_window other = *window;
    bool either = inside_byte(window);
    double r;
    extend_up(window, course, rows);
    if (!either)
        return;
    other.order = window->order == LT_ORDER_INTEL ? LT_ORDER_MOTOROLA : LT_ORDER_INTEL;
    extend_up(&other, course, rows);
    if (other.length > window->length &&
        seek_loss(&other, course, rows, &r) <= seek_loss(window, course, rows, &r) * (1 + 1e-9))
        *window = other;
}

void seek_ends_find(struct seek_window *window, const struct seek_course *course,
                    const uint32_t *rows)
{
    double core_loss, r;
    strip_top(window);
    find_top(window, course, rows);
    find_core(window, course, rows, &core_loss);
    find_top(window, course,
             rows); /* what is left may lie in one byte, with more on its other side */
    struct seek_window other = *window;
    extend_down(window, course, rows, core_loss);
    if (inside_byte(&other)) {
        other.order = window->order == LT_ORDER_INTEL ? LT_ORDER_MOTOROLA : LT_ORDER_INTEL;
        extend_down(&other, course, rows, core_loss);
        double loss_other = seek_loss(&other, course, rows, &r),
               loss = seek_loss(window, course, rows, &r);
        if (other.length > window->length || (other.length == window->length && loss_other < loss))
            *window = other;
    }
    seek_loss(window, course, rows, &r);
    window->r = r;
}
