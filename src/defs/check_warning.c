/* Checks of warnings and of diagnostic parameters. Source: SAE J1979 (services and numbers). */
#include "defs/check.h"

#include "loomtap/core/value.h"

/* --- warnings -------------------------------------------------------------------------------- */

static void check_assignment(struct lt_loader *loader, const struct lt_section *section,
                             const struct lt_entry *entry, const struct lt_warning_def *warning,
                             size_t n)
{
    const struct lt_profile *profile = loader->profile;
    const struct lt_assignment *assign = &warning->assign[n];
    if (assign->signal == LT_NONE)
        return;
    const struct lt_signal_def *signal = &profile->signals[assign->signal];
    for (size_t i = 0; i < n; i++)
        if (warning->assign[i].signal == assign->signal)
            lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_DUPLICATE,
                                             "send: `%s` is set twice", signal->name),
                            "remove one");
    if (signal->frame != warning->send) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_CONFLICT,
                                         "send: signal `%s` is not in frame `%s`", signal->name,
                                         profile->frames[warning->send].name),
                        "only signals of the frame that is sent can be set");
        return;
    }
    struct lt_scaler scaler;
    struct lt_error error;
    uint64_t raw;
    if (!signal->bits.parts || signal->scale.num == 0 ||
        lt_scaler_init(&scaler, profile, assign->signal, &error) != LT_OK)
        return; /* reported with the signal */
    if (lt_scaler_parse(&scaler, lt_text_of(assign->value), &raw, &error) == LT_OK)
        return;
    error.column = 0;
    if (!error.advice[0])
        lt_error_advise(&error, "give a number in the range of the signal, one of its labels, "
                                "`unavailable` or `error`");
    lt_defs_fault_from(loader, section, entry, 0, &error);
}

static void check_warning_send(struct lt_loader *loader, const struct lt_section *section,
                               const struct lt_warning_def *warning)
{
    const struct lt_entry *entry = lt_defs_entry(section, "send");
    if (!entry || warning->send == LT_NONE)
        return;
    const struct lt_frame_def *frame = &loader->profile->frames[warning->send];
    char place[LT_PLACE_TEXT_ROOM];
    if (frame->direction != LT_SEND)
        lt_error_advise(
            lt_defs_fault_in(loader, section, entry, 0, LT_E_CONFLICT,
                             "send: frame `%s` (%s) is not one that is sent", frame->name,
                             lt_defs_place_text(loader, frame->place, place, sizeof place)),
            "name a frame with `direction = send`");
    for (size_t i = 0; i < warning->assign_count; i++)
        check_assignment(loader, section, entry, warning, i);
}

void lt_check_warning(struct lt_loader *loader, uint32_t index)
{
    const struct lt_warning_def *warning = &loader->profile->warnings[index];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_WARNING, index);
    if (!lt_defs_entry(section, "when"))
        lt_error_advise(lt_defs_fault(loader, section->place, LT_E_MISSING,
                                      "warning `%s` has no `when`", warning->name),
                        "add the condition that brings it on, such as `when = lambda > 1.05`");
    if (!lt_defs_entry(section, "send") && !warning->limp)
        lt_error_advise(lt_defs_warning(loader, section->place, LT_E_MISSING,
                                        "warning `%s` neither sends a frame nor goes into limp",
                                        warning->name),
                        "add `send` or `limp = yes` if it is to do anything");
    check_warning_send(loader, section, warning);
}

/* --- parameters ------------------------------------------------------------------------------ */

static bool wants_number(uint8_t service)
{
    static const uint8_t services[] = {0x01, 0x02, 0x05, 0x06, 0x08, 0x09, 0x21, 0x22};
    for (size_t i = 0; i < sizeof services; i++)
        if (services[i] == service)
            return true;
    return false;
}

static void check_parameter(struct lt_loader *loader, uint32_t index)
{
    const struct lt_parameter_def *parameter = &loader->profile->parameters[index];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_PARAMETER, index);
    const struct lt_entry *pid = lt_defs_entry(section, "pid");
    unsigned service = parameter->service;
    if (!lt_defs_entry(section, "service"))
        lt_error_advise(lt_defs_fault(loader, section->place, LT_E_MISSING,
                                      "parameter `%s` has no service", parameter->name),
                        "add it: 0x01 for live data of OBD-II, 0x22 for data by identifier");
    if (service == 0)
        return;
    if (!pid && wants_number(parameter->service))
        lt_error_advise(lt_defs_fault(loader, section->place, LT_E_MISSING,
                                      "parameter `%s` has no pid, and service 0x%02X wants one",
                                      parameter->name, service),
                        "add `pid`, such as 0x0C for engine speed");
    if (pid && (service == 0x03 || service == 0x04 || service == 0x07 || service == 0x0A))
        lt_error_advise(lt_defs_fault_in(loader, section, pid, 0, LT_E_CONFLICT,
                                         "pid: service 0x%02X has none", service),
                        "remove the line, or correct the service");
    if (pid && parameter->pid != LT_NONE && parameter->pid > 0xFF && service != 0x22)
        lt_error_advise(lt_defs_fault_in(loader, section, pid, 0, LT_E_RANGE,
                                         "pid: 0x%X has more than 8 bits, and service 0x%02X asks "
                                         "with 8",
                                         (unsigned)parameter->pid, service),
                        "only service 0x22 has numbers up to 0xFFFF");
}

static bool is_same_parameter(const struct lt_parameter_def *a, const struct lt_parameter_def *b)
{
    return a->service == b->service && a->pid == b->pid && a->responder == b->responder &&
           a->bus == b->bus;
}

static void check_twice(struct lt_loader *loader, uint32_t index)
{
    const struct lt_parameter_def *parameters = loader->profile->parameters;
    char place[LT_PLACE_TEXT_ROOM];
    for (uint32_t i = 0; i < index; i++) {
        if (!is_same_parameter(&parameters[i], &parameters[index]))
            continue;
        lt_error_advise(
            lt_defs_fault(loader, parameters[index].place, LT_E_DUPLICATE,
                          "parameter `%s` is the same as `%s` (%s)", parameters[index].name,
                          parameters[i].name,
                          lt_defs_place_text(loader, parameters[i].place, place, sizeof place)),
            "put their signals together under one, or tell them apart by `responder` "
            "or `bus`");
        return;
    }
}

void lt_check_parameters(struct lt_loader *loader)
{
    for (uint32_t i = 0; i < loader->profile->parameter_count; i++) {
        check_parameter(loader, i);
        check_twice(loader, i);
    }
}
