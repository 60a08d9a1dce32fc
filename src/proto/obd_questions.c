/* Questions and answers, and the support masks that explain a silence.
 *
 * A request to all is one question to nobody in particular; each controller that answers it (even
 * with a refusal) gets an entry of its own. Only if none ever does, the question itself is listed.
 * A silence is explained by the masks where every controller that sent the mask in question leaves
 * the PID out.
 *
 * Documents: SAE J1979 masks as in the encyclopaedia's "OBD-II PIDs"; response codes of ISO
 * 14229-1. */
#include "proto/obd_questions.h"

#include <string.h>

#define PIDS 0x100u /* service 01 has one-byte numbers */

static int compare_u32(uint32_t a, uint32_t b)
{
    return (a > b) - (a < b);
}

static int compare(const struct lt_obd_question *question, const struct lt_obd_key *key)
{
    int order = compare_u32(question->service, key->service);
    if (order == 0)
        order = compare_u32(question->number, key->number);
    return order != 0 ? order : compare_u32(question->reply_id, key->reply_id);
}

/* Finds or makes the entry; NULL when the list is full. */
static struct lt_obd_question *entry(struct lt_obd_questions *questions, struct lt_obd_key key)
{
    size_t low = 0, high = questions->count;
    while (low < high) {
        size_t middle = (low + high) / 2;
        if (compare(&questions->kept[middle], &key) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    struct lt_obd_question *at = &questions->kept[low];
    if (low < questions->count && compare(at, &key) == 0)
        return at;
    if (questions->count == LT_OBD_QUESTIONS_MAX) {
        questions->forgotten++;
        return NULL;
    }
    memmove(at + 1, at, (questions->count - low) * sizeof *at);
    questions->count++;
    *at = (struct lt_obd_question){.service = key.service,
                                   .number = key.number,
                                   .reply_id = key.reply_id,
                                   .extended = key.extended};
    return at;
}

void lt_obd_questions_ask(struct lt_obd_questions *questions, struct lt_obd_key key)
{
    struct lt_obd_question *question = entry(questions, key);
    if (!question)
        return;
    question->asked++;
    question->extended = key.extended;
}

void lt_obd_questions_answer(struct lt_obd_questions *questions, struct lt_obd_key key, uint8_t nrc)
{
    struct lt_obd_question *question = entry(questions, key);
    if (!question)
        return;
    if (nrc == LT_NRC_PENDING) {
        question->pending++;
    } else if (nrc != 0) {
        question->negative++;
        question->last_nrc = nrc;
    } else {
        question->answered++;
    }
}

static bool is_replied(const struct lt_obd_question *question)
{
    return question->answered + question->negative + question->pending > 0;
}

/* Do the masks say that nobody who could have answered has this PID? */
static bool is_left_out(const struct lt_obd_question *question,
                        const struct lt_obd_controller *controllers, size_t count)
{
    bool left_out = false;
    if (question->service != 0x01 || question->number == LT_OBD_NO_NUMBER)
        return false;
    for (size_t i = 0; i < count; i++) {
        if (controllers[i].extended != question->extended ||
            (question->reply_id != 0 && controllers[i].reply_id != question->reply_id))
            continue;
        int supports = lt_obd_supports(&controllers[i], question->number);
        if (supports > 0)
            return false;
        left_out |= supports == 0;
    }
    return left_out;
}

static enum lt_obd_answer judge(const struct lt_obd_question *question,
                                const struct lt_obd_controller *controllers, size_t count)
{
    if (question->answered > 0)
        return LT_OBD_ANSWERED;
    if (question->negative == 0)
        return is_left_out(question, controllers, count) ? LT_OBD_UNSUPPORTED
                                                         : LT_OBD_NEVER_ANSWERED;
    switch (question->last_nrc) {
    case LT_NRC_SERVICE_NOT_SUPPORTED:
    case LT_NRC_SUBFUNCTION_NOT_SUPPORTED:
    case LT_NRC_OUT_OF_RANGE:
        return LT_OBD_UNSUPPORTED;
    case LT_NRC_LOCKED:
        return LT_OBD_LOCKED;
    default:
        return LT_OBD_REFUSED;
    }
}

/* The entries of one service and number: first..end. The one of the requests to all, if there is
 * any, comes first. */
static size_t list_group(struct lt_obd_questions *questions, size_t first, size_t end,
                         size_t listed_count)
{
    const struct lt_obd_question *kept = questions->kept;
    bool to_all = kept[first].reply_id == 0;
    uint64_t asked_all = to_all ? kept[first].asked : 0;
    bool replied = false;
    for (size_t i = first; i < end; i++)
        replied |= is_replied(&kept[i]);
    for (size_t i = first; i < end; i++) {
        if (kept[i].reply_id == 0 && replied)
            continue;
        struct lt_obd_question *out = &questions->listed[listed_count++];
        *out = kept[i];
        if (is_replied(out))
            out->asked += asked_all;
    }
    return listed_count;
}

size_t lt_obd_questions_list(struct lt_obd_questions *questions,
                             const struct lt_obd_controller *controllers, size_t count)
{
    size_t listed = 0;
    for (size_t first = 0, end; first < questions->count; first = end) {
        const struct lt_obd_question *kept = questions->kept;
        end = first + 1;
        while (end < questions->count && kept[end].service == kept[first].service &&
               kept[end].number == kept[first].number)
            end++;
        listed = list_group(questions, first, end, listed);
    }
    for (size_t i = 0; i < listed; i++)
        questions->listed[i].answer = judge(&questions->listed[i], controllers, count);
    return listed;
}

/* --- support masks --- */

static void set_supported(struct lt_obd_controller *controller, uint32_t pid, bool on)
{
    uint32_t bit = UINT32_C(1) << (pid & 31);
    if (pid >= PIDS)
        return;
    if (on)
        controller->supported[pid >> 5] |= bit;
    else
        controller->supported[pid >> 5] &= ~bit;
}

void lt_obd_learn_mask(struct lt_obd_controller *controller, uint32_t pid, const uint8_t mask[4])
{
    if (pid >= PIDS || pid % 0x20 != 0)
        return;
    for (uint32_t i = 0; i < 32; i++)
        set_supported(controller, pid + 1 + i, (mask[i / 8] >> (7 - i % 8) & 1) != 0);
    controller->mask_answered |= UINT32_C(1) << (pid >> 5);
}

int lt_obd_supports(const struct lt_obd_controller *controller, uint32_t pid)
{
    if (pid >= PIDS)
        return -1;
    /* Mask 00 names 01..20: a PID stands in the mask before it. PID 00 itself is in none. */
    uint32_t mask = pid == 0 ? 0 : (pid - 1) >> 5;
    if ((controller->mask_answered >> mask & 1) == 0)
        return -1;
    return pid == 0 || (controller->supported[pid >> 5] >> (pid & 31) & 1) != 0;
}

size_t lt_obd_mask(uint32_t base, const uint8_t mask[4], uint8_t ret_pids[32])
{
    size_t count = 0;
    for (uint32_t i = 0; i < 32 && base + 1 + i < PIDS; i++)
        if (mask[i / 8] >> (7 - i % 8) & 1)
            ret_pids[count++] = (uint8_t)(base + 1 + i);
    return count;
}
