/* A file in pieces against the same file read by one reader: every frame, count and place. The
 * pieces are taken in an order as threads might, on one thread, and far smaller than in earnest. */
#include "capture_lines.h"

#include <unistd.h>

#include "capture/reader.h"
#include "loomtap/capture/pieces.h"

static uint64_t random_state = 20250309;

static uint64_t random_below(uint64_t limit)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return random_state % limit;
}

/* Mostly usual lines; a few buses that come late, odd and malformed ones, blank ones, long ones.
 * The clock is set back now and then. */
static size_t add_line(char *to, unsigned number)
{
    unsigned kind = (unsigned)random_below(40);
    unsigned long long time = 1700000000000000ull + number * 300ull - number / 700 % 2 * 100000ull;
    size_t len = (size_t)sprintf(to, "(%llu.%06llu) can%u ", time / 1000000, time % 1000000,
                                 (unsigned)random_below(1 + number / 100));
    if (kind == 0)
        len += (size_t)sprintf(to + len, "123##%X112233445", (unsigned)random_below(4));
    else if (kind == 1)
        len += (size_t)sprintf(to + len, "123##1112233445566778899");
    else if (kind == 2)
        len += (size_t)sprintf(to + len, "123#R");
    else if (kind == 3)
        len += (size_t)sprintf(to + len, "12#11");
    else if (kind == 4)
        len = (size_t)sprintf(to, "some words");
    else if (kind == 5)
        len = 0;
    else if (kind == 6)
        len = (size_t)sprintf(to, "(%u.5) can0 20000040#0000000000000000", (unsigned)number);
    else if (kind == 7 && random_below(4) == 0)
        memset(to, 'x', len = 3000 + random_below(6000));
    else
        for (unsigned i = len += (size_t)sprintf(to + len, "%03X#", (unsigned)random_below(2048)),
                      end = i + 2 * (unsigned)random_below(9);
             i < end; i++, len++)
            to[i] = "0123456789ABCDEF"[random_below(16)];
    to[len] = '\n';
    return len + 1;
}

static size_t make_text(char *text, unsigned lines)
{
    size_t len = 0;
    for (unsigned i = 0; i < lines; i++)
        len += add_line(text + len, i);
    switch (random_below(4)) {
    case 0:
        return len - 1; /* no line break at the end */
    case 1:
        memset(text + len, 'y', 9000); /* a long line without */
        return len + 9000;
    default:
        return len;
    }
}

static void describe_frame(struct lt_buf *out, const struct lt_reader *reader,
                           const struct lt_frame *frame, uint64_t number)
{
    lt_buf_format(out, "%llu %lld %X %s %X %u %u %.*s ", (unsigned long long)number,
                  (long long)frame->time_ns, frame->id, lt_reader_bus_name(reader, frame->bus),
                  frame->flags, frame->len, frame->raw_dlc, frame->time_len,
                  frame->time_text ? frame->time_text : "-");
    for (unsigned k = 0; k < frame->len; k++)
        lt_buf_format(out, "%02X", frame->data[k]);
    lt_buf_string(out, "\n");
}

static void describe_batch(struct lt_buf *out, const struct lt_reader *reader,
                           const struct lt_batch *batch)
{
    for (size_t i = 0; i < batch->count; i++)
        describe_frame(out, reader, &batch->frames[i], batch->frames[i].number);
}

static void describe_counts(struct lt_buf *out, const struct lt_reader *reader)
{
    struct lt_error error;
    const struct lt_reader_counts *c = lt_reader_counts(reader);
    const uint64_t numbers[] = {c->frames,         c->lines,         c->bytes,
                                c->malformed,      c->oddities,      c->backward_steps,
                                c->blank_lines,    c->notes,         c->banner_lines,
                                c->error_frames,   c->remote_frames, c->fd_frames,
                                c->sent_frames,    c->cut_at_end,    (uint64_t)c->backward_most_ns,
                                c->first_bad_count};
    for (size_t i = 0; i < COUNT_OF(numbers); i++)
        lt_buf_format(out, "%llu ", (unsigned long long)numbers[i]);
    for (size_t i = 0; i < LT_BAD_COUNT; i++)
        lt_buf_format(out, "%llu ", (unsigned long long)c->bad[i]);
    for (size_t i = 0; i < c->first_bad_count; i++)
        lt_buf_format(out, "\n%llu:%u %s %s", (unsigned long long)c->first_bad[i].line,
                      c->first_bad[i].column, lt_bad_line_word(c->first_bad[i].reason),
                      c->first_bad[i].text);
    lt_error_clear(&error);
    lt_buf_format(out, "\nend %d", (int)lt_reader_end(reader, &error));
}

/* What a thread did with its piece before the turn. */
struct ahead {
    bool has, peeked;
    struct lt_frame *frames;
    size_t count;
};
enum { AHEAD_MAX = 20000 };
static unsigned accepted;

static void work_ahead(struct lt_pieces *pieces, unsigned thread, struct ahead *ahead)
{
    struct lt_batch batch;
    ahead->has = lt_pieces_read(pieces, thread);
    ahead->count = 0;
    ahead->peeked = ahead->has && random_below(3) != 0;
    if (ahead->has && !ahead->peeked && random_below(2))
        lt_pieces_parse(pieces, thread);
    while (ahead->peeked && lt_pieces_peek(pieces, thread, &batch))
        for (size_t i = 0; i < batch.count; i++) {
            assert_true(ahead->count < AHEAD_MAX);
            ahead->frames[ahead->count++] = batch.frames[i];
        }
}

static void take_piece(struct lt_buf *out, struct lt_reader *reader, struct lt_pieces *pieces,
                       unsigned thread, const struct ahead *ahead)
{
    struct lt_batch batch;
    uint64_t before = lt_reader_counts(reader)->lines;
    if (ahead->peeked && lt_pieces_accept(pieces, thread)) {
        assert_true(lt_pieces_peeked(pieces, thread));
        for (size_t i = 0; i < ahead->count; i++)
            describe_frame(out, reader, &ahead->frames[i], before + i + 1);
        accepted++;
    }
    while (lt_pieces_take(pieces, thread, &batch)) /* nothing after accepting */
        describe_batch(out, reader, &batch);
    lt_pieces_leave(pieces, thread, false);
}

/* Returns how many pieces were taken. */
static unsigned take_pieces(struct lt_buf *out, struct lt_reader *reader, unsigned threads)
{
    struct lt_pieces *pieces = NULL;
    struct ahead ahead[4] = {{.has = false}};
    unsigned taken = 0, thread = 0;
    assert_true(threads <= COUNT_OF(ahead));
    assert_int_equal(lt_pieces_new(&pieces, reader, threads, NULL), LT_OK);
    for (unsigned i = 0; i < threads; i++) {
        ahead[i].frames = calloc(AHEAD_MAX, sizeof *ahead[i].frames);
        work_ahead(pieces, i, &ahead[i]); /* all before the first turn */
    }
    while (ahead[thread].has && lt_pieces_enter(pieces, thread)) {
        take_piece(out, reader, pieces, thread, &ahead[thread]);
        taken++;
        work_ahead(pieces, thread, &ahead[thread]);
        thread = (thread + 1) % threads;
    }
    for (unsigned i = 0; i < threads; i++)
        free(ahead[i].frames);
    lt_pieces_free(pieces);
    return taken;
}

/* `piece` 0: not split. */
static unsigned describe(struct lt_buf *out, const char *const *paths, size_t count, size_t piece,
                         unsigned threads, bool strict)
{
    struct lt_reader_options options = {.strict = strict};
    struct lt_reader *reader = NULL;
    struct lt_batch batch;
    unsigned taken = 0;
    assert_int_equal(lt_reader_open_all(&reader, paths, count, &options, NULL), LT_OK);
    lt_reader_set_split(reader, piece ? 1 : PTRDIFF_MAX, piece);
    while (lt_reader_next_batch(reader, &batch)) {
        describe_batch(out, reader, &batch);
        if (lt_reader_can_split(reader))
            taken += take_pieces(out, reader, threads);
    }
    describe_counts(out, reader);
    lt_reader_free(reader);
    return taken;
}

static void write_file(char *path, const char *text, size_t len)
{
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, len), (ssize_t)len);
    close(fd);
}

/* Shows the first difference, not all of both. */
static void check_same(const struct lt_buf *whole, const struct lt_buf *split)
{
    size_t at = 0;
    while (at < whole->len && at < split->len && whole->at[at] == split->at[at])
        at++;
    size_t from = at < 200 ? 0 : at - 200;
    if (at < whole->len || at < split->len)
        fail_msg("at %zu, whole:\n%.400s\nin pieces:\n%.400s", at, whole->at + from,
                 split->at + from);
}

/* Larger than the first block, so that something is left to be split. */
enum { LINES = 9000 };

static void pieces_give_what_one_reader_gives(void **state)
{
    static const size_t sizes[] = {64, 700, 5000, 20000, 131072};
    char *text = malloc(LINES * 400 + 20000);
    unsigned taken = 0;
    (void)state;
    for (unsigned round = 0; round < 20; round++) {
        char paths[2][32] = {"/tmp/loomtap-pieces-XXXXXX", "/tmp/loomtap-pieces-XXXXXX"};
        const char *both[] = {paths[0], paths[1]};
        struct lt_buf whole, split;
        bool strict = round % 7 == 6;
        lt_buf_init(&whole, 0);
        lt_buf_init(&split, 0);
        for (unsigned i = 0; i < 2; i++)
            write_file(paths[i], text, make_text(text, LINES));
        describe(&whole, both, 2, 0, 0, strict);
        taken += describe(&split, both, 2, sizes[round % COUNT_OF(sizes)], 1 + round % 4, strict);
        if (strict) /* how much was read ahead when it stopped is not the same */
            assert_string_equal(strrchr(whole.at, '\n'), strrchr(split.at, '\n'));
        else
            check_same(&whole, &split);
        lt_buf_release(&whole);
        lt_buf_release(&split);
        unlink(paths[0]);
        unlink(paths[1]);
    }
    assert_true(taken > 1000 && accepted > 1000); /* the comparison is not empty */
    free(text);
}

static void small_files_and_memory_are_not_split(void **state)
{
    static const char text[] = "(1.000000) can0 123#11\n(1.000001) can0 123#11\n";
    struct lt_reader *reader = NULL;
    struct lt_batch batch;
    (void)state;
    assert_int_equal(lt_reader_open_memory(&reader, "m", text, sizeof text - 1, 0, NULL, NULL),
                     LT_OK);
    assert_true(lt_reader_next_batch(reader, &batch));
    assert_false(lt_reader_can_split(reader));
    lt_reader_free(reader);
}

static bool is_plain(const char *text)
{
    struct lt_reader *reader = NULL;
    struct lt_batch batch;
    assert_int_equal(lt_reader_open_memory(&reader, "m", text, strlen(text), 0, NULL, NULL), LT_OK);
    assert_true(lt_reader_next_batch(reader, &batch));
    assert_int_equal(batch.count, 3);
    bool plain = batch.plain;
    assert_false(lt_reader_next_batch(reader, &batch));
    lt_reader_free(reader);
    return plain;
}

static void batches_are_plain_when_all_is_in_order(void **state)
{
    (void)state;
    assert_true(is_plain("(1.000000) can0 123#11\n(1.000000) can1 123#11\n(1.000001) a 1#\n"
                         "(1.000002) can1 12345678##111\n"));
    assert_false(is_plain("(1.000000) can0 123#11\n(1.000000) can0 123#R\n(2.000000) a 111#\n"));
    assert_false(is_plain("(1.000001) can0 123#11\n(1.000000) can1 123#11\n(2.000000) a 111#\n"));
    assert_false(is_plain("(1.0) can0 123#11\n(1.0) can0 20000040#0000000000000000\n"
                          "(2.0) can0 111#\n"));
    assert_false(is_plain("can0 123 [1] 11\ncan0 124 [1] 11\ncan0 124 [1] 11\n")); /* no times */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pieces_give_what_one_reader_gives),
        cmocka_unit_test(batches_are_plain_when_all_is_in_order),
        cmocka_unit_test(small_files_and_memory_are_not_split),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
