/* One arena a lifetime: everything that belongs to a profile, a plan or a report is allocated from
 * one arena and goes away with it. Memory is zeroed and aligned for any type. */
#ifndef LOOMTAP_BASE_ARENA_H
#define LOOMTAP_BASE_ARENA_H

#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/text.h"

struct lt_arena_block;

struct lt_arena {
    struct lt_arena_block *blocks; /* newest first */
    size_t ceiling_bytes;          /* refuses to grow past this; 0 = 64 MiB */
    size_t used_bytes;
    /* Test hook: when not 0, it counts down by one an allocation, and the one that reaches 0
     * fails, as do all after it. */
    uint64_t fail_countdown;
    int failed; /* an allocation was refused: so far, for callers that check once at the end */
};

void lt_arena_init(struct lt_arena *arena, size_t ceiling_bytes);
void lt_arena_release(struct lt_arena *arena);

/* NULL when memory or the ceiling is exhausted. size 0 gives a valid pointer. */
void *lt_arena_alloc(struct lt_arena *arena, size_t size_bytes);
void *lt_arena_array(struct lt_arena *arena, size_t count, size_t item_bytes);

/* Copies with a terminator added; NULL when out of memory. */
char *lt_arena_text(struct lt_arena *arena, struct lt_text text);
char *lt_arena_string(struct lt_arena *arena, const char *string);

/* A growing array inside an arena: returns room for one more item at the end, or NULL.
 *     struct lt_signal_def *s = lt_arena_push(arena, &list, &count, &capacity, sizeof(*list));
 * The old array stays behind in the arena until release. */
void *lt_arena_push(struct lt_arena *arena, void *list_pointer, size_t *count, size_t *capacity,
                    size_t item_bytes);

#endif
