/* A rehearsal as JSON, in two streams that the caller joins: see loomtap/warn/rehearse.h. */
#include "loomtap/capture/text.h"
#include "warn/rehearse.h"
#include "warn/show.h"

static void put_time(struct lt_json *json, int64_t time_ns)
{
    char text[LT_TIME_TEXT_ROOM];
    lt_json_raw(json, "time_s", (struct lt_text){text, time_text(time_ns, text)});
}

void json_begin(struct lt_rehearse *rehearse)
{
    lt_json_init(&rehearse->json, rehearse->options.json);
    lt_json_open(&rehearse->json, NULL, '{');
    lt_json_open(&rehearse->json, "events", '[');
    if (rehearse->options.json_frames)
        lt_json_init(&rehearse->json_frames, rehearse->options.json_frames);
}

void json_event(struct lt_rehearse *rehearse, const struct lt_warn_event *event)
{
    struct lt_json *json = &rehearse->json;
    lt_json_open(json, NULL, '{');
    put_time(json, event->time_ns);
    lt_json_string(json, "warning", rehearse->profile->warnings[event->warning].name);
    lt_json_string(json, "change", event->on ? "on" : "off");
    lt_json_string(json, "cause", cause_text(event->cause));
    lt_json_open(json, "values", '{');
    for (size_t i = 0; i < event->input_count; i++)
        input_json(rehearse->profile, lt_warn_input(rehearse->warn, event->inputs[i]), json);
    lt_json_close(json, '}');
    lt_json_close(json, '}');
}

/* Each frame begins a JSON of its own; the commas between are ours. */
void json_frame(struct lt_rehearse *rehearse, const char *bus, const struct lt_frame *frame)
{
    struct lt_json *json = &rehearse->json_frames;
    char text[LT_FRAME_TEXT_ROOM + 1];
    text[lt_frame_print(frame, text)] = '\0';
    lt_sink_string(json->sink, rehearse->any_frame ? ",\n" : "\n");
    rehearse->any_frame = true;
    lt_json_init(json, json->sink);
    lt_json_open(json, NULL, '{');
    put_time(json, frame->time_ns);
    lt_json_string(json, "bus", bus);
    lt_json_string(json, "frame", text);
    lt_json_close(json, '}');
}

void json_end(struct lt_rehearse *rehearse)
{
    lt_json_close(&rehearse->json, ']');
    lt_sink_string(rehearse->json.sink, ",\n\"frames\": [");
}
