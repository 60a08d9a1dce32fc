/* See polling.h. Identification is asked for first and once: calibration ids and their check
 * numbers (service 09, 04 and 06), the vehicle's number only if wished. */
#include "cli/polling.h"

#include <string.h>

#include "cli/answers.h"
#include "loomtap/core/role.h"

static const struct {
    uint32_t number;
    const char *name;
} identification[] = {{0x04, "calibration_id"}, {0x06, "check_number"}, {0x02, "vin"}};
#define IDENTIFICATION (sizeof identification / sizeof *identification)

static size_t find_bus(const struct list *buses, const char *name)
{
    size_t i = 0;
    while (name && i < buses->count && strcmp(buses->items[i], name) != 0)
        i++;
    return i;
}

/* What the recording is for is asked for, too. */
static void add_roles(const struct list *roles, struct list *words)
{
    for (size_t i = 0; roles && i < roles->count && words->count < LIST_MAX; i++) {
        const struct lt_role *role = lt_role_find(lt_text_of(roles->items[i]));
        if (role && role->obd_pid >= 0)
            words->items[words->count++] = roles->items[i];
    }
}

int polling_take(struct polling *polling, const struct polling_wishes *wishes,
                 const struct list *buses)
{
    struct questions all = {0};
    polling->on = wishes->values->count > 0;
    if (!polling->on)
        return wishes->bus || wishes->vin || wishes->arm || wishes->cautions_read
                   ? usage_error("record", "--poll-bus, --vin, --arm and --cautions-read go with "
                                           "--poll VALUE,...")
                   : EXIT_FINE;
    if (!wishes->arm)
        return usage_error("record", "--poll asks the car's controllers, which is sending: it "
                                     "wants --arm, which shows the cautions first");
    if (find_bus(buses, wishes->bus) == buses->count)
        return usage_error("record", "--poll-bus: `%s` is not among the buses recorded",
                           wishes->bus);
    static struct list words;
    words = *wishes->values;
    add_roles(wishes->roles, &words);
    int status = questions_take(&all, "record", &words);
    polling->questions = (struct questions){.standard = all.standard};
    if (status != EXIT_FINE)
        return status;
    for (size_t i = 0; i < IDENTIFICATION; i++)
        if (identification[i].number != 0x02 || wishes->vin)
            questions_add(&polling->questions, 0x09, identification[i].number);
    for (size_t i = 0; i < all.count; i++)
        if (!questions_add(&polling->questions, all.wanted[i].service, all.wanted[i].number))
            return usage_error("record", "--poll: too many values");
    return EXIT_FINE;
}

int polling_open(struct polling *polling, const struct polling_wishes *wishes,
                 const struct list *buses)
{
    size_t number = find_bus(buses, wishes->bus);
    if (!polling->on)
        return EXIT_FINE;
    return asker_open(&polling->asker, "record", buses->items[number], (uint16_t)number,
                      wishes->cautions_read, wishes->quiet);
}

int polling_begin(struct polling *polling)
{
    const struct lt_ask_options options = {.wanted = polling->questions.wanted,
                                           .wanted_count = polling->questions.count,
                                           .wakes = true};
    return polling->on ? asker_begin(&polling->asker, &options) : EXIT_FINE;
}

void polling_free(struct polling *polling)
{
    asker_free(&polling->asker);
    questions_free(&polling->questions);
}

/* ---- what the car is ---- */

static bool has_fact(const struct polling *polling, const char *who, const char *name,
                     const char *text)
{
    for (size_t i = 0; i < polling->fact_count; i++)
        if (strcmp(polling->facts[i].controller, who) == 0 &&
            strcmp(polling->facts[i].name, name) == 0 && strcmp(polling->facts[i].text, text) == 0)
            return true;
    return false;
}

static bool keep_fact(struct polling *polling, uint32_t reply_id, const char *name,
                      const char *text)
{
    char who[12];
    size_t at = polling->fact_count;
    lt_text_format(who, sizeof who, reply_id > LT_ID_MAX_STANDARD ? "%08X" : "%03X", reply_id);
    if (!*text || at == POLLING_FACTS_MAX || has_fact(polling, who, name, text))
        return false;
    memcpy(polling->who[at], who, sizeof who);
    lt_text_format(polling->texts[at], sizeof polling->texts[at], "%s", text);
    polling->facts[at] = (struct lt_record_fact){polling->who[at], name, polling->texts[at]};
    polling->fact_count++;
    return true;
}

static bool keep_item(struct polling *polling, uint32_t reply_id, const struct lt_obd_item *item)
{
    char text[48];
    bool is_new = false;
    for (size_t i = 0; i < IDENTIFICATION; i++)
        for (size_t n = 0; item->number == identification[i].number && answers_text(item, n, text);
             n++)
            is_new |= keep_fact(polling, reply_id, identification[i].name, text);
    return is_new;
}

bool polling_hear(struct polling *polling, enum lt_can_event event,
                  const struct lt_can_heard *heard)
{
    struct lt_obd_reply reply;
    bool is_new = false;
    if (!polling->on || !asker_take(&polling->asker, event, heard, &reply))
        return false;
    for (size_t i = 0; i < reply.count; i++)
        if (reply.item[i].service == 0x09)
            is_new |= keep_item(polling, reply.id, &reply.item[i]);
    return is_new;
}

/* ---- the sheet ---- */

/* Once nothing was asked any more, or at the end: what did not come. */
static size_t list_unanswered(struct polling *polling)
{
    struct lt_ask_outcome outcome;
    size_t count = 0;
    for (size_t n = 0; lt_ask_outcome(polling->asker.ask, n, &outcome); n++) {
        if (outcome.answer == LT_OBD_ANSWERED || count == LT_ASK_WANTED_MAX)
            continue;
        question_text(outcome.wanted.service, outcome.wanted.number, polling->names[count]);
        polling->unanswered[count] =
            (struct lt_record_unanswered){polling->names[count], answers_word(outcome.answer)};
        count++;
    }
    return count;
}

const struct lt_record_polling *polling_sheet(struct polling *polling)
{
    if (!polling->on || !polling->asker.ask)
        return NULL;
    const struct lt_ask_counts *counts = lt_ask_counts(polling->asker.ask);
    polling->sheet = (struct lt_record_polling){.bus = polling->asker.bus,
                                                .questions = counts->requests,
                                                .flow_controls = counts->flow_controls,
                                                .answers = counts->answers,
                                                .facts = polling->facts,
                                                .fact_count = polling->fact_count,
                                                .unanswered = polling->unanswered,
                                                .unanswered_count = list_unanswered(polling)};
    return &polling->sheet;
}
