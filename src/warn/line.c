/* Events as lines: see loomtap/warn/line.h. */
#include "loomtap/warn/line.h"

#include "warn/show.h"

#define INPUTS_ROOM 600

size_t lt_warn_time_text(int64_t ns, char ret_text[LT_WARN_TIME_ROOM])
{
    return time_text(ns, ret_text);
}

size_t lt_warn_inputs_text(const struct lt_warn *warn, const struct lt_profile *profile,
                           const struct lt_warn_event *event, char *buffer, size_t size)
{
    size_t at = 0;
    buffer[0] = '\0';
    for (size_t i = 0; i < event->input_count && at + 3 < size; i++) {
        if (i)
            at += lt_text_format(buffer + at, size - at, ", ");
        at += input_text(profile, lt_warn_input(warn, event->inputs[i]), buffer + at, size - at);
    }
    return at;
}

void lt_warn_event_text(const struct lt_warn *warn, const struct lt_profile *profile,
                        const struct lt_warn_event *event, int64_t at_ns, size_t name_width,
                        struct lt_sink *sink)
{
    char time[LT_TIME_TEXT_ROOM], inputs[INPUTS_ROOM];
    time_text(at_ns, time);
    lt_warn_inputs_text(warn, profile, event, inputs, sizeof inputs);
    lt_sink_format(sink, "%14s  %-*s  %-4s  %-9s  %s", time, (int)name_width,
                   profile->warnings[event->warning].name, event->on ? "on" : "off",
                   cause_text(event->cause), inputs);
    if (!event->on) {
        time_text(event->time_ns - event->on_ns, time);
        lt_sink_format(sink, "; after %s s", time);
    }
    lt_sink_char(sink, '\n');
}

void lt_warn_time_json(struct lt_json *json, int64_t time_ns)
{
    char text[LT_TIME_TEXT_ROOM];
    lt_json_raw(json, "time_s", (struct lt_text){text, time_text(time_ns, text)});
}

void lt_warn_event_json(const struct lt_warn *warn, const struct lt_profile *profile,
                        const struct lt_warn_event *event, struct lt_json *json)
{
    lt_warn_time_json(json, event->time_ns);
    lt_json_string(json, "warning", profile->warnings[event->warning].name);
    lt_json_string(json, "change", event->on ? "on" : "off");
    lt_json_string(json, "cause", cause_text(event->cause));
    lt_json_open(json, "values", '{');
    for (size_t i = 0; i < event->input_count; i++)
        input_json(profile, lt_warn_input(warn, event->inputs[i]), json);
    lt_json_close(json, '}');
}
