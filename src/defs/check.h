/* Parts of lt_defs_check. Each reports what is wrong with one kind of definition. */
#ifndef LOOMTAP_SRC_DEFS_CHECK_H
#define LOOMTAP_SRC_DEFS_CHECK_H

#include "defs/loader.h"

/* check_frame.c: one frame by itself. */
void lt_check_frame(struct lt_loader *loader, uint32_t index);
/* check_checksum.c */
void lt_check_checksums(struct lt_loader *loader, uint32_t index);
/* check_send.c: frames against each other. */
void lt_check_identifiers(struct lt_loader *loader);
/* check_signal.c: one signal by itself. */
void lt_check_signal(struct lt_loader *loader, uint32_t index);
/* check_codes.c: its codes and labels. */
void lt_check_codes(struct lt_loader *loader, uint32_t index);
/* check_page.c: selectors, and the signals of one frame against each other. */
void lt_check_pages(struct lt_loader *loader);
/* The only selector of the frame that is on every page; LT_NONE if there is none, or several. */
uint32_t lt_check_outermost(const struct lt_loader *loader, uint32_t frame);
/* check_warning.c */
void lt_check_warning(struct lt_loader *loader, uint32_t index);
void lt_check_parameters(struct lt_loader *loader);

/* Shorthand: the section a definition came from. */
static inline const struct lt_section *lt_check_of(const struct lt_loader *loader,
                                                   enum lt_section_kind kind, uint32_t index)
{
    return loader->of[kind][index];
}

#endif
