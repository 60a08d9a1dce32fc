/* Loading: every construct of the grammar into its member, names to indices, includes, hash. */
#include "profile_text.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "defs/keys.h"

#define HEAD "[profile]\nformat = 1\nname = t\n"

static void assert_ratio(struct lt_ratio got, int64_t num, int64_t den)
{
    assert_int_equal(got.num, num);
    assert_int_equal(got.den, den);
}

/* The example of the design, word for word, completed by the definitions that it names. */
static const char design_example[] =
    "[profile]\n"
    "format   = 1\n"
    "name     = tarn-turbo\n"
    "title    = Tarn turbo estate (invented)\n"
    "requires = engine_speed load lambda drive_mode\n"
    "\n"
    "[fits]                        ; free text keys, shown in reports\n"
    "years           = 2019-2022\n"
    "calibration_ids = TARN0042 TARN0043\n"
    "\n"
    "[bus powertrain]\n"
    "bitrate   = 500000            ; FD: data_bitrate, fd = iso | non-iso; sample_point\n"
    "access    = behind the gateway, connector C12 pins 3 and 11\n"
    "interface = can0\n"
    "\n"
    "[frame engine_a]\n"
    "bus       = powertrain\n"
    "id        = 0x0C4             ; 29-bit: extended = yes\n"
    "length    = 8\n"
    "period_ms = 10\n"
    "counter   = 6.3..6.0          ; `mod 15` after it where it wraps early\n"
    "checksum  = crc8-sae-j1850 over 0..6 in 7\n"
    "direction = listen            ; or send\n"
    "\n"
    "[signal engine_speed]\n"
    "frame     = engine_a\n"
    "bits      = 0.7..1.0          ; most significant bit .. least significant bit\n"
    "order     = motorola\n"
    "scale     = 0.25\n"
    "unit      = rpm\n"
    "range     = 0..9000\n"
    "role      = engine_speed\n"
    "unavailable = 0xFFFF\n"
    "max_age_ms  = 100\n"
    "on_lost   = missing           ; or `hold MS`, or `value V`\n"
    "evidence  = free text of a draft\n"
    "\n"
    "[signal drive_mode]\n"
    "frame     = chassis_b\n"
    "bits      = 3.6..3.4\n"
    "role      = drive_mode\n"
    "values    = 0 comfort, 1 sport, 2 wet   ; or a section\n"
    "page      = kind 3            ; only when the selector signal `kind` is 3\n"
    "\n"
    "[parameter engine_speed_obd]  ; a value in a diagnostic reply\n"
    "service   = 0x01\n"
    "pid       = 0x0C\n"
    "\n"
    "[warning lean_under_load]\n"
    "when      = lambda > 1.05 and load > 60\n"
    "for_ms    = 300\n"
    "until     = lambda < 0.98\n"
    "hold_ms   = 2000\n"
    "send      = kit_alert lamp=1\n"
    "priority  = 2\n"
    "limp      = yes\n"
    "on_lost   = warn              ; what lost inputs mean\n"
    "[signal load]\nframe = engine_a\nbits = 2.7..2.0\nscale = 100/255\nunit = %\nrole = load\n"
    "[signal lambda]\nframe = engine_a\nbits = 3.7..4.0\norder = motorola\nscale = 1/32768\n"
    "unit = 1\nrole = lambda\n"
    "[frame chassis_b]\nid = 0x2B0\n"
    "[signal kind]\nframe = chassis_b\nbits = 0.7..0.4\n"
    "[frame kit_alert]\nid = 0x6A0\nlength = 2\nperiod_ms = 100\ndirection = send\n"
    "[signal lamp]\nframe = kit_alert\nbits = 0.0\n";

static void the_designs_example_loads(void **state)
{
    (void)state;
    struct loaded got = load_good(design_example);
    const struct lt_profile *p = got.profile;
    assert_string_equal(p->name, "tarn-turbo");
    assert_string_equal(p->title, "Tarn turbo estate (invented)");
    assert_int_equal(p->require_count, 4);
    assert_string_equal(p->requires[3], "drive_mode");
    assert_int_equal(p->fit_count, 2);
    assert_string_equal(p->fits[1].key, "calibration_ids");
    assert_string_equal(p->fits[1].value, "TARN0042 TARN0043");
    assert_int_equal(p->buses[0].bitrate_hz, 500000);
    assert_string_equal(p->buses[0].interface, "can0");
    const struct lt_frame_def *f = &p->frames[0];
    assert_string_equal(f->name, "engine_a");
    assert_int_equal(f->bus, 0);
    assert_int_equal(f->id, 0x0C4);
    assert_int_equal(f->length, 8);
    assert_int_equal(f->period_ns, 10000000);
    assert_true(f->counter.present);
    assert_int_equal(f->counter.modulus, 16);
    assert_int_equal(f->counter.step, 1);
    assert_int_equal(f->checksum_count, 1);
    assert_int_equal(f->checksums[0].family, LT_CHECK_CRC8);
    assert_int_equal(f->direction, LT_LISTEN);
    const struct lt_signal_def *s = &p->signals[0];
    assert_string_equal(s->name, "engine_speed");
    assert_int_equal(s->frame, 0);
    assert_int_equal(s->bits.part[0].msb, 7);
    assert_int_equal(s->bits.part[0].lsb, 8);
    assert_int_equal(s->order, LT_ORDER_MOTOROLA);
    assert_ratio(s->scale, 1, 4);
    assert_ratio(s->range_high, 9000, 1);
    assert_int_equal(s->unavailable[0].first, 0xFFFF);
    assert_int_equal(s->max_age_ms, 100);
    assert_int_equal(s->on_lost, LT_LOST_MISSING);
    assert_string_equal(s->role->name, "engine_speed");
    assert_string_equal(s->evidence, "free text of a draft");
    release(&got);
}

static const struct lt_signal_def *signal_of(const struct lt_profile *profile, const char *name)
{
    for (size_t i = 0; i < profile->signal_count; i++)
        if (strcmp(profile->signals[i].name, name) == 0)
            return &profile->signals[i];
    fail_msg("no signal %s", name);
    return NULL;
}

static void labels_pages_and_selectors(void **state)
{
    (void)state;
    struct loaded got = load_good(design_example);
    const struct lt_signal_def *s = signal_of(got.profile, "drive_mode");
    assert_int_equal(s->label_count, 3);
    assert_string_equal(s->labels[2].name, "wet");
    assert_int_equal(s->labels[2].raw, 2);
    assert_int_equal(s->page_count, 1);
    assert_string_equal(got.profile->signals[s->page[0].selector].name, "kind");
    assert_int_equal(s->page[0].range[0].first, 3);
    assert_int_equal(s->order, LT_ORDER_NONE);
    const struct lt_warning_def *w = &got.profile->warnings[0];
    assert_int_equal(w->for_ms, 300);
    assert_int_equal(w->hold_ms, 2000);
    assert_string_equal(got.profile->frames[w->send].name, "kit_alert");
    assert_string_equal(got.profile->signals[w->assign[0].signal].name, "lamp");
    assert_string_equal(w->assign[0].value, "1");
    assert_true(w->limp);
    assert_true(w->when.count > 0 && w->until.count > 0);
    release(&got);
}

static void buses(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "[bus a]\nbitrate = 500000\ndata_bitrate = 2000000\n"
                                       "sample_point = 87.5 %\nevidence = e\n"
                                       "[bus b]\nfd = non-iso\nsample_point = 0.8\n"
                                       "[bus c]\nsample_point = 75\n");
    assert_int_equal(got.profile->buses[0].fd, LT_FD_ISO);
    assert_ratio(got.profile->buses[0].sample_point, 7, 8);
    assert_int_equal(got.profile->buses[1].fd, LT_FD_NON_ISO);
    assert_ratio(got.profile->buses[1].sample_point, 4, 5);
    assert_ratio(got.profile->buses[2].sample_point, 3, 4);
    release(&got);
}

/* SAE J1939-21: EEC1 is 61444, at priority 6 from address 0 18F00400; below PF 240 the second byte
 * is the destination. */
static void frames_by_pgn(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "[frame eec1]\npgn = 61444\n"
                                       "[frame eec1_from_3]\npgn = 0xF004\nsource = 3\n"
                                       "[frame tsc1]\npgn = 0\nsource = 0x11\n"
                                       "[frame dm1]\npgn = 65226\nlength = 100\n");
    const struct lt_frame_def *f = got.profile->frames;
    assert_true(f[0].is_pgn && f[0].extended);
    assert_int_equal(f[0].id, 0x18F00400);
    assert_int_equal(f[0].source, LT_NONE);
    assert_int_equal(f[1].id, 0x18F00403);
    assert_int_equal(f[2].id, 0x1800FF11);
    assert_int_equal(f[3].length, 100);
    assert_false(f[3].fd);
    release(&got);
}

static void frames(void **state)
{
    (void)state;
    struct loaded got = load_good(
        HEAD "[frame a]\nid = 0x18FEF100\nextended = yes\nperiod_ms = 2.5\ncounter = 0.3..0.0 mod "
             "15 step 2\nauthenticated = yes\n"
             "[frame b]\nid = 196\nlength = 24\n"
             "[frame c]\nid = 5\nlength = 8\nfd = yes\ncounter = 1.7..0.0\n");
    const struct lt_frame_def *f = got.profile->frames;
    assert_true(f[0].extended && f[0].authenticated);
    assert_int_equal(f[0].period_ns, 2500000);
    assert_int_equal(f[0].counter.modulus, 15);
    assert_int_equal(f[0].counter.step, 2);
    assert_true(f[1].fd);
    assert_int_equal(f[1].id, 0xC4);
    assert_true(f[2].fd);
    assert_int_equal(f[2].counter.modulus, 65536);
    release(&got);
}

static void checksums_on_pages(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "[frame a]\nid = 1\n"
                                       "checksum = xor over 0..6 in 7 page 1\n"
                                       "checksum = sum over 0..6 in 7 start 5 page 2\n"
                                       "[signal kind]\nframe = a\nbits = 0.7..0.4\n"
                                       "[signal x]\nframe = a\nbits = 1.7..1.0\npage = kind 1,2\n");
    assert_int_equal(got.profile->frames[0].checksum_count, 2);
    assert_int_equal(got.profile->frames[0].checksums[1].page, 2);
    assert_int_equal(got.profile->frames[0].checksums[1].start, 5);
    release(&got);
}

static void affine_numbers(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "[frame a]\nid = 1\nchecksum = affine over 0..1 in 7\n"
                                       "[affine a]\nconstant = 0x5A\n"
                                       "byte_0 = 0x31,0x62,0xC4,0x95,0x37,0x6E,0xDC,0xA5\n"
                                       "byte_1 = 1, 2, 4, 8, 16, 32, 64, 128\n");
    const struct lt_affine *affine = got.profile->frames[0].checksums[0].affine;
    assert_non_null(affine);
    assert_int_equal(affine->constant, 0x5A);
    assert_int_equal(affine->column[0][0], 0x31);
    assert_int_equal(affine->column[1][7], 128);
    assert_int_equal(affine->column[2][0], 0);
    release(&got);
}

static void signals_of_every_form(void **state)
{
    (void)state;
    struct loaded got = load_good(
        HEAD "[signal early]\nframe = a\nbits = 0.0\n" /* before its frame */
             "[curve sender]\n0 = -40\n512 = 20.5\n1023 = 1/3\n"
             "[frame a]\nid = 1\nlength = 64\n"
             "[signal parts]\nframe = a\nparts = 3.1..3.0 5.7..5.0\nsign = twos\n"
             "[signal float]\nframe = a\nbits = 11.7..8.0\norder = intel\nsign = float\n"
             "[signal inverse]\nframe = a\nbits = 12.7..12.0\nform = reciprocal\noffset = 1/2\n"
             "[signal bent]\nframe = a\nbits = 13.7..14.6\norder = motorola\ncurve = sender\n"
             "[signal binary]\nframe = a\nbits = 15.7..15.0\nsign = offset-binary\n"
             "[signal mag]\nframe = a\nbits = 16.7..16.0\nsign = sign-magnitude\n"
             "on_lost = hold 250\nerror = 0xFE\nunavailable = 0x7F, 0xF0..0xF3 0xF5\n"
             "[signal lost]\nframe = a\nbits = 17.7..17.0\non_lost = value -1.5\nunit = 1\n");
    const struct lt_profile *p = got.profile;
    assert_int_equal(signal_of(p, "parts")->bits.parts, 2);
    assert_int_equal(signal_of(p, "parts")->order, LT_ORDER_NONE);
    assert_int_equal(signal_of(p, "float")->sign, LT_FLOAT);
    assert_int_equal(signal_of(p, "inverse")->form, LT_FORM_RECIPROCAL);
    assert_ratio(signal_of(p, "inverse")->offset, 1, 2);
    const struct lt_signal_def *bent = signal_of(p, "bent");
    assert_int_equal(bent->form, LT_FORM_CURVE);
    assert_int_equal(p->curves[bent->curve].count, 3);
    assert_ratio(p->curves[bent->curve].points[2].physical, 1, 3);
    assert_int_equal(signal_of(p, "binary")->sign, LT_OFFSET_BINARY);
    const struct lt_signal_def *mag = signal_of(p, "mag");
    assert_int_equal(mag->sign, LT_SIGN_MAGNITUDE);
    assert_int_equal(mag->unavailable_count, 3);
    assert_int_equal(mag->unavailable[1].last, 0xF3);
    assert_int_equal(mag->on_lost, LT_LOST_HOLD);
    assert_ratio(mag->on_lost_value, 250, 1);
    assert_ratio(signal_of(p, "lost")->on_lost_value, -3, 2);
    release(&got);
}

static void values_as_a_section(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "[values gear]\n0x0F = reverse, slow\n0 = neutral\n"
                                       "[frame a]\nid = 1\n"
                                       "[signal gear]\nframe = a\nbits = 0.3..0.0\nrole = gear\n");
    const struct lt_signal_def *s = signal_of(got.profile, "gear");
    assert_int_equal(s->label_count, 2);
    assert_string_equal(s->labels[0].name, "neutral");
    assert_int_equal(s->labels[1].raw, 15);
    assert_string_equal(s->labels[1].name, "reverse, slow");
    assert_int_equal(s->labels[1].place.line, 5);
    release(&got);
}

static void a_lost_value_may_be_a_label(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "[frame a]\nid = 1\n"
                                       "[signal mode]\nframe = a\nbits = 0.3..0.0\n"
                                       "on_lost = value wet\n[values mode]\n2 = wet\n");
    assert_int_equal(got.profile->signals[0].on_lost, LT_LOST_VALUE);
    assert_ratio(got.profile->signals[0].on_lost_value, 2, 1);
    release(&got);
}

static void nested_pages(void **state)
{
    (void)state;
    struct loaded got =
        load_good(HEAD "[frame a]\nid = 1\n[signal kind]\nframe = a\nbits = 0.7..0.4\n"
                       "[signal sub]\nframe = a\nbits = 0.3..0.0\npage = kind 3\n"
                       "[signal x]\nframe = a\nbits = 1.7..1.0\npage = kind 3 and sub 1, 4..7\n"
                       "[signal y]\nframe = a\nbits = 1.7..1.0\npage = sub 0,2..3\n"
                       "[signal z]\nframe = a\nbits = 1.7..1.0\npage = kind 0..2\n");
    const struct lt_signal_def *x = signal_of(got.profile, "x");
    assert_int_equal(x->page_count, 2);
    assert_int_equal(x->page[1].ranges, 2);
    assert_int_equal(x->page[1].range[1].last, 7);
    release(&got);
}

/* Units by definition: 1 bar = 100 kPa, 0 °C = 32 °F, lambda = AFR / stoichiometric AFR. */
static void units_are_brought_to_the_roles(void **state)
{
    (void)state;
    struct loaded got = load_good(
        HEAD "[frame a]\nid = 1\n"
             "[signal map]\nframe = a\nbits = 0.7..0.0\nunit = bar\nrole = manifold_pressure\n"
             "[signal coolant]\nframe = a\nbits = 1.7..1.0\nunit = °F\nrole = coolant_temp\n"
             "[signal afr]\nframe = a\nbits = 2.7..2.0\nunit = AFR\nstoich = 14.7\n"
             "role = lambda\nscale = 0.1\n"
             "[signal odd]\nframe = a\nbits = 3.7..3.0\nunit = furlongs per fortnight\n");
    const struct lt_signal_def *s = got.profile->signals;
    assert_ratio(s[0].role_factor, 100, 1);
    assert_ratio(s[1].role_factor, 5, 9);
    assert_ratio(s[1].role_offset, -160, 9);
    assert_ratio(s[2].role_factor, 10, 147);
    assert_null(s[3].role);
    release(&got);
}

static void parameters(void **state)
{
    (void)state;
    struct loaded got =
        load_good(HEAD "[bus b]\n[parameter a]\nservice = 0x22\npid = 0xF40C\nlength = 2\nbus = b\n"
                       "responder = 0x18DAF110\n[parameter codes]\nservice = 3\n"
                       "[signal rpm]\nparameter = a\nbits = 0.7..1.0\norder = motorola\n");
    const struct lt_parameter_def *p = got.profile->parameters;
    assert_int_equal(p[0].service, 0x22);
    assert_int_equal(p[0].pid, 0xF40C);
    assert_int_equal(p[0].length, 2);
    assert_int_equal(p[0].bus, 0);
    assert_int_equal(p[0].responder, 0x18DAF110);
    assert_int_equal(p[1].pid, LT_NONE);
    assert_int_equal(p[1].responder, LT_NONE);
    assert_int_equal(got.profile->signals[0].parameter, 0);
    assert_int_equal(got.profile->signals[0].frame, LT_NONE);
    release(&got);
}

static void labels_in_send_may_stand_in_quotes(void **state)
{
    (void)state;
    struct loaded got = load_good(
        HEAD "[frame k]\nid = 1\ndirection = send\nperiod_ms = 100\n"
             "[signal text]\nframe = k\nbits = 0.1..0.0\nvalues = 0 all well, 1 fill up\n"
             "[signal lamp]\nframe = k\nbits = 1.0\n"
             "[warning w]\nwhen = text == \"all well\"\nsend = k text=\"fill up\" lamp=1\n");
    assert_int_equal(got.profile->warnings[0].assign_count, 2);
    assert_string_equal(got.profile->warnings[0].assign[0].value, "fill up");
    release(&got);
}

static void signals_stand_frame_by_frame(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD "[frame a]\nid = 1\n[frame b]\nid = 2\n"
                                       "[signal b1]\nframe = b\nbits = 0.0\n"
                                       "[signal a1]\nframe = a\nbits = 0.0\n"
                                       "[signal b2]\nframe = b\nbits = 0.1\n"
                                       "[signal a2]\nframe = a\nbits = 0.1\n");
    static const char *const names[] = {"a1", "a2", "b1", "b2"};
    for (size_t i = 0; i < 4; i++)
        assert_string_equal(got.profile->signals[i].name, names[i]);
    release(&got);
}

/* --- includes -------------------------------------------------------------------------------- */

static char folder[] = "/tmp/loomtap-load-XXXXXX";

static void write_file(const char *name, const char *text)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
}

static struct loaded load_file(const char *name)
{
    char path[512];
    struct loaded got = {.profile = NULL};
    snprintf(path, sizeof path, "%s/%s", folder, name);
    lt_faults_init(&got.faults, 0);
    got.code = lt_profile_load(&got.profile, path, &got.faults);
    return got;
}

static int make_folder(void **state)
{
    (void)state;
    char path[512];
    if (!mkdtemp(folder))
        return -1;
    snprintf(path, sizeof path, "%s/sub", folder);
    return mkdir(path, 0700);
}

static int remove_folder(void **state)
{
    (void)state;
    static const char *const names[] = {
        "top.ini",  "base.ini", "sub/deep.ini", "sub/leaf.ini", "circle.ini",
        "self.ini", "flat.ini", "moved.ini",    "sub",          "link.ini",
        ""};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        char path[512];
        snprintf(path, sizeof path, "%s/%s", folder, names[i]);
        remove(path);
    }
    return 0;
}

static void write_includes(void)
{
    write_file("base.ini", HEAD "include = sub/deep.ini\n[prove]\na = base\nb = base\n"
                                "[fits]\nyears = 1900\n[frame base]\nid = 1\n");
    write_file("sub/deep.ini", HEAD "title = no\ninclude = leaf.ini\n[frame deep]\nid = 2\n");
    write_file("sub/leaf.ini", HEAD "[frame leaf]\nid = 3\n[signal s]\nframe = leaf\nbits = 0.0\n");
}

static void includes_are_read_once_and_stand_first(void **state)
{
    (void)state;
    write_includes();
    write_file("top.ini", "[profile]\nformat = 1\nname = top\ninclude = base.ini sub/leaf.ini "
                          "./base.ini\n[prove]\na = top\n[frame top]\nid = 4\n"
                          "[signal more]\nframe = leaf\nbits = 1.0\n");
    struct loaded got = load_file("top.ini");
    assert_int_equal(got.code, LT_OK);
    const struct lt_profile *p = got.profile;
    assert_string_equal(p->name, "top");
    assert_null(p->title);
    static const char *const frames_in_order[] = {"leaf", "deep", "base", "top"};
    assert_int_equal(p->frame_count, 4);
    for (size_t i = 0; i < 4; i++)
        assert_string_equal(p->frames[i].name, frames_in_order[i]);
    assert_int_equal(p->file_count, 4);
    assert_int_equal(p->include_count, 3);
    assert_string_equal(p->includes[1], "sub/leaf.ini");
    assert_int_equal(p->fit_count, 0);
    assert_int_equal(p->prove_count, 2);
    assert_string_equal(p->prove[0].value, "top");
    assert_string_equal(p->prove[1].value, "base");
    assert_int_equal(p->signals[1].frame, 0);
    release(&got);
}

static void expect_include_fault(const char *file, const char *in_file, unsigned line,
                                 unsigned column, const char *says)
{
    char path[512];
    struct loaded got = load_file(file);
    snprintf(path, sizeof path, "%s/%s", folder, in_file);
    assert_int_equal(got.code, LT_E_FAULTS);
    if (got.faults.count != 1)
        show_faults(&got);
    assert_int_equal(got.faults.count, 1);
    const struct lt_error *fault = &got.faults.items[0];
    assert_string_equal(fault->source, path);
    assert_int_equal(fault->line, line);
    assert_int_equal(fault->column, column);
    if (!strstr(fault->text, says))
        fail_msg("%s", fault->text);
    assert_true(fault->advice[0] != '\0');
    release(&got);
}

static void circles_of_includes_are_refused(void **state)
{
    (void)state;
    write_file("circle.ini", HEAD "include = self.ini\n");
    write_file("self.ini", HEAD "include = circle.ini\n");
    expect_include_fault("circle.ini", "self.ini", 4, 11, "includes itself");
    write_file("self.ini", HEAD "include = self.ini\n");
    expect_include_fault("self.ini", "self.ini", 4, 11, "includes itself");
}

static void includes_stay_below_their_folder(void **state)
{
    (void)state;
    write_file("top.ini", HEAD "include = sub/../base.ini\n");
    expect_include_fault("top.ini", "top.ini", 4, 11, "not in the same folder or below");
    write_file("top.ini", HEAD "include = /etc/hostname\n");
    expect_include_fault("top.ini", "top.ini", 4, 11, "not in the same folder or below");
}

static void a_missing_include_is_told_at_its_word(void **state)
{
    (void)state;
    write_includes();
    write_file("top.ini", HEAD "include = base.ini absent.ini\n");
    expect_include_fault("top.ini", "top.ini", 4, 20, "No such file");
}

static void a_name_in_two_files_is_told_with_both_places(void **state)
{
    (void)state;
    write_includes();
    write_file("top.ini", HEAD "include = base.ini\n[frame leaf]\nid = 7\n");
    expect_include_fault("top.ini", "top.ini", 5, 2, "sub/leaf.ini:4");
}

static void an_include_without_format_is_refused(void **state)
{
    (void)state;
    write_file("base.ini", "[profile]\nname = base\n");
    write_file("top.ini", HEAD "include = base.ini\n");
    expect_include_fault("top.ini", "base.ini", 1, 2, "no `format`");
}

static void includes_from_memory_are_refused(void **state)
{
    (void)state;
    const char text[] = HEAD "include = base.ini\n";
    const struct wrong wrong = {"memory", text, 4, 11, "no folder", "into a file", false, LT_OK};
    expect_wrong(&wrong, text, strlen(text), 0);
}

static void a_file_that_is_not_there_is_an_io_error(void **state)
{
    (void)state;
    struct loaded got = load_file("absent.ini");
    assert_int_equal(got.code, LT_E_IO);
    assert_null(got.profile);
    assert_int_equal(got.faults.count, 1);
    release(&got);
    got = load_file("sub"); /* a folder */
    assert_int_equal(got.code, LT_E_IO);
    release(&got);
}

/* --- hash ------------------------------------------------------------------------------------ */

static void the_hash_is_of_the_meaning(void **state)
{
    (void)state;
    struct loaded a = load_good(HEAD "[frame a]\nid = 0x0C4\nlength = 8\n");
    struct loaded b = load_good("; c\n[frame a]\nid=196 ; d\n\n[profile]\nname = t\nformat = 1\n");
    struct loaded c = load_good(HEAD "[frame a]\nid = 0x0C5\nlength = 8\n");
    assert_string_equal(a.profile->hash, b.profile->hash);
    assert_string_not_equal(a.profile->hash, c.profile->hash);
    assert_int_equal(strspn(a.profile->hash, "0123456789abcdef"), 64);
    release(&a);
    release(&b);
    release(&c);
}

/* `printf '[profile]\nformat = 1\nname = t\n' | sha256sum` (coreutils) */
static void the_hash_is_sha256_of_the_canonical_text(void **state)
{
    (void)state;
    struct loaded got = load_good(HEAD);
    assert_string_equal(got.profile->hash,
                        "e4ef79668cb4fbe4fcc4e06fcaf7428c6ac98b796be00c48ae9bdb07e3b761c9");
    release(&got);
}

static void the_hash_covers_includes(void **state)
{
    (void)state;
    write_includes();
    write_file("top.ini", HEAD "include = sub/leaf.ini\n");
    write_file("flat.ini", HEAD "[frame leaf]\nid = 3\n[signal s]\nframe = leaf\nbits = 0.0\n");
    struct loaded top = load_file("top.ini"), flat = load_file("flat.ini");
    assert_string_equal(top.profile->hash, flat.profile->hash);
    release(&top);
    release(&flat);
}

/* --- documentation -----------------------------------------------------------------------------
 */

/* docs/profile-format.md as text; the caller releases it. Skips where the source is not there. */
static struct lt_buf read_documentation(void)
{
    char path[4096], chunk[4096];
    struct lt_buf buf;
    const char *source = getenv("LOOMTAP_SOURCE");
    snprintf(path, sizeof path, "%s/docs/profile-format.md", source ? source : ".");
    FILE *file = fopen(path, "r");
    if (!file)
        skip();
    lt_buf_init(&buf, 0);
    for (size_t got; (got = fread(chunk, 1, sizeof chunk, file)) > 0;)
        lt_buf_add(&buf, chunk, got);
    fclose(file);
    return buf;
}

/* The part of the page about one kind of section, terminated. */
static char *part_about(char *page, const char *kind)
{
    char heading[64];
    snprintf(heading, sizeof heading, "\n### [%s", kind);
    char *part = strstr(page, heading);
    assert_non_null(part);
    return part + 1;
}

static void every_key_is_documented(void **state)
{
    (void)state;
    struct lt_buf page = read_documentation();
    for (enum lt_section_kind kind = 0; kind < LT_SECTION_KINDS; kind++) {
        const struct lt_section_row *row = lt_defs_section_row(kind);
        const char *part = part_about(page.at, row->name);
        const char *end = strstr(part + 3, "\n### ");
        for (size_t i = 0; i < row->key_count; i++) {
            char line[64];
            snprintf(line, sizeof line, "\n| `%s` | ", row->keys[i].name);
            const char *found = strstr(part, line);
            if (!found || (end && found > end))
                fail_msg("[%s] %s is not in docs/profile-format.md", row->name, row->keys[i].name);
            assert_true(row->keys[i].help && row->keys[i].help[0]);
        }
    }
    lt_buf_release(&page);
}

static void every_example_of_the_documentation_loads(void **state)
{
    (void)state;
    struct lt_buf page = read_documentation();
    size_t count = 0;
    for (char *block = page.at; (block = strstr(block, "```ini\n")) != NULL; count++) {
        block += 7;
        char *end = strstr(block, "```");
        assert_non_null(end);
        *end = '\0';
        struct loaded got = load_good(block);
        release(&got);
        block = end + 1;
    }
    assert_true(count >= 4);
    lt_buf_release(&page);
}

/* --- robustness ------------------------------------------------------------------------------ */

static void every_failing_allocation_is_survived(void **state)
{
    (void)state;
    const struct lt_text text = {design_example, sizeof design_example - 1};
    bool done = false;
    for (uint64_t n = 1; !done && n < 100000; n++) {
        struct lt_profile *profile = NULL;
        struct lt_faults faults;
        lt_faults_init(&faults, 0);
        enum lt_code code = lt_defs_load_failing(&profile, text, &faults, n);
        assert_true(code == LT_OK || code == LT_E_MEMORY);
        assert_int_equal(code == LT_OK, profile != NULL);
        done = code == LT_OK;
        lt_profile_free(profile);
        lt_faults_release(&faults);
    }
    assert_true(done);
}

static void too_many_faults_are_counted(void **state)
{
    (void)state;
    char text[20000] = HEAD;
    size_t len = strlen(text);
    for (size_t i = 0; i < 1000; i++, len += 2)
        memcpy(text + len, "x\n", 3);
    struct loaded got = load_text(text);
    assert_int_equal(got.faults.count, 200);
    assert_int_equal(got.faults.errors, 1000);
    release(&got);
}

static void free_takes_null(void **state)
{
    (void)state;
    lt_profile_free(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_designs_example_loads),
        cmocka_unit_test(labels_pages_and_selectors),
        cmocka_unit_test(buses),
        cmocka_unit_test(frames_by_pgn),
        cmocka_unit_test(frames),
        cmocka_unit_test(checksums_on_pages),
        cmocka_unit_test(affine_numbers),
        cmocka_unit_test(signals_of_every_form),
        cmocka_unit_test(values_as_a_section),
        cmocka_unit_test(a_lost_value_may_be_a_label),
        cmocka_unit_test(nested_pages),
        cmocka_unit_test(units_are_brought_to_the_roles),
        cmocka_unit_test(parameters),
        cmocka_unit_test(labels_in_send_may_stand_in_quotes),
        cmocka_unit_test(signals_stand_frame_by_frame),
        cmocka_unit_test(includes_are_read_once_and_stand_first),
        cmocka_unit_test(circles_of_includes_are_refused),
        cmocka_unit_test(includes_stay_below_their_folder),
        cmocka_unit_test(a_missing_include_is_told_at_its_word),
        cmocka_unit_test(a_name_in_two_files_is_told_with_both_places),
        cmocka_unit_test(an_include_without_format_is_refused),
        cmocka_unit_test(includes_from_memory_are_refused),
        cmocka_unit_test(a_file_that_is_not_there_is_an_io_error),
        cmocka_unit_test(the_hash_is_of_the_meaning),
        cmocka_unit_test(the_hash_is_sha256_of_the_canonical_text),
        cmocka_unit_test(the_hash_covers_includes),
        cmocka_unit_test(every_key_is_documented),
        cmocka_unit_test(every_example_of_the_documentation_loads),
        cmocka_unit_test(every_failing_allocation_is_survived),
        cmocka_unit_test(too_many_faults_are_counted),
        cmocka_unit_test(free_takes_null),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
