/* Values into the bytes of a frame. See loomtap/core/encode.h.
 *
 * In this order: every setting becomes raw bits; the pages of the signals set say what their
 * selectors must be; bits are put; the counter; the checksum, which sees all of it. Nothing reaches
 * the caller's frame unless all of it worked. */
#include "loomtap/core/encode.h"

#include "core/page.h"
#include "loomtap/core/value.h"

/* A frame of 64 bytes has 512 bits, so no more signals than that can be set on one page. */
enum { SETTINGS_MAX = 512, DEMANDS_MAX = 1024 };

/* A page clause that some signal set needs. */
struct demand {
    const struct lt_page_clause *clause;
    uint32_t signal;
};

struct encoder {
    const struct lt_profile *profile;
    const struct lt_frame_def *def;
    uint32_t frame_index;
    struct lt_frame frame;
    struct lt_error *error;
    size_t set_count;
    uint32_t set[SETTINGS_MAX]; /* signals */
    uint64_t raw[SETTINGS_MAX];
    size_t demand_count;
    struct demand demands[DEMANDS_MAX];
};

static const char *signal_name(const struct encoder *e, uint32_t signal)
{
    return e->profile->signals[signal].name;
}

/* Puts the frame's name before the text of an error. */
static enum lt_code name_frame(struct encoder *e, enum lt_code code)
{
    if (e->error) {
        char text[sizeof e->error->text];
        lt_text_format(text, sizeof text, "frame %s: %s", e->def->name, e->error->text);
        memcpy(e->error->text, text, sizeof text);
    }
    return code;
}

static enum lt_code check_frame(struct encoder *e)
{
    const struct lt_frame_def *def = e->def;
    if (def->authenticated)
        return lt_fail(e->error, LT_E_CONFLICT,
                       "is authenticated: its message code cannot be made here, and a frame with a "
                       "wrong one must not be sent");
    if (def->length > LT_FRAME_MAX)
        return lt_fail(e->error, LT_E_RANGE,
                       "its %u bytes travel in a transport session, not in one "
                       "frame",
                       def->length);
    if (!lt_len_is_valid((uint8_t)def->length, def->fd))
        return lt_fail(e->error, LT_E_RANGE, "%u bytes is no length of a %s frame", def->length,
                       def->fd ? "CAN FD" : "classic CAN");
    return LT_OK;
}

static void begin_frame(struct encoder *e)
{
    const struct lt_frame_def *def = e->def;
    bool extended = def->extended || def->is_pgn;
    e->frame.id = def->id;
    e->frame.flags = (uint16_t)((extended ? LT_FRAME_EXTENDED : 0) | (def->fd ? LT_FRAME_FD : 0));
    e->frame.len = (uint8_t)def->length;
    e->frame.raw_dlc = lt_len_to_dlc(e->frame.len, def->fd);
}

/* What the frame carries, for the advice when a name is wrong. */
static void list_signals(const struct encoder *e, char *ret_text, size_t size)
{
    size_t at = 0;
    ret_text[0] = 0;
    for (size_t i = 0; i < e->profile->signal_count && at + 1 < size; i++)
        if (e->profile->signals[i].frame == e->frame_index)
            at += lt_text_format(ret_text + at, size - at, "%s%s", at ? ", " : "",
                                 e->profile->signals[i].name);
}

static enum lt_code find_signal(struct encoder *e, struct lt_text name, uint32_t *ret_signal)
{
    char list[200];
    uint32_t signal = lt_profile_find_signal(e->profile, name);
    if (signal != LT_NONE && e->profile->signals[signal].frame == e->frame_index) {
        *ret_signal = signal;
        return LT_OK;
    }
    int shown = name.len > LT_NAME_MAX ? LT_NAME_MAX : (int)name.len;
    enum lt_code code = lt_fail(e->error, LT_E_UNKNOWN, "has no signal %.*s%s", shown, name.at,
                                signal == LT_NONE ? "" : " (another frame or a parameter has it)");
    list_signals(e, list, sizeof list);
    if (list[0])
        lt_error_advise(e->error, "its signals: %s", list);
    return code;
}

/* Bits that the counter fills are not for the caller (those of the checksum: see apply_checksum).
 */
static enum lt_code check_place(struct encoder *e, const struct lt_signal_def *signal)
{
    const struct lt_frame_def *def = e->def;
    if (lt_bits_bytes(&signal->bits) > def->length)
        return lt_fail(e->error, LT_E_RANGE, "%s reaches past the frame's %u bytes", signal->name,
                       def->length);
    if (def->counter.present && lt_bits_overlap(&signal->bits, &def->counter.bits))
        return lt_fail(e->error, LT_E_CONFLICT, "%s lies on the counter, which is filled in",
                       signal->name);
    return LT_OK;
}

static enum lt_code add_demands(struct encoder *e, uint32_t signal)
{
    const struct lt_page_clause *clauses[LT_PAGE_CLAUSES_MAX];
    size_t count;
    if (!lt_page_clauses(e->profile, signal, clauses, &count) ||
        count > DEMANDS_MAX - e->demand_count)
        return lt_fail(e->error, LT_E_LIMIT, "too many page conditions behind %s",
                       signal_name(e, signal));
    for (size_t i = 0; i < count; i++)
        e->demands[e->demand_count++] = (struct demand){clauses[i], signal};
    return LT_OK;
}

static bool find_set(const struct encoder *e, uint32_t signal, uint64_t *ret_raw)
{
    for (size_t i = 0; i < e->set_count; i++)
        if (e->set[i] == signal) {
            *ret_raw = e->raw[i];
            return true;
        }
    return false;
}

static enum lt_code add_setting(struct encoder *e, const struct lt_setting *setting)
{
    struct lt_scaler scaler;
    uint32_t signal = LT_NONE;
    uint64_t raw = 0;
    enum lt_code code = find_signal(e, setting->signal, &signal);
    if (code != LT_OK)
        return code;
    if (find_set(e, signal, &raw))
        return lt_fail(e->error, LT_E_DUPLICATE, "%s is given twice", signal_name(e, signal));
    if (e->set_count == SETTINGS_MAX)
        return lt_fail(e->error, LT_E_LIMIT, "more than %d signals are given", SETTINGS_MAX);
    code = check_place(e, &e->profile->signals[signal]);
    if (code == LT_OK)
        code = lt_scaler_init(&scaler, e->profile, signal, e->error);
    if (code == LT_OK)
        code = lt_scaler_parse(&scaler, setting->value, &raw, e->error);
    if (code == LT_OK)
        code = add_demands(e, signal);
    if (code != LT_OK)
        return code;
    e->set[e->set_count] = signal;
    e->raw[e->set_count++] = raw;
    return LT_OK;
}

/* ---- Selectors ---- */

/* Does a value of the selector satisfy all that is demanded of it? *ret_bad: a demand it does not.
 */
static bool satisfies(const struct encoder *e, uint32_t selector, uint64_t raw,
                      const struct demand **ret_bad)
{
    for (size_t i = 0; i < e->demand_count; i++)
        if (e->demands[i].clause->selector == selector &&
            !lt_page_clause_holds(e->demands[i].clause, raw)) {
            *ret_bad = &e->demands[i];
            return false;
        }
    return true;
}

/* The least value that satisfies all demands: whatever they leave begins at the first value of one
 * of their ranges. *ret_several: they leave more than that one. */
static bool least_value(const struct encoder *e, uint32_t selector, uint64_t *ret_raw,
                        bool *ret_several)
{
    const struct demand *bad;
    uint64_t least = 0;
    bool found = false, several = false;
    for (size_t i = 0; i < e->demand_count; i++) {
        const struct lt_page_clause *clause = e->demands[i].clause;
        for (unsigned k = 0; clause->selector == selector && k < clause->ranges; k++) {
            uint64_t raw = clause->range[k].first;
            if (!satisfies(e, selector, raw, &bad))
                continue;
            several |= (found && raw != least) ||
                       (raw < UINT64_MAX && satisfies(e, selector, raw + 1, &bad));
            least = found && least < raw ? least : raw;
            found = true;
        }
    }
    *ret_raw = least;
    *ret_several = several;
    return found;
}

/* All that depend on this selector, for the person to choose from. */
static enum lt_code contradiction(struct encoder *e, uint32_t selector)
{
    char list[160] = "";
    uint32_t last = LT_NONE;
    size_t at = 0;
    for (size_t i = 0; i < e->demand_count && at + 1 < sizeof list; i++) {
        if (e->demands[i].clause->selector != selector || e->demands[i].signal == last)
            continue;
        last = e->demands[i].signal;
        at += lt_text_format(list + at, sizeof list - at, "%s%s", at ? ", " : "",
                             signal_name(e, last));
    }
    return lt_fail(e->error, LT_E_CONFLICT, "no value of the selector %s shows all of: %s",
                   signal_name(e, selector), list);
}

/* One selector that signals set depend on: checked if it was given, else chosen. */
static enum lt_code settle_selector(struct encoder *e, uint32_t selector)
{
    const struct lt_signal_def *def = &e->profile->signals[selector];
    const struct demand *bad = NULL;
    uint64_t raw;
    bool several;
    if (def->frame != e->frame_index)
        return lt_fail(e->error, LT_E_CONFLICT, "its selector %s is on another frame", def->name);
    if (find_set(e, selector, &raw)) {
        if (satisfies(e, selector, raw, &bad))
            return LT_OK;
        return lt_fail(e->error, LT_E_CONFLICT, "%s is not on the page that %s chooses (raw %llu)",
                       signal_name(e, bad->signal), def->name, (unsigned long long)raw);
    }
    enum lt_code code = check_place(e, def);
    if (code != LT_OK)
        return code;
    if (!least_value(e, selector, &raw, &several))
        return contradiction(e, selector);
    if (several) {
        if (satisfies(e, selector, lt_bits_get(e->frame.data, &def->bits), &bad))
            return LT_OK;
        code = lt_fail(e->error, LT_E_MISSING,
                       "%s needs the selector %s, and several of its values "
                       "would do",
                       signal_name(e, e->demands[0].signal), def->name);
        lt_error_advise(e->error, "give %s a value as well", def->name);
        return code;
    }
    if (e->set_count == SETTINGS_MAX)
        return lt_fail(e->error, LT_E_LIMIT, "more than %d signals are given", SETTINGS_MAX);
    e->set[e->set_count] = selector;
    e->raw[e->set_count++] = raw;
    return LT_OK;
}

static enum lt_code settle_selectors(struct encoder *e)
{
    for (size_t i = 0; i < e->demand_count; i++) {
        enum lt_code code = settle_selector(e, e->demands[i].clause->selector);
        if (code != LT_OK)
            return code;
    }
    return LT_OK;
}

/* ---- Bits, counter, checksum ---- */

static uint64_t counter_value(const struct lt_counter_def *counter, uint64_t n)
{
    unsigned length = lt_bits_length(&counter->bits);
    if (counter->modulus)
        return n % counter->modulus * (counter->step % counter->modulus) % counter->modulus;
    return n * counter->step & (UINT64_MAX >> (64 - length)); /* 2^length may not fit `modulus` */
}

static enum lt_code put_counter(struct encoder *e, uint64_t n)
{
    const struct lt_counter_def *counter = &e->def->counter;
    if (!counter->present)
        return LT_OK;
    if (lt_bits_bytes(&counter->bits) > e->def->length)
        return lt_fail(e->error, LT_E_RANGE, "its counter reaches past its %u bytes",
                       e->def->length);
    lt_bits_put(e->frame.data, &counter->bits, counter_value(counter, n));
    return LT_OK;
}

/* The value of the frame's outermost selector, as it now stands in the bytes. */
static bool read_page(const struct encoder *e, uint64_t *ret_page)
{
    uint32_t outermost = LT_NONE;
    for (size_t i = 0; i < e->profile->signal_count; i++) {
        if (e->profile->signals[i].frame != e->frame_index)
            continue;
        uint32_t outer = lt_page_outer(e->profile, (uint32_t)i);
        outermost = outer < outermost ? outer : outermost;
    }
    if (outermost == LT_NONE)
        return false;
    const struct lt_bits *bits = &e->profile->signals[outermost].bits;
    if (lt_bits_bytes(bits) > e->def->length)
        return false;
    *ret_page = lt_bits_get(e->frame.data, bits);
    return true;
}

static enum lt_code apply_checksum(struct encoder *e, const struct lt_checksum *checksum)
{
    if (lt_checksum_bytes(checksum) > e->def->length)
        return lt_fail(e->error, LT_E_RANGE, "its checksum reaches past its %u bytes",
                       e->def->length);
    for (size_t i = 0; i < e->set_count; i++)
        if (lt_bits_overlap(&e->profile->signals[e->set[i]].bits, &checksum->place))
            return lt_fail(e->error, LT_E_CONFLICT, "%s lies on the checksum, which is filled in",
                           signal_name(e, e->set[i]));
    lt_checksum_apply(checksum, e->frame.data, e->frame.len, e->frame.id,
                      lt_frame_has(&e->frame, LT_FRAME_EXTENDED));
    return LT_OK;
}

static enum lt_code put_checksum(struct encoder *e)
{
    uint64_t page = 0;
    bool has_page = read_page(e, &page);
    for (size_t i = 0; i < e->def->checksum_count; i++) {
        const struct lt_checksum *checksum = &e->def->checksums[i];
        if (!checksum->has_page || (has_page && checksum->page == page))
            return apply_checksum(e, checksum);
    }
    return LT_OK;
}

static enum lt_code encode(struct encoder *e, const struct lt_setting *settings, size_t count,
                           uint64_t n)
{
    enum lt_code code = check_frame(e);
    if (code != LT_OK)
        return code;
    begin_frame(e);
    for (size_t i = 0; i < count && code == LT_OK; i++)
        code = add_setting(e, &settings[i]);
    if (code == LT_OK)
        code = settle_selectors(e);
    for (size_t i = 0; i < e->set_count && code == LT_OK; i++)
        lt_bits_put(e->frame.data, &e->profile->signals[e->set[i]].bits, e->raw[i]);
    if (code == LT_OK)
        code = put_counter(e, n);
    return code == LT_OK ? put_checksum(e) : code;
}

enum lt_code lt_encode(const struct lt_profile *profile, uint32_t frame_index,
                       const struct lt_setting *settings, size_t setting_count, uint64_t counter,
                       struct lt_frame *frame, struct lt_error *error)
{
    struct encoder e;
    if (frame_index >= profile->frame_count)
        return lt_fail(error, LT_E_UNKNOWN, "there is no such frame");
    e.profile = profile;
    e.def = &profile->frames[frame_index];
    e.frame_index = frame_index;
    e.frame = *frame;
    e.error = error;
    e.set_count = e.demand_count = 0;
    enum lt_code code = encode(&e, settings, setting_count, counter);
    if (code != LT_OK)
        return name_frame(&e, code);
    *frame = e.frame;
    return LT_OK;
}
