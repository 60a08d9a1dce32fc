/* Every fault that `check` knows: one text with one thing wrong each, found at its place, told so
 * that the message alone is enough, and nothing else found with it. Lines count from the line
 * behind BASE, in which all is well. */
#include "profile_text.h"

#define BASE                                                                                       \
    "[profile]\nformat = 1\nname = t\n"                                                            \
    "[bus pt]\nbitrate = 500000\n"                                                                 \
    "[frame f]\nbus = pt\nid = 0x100\nlength = 4\n"
#define BASE_LINES 9

/* A signal of frame f, to which the rest of the text adds. */
#define SIGNAL "[signal s]\nframe = f\n"
#define SENT   "[frame k]\nbus = pt\nid = 0x6A0\nperiod_ms = 100\ndirection = send\n"

static void run(const struct wrong *table, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        char text[4096];
        int len = snprintf(text, sizeof text, "%s%s", BASE, table[i].text);
        assert_true(len > 0 && (size_t)len < sizeof text);
        expect_wrong(&table[i], text, (size_t)len, BASE_LINES);
    }
}

#define RUN(table) run(table, sizeof(table) / sizeof((table)[0]))

static void the_base_is_good(void **state)
{
    (void)state;
    struct loaded got = load_good(BASE);
    release(&got);
}

static void names(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"unknown section", "[sgnal s]\n", 1, 2, "no sections [sgnal s]", "`signal`"},
        {"unknown section, far", "[message s]\n", 1, 2, "no sections", "sections are profile"},
        {"section without name", "[signal]\n", 1, 2, "lacks the name", "[signal engine_speed]"},
        {"plain section with name", "[fits x]\n", 1, 2, "[fits] has no name", "[fits]"},
        {"capitals", "[bus CAN]\n", 1, 6, "`CAN` is not a name", "a-z"},
        {"digit first", "[bus 1a]\n", 1, 6, "`1a` is not a name", "begins with a letter"},
        {"33 characters", "[bus abcdefghijklmnopqrstuvwxyz0123456]\n", 1, 6, "not a name",
         "at most 32"},
        {"two words", "[bus a b]\n", 1, 6, "`a b` is not a name", "a-z"},
        {"unknown key", "bit = 0.0\n", 1, 1, "[frame] has no key `bit`",
         "lists the keys of [frame]"},
        {"misspelt key", "perod_ms = 5\n", 1, 1, "no key `perod_ms`",
         "did you mean `period_ms`? Milliseconds"},
        {"key of another section", "scale = 1\n", 1, 1, "no key `scale`", "[signal]"},
        {"far from any", "zzzzzzz = 1\n", 1, 1, "no key `zzzzzzz`", "docs/profile-format.md"},
        {"unknown frame", "[signal s]\nframe = ff\nbits = 0.0\n", 2, 9, "no frame `ff`", "`f`"},
        {"unknown parameter", "[signal s]\nparameter = obd\nbits = 0.0\n", 2, 13,
         "no parameter `obd`", "add a section [parameter obd]"},
        {"unknown bus", "[frame g]\nid = 2\nbus = p\n", 3, 7, "no bus `p`", "`pt`"},
        {"unknown curve", SIGNAL "bits = 0.0\ncurve = c\n", 4, 9, "no curve `c`", "[curve c]"},
        {"unknown role", SIGNAL "bits = 0.0\nrole = engine_sped\n", 4, 8, "no role `engine_sped`",
         "`engine_speed`"},
        {"role family", SIGNAL "bits = 0.0\nrole = wheel_speed_*\n", 4, 8, "no role",
         "wheel_speed"},
        {"unknown selector",
         SIGNAL "bits = 0.0\npage = kimd 3\n[signal kind]\nframe = f\n"
                "bits = 1.0\n",
         4, 8, "no signal `kimd`", "`kind`"},
        {"values of nothing", "[values s]\n0 = a\n", 1, 2, "no signal `s`", "name of the signal"},
        {"affine of nothing", "[affine ff]\nconstant = 0\n", 1, 2, "no frame `ff`", "`f`"},
        {"word of conditions", "[signal and]\nframe = f\nbits = 0.0\n", 1, 2, "`and` is a word",
         "another name"},
        {"function of conditions", "[signal limp]\nframe = f\nbits = 0.0\n", 1, 2,
         "`limp` is a word", "another name", .is_warning = true},
    };
    RUN(table);
}

static void profile_section(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"empty file", "", 1, 1, "no section [profile]", "format = 1"},
        {"no format", "[profile]\nname = t\n", 1, 2, "no `format`", "format = 1"},
        {"format 2", "[profile]\nname = t\nformat = 2\n", 3, 10, "`2` is not a format",
         "format = 1"},
        {"no name", "[profile]\nformat = 1\n", 1, 2, "no `name`", "name ="},
        {"bad name", "[profile]\nformat = 1\nname = Tarn Turbo\n", 3, 8, "`Tarn Turbo`", "a-z",
         .is_warning = true},
        {"before any section", "format = 1\n[profile]\nformat = 1\nname = t\n", 1, 1,
         "before the first section", "[profile]"},
        {"missing role", "[profile]\nformat = 1\nname = t\nrequires = load\n", 4, 12,
         "no signal has the role `load`", "role = load"},
        {"required role unknown", "[profile]\nformat = 1\nname = t\nrequires = laod\n", 4, 12,
         "no role `laod`", "`load`"},
        {"commas", "[profile]\nformat = 1\nname = t\nrequires = load,lambda\n", 4, 12,
         "no role `load,lambda`", "without commas"},
        {"prove key", "[profile]\nformat = 1\nname = t\n[prove]\nMax Jitter = 1\n", 5, 1,
         "`Max Jitter` is not a key", "a-z"},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++)
        expect_wrong(&table[i], table[i].text, strlen(table[i].text), 0);
}

/* Among the required roles the right one is pointed at, even where it is part of another's name. */
static void the_missing_role_is_pointed_at(void **state)
{
    (void)state;
    static const char text[] = "[profile]\nformat = 1\nname = t\nrequires = absolute_load load\n"
                               "[frame f]\nid = 1\n[signal a]\nframe = f\nbits = 0.7..0.0\n"
                               "unit = %\nrole = absolute_load\n";
    const struct wrong wrong = {"load", text, 4, 26, "the role `load`", "role = load"};
    expect_wrong(&wrong, text, strlen(text), 0);
}

static void buses(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"unit written", "[bus b]\nbitrate = 500k\n", 2, 11, "`500k` is not a whole", "decimal"},
        {"too fast", "[bus b]\nbitrate = 5000000\n", 2, 11, "outside 1000..1000000 bit/s",
         "1000000"},
        {"slower data", "[bus b]\nbitrate = 500000\ndata_bitrate = 250000\n", 3, 16,
         "below the bitrate 500000", "as fast"},
        {"data rate without FD", "[bus b]\ndata_bitrate = 2000000\nfd = no\n", 3, 6,
         "has a data_bitrate", "fd = iso"},
        {"kind of FD", "[bus b]\nfd = yes\n", 2, 6, "`yes` is none", "`no`, `iso` or `non-iso`"},
        {"sample point", "[bus b]\nsample_point = 8.75 %\n", 2, 16, "8.75 %", "0.875"},
        {"sample point 1", "[bus b]\nsample_point = 1\n", 2, 16, "between 50", "0.875"},
        {"interface", "[bus b]\ninterface = a/b\n", 2, 13, "`a/b`", "can0"},
    };
    RUN(table);
}

static void frames(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"no identifier", "[frame g]\nlength = 8\n", 1, 2, "`g` has no identifier", "id = 0x"},
        {"both", "[frame g]\nid = 2\npgn = 61444\n", 3, 7, "has an id as well", "one of them"},
        {"29 bits unsaid", "[frame g]\nid = 0x18FEF100\n", 2, 6, "does not fit in 11 bits",
         "extended = yes"},
        {"30 bits", "[frame g]\nid = 0x20000000\nextended = yes\n", 2, 6, "outside 0..536870911",
         "0x1FFFFFFF"},
        {"not a number", "[frame g]\nid = 0C4\n", 2, 6, "`0C4` is not a whole number", "0x"},
        {"pgn of 11 bits", "[frame g]\npgn = 61444\nextended = no\n", 3, 12, "29 bits", "remove"},
        {"pgn too large", "[frame g]\npgn = 0x40000\n", 2, 7, "not a parameter group", "0x3FFFF"},
        {"pgn with destination", "[frame g]\npgn = 0xEA05\n", 2, 7, "destination", "0x0EA00"},
        {"source of an id", "[frame g]\nid = 2\nsource = 1\n", 3, 10, "no pgn", "remove `source`"},
        {"source", "[frame g]\npgn = 61444\nsource = 254\n", 3, 10, "outside 0..253", "address"},
        {"yes or no", "[frame g]\nid = 2\nextended = true\n", 3, 12, "`true` is none",
         "`no` or `yes`"},
        {"65 bytes", "[frame g]\nid = 2\nlength = 65\n", 3, 10, "no 65 bytes", "64"},
        {"length", "[frame g]\nid = 2\nlength = 8 bytes\n", 3, 10, "`8 bytes`", "0 to 8"},
        {"classic with 9", "[frame g]\nid = 2\nlength = 12\nfd = no\n", 3, 10, "`fd = no`",
         "fd = yes"},
        {"length not on the wire", "[frame g]\nid = 2\nlength = 11\n", 3, 10, "no FD frame has 11",
         "on the wire", .is_warning = true},
        {"FD on a classic bus", "[frame g]\nbus = pt\nid = 2\nlength = 12\n", 2, 7,
         "not said to carry FD", "fd = iso", .is_warning = true},
        {"period 0", "[frame g]\nid = 2\nperiod_ms = 0\n", 3, 13, "0 is not a period",
         "milliseconds"},
        {"period with unit", "[frame g]\nid = 2\nperiod_ms = 10ms\n", 3, 13, "`10ms`", "decimal"},
        {"decimal comma", "[frame g]\nid = 2\nperiod_ms = 2,5\n", 3, 13, "`2,5`", "point"},
        {"direction", "[frame g]\nid = 2\ndirection = tx\n", 3, 13, "`tx`", "`listen` or `send`"},
        {"same id", "[frame g]\nbus = pt\nid = 0x100\n", 3, 6, "same identifier on the same bus",
         "together"},
        {"same id on any bus", "[frame g]\nid = 0x100\n", 2, 6, "one of them is on every bus",
         "both are decoded", .is_warning = true},
        {"same pgn", "[frame g]\npgn = 61444\n[frame h]\npgn = 0xF004\n", 4, 7, "`h` has the same",
         "together"},
    };
    RUN(table);
}

/* The same number in 11 and in 29 bits is two identifiers; so are two sources of one PGN, and the
 * same on two buses. */
static void identifiers_that_differ_are_fine(void **state)
{
    (void)state;
    struct loaded got = load_good(BASE "[frame g]\nbus = pt\nid = 0x100\nextended = yes\n"
                                       "[bus b]\n[frame h]\nbus = b\nid = 0x100\n"
                                       "[frame i]\npgn = 61444\n[frame j]\npgn = 61444\n"
                                       "source = 0\n[frame k]\nid = 0x0CF00400\nextended = yes\n");
    release(&got);
}

static void counters(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"past the length", "counter = 4.3..4.0\n", 1, 11, "reaches into byte 4", "length"},
        {"mod too large", "counter = 3.3..3.0 mod 17\n", 1, 11, "mod 17", "2 to 16"},
        {"mod 1", "counter = 3.3..3.0 mod 1\n", 1, 11, "mod 1", "2 to 16"},
        {"step 0", "counter = 3.3..3.0 step 0\n", 1, 11, "step 0", "1 to mod - 1"},
        {"step too large", "counter = 3.3..3.0 mod 4 step 4\n", 1, 11, "step 4", "1 to mod - 1"},
        {"unknown word", "counter = 3.3..3.0 modulo 15\n", 1, 20, "`modulo`", "mod N"},
        {"no number", "counter = 3.3..3.0 mod\n", 1, 20, "`mod` wants", "mod 15"},
        {"twice", "counter = 3.3..3.0 mod 3 mod 4\n", 1, 26, "twice", "remove"},
        {"no bits", "counter = yes\n", 1, 20 - 9, "`yes`", "bits"},
        {"too long", "counter = 0.7..3.0\n", 1, 11, "32 bits are too many", "1 to 31"},
        {"on the checksum", "counter = 3.3..3.0\nchecksum = xor over 0..2 in 3\n", 1, 11,
         "checksum's place", "correct"},
    };
    RUN(table);
}

static void checksums(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"unknown family", "checksum = crc9 over 0..2 in 3\n", 1, 12, "crc9", "crc"},
        {"past the end", "checksum = xor over 0..6 in 3\n", 1, 12, "checksum: ", "length"},
        {"twice", "checksum = xor over 0..2 in 3\nchecksum = sum over 0..2 in 3\n", 2, 12,
         "already given at t.ini:10", "page N"},
        {"page without selector", "checksum = xor over 0..2 in 3 page 1\n", 1, 12,
         "needs one selector", "page = SELECTOR"},
        {"page too large",
         "checksum = xor over 0..2 in 3 page 4\n[signal kind]\nframe = f\nbits = 0.1..0.0\n" SIGNAL
         "bits = 1.0\npage = kind 1\n",
         1, 12, "never 4", "0 to 3"},
        {"same page",
         "checksum = xor over 0..2 in 3 page 1\nchecksum = sum over 0..2 in 3 page 1\n"
         "[signal kind]\nframe = f\nbits = 0.1..0.0\n" SIGNAL "bits = 1.0\npage = kind 1\n",
         2, 12, "already given", "page N"},
        {"affine without numbers", "checksum = affine over 0..2 in 3\n", 1, 12, "without its",
         "[affine f]"},
        {"numbers without affine", "[affine f]\nconstant = 1\n", 1, 2, "no affine checksum",
         "checksum = affine"},
        {"affine constant",
         "checksum = affine over 0..2 in 3\n[affine f]\nbyte_0 = 1,2,3,4,5,6,7,8\n", 2, 2,
         "no `constant`", "constant = 0"},
        {"affine columns",
         "checksum = affine over 0..2 in 3\n[affine f]\nconstant = 1\n"
         "byte_0 = 1,2,3\n",
         4, 10, "3 columns", "one number for each bit"},
        {"affine key", "checksum = affine over 0..2 in 3\n[affine f]\nconstant = 1\nbyte_64 = 1\n",
         4, 1, "no key `byte_64`", "byte_63"},
        {"affine width", "checksum = affine over 0..2 in 3\n[affine f]\nconstant = 0x100\n", 1, 12,
         "more than 8 bits", "FAMILY over RANGES"},
    };
    RUN(table);
}

static void sending(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"no period", "[frame k]\nbus = pt\nid = 0x6A0\ndirection = send\n", 4, 13, "no period_ms",
         "add `period_ms`"},
        {"heard too", "[frame k]\nbus = pt\nid = 0x100\nperiod_ms = 9\ndirection = send\n", 3, 6,
         "frame `f` (t.ini:6) listens to", "kit's own"},
        {"heard on any bus", SENT "[frame g]\nid = 0x6A0\n", 3, 6, "frame `g`", "kit's own"},
        {"heard as PGN",
         "[frame k]\nid = 0x18F00405\nextended = yes\nperiod_ms = 9\ndirection = send\n"
         "[frame g]\npgn = 61444\n",
         2, 6, "frame `g`", "kit's own"},
        {"sent as PGN, heard as id",
         "[frame k]\npgn = 61444\nsource = 5\nperiod_ms = 9\ndirection = send\n"
         "[frame g]\nid = 0x0CF00405\nextended = yes\n",
         2, 7, "frame `g`", "kit's own"},
        {"DM1 from any",
         "[frame k]\npgn = 65226\nsource = 5\nperiod_ms = 1000\ndirection = send\n"
         "[frame g]\npgn = 65226\n",
         2, 7, "listens to DM1", "address", .is_warning = true},
        {"PGN without address", "[frame k]\npgn = 65226\nperiod_ms = 9\ndirection = send\n", 4, 13,
         "no source address", "add `source`"},
        {"OBD request", "[frame k]\nid = 0x7DF\nperiod_ms = 9\ndirection = send\n", 2, 6,
         "reserved for diagnostics", "kit's own"},
        {"OBD reply", "[frame k]\nid = 0x7EF\nperiod_ms = 9\ndirection = send\n", 2, 6,
         "reserved for diagnostics", "kit's own"},
        {"29-bit request",
         "[frame k]\nid = 0x18DB33F1\nextended = yes\nperiod_ms = 9\ndirection = send\n", 2, 6,
         "reserved for diagnostics", "kit's own"},
        {"address claim", "[frame k]\npgn = 60928\nsource = 5\nperiod_ms = 9\ndirection = send\n",
         2, 7, "claiming addresses", "kit's own"},
        {"authenticated", SENT "authenticated = yes\n", 6, 17, "cannot be sent", "remove"},
        {"FD length", "[frame k]\nid = 0x6A0\nlength = 11\nperiod_ms = 9\ndirection = send\n", 3,
         10, "no FD frame has 11", "on the wire"},
        {"needs transport",
         "[frame k]\npgn = 65226\nsource = 5\nlength = 9\nperiod_ms = 9\ndirection = send\n", 4, 10,
         "cannot be sent", "up to 8 bytes"},
        {"which bus", "[bus b]\n[frame k]\nid = 0x6A0\nperiod_ms = 9\ndirection = send\n", 2, 2,
         "names no bus", "add `bus`", .is_warning = true},
    };
    RUN(table);
}

static void bits(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"no frame", "[signal s]\nbits = 0.0\n", 1, 2, "in no frame", "frame = NAME"},
        {"frame and parameter",
         "[parameter p]\nservice = 1\npid = 1\n" SIGNAL "parameter = p\nbits = 0.0\n", 6, 13,
         "has a frame as well", "remove"},
        {"no bits", SIGNAL, 1, 2, "`s` has no bits", "bits = 0.7..1.0"},
        {"bits and parts", SIGNAL "bits = 0.0\nparts = 1.0\n", 4, 9, "`bits` as well", "parts"},
        {"bit 8", SIGNAL "bits = 0.8..0.0\n", 3, 8, "no bit 8 in byte 0", "0 (least"},
        {"byte 2048", SIGNAL "bits = 2048.0\n", 3, 8, "byte 2048", "2047"},
        {"lower end first", SIGNAL "bits = 0.3..0.7\n", 3, 8, "lower bit first", "0.7..0.3"},
        {"not bits", SIGNAL "bits = 7:0\n", 3, 8, "`7:0` does not name bits", "byte.bit"},
        {"start and length", SIGNAL "bits = 8\n", 3, 8, "`8` does not name bits", "byte.bit"},
        {"65 bits", SIGNAL "bits = 8.0..0.0\n", 3, 8, "longer than 64", "split"},
        {"two places", SIGNAL "bits = 0.0 1.0\n", 3, 8, "several places", "parts ="},
        {"part twice", SIGNAL "parts = 0.3..0.0 0.2\n", 3, 9, "names a bit twice", "own"},
        {"second part bad", SIGNAL "parts = 0.3..0.0 1.9\n", 3, 18, "no bit 9", "7"},
        {"past the length", SIGNAL "bits = 4.7..4.0\n", 3, 8, "reaches into byte 4", "length"},
        {"past by one bit", SIGNAL "bits = 3.7..4.7\norder = motorola\n", 3, 8,
         "past the end of frame `f` with 4 bytes", "count from 0"},
        {"past the parameter",
         "[parameter p]\nservice = 1\npid = 1\nlength = 1\n[signal s]\nparameter = p\nbits = 1.0\n",
         7, 8, "past the end of parameter `p` with 1 byte", "length"},
        {"float of 16", SIGNAL "bits = 0.7..1.0\norder = motorola\nsign = float\n", 5, 8,
         "32 or 64 bits, and this field has 16", "correct"},
    };
    RUN(table);
}

static void orders(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"unsaid, Motorola", SIGNAL "bits = 0.7..1.0\n", 3, 8, "`order` has to be said",
         "add `order = motorola`, or, if the field is intel, name its ends `1.7..0.0`"},
        {"unsaid, Intel", SIGNAL "bits = 3.7..2.4\n", 3, 8, "`order` has to be said",
         "add `order = intel`, or, if the field is motorola, name its ends `2.7..3.4`"},
        {"contradiction, Motorola ends", SIGNAL "bits = 0.7..1.0\norder = intel\n", 4, 9,
         "from the lower byte on to the higher, which is motorola", "name its ends `1.7..0.0`"},
        {"contradiction, Intel ends", SIGNAL "bits = 1.7..0.0\norder = motorola\n", 4, 9,
         "from the higher byte down to the lower, which is intel", "name its ends `0.7..1.0`"},
        {"parts that contradict each other", SIGNAL "parts = 0.7..1.0 3.0..2.7\norder = motorola\n",
         4, 9, "which is intel", "order = intel"},
        {"no order", SIGNAL "bits = 0.7..1.0\norder = big\n", 4, 9, "`big` is none",
         "`intel` or `motorola`"},
    };
    RUN(table);
    struct loaded got = load_good(BASE SIGNAL "bits = 0.6..0.4\norder = intel\n");
    assert_int_equal(got.profile->signals[0].order, LT_ORDER_NONE);
    release(&got);
}

static void numbers(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"scale 0", SIGNAL "bits = 0.0\nscale = 0\n", 4, 9, "every value", "0.25"},
        {"scale", SIGNAL "bits = 0.0\nscale = 0,25\n", 4, 9, "`0,25`", "point"},
        {"hash comment", SIGNAL "bits = 0.0\nscale = 0.25 # rpm\n", 4, 9, "`0.25 # rpm`", "`;`"},
        {"comment without blank", SIGNAL "bits = 0.0\nscale = 0.25;rpm\n", 4, 9, "`0.25;rpm`",
         "blank before"},
        {"offset", SIGNAL "bits = 0.0\noffset = -40 °C\n", 4, 10, "`-40 °C`", "decimal"},
        {"range", SIGNAL "bits = 0.7..0.0\nrange = 0-5\n", 4, 9, "`0-5` is not a range", "0..9000"},
        {"range backwards", SIGNAL "bits = 0.7..0.0\nrange = 5..0\n", 4, 9, "backwards", "lower"},
        {"range end", SIGNAL "bits = 0.7..0.0\nrange = 0..x\n", 4, 12, "`x` is not a number",
         "decimal"},
        {"range excludes", SIGNAL "bits = 0.7..0.0\nrange = 300..400\n", 4, 9,
         "excludes all that the field can reach, 0 to 255", "correct"},
        {"range below", SIGNAL "bits = 0.7..0.0\nrange = -20..-10\n", 4, 9, "excludes", "correct"},
        {"range wider", SIGNAL "bits = 0.7..0.0\nscale = 0.1\nrange = 0..30\n", 5, 9,
         "wider than the field can reach, 0 to 25.5", "narrow", .is_warning = true},
        {"range of a signed field", SIGNAL "bits = 0.7..0.0\nsign = twos\nrange = -129..0\n", 5, 9,
         "-128 to 127", "narrow", .is_warning = true},
        {"range of sign and magnitude",
         SIGNAL "bits = 0.7..0.0\nsign = sign-magnitude\nrange = -128..0\n", 5, 9, "-127 to 127",
         "narrow", .is_warning = true},
        {"range of a reciprocal",
         SIGNAL "bits = 0.7..0.0\nform = reciprocal\noffset = 1\n"
                "range = 2..3\n",
         6, 9, "0.00390625 to 1", "correct"},
        {"range of a curve",
         SIGNAL "bits = 0.7..0.0\ncurve = c\nrange = 200..300\n[curve c]\n0 = 5\n255 = 100\n", 5, 9,
         "5 to 100", "correct"},
        {"max_age", SIGNAL "bits = 0.0\nmax_age_ms = 0\n", 4, 14, "outside 1..3600000 ms", "older"},
        {"on_lost", SIGNAL "bits = 0.0\non_lost = keep\n", 4, 11, "`keep`", "hold MS"},
        {"on_lost number", SIGNAL "bits = 0.0\non_lost = hold\n", 4, 11, "`hold`", "hold MS"},
        {"on_lost time", SIGNAL "bits = 0.0\non_lost = hold -5\n", 4, 16, "-5 is no time",
         "above 0"},
        {"on_lost label", SIGNAL "bits = 0.0\non_lost = value old\nvalues = 0 off\n", 4, 17,
         "`old` is neither a number nor a label", "labels"},
        {"scale and role too large",
         SIGNAL "bits = 0.7..0.0\nscale = 1000000000000000000\nunit = MPa\n"
                "role = manifold_pressure\n",
         4, 9, "scale: ", ""},
        {"curve of one point", "[curve c]\n0 = 1\n", 1, 2, "has 1 point", "at least two"},
        {"curve not ascending", "[curve c]\n0 = 1\n5 = 2\n5.0 = 3\n", 4, 1, "not above", "order"},
        {"curve raw", "[curve c]\n0 = 1\n5 = 2\nx = 3\n", 4, 1, "`x` is not the raw", "raw = "},
        {"curve and scale",
         SIGNAL "bits = 0.7..0.0\nscale = 2\ncurve = c\n[curve c]\n0 = 5\n255 = 100\n", 4, 9,
         "scale is not used", "remove", .is_warning = true},
        {"curve and reciprocal",
         SIGNAL "bits = 0.7..0.0\nform = reciprocal\ncurve = c\n[curve c]\n0 = 5\n255 = 100\n", 4,
         8, "has a curve as well", "remove"},
        {"form", SIGNAL "bits = 0.0\nform = inverse\n", 4, 8, "`inverse`",
         "`linear` or `reciprocal`"},
        {"sign", SIGNAL "bits = 0.0\nsign = signed\n", 4, 8, "`signed`", "twos"},
    };
    /* The advice of the row about size comes from the codec and may be absent. */
    RUN(table);
}

static void roles(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"unit of another quantity", SIGNAL "bits = 0.7..0.0\nunit = kPa\nrole = engine_speed\n", 4,
         8, "`kPa` cannot be converted to `rpm`", "do not measure the same"},
        {"unknown unit", SIGNAL "bits = 0.7..0.0\nunit = rmp\nrole = engine_speed\n", 4, 8,
         "`rmp` cannot be converted", "not a unit known here"},
        {"no unit", SIGNAL "bits = 0.7..0.0\nrole = engine_speed\n", 1, 2, "has no unit",
         "unit = rpm"},
        /* A bare number could be taken as a fraction of 1 and become a hundred times as many %. */
        {"no unit, role in percent", SIGNAL "bits = 0.7..0.0\nrole = load\n", 1, 2, "has no unit",
         "unit = %"},
        {"AFR without stoich", SIGNAL "bits = 0.7..0.0\nunit = AFR\nrole = lambda\n", 4, 8,
         "`AFR` cannot be converted", "add `stoich`"},
        {"stoich 0", SIGNAL "bits = 0.7..0.0\nstoich = 0\n", 4, 10, "above 0", "14.7"},
        {"labels missing", SIGNAL "bits = 0.7..0.0\nrole = drive_mode\n", 4, 8, "`s` has none",
         "values =", .is_warning = true},
        {"role twice",
         SIGNAL "bits = 0.7..0.0\nunit = %\nrole = load\n[signal t]\nframe = f\nbits = 1.7..1.0\n"
                "unit = %\nrole = load\n",
         10, 8, "`t` and `s` both have the role `load`", "copies", .is_warning = true},
    };
    RUN(table);
}

static void codes_and_labels(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"code too large", SIGNAL "bits = 0.3..0.0\nunavailable = 14, 0x1F\n", 4, 19,
         "0x1F does not fit in the 4 bits", "0xF (15)"},
        {"codes overlap", SIGNAL "bits = 0.7..0.0\nunavailable = 0xF0..0xFF\nerror = 0xFE\n", 5, 9,
         "0xFE already means `unavailable` at t.ini:13", "one meaning"},
        {"code twice", SIGNAL "bits = 0.7..0.0\nerror = 0xFE 0xF0..0xFF\n", 4, 14,
         "0xFE already means", "one meaning"},
        {"code and label", SIGNAL "bits = 0.1..0.0\nunavailable = 3\nvalues = 0 off, 3 on\n", 5, 17,
         "0x3 already means `unavailable`", "one meaning"},
        {"code range", SIGNAL "bits = 0.7..0.0\nerror = 9..5\n", 4, 9, "backwards", "lower"},
        {"negative code", SIGNAL "bits = 0.7..0.0\nerror = -1\n", 4, 9, "`-1`", "bit patterns"},
        {"code word", SIGNAL "bits = 0.7..0.0\nerror = 5, all\n", 4, 12, "`all`", "0x0F"},
        {"label too large", SIGNAL "bits = 0.1..0.0\nvalues = 0 a, 4 b\n", 4, 15,
         "0x4 does not fit in the 2 bits", "0x3"},
        {"raw twice", SIGNAL "bits = 0.1..0.0\nvalues = 0 a, 0 b\n", 4, 15,
         "raw value is already used", "one label"},
        {"label twice", SIGNAL "bits = 0.1..0.0\nvalues = 0 a, 1 a\n", 4, 15,
         "label is already used", "one raw value"},
        {"raw twice in a section", SIGNAL "bits = 0.1..0.0\n[values s]\n1 = a\n0x1 = b\n", 6, 1,
         "raw value is already used", "one label"},
        {"reserved label", SIGNAL "bits = 0.1..0.0\nvalues = 0 a, 3 unavailable\n", 4, 15,
         "`unavailable` of raw value 3 is one of the words", "keys `unavailable`"},
        {"reserved suspect", SIGNAL "bits = 0.1..0.0\nvalues = 0 suspect\n", 4, 10, "`suspect`",
         "another label"},
        {"reserved in a section", SIGNAL "bits = 0.1..0.0\n[values s]\n1 = error\n", 5, 1,
         "`error`", "keys"},
        {"no label", SIGNAL "bits = 0.1..0.0\nvalues = 0 a, 1\n", 4, 15, "is missing", "label"},
        {"no raw value", SIGNAL "bits = 0.1..0.0\nvalues = a, b\n", 4, 10, "`a` is not the raw", "",
         .code = LT_E_SYNTAX},
        {"quote", SIGNAL "bits = 0.1..0.0\nvalues = 0 it's\n", 4, 10, "a quote", "another label"},
        {"negative raw", SIGNAL "bits = 0.1..0.0\nvalues = -1 a\n", 4, 10, "`-1`", "bit patterns"},
        {"both forms", SIGNAL "bits = 0.1..0.0\nvalues = 0 a\n[values s]\n1 = b\n", 5, 2,
         "values already at t.ini:13", "not both"},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        if (strcmp(table[i].what, "no raw value") != 0) {
            run(&table[i], 1);
            continue;
        }
        /* Both items are wrong. */
        char text[1024];
        snprintf(text, sizeof text, "%s%s", BASE, table[i].text);
        struct loaded got = load_text(text);
        assert_int_equal(got.faults.count, 2);
        assert_int_equal(got.faults.items[1].column, 13);
        release(&got);
    }
}

static void pages(void **state)
{
    (void)state;
#define KIND "[signal kind]\nframe = f\nbits = 0.3..0.0\n"
    static const struct wrong table[] = {
        {"overlap", SIGNAL "bits = 0.7..0.0\n[signal t]\nframe = f\nbits = 0.7\n", 6, 8,
         "`t` overlaps `s`, which has 0.7..0.0 (t.ini:10)", "page"},
        {"overlap of a page and all",
         KIND SIGNAL "bits = 1.0\n[signal t]\nframe = f\nbits = 1.0\npage = kind 1\n", 9, 8,
         "`t` overlaps `s`", "page"},
        {"overlap of pages that meet",
         KIND SIGNAL "bits = 1.0\npage = kind 1..3\n[signal t]\nframe = f\nbits = 1.0\n"
                     "page = kind 3,5\n",
         10, 8, "`t` overlaps `s`", "page"},
        {"page on a selector's bits", KIND SIGNAL "bits = 0.0\npage = kind 1\n", 6, 8,
         "`s` overlaps `kind`", "page"},
        {"page too large", KIND SIGNAL "bits = 1.0\npage = kind 16\n", 7, 8, "never 16", "bits"},
        {"page without values", KIND SIGNAL "bits = 1.0\npage = kind\n", 7, 8,
         "not a condition on a page", "kind 3"},
        {"page with an equals sign", KIND SIGNAL "bits = 1.0\npage = kind == 3\n", 7, 13,
         "`==` is not a raw", "number"},
        {"selector elsewhere",
         "[frame g]\nid = 2\n[signal kind]\nframe = g\nbits = 0.3..0.0\n" SIGNAL
         "bits = 1.0\npage = kind 1\n",
         9, 8, "not in the same frame", "own frame"},
        {"own selector", SIGNAL "bits = 1.0\npage = s 1\n", 4, 8, "depends on itself", "outermost"},
        {"part of the counter", "counter = 3.3..3.0\n" SIGNAL "bits = 3.1..3.0\n", 4, 8,
         "overlaps the frame's counter in 3.3..3.0", "whole counter"},
        {"part of the checksum", "checksum = xor over 0..2 in 3\n" SIGNAL "bits = 3.7..3.4\n", 4, 8,
         "overlaps the frame's checksum in 3.7..3.0", "whole checksum"},
    };
    RUN(table);
}

static void signals_that_never_meet_may_overlap(void **state)
{
    (void)state;
    /* Pages apart; apart through the selector's own page; the counter and checksum as signals;
     * on a page without this checksum. */
    struct loaded got =
        load_good(BASE KIND "[signal a]\nframe = f\nbits = 1.7..1.0\npage = kind 1,3\n"
                            "[signal sub]\nframe = f\nbits = 2.3..2.0\npage = kind 2\n"
                            "[signal b]\nframe = f\nbits = 1.7..1.0\npage = sub 0\n"
                            "[signal c]\nframe = f\nbits = 1.7..1.0\npage = sub 1\n"
                            "[signal d]\nframe = f\nbits = 2.7..2.0\npage = kind 0\n"
                            "[frame g]\nid = 2\ncounter = 0.7..0.4\nchecksum = xor over 0..6 in 7\n"
                            "[signal count]\nframe = g\nbits = 0.7..0.4\n"
                            "[signal check]\nframe = g\nbits = 7.7..7.0\n"
                            "[frame h]\nid = 3\nchecksum = xor over 0..6 in 7 page 1\n"
                            "[signal kind_h]\nframe = h\nbits = 0.3..0.0\n"
                            "[signal x]\nframe = h\nbits = 7.1..7.0\npage = kind_h 2\n");
    release(&got);
}

static void a_circle_of_selectors_is_refused(void **state)
{
    (void)state;
    struct loaded got = load_text(BASE SIGNAL "bits = 1.0\npage = a 1\n"
                                              "[signal a]\nframe = f\nbits = 1.1\npage = b 1\n"
                                              "[signal b]\nframe = f\nbits = 1.2\npage = a 1\n");
    assert_int_equal(got.faults.count, 2);
    for (size_t i = 0; i < 2; i++)
        assert_non_null(strstr(got.faults.items[i].text, "depends on itself"));
    release(&got);
}

static void more_pages_than_a_plan_holds_are_refused(void **state)
{
    (void)state;
    char text[20000];
    size_t len = (size_t)snprintf(text, sizeof text,
                                  "%s[signal kind]\nframe = f\n"
                                  "bits = 0.7..0.0\n",
                                  BASE);
    for (unsigned i = 0; i < 65; i++)
        len += (size_t)snprintf(text + len, sizeof text - len,
                                "[signal s%u]\nframe = f\nbits = 1.0\npage = kind %u\n", i, i);
    const struct wrong wrong = {"65 pages", text,           BASE_LINES + 3 + 64 * 4 + 4,
                                8,          "more than 64", "split",
                                false,      LT_E_LIMIT};
    expect_wrong(&wrong, text, len, 0);
}

static void parameters(void **state)
{
    (void)state;
    static const struct wrong table[] = {
        {"no service", "[parameter p]\npid = 1\n", 1, 2, "no service", "0x01"},
        {"reply's service", "[parameter p]\nservice = 0x41\npid = 1\n", 2, 11, "`0x41`",
         "0x40 higher"},
        {"no pid", "[parameter p]\nservice = 1\n", 1, 2, "0x01 wants one", "pid"},
        {"pid of codes", "[parameter p]\nservice = 3\npid = 1\n", 3, 7, "has none", "remove"},
        {"16 bits", "[parameter p]\nservice = 1\npid = 0xF40C\n", 3, 7, "more than 8 bits", "0x22"},
        {"17 bits", "[parameter p]\nservice = 0x22\npid = 0x10000\n", 3, 7, "outside 0..65535",
         "16"},
        {"twice", "[parameter p]\nservice = 1\npid = 12\n[parameter q]\nservice = 1\npid = 0x0C\n",
         4, 2, "`q` is the same as `p`", "together"},
        {"length", "[parameter p]\nservice = 1\npid = 12\nlength = 0\n", 4, 10, "`0`", "1 to 4095"},
        {"responder", "[parameter p]\nservice = 1\npid = 12\nresponder = ecm\n", 4, 13, "`ecm`",
         "hex"},
    };
    RUN(table);
}

static void warnings(void **state)
{
    (void)state;
#define WARN SENT "[signal s]\nframe = k\nbits = 0.7..0.0\nrange = 0..100\n[warning w]\n"
    static const struct wrong table[] = {
        {"no condition", "[warning w]\nlimp = yes\n", 1, 2, "no `when`", "when = "},
        {"no effect", WARN "when = s > 5\n", 10, 2, "neither sends", "limp = yes",
         .is_warning = true},
        {"not a sent frame", WARN "when = s > 5\nsend = f\n", 12, 8, "`f` (t.ini:6) is not one",
         "direction = send"},
        {"no such frame", WARN "when = s > 5\nsend = kk s=1\n", 12, 8, "no frame `kk`", "`k`"},
        {"signal of another frame",
         "[signal o]\nframe = f\nbits = 0.0\n" WARN "when = s > 5\nsend = k o=1\n", 15, 8,
         "`o` is not in frame `k`", "frame that is sent"},
        {"not an assignment", WARN "when = s > 5\nsend = k s 1\n", 12, 10, "`s` is not", "lamp=1"},
        {"value too large", WARN "when = s > 5\nsend = k s=300\n", 12, 8, "send: ", ""},
        {"not a value", WARN "when = s > 5\nsend = k s=on\n", 12, 8, "send: ", ""},
        {"set twice", WARN "when = s > 5\nsend = k s=1 s=2\n", 12, 8, "set twice", "remove"},
        {"unknown signal", WARN "when = sss > 5\nlimp = yes\n", 11, 8, "sss", ""},
        {"broken condition", WARN "when = s > \nlimp = yes\n", 11, 1, "", ""},
        {"on_lost", WARN "when = s > 5\nlimp = yes\non_lost = limp\n", 13, 11, "`limp`",
         "`warn` or `ignore`"},
        {"for_ms", WARN "when = s > 5\nlimp = yes\nfor_ms = 1.5\n", 13, 10, "`1.5`", "unit"},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++)
        if (strcmp(table[i].what, "broken condition") != 0)
            run(&table[i], 1);
}

/* The column counts from the start of the line, also behind a long key and inside the condition. */
static void a_fault_in_a_condition_has_its_column(void **state)
{
    (void)state;
    struct loaded got = load_text(BASE WARN "when   = s > 5 and (s < )\nlimp = yes\n");
    assert_int_equal(got.faults.count, 1);
    assert_int_equal(got.faults.items[0].line, BASE_LINES + 11);
    assert_int_equal(got.faults.items[0].column, 25);
    assert_string_equal(got.faults.items[0].key, "[warning w] when");
    release(&got);
}

static void faults_stand_in_the_order_of_the_text(void **state)
{
    (void)state;
    struct loaded got = load_text("[profile]\nformat = 1\n[warning w]\nlimp = yes\n[frame f]\n"
                                  "length = 99\nid = 0x800\n[bus b]\nfd = x\n: y\n");
    static const unsigned lines[] = {1, 3, 6, 7, 9, 10};
    assert_int_equal(got.faults.count, 6);
    for (size_t i = 0; i < 6; i++)
        assert_int_equal(got.faults.items[i].line, lines[i]);
    release(&got);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_base_is_good),
        cmocka_unit_test(names),
        cmocka_unit_test(profile_section),
        cmocka_unit_test(the_missing_role_is_pointed_at),
        cmocka_unit_test(buses),
        cmocka_unit_test(frames),
        cmocka_unit_test(identifiers_that_differ_are_fine),
        cmocka_unit_test(counters),
        cmocka_unit_test(checksums),
        cmocka_unit_test(sending),
        cmocka_unit_test(bits),
        cmocka_unit_test(orders),
        cmocka_unit_test(numbers),
        cmocka_unit_test(roles),
        cmocka_unit_test(codes_and_labels),
        cmocka_unit_test(pages),
        cmocka_unit_test(signals_that_never_meet_may_overlap),
        cmocka_unit_test(a_circle_of_selectors_is_refused),
        cmocka_unit_test(more_pages_than_a_plan_holds_are_refused),
        cmocka_unit_test(parameters),
        cmocka_unit_test(warnings),
        cmocka_unit_test(a_fault_in_a_condition_has_its_column),
        cmocka_unit_test(faults_stand_in_the_order_of_the_text),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
