/* Setters: each reads the text of one key into its member of a definition and reports what is wrong
 * with the text by itself. What takes a second key to see is left to check.c. */
#ifndef LOOMTAP_SRC_DEFS_SETTERS_H
#define LOOMTAP_SRC_DEFS_SETTERS_H

#include "defs/keys.h"

#define LT_SETTER(name)                                                                            \
    void name(struct lt_loader *loader, const struct lt_section *section,                          \
              const struct lt_entry *entry, void *definition)

/* Shared; the key's row says where to (offset) and what is allowed (min, max). setters.c */
LT_SETTER(lt_set_text);
LT_SETTER(lt_set_u32);
LT_SETTER(lt_set_yes_no);
LT_SETTER(lt_set_ratio);
LT_SETTER(lt_set_bus);

/* set_profile.c */
LT_SETTER(lt_set_format);
LT_SETTER(lt_set_profile_name);
LT_SETTER(lt_set_requires);
LT_SETTER(lt_set_include);
LT_SETTER(lt_set_bus_fd);
LT_SETTER(lt_set_sample_point);
LT_SETTER(lt_set_service);
LT_SETTER(lt_set_parameter_length);
LT_SETTER(lt_set_interface);

/* set_frame.c */
LT_SETTER(lt_set_pgn);
LT_SETTER(lt_set_period);
LT_SETTER(lt_set_counter);
LT_SETTER(lt_set_checksum);
LT_SETTER(lt_set_direction);
LT_SETTER(lt_set_length);

/* set_signal.c */
LT_SETTER(lt_set_signal_frame);
LT_SETTER(lt_set_signal_parameter);
LT_SETTER(lt_set_bits);
LT_SETTER(lt_set_parts);
LT_SETTER(lt_set_order);
LT_SETTER(lt_set_sign);
LT_SETTER(lt_set_form);
LT_SETTER(lt_set_curve);
LT_SETTER(lt_set_range);
LT_SETTER(lt_set_role);
LT_SETTER(lt_set_unavailable);
LT_SETTER(lt_set_error);
LT_SETTER(lt_set_values);
LT_SETTER(lt_set_page);
LT_SETTER(lt_set_signal_lost);

/* set_warning.c */
LT_SETTER(lt_set_when);
LT_SETTER(lt_set_until);
LT_SETTER(lt_set_send);
LT_SETTER(lt_set_warning_lost);

/* Sections with free keys, read whole. */
void lt_set_fits(struct lt_loader *loader, const struct lt_section *section);
void lt_set_prove(struct lt_loader *loader, const struct lt_section *section);
void lt_set_value_section(struct lt_loader *loader, const struct lt_section *section);
void lt_set_curve_points(struct lt_loader *loader, const struct lt_section *section,
                         struct lt_curve_def *curve);
void lt_set_affine(struct lt_loader *loader, const struct lt_section *section);

/* --- pieces of values ------------------------------------------------------------------------ */

/* One of several words: its index in `words` (a list that ends with NULL), or -1 after a fault. */
int lt_defs_choice(struct lt_loader *loader, const struct lt_section *section,
                   const struct lt_entry *entry, const char *const *words);
/* Numbers inside a value; a fault names the piece. False then. */
bool lt_defs_ratio(struct lt_loader *loader, const struct lt_section *section,
                   const struct lt_entry *entry, struct lt_text piece, struct lt_ratio *ret_value);
/* "5", "0x05", "4..7": raw bit patterns. */
bool lt_defs_raw_range(struct lt_loader *loader, const struct lt_section *section,
                       const struct lt_entry *entry, struct lt_text piece,
                       struct lt_raw_range *ret_range);
/* Splits "a..b"; false when there is no "..". The halves are trimmed. */
bool lt_defs_split_range(struct lt_text text, struct lt_text *ret_low, struct lt_text *ret_high);
/* The next piece of a list whose items stand behind commas or blanks, or both. */
bool lt_defs_list_item(struct lt_text *rest, struct lt_text *ret_item);
/* Says what is wrong with the text of bit ends. */
void lt_defs_explain_bits(struct lt_loader *loader, const struct lt_section *section,
                          const struct lt_entry *entry, struct lt_text text);

static inline size_t lt_defs_offset(const struct lt_entry *entry, struct lt_text piece)
{
    return piece.at >= entry->value.at ? (size_t)(piece.at - entry->value.at) : 0;
}

#endif
