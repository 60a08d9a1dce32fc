/* csv of raw frames: one row a frame, columns by the names in the header or by the user's map
 * (csv_map.c). Grammar: docs/capture-forms.md; cells: RFC 4180, without line breaks inside them.
 *
 * Loggers differ in everything, so much is taken: three separators, decimal comma, four units,
 * dates, identifiers decimal or with 0x. What could mean two things ("012": decimal or hex?) is
 * refused with its place instead; the map settles it. */
#include "capture/form.h"
#include "loomtap/base/number.h"

#define NS_PER_S INT64_C(1000000000)

/* The used cells of one row. */
struct row {
    struct lt_csv_state *state;
    struct lt_csv_cell cells[LT_CSV_ROLES], bytes[LT_CSV_BYTES];
    const char *start;
    unsigned dlc_as_len; /* the number in the dlc column */
    struct lt_line *line;
};

static bool bad(struct row *row, const char *at, enum lt_bad_line reason)
{
    row->line->reason = reason;
    row->line->column = (uint32_t)(at - row->start) + 1;
    return false;
}

/* --- time --- */

/* "." or "," and digits of a unit; those below the nanosecond are cut. */
static int64_t scan_part(struct lt_scan *scan, int64_t unit_ns)
{
    int64_t ns = 0;
    if (scan->at == scan->end || (*scan->at != '.' && *scan->at != ','))
        return 0;
    for (scan->at++; scan->at < scan->end && lt_is_digit(*scan->at); scan->at++) {
        unit_ns /= 10;
        ns += unit_ns * (*scan->at - '0');
    }
    return ns;
}

/* A fraction in a unit above the nanosecond: "12.5" ms. */
static bool scan_scaled(struct lt_scan *scan, int64_t unit_ns, int64_t *ret_ns)
{
    int64_t whole = 0, most = LT_TIME_MAX_S * NS_PER_S / unit_ns;
    const char *from = scan->at;
    for (; scan->at < scan->end && lt_is_digit(*scan->at); scan->at++) {
        whole = whole * 10 + (*scan->at - '0');
        if (whole > most)
            return false;
    }
    if (scan->at == from)
        return false;
    int64_t ns = whole * unit_ns;
    *ret_ns = ns + scan_part(scan, unit_ns);
    return true;
}

/* "Z", "+01:00", "-0330", or nothing: UTC. */
static bool scan_zone(struct lt_scan *scan, int64_t *ret_offset_s)
{
    *ret_offset_s = 0;
    if (scan->at < scan->end && (*scan->at == 'Z' || *scan->at == 'z')) {
        scan->at++;
        return true;
    }
    if (scan->at == scan->end || (*scan->at != '+' && *scan->at != '-'))
        return true;
    int64_t sign = *scan->at++ == '-' ? -1 : 1, digits = 0, value = 0;
    for (; scan->at < scan->end && (lt_is_digit(*scan->at) || *scan->at == ':'); scan->at++)
        if (*scan->at != ':' && ++digits <= 4)
            value = value * 10 + (*scan->at - '0');
    if (digits == 2)
        value *= 100;
    *ret_offset_s = sign * (value / 100 * 3600 + value % 100 * 60);
    return (digits == 2 || digits == 4) && value / 100 <= 14 && value % 100 < 60;
}

/* "12:34:56.789": the time of a day without its date. */
static bool scan_day_time(struct lt_scan *scan, int64_t *ret_ns)
{
    int64_t hours, minutes, seconds_ns;
    const char *from = scan->at;
    if (!scan_scaled(scan, NS_PER_S, &hours) || scan->at - from > 2 || scan->at == scan->end ||
        *scan->at++ != ':')
        return false;
    from = scan->at;
    if (!scan_scaled(scan, NS_PER_S, &minutes) || scan->at - from != 2 || scan->at == scan->end ||
        *scan->at++ != ':')
        return false;
    if (!scan_scaled(scan, NS_PER_S, &seconds_ns) || hours >= 24 * NS_PER_S ||
        minutes >= 60 * NS_PER_S || seconds_ns >= 61 * NS_PER_S)
        return false;
    *ret_ns = hours * 3600 + minutes * 60 + seconds_ns;
    return true;
}

static bool scan_clock(struct lt_scan *scan, int64_t *ret_ns)
{
    int64_t offset_s;
    if (scan->end - scan->at < 10 || scan->at[4] != '-')
        return scan_day_time(scan, ret_ns);
    char between = scan->end - scan->at > 10 && scan->at[10] == 'T' ? 'T' : ' ';
    if (!lt_scan_date(scan, between, ret_ns))
        return false;
    *ret_ns += scan_part(scan, NS_PER_S);
    if (!scan_zone(scan, &offset_s))
        return false;
    *ret_ns -= offset_s * NS_PER_S;
    return *ret_ns >= 0;
}

static int64_t unit_ns(enum lt_csv_unit unit)
{
    return unit == LT_CSV_NS   ? 1
           : unit == LT_CSV_US ? 1000
           : unit == LT_CSV_MS ? 1000000
                               : NS_PER_S;
}

/* May the cell be given on as it stands, as seconds? */
static bool is_plain_seconds(struct lt_text text, int64_t unit)
{
    return unit == NS_PER_S && text.len <= UINT8_MAX && !memchr(text.at, ',', text.len) &&
           !memchr(text.at, ':', text.len);
}

static bool take_time(struct row *row, struct lt_frame *frame)
{
    struct lt_text text = row->cells[LT_CSV_TIME].text;
    struct lt_scan scan = {text.at, text.at, text.at + text.len};
    int64_t unit = unit_ns(row->state->unit);
    frame->time_ns = LT_NO_TIME;
    frame->time_text = NULL;
    frame->time_len = 0;
    if (!row->state->has[LT_CSV_TIME] || text.len == 0)
        return true;
    row->line->date = memchr(text.at, ':', text.len) != NULL;
    bool fine = row->line->date ? scan_clock(&scan, &frame->time_ns)
                                : scan_scaled(&scan, unit, &frame->time_ns);
    if (!fine || scan.at != scan.end)
        return bad(row, row->line->date ? text.at : scan.at, LT_BAD_CSV_TIME);
    if (is_plain_seconds(text, unit)) {
        frame->time_text = text.at;
        frame->time_len = (uint8_t)text.len;
    }
    return true;
}

/* --- flags --- */

static bool is_word_of(struct lt_text text, const char *list)
{
    struct lt_text rest = lt_text_of(list), word;
    while (lt_text_word(&rest, &word))
        if (word.len == text.len && strncasecmp(word.at, text.at, text.len) == 0)
            return true;
    return false;
}

/* A column that is not there, or an empty cell, says no. */
static bool take_flag(struct row *row, enum lt_csv_role role, bool *ret_flag)
{
    struct lt_text text = row->cells[role].text;
    *ret_flag = text.len == 1 && *text.at == '1';
    if (text.len == 0 || *ret_flag || (text.len == 1 && *text.at == '0'))
        return true;
    if (is_word_of(text, "0 false no n f - std standard classic"))
        return true;
    *ret_flag = true;
    if (is_word_of(text, "1 true yes y t x ext extended fd brs esi remote rtr error"))
        return true;
    return bad(row, text.at, LT_BAD_CELL);
}

static bool take_flags(struct row *row, struct lt_frame *frame)
{
    static const struct {
        enum lt_csv_role role;
        uint16_t flag;
    } rows[] = {
        {LT_CSV_EXTENDED, LT_FRAME_EXTENDED}, {LT_CSV_FD, LT_FRAME_FD},
        {LT_CSV_BRS, LT_FRAME_BRS},           {LT_CSV_ESI, LT_FRAME_ESI},
        {LT_CSV_REMOTE, LT_FRAME_REMOTE},     {LT_CSV_ERROR, LT_FRAME_ERROR},
    };
    struct lt_text dir = row->cells[LT_CSV_DIR].text;
    frame->flags = 0;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        bool set;
        if (!take_flag(row, rows[i].role, &set))
            return false;
        frame->flags |= set ? rows[i].flag : 0;
    }
    if (dir.len == 0 || lt_text_is(dir, "rx")) /* the usual ones first */
        return true;
    if (is_word_of(dir, "tx t out sent transmit transmitted s o 1"))
        frame->flags |= LT_FRAME_SENT;
    else if (!is_word_of(dir, "rx r in received receive i 0 -"))
        return bad(row, dir.at, LT_BAD_CELL);
    return true;
}

/* Which flags go together is known when the length is. */
static bool check_flags(struct row *row, struct lt_frame *frame)
{
    bool fd = (frame->flags & LT_FRAME_FD) != 0;
    bool special = (frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR)) != 0;
    bool both = (frame->flags & LT_FRAME_REMOTE) && (frame->flags & LT_FRAME_ERROR);
    if ((fd && special) || both || (!fd && (frame->flags & (LT_FRAME_BRS | LT_FRAME_ESI))))
        return bad(row, row->start, LT_BAD_FLAGS);
    if (frame->flags & LT_FRAME_ERROR)
        frame->flags &= (uint16_t)~LT_FRAME_EXTENDED;
    return true;
}

/* --- identifier --- */

/* Is the text hex? Its prefix or the map say so. False: it could mean two things. */
static bool id_base(const struct lt_csv_state *state, struct lt_text *text, bool *ret_hex)
{
    bool marked = text->len > 2 && text->at[0] == '0' && (text->at[1] | 0x20) == 'x';
    enum lt_csv_base base = state->map ? state->map->id_base : LT_CSV_BASE_UNSAID;
    if (marked) {
        text->at += 2;
        text->len -= 2;
    } else if (base != LT_CSV_DECIMAL && text->len > 1 && (text->at[text->len - 1] | 0x20) == 'h') {
        text->len--;
        marked = true;
    }
    *ret_hex = marked || base == LT_CSV_HEX;
    return *ret_hex || base == LT_CSV_DECIMAL || text->len < 2 || *text->at != '0';
}

static bool parse_id(struct lt_text text, bool hex, uint32_t *ret_id)
{
    uint64_t id = 0;
    for (size_t i = 0; i < text.len; i++) {
        unsigned digit = lt_hex_value(text.at[i]);
        if (digit >= (hex ? 16u : 10u))
            return false;
        id = id * (hex ? 16 : 10) + digit;
        if (id > LT_ID_MAX_EXTENDED)
            return false;
    }
    *ret_id = (uint32_t)id;
    return text.len > 0;
}

static bool take_id(struct row *row, struct lt_frame *frame)
{
    struct lt_text text = row->cells[LT_CSV_ID].text;
    const char *at = text.at;
    bool hex;
    if (!id_base(row->state, &text, &hex) || !parse_id(text, hex, &frame->id))
        return bad(row, at, LT_BAD_CSV_ID);
    bool said = row->state->has[LT_CSV_EXTENDED] && row->cells[LT_CSV_EXTENDED].text.len > 0;
    bool wide = (frame->flags & (LT_FRAME_EXTENDED | LT_FRAME_ERROR)) != 0;
    if (!said && !wide && (frame->id > LT_ID_MAX_STANDARD || (hex && text.len == 8)))
        frame->flags |= LT_FRAME_EXTENDED;
    else if (!wide && frame->id > LT_ID_MAX_STANDARD)
        return bad(row, at, LT_BAD_CSV_ID);
    return true;
}

/* --- data --- */

static bool is_gap(char c)
{
    return c == ' ' || c == '\t' || c == '-' || c == ':' || c == '.' || c == ',' || c == ';';
}

/* Two digits a byte; a group alone may have one ("A 0F 3"). */
static bool take_group(struct row *row, struct lt_text group, bool alone, struct lt_frame *frame)
{
    if (group.len > 2 && group.at[0] == '0' && (group.at[1] | 0x20) == 'x') {
        group.at += 2;
        group.len -= 2;
    }
    for (size_t i = 0; i < group.len; i++)
        if (lt_hex_value(group.at[i]) > 15)
            return bad(row, group.at + i, LT_BAD_HEX);
    if (group.len % 2 != 0 && (group.len > 1 || alone))
        return bad(row, group.at + group.len - 1, LT_BAD_ODD);
    for (size_t i = 0; i < group.len; i += 2) {
        bool one = group.len == 1;
        unsigned high = one ? 0 : lt_hex_value(group.at[i]);
        unsigned low = lt_hex_value(group.at[one ? i : i + 1]);
        if (frame->len == LT_FRAME_MAX)
            return bad(row, group.at + i, LT_BAD_LENGTH);
        frame->data[frame->len++] = (uint8_t)(high << 4 | low);
    }
    return true;
}

/* Decimal bytes: "15 160 18". */
static bool take_decimal(struct row *row, struct lt_text group, struct lt_frame *frame)
{
    uint32_t value;
    for (size_t i = 0; i < group.len; i++)
        if (!lt_is_digit(group.at[i]))
            return bad(row, group.at + i, LT_BAD_CELL);
    if (!lt_parse_u32(group, 255, &value))
        return bad(row, group.at, LT_BAD_CELL);
    if (frame->len == LT_FRAME_MAX)
        return bad(row, group.at, LT_BAD_LENGTH);
    frame->data[frame->len++] = (uint8_t)value;
    return true;
}

static bool is_decimal(const struct lt_csv_state *state)
{
    return state->map && state->map->data_base == LT_CSV_DECIMAL;
}

static bool take_data_cell(struct row *row, struct lt_text text, struct lt_frame *frame)
{
    const char *end = text.at + text.len, *at = text.at;
    frame->len = 0;
    while (at < end) {
        if (is_gap(*at)) {
            at++;
            continue;
        }
        const char *from = at;
        while (at < end && !is_gap(*at))
            at++;
        struct lt_text group = {from, (size_t)(at - from)};
        if (!(is_decimal(row->state) ? take_decimal(row, group, frame)
                                     : take_group(row, group, group.len == text.len, frame)))
            return false;
    }
    return true;
}

/* d0..: filled up to the announced length (65: none was announced), else to the first empty one. */
static bool take_byte_cells(struct row *row, unsigned announced, struct lt_frame *frame)
{
    unsigned count = row->state->byte_count;
    frame->len = 0;
    for (unsigned i = 0; i < count && i < announced; i++) {
        struct lt_text text = row->bytes[i].text;
        unsigned before = frame->len;
        if (text.len == 0)
            break;
        if (!(is_decimal(row->state) ? take_decimal(row, text, frame)
                                     : take_group(row, text, false, frame)))
            return false;
        if (frame->len != before + 1)
            return bad(row, text.at, LT_BAD_CELL);
    }
    for (unsigned i = frame->len; i < count && announced > LT_FRAME_MAX; i++)
        if (row->bytes[i].text.len > 0)
            return bad(row, row->bytes[i].text.at, LT_BAD_LENGTH);
    return true;
}

/* The length that the row announces: bytes and the code. A dlc above 15 is taken for a length, as
 * loggers of FD frames write it. Nothing announced: *ret_len 65. */
static bool take_length(struct row *row, const struct lt_frame *frame, unsigned *ret_len,
                        uint8_t *ret_dlc)
{
    struct lt_text len = row->cells[LT_CSV_LEN].text, dlc = row->cells[LT_CSV_DLC].text;
    uint32_t value;
    *ret_len = LT_FRAME_MAX + 1;
    *ret_dlc = 0;
    if (len.len > 0) {
        if (!lt_parse_u32(len, LT_FRAME_MAX, &value))
            return bad(row, len.at, LT_BAD_LENGTH);
        *ret_len = value;
        *ret_dlc = lt_len_to_dlc((uint8_t)value, value > 8);
    }
    if (dlc.len > 0) {
        if (!lt_parse_u32(dlc, LT_FRAME_MAX, &value))
            return bad(row, dlc.at, LT_BAD_LENGTH);
        bool fd = (frame->flags & LT_FRAME_FD) != 0;
        bool is_code = value <= 15;
        unsigned bytes = is_code ? lt_dlc_to_len((uint8_t)value, fd) : value;
        if (*ret_len <= LT_FRAME_MAX && lt_dlc_to_len((uint8_t)(value & 15), true) != *ret_len &&
            bytes != *ret_len)
            return bad(row, dlc.at, LT_BAD_LENGTH);
        *ret_len = *ret_len <= LT_FRAME_MAX ? *ret_len : bytes;
        row->dlc_as_len = value;
        *ret_dlc = is_code ? (uint8_t)value : lt_len_to_dlc((uint8_t)value, true);
    }
    return true;
}

/* Without a column for it, more than 8 bytes can only be an FD frame. */
static bool settle_fd(struct row *row, struct lt_frame *frame)
{
    bool said = row->state->has[LT_CSV_FD] && row->cells[LT_CSV_FD].text.len > 0;
    if (frame->len > 8 && !said)
        frame->flags |= LT_FRAME_FD;
    return frame->len <= 8 || (frame->flags & LT_FRAME_FD);
}

static bool take_data(struct row *row, struct lt_frame *frame)
{
    struct lt_text text = row->cells[LT_CSV_DATA].text;
    bool one_column = row->state->has[LT_CSV_DATA];
    const char *at = one_column ? text.at : row->bytes[0].text.at;
    unsigned announced;
    uint8_t dlc;
    if (!take_length(row, frame, &announced, &dlc))
        return false;
    /* 9 and above stand for more than 8 bytes in an FD frame, and there may be no word on that. */
    if (!one_column && dlc > 8 && announced == 8 && row->bytes[8].text.len > 0)
        announced = lt_dlc_to_len(dlc, true);
    if (frame->flags & LT_FRAME_REMOTE) { /* asks for bytes, has none */
        frame->len = 0;
        frame->raw_dlc = dlc;
        return true;
    }
    if (!(one_column ? take_data_cell(row, text, frame) : take_byte_cells(row, announced, frame)))
        return false;
    if (!settle_fd(row, frame))
        return bad(row, at, LT_BAD_LENGTH);
    bool fd = (frame->flags & LT_FRAME_FD) != 0;
    frame->raw_dlc = lt_len_to_dlc(frame->len, fd);
    /* 9 to 15 in a dlc column mean 12 to 64 bytes once the frame turned out to be FD; but loggers
     * write lengths there too, and the bytes themselves tell. */
    bool fits = frame->len == announced || announced > LT_FRAME_MAX ||
                (fd && dlc > 8 && (frame->raw_dlc == dlc || frame->len == row->dlc_as_len));
    if (!fits)
        return bad(row, at, LT_BAD_LENGTH);
    if (!fd && frame->len == 8 && dlc > 8)
        frame->raw_dlc = dlc;
    if (!lt_len_is_valid(frame->len, fd) || ((frame->flags & LT_FRAME_ERROR) && frame->len != 8))
        row->line->odd = true;
    return true;
}

/* --- bus --- */

/* Blanks inside a name become '_', and "" becomes a quote; no column or an empty cell: no name. */
static bool take_bus(struct row *row)
{
    const struct lt_csv_cell *cell = &row->cells[LT_CSV_BUS];
    char *name = row->state->bus;
    size_t len = 0;
    row->line->bus = (struct lt_text){cell->text.at ? cell->text.at : row->start, cell->text.len};
    if (cell->text.len == 0 || (lt_bus_name_is_good(cell->text) && !cell->doubled))
        return true;
    for (size_t i = 0; i < cell->text.len; i++) {
        char c = cell->text.at[i];
        if (c == '"' && cell->doubled)
            i++;
        if (len == LT_BUS_NAME_MAX)
            return bad(row, cell->text.at, LT_BAD_BUS);
        name[len++] = lt_is_blank(c) ? '_' : c;
    }
    row->line->bus = (struct lt_text){name, len};
    row->line->odd = true;
    return lt_bus_name_is_good(row->line->bus) || bad(row, cell->text.at, LT_BAD_BUS);
}

/* --- rows --- */

static bool take_cells(struct row *row, struct lt_text text)
{
    const char *at = text.at, *end = text.at + text.len;
    struct lt_csv_cell cell;
    for (unsigned column = 0; column <= row->state->last_used; column++) {
        if (!at)
            return bad(row, end, LT_BAD_COLUMNS);
        const char *from = at;
        if (!lt_csv_take_cell(&at, end, row->state->separator, &cell))
            return bad(row, from, LT_BAD_COLUMNS);
        unsigned use = row->state->use[column];
        if (use > LT_CSV_ROLES)
            row->bytes[use - LT_CSV_ROLES - 1] = cell;
        else if (use > 0)
            row->cells[use - 1] = cell;
        /* The bytes come last, and rows of short frames often just end. */
        if (!at && column + 1 <= row->state->last_used && row->state->ends_in_bytes &&
            column + 1 >= row->state->first_byte)
            return true;
    }
    return true;
}

static enum lt_line_kind parse_row(struct lt_text text, struct lt_csv_state *state,
                                   struct lt_frame *frame, struct lt_line *line)
{
    struct row row; /* cells are cleared as far as they are used: the whole is large */
    row.state = state;
    row.line = line;
    row.start = text.at;
    row.dlc_as_len = 0;
    memset(row.cells, 0, sizeof row.cells);
    memset(row.bytes, 0, (state->byte_count > 8 ? state->byte_count : 9u) * sizeof *row.bytes);
    struct lt_text trimmed = lt_text_trim(text);
    line->frame_like = trimmed.len > 0 && *trimmed.at != '#';
    if (!line->frame_like)
        return bad(&row, text.at, LT_BAD_NO_FRAME), LT_LINE_BAD;
    if (!take_cells(&row, text) || !take_time(&row, frame) || !take_flags(&row, frame) ||
        !take_id(&row, frame) || !take_data(&row, frame) || !check_flags(&row, frame) ||
        !take_bus(&row))
        return LT_LINE_BAD;
    return LT_LINE_FRAME;
}

enum lt_line_kind lt_csv_frames_parse(struct lt_text text, struct lt_form_state *state,
                                      struct lt_frame *frame, struct lt_line *line)
{
    struct lt_csv_state *csv = &state->csv;
    *line = (struct lt_line){.reason = LT_BAD_NO_FRAME, .column = 1};
    bool has_header = csv->separator != 0;
    if (has_header) {
        enum lt_line_kind kind = parse_row(text, csv, frame, line);
        /* Files one behind another: each has its header. */
        if (kind == LT_LINE_BAD && lt_csv_find_header(csv, text))
            return LT_LINE_NOTE;
        return kind;
    }
    if (!lt_csv_find_header(csv, text))
        return LT_LINE_BAD;
    /* Columns by number: there may be no header at all, and this is the first row. */
    bool numbered = csv->map && csv->map->columns[LT_CSV_ID].number;
    if (numbered && parse_row(text, csv, frame, line) == LT_LINE_FRAME)
        return LT_LINE_FRAME;
    return LT_LINE_NOTE;
}
