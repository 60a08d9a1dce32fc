/* pcapng recordings (draft-ietf-opsawg-pcapng): blocks of sections, each with its own byte order
 * and its own list of interfaces.
 *
 *     | type | total length | body, padded to 4 | total length |
 *
 * Interfaces become buses by their names; two of one name, in one section or in several, are one
 * bus. Blocks of other types are passed over by their length. Options are | code | length | value,
 * padded to 4 |; the end-of-options mark is not relied on. */
#include "capture/records.h"

#define HEAD_BYTES     8
#define BLOCK_MIN      12
#define BLOCK_MAX      (16u * 1024 * 1024)
#define BYTE_ORDER_BIG 0x1A2B3C4Du

enum {
    SECTION = 0x0A0D0D0A,
    INTERFACE = 1,
    OLD_PACKET = 2,
    SIMPLE_PACKET = 3,
    STATISTICS = 5,
    PACKET = 6,
};
enum { OPTION_END = 0, OPTION_COMMENT = 1 };
enum { INTERFACE_NAME = 2, INTERFACE_RESOLUTION = 9, INTERFACE_OFFSET = 14 };
enum { PACKET_FLAGS = 2, PACKET_LOST = 4 };
enum { STATISTICS_LOST_BY_INTERFACE = 5, STATISTICS_LOST_BY_HOST = 7 };
enum { OUTBOUND = 2 };

struct block {
    const uint8_t *at; /* its type */
    struct lt_cursor body;
    bool whole; /* else only its start is here */
};

struct option {
    uint16_t code, len;
    const uint8_t *value;
};

/* The next option; false at the end. *reterr_bad: it does not fit in what is left. */
static bool next_option(struct lt_cursor *body, bool big, struct option *ret_option,
                        bool *reterr_bad)
{
    const uint8_t *head, *value;
    if (body->left < 4 || !lt_take(body, 4, &head))
        return false;
    uint16_t code = lt_order16(big, head), len = lt_order16(big, head + 2);
    if (code == OPTION_END)
        return false;
    size_t padded = ((size_t)len + 3) / 4 * 4;
    if (!lt_take(body, padded, &value)) {
        *reterr_bad = true;
        return false;
    }
    *ret_option = (struct option){code, len, value};
    return true;
}

static void count_comment(struct lt_reader *reader, const struct option *option)
{
    reader->counts.notes += option->code == OPTION_COMMENT;
}

static void take_section(struct lt_reader *reader, struct block *block)
{
    struct option option;
    bool bad = false;
    const uint8_t *fixed;
    reader->records->interface_count = 0;
    reader->records->in_section = true;
    if (!lt_take(&block->body, 16, &fixed))
        return; /* its length was checked */
    unsigned major = lt_order16(reader->records->big, fixed + 4);
    if (major != 1) {
        lt_records_fail(reader, block->at, "a section of a version other than 1");
        return;
    }
    while (next_option(&block->body, reader->records->big, &option, &bad))
        count_comment(reader, &option);
}

static void describe(struct lt_reader *reader, struct lt_interface *interface,
                     struct lt_cursor *options, uint32_t link, uint32_t number)
{
    struct option option;
    struct lt_text name = LT_TEXT("");
    struct lt_stamp_units units = {.resolution = 6};
    bool big = reader->records->big, bad = false;
    while (next_option(options, big, &option, &bad)) {
        if (option.code == INTERFACE_NAME)
            name = (struct lt_text){(const char *)option.value, option.len};
        else if (option.code == INTERFACE_RESOLUTION && option.len == 1)
            units.resolution = *option.value;
        else if (option.code == INTERFACE_OFFSET && option.len == 8)
            units.offset_s = (int64_t)lt_order64(big, option.value);
        count_comment(reader, &option);
    }
    lt_interface_init(interface, link, name, number);
    interface->units = units;
    interface->digits = lt_stamp_digits(units);
    interface->state.host_big = big;
    reader->counts.oddities += bad;
}

static void take_interface(struct lt_reader *reader, struct block *block)
{
    struct lt_records *records = reader->records;
    const uint8_t *fixed;
    if (!block->whole) { /* units of time may be in what is not seen */
        lt_records_fail(reader, block->at, "an interface description of more than 8192 bytes");
        return;
    }
    if (!lt_take(&block->body, 8, &fixed)) {
        lt_records_fail(reader, block->at, "an interface description that is too short");
        return;
    }
    uint32_t link = lt_order16(records->big, fixed);
    if (!records->has_interface)
        records->first_link = link;
    records->has_interface = true;
    records->has_can = records->has_can || lt_link_has_can(link);
    size_t number = records->interface_count;
    if (number == LT_INTERFACES_MAX)
        return; /* its packets are then malformed: not described */
    struct lt_interface *interface = &records->interfaces[number];
    describe(reader, interface, &block->body, link, (uint32_t)number);
    interface->snaplen = lt_order32(records->big, fixed + 4);
    records->interface_count++;
}

/* Flags and drop counts behind a packet's bytes. */
static void take_packet_options(struct lt_reader *reader, struct lt_interface *interface,
                                struct block *block, struct lt_record *record)
{
    struct option option;
    bool big = reader->records->big, bad = false;
    while (next_option(&block->body, big, &option, &bad)) {
        if (option.code == PACKET_FLAGS && option.len == 4)
            record->sent = (lt_order32(big, option.value) & 3) == OUTBOUND;
        else if (option.code == PACKET_LOST && option.len == 8)
            lt_records_lost(reader, interface, lt_order64(big, option.value), 0);
        count_comment(reader, &option);
    }
    reader->counts.oddities += bad || !block->whole;
}

/* Enhanced packet: | interface 32 | time high | time low | captured | original | bytes | options |
 * The obsolete one differs in its first word: | interface 16 | drops 16 |. */
static void take_packet(struct lt_reader *reader, struct block *block, bool old)
{
    struct lt_records *records = reader->records;
    const uint8_t *fixed, *bytes;
    bool big = records->big;
    lt_records_count(reader);
    if (!lt_take(&block->body, 20, &fixed)) {
        lt_records_bad(reader, block->at, LT_BAD_BLOCK);
        return;
    }
    uint32_t number = old ? lt_order16(big, fixed) : lt_order32(big, fixed);
    uint32_t captured = lt_order32(big, fixed + 12), original = lt_order32(big, fixed + 16);
    if (number >= records->interface_count) {
        lt_records_bad(reader, block->at, LT_BAD_INTERFACE);
        return;
    }
    struct lt_interface *interface = &records->interfaces[number];
    size_t padded = ((size_t)captured + 3) / 4 * 4;
    if (!block->whole && padded > block->body.left) /* far more than CAN has: not looked at */
        captured = (uint32_t)(padded = block->body.left / 4 * 4);
    if (!lt_take(&block->body, padded, &bytes)) {
        lt_records_bad(reader, block->at, LT_BAD_BLOCK);
        return;
    }
    struct lt_record record = {
        .start = block->at,
        .packet = {interface->link, bytes, captured, original},
        .has_time = true,
        .stamp = (uint64_t)lt_order32(big, fixed + 4) << 32 | lt_order32(big, fixed + 8),
    };
    unsigned drops = old ? lt_order16(big, fixed + 2) : 0;
    if (drops != 0xFFFF) /* 0xFFFF: not known */
        lt_records_lost(reader, interface, drops, 0);
    take_packet_options(reader, interface, block, &record);
    lt_records_take(reader, interface, &record);
}

/* | original | bytes |: no time; of the first interface, whose snapshot length bounds the bytes. */
static void take_simple_packet(struct lt_reader *reader, struct block *block)
{
    struct lt_records *records = reader->records;
    struct lt_interface *interface = &records->interfaces[0];
    const uint8_t *fixed;
    lt_records_count(reader);
    if (!lt_take(&block->body, 4, &fixed)) {
        lt_records_bad(reader, block->at, LT_BAD_BLOCK);
        return;
    }
    if (records->interface_count == 0) {
        lt_records_bad(reader, block->at, LT_BAD_INTERFACE);
        return;
    }
    uint32_t original = lt_order32(records->big, fixed), captured = original;
    if (interface->snaplen && captured > interface->snaplen)
        captured = interface->snaplen;
    if (captured > block->body.left && !block->whole)
        captured = (uint32_t)block->body.left;
    if (captured > block->body.left) {
        lt_records_bad(reader, block->at, LT_BAD_BLOCK);
        return;
    }
    struct lt_record record = {.start = block->at,
                               .packet = {interface->link, block->body.at, captured, original}};
    lt_records_take(reader, interface, &record);
}

static void take_statistics(struct lt_reader *reader, struct block *block)
{
    struct lt_records *records = reader->records;
    struct option option;
    const uint8_t *fixed;
    uint64_t lost = 0;
    bool big = records->big, bad = false;
    if (!lt_take(&block->body, 12, &fixed) || lt_order32(big, fixed) >= records->interface_count) {
        reader->counts.oddities++;
        return;
    }
    while (next_option(&block->body, big, &option, &bad)) {
        bool is_lost =
            option.code == STATISTICS_LOST_BY_INTERFACE || option.code == STATISTICS_LOST_BY_HOST;
        uint64_t count = is_lost && option.len == 8 ? lt_order64(big, option.value) : 0;
        lost += count <= UINT32_MAX ? count : 0;
        count_comment(reader, &option);
    }
    reader->counts.oddities += bad;
    lt_records_lost(reader, &records->interfaces[lt_order32(big, fixed)], 0, lost);
}

static void take_body(struct lt_reader *reader, uint32_t type, struct block *block)
{
    switch (type) {
    case SECTION:
        take_section(reader, block);
        break;
    case INTERFACE:
        take_interface(reader, block);
        break;
    case OLD_PACKET:
    case PACKET:
        take_packet(reader, block, type == OLD_PACKET);
        break;
    case SIMPLE_PACKET:
        take_simple_packet(reader, block);
        break;
    case STATISTICS:
        take_statistics(reader, block);
        break;
    default: /* names, secrets, custom and unknown blocks */
        break;
    }
}

/* The byte order of a section stands behind the length that it is about. */
static const char *take_order(struct lt_records *records, const uint8_t *at)
{
    if (lt_load32_be(at + HEAD_BYTES) == BYTE_ORDER_BIG)
        records->big = true;
    else if (lt_load32_le(at + HEAD_BYTES) == BYTE_ORDER_BIG)
        records->big = false;
    else
        return "a section without its byte-order magic";
    return NULL;
}

/* What makes it impossible to go on; or NULL. */
static const char *check_head(const struct lt_records *records, uint32_t type, uint32_t total)
{
    if (!records->in_section && type != SECTION)
        return "a block before the first section";
    if (total % 4 != 0)
        return "a block whose length is no multiple of 4";
    if (total < (type == SECTION ? 28 : BLOCK_MIN))
        return "a block shorter than it can be";
    if (total > BLOCK_MAX)
        return "a block of more than 16 MiB";
    return NULL;
}

static bool fail(struct lt_reader *reader, const uint8_t *at, const char *what)
{
    lt_records_fail(reader, at, what);
    return false;
}

/* False: there is no whole block, or no going on. */
static bool take_block(struct lt_reader *reader)
{
    struct lt_records *records = reader->records;
    const uint8_t *at = (const uint8_t *)reader->input.at;
    size_t left = (size_t)(reader->input.end - reader->input.at);
    if (left < BLOCK_MIN)
        return false;
    const char *wrong = lt_load32_be(at) == SECTION ? take_order(records, at) : NULL;
    if (wrong)
        return fail(reader, at, wrong);
    uint32_t type = lt_order32(records->big, at), total = lt_order32(records->big, at + 4);
    wrong = check_head(records, type, total);
    if (wrong)
        return fail(reader, at, wrong);
    bool whole = total <= LT_BLOCK_FRONT;
    size_t seen = whole ? total - 4 : LT_BLOCK_FRONT;
    if (left < (whole ? total : seen))
        return false;
    if (whole && lt_order32(records->big, at + seen) != total)
        return fail(reader, at, "a block whose two lengths differ");
    struct block block = {at, {at + HEAD_BYTES, seen - HEAD_BYTES}, whole};
    take_body(reader, type, &block);
    if (reader->ended)
        return false;
    records->trailer = whole ? 0 : total;
    lt_records_skip(reader, whole ? total : total - 4);
    return true;
}

/* Behind a long block that was passed over: its length again. False: not read yet, or wrong. */
static bool take_trailer(struct lt_reader *reader)
{
    struct lt_records *records = reader->records;
    const uint8_t *at = (const uint8_t *)reader->input.at;
    if (records->trailer == 0)
        return true;
    if (reader->input.end - reader->input.at < 4)
        return false;
    if (lt_order32(records->big, at) != records->trailer)
        return fail(reader, at, "the length behind a block differs from the one before it");
    records->trailer = 0;
    reader->input.at += 4;
    return true;
}

enum lt_code lt_pcapng_begin(struct lt_reader *reader, const char *name, struct lt_error *error)
{
    (void)name;
    return lt_records_begin(reader, error);
}

void lt_pcapng_take(struct lt_reader *reader)
{
    while (!reader->ended && lt_records_skipped(reader) && take_trailer(reader) &&
           reader->batch_count < LT_BATCH && take_block(reader))
        ;
}
