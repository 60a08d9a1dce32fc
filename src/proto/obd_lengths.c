/* Data lengths behind the PIDs of service 01 (and 02), and what negative response codes mean.
 *
 * A reply with several PIDs is PID, data, PID, data ... without any lengths, so a wrong one would
 * turn data into parameters. Therefore only lengths on which published tables agree; the profile
 * may add others. 0 = not known.
 *
 * Documents: SAE J1979 as tabulated in the encyclopaedia's "OBD-II PIDs"; ISO 14229-1 annex A for
 * the response codes (numbers from memory where the encyclopaedia is silent). */
#include "loomtap/proto/obd.h"

static const uint8_t pid_length[] = {
    /* clang-format off */
    /*       0  1  2  3  4  5  6  7   8  9  A  B  C  D  E  F */
    /* 00 */ 4, 4, 2, 2, 1, 1, 1, 1,  1, 1, 1, 1, 2, 1, 1, 1,
    /* 10 */ 2, 1, 1, 1, 2, 2, 2, 2,  2, 2, 2, 2, 1, 1, 1, 2,
    /* 20 */ 4, 2, 2, 2, 4, 4, 4, 4,  4, 4, 4, 4, 1, 1, 1, 1,
    /* 30 */ 1, 2, 2, 1, 4, 4, 4, 4,  4, 4, 4, 4, 2, 2, 2, 2,
    /* 40 */ 4, 4, 2, 2, 2, 1, 1, 1,  1, 1, 1, 1, 1, 2, 2, 4,
    /* 50 */ 4, 1, 1, 2, 2, 2, 2, 2,  2, 2, 1, 1, 1, 2, 2, 1,
    /* 60 */ 4, 1, 1, 2, 5, 2, 5, 3,  7, 7, 5, 5, 5, 0, 0, 3,
    /* 70 */10, 0, 5, 5, 5, 7, 7, 5,  9, 9, 7, 7, 9, 1, 1, 0,
    /* 80 */ 4, 0, 0, 0, 1, 0, 0, 5,  0, 0, 0, 0, 0, 1, 1, 0,
    /* 90 */ 0, 0, 0, 0, 0, 0, 0, 0,  0, 0, 0, 0, 0, 0, 0, 0,
    /* A0 */ 4, 0, 2, 0, 4, 0, 4, 0,  0, 0, 0, 0, 0, 0, 0, 0,
    /* B0 */ 0, 0, 0, 0, 0, 0, 0, 0,  0, 0, 0, 0, 0, 0, 0, 0,
    /* C0 */ 4,
    /* clang-format on */
};

uint16_t lt_obd_pid_length(uint32_t pid)
{
    return pid < sizeof pid_length ? pid_length[pid] : 0;
}

struct nrc_row {
    uint8_t code;
    const char *text;
};

static const struct nrc_row nrc_table[] = {
    {0x10, "general reject"},
    {LT_NRC_SERVICE_NOT_SUPPORTED, "service not supported"},
    {LT_NRC_SUBFUNCTION_NOT_SUPPORTED, "sub-function not supported"},
    {LT_NRC_WRONG_LENGTH, "wrong message length or format"},
    {LT_NRC_RESPONSE_TOO_LONG, "reply would be too long"},
    {0x21, "busy, repeat the request"},
    {LT_NRC_CONDITIONS, "conditions not right"},
    {0x24, "request out of sequence"},
    {0x25, "no reply from a component behind"},
    {0x26, "a failure prevents it"},
    {LT_NRC_OUT_OF_RANGE, "request out of range"},
    {LT_NRC_LOCKED, "locked: security access wanted"},
    {0x34, "locked: authentication wanted"},
    {0x35, "invalid key"},
    {0x36, "too many attempts"},
    {0x37, "waiting time not over"},
    {0x70, "transfer not accepted"},
    {0x71, "transfer suspended"},
    {0x72, "programming failed"},
    {0x73, "wrong block counter"},
    {LT_NRC_PENDING, "reply pending"},
    {0x7E, "sub-function not supported in this session"},
    {0x7F, "service not supported in this session"},
    {0x81, "engine speed too high"},
    {0x82, "engine speed too low"},
    {0x83, "engine is running"},
    {0x84, "engine is not running"},
    {0x85, "engine run time too short"},
    {0x86, "temperature too high"},
    {0x87, "temperature too low"},
    {0x88, "vehicle speed too high"},
    {0x89, "vehicle speed too low"},
    {0x8A, "pedal or throttle too high"},
    {0x8B, "pedal or throttle too low"},
    {0x8C, "gearbox not in neutral"},
    {0x8D, "gearbox not in gear"},
    {0x8F, "brake not pressed"},
    {0x90, "selector not in park"},
    {0x91, "converter clutch locked"},
    {0x92, "voltage too high"},
    {0x93, "voltage too low"},
};

const char *lt_nrc_text(uint8_t code)
{
    for (size_t i = 0; i < sizeof nrc_table / sizeof nrc_table[0]; i++)
        if (nrc_table[i].code == code)
            return nrc_table[i].text;
    return NULL;
}
