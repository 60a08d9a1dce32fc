/* Decoding a large file on several threads. They share the parsing, and where only the summary is
 * wanted the sorting of frames by stream (digest.c); the rest is done by whichever thread has the
 * turn, in the order of the file, so that everything that rests on order (counters, sessions, who
 * was seen first, rows) is as on one thread. See loomtap/capture/pieces.h. */
#include <pthread.h>

#include "decode/batch.h"

struct member {
    struct lt_decode *decode;
    struct lt_pieces *pieces;
    struct digest *digest; /* NULL: frames are needed in order, or there was no memory for it */
    bool in_order;         /* no thread has a digest */
    unsigned number;
    pthread_t thread;
};

static void take_in_order(const struct member *member)
{
    struct lt_decode *decode = member->decode;
    struct lt_batch batch;
    while (!decode_has_failed(decode) && lt_pieces_take(member->pieces, member->number, &batch)) {
        take_batch(decode, &batch);
        if (member->digest)
            digest_learn(member->digest, decode, &batch);
    }
    /* The next piece may come in another way, whatever this thread's are. */
    if (!member->in_order)
        lanes_work_off(decode);
}

static void *work(void *context)
{
    const struct member *member = context;
    struct lt_decode *decode = member->decode;
    struct lt_pieces *pieces = member->pieces;
    unsigned number = member->number;
    while (lt_pieces_read(pieces, number)) {
        bool digested = member->digest && digest_make(member->digest, pieces, number);
        if (!digested)
            lt_pieces_parse(pieces, number);
        if (!lt_pieces_enter(pieces, number))
            break;
        if (!digested || !digest_take(member->digest, decode, pieces, number))
            take_in_order(member);
        lt_pieces_leave(pieces, number, decode_has_failed(decode));
    }
    return NULL;
}

void take_in_pieces(struct lt_decode *decode)
{
    unsigned threads =
        decode->options.threads < LT_THREADS_MAX ? decode->options.threads : LT_THREADS_MAX;
    bool in_order = decode->output->value || decode->output->frame;
    struct member members[LT_THREADS_MAX];
    struct lt_pieces *pieces;
    unsigned started = 1;
    if (lt_pieces_new(&pieces, decode->reader, threads, NULL) != LT_OK)
        return; /* no memory for it: one thread needs none */
    lanes_work_off(decode);
    for (unsigned i = 0; i < threads; i++)
        members[i] =
            (struct member){decode, pieces, in_order ? NULL : digest_new(), in_order, i, 0};
    /* Fewer threads than wanted are no fault. */
    while (started < threads &&
           pthread_create(&members[started].thread, NULL, work, &members[started]) == 0)
        started++;
    work(&members[0]);
    for (unsigned i = 1; i < started; i++)
        pthread_join(members[i].thread, NULL);
    for (unsigned i = 0; i < threads; i++)
        digest_free(members[i].digest);
    lt_pieces_free(pieces);
}
