/* Checks of one signal by itself: where it lies, which order and sign it has, what it can reach. */
#include "defs/check.h"

#include <math.h>

#include "loomtap/core/value.h"

static void check_owner(struct lt_loader *loader, const struct lt_signal_def *signal,
                        const struct lt_section *section)
{
    const struct lt_entry *frame = lt_defs_entry(section, "frame");
    const struct lt_entry *parameter = lt_defs_entry(section, "parameter");
    if (!frame && !parameter)
        lt_error_advise(lt_defs_fault(loader, section->place, LT_E_MISSING,
                                      "signal `%s` is in no frame", signal->name),
                        "add `frame = NAME`, or `parameter = NAME` for a diagnostic value");
    if (frame && parameter)
        lt_error_advise(lt_defs_fault_in(loader, section, parameter, 0, LT_E_CONFLICT,
                                         "parameter: signal `%s` has a frame as well",
                                         signal->name),
                        "remove one of them");
}

/* False when there are no bits to go on with. */
static bool check_bits(struct lt_loader *loader, const struct lt_signal_def *signal,
                       const struct lt_section *section)
{
    const struct lt_entry *bits = lt_defs_entry(section, "bits");
    const struct lt_entry *parts = lt_defs_entry(section, "parts");
    if (!bits && !parts)
        lt_error_advise(lt_defs_fault(loader, section->place, LT_E_MISSING,
                                      "signal `%s` has no bits", signal->name),
                        "add `bits`, the two ends of the field, such as `bits = 0.7..1.0`");
    if (bits && parts)
        lt_error_advise(lt_defs_fault_in(loader, section, parts, 0, LT_E_CONFLICT,
                                         "parts: signal `%s` has `bits` as well", signal->name),
                        "a field in one place has `bits`, one in several places `parts`");
    return signal->bits.parts > 0 && !(bits && parts);
}

static const char *bits_key(const struct lt_section *section)
{
    return lt_defs_entry(section, "bits") ? "bits" : "parts";
}

static void check_length(struct lt_loader *loader, const struct lt_signal_def *signal,
                         const struct lt_section *section)
{
    const struct lt_profile *profile = loader->profile;
    unsigned length = 0;
    const char *kind = "frame", *owner = "";
    if (signal->frame != LT_NONE) {
        length = profile->frames[signal->frame].length;
        owner = profile->frames[signal->frame].name;
    } else if (signal->parameter != LT_NONE) {
        length = profile->parameters[signal->parameter].length;
        owner = profile->parameters[signal->parameter].name;
        kind = "parameter";
        if (length == 0)
            return;
    } else {
        return;
    }
    unsigned bytes = lt_bits_bytes(&signal->bits);
    if (bytes <= length)
        return;
    const struct lt_entry *entry = lt_defs_entry(section, bits_key(section));
    struct lt_error *error = lt_defs_fault_in(
        loader, section, entry, 0, LT_E_RANGE,
        "%.*s: `%.*s` reaches into byte %u, past the end of %s `%s` with %u byte%s",
        LT_TEXT_ARG(entry->name), LT_TEXT_ARG(entry->value), bytes - 1, kind, owner, length,
        length == 1 ? "" : "s");
    lt_error_advise(error, "bytes count from 0: correct the bits, or the `length` of the %s", kind);
}

/* --- order ----------------------------------------------------------------------------------- */

static const char *order_name(enum lt_order order)
{
    return order == LT_ORDER_INTEL ? "intel" : "motorola";
}

/* The ends that the same bytes would have in the other order. */
static void other_ends(struct lt_span span, char *ret_text, size_t size)
{
    unsigned high = span.msb / 8, low = span.lsb / 8;
    lt_text_format(ret_text, size, "%u.%u..%u.%u", low, span.msb % 8u, high, span.lsb % 8u);
}

static void refuse_order(struct lt_loader *loader, const struct lt_section *section,
                         const struct lt_entry *order, struct lt_span span, enum lt_order says)
{
    char ends[32], others[32];
    enum lt_order other = says == LT_ORDER_INTEL ? LT_ORDER_MOTOROLA : LT_ORDER_INTEL;
    const char *walk = says == LT_ORDER_INTEL ? "from the higher byte down to the lower"
                                              : "from the lower byte on to the higher";
    lt_span_print(ends, sizeof ends, span);
    other_ends(span, others, sizeof others);
    if (order) {
        lt_error_advise(lt_defs_fault_in(loader, section, order, 0, LT_E_CONFLICT,
                                         "order: `%s`, but the bits `%s` run %s, which is %s",
                                         order_name(other), ends, walk, order_name(says)),
                        "write `order = %s`, or, if the field is %s, name its ends `%s`",
                        order_name(says), order_name(other), others);
        return;
    }
    const struct lt_entry *bits = lt_defs_entry(section, bits_key(section));
    lt_error_advise(lt_defs_fault_in(loader, section, bits, 0, LT_E_MISSING,
                                     "%.*s: `%s` spans bytes, so `order` has to be said",
                                     LT_TEXT_ARG(bits->name), ends),
                    "the ends run %s: add `order = %s`, or, if the field is %s, name its ends "
                    "`%s`",
                    walk, order_name(says), order_name(other), others);
}

/* Compares what `order` says with what each part's ends say; then keeps what the ends say. */
static void check_order(struct lt_loader *loader, struct lt_signal_def *signal,
                        const struct lt_section *section)
{
    const struct lt_entry *order = lt_defs_entry(section, "order");
    for (unsigned i = 0; i < signal->bits.parts; i++) {
        enum lt_order says = lt_span_order(signal->bits.part[i]);
        if (says == LT_ORDER_NONE || (order && says == signal->order))
            continue;
        if (order && signal->order == LT_ORDER_NONE)
            break; /* not understood, and reported */
        refuse_order(loader, section, order, signal->bits.part[i], says);
        break;
    }
    signal->order = lt_bits_order(&signal->bits);
}

/* --- numbers --------------------------------------------------------------------------------- */

static bool is_odd_float(const struct lt_signal_def *signal)
{
    unsigned length = lt_bits_length(&signal->bits);
    return signal->sign == LT_FLOAT && length != 32 && length != 64;
}

static void check_form(struct lt_loader *loader, const struct lt_signal_def *signal,
                       const struct lt_section *section)
{
    const struct lt_entry *form = lt_defs_entry(section, "form");
    if (is_odd_float(signal))
        lt_error_advise(lt_defs_fault(loader, lt_defs_key_place(section, "sign"), LT_E_CONFLICT,
                                      "sign: a float has 32 or 64 bits, and this field has %u",
                                      lt_bits_length(&signal->bits)),
                        "correct the bits or the sign");
    if (signal->scale.num == 0)
        lt_error_advise(lt_defs_fault(loader, lt_defs_key_place(section, "scale"), LT_E_RANGE,
                                      "scale: with 0 every value of `%s` would be the same",
                                      signal->name),
                        "give the value of one raw step, such as 0.25; 1 may be left out");
    if (form && lt_text_is(form->value, "reciprocal") && signal->curve != LT_NONE)
        lt_error_advise(lt_defs_fault_in(loader, section, form, 0, LT_E_CONFLICT,
                                         "form: signal `%s` has a curve as well", signal->name),
                        "remove one of them");
    if (lt_defs_entry(section, "stoich") && signal->stoich.num <= 0)
        lt_error_advise(lt_defs_fault(loader, lt_defs_key_place(section, "stoich"), LT_E_RANGE,
                                      "stoich: the air per fuel is above 0"),
                        "such as 14.7 for petrol, 9.8 for E85");
}

/* The least and the greatest number behind the bits, before scale. */
static void raw_limits(const struct lt_signal_def *signal, double *ret_low, double *ret_high)
{
    double all = ldexp(1, (int)lt_bits_length(&signal->bits));
    switch (signal->sign) {
    case LT_TWOS:
    case LT_OFFSET_BINARY:
        *ret_low = -all / 2;
        *ret_high = all / 2 - 1;
        break;
    case LT_SIGN_MAGNITUDE:
        *ret_low = -(all / 2 - 1);
        *ret_high = all / 2 - 1;
        break;
    default:
        *ret_low = 0;
        *ret_high = all - 1;
        break;
    }
}

static void order_two(double *low, double *high)
{
    if (*low <= *high)
        return;
    double kept = *low;
    *low = *high;
    *high = kept;
}

static void curve_limits(const struct lt_curve_def *curve, double *ret_low, double *ret_high)
{
    *ret_low = INFINITY;
    *ret_high = -INFINITY;
    for (size_t i = 0; i < curve->count; i++) {
        *ret_low = fmin(*ret_low, lt_ratio_f64(curve->points[i].physical));
        *ret_high = fmax(*ret_high, lt_ratio_f64(curve->points[i].physical));
    }
}

/* What the field can reach, in the signal's own unit. */
static void reach(const struct lt_profile *profile, const struct lt_signal_def *signal,
                  double *ret_low, double *ret_high)
{
    double low, high, scale = lt_ratio_f64(signal->scale), offset = lt_ratio_f64(signal->offset);
    if (signal->form == LT_FORM_CURVE) {
        curve_limits(&profile->curves[signal->curve], ret_low, ret_high);
        return;
    }
    raw_limits(signal, &low, &high);
    low = low * scale + offset;
    high = high * scale + offset;
    order_two(&low, &high);
    if (signal->form == LT_FORM_RECIPROCAL) {
        bool through_zero = low <= 0 && high >= 0;
        double at_low = low == 0 ? INFINITY : 1 / low, at_high = high == 0 ? -INFINITY : 1 / high;
        if (through_zero) {
            /* 1/x has no bound where x passes 0. */
            low = low < 0 ? -INFINITY : at_high;
            high = high > 0 ? INFINITY : at_low;
        } else {
            low = at_high;
            high = at_low;
        }
        order_two(&low, &high);
    }
    *ret_low = low;
    *ret_high = high;
}

static void check_range(struct lt_loader *loader, const struct lt_signal_def *signal,
                        const struct lt_section *section)
{
    const struct lt_entry *entry = lt_defs_entry(section, "range");
    bool has_curve = signal->form == LT_FORM_CURVE;
    if (!signal->has_range || !entry || signal->sign == LT_FLOAT || signal->scale.num == 0 ||
        (has_curve && (signal->curve == LT_NONE || !loader->profile->curves[signal->curve].count)))
        return;
    double low, high;
    char low_text[LT_F64_ROOM + 1], high_text[LT_F64_ROOM + 1];
    double range_low = lt_ratio_f64(signal->range_low),
           range_high = lt_ratio_f64(signal->range_high);
    reach(loader->profile, signal, &low, &high);
    /* Decimals such as 0.1 x 255 are not exact as doubles. */
    double slack = 1e-9 * fmax(fabs(range_low), fabs(range_high));
    low_text[lt_print_f64(low_text, low)] = '\0';
    high_text[lt_print_f64(high_text, high)] = '\0';
    if (range_high < low - slack || range_low > high + slack)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "range: `%.*s` excludes all that the field can reach, %s "
                                         "to %s",
                                         LT_TEXT_ARG(entry->value), low_text, high_text),
                        "correct the range, or the bits, sign, scale and offset");
    else if (range_low < low - slack || range_high > high + slack)
        lt_error_advise(lt_defs_warning(loader, entry->place, LT_E_RANGE,
                                        "range: `%.*s` is wider than the field can reach, %s to "
                                        "%s",
                                        LT_TEXT_ARG(entry->value), low_text, high_text),
                        "narrow it, or look whether bits, scale and offset are right");
}

/* --- meaning --------------------------------------------------------------------------------- */

static void check_name(struct lt_loader *loader, const struct lt_signal_def *signal,
                       const struct lt_section *section)
{
    static const char *const syntax[] = {"and", "or", "not"};
    static const char *const functions[] = {"limp", "age", "missing", "suspect",
                                            "rate", "abs", "min",     "max"};
    for (size_t i = 0; i < sizeof syntax / sizeof syntax[0]; i++)
        if (strcmp(signal->name, syntax[i]) == 0)
            lt_error_advise(lt_defs_fault(loader, section->place, LT_E_CONFLICT,
                                          "`%s` is a word of pages and conditions", signal->name),
                            "give the signal another name");
    for (size_t i = 0; i < sizeof functions / sizeof functions[0]; i++)
        if (strcmp(signal->name, functions[i]) == 0)
            lt_error_advise(lt_defs_warning(loader, section->place, LT_E_CONFLICT,
                                            "`%s` is a word of conditions, which cannot name the "
                                            "signal",
                                            signal->name),
                            "give the signal another name if a warning is to use it");
}

static void check_role(struct lt_loader *loader, const struct lt_signal_def *signal,
                       const struct lt_section *section)
{
    if (!signal->role || !signal->role->is_labels || signal->label_count)
        return;
    /* The numbers can still be decoded; whoever looks for a label will find none. */
    lt_error_advise(lt_defs_warning(loader, lt_defs_key_place(section, "role"), LT_E_MISSING,
                                    "role: `%s` is told by labels, and signal `%s` has none",
                                    signal->role_name, signal->name),
                    "add `values`, such as `values = 0 comfort, 1 sport`");
}

/* Scale, offset and the role's unit together. */
static void check_scaler(struct lt_loader *loader, uint32_t index,
                         const struct lt_signal_def *signal, const struct lt_section *section)
{
    struct lt_scaler scaler;
    struct lt_error error;
    const struct lt_entry *entry = lt_defs_entry(section, "scale");
    bool has_curve = signal->form == LT_FORM_CURVE;
    if (signal->scale.num == 0 || is_odd_float(signal) ||
        (has_curve &&
         (signal->curve == LT_NONE || loader->profile->curves[signal->curve].count < 2)))
        return;
    if (lt_scaler_init(&scaler, loader->profile, index, &error) == LT_OK)
        return;
    if (!entry)
        entry = lt_defs_entry(section, bits_key(section));
    lt_defs_fault_from(loader, section, entry, 0, &error);
}

void lt_check_signal(struct lt_loader *loader, uint32_t index)
{
    struct lt_signal_def *signal = &loader->profile->signals[index];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_SIGNAL, index);
    check_name(loader, signal, section);
    check_owner(loader, signal, section);
    check_role(loader, signal, section);
    if (!check_bits(loader, signal, section))
        return;
    check_length(loader, signal, section);
    check_order(loader, signal, section);
    check_form(loader, signal, section);
    check_range(loader, signal, section);
    check_scaler(loader, index, signal, section);
    lt_check_codes(loader, index);
}
