/* Decoding a large file on several threads. They share the parsing; the frames are decoded by
 * whichever thread has the turn, in the order of the file, so that everything that rests on order
 * (counters, sessions, who was seen first, rows) is as on one thread. See loomtap/capture/pieces.h.
 */
#include <pthread.h>

#include "decode/batch.h"
#include "loomtap/capture/pieces.h"

struct member {
    struct lt_decode *decode;
    struct lt_pieces *pieces;
    unsigned number;
    pthread_t thread;
};

static void *work(void *context)
{
    const struct member *member = context;
    struct lt_decode *decode = member->decode;
    struct lt_batch batch;
    while (lt_pieces_read(member->pieces, member->number) &&
           lt_pieces_enter(member->pieces, member->number)) {
        while (!decode_has_failed(decode) && lt_pieces_take(member->pieces, member->number, &batch))
            take_batch(decode, &batch);
        lt_pieces_leave(member->pieces, member->number, decode_has_failed(decode));
    }
    return NULL;
}

void take_in_pieces(struct lt_decode *decode)
{
    unsigned threads =
        decode->options.threads < LT_THREADS_MAX ? decode->options.threads : LT_THREADS_MAX;
    struct member members[LT_THREADS_MAX];
    struct lt_pieces *pieces;
    unsigned started = 1;
    if (lt_pieces_new(&pieces, decode->reader, threads, NULL) != LT_OK)
        return; /* no memory for it: one thread needs none */
    for (unsigned i = 0; i < threads; i++)
        members[i] = (struct member){decode, pieces, i, 0};
    /* Fewer threads than wanted are no fault. */
    while (started < threads &&
           pthread_create(&members[started].thread, NULL, work, &members[started]) == 0)
        started++;
    work(&members[0]);
    for (unsigned i = 1; i < started; i++)
        pthread_join(members[i].thread, NULL);
    lt_pieces_free(pieces);
}
