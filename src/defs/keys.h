/* The table of all sections and keys. */
#ifndef LOOMTAP_SRC_DEFS_KEYS_H
#define LOOMTAP_SRC_DEFS_KEYS_H

#include "defs/loader.h"

/* One more key takes: a row in its section's table in keys.c, a setter (a shared one of setters.h,
 * or its own in set_*.c), a line in write_*.c in the same place of the order, a paragraph in
 * docs/profile-format.md, and a row in tests/unit/test_write.c. */
struct lt_key {
    const char *name;
    /* Reads the entry's value into the definition; says what is wrong by itself. */
    void (*set)(struct lt_loader *loader, const struct lt_section *section,
                const struct lt_entry *entry, void *definition);
    size_t offset;     /* of the member that a shared setter fills */
    uint32_t min, max; /* what a shared setter of numbers allows */
    const char *unit;  /* for messages */
    bool repeats;      /* may be given more than once */
    const char *help;  /* one sentence */
};

struct lt_section_row {
    const char *name;
    bool has_name; /* [frame NAME] */
    const struct lt_key *keys;
    size_t key_count;
    const char *free_keys; /* what the keys are where they are not from a list; else NULL */
    const char *example;   /* "[frame engine_a]" */
    const char *help;
};

const struct lt_section_row *lt_defs_section_row(enum lt_section_kind kind);
/* LT_SECTION_KINDS if there is no section of this name. */
enum lt_section_kind lt_defs_section_kind(struct lt_text name);
const struct lt_key *lt_defs_key(enum lt_section_kind kind, struct lt_text name);

/* --- suggest.c: the nearest of several words ------------------------------------------------- */

struct lt_nearest {
    struct lt_text wanted;
    unsigned distance; /* of the best so far */
    char best[LT_NAME_MAX * 2];
};

void lt_nearest_init(struct lt_nearest *nearest, struct lt_text wanted);
void lt_nearest_try(struct lt_nearest *nearest, struct lt_text word);
/* The best word if it is near enough to be meant, else NULL. */
const char *lt_nearest_word(const struct lt_nearest *nearest);

#endif
