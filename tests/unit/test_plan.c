/* The decode plan: which frame plans an identifier finds, pages, checks. */
#include "sketch.h"

#include "loomtap/core/plan.h"

static struct lt_frame make_frame(uint32_t id, uint16_t flags, uint16_t bus, const char *hex)
{
    struct lt_frame frame = {.id = id, .flags = flags, .bus = bus};
    frame.len = (uint8_t)sketch_bytes(hex, frame.data, LT_FRAME_MAX);
    return frame;
}

static struct lt_plan *make_plan(const struct lt_profile *const *profiles, size_t count,
                                 const struct lt_binding *bindings, size_t binding_count,
                                 const struct lt_plan_options *options)
{
    struct lt_plan *plan = NULL;
    struct lt_error error;
    if (lt_plan_new(&plan, profiles, count, bindings, binding_count, options, &error) != LT_OK)
        fail_msg("%s", error.text);
    return plan;
}

/* "a b" of the chain found. */
static const char *names(const struct lt_frame_plan *f)
{
    static char text[200];
    size_t at = lt_text_format(text, sizeof text, "%s", f ? "" : "-");
    for (; f; f = f->next)
        at += lt_text_format(text + at, sizeof text - at, "%s%s", at ? " " : "", f->def->name);
    return text;
}

static const char *found(const struct lt_plan *plan, uint32_t id, uint16_t flags, uint16_t bus)
{
    struct lt_frame frame = make_frame(id, flags, bus, "00");
    return names(lt_plan_lookup(plan, &frame));
}

static void identifiers_meet_their_frames_on_bound_buses(void **state)
{
    struct sketch s;
    const struct lt_profile *profile = &s.profile;
    (void)state;
    sketch_begin(&s);
    uint32_t powertrain = sketch_bus(&s, "powertrain"), body = sketch_bus(&s, "body");
    uint32_t comfort = sketch_bus(&s, "comfort");
    sketch_frame(&s, "engine", powertrain, 0x123, 8);
    sketch_frame(&s, "doors", body, 0x123, 8);
    sketch_frame(&s, "wide", powertrain, 0x18FF0001, 8);
    sketch_frame(&s, "low_wide", powertrain, 0x7FF, 8)->extended = true;
    sketch_frame(&s, "seats", comfort, 0x300, 8);
    sketch_frame(&s, "anywhere", LT_NONE, 0x7E8, 8);
    const struct lt_binding bindings[] = {{0, powertrain, 2}, {0, body, 5}, {0, comfort, LT_NONE}};
    struct lt_plan *plan = make_plan(&profile, 1, bindings, COUNT_OF(bindings), NULL);
    assert_string_equal(found(plan, 0x123, 0, 2), "engine");
    assert_string_equal(found(plan, 0x123, 0, 5), "doors");
    assert_string_equal(found(plan, 0x123, 0, 0), "-");
    assert_string_equal(found(plan, 0x123, LT_FRAME_FD, 2), "engine");
    /* The same number with 29 bits is another frame. */
    assert_string_equal(found(plan, 0x123, LT_FRAME_EXTENDED, 2), "-");
    assert_string_equal(found(plan, 0x18FF0001, LT_FRAME_EXTENDED, 2), "wide");
    assert_string_equal(found(plan, 0x7FF, LT_FRAME_EXTENDED, 2), "low_wide");
    assert_string_equal(found(plan, 0x7FF, 0, 2), "-");
    assert_string_equal(found(plan, 0x300, 0, 2), "-");
    /* Without a bus: on every one, up to the last. */
    assert_string_equal(found(plan, 0x7E8, 0, 2), "anywhere");
    assert_string_equal(found(plan, 0x7E8, 0, 40), "anywhere");
    assert_string_equal(found(plan, 0x7E8, 0, LT_BUSES_MAX - 1), "anywhere");
    assert_string_equal(found(plan, 0x7E8, 0, LT_BUSES_MAX), "-");
    assert_string_equal(found(plan, 0x7E8, LT_FRAME_REMOTE, 2), "-");
    assert_string_equal(found(plan, 0x7E8, LT_FRAME_ERROR, 2), "-");
    assert_string_equal(found(plan, 0x97E8, 0, 2), "-");
    lt_plan_free(plan);
}

static void two_profiles_of_one_identifier_form_a_chain(void **state)
{
    struct sketch a, b;
    const struct lt_profile *const profiles[] = {&a.profile, &b.profile};
    const struct lt_frame_plan *const *list;
    (void)state;
    sketch_begin(&a);
    sketch_bus(&a, "can");
    sketch_frame(&a, "first", 0, 0x100, 8);
    sketch_signal(&a, "x", "0.7..0.0", LT_UNSIGNED, "1", "0");
    sketch_frame(&a, "only_a", 0, 0x101, 8);
    sketch_begin(&b);
    sketch_bus(&b, "can");
    sketch_frame(&b, "second", 0, 0x100, 8);
    sketch_signal(&b, "y", "0.7..0.0", LT_UNSIGNED, "1", "0");
    sketch_frame(&b, "everywhere", LT_NONE, 0x100, 8);
    const struct lt_binding bindings[] = {{0, 0, 0}, {1, 0, 0}, {1, 0, 1}};
    struct lt_plan *plan = make_plan(profiles, 2, bindings, COUNT_OF(bindings), NULL);
    assert_string_equal(found(plan, 0x100, 0, 0), "first second everywhere");
    assert_string_equal(found(plan, 0x100, 0, 1), "second everywhere");
    assert_string_equal(found(plan, 0x100, 0, 2), "everywhere");
    assert_string_equal(found(plan, 0x101, 0, 0), "only_a");
    assert_int_equal(lt_plan_frames(plan, &list), 4);
    struct lt_frame frame = make_frame(0x100, 0, 0, "00");
    const struct lt_frame_plan *first = lt_plan_lookup(plan, &frame);
    assert_int_equal(first->index, 0);
    assert_int_equal(first->next->index, 2);
    assert_ptr_equal(first->next->profile, &b.profile);
    assert_int_equal(first->fields[0].index, 0);
    assert_int_equal(first->next->fields[0].index, 1);
    assert_int_equal(lt_plan_field_count(plan), 2);
    lt_plan_free(plan);
}

/* Identifiers and PGNs as in the Linux kernel's j1939 documentation (PDU1 and PDU2). */
static void pgns_match_whatever_the_priority(void **state)
{
    struct sketch s;
    const struct lt_profile *profile = &s.profile;
    const uint16_t wide = LT_FRAME_EXTENDED;
    (void)state;
    sketch_begin(&s);
    struct lt_frame_def *eec1 = sketch_frame(&s, "eec1", LT_NONE, 0x18F00400, 8);
    eec1->is_pgn = true;
    eec1->pgn = 61444;
    struct lt_frame_def *tsc1 = sketch_frame(&s, "tsc1", LT_NONE, 0x0C000003, 8);
    tsc1->is_pgn = true;
    tsc1->pgn = 0;
    struct lt_frame_def *retarder = sketch_frame(&s, "eec1_retarder", LT_NONE, 0x18F00410, 8);
    retarder->is_pgn = true;
    retarder->pgn = 61444;
    retarder->source = 0x10;
    sketch_frame(&s, "exact", LT_NONE, 0x0CF00400, 8);
    struct lt_frame_def *page1 = sketch_frame(&s, "page1", LT_NONE, 0x19FFA017, 8);
    page1->is_pgn = true;
    page1->pgn = 130976;
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
    assert_string_equal(found(plan, 0x18F00400, wide, 0), "eec1");
    assert_string_equal(found(plan, 0x00F004FE, wide, 0), "eec1");
    assert_string_equal(found(plan, 0x0CF00400, wide, 0), "eec1 exact");
    assert_string_equal(found(plan, 0x0CF00410, wide, 0), "eec1 eec1_retarder");
    assert_string_equal(found(plan, 0x0CF00500, wide, 0), "-");
    assert_string_equal(found(plan, 0x0DF00400, wide, 0), "-"); /* other data page */
    assert_string_equal(found(plan, 0x400, 0, 0), "-");
    /* PDU1: the destination does not count. */
    assert_string_equal(found(plan, 0x0C000003, wide, 0), "tsc1");
    assert_string_equal(found(plan, 0x0C00FF99, wide, 0), "tsc1");
    assert_string_equal(found(plan, 0x0C0100FF, wide, 0), "-");
    assert_string_equal(found(plan, 0x19FFA017, wide, 0), "page1");
    assert_string_equal(names(lt_plan_lookup_pgn(plan, 0, 61444, 0x10)), "eec1 eec1_retarder");
    assert_string_equal(names(lt_plan_lookup_pgn(plan, 0, 61444, 0x11)), "eec1");
    assert_string_equal(names(lt_plan_lookup_pgn(plan, 0, 0xFF, 0x11)), "tsc1");
    assert_string_equal(names(lt_plan_lookup_pgn(plan, 0, 65226, 0)), "-");
    assert_string_equal(names(lt_plan_lookup_pgn(plan, LT_BUSES_MAX, 61444, 0)), "-");
    lt_plan_free(plan);
}

static void many_wide_identifiers_are_all_found(void **state)
{
    static struct lt_frame_def frames[3000];
    const struct lt_profile big = {.frames = frames, .frame_count = COUNT_OF(frames)};
    const struct lt_profile *profile = &big;
    (void)state;
    for (uint32_t i = 0; i < COUNT_OF(frames); i++)
        frames[i] = (struct lt_frame_def){
            .name = "f", .bus = LT_NONE, .id = i * 0x11003, .extended = true, .source = LT_NONE};
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
    for (uint32_t i = 0; i < COUNT_OF(frames); i++) {
        struct lt_frame frame = make_frame(i * 0x11003, LT_FRAME_EXTENDED, 0, "00");
        const struct lt_frame_plan *f = lt_plan_lookup(plan, &frame);
        assert_non_null(f);
        assert_ptr_equal(f->def, &frames[i]);
        assert_null(f->next);
        frame.id++;
        assert_null(lt_plan_lookup(plan, &frame));
    }
    lt_plan_free(plan);
}

static void fetches_one_load_where_it_can(void **state)
{
    static const struct {
        const char *bits;
        enum lt_fetch fetch;
        unsigned first_byte, end_byte, shift;
    } rows[] = {
        {"3.6..3.4", LT_FETCH_LE, 3, 4, 4},      {"4.7..3.0", LT_FETCH_LE, 3, 5, 0},
        {"8.3..1.0", LT_FETCH_LE, 1, 9, 0},      {"0.7..1.0", LT_FETCH_BE, 0, 2, 48},
        {"0.7..7.0", LT_FETCH_BE, 0, 8, 0},      {"56.7..63.0", LT_FETCH_BE, 56, 64, 0},
        {"63.2", LT_FETCH_LE, 63, 64, 2},        {"0.3..8.4", LT_FETCH_GENERAL, 0, 9, 0},
        {"8.3..0.4", LT_FETCH_GENERAL, 0, 9, 0}, {"5.1 2.0", LT_FETCH_GENERAL, 0, 6, 0},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct sketch s;
        const struct lt_profile *profile = &s.profile;
        sketch_begin(&s);
        sketch_frame(&s, "f", LT_NONE, 1, 64);
        sketch_signal(&s, "x", rows[i].bits, LT_UNSIGNED, "1", "0");
        struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
        const struct lt_frame_plan *const *list;
        lt_plan_frames(plan, &list);
        const struct lt_field *field = &list[0]->fields[0];
        assert_int_equal(field->fetch, rows[i].fetch);
        assert_int_equal(field->end_byte, rows[i].end_byte);
        if (rows[i].fetch != LT_FETCH_GENERAL) {
            assert_int_equal(field->first_byte, rows[i].first_byte);
            assert_int_equal(field->shift, rows[i].shift);
        }
        lt_plan_free(plan);
    }
}

static struct lt_page_clause clause(uint32_t selector, uint64_t first, uint64_t last)
{
    return (struct lt_page_clause){.selector = selector, .ranges = 1, .range = {{first, last}}};
}

/* kind (0.7..0.4), sub (1) on kind 3, deep (2) on sub 1 or 4..7, plain (3) always, other (2) on
 * kind 4. */
static void nested(struct sketch *s, struct lt_page_clause clauses[4])
{
    sketch_begin(s);
    sketch_frame(s, "f", LT_NONE, 0x10, 8);
    sketch_signal(s, "deep", "2.7..2.0", LT_UNSIGNED, "1", "0");
    sketch_signal(s, "sub", "1.7..1.0", LT_UNSIGNED, "1", "0");
    sketch_signal(s, "kind", "0.7..0.4", LT_UNSIGNED, "1", "0");
    sketch_signal(s, "plain", "3.7..3.0", LT_UNSIGNED, "1", "0");
    sketch_signal(s, "other", "2.7..2.0", LT_UNSIGNED, "1", "0");
    clauses[0] = (struct lt_page_clause){.selector = 1, .ranges = 2, .range = {{1, 1}, {4, 7}}};
    clauses[1] = clause(2, 3, 3);
    clauses[2] = clause(2, 4, 4);
    clauses[3] = clause(2, 3, 3);
    s->signals[0].page = &clauses[0];
    s->signals[0].page_count = 1;
    s->signals[1].page = &clauses[1];
    s->signals[1].page_count = 1;
    s->signals[4].page = &clauses[2];
    s->signals[4].page_count = 1;
}

/* The names of the fields that are on the page of these bytes. */
static const char *present(const struct lt_frame_plan *f, const char *hex)
{
    static char text[100];
    struct lt_frame frame = make_frame(0x10, 0, 0, hex);
    uint64_t pages = lt_frame_plan_pages(f, frame.data, frame.len);
    size_t at = lt_text_format(text, sizeof text, "%s", "");
    for (unsigned i = 0; i < f->field_count; i++)
        if (lt_field_on_page(&f->fields[i], pages))
            at += lt_text_format(text + at, sizeof text - at, "%s%s", at ? " " : "",
                                 f->profile->signals[f->fields[i].signal].name);
    return text;
}

static void nested_selectors_fold_in(void **state)
{
    struct sketch s;
    struct lt_page_clause clauses[4];
    const struct lt_profile *profile = &s.profile;
    const struct lt_frame_plan *const *list;
    (void)state;
    nested(&s, clauses);
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
    lt_plan_frames(plan, &list);
    assert_string_equal(present(list[0], "30 01 00 00"), "deep sub kind plain");
    assert_string_equal(present(list[0], "30 05 00 00"), "deep sub kind plain");
    assert_string_equal(present(list[0], "30 02 00 00"), "sub kind plain");
    /* sub's bits read 1, but on this page they are not sub. */
    assert_string_equal(present(list[0], "40 01 00 00"), "kind plain other");
    assert_string_equal(present(list[0], "00 01 00 00"), "kind plain");
    assert_int_equal(list[0]->page_set_count, 3);
    lt_plan_free(plan);
}

static void a_selector_past_the_length_shows_no_page(void **state)
{
    struct sketch s;
    struct lt_page_clause clauses[4];
    const struct lt_profile *profile = &s.profile;
    const struct lt_frame_plan *const *list;
    (void)state;
    nested(&s, clauses);
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
    lt_plan_frames(plan, &list);
    assert_string_equal(present(list[0], "30"), "sub kind plain");
    assert_string_equal(present(list[0], ""), "kind plain");
    /* Bytes behind the end hold nothing of this frame, whatever they say. */
    struct lt_frame frame = make_frame(0x10, 0, 0, "30 01 00");
    assert_int_equal(lt_frame_plan_pages(list[0], frame.data, 0), 0);
    lt_plan_free(plan);
}

static void equal_pages_share_one_set(void **state)
{
    struct sketch s;
    struct lt_page_clause clauses[4];
    const struct lt_profile *profile = &s.profile;
    const struct lt_frame_plan *const *list;
    (void)state;
    nested(&s, clauses);
    s.signals[3].page = &clauses[3]; /* the same as sub's, another object */
    s.signals[3].page_count = 1;
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
    lt_plan_frames(plan, &list);
    assert_int_equal(list[0]->page_set_count, 3);
    assert_int_equal(list[0]->fields[1].page_set, list[0]->fields[3].page_set);
    lt_plan_free(plan);
}

static bool wants_named(void *context, const struct lt_profile *profile, uint32_t signal)
{
    return strcmp(profile->signals[signal].name, context) == 0;
}

static void unwanted_selectors_still_choose(void **state)
{
    struct sketch s;
    struct lt_page_clause clauses[4];
    const struct lt_profile *profile = &s.profile;
    const struct lt_frame_plan *const *list;
    char deep[] = "deep", none[] = "none";
    (void)state;
    nested(&s, clauses);
    struct lt_plan_options options = {wants_named, deep};
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, &options);
    lt_plan_frames(plan, &list);
    assert_int_equal(list[0]->field_count, 1);
    assert_string_equal(present(list[0], "30 01 00 00"), "deep");
    assert_string_equal(present(list[0], "40 01 00 00"), "");
    lt_plan_free(plan);
    options.context = none;
    plan = make_plan(&profile, 1, NULL, 0, &options);
    assert_string_equal(found(plan, 0x10, 0, 0), "f"); /* known, though nothing is wanted of it */
    assert_int_equal(lt_plan_field_count(plan), 0);
    lt_plan_free(plan);
}

static void pages_that_cannot_be_planned_are_refused(void **state)
{
    struct sketch s;
    struct lt_page_clause clauses[4], many[70];
    const struct lt_profile *profile = &s.profile;
    struct lt_plan *plan = NULL;
    struct lt_error error;
    (void)state;
    nested(&s, clauses);
    clauses[1].selector = 0; /* sub on deep, deep on sub */
    assert_int_equal(lt_plan_new(&plan, &profile, 1, NULL, 0, NULL, &error), LT_E_LIMIT);
    assert_null(plan);
    sketch_begin(&s);
    sketch_frame(&s, "g", LT_NONE, 0x11, 8);
    sketch_signal(&s, "kind", "0.7..0.0", LT_UNSIGNED, "1", "0");
    for (uint32_t i = 0; i < COUNT_OF(many); i++) {
        many[i] = clause(0, i, i);
        struct lt_signal_def *signal = sketch_signal(&s, "x", "1.0", LT_UNSIGNED, "1", "0");
        signal->page = &many[i];
        signal->page_count = 1;
    }
    assert_int_equal(lt_plan_new(&plan, &profile, 1, NULL, 0, NULL, &error), LT_E_LIMIT);
    assert_non_null(strstr(error.text, "64 different pages"));
    s.profile.signal_count = 65; /* the selector and 64 pages */
    plan = make_plan(&profile, 1, NULL, 0, NULL);
    const struct lt_frame_plan *const *list;
    lt_plan_frames(plan, &list);
    const uint8_t data[LT_FRAME_ROOM] = {63};
    assert_true(lt_frame_plan_pages(list[0], data, 8) == UINT64_C(1) << 63);
    lt_plan_free(plan);
}

static void parameters_have_plans_but_no_identifier(void **state)
{
    struct sketch s;
    const struct lt_profile *profile = &s.profile;
    const struct lt_frame_plan *const *list;
    (void)state;
    sketch_begin(&s);
    sketch_frame(&s, "f", LT_NONE, 0x7E8, 8);
    struct lt_signal_def *signal = sketch_signal(&s, "speed", "0.7..1.0", LT_UNSIGNED, "0.25", "0");
    signal->frame = LT_NONE;
    signal->parameter = 0;
    s.parameters[0] = (struct lt_parameter_def){
        .name = "engine_speed_obd", .bus = LT_NONE, .service = 1, .pid = 0x0C, .length = 2};
    s.profile.parameter_count = 1;
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
    assert_int_equal(lt_plan_parameters(plan, &list), 1);
    assert_ptr_equal(list[0]->parameter, &s.parameters[0]);
    assert_null(list[0]->def);
    assert_int_equal(list[0]->index, 1);
    assert_int_equal(list[0]->field_count, 1);
    struct lt_frame frame = make_frame(0x7E8, 0, 0, "04 41 0C 1A F8 AA AA AA");
    assert_int_equal(lt_plan_lookup(plan, &frame)->field_count, 0);
    /* 1A F8 is 1726 rpm: reference sheet, example 2. */
    assert_int_equal(lt_field_fetch(&list[0]->fields[0], frame.data + 3), 6904);
    lt_plan_free(plan);
}

static struct lt_checksum check_of(const char *text)
{
    struct lt_checksum checksum;
    struct lt_error error;
    if (lt_checksum_parse(lt_text_of(text), &checksum, &error) != LT_OK)
        fail_msg("%s", error.text);
    return checksum;
}

static enum lt_verdict verdict(const struct lt_plan *plan, const char *hex)
{
    struct lt_frame frame = make_frame(0x10, 0, 0, hex);
    return lt_frame_plan_verify(lt_plan_lookup(plan, &frame), &frame);
}

static void checksums_are_verified(void **state)
{
    struct sketch s;
    const struct lt_profile *profile = &s.profile;
    (void)state;
    sketch_begin(&s);
    struct lt_frame_def *def = sketch_frame(&s, "f", LT_NONE, 0x10, 8);
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
    assert_int_equal(verdict(plan, "11 22 33 44 55 66 77 DC"), LT_CHECK_NONE);
    lt_plan_free(plan);
    /* Sum of these seven bytes: DC (reference sheet, plain forms seen in vehicle frames). */
    struct lt_checksum checksum = check_of("sum over 0..6 in 7");
    def->checksums = &checksum;
    def->checksum_count = 1;
    plan = make_plan(&profile, 1, NULL, 0, NULL);
    assert_int_equal(verdict(plan, "11 22 33 44 55 66 77 DC"), LT_CHECK_GOOD);
    assert_int_equal(verdict(plan, "11 22 33 44 55 66 77 DD"), LT_CHECK_BAD);
    assert_int_equal(verdict(plan, "11 22 33 44 55 66 77"), LT_CHECK_SHORT);
    lt_plan_free(plan);
}

static void checksums_are_chosen_by_the_outermost_selector(void **state)
{
    struct sketch s;
    struct lt_page_clause clauses[4];
    struct lt_checksum checks[2] = {check_of("sum over 0..6 in 7 page 3"),
                                    check_of("xor over 0..2 in 3 page 4")};
    const struct lt_profile *profile = &s.profile;
    const struct lt_frame_plan *const *list;
    (void)state;
    nested(&s, clauses);
    s.frames[0].checksums = checks;
    s.frames[0].checksum_count = COUNT_OF(checks);
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
    lt_plan_frames(plan, &list);
    assert_int_equal(list[0]->page_selector->signal, 2);
    assert_int_equal(verdict(plan, "30 01 00 00 00 00 00 31"), LT_CHECK_GOOD);
    assert_int_equal(verdict(plan, "30 01 00 31 00 00 00 00"), LT_CHECK_BAD);
    assert_int_equal(verdict(plan, "30 01 00 31"), LT_CHECK_SHORT);
    assert_int_equal(verdict(plan, "40 02 01 43"), LT_CHECK_GOOD);
    assert_int_equal(verdict(plan, "40 02 01 44"), LT_CHECK_BAD);
    assert_int_equal(verdict(plan, "50 02 01 44"), LT_CHECK_NONE);
    assert_int_equal(verdict(plan, ""), LT_CHECK_SHORT);
    lt_plan_free(plan);
}

static void counters_have_a_fetch(void **state)
{
    struct sketch s;
    const struct lt_profile *profile = &s.profile;
    (void)state;
    sketch_begin(&s);
    struct lt_frame_def *def = sketch_frame(&s, "f", LT_NONE, 0x10, 8);
    def->counter = (struct lt_counter_def){true, sketch_bits("6.3..6.0"), 16, 1};
    struct lt_plan *plan = make_plan(&profile, 1, NULL, 0, NULL);
    struct lt_frame frame = make_frame(0x10, 0, 0, "00 00 00 00 00 00 5C 00");
    const struct lt_frame_plan *f = lt_plan_lookup(plan, &frame);
    assert_true(f->has_counter);
    assert_int_equal(lt_field_fetch(&f->counter, frame.data), 0xC);
    assert_int_equal(f->counter.end_byte, 7);
    lt_plan_free(plan);
}

static void bindings_are_checked(void **state)
{
    struct sketch s;
    const struct lt_profile *profile = &s.profile;
    static const struct lt_binding bad[] = {{1, 0, 0}, {0, 1, 0}, {0, 0, LT_BUSES_MAX}};
    struct lt_plan *plan = NULL;
    (void)state;
    sketch_begin(&s);
    sketch_bus(&s, "can");
    for (size_t i = 0; i < COUNT_OF(bad); i++)
        assert_int_not_equal(lt_plan_new(&plan, &profile, 1, &bad[i], 1, NULL, NULL), LT_OK);
    assert_null(plan);
    lt_plan_free(NULL);
}

static void a_signal_that_cannot_be_scaled_stops_the_plan(void **state)
{
    struct sketch s;
    const struct lt_profile *profile = &s.profile;
    struct lt_plan *plan = NULL;
    struct lt_error error;
    (void)state;
    sketch_begin(&s);
    sketch_frame(&s, "f", LT_NONE, 0x10, 8);
    sketch_signal(&s, "bad_scale", "0.7..0.0", LT_UNSIGNED, "0", "0");
    assert_int_equal(lt_plan_new(&plan, &profile, 1, NULL, 0, NULL, &error), LT_E_RANGE);
    assert_non_null(strstr(error.text, "bad_scale"));
    assert_null(plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(identifiers_meet_their_frames_on_bound_buses),
        cmocka_unit_test(two_profiles_of_one_identifier_form_a_chain),
        cmocka_unit_test(pgns_match_whatever_the_priority),
        cmocka_unit_test(many_wide_identifiers_are_all_found),
        cmocka_unit_test(fetches_one_load_where_it_can),
        cmocka_unit_test(nested_selectors_fold_in),
        cmocka_unit_test(a_selector_past_the_length_shows_no_page),
        cmocka_unit_test(equal_pages_share_one_set),
        cmocka_unit_test(unwanted_selectors_still_choose),
        cmocka_unit_test(pages_that_cannot_be_planned_are_refused),
        cmocka_unit_test(parameters_have_plans_but_no_identifier),
        cmocka_unit_test(checksums_are_verified),
        cmocka_unit_test(checksums_are_chosen_by_the_outermost_selector),
        cmocka_unit_test(counters_have_a_fetch),
        cmocka_unit_test(bindings_are_checked),
        cmocka_unit_test(a_signal_that_cannot_be_scaled_stops_the_plan),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
