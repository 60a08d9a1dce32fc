/* The decode plan: made once from profiles and a binding of their buses to the capture's, then
 * only table look-ups, shifts and masks a frame. Nothing here allocates while decoding.
 *
 *     const struct lt_frame_plan *f = lt_plan_lookup(plan, frame);
 *     for (; f; f = f->next)
 *         for (i = 0; i < f->field_count; i++)
 *             if (lt_field_on_page(&f->fields[i], pages) && f->fields[i].end_byte <= frame->len)
 *                 raw = lt_field_fetch(&f->fields[i], frame->data);
 */
#ifndef LOOMTAP_CORE_PLAN_H
#define LOOMTAP_CORE_PLAN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/bytes.h"
#include "loomtap/core/frame.h"
#include "loomtap/core/profile.h"
#include "loomtap/core/value.h"

/* How a field's bits are fetched. */
enum lt_fetch {
    LT_FETCH_LE,      /* one 8-byte little-endian load, shift, mask */
    LT_FETCH_BE,      /* the same big-endian */
    LT_FETCH_GENERAL, /* parts, or nine bytes */
};

struct lt_field {
    uint16_t first_byte; /* of the load */
    uint16_t end_byte;   /* the message must have this many bytes; else "no value" */
    uint8_t shift;
    uint8_t fetch;     /* enum lt_fetch */
    uint16_t page_set; /* 0 = on every page; else index + 1 in the frame plan's page sets */
    uint64_t mask;
    uint32_t signal; /* index in the profile */
    uint32_t index;  /* of this field among all fields of the plan */
    const struct lt_scaler *scaler;
    const struct lt_bits *bits;
};

/* The clauses under which fields are present, selectors' own conditions folded in. */
struct lt_page_set {
    const struct lt_page_clause *const *clauses;
    const struct lt_field *const *selectors; /* the field behind each clause */
    size_t count;
};

struct lt_frame_plan {
    const struct lt_profile *profile;
    const struct lt_frame_def *def;           /* NULL for a parameter */
    const struct lt_parameter_def *parameter; /* NULL for a frame */
    const struct lt_frame_plan *next;         /* also matched by the same identifier (or NULL) */
    const struct lt_field *fields;            /* in the profile's order, the wanted ones only */
    uint16_t field_count;
    uint16_t index; /* among all frame plans, parameters included */
    const struct lt_page_set *page_sets;
    uint16_t page_set_count;
    bool has_counter;
    struct lt_field counter; /* only fetch members are set */
    uint8_t checksum_count;
    const struct lt_checksum *checksums;  /* all of def's; one with has_page needs page_selector */
    const struct lt_field *page_selector; /* the frame's outermost selector, or NULL */
    uint16_t checksum_bytes;              /* a shorter frame cannot be verified */
};

/* A profile's bus and the capture's bus it stands for. capture_bus LT_NONE: not in the capture. */
struct lt_binding {
    uint32_t profile; /* index in the array given to lt_plan_new */
    uint32_t bus;     /* index in that profile */
    uint32_t capture_bus;
};

struct lt_plan_options {
    /* Which signals to decode; NULL = all. Selectors are fetched whether wanted or not. */
    bool (*wants)(void *context, const struct lt_profile *profile, uint32_t signal);
    void *context;
};

struct lt_plan;

/* A frame without `bus` matches on every bus; one whose bus has no binding matches nowhere. The
 * profiles must outlive the plan. */
enum lt_code lt_plan_new(struct lt_plan **ret_plan, const struct lt_profile *const *profiles,
                         size_t profile_count, const struct lt_binding *bindings,
                         size_t binding_count, const struct lt_plan_options *options,
                         struct lt_error *error);
void lt_plan_free(struct lt_plan *plan);

/* The first frame plan for this identifier on this bus (follow ->next), or NULL. Remote and error
 * frames match nothing. J1939 frames match by PGN and, if the profile gives one, source. A frame
 * plan is given even when none of its signals is wanted (so that its frame counts as known). */
const struct lt_frame_plan *lt_plan_lookup(const struct lt_plan *plan,
                                           const struct lt_frame *frame);
/* The same for a message put together by J1939 transport. */
const struct lt_frame_plan *lt_plan_lookup_pgn(const struct lt_plan *plan, uint16_t bus,
                                               uint32_t pgn, uint8_t source);
/* The PGN in a 29-bit identifier, the destination of a PDU1 group counted as 0 (SAE J1939-21). */
uint32_t lt_plan_pgn(uint32_t id);
/* Parameter plans are not in the identifier tables: */
size_t lt_plan_parameters(const struct lt_plan *plan, const struct lt_frame_plan *const **ret_list);
size_t lt_plan_frames(const struct lt_plan *plan, const struct lt_frame_plan *const **ret_list);
size_t lt_plan_field_count(const struct lt_plan *plan);

/* The raw bits at a prepared place. `data` must be readable for 8 bytes past the field's first
 * byte (lt_frame.data is); the caller has checked end_byte against the length. */
static inline uint64_t lt_field_fetch(const struct lt_field *field, const uint8_t *data)
{
    uint64_t word;
    if (field->fetch == LT_FETCH_LE)
        word = lt_load64_le(data + field->first_byte);
    else if (field->fetch == LT_FETCH_BE)
        word = lt_load64_be(data + field->first_byte);
    else
        return lt_bits_get(data, field->bits);
    return word >> field->shift & field->mask;
}

/* Bit i is set when page set i of the frame plan holds for this frame (needs its selectors inside
 * the length). At most 64 page sets a frame; frames without pages give 0 at once. */
uint64_t lt_frame_plan_pages(const struct lt_frame_plan *plan, const uint8_t *data, size_t len);

static inline bool lt_field_on_page(const struct lt_field *field, uint64_t pages)
{
    return !field->page_set || (pages >> (field->page_set - 1) & 1);
}

enum lt_verdict { LT_CHECK_NONE, LT_CHECK_GOOD, LT_CHECK_BAD, LT_CHECK_SHORT };
/* The frame's checksum on this page: none defined, right, wrong, or the frame too short for it. */
enum lt_verdict lt_frame_plan_verify(const struct lt_frame_plan *plan,
                                     const struct lt_frame *frame);

#endif
