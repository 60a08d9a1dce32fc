/* Small captures and profiles in memory, and what a proof says about them. */
#ifndef LOOMTAP_TESTS_PROVING_H
#define LOOMTAP_TESTS_PROVING_H

#include "unit.h"

#include "loomtap/capture/reader.h"
#include "loomtap/defs/load.h"
#include "loomtap/prove/output.h"

#define HEAD "[profile]\nformat = 1\nname = t\n"
#define BUS  "[bus b]\nbitrate = 500000\ninterface = can0\n"

static struct lt_buf capture;
static struct lt_arena proof_arena;
static struct lt_profile *proof_profile;

static inline void begin_capture(void)
{
    lt_buf_release(&capture);
    lt_buf_init(&capture, 0);
}

/* One frame, at so many milliseconds. */
static inline void put(double ms, const char *bus, const char *id, const uint8_t *data, size_t len)
{
    lt_buf_format(&capture, "(%.6f) %s %s#", 1700000000 + ms / 1000, bus, id);
    for (size_t i = 0; i < len; i++)
        lt_buf_format(&capture, "%02X", data[i]);
    lt_buf_string(&capture, "\n");
}

static inline void end_proof(void)
{
    lt_arena_release(&proof_arena);
    lt_profile_free(proof_profile);
    proof_profile = NULL;
}

/* The proof of a profile on what was put into the capture; lives until the next. */
static inline const struct lt_proof *prove_given(const char *profile,
                                                 const struct lt_prove_given *given)
{
    struct lt_prove_reading reading = {.threads = 1};
    struct lt_faults faults;
    struct lt_prove *prove;
    struct lt_proof *proof;
    struct lt_reader *reader;
    struct lt_error error;
    end_proof();
    lt_arena_init(&proof_arena, 0);
    lt_faults_init(&faults, 0);
    if (lt_profile_load_memory(&proof_profile, "t.ini", lt_text_of(profile), &faults) != LT_OK)
        fail_msg("%s", faults.count ? faults.items[0].text : "no profile");
    assert_int_equal(lt_prove_new(&prove, proof_profile, &faults, &error), LT_OK);
    assert_int_equal(
        lt_reader_open_memory(&reader, "t.log", capture.at, capture.len, 0, NULL, &error), LT_OK);
    assert_int_equal(lt_prove_read(prove, reader, &reading, NULL, &error), LT_OK);
    assert_int_equal(lt_prove_finish(prove, given, &proof_arena, &proof, &error), LT_OK);
    lt_reader_free(reader);
    lt_prove_free(prove);
    lt_faults_release(&faults);
    return proof;
}

static inline const struct lt_proof *prove(const char *profile)
{
    return prove_given(profile, NULL);
}

static inline const struct lt_claim *find_claim(const struct lt_proof *proof, const char *id,
                                                const char *subject)
{
    for (size_t i = 0; i < proof->claim_count; i++)
        if (strcmp(lt_claim_kind(proof->claims[i].id)->id, id) == 0 &&
            strcmp(proof->claims[i].subject, subject) == 0)
            return &proof->claims[i];
    return NULL;
}

/* "proven", "contradicted", "not exercised", or "absent". */
static inline const char *says(const struct lt_proof *proof, const char *id, const char *subject)
{
    const struct lt_claim *claim = find_claim(proof, id, subject);
    return claim ? lt_proof_verdict_name(claim->verdict) : "absent";
}

#define expect(proof, id, subject, verdict) assert_string_equal(says(proof, id, subject), verdict)

#endif
