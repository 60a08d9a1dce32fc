/* One large file read by several threads, with the same result as by one.
 *
 * The file is cut into pieces. Each thread has one piece at a time: it reads it and makes frames of
 * its usual lines, all by itself. Then it waits for its turn, which goes from piece to piece in the
 * order of the file; within its turn it alone works on the reader: unusual lines, line numbers,
 * counts and new bus names are done there, and the frames are given out. So whatever depends on
 * order sees the lines in order, and nothing depends on the number of threads.
 *
 * Who does not need the frames in order may peek at them before the turn, and then accept the piece
 * as a whole. That is possible where all of it is usual, in order and plain, which is known only
 * within the turn; a piece that is not accepted is taken in the ordinary way.
 *
 *     if (lt_reader_can_split(reader) && lt_pieces_new(&pieces, reader, threads, &error) == LT_OK)
 *         each thread, with a number of its own from 0:
 *             while (lt_pieces_read(pieces, number)) {
 *                 while (lt_pieces_peek(pieces, number, &batch)) // or lt_pieces_parse
 *                     ...                                        // keep it apart
 *                 if (!lt_pieces_enter(pieces, number))
 *                     break;
 *                 if (!lt_pieces_accept(pieces, number))
 *                     while (lt_pieces_take(pieces, number, &batch))
 *                         ...                                // as after lt_reader_next_batch
 *                 lt_pieces_leave(pieces, number, stop);
 *             }
 *         lt_pieces_free(pieces);                            // after all threads have ended
 *     ... go on with lt_reader_next_batch: the next input, or the end */
#ifndef LOOMTAP_CAPTURE_PIECES_H
#define LOOMTAP_CAPTURE_PIECES_H

#include "loomtap/capture/reader.h"

#define LT_THREADS_MAX 16

struct lt_pieces;

/* Is the rest of the present input worth it: a large regular file in candump's log form, not
 * standard input? To be asked between two batches; says yes once an input at most. */
bool lt_reader_can_split(struct lt_reader *reader);

/* For tests: from how many bytes on an input is split, and how large a piece is. */
void lt_reader_set_split(struct lt_reader *reader, size_t least, size_t piece_bytes);

/* 1 to LT_THREADS_MAX threads. */
enum lt_code lt_pieces_new(struct lt_pieces **ret_pieces, struct lt_reader *reader,
                           unsigned threads, struct lt_error *error);
void lt_pieces_free(struct lt_pieces *pieces);

/* The next piece; false when there is none. At any time. */
bool lt_pieces_read(struct lt_pieces *pieces, unsigned thread);
/* Before the turn, after reading: the next frames, borrowed until the next call and without
 * numbers. False: there are no more, or the piece cannot be accepted. */
bool lt_pieces_peek(struct lt_pieces *pieces, unsigned thread, struct lt_batch *ret_batch);
/* Before the turn, after reading: has the frames ready for lt_pieces_take. Not for a piece that is
 * to be accepted. */
void lt_pieces_parse(struct lt_pieces *pieces, unsigned thread);
/* Before the turn: were all frames of the piece peeked at, with nothing against accepting it? */
bool lt_pieces_peeked(const struct lt_pieces *pieces, unsigned thread);
/* Waits for the piece's turn; false when the reading ended before it. */
bool lt_pieces_enter(struct lt_pieces *pieces, unsigned thread);
/* Within the turn, instead of taking its frames: the piece, all of which was peeked at, as a whole.
 * False: it has to be taken. */
bool lt_pieces_accept(struct lt_pieces *pieces, unsigned thread);
/* Within the turn: the next frames of the piece, borrowed until the next call; false at its end. */
bool lt_pieces_take(struct lt_pieces *pieces, unsigned thread, struct lt_batch *ret_batch);
/* Gives the turn to the next piece, or with `stop` ends the reading for all. */
void lt_pieces_leave(struct lt_pieces *pieces, unsigned thread, bool stop);

/* For those who need nothing but the frames in order: the loop above, on `threads` threads, over
 * the rest of the present input, if it is worth it; else nothing is done. To be called between two
 * batches, as lt_reader_can_split. `take` is called by one thread at a time; when it gives false
 * the reading ends, and so does this. */
typedef bool lt_take_batch(void *context, const struct lt_batch *batch);
bool lt_pieces_each(struct lt_reader *reader, unsigned threads, lt_take_batch *take, void *context);

#endif
