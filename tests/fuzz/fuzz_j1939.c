/* J1939 transport of any packets, and DM1 of whatever comes out. */
#include <assert.h>

#include "loomtap/proto/j1939.h"
#include "proto_records.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static volatile uint8_t seen;

static void check_message(const struct lt_j1939_result *result)
{
    struct lt_dm1 dm1;
    assert(result->message && result->length >= 9 && result->length <= LT_J1939_TP_MAX);
    seen = read_all(result->message, result->length + 8u);
    if (lt_dm1_parse(result->message, result->length, &dm1))
        assert(dm1.count <= 64 && dm1.count + dm1.left_out <= (result->length - 2u) / 4);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    /* Control and data of two senders, to all and to each other; one single frame. */
    static const uint32_t ids[] = {0x1CECFF00, 0x1CEBFF00, 0x1CECFF17, 0x1CEBFF17, 0x1CEC1700,
                                   0x1CEB1700, 0x1CEC0017, 0x1CEB0017, 0x18FECA00};
    struct lt_cursor in = {bytes, size};
    struct lt_frame frame;
    int64_t now_ns = 0;
    uint64_t messages = 0;
    struct lt_j1939 *bus;
    if (lt_j1939_new(&bus, NULL) != LT_OK)
        return 0;
    while (next_record(&in, ids, sizeof ids / sizeof ids[0], &now_ns, &frame)) {
        struct lt_j1939_id id = lt_j1939_split(frame.id);
        assert(lt_j1939_join(id) == frame.id);
        struct lt_j1939_result result = lt_j1939_feed(bus, &frame);
        assert((result.event == LT_J1939_MESSAGE) == (result.message != NULL));
        if (result.event == LT_J1939_MESSAGE) {
            messages++;
            check_message(&result);
        }
    }
    assert(lt_j1939_counts(bus).messages == messages);
    lt_j1939_free(bus);
    return 0;
}
