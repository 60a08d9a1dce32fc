/* Checks of one frame by itself. Sources: ISO 11898-1 (identifiers, lengths), SAE J1939-21. */
#include "defs/check.h"

#include "loomtap/core/frame.h"

static void check_identity(struct lt_loader *loader, const struct lt_frame_def *frame,
                           const struct lt_section *section)
{
    const struct lt_entry *id = lt_defs_entry(section, "id");
    const struct lt_entry *pgn = lt_defs_entry(section, "pgn");
    const struct lt_entry *source = lt_defs_entry(section, "source");
    const struct lt_entry *extended = lt_defs_entry(section, "extended");
    if (!id && !pgn)
        lt_error_advise(lt_defs_fault(loader, section->place, LT_E_MISSING,
                                      "frame `%s` has no identifier", frame->name),
                        "add `id = 0x...`, or for J1939 `pgn = ...`");
    if (id && pgn)
        lt_error_advise(lt_defs_fault_in(loader, section, pgn, 0, LT_E_CONFLICT,
                                         "pgn: frame `%s` has an id as well", frame->name),
                        "give one of them: `pgn` matches whatever the priority, `id` exactly");
    if (source && !pgn)
        lt_error_advise(lt_defs_fault_in(loader, section, source, 0, LT_E_CONFLICT,
                                         "source: frame `%s` has no pgn that it could go with",
                                         frame->name),
                        "give `pgn` instead of `id`, or remove `source`: an id holds it already");
    if (pgn && extended && lt_text_is(extended->value, "no"))
        lt_error_advise(lt_defs_fault_in(loader, section, extended, 0, LT_E_CONFLICT,
                                         "extended: J1939 identifiers have 29 bits"),
                        "remove the line");
    if (id && !pgn && !frame->extended && frame->id > LT_ID_MAX_STANDARD)
        lt_error_advise(lt_defs_fault_in(loader, section, id, 0, LT_E_RANGE,
                                         "id: 0x%X does not fit in 11 bits (up to 0x7FF)",
                                         (unsigned)frame->id),
                        "add `extended = yes` if the frame has a 29-bit identifier");
}

static void check_fd_length(struct lt_loader *loader, const struct lt_frame_def *frame,
                            const struct lt_section *section)
{
    if (frame->length > LT_FRAME_MAX || lt_len_is_valid((uint8_t)frame->length, true))
        return;
    char text[160];
    struct lt_place place = lt_defs_key_place(section, "length");
    lt_text_format(
        text, sizeof text,
        "length: no FD frame has %u bytes; on the wire there are 0 to 8, 12, 16, 20, 24, "
        "32, 48 and 64",
        (unsigned)frame->length);
    struct lt_error *error = frame->direction == LT_SEND
                                 ? lt_defs_fault(loader, place, LT_E_RANGE, "%s", text)
                                 : lt_defs_warning(loader, place, LT_E_RANGE, "%s", text);
    lt_error_advise(error, "give the length on the wire: senders fill up to the next one");
}

static void check_length(struct lt_loader *loader, const struct lt_frame_def *frame,
                         const struct lt_section *section)
{
    const struct lt_entry *fd = lt_defs_entry(section, "fd");
    struct lt_place place = lt_defs_key_place(section, "length");
    unsigned length = frame->length;
    if (length > LT_FRAME_MAX && (!frame->is_pgn || frame->fd)) {
        lt_error_advise(
            lt_defs_fault(loader, place, LT_E_RANGE, "length: a frame has no %u bytes", length),
            "0 to 8, CAN FD up to 64");
        return;
    }
    if (length > 8 && !frame->is_pgn && fd && lt_text_is(fd->value, "no")) {
        lt_error_advise(
            lt_defs_fault(loader, place, LT_E_CONFLICT, "length: %u bytes, but `fd = no`", length),
            "a classic frame has at most 8 bytes; write `fd = yes` or correct the "
            "length");
        return;
    }
    if (frame->fd)
        check_fd_length(loader, frame, section);
}

static void check_counter(struct lt_loader *loader, const struct lt_frame_def *frame,
                          const struct lt_section *section)
{
    const struct lt_entry *entry = lt_defs_entry(section, "counter");
    if (!frame->counter.present || !entry)
        return;
    unsigned bytes = lt_bits_bytes(&frame->counter.bits);
    if (bytes > frame->length)
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                         "counter: it reaches into byte %u, and frame `%s` has %u "
                                         "bytes, counted from 0",
                                         bytes - 1, frame->name, (unsigned)frame->length),
                        "correct the bits or the length");
    for (size_t i = 0; i < frame->checksum_count; i++)
        if (lt_bits_overlap(&frame->counter.bits, &frame->checksums[i].place))
            lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_CONFLICT,
                                             "counter: it lies on the checksum's place"),
                            "correct one of the two");
}

/* --- sending --------------------------------------------------------------------------------- */

/* What speaks to a controller's diagnostics (ISO 15765-4) or keeps the network (SAE J1939-81). */
static const char *forbidden(const struct lt_frame_def *frame)
{
    if (!frame->extended)
        return frame->id >= 0x7DF && frame->id <= 0x7EF ? "for diagnostics (0x7DF to 0x7EF)" : NULL;
    unsigned pf = frame->id >> 16 & 0xFF, pages = frame->id >> 24 & 3;
    if (pages == 0 && (pf == 0xDA || pf == 0xDB))
        return "for diagnostics (0x18DA.... and 0x18DB....)";
    if (pages == 0 && pf == 0xEE)
        return "for claiming addresses (PGN 60928)";
    return NULL;
}

static void check_send(struct lt_loader *loader, const struct lt_frame_def *frame,
                       const struct lt_section *section)
{
    const struct lt_entry *direction = lt_defs_entry(section, "direction");
    if (frame->direction != LT_SEND || !direction)
        return;
    const char *reserved = forbidden(frame);
    if (reserved)
        lt_error_advise(
            lt_defs_fault(loader, lt_defs_key_place(section, frame->is_pgn ? "pgn" : "id"),
                          LT_E_CONFLICT, "frame `%s` is sent, and its identifier is reserved %s",
                          frame->name, reserved),
            "send on an identifier of the kit's own");
    if (frame->period_ns == 0)
        lt_error_advise(lt_defs_fault_in(loader, section, direction, 0, LT_E_MISSING,
                                         "direction: frame `%s` is sent and has no period_ms",
                                         frame->name),
                        "add `period_ms`: nothing is sent faster than it says");
    if (frame->authenticated)
        lt_error_advise(lt_defs_fault(loader, lt_defs_key_place(section, "authenticated"),
                                      LT_E_CONFLICT, "authenticated: frame `%s` cannot be sent",
                                      frame->name),
                        "a frame with a message code is read only: remove `direction = send`, or "
                        "`authenticated`");
    if (frame->is_pgn && frame->source == LT_NONE)
        lt_error_advise(lt_defs_fault_in(loader, section, direction, 0, LT_E_MISSING,
                                         "direction: frame `%s` is sent and has no source address",
                                         frame->name),
                        "add `source`, an address of the kit's own");
    if (frame->is_pgn && !frame->fd && frame->length > 8)
        lt_error_advise(lt_defs_fault(loader, lt_defs_key_place(section, "length"), LT_E_RANGE,
                                      "length: a parameter group of %u bytes cannot be sent",
                                      (unsigned)frame->length),
                        "only groups of up to 8 bytes, which need no transport, are sent");
    if (frame->bus == LT_NONE && loader->profile->bus_count > 1)
        lt_error_advise(lt_defs_warning(loader, section->place, LT_E_MISSING,
                                        "frame `%s` is sent and names no bus", frame->name),
                        "add `bus`: the profile has several");
}

static void check_bus_fd(struct lt_loader *loader, const struct lt_frame_def *frame,
                         const struct lt_section *section)
{
    if (!frame->fd || frame->bus == LT_NONE)
        return;
    const struct lt_bus_def *bus = &loader->profile->buses[frame->bus];
    if (bus->fd == LT_FD_NO)
        lt_error_advise(lt_defs_warning(loader, lt_defs_key_place(section, "bus"), LT_E_CONFLICT,
                                        "bus: frame `%s` is an FD frame, and bus `%s` is not said "
                                        "to carry FD",
                                        frame->name, bus->name),
                        "add `fd = iso` (or non-iso) and `data_bitrate` to [bus %s]", bus->name);
}

void lt_check_frame(struct lt_loader *loader, uint32_t index)
{
    const struct lt_frame_def *frame = &loader->profile->frames[index];
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_FRAME, index);
    check_identity(loader, frame, section);
    check_length(loader, frame, section);
    check_counter(loader, frame, section);
    check_send(loader, frame, section);
    check_bus_fd(loader, frame, section);
}
