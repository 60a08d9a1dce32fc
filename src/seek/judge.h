/* What judging a reference's candidates is made of: the odds (odds.c), the order
 * (judge.c) and the words (say.c). */
#ifndef LOOMTAP_SRC_SEEK_JUDGE_H
#define LOOMTAP_SRC_SEEK_JUDGE_H

#include "seek/evidence.h"
#include "seek/search.h"

#define CLAIMED_COPY 0.5 /* more than that: another reference's */

struct entry {
    const struct seek_window *window;
    const struct seek_fit *fit;
    double odds, loss; /* logarithm of the odds; rmse over sd */
    double period_s, outside;
    struct seek_evidence evidence;
    struct lt_bits proven;
    double behind;  /* in the logarithm of the excess: the best of this reference's leaves less */
    double claimed; /* by how much another reference is served better */
    const char *claimed_by;
    bool shared; /* another is served about as well: which of both it is, is open */
    unsigned group;
    bool copy, lead; /* lead: the first of its group */
};

struct judging {
    const struct seek_found *found;
    const struct seek_course *course;
    struct entry *entry;
    size_t count;
    struct lt_arena *arena;
    const struct entry *rival; /* of an ambiguous answer */
    bool exercised;
    bool too_short; /* what is likely would be found on a longer drive */
};

double seek_sigmoid(double z);
/* The logarithm of the odds that the entry is the quantity (odds.c). */
double seek_odds(const struct judging *judging, const struct entry *entry);
bool seek_starts_elsewhere(const struct seek_fit *fit, const struct seek_course *course);
const char *seek_say(const struct judging *judging, enum lt_seek_verdict verdict);
const char *seek_why(const struct judging *judging, const struct entry *entry);

#endif
