/* The invented car and the profile that describes it know nothing of each other: decoding its
 * traffic with signaldefs/tarn-turbo.ini must give back the truth value for value, and every frame
 * and signal must be in both. */
#include "mimic_drive.h"

#include <math.h>

#include "loomtap/core/plan.h"
#include "loomtap/defs/load.h"

struct fixture {
    struct lt_profile *profile;
    struct lt_plan *plan;
};

static void print_faults(const struct lt_faults *faults)
{
    for (size_t i = 0; i < faults->count; i++) {
        char text[900];
        lt_error_print(&faults->items[i], text, sizeof(text));
        print_message("%s\n", text);
    }
}

static int set_up(void **state)
{
    static struct fixture fixture;
    char path[4096];
    const char *root = getenv("LOOMTAP_SOURCE");
    struct lt_faults faults;
    struct lt_error error;
    lt_faults_init(&faults, 0);
    lt_text_format(path, sizeof(path), "%s/signaldefs/tarn-turbo.ini", root ? root : ".");
    enum lt_code code = lt_profile_load(&fixture.profile, path, &faults);
    print_faults(&faults);
    assert_int_equal(code, LT_OK);
    assert_int_equal(faults.errors + faults.warnings, 0);
    lt_faults_release(&faults);
    const struct lt_profile *profile = fixture.profile;
    const struct lt_binding bindings[2] = {
        {0, lt_profile_find_bus(profile, lt_text_of("powertrain")), 0},
        {0, lt_profile_find_bus(profile, lt_text_of("chassis")), 1},
    };
    assert_int_equal(lt_plan_new(&fixture.plan, &profile, 1, bindings, 2, NULL, &error), LT_OK);
    *state = &fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;
    lt_plan_free(fixture->plan);
    lt_profile_free(fixture->profile);
    return 0;
}

/* Half of the smallest step around this raw value; a float field carries the nearest float. */
static double allowed(const struct lt_scaler *scaler, uint64_t raw, double decoded)
{
    if (scaler->def->sign == LT_FLOAT)
        return fabs(decoded) * 6e-8;
    uint64_t top = scaler->length == 64 ? UINT64_MAX : ((uint64_t)1 << scaler->length) - 1;
    double up = raw < top ? fabs(lt_scaler_f64(scaler, raw + 1) - decoded) : 0;
    double down = raw > 0 ? fabs(lt_scaler_f64(scaler, raw - 1) - decoded) : 0;
    return fmax(up, down) * 0.500001;
}

static void compare(const struct lt_field *field, uint64_t raw, const struct lt_mimic_truth *row)
{
    const struct lt_signal_def *def = field->scaler->def;
    assert_true(raw == row->raw);
    assert_string_equal(lt_signal_unit(def), row->unit);
    enum lt_state state = lt_scaler_state(field->scaler, raw);
    if (state == LT_STATE_UNAVAILABLE || state == LT_STATE_ERROR) {
        assert_string_equal(row->label, state == LT_STATE_ERROR ? "error" : "unavailable");
        return;
    }
    const char *label = lt_signal_label(def, raw);
    assert_string_equal(label ? label : "", row->label);
    if (label)
        return;
    double decoded = lt_scaler_f64(field->scaler, raw);
    if (strcmp(def->name, "part_text") != 0) /* a text: its size as a number means nothing */
        assert_true(fabs(decoded - row->value) <= allowed(field->scaler, raw, decoded));
}

static void check_scenario(const struct fixture *fixture, const char *scenario, double duration_s,
                           unsigned *seen)
{
    struct drive drive = begin(scenario, 1, duration_s);
    while (next(&drive)) {
        const struct lt_frame *frame = drive.frame;
        const struct lt_frame_plan *plan = lt_plan_lookup(fixture->plan, frame);
        assert_true((plan != NULL) == (drive.row_count > 0));
        if (!plan)
            continue;
        assert_int_equal(plan->def->length, frame->len);
        assert_string_equal(plan->def->name, drive.rows[0].frame);
        assert_true(plan->def->direction == LT_LISTEN);
        uint64_t pages = lt_frame_plan_pages(plan, frame->data, frame->len);
        size_t present = 0;
        for (size_t i = 0; i < plan->field_count; i++) {
            const struct lt_field *field = &plan->fields[i];
            if (!lt_field_on_page(field, pages))
                continue;
            const struct lt_mimic_truth *row = row_of(&drive, field->scaler->def->name);
            assert_non_null(row);
            compare(field, lt_field_fetch(field, frame->data), row);
            present++;
            seen[field->signal]++;
        }
        assert_int_equal(present, drive.row_count);
        if (!drive.rows[0].suspect)
            assert_true(lt_frame_plan_verify(plan, frame) != LT_CHECK_BAD);
    }
}

static void decoding_gives_back_the_truth(void **state)
{
    const struct fixture *fixture = *state;
    unsigned seen[256] = {0};
    assert_true(fixture->profile->signal_count <= 256);
    check_scenario(fixture, "drive", 0, seen);
    check_scenario(fixture, "idle", 0, seen);
    check_scenario(fixture, "warmup", 300, seen);
    for (size_t i = 0; i < fixture->profile->signal_count; i++) {
        const struct lt_signal_def *signal = &fixture->profile->signals[i];
        bool sent_by_kit = fixture->profile->frames[signal->frame].direction == LT_SEND;
        assert_true(sent_by_kit ? seen[i] == 0 : seen[i] > 5);
    }
}

static void periods_are_as_the_profile_says(void **state)
{
    const struct fixture *fixture = *state;
    const struct lt_profile *profile = fixture->profile;
    unsigned count[64] = {0};
    int64_t first_ns[64] = {0}, last_ns[64] = {0};
    assert_true(profile->frame_count <= 64);
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        const struct lt_frame_plan *plan = lt_plan_lookup(fixture->plan, drive.frame);
        if (!plan)
            continue;
        size_t i = (size_t)(plan->def - profile->frames);
        if (count[i]++ == 0)
            first_ns[i] = drive.frame->time_ns;
        last_ns[i] = drive.frame->time_ns;
    }
    for (size_t i = 0; i < profile->frame_count; i++) {
        int64_t period_ns = profile->frames[i].period_ns;
        if (!period_ns || profile->frames[i].direction == LT_SEND)
            continue;
        assert_true(count[i] > 50);
        double mean_ns = (double)(last_ns[i] - first_ns[i]) / (count[i] - 1);
        assert_true(fabs(mean_ns / (double)period_ns - 1) < 0.01);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(decoding_gives_back_the_truth),
        cmocka_unit_test(periods_are_as_the_profile_says),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
