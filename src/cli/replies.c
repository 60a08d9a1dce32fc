/* See replies.h. */
#include "cli/replies.h"

int replies_given(struct lt_replies *replies, struct lt_arena *arena,
                  const struct lt_proof_reference **ret_list, size_t *ret_count)
{
    struct lt_reference *list;
    const char *const *asked;
    size_t count, asked_count, kept = 0;
    struct lt_error error;
    if (lt_replies_references(replies, arena, &list, &count, &asked, &asked_count, &error) !=
        LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    struct lt_proof_reference *references = lt_arena_array(arena, count + 1, sizeof *references);
    if (!references) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    for (size_t i = 0; i < count; i++)
        if (list[i].role && list[i].value)
            references[kept++] = (struct lt_proof_reference){.name = list[i].name,
                                                             .target = list[i].target,
                                                             .count = list[i].count,
                                                             .time_ns = list[i].time_ns,
                                                             .value = list[i].value,
                                                             .quantum = list[i].quantum};
    *ret_list = references;
    *ret_count = kept;
    return EXIT_FINE;
}
