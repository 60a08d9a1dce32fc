/* The canonical text: its exact form, and that reading it back changes nothing. */
#include "profile_text.h"

#include <dirent.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#define HEAD "[profile]\nformat = 1\nname = t\n"

/* The caller releases the buffer. */
static struct lt_buf written(const struct lt_profile *profile, bool flat)
{
    struct lt_buf buf;
    struct lt_sink *sink = malloc(sizeof *sink);
    assert_non_null(sink);
    lt_buf_init(&buf, 0);
    lt_sink_init_buf(sink, &buf);
    lt_profile_write(profile, flat, sink);
    assert_true(lt_sink_flush(sink));
    free(sink);
    return buf;
}

/* --- the same profile? ----------------------------------------------------------------------- */

static void same_text(const char *a, const char *b)
{
    if (a && b)
        assert_string_equal(a, b);
    else
        assert_ptr_equal(a, b);
}

static void same_ratio(struct lt_ratio a, struct lt_ratio b)
{
    assert_int_equal(a.num, b.num);
    assert_int_equal(a.den, b.den);
}

static void same_bits(const struct lt_bits *a, const struct lt_bits *b)
{
    assert_int_equal(a->parts, b->parts);
    for (unsigned i = 0; i < a->parts; i++) {
        assert_int_equal(a->part[i].msb, b->part[i].msb);
        assert_int_equal(a->part[i].lsb, b->part[i].lsb);
    }
}

static void same_codes(const struct lt_raw_range *a, size_t a_count, const struct lt_raw_range *b,
                       size_t b_count)
{
    assert_int_equal(a_count, b_count);
    for (size_t i = 0; i < a_count; i++) {
        assert_int_equal(a[i].first, b[i].first);
        assert_int_equal(a[i].last, b[i].last);
    }
}

static void same_frame(const struct lt_frame_def *a, const struct lt_frame_def *b)
{
    assert_string_equal(a->name, b->name);
    assert_int_equal(a->bus, b->bus);
    assert_int_equal(a->id, b->id);
    assert_int_equal(a->extended, b->extended);
    assert_int_equal(a->is_pgn, b->is_pgn);
    assert_int_equal(a->pgn, b->pgn);
    assert_int_equal(a->source, b->source);
    assert_int_equal(a->fd, b->fd);
    assert_int_equal(a->length, b->length);
    assert_int_equal(a->period_ns, b->period_ns);
    assert_int_equal(a->counter.present, b->counter.present);
    assert_int_equal(a->counter.modulus, b->counter.modulus);
    assert_int_equal(a->counter.step, b->counter.step);
    same_bits(&a->counter.bits, &b->counter.bits);
    assert_int_equal(a->direction, b->direction);
    assert_int_equal(a->authenticated, b->authenticated);
    same_text(a->evidence, b->evidence);
    assert_int_equal(a->checksum_count, b->checksum_count);
    for (size_t i = 0; i < a->checksum_count; i++) {
        const struct lt_checksum *x = &a->checksums[i], *y = &b->checksums[i];
        assert_int_equal(x->family, y->family);
        assert_int_equal(x->poly, y->poly);
        assert_int_equal(x->init, y->init);
        assert_int_equal(x->xorout, y->xorout);
        assert_int_equal(x->start, y->start);
        assert_int_equal(x->page, y->page);
        assert_int_equal(x->ranges, y->ranges);
        assert_memory_equal(x->data_id, y->data_id, x->data_id_count);
        same_bits(&x->place, &y->place);
        assert_int_equal(!x->affine, !y->affine);
        if (x->affine)
            assert_memory_equal(x->affine, y->affine, sizeof *x->affine);
    }
}

static void same_signal(const struct lt_signal_def *a, const struct lt_signal_def *b)
{
    assert_string_equal(a->name, b->name);
    assert_int_equal(a->frame, b->frame);
    assert_int_equal(a->parameter, b->parameter);
    same_bits(&a->bits, &b->bits);
    assert_int_equal(a->order, b->order);
    assert_int_equal(a->sign, b->sign);
    assert_int_equal(a->form, b->form);
    same_ratio(a->scale, b->scale);
    same_ratio(a->offset, b->offset);
    assert_int_equal(a->curve, b->curve);
    same_text(a->unit, b->unit);
    assert_int_equal(a->has_range, b->has_range);
    same_ratio(a->range_low, b->range_low);
    same_ratio(a->range_high, b->range_high);
    assert_ptr_equal(a->role, b->role);
    same_text(a->role_name, b->role_name);
    same_ratio(a->role_factor, b->role_factor);
    same_ratio(a->role_offset, b->role_offset);
    same_ratio(a->stoich, b->stoich);
    same_codes(a->unavailable, a->unavailable_count, b->unavailable, b->unavailable_count);
    same_codes(a->error, a->error_count, b->error, b->error_count);
    assert_int_equal(a->label_count, b->label_count);
    for (size_t i = 0; i < a->label_count; i++) {
        assert_int_equal(a->labels[i].raw, b->labels[i].raw);
        assert_string_equal(a->labels[i].name, b->labels[i].name);
    }
    assert_int_equal(a->page_count, b->page_count);
    for (size_t i = 0; i < a->page_count; i++) {
        assert_int_equal(a->page[i].selector, b->page[i].selector);
        same_codes(a->page[i].range, a->page[i].ranges, b->page[i].range, b->page[i].ranges);
    }
    assert_int_equal(a->max_age_ms, b->max_age_ms);
    assert_int_equal(a->on_lost, b->on_lost);
    same_ratio(a->on_lost_value, b->on_lost_value);
    same_text(a->evidence, b->evidence);
}

static void same_warning(const struct lt_warning_def *a, const struct lt_warning_def *b)
{
    assert_string_equal(a->name, b->name);
    assert_string_equal(a->when.text, b->when.text);
    assert_int_equal(a->when.count, b->when.count);
    assert_int_equal(a->until.count, b->until.count);
    assert_int_equal(a->for_ms, b->for_ms);
    assert_int_equal(a->hold_ms, b->hold_ms);
    assert_int_equal(a->send, b->send);
    assert_int_equal(a->assign_count, b->assign_count);
    for (size_t i = 0; i < a->assign_count; i++) {
        assert_int_equal(a->assign[i].signal, b->assign[i].signal);
        assert_string_equal(a->assign[i].value, b->assign[i].value);
    }
    assert_int_equal(a->priority, b->priority);
    assert_int_equal(a->limp, b->limp);
    assert_int_equal(a->on_lost, b->on_lost);
    same_text(a->title, b->title);
    same_text(a->evidence, b->evidence);
}

static void same_pairs(const struct lt_text_pair *a, size_t a_count, const struct lt_text_pair *b,
                       size_t b_count)
{
    assert_int_equal(a_count, b_count);
    for (size_t i = 0; i < a_count; i++) {
        assert_string_equal(a[i].key, b[i].key);
        assert_string_equal(a[i].value, b[i].value);
    }
}

static void same_small(const struct lt_profile *a, const struct lt_profile *b)
{
    assert_int_equal(a->bus_count, b->bus_count);
    for (size_t i = 0; i < a->bus_count; i++) {
        assert_string_equal(a->buses[i].name, b->buses[i].name);
        assert_int_equal(a->buses[i].bitrate_hz, b->buses[i].bitrate_hz);
        assert_int_equal(a->buses[i].data_bitrate_hz, b->buses[i].data_bitrate_hz);
        assert_int_equal(a->buses[i].fd, b->buses[i].fd);
        same_ratio(a->buses[i].sample_point, b->buses[i].sample_point);
        same_text(a->buses[i].access, b->buses[i].access);
        same_text(a->buses[i].interface, b->buses[i].interface);
    }
    assert_int_equal(a->curve_count, b->curve_count);
    for (size_t i = 0; i < a->curve_count; i++) {
        assert_int_equal(a->curves[i].count, b->curves[i].count);
        for (size_t k = 0; k < a->curves[i].count; k++) {
            same_ratio(a->curves[i].points[k].raw, b->curves[i].points[k].raw);
            same_ratio(a->curves[i].points[k].physical, b->curves[i].points[k].physical);
        }
    }
    assert_int_equal(a->parameter_count, b->parameter_count);
    for (size_t i = 0; i < a->parameter_count; i++) {
        const struct lt_parameter_def *x = &a->parameters[i], *y = &b->parameters[i];
        assert_string_equal(x->name, y->name);
        assert_int_equal(x->bus, y->bus);
        assert_int_equal(x->service, y->service);
        assert_int_equal(x->pid, y->pid);
        assert_int_equal(x->length, y->length);
        assert_int_equal(x->responder, y->responder);
    }
}

static void same_profile(const struct lt_profile *a, const struct lt_profile *b)
{
    same_text(a->name, b->name);
    same_text(a->title, b->title);
    assert_int_equal(a->require_count, b->require_count);
    for (size_t i = 0; i < a->require_count; i++)
        assert_string_equal(a->requires[i], b -> requires[i]);
    same_pairs(a->fits, a->fit_count, b->fits, b->fit_count);
    same_pairs(a->prove, a->prove_count, b->prove, b->prove_count);
    same_small(a, b);
    assert_int_equal(a->frame_count, b->frame_count);
    for (size_t i = 0; i < a->frame_count; i++)
        same_frame(&a->frames[i], &b->frames[i]);
    assert_int_equal(a->signal_count, b->signal_count);
    for (size_t i = 0; i < a->signal_count; i++)
        same_signal(&a->signals[i], &b->signals[i]);
    assert_int_equal(a->warning_count, b->warning_count);
    for (size_t i = 0; i < a->warning_count; i++)
        same_warning(&a->warnings[i], &b->warnings[i]);
    assert_string_equal(a->hash, b->hash);
}

static void every_line_fits(const struct lt_buf *text)
{
    struct lt_text rest = lt_buf_text(text), line;
    while (lt_text_split(&rest, '\n', &line))
        assert_in_range(line.len, 0, 199);
}

/* Written, read back and written again: the same profile and the same bytes. */
static void expect_stable(const struct lt_profile *profile)
{
    struct lt_buf first = written(profile, true);
    every_line_fits(&first);
    struct loaded back = load_bytes(first.at, first.len);
    if (!back.profile) {
        show_faults(&back);
        fail_msg("cannot be read back:\n%s", first.at);
    }
    same_profile(profile, back.profile);
    struct lt_buf second = written(back.profile, true);
    assert_string_equal(first.at, second.at);
    lt_buf_release(&first);
    lt_buf_release(&second);
    release(&back);
}

/* --- tests ----------------------------------------------------------------------------------- */

/* One of everything, spelt in unusual ways. */
static const char everything[] =
    "[warning w]\nwhen = (a > 1.5  and  mode == \"on road\") or age(a)>2\nfor_ms=300\n"
    "until = a < 1\nhold_ms = 2000\nsend = kit mode_out=\"on road\" lamp=1\npriority = 2\n"
    "limp = yes\non_lost = ignore\ntitle = Look out: x=1; #2\nevidence = e\n"
    "[warning v]\nwhen = missing(a)\nlimp=yes\n"
    "[signal lamp]\nframe = kit\nbits = 1.0\n"
    "[signal mode_out]\nframe = kit\nbits = 0.1..0.0\nvalues = 1 on road, 0 off\n"
    "[frame kit]\nid=1696\nperiod_ms = 1e2\ndirection = send\nlength = 2\nbus = pt\n"
    "[profile]\nformat = 0x1\nname = every-thing.2\ntitle = Größe, 5 °C\n"
    "requires = wheel_speed_fl engine_speed\n"
    "[prove]\nz.max = 5\nperiod_jitter = 10 %\n"
    "[fits]\nfree text keys = any = thing\nyears = 2019-2022\n"
    "[bus pt]\nsample_point = 80 %\nbitrate = 500000\ndata_bitrate = 2000000\n"
    "access = connector C12\ninterface = can0\nevidence = seen\n"
    "[bus old]\nfd = non-iso\n"
    "[curve sender]\n-1 = 1/3\n0.5 = 2\n1e3 = -40\n"
    "[frame a]\nbus = pt\nid = 0x0C4\nperiod_ms = 2.5\ncounter = 6.3..6.0 mod 15 step 2\n"
    "checksum = crc8-sae-j1850 over 0..6 in 7\nevidence = e\nauthenticated = yes\n"
    "[frame b]\nid = 0x18FEF100\nextended = yes\nlength = 64\n"
    "checksum = xor over 0..6 in 63 page 1\nchecksum = affine over 0..1 in 63 page 2\n"
    "[affine b]\nconstant = 90\nbyte_0 = 1 2 3 4 5 6 7 8\nbyte_1 = 0xFF,0,0,0,0,0,0,1\n"
    "[frame c]\npgn = 0xF004\nsource = 3\n[frame d]\npgn = 65226\nlength = 1785\n"
    "[frame e]\nid = 5\nfd = yes\nlength = 4\nbus = old\n"
    "[frame f]\nid = 6\nchecksum = e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating\n"
    "[signal a]\nframe = a\nbits = 0.7..1.0\norder = motorola\nscale = 25e-2\noffset = -1/3\n"
    "unit = rpm\nrange = -1/4..1/7\nrole = engine_speed\nunavailable = 65535\nerror = "
    "0xFE00..65279\n"
    "max_age_ms = 100\non_lost = hold 12.5\nevidence = free text\n"
    "[signal wheel]\nframe = a\nbits = 3.7..2.4\norder = intel\nunit = mph\n"
    "role = wheel_speed_fl\non_lost = value -7/2\n"
    "[signal mode]\nframe = b\nparts = 0.1..0.0 5.7..5.0\nsign = unsigned\n"
    "[values mode]\n5 = city, wet\n0x1 = on road\n"
    "[signal kind]\nframe = b\nbits = 1.7..1.4\n"
    "[signal p]\nframe = b\nbits = 2.7..2.0\npage = kind 3\nsign = twos\n"
    "[signal sub]\nframe = b\nbits = 2.7..2.0\npage = kind 1, 10..11\nsign = offset-binary\n"
    "[signal q]\nframe = b\nbits = 3.7..3.0\npage = kind 10 and sub 0xF0..0xFF,3\n"
    "form = reciprocal\nscale = 1/256\n"
    "[signal bent]\nframe = c\nbits = 0.7..0.0\ncurve = sender\nsign = sign-magnitude\n"
    "[signal real]\nframe = c\nbits = 7.7..4.0\norder = intel\nsign = float\nunit = V\n"
    "[signal afr]\nframe = c\nbits = 1.7..1.0\nunit = AFR\nstoich = 14.7\nrole = lambda\n"
    "[parameter obd]\nservice = 1\npid = 12\nlength = 2\nresponder = 2024\nbus = pt\nevidence = s\n"
    "[parameter uds]\nservice = 34\npid = 0xF40C\n[parameter codes]\nservice = 3\n"
    "[signal rpm_obd]\nparameter = obd\nbits = 0.7..1.0\norder = motorola\n";

static void everything_is_stable(void **state)
{
    (void)state;
    struct loaded got = load_good(everything);
    expect_stable(got.profile);
    release(&got);
}

static void expect_text(const char *text, const char *canonical)
{
    struct loaded got = load_good(text);
    struct lt_buf buf = written(got.profile, true);
    assert_string_equal(buf.at, canonical);
    lt_buf_release(&buf);
    expect_stable(got.profile);
    release(&got);
}

static void sections_and_keys_have_one_order_and_spelling(void **state)
{
    (void)state;
    expect_text("[signal s]\nvalues=2 wet,0 comfort\nscale=1.00\nbits=1.7..0.0\norder=intel\n"
                "page=kind 3 ; c\nframe=f\nunavailable=65535 9\nunit=%\noffset=1e1\n\n\n"
                "[signal kind]\nframe = f\nbits = 2.7..2.4\nsign=unsigned\n"
                "[frame f]\nperiod_ms=10.50\ndirection=listen\nid=196\n# c\n"
                "[bus b]\nsample_point=87.5%\n[profile]\nname=t\nformat=1\n",
                "[profile]\nformat = 1\nname = t\n\n"
                "[bus b]\nsample_point = 0.875\n\n"
                "[frame f]\nid = 0x0C4\nlength = 8\nperiod_ms = 10.5\n\n"
                "[signal s]\nframe = f\nbits = 1.7..0.0\norder = intel\noffset = 10\nunit = %\n"
                "unavailable = 0xFFFF,9\nvalues = 0 comfort, 2 wet\npage = kind 3\n\n"
                "[signal kind]\nframe = f\nbits = 2.7..2.4\n");
}

static void long_labels_get_a_section(void **state)
{
    (void)state;
    expect_text(
        HEAD "[frame f]\nid = 1\n[signal s]\nframe = f\nbits = 0.3..0.0\n"
             "values = 0 the first of the labels, 1 the second of the labels, 2 the third and last "
             "of the labels\n",
        HEAD "\n[frame f]\nid = 0x001\nlength = 8\n\n"
             "[signal s]\nframe = f\nbits = 0.3..0.0\n\n[values s]\n"
             "0 = the first of the labels\n1 = the second of the labels\n"
             "2 = the third and last of the labels\n");
}

static void labels_with_commas_get_a_section(void **state)
{
    (void)state;
    expect_text(HEAD "[frame f]\nid = 1\n[signal s]\nframe = f\nbits = 0.3..0.0\n"
                     "[values s]\n0 = a, b\n",
                HEAD "\n[frame f]\nid = 0x001\nlength = 8\n\n"
                     "[signal s]\nframe = f\nbits = 0.3..0.0\n\n[values s]\n0 = a, b\n");
}

/* Codes that fill a line in decimal would not fit in hex. */
static void long_lists_of_codes_still_fit(void **state)
{
    (void)state;
    static const struct {
        unsigned first, count;
    } lists[] = {{10, 60}, {90, 55}, {60000, 30}, {4, 90}};
    for (size_t n = 0; n < sizeof lists / sizeof lists[0]; n++) {
        char text[1024];
        size_t len = (size_t)snprintf(text, sizeof text,
                                      "%s[frame f]\nid = 1\n[signal s]\n"
                                      "frame = f\nbits = 0.7..1.0\norder = motorola\nerror=",
                                      HEAD);
        size_t line = 6;
        for (unsigned i = 0; i < lists[n].count; i++) {
            size_t put = (size_t)snprintf(text + len, sizeof text - len, "%s%u", i ? "," : "",
                                          lists[n].first + 2 * i);
            if (line + put > 199 - 2)
                break;
            len += put;
            line += put;
        }
        text[len] = '\0';
        struct loaded got = load_good(text);
        expect_stable(got.profile);
        release(&got);
    }
}

/* What is short as it was given and long as it is written is refused, not written broken. */
static void a_line_that_would_grow_too_long_is_refused(void **state)
{
    (void)state;
    char text[1024] = HEAD, list[200] = "";
    size_t used = 0;
    for (unsigned i = 0; i < 16; i++)
        used += (size_t)snprintf(list + used, sizeof list - used, "%s%u", i ? "," : "", i + 100);
    snprintf(text, sizeof text,
             "%s[frame f]\nid=1\nchecksum=crc16 over 0,1,2,3,4,5 in 6.7..7.0 poly 4129 init 65535 "
             "xorout 65535 reflect data-id %s list counter 5.3..5.0\n",
             HEAD, list);
    const struct wrong wrong = {
        "grows", text, 6, 10, "`checksum`: its canonical line has", "shorten", false, LT_E_LIMIT};
    expect_wrong(&wrong, text, strlen(text), 0);
}

static void fractions_stay_exact(void **state)
{
    (void)state;
    expect_text(HEAD "[frame f]\nid = 1\n[signal s]\nframe = f\nbits = 0.7..0.0\nscale = 100/255\n"
                     "offset = -1/256\nrange = 0..1/3\n",
                HEAD "\n[frame f]\nid = 0x001\nlength = 8\n\n"
                     "[signal s]\nframe = f\nbits = 0.7..0.0\nscale = 20/51\n"
                     "offset = -0.00390625\nrange = 0..1/3\n");
}

/* --- includes -------------------------------------------------------------------------------- */

static char folder[] = "/tmp/loomtap-write-XXXXXX";

static const char *path_of(const char *name)
{
    static char path[512];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return path;
}

static void write_file(const char *name, const char *text)
{
    FILE *file = fopen(path_of(name), "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
}

static struct lt_profile *load_path(const char *path)
{
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    if (lt_profile_load(&profile, path, &faults) != LT_OK) {
        for (size_t i = 0; i < faults.count; i++)
            print_message("%s:%u: %s\n", faults.items[i].source, (unsigned)faults.items[i].line,
                          faults.items[i].text);
        fail_msg("%s cannot be loaded", path);
    }
    lt_faults_release(&faults);
    return profile;
}

static int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static int remove_folder(void **state)
{
    (void)state;
    remove(path_of("base.ini"));
    remove(path_of("top.ini"));
    return rmdir(folder);
}

static void includes_are_kept_or_written_in_place(void **state)
{
    (void)state;
    static const char top[] = HEAD "include = base.ini\n\n[prove]\nb = 2\n\n"
                                   "[frame g]\nid = 0x002\nlength = 8\n\n"
                                   "[signal more]\nframe = f\nbits = 1.0\n";
    write_file("base.ini", HEAD "[fits]\nyears = 1\n[prove]\na = 1\nb = 1\n[frame f]\nid = 1\n"
                                "[signal s]\nframe = f\nbits = 0.0\n");
    write_file("top.ini", HEAD "include = base.ini\n[prove]\nb = 2\n[signal more]\nframe = f\n"
                               "bits = 1.0\n[frame g]\nid = 2\n");
    struct lt_profile *profile = load_path(path_of("top.ini"));
    struct lt_buf kept = written(profile, false), flat = written(profile, true);
    assert_non_null(strstr(kept.at, "include = base.ini\n"));
    assert_null(strstr(kept.at, "[frame f]"));
    assert_string_equal(flat.at, HEAD "\n[prove]\na = 1\nb = 2\n\n"
                                      "[frame f]\nid = 0x001\nlength = 8\n\n"
                                      "[signal s]\nframe = f\nbits = 0.0\n\n"
                                      "[signal more]\nframe = f\nbits = 1.0\n\n"
                                      "[frame g]\nid = 0x002\nlength = 8\n");
    /* Without the included definitions: the same profile when it lies beside its include. */
    write_file("top.ini", kept.at);
    struct lt_profile *again = load_path(path_of("top.ini"));
    same_profile(profile, again);
    struct lt_buf kept_again = written(again, false);
    assert_string_equal(kept.at, kept_again.at);
    expect_stable(profile);
    write_file("top.ini", top);
    struct lt_profile *other_order = load_path(path_of("top.ini"));
    assert_string_equal(profile->hash, other_order->hash);
    lt_profile_free(other_order);
    lt_profile_free(again);
    lt_profile_free(profile);
    lt_buf_release(&kept);
    lt_buf_release(&kept_again);
    lt_buf_release(&flat);
}

/* --- what ships ------------------------------------------------------------------------------ */

static void every_profile_that_ships_is_stable(void **state)
{
    (void)state;
    const char *source = getenv("LOOMTAP_SOURCE");
    char path[4096];
    size_t count = 0;
    if (!source)
        skip();
    snprintf(path, sizeof path, "%s/signaldefs", source);
    DIR *found = opendir(path);
    if (!found)
        skip();
    for (const struct dirent *entry; (entry = readdir(found)) != NULL;) {
        size_t len = strlen(entry->d_name);
        if (len < 5 || strcmp(entry->d_name + len - 4, ".ini") != 0)
            continue;
        snprintf(path, sizeof path, "%s/signaldefs/%s", source, entry->d_name);
        struct lt_profile *profile = load_path(path);
        expect_stable(profile);
        lt_profile_free(profile);
        count++;
    }
    closedir(found);
    assert_true(count > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(everything_is_stable),
        cmocka_unit_test(sections_and_keys_have_one_order_and_spelling),
        cmocka_unit_test(long_labels_get_a_section),
        cmocka_unit_test(labels_with_commas_get_a_section),
        cmocka_unit_test(long_lists_of_codes_still_fit),
        cmocka_unit_test(a_line_that_would_grow_too_long_is_refused),
        cmocka_unit_test(fractions_stay_exact),
        cmocka_unit_test(includes_are_kept_or_written_in_place),
        cmocka_unit_test(every_profile_that_ships_is_stable),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
