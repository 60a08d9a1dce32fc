/* A sink that packs (gzip, RFC 1952; zstd, RFC 8878) into another sink. Internal to src/capture;
 * the base layer knows no packing library. */
#ifndef LOOMTAP_CAPTURE_PACK_H
#define LOOMTAP_CAPTURE_PACK_H

#include "loomtap/base/sink.h"
#include "loomtap/capture/writer.h"

#define LT_PACK_GZIP_LEVEL 6
#define LT_PACK_ZSTD_LEVEL 3

struct lt_pack;

/* `to` must outlive it. level 0: the usual one. */
enum lt_code lt_pack_new(struct lt_pack **ret_pack, enum lt_packing packing, int level,
                         struct lt_sink *to, struct lt_error *error);
struct lt_sink *lt_pack_sink(struct lt_pack *pack);
/* Everything so far reaches `to` in a form that can be unpacked; does not flush `to`. False:
 * something failed. */
bool lt_pack_flush(struct lt_pack *pack);
/* Writes what is left and the trailer; does not flush `to`. False: something failed. */
bool lt_pack_finish(struct lt_pack *pack);
void lt_pack_free(struct lt_pack *pack); /* NULL is allowed */

#endif
