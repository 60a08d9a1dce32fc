/* The shipped definitions against worked values: replies to service 01 and frames of J1939, taken
 * through the listener and the decode plan. Outside facts: SAE J1979 as in the encyclopaedia's
 * "OBD-II PIDs" (values worked out from its formulas by hand); frames of an engine controller's
 * manual for J1939; a marine display's manual for DM1. */
#include "unit.h"

#include "loomtap/core/plan.h"
#include "loomtap/defs/load.h"
#include "loomtap/proto/j1939.h"
#include "loomtap/proto/obd.h"
#include "proto_frame.h"

struct defs {
    struct lt_profile *profile;
    struct lt_plan *plan;
};

static struct defs obd_ii, j1939;

static int load(struct defs *defs, const char *name)
{
    const char *source = getenv("LOOMTAP_SOURCE");
    char path[4096], text[1200];
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    snprintf(path, sizeof path, "%s/signaldefs/%s", source ? source : ".", name);
    enum lt_code code = lt_profile_load(&defs->profile, path, &faults);
    for (size_t i = 0; i < faults.count; i++) {
        lt_error_print(&faults.items[i], text, sizeof text);
        print_message("%s\n", text);
    }
    /* Warnings too: these files are the example for others. */
    bool clean = code == LT_OK && faults.count == 0;
    lt_faults_release(&faults);
    if (!clean)
        return 1;
    const struct lt_profile *profile = defs->profile;
    return lt_plan_new(&defs->plan, &profile, 1, NULL, 0, NULL, NULL) != LT_OK;
}

static int load_both(void **state)
{
    (void)state;
    return load(&obd_ii, "obd-ii.ini") || load(&j1939, "j1939.ini");
}

static int free_both(void **state)
{
    (void)state;
    lt_plan_free(obd_ii.plan);
    lt_plan_free(j1939.plan);
    lt_profile_free(obd_ii.profile);
    lt_profile_free(j1939.profile);
    return 0;
}

static const struct lt_frame_plan *parameter_plan(uint32_t pid)
{
    const struct lt_frame_plan *const *list;
    size_t count = lt_plan_parameters(obd_ii.plan, &list);
    for (size_t i = 0; i < count; i++)
        if (list[i]->parameter->service == 0x01 && list[i]->parameter->pid == pid)
            return list[i];
    return NULL;
}

/* NULL when the signal is not present in this message. */
static const struct lt_field *find_field(const struct lt_frame_plan *plan, const char *name,
                                         const uint8_t *data, size_t length)
{
    uint64_t pages = lt_frame_plan_pages(plan, data, length);
    for (size_t i = 0; i < plan->field_count; i++) {
        const struct lt_field *field = &plan->fields[i];
        if (strcmp(plan->profile->signals[field->signal].name, name) == 0)
            return lt_field_on_page(field, pages) && field->end_byte <= length ? field : NULL;
    }
    fail_msg("no signal %s", name);
    return NULL;
}

struct row {
    const char *message, *signal;
    double value;
    const char *label; /* NULL = a number; "-" = not present; "unavailable", "error" */
};

static void check_row(const struct row *row, const struct lt_frame_plan *plan, const uint8_t *data,
                      size_t length)
{
    const struct lt_field *field = find_field(plan, row->signal, data, length);
    bool absent = row->label && strcmp(row->label, "-") == 0;
    assert_int_equal(field == NULL, absent);
    if (absent)
        return;
    uint64_t raw = lt_field_fetch(field, data);
    enum lt_state state = lt_scaler_state(field->scaler, raw);
    const char *label = lt_signal_label(&plan->profile->signals[field->signal], raw);
    if (state != LT_STATE_VALUE)
        label = state == LT_STATE_ERROR ? "error" : "unavailable";
    if (row->label) {
        assert_non_null(label);
        assert_string_equal(label, row->label);
        return;
    }
    assert_int_equal(state, LT_STATE_VALUE);
    /* The published values are rounded to five digits at worst. */
    double off = lt_scaler_f64(field->scaler, raw) - row->value;
    double allowed = 1e-5 * (row->value < 0 ? 1 - row->value : 1 + row->value);
    if (off > allowed || off < -allowed)
        fail_msg("%s of %s: %f more than %f", row->signal, row->message, off, row->value);
}

/* The message is the payload behind 41: PID and data, as service 01 replies carry it. */
static void check_reply(const struct row *row)
{
    struct lt_obd *obd;
    struct lt_obd_reply reply;
    struct lt_frame frame = {.id = 0x7E8, .time_ns = LT_NO_TIME};
    uint8_t payload[64] = {0x41};
    size_t length = 1;
    uint64_t byte = 0;
    for (const char *at = row->message; lt_parse_hex((struct lt_text){at, 2}, &byte); at += 2) {
        payload[length++] = (uint8_t)byte;
        if (!at[2])
            break;
    }
    assert_int_equal(lt_obd_new(&obd, NULL, NULL, NULL), LT_OK);
    bool done = false;
    for (size_t n = 0; lt_isotp_segment(payload, length, n, 0xAA, &frame); n++)
        done = lt_obd_feed(obd, &frame, &reply);
    assert_true(done);
    assert_int_equal(reply.count, 1);
    const struct lt_frame_plan *plan = parameter_plan(reply.item[0].number);
    assert_non_null(plan);
    assert_int_equal(plan->parameter->length, length - 2);
    check_row(row, plan, reply.item[0].data, reply.item[0].length);
    lt_obd_free(obd);
}

static void worked_values_of_service_01(void **state)
{
    (void)state;
    static const struct row rows[] = {
        {"0480", "obd_engine_load", 50.196078, NULL},
        {"057B", "obd_coolant_temp", 83, NULL},
        {"0690", "obd_short_trim_b1", 12.5, NULL},
        {"0678", "obd_short_trim_b1", -6.25, NULL},
        {"0C1AF8", "obd_engine_speed", 1726, NULL},
        {"0D3C", "obd_vehicle_speed", 60, NULL},
        {"0EA0", "obd_timing_advance", 16, NULL},
        {"1003E8", "obd_air_mass_flow", 10, NULL},
        {"1133", "obd_throttle", 20, NULL},
        {"145A80", "obd_o2_s1_voltage", 0.45, NULL},
        {"145A80", "obd_o2_s1_trim", 0, NULL},
        {"145AFF", "obd_o2_s1_trim", 0, "unavailable"},
        {"221388", "obd_rail_pressure_relative", 395, NULL},
        {"246B854000", "obd_o2_s1_lambda_v", 0.83999, NULL},
        {"246B854000", "obd_o2_s1_wide_voltage", 2, NULL},
        {"32FE0C", "obd_evap_pressure", -125, NULL},
        {"3480008000", "obd_o2_s1_lambda_i", 1, NULL},
        {"3480008000", "obd_o2_s1_current", 0, NULL},
        {"3C1A2C", "obd_catalyst_temp_b1s1", 630, NULL},
        {"4236B0", "obd_module_voltage", 14, NULL},
        {"430080", "obd_absolute_load", 50.196078, NULL},
        {"446B85", "obd_lambda_target", 0.83999, NULL},
        {"5D6900", "obd_injection_timing", 0, NULL},
        {"5E00C8", "obd_fuel_rate", 10, NULL},
        {"62B4", "obd_torque_actual", 55, NULL},
        {"6301F4", "obd_torque_reference", 500, NULL},
        {"70011900000000000000AA", "obd_boost_commanded_a", 200, NULL},
        {"A60012D687", "obd_odometer", 123456.7, NULL},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        check_reply(&rows[i]);
}

static void status_bits_of_the_worked_example(void **state)
{
    (void)state;
    /* Lamp on, 2 codes, spark, all tests of byte B there and complete; catalyst, evaporation, O2
     * and O2 heater there, evaporation not complete. */
    static const struct row rows[] = {
        {"0182076504", "obd_mil", 0, "on"},
        {"0182076504", "obd_code_count", 2, NULL},
        {"0182076504", "obd_ignition", 0, "spark"},
        {"0182076504", "obd_misfire_given", 0, "yes"},
        {"0182076504", "obd_fuel_given", 0, "yes"},
        {"0182076504", "obd_components_given", 0, "yes"},
        {"0182076504", "obd_misfire_open", 0, "complete"},
        {"0182076504", "obd_fuel_open", 0, "complete"},
        {"0182076504", "obd_components_open", 0, "complete"},
        {"0182076504", "obd_catalyst_given", 0, "yes"},
        {"0182076504", "obd_heated_catalyst_given", 0, "no"},
        {"0182076504", "obd_evap_given", 0, "yes"},
        {"0182076504", "obd_secondary_air_given", 0, "no"},
        {"0182076504", "obd_o2_given", 0, "yes"},
        {"0182076504", "obd_o2_heater_given", 0, "yes"},
        {"0182076504", "obd_egr_given", 0, "no"},
        {"0182076504", "obd_evap_open", 0, "not complete"},
        {"0182076504", "obd_catalyst_open", 0, "complete"},
        {"0182076504", "obd_boost_given", 0, "-"},
        {"01000F0800", "obd_ignition", 0, "compression"},
        {"01000F0800", "obd_boost_given", 0, "yes"},
        {"01000F0800", "obd_secondary_air_given", 0, "-"},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        check_reply(&rows[i]);
}

static void values_behind_support_bits_are_absent_without_them(void **state)
{
    (void)state;
    static const struct row rows[] = {
        {"70001900000000000000AA", "obd_boost_commanded_a", 0, "-"},
        {"6601032003E8", "obd_air_mass_flow_a", 25, NULL},
        {"6601032003E8", "obd_air_mass_flow_b", 0, "-"},
        {"6602032003E8", "obd_air_mass_flow_b", 31.25, NULL},
        {"67027B50", "obd_coolant_temp_2", 40, NULL},
        {"67027B50", "obd_coolant_temp_1", 0, "-"},
        {"870119000000", "obd_manifold_pressure_wide_a", 200, NULL},
        {"78020000190000000000", "obd_exhaust_temp_b1s2", 600, NULL},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        check_reply(&rows[i]);
}

static void enumerations_have_labels(void **state)
{
    (void)state;
    static const struct row rows[] = {
        {"030204", "obd_fuel_system_1", 0, "closed loop"},
        {"030204", "obd_fuel_system_2", 0, "open loop load or overrun"},
        {"1204", "obd_secondary_air", 0, "off or outside"},
        {"5104", "obd_fuel_type", 0, "diesel"},
        {"5100", "obd_fuel_type", 0, "unavailable"},
        {"1E01", "obd_power_take_off", 0, "active"},
        {"1310", "obd_has_o2_2bank_b2s1", 0, "yes"},
        {"1D10", "obd_has_o2_4bank_b3s1", 0, "yes"},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        check_reply(&rows[i]);
}

static void lengths_agree_with_those_of_the_listener(void **state)
{
    (void)state;
    const struct lt_profile *profile = obd_ii.profile;
    assert_true(profile->parameter_count > 100);
    for (size_t i = 0; i < profile->parameter_count; i++)
        assert_int_equal(profile->parameters[i].length,
                         lt_obd_pid_length(profile->parameters[i].pid));
}

static void published_frames_of_j1939(void **state)
{
    (void)state;
    static const struct row rows[] = {
        {"0CF00400#FFFFFF79CCFFFFFF", "j1939_engine_speed", 6543.125, NULL},
        {"0CF00400#FFFFFF79CCFFFFFF", "j1939_torque_actual", 0, "unavailable"},
        {"18FEE500#A6052C93FFFFFFFF", "j1939_engine_hours", 123456789.1, NULL},
        {"18FEEE00#7DFFC02CFFFFFFFF", "j1939_coolant_temp", 85, NULL},
        {"18FEEE00#7DFFC02CFFFFFFFF", "j1939_oil_temp", 85, NULL},
        {"18FEEE00#7DFFC02CFFFFFFFF", "j1939_fuel_temp", 0, "unavailable"},
        {"18FEEF00#FFFFFFBCFFFFFFFF", "j1939_oil_pressure", 752, NULL},
        {"18FEF700#FFFFFFFF3A02FFFF", "j1939_battery_voltage", 28.5, NULL},
        {"18FEF500#FFFFFF0025FFFFFF", "j1939_ambient_temp", 23, NULL},
        {"18FECA00#04FF6E000003FFFF", "j1939_lamp_amber_warning", 0, "on"},
        {"18FECA00#04FF6E000003FFFF", "j1939_lamp_mil", 0, "off"},
        /* Special values by length, as the bodywork interface and the marine display have them. */
        {"0CF00400#FFFFFF00FEFFFFFF", "j1939_engine_speed", 0, "error"},
        {"0CF00400#FFFFFFFFFEFFFFFF", "j1939_engine_speed", 0, "error"},
        {"0CF00400#FFFFFF00FFFFFFFF", "j1939_engine_speed", 0, "unavailable"},
        {"0CF00400#FFFFFFFFFAFFFFFF", "j1939_engine_speed", 8031.875, NULL},
        {"18FEE500#FFFFFFFEFFFFFFFF", "j1939_engine_hours", 0, "error"},
        {"18FEE500#000000FFFFFFFFFF", "j1939_engine_hours", 0, "unavailable"},
        {"18FEEE00#FEFFC02CFFFFFFFF", "j1939_coolant_temp", 0, "error"},
        {"18FEF12F#FFFFFF2FFFFFFFFF", "j1939_brake", 0, "error"},
        {"18FEF12F#FFFFFF1FFFFFFFFF", "j1939_brake", 0, "pressed"},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_frame frame = frame_of(rows[i].message, 0);
        const struct lt_frame_plan *plan = lt_plan_lookup(j1939.plan, &frame);
        assert_non_null(plan);
        check_row(&rows[i], plan, frame.data, frame.len);
    }
}

static void every_group_is_found_whatever_its_priority_and_source(void **state)
{
    (void)state;
    const struct lt_profile *profile = j1939.profile;
    for (size_t i = 0; i < profile->frame_count; i++) {
        struct lt_frame frame = {.flags = LT_FRAME_EXTENDED, .len = 8};
        frame.id = lt_j1939_join(
            (struct lt_j1939_id){.priority = 2, .pgn = profile->frames[i].pgn, .source = 0x2F});
        const struct lt_frame_plan *plan = lt_plan_lookup(j1939.plan, &frame);
        assert_non_null(plan);
        assert_ptr_equal(plan->def, &profile->frames[i]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(worked_values_of_service_01),
        cmocka_unit_test(status_bits_of_the_worked_example),
        cmocka_unit_test(values_behind_support_bits_are_absent_without_them),
        cmocka_unit_test(enumerations_have_labels),
        cmocka_unit_test(lengths_agree_with_those_of_the_listener),
        cmocka_unit_test(published_frames_of_j1939),
        cmocka_unit_test(every_group_is_found_whatever_its_priority_and_source),
    };
    return cmocka_run_group_tests(tests, load_both, free_both);
}
