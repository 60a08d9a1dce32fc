/* Checks inside frames: computing, verifying, storing.
 *
 * Sources: AUTOSAR "PRS E2E Protocol" (profiles 1, 2, 5), SAE J1939-71 as publicly quoted (TSC1,
 * XBR). xor, sum, nibble-sum are common practice; which bytes enter is the car maker's choice, so
 * all of that is settings. The order of the bytes stands in the header.
 *
 * Every compute first gathers the bytes in processing order into one small array and then runs one
 * algorithm over it. Definitions come checked (lt_checksum_check): nothing here looks again. */
#include <assert.h>

#include "core/checksum_rules.h"

static const char *const family_names[] = {
    [LT_CHECK_XOR] = "xor",
    [LT_CHECK_SUM] = "sum",
    [LT_CHECK_NIBBLE_SUM] = "nibble-sum",
    [LT_CHECK_CRC8] = "crc8",
    [LT_CHECK_CRC16] = "crc16",
    [LT_CHECK_E2E_P1] = "e2e-p1",
    [LT_CHECK_E2E_P2] = "e2e-p2",
    [LT_CHECK_E2E_P5] = "e2e-p5",
    [LT_CHECK_J1939_TSC1] = "j1939-tsc1",
    [LT_CHECK_J1939_XBR] = "j1939-xbr",
    [LT_CHECK_AFFINE] = "affine",
};

const char *lt_check_family_name(enum lt_check_family family)
{
    return family_names[family];
}

/* The profile's CRC of AUTOSAR E2E. Profile 1 calls the SAE J1850 routine with start value and
 * final XOR cancelled: its effective start and XOR are 00, not FF. */
static const struct lt_crc e2e_p1 = {"e2e-p1", 8, 0x1D, 0x00, 0x00, false, 0};
static const struct lt_crc e2e_p2 = {"e2e-p2", 8, 0x2F, 0xFF, 0xFF, false, 0};
static const struct lt_crc e2e_p5 = {"e2e-p5", 16, 0x1021, 0xFFFF, 0x0000, false, 0};

const struct lt_bits *lt_check_counter(const struct lt_checksum *checksum, struct lt_bits *room)
{
    if (checksum->has_counter)
        return &checksum->counter;
    uint16_t byte;
    if (checksum->family == LT_CHECK_E2E_P1 || checksum->family == LT_CHECK_E2E_P2)
        byte = 1;
    else if (check_is_j1939(checksum->family))
        byte = checksum->place.part[0].lsb / 8;
    else
        return NULL;
    *room = (struct lt_bits){1, {{(uint16_t)(8 * byte + 3), (uint16_t)(8 * byte)}}};
    return room;
}

bool lt_check_uses_counter(const struct lt_checksum *checksum)
{
    return check_is_j1939(checksum->family) ||
           (checksum->data_id_count > 0 && (checksum->data_id_mode == LT_DATA_ID_ALTERNATING ||
                                            checksum->data_id_mode == LT_DATA_ID_LIST));
}

static uint64_t counter_value(const struct lt_checksum *checksum, const uint8_t *data)
{
    struct lt_bits room;
    const struct lt_bits *counter = lt_check_counter(checksum, &room);
    return counter ? lt_bits_get(data, counter) : 0;
}

/* The bytes that enter, in processing order: every byte of the frame once, the data id, the
 * identifier and the length. */
#define INPUT_MAX (64 + LT_CHECK_DATA_ID_MAX + 4 + 1)

struct input {
    unsigned count;
    uint8_t bytes[INPUT_MAX];
};

static void add(struct input *input, uint8_t byte)
{
    assert(input->count < INPUT_MAX);
    input->bytes[input->count++] = byte;
}

static void add_range(struct input *input, const struct lt_checksum *checksum,
                      struct lt_check_range range, const uint8_t *data)
{
    struct lt_span place = checksum->place.part[0];
    unsigned step = range.first <= range.last ? 1u : -1u;
    unsigned low = place.lsb / 8u, high = place.msb / 8u;
    unsigned own_first = low < high ? low : high, own_last = low < high ? high : low;
    bool leaves_out = check_leaves_out_itself(checksum->family);
    for (unsigned i = range.first;; i += step) {
        if (i < own_first || i > own_last)
            add(input, data[i]);
        else if (!leaves_out)
            add(input, (uint8_t)(data[i] & ~check_place_mask(place, i)));
        if (i == range.last)
            break;
    }
}

static void add_data_id(struct input *input, const struct lt_checksum *checksum,
                        const uint8_t *data)
{
    const uint8_t *id = checksum->data_id;
    if (checksum->data_id_count == 0)
        return;
    switch (checksum->data_id_mode) {
    case LT_DATA_ID_BOTH:
        for (unsigned i = 0; i < checksum->data_id_count; i++)
            add(input, id[i]);
        break;
    case LT_DATA_ID_LOW:
        add(input, id[0]);
        break;
    case LT_DATA_ID_ALTERNATING:
        add(input, id[counter_value(checksum, data) & 1]);
        break;
    case LT_DATA_ID_NIBBLE:
        add(input, id[0]);
        add(input, 0);
        break;
    case LT_DATA_ID_LIST:
        add(input, id[counter_value(checksum, data) % checksum->data_id_count]);
        break;
    }
}

static void add_identifier(struct input *input, uint32_t id, bool extended)
{
    if (extended) {
        add(input, (uint8_t)(id >> 24));
        add(input, (uint8_t)(id >> 16));
    }
    add(input, (uint8_t)(id >> 8));
    add(input, (uint8_t)id);
}

static bool data_id_comes_first(const struct lt_checksum *checksum)
{
    return checksum->family == LT_CHECK_E2E_P1 ||
           (checksum->data_id_before && !check_is_e2e(checksum->family));
}

static void gather(struct input *input, const struct lt_checksum *checksum, const uint8_t *data,
                   uint8_t length, uint32_t id, bool extended)
{
    bool first = data_id_comes_first(checksum);
    input->count = 0;
    if (first)
        add_data_id(input, checksum, data);
    for (unsigned i = 0; i < checksum->ranges; i++)
        add_range(input, checksum, checksum->range[i], data);
    if (checksum->with_id || check_is_j1939(checksum->family))
        add_identifier(input, id, extended);
    if (checksum->with_length)
        add(input, length);
    if (!first)
        add_data_id(input, checksum, data);
}

static uint32_t sum_of(const struct input *input)
{
    uint32_t sum = 0;
    for (unsigned i = 0; i < input->count; i++)
        sum += input->bytes[i];
    return sum;
}

static uint32_t nibble_sum_of(const struct input *input)
{
    uint32_t sum = 0;
    for (unsigned i = 0; i < input->count; i++)
        sum += (input->bytes[i] & 15u) + (input->bytes[i] >> 4);
    return sum;
}

static uint32_t xor_of(const struct input *input)
{
    uint32_t value = 0;
    for (unsigned i = 0; i < input->count; i++)
        value ^= input->bytes[i];
    return value;
}

static uint16_t complemented(const struct lt_checksum *checksum, uint32_t value, uint32_t mask)
{
    if (checksum->complement == LT_COMPLEMENT_ONES)
        value = ~value;
    else if (checksum->complement == LT_COMPLEMENT_TWOS)
        value = 0 - value;
    return (uint16_t)(value & mask);
}

static uint16_t plain_crc(const struct lt_checksum *checksum, uint8_t width,
                          const struct input *input)
{
    struct lt_crc crc = {
        checksum->catalogue, width, checksum->poly, checksum->init, checksum->xorout,
        checksum->reflect,   0};
    return (uint16_t)lt_crc_compute(&crc, input->bytes, input->count);
}

static uint16_t affine_of(const struct lt_checksum *checksum, const uint8_t *data)
{
    const struct lt_affine *affine = checksum->affine;
    uint16_t value = affine->constant;
    for (unsigned r = 0; r < checksum->ranges; r++) {
        struct lt_check_range range = checksum->range[r];
        unsigned from = range.first < range.last ? range.first : range.last;
        unsigned to = range.first < range.last ? range.last : range.first;
        for (unsigned i = from; i <= to; i++) {
            unsigned byte = data[i] & ~check_place_mask(checksum->place.part[0], i);
            for (unsigned n = 0; n < 8; n++)
                value ^= affine->column[i][n] & (uint16_t) - (byte >> (7 - n) & 1);
        }
    }
    return value;
}

uint16_t lt_checksum_compute(const struct lt_checksum *checksum, const uint8_t *data,
                             uint8_t length, uint32_t id, bool extended)
{
    if (checksum->family == LT_CHECK_AFFINE)
        return affine_of(checksum, data);
    struct input input;
    gather(&input, checksum, data, length, id, extended);
    uint32_t sum;
    switch (checksum->family) {
    case LT_CHECK_XOR:
        return complemented(checksum, checksum->start ^ xor_of(&input), 0xFF);
    case LT_CHECK_SUM:
        return complemented(checksum, checksum->start + sum_of(&input), 0xFF);
    case LT_CHECK_NIBBLE_SUM:
        return complemented(checksum, checksum->start + nibble_sum_of(&input), 0xF);
    case LT_CHECK_CRC8:
        return plain_crc(checksum, 8, &input);
    case LT_CHECK_CRC16:
        return plain_crc(checksum, 16, &input);
    case LT_CHECK_E2E_P1:
        return (uint16_t)lt_crc_compute(&e2e_p1, input.bytes, input.count);
    case LT_CHECK_E2E_P2:
        return (uint16_t)lt_crc_compute(&e2e_p2, input.bytes, input.count);
    case LT_CHECK_E2E_P5:
        return (uint16_t)lt_crc_compute(&e2e_p5, input.bytes, input.count);
    case LT_CHECK_J1939_TSC1:
        sum = sum_of(&input) + (uint32_t)counter_value(checksum, data);
        return (uint16_t)(((sum >> 6 & 3) + (sum >> 3) + sum) & 7);
    case LT_CHECK_J1939_XBR:
        sum = sum_of(&input) + (uint32_t)counter_value(checksum, data);
        return (uint16_t)(((sum >> 4) + sum) & 15);
    case LT_CHECK_AFFINE:
        break;
    }
    return 0;
}

static bool is_whole_byte(struct lt_span span)
{
    return span.msb % 8 == 7 && span.lsb + 7 == span.msb;
}

/* E2E profile 1, nibble mode: the low nibble of the id's high byte is sent in the high nibble of
 * byte 1, and the receiver compares it (AUTOSAR PRS E2E Protocol, profile 1C). */
static bool sends_nibble(const struct lt_checksum *checksum)
{
    return checksum->data_id_mode == LT_DATA_ID_NIBBLE && checksum->data_id_count > 1;
}

bool lt_checksum_verify(const struct lt_checksum *checksum, const uint8_t *data, uint8_t length,
                        uint32_t id, bool extended)
{
    struct lt_span place = checksum->place.part[0];
    uint64_t carried =
        is_whole_byte(place) ? data[place.lsb / 8] : lt_bits_get(data, &checksum->place);
    if (sends_nibble(checksum) && data[1] >> 4 != (checksum->data_id[1] & 0xF))
        return false;
    return carried == lt_checksum_compute(checksum, data, length, id, extended);
}

void lt_checksum_apply(const struct lt_checksum *checksum, uint8_t *data, uint8_t length,
                       uint32_t id, bool extended)
{
    if (sends_nibble(checksum))
        data[1] = (uint8_t)((data[1] & 0xF) | (checksum->data_id[1] & 0xF) << 4);
    lt_bits_put(data, &checksum->place, lt_checksum_compute(checksum, data, length, id, extended));
}

unsigned lt_check_ranges_end(const struct lt_checksum *checksum)
{
    unsigned end = 0;
    for (unsigned i = 0; i < checksum->ranges; i++) {
        struct lt_check_range range = checksum->range[i];
        unsigned last = range.first > range.last ? range.first : range.last;
        if (last + 1 > end)
            end = last + 1;
    }
    return end;
}

unsigned lt_checksum_bytes(const struct lt_checksum *checksum)
{
    struct lt_bits room;
    unsigned bytes = lt_check_ranges_end(checksum), place = lt_bits_bytes(&checksum->place);
    if (place > bytes)
        bytes = place;
    const struct lt_bits *counter = lt_check_counter(checksum, &room);
    if (counter && lt_check_uses_counter(checksum) && lt_bits_bytes(counter) > bytes)
        bytes = lt_bits_bytes(counter);
    return sends_nibble(checksum) && bytes < 2 ? 2 : bytes;
}
