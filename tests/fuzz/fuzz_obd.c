/* The OBD-II listener: any frames on a few identifiers, and the parsers of its items. */
#include <assert.h>
#include <stdlib.h>

#include "loomtap/proto/obd.h"
#include "proto_records.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static volatile uint8_t seen;

static uint16_t some_length(void *context, uint8_t service, uint32_t number)
{
    (void)context;
    return service == 0x22 && number < 0x1000 ? number & 7 : 0;
}

static void check_reply(const struct lt_obd_reply *reply)
{
    char codes[300][6];
    assert(reply->count <= LT_OBD_ITEMS_MAX);
    assert(!reply->negative || reply->count == 0);
    seen = read_all(reply->message, reply->length);
    const uint8_t *end = reply->message + reply->length;
    for (size_t i = 0; i < reply->count; i++) {
        const struct lt_obd_item *item = &reply->item[i];
        assert(item->data >= reply->message && item->data + item->length <= end);
        seen = read_all(item->data, item->length + 8);
        assert(lt_obd_trouble_codes(item->data, item->length, codes, 300) <= 255);
    }
}

static void check_questions(struct lt_obd *obd)
{
    const struct lt_obd_question *list;
    size_t count = lt_obd_questions(obd, &list);
    assert(count <= LT_OBD_QUESTIONS_MAX);
    for (size_t i = 0; i < count; i++) {
        assert((list[i].answer == LT_OBD_ANSWERED) == (list[i].answered > 0));
        assert(i == 0 || list[i - 1].service <= list[i].service);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static const uint32_t ids[] = {0x7DF,      0x7E0,      0x7E8,      0x7E9,
                                   0x18DB33F1, 0x18DA10F1, 0x18DAF110, 0x123};
    struct lt_cursor in = {bytes, size};
    struct lt_frame frame;
    struct lt_obd_reply reply;
    int64_t now_ns = 0;
    struct lt_obd *obd;
    if (lt_obd_new(&obd, some_length, NULL, NULL) != LT_OK)
        return 0;
    while (next_record(&in, ids, sizeof ids / sizeof ids[0], &now_ns, &frame))
        if (lt_obd_feed(obd, &frame, &reply))
            check_reply(&reply);
    check_questions(obd);
    lt_obd_free(obd);
    return 0;
}
