/* What can be wrong with a checksum's definition once the frame's length is known.
 *
 * One function a subject; the first fault ends it. The texts speak of the profile's words (`over`,
 * `in`, `counter`), because that is where the reader mends them. */
#include "core/checksum_rules.h"

static const char *name_of(const struct lt_checksum *checksum)
{
    return checksum->catalogue ? checksum->catalogue : lt_check_family_name(checksum->family);
}

static bool range_has(struct lt_check_range range, unsigned byte)
{
    return range.first <= range.last ? byte >= range.first && byte <= range.last
                                     : byte >= range.last && byte <= range.first;
}

/* How often the ranges cover the byte. */
static unsigned times_covered(const struct lt_checksum *checksum, unsigned byte)
{
    unsigned times = 0;
    for (unsigned i = 0; i < checksum->ranges; i++)
        times += range_has(checksum->range[i], byte);
    return times;
}

/* Do the bits of the byte enter, and not as the check's own? */
static bool enters(const struct lt_checksum *checksum, unsigned byte)
{
    uint8_t own = check_place_mask(checksum->place.part[0], byte);
    return times_covered(checksum, byte) > 0 &&
           (check_leaves_out_itself(checksum->family) ? own == 0 : own != 0xFF);
}

static enum lt_code check_ranges(const struct lt_checksum *checksum, unsigned length,
                                 struct lt_error *error)
{
    bool covers = false;
    unsigned end = lt_check_ranges_end(checksum);
    if (end > length) {
        lt_fail(error, LT_E_RANGE, "the checksum covers byte %u, but the frame has %u byte%s",
                end - 1, length, length == 1 ? "" : "s");
        lt_error_advise(error, "bytes count from 0: shorten what stands after `over`, or mend the "
                               "frame's length");
        return LT_E_RANGE;
    }
    for (unsigned byte = 0; byte < end; byte++) {
        if (times_covered(checksum, byte) > 1) {
            lt_fail(error, LT_E_DUPLICATE, "the checksum covers byte %u twice", byte);
            lt_error_advise(error, "name each byte once after `over`");
            return LT_E_DUPLICATE;
        }
        covers = covers || enters(checksum, byte);
    }
    if (!covers) {
        lt_fail(error, LT_E_MISSING, "the checksum covers nothing but its own place");
        lt_error_advise(error, "name the protected bytes after `over`, such as `over 0..6 in 7`");
        return LT_E_MISSING;
    }
    return LT_OK;
}

/* The standard families know whole bytes (E2E) or one nibble (J1939) only. */
static bool fits_family(const struct lt_checksum *checksum)
{
    struct lt_span place = checksum->place.part[0];
    if (check_is_e2e(checksum->family))
        return place.msb % 8 == 7 && place.lsb % 8 == 0;
    return !check_is_j1939(checksum->family) || place.msb / 8 == place.lsb / 8;
}

static enum lt_code check_place(const struct lt_checksum *checksum, unsigned length,
                                struct lt_error *error)
{
    const struct lt_bits *place = &checksum->place;
    unsigned bits = lt_bits_length(place);
    if (place->parts != 1) {
        lt_fail(error, LT_E_RANGE, "the checksum's place has %u parts", place->parts);
        lt_error_advise(error, "a checksum lies in one piece");
        return LT_E_RANGE;
    }
    if (lt_bits_bytes(place) > length) {
        lt_fail(error, LT_E_RANGE, "the checksum lies in byte %u, but the frame has %u byte%s",
                lt_bits_bytes(place) - 1, length, length == 1 ? "" : "s");
        lt_error_advise(error, "bytes count from 0: mend the place after `in`, or the length");
        return LT_E_RANGE;
    }
    if (checksum->family == LT_CHECK_AFFINE && (bits < 1 || bits > 16)) {
        lt_fail(error, LT_E_RANGE, "an affine check has 1 to 16 bits, its place has %u", bits);
        return LT_E_RANGE;
    }
    if (bits != checksum->width) {
        lt_fail(error, LT_E_CONFLICT, "%s has %u bits, but its place has %u", name_of(checksum),
                checksum->width, bits);
        lt_error_advise(error, checksum->width == 8   ? "name one byte after `in`, such as `7`"
                               : checksum->width == 4 ? "name four bits after `in`: `7.7..7.4`"
                                                      : "name two bytes after `in`: `1.7..0.0` "
                                                        "(low byte first) or `0.7..1.0`");
        return LT_E_CONFLICT;
    }
    if (!fits_family(checksum)) {
        lt_fail(error, LT_E_CONFLICT, "%s cannot lie across bytes like this", name_of(checksum));
        lt_error_advise(error, check_is_e2e(checksum->family) ? "it fills whole bytes"
                                                              : "it is one nibble of one byte");
        return LT_E_CONFLICT;
    }
    return LT_OK;
}

static enum lt_code check_counter_place(const struct lt_checksum *checksum,
                                        const struct lt_bits *counter, unsigned length,
                                        struct lt_error *error)
{
    if (lt_bits_bytes(counter) > length) {
        lt_fail(error, LT_E_RANGE, "the checksum's counter lies in byte %u, but the frame has %u",
                lt_bits_bytes(counter) - 1, length);
        lt_error_advise(error, "say where the counter is: `counter 6.3..6.0`");
        return LT_E_RANGE;
    }
    if (lt_bits_overlap(counter, &checksum->place)) {
        lt_fail(error, LT_E_CONFLICT, "the counter and the checksum share bits");
        lt_error_advise(error, "say where the counter is: `counter 6.3..6.0`");
        return LT_E_CONFLICT;
    }
    unsigned byte = counter->part[0].lsb / 8u;
    if (check_is_j1939(checksum->family) && enters(checksum, byte)) {
        lt_fail(error, LT_E_CONFLICT,
                "%s would add the counter twice: byte %u is covered and its "
                "counter is added as well",
                name_of(checksum), byte);
        lt_error_advise(error, "leave byte %u out after `over`", byte);
        return LT_E_CONFLICT;
    }
    return LT_OK;
}

static enum lt_code check_counter(const struct lt_checksum *checksum, unsigned length,
                                  struct lt_error *error)
{
    struct lt_bits room;
    const struct lt_bits *counter = lt_check_counter(checksum, &room);
    if (!counter && lt_check_uses_counter(checksum)) {
        lt_fail(error, LT_E_MISSING, "the data id is picked by a counter, but no counter is named");
        lt_error_advise(error, "add its bits: `counter 6.3..6.0`");
        return LT_E_MISSING;
    }
    if (counter && (checksum->has_counter || lt_check_uses_counter(checksum)))
        return check_counter_place(checksum, counter, length, error);
    return LT_OK;
}

static enum lt_code wrong_data_id(const struct lt_checksum *checksum, const char *what,
                                  const char *advice, struct lt_error *error)
{
    lt_fail(error, LT_E_CONFLICT, "%s %s, not %u", name_of(checksum), what,
            checksum->data_id_count);
    lt_error_advise(error, "%s", advice);
    return LT_E_CONFLICT;
}

static enum lt_code check_list(const struct lt_checksum *checksum, struct lt_error *error)
{
    struct lt_bits room;
    const struct lt_bits *counter = lt_check_counter(checksum, &room);
    unsigned bits = counter ? lt_bits_length(counter) : 4, count = checksum->data_id_count;
    if (count == 16 || (bits < 4 && count == 1u << bits && checksum->family != LT_CHECK_E2E_P2))
        return LT_OK;
    return wrong_data_id(checksum, "needs a list of 16 data ids",
                         "one for each value of the counter, from 0 on", error);
}

static enum lt_code check_data_id_count(const struct lt_checksum *checksum, struct lt_error *error)
{
    unsigned count = checksum->data_id_count;
    const char *low_high = "two bytes in the order processed: `data-id 0x23,0x01` is id 0x0123";
    switch (checksum->data_id_mode) {
    case LT_DATA_ID_BOTH:
        if (check_is_e2e(checksum->family) && count != 2)
            return wrong_data_id(checksum, "takes a data id of 2 bytes", low_high, error);
        break;
    case LT_DATA_ID_ALTERNATING:
        if (count != 2)
            return wrong_data_id(checksum, "alternates between 2 bytes", low_high, error);
        break;
    case LT_DATA_ID_LOW:
    case LT_DATA_ID_NIBBLE:
        if (count > 2)
            return wrong_data_id(checksum, "takes a data id of 1 or 2 bytes", low_high, error);
        break;
    case LT_DATA_ID_LIST:
        return check_list(checksum, error);
    }
    return LT_OK;
}

/* Which modes the end-to-end profiles have; the plain families have all but `nibble`. */
static bool mode_fits(enum lt_check_family family, enum lt_data_id_mode mode)
{
    switch (family) {
    case LT_CHECK_E2E_P1:
        return mode != LT_DATA_ID_LIST;
    case LT_CHECK_E2E_P2:
        return mode == LT_DATA_ID_LIST;
    case LT_CHECK_E2E_P5:
        return mode == LT_DATA_ID_BOTH;
    default:
        return mode != LT_DATA_ID_NIBBLE;
    }
}

static enum lt_code check_data_id(const struct lt_checksum *checksum, struct lt_error *error)
{
    enum lt_check_family family = checksum->family;
    if (checksum->data_id_count == 0) {
        if (!check_is_e2e(family))
            return LT_OK;
        lt_fail(error, LT_E_MISSING, "%s has no data id", name_of(checksum));
        lt_error_advise(error, family == LT_CHECK_E2E_P2
                                   ? "add the list: `data-id` and 16 bytes with commas between"
                                   : "add it, low byte first: `data-id 0x23,0x01` is id 0x0123");
        return LT_E_MISSING;
    }
    if (!mode_fits(family, checksum->data_id_mode)) {
        lt_fail(error, LT_E_CONFLICT, "%s does not take its data id in this mode",
                name_of(checksum));
        lt_error_advise(error, "e2e-p1: both, low, alternating or nibble; e2e-p2: list; e2e-p5: "
                               "both; others: both, low, alternating or list");
        return LT_E_CONFLICT;
    }
    return check_data_id_count(checksum, error);
}

static enum lt_code check_affine(const struct lt_checksum *checksum, struct lt_error *error)
{
    const struct lt_affine *affine = checksum->affine;
    if (checksum->family != LT_CHECK_AFFINE)
        return LT_OK;
    if (!affine) {
        lt_fail(error, LT_E_MISSING, "the affine check has no numbers");
        lt_error_advise(error, "add a section [affine FRAME] with `constant` and `byte_N` lines");
        return LT_E_MISSING;
    }
    uint32_t limit = 1u << checksum->width;
    if (affine->constant >= limit) {
        lt_fail(error, LT_E_RANGE, "the constant 0x%X has more than %u bits", affine->constant,
                checksum->width);
        return LT_E_RANGE;
    }
    for (unsigned byte = 0; byte < 64; byte++) {
        for (unsigned n = 0; n < 8; n++) {
            unsigned column = affine->column[byte][n];
            if (column >= limit) {
                lt_fail(error, LT_E_RANGE, "the column 0x%X of %u.%u has more than %u bits", column,
                        byte, 7 - n, checksum->width);
                return LT_E_RANGE;
            }
        }
    }
    return LT_OK;
}

enum lt_code lt_checksum_check(const struct lt_checksum *checksum, unsigned length,
                               struct lt_error *error)
{
    enum lt_code code = check_place(checksum, length, error);
    if (code == LT_OK)
        code = check_ranges(checksum, length, error);
    if (code == LT_OK)
        code = check_data_id(checksum, error);
    if (code == LT_OK)
        code = check_counter(checksum, length, error);
    if (code == LT_OK)
        code = check_affine(checksum, error);
    return code;
}
