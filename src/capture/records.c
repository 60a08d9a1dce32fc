/* What the readers of binary forms share: see records.h. */
#include "capture/records.h"

#include <stdlib.h>

#define SHOWN_BYTES 12 /* of a malformed record */

enum lt_code lt_records_begin(struct lt_reader *reader, struct lt_error *error)
{
    struct lt_input *input = &reader->input;
    if (!reader->records)
        reader->records = malloc(sizeof *reader->records);
    struct lt_records *records = reader->records;
    if (!records)
        return lt_fail(error, LT_E_MEMORY, "out of memory for the interfaces of a capture");
    records->big = records->in_section = records->has_can = records->has_interface = false;
    records->skip_left = records->trailer = 0;
    records->interface_count = 0;
    records->stamp.seconds = -1;
    records->base_bytes = input->bytes_read - (uint64_t)(input->end - input->at);
    return LT_OK;
}

void lt_records_free(struct lt_records *records)
{
    free(records);
}

/* A bus name has at most 15 bytes and no blanks, as the text forms need it. The start of a longer
 * one would make one bus of two, so three digits of a sum over all of it stand at its end: FNV-1a,
 * the same in every file. */
static void cut_name(struct lt_text name, char *ret_name)
{
    uint32_t sum = 2166136261u;
    for (size_t i = 0; i < name.len; i++)
        sum = (sum ^ (uint8_t)name.at[i]) * 16777619u;
    lt_text_format(ret_name, 12, "%.*s", LT_TEXT_ARG(name));
    size_t len = strlen(ret_name);
    lt_text_format(ret_name + len, LT_BUS_NAME_MAX + 1 - len, "~%03x", (sum ^ sum >> 16) & 0xFFF);
}

void lt_interface_init(struct lt_interface *interface, uint32_t link, struct lt_text name,
                       uint32_t number)
{
    *interface = (struct lt_interface){.link = link, .units = {.resolution = 6}, .digits = 6};
    const char *nul = name.len ? memchr(name.at, '\0', name.len) : NULL;
    name.len = nul ? (size_t)(nul - name.at) : name.len;
    if (name.len > LT_BUS_NAME_MAX && lt_text_is_utf8(name, NULL))
        cut_name(name, interface->name);
    else
        lt_text_format(interface->name, sizeof interface->name, "%.*s", LT_TEXT_ARG(name));
    for (char *at = interface->name; *at; at++)
        if ((unsigned char)*at <= ' ' || *at == 0x7F)
            *at = '_';
    if (!lt_bus_name_is_good(lt_text_of(interface->name)))
        lt_text_format(interface->name, sizeof interface->name, "if%u", (unsigned)number);
}

uint64_t lt_records_offset(const struct lt_reader *reader, const uint8_t *at)
{
    const struct lt_input *input = &reader->input;
    return input->bytes_read - reader->records->base_bytes -
           (uint64_t)((const uint8_t *)input->end - at);
}

void lt_records_count(struct lt_reader *reader)
{
    reader->line_number++;
    reader->counts.lines++;
}

void lt_records_bad(struct lt_reader *reader, const uint8_t *start, enum lt_bad_line reason)
{
    char text[32 + 3 * SHOWN_BYTES];
    size_t left = (size_t)((const uint8_t *)reader->input.end - start);
    size_t len = lt_text_format(text, sizeof text,
                                "byte %llu:", (unsigned long long)lt_records_offset(reader, start));
    for (size_t i = 0; i < left && i < SHOWN_BYTES; i++)
        len += lt_text_format(text + len, sizeof text - len, " %02X", start[i]);
    lt_reader_count_bad(reader, (struct lt_text){text, len}, reason);
}

/* A cooked capture of all interfaces says of each packet where it came from. */
static bool bus_of_index(struct lt_reader *reader, struct lt_interface *interface, uint32_t index)
{
    char name[LT_BUS_NAME_MAX + 1];
    if (interface->has_bus && interface->bus_index == index)
        return true;
    size_t len = lt_text_format(name, sizeof name, "if%lu", (unsigned long)index);
    interface->has_bus =
        lt_buses_intern(&reader->buses, (struct lt_text){name, len}, &interface->bus);
    interface->bus_index = index;
    return interface->has_bus;
}

static bool bus_of(struct lt_reader *reader, struct lt_interface *interface,
                   const struct lt_packet_said *said)
{
    if (said->has_index)
        return bus_of_index(reader, interface, said->index);
    if (!interface->has_bus) /* with its first frame, so that no bus is listed without any */
        interface->has_bus =
            lt_buses_intern(&reader->buses, lt_text_of(interface->name), &interface->bus);
    return interface->has_bus;
}

static bool set_time(struct lt_reader *reader, const struct lt_interface *interface,
                     const struct lt_record *record, struct lt_frame *frame)
{
    struct lt_records *records = reader->records;
    char *text = records->times[reader->batch_count];
    frame->time_ns = LT_NO_TIME;
    frame->time_text = NULL;
    frame->time_len = 0;
    if (!record->has_time)
        return true;
    if (!lt_stamp_ns(interface->units, record->stamp, &frame->time_ns))
        return false;
    frame->time_text = text;
    frame->time_len =
        (uint8_t)lt_stamp_print(&records->stamp, frame->time_ns, interface->digits, text);
    return true;
}

static void keep(struct lt_reader *reader, uint16_t bus, struct lt_frame *frame, bool odd)
{
    frame->bus = bus;
    frame->number = reader->line_number;
    lt_reader_count_flags(reader, frame);
    if (frame->time_ns == LT_NO_TIME)
        reader->counts.no_times = true;
    else
        lt_reader_count_time(reader, frame);
    reader->counts.frames++;
    reader->counts.oddities += odd;
    reader->has_frame = true;
    reader->batch_count++;
}

void lt_records_take(struct lt_reader *reader, struct lt_interface *interface,
                     const struct lt_record *record)
{
    struct lt_frame *frame = &reader->batch[reader->batch_count];
    struct lt_packet_said said;
    switch (lt_packet_parse(&record->packet, &interface->state, frame, &said)) {
    case LT_PACKET_OTHER:
        reader->counts.other_packets++;
        return;
    case LT_PACKET_BAD:
        lt_records_bad(reader, record->start, said.reason);
        return;
    case LT_PACKET_FRAME:
        break;
    }
    if (record->sent)
        frame->flags |= LT_FRAME_SENT;
    if (!set_time(reader, interface, record, frame))
        lt_records_bad(reader, record->start, LT_BAD_STAMP);
    else if (!bus_of(reader, interface, &said))
        lt_records_bad(reader, record->start, LT_BAD_BUSES);
    else
        keep(reader, interface->bus, frame, said.odd);
}

void lt_records_lost(struct lt_reader *reader, struct lt_interface *interface, uint64_t by_packet,
                     uint64_t in_all)
{
    if (by_packet <= UINT32_MAX)
        interface->lost_by_packets += by_packet;
    if (in_all <= UINT32_MAX && in_all > interface->lost_in_all)
        interface->lost_in_all = in_all;
    /* Where both are said they are about the same packets. */
    uint64_t lost = interface->lost_by_packets > interface->lost_in_all ? interface->lost_by_packets
                                                                        : interface->lost_in_all;
    reader->counts.dropped_frames += lost - interface->lost_counted;
    interface->lost_counted = lost;
}

void lt_records_skip(struct lt_reader *reader, uint64_t count)
{
    reader->records->skip_left = count;
    lt_records_skipped(reader);
}

bool lt_records_skipped(struct lt_reader *reader)
{
    struct lt_input *input = &reader->input;
    uint64_t left = (uint64_t)(input->end - input->at);
    uint64_t skip = reader->records->skip_left < left ? reader->records->skip_left : left;
    input->at += skip;
    reader->records->skip_left -= skip;
    return reader->records->skip_left == 0;
}

void lt_records_fail(struct lt_reader *reader, const uint8_t *at, const char *what)
{
    lt_fail(&reader->error, LT_E_SYNTAX, "the %s recording is damaged at byte %llu: %s",
            reader->form->name, (unsigned long long)lt_records_offset(reader, at), what);
    lt_error_at(&reader->error, lt_reader_source_name(reader, reader->source), 0, 0);
    lt_error_advise(&reader->error, "what stands before that byte was read; where the next record "
                                    "begins cannot be told");
    lt_reader_stop(reader, LT_E_SYNTAX);
}

enum lt_code lt_records_wrong_link(const char *form, uint32_t link, const char *name,
                                   struct lt_error *error)
{
    const char *what = lt_link_name(link);
    lt_fail(error, LT_E_NOT_CAPTURE,
            "this %s recording holds %s packets (link type %lu), no CAN frames", form,
            what ? what : "other", (unsigned long)link);
    lt_error_at(error, name, 0, 0);
    lt_error_advise(error, "record from a CAN interface; link types %d, %d and %d are read",
                    LT_LINK_CAN, LT_LINK_COOKED, LT_LINK_COOKED_2);
    return LT_E_NOT_CAPTURE;
}

void lt_records_end(struct lt_reader *reader)
{
    struct lt_records *records = reader->records;
    struct lt_input *input = &reader->input;
    if (input->at < input->end || records->skip_left > 0 || records->trailer) {
        reader->counts.cut_at_end = true;
        lt_records_count(reader);
        lt_records_bad(reader, (const uint8_t *)input->at, LT_BAD_CUT);
        input->at = input->end;
    }
    if (reader->ended || !records->has_interface || records->has_can)
        return;
    const char *name = lt_reader_source_name(reader, reader->source);
    lt_reader_stop(reader, lt_records_wrong_link(reader->form->name, records->first_link, name,
                                                 &reader->error));
}
