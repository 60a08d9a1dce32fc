/* The JSON of an older proof against the present one (loomtap/prove/older.h). */
#include "loomtap/prove/older.h"

#include <errno.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>

#define CLAIMS_MAX 200000
#define BYTES_MAX  ((size_t)64 << 20)

static enum lt_code read_all(const char *path, struct lt_buf *buf, struct lt_error *error)
{
    char bytes[16384];
    size_t count;
    FILE *file = fopen(path, "rb");
    if (!file)
        return lt_fail(error, LT_E_IO, "cannot read %s: %s", path, strerror(errno));
    while (!buf->failed && (count = fread(bytes, 1, sizeof bytes, file)) > 0)
        lt_buf_add(buf, bytes, count);
    int reason = ferror(file) ? errno : 0;
    fclose(file);
    if (reason)
        return lt_fail(error, LT_E_IO, "reading %s failed: %s", path, strerror(reason));
    if (buf->failed)
        return lt_fail(error, LT_E_LIMIT, "%s is larger than any proof", path);
    return LT_OK;
}

static enum lt_code load(const char *name, struct lt_text text, json_t **ret_root,
                         struct lt_error *error)
{
    json_error_t fault;
    json_t *root = json_loadb(text.at ? text.at : "", text.len, JSON_REJECT_DUPLICATES, &fault);
    if (root) {
        *ret_root = root;
        return LT_OK;
    }
    lt_fail(error, LT_E_SYNTAX, "this is no JSON: %s", fault.text);
    lt_error_at(error, name, fault.line > 0 ? (uint64_t)fault.line : 0,
                fault.column > 0 ? (uint32_t)fault.column : 0);
    return LT_E_SYNTAX;
}

static enum lt_code no_proof(const char *path, const char *what, struct lt_error *error)
{
    lt_fail(error, LT_E_SYNTAX, "this is no proof: %s", what);
    lt_error_at(error, path, 0, 0);
    lt_error_advise(error, "--against takes what `loomtap prove --json` wrote");
    return LT_E_SYNTAX;
}

static char *copy(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    return text ? strdup(text) : NULL;
}

static enum lt_code take_claims(const char *path, const json_t *list, struct lt_older_proof *proof,
                                struct lt_error *error)
{
    size_t count = json_array_size(list);
    if (!json_is_array(list))
        return no_proof(path, "it has no list of claims", error);
    if (count > CLAIMS_MAX)
        return lt_fail(error, LT_E_LIMIT, "%s: more than %d claims", path, CLAIMS_MAX);
    proof->claims = calloc(count + 1, sizeof *proof->claims);
    if (!proof->claims)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    for (size_t i = 0; i < count; i++) {
        struct lt_older_claim *claim = &proof->claims[proof->count++];
        const json_t *object = json_array_get(list, i);
        claim->id = copy(object, "id");
        claim->subject = copy(object, "subject");
        claim->verdict = copy(object, "verdict");
        if (!claim->id || !claim->subject || !claim->verdict)
            return no_proof(path, "a claim without id, subject or verdict", error);
    }
    return LT_OK;
}

enum lt_code lt_older_proof_parse(const char *name, struct lt_text text,
                                  struct lt_older_proof *ret_proof, struct lt_error *error)
{
    struct lt_older_proof proof = {0};
    json_t *root;
    enum lt_code code = load(name, text, &root, error);
    if (code != LT_OK)
        return code;
    proof.verdict = copy(root, "verdict");
    proof.hash = copy(root, "profile_hash");
    if (!proof.verdict || !proof.hash)
        code = no_proof(name, "no verdict or no profile_hash", error);
    else
        code = take_claims(name, json_object_get(root, "claims"), &proof, error);
    json_decref(root);
    if (code != LT_OK) {
        lt_older_proof_free(&proof);
        return code;
    }
    *ret_proof = proof;
    return LT_OK;
}

enum lt_code lt_older_proof_read(const char *path, struct lt_older_proof *ret_proof,
                                 struct lt_error *error)
{
    struct lt_buf buf;
    lt_buf_init(&buf, BYTES_MAX);
    enum lt_code code = read_all(path, &buf, error);
    if (code == LT_OK)
        code = lt_older_proof_parse(path, lt_buf_text(&buf), ret_proof, error);
    lt_buf_release(&buf);
    return code;
}

void lt_older_proof_free(struct lt_older_proof *proof)
{
    for (size_t i = 0; i < proof->count; i++) {
        free(proof->claims[i].id);
        free(proof->claims[i].subject);
        free(proof->claims[i].verdict);
    }
    free(proof->claims);
    free(proof->verdict);
    free(proof->hash);
    *proof = (struct lt_older_proof){0};
}

/* --- comparing --- */

struct entry {
    const char *id, *subject, *verdict, *say;
};

static int by_claim(const void *a, const void *b)
{
    const struct entry *x = a, *y = b;
    int subject = strcmp(x->subject, y->subject);
    return subject ? subject : strcmp(x->id, y->id);
}

static bool push(struct lt_arena *arena, struct lt_proof_change **list, size_t *count,
                 size_t *capacity, struct lt_proof_change change)
{
    struct lt_proof_change *slot = lt_arena_push(arena, list, count, capacity, sizeof *slot);
    if (slot)
        *slot = change;
    return slot != NULL;
}

/* Both in the order of subject and id; a kind of claim may stand several times of one subject. */
static bool merge(const struct entry *old, size_t old_count, const struct entry *now,
                  size_t now_count, struct lt_arena *arena, struct lt_proof_change **list,
                  size_t *count)
{
    size_t i = 0, k = 0, capacity = 0;
    bool fine = true;
    while (fine && (i < old_count || k < now_count)) {
        int order = i == old_count ? 1 : k == now_count ? -1 : by_claim(&old[i], &now[k]);
        if (order < 0) {
            fine = push(arena, list, count, &capacity,
                        (struct lt_proof_change){old[i].id, lt_arena_string(arena, old[i].subject),
                                                 old[i].verdict, "absent", ""});
            i++;
        } else if (order > 0) {
            fine = push(arena, list, count, &capacity,
                        (struct lt_proof_change){now[k].id, now[k].subject, "absent",
                                                 now[k].verdict, now[k].say});
            k++;
        } else {
            if (strcmp(old[i].verdict, now[k].verdict) != 0)
                fine = push(arena, list, count, &capacity,
                            (struct lt_proof_change){now[k].id, now[k].subject, old[i].verdict,
                                                     now[k].verdict, now[k].say});
            i++;
            k++;
        }
    }
    return fine;
}

bool lt_older_proof_compare(const struct lt_older_proof *older, const struct lt_proof *now,
                            struct lt_arena *arena, const struct lt_proof_change **ret_list,
                            size_t *ret_count)
{
    struct entry *a = lt_arena_array(arena, older->count + 1, sizeof *a);
    struct entry *b = lt_arena_array(arena, now->claim_count + 1, sizeof *b);
    struct lt_proof_change *list = NULL;
    if (!a || !b)
        return false;
    for (size_t i = 0; i < older->count; i++)
        a[i] = (struct entry){older->claims[i].id, older->claims[i].subject,
                              older->claims[i].verdict, ""};
    for (size_t i = 0; i < now->claim_count; i++) {
        const struct lt_claim *claim = &now->claims[i];
        b[i] = (struct entry){lt_claim_kind(claim->id)->id, claim->subject,
                              lt_proof_verdict_name(claim->verdict), claim->say};
    }
    qsort(a, older->count, sizeof *a, by_claim);
    qsort(b, now->claim_count, sizeof *b, by_claim);
    *ret_count = 0;
    if (!merge(a, older->count, b, now->claim_count, arena, &list, ret_count))
        return false;
    *ret_list = list;
    return true;
}
