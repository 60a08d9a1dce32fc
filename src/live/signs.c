/* Error reports into counted signs: see loomtap/live/signs.h. The class bits are a report's
 * identifier, the details its eight bytes (Linux include/uapi/linux/can/error.h). */
#include "loomtap/live/signs.h"

#include <linux/can.h>
#include <linux/can/error.h>

#define SIGN_ROW(name, word, text) {word, text},
static const struct {
    const char *word, *text;
} sign_rows[LT_SIGN_COUNT] = {LT_SIGNS(SIGN_ROW)};
#undef SIGN_ROW

const char *lt_sign_word(enum lt_bus_sign sign)
{
    return (unsigned)sign < LT_SIGN_COUNT ? sign_rows[sign].word : "unknown";
}

const char *lt_sign_text(enum lt_bus_sign sign)
{
    return (unsigned)sign < LT_SIGN_COUNT ? sign_rows[sign].text : "unknown";
}

/* What each says of itself, whatever else is in the report. */
static const struct {
    uint32_t class;
    unsigned byte; /* the detail's place; 8: the class alone says it */
    uint8_t mask;
    enum lt_bus_sign sign;
} rows[] = {
    {CAN_ERR_PROT, 2, CAN_ERR_PROT_STUFF, LT_SIGN_STUFF},
    {CAN_ERR_PROT, 2, CAN_ERR_PROT_FORM, LT_SIGN_FORM},
    {CAN_ERR_PROT, 2, CAN_ERR_PROT_BIT | CAN_ERR_PROT_BIT0 | CAN_ERR_PROT_BIT1, LT_SIGN_BIT},
    {CAN_ERR_PROT, 2, CAN_ERR_PROT_OVERLOAD, LT_SIGN_OVERLOAD},
    {CAN_ERR_CRTL, 1, CAN_ERR_CRTL_RX_WARNING | CAN_ERR_CRTL_TX_WARNING, LT_SIGN_WARNING},
    {CAN_ERR_CRTL, 1, CAN_ERR_CRTL_RX_PASSIVE | CAN_ERR_CRTL_TX_PASSIVE, LT_SIGN_PASSIVE},
    {CAN_ERR_CRTL, 1, CAN_ERR_CRTL_RX_OVERFLOW, LT_SIGN_OVERFLOW},
    {CAN_ERR_BUSOFF, 8, 0, LT_SIGN_BUS_OFF},
    {CAN_ERR_ACK, 8, 0, LT_SIGN_NO_ACK},
    {CAN_ERR_TX_TIMEOUT, 8, 0, LT_SIGN_SENDING},
    {CAN_ERR_TRX, 4, 0xFF, LT_SIGN_WIRE},
};

static bool says(const struct lt_frame *frame, uint32_t class, unsigned byte, uint8_t mask)
{
    return (frame->id & class) && (byte == 8 || (frame->data[byte] & mask));
}

/* Where in a frame it happened: some controllers say it, most do not. */
static bool add_place(struct lt_bus_signs *signs, uint8_t place)
{
    switch (place) {
    case CAN_ERR_PROT_LOC_CRC_SEQ:
    case CAN_ERR_PROT_LOC_CRC_DEL:
        signs->signs[LT_SIGN_CRC]++;
        return true;
    case CAN_ERR_PROT_LOC_ACK:
    case CAN_ERR_PROT_LOC_ACK_DEL:
        signs->signs[LT_SIGN_ACK_PLACE]++;
        return true;
    case CAN_ERR_PROT_LOC_RES1:
    case CAN_ERR_PROT_LOC_RES0:
    case CAN_ERR_PROT_LOC_DLC:
        /* FDF, at the place of a reserved bit, and what stands behind it. */
        signs->signs[LT_SIGN_FD_PLACE]++;
        return true;
    default:
        return false;
    }
}

static void add_report(struct lt_bus_signs *signs, const struct lt_frame *frame)
{
    bool told = false;
    signs->reports++;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        if (!says(frame, rows[i].class, rows[i].byte, rows[i].mask))
            continue;
        signs->signs[rows[i].sign]++;
        told = told || rows[i].sign != LT_SIGN_OVERLOAD;
    }
    if (frame->id & CAN_ERR_PROT)
        told = add_place(signs, frame->data[3]) || told;
    if (!told && (frame->id & (CAN_ERR_PROT | CAN_ERR_BUSERROR)))
        signs->signs[LT_SIGN_UNTOLD]++;
    /* A bit error while sending; of receiving the bit says nothing. */
    if (says(frame, CAN_ERR_PROT, 2, CAN_ERR_PROT_TX))
        signs->signs[LT_SIGN_SENDING]++;
    /* A state that comes back, and a full memory, are no faults of the bus. */
    bool state = says(
        frame, CAN_ERR_CRTL, 1,
        (uint8_t) ~(CAN_ERR_CRTL_ACTIVE | CAN_ERR_CRTL_RX_OVERFLOW | CAN_ERR_CRTL_TX_OVERFLOW));
    signs->errors += state || (frame->id & (CAN_ERR_PROT | CAN_ERR_BUSERROR | CAN_ERR_BUSOFF |
                                            CAN_ERR_ACK | CAN_ERR_TRX)) != 0;
    if (frame->id & CAN_ERR_CNT) {
        if (frame->data[6] > signs->transmit_most)
            signs->transmit_most = frame->data[6];
        if (frame->data[7] > signs->receive_most)
            signs->receive_most = frame->data[7];
    }
}

void lt_bus_signs_add(struct lt_bus_signs *signs, const struct lt_frame *frame)
{
    if (lt_frame_has(frame, LT_FRAME_ERROR)) {
        add_report(signs, frame);
    } else if (lt_frame_has(frame, LT_FRAME_SENT)) {
        signs->own_frames++;
    } else {
        signs->frames++;
        signs->fd_frames += lt_frame_has(frame, LT_FRAME_FD);
        signs->switched_frames += lt_frame_has(frame, LT_FRAME_BRS);
    }
}

void lt_bus_signs_join(struct lt_bus_signs *signs, const struct lt_bus_signs *more)
{
    signs->frames += more->frames;
    signs->fd_frames += more->fd_frames;
    signs->switched_frames += more->switched_frames;
    signs->own_frames += more->own_frames;
    signs->reports += more->reports;
    signs->errors += more->errors;
    for (int i = 0; i < LT_SIGN_COUNT; i++)
        signs->signs[i] += more->signs[i];
    if (more->receive_most > signs->receive_most)
        signs->receive_most = more->receive_most;
    if (more->transmit_most > signs->transmit_most)
        signs->transmit_most = more->transmit_most;
}

/* Not LT_SIGN_SENDING by a flag of a bit error: some drivers set it whatever happened. */
bool lt_bus_signs_of_sending(const struct lt_bus_signs *signs)
{
    return signs->signs[LT_SIGN_NO_ACK] > 0 || signs->signs[LT_SIGN_BUS_OFF] > 0;
}

bool lt_bus_is_clean(const struct lt_bus_signs *signs, unsigned frames_enough)
{
    return signs->frames >= frames_enough && signs->errors == 0;
}
