/* See watch.h: the view. One line a signal, under a heading for what it is about:
 *
 *     name                          value unit    age       rate  the last minute
 *
 * The last minute is as many characters as there is room: a level between the least and the
 * greatest value in it, the first letter of a label, `!` where something was suspect, a blank where
 * nothing came. */
#include <math.h>

#include "live/watch_inside.h"

#define NAME_WIDTH  22
#define VALUE_WIDTH 12
#define UNIT_WIDTH  5
#define AGE_WIDTH   10
#define RATE_WIDTH  6
#define COURSE_NS   INT64_C(60000000000)
#define HEAD_LINES  2 /* the head, and the hints at the bottom */

/* ---- text in columns ---- */

/* Bytes of the first `most` characters. */
static size_t characters(const char *text, size_t most, size_t *ret_count)
{
    size_t at = 0, count = 0;
    while (text[at] && count < most) {
        at++;
        while (((unsigned char)text[at] & 0xC0) == 0x80)
            at++;
        count++;
    }
    *ret_count = count;
    return at;
}

struct columns {
    struct lt_watch_line *line;
    size_t bytes, used, width;
};

static void put_bytes(struct columns *columns, const char *text, size_t bytes, size_t count)
{
    memcpy(columns->line->text + columns->bytes, text, bytes);
    columns->bytes += bytes;
    columns->used += count;
    columns->line->text[columns->bytes] = '\0';
}

static void put_blanks(struct columns *columns, size_t count)
{
    for (size_t i = 0; i < count && columns->used < columns->width; i++)
        put_bytes(columns, " ", 1, 1);
}

/* In a column of so many characters; what is longer ends in `~`. */
static void put(struct columns *columns, const char *text, size_t width, bool to_the_right)
{
    size_t count, all;
    size_t room = columns->width - columns->used;
    width = width < room ? width : room;
    (void)characters(text, SIZE_MAX, &all);
    bool cut = all > width && width > 0;
    size_t bytes = characters(text, cut ? width - 1 : width, &count);
    if (to_the_right)
        put_blanks(columns, width - count - cut);
    put_bytes(columns, text, bytes, count);
    if (cut)
        put_bytes(columns, "~", 1, 1);
    if (!to_the_right)
        put_blanks(columns, width - count - cut);
}

static struct columns begin(struct lt_watch_line *line, enum lt_watch_style style, size_t width)
{
    line->style = style;
    line->text[0] = '\0';
    return (struct columns){.line = line, .width = width};
}

/* ---- one row ---- */

static void print_value(const struct watch_row *row, const struct lt_watch_value *value,
                        char *ret_text, size_t size)
{
    const struct lt_scaler *scaler = row->field->scaler;
    const char *label = lt_signal_label(scaler->def, value->raw);
    char number[LT_VALUE_ROOM];
    if (value->state == LT_WATCH_AWAITED) {
        lt_text_format(ret_text, size, "-");
    } else if (lt_scaler_state(scaler, value->raw) != LT_STATE_VALUE) {
        bool error = lt_scaler_state(scaler, value->raw) == LT_STATE_ERROR;
        lt_text_format(ret_text, size, "%s", error ? "error" : "unavailable");
    } else if (label) {
        lt_text_format(ret_text, size, "%s", label);
    } else {
        size_t len = lt_scaler_print(scaler, value->raw, number);
        if (len < VALUE_WIDTH)
            lt_text_format(ret_text, size, "%.*s", (int)len, number);
        else /* a scale that is no short decimal */
            lt_text_format(ret_text, size, "%.6g", lt_scaler_f64(scaler, value->raw));
    }
}

static void print_age(const struct lt_watch_value *value, char *ret_text, size_t size)
{
    double ms = (double)value->age_ns / 1e6;
    char age[32];
    if (ms < 999.5)
        lt_text_format(age, sizeof age, "%.0f ms", ms);
    else if (ms < 99950)
        lt_text_format(age, sizeof age, "%.1f s", ms / 1e3);
    else
        lt_text_format(age, sizeof age, "%.0f min", ms / 6e4);
    if (value->state == LT_WATCH_AWAITED)
        lt_text_format(ret_text, size, "awaited");
    else if (value->state == LT_WATCH_SUSPECT)
        lt_text_format(ret_text, size, "suspect");
    else if (value->state == LT_WATCH_LOST)
        lt_text_format(ret_text, size, ms < 9950 ? "lost %.1f s" : "lost %.0f s", ms / 1e3);
    else
        lt_text_format(ret_text, size, "%s", age);
}

static void print_rate(double rate_hz, char *ret_text, size_t size)
{
    if (!isfinite(rate_hz))
        ret_text[0] = '\0';
    else
        lt_text_format(ret_text, size, rate_hz < 9.95 ? "%.1f/s" : "%.0f/s", rate_hz);
}

static enum lt_watch_style style_of(enum lt_watch_state state)
{
    static const enum lt_watch_style styles[] = {
        [LT_WATCH_AWAITED] = LT_WATCH_STYLE_DIM,         [LT_WATCH_GOOD] = LT_WATCH_STYLE_GOOD,
        [LT_WATCH_UNAVAILABLE] = LT_WATCH_STYLE_SUSPECT, [LT_WATCH_ERROR] = LT_WATCH_STYLE_SUSPECT,
        [LT_WATCH_SUSPECT] = LT_WATCH_STYLE_SUSPECT,     [LT_WATCH_LOST] = LT_WATCH_STYLE_LOST,
    };
    return styles[state];
}

/* ---- the last minute ---- */

struct cell { /* a piece of it */
    double low, high;
    uint64_t raw;
    enum lt_watch_state state; /* the worst; AWAITED: nothing came */
};

static void add_slot(struct cell *cell, const struct lt_scaler *scaler,
                     const struct watch_slot *slot)
{
    if (slot->state > cell->state)
        cell->state = slot->state;
    if (slot->state != LT_WATCH_GOOD)
        return;
    double value = lt_scaler_f64(scaler, slot->raw);
    if (isinf(cell->low)) /* the newest comes first */
        cell->raw = slot->raw;
    cell->low = fmin(cell->low, value);
    cell->high = fmax(cell->high, value);
}

static void fill_cells(const struct watch_row *row, int64_t at_ns, struct cell *cells, size_t count)
{
    int64_t last = at_ns / LT_WATCH_SLOT_NS;
    const size_t slots = COURSE_NS / LT_WATCH_SLOT_NS;
    size_t step = 0, cell = count - 1; /* count steps a slot, slots steps a cell */
    for (size_t i = 0; i < count; i++)
        cells[i] = (struct cell){.low = INFINITY, .high = -INFINITY, .state = LT_WATCH_AWAITED};
    for (size_t back = 0; back < slots && row->slots; back++) {
        const struct watch_slot *slot = watch_slot_at(row, last - (int64_t)back);
        if (slot && slot->time_ns <= at_ns)
            add_slot(&cells[cell], row->field->scaler, slot);
        for (step += count; step >= slots && cell; step -= slots)
            cell--;
    }
}

static const char *level(double share, bool is_plain)
{
    static const char *const blocks[] = {"▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"};
    static const char *const plain[] = {"_", ".", ",", "-", "~", "+", "=", "#"};
    int step = share > 0 ? (int)(share * 7.999) : 0;
    return (is_plain ? plain : blocks)[step < 7 ? step : 7];
}

static void put_cell(struct columns *columns, const struct lt_signal_def *def,
                     const struct cell *cell, double low, double high, bool is_plain)
{
    const char *label = lt_signal_label(def, cell->raw);
    const char *text = " ";
    char letter[2] = "";
    if (cell->state > LT_WATCH_GOOD) {
        text = "!";
    } else if (cell->state == LT_WATCH_GOOD && label) {
        letter[0] = label[0];
        text = letter;
    } else if (cell->state == LT_WATCH_GOOD && isfinite(cell->low)) {
        double middle = (cell->low + cell->high) / 2;
        text = level(high > low ? (middle - low) / (high - low) : 0, is_plain);
    }
    put(columns, text, 1, false);
}

static void put_course(struct columns *columns, const struct watch_row *row,
                       const struct lt_watch_view *view, int64_t at_ns)
{
    struct cell cells[LT_WATCH_WIDTH_MAX];
    size_t count = columns->width - columns->used;
    double low = INFINITY, high = -INFINITY;
    if (count == 0)
        return;
    fill_cells(row, at_ns, cells, count);
    for (size_t i = 0; i < count; i++) {
        low = fmin(low, cells[i].low);
        high = fmax(high, cells[i].high);
    }
    for (size_t i = 0; i < count; i++)
        put_cell(columns, row->field->scaler->def, &cells[i], low, high, view->is_plain);
}

static void draw_row(const struct lt_watch *watch, size_t number, const struct lt_watch_view *view,
                     int64_t at_ns, struct lt_watch_line *line)
{
    const struct watch_row *row = &watch->rows[number];
    const struct lt_signal_def *def = row->field->scaler->def;
    struct lt_watch_value value = lt_watch_look(watch, number, at_ns);
    struct columns columns = begin(line, style_of(value.state), view->width);
    char text[64];
    put(&columns, def->name, NAME_WIDTH, false);
    print_value(row, &value, text, sizeof text);
    put(&columns, text, VALUE_WIDTH, true);
    put_blanks(&columns, 1);
    put(&columns, lt_signal_unit(def), UNIT_WIDTH, false);
    print_age(&value, text, sizeof text);
    put(&columns, text, AGE_WIDTH, true);
    print_rate(value.rate_hz, text, sizeof text);
    put(&columns, text, RATE_WIDTH + 1, true);
    put_blanks(&columns, 2);
    put_course(&columns, row, view, at_ns);
}

/* ---- all of it ---- */

static bool holds(const char *text, const char *part)
{
    return text && strstr(text, part);
}

static bool is_shown(const struct watch_row *row, const char *filter)
{
    const struct lt_signal_def *def = row->field->scaler->def;
    return !filter[0] || holds(def->name, filter) || holds(def->role_name, filter) ||
           holds(lt_signal_unit(def), filter);
}

static void draw_head(const struct lt_watch_view *view, struct lt_watch_line *line)
{
    struct columns columns = begin(line, LT_WATCH_STYLE_HEAD, view->width);
    char text[128], frames[64];
    if (view->is_paused)
        lt_text_format(text, sizeof text, "paused, %.1f s back", (double)view->back_ns / 1e9);
    else
        lt_text_format(text, sizeof text, "live");
    lt_text_format(frames, sizeof frames, "%.0f frames/s, lost %llu", view->frames_hz,
                   (unsigned long long)view->lost);
    size_t state = 0, right = 0;
    (void)characters(text, SIZE_MAX, &state);
    (void)characters(frames, SIZE_MAX, &right);
    size_t rest = state + right + 4;
    put(&columns, view->title, view->width > rest ? view->width - rest : 0, false);
    put_blanks(&columns, 2);
    put(&columns, text, state, false);
    put_blanks(&columns, 2);
    put(&columns, frames, right, true);
}

static void draw_hint(const struct lt_watch_view *view, size_t below, struct lt_watch_line *line)
{
    struct columns columns = begin(line, LT_WATCH_STYLE_HINT, view->width);
    char text[LT_WATCH_WIDTH_MAX];
    if (view->filter[0])
        lt_text_format(text, sizeof text, "only `%s` (Esc: all)%s", view->filter,
                       below ? ", more below" : "");
    else
        lt_text_format(text, sizeof text,
                       "space stops  < > back, on  letters choose  ^v scroll  Ctrl-C ends%s",
                       below ? "  (more)" : "");
    put(&columns, text, view->width, false);
}

struct drawing {
    const struct lt_watch *watch;
    const struct lt_watch_view *view;
    struct lt_watch_line *lines;
    size_t first, room; /* of the list */
    size_t listed;      /* lines of the list so far */
    size_t drawn;
};

/* The next line of the list, or NULL where it is not on the screen. */
static struct lt_watch_line *next_line(struct drawing *drawing)
{
    size_t number = drawing->listed++;
    if (number < drawing->first || number - drawing->first >= drawing->room)
        return NULL;
    return &drawing->lines[1 + drawing->drawn++];
}

static void draw_list(struct drawing *drawing)
{
    const struct lt_watch *watch = drawing->watch;
    const struct lt_watch_view *view = drawing->view;
    int64_t at_ns = view->is_paused ? view->now_ns - view->back_ns : view->now_ns;
    int group = -1;
    for (size_t i = 0; i < watch->row_count; i++) {
        if (!is_shown(&watch->rows[i], view->filter))
            continue;
        if ((int)watch->rows[i].group != group) {
            struct lt_watch_line *heading = next_line(drawing);
            group = watch->rows[i].group;
            if (heading) {
                struct columns columns = begin(heading, LT_WATCH_STYLE_GROUP, view->width);
                put(&columns, lt_group_title(group), view->width, false);
            }
        }
        struct lt_watch_line *line = next_line(drawing);
        if (line)
            draw_row(watch, i, view, at_ns, line);
    }
}

size_t lt_watch_draw(const struct lt_watch *watch, const struct lt_watch_view *view,
                     struct lt_watch_line *ret_lines, size_t *ret_list_lines)
{
    struct drawing drawing = {.watch = watch,
                              .view = view,
                              .lines = ret_lines,
                              .first = view->first,
                              .room = view->height - HEAD_LINES};
    draw_head(view, &ret_lines[0]);
    draw_list(&drawing);
    bool below = drawing.listed > drawing.first + drawing.room;
    draw_hint(view, below, &ret_lines[1 + drawing.drawn]);
    if (ret_list_lines)
        *ret_list_lines = drawing.listed;
    return drawing.drawn + HEAD_LINES;
}
