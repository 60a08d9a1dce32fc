/* Everything but the values into its tables: definitions, captures, series, messages. Definitions
 * of a profile are written once; the numbers of its frames and signals follow each other, so the
 * index in the profile leads to them. */
#include <string.h>

#include "store/store_internal.h"

struct writer {
    struct lt_store *store;
    const struct lt_store_capture *capture;
    struct lt_error *error;
    int64_t capture_id;
};

/* --- definitions --- */

static const char *order_name(enum lt_order order)
{
    return order == LT_ORDER_INTEL ? "intel" : order == LT_ORDER_MOTOROLA ? "motorola" : "none";
}

static const char *const sign_names[] = {"unsigned", "twos", "offset-binary", "sign-magnitude",
                                         "float"};
static const char *const form_names[] = {"linear", "reciprocal", "curve"};

static const char *bus_name(const struct lt_profile *profile, uint32_t bus)
{
    return bus < profile->bus_count ? profile->buses[bus].name : NULL;
}

/* "6.3..6.0 mod 15 step 2", or NULL */
static const char *counter_text(const struct lt_counter_def *counter, char *text, size_t size)
{
    if (!counter->present)
        return NULL;
    char bits[160];
    lt_bits_print(bits, sizeof bits, &counter->bits);
    lt_text_format(text, size, "%s mod %u step %u", bits, counter->modulus, counter->step);
    return text;
}

/* LT_NONE and other absent numbers become NULL. */
static int64_t or_null(bool given, uint64_t number)
{
    return given ? (int64_t)number : LT_NO_TIME;
}

static enum lt_code write_frame(const struct writer *w, int64_t profile_id,
                                const struct lt_profile *profile, const struct lt_frame_def *def)
{
    static const char sql[] =
        "INSERT INTO frame (profile, kind, name, bus, can_id, extended, pgn, length, period_ns,"
        " counter, checksum) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)";
    char counter[240], checksum[1024];
    size_t at = 0;
    checksum[0] = 0;
    for (size_t i = 0; i < def->checksum_count && at + 400 < sizeof checksum; i++) {
        if (at)
            checksum[at++] = '\n';
        at += lt_checksum_print(&def->checksums[i], checksum + at, sizeof checksum - at);
    }
    bool has_id = !def->is_pgn || def->source != LT_NONE;
    return sql_call(w->store, sql, NULL, w->error, "itttTiTiTtt", profile_id,
                    def->is_pgn ? "pgn" : "frame", def->name, bus_name(profile, def->bus),
                    or_null(has_id, def->id), (int64_t)def->extended,
                    or_null(def->is_pgn, def->pgn), (int64_t)def->length,
                    or_null(def->period_ns > 0, (uint64_t)def->period_ns),
                    counter_text(&def->counter, counter, sizeof counter), at ? checksum : NULL);
}

static enum lt_code write_parameter(const struct writer *w, int64_t profile_id,
                                    const struct lt_profile *profile,
                                    const struct lt_parameter_def *def)
{
    static const char sql[] =
        "INSERT INTO frame (profile, kind, name, bus, can_id, service, pid, length)"
        " VALUES (?, 'parameter', ?, ?, ?, ?, ?, ?)";
    return sql_call(w->store, sql, NULL, w->error, "ittTiTT", profile_id, def->name,
                    bus_name(profile, def->bus), or_null(def->responder != LT_NONE, def->responder),
                    (int64_t)def->service, or_null(def->pid != LT_NONE, def->pid),
                    or_null(def->length > 0, def->length));
}

static enum lt_code write_signal(const struct writer *w, int64_t profile_id, int64_t frame_id,
                                 const struct lt_profile *profile, uint32_t index)
{
    static const char sql[] =
        "INSERT INTO signal (profile, frame, name, unit, role, bits, byte_order, sign, length,"
        " form, factor, addend, divisor, decimals) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?,"
        " ?)";
    const struct lt_signal_def *def = &profile->signals[index];
    struct lt_scaler scaler;
    char bits[160];
    enum lt_code code = lt_scaler_init(&scaler, profile, index, w->error);
    if (code != LT_OK)
        return code;
    bool linear = def->form == LT_FORM_LINEAR && def->sign != LT_FLOAT;
    lt_bits_print(bits, sizeof bits, &def->bits);
    return sql_call(w->store, sql, NULL, w->error, "iittttttitTTTT", profile_id, frame_id,
                    def->name, lt_signal_unit(def), def->role_name, bits, order_name(def->order),
                    sign_names[def->sign], (int64_t)scaler.length, form_names[def->form],
                    linear ? scaler.mul : LT_NO_TIME, linear ? scaler.add : LT_NO_TIME,
                    linear ? scaler.den : LT_NO_TIME,
                    scaler.decimals >= 0 ? (int64_t)scaler.decimals : LT_NO_TIME);
}

static enum lt_code write_labels(const struct writer *w, int64_t signal_id,
                                 const struct lt_signal_def *def)
{
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < def->label_count && code == LT_OK; i++)
        code = sql_call(w->store, "INSERT INTO label VALUES (?, ?, ?)", NULL, w->error, "iit",
                        signal_id, (int64_t)def->labels[i].raw, def->labels[i].name);
    return code;
}

static enum lt_code write_definitions(const struct writer *w, int64_t profile_id,
                                      const struct lt_profile *profile)
{
    int64_t frame = 0, signal = 0;
    enum lt_code code =
        sql_call(w->store, "SELECT coalesce(max(id), 0) + 1 FROM frame", &frame, w->error, "");
    if (code == LT_OK)
        code = sql_call(w->store, "SELECT coalesce(max(id), 0) + 1 FROM signal", &signal, w->error,
                        "");
    for (size_t i = 0; i < profile->frame_count && code == LT_OK; i++)
        code = write_frame(w, profile_id, profile, &profile->frames[i]);
    for (size_t i = 0; i < profile->parameter_count && code == LT_OK; i++)
        code = write_parameter(w, profile_id, profile, &profile->parameters[i]);
    for (uint32_t i = 0; i < profile->signal_count && code == LT_OK; i++) {
        const struct lt_signal_def *def = &profile->signals[i];
        uint64_t at = def->frame != LT_NONE ? def->frame : profile->frame_count + def->parameter;
        code = write_signal(w, profile_id, frame + (int64_t)at, profile, i);
        if (code == LT_OK)
            code = write_labels(w, signal + i, def);
    }
    return code;
}

static enum lt_code write_profile(const struct writer *w, const struct lt_store_profile *given)
{
    const struct lt_profile *profile = given->profile;
    int64_t id = 0;
    enum lt_code code = sql_call(w->store, "SELECT id FROM profile WHERE hash = ?", &id, w->error,
                                 "t", profile->hash);
    if (code == LT_OK && !id) {
        code =
            sql_call(w->store, "INSERT INTO profile (name, title, hash, text) VALUES (?, ?, ?, ?)",
                     NULL, w->error, "tttt", profile->name ? profile->name : "", profile->title,
                     profile->hash, given->text.at ? given->text.at : "");
        id = sqlite3_last_insert_rowid(w->store->db);
        if (code == LT_OK)
            code = write_definitions(w, id, profile);
    }
    return code != LT_OK ? code
                         : sql_call(w->store, "INSERT OR IGNORE INTO capture_profile VALUES (?, ?)",
                                    NULL, w->error, "ii", w->capture_id, id);
}

/* --- the capture --- */

/* The profiles' hashes in the order given, with blanks between. */
static const char *profile_hashes(const struct writer *w)
{
    struct lt_buf buf;
    const char *text = NULL;
    lt_buf_init(&buf, 0);
    for (size_t i = 0; i < w->capture->profile_count; i++)
        lt_buf_format(&buf, "%s%s", i ? " " : "", w->capture->profiles[i].profile->hash);
    if (!buf.failed)
        text = lt_arena_string(&w->store->arena, buf.at ? buf.at : "");
    lt_buf_release(&buf);
    return text;
}

/* Has this been stored before? The same frames may come with another profile or selection. */
static enum lt_code refuse_twice(const struct writer *w, const char *hashes,
                                 int64_t *ret_same_frames)
{
    const struct lt_store_capture *capture = w->capture;
    int64_t same = 0;
    if (!capture->frames)
        return LT_OK;
    enum lt_code code =
        sql_call(w->store,
                 "SELECT min(id) FROM capture WHERE fingerprint = ? AND profiles = ?"
                 " AND selection = ?",
                 &same, w->error, "ttt", capture->fingerprint, hashes, capture->selection);
    if (code == LT_OK && same) {
        lt_fail(w->error, LT_E_DUPLICATE,
                "%s holds these frames already, decoded with the same profiles and options: "
                "capture %lld",
                w->store->path, (long long)same);
        lt_error_advise(w->error, "nothing was added; values of another profile or of other "
                                  "signals can be");
        return LT_E_DUPLICATE;
    }
    if (code == LT_OK)
        code = sql_call(w->store, "SELECT min(id) FROM capture WHERE fingerprint = ?",
                        ret_same_frames, w->error, "t", capture->fingerprint);
    return code;
}

static enum lt_code write_capture(struct writer *w, const char *hashes)
{
    static const char sql[] =
        "INSERT INTO capture (file, fingerprint, profiles, selection, form, frames, malformed,"
        " first_ns, last_ns, complete) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)";
    const struct lt_store_capture *c = w->capture;
    enum lt_code code =
        sql_call(w->store, sql, NULL, w->error, "tttttiiTTi", c->file, c->fingerprint, hashes,
                 c->selection, c->form, (int64_t)c->frames, (int64_t)c->malformed, c->first_ns,
                 c->last_ns, (int64_t)c->complete);
    w->capture_id = sqlite3_last_insert_rowid(w->store->db);
    return code;
}

static enum lt_code write_buses(const struct writer *w)
{
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < w->capture->bus_count && code == LT_OK; i++) {
        const struct lt_store_bus *bus = &w->capture->buses[i];
        code = sql_call(w->store, "INSERT OR REPLACE INTO bus VALUES (?, ?, ?, ?)", NULL, w->error,
                        "itti", w->capture_id, bus->name, bus->profile_bus, (int64_t)bus->frames);
    }
    return code;
}

static enum lt_code write_unknown(const struct writer *w)
{
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < w->capture->unknown_count && code == LT_OK; i++) {
        const struct lt_store_unknown *u = &w->capture->unknown[i];
        code = sql_call(
            w->store, "INSERT OR REPLACE INTO unknown VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", NULL,
            w->error, "itiiiiiTT", w->capture_id, u->bus, (int64_t)u->id, (int64_t)u->extended,
            (int64_t)u->fd, (int64_t)u->length, (int64_t)u->frames, u->first_ns, u->last_ns);
    }
    return code;
}

static enum lt_code write_messages(const struct writer *w)
{
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < w->capture->message_count && code == LT_OK; i++) {
        const struct lt_store_message *m = &w->capture->messages[i];
        code = sql_call(w->store, "INSERT INTO message VALUES (?, ?, ?, ?, ?, ?)", NULL, w->error,
                        "iitttT", w->capture_id, (int64_t)i + 1, m->kind, m->place, m->text,
                        or_null(m->count > 0, m->count));
    }
    return code;
}

/* --- series --- */

static enum lt_code write_one_series(const struct writer *w, int64_t id,
                                     const struct lt_store_series *series)
{
    static const char find[] =
        "SELECT min(g.id) FROM signal g JOIN profile p ON p.id = g.profile WHERE p.hash = ?";
    const struct lt_store_source *source = &series->source;
    int64_t signal = 0;
    enum lt_code code = sql_call(w->store, find, &signal, w->error, "t", source->profile->hash);
    if (code != LT_OK)
        return code;
    return sql_call(w->store, "INSERT INTO series VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    NULL, w->error, "iiittiiiiiTT", id, w->capture_id, signal + source->signal,
                    source->bus, source->frame, (int64_t)series->count,
                    (int64_t)series->by_state[LT_STORE_GOOD],
                    (int64_t)series->by_state[LT_STORE_SUSPECT],
                    (int64_t)series->by_state[LT_STORE_UNAVAILABLE],
                    (int64_t)series->by_state[LT_STORE_ERROR], series->first_ns, series->last_ns);
}

/* A role may have several series: broadcast frames go before diagnostic replies, those with good
 * values before the others, then the first. */
static bool stands_before(const struct lt_store_series *a, const struct lt_store_series *b)
{
    bool a_good = a->by_state[LT_STORE_GOOD] > 0, b_good = b->by_state[LT_STORE_GOOD] > 0;
    bool a_frame = a->scaler.def->frame != LT_NONE, b_frame = b->scaler.def->frame != LT_NONE;
    if (a_good != b_good)
        return a_good;
    return a_frame != b_frame && a_frame;
}

static bool is_chosen(const struct lt_store *store, size_t at)
{
    const struct lt_store_series *series = store->series[at];
    for (size_t i = 0; i < store->series_count; i++) {
        const struct lt_store_series *other = store->series[i];
        if (i == at || !other->scaler.def->role ||
            strcmp(other->scaler.def->role_name, series->scaler.def->role_name) != 0)
            continue;
        if (stands_before(other, series) || (i < at && !stands_before(series, other)))
            return false;
    }
    return true;
}

static enum lt_code write_series(const struct writer *w)
{
    struct lt_store *store = w->store;
    enum lt_code code = sql_call(store, "SELECT coalesce(max(id), 0) + 1 FROM series",
                                 &store->first_series, w->error, "");
    int64_t first = store->first_series;
    for (size_t i = 0; i < store->series_count && code == LT_OK; i++) {
        const struct lt_store_series *series = store->series[i];
        code = write_one_series(w, first + (int64_t)i, series);
        if (code == LT_OK && series->scaler.def->role && is_chosen(store, i))
            code = sql_call(store, "INSERT INTO role_series VALUES (?, ?, ?, ?)", NULL, w->error,
                            "itii", w->capture_id, series->scaler.def->role_name,
                            first + (int64_t)i, series->source.max_age_ns);
    }
    return code;
}

enum lt_code write_rows(struct lt_store *store, const struct lt_store_capture *capture,
                        struct lt_store_result *result, struct lt_error *error)
{
    struct writer w = {store, capture, error, 0};
    const char *hashes = profile_hashes(&w);
    if (!hashes)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    enum lt_code code = refuse_twice(&w, hashes, &result->same_frames);
    if (code == LT_OK)
        code = write_capture(&w, hashes);
    for (size_t i = 0; i < capture->profile_count && code == LT_OK; i++)
        code = write_profile(&w, &capture->profiles[i]);
    if (code == LT_OK)
        code = write_buses(&w);
    if (code == LT_OK)
        code = write_unknown(&w);
    if (code == LT_OK)
        code = write_messages(&w);
    if (code == LT_OK)
        code = write_series(&w);
    if (code == LT_OK)
        code = feed_values(store, error);
    if (code == LT_OK)
        code = make_role_views(store, error);
    result->capture = w.capture_id;
    for (size_t i = 0; i < store->series_count; i++)
        result->value_count += store->series[i]->count;
    return code;
}
