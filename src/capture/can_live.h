/* A live bus as one more form of capture: see can_live.c. Internal to src/capture. */
#ifndef LOOMTAP_CAPTURE_CAN_LIVE_H
#define LOOMTAP_CAPTURE_CAN_LIVE_H

#include "loomtap/base/error.h"

struct lt_can_live;
struct lt_reader;

void lt_can_live_free(struct lt_can_live *live); /* NULL is allowed */

/* Of the table of forms. */
enum lt_code lt_can_live_begin(struct lt_reader *reader, const char *name, struct lt_error *error);
void lt_can_live_take(struct lt_reader *reader);

#endif
