/* DM1: lamps and active trouble codes (PGN 65226), in one frame or transported.
 *
 *     byte 0   7-6 malfunction lamp, 5-4 red stop, 3-2 amber warning, 1-0 protect
 *     byte 1   the same four: how they flash
 *     then four bytes for each code:
 *       0      SPN bits 7-0
 *       1      SPN bits 15-8
 *       2      7-5 SPN bits 18-16, 4-0 FMI
 *       3      7 conversion method (0: this layout), 6-0 occurrence count
 *
 * No code active: a code of zeros. Unused bytes at the end are FF.
 *
 * Documents: makers' hardware manuals quoting SAE J1939-73 (a marine display's CAN interface, a
 * generator controller's); flash and code bits from memory, confirmed by the manuals' examples. */
#include "loomtap/proto/j1939.h"

#include "loomtap/base/bytes.h"

#define CODE_BYTES 4
#define CODES_MAX  (sizeof((struct lt_dm1 *)NULL)->code / sizeof(struct lt_dm1_code))

static struct lt_dm1_code read_code(const uint8_t *at)
{
    return (struct lt_dm1_code){
        .spn = at[0] | (uint32_t)at[1] << 8 | (uint32_t)(at[2] >> 5) << 16,
        .fmi = at[2] & 31,
        .conversion = at[3] >> 7,
        .count = at[3] & 127,
    };
}

bool lt_dm1_parse(const uint8_t *data, size_t length, struct lt_dm1 *ret_dm1)
{
    if (length < 2 + CODE_BYTES)
        return false;
    *ret_dm1 = (struct lt_dm1){
        .mil = data[0] >> 6,
        .red_stop = data[0] >> 4 & 3,
        .amber_warning = data[0] >> 2 & 3,
        .protect = data[0] & 3,
        .mil_flash = data[1] >> 6,
        .red_stop_flash = data[1] >> 4 & 3,
        .amber_warning_flash = data[1] >> 2 & 3,
        .protect_flash = data[1] & 3,
    };
    for (size_t at = 2; at + CODE_BYTES <= length; at += CODE_BYTES) {
        uint32_t whole = lt_load32_le(data + at);
        if (whole == 0 || whole == UINT32_MAX)
            continue;
        if (ret_dm1->count < CODES_MAX)
            ret_dm1->code[ret_dm1->count++] = read_code(data + at);
        else
            ret_dm1->left_out++;
    }
    return true;
}

const char *lt_fmi_text(uint8_t fmi)
{
    static const char *const text[32] = {
        [0] = "above the normal range, most severe",
        [1] = "below the normal range, most severe",
        [2] = "erratic or implausible",
        [3] = "voltage too high, or shorted to supply",
        [4] = "voltage too low, or shorted to ground",
        [5] = "current too low, or circuit open",
        [6] = "current too high, or shorted to ground",
        [7] = "mechanical part does not respond",
        [8] = "abnormal frequency or pulse width",
        [9] = "abnormal update rate",
        [10] = "changes too fast",
        [11] = "cause not known",
        [12] = "defective device",
        [13] = "out of calibration",
        [14] = "special instructions",
        [15] = "above the normal range, least severe",
        [16] = "above the normal range, moderately severe",
        [17] = "below the normal range, least severe",
        [18] = "below the normal range, moderately severe",
        [19] = "network data in error",
        [20] = "drifted high",
        [21] = "drifted low",
        [31] = "condition exists",
    };
    return fmi < 32 ? text[fmi] : NULL;
}
