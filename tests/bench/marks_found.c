/* What lt_seek_marks says of a capture and its marks, as lines for a script:
 *     verdict <verdict>|<say>
 *     candidate <bus> <id> <extended> <page or -> <bits> <confidence> <lag>
 * <raw>=<label>:<visits>... why <why>
 *
 *     marks_found CAPTURE MARKS [BUS:ID:EXTENDED...]
 *
 * The identifiers named are left out of the capture. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/capture/reader.h"
#include "loomtap/measure/collect.h"
#include "loomtap/seek/marks.h"

static int fail(const struct lt_error *error)
{
    char text[1200];
    lt_error_print(error, text, sizeof text);
    fprintf(stderr, "%s\n", text);
    return 2;
}

static bool is_dropped(int argc, char **argv, const char *bus, const struct lt_frame *frame)
{
    char name[64];
    snprintf(name, sizeof name, "%s:%u:%d", bus, frame->id, lt_frame_has(frame, LT_FRAME_EXTENDED));
    for (int i = 3; i < argc; i++)
        if (strcmp(argv[i], name) == 0)
            return true;
    return false;
}

static void print_candidate(const struct lt_candidate *c, const struct lt_reader *reader)
{
    char bits[128], page[16] = "-";
    lt_bits_print(bits, sizeof bits, &c->bits);
    if (c->has_page)
        snprintf(page, sizeof page, "%u", c->page);
    printf("candidate %s %u %d %s %s %.3f %.3f", lt_reader_bus_name(reader, c->stream->key.bus),
           c->stream->key.id, c->stream->key.extended, page, bits, c->confidence, c->lag_s);
    for (size_t i = 0; i < c->value_count; i++)
        printf(" %llu=%s:%u", (unsigned long long)c->values[i].raw, c->values[i].label,
               c->values[i].visits);
    printf("\nwhy %s\n", c->why);
}

int main(int argc, char **argv)
{
    struct lt_reader *reader = NULL;
    struct lt_collect *collect = NULL;
    struct lt_reference marks;
    struct lt_seek_target target;
    struct lt_error error;
    struct lt_arena arena;
    const struct lt_frame *frame;
    uint64_t unordered;
    lt_arena_init(&arena, 0);
    if (argc < 3)
        return 2;
    if (lt_reader_open(&reader, argv[1], NULL, &error) != LT_OK ||
        lt_collect_new(&collect, NULL, &error) != LT_OK)
        return fail(&error);
    while ((frame = lt_reader_next(reader)) != NULL)
        if (!is_dropped(argc, argv, lt_reader_bus_name(reader, frame->bus), frame) &&
            lt_collect_add(collect, frame, &error) != LT_OK)
            return fail(&error);
    if (lt_collect_finish(collect, &error) != LT_OK ||
        lt_reference_read_marks(argv[2], NULL, &arena, &marks, &unordered, &error) != LT_OK ||
        lt_seek_marks(collect, &marks, NULL, &arena, &target, &error) != LT_OK)
        return fail(&error);
    printf("verdict %s|%s\n", lt_seek_verdict_name(target.verdict), target.say);
    for (size_t i = 0; i < target.count; i++)
        print_candidate(&target.candidates[i], reader);
    lt_collect_free(collect);
    lt_reader_free(reader);
    lt_arena_release(&arena);
    return 0;
}
