/* The head of the capture, read ahead, so that its buses can be told (core/binding.h). */
#include "decode/decode_internal.h"
#include "loomtap/core/binding.h"

void note(struct lt_decode *decode, const char *format, ...)
{
    struct lt_error error;
    va_list args;
    lt_error_clear(&error);
    error.severity = LT_SEVERITY_NOTE;
    va_start(args, format);
    lt_text_vformat(error.text, sizeof error.text, format, args);
    va_end(args);
    lt_faults_add(decode->notes, &error);
}

enum lt_code read_head(struct lt_decode *decode, struct lt_error *error)
{
    decode->head = lt_arena_array(&decode->arena, HEAD_FRAMES, sizeof *decode->head);
    if (!decode->head)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    while (decode->head_count < HEAD_FRAMES) {
        const struct lt_frame *frame = lt_reader_next(decode->reader);
        if (!frame)
            break;
        struct kept_frame *kept = &decode->head[decode->head_count++];
        kept->frame = *frame;
        if (!frame->time_len)
            continue;
        if (frame->time_len > sizeof kept->time_text) { /* absurdly many digits: keep the number */
            kept->frame.time_len = 0;
            kept->frame.time_text = NULL;
            continue;
        }
        memcpy(kept->time_text, frame->time_text, frame->time_len);
        kept->frame.time_text = kept->time_text;
    }
    return LT_OK;
}

static const char *bus_name(const void *context, size_t bus)
{
    const struct lt_decode *decode = context;
    return lt_reader_bus_name(decode->reader, bus);
}

static const struct lt_frame *head_frame(const void *context, size_t index)
{
    const struct lt_decode *decode = context;
    return &decode->head[index].frame;
}

enum lt_code bind_buses(struct lt_decode *decode, struct lt_error *error)
{
    const struct lt_bind bind = {.profiles = decode->profiles,
                                 .profile_count = decode->profile_count,
                                 .said = decode->options.buses,
                                 .said_count = decode->options.bus_count,
                                 .bus_name = bus_name,
                                 .bus_count = lt_reader_bus_count(decode->reader),
                                 .frame = head_frame,
                                 .frame_count = decode->head_count,
                                 .context = decode,
                                 .notes = decode->notes};
    return lt_bind_buses(&bind, &decode->arena, &decode->bindings, &decode->binding_count, error);
}

uint32_t bound_bus(const struct lt_decode *decode, const struct lt_profile *profile, uint32_t bus)
{
    for (size_t i = 0; i < decode->binding_count; i++)
        if (decode->profiles[decode->bindings[i].profile] == profile &&
            decode->bindings[i].bus == bus)
            return decode->bindings[i].capture_bus;
    return LT_NONE;
}
