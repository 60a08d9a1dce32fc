/* A heap of held frames that grows up to its ceiling: see inside.h. Items stay where they are and
 * their numbers move, since a frame is some 200 bytes. */
#include "recast/inside.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#define FIRST_CAPACITY 1024

void hold(struct held *held, const struct lt_frame *frame)
{
    held->frame = *frame;
    if (frame->time_len > RECAST_TIME_ROOM) {
        held->frame.time_text = NULL;
        held->frame.time_len = 0;
    } else if (frame->time_len > 0) {
        memcpy(held->time_text, frame->time_text, frame->time_len);
        held->frame.time_text = held->time_text;
    }
}

void order_init(struct order *order, size_t ceiling)
{
    *order = (struct order){.ceiling = ceiling};
}

void order_release(struct order *order)
{
    free(order->items);
    free(order->heap);
    free(order->free);
    *order = (struct order){.items = NULL};
}

static bool is_before(const struct held *a, const struct held *b)
{
    if (a->key_ns != b->key_ns)
        return a->key_ns < b->key_ns;
    if (a->source != b->source)
        return a->source < b->source;
    return a->number < b->number;
}

/* A text in its own item moves with the items. */
static void mend_texts(struct order *order)
{
    for (size_t i = 0; i < order->count; i++) {
        struct held *held = &order->items[order->heap[i]];
        if (held->frame.time_text)
            held->frame.time_text = held->time_text;
    }
}

static bool grow(struct order *order)
{
    size_t capacity = order->capacity ? order->capacity * 2 : FIRST_CAPACITY;
    if (capacity > order->ceiling)
        capacity = order->ceiling;
    uint32_t *heap = realloc(order->heap, capacity * sizeof *heap);
    if (heap)
        order->heap = heap;
    uint32_t *unused = realloc(order->free, capacity * sizeof *unused);
    if (unused)
        order->free = unused;
    if (!heap || !unused)
        return false;
    struct held *items = realloc(order->items, capacity * sizeof *items);
    if (!items)
        return false;
    order->items = items;
    mend_texts(order);
    for (size_t i = order->capacity; i < capacity; i++)
        order->free[i] = (uint32_t)i;
    order->capacity = capacity;
    return true;
}

/* heap[0..count) are used, free[count..capacity) are not. */
struct held *order_room(struct order *order)
{
    assert(order->count < order->ceiling);
    if (order->count == order->capacity && !grow(order))
        return NULL;
    return &order->items[order->free[order->count]];
}

void order_put(struct order *order)
{
    uint32_t item = order->free[order->count];
    size_t at = order->count++;
    while (at > 0) {
        size_t above = (at - 1) / 2;
        if (!is_before(&order->items[item], &order->items[order->heap[above]]))
            break;
        order->heap[at] = order->heap[above];
        at = above;
    }
    order->heap[at] = item;
}

const struct held *order_first(const struct order *order)
{
    return order->count ? &order->items[order->heap[0]] : NULL;
}

void order_drop_first(struct order *order)
{
    size_t count = --order->count, at = 0;
    uint32_t item = order->heap[count];
    order->free[count] = order->heap[0];
    for (size_t below; (below = 2 * at + 1) < count; at = below) {
        if (below + 1 < count &&
            is_before(&order->items[order->heap[below + 1]], &order->items[order->heap[below]]))
            below++;
        if (!is_before(&order->items[order->heap[below]], &order->items[item]))
            break;
        order->heap[at] = order->heap[below];
    }
    order->heap[at] = item;
}
