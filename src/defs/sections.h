/* sections.c: the lines of one file as sections. */
#ifndef LOOMTAP_SRC_DEFS_SECTIONS_H
#define LOOMTAP_SRC_DEFS_SECTIONS_H

#include "defs/loader.h"

/* One file while its lines are read. */
struct lt_file_reading {
    struct lt_loader *loader;
    uint32_t file;
    struct lt_section *section; /* NULL: none yet, or one that was refused */
    bool any_section;
    struct lt_section **sections; /* of this file, in the loader's scratch arena */
    size_t count, capacity;
};

void lt_defs_read_sections(struct lt_file_reading *reading, struct lt_text text);

#endif
