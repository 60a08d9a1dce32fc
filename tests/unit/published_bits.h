/* Worked examples of fields in frames: layout as in AUTOSAR COM and common practice, each worked
 * out by two independent calculations (reference sheet, "Bit numbering and byte order", all rows).
 * The text follows from the physical value: just the decimals that the scale needs. */
#ifndef LOOMTAP_TESTS_PUBLISHED_BITS_H
#define LOOMTAP_TESTS_PUBLISHED_BITS_H

#include "loomtap/core/profile.h"

struct published_bits {
    const char *row, *data, *bits;
    enum lt_order order;
    unsigned length;
    enum lt_sign sign;
    uint64_t raw;
    const char *scale, *offset, *text;
    double value;
};

#define INTEL     LT_ORDER_INTEL
#define MOTOROLA  LT_ORDER_MOTOROLA
#define EITHER    LT_ORDER_NONE
#define SAME      "00 00 3A B7 C4 00 00 00"
#define ASCENDING "01 23 45 67 89 AB CD EF"
/* The sheet prints 3.1415927; the float 40490FDB is 3.1415927410125732421875 (IEEE 754 binary32),
 * and this is the shortest text that reads back as that number. */
#define PI_AS_FLOAT "3.1415927410125732"
#define COUNTING                                                                                   \
    "00 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F "                                             \
    "10 11 12 13 14 15 16 17 18 19 1A 1B 1C 1D 1E 1F"

static const struct published_bits published_bits[] = {
    {"1", "FF FF FF 79 CC FF FF FF", "4.7..3.0", INTEL, 16, LT_UNSIGNED, 0xCC79, "0.125", "0",
     "6543.125", 6543.125},
    {"2", "04 41 0C 1A F8 AA AA AA", "3.7..4.0", MOTOROLA, 16, LT_UNSIGNED, 0x1AF8, "0.25", "0",
     "1726.00", 1726},
    {"3", SAME, "2.3..3.0", MOTOROLA, 12, LT_UNSIGNED, 0xAB7, "0.5", "0", "1371.5", 1371.5},
    {"4", SAME, "3.7..4.4", MOTOROLA, 12, LT_UNSIGNED, 0xB7C, "1", "0", "2940", 2940},
    {"5", SAME, "2.7..3.4", MOTOROLA, 12, LT_UNSIGNED, 0x3AB, "1", "0", "939", 939},
    {"6", SAME, "3.7..2.4", INTEL, 12, LT_UNSIGNED, 0xB73, "1", "0", "2931", 2931},
    {"7", SAME, "4.3..3.0", INTEL, 12, LT_UNSIGNED, 0x4B7, "1", "0", "1207", 1207},
    {"8", SAME, "2.5", EITHER, 1, LT_UNSIGNED, 1, "1", "0", "1", 1},
    {"8, the bit above", SAME, "2.6", EITHER, 1, LT_UNSIGNED, 0, "1", "0", "0", 0},
    {"9", ASCENDING, "0.7..7.0", MOTOROLA, 64, LT_UNSIGNED, 0x0123456789ABCDEF, "1", "0",
     "81985529216486895", 81985529216486896.0},
    {"10", ASCENDING, "7.7..0.0", INTEL, 64, LT_UNSIGNED, 0xEFCDAB8967452301, "1", "0",
     "17279655951921914625", 17279655951921913856.0},
    {"11", ASCENDING, "7.7..0.0", INTEL, 64, LT_TWOS, 0xEFCDAB8967452301, "1", "0",
     "-1167088121787636991", -1167088121787636991.0},
    {"12", "00 C0 FF 00 00 00 00 00", "2.7..1.6", INTEL, 10, LT_TWOS, 0x3FF, "0.1", "0", "-0.1",
     -0.1},
    {"13", "00 80 35 00 00 00 00 00", "2.7..1.6", INTEL, 10, LT_TWOS, 0x0D6, "0.1", "0", "21.4",
     21.4},
    {"14", "00 02 C0 00 00 00 00 00", "1.1..2.0", MOTOROLA, 10, LT_TWOS, 0x2C0, "0.5", "0",
     "-160.0", -160},
    {"15", "00 03 6A 00 00 00 00 00", "1.1..2.0", MOTOROLA, 10, LT_TWOS, 0x36A, "0.5", "0", "-75.0",
     -75},
    {"16", "DB 0F 49 40 00 00 00 00", "3.7..0.0", INTEL, 32, LT_FLOAT, 0x40490FDB, "1", "0",
     PI_AS_FLOAT, (double)3.1415927f},
    {"17", "40 49 0F DB 00 00 00 00", "0.7..3.0", MOTOROLA, 32, LT_FLOAT, 0x40490FDB, "1", "0",
     PI_AS_FLOAT, (double)3.1415927f},
    {"18", "04 12 00 00 00 00 00 00", "0.3..4.4", MOTOROLA, 32, LT_FLOAT, 0x41200000, "1", "0",
     "10", 10},
    {"19", "00 06 C0 00 00 00 00 00", "1.2..2.6", MOTOROLA, 5, LT_UNSIGNED, 0x1B, "1", "0", "27",
     27},
    {"20", "00 C0 05 00 00 00 00 00", "2.2..1.6", INTEL, 5, LT_UNSIGNED, 0x17, "1", "0", "23", 23},
    {"21", "00 00 00 00 00 00 00 A7", "7.3..7.0", EITHER, 4, LT_UNSIGNED, 7, "1", "0", "7", 7},
    {"21, high nibble", "00 00 00 00 00 00 00 A7", "7.7..7.4", EITHER, 4, LT_UNSIGNED, 10, "1", "0",
     "10", 10},
    {"22", "00 12 D6 87 00 00 00 00", "1.7..3.0", MOTOROLA, 24, LT_UNSIGNED, 0x12D687, "0.1", "0",
     "123456.7", 123456.7},
    {"23", "00 87 D6 12 00 00 00 00", "3.7..1.0", INTEL, 24, LT_UNSIGNED, 0x12D687, "0.1", "0",
     "123456.7", 123456.7},
    {"24", "FF 38 00 00 00 00 00 00", "0.7..1.0", MOTOROLA, 16, LT_TWOS, 0xFF38, "0.1", "0",
     "-20.0", -20},
    {"25", "38 FF 00 00 00 00 00 00", "1.7..0.0", INTEL, 16, LT_TWOS, 0xFF38, "0.1", "0", "-20.0",
     -20},
    {"26", "00 00 40 2A 00 00 00 00", "3.7..2.0", INTEL, 16, LT_UNSIGNED, 0x2A40, "0.03125", "-273",
     "65.00000", 65},
    {"27", COUNTING, "20.7..21.0", MOTOROLA, 16, LT_UNSIGNED, 0x1415, "1", "0", "5141", 5141},
    {"28", "18 2D 44 54 FB 21 09 40", "7.7..0.0", INTEL, 64, LT_FLOAT, 0x400921FB54442D18, "1", "0",
     "3.141592653589793", 3.141592653589793},
};

#undef INTEL
#undef MOTOROLA
#undef EITHER
#undef SAME
#undef ASCENDING
#undef COUNTING

#endif
