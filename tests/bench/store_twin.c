/* Values into SQLite: the store against its plain twin, one prepared INSERT a value in one
 * transaction, which has the same columns and an index for the same queries: made before the
 * values, as tables usually are, and made after them.
 *
 *     store_twin [VALUES] [ROUNDS] [FOLDER]
 *
 * 300 signals of 60 frames, values in the order of a recording. The three take turns; the table
 * shows medians. All must give the same answers to the same queries. */
#include <inttypes.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "loomtap/core/value.h"
#include "loomtap/defs/load.h"
#include "loomtap/store/store.h"

#define FRAMES     60
#define PER_FRAME  5
#define SIGNALS    (FRAMES * PER_FRAME)
#define ROUNDS_MAX 31
#define START_NS   INT64_C(1700000000000000000)

static struct lt_profile *profile;
static struct lt_scaler scalers[SIGNALS];
static char path[4096];
static size_t value_count = 3000000;

static void stop(const char *what, const char *why)
{
    fprintf(stderr, "%s: %s\n", what, why);
    exit(1);
}

static void make_profile(void)
{
    struct lt_faults faults;
    struct lt_buf text;
    lt_faults_init(&faults, 0);
    lt_buf_init(&text, 0);
    lt_buf_string(&text, "[profile]\nformat = 1\nname = bench\n");
    for (int f = 0; f < FRAMES; f++) {
        lt_buf_format(&text, "[frame f%d]\nid = 0x%X\nlength = 8\n", f, 0x100 + f);
        for (int s = 0; s < PER_FRAME; s++)
            lt_buf_format(&text, "[signal s%d]\nframe = f%d\nbits = %s\n%sscale = 0.25\n",
                          f * PER_FRAME + s, f,
                          s == 0   ? "0.7..1.0"
                          : s == 1 ? "2.7..3.0"
                          : s == 2 ? "4.7..4.0"
                          : s == 3 ? "5.7..5.0"
                                   : "6.7..6.0",
                          s < 2 ? "order = motorola\n" : "");
    }
    if (lt_profile_load_memory(&profile, "bench", lt_buf_text(&text), &faults) != LT_OK)
        stop("profile", faults.count ? faults.items[0].text : "?");
    for (uint32_t i = 0; i < SIGNALS; i++)
        if (lt_scaler_init(&scalers[i], profile, i, NULL) != LT_OK)
            stop("profile", "scaler");
    lt_buf_release(&text);
    lt_faults_release(&faults);
}

/* The n-th value of the recording: frames in turn, five values each. */
struct sample {
    unsigned signal;
    int64_t time_ns;
    uint64_t raw;
};

static struct sample sample_at(size_t n)
{
    struct sample s;
    size_t frame = n / PER_FRAME;
    s.signal = (unsigned)(n % SIGNALS);
    s.time_ns = START_NS + (int64_t)frame * 500000 + (int64_t)(frame * 7919 % 1000) * 100;
    s.raw = (s.signal * 7919 + n / SIGNALS * 13) & (s.signal % PER_FRAME < 2 ? 0xFFFF : 0xFF);
    return s;
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void run_store(void)
{
    static struct lt_store_series *series[SIGNALS];
    struct lt_store *store = NULL;
    struct lt_store_result result;
    struct lt_error error;
    struct lt_store_profile used = {profile, LT_TEXT("bench")};
    struct lt_store_capture capture = {.file = "bench",
                                       .fingerprint = "0",
                                       .selection = "",
                                       .form = "bench",
                                       .frames = value_count / PER_FRAME,
                                       .first_ns = START_NS,
                                       .last_ns = START_NS,
                                       .complete = true,
                                       .profiles = &used,
                                       .profile_count = 1};
    if (lt_store_open(&store, path, &error) != LT_OK)
        stop(path, error.text);
    for (uint32_t i = 0; i < SIGNALS; i++) {
        struct lt_store_source source = {profile, i, "can0", "f", 1000000000};
        if (lt_store_series(store, &source, &series[i], &error) != LT_OK)
            stop(path, error.text);
    }
    for (size_t n = 0; n < value_count; n++) {
        struct sample s = sample_at(n);
        if (!lt_store_add(series[s.signal], s.time_ns, s.raw, LT_STORE_GOOD))
            break;
    }
    if (lt_store_commit(store, &capture, &result, &error) != LT_OK)
        stop(path, error.text);
    lt_store_free(store);
}

static void sql(sqlite3 *db, const char *text)
{
    if (sqlite3_exec(db, text, NULL, NULL, NULL) != SQLITE_OK)
        stop(text, sqlite3_errmsg(db));
}

static void run_plain(bool index_first)
{
    static const char index[] = "CREATE INDEX by_series ON value (series, time_ns)";
    sqlite3 *db = NULL;
    sqlite3_stmt *insert = NULL;
    if (sqlite3_open(path, &db) != SQLITE_OK)
        stop(path, "cannot open");
    sql(db, "CREATE TABLE value (series INTEGER, time_ns INTEGER, value REAL, raw INTEGER,"
            " state INTEGER)");
    if (index_first)
        sql(db, index);
    sql(db, "BEGIN");
    sqlite3_prepare_v2(db, "INSERT INTO value VALUES (?, ?, ?, ?, ?)", -1, &insert, NULL);
    for (size_t n = 0; n < value_count; n++) {
        struct sample s = sample_at(n);
        sqlite3_bind_int64(insert, 1, s.signal + 1);
        sqlite3_bind_int64(insert, 2, s.time_ns);
        sqlite3_bind_double(insert, 3, lt_scaler_f64(&scalers[s.signal], s.raw));
        sqlite3_bind_int64(insert, 4, (sqlite3_int64)s.raw);
        sqlite3_bind_int64(insert, 5, 0);
        if (sqlite3_step(insert) != SQLITE_DONE)
            stop(path, sqlite3_errmsg(db));
        sqlite3_reset(insert);
    }
    sqlite3_finalize(insert);
    sql(db, "COMMIT");
    if (!index_first)
        sql(db, index);
    sqlite3_close(db);
}

static void run_plain_before(void)
{
    run_plain(true);
}

static void run_plain_after(void)
{
    run_plain(false);
}

/* Figures of all, of one series, of a span, and the last value before a time. */
static const char *answers(double *ret_seconds)
{
    static char text[4][400];
    static unsigned turn;
    static const char query[] =
        "SELECT (SELECT printf('%d %.3f %d', count(*), sum(value), sum(raw)) FROM value), "
        "(SELECT printf('%d %.3f', count(*), max(value)) FROM value WHERE series = 7), "
        "(SELECT printf('%d %.3f', count(*), total(value)) FROM value WHERE series = 31 AND "
        "time_ns BETWEEN 1700000001000000000 AND 1700000003000000000), "
        "(SELECT value FROM value WHERE series = 200 AND time_ns <= 1700000002500000000 "
        "ORDER BY time_ns DESC LIMIT 1)";
    char *into = text[turn++ % 4];
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    double start = now_s();
    if (sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK ||
        sqlite3_prepare_v2(db, query, -1, &statement, NULL) != SQLITE_OK ||
        sqlite3_step(statement) != SQLITE_ROW)
        stop(path, sqlite3_errmsg(db));
    lt_text_format(into, 400, "%s | %s | %s | %s", sqlite3_column_text(statement, 0),
                   sqlite3_column_text(statement, 1), sqlite3_column_text(statement, 2),
                   sqlite3_column_text(statement, 3));
    sqlite3_finalize(statement);
    sqlite3_close(db);
    *ret_seconds = now_s() - start;
    return into;
}

static int ascending(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return left < right ? -1 : left > right;
}

int main(int argc, char **argv)
{
    static const struct {
        const char *name;
        void (*run)(void);
    } ways[] = {{"store", run_store},
                {"one INSERT a value, index first", run_plain_before},
                {"one INSERT a value, index after", run_plain_after}};
    static double seconds[3][ROUNDS_MAX], asked[3], bytes[3];
    unsigned rounds = 3;
    if (argc > 1)
        value_count = strtoull(argv[1], NULL, 10);
    if (argc > 2)
        rounds = (unsigned)strtoul(argv[2], NULL, 10);
    if (!value_count || !rounds || rounds > ROUNDS_MAX)
        stop("store_twin", "VALUES and ROUNDS are whole numbers, at most 31 rounds");
    lt_text_format(path, sizeof path, "%s/store-twin-%ld.db", argc > 3 ? argv[3] : "/tmp",
                   (long)getpid());
    make_profile();
    for (unsigned r = 0; r < rounds; r++) {
        const char *first = NULL;
        for (int w = 0; w < 3; w++) {
            struct stat status;
            double start = now_s();
            ways[w].run();
            seconds[w][r] = now_s() - start;
            const char *answer = answers(&asked[w]);
            bytes[w] = stat(path, &status) == 0 ? (double)status.st_size : 0;
            unlink(path);
            if (first && strcmp(first, answer) != 0)
                stop(ways[w].name, "gives other answers than the store");
            first = first ? first : answer;
        }
    }
    printf("| %zu values of %d signals, median of %u | ns a value | times the store | bytes a "
           "value | queries, s |\n|---|---|---|---|---|\n",
           value_count, SIGNALS, rounds);
    for (int w = 0; w < 3; w++)
        qsort(seconds[w], rounds, sizeof seconds[w][0], ascending);
    for (int w = 0; w < 3; w++)
        printf("| %s | %.0f | %.2f | %.1f | %.2f |\n", ways[w].name,
               seconds[w][rounds / 2] * 1e9 / (double)value_count,
               seconds[w][rounds / 2] / seconds[0][rounds / 2], bytes[w] / (double)value_count,
               asked[w]);
    lt_profile_free(profile);
    return 0;
}
