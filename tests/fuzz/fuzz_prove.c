/* Any capture under a profile that has one of everything: a proof comes out, its counts add up, all
 * three reports can be written, and reading the same in small blocks gives the same. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/defs/load.h"
#include "loomtap/prove/output.h"

static const char profile_text[] =
    "[profile]\nformat = 1\nname = t\nrequires = engine_speed drive_mode\n"
    "[fits]\ncalibration_ids = AB CD\n"
    "[bus b]\nbitrate = 500000\ninterface = can0\n"
    "[frame f]\nbus = b\nid = 0x123\nlength = 8\nperiod_ms = 10\ncounter = 6.3..6.0\n"
    "checksum = xor over 0..6 in 7\n"
    "[signal n]\nframe = f\nbits = 0.7..1.0\norder = motorola\nscale = 0.25\nunit = rpm\nrole = "
    "engine_speed\nunavailable = 0xFFFF\n"
    "[signal v]\nframe = f\nbits = 3.7..2.0\norder = intel\nsign = twos\nscale = 0.01\nunit = "
    "km/h\nrole = vehicle_speed\n"
    "[signal w]\nframe = f\nbits = 5.7..4.0\norder = intel\nscale = 0.01\nunit = km/h\nrole = "
    "wheel_speed_fl\n"
    "[frame g]\nid = 0x124\nlength = 4\n"
    "[signal p]\nframe = g\nbits = 0.1..0.0\n"
    "[signal mode]\nframe = g\npage = p 0\nbits = 1.7..1.0\nrole = drive_mode\nvalues = 0 a, 1 b\n"
    "[signal gear]\nframe = g\npage = p 1\nbits = 1.7..1.0\nrole = gear\nvalues = 0 n, 1 x, 2 y\n"
    "[signal x]\nframe = g\npage = p 2\nbits = 1.7..2.0\norder = motorola\nform = "
    "reciprocal\nscale = 1/512\n"
    "[frame j]\npgn = 61444\n"
    "[signal t]\nframe = j\nbits = 7.7..4.0\norder = intel\nsign = float\n"
    "[frame long]\npgn = 65251\nlength = 70\nperiod_ms = 1000\n"
    "[signal air]\nframe = long\nbits = 1.7..0.0\norder = intel\nscale = 0.01\nunit = kPa\nrole = "
    "manifold_pressure\n"
    "[signal far]\nframe = long\nbits = 69.7..64.0\norder = intel\n"
    "[signal late]\nframe = long\nbits = 9.7..8.4\norder = intel\nunit = %\nrole = load\n"
    "[signal again]\nframe = j\nbits = 3.7..3.0\nunit = %\nrole = load\n"
    "[bus other]\nbitrate = 250000\n[frame h]\nbus = other\nid = 0x200\nlength = 3\nperiod_ms = "
    "20\ncounter = 2.7..2.4\n"
    "[frame kit]\nbus = b\nid = 0x700\nperiod_ms = 100\ndirection = send\nchecksum = xor over "
    "0..6 in 7\n";

static void check(bool fine)
{
    if (!fine)
        abort();
}

static struct lt_profile *profile(void)
{
    static struct lt_profile *profile;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    if (!profile)
        check(lt_profile_load_memory(&profile, "t.ini", lt_text_of(profile_text), &faults) ==
              LT_OK);
    lt_faults_release(&faults);
    return profile;
}

static struct lt_buf write_json(const struct lt_proof *proof)
{
    struct lt_buf buf;
    struct lt_sink *sink = malloc(sizeof *sink);
    lt_buf_init(&buf, 0);
    check(sink != NULL);
    lt_sink_init_buf(sink, &buf);
    lt_proof_write_json(proof, sink);
    lt_sink_flush(sink);
    free(sink);
    return buf;
}

static void write_rest(const struct lt_proof *proof)
{
    struct lt_proof_about about = {.version = "1", .all = true};
    struct lt_buf buf;
    struct lt_sink *sink = malloc(sizeof *sink);
    lt_buf_init(&buf, 0);
    check(sink != NULL);
    lt_sink_init_buf(sink, &buf);
    lt_proof_write_text(proof, &about, sink);
    lt_proof_write_html(proof, &about, sink);
    lt_sink_flush(sink);
    check(buf.len > 0);
    lt_buf_release(&buf);
    free(sink);
}

static struct lt_buf prove(const uint8_t *bytes, size_t size, size_t block)
{
    static int64_t times[] = {0, 1000000000, 2000000000, 3000000000};
    static double values[] = {0, 1000, 2000, 1000};
    struct lt_proof_reference reference = {"obd", "engine_speed", 4, times, values, 1};
    struct lt_prove_given given = {.references = &reference, .reference_count = 1};
    struct lt_prove_reading reading = {.threads = 1};
    struct lt_prove *prove;
    struct lt_proof *proof;
    struct lt_reader *reader;
    struct lt_arena arena;
    struct lt_error error;
    size_t counted = 0;
    lt_arena_init(&arena, 0);
    check(lt_prove_new(&prove, profile(), NULL, &error) == LT_OK);
    if (lt_reader_open_memory(&reader, "fuzz", bytes, size, block, NULL, &error) == LT_OK) {
        lt_prove_read(prove, reader, &reading, NULL, &error);
        lt_reader_free(reader);
    }
    check(lt_prove_finish(prove, &given, &arena, &proof, &error) == LT_OK);
    for (size_t i = 0; i <= LT_CONTRADICTED; i++)
        counted += proof->counts[i];
    check(counted == proof->claim_count && proof->claimed_frames <= proof->frames);
    struct lt_buf json = write_json(proof);
    if (!block)
        write_rest(proof);
    lt_prove_free(prove);
    lt_arena_release(&arena);
    return json;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    if (size > 60000)
        return 0;
    struct lt_buf whole = prove(bytes, size, 0), pieces = prove(bytes, size, 7);
    check(whole.len == pieces.len && memcmp(whole.at, pieces.at, whole.len) == 0);
    lt_buf_release(&whole);
    lt_buf_release(&pieces);
    return 0;
}
