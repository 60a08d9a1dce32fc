/* From frames to the messages that a decode plan knows: a frame itself, a J1939 message put
 * together by transport, or an item of a diagnostic reply. For live use and wherever one value a
 * signal is wanted: of several senders of one definition the first that is heard is taken.
 *
 *     lt_route_new(&route, &setup, take, context, &error);
 *     lt_route_frame(route, frame);      // calls take() for each message that is complete
 *     lt_route_free(route); */
#ifndef LOOMTAP_PROTO_ROUTE_H
#define LOOMTAP_PROTO_ROUTE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"
#include "loomtap/core/plan.h"

#define LT_ROUTE_LISTENERS 4u /* buses on which diagnostics, and transport, are followed */

struct lt_route_setup { /* as for lt_plan_new; the plan must outlive the route */
    const struct lt_plan *plan;
    const struct lt_profile *const *profiles;
    size_t profile_count;
    const struct lt_binding *bindings;
    size_t binding_count;
};

struct lt_message { /* borrowed for the call */
    const struct lt_frame_plan *plan;
    const struct lt_frame *frame; /* the one that completed it: gives time and bus */
    const uint8_t *data;          /* readable 8 bytes past the end */
    size_t len;
    /* Checksum wrong or cut off, or counter equal to that of the frame before. */
    bool suspect;
};

struct lt_route;

enum lt_code lt_route_new(struct lt_route **ret_route, const struct lt_route_setup *setup,
                          void (*take)(void *context, const struct lt_message *message),
                          void *context, struct lt_error *error);
void lt_route_free(struct lt_route *route); /* NULL is allowed */

/* True if the frame, or a message that it completed, was of the plan. */
bool lt_route_frame(struct lt_route *route, const struct lt_frame *frame);
/* The same where the plan was looked up already (lt_plan_lookup). */
bool lt_route_known(struct lt_route *route, const struct lt_frame_plan *plan,
                    const struct lt_frame *frame);
/* Who was heard first is forgotten, and counters; as when another recording begins. */
void lt_route_restart(struct lt_route *route);
/* Messages passed over since another sender of the same definition was heard first. */
uint64_t lt_route_other_senders(const struct lt_route *route);

#endif
