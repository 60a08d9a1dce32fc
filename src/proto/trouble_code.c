/* Diagnostic trouble codes of services 03, 07 and 0A: two bytes each.
 *
 *     byte 0   7 6 | 5 4 | 3 2 1 0    letter P C B U, first digit 0..3, second digit (hex)
 *     byte 1   7 6 5 4 | 3 2 1 0      third and fourth digit (hex)
 *
 * Document: SAE J2012 / ISO 15031-6, as tabulated in the encyclopaedia's "OBD-II PIDs". */
#include "loomtap/proto/obd.h"

bool lt_obd_trouble_code(const uint8_t bytes[2], char ret_text[6])
{
    static const char digit[] = "0123456789ABCDEF";
    if (bytes[0] == 0 && bytes[1] == 0)
        return false;
    ret_text[0] = "PCBU"[bytes[0] >> 6];
    ret_text[1] = digit[bytes[0] >> 4 & 3];
    ret_text[2] = digit[bytes[0] & 15];
    ret_text[3] = digit[bytes[1] >> 4];
    ret_text[4] = digit[bytes[1] & 15];
    ret_text[5] = '\0';
    return true;
}

size_t lt_obd_trouble_codes(const uint8_t *data, size_t length, char (*ret_codes)[6], size_t room)
{
    size_t count = 0;
    if (length == 0)
        return 0;
    /* The count byte and the bytes there are need not agree: padding follows, or bytes are missing.
     */
    size_t given = (length - 1) / 2;
    size_t announced = data[0];
    for (size_t i = 0; i < given && i < announced && count < room; i++)
        if (lt_obd_trouble_code(data + 1 + 2 * i, ret_codes[count]))
            count++;
    return count;
}
