/* The frame text, both ways. Outside facts: can-utils lib.c (parse_canframe, sprint_canframe) and
 * linux/can.h; the tools themselves (log2long) where they are installed. */
#include "unit.h"

#include "loomtap/capture/text.h"

struct example {
    const char *text;
    uint32_t id;
    uint16_t flags;
    uint8_t len, raw_dlc;
    uint8_t data[12];
    const char *printed; /* NULL: as it is */
};

enum {
    EXT = LT_FRAME_EXTENDED,
    RTR = LT_FRAME_REMOTE,
    FD = LT_FRAME_FD,
    BRS = LT_FRAME_BRS,
    ESI = LT_FRAME_ESI,
    ERR = LT_FRAME_ERROR,
};

/* can-utils log form, the published example lines of each kind. */
static const struct example examples[] = {
    {"123#DEADBEEF", 0x123, 0, 4, 4, {0xDE, 0xAD, 0xBE, 0xEF}, NULL},
    {"00000123#DEADBEEF", 0x123, EXT, 4, 4, {0xDE, 0xAD, 0xBE, 0xEF}, NULL},
    {"18FEF100#FFFFFFFFFFFFFFFF",
     0x18FEF100,
     EXT,
     8,
     8,
     {0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF},
     NULL},
    {"1FFFFFFF#00", 0x1FFFFFFF, EXT, 1, 1, {0}, NULL},
    {"7FF#", 0x7FF, 0, 0, 0, {0}, NULL},
    {"123#R", 0x123, RTR, 0, 0, {0}, NULL},
    {"123#R0", 0x123, RTR, 0, 0, {0}, "123#R"},
    {"123#r4", 0x123, RTR, 0, 4, {0}, "123#R4"},
    {"123#R8_9", 0x123, RTR, 0, 9, {0}, NULL},
    {"123#R8_f", 0x123, RTR, 0, 15, {0}, "123#R8_F"},
    {"12345678#R8", 0x12345678, EXT | RTR, 0, 8, {0}, NULL},
    {"123#1122334455667788_E",
     0x123,
     0,
     8,
     14,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88},
     NULL},
    {"123##0112233", 0x123, FD, 3, 3, {0x11, 0x22, 0x33}, "123##4112233"},
    {"123##5112233445566778899AABB",
     0x123,
     FD | BRS,
     11,
     9,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB},
     NULL},
    {"123##3", 0x123, FD | BRS | ESI, 0, 0, {0}, "123##7"},
    {"123##2", 0x123, FD | ESI, 0, 0, {0}, "123##6"},
    {"123##F", 0x123, FD | BRS | ESI, 0, 0, {0}, "123##7"},
    {"123##8", 0x123, FD, 0, 0, {0}, "123##4"},
    {"20000040#0000000000000000", 0x40, ERR, 8, 8, {0}, NULL},
    {"20000204#000400000000600A", 0x204, ERR, 8, 8, {0, 4, 0, 0, 0, 0, 0x60, 0x0A}, NULL},
    {"3FFFFFFF#0000000000000000", 0x1FFFFFFF, ERR, 8, 8, {0}, NULL},
    {"123#11.22.33", 0x123, 0, 3, 3, {0x11, 0x22, 0x33}, "123#112233"},
    {"123#11.2233.", 0x123, 0, 3, 3, {0x11, 0x22, 0x33}, "123#112233"},
    {"123#.11", 0x123, 0, 1, 1, {0x11}, "123#11"},
    {"7ab#deadBEef", 0x7AB, 0, 4, 4, {0xDE, 0xAD, 0xBE, 0xEF}, "7AB#DEADBEEF"},
    {"123#1122334455667788_3",
     0x123,
     0,
     8,
     8,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88},
     "123#1122334455667788"},
};

static void frame_texts_of_can_utils_are_read(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(examples); i++) {
        const struct example *e = &examples[i];
        struct lt_frame frame;
        memset(&frame, 0xA5, sizeof frame);
        if (!lt_frame_parse(lt_text_of(e->text), &frame))
            fail_msg("%s is not read", e->text);
        if (frame.id != e->id || frame.flags != e->flags || frame.len != e->len ||
            frame.raw_dlc != e->raw_dlc || memcmp(frame.data, e->data, e->len) != 0)
            fail_msg("%s: id %X flags %X len %u dlc %u", e->text, frame.id, frame.flags, frame.len,
                     frame.raw_dlc);
    }
}

static void frames_are_printed_as_current_writers_do(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(examples); i++) {
        const struct example *e = &examples[i];
        char text[LT_FRAME_TEXT_ROOM + 1];
        struct lt_frame frame = {
            .id = e->id, .flags = e->flags, .len = e->len, .raw_dlc = e->raw_dlc};
        memcpy(frame.data, e->data, sizeof e->data);
        text[lt_frame_print(&frame, text)] = '\0';
        assert_string_equal(text, e->printed ? e->printed : e->text);
    }
}

static void a_full_fd_frame_fits_the_room(void **state)
{
    char text[LT_FRAME_TEXT_ROOM + 1];
    struct lt_frame frame = {.id = 0x1FFFFFFF,
                             .flags = EXT | FD | BRS | ESI,
                             .len = 64,
                             .raw_dlc = 15},
                    back = {.id = 0};
    (void)state;
    for (unsigned i = 0; i < 64; i++)
        frame.data[i] = (uint8_t)(i * 37);
    size_t len = lt_frame_print(&frame, text);
    assert_int_equal(len, 8 + 2 + 1 + 128);
    assert_true(lt_frame_parse((struct lt_text){text, len}, &back));
    assert_memory_equal(back.data, frame.data, 64);
    assert_int_equal(back.raw_dlc, 15);
}

static void what_is_no_frame_is_refused_and_leaves_the_result_alone(void **state)
{
    static const char *const bad[] = {
        "",
        "#",
        "123",
        "123#112",    /* odd */
        "123#1.22",   /* half a byte before a dot */
        "123#11..22", /* two dots */
        "12#00",
        "1234#00",
        "12345#00",
        "123456789#00",
        "12G#00",
        "800#00", /* other readers cut it to 7FF and below */
        "FFF#00",
        "FFFFFFFF#00",
        "40000123#00", /* bits 31 and 30 have no meaning in a log */
        "80000123#00",
        "A0000040#0000000000000000",
        "123#112233445566778899", /* a ninth byte: can-utils drops it */
        "123##",
        "123##R",
        "123##G11",
        "123##011223",
        "123#R9",
        "123#R4_9",
        "123#R8_",
        "123#R8_9A",
        "123#RA",
        "123#1122334455667788_",
        "123#1122334455667788_EE",
        "123#1122334455667788_G",
        "123#11223344556677_9",
        "123##01122334455667788_9",
        "20000040#R",
        "20000040##0",
        "123#11 ",
        " 123#11",
        "123#1G",
        "123#G1",
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(bad); i++) {
        struct lt_frame frame, before;
        memset(&frame, 0x5A, sizeof frame);
        before = frame;
        if (lt_frame_parse(lt_text_of(bad[i]), &frame))
            fail_msg("\"%s\" is taken for a frame", bad[i]);
        assert_memory_equal(&frame, &before, sizeof frame);
    }
    /* 65 bytes in an FD frame */
    char text[200] = "123##0";
    memset(text + 6, 'A', 130);
    assert_false(lt_frame_parse((struct lt_text){text, 136}, &(struct lt_frame){.id = 0}));
    assert_true(lt_frame_parse((struct lt_text){text, 134}, &(struct lt_frame){.id = 0}));
}

static void check_line(const struct lt_frame *frame, const char *bus, unsigned digits,
                       const char *want)
{
    static struct lt_sink sink;
    struct lt_buf buf;
    lt_buf_init(&buf, 0);
    lt_sink_init_buf(&sink, &buf);
    lt_frame_write_log(&sink, frame, bus, digits);
    assert_true(lt_sink_flush(&sink));
    assert_string_equal(buf.at, want);
    lt_buf_release(&buf);
}

static void log_lines_carry_time_bus_and_direction(void **state)
{
    struct lt_frame frame = {.id = 0x123,
                             .len = 4,
                             .raw_dlc = 4,
                             .time_ns = INT64_C(1436509052249713456),
                             .data = {0xDE, 0xAD, 0xBE, 0xEF}};
    (void)state;
    check_line(&frame, "can0", 6, "(1436509052.249713) can0 123#DEADBEEF\n");
    check_line(&frame, "can0", 9, "(1436509052.249713456) can0 123#DEADBEEF\n");
    check_line(&frame, "can0", 0, "(1436509052) can0 123#DEADBEEF\n");
    frame.flags = LT_FRAME_SENT;
    check_line(&frame, "can0", 3, "(1436509052.249) can0 123#DEADBEEF T\n");
    frame.flags = 0;
    frame.time_ns = 0;
    check_line(&frame, "vcan0", 6, "(000.000000) vcan0 123#DEADBEEF\n");
    frame.time_ns = INT64_C(50000000001);
    check_line(&frame, "vcan0", 9, "(050.000000001) vcan0 123#DEADBEEF\n");
    frame.time_ns = INT64_C(1234000000000);
    check_line(&frame, "vcan0", 6, "(1234.000000) vcan0 123#DEADBEEF\n");
    frame.time_ns = LT_NO_TIME;
    check_line(&frame, "", 6, "(000.000000) unnamed 123#DEADBEEF\n");
}

/* can-utils' log2long reads log lines with can-utils' own parser and prints them in long form:
 * what we wrote must mean there what we meant. */
static void log2long_of_can_utils_reads_what_is_written(void **state)
{
    static const char *const want[] = {
        "(1436509052.249713)  can0       123   [4]  DE AD BE EF",
        "(1436509052.249713)  can0  00000123   [4]  DE AD BE EF",
        "(1436509052.249713)  can0       123   [4]  remote request",
        "(1436509052.249713)  can0       123  [12]  11 22 33 44 55 66 77 88 99 AA BB CC",
        "(1436509052.249713)  can0  20000040   [8]  00 00 00 00 00 00 00 00   ERRORFRAME",
        "(1436509052.249713)  can0       7FF   [0]",
    };
    static const struct lt_frame frames[] = {
        {.id = 0x123, .len = 4, .raw_dlc = 4, .data = {0xDE, 0xAD, 0xBE, 0xEF}},
        {.id = 0x123, .flags = EXT, .len = 4, .raw_dlc = 4, .data = {0xDE, 0xAD, 0xBE, 0xEF}},
        {.id = 0x123, .flags = RTR, .raw_dlc = 4},
        {.id = 0x123,
         .flags = FD | BRS,
         .len = 12,
         .raw_dlc = 9,
         .data = {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB, 0xCC}},
        {.id = 0x40, .flags = ERR, .len = 8, .raw_dlc = 8},
        {.id = 0x7FF},
    };
    static struct lt_sink sink;
    char path[] = "/tmp/loomtap-log2long-XXXXXX", command[128], line[256];
    (void)state;
    if (system("command -v log2long >/dev/null") != 0)
        skip();
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    lt_sink_init_fd(&sink, fd);
    for (size_t i = 0; i < COUNT_OF(frames); i++) {
        struct lt_frame frame = frames[i];
        frame.time_ns = INT64_C(1436509052249713000);
        lt_frame_write_log(&sink, &frame, "can0", 6);
    }
    assert_true(lt_sink_flush(&sink));
    snprintf(command, sizeof command, "log2long <%s", path);
    FILE *tool = popen(command, "r");
    assert_non_null(tool);
    for (size_t i = 0; i < COUNT_OF(want); i++) {
        assert_non_null(fgets(line, sizeof line, tool));
        if (strncmp(line, want[i], strlen(want[i])) != 0)
            fail_msg("log2long says \"%s\" instead of \"%s\"", line, want[i]);
    }
    assert_null(fgets(line, sizeof line, tool));
    assert_int_equal(pclose(tool), 0);
    remove(path);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frame_texts_of_can_utils_are_read),
        cmocka_unit_test(frames_are_printed_as_current_writers_do),
        cmocka_unit_test(a_full_fd_frame_fits_the_room),
        cmocka_unit_test(what_is_no_frame_is_refused_and_leaves_the_result_alone),
        cmocka_unit_test(log_lines_carry_time_bus_and_direction),
        cmocka_unit_test(log2long_of_can_utils_reads_what_is_written),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
