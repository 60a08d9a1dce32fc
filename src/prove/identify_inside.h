/* What the files of identify share.
 *
 *     identify          life, index of identifiers, reading
 *     identify_stream   one identifier on one bus, and the different definitions profiles give it
 *     identify_judge    one profile: its buses, the figures as a proof wants them, its claims
 *     identify_weigh    claims to evidence for and against, and to sentences
 *     identify_rank     all profiles in order, the verdict
 *     identify_output   text, JSON */
#ifndef LOOMTAP_SRC_PROVE_IDENTIFY_INSIDE_H
#define LOOMTAP_SRC_PROVE_IDENTIFY_INSIDE_H

#include "loomtap/prove/identify.h"
#include "prove/inside.h"

/* Where a profile names an identifier, sorted by it. PGN definitions lie behind, by PGN. */
struct definition {
    uint64_t key;
    uint32_t profile, frame;
};

/* A profile's frame that this stream could be, and the definition it is watched by. */
struct owner {
    uint32_t profile, frame, unit;
};

/* What several profiles define alike is one unit: a frame with its signals. */
struct unit {
    uint64_t hash;
    struct lt_text key;      /* all that the figures depend on */
    uint32_t profile, frame; /* of the first owner */
    uint32_t first_signal;   /* in the stream's own profile */
};

struct stream { /* one identifier on one bus */
    uint32_t id;
    uint16_t bus;
    bool extended, diagnostic;
    uint64_t count, captures; /* captures: a bit for each of the first 64 */
    struct lt_arena arena;
    struct owner *owners; /* by profile, frame */
    size_t owner_count;
    struct unit *units;
    size_t unit_count;
    struct lt_profile *profile; /* of the units; NULL where no profile claims it */
    struct lt_prove *prove;
    const struct lt_frame_plan *chain;
};

struct capture_bus {
    struct live_bus live;
    uint64_t frames, bits_max;
    int64_t alive_ns; /* up to the last clock step */
    const char *name;
};

struct lt_identify {
    struct lt_arena arena;
    const struct lt_profile *const *profiles;
    size_t profile_count;
    struct definition *by_id, *by_pgn;
    size_t id_count, pgn_count;
    struct lt_profile *nothing; /* an empty profile, for */
    struct lt_prove *whole;     /* which reads: time span, diagnostics, duration */
    struct stream *streams;
    size_t stream_count;
    uint16_t *slots; /* hash table: number of the stream + 1 */
    struct capture_bus buses[LT_BUSES_MAX];
    size_t bus_count;
    uint64_t frames, unwatched;
    size_t capture;
    uint64_t number; /* of the frame before: it starts anew with each file */
    int64_t before_ns;
    const struct lt_prove_reading *reading;
};

/* identify_stream.c */
enum lt_code stream_make(struct stream *stream, const struct lt_identify *identify,
                         const struct lt_frame *frame, struct lt_error *error);
void stream_take(struct stream *stream, const struct lt_frame *frame, int64_t quiet_ns);
void stream_break(struct stream *stream);
/* The captures are over: what was put off is counted, samples are put in order. */
bool stream_settle(struct stream *stream);
void stream_release(struct stream *stream);
const struct owner *stream_owner(const struct stream *stream, uint32_t profile, uint32_t frame);

/* identify.c: the definitions whose key is this, as a run in the sorted list. */
size_t definitions_of(const struct definition *list, size_t count, uint64_t key, size_t *ret_first);
uint64_t definition_key(uint32_t id, bool extended);

/* identify_judge.c: one profile, in an arena of its own. */
struct identify_judged {
    struct lt_arena arena;
    struct lt_identity identity;
    uint32_t *capture_bus; /* of each bus of the profile; LT_NONE */
    uint8_t *claimed;      /* of each stream: 1 if the profile claims it */
    enum lt_code code;
    struct lt_error error;
};
void identify_judge(const struct lt_identify *identify, const struct lt_identify_given *given,
                    uint32_t profile, struct identify_judged *judged);

/* identify_weigh.c */
void identify_weigh(const struct lt_identify *identify, const struct lt_profile *profile,
                    const struct lt_proof *proof, struct identify_judged *judged);

/* identify_rank.c */
enum lt_code identify_rank(const struct lt_identify *identify, struct identify_judged *judged,
                           struct lt_arena *arena, struct lt_identification *result,
                           struct lt_error *error);

#endif
