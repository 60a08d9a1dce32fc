/* Claims while they are made: a list in the arena, and texts. */
#include <math.h>
#include <string.h>

#include "loomtap/base/number.h"
#include "prove/inside.h"

#define TEXT_MAX 400

/* Where memory runs out the claim goes nowhere; the arena remembers it for the end. */
struct lt_claim *claim(struct judge *judge, enum lt_claim_id id, const char *subject,
                       enum lt_proof_verdict verdict)
{
    struct lt_claim *claim =
        lt_arena_push(judge->arena, &judge->list, &judge->count, &judge->capacity, sizeof *claim);
    if (!claim)
        claim = &judge->nowhere;
    *claim = (struct lt_claim){.id = id,
                               .subject = subject,
                               .verdict = verdict,
                               .expected = "",
                               .measured = "",
                               .say = ""};
    return claim;
}

bool is_proven(const struct judge *judge, enum lt_claim_id id, const char *subject)
{
    for (size_t i = 0; i < judge->count; i++)
        if (judge->list[i].id == id && judge->list[i].verdict == LT_PROVEN &&
            strcmp(judge->list[i].subject, subject) == 0)
            return true;
    return false;
}

bool is_contradicted(const struct judge *judge, const char *subject)
{
    for (size_t i = 0; i < judge->count; i++)
        if (judge->list[i].verdict == LT_CONTRADICTED &&
            strcmp(judge->list[i].subject, subject) == 0)
            return true;
    return false;
}

static const char *keep(struct judge *judge, const char *format, va_list args)
    __attribute__((format(printf, 2, 0)));
static const char *keep(struct judge *judge, const char *format, va_list args)
{
    char text[TEXT_MAX];
    lt_text_vformat(text, sizeof text, format, args);
    const char *kept = lt_arena_string(judge->arena, text);
    return kept ? kept : "";
}

void claim_expected(struct judge *judge, struct lt_claim *claim, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    claim->expected = keep(judge, format, args);
    va_end(args);
}

void claim_measured(struct judge *judge, struct lt_claim *claim, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    claim->measured = keep(judge, format, args);
    va_end(args);
}

void claim_say(struct judge *judge, struct lt_claim *claim, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    claim->say = keep(judge, format, args);
    va_end(args);
}

const char *number_text(char *ret_text, double value)
{
    size_t len;
    double size = fabs(value);
    if (!isfinite(value) || size >= 1e15 || (size > 0 && size < 1e-9)) {
        len = lt_print_f64(ret_text, value);
    } else {
        int head = size > 0 ? (int)floor(log10(size)) : 0;
        int decimals = head >= 3 ? 0 : 3 - head;
        decimals = decimals > 12 ? 12 : decimals;
        len = lt_print_fixed(ret_text, llround(value * pow(10, decimals)), (unsigned)decimals);
        while (decimals && len > 1 && ret_text[len - 1] == '0')
            len--;
        if (decimals && ret_text[len - 1] == '.')
            len--;
    }
    ret_text[len] = '\0';
    return ret_text;
}

const char *value_text(char *ret_text, double value, const char *unit)
{
    char number[NUMBER_ROOM];
    bool has_unit = unit && *unit && strcmp(unit, "1") != 0;
    number_text(number, value);
    lt_text_format(ret_text, VALUE_ROOM, "%s%s%s", number, has_unit ? " " : "",
                   has_unit ? unit : "");
    return ret_text;
}
