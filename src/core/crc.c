/* Cyclic redundancy checks by Rocksoft parameters, up to 32 bits.
 *
 * Names, parameters and check values: the CRC RevEng catalogue; CRC-8/AUTOSAR, CRC-16/IBM-3740 and
 * CRC-32/AUTOSAR also in AUTOSAR "Specification of CRC Routines". Rows whose input and output
 * reflection differ do not occur, so one flag says both.
 *
 * Three polynomials have a table of 256 entries made by the compiler: those of SAE J1850, AUTOSAR
 * 8H2F and CCITT, which the end-to-end profiles use in every frame. All others go by a table of 16
 * entries, made at each call from four shifts (a CRC is linear, so the rest are XORs). */
#include "loomtap/core/checksum.h"

static const struct lt_crc catalogue[] = {
    {"crc8-sae-j1850", 8, 0x1D, 0xFF, 0xFF, false, 0x4B},
    {"crc8-autosar", 8, 0x2F, 0xFF, 0xFF, false, 0xDF},
    {"crc8-hitag", 8, 0x1D, 0xFF, 0x00, false, 0xB4},
    {"crc8-gsm-a", 8, 0x1D, 0x00, 0x00, false, 0x37},
    {"crc8-opensafety", 8, 0x2F, 0x00, 0x00, false, 0x3E},
    {"crc8-smbus", 8, 0x07, 0x00, 0x00, false, 0xF4},
    {"crc8-maxim-dow", 8, 0x31, 0x00, 0x00, true, 0xA1},
    {"crc15-can", 15, 0x4599, 0x0000, 0x0000, false, 0x059E},
    {"crc17-can-fd", 17, 0x1685B, 0x00000, 0x00000, false, 0x04F03},
    {"crc21-can-fd", 21, 0x102899, 0x000000, 0x000000, false, 0x0ED841},
    {"crc16-ibm-3740", 16, 0x1021, 0xFFFF, 0x0000, false, 0x29B1},
    {"crc16-xmodem", 16, 0x1021, 0x0000, 0x0000, false, 0x31C3},
    {"crc16-kermit", 16, 0x1021, 0x0000, 0x0000, true, 0x2189},
    {"crc16-genibus", 16, 0x1021, 0xFFFF, 0xFFFF, false, 0xD64E},
    {"crc16-x25", 16, 0x1021, 0xFFFF, 0xFFFF, true, 0x906E},
    {"crc16-arc", 16, 0x8005, 0x0000, 0x0000, true, 0xBB3D},
    {"crc16-modbus", 16, 0x8005, 0xFFFF, 0x0000, true, 0x4B37},
    {"crc32-iso-hdlc", 32, 0x04C11DB7, 0xFFFFFFFF, 0xFFFFFFFF, true, 0xCBF43926},
    {"crc32-autosar", 32, 0xF4ACFB13, 0xFFFFFFFF, 0xFFFFFFFF, true, 0x1697D06A},
};

/* Other names in use for the same rows: read, never written. */
static const struct {
    const char *alias, *name;
} aliases[] = {
    {"crc8-8h2f", "crc8-autosar"},
    {"crc8-maxim", "crc8-maxim-dow"},
    {"crc16-ccitt-false", "crc16-ibm-3740"},
    {"crc16-autosar", "crc16-ibm-3740"},
    {"crc16-x-25", "crc16-x25"},
    {"crc16-ibm-sdlc", "crc16-x25"},
    {"crc32", "crc32-iso-hdlc"},
};

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

const struct lt_crc *lt_crc_table(size_t *ret_count)
{
    *ret_count = COUNT(catalogue);
    return catalogue;
}

const struct lt_crc *lt_crc_find(struct lt_text name)
{
    for (size_t i = 0; i < COUNT(aliases); i++) {
        if (lt_text_is(name, aliases[i].alias))
            name = lt_text_of(aliases[i].name);
    }
    for (size_t i = 0; i < COUNT(catalogue); i++) {
        if (lt_text_is(name, catalogue[i].name))
            return &catalogue[i];
    }
    return NULL;
}

/* Tables by linearity: column n is what bit n of the index contributes, namely the polynomial
 * shifted n times through the register; an entry is the XOR of the columns of its index's bits. */
#define STEP(c, poly, top) ((((c) << 1) ^ (((c) & (top)) != 0 ? (poly) : 0)) & (2 * (top)-1))
#define COLUMNS(tag, poly, top)                                                                    \
    enum {                                                                                         \
        tag##0 = (poly),                                                                           \
        tag##1 = STEP(tag##0, poly, top),                                                          \
        tag##2 = STEP(tag##1, poly, top),                                                          \
        tag##3 = STEP(tag##2, poly, top),                                                          \
        tag##4 = STEP(tag##3, poly, top),                                                          \
        tag##5 = STEP(tag##4, poly, top),                                                          \
        tag##6 = STEP(tag##5, poly, top),                                                          \
        tag##7 = STEP(tag##6, poly, top)                                                           \
    }
#define ENTRY(tag, i)                                                                              \
    (((i)&1) * tag##0 ^ ((i) >> 1 & 1) * tag##1 ^ ((i) >> 2 & 1) * tag##2 ^                        \
     ((i) >> 3 & 1) * tag##3 ^ ((i) >> 4 & 1) * tag##4 ^ ((i) >> 5 & 1) * tag##5 ^                 \
     ((i) >> 6 & 1) * tag##6 ^ ((i) >> 7 & 1) * tag##7)
#define ENTRIES_4(tag, i)                                                                          \
    ENTRY(tag, i), ENTRY(tag, (i) + 1), ENTRY(tag, (i) + 2), ENTRY(tag, (i) + 3)
#define ENTRIES_16(tag, i)                                                                         \
    ENTRIES_4(tag, i), ENTRIES_4(tag, (i) + 4), ENTRIES_4(tag, (i) + 8), ENTRIES_4(tag, (i) + 12)
#define ENTRIES_64(tag, i)                                                                         \
    ENTRIES_16(tag, i), ENTRIES_16(tag, (i) + 16), ENTRIES_16(tag, (i) + 32),                      \
        ENTRIES_16(tag, (i) + 48)
#define ENTRIES_256(tag)                                                                           \
    ENTRIES_64(tag, 0), ENTRIES_64(tag, 64), ENTRIES_64(tag, 128), ENTRIES_64(tag, 192)

COLUMNS(j1850_column_, 0x1D, 0x80);
COLUMNS(h2f_column_, 0x2F, 0x80);
COLUMNS(ccitt_column_, 0x1021, 0x8000);

static const uint8_t table_1d[256] = {ENTRIES_256(j1850_column_)};
static const uint8_t table_2f[256] = {ENTRIES_256(h2f_column_)};
static const uint16_t table_1021[256] = {ENTRIES_256(ccitt_column_)};

static uint32_t run_table8(const uint8_t *table, uint32_t start, const uint8_t *bytes, size_t count)
{
    uint8_t crc = (uint8_t)start;
    for (size_t i = 0; i < count; i++)
        crc = table[crc ^ bytes[i]];
    return crc;
}

static uint32_t run_table16(const uint16_t *table, uint32_t start, const uint8_t *bytes,
                            size_t count)
{
    uint16_t crc = (uint16_t)start;
    for (size_t i = 0; i < count; i++)
        crc = (uint16_t)(crc << 8 ^ table[crc >> 8 ^ bytes[i]]);
    return crc;
}

static void fill_nibble_table(uint32_t table[16], const uint32_t column[4])
{
    table[0] = 0;
    for (unsigned bit = 0; bit < 4; bit++) {
        for (unsigned i = 0; i < 1u << bit; i++)
            table[(1u << bit) + i] = table[i] ^ column[bit];
    }
}

/* The register is kept at the left end of 32 bits, so that any width shifts alike. */
static uint32_t run_forward(const struct lt_crc *crc, const uint8_t *bytes, size_t count)
{
    unsigned left = 32u - crc->width;
    uint32_t poly = crc->poly << left, column[4] = {poly}, table[16];
    for (unsigned bit = 1; bit < 4; bit++)
        column[bit] = column[bit - 1] << 1 ^ (column[bit - 1] >> 31) * poly;
    fill_nibble_table(table, column);
    uint32_t value = crc->init << left;
    for (size_t i = 0; i < count; i++) {
        value ^= (uint32_t)bytes[i] << 24;
        value = value << 4 ^ table[value >> 28];
        value = value << 4 ^ table[value >> 28];
    }
    return value >> left;
}

/* The lowest `width` bits in the opposite order: neighbours swapped, then pairs, nibbles, bytes. */
static uint32_t reversed(uint32_t value, unsigned width)
{
    value = (value >> 1 & 0x55555555u) | (value & 0x55555555u) << 1;
    value = (value >> 2 & 0x33333333u) | (value & 0x33333333u) << 2;
    value = (value >> 4 & 0x0F0F0F0Fu) | (value & 0x0F0F0F0Fu) << 4;
    value = (value >> 8 & 0x00FF00FFu) | (value & 0x00FF00FFu) << 8;
    value = value >> 16 | value << 16;
    return value >> (32 - width);
}

/* Reflected: least significant bit first, the register mirrored throughout. */
static uint32_t run_reflected(const struct lt_crc *crc, const uint8_t *bytes, size_t count)
{
    uint32_t poly = reversed(crc->poly, crc->width), column[4] = {[3] = poly}, table[16];
    for (unsigned bit = 3; bit-- > 0;)
        column[bit] = column[bit + 1] >> 1 ^ (column[bit + 1] & 1) * poly;
    fill_nibble_table(table, column);
    uint32_t value = reversed(crc->init, crc->width);
    for (size_t i = 0; i < count; i++) {
        value ^= bytes[i];
        value = value >> 4 ^ table[value & 15];
        value = value >> 4 ^ table[value & 15];
    }
    return value;
}

uint32_t lt_crc_compute(const struct lt_crc *crc, const uint8_t *bytes, size_t count)
{
    uint32_t value;
    if (crc->reflect)
        value = run_reflected(crc, bytes, count);
    else if (crc->width == 8 && crc->poly == 0x1D)
        value = run_table8(table_1d, crc->init, bytes, count);
    else if (crc->width == 8 && crc->poly == 0x2F)
        value = run_table8(table_2f, crc->init, bytes, count);
    else if (crc->width == 16 && crc->poly == 0x1021)
        value = run_table16(table_1021, crc->init, bytes, count);
    else
        value = run_forward(crc, bytes, count);
    return value ^ crc->xorout;
}
