/* The tables and views, as docs/sqlite.md describes them. Comments inside the statements stay in
 * the file, so `.schema` explains itself. */
#include "store/store_internal.h"

/* Values with everything that names them. CROSS JOIN keeps SQLite from starting at the values,
 * time_ns is the bare column so that a condition on it is looked up, and sums that a query does not
 * ask for are not done. */
#define VALUE_COLUMNS                                                                              \
    "  s.capture AS capture, v.time_ns AS time_ns,\n"                                              \
    "  CASE WHEN v.time_ns > -9223372036854775808 THEN (v.time_ns - c.first_ns) / 1e9 END\n"       \
    "    AS since_start_s,\n"
#define LABEL_COLUMN                                                                               \
    "  (SELECT l.name FROM label l WHERE l.signal = s.signal AND l.raw = v.raw) AS label,\n"
#define FROM_VALUES                                                                                \
    "FROM signal g JOIN series s ON s.signal = g.id JOIN capture c ON c.id = s.capture\n"          \
    "  CROSS JOIN value v ON v.series = s.id"

const char schema_sql[] =
    "CREATE TABLE capture (\n"
    "  id INTEGER PRIMARY KEY,\n"
    "  file TEXT NOT NULL,        -- the inputs' names\n"
    "  fingerprint TEXT NOT NULL, -- of the frames looked at, whatever the file's form\n"
    "  profiles TEXT NOT NULL,    -- their hashes, in the order given\n"
    "  selection TEXT NOT NULL,   -- signals and times asked for; empty = all\n"
    "  form TEXT NOT NULL,\n"
    "  frames INTEGER NOT NULL,\n"
    "  malformed INTEGER NOT NULL, -- lines or records that could not be read\n"
    "  first_ns INTEGER,          -- least and greatest time, nanoseconds as the capture counts\n"
    "  last_ns INTEGER,\n"
    "  complete INTEGER NOT NULL  -- 1: read to its end\n"
    ");\n"
    "CREATE TABLE profile (\n"
    "  id INTEGER PRIMARY KEY,\n"
    "  name TEXT NOT NULL,\n"
    "  title TEXT,\n"
    "  hash TEXT NOT NULL UNIQUE, -- SHA-256 of `text`\n"
    "  text TEXT NOT NULL         -- the whole profile in its canonical form, includes inside\n"
    ");\n"
    "CREATE TABLE capture_profile (\n"
    "  capture INTEGER NOT NULL REFERENCES capture,\n"
    "  profile INTEGER NOT NULL REFERENCES profile,\n"
    "  PRIMARY KEY (capture, profile)\n"
    ") WITHOUT ROWID;\n"
    "CREATE TABLE frame (\n"
    "  id INTEGER PRIMARY KEY,\n"
    "  profile INTEGER NOT NULL REFERENCES profile,\n"
    "  kind TEXT NOT NULL,        -- frame, pgn, parameter (a value in diagnostic replies)\n"
    "  name TEXT NOT NULL,\n"
    "  bus TEXT,                  -- the profile's bus; NULL = any\n"
    "  can_id INTEGER,            -- of a frame; of a parameter: the only reply identifier\n"
    "  extended INTEGER,\n"
    "  pgn INTEGER,\n"
    "  service INTEGER,\n"
    "  pid INTEGER,\n"
    "  length INTEGER,\n"
    "  period_ns INTEGER,\n"
    "  counter TEXT,\n"
    "  checksum TEXT\n"
    ");\n"
    "CREATE INDEX frame_by_profile ON frame (profile, name);\n"
    "CREATE TABLE signal (\n"
    "  id INTEGER PRIMARY KEY,\n"
    "  profile INTEGER NOT NULL REFERENCES profile,\n"
    "  frame INTEGER NOT NULL REFERENCES frame,\n"
    "  name TEXT NOT NULL,\n"
    "  unit TEXT NOT NULL,        -- of `value`; empty = none\n"
    "  role TEXT,\n"
    "  bits TEXT NOT NULL,        -- most significant bit .. least significant bit, byte.bit\n"
    "  byte_order TEXT NOT NULL,  -- intel, motorola, none (inside a byte)\n"
    "  sign TEXT NOT NULL,\n"
    "  length INTEGER NOT NULL,   -- bits\n"
    "  form TEXT NOT NULL,        -- linear, reciprocal, curve\n"
    "  factor INTEGER,            -- linear: value = (number * factor + addend) / divisor, "
    "exactly\n"
    "  addend INTEGER,\n"
    "  divisor INTEGER,\n"
    "  decimals INTEGER           -- that write every value exactly; NULL = no number does\n"
    ");\n"
    "CREATE INDEX signal_by_name ON signal (name);\n"
    "CREATE INDEX signal_by_role ON signal (role);\n"
    "CREATE INDEX signal_by_profile ON signal (profile);\n"
    "CREATE TABLE label (\n"
    "  signal INTEGER NOT NULL REFERENCES signal,\n"
    "  raw INTEGER NOT NULL,\n"
    "  name TEXT NOT NULL,\n"
    "  PRIMARY KEY (signal, raw)\n"
    ") WITHOUT ROWID;\n"
    "CREATE TABLE series (        -- one signal from one sender in one capture\n"
    "  id INTEGER PRIMARY KEY,\n"
    "  capture INTEGER NOT NULL REFERENCES capture,\n"
    "  signal INTEGER NOT NULL REFERENCES signal,\n"
    "  bus TEXT NOT NULL,         -- the capture's name of the bus\n"
    "  frame TEXT NOT NULL,       -- the frame's name, a second sender's identifier behind it\n"
    "  count INTEGER NOT NULL,    -- values, all states\n"
    "  good INTEGER NOT NULL,\n"
    "  suspect INTEGER NOT NULL,\n"
    "  unavailable INTEGER NOT NULL,\n"
    "  error INTEGER NOT NULL,\n"
    "  first_ns INTEGER,\n"
    "  last_ns INTEGER\n"
    ");\n"
    "CREATE INDEX series_by_signal ON series (signal, capture);\n"
    "CREATE INDEX series_by_capture ON series (capture);\n"
    "CREATE TABLE role_series (   -- the series that stands for a role in v_wide\n"
    "  capture INTEGER NOT NULL REFERENCES capture,\n"
    "  role TEXT NOT NULL,\n"
    "  series INTEGER NOT NULL REFERENCES series,\n"
    "  max_age_ns INTEGER NOT NULL,\n"
    "  PRIMARY KEY (capture, role)\n"
    ") WITHOUT ROWID;\n"
    "CREATE TABLE value (         -- in the order of its key: one series' values lie together\n"
    "  series INTEGER NOT NULL REFERENCES series,\n"
    "  time_ns INTEGER NOT NULL,  -- -9223372036854775808 = the frame has no time\n"
    "  n INTEGER NOT NULL,        -- tells values of one time apart, in the order they came\n"
    "  value REAL,                -- nearest double; NULL where state is 2 or 3, or not a number\n"
    "  raw INTEGER NOT NULL,      -- the bits; 64-bit fields from 2^63 on are minus 2^64\n"
    "  state INTEGER NOT NULL,    -- 0 good, 1 suspect, 2 unavailable, 3 error\n"
    "  PRIMARY KEY (series, time_ns, n)\n"
    ") WITHOUT ROWID;\n"
    "CREATE TABLE bus (\n"
    "  capture INTEGER NOT NULL REFERENCES capture,\n"
    "  name TEXT NOT NULL,\n"
    "  profile_bus TEXT,          -- the profile's bus it stands for\n"
    "  frames INTEGER NOT NULL,\n"
    "  PRIMARY KEY (capture, name)\n"
    ") WITHOUT ROWID;\n"
    "CREATE TABLE unknown (       -- identifiers that no profile knows\n"
    "  capture INTEGER NOT NULL REFERENCES capture,\n"
    "  bus TEXT NOT NULL,\n"
    "  can_id INTEGER NOT NULL,\n"
    "  extended INTEGER NOT NULL,\n"
    "  fd INTEGER NOT NULL,\n"
    "  length INTEGER NOT NULL,\n"
    "  frames INTEGER NOT NULL,\n"
    "  first_ns INTEGER,\n"
    "  last_ns INTEGER,\n"
    "  PRIMARY KEY (capture, bus, can_id, extended)\n"
    ") WITHOUT ROWID;\n"
    "CREATE TABLE message (       -- what was not read, and what else should be known\n"
    "  capture INTEGER NOT NULL REFERENCES capture,\n"
    "  n INTEGER NOT NULL,\n"
    "  kind TEXT NOT NULL,        -- malformed, line, silent, note, lost, stopped\n"
    "  place TEXT,\n"
    "  text TEXT NOT NULL,\n"
    "  count INTEGER,\n"
    "  PRIMARY KEY (capture, n)\n"
    ") WITHOUT ROWID;\n"
    "CREATE VIEW v_values AS SELECT\n" VALUE_COLUMNS
    "  CASE WHEN v.time_ns > -9223372036854775808 THEN\n"
    "    printf('%s%d.%09d', CASE WHEN v.time_ns < 0 THEN '-' ELSE '' END,\n"
    "           abs(v.time_ns / 1000000000), abs(v.time_ns % 1000000000)) END AS time_s,\n"
    "  s.bus AS bus, s.frame AS frame, g.name AS signal, g.role AS role,\n"
    "  v.value AS value,\n"
    "  CASE WHEN g.decimals IS NULL THEN v.value\n"
    "       WHEN abs(v.value) * g.divisor < 1e15 THEN printf('%.*f', g.decimals, v.value)\n"
    "       WHEN v.value IS NOT NULL AND v.raw >= 0 AND g.sign = 'unsigned' AND g.factor = 1\n"
    "         AND g.addend = 0 AND g.divisor = 1 THEN printf('%d', v.raw)\n"
    "  END AS value_text, -- the exact decimal, as far as a double can say it\n"
    "  g.unit AS unit,\n" LABEL_COLUMN
    "  CASE v.state WHEN 0 THEN 'good' WHEN 1 THEN 'suspect' WHEN 2 THEN 'unavailable'\n"
    "       ELSE 'error' END AS state,\n"
    "  v.raw AS raw, v.n AS n, s.id AS series\n" FROM_VALUES ";\n"
    "CREATE VIEW v_series AS SELECT\n"
    "  s.capture AS capture, c.file AS file, p.name AS profile, s.bus AS bus, s.frame AS frame,\n"
    "  g.name AS signal, g.role AS role, g.unit AS unit, s.count AS count, s.good AS good,\n"
    "  s.suspect AS suspect, s.unavailable AS unavailable, s.error AS error,\n"
    "  s.first_ns AS first_ns, s.last_ns AS last_ns, s.id AS series\n"
    "FROM series s JOIN capture c ON c.id = s.capture JOIN signal g ON g.id = s.signal\n"
    "  JOIN profile p ON p.id = g.profile;\n";

/* Good values only: what a figure may be made of. v_values has the others. */
static const char role_view[] =
    "CREATE VIEW IF NOT EXISTS \"role_%s\" AS SELECT\n" VALUE_COLUMNS
    "  v.value AS value,\n" LABEL_COLUMN "  g.unit AS unit, g.name AS signal, s.frame AS frame, "
    "s.bus AS bus, s.id AS series\n" FROM_VALUES "\nWHERE g.role = '%s' AND v.state = 0;\n";

/* A row each 100 ms: each role's last value that is not suspect and not too old. A clock that was
 * set while recording must not fill the world with rows: captures above 30 days are left out. */
static const char wide_head[] =
    "DROP VIEW IF EXISTS v_wide;\n"
    "CREATE VIEW v_wide AS WITH RECURSIVE step (capture, time_ns, first_ns, last_ns) AS (\n"
    "  SELECT c.id,\n"
    "    c.first_ns + (min(s.first_ns) - c.first_ns) / 100000000 * 100000000,\n"
    "    c.first_ns, max(s.last_ns)\n"
    "    FROM capture c JOIN series s ON s.capture = c.id GROUP BY c.id\n"
    "    HAVING max(s.last_ns) - min(s.first_ns) < 30 * 86400 * 1000000000\n"
    "  UNION ALL\n"
    "  SELECT capture, time_ns + 100000000, first_ns, last_ns FROM step\n"
    "    WHERE time_ns + 100000000 <= last_ns)\n"
    "SELECT capture, time_ns, (time_ns - first_ns) / 1e9 AS since_start_s";
static const char wide_column[] =
    ",\n  (SELECT CASE v.state WHEN 0 THEN %s END\n"
    "    FROM role_series r CROSS JOIN value v ON v.series = r.series\n"
    "    WHERE r.capture = step.capture AND r.role = '%s' AND v.state <> 1\n"
    "      AND v.time_ns BETWEEN step.time_ns - r.max_age_ns AND step.time_ns\n"
    "    ORDER BY v.time_ns DESC, v.n DESC LIMIT 1) AS \"%s\"";
static const char wide_label[] =
    "coalesce((SELECT l.name FROM series s JOIN label l ON l.signal = s.signal\n"
    "      WHERE s.id = r.series AND l.raw = v.raw), v.value)";
static const char wide_tail[] = "\nFROM step;\n";

static void add_role(struct lt_buf *roles, struct lt_buf *wide, const char *role, bool labels)
{
    lt_buf_format(roles, role_view, role, role);
    lt_buf_format(wide, wide_column, labels ? wide_label : "v.value", role, role);
}

enum lt_code make_role_views(struct lt_store *store, struct lt_error *error)
{
    static const char query[] =
        "SELECT role, max(EXISTS (SELECT 1 FROM label l WHERE l.signal = s.signal))"
        " FROM role_series r JOIN series s ON s.id = r.series GROUP BY role ORDER BY role";
    sqlite3_stmt *statement = NULL;
    struct lt_buf roles, wide;
    enum lt_code code = LT_OK;
    lt_buf_init(&roles, 0);
    lt_buf_init(&wide, 0);
    lt_buf_string(&wide, wide_head);
    int step = sqlite3_prepare_v2(store->db, query, -1, &statement, NULL);
    while (step == SQLITE_OK || step == SQLITE_ROW) {
        step = sqlite3_step(statement);
        const char *role =
            step == SQLITE_ROW ? (const char *)sqlite3_column_text(statement, 0) : NULL;
        if (role)
            add_role(&roles, &wide, role, sqlite3_column_int(statement, 1) != 0);
    }
    if (step != SQLITE_DONE)
        code = sql_fail(store, error);
    sqlite3_finalize(statement);
    lt_buf_string(&wide, wide_tail);
    if (code == LT_OK && (roles.failed || wide.failed))
        code = lt_fail(error, LT_E_MEMORY, "out of memory");
    if (code == LT_OK && roles.len)
        code = run_sql(store, roles.at, error);
    if (code == LT_OK)
        code = run_sql(store, wide.at, error);
    lt_buf_release(&roles);
    lt_buf_release(&wide);
    return code;
}
