/* The canonical text of a profile: sections and keys in one fixed order, one spelling for every
 * number, nothing that is as it would be without saying it. Reading it back gives the same profile,
 * and writing that gives the same bytes. docs/profile-format.md shows the order.
 *
 * Texts of the profile were read through lines.c, so none of them holds what inih could not read.
 */
#include "defs/write.h"

#include "loomtap/defs/load.h"

static void write_words(struct lt_writer *writer, const char *key, const char **words, size_t count)
{
    char text[4096];
    size_t used = 0;
    if (count == 0)
        return;
    text[0] = '\0';
    for (size_t i = 0; i < count && used + 1 < sizeof text; i++)
        used += lt_text_format(text + used, sizeof text - used, "%s%s", i ? " " : "", words[i]);
    lt_write_text(writer, key, text);
}

static void write_yes(struct lt_writer *writer, const char *key, bool yes)
{
    if (yes)
        lt_write_text(writer, key, "yes");
}

static void write_profile_section(struct lt_writer *writer)
{
    const struct lt_profile *profile = writer->profile;
    lt_write_section(writer, "profile", NULL, (struct lt_place){0, 0, 0});
    lt_write_text(writer, "format", "1");
    lt_write_text(writer, "name", profile->name);
    lt_write_text(writer, "title", profile->title);
    write_words(writer, "requires", profile->requires, profile->require_count);
    if (!writer->flat)
        write_words(writer, "include", profile->includes, profile->include_count);
}

static void write_pairs(struct lt_writer *writer, const char *kind,
                        const struct lt_text_pair *pairs, size_t count)
{
    bool opened = false;
    for (size_t i = 0; i < count; i++) {
        if (!lt_write_wants(writer, pairs[i].place))
            continue;
        if (!opened)
            lt_write_section(writer, kind, NULL, pairs[i].place);
        opened = true;
        writer->place = pairs[i].place;
        lt_write_text(writer, pairs[i].key, pairs[i].value);
    }
}

static void write_bus(struct lt_writer *writer, const struct lt_bus_def *bus)
{
    static const char *const fd_words[] = {
        [LT_FD_NO] = NULL, [LT_FD_ISO] = "iso", [LT_FD_NON_ISO] = "non-iso"};
    lt_write_section(writer, "bus", bus->name, bus->place);
    if (bus->bitrate_hz)
        lt_write_u64(writer, "bitrate", bus->bitrate_hz);
    if (bus->data_bitrate_hz)
        lt_write_u64(writer, "data_bitrate", bus->data_bitrate_hz);
    lt_write_text(writer, "fd", fd_words[bus->fd]);
    if (bus->sample_point.num)
        lt_write_ratio(writer, "sample_point", bus->sample_point);
    lt_write_text(writer, "access", bus->access);
    lt_write_text(writer, "interface", bus->interface);
    lt_write_text(writer, "evidence", bus->evidence);
}

static void write_curve(struct lt_writer *writer, const struct lt_curve_def *curve)
{
    lt_write_section(writer, "curve", curve->name, curve->place);
    for (size_t i = 0; i < curve->count; i++) {
        char raw[45];
        raw[lt_print_ratio(raw, curve->points[i].raw)] = '\0';
        lt_write_ratio(writer, raw, curve->points[i].physical);
    }
}

/* --- frames ---------------------------------------------------------------------------------- */

static void write_identity(struct lt_writer *writer, const struct lt_frame_def *frame)
{
    if (frame->bus != LT_NONE)
        lt_write_text(writer, "bus", writer->profile->buses[frame->bus].name);
    if (frame->is_pgn) {
        lt_write_u64(writer, "pgn", frame->pgn);
        if (frame->source != LT_NONE)
            lt_write_u64(writer, "source", frame->source);
        return;
    }
    lt_write_format(writer, "id", frame->extended ? "0x%08X" : "0x%03X", (unsigned)frame->id);
    write_yes(writer, "extended", frame->extended);
}

static void write_counter(struct lt_writer *writer, const struct lt_counter_def *counter)
{
    char bits[128], mod[24] = "", step[24] = "";
    if (!counter->present)
        return;
    lt_bits_print(bits, sizeof bits, &counter->bits);
    if (counter->modulus != UINT32_C(1) << lt_bits_length(&counter->bits))
        lt_text_format(mod, sizeof mod, " mod %u", (unsigned)counter->modulus);
    if (counter->step != 1)
        lt_text_format(step, sizeof step, " step %u", (unsigned)counter->step);
    lt_write_format(writer, "counter", "%s%s%s", bits, mod, step);
}

static void write_frame_keys(struct lt_writer *writer, const struct lt_frame_def *frame)
{
    char checksum[512];
    write_identity(writer, frame);
    lt_write_u64(writer, "length", frame->length);
    if (frame->period_ns) {
        /* Nanoseconds as milliseconds, without the zeros at the end. */
        struct lt_ratio ms;
        if (lt_ratio_make(frame->period_ns, 1000000, &ms))
            lt_write_ratio(writer, "period_ms", ms);
    }
    write_yes(writer, "fd", frame->fd && (frame->is_pgn || frame->length <= 8));
    write_counter(writer, &frame->counter);
    for (size_t i = 0; i < frame->checksum_count; i++) {
        lt_checksum_print(&frame->checksums[i], checksum, sizeof checksum);
        lt_write_text(writer, "checksum", checksum);
    }
    lt_write_text(writer, "direction", frame->direction == LT_SEND ? "send" : NULL);
    write_yes(writer, "authenticated", frame->authenticated);
    lt_write_text(writer, "evidence", frame->evidence);
}

static void write_affine(struct lt_writer *writer, const struct lt_frame_def *frame)
{
    const struct lt_affine *affine = NULL;
    for (size_t i = 0; i < frame->checksum_count && !affine; i++)
        if (frame->checksums[i].family == LT_CHECK_AFFINE)
            affine = frame->checksums[i].affine;
    if (!affine)
        return;
    lt_write_section(writer, "affine", frame->name, frame->place);
    lt_write_format(writer, "constant", "0x%02X", (unsigned)affine->constant);
    for (unsigned byte = 0; byte < 64; byte++) {
        const uint16_t *c = affine->column[byte];
        char key[16];
        if (!(c[0] | c[1] | c[2] | c[3] | c[4] | c[5] | c[6] | c[7]))
            continue;
        lt_text_format(key, sizeof key, "byte_%u", byte);
        lt_write_format(writer, key, "0x%02X,0x%02X,0x%02X,0x%02X,0x%02X,0x%02X,0x%02X,0x%02X",
                        (unsigned)c[0], (unsigned)c[1], (unsigned)c[2], (unsigned)c[3],
                        (unsigned)c[4], (unsigned)c[5], (unsigned)c[6], (unsigned)c[7]);
    }
}

static void write_frame(struct lt_writer *writer, const struct lt_frame_def *frame)
{
    if (!lt_write_wants(writer, frame->place))
        return;
    lt_write_section(writer, "frame", frame->name, frame->place);
    write_frame_keys(writer, frame);
    write_affine(writer, frame);
}

/* Signals stand behind each other owner by owner (build.c): *next walks along. */
static void write_signals_of(struct lt_writer *writer, uint32_t frame, uint32_t parameter,
                             size_t *next)
{
    const struct lt_profile *profile = writer->profile;
    for (; *next < profile->signal_count; ++*next) {
        const struct lt_signal_def *signal = &profile->signals[*next];
        if (signal->frame != frame || signal->parameter != parameter)
            return;
        if (lt_write_wants(writer, signal->place))
            lt_write_signal(writer, signal);
    }
}

/* --- parameters and warnings ----------------------------------------------------------------- */

static void write_parameter(struct lt_writer *writer, const struct lt_parameter_def *parameter)
{
    if (!lt_write_wants(writer, parameter->place))
        return;
    lt_write_section(writer, "parameter", parameter->name, parameter->place);
    lt_write_format(writer, "service", "0x%02X", (unsigned)parameter->service);
    if (parameter->pid != LT_NONE)
        lt_write_format(writer, "pid", parameter->service == 0x22 ? "0x%04X" : "0x%02X",
                        (unsigned)parameter->pid);
    if (parameter->length)
        lt_write_u64(writer, "length", parameter->length);
    if (parameter->bus != LT_NONE)
        lt_write_text(writer, "bus", writer->profile->buses[parameter->bus].name);
    if (parameter->responder != LT_NONE)
        lt_write_format(writer, "responder", "0x%03X", (unsigned)parameter->responder);
    lt_write_text(writer, "evidence", parameter->evidence);
}

static void write_send(struct lt_writer *writer, const struct lt_warning_def *warning)
{
    char text[4096];
    if (warning->send == LT_NONE)
        return;
    size_t used =
        lt_text_format(text, sizeof text, "%s", writer->profile->frames[warning->send].name);
    for (size_t i = 0; i < warning->assign_count && used + 1 < sizeof text; i++) {
        const struct lt_assignment *assign = &warning->assign[i];
        /* A quote only around what would else end early. */
        bool quoted = strpbrk(assign->value, " \t\"'") != NULL;
        const char *quote = !quoted ? "" : strchr(assign->value, '"') ? "'" : "\"";
        used += lt_text_format(text + used, sizeof text - used, " %s=%s%s%s",
                               writer->profile->signals[assign->signal].name, quote, assign->value,
                               quote);
    }
    lt_write_text(writer, "send", text);
}

static void write_warning(struct lt_writer *writer, const struct lt_warning_def *warning)
{
    if (!lt_write_wants(writer, warning->place))
        return;
    lt_write_section(writer, "warning", warning->name, warning->place);
    lt_write_text(writer, "when", warning->when.text);
    if (warning->for_ms)
        lt_write_u64(writer, "for_ms", warning->for_ms);
    if (warning->until.count)
        lt_write_text(writer, "until", warning->until.text);
    if (warning->hold_ms)
        lt_write_u64(writer, "hold_ms", warning->hold_ms);
    write_send(writer, warning);
    if (warning->priority)
        lt_write_u64(writer, "priority", warning->priority);
    write_yes(writer, "limp", warning->limp);
    lt_write_text(writer, "on_lost", warning->on_lost == LT_WARNING_LOST_IGNORE ? "ignore" : NULL);
    lt_write_text(writer, "title", warning->title);
    lt_write_text(writer, "evidence", warning->evidence);
}

void lt_defs_write(struct lt_writer *writer)
{
    const struct lt_profile *profile = writer->profile;
    size_t signal = 0;
    write_profile_section(writer);
    write_pairs(writer, "fits", profile->fits, profile->fit_count);
    write_pairs(writer, "prove", profile->prove, profile->prove_count);
    for (size_t i = 0; i < profile->bus_count; i++)
        if (lt_write_wants(writer, profile->buses[i].place))
            write_bus(writer, &profile->buses[i]);
    for (size_t i = 0; i < profile->curve_count; i++)
        if (lt_write_wants(writer, profile->curves[i].place))
            write_curve(writer, &profile->curves[i]);
    for (size_t i = 0; i < profile->frame_count; i++) {
        write_frame(writer, &profile->frames[i]);
        write_signals_of(writer, (uint32_t)i, LT_NONE, &signal);
    }
    for (size_t i = 0; i < profile->parameter_count; i++) {
        write_parameter(writer, &profile->parameters[i]);
        write_signals_of(writer, LT_NONE, (uint32_t)i, &signal);
    }
    for (size_t i = 0; i < profile->warning_count; i++)
        write_warning(writer, &profile->warnings[i]);
}

void lt_profile_write(const struct lt_profile *profile, bool flat, struct lt_sink *sink)
{
    struct lt_writer writer = {.profile = profile, .sink = sink, .flat = flat};
    lt_defs_write(&writer);
}
