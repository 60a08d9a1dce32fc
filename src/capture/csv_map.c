/* Columns of a csv of raw frames: from the names in its header and from the user's map.
 *
 * The map is a list of KEY=COLUMN apart by commas. COLUMN is a name of the header, in quotes where
 * it holds a comma, or #N for the Nth column; for bytes also FIRST..LAST, such as D0..D7. A word
 * behind a colon says the base: id=ID:hex. docs/capture-forms.md has the whole grammar. */
#include "capture/csv_map.h"

#include <strings.h>

#include "loomtap/base/number.h"
#include "loomtap/capture/reader.h"

static const struct {
    const char *word;
    enum lt_csv_role role;
    enum lt_csv_unit unit;
} words[] = {
    {"time_s", LT_CSV_TIME, LT_CSV_S},
    {"time_ms", LT_CSV_TIME, LT_CSV_MS},
    {"time_us", LT_CSV_TIME, LT_CSV_US},
    {"time_ns", LT_CSV_TIME, LT_CSV_NS},
    {"time", LT_CSV_TIME, LT_CSV_UNIT_UNSAID},
    {"bus", LT_CSV_BUS, 0},
    {"id", LT_CSV_ID, 0},
    {"extended", LT_CSV_EXTENDED, 0},
    {"fd", LT_CSV_FD, 0},
    {"dir", LT_CSV_DIR, 0},
    {"data", LT_CSV_DATA, 0},
    {"dlc", LT_CSV_DLC, 0},
    {"len", LT_CSV_LEN, 0},
    {"brs", LT_CSV_BRS, 0},
    {"esi", LT_CSV_ESI, 0},
    {"remote", LT_CSV_REMOTE, 0},
    {"error", LT_CSV_ERROR, 0},
};
#define WORD_COUNT (sizeof words / sizeof *words)

static bool same_word(struct lt_text text, const char *word)
{
    return text.len == strlen(word) && strncasecmp(text.at, word, text.len) == 0;
}

/* --- the user's map --- */

static enum lt_code refuse(struct lt_error *error, struct lt_text item, const char *what)
{
    lt_fail(error, LT_E_SYNTAX, "`%.*s`: %s", LT_TEXT_ARG(item), what);
    lt_error_advise(error, "such as time=Timestamp,unit=ms,id=ID:hex,data=D0..D7,bus=Channel; "
                           "docs/capture-forms.md has all of it");
    return LT_E_SYNTAX;
}

/* The item up to the next comma outside quotes. */
static bool take_item(struct lt_text *rest, struct lt_text *ret_item)
{
    char quote = 0;
    size_t len = 0;
    if (!rest->at)
        return false;
    for (; len < rest->len; len++) {
        char c = rest->at[len];
        if (quote ? c == quote : c == '"' || c == '\'')
            quote = quote ? 0 : c;
        else if (!quote && c == ',')
            break;
    }
    *ret_item = (struct lt_text){rest->at, len};
    *rest = len < rest->len ? (struct lt_text){rest->at + len + 1, rest->len - len - 1}
                            : (struct lt_text){NULL, 0};
    return true;
}

/* ":hex" or ":dec" off the end of the value. */
static enum lt_csv_base take_base(struct lt_text *value)
{
    static const struct {
        const char *ending;
        enum lt_csv_base base;
    } rows[] = {{":hex", LT_CSV_HEX}, {":dec", LT_CSV_DECIMAL}};
    for (size_t i = 0; i < 2; i++) {
        struct lt_text end = {value->at + value->len - (value->len < 4 ? 0 : 4), 4};
        if (value->len > 4 && same_word(end, rows[i].ending)) {
            value->len -= 4;
            return rows[i].base;
        }
    }
    return LT_CSV_BASE_UNSAID;
}

static bool set_name(struct lt_csv_name *name, struct lt_text text)
{
    uint32_t number;
    *name = (struct lt_csv_name){0};
    if (text.len > 1 && *text.at == '#' &&
        lt_parse_u32((struct lt_text){text.at + 1, text.len - 1}, LT_CSV_COLUMNS, &number)) {
        name->number = (uint16_t)number;
        return number > 0;
    }
    if (text.len >= 2 && (*text.at == '"' || *text.at == '\'') &&
        text.at[text.len - 1] == *text.at) {
        text.at++;
        text.len -= 2;
    }
    if (text.len < 1 || text.len > LT_CSV_NAME)
        return false;
    memcpy(name->text, text.at, text.len);
    name->len = (uint8_t)text.len;
    return true;
}

/* The digits at the end of a name. */
static struct lt_text number_at_end(struct lt_text name)
{
    size_t digits = 0;
    while (digits < name.len && digits < 4 && name.at[name.len - 1 - digits] >= '0' &&
           name.at[name.len - 1 - digits] <= '9')
        digits++;
    return (struct lt_text){name.at + name.len - digits, digits};
}

static bool parse_decimal(struct lt_text digits, uint32_t *ret_value)
{
    while (digits.len > 1 && *digits.at == '0') {
        digits.at++;
        digits.len--;
    }
    return lt_parse_u32(digits, 9999, ret_value);
}

/* "D0..D7", "Byte01..Byte08", "#5..#12". */
static bool set_bytes(struct lt_csv_map *map, struct lt_text first, struct lt_text last)
{
    struct lt_text from_digits = number_at_end(first), to_digits = number_at_end(last);
    size_t stem = first.len - from_digits.len;
    uint32_t from, to;
    if (stem != last.len - to_digits.len || memcmp(first.at, last.at, stem) != 0 ||
        !parse_decimal(from_digits, &from) || !parse_decimal(to_digits, &to) || to < from ||
        to - from >= LT_CSV_BYTES || first.len > LT_CSV_NAME - 4)
        return false;
    int width = from_digits.len > 1 && *from_digits.at == '0' ? (int)from_digits.len : 1;
    for (uint32_t i = from; i <= to; i++) {
        char text[LT_CSV_NAME + 8];
        size_t len = lt_text_format(text, sizeof text, "%.*s%0*u", (int)stem, first.at, width, i);
        if (!set_name(&map->bytes[i - from], (struct lt_text){text, len}))
            return false;
    }
    map->byte_count = to - from + 1;
    return true;
}

static bool find_dots(struct lt_text value, struct lt_text *ret_first, struct lt_text *ret_last)
{
    for (size_t i = 1; i + 2 < value.len; i++) {
        if (value.at[i] == '.' && value.at[i + 1] == '.') {
            *ret_first = (struct lt_text){value.at, i};
            *ret_last = (struct lt_text){value.at + i + 2, value.len - i - 2};
            return true;
        }
    }
    return false;
}

static bool set_unit(struct lt_csv_map *map, struct lt_text value)
{
    static const struct {
        const char *word;
        enum lt_csv_unit unit;
    } rows[] = {{"s", LT_CSV_S},   {"ms", LT_CSV_MS},        {"us", LT_CSV_US},
                {"ns", LT_CSV_NS}, {"\xC2\xB5s", LT_CSV_US}, {"\xCE\xBCs", LT_CSV_US}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        if (same_word(value, rows[i].word)) {
            map->unit = rows[i].unit;
            return true;
        }
    return false;
}

static bool set_separator(struct lt_csv_map *map, struct lt_text value)
{
    map->separator = same_word(value, "comma")       ? ','
                     : same_word(value, "semicolon") ? ';'
                     : same_word(value, "tab")       ? '\t'
                                                     : 0;
    return map->separator != 0;
}

static const char *set_column(struct lt_csv_map *map, struct lt_text key, struct lt_text value)
{
    struct lt_text first, last;
    enum lt_csv_base base = take_base(&value);
    size_t word = 0;
    while (word < WORD_COUNT && !same_word(key, words[word].word))
        word++;
    if (word == WORD_COUNT)
        return "there is no such key";
    enum lt_csv_role role = words[word].role;
    if (base && role != LT_CSV_ID && role != LT_CSV_DATA)
        return "only id and data have a base";
    if (base)
        *(role == LT_CSV_ID ? &map->id_base : &map->data_base) = base;
    if (words[word].unit)
        map->unit = words[word].unit;
    if (map->columns[role].len || map->columns[role].number ||
        (role == LT_CSV_DATA && map->byte_count))
        return "said twice";
    if (role == LT_CSV_DATA && find_dots(value, &first, &last))
        return set_bytes(map, first, last) ? NULL : "no columns that count up to at most 64";
    return set_name(&map->columns[role], value) ? NULL : "no column name of 1 to 64 bytes or #N";
}

enum lt_code lt_csv_map_parse(struct lt_csv_map *ret_map, struct lt_text text,
                              struct lt_error *error)
{
    struct lt_csv_map map = {.separator = 0};
    struct lt_text item;
    while (take_item(&text, &item)) {
        struct lt_text value = item, key;
        const char *fault = NULL;
        lt_text_split(&value, '=', &key);
        if (!value.at)
            fault = "not of the form KEY=COLUMN";
        else if (lt_text_is(key, "unit"))
            fault = set_unit(&map, value) ? NULL : "the units are s, ms, us and ns";
        else if (lt_text_is(key, "sep"))
            fault = set_separator(&map, value) ? NULL : "it is comma, semicolon or tab";
        else
            fault = set_column(&map, key, value);
        if (fault)
            return refuse(error, item, fault);
    }
    *ret_map = map;
    return LT_OK;
}

enum lt_code lt_reader_check_columns(const char *columns, struct lt_error *error)
{
    struct lt_csv_map map;
    return lt_csv_map_parse(&map, lt_text_of(columns), error);
}

/* --- cells --- */

static bool is_blank(char c, char separator)
{
    return (c == ' ' || c == '\t' || c == '\r') && c != separator;
}

static bool take_quoted(const char **at, const char *end, char separator,
                        struct lt_csv_cell *ret_cell)
{
    const char *from = ++*at, *to;
    for (;;) {
        to = *at < end ? memchr(*at, '"', (size_t)(end - *at)) : NULL;
        if (!to)
            return false;
        *at = to + 1;
        if (*at == end || **at != '"')
            break;
        ret_cell->doubled = true;
        ++*at;
    }
    while (*at < end && is_blank(**at, separator))
        ++*at;
    ret_cell->text = (struct lt_text){from, (size_t)(to - from)};
    return *at == end || **at == separator;
}

bool lt_csv_take_cell(const char **at, const char *end, char separator,
                      struct lt_csv_cell *ret_cell)
{
    while (*at < end && is_blank(**at, separator))
        ++*at;
    const char *from = *at;
    *ret_cell = (struct lt_csv_cell){{from, 0}, false};
    if (from < end && *from == '"') {
        if (!take_quoted(at, end, separator, ret_cell))
            return false;
        *at = *at < end ? *at + 1 : NULL;
        return true;
    }
    const char *to = from < end ? memchr(from, separator, (size_t)(end - from)) : NULL;
    *at = to ? to + 1 : NULL;
    to = to ? to : end;
    while (to > from && is_blank(to[-1], separator))
        to--;
    ret_cell->text.len = (size_t)(to - from);
    return true;
}

/* --- the header --- */

static bool is_said(const struct lt_csv_name *name)
{
    return name->number || name->len;
}

static bool names_column(const struct lt_csv_name *name, unsigned column, struct lt_text cell)
{
    if (name->number)
        return name->number == column + 1;
    return name->len && cell.len == name->len && strncasecmp(name->text, cell.at, cell.len) == 0;
}

/* The use that the user's map gives a column; 0: none. */
static unsigned use_by_map(const struct lt_csv_map *map, unsigned column, struct lt_text cell)
{
    for (unsigned role = 0; map && role < LT_CSV_ROLES; role++)
        if (names_column(&map->columns[role], column, cell))
            return role + 1;
    for (unsigned i = 0; map && i < map->byte_count; i++)
        if (names_column(&map->bytes[i], column, cell))
            return LT_CSV_ROLES + i + 1;
    return 0;
}

/* "d0".."d63" */
static bool is_byte_word(struct lt_text cell, uint32_t *ret_byte)
{
    if (cell.len < 2 || cell.len > 3 || (*cell.at | 0x20) != 'd')
        return false;
    for (size_t i = 1; i < cell.len; i++)
        if (cell.at[i] < '0' || cell.at[i] > '9')
            return false;
    return lt_parse_u32((struct lt_text){cell.at + 1, cell.len - 1}, LT_CSV_BYTES - 1, ret_byte);
}

/* The use that the column's own name says, for what the map is silent about. */
static unsigned use_by_word(struct lt_csv_state *state, struct lt_text cell)
{
    const struct lt_csv_map *map = state->map;
    bool data_said = map && (is_said(&map->columns[LT_CSV_DATA]) || map->byte_count);
    uint32_t byte;
    if (is_byte_word(cell, &byte))
        return data_said ? 0 : LT_CSV_ROLES + byte + 1;
    for (size_t i = 0; i < WORD_COUNT; i++) {
        enum lt_csv_role role = words[i].role;
        if (!same_word(cell, words[i].word))
            continue;
        if ((map && is_said(&map->columns[role])) || (role == LT_CSV_DATA && data_said))
            return 0;
        if (words[i].unit && !state->has[role])
            state->unit = words[i].unit;
        return role + 1;
    }
    return 0;
}

/* Uses a column if nothing else has this use already. */
static void use_column(struct lt_csv_state *state, unsigned column, unsigned use, uint64_t *bytes)
{
    if (use == 0)
        return;
    if (use <= LT_CSV_ROLES) {
        if (state->has[use - 1])
            return;
        state->has[use - 1] = true;
    } else {
        uint64_t bit = UINT64_C(1) << (use - LT_CSV_ROLES - 1);
        if (*bytes & bit)
            return;
        *bytes |= bit;
    }
    state->use[column] = (uint8_t)use;
    state->last_used = (uint16_t)column;
}

/* Everything the map names is there, an identifier, and data in one of the two ways without gaps.
 */
static bool is_complete(struct lt_csv_state *state, uint64_t bytes)
{
    const struct lt_csv_map *map = state->map;
    unsigned count = 0;
    while (count < LT_CSV_BYTES && (bytes >> count & 1))
        count++;
    if (count < LT_CSV_BYTES && bytes >> count)
        return false;
    state->byte_count = (uint8_t)count;
    for (unsigned role = 0; map && role < LT_CSV_ROLES; role++)
        if (is_said(&map->columns[role]) && !state->has[role])
            return false;
    if (map && count < map->byte_count)
        return false;
    return state->has[LT_CSV_ID] && (state->has[LT_CSV_DATA] || count > 0);
}

/* Rows of short frames often end at their last byte: allowed where nothing used stands behind. */
static void find_first_byte(struct lt_csv_state *state)
{
    unsigned first = state->last_used;
    while (first > 0 && state->use[first - 1] > LT_CSV_ROLES)
        first--;
    state->ends_in_bytes = state->byte_count > 0 && state->use[state->last_used] > LT_CSV_ROLES;
    state->first_byte = (uint16_t)first;
}

static bool try_separator(struct lt_csv_state *state, struct lt_text line, char separator)
{
    struct lt_csv_state found = {.map = state->map, .separator = separator};
    const char *at = line.at, *end = line.at + line.len;
    struct lt_csv_cell cell;
    uint64_t bytes = 0;
    for (unsigned column = 0; at && column < LT_CSV_COLUMNS; column++) {
        if (!lt_csv_take_cell(&at, end, separator, &cell))
            return false;
        unsigned use = use_by_map(found.map, column, cell.text);
        use_column(&found, column, use ? use : use_by_word(&found, cell.text), &bytes);
    }
    if (found.has[LT_CSV_DATA]) /* then d0.. are something else, or copies */
        for (unsigned i = 0; i < LT_CSV_COLUMNS; i++)
            if (found.use[i] > LT_CSV_ROLES)
                found.use[i] = 0, bytes = 0;
    if (!is_complete(&found, bytes))
        return false;
    find_first_byte(&found);
    if (found.map && found.map->unit)
        found.unit = found.map->unit;
    *state = found;
    return true;
}

bool lt_csv_find_header(struct lt_csv_state *state, struct lt_text line)
{
    static const char separators[] = {',', ';', '\t'};
    char only = state->map ? state->map->separator : 0;
    for (size_t i = 0; i < sizeof separators; i++) {
        char separator = separators[i];
        if ((only && only != separator) || line.len == 0 || !memchr(line.at, separator, line.len))
            continue;
        if (try_separator(state, line, separator))
            return true;
    }
    return false;
}
