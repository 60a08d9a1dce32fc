/* Pieces of a large file: see loomtap/capture/pieces.h.
 *
 * A piece owns the lines that begin in it. Its memory holds one byte before it (is its first byte
 * the beginning of a line?) and a longest line behind it (where its last line ends):
 *
 *     [ room | -1 | piece ........................ | LT_LINE_MAX + 2 | slack ]
 *                 ^start (piece 0) or behind the first line break     ^stop
 *
 * An unusual line takes the place of a frame in the list and is parsed within the turn, by the
 * reader's general path. */
#include "loomtap/capture/pieces.h"

#include <assert.h>
#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "capture/reader.h"

#define FRAMES     12288 /* places a piece; more lines are parsed within the turn */
#define ROOM       64    /* readable bytes before the text */
#define LOOK_AHEAD (LT_LINE_MAX + 2)
/* Not a line number: the place is taken by a line that is parsed within the turn. */
#define NOT_PARSED 0

/* What was seen while peeking: all that the counts need. */
struct peeked {
    bool plain;
    uint64_t count;
    uint64_t fd_frames, sent_frames;
    int64_t first_ns, newest_ns;
    int64_t last_ns[LT_BUSES_MAX]; /* LT_NO_TIME: no frame of that bus */
};

struct piece {
    uint64_t number;
    char *memory;
    const char *at, *stop;  /* whole lines not yet parsed */
    const char *peek_at;    /* whole lines not yet peeked at */
    const char *tail, *end; /* a line without its break, or NULL: cut at the end, or too long */
    bool is_last, cut_at_end;
    bool at_eof; /* of its memory: what the tail lacks is not in the file */
    int failed_errno;
    uint64_t used_bytes; /* what the file holds of it */
    struct lt_buses buses;
    struct lt_log_lines lines;
    struct peeked peeked;
    struct lt_frame *frames;
    size_t count, given;
};

struct lt_pieces {
    struct lt_reader *reader;
    size_t piece_bytes;
    int64_t base; /* where piece 0 begins in the file */
    uint64_t bytes_before;
    struct piece *pieces;
    unsigned threads;
    pthread_mutex_t mutex;
    pthread_cond_t turned;
    uint64_t next, turn; /* pieces: the next to be read, and whose turn it is */
    bool ended;
};

bool lt_reader_can_split(struct lt_reader *reader)
{
    const struct lt_input *input = &reader->input;
    struct stat status;
    if (reader->ended || !reader->fast || reader->split_tried || !reader->form ||
        reader->form->fast != lt_candump_log_fast || reader->options.differences ||
        !reader->has_first_ns || reader->skipping || reader->batch_at != reader->batch_count ||
        input->fd < 0 || !input->owns_fd || input->unpack || input->at_eof)
        return false;
    reader->split_tried = true; /* the size is looked at once */
    off_t at = lseek(input->fd, 0, SEEK_CUR);
    return at >= 0 && fstat(input->fd, &status) == 0 && S_ISREG(status.st_mode) &&
           status.st_size - at >= (off_t)reader->split_least;
}

void lt_reader_set_split(struct lt_reader *reader, size_t least, size_t piece_bytes)
{
    reader->split_least = least;
    reader->piece_bytes = piece_bytes;
}

/* --- life --- */

static bool piece_init(struct piece *piece, const struct lt_reader *reader, size_t bytes)
{
    size_t room = ROOM + 1 + bytes + LOOK_AHEAD + LT_BLOCK_SLACK;
    piece->memory = calloc(1, room);
    piece->frames = calloc(FRAMES, sizeof *piece->frames);
    piece->lines = reader->lines;
    piece->buses = reader->buses;
    return piece->memory && piece->frames;
}

void lt_pieces_free(struct lt_pieces *pieces)
{
    if (!pieces)
        return;
    for (unsigned i = 0; pieces->pieces && i < pieces->threads; i++) {
        free(pieces->pieces[i].memory);
        free(pieces->pieces[i].frames);
    }
    pthread_cond_destroy(&pieces->turned);
    pthread_mutex_destroy(&pieces->mutex);
    free(pieces->pieces);
    free(pieces);
}

/* The reader's own block is left where its next line begins. */
static bool place(struct lt_pieces *pieces)
{
    struct lt_input *input = &pieces->reader->input;
    off_t at = lseek(input->fd, 0, SEEK_CUR);
    size_t left = (size_t)(input->end - input->at);
    pieces->base = (int64_t)at - (int64_t)left;
    pieces->bytes_before = input->bytes_read - left;
    input->at = input->end;
    pieces->reader->whole_end = input->end;
    return at >= 0;
}

enum lt_code lt_pieces_new(struct lt_pieces **ret_pieces, struct lt_reader *reader,
                           unsigned threads, struct lt_error *error)
{
    assert(threads >= 1 && threads <= LT_THREADS_MAX);
    struct lt_pieces *pieces = calloc(1, sizeof *pieces);
    if (!pieces)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    pthread_mutex_init(&pieces->mutex, NULL);
    pthread_cond_init(&pieces->turned, NULL);
    pieces->reader = reader;
    pieces->threads = threads;
    pieces->piece_bytes = reader->piece_bytes;
    pieces->pieces = calloc(threads, sizeof *pieces->pieces);
    bool good = pieces->pieces != NULL;
    for (unsigned i = 0; good && i < threads; i++)
        good = piece_init(&pieces->pieces[i], reader, pieces->piece_bytes);
    if (!good || !place(pieces)) {
        lt_pieces_free(pieces);
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    }
    *ret_pieces = pieces;
    return LT_OK;
}

/* --- at any time: reading and parsing --- */

static size_t read_at(struct piece *piece, int fd, char *to, size_t len, int64_t at)
{
    size_t done = 0;
    while (done < len) {
        ssize_t got = pread(fd, to + done, len - done, (off_t)(at + (int64_t)done));
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            piece->failed_errno = errno;
        if (got <= 0)
            break;
        done += (size_t)got;
    }
    return done;
}

/* Which bytes are the piece's own lines. `first`: its first byte; `len` from there on. */
static void find_lines(struct piece *piece, const char *first, size_t len, size_t nominal,
                       bool at_line)
{
    const char *end = first + len, *start = first, *last = NULL;
    size_t own = len < nominal ? len : nominal;
    piece->at = piece->stop = piece->tail = piece->peek_at = NULL;
    if (!at_line) {
        const char *before = first - 1;
        const char *found = own ? memchr(before, '\n', own) : NULL;
        if (!found)
            return;
        start = found + 1;
    }
    if (start >= first + own)
        return;
    if (own == nominal)
        last = memchr(first + own - 1, '\n', (size_t)(end - (first + own - 1)));
    if (!last) { /* the line at the end has no break in reach: the file ends, or it is too long */
        last = memrchr(start, '\n', (size_t)(end - start));
        piece->tail = last ? last + 1 : start;
        piece->end = end;
        if (piece->tail == end)
            piece->tail = NULL;
    }
    piece->at = piece->peek_at = start;
    piece->stop = last ? last + 1 : start;
}

/* Usual lines from `at` on into the places from `from` to `to`; returns how many, and where they
 * end. */
static size_t take_usual(const struct lt_pieces *pieces, struct piece *piece, const char **at,
                         size_t from, size_t to)
{
    struct lt_log_lines *lines = &piece->lines;
    lines->at = *at;
    lines->end = piece->stop;
    lines->buses = &piece->buses;
    lines->frame = piece->frames + from;
    lines->stop = piece->frames + to;
    pieces->reader->take(lines);
    *at = lines->at;
    return (size_t)(lines->frame - piece->frames) - from;
}

static void parse(struct lt_pieces *pieces, struct piece *piece)
{
    piece->count = piece->given = 0;
    while (piece->at < piece->stop && piece->count < FRAMES) {
        size_t before = piece->count;
        piece->count += take_usual(pieces, piece, &piece->at, before, FRAMES);
        for (size_t i = before; i < piece->count; i++)
            piece->frames[i].number = 1;
        if (piece->at == piece->stop || piece->count == FRAMES)
            return;
        struct lt_frame *place = &piece->frames[piece->count++];
        place->number = NOT_PARSED;
        place->time_text = piece->at;
        piece->at = (const char *)memchr(piece->at, '\n', (size_t)(piece->stop - piece->at)) + 1;
    }
}

static void read_piece(struct lt_pieces *pieces, struct piece *piece)
{
    bool is_first = piece->number == 0;
    char *first = piece->memory + ROOM + 1;
    char *to = is_first ? first : first - 1;
    size_t nominal = pieces->piece_bytes;
    size_t want = nominal + LOOK_AHEAD + (is_first ? 0 : 1);
    int64_t at = pieces->base + (int64_t)(piece->number * nominal) - (is_first ? 0 : 1);
    piece->failed_errno = 0;
    size_t got = read_at(piece, pieces->reader->input.fd, to, want, at);
    size_t len = got - (!is_first && got > 0 ? 1 : 0);
    piece->used_bytes = len < nominal ? len : nominal;
    /* A file that ends right behind the piece has one more, empty one. */
    piece->is_last = len < nominal;
    piece->at_eof = got < want && !piece->failed_errno;
    piece->cut_at_end = piece->is_last && piece->at_eof && got > 0 && to[got - 1] != '\n';
    piece->lines.flags = 0;
    piece->lines.oddities = 0;
    piece->count = piece->given = 0;
    find_lines(piece, first, len, nominal, is_first);
    piece->peeked = (struct peeked){.plain = true, .newest_ns = LT_NO_TIME + 1};
    for (size_t i = 0; i < LT_BUSES_MAX; i++)
        piece->peeked.last_ns[i] = LT_NO_TIME;
}

bool lt_pieces_read(struct lt_pieces *pieces, unsigned thread)
{
    struct piece *piece = &pieces->pieces[thread];
    pthread_mutex_lock(&pieces->mutex);
    bool ended = pieces->ended;
    piece->number = pieces->next++;
    pthread_mutex_unlock(&pieces->mutex);
    if (!ended)
        read_piece(pieces, piece);
    return !ended;
}

void lt_pieces_parse(struct lt_pieces *pieces, unsigned thread)
{
    parse(pieces, &pieces->pieces[thread]);
}

/* --- before the turn: peeking --- */

static void peek_flags(struct peeked *peeked, const struct lt_frame *frames, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        peeked->plain &= !(frames[i].flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR));
        peeked->fd_frames += lt_frame_has(&frames[i], LT_FRAME_FD);
        peeked->sent_frames += lt_frame_has(&frames[i], LT_FRAME_SENT);
    }
}

/* As count_in_order of reader_counts.c. */
static bool peek_times(struct peeked *peeked, const struct lt_frame *frames, size_t count)
{
    int64_t newest_ns = peeked->newest_ns; /* above LT_NO_TIME */
    const struct lt_frame *frame = frames, *end = frames + count;
    for (; frame < end && frame->time_ns >= newest_ns; frame++) {
        newest_ns = frame->time_ns;
        peeked->last_ns[frame->bus] = newest_ns;
    }
    if (peeked->count == 0)
        peeked->first_ns = frames[0].time_ns;
    peeked->newest_ns = newest_ns;
    return frame == end;
}

bool lt_pieces_peek(struct lt_pieces *pieces, unsigned thread, struct lt_batch *ret_batch)
{
    struct piece *piece = &pieces->pieces[thread];
    struct peeked *peeked = &piece->peeked;
    if (!peeked->plain || piece->peek_at == piece->stop)
        return false;
    size_t count = take_usual(pieces, piece, &piece->peek_at, 0, LT_BATCH);
    peeked->plain = count > 0 && peek_times(peeked, piece->frames, count);
    if (piece->lines.flags)
        peek_flags(peeked, piece->frames, count);
    peeked->count += count;
    *ret_batch = (struct lt_batch){piece->frames, count, true};
    return peeked->plain;
}

bool lt_pieces_peeked(const struct lt_pieces *pieces, unsigned thread)
{
    const struct piece *piece = &pieces->pieces[thread];
    return piece->peeked.plain && piece->peeked.count > 0 && piece->peek_at == piece->stop &&
           !piece->tail && !piece->failed_errno;
}

/* --- within the turn --- */

bool lt_pieces_enter(struct lt_pieces *pieces, unsigned thread)
{
    const struct piece *piece = &pieces->pieces[thread];
    pthread_mutex_lock(&pieces->mutex);
    while (!pieces->ended && pieces->turn != piece->number)
        pthread_cond_wait(&pieces->turned, &pieces->mutex);
    bool mine = !pieces->ended;
    pthread_mutex_unlock(&pieces->mutex);
    return mine;
}

bool lt_pieces_accept(struct lt_pieces *pieces, unsigned thread)
{
    struct piece *piece = &pieces->pieces[thread];
    struct lt_reader *reader = pieces->reader;
    const struct peeked *peeked = &piece->peeked;
    if (!lt_pieces_peeked(pieces, thread) || reader->ended || peeked->first_ns < reader->newest_ns)
        return false;
    piece->at = piece->stop;
    for (size_t i = 0; i < reader->buses.count; i++)
        if (peeked->last_ns[i] != LT_NO_TIME)
            reader->last_ns[i] = peeked->last_ns[i];
    reader->newest_ns = peeked->newest_ns;
    reader->counts.frames += peeked->count;
    reader->counts.lines += peeked->count;
    reader->line_number += peeked->count;
    reader->counts.fd_frames += peeked->fd_frames;
    reader->counts.sent_frames += peeked->sent_frames;
    reader->counts.oddities += piece->lines.oddities;
    reader->has_frame = true;
    return true;
}

/* One line by the reader's general path; true if it is a frame. */
static bool take_line(struct lt_reader *reader, const char *at, const char *eol,
                      struct lt_batch *ret_batch)
{
    reader->batch_at = reader->batch_count = reader->plain_count = 0;
    lt_reader_take_line(reader, at, eol);
    *ret_batch = (struct lt_batch){reader->batch, reader->batch_count,
                                   reader->plain_count == reader->batch_count};
    reader->batch_at = reader->batch_count;
    return reader->batch_count > 0;
}

/* The frames from `given` on, up to the next line that was not parsed. */
static bool take_frames(struct lt_reader *reader, struct piece *piece, struct lt_batch *ret_batch)
{
    struct lt_frame *first = piece->frames + piece->given;
    size_t count = 0, most = piece->count - piece->given;
    while (count < most && first[count].number != NOT_PARSED)
        count++;
    if (count == 0)
        return false;
    reader->plain_count = 0;
    lt_reader_count_frames(reader, first, count, piece->lines.flags);
    for (size_t i = 0; (piece->lines.flags & LT_FRAME_FD) && i < count; i++)
        reader->counts.oddities +=
            lt_frame_has(&first[i], LT_FRAME_FD) && !lt_len_is_valid(first[i].len, true);
    piece->given += count;
    *ret_batch = (struct lt_batch){first, count, reader->plain_count == count};
    return true;
}

static bool take_tail(struct lt_reader *reader, struct piece *piece, struct lt_batch *ret_batch)
{
    const char *tail = piece->tail;
    piece->tail = NULL;
    if (!tail || piece->failed_errno)
        return false;
    reader->counts.cut_at_end |= piece->at_eof;
    return take_line(reader, tail, piece->end, ret_batch);
}

bool lt_pieces_take(struct lt_pieces *pieces, unsigned thread, struct lt_batch *ret_batch)
{
    struct piece *piece = &pieces->pieces[thread];
    struct lt_reader *reader = pieces->reader;
    while (!reader->ended) {
        if (take_frames(reader, piece, ret_batch))
            return true;
        if (piece->given < piece->count) {
            const char *at = piece->frames[piece->given++].time_text;
            const char *eol = memchr(at, '\n', (size_t)(piece->stop - at));
            if (take_line(reader, at, eol, ret_batch))
                return true;
        } else if (piece->at < piece->stop) {
            parse(pieces, piece);
        } else {
            return take_tail(reader, piece, ret_batch);
        }
    }
    return false;
}

/* What the reader would know if it had read the piece itself. */
static void finish(struct lt_pieces *pieces, struct piece *piece)
{
    struct lt_reader *reader = pieces->reader;
    reader->input.bytes_read =
        pieces->bytes_before + piece->number * pieces->piece_bytes + piece->used_bytes;
    reader->counts.bytes = reader->input.bytes_read;
    if (piece->cut_at_end && !reader->ended)
        reader->counts.cut_at_end = true;
    if (piece->failed_errno && !reader->ended)
        lt_reader_fail_errno(reader, piece->failed_errno);
    if (piece->is_last)
        reader->input.at_eof = true;
    lt_reader_judge_differences(reader);
    if (piece->buses.count != reader->buses.count)
        piece->buses = reader->buses;
}

void lt_pieces_leave(struct lt_pieces *pieces, unsigned thread, bool stop)
{
    struct piece *piece = &pieces->pieces[thread];
    finish(pieces, piece);
    pthread_mutex_lock(&pieces->mutex);
    pieces->turn++;
    pieces->ended =
        pieces->ended || stop || piece->is_last || piece->failed_errno || pieces->reader->ended;
    pthread_cond_broadcast(&pieces->turned);
    pthread_mutex_unlock(&pieces->mutex);
}
