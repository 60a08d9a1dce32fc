/* The arena: a list of growing blocks, freed together. See loomtap/base/arena.h. */
#include "loomtap/base/arena.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define FIRST_BLOCK     4096u
#define LARGEST_BLOCK   (1u << 20)
#define DEFAULT_CEILING ((size_t)64 << 20)
#define ALIGNMENT       _Alignof(max_align_t)

struct lt_arena_block {
    struct lt_arena_block *older;
    size_t size, used;
    bool zeroed; /* as a whole; else each piece when it is given out */
    _Alignas(max_align_t) char bytes[];
};

void lt_arena_init(struct lt_arena *arena, size_t ceiling_bytes)
{
    *arena = (struct lt_arena){.ceiling_bytes = ceiling_bytes ? ceiling_bytes : DEFAULT_CEILING};
}

void lt_arena_release(struct lt_arena *arena)
{
    for (struct lt_arena_block *block = arena->blocks, *older; block; block = older) {
        older = block->older;
        free(block);
    }
    arena->blocks = NULL;
    arena->used_bytes = 0;
}

static bool told_to_fail(struct lt_arena *arena)
{
    if (!arena->fail_countdown)
        return false;
    if (arena->fail_countdown > 1) {
        arena->fail_countdown--;
        return false;
    }
    return true;
}

static struct lt_arena_block *add_block(struct lt_arena *arena, size_t need)
{
    size_t size = arena->blocks ? arena->blocks->size * 2 : FIRST_BLOCK;
    if (size > LARGEST_BLOCK)
        size = LARGEST_BLOCK;
    if (size < need)
        size = need;
    /* What is large and used whole comes zeroed by the system, which may save touching it. */
    bool whole = size == need && need > LARGEST_BLOCK;
    struct lt_arena_block *block =
        whole ? calloc(1, sizeof *block + size) : malloc(sizeof *block + size);
    if (!block)
        return NULL;
    block->size = size;
    block->used = 0;
    block->zeroed = whole;
    block->older = arena->blocks;
    arena->blocks = block;
    return block;
}

void *lt_arena_alloc(struct lt_arena *arena, size_t size_bytes)
{
    size_t need = (size_bytes + ALIGNMENT - 1) / ALIGNMENT * ALIGNMENT;
    if (!need)
        need = ALIGNMENT;
    struct lt_arena_block *block = arena->blocks;
    if (told_to_fail(arena) || need < size_bytes || need > arena->ceiling_bytes - arena->used_bytes)
        goto refuse;
    if (!block || need > block->size - block->used)
        block = add_block(arena, need);
    if (!block)
        goto refuse;
    void *bytes = block->bytes + block->used;
    if (!block->zeroed)
        memset(bytes, 0, need);
    block->used += need;
    arena->used_bytes += need;
    return bytes;
refuse:
    arena->failed = 1;
    return NULL;
}

void *lt_arena_array(struct lt_arena *arena, size_t count, size_t item_bytes)
{
    size_t size;
    if (__builtin_mul_overflow(count, item_bytes, &size)) {
        arena->failed = 1;
        return NULL;
    }
    return lt_arena_alloc(arena, size);
}

char *lt_arena_text(struct lt_arena *arena, struct lt_text text)
{
    char *copy = lt_arena_alloc(arena, text.len + 1);
    if (copy && text.len)
        memcpy(copy, text.at, text.len);
    return copy;
}

char *lt_arena_string(struct lt_arena *arena, const char *string)
{
    return lt_arena_text(arena, lt_text_of(string));
}

void *lt_arena_push(struct lt_arena *arena, void *list_pointer, size_t *count, size_t *capacity,
                    size_t item_bytes)
{
    char *list;
    memcpy(&list, list_pointer, sizeof list);
    if (*count == *capacity) {
        size_t larger = *capacity ? *capacity * 2 : 8;
        char *moved = lt_arena_array(arena, larger, item_bytes);
        if (!moved)
            return NULL;
        if (*count)
            memcpy(moved, list, *count * item_bytes);
        list = moved;
        memcpy(list_pointer, &list, sizeof list);
        *capacity = larger;
    }
    return list + (*count)++ * item_bytes;
}
