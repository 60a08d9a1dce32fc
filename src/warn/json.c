/* A rehearsal as JSON, in two streams that the caller joins: see loomtap/warn/rehearse.h. */
#include "loomtap/capture/text.h"
#include "loomtap/warn/line.h"
#include "warn/rehearse.h"

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
    lt_warn_event_json(rehearse->warn, rehearse->profile, event, json);
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
    lt_warn_time_json(json, frame->time_ns);
    lt_json_string(json, "bus", bus);
    lt_json_string(json, "frame", text);
    lt_json_close(json, '}');
}

void json_end(struct lt_rehearse *rehearse)
{
    lt_json_close(&rehearse->json, ']');
    lt_sink_string(rehearse->json.sink, ",\n\"frames\": [");
}
