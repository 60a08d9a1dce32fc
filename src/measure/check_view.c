/* The frames as the search for checksums sees them: each different frame once, which bits move, how
 * often they flip when the frame changes at all, and samples of all that.
 *
 * A check is a function of the rest of its frame, so a frame that repeats tells nothing new; and a
 * frame that is sent on a change, or hardly ever changes, is judged by its changes alone. */
#include <math.h>
#include <string.h>

#include "measure/check_inside.h"

#define SURE_MIN 16u

/* Steps of the splitmix64 generator (Steele, Lea, Flood, OOPSLA 2014); the seed is fixed, so that
 * the same frames give the same answer. */
uint32_t check_random(struct check_view *view, uint32_t below)
{
    uint64_t z = view->random += 0x9E3779B97F4A7C15u;
    z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9u;
    z = (z ^ z >> 27) * 0x94D049BB133111EBu;
    z ^= z >> 31;
    return (uint32_t)((z >> 32) * below >> 32);
}

static uint64_t hash_row(const uint8_t *bytes, unsigned length)
{
    uint64_t hash = 0x9E3779B97F4A7C15u, word;
    for (unsigned at = 0; at < length; at += 8) {
        unsigned n = length - at < 8 ? length - at : 8;
        word = 0;
        memcpy(&word, bytes + at, n);
        hash = (hash ^ word) * 0xBF58476D1CE4E5B9u;
        hash ^= hash >> 29;
    }
    return hash ^ hash >> 32;
}

/* The different frames, by a hash table with open addressing. */
static bool collect_distinct(struct check_view *view)
{
    const struct lt_kept *kept = view->kept;
    size_t slots = 16;
    while (slots < 2 * kept->count)
        slots *= 2;
    uint32_t *slot = lt_arena_array(view->scratch, slots, sizeof *slot); /* index + 1 */
    view->row = lt_arena_array(view->scratch, kept->count, sizeof *view->row);
    view->times = lt_arena_array(view->scratch, kept->count, sizeof *view->times);
    if (!slot || !view->row || !view->times)
        return false;
    for (size_t r = 0; r < kept->count; r++) {
        const uint8_t *bytes = lt_kept_row(kept, r);
        size_t at = (size_t)hash_row(bytes, view->length) & (slots - 1);
        while (slot[at] && memcmp(check_bytes(view, slot[at] - 1), bytes, view->length) != 0)
            at = (at + 1) & (slots - 1);
        if (!slot[at]) {
            view->row[view->count] = (uint32_t)r;
            slot[at] = (uint32_t)++view->count;
        }
        view->times[slot[at] - 1]++;
    }
    return true;
}

static bool collect_sure(struct check_view *view)
{
    view->sure = lt_arena_array(view->scratch, view->count, sizeof *view->sure);
    for (size_t i = 0; view->sure && i < view->count; i++) {
        if (view->times[i] > 1)
            view->sure[view->sure_count++] = (uint32_t)i;
    }
    return view->sure != NULL;
}

static void find_moving(struct check_view *view)
{
    const uint8_t *first = check_bytes(view, 0);
    for (size_t i = 1; i < view->count; i++) {
        const uint8_t *bytes = check_bytes(view, i);
        for (unsigned b = 0; b < view->length; b++)
            view->moves[b] |= bytes[b] ^ first[b];
    }
    for (unsigned p = 0; p < 8 * view->length; p++) {
        if (view->moves[p / 8] >> p % 8 & 1) {
            lt_bit_set_add(&view->moving, p);
            view->moving_count++;
        }
    }
}

static void fill_look(struct check_view *view)
{
    size_t stride = (view->count + CHECK_LOOK - 1) / CHECK_LOOK;
    for (size_t i = 0; i < view->count; i += stride, view->looked++) {
        const uint8_t *bytes = check_bytes(view, i);
        for (unsigned b = 0; b < view->length; b++) {
            for (unsigned set = bytes[b] & view->moves[b]; set; set &= set - 1)
                view->look[8 * b + (unsigned)__builtin_ctz(set)][view->looked / 64] |=
                    (uint64_t)1 << view->looked % 64;
        }
    }
}

/* Bits of which one value is rarer than one frame in 64, and frames that have it. */
static void find_rare(struct check_view *view)
{
    uint32_t ones[CHECK_POSITIONS] = {0};
    size_t stride = view->count / 1024 + 1, looked = 0;
    for (size_t i = 0; i < view->count; i += stride, looked++) {
        const uint8_t *bytes = check_bytes(view, i);
        for (unsigned b = 0; b < view->length; b++) {
            for (unsigned set = bytes[b] & view->moves[b]; set; set &= set - 1)
                ones[8 * b + (unsigned)__builtin_ctz(set)]++;
        }
    }
    uint8_t usual[64] = {0}, mask[64] = {0}, index[CHECK_POSITIONS] = {0};
    for (unsigned p = 0; p < 8 * view->length; p++) {
        bool mostly_one = 2 * ones[p] > looked;
        size_t fewer = mostly_one ? looked - ones[p] : ones[p];
        usual[p / 8] |= (uint8_t)(mostly_one << p % 8);
        if (!lt_bit_set_has(&view->moving, p) || 64 * fewer > looked || view->rare_count == 64)
            continue;
        mask[p / 8] |= (uint8_t)(1u << p % 8);
        index[p] = (uint8_t)view->rare_count;
        view->rare[view->rare_count++].position = (uint16_t)p;
    }
    for (size_t i = 0; view->rare_count && i < view->count; i++) {
        const uint8_t *bytes = check_bytes(view, i);
        for (unsigned b = 0; b < view->length; b++) {
            for (unsigned set = (bytes[b] ^ usual[b]) & mask[b]; set; set &= set - 1) {
                unsigned n = index[8 * b + (unsigned)__builtin_ctz(set)];
                uint64_t seen = view->rare[n].seen++;
                uint32_t at = seen < 4 ? (uint32_t)seen : check_random(view, (uint32_t)seen + 1);
                if (at < 4)
                    view->rare[n].at[at] = (uint32_t)i;
            }
        }
    }
}

/* At most some thousand rows, in runs. */
static bool is_looked_at(const struct lt_kept *kept, size_t row, bool all)
{
    size_t runs = kept->count / 4096 + 1;
    return row / 256 % runs == 0 && (all || (kept->flags[row] & LT_KEPT_FOLLOWS));
}

/* Flips and steps of neighbouring frames. */
static void measure_steps(struct check_view *view, bool all)
{
    const struct lt_kept *kept = view->kept;
    uint64_t flips[CHECK_POSITIONS] = {0}, count = 0;
    int64_t sum[64] = {0}, square[64] = {0}, step[64] = {0};
    view->changes = 0;
    for (size_t r = 1; r < kept->count; r++) {
        if (!is_looked_at(kept, r, all))
            continue;
        const uint8_t *bytes = lt_kept_row(kept, r), *before = lt_kept_row(kept, r - 1);
        if (memcmp(bytes, before, view->length) == 0)
            continue;
        view->changes++;
        count++;
        for (unsigned b = 0; b < view->length; b++) {
            int64_t d = (int64_t)bytes[b] - before[b];
            sum[b] += bytes[b];
            square[b] += (int64_t)bytes[b] * bytes[b];
            step[b] += d * d;
            for (unsigned set = bytes[b] ^ before[b]; set; set &= set - 1)
                flips[8 * b + (unsigned)__builtin_ctz(set)]++;
        }
    }
    for (unsigned p = 0; p < 8 * view->length; p++)
        view->rough[p] = count ? (double)flips[p] / (double)count : 0.0;
    for (unsigned b = 0; b < view->length; b++) {
        double n = (double)count, mean = count ? (double)sum[b] / n : 0.0;
        double variance = count ? (double)square[b] / n - mean * mean : 0.0;
        view->eta[b] = variance > 0.0 ? (double)step[b] / n / variance : 0.0;
    }
}

static void add_chooser(struct check_view *view, struct lt_span span, uint32_t modulus)
{
    struct lt_bits bits = {1, {span}};
    unsigned length = lt_span_length(span);
    if (view->chooser_count == CHECK_CHOOSERS || length < 2)
        return;
    /* The bits above the lowest four do not choose. */
    view->chooser[view->chooser_count++] =
        (struct check_chooser){.present = true,
                               .bits = bits,
                               .classes = length < 4 ? 1u << length : 16,
                               .modulus = modulus};
}

static void add_choosers(struct check_view *view, const struct lt_counter_found *counters,
                         size_t counter_count)
{
    struct lt_span usual = {11, 8}; /* low nibble of byte 1: AUTOSAR E2E profiles 1 and 2 */
    struct lt_bits usual_bits = {1, {usual}};
    view->chooser[view->chooser_count++] = (struct check_chooser){.classes = 1};
    for (size_t i = 0; i < counter_count; i++) {
        struct lt_bits bits = {1, {counters[i].bits}};
        lt_bit_set_add_bits(&view->counters, &bits);
        if (lt_span_length(counters[i].bits) > 3)
            lt_bit_set_add_bits(&view->long_counters, &bits);
        if (view->chooser_count < CHECK_CHOOSERS - 1)
            add_chooser(view, counters[i].bits, counters[i].modulus);
    }
    if (view->length >= 2 && (view->moves[1] & 0xF) == 0xF &&
        !lt_bit_set_meets(&view->counters, &usual_bits))
        add_chooser(view, usual, 0);
}

bool check_view_make(struct check_view *view, const struct lt_kept *kept,
                     const struct lt_counter_found *counters, size_t counter_count,
                     const struct lt_bit_set *taken, struct lt_arena *scratch,
                     struct lt_arena *arena)
{
    *view = (struct check_view){.kept = kept,
                                .length = kept->key.length,
                                .scratch = scratch,
                                .arena = arena,
                                .random = 0x6C6F6F6D746170u};
    if (taken)
        view->taken = *taken;
    if (kept->count == 0 || kept->key.length == 0)
        return true;
    view->table = lt_arena_alloc(scratch, check_table_bytes(view->length));
    if (!view->table || !collect_distinct(view) || !collect_sure(view))
        return false;
    find_moving(view);
    fill_look(view);
    find_rare(view);
    measure_steps(view, false);
    if (view->changes < 16)
        measure_steps(view, true);
    add_choosers(view, counters, counter_count);
    return true;
}

unsigned check_class(const struct check_chooser *chooser, const uint8_t *bytes)
{
    if (!chooser->present)
        return 0;
    return (unsigned)lt_bits_get(bytes, &chooser->bits) % chooser->classes;
}

unsigned check_moving_bits(const struct check_view *view, const struct lt_bits *place)
{
    unsigned width = lt_bits_length(place), count = 0;
    for (unsigned n = 0; n < width; n++)
        count += lt_bit_set_has(&view->moving, lt_span_position(place->part[0], n));
    return count;
}

double check_roughness(const struct check_view *view, const struct lt_bits *place)
{
    unsigned width = lt_bits_length(place);
    double sum = 0.0;
    for (unsigned n = 0; n < width; n++)
        sum += view->rough[lt_span_position(place->part[0], n)];
    return sum / width;
}

double check_restlessness(const struct check_view *view, const struct lt_bits *place)
{
    unsigned width = lt_bits_length(place);
    double sum = 0.0;
    for (unsigned n = 0; n < width; n++) {
        double rough = view->rough[lt_span_position(place->part[0], n)];
        sum += rough > 0.5 ? 1.0 - rough : rough;
    }
    return sum / width;
}

bool check_is_free(const struct check_view *view, const struct lt_bits *place)
{
    return !lt_bit_set_meets(&view->counters, place) && !lt_bit_set_meets(&view->taken, place);
}

bool check_is_free_of_long(const struct check_view *view, const struct lt_bits *place)
{
    return !lt_bit_set_meets(&view->long_counters, place) && !lt_bit_set_meets(&view->taken, place);
}

void check_sample_draw(struct check_view *view, unsigned wanted, enum check_sampling sampling,
                       struct check_sample *ret_sample)
{
    size_t enough = wanted < view->count / 2 ? wanted : view->count / 2;
    bool sure =
        sampling == CHECK_SAMPLE_SURE && view->sure_count >= SURE_MIN && view->sure_count >= enough;
    size_t count = sure ? view->sure_count : view->count;
    if (wanted > CHECK_SAMPLE_MAX - 64)
        wanted = CHECK_SAMPLE_MAX - 64;
    if (wanted > count)
        wanted = (unsigned)count;
    ret_sample->count = 0;
    for (unsigned n = 0; sampling == CHECK_SAMPLE_RARE && n < view->rare_count; n++) {
        uint32_t have = view->rare[n].seen < 4 ? (uint32_t)view->rare[n].seen : 4;
        if (have && count > wanted)
            ret_sample->at[ret_sample->count++] = view->rare[n].at[check_random(view, have)];
    }
    /* One from each of as many equal parts, so that the whole recording is there. */
    for (unsigned n = 0; n < wanted; n++) {
        size_t from = count * n / wanted, to = count * (n + 1) / wanted;
        uint32_t at = (uint32_t)(from + check_random(view, (uint32_t)(to - from)));
        ret_sample->at[ret_sample->count++] = sure ? view->sure[at] : at;
    }
}

void check_pairs_draw(struct check_view *view, const struct check_sample *sample,
                      const struct check_chooser *chooser, struct check_pairs *ret_pairs)
{
    ret_pairs->count = 0;
    for (unsigned tries = 0; tries < 40 * CHECK_PAIRS && ret_pairs->count < CHECK_PAIRS; tries++) {
        uint32_t a = sample->at[check_random(view, sample->count)];
        uint32_t b = sample->at[check_random(view, sample->count)];
        if (a == b || check_class(chooser, check_bytes(view, a)) !=
                          check_class(chooser, check_bytes(view, b)))
            continue;
        ret_pairs->a[ret_pairs->count] = a;
        ret_pairs->b[ret_pairs->count++] = b;
    }
}

/* A difference modulo 2^bits, the nearer way round. */
static int modulo(int difference, unsigned bits)
{
    int half = 1 << (bits - 1), whole = 2 * half;
    return ((difference + half) & (whole - 1)) - half;
}

struct check_part {
    unsigned byte, shift, width; /* bits of one byte */
};

static int part_of(const uint8_t *bytes, const struct check_part *part)
{
    return bytes[part->byte] >> part->shift & ((1 << part->width) - 1);
}

/* When the upper part of a number steps up, its lower byte falls: by nearly all its range where the
 * number moves slowly, and by 256 / 6 on the mean however fast it moves. Of what is independent the
 * mean of the product is 0. The upper part may be a few bits of its byte, and goes on from -1 to 0:
 * so steps are taken modulo 2^2, 2^4 and 2^8. */
static bool carries(const struct check_view *view, const struct check_part *low,
                    const struct check_part *high)
{
    static const unsigned widths[] = {2, 4, 8};
    const struct lt_kept *kept = view->kept;
    double steps[3] = {0}, sum[3] = {0}, square[3] = {0}, against[3] = {0}, with[3] = {0};
    int range = 1 << low->width, half = range / 2;
    for (size_t r = 1; r < kept->count; r++) {
        if (!is_looked_at(kept, r, false))
            continue;
        const uint8_t *bytes = lt_kept_row(kept, r), *before = lt_kept_row(kept, r - 1);
        int up = part_of(bytes, high) - part_of(before, high);
        int along = part_of(bytes, low) - part_of(before, low);
        for (unsigned k = 0; up != 0 && k < 3 && widths[k] <= high->width; k++) {
            int step = modulo(up, widths[k]);
            if (step == 0 || step < -4 || step > 4 || step == -(1 << (widths[k] - 1)))
                continue;
            double product = (double)step * along;
            steps[k]++;
            sum[k] += product;
            square[k] += product * product;
            against[k] += step > 0 ? along <= -half : along >= half;
            with[k] += step > 0 ? along >= half : along <= -half;
        }
    }
    for (unsigned k = 0; k < 3; k++) {
        bool often = steps[k] >= 30.0 && sum[k] < -20.0 / 256.0 * range * steps[k] &&
                     sum[k] < -5.0 * sqrt(square[k]);
        /* Seldom, but then it falls by more than half its range nearly every time. */
        if (often ||
            (against[k] >= 12.0 && 2.0 * against[k] > steps[k] && 8.0 * with[k] <= against[k]))
            return true;
    }
    return false;
}

bool check_carries(const struct check_view *view, unsigned low, unsigned high)
{
    return carries(view, &(struct check_part){low, 0, 8}, &(struct check_part){high, 0, 8});
}

bool check_nibble_carries(const struct check_view *view, unsigned lsb)
{
    unsigned byte = lsb / 8, last = view->length - 1u;
    const struct check_part low = {byte, lsb % 8, 4};
    if (low.shift == 0)
        return carries(view, &low, &(struct check_part){byte, 4, 4});
    return (byte > 0 && carries(view, &low, &(struct check_part){byte - 1, 0, 8})) ||
           (byte < last && carries(view, &low, &(struct check_part){byte + 1, 0, 8}));
}
