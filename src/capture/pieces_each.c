/* The usual loop over the pieces of a large file, for those who need nothing but its frames in
 * order. See loomtap/capture/pieces.h. */
#include <pthread.h>

#include "loomtap/capture/pieces.h"

struct each {
    struct lt_pieces *pieces;
    lt_take_batch *take;
    void *context;
    bool stopped; /* read and written within a turn alone */
};

struct member {
    struct each *each;
    unsigned number;
    pthread_t thread;
};

static void *work(void *context)
{
    const struct member *member = context;
    struct each *each = member->each;
    struct lt_batch batch;
    while (lt_pieces_read(each->pieces, member->number)) {
        lt_pieces_parse(each->pieces, member->number);
        if (!lt_pieces_enter(each->pieces, member->number))
            break;
        while (!each->stopped && lt_pieces_take(each->pieces, member->number, &batch))
            each->stopped = !each->take(each->context, &batch);
        lt_pieces_leave(each->pieces, member->number, each->stopped);
    }
    return NULL;
}

bool lt_pieces_each(struct lt_reader *reader, unsigned threads, lt_take_batch *take, void *context)
{
    struct member members[LT_THREADS_MAX];
    struct each each = {.take = take, .context = context};
    unsigned started = 1;
    threads = threads < LT_THREADS_MAX ? threads : LT_THREADS_MAX;
    if (threads < 2 || !lt_reader_can_split(reader) ||
        lt_pieces_new(&each.pieces, reader, threads, NULL) != LT_OK)
        return true; /* no memory for it: one thread needs none */
    for (unsigned i = 0; i < threads; i++)
        members[i] = (struct member){&each, i, 0};
    while (started < threads &&
           pthread_create(&members[started].thread, NULL, work, &members[started]) == 0)
        started++; /* fewer than wanted are no fault */
    work(&members[0]);
    for (unsigned i = 1; i < started; i++)
        pthread_join(members[i].thread, NULL);
    lt_pieces_free(each.pieces);
    return !each.stopped;
}
