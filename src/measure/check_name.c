/* The constant of a check that is known but for it: start value, final XOR, identifier, length and
 * data id.
 *
 * In frames of one length all of these come together in one constant, so a recording cannot tell
 * them apart. The simplest that gives it is taken: a catalogue row with nothing hidden, then the
 * identifier, then data-id bytes; and the end-to-end profiles where their layout fits. */
#include <string.h>

#include "measure/check_inside.h"

/* How many frames are looked at for a constant. */
#define CONSTANT_FRAMES 256u

/* The value that occurs most in each class, and a frame that has it. */
static void vote(const struct check_view *view, const struct check_sample *sample,
                 const uint16_t *value, struct check_constants *constants,
                 uint16_t best_value[CHECK_CLASSES])
{
    uint8_t class[CONSTANT_FRAMES];
    unsigned best[CHECK_CLASSES] = {0};
    unsigned count = sample->count < CONSTANT_FRAMES ? sample->count : CONSTANT_FRAMES;
    for (unsigned i = 0; i < count; i++)
        class[i] = (uint8_t)check_class(constants->chooser, check_bytes(view, sample->at[i]));
    for (unsigned i = 0; i < count; i++) {
        unsigned votes = 0, k = class[i];
        for (unsigned n = i; n < count && best[k] < 16; n++)
            votes += value[n] == value[i] && class[n] == k;
        if (votes <= best[k] || (votes < 3 && count > 64))
            continue;
        best[k] = votes;
        best_value[k] = value[i];
        constants->known[k] = true;
        constants->at[k] = sample->at[i];
    }
}

void check_constants_make(const struct check_view *view, const struct check_chooser *chooser,
                          const struct check_sample *sample, const uint16_t *value,
                          struct check_constants *ret_constants)
{
    uint16_t best_value[CHECK_CLASSES] = {0};
    *ret_constants = (struct check_constants){.chooser = chooser, .same = true, .by_parity = true};
    vote(view, sample, value, ret_constants, best_value);
    for (unsigned a = 0; a < CHECK_CLASSES; a++) {
        for (unsigned b = 0; b < a; b++) {
            if (!ret_constants->known[a] || !ret_constants->known[b] ||
                best_value[a] == best_value[b])
                continue;
            ret_constants->same = false;
            if ((a & 1) == (b & 1))
                ret_constants->by_parity = false;
        }
    }
}

struct naming {
    const struct check_view *view;
    const struct check_constants *constants;
    struct check_claim *claim;
};

static uint16_t computed(const struct naming *naming, const struct lt_checksum *checksum,
                         uint32_t at)
{
    const struct lt_stream_key *key = &naming->view->kept->key;
    return lt_checksum_compute(checksum, check_bytes(naming->view, at), key->length, key->id,
                               key->extended);
}

static uint16_t carried(const struct naming *naming, const struct lt_checksum *checksum,
                        uint32_t at)
{
    return (uint16_t)lt_bits_get(check_bytes(naming->view, at), &checksum->place);
}

static bool fits(const struct naming *naming, const struct lt_checksum *checksum)
{
    for (unsigned class = 0; class < CHECK_CLASSES; class ++) {
        uint32_t at = naming->constants->at[class];
        if (naming->constants->known[class] &&
            computed(naming, checksum, at) != carried(naming, checksum, at))
            return false;
    }
    return true;
}

static uint32_t first_known(const struct check_constants *constants, unsigned parity_of_two)
{
    for (unsigned class = 0; class < CHECK_CLASSES; class ++) {
        if (constants->known[class] && (parity_of_two == 2 || (class & 1) == parity_of_two))
            return constants->at[class];
    }
    return 0;
}

/* Data-id bytes first..first+count-1 so that the frame comes out right. Every family's value is
 * either affine in them (XOR, CRC) or a sum. */
static bool solve_affine(const struct naming *naming, struct lt_checksum *checksum, unsigned first,
                         unsigned count, uint32_t at)
{
    uint64_t key[16] = {0};
    uint16_t row[16] = {0};
    memset(checksum->data_id + first, 0, count);
    uint16_t base = computed(naming, checksum, at), rest = base ^ carried(naming, checksum, at);
    for (unsigned bit = 0; bit < 8 * count && bit < 64; bit++) {
        checksum->data_id[first + bit / 8] = (uint8_t)(1u << bit % 8);
        uint16_t column = base ^ computed(naming, checksum, at);
        checksum->data_id[first + bit / 8] = 0;
        uint64_t combination = (uint64_t)1 << bit;
        for (unsigned n = 16; column && n-- > 0;) {
            if (!(column >> n & 1))
                continue;
            if (!row[n]) {
                row[n] = column;
                key[n] = combination;
                break;
            }
            column ^= row[n];
            combination ^= key[n];
        }
    }
    uint64_t answer = 0;
    for (unsigned n = 16; n-- > 0;) {
        if ((rest >> n & 1) && row[n]) {
            rest ^= row[n];
            answer ^= key[n];
        }
    }
    for (unsigned i = 0; i < count && i < 8; i++)
        checksum->data_id[first + i] = (uint8_t)(answer >> 8 * i);
    return rest == 0;
}

static bool solve_sum(const struct naming *naming, struct lt_checksum *checksum, unsigned first,
                      uint32_t at)
{
    for (unsigned byte = 0; byte < 1u << checksum->width; byte++) {
        checksum->data_id[first] = (uint8_t)byte;
        if (computed(naming, checksum, at) == carried(naming, checksum, at))
            return true;
    }
    return false;
}

static bool solve(const struct naming *naming, struct lt_checksum *checksum, unsigned first,
                  unsigned count, uint32_t at)
{
    if (checksum->family == LT_CHECK_SUM || checksum->family == LT_CHECK_NIBBLE_SUM)
        return solve_sum(naming, checksum, first, at);
    return solve_affine(naming, checksum, first, count, at);
}

static bool is_usual_counter(const struct lt_bits *bits)
{
    return bits->parts == 1 && bits->part[0].msb == 11 && bits->part[0].lsb == 8;
}

static void set_counter(const struct naming *naming, struct lt_checksum *checksum)
{
    bool e2e = checksum->family == LT_CHECK_E2E_P1 || checksum->family == LT_CHECK_E2E_P2;
    checksum->counter = naming->constants->chooser->bits;
    checksum->has_counter = !e2e || !is_usual_counter(&checksum->counter);
}

/* One byte for the even counter values, one for the odd; or one for each. */
static bool solve_chosen(const struct naming *naming, struct lt_checksum *checksum)
{
    const struct check_constants *constants = naming->constants;
    set_counter(naming, checksum);
    memset(checksum->data_id, 0, sizeof checksum->data_id);
    if (constants->by_parity) {
        checksum->data_id_mode = LT_DATA_ID_ALTERNATING;
        checksum->data_id_count = 2;
        naming->claim->parameters = 2;
        return solve(naming, checksum, 0, 1, first_known(constants, 0)) &&
               solve(naming, checksum, 1, 1, first_known(constants, 1)) && fits(naming, checksum);
    }
    checksum->data_id_mode = LT_DATA_ID_LIST;
    checksum->data_id_count = (uint8_t)constants->chooser->classes;
    naming->claim->parameters = constants->chooser->classes;
    for (unsigned class = 0; class < checksum->data_id_count; class ++) {
        if (constants->known[class] && !solve(naming, checksum, class, 1, constants->at[class]))
            return false;
    }
    return fits(naming, checksum);
}

static bool done(const struct naming *naming, const struct lt_checksum *checksum, bool plain)
{
    naming->claim->checksum = *checksum;
    naming->claim->plain_constant = plain;
    return true;
}

/* Identifier and length in their four combinations, plainest first. */
static void set_extras(struct lt_checksum *checksum, unsigned combination)
{
    static const bool id[] = {false, true, true, false}, length[] = {false, false, true, true};
    checksum->with_id = id[combination];
    checksum->with_length = length[combination];
}

static bool start_fits(const struct naming *naming, struct lt_checksum *checksum)
{
    for (unsigned start = 0; start < 1u << checksum->width; start++) {
        checksum->start = (uint16_t)start;
        if (fits(naming, checksum))
            return true;
    }
    return false;
}

bool check_name_plain(const struct check_view *view, const struct check_constants *constants,
                      struct check_claim *claim)
{
    struct naming naming = {view, constants, claim};
    struct lt_checksum trial = claim->checksum;
    enum lt_complement first = trial.complement;
    claim->parameters = 1;
    for (unsigned extras = 0; constants->same && extras < 4; extras++) {
        bool both_ways = trial.family == LT_CHECK_XOR ? extras == 0 && first == LT_COMPLEMENT_NONE
                                                      : first == LT_COMPLEMENT_TWOS;
        for (unsigned ones = 0; ones <= both_ways; ones++) {
            set_extras(&trial, extras);
            trial.complement = ones ? LT_COMPLEMENT_ONES : first;
            if (fits(&naming, &trial))
                return done(&naming, &trial, true);
        }
    }
    set_extras(&trial, 0);
    trial.complement = first;
    if (constants->same)
        return start_fits(&naming, &trial) && done(&naming, &trial, false);
    return solve_chosen(&naming, &trial) && done(&naming, &trial, false);
}

/* Parameters in use for a polynomial: the catalogue's rows, then the four usual pairs. */
static bool set_parameters(struct lt_checksum *checksum, unsigned which)
{
    size_t count;
    const struct lt_crc *rows = lt_crc_table(&count);
    for (size_t i = 0; i < count; i++) {
        const struct lt_crc *row = &rows[i];
        if (row->width != checksum->width || row->poly != checksum->poly ||
            row->reflect != checksum->reflect)
            continue;
        if (which-- == 0) {
            checksum->catalogue = row->name;
            checksum->init = (uint16_t)row->init;
            checksum->xorout = (uint16_t)row->xorout;
            return true;
        }
    }
    if (which >= 4)
        return false;
    uint16_t ones = (uint16_t)((1u << checksum->width) - 1);
    checksum->catalogue = NULL;
    checksum->init = which & 1 ? 0 : ones;
    checksum->xorout = which & 2 ? ones : 0;
    return true;
}

/* The whole frame but the check, forwards. */
static bool covers_as_e2e(const struct check_view *view, const struct lt_checksum *checksum)
{
    uint64_t own = check_own_bytes(&checksum->place), covered = 0;
    for (unsigned i = 0; i < checksum->ranges; i++) {
        if (checksum->range[i].first > checksum->range[i].last)
            return false;
        for (unsigned b = checksum->range[i].first; b <= checksum->range[i].last; b++)
            covered |= (uint64_t)1 << b;
    }
    uint64_t frame = view->length == 64 ? ~(uint64_t)0 : ((uint64_t)1 << view->length) - 1;
    return covered == (frame & ~own) && !checksum->reflect;
}

static bool counts_to_14(const struct check_view *view)
{
    for (unsigned i = 0; i < view->chooser_count; i++) {
        if (is_usual_counter(&view->chooser[i].bits) && view->chooser[i].modulus == 15)
            return true;
    }
    return false;
}

static bool has_usual_counter(const struct check_view *view)
{
    for (unsigned i = 0; i < view->chooser_count; i++) {
        if (view->chooser[i].present && is_usual_counter(&view->chooser[i].bits))
            return true;
    }
    return false;
}

static void as_family(struct lt_checksum *checksum, enum lt_check_family family, bool before)
{
    checksum->family = family;
    checksum->catalogue = NULL;
    checksum->poly = checksum->init = checksum->xorout = 0;
    checksum->data_id_before = before;
}

static bool name_e2e_p1(const struct naming *naming, struct lt_checksum trial, unsigned hidden)
{
    if (trial.width != 8 || trial.poly != 0x1D || hidden || !covers_as_e2e(naming->view, &trial) ||
        trial.place.part[0].lsb != 0 || !has_usual_counter(naming->view))
        return false;
    as_family(&trial, LT_CHECK_E2E_P1, true);
    if (!naming->constants->same)
        return naming->constants->by_parity && solve_chosen(naming, &trial) &&
               done(naming, &trial, false);
    trial.data_id_mode = LT_DATA_ID_LOW;
    trial.data_id_count = 1;
    return solve(naming, &trial, 0, 1, first_known(naming->constants, 2)) && fits(naming, &trial) &&
           done(naming, &trial, false);
}

static bool name_e2e_p2(const struct naming *naming, struct lt_checksum trial, unsigned hidden)
{
    if (trial.width != 8 || trial.poly != 0x2F || hidden != 1 || naming->constants->same ||
        naming->constants->chooser->classes != 16 || !covers_as_e2e(naming->view, &trial) ||
        trial.place.part[0].lsb != 0)
        return false;
    as_family(&trial, LT_CHECK_E2E_P2, false);
    bool by_parity = naming->constants->by_parity;
    struct check_constants list = *naming->constants;
    struct naming as_list = {naming->view, &list, naming->claim};
    list.by_parity = false;
    (void)by_parity;
    return solve_chosen(&as_list, &trial) && done(naming, &trial, false);
}

static bool name_e2e_p5(const struct naming *naming, struct lt_checksum trial, unsigned hidden)
{
    if (trial.width != 16 || trial.poly != 0x1021 || hidden != 2 || !naming->constants->same ||
        !covers_as_e2e(naming->view, &trial) || lt_bits_order(&trial.place) != LT_ORDER_INTEL)
        return false;
    as_family(&trial, LT_CHECK_E2E_P5, false);
    trial.data_id_mode = LT_DATA_ID_BOTH;
    trial.data_id_count = 2;
    return solve(naming, &trial, 0, 2, first_known(naming->constants, 2)) && fits(naming, &trial) &&
           done(naming, &trial, false);
}

/* No data id: catalogue rows and usual parameters, with the identifier and length as they fill the
 * hidden bytes. */
static bool name_without_id(const struct naming *naming, struct lt_checksum trial, unsigned hidden)
{
    unsigned id_bytes = naming->view->kept->key.extended ? 4 : 2;
    for (unsigned extras = 0; naming->constants->same && extras < 4; extras++) {
        set_extras(&trial, extras);
        if ((trial.with_id ? id_bytes : 0) + (trial.with_length ? 1u : 0u) != hidden)
            continue;
        for (unsigned which = 0; set_parameters(&trial, which); which++) {
            if (fits(naming, &trial))
                return done(naming, &trial, true);
        }
    }
    return false;
}

/* A data id that the counter chooses, before the data or behind it and what else follows. One byte
 * does not give every constant of 16 bits: that is what tells the parameters then. */
static bool name_chosen(const struct naming *naming, struct lt_checksum trial, unsigned hidden)
{
    unsigned id_bytes = naming->view->kept->key.extended ? 4 : 2;
    for (unsigned extras = 0; extras < 4; extras++) {
        set_extras(&trial, extras);
        unsigned taken = (trial.with_id ? id_bytes : 0) + (trial.with_length ? 1u : 0u);
        if (taken > hidden || hidden - taken > 1)
            continue;
        trial.data_id_before = hidden == taken;
        for (unsigned which = 0; set_parameters(&trial, which); which++) {
            if (solve_chosen(naming, &trial))
                return done(naming, &trial, false);
        }
    }
    return false;
}

static bool name_with_id(const struct naming *naming, struct lt_checksum trial, unsigned hidden)
{
    if (!naming->constants->same)
        return name_chosen(naming, trial, hidden);
    set_parameters(&trial, 0);
    trial.data_id_before = hidden == 0;
    trial.data_id_mode = LT_DATA_ID_BOTH;
    for (unsigned count = hidden ? hidden : 1; count <= (hidden ? hidden : 2); count++) {
        trial.data_id_count = (uint8_t)count;
        if (trial.catalogue && solve(naming, &trial, 0, count, first_known(naming->constants, 2)) &&
            fits(naming, &trial))
            return done(naming, &trial, false);
    }
    memset(trial.data_id, 0, sizeof trial.data_id);
    trial.data_id_count = (uint8_t)hidden;
    trial.data_id_before = false;
    trial.catalogue = NULL;
    trial.init = trial.xorout = 0;
    uint32_t at = first_known(naming->constants, 2);
    trial.xorout = computed(naming, &trial, at) ^ carried(naming, &trial, at);
    return fits(naming, &trial) && done(naming, &trial, false);
}

bool check_name_crc(const struct check_view *view, const struct check_constants *constants,
                    unsigned hidden, struct check_claim *claim)
{
    struct naming naming = {view, constants, claim};
    struct lt_checksum trial = claim->checksum;
    claim->parameters = 1;
    if (hidden > LT_CHECK_DATA_ID_MAX)
        return false;
    if (counts_to_14(view) && name_e2e_p1(&naming, trial, hidden))
        return true;
    return name_without_id(&naming, trial, hidden) || name_e2e_p1(&naming, trial, hidden) ||
           name_e2e_p2(&naming, trial, hidden) || name_e2e_p5(&naming, trial, hidden) ||
           name_with_id(&naming, trial, hidden);
}
