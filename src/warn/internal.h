/* What the files of src/warn share: inputs (input.c), programs of conditions (evaluate.c), warnings
 * (settle.c), frames to send (send.c), and the engine that moves them through time (engine.c).
 * setup.c puts them together. The rules stand in loomtap/warn/warn.h. */
#ifndef LOOMTAP_SRC_WARN_INTERNAL_H
#define LOOMTAP_SRC_WARN_INTERNAL_H

#include "loomtap/base/arena.h"
#include "loomtap/core/encode.h"
#include "loomtap/proto/route.h"
#include "loomtap/warn/warn.h"

#define NEVER      INT64_MAX
#define NS_PER_MS  INT64_C(1000000)
#define NS_PER_S_F 1e9

/* Times never run over: what would be later than any time is never. */
static inline int64_t later(int64_t time_ns, int64_t by_ns)
{
    int64_t sum;
    return __builtin_add_overflow(time_ns, by_ns, &sum) ? NEVER : sum;
}

struct input {
    struct lt_warn_input is; /* what conditions see */

    int64_t max_age_ns, await_ns; /* NEVER: does not grow old */
    enum lt_lost_kind on_lost;
    int64_t hold_ns;
    bool has_substitute_raw;
    uint64_t substitute_raw;
    double substitute;
    bool labels_only;      /* a raw value without a label is no value */
    bool time_counts;      /* a condition names its age or rate: every frame matters */
    const uint32_t *users; /* warnings; first those to which more matters than whether it is lost */
    size_t user_count, value_user_count;

    int64_t due_ns; /* when it changes by time alone */
    bool suspect;   /* the last frame that brought it */
    bool has_good, has_last, has_base;
    int64_t seen_ns; /* last frame that was not suspect; LT_NO_TIME before */
    int64_t last_ns, base_ns;
    double last, base; /* good values since the last loss, of different times */
};

struct step {
    enum lt_op op;
    uint32_t input;
    uint64_t raw;
    double number;
};

struct program {
    const struct step *steps;
    size_t count;
    bool reads_limp;
};

enum truth { NO, YES, UNKNOWN };

struct warning {
    const struct lt_warning_def *def;
    struct program when, until; /* until.count 0: not `when` */
    const uint32_t *inputs;     /* of both */
    size_t input_count;
    uint32_t send; /* index in frames, LT_NONE */
    bool dirty, on;
    bool held_back; /* would have changed twice at this instant */
    enum lt_warn_cause cause;
    int64_t since_ns; /* off: holds since then, NEVER if it does not */
    int64_t on_ns;
    int64_t due_ns;
    uint64_t changed_step;
};

struct to_send {
    uint32_t frame; /* in the profile */
    uint16_t bus;
    int64_t period_ns;        /* 0: at each change */
    const uint32_t *warnings; /* by priority */
    size_t warning_count;
    struct lt_setting *settings; /* room for all */
    int64_t next_ns, last_ns;    /* last: LT_NO_TIME before the first */
    bool is_clear;               /* the next one */
    bool is_lit;                 /* sent, and no all-clear since */
    bool ended_well;             /* none is on, and the last went off by its condition */
    uint64_t counter;
    bool is_made; /* `made` has what is on now */
    struct lt_frame made;
};

struct lt_warn {
    struct lt_arena arena;
    const struct lt_profile *profile;
    struct lt_warn_sink sink;
    struct lt_plan *plan;
    uint32_t *input_of_field; /* by lt_field.index */
    struct input *inputs;
    size_t input_count;
    struct warning *warnings;
    size_t warning_count;
    struct to_send *frames;
    size_t frame_count;
    struct lt_route *route;
    bool any_input; /* the frame at hand brought one */

    int64_t now_ns;   /* LT_NO_TIME before the first */
    int64_t heard_ns; /* newest time of a frame: pauses count from it */
    int64_t next_ns;  /* nothing is due before */
    bool dirty;       /* some warning is */
    bool any_held_back;
    bool limp;
    uint64_t step; /* one a settling */
    struct lt_warn_counts counts;
};

/* engine.c: a message of the plan, by the route. */
void warn_take(void *context, const struct lt_message *message);

/* setup.c */
enum lt_code warn_setup(struct lt_warn *warn, const struct lt_binding *bindings,
                        size_t binding_count, struct lt_error *error);

/* input.c */
void inputs_begin(struct lt_warn *warn, int64_t start_ns);
void input_take(struct lt_warn *warn, uint32_t index, uint64_t raw, bool suspect);
void input_due(struct lt_warn *warn, uint32_t index);

/* evaluate.c: *next_ns is lowered to the time at which age alone may change the answer. */
enum truth warn_evaluate(const struct lt_warn *warn, const struct program *program,
                         int64_t *next_ns);
/* Is age multiplied with age, or divided by? */
bool is_linear_in_age(const struct program *program);

/* settle.c */
void warn_settle(struct lt_warn *warn);
void warnings_begin(struct lt_warn *warn);
/* All that are on go off, cause lost. */
void warnings_drop(struct lt_warn *warn);

/* send.c */
/* A warning that uses it came on or went off; ended_well: off by its condition. */
void frame_changed(struct lt_warn *warn, uint32_t send, bool ended_well);
void frames_due(struct lt_warn *warn);
void frames_drop(struct lt_warn *warn);
void frames_clear(struct lt_warn *warn);
/* Appends what the warning sets and no more urgent one has set; returns the new count. */
size_t add_settings(const struct lt_warn *warn, struct to_send *out, size_t count,
                    const struct lt_warning_def *def);

#endif
