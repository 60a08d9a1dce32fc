/* Lengths of CAN frames: DLC codes and bits on the wire. Sources: ISO 11898-1 (the DLC table), and
 * for the bits on the wire Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007). */
#include "loomtap/core/frame.h"

static const uint8_t fd_lengths[16] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64};

uint8_t lt_dlc_to_len(uint8_t dlc, bool fd)
{
    uint8_t code = dlc > 15 ? 15 : dlc;
    if (fd)
        return fd_lengths[code];
    return code > 8 ? 8 : code; /* a classic frame may say 9..15 and still carries 8 */
}

/* By length in steps of four, rounded up, from 8 bytes on: every frame of a capture passes here. */
static const uint8_t fd_dlc_by_words[17] = {8,  8,  8,  9,  10, 11, 12, 13, 13,
                                            14, 14, 14, 14, 15, 15, 15, 15};

uint8_t lt_len_to_dlc(uint8_t len, bool fd)
{
    if (len <= 8)
        return len;
    if (!fd)
        return 8;
    return len > LT_FRAME_MAX ? 15 : fd_dlc_by_words[(len + 3) / 4];
}

bool lt_len_is_valid(uint8_t len, bool fd)
{
    if (len <= 8)
        return true;
    return fd && len <= LT_FRAME_MAX && fd_lengths[lt_len_to_dlc(len, true)] == len;
}

unsigned lt_frame_bits_min(uint8_t len, bool extended)
{
    return (extended ? 67u : 47u) + 8u * len;
}

unsigned lt_frame_bits_max(uint8_t len, bool extended)
{
    /* Stuffing covers start of frame to the end of the CRC (`stuffed`); 13 bits follow it. */
    unsigned stuffed = (extended ? 54u : 34u) + 8u * len;
    return stuffed + 13u + (stuffed - 1u) / 4u;
}
