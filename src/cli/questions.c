/* See questions.h. */
#include "cli/questions.h"

#include <string.h>

#include "cli/built_in.h"
#include "loomtap/defs/load.h"
#include "loomtap/base/number.h"
#include "loomtap/core/role.h"

#define NONE LT_OBD_NO_NUMBER

/* What is no number, and what its values are called. Several rows of one word: whichever the car
 * has (SAE J1979: lambda of the first sensor with its voltage, or with its current). */
static const struct name {
    const char *word, *value;
    uint8_t service;
    uint32_t number;
} names[] = {
    {"codes", "stored_code", 0x03, NONE},
    {"pending_codes", "pending_code", 0x07, NONE},
    {"permanent_codes", "permanent_code", 0x0A, NONE},
    {"vin", "vin", 0x09, 0x02},
    {"calibration_ids", "calibration_id", 0x09, 0x04},
    {"check_numbers", "check_number", 0x09, 0x06},
    {"controller_names", "controller_name", 0x09, 0x0A},
    {"lambda", NULL, 0x01, 0x24},
    {"lambda", NULL, 0x01, 0x34},
};
#define NAMES (sizeof names / sizeof *names)

void questions_free(struct questions *questions)
{
    lt_profile_free(questions->standard);
    questions->standard = NULL;
}

static bool add(struct questions *questions, uint8_t service, uint32_t number, size_t word)
{
    for (size_t i = 0; i < questions->count; i++)
        if (questions->wanted[i].service == service && questions->wanted[i].number == number)
            return true;
    if (questions->count == LT_ASK_WANTED_MAX)
        return false;
    questions->word[questions->count] = word;
    questions->wanted[questions->count++] = (struct lt_ask_wanted){service, number};
    return true;
}

bool questions_add(struct questions *questions, uint8_t service, uint32_t number)
{
    return add(questions, service, number, questions->word_count);
}

/* ---- words ---- */

static bool parse_hex(struct lt_text text, size_t most_digits, uint32_t *ret_value)
{
    uint64_t value;
    if (lt_text_starts(text, "0x") || lt_text_starts(text, "0X"))
        text = (struct lt_text){text.at + 2, text.len - 2};
    if (text.len == 0 || text.len > most_digits || !lt_parse_hex(text, &value))
        return false;
    *ret_value = (uint32_t)value;
    return true;
}

/* "09:02", "03:", "0C" */
static bool parse_numbers(const char *word, uint8_t *ret_service, uint32_t *ret_number)
{
    struct lt_text rest = lt_text_of(word), piece;
    uint32_t service = 0x01;
    *ret_number = NONE;
    if (!strchr(word, ':')) {
        *ret_service = 0x01;
        return parse_hex(rest, 2, ret_number);
    }
    lt_text_split(&rest, ':', &piece);
    if (!parse_hex(piece, 2, &service) || (rest.at && rest.len && !parse_hex(rest, 4, ret_number)))
        return false;
    *ret_service = (uint8_t)service;
    return true;
}

/* A role, or a signal of the built-in profile. */
static bool find_signal(const struct questions *questions, const char *word, uint8_t *ret_service,
                        uint32_t *ret_number)
{
    for (size_t i = 0; i < questions->standard->signal_count; i++) {
        const struct lt_signal_def *signal = &questions->standard->signals[i];
        bool is_it = strcmp(signal->name, word) == 0 ||
                     (signal->role && strcmp(signal->role_name, word) == 0);
        if (!is_it || signal->parameter == LT_NONE)
            continue;
        const struct lt_parameter_def *parameter =
            &questions->standard->parameters[signal->parameter];
        *ret_service = parameter->service;
        *ret_number = parameter->pid;
        return true;
    }
    const struct lt_role *role = lt_role_find(lt_text_of(word));
    if (!role || role->obd_pid < 0)
        return false;
    *ret_service = 0x01;
    *ret_number = (uint32_t)role->obd_pid;
    return true;
}

static int too_many(const char *command)
{
    return usage_error(command, "more than %d values to ask for", LT_ASK_WANTED_MAX);
}

static int check_service(const char *command, const char *word, uint8_t service, uint32_t number)
{
    uint8_t payload[7];
    if (!lt_ask_may(service))
        return usage_error(command,
                           "`%s`: service %02X is never asked for; 01, 02, 03, 07, 09, 0A and 22 "
                           "only read",
                           word, service);
    if (!lt_ask_payload(service, &number, number == NONE ? 0 : 1, payload))
        return usage_error(command, "`%s`: service %02X %s", word, service,
                           number == NONE ? "wants a number, as in 09:02" : "has no such number");
    return EXIT_FINE;
}

static int take_word(struct questions *questions, const char *command, const char *word)
{
    bool named = false;
    uint8_t service;
    uint32_t number;
    for (size_t i = 0; i < NAMES; i++) {
        if (strcmp(names[i].word, word) != 0)
            continue;
        named = true;
        if (!add(questions, names[i].service, names[i].number, questions->word_count))
            return too_many(command);
    }
    if (named)
        return EXIT_FINE;
    if (!parse_numbers(word, &service, &number) && !find_signal(questions, word, &service, &number))
        return usage_error(command,
                           "`%s` is nothing to ask for: a PID such as 0C, a service and "
                           "number such as 09:02, or a role that a PID measures",
                           word);
    int status = check_service(command, word, service, number);
    if (status == EXIT_FINE && !add(questions, service, number, questions->word_count))
        status = too_many(command);
    return status;
}

int questions_take(struct questions *questions, const char *command, const struct list *words)
{
    *questions = (struct questions){0};
    questions->standard = load_built_in_obd();
    int status = questions->standard ? EXIT_FINE : EXIT_SYSTEM;
    for (size_t i = 0; status == EXIT_FINE && i < words->count; i++) {
        status = take_word(questions, command, words->items[i]);
        questions->word_count++;
    }
    return status;
}

/* ---- names ---- */

const struct lt_parameter_def *questions_parameter(const struct lt_profile *standard,
                                                   uint8_t service, uint32_t number)
{
    if (service == 0x22 && number >> 8 == 0xF4)
        number &= 0xFF;
    else if (service != 0x01 && service != 0x02)
        return NULL;
    for (size_t i = 0; i < standard->parameter_count; i++)
        if (standard->parameters[i].service == 0x01 && standard->parameters[i].pid == number)
            return &standard->parameters[i];
    return NULL;
}

const char *question_text(uint8_t service, uint32_t number, char room[16])
{
    if (number == NONE)
        lt_text_format(room, 16, "%02X", service);
    else
        lt_text_format(room, 16, service == 0x22 ? "%02X %04X" : "%02X %02X", service, number);
    return room;
}

const char *question_name(const struct lt_profile *standard, uint8_t service, uint32_t number,
                          char room[24])
{
    for (size_t i = 0; i < NAMES; i++)
        if (names[i].value && names[i].service == service && names[i].number == number)
            return names[i].value;
    const struct lt_parameter_def *parameter = questions_parameter(standard, service, number);
    for (size_t i = 0; parameter && i < standard->signal_count; i++)
        if (standard->signals[i].parameter != LT_NONE &&
            &standard->parameters[standard->signals[i].parameter] == parameter)
            return standard->signals[i].name;
    lt_text_format(room, 24, "data_%02x_%02x", service, number);
    return room;
}
