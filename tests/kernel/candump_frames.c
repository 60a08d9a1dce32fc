/* The frames that tests/kernel/candump.sh sends through a real SocketCAN kernel, and the check that
 * what candump wrote about them is read back frame for frame.
 *
 *     candump_frames list            one frame a line, as cansend takes it
 *     candump_frames check FILE KEPT the table's frames, in order; KEPT names what the form keeps
 *                                    besides id, length and data: any of
 *                                    time fdbits dlc sent errors
 *     candump_frames same A B KEPT [BUS] two recordings of the same frames agree, or those of one
 * bus in them: candump reads several buses in no certain order
 *
 * The right-hand sides of the table were written by hand from linux/can.h, not printed by us. */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "loomtap/capture/reader.h"

struct sent_frame {
    const char *text; /* for cansend */
    uint32_t id;
    uint16_t flags;
    uint8_t len, raw_dlc;
    uint8_t data[64];
};

enum {
    EXT = LT_FRAME_EXTENDED,
    RTR = LT_FRAME_REMOTE,
    FD = LT_FRAME_FD,
    BRS = LT_FRAME_BRS,
    ESI = LT_FRAME_ESI,
    ERR = LT_FRAME_ERROR,
};

static const struct sent_frame table[] = {
    {"123#DEADBEEF", 0x123, 0, 4, 4, {0xDE, 0xAD, 0xBE, 0xEF}},
    {"00000123#DEADBEEF", 0x123, EXT, 4, 4, {0xDE, 0xAD, 0xBE, 0xEF}},
    {"7FF#0102030405060708", 0x7FF, 0, 8, 8, {1, 2, 3, 4, 5, 6, 7, 8}},
    {"000#", 0, 0, 0, 0, {0}},
    {"1FFFFFFF#FF", 0x1FFFFFFF, EXT, 1, 1, {0xFF}},
    {"18FEF100#FFFFFFFFFFFFFFFF",
     0x18FEF100,
     EXT,
     8,
     8,
     {0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}},
    {"123#R", 0x123, RTR, 0, 0, {0}},
    {"123#R4", 0x123, RTR, 0, 4, {0}},
    {"18EA00F9#R8", 0x18EA00F9, EXT | RTR, 0, 8, {0}},
    /* Text that looks like the form's own marks in the ASCII column: '[8] #" (  */
    {"321#275B385D20232228", 0x321, 0, 8, 8, {0x27, 0x5B, 0x38, 0x5D, 0x20, 0x23, 0x22, 0x28}},
    {"322#2760275B305D2760", 0x322, 0, 8, 8, {0x27, 0x60, 0x27, 0x5B, 0x30, 0x5D, 0x27, 0x60}},
    {"456##0112233", 0x456, FD, 3, 3, {0x11, 0x22, 0x33}},
    {"456##1", 0x456, FD | BRS, 0, 0, {0}},
    {"00000456##3112233445566778899AABBCC",
     0x456,
     EXT | FD | BRS | ESI,
     12,
     9,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB, 0xCC}},
    {"457##2"
     "000102030405060708090A0B0C0D0E0F101112131415161718191A1B1C1D1E1F"
     "202122232425262728292A2B2C2D2E2F303132333435363738393A3B3C3D3E3F",
     0x457,
     FD | ESI,
     64,
     15,
     {0,  1,  2,  3,  4,  5,  6,  7,  8,  9,  10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21,
      22, 23, 24, 25, 26, 27, 28, 29, 30, 31, 32, 33, 34, 35, 36, 37, 38, 39, 40, 41, 42, 43,
      44, 45, 46, 47, 48, 49, 50, 51, 52, 53, 54, 55, 56, 57, 58, 59, 60, 61, 62, 63}},
    {"123#1122334455667788_E", 0x123, 0, 8, 14, {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}},
    {"124#R8_9", 0x124, RTR, 0, 9, {0}},
    {"20000040#0000000000000000", 0x40, ERR, 8, 8, {0}}, /* bus off */
    {"20000204#000400000000600A", 0x204, ERR, 8, 8, {0, 4, 0, 0, 0, 0, 0x60, 0x0A}},
    {"7E8#0441001A2B", 0x7E8, 0, 5, 5, {0x04, 0x41, 0x00, 0x1A, 0x2B}},
};
#define COUNT (sizeof table / sizeof *table)

static bool has(const char *kept, const char *word)
{
    return strstr(kept, word) != NULL;
}

static struct lt_reader *open_file(const char *path)
{
    struct lt_reader *reader = NULL;
    struct lt_error error;
    char text[900];
    if (lt_reader_open(&reader, path, NULL, &error) == LT_OK)
        return reader;
    lt_error_print(&error, text, sizeof text);
    fprintf(stderr, "%s\n", text);
    return NULL;
}

/* Everything in the file was understood. */
static int check_counts(struct lt_reader *reader, const char *path, const char *kept)
{
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    if (counts->malformed == 0 && counts->oddities == 0 && counts->banner_lines == 0 &&
        (counts->no_times == !has(kept, "time")))
        return 0;
    fprintf(stderr, "%s: %" PRIu64 " malformed, %" PRIu64 " odd, %" PRIu64 " banner, no_times %d\n",
            path, counts->malformed, counts->oddities, counts->banner_lines, counts->no_times);
    for (size_t i = 0; i < counts->first_bad_count; i++)
        fprintf(stderr, "%s:%" PRIu64 ":%u: %s: %s\n", path, counts->first_bad[i].line,
                counts->first_bad[i].column, lt_bad_line_word(counts->first_bad[i].reason),
                counts->first_bad[i].text);
    return 1;
}

static uint16_t kept_flags(const char *kept)
{
    uint16_t flags = EXT | RTR | FD | ERR;
    flags |= has(kept, "fdbits") ? BRS | ESI : 0;
    flags |= has(kept, "sent") ? LT_FRAME_SENT : 0;
    return flags;
}

static bool same_dlc(uint8_t a, uint8_t b, const char *kept)
{
    return has(kept, "dlc") ? a == b : (a > 8 ? 8 : a) == (b > 8 ? 8 : b);
}

static int check(const char *path, const char *kept)
{
    struct lt_reader *reader = open_file(path);
    const struct lt_frame *frame;
    size_t at = 0, seen = 0;
    int failed = reader == NULL;
    while (!failed && (frame = lt_reader_next(reader)) != NULL) {
        while (at < COUNT && (table[at].flags & ERR) && !has(kept, "errors"))
            at++;
        if (at == COUNT) {
            fprintf(stderr, "%s: more frames than were sent\n", path);
            failed = 1;
            break;
        }
        const struct sent_frame *sent = &table[at++];
        /* Every frame was sent by the host that recorded it. */
        uint16_t flags = kept_flags(kept) & (sent->flags | LT_FRAME_SENT);
        bool same = frame->id == sent->id && frame->flags == flags && frame->len == sent->len &&
                    memcmp(frame->data, sent->data, sent->len) == 0 &&
                    ((frame->flags & FD) || same_dlc(frame->raw_dlc, sent->raw_dlc, kept)) &&
                    strcmp(lt_reader_bus_name(reader, frame->bus), "vcan0") == 0 &&
                    (frame->time_ns == LT_NO_TIME) == !has(kept, "time");
        if (!same) {
            fprintf(stderr, "%s:%" PRIu64 ": %s was read as id %X flags %X len %u dlc %u\n", path,
                    frame->number, sent->text, frame->id, frame->flags, frame->len, frame->raw_dlc);
            failed = 1;
        }
        seen++;
    }
    while (at < COUNT && (table[at].flags & ERR) && !has(kept, "errors"))
        at++;
    if (!failed && at < COUNT) {
        fprintf(stderr, "%s: %zu frames, then the table goes on with %s\n", path, seen,
                table[at].text);
        failed = 1;
    }
    if (!failed)
        failed = check_counts(reader, path, kept);
    if (!failed)
        printf("%s: %zu frames, %s\n", path, seen, lt_form_name(lt_reader_form(reader)));
    lt_reader_free(reader);
    return failed;
}

static bool same_frame(const struct lt_frame *a, const struct lt_frame *b, const char *kept)
{
    /* One of two recordings may say who sent a frame, the other not. */
    uint16_t flags = kept_flags(kept) & (uint16_t)~LT_FRAME_SENT;
    return a->id == b->id && (a->flags & flags) == (b->flags & flags) && a->len == b->len &&
           memcmp(a->data, b->data, a->len) == 0 && same_dlc(a->raw_dlc, b->raw_dlc, kept) &&
           (!has(kept, "exact") || a->time_ns == b->time_ns);
}

/* The next frame of that bus; any where it is NULL. */
static const struct lt_frame *next_of(struct lt_reader *reader, const char *bus)
{
    const struct lt_frame *frame;
    do {
        frame = lt_reader_next(reader);
    } while (frame && bus && strcmp(lt_reader_bus_name(reader, frame->bus), bus) != 0);
    return frame;
}

static int same(const char *path_a, const char *path_b, const char *kept, const char *bus)
{
    struct lt_reader *a = open_file(path_a), *b = open_file(path_b);
    size_t count = 0;
    int failed = !a || !b;
    while (!failed) {
        const struct lt_frame *frame_a = next_of(a, bus), *frame_b = next_of(b, bus);
        if (!frame_a && !frame_b)
            break;
        count++;
        if (frame_a && frame_b && same_frame(frame_a, frame_b, kept))
            continue;
        fprintf(stderr, "%s and %s differ at frame %zu\n", path_a, path_b, count);
        failed = 1;
    }
    if (!failed)
        failed = check_counts(a, path_a, "time") | check_counts(b, path_b, kept) | (count == 0);
    if (!failed)
        printf("%s and %s: %zu equal frames\n", path_a, path_b, count);
    lt_reader_free(a);
    lt_reader_free(b);
    return failed;
}

int main(int argc, char **argv)
{
    if (argc == 2 && strcmp(argv[1], "list") == 0) {
        for (size_t i = 0; i < COUNT; i++)
            puts(table[i].text);
        return 0;
    }
    if (argc == 4 && strcmp(argv[1], "check") == 0)
        return check(argv[2], argv[3]);
    if ((argc == 5 || argc == 6) && strcmp(argv[1], "same") == 0)
        return same(argv[2], argv[3], argv[4], argc == 6 ? argv[5] : NULL);
    fprintf(stderr, "usage: %s list | check FILE KEPT | same A B KEPT [BUS]\n", argv[0]);
    return 2;
}
