/* A proof on a terminal: the verdict, a line for each required role, what is contradicted, what is
 * missing, what to drive next. */
#include <inttypes.h>
#include <string.h>

#include "loomtap/base/number.h"
#include "loomtap/prove/output.h"
#include "loomtap/report/table.h"
#include "prove/inside.h"

#define LISTED_MOST 12 /* of each list, so that all fits a screen */

static const struct lt_claim *find(const struct lt_proof *proof, enum lt_claim_id id,
                                   const char *subject)
{
    for (size_t i = 0; i < proof->claim_count; i++)
        if (proof->claims[i].id == id && strcmp(proof->claims[i].subject, subject) == 0)
            return &proof->claims[i];
    return NULL;
}

static void put_head(const struct lt_proof *proof, const struct lt_proof_about *about,
                     struct lt_sink *sink)
{
    char seconds[NUMBER_ROOM];
    const struct lt_profile *profile = proof->profile;
    lt_sink_format(sink, "%s: %s", lt_proof_verdict_name(proof->verdict), profile->name);
    if (profile->title)
        lt_sink_format(sink, ", %s", profile->title);
    lt_sink_format(sink, "\n  profile %.16s; %zu capture%s, %" PRIu64 " frames in %s s",
                   profile->hash, about->capture_count, about->capture_count == 1 ? "" : "s",
                   proof->frames, number_text(seconds, proof->duration_s));
    if (about->malformed)
        lt_sink_format(sink, ", %" PRIu64 " lines that could not be read", about->malformed);
    lt_sink_format(sink, "\n  %zu claims: %zu proven, %zu contradicted, %zu not exercised\n",
                   proof->claim_count, proof->counts[LT_PROVEN], proof->counts[LT_CONTRADICTED],
                   proof->counts[LT_NOT_EXERCISED]);
}

/* The worst of what is said of the signal itself. */
static enum lt_proof_verdict of_signal(const struct lt_proof *proof, const char *signal)
{
    enum lt_proof_verdict worst = LT_PROVEN;
    for (size_t i = 0; i < proof->claim_count; i++) {
        const struct lt_claim *claim = &proof->claims[i];
        bool counts = lt_claim_kind(claim->id)->needed || claim->verdict == LT_CONTRADICTED;
        if (counts && strcmp(claim->subject, signal) == 0 && claim->verdict > worst)
            worst = claim->verdict;
    }
    return worst;
}

/* What comes before the second comma: slope and level. */
static void put_short(struct lt_table *table, const char *text)
{
    const char *end = strchr(text, ',');
    end = end ? strchr(end + 1, ',') : NULL;
    lt_table_text(table, (struct lt_text){text, end ? (size_t)(end - text) : strlen(text)});
}

static const char *role_of(const struct lt_profile *profile, const char *signal)
{
    for (size_t i = 0; i < profile->signal_count; i++)
        if (profile->signals[i].role_name && strcmp(profile->signals[i].name, signal) == 0)
            return profile->signals[i].role_name;
    return "-";
}

/* A line for each required role; where none is required, for each signal that the verdict rests on.
 */
static bool has_line(const struct lt_proof *proof, const struct lt_claim *claim)
{
    if (proof->profile->require_count)
        return claim->id == LT_CLAIM_ROLE;
    bool is_number = claim->id == LT_CLAIM_EXERCISED || claim->id == LT_CLAIM_ANSWERED;
    return is_number && claim->required;
}

static void put_line(struct lt_table *table, const struct lt_proof *proof,
                     const struct lt_claim *claim)
{
    const struct lt_claim *moved = find(proof, LT_CLAIM_EXERCISED, claim->subject);
    const struct lt_claim *obd = find(proof, LT_CLAIM_OBD, claim->subject);
    const struct lt_claim *answered = find(proof, LT_CLAIM_ANSWERED, claim->subject);
    bool missing = claim->id == LT_CLAIM_ROLE && claim->verdict != LT_PROVEN;
    obd = obd ? obd : answered;
    lt_table_cell(table, "%s",
                  claim->id == LT_CLAIM_ROLE ? strrchr(claim->expected, ' ') + 1
                                             : role_of(proof->profile, claim->subject));
    lt_table_cell(table, "%s", missing ? "-" : claim->subject);
    lt_table_cell(table, "%s",
                  lt_proof_verdict_name(missing || claim == answered
                                            ? claim->verdict
                                            : of_signal(proof, claim->subject)));
    lt_table_cell(table, "%s", moved ? moved->measured : "-");
    put_short(table, obd ? obd->measured : "-");
}

static void put_roles(const struct lt_proof *proof, bool all, struct lt_sink *sink)
{
    struct lt_table table;
    lt_table_init(&table, "lllll");
    static const char *const heads[] = {"role", "signal", "verdict", "exercised", "diagnostics"};
    for (size_t i = 0; i < 5; i++)
        lt_table_cell(&table, "%s", heads[i]);
    size_t most = all ? SIZE_MAX : LISTED_MOST, count = 0;
    for (size_t i = 0; i < proof->claim_count; i++)
        if (has_line(proof, &proof->claims[i]) && count++ < most)
            put_line(&table, proof, &proof->claims[i]);
    if (count) {
        lt_sink_string(sink, proof->profile->require_count
                                 ? "\nRequired roles\n"
                                 : "\nNo role is required: the verdict rests on these\n");
        lt_table_write(&table, sink, 2);
        if (count > most)
            lt_sink_format(sink, "  and %zu more: --all\n", count - most);
    }
    lt_table_release(&table);
}

static void put_list(const struct lt_proof *proof, const char *title, enum lt_proof_verdict verdict,
                     bool required_only, size_t most, struct lt_sink *sink)
{
    struct lt_table table;
    size_t count = 0;
    lt_table_init(&table, "lll");
    lt_table_cell(&table, "subject");
    lt_table_cell(&table, "claim");
    lt_table_cell(&table, "what");
    for (size_t i = 0; i < proof->claim_count; i++) {
        const struct lt_claim *claim = &proof->claims[i];
        if (claim->verdict != verdict || (required_only && !claim->required))
            continue;
        if (count++ >= most)
            continue;
        lt_table_cell(&table, "%s", claim->subject);
        lt_table_cell(&table, "%s", lt_claim_kind(claim->id)->id);
        lt_table_cell(&table, "%s", *claim->say ? claim->say : claim->measured);
    }
    if (count) {
        lt_sink_format(sink, "\n%s\n", title);
        lt_table_write(&table, sink, 2);
        if (count > most)
            lt_sink_format(sink, "  and %zu more: --all\n", count - most);
    }
    lt_table_release(&table);
}

static void put_all(const struct lt_proof *proof, struct lt_sink *sink)
{
    struct lt_table table;
    lt_table_init(&table, "llllll");
    static const char *const heads[] = {"subject",  "claim",    "verdict",
                                        "expected", "measured", "what"};
    for (size_t i = 0; i < 6; i++)
        lt_table_cell(&table, "%s", heads[i]);
    for (size_t i = 0; i < proof->claim_count; i++) {
        const struct lt_claim *claim = &proof->claims[i];
        lt_table_cell(&table, "%s", claim->subject);
        lt_table_cell(&table, "%s", lt_claim_kind(claim->id)->id);
        lt_table_cell(&table, "%s", lt_proof_verdict_name(claim->verdict));
        lt_table_cell(&table, "%s", claim->expected);
        lt_table_cell(&table, "%s", claim->measured);
        lt_table_cell(&table, "%s", claim->say);
    }
    lt_sink_string(sink, "\nAll claims\n");
    lt_table_write(&table, sink, 2);
    lt_table_release(&table);
}

static void put_changes(const struct lt_proof_about *about, struct lt_sink *sink)
{
    struct lt_table table;
    lt_sink_format(sink, "\nSince %s (%s%s): ", about->old_name, about->old_verdict,
                   about->other_profile ? ", of another profile" : "");
    if (!about->change_count) {
        lt_sink_string(sink, "no claim has another verdict\n");
        return;
    }
    lt_sink_format(sink, "%zu claims have another verdict\n", about->change_count);
    lt_table_init(&table, "lllll");
    static const char *const heads[] = {"subject", "claim", "before", "now", "what"};
    for (size_t i = 0; i < 5; i++)
        lt_table_cell(&table, "%s", heads[i]);
    size_t most = about->all ? SIZE_MAX : LISTED_MOST;
    for (size_t i = 0; i < about->change_count && i < most; i++) {
        const struct lt_proof_change *change = &about->changes[i];
        lt_table_cell(&table, "%s", change->subject);
        lt_table_cell(&table, "%s", change->id);
        lt_table_cell(&table, "%s", change->before);
        lt_table_cell(&table, "%s", change->now);
        lt_table_cell(&table, "%s", change->say);
    }
    lt_table_write(&table, sink, 2);
    if (about->change_count > most)
        lt_sink_format(sink, "  and %zu more: --all\n", about->change_count - most);
    lt_table_release(&table);
}

void lt_proof_write_text(const struct lt_proof *proof, const struct lt_proof_about *about,
                         struct lt_sink *sink)
{
    put_head(proof, about, sink);
    put_roles(proof, about->all, sink);
    put_list(proof, "Contradicted", LT_CONTRADICTED, false, about->all ? SIZE_MAX : LISTED_MOST,
             sink);
    if (about->compared)
        put_changes(about, sink);
    if (proof->todo_count)
        lt_sink_string(sink, "\nNext\n");
    for (size_t i = 0; i < proof->todo_count; i++)
        lt_sink_format(sink, "  - %s\n", proof->todo[i]);
    if (about->all)
        put_all(proof, sink);
    lt_sink_string(
        sink, "\nWhat was not exercised is not proven. Sending on a vehicle bus can change how "
              "the\nvehicle behaves: stationary, wheels chocked, never on a public road.\n");
}
