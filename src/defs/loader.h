/* What the files of src/defs share: a profile's text taken apart into sections and entries, which
 * stay at hand while the definitions are made from them and checked, so that every fault can name
 * its place. */
#ifndef LOOMTAP_SRC_DEFS_LOADER_H
#define LOOMTAP_SRC_DEFS_LOADER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/text.h"
#include "loomtap/core/profile.h"

enum lt_section_kind {
    LT_SECTION_PROFILE,
    LT_SECTION_FITS,
    LT_SECTION_PROVE,
    LT_SECTION_BUS,
    LT_SECTION_FRAME,
    LT_SECTION_SIGNAL,
    LT_SECTION_VALUES,
    LT_SECTION_CURVE,
    LT_SECTION_AFFINE,
    LT_SECTION_PARAMETER,
    LT_SECTION_WARNING,
    LT_SECTION_KINDS,
};

struct lt_loader;
struct lt_key;

/* One `key = value`. */
struct lt_entry {
    const struct lt_key *key; /* NULL in sections whose keys are free */
    struct lt_text name, value;
    struct lt_place name_place, place; /* place: of the value */
};

struct lt_section {
    enum lt_section_kind kind;
    struct lt_text name; /* empty for those without */
    struct lt_place place;
    struct lt_entry *entries;
    size_t entry_count, entry_capacity;
    bool is_full;   /* and the fault for that was given */
    uint32_t index; /* of the definition in the profile's array */
};

/* Sections of one kind by name. */
struct lt_name_index {
    struct lt_section **sorted;
    size_t count;
};

struct lt_loader {
    struct lt_profile *profile;
    struct lt_faults *faults;
    struct lt_arena scratch; /* goes when loading is done */
    struct lt_section **sections;
    size_t section_count, section_capacity, file_capacity;
    size_t kind_count[LT_SECTION_KINDS]; /* sections seen, those past a ceiling included */
    struct lt_name_index names[LT_SECTION_KINDS];
    /* Of each definition, by its index: the section it came from. */
    struct lt_section **of[LT_SECTION_KINDS];
    /* Words of several sections that are only known when all of them have been read. */
    const struct lt_affine **affine; /* by frame index; NULL for none */
    bool unfinished;                 /* signals of required roles may be missing */
};

/* --- faults ---------------------------------------------------------------------------------- */

/* Each adds a fault and returns the kept record, for lt_error_advise; NULL if it was not kept.
 * `section` and `entry` may be NULL. `offset` is counted from the value's first byte. */
struct lt_error *lt_defs_fault(struct lt_loader *loader, struct lt_place place, enum lt_code code,
                               const char *format, ...) __attribute__((format(printf, 4, 5)));
struct lt_error *lt_defs_warning(struct lt_loader *loader, struct lt_place place, enum lt_code code,
                                 const char *format, ...) __attribute__((format(printf, 4, 5)));
/* About one entry's value, or its part from `offset` bytes on. */
struct lt_error *lt_defs_fault_in(struct lt_loader *loader, const struct lt_section *section,
                                  const struct lt_entry *entry, size_t offset, enum lt_code code,
                                  const char *format, ...) __attribute__((format(printf, 6, 7)));
/* Hands on what a parser of core said; its column is an offset inside the value. */
void lt_defs_fault_from(struct lt_loader *loader, const struct lt_section *section,
                        const struct lt_entry *entry, size_t offset, const struct lt_error *inner);
/* "file:line", for texts that name a second place. Returns `buffer`. */
const char *lt_defs_place_text(const struct lt_loader *loader, struct lt_place place, char *buffer,
                               size_t size);
#define LT_PLACE_TEXT_ROOM 120
/* The place `offset` bytes further on the same line. */
struct lt_place lt_defs_place_at(struct lt_place place, size_t offset);

/* --- sections and names ---------------------------------------------------------------------- */

/* The entry of a key, NULL if it was not given. */
const struct lt_entry *lt_defs_entry(const struct lt_section *section, const char *key);
/* Where a key's value stands; the section itself if it was not given. */
struct lt_place lt_defs_key_place(const struct lt_section *section, const char *key);
/* The section of this kind and name, or NULL. */
struct lt_section *lt_defs_find(const struct lt_loader *loader, enum lt_section_kind kind,
                                struct lt_text name);
/* [a-z][a-z0-9_]*, at most LT_NAME_MAX bytes? */
bool lt_defs_is_name(struct lt_text name);
/* The same, but a `place` fault naming the nearest name when there is none; LT_NONE then. */
uint32_t lt_defs_resolve(struct lt_loader *loader, const struct lt_section *section,
                         const struct lt_entry *entry, struct lt_text name,
                         enum lt_section_kind kind);
/* Copies into the profile's arena; NULL (and the arena marked as failed) without memory. */
const char *lt_defs_keep(struct lt_loader *loader, struct lt_text text);

/* --- the steps of loading, in this order ----------------------------------------------------- */

/* names.c: indexes all sections by name; faults for duplicates. */
void lt_defs_index(struct lt_loader *loader);
/* build.c: makes the definitions. */
void lt_defs_build(struct lt_loader *loader);
/* check.c: everything that takes more than one key to see. */
void lt_defs_check(struct lt_loader *loader);
/* write.c, hash.c: the canonical text's faults (a line that would be too long) and hash. */
void lt_defs_hash(struct lt_loader *loader);

/* For tests: as lt_profile_load_memory, but the n-th allocation of an arena fails. */
enum lt_code lt_defs_load_failing(struct lt_profile **ret_profile, struct lt_text text,
                                  struct lt_faults *faults, uint64_t fail_countdown);

#endif
