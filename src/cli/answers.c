/* See answers.h. Layouts of service 09: SAE J1979 as in the encyclopaedia's "OBD-II PIDs". */
#include "cli/answers.h"

#include <inttypes.h>
#include <string.h>

#include "cli/questions.h"
#include "loomtap/base/number.h"
#include "loomtap/core/value.h"

#define BYTES_SHOWN 20
#define CODES_MAX   128

bool answers_form_of(const char *name, enum answers_form *ret_form)
{
    static const char *const forms[] = {"table", "csv", "jsonl"};
    for (size_t i = 0; i < sizeof forms / sizeof *forms; i++)
        if (!name || strcmp(forms[i], name) == 0) {
            *ret_form = (enum answers_form)i;
            return true;
        }
    return false;
}

const char *answers_word(enum lt_obd_answer answer)
{
    static const char *const words[] = {
        [LT_OBD_NEVER_ANSWERED] = "no answer",
        [LT_OBD_UNSUPPORTED] = "unsupported",
        [LT_OBD_LOCKED] = "locked",
        [LT_OBD_REFUSED] = "refused",
        [LT_OBD_ANSWERED] = "answered",
    };
    return words[answer];
}

int answers_begin(struct answers *answers, enum answers_form form, struct lt_sink *sink,
                  const char *bus, const struct lt_profile *standard)
{
    struct lt_error error;
    *answers = (struct answers){form, sink, bus, standard, NULL, LT_NO_TIME};
    if (lt_plan_new(&answers->plan, &answers->standard, 1, NULL, 0, NULL, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    if (form == ANSWERS_CSV)
        lt_sink_string(sink, "time_s,bus,frame,signal,value,unit,label\n");
    return EXIT_FINE;
}

void answers_free(struct answers *answers)
{
    lt_plan_free(answers->plan);
    answers->plan = NULL;
}

/* ---- one row ---- */

struct row {
    int64_t time_ns;
    char frame[40];
    const char *signal, *unit, *label;
    struct lt_text value; /* digits, or nothing */
};

/* Not finite numbers are words in csv and null in JSON. */
static bool is_digits(struct lt_text value)
{
    return value.len > 0 && value.at[value.len - 1] >= '0' && value.at[value.len - 1] <= '9';
}

static void put_time(struct lt_sink *sink, int64_t time_ns)
{
    char text[32];
    lt_sink_put(sink, text, lt_print_fixed(text, time_ns / 1000, 6));
}

static void put_csv(const struct answers *answers, const struct row *row)
{
    struct lt_sink *sink = answers->sink;
    const char *cells[] = {answers->bus, row->frame, row->signal};
    put_time(sink, row->time_ns);
    for (size_t i = 0; i < 3; i++) {
        lt_sink_char(sink, ',');
        lt_sink_csv(sink, lt_text_of(cells[i]));
    }
    lt_sink_char(sink, ',');
    lt_sink_put(sink, row->value.at, row->value.len);
    lt_sink_char(sink, ',');
    lt_sink_csv(sink, lt_text_of(row->unit));
    lt_sink_char(sink, ',');
    lt_sink_csv(sink, lt_text_of(row->label));
    lt_sink_char(sink, '\n');
}

static void put_jsonl(const struct answers *answers, const struct row *row)
{
    struct lt_json json;
    char time[32];
    size_t len = lt_print_fixed(time, row->time_ns / 1000, 6);
    lt_json_init(&json, answers->sink);
    lt_json_open(&json, NULL, '{');
    lt_json_raw(&json, "time_s", (struct lt_text){time, len});
    lt_json_string(&json, "bus", answers->bus);
    lt_json_string(&json, "frame", row->frame);
    lt_json_string(&json, "signal", row->signal);
    if (is_digits(row->value))
        lt_json_raw(&json, "value", row->value);
    else
        lt_json_null(&json, "value");
    lt_json_string(&json, "unit", row->unit);
    lt_json_string(&json, "label", row->label);
    lt_json_close(&json, '}');
    lt_sink_char(answers->sink, '\n');
}

static void put_table(const struct answers *answers, const struct row *row)
{
    const char *from = strchr(row->frame, '@');
    double seconds = (double)(row->time_ns - answers->began_ns) / 1e9;
    lt_sink_format(answers->sink, "%9.3f s  %-8s  %-26s  %.*s%s%s%s%s\n", seconds,
                   from ? from + 1 : "-", row->signal, (int)row->value.len,
                   row->value.len ? row->value.at : "", row->value.len && *row->unit ? " " : "",
                   row->value.len ? row->unit : "", row->value.len && *row->label ? "  " : "",
                   row->label);
}

static void put_row(struct answers *answers, const struct row *row)
{
    if (answers->began_ns == LT_NO_TIME)
        answers->began_ns = row->time_ns;
    if (answers->form == ANSWERS_CSV)
        put_csv(answers, row);
    else if (answers->form == ANSWERS_JSONL)
        put_jsonl(answers, row);
    else
        put_table(answers, row);
}

/* "pid_0c@7E8", as decode names a second sender; the other services by number: "09_02@7E8". */
static void name_frame(const struct answers *answers, uint8_t service, uint32_t number,
                       uint32_t reply_id, char room[40])
{
    const struct lt_parameter_def *parameter =
        questions_parameter(answers->standard, service, number);
    char name[24], who[12] = "";
    if (parameter && service != 0x02)
        lt_text_format(name, sizeof name, "%s", parameter->name);
    else if (number == LT_OBD_NO_NUMBER)
        lt_text_format(name, sizeof name, "%02x", service);
    else
        lt_text_format(name, sizeof name, service == 0x22 ? "%02x_%04x" : "%02x_%02x", service,
                       number);
    if (reply_id)
        lt_text_format(who, sizeof who, reply_id > LT_ID_MAX_STANDARD ? "@%08X" : "@%03X",
                       reply_id);
    lt_text_format(room, 40, "%s%s", name, who);
}

/* ---- what an item holds ---- */

static const struct lt_frame_plan *find_plan(const struct answers *answers,
                                             const struct lt_obd_item *item)
{
    const struct lt_frame_plan *const *plans;
    size_t count = lt_plan_parameters(answers->plan, &plans);
    const struct lt_parameter_def *parameter =
        questions_parameter(answers->standard, item->service, item->number);
    for (size_t i = 0; parameter && i < count; i++)
        if (plans[i]->parameter == parameter)
            return plans[i];
    return NULL;
}

static void put_field(struct answers *answers, struct row *row, const struct lt_field *field,
                      const uint8_t *data)
{
    char digits[LT_VALUE_ROOM];
    uint64_t raw = lt_field_fetch(field, data);
    const struct lt_signal_def *def = field->scaler->def;
    const char *label = lt_signal_label(def, raw);
    row->signal = def->name;
    row->unit = lt_signal_unit(def);
    row->value.len = 0;
    switch (lt_scaler_state(field->scaler, raw)) {
    case LT_STATE_VALUE:
        row->value = (struct lt_text){digits, lt_scaler_print(field->scaler, raw, digits)};
        row->label = label ? label : "";
        break;
    case LT_STATE_UNAVAILABLE:
        row->label = "unavailable";
        break;
    case LT_STATE_ERROR:
        row->label = "error";
        break;
    }
    put_row(answers, row);
}

static bool put_fields(struct answers *answers, struct row *row, const struct lt_obd_item *item)
{
    const struct lt_frame_plan *plan = find_plan(answers, item);
    if (!plan)
        return false;
    uint64_t pages = lt_frame_plan_pages(plan, item->data, item->length);
    for (size_t i = 0; i < plan->field_count; i++) {
        const struct lt_field *field = &plan->fields[i];
        if (lt_field_on_page(field, pages) && field->end_byte <= item->length)
            put_field(answers, row, field, item->data);
    }
    return true;
}

static void put_codes(struct answers *answers, struct row *row, const struct lt_obd_item *item)
{
    char codes[CODES_MAX][6];
    size_t count = lt_obd_trouble_codes(item->data, item->length, codes, CODES_MAX);
    for (size_t i = 0; i < count; i++) {
        row->label = codes[i];
        put_row(answers, row);
    }
    row->label = "none";
    if (count == 0)
        put_row(answers, row);
}

static void print_bytes(const uint8_t *data, size_t length, char *room, size_t size)
{
    size_t shown = length < BYTES_SHOWN ? length : BYTES_SHOWN, at = 0;
    room[0] = '\0';
    for (size_t i = 0; i < shown; i++)
        at += lt_text_format(room + at, size - at, "%02X", data[i]);
    if (shown < length)
        lt_text_format(room + at, size - at, "..");
}

/* Padding before or behind (00, FF, blanks) and what cannot be printed are left out. */
static void print_text(const uint8_t *data, size_t length, char room[48])
{
    size_t at = 0;
    for (size_t i = 0; i < length && at < 47; i++)
        if (data[i] >= ' ' && data[i] <= '~' && (at > 0 || data[i] != ' '))
            room[at++] = (char)data[i];
    while (at > 0 && room[at - 1] == ' ')
        at--;
    room[at] = '\0';
}

static size_t information_length(uint32_t number)
{
    static const uint8_t lengths[] = {[0x02] = 17, [0x04] = 16, [0x06] = 4, [0x0A] = 20};
    return number < sizeof lengths ? lengths[number] : 0;
}

bool answers_text(const struct lt_obd_item *item, size_t n, char room[48])
{
    size_t each = information_length(item->number);
    if (each == 0 || item->number == 0x0A || item->number == 0x02) {
        if (n > 0 || item->length == 0)
            return false;
        each = item->length;
    }
    if (n >= (item->length + each - 1) / each)
        return false;
    size_t left = item->length - n * each, length = left < each ? left : each;
    if (item->number == 0x06 || information_length(item->number) == 0)
        print_bytes(item->data + n * each, length, room, 48);
    else
        print_text(item->data + n * each, length, room);
    return true;
}

static void put_information(struct answers *answers, struct row *row,
                            const struct lt_obd_item *item)
{
    char text[48];
    for (size_t n = 0; answers_text(item, n, text); n++) {
        row->label = text;
        if (*text)
            put_row(answers, row);
    }
}

static void put_item(struct answers *answers, const struct lt_obd_reply *reply,
                     const struct lt_obd_item *item)
{
    char name[24], bytes[2 * BYTES_SHOWN + 3];
    struct row row = {.time_ns = reply->time_ns, .unit = "", .label = "", .value = {"", 0}};
    name_frame(answers, item->service, item->number, reply->id, row.frame);
    row.signal = question_name(answers->standard, item->service, item->number, name);
    if (item->service == 0x09) {
        put_information(answers, &row, item);
    } else if (item->number == LT_OBD_NO_NUMBER) {
        put_codes(answers, &row, item);
    } else if (!put_fields(answers, &row, item)) {
        print_bytes(item->data, item->length, bytes, sizeof bytes);
        row.label = bytes;
        put_row(answers, &row);
    }
}

void answers_put(struct answers *answers, const struct lt_obd_reply *reply)
{
    for (size_t i = 0; i < reply->count; i++)
        put_item(answers, reply, &reply->item[i]);
}

void answers_put_outcome(struct answers *answers, const struct lt_ask_outcome *outcome,
                         int64_t time_ns)
{
    char name[24], label[80];
    const char *why = outcome->nrc ? lt_nrc_text(outcome->nrc) : NULL;
    struct row row = {.time_ns = time_ns, .unit = "", .label = label, .value = {"", 0}};
    name_frame(answers, outcome->wanted.service, outcome->wanted.number, outcome->reply_id,
               row.frame);
    row.signal =
        question_name(answers->standard, outcome->wanted.service, outcome->wanted.number, name);
    if (answers->form == ANSWERS_TABLE && why)
        lt_text_format(label, sizeof label, "%s (%s)", answers_word(outcome->answer), why);
    else
        lt_text_format(label, sizeof label, "%s", answers_word(outcome->answer));
    put_row(answers, &row);
}
