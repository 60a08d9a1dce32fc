/* Checks found from frames alone: every family of core/checksum.h is put into generated frames, and
 * what is found must give the check of frames that the search never saw. And in layouts that have
 * no check, none may be found. */
#include "unit.h"

#include "loomtap/measure/check_solve.h"

#define ROWS_MAX 8000u
#define FRESH    500u

static uint64_t random_state;

static uint64_t next_random(void)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return random_state;
}

static unsigned below(unsigned limit)
{
    return (unsigned)(next_random() >> 20) % limit;
}

/* A frame's quantities: each is a number that drifts, of some bits, somewhere. */
#define NUMBERS_MAX 8u

struct number {
    struct lt_bits bits;
    int64_t value, speed, most;
    unsigned pace; /* steps are up to so much, in units */
};

struct layout {
    struct lt_stream_key key;
    unsigned numbers;
    struct number number[NUMBERS_MAX];
    struct lt_bits counter; /* parts 0: none */
    uint8_t still[64];
    unsigned repeats; /* the same frame so many times more */
};

struct frames {
    struct lt_kept kept;
    uint8_t bytes[ROWS_MAX * 64 + 8];
    uint8_t flags[ROWS_MAX];
    int64_t time_ns[ROWS_MAX];
};

static struct frames frames;

static struct lt_bits place_of(unsigned msb, unsigned lsb)
{
    return (struct lt_bits){1, {{(uint16_t)msb, (uint16_t)lsb}}};
}

static void add_number(struct layout *layout, struct lt_bits bits, unsigned pace)
{
    unsigned width = lt_bits_length(&bits);
    int64_t most = ((int64_t)1 << width) - 1;
    layout->number[layout->numbers++] =
        (struct number){.bits = bits,
                        .most = most,
                        .value = (int64_t)(next_random() & (uint64_t)most),
                        .pace = pace};
}

/* A quantity drifts with noise, turning round at its ends. */
static void move_number(struct number *number)
{
    if (number->pace == 0)
        return;
    if (below(40) == 0)
        number->speed = (int64_t)below(2 * number->pace + 1) - number->pace;
    number->value += number->speed / 4 + (int64_t)below(number->pace + 1) - number->pace / 2;
    if (number->value < 0 || number->value > number->most) {
        number->speed = -number->speed;
        number->value = number->value < 0 ? 0 : number->most;
    }
}

static void put_frame(struct layout *layout, unsigned n, uint8_t *bytes)
{
    memcpy(bytes, layout->still, layout->key.length);
    for (unsigned i = 0; i < layout->numbers; i++) {
        move_number(&layout->number[i]);
        lt_bits_put(bytes, &layout->number[i].bits, (uint64_t)layout->number[i].value);
    }
    if (layout->counter.parts) {
        unsigned width = lt_bits_length(&layout->counter);
        lt_bits_put(bytes, &layout->counter, n & ((1u << width) - 1));
    }
}

static void make_frames(struct layout *layout, const struct lt_checksum *checksum, unsigned count,
                        unsigned spoiled_percent)
{
    unsigned length = layout->key.length;
    frames.kept = (struct lt_kept){.key = layout->key,
                                   .count = count,
                                   .time_ns = frames.time_ns,
                                   .flags = frames.flags,
                                   .bytes = frames.bytes,
                                   .whole = true};
    uint8_t *bytes = frames.bytes;
    for (unsigned n = 0; n < count; n++, bytes += length) {
        if (layout->repeats && n % (layout->repeats + 1))
            memcpy(bytes, bytes - length, length);
        else
            put_frame(layout, n, bytes);
        if (checksum)
            lt_checksum_apply(checksum, bytes, (uint8_t)length, layout->key.id,
                              layout->key.extended);
        if (below(100) < spoiled_percent)
            bytes[below(length)] ^= (uint8_t)(1u << below(8));
        frames.time_ns[n] = (int64_t)n * 10000000;
        frames.flags[n] = n ? LT_KEPT_FOLLOWS | LT_KEPT_NEXT : 0;
    }
}

static size_t find(const struct layout *layout, struct lt_arena *arena,
                   struct lt_check_found found[LT_CHECKS_MAX])
{
    struct lt_counter_found counter = {.modulus = 16, .step = 1, .confidence = 0.99};
    size_t count = 0;
    if (layout->counter.parts) {
        counter.bits = layout->counter.part[0];
        counter.modulus = 1u << lt_bits_length(&layout->counter);
    }
    assert_int_equal(lt_checks_find(&frames.kept, &counter, layout->counter.parts != 0, NULL, arena,
                                    found, &count, NULL),
                     LT_OK);
    return count;
}

static struct lt_checksum parsed(const char *text)
{
    struct lt_checksum checksum;
    struct lt_error error;
    if (lt_checksum_parse(lt_text_of(text), &checksum, &error) != LT_OK)
        fail_msg("%s", text);
    return checksum;
}

static void print_found(const char *text, unsigned seed, const struct lt_check_found *found,
                        size_t count)
{
    print_message("%s, seed %u: %zu found\n", text, seed, count);
    for (size_t i = 0; i < count; i++) {
        char name[400] = "authenticated";
        if (found[i].form == LT_CHECK_FOUND)
            lt_checksum_print(&found[i].checksum, name, sizeof name);
        print_message("   %s  %.2f %u-%u\n", name, found[i].confidence, found[i].place.part[0].msb,
                      found[i].place.part[0].lsb);
    }
}

/* The check found must give those of frames made afterwards, and be the only one. */
static bool finds(struct layout *layout, const char *text, unsigned count, unsigned spoiled,
                  unsigned seed)
{
    struct lt_checksum checksum = parsed(text);
    struct lt_check_found found[LT_CHECKS_MAX];
    struct lt_arena arena;
    bool right = false;
    lt_arena_init(&arena, (size_t)16 << 20);
    make_frames(layout, &checksum, count, spoiled);
    size_t n = find(layout, &arena, found);
    if (n == 1 && found[0].form == LT_CHECK_FOUND) {
        right = found[0].place.part[0].msb == checksum.place.part[0].msb &&
                found[0].place.part[0].lsb == checksum.place.part[0].lsb;
        layout->repeats = 0;
        make_frames(layout, &checksum, FRESH, 0);
        for (size_t i = 0; i < FRESH; i++)
            right &= lt_checksum_verify(&found[0].checksum, lt_kept_row(&frames.kept, i),
                                        layout->key.length, layout->key.id, layout->key.extended);
    }
    if (!right)
        print_found(text, seed, found, n);
    lt_arena_release(&arena);
    return right;
}

/* Eight bytes: a check in byte 0 or 7, a counter in byte 1, a number of 16 bits in 2..3, one of 12
 * bits that ends in the middle of a byte, and one of 8 bits. */
static struct layout usual_layout(unsigned check_byte, bool extended)
{
    struct layout layout = {
        .key = {.id = extended ? 0x0C000003 : 0x123, .extended = extended, .length = 8},
        .counter = place_of(11, 8)};
    add_number(&layout, place_of(23, 24), 60); /* 2.7..3.0 */
    add_number(&layout, place_of(43, 32), 9);  /* Intel, twelve bits */
    add_number(&layout, place_of(55, 48), 3);
    layout.still[check_byte == 7 ? 0 : 7] = 0x5A;
    return layout;
}

static const char *const in_the_last_byte[] = {
    "xor over 0..6 in 7",
    "xor over 0..6 in 7 start 0x5A",
    "sum over 0..6 in 7",
    "sum over 0..6 in 7 start 0x37",
    "sum over 0..6 in 7 complement ones",
    "sum over 0..6 in 7 complement twos",
    "sum over 0..6 in 7 with-id",
    "sum over 0..6 in 7 with-id with-length",
    "crc8-sae-j1850 over 0..6 in 7",
    "crc8-sae-j1850 over 6..0 in 7",
    "crc8-autosar over 0..6 in 7 data-id 0x12,0x34 both after",
    "crc8 over 0..6 in 7 poly 0x9B init 0x11",
    "crc8 over 0..6 in 7 poly 0x9B init 0x11 reflect",
    "crc8-sae-j1850 over 0..6 in 7 data-id 0x12,0x34 alternating after counter 1.3..1.0",
    "crc8-autosar over 0..6 in 7 data-id 1,7,9,3,5,4,6,8,0,2,3,9,1,6,7,5 list counter 1.3..1.0",
};

static unsigned count_missed(const char *const *texts, size_t count, unsigned check_byte,
                             bool extended, unsigned rows, unsigned spoiled)
{
    unsigned missed = 0;
    for (size_t i = 0; i < count; i++) {
        for (unsigned seed = 1; seed <= 8; seed++) {
            random_state = seed * 0x9E3779B97F4A7C15u;
            struct layout layout = usual_layout(check_byte, extended);
            missed += !finds(&layout, texts[i], rows, spoiled, seed);
        }
    }
    return missed;
}

#define COUNT(list) (sizeof(list) / sizeof(list)[0])

static void checks_in_the_last_byte(void **state)
{
    (void)state;
    assert_int_equal(count_missed(in_the_last_byte, COUNT(in_the_last_byte), 7, false, 3000, 0), 0);
}

static void checks_in_short_recordings(void **state)
{
    (void)state;
    assert_int_equal(count_missed(in_the_last_byte, COUNT(in_the_last_byte), 7, false, 600, 0), 0);
}

static void checks_among_spoiled_frames(void **state)
{
    (void)state;
    assert_int_equal(count_missed(in_the_last_byte, COUNT(in_the_last_byte), 7, false, 3000, 1), 0);
}

static void checks_in_the_first_byte(void **state)
{
    static const char *const texts[] = {
        "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both",
        "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 low",
        "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating",
        "e2e-p2 over 1..7 in 0 data-id 1,7,22,3,94,35,66,7,8,91,10,211,12,13,14,15 list",
        "xor over 1..7 in 0",
        "sum over 1..7 in 0",
        "crc8-sae-j1850 over 1..7 in 0",
    };
    (void)state;
    assert_int_equal(count_missed(texts, COUNT(texts), 0, false, 3000, 0), 0);
}

/* No check: numbers, copies, complements, a counter, totals of two numbers. */
static void frames_without_checks_give_none(void **state)
{
    unsigned wrong = 0;
    (void)state;
    for (unsigned seed = 1; seed <= 300; seed++) {
        struct lt_check_found found[LT_CHECKS_MAX];
        struct lt_arena arena;
        random_state = seed * 0x9E3779B97F4A7C15u;
        struct layout layout = {.key = {.id = 0x200, .length = 8}};
        for (unsigned at = 0; at < 48;) {
            unsigned width = 4 + below(13);
            add_number(&layout, place_of(at + width - 1, at),
                       below(3) ? 1 + below(1u << width / 2) : 0);
            at += width;
            if (layout.numbers == NUMBERS_MAX)
                break;
        }
        lt_arena_init(&arena, (size_t)16 << 20);
        make_frames(&layout, NULL, 2000, 0);
        for (unsigned n = 0; n < 2000; n++) { /* the last byte hangs on others as quantities do */
            uint8_t *bytes = frames.bytes + 8 * n;
            bytes[7] = (uint8_t)(seed % 4 == 0   ? bytes[1] + 0u
                                 : seed % 4 == 1 ? 255u - bytes[2]
                                 : seed % 4 == 2 ? (bytes[1] + bytes[3]) / 2u
                                                 : (n & 15));
        }
        size_t count = find(&layout, &arena, found);
        if (count)
            print_found("nothing", seed, found, count);
        wrong += count != 0;
        lt_arena_release(&arena);
    }
    assert_int_equal(wrong, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(checks_in_the_last_byte),
        cmocka_unit_test(checks_in_short_recordings),
        cmocka_unit_test(checks_among_spoiled_frames),
        cmocka_unit_test(checks_in_the_first_byte),
        cmocka_unit_test(frames_without_checks_give_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
