/* The unpacking thread and its ring: see unpack.h. Two rows of one table know the packings; the
 * rest is the same for both. */
#include "capture/unpack.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define ZLIB_CONST /* its input is const */
#include <zlib.h>
#include <zstd.h>

#include "loomtap/base/bytes.h"
#include "loomtap/base/text.h"

/* Where a step of unpacking stands: bytes taken from `in`, bytes put to `out`. */
struct step {
    const uint8_t *in;
    size_t in_left;
    uint8_t *out;
    size_t out_left;
    const char *wrong; /* set when the data are damaged */
    struct slot *slot; /* that `out` is in */
};

struct packing {
    const char *name;
    bool (*begin)(struct lt_unpack *unpack);
    /* Unpacks until `in` is used up, `out` is full or the data are damaged; keeps `between`. */
    void (*step)(struct lt_unpack *unpack, struct step *step);
    void (*end)(struct lt_unpack *unpack);
};

/* Where a gzip member ends: behind so many bytes of the slot; what its trailer says, and where that
 * ends in the packed file. */
struct member_end {
    size_t at;
    uint32_t sum, size;
    uint64_t place;
};
#define MEMBER_ENDS 32
#define TRAILER     8

struct slot {
    uint8_t *bytes;
    size_t len, at;
    struct member_end ends[MEMBER_ENDS];
    size_t end_count;
    bool checked;
};

struct lt_unpack {
    const struct packing *packing;
    struct lt_packed_source source;
    uint8_t *in_memory, *in; /* the trailer's length before `in` are the bytes before it */
    size_t in_at, in_len;
    uint64_t in_offset; /* of in[0] in the packed file */
    z_stream gzip;
    ZSTD_DStream *zstd;
    size_t zstd_wants; /* bytes up to the end of its next block */
    bool has_codec;
    bool between; /* not inside a member or frame: the data may end here */
    bool padded;  /* gzip: zero bytes came behind a member */
    bool in_body; /* gzip: behind the member's header */
    bool pending; /* the last step ended since its room was full */

    pthread_t thread;
    bool has_thread;
    int wake[2]; /* a byte in it, or its end, ends a wait for input */

    pthread_mutex_t mutex;
    pthread_cond_t filled_more, emptied_more;
    struct slot slots[LT_UNPACK_SLOTS];
    uint64_t filled, emptied; /* under the mutex */
    bool stopping, ended;     /* under the mutex */
    enum lt_code code;        /* valid once ended */
    struct lt_error error;

    /* gzip: of the member that is being read, by the reader's thread. */
    uint32_t sum, size;
    bool sum_failed;
    struct lt_error sum_error;
};

enum lt_packed lt_packed_as(const void *bytes, size_t len, bool *ret_open)
{
    const uint8_t *at = bytes;
    static const uint8_t zstd[4] = {0x28, 0xB5, 0x2F, 0xFD};
    *ret_open = false;
    if (len >= 2 && at[0] == 0x1F && at[1] == 0x8B)
        return LT_PACKED_GZIP;
    if (len >= 4 && memcmp(at, zstd, 4) == 0)
        return LT_PACKED_ZSTD;
    /* Packers with several threads begin with a frame that is to be skipped (RFC 8878, 3.1.2). */
    if (len >= 4 && at[0] >> 4 == 5 && at[1] == 0x2A && at[2] == 0x4D && at[3] == 0x18)
        return LT_PACKED_ZSTD;
    *ret_open = len < 4;
    return LT_PACKED_NOT;
}

static bool begin_gzip(struct lt_unpack *unpack)
{
    /* 16: gzip's header and trailer are looked for, and the trailer's sums checked. */
    return inflateInit2(&unpack->gzip, 15 + 16) == Z_OK;
}

/* Between members: zeros are the padding of tapes; the next member must begin, or nothing. */
static bool next_member(struct lt_unpack *unpack, struct step *step)
{
    while (step->in_left > 0 && *step->in == 0) {
        unpack->padded = true;
        step->in++;
        step->in_left--;
    }
    if (step->in_left == 0)
        return false;
    if (*step->in != 0x1F || unpack->padded) {
        step->wrong = "what follows the packed data is no gzip member";
        return false;
    }
    unpack->between = unpack->in_body = false;
    if (inflateReset(&unpack->gzip) != Z_OK || inflateValidate(&unpack->gzip, 1) != Z_OK)
        step->wrong = "it cannot be begun";
    return !step->wrong;
}

static void end_member(struct lt_unpack *unpack, struct step *step)
{
    struct slot *slot = step->slot;
    unpack->between = true;
    slot->ends[slot->end_count++] = (struct member_end){
        .at = LT_UNPACK_SLOT_BYTES - step->out_left,
        .sum = lt_load32_le(step->in - TRAILER),
        .size = lt_load32_le(step->in - TRAILER + 4),
        .place = unpack->in_offset + (size_t)(step->in - unpack->in),
    };
}

/* The sums of what was unpacked are left to the reader's thread, which has the time. zlib looks at
 * the header's sum, and stops behind the header once (Z_BLOCK). */
static void step_gzip(struct lt_unpack *unpack, struct step *step)
{
    z_stream *gzip = &unpack->gzip;
    while (step->out_left > 0 && step->slot->end_count < MEMBER_ENDS && !step->wrong) {
        if (unpack->between && !next_member(unpack, step))
            return;
        /* Both sizes are at most a buffer's, far below the limit of unsigned int. */
        gzip->next_in = step->in;
        gzip->avail_in = (uInt)step->in_left;
        gzip->next_out = step->out;
        gzip->avail_out = (uInt)step->out_left;
        int result = inflate(gzip, unpack->in_body ? Z_NO_FLUSH : Z_BLOCK);
        step->in += step->in_left - gzip->avail_in;
        step->in_left = gzip->avail_in;
        step->out += step->out_left - gzip->avail_out;
        step->out_left = gzip->avail_out;
        if (!unpack->in_body && (gzip->data_type & 128)) {
            unpack->in_body = true;
            inflateValidate(gzip, 0);
        }
        if (result == Z_STREAM_END)
            end_member(unpack, step);
        else if (result == Z_BUF_ERROR)
            return; /* nothing more to be had from this input */
        else if (result != Z_OK)
            step->wrong = gzip->msg ? gzip->msg : "the data follow no rule of gzip";
    }
}

static void end_gzip(struct lt_unpack *unpack)
{
    inflateEnd(&unpack->gzip);
}

#define BLOCK_HEADER 3 /* bytes (RFC 8878, 3.1.1.2) */

static bool begin_zstd(struct lt_unpack *unpack)
{
    unpack->zstd = ZSTD_createDStream();
    unpack->zstd_wants = unpack->zstd ? ZSTD_initDStream(unpack->zstd) : 0;
    return unpack->zstd && !ZSTD_isError(unpack->zstd_wants);
}

/* Block by block: a call that fails tells neither how far it came nor what it unpacked before. */
static void step_zstd(struct lt_unpack *unpack, struct step *step)
{
    while (step->out_left > 0) {
        if (step->in_left == 0 && (unpack->between || !unpack->pending))
            return;
        size_t wants = unpack->zstd_wants;
        ZSTD_inBuffer in = {step->in, step->in_left < wants ? step->in_left : wants, 0};
        ZSTD_outBuffer out = {step->out, step->out_left, 0};
        size_t result = ZSTD_decompressStream(unpack->zstd, &out, &in);
        step->in += in.pos;
        step->in_left -= in.pos;
        step->out += out.pos;
        step->out_left -= out.pos;
        if (ZSTD_isError(result)) {
            step->wrong = ZSTD_getErrorName(result);
            return;
        }
        unpack->between = result == 0;
        /* What it asks for has the next block's header in it, whose damage would take this block
         * along. At a frame's end the start of the next one says more. */
        unpack->zstd_wants = result > BLOCK_HEADER ? result - BLOCK_HEADER : result ? result : 1;
        unpack->pending = step->out_left == 0;
    }
}

static void end_zstd(struct lt_unpack *unpack)
{
    ZSTD_freeDStream(unpack->zstd);
}

static const struct packing packings[] = {
    [LT_PACKED_NOT] = {"", NULL, NULL, NULL},
    [LT_PACKED_GZIP] = {"gzip", begin_gzip, step_gzip, end_gzip},
    [LT_PACKED_ZSTD] = {"zstd", begin_zstd, step_zstd, end_zstd},
};

const char *lt_packed_name(enum lt_packed packed)
{
    return packings[packed].name;
}

static ssize_t read_memory(struct lt_packed_source *source, uint8_t *to, size_t room)
{
    size_t take = room < source->bytes_left ? room : source->bytes_left;
    if (take == 0)
        return 0;
    memcpy(to, source->bytes, take);
    source->bytes += take;
    source->bytes_left -= take;
    return (ssize_t)take;
}

/* Waits so that lt_unpack_close can end the wait. */
static ssize_t read_file(struct lt_unpack *unpack, uint8_t *to, size_t room)
{
    struct pollfd waits[2] = {{.fd = unpack->source.fd, .events = POLLIN},
                              {.fd = unpack->wake[0], .events = POLLIN}};
    for (;;) {
        int ready = poll(waits, 2, -1);
        if (ready < 0 && errno != EINTR)
            return -1;
        if (ready > 0 && waits[1].revents)
            return 0; /* it is being closed: what this says is not looked at */
        if (ready <= 0)
            continue;
        ssize_t got = read(unpack->source.fd, to, room);
        if (got >= 0 || (errno != EINTR && errno != EAGAIN))
            return got;
    }
}

/* More packed bytes; 0 at the end, -1 with errno. */
static ssize_t read_packed(struct lt_unpack *unpack)
{
    size_t room = unpack->source.largest_read;
    memmove(unpack->in_memory, unpack->in_memory + unpack->in_len, TRAILER);
    unpack->in_offset += unpack->in_len;
    unpack->in_at = unpack->in_len = 0;
    ssize_t got = unpack->source.fd < 0 ? read_memory(&unpack->source, unpack->in, room)
                                        : read_file(unpack, unpack->in, room);
    unpack->in_len = got > 0 ? (size_t)got : 0;
    return got;
}

static void say_place(const struct lt_unpack *unpack, struct lt_error *ret_error, enum lt_code code,
                      const char *what, uint64_t place)
{
    lt_fail(ret_error, code, "%s, at byte %llu of the %s data", what, (unsigned long long)place,
            unpack->packing->name);
    lt_error_advise(ret_error, "what stands before that place was read; fetch or pack the "
                               "file again for the rest");
}

static void fail_at(struct lt_unpack *unpack, enum lt_code code, const char *what)
{
    unpack->code = code;
    say_place(unpack, &unpack->error, code, what, unpack->in_offset + unpack->in_at);
}

/* At the end of the packed bytes. */
static void end_of_input(struct lt_unpack *unpack, ssize_t got)
{
    char room[128], text[192];
    if (got < 0) {
        lt_text_format(text, sizeof text, "%s", strerror_r(errno, room, sizeof room));
        fail_at(unpack, LT_E_IO, text);
    } else if (!unpack->between) {
        fail_at(unpack, LT_E_TRUNCATED, "the packed file ends early");
    }
}

/* Unpacks into an empty slot until it is full, or until the next packed bytes would have to be
 * waited for. False: this was the last. */
static bool fill(struct lt_unpack *unpack, struct slot *slot)
{
    struct step step = {.out = slot->bytes, .out_left = LT_UNPACK_SLOT_BYTES, .slot = slot};
    bool more = true;
    slot->end_count = 0;
    slot->checked = false;
    while (more && step.out_left > 0 && slot->end_count < MEMBER_ENDS) {
        if (unpack->in_at == unpack->in_len && !unpack->pending) {
            if (step.out_left < LT_UNPACK_SLOT_BYTES)
                break; /* what there is may be wanted now: a live pipe can be slow */
            ssize_t got = read_packed(unpack);
            if (got <= 0) {
                end_of_input(unpack, got);
                more = false;
                break;
            }
        }
        step.in = unpack->in + unpack->in_at;
        step.in_left = unpack->in_len - unpack->in_at;
        unpack->packing->step(unpack, &step);
        unpack->in_at = unpack->in_len - step.in_left;
        unpack->pending = step.out_left == 0;
        if (step.wrong) {
            char text[192];
            lt_text_format(text, sizeof text, "damaged: %s", step.wrong);
            fail_at(unpack, LT_E_SYNTAX, text);
            more = false;
        }
    }
    slot->len = LT_UNPACK_SLOT_BYTES - step.out_left;
    slot->at = 0;
    return more;
}

static void *run(void *argument)
{
    struct lt_unpack *unpack = argument;
    bool more = true;
    pthread_mutex_lock(&unpack->mutex);
    while (more) {
        while (unpack->filled - unpack->emptied == LT_UNPACK_SLOTS && !unpack->stopping)
            pthread_cond_wait(&unpack->emptied_more, &unpack->mutex);
        if (unpack->stopping)
            break;
        struct slot *slot = &unpack->slots[unpack->filled % LT_UNPACK_SLOTS];
        pthread_mutex_unlock(&unpack->mutex);
        more = fill(unpack, slot);
        pthread_mutex_lock(&unpack->mutex);
        unpack->filled += slot->len > 0 || slot->end_count > 0;
        unpack->ended = !more;
        pthread_cond_signal(&unpack->filled_more);
    }
    pthread_mutex_unlock(&unpack->mutex);
    return NULL;
}

static bool start_thread(struct lt_unpack *unpack)
{
    sigset_t all, before;
    /* Signals are for the threads that know about them. */
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    unpack->has_thread = pthread_create(&unpack->thread, NULL, run, unpack) == 0;
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    return unpack->has_thread;
}

static bool prepare(struct lt_unpack *unpack, const struct lt_packed_source *source)
{
    unpack->source = *source;
    unpack->between = true;
    unpack->in_memory = calloc(1, TRAILER + LT_UNPACK_FIRST_MAX);
    unpack->in = unpack->in_memory ? unpack->in_memory + TRAILER : NULL;
    for (size_t i = 0; i < LT_UNPACK_SLOTS; i++)
        if (!(unpack->slots[i].bytes = malloc(LT_UNPACK_SLOT_BYTES)))
            return false;
    if (!unpack->in || pipe2(unpack->wake, O_CLOEXEC) != 0)
        return false;
    memcpy(unpack->in, source->first, source->first_len);
    unpack->in_len = source->first_len;
    if (unpack->source.largest_read > LT_UNPACK_FIRST_MAX)
        unpack->source.largest_read = LT_UNPACK_FIRST_MAX;
    unpack->has_codec = unpack->packing->begin(unpack);
    return unpack->has_codec;
}

enum lt_code lt_unpack_open(struct lt_unpack **ret_unpack, enum lt_packed packed,
                            const struct lt_packed_source *source, struct lt_error *error)
{
    struct lt_unpack *unpack = calloc(1, sizeof *unpack);
    if (!unpack)
        return lt_fail(error, LT_E_MEMORY, "out of memory for unpacking");
    unpack->packing = &packings[packed];
    unpack->wake[0] = unpack->wake[1] = -1;
    pthread_mutex_init(&unpack->mutex, NULL);
    pthread_cond_init(&unpack->filled_more, NULL);
    pthread_cond_init(&unpack->emptied_more, NULL);
    if (!prepare(unpack, source) || !start_thread(unpack)) {
        lt_unpack_close(unpack);
        return lt_fail(error, LT_E_MEMORY, "no memory, descriptor or thread left for unpacking");
    }
    *ret_unpack = unpack;
    return LT_OK;
}

/* The oldest filled slot; NULL when the thread has ended and all is read. */
static struct slot *wait_filled(struct lt_unpack *unpack)
{
    pthread_mutex_lock(&unpack->mutex);
    while (unpack->filled == unpack->emptied && !unpack->ended)
        pthread_cond_wait(&unpack->filled_more, &unpack->mutex);
    bool has = unpack->filled != unpack->emptied;
    pthread_mutex_unlock(&unpack->mutex);
    return has ? &unpack->slots[unpack->emptied % LT_UNPACK_SLOTS] : NULL;
}

static void release(struct lt_unpack *unpack)
{
    pthread_mutex_lock(&unpack->mutex);
    unpack->emptied++;
    pthread_cond_signal(&unpack->emptied_more);
    pthread_mutex_unlock(&unpack->mutex);
}

static void add_to_sum(struct lt_unpack *unpack, const struct slot *slot, size_t from, size_t to)
{
    unpack->sum = (uint32_t)crc32_z(unpack->sum, slot->bytes + from, to - from);
    unpack->size += (uint32_t)(to - from); /* modulo 2^32, as the trailer has it (RFC 1952) */
}

/* Sum and size of the members that end in the slot. Where one is wrong the slot ends with it. */
static void check_sums(struct lt_unpack *unpack, struct slot *slot)
{
    size_t from = 0;
    slot->checked = true;
    if (unpack->packing != &packings[LT_PACKED_GZIP])
        return;
    for (size_t i = 0; i < slot->end_count; i++) {
        const struct member_end *end = &slot->ends[i];
        add_to_sum(unpack, slot, from, end->at);
        from = end->at;
        if (unpack->sum != end->sum || unpack->size != end->size) {
            const char *what = unpack->sum != end->sum ? "damaged: incorrect data check"
                                                       : "damaged: incorrect length check";
            unpack->sum_failed = true;
            say_place(unpack, &unpack->sum_error, LT_E_SYNTAX, what, end->place);
            slot->len = end->at;
            return;
        }
        unpack->sum = unpack->size = 0;
    }
    add_to_sum(unpack, slot, from, slot->len);
}

/* The oldest slot that has something left; NULL at the end. */
static struct slot *next_slot(struct lt_unpack *unpack)
{
    struct slot *slot;
    while ((slot = wait_filled(unpack)) != NULL) {
        if (!slot->checked)
            check_sums(unpack, slot);
        if (slot->at < slot->len)
            return slot;
        if (unpack->sum_failed)
            return NULL; /* the slot stays, and nothing behind it is given out */
        release(unpack);
    }
    return NULL;
}

enum lt_code lt_unpack_read(struct lt_unpack *unpack, void *to, size_t room, size_t *ret_got,
                            struct lt_error *error)
{
    struct slot *slot = next_slot(unpack);
    if (!slot) {
        if (unpack->sum_failed) {
            if (error)
                *error = unpack->sum_error;
            return unpack->sum_error.code;
        }
        if (unpack->code != LT_OK) {
            if (error)
                *error = unpack->error;
            return unpack->code;
        }
        *ret_got = 0;
        return LT_OK;
    }
    size_t left = slot->len - slot->at;
    size_t take = left < room ? left : room;
    memcpy(to, slot->bytes + slot->at, take);
    slot->at += take;
    if (slot->at == slot->len && !unpack->sum_failed)
        release(unpack);
    *ret_got = take;
    return LT_OK;
}

static void stop_thread(struct lt_unpack *unpack)
{
    pthread_mutex_lock(&unpack->mutex);
    unpack->stopping = true;
    pthread_cond_signal(&unpack->emptied_more);
    pthread_mutex_unlock(&unpack->mutex);
    close(unpack->wake[1]); /* the other end becomes readable */
    unpack->wake[1] = -1;
    pthread_join(unpack->thread, NULL);
}

void lt_unpack_close(struct lt_unpack *unpack)
{
    if (!unpack)
        return;
    if (unpack->has_thread)
        stop_thread(unpack);
    if (unpack->has_codec)
        unpack->packing->end(unpack);
    for (size_t i = 0; i < 2; i++)
        if (unpack->wake[i] >= 0)
            close(unpack->wake[i]);
    for (size_t i = 0; i < LT_UNPACK_SLOTS; i++)
        free(unpack->slots[i].bytes);
    free(unpack->in_memory);
    pthread_cond_destroy(&unpack->filled_more);
    pthread_cond_destroy(&unpack->emptied_more);
    pthread_mutex_destroy(&unpack->mutex);
    free(unpack);
}
