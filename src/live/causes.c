/* From signs to likely causes: one small judge a cause, each with the reason. What they say is
 * likelihood, not proof: docs/getting-on-a-bus.md has the whole reasoning. */
#include "loomtap/live/signs.h"

#define CAUSE_ROW(name, word, text, advice) {word, text, advice},
static const struct {
    const char *word, *text, *advice;
} texts[LT_CAUSE_COUNT] = {LT_CAUSES(CAUSE_ROW)};
#undef CAUSE_ROW

const char *lt_cause_word(enum lt_cause_kind kind)
{
    return (unsigned)kind < LT_CAUSE_COUNT ? texts[kind].word : "unknown";
}

const char *lt_cause_text(enum lt_cause_kind kind)
{
    return (unsigned)kind < LT_CAUSE_COUNT ? texts[kind].text : "unknown";
}

const char *lt_cause_advice(enum lt_cause_kind kind)
{
    return (unsigned)kind < LT_CAUSE_COUNT ? texts[kind].advice : "";
}

/* What several judges ask. */
struct picture {
    const struct lt_cause_view *view;
    const uint64_t *signs;
    uint64_t frames, errors;
    uint64_t told;  /* errors of receiving whose kind is known */
    bool quiet;     /* neither frames nor errors */
    bool only_bad;  /* errors and no whole frame */
    bool some_good; /* both */
};

static struct picture look(const struct lt_cause_view *view)
{
    const struct lt_bus_signs *signs = view->signs;
    struct picture picture = {.view = view,
                              .signs = signs->signs,
                              .frames = signs->frames,
                              .errors = signs->errors,
                              .told = signs->signs[LT_SIGN_STUFF] + signs->signs[LT_SIGN_FORM] +
                                      signs->signs[LT_SIGN_CRC] + signs->signs[LT_SIGN_BIT]};
    picture.quiet = picture.frames == 0 && picture.errors == 0;
    picture.only_bad = picture.frames == 0 && picture.errors > 0;
    picture.some_good = picture.frames > 0 && picture.errors > 0;
    return picture;
}

static bool half_of(uint64_t part, uint64_t whole)
{
    return part > 0 && part >= whole - part;
}

/* Errors so rare that a cause which hits many frames is out: below 1 in 200. */
static bool rare(const struct picture *picture)
{
    return picture->some_good && picture->errors < picture->frames / 200;
}

static unsigned not_listening(const struct picture *picture)
{
    return picture->view->listen_only && lt_bus_signs_of_sending(picture->view->signs) ? 3 : 0;
}

/* A classic controller takes FDF, recessive, for a reserved bit and then the FD frame's bits for a
 * classic frame's: more than five equal bits (stuff) or a wrong end (form). Classic frames on the
 * same bus stay whole. */
static unsigned fd(const struct picture *picture)
{
    if (picture->view->fd || picture->errors == 0)
        return 0;
    if (picture->some_good && picture->signs[LT_SIGN_FD_PLACE] > 0 &&
        half_of(picture->signs[LT_SIGN_FD_PLACE], picture->errors))
        return 3;
    if (picture->some_good && picture->told > 0)
        return half_of(picture->signs[LT_SIGN_FORM] + picture->signs[LT_SIGN_STUFF], picture->told)
                   ? 3
                   : 1;
    if (picture->some_good) /* errors whose kind is not told may be FD's */
        return 2;
    /* Nothing but FD frames on the bus looks like a wrong rate. */
    return picture->view->searched ? 2 : 1;
}

static unsigned data_rate(const struct picture *picture)
{
    return picture->view->fd && picture->some_good ? 3 : 0;
}

static unsigned wire(const struct picture *picture)
{
    return picture->signs[LT_SIGN_WIRE] > 0 ? 3 : 0;
}

/* A sender without acknowledgement breaks off behind the acknowledge slot, and tries again. */
static unsigned lone(const struct picture *picture)
{
    return picture->view->listen_only && picture->only_bad &&
                   half_of(picture->signs[LT_SIGN_ACK_PLACE], picture->errors)
               ? 3
               : 0;
}

static unsigned wrong_rate(const struct picture *picture)
{
    if (picture->view->searched)
        return 0;
    if (picture->only_bad)
        return lone(picture) ? 1 : 3;
    if (picture->quiet) /* many adapters do not tell single errors */
        return 2;
    return picture->signs[LT_SIGN_BUS_OFF] > 0 ? 2 : 0;
}

/* Ringing and slow edges break frames anywhere, so checksums and bits too, not only the form. */
static unsigned terminators(const struct picture *picture)
{
    if (picture->quiet || picture->errors == 0 || rare(picture))
        return 0;
    if (picture->some_good &&
        half_of(picture->signs[LT_SIGN_CRC] + picture->signs[LT_SIGN_BIT], picture->told))
        return 3;
    return picture->some_good || picture->view->searched ? 2 : 1;
}

static unsigned nobody(const struct picture *picture)
{
    return !picture->view->listen_only && picture->frames == 0 && picture->signs[LT_SIGN_NO_ACK] > 0
               ? 3
               : 0;
}

static unsigned asleep(const struct picture *picture)
{
    return picture->quiet ? 3 : 0;
}

static unsigned not_there(const struct picture *picture)
{
    return picture->quiet ? 2 : 0;
}

/* ISO 11898-2: a dominant bit lifts CAN_H above CAN_L; below 0.5 V of difference, also far below
 * zero, is recessive. So swapped wires are silence to who only listens; who sends hits the others.
 */
static unsigned swapped(const struct picture *picture)
{
    if (picture->quiet)
        return 2;
    return !picture->view->listen_only && picture->frames == 0 &&
                   picture->signs[LT_SIGN_BUS_OFF] > 0
               ? 2
               : 0;
}

static unsigned ground(const struct picture *picture)
{
    if (picture->quiet || picture->errors == 0)
        return 0;
    return picture->some_good || picture->view->searched ? 2 : 1;
}

static unsigned contact(const struct picture *picture)
{
    return rare(picture) ? 3 : picture->some_good ? 1 : 0;
}

static unsigned other_rate(const struct picture *picture)
{
    if (!picture->view->searched || picture->frames > 0)
        return 0;
    unsigned most = picture->quiet ? 2 : 3;
    return picture->view->some_missing ? most : most - 2;
}

static unsigned slow(const struct picture *picture)
{
    return picture->signs[LT_SIGN_OVERFLOW] > 0 ? 3 : 0;
}

static unsigned (*const judges[LT_CAUSE_COUNT])(const struct picture *) = {
    [LT_CAUSE_NOT_LISTENING] = not_listening,
    [LT_CAUSE_FD] = fd,
    [LT_CAUSE_DATA_RATE] = data_rate,
    [LT_CAUSE_WIRE] = wire,
    [LT_CAUSE_LONE] = lone,
    [LT_CAUSE_RATE] = wrong_rate,
    [LT_CAUSE_TERMINATORS] = terminators,
    [LT_CAUSE_NOBODY] = nobody,
    [LT_CAUSE_SLEEPING] = asleep,
    [LT_CAUSE_NOT_THERE] = not_there,
    [LT_CAUSE_SWAPPED] = swapped,
    [LT_CAUSE_GROUND] = ground,
    [LT_CAUSE_CONTACT] = contact,
    [LT_CAUSE_OTHER_RATE] = other_rate,
    [LT_CAUSE_SLOW] = slow,
};

size_t lt_bus_causes(const struct lt_cause_view *view, struct lt_cause *ret_causes)
{
    struct picture picture = look(view);
    size_t count = 0;
    for (unsigned weight = 3; weight > 0; weight--)
        for (int kind = 0; kind < LT_CAUSE_COUNT; kind++)
            if (judges[kind](&picture) == weight)
                ret_causes[count++] = (struct lt_cause){(enum lt_cause_kind)kind, weight};
    return count;
}
