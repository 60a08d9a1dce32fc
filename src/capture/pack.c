/* Packing sinks over zlib and libzstd: see pack.h. Both write one member or frame with a checksum,
 * so that a cut or garbled file is noticed when it is unpacked. */
#define ZLIB_CONST /* zlib then takes const input */

#include "capture/pack.h"

#include <errno.h>
#include <stdlib.h>
#include <zlib.h>
#include <zstd.h>

#define OUT_BYTES 65536

struct lt_pack {
    enum lt_packing packing;
    struct lt_sink *to;
    z_stream gzip;
    ZSTD_CCtx *zstd;
    struct lt_sink sink;
    unsigned char out[OUT_BYTES];
};

static bool gzip_write(struct lt_pack *pack, const char *bytes, size_t len, int flush)
{
    z_stream *gzip = &pack->gzip;
    gzip->next_in = (z_const Bytef *)bytes;
    gzip->avail_in = (uInt)len;
    do {
        gzip->next_out = pack->out;
        gzip->avail_out = OUT_BYTES;
        if (deflate(gzip, flush) == Z_STREAM_ERROR) {
            errno = EINVAL;
            return false;
        }
        lt_sink_put(pack->to, (const char *)pack->out, OUT_BYTES - gzip->avail_out);
    } while (gzip->avail_out == 0);
    return !pack->to->failed;
}

static bool zstd_write(struct lt_pack *pack, const char *bytes, size_t len, ZSTD_EndDirective mode)
{
    ZSTD_inBuffer in = {bytes, len, 0};
    size_t left;
    do {
        ZSTD_outBuffer out = {pack->out, OUT_BYTES, 0};
        left = ZSTD_compressStream2(pack->zstd, &out, &in, mode);
        if (ZSTD_isError(left)) {
            errno = ENOMEM;
            return false;
        }
        lt_sink_put(pack->to, (const char *)pack->out, out.pos);
    } while (mode == ZSTD_e_continue ? in.pos < in.size : left > 0);
    return !pack->to->failed;
}

enum piece { PIECE_MORE, PIECE_FLUSH, PIECE_END };

static bool write_piece(struct lt_pack *pack, const char *bytes, size_t len, enum piece piece)
{
    static const int gzip_words[] = {Z_NO_FLUSH, Z_SYNC_FLUSH, Z_FINISH};
    static const ZSTD_EndDirective zstd_words[] = {ZSTD_e_continue, ZSTD_e_flush, ZSTD_e_end};
    bool good = pack->packing == LT_PACK_GZIP ? gzip_write(pack, bytes, len, gzip_words[piece])
                                              : zstd_write(pack, bytes, len, zstd_words[piece]);
    if (!good && pack->to->failed)
        errno = pack->to->failed_errno;
    return good;
}

static bool write_packed(void *context, const char *bytes, size_t len)
{
    return write_piece(context, bytes, len, PIECE_MORE);
}

static bool start(struct lt_pack *pack, int level)
{
    if (pack->packing == LT_PACK_GZIP) /* 15 + 16: the largest window, gzip's head and trailer */
        return deflateInit2(&pack->gzip, level ? level : LT_PACK_GZIP_LEVEL, Z_DEFLATED, 15 + 16, 8,
                            Z_DEFAULT_STRATEGY) == Z_OK;
    pack->zstd = ZSTD_createCCtx();
    return pack->zstd &&
           !ZSTD_isError(ZSTD_CCtx_setParameter(pack->zstd, ZSTD_c_compressionLevel,
                                                level ? level : LT_PACK_ZSTD_LEVEL)) &&
           !ZSTD_isError(ZSTD_CCtx_setParameter(pack->zstd, ZSTD_c_checksumFlag, 1));
}

enum lt_code lt_pack_new(struct lt_pack **ret_pack, enum lt_packing packing, int level,
                         struct lt_sink *to, struct lt_error *error)
{
    struct lt_pack *pack = calloc(1, sizeof *pack);
    if (pack) {
        pack->packing = packing;
        pack->to = to;
        lt_sink_init(&pack->sink, write_packed, pack);
    }
    if (!pack || !start(pack, level)) {
        lt_pack_free(pack);
        return lt_fail(error, LT_E_MEMORY, "out of memory for packing the output");
    }
    *ret_pack = pack;
    return LT_OK;
}

struct lt_sink *lt_pack_sink(struct lt_pack *pack)
{
    return &pack->sink;
}

static bool give(struct lt_pack *pack, enum piece piece)
{
    if (!lt_sink_flush(&pack->sink))
        return false;
    if (!write_piece(pack, NULL, 0, piece)) {
        pack->sink.failed = true;
        pack->sink.failed_errno = errno;
    }
    return !pack->sink.failed;
}

bool lt_pack_flush(struct lt_pack *pack)
{
    return give(pack, PIECE_FLUSH);
}

bool lt_pack_finish(struct lt_pack *pack)
{
    return give(pack, PIECE_END);
}

void lt_pack_free(struct lt_pack *pack)
{
    if (!pack)
        return;
    if (pack->packing == LT_PACK_GZIP)
        deflateEnd(&pack->gzip);
    ZSTD_freeCCtx(pack->zstd);
    free(pack);
}
