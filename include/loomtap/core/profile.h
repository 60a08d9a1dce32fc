/* A vehicle profile in memory: plain definitions, filled by defs/load.h, read by everyone else.
 *
 * One arena owns all of it. Names are terminated UTF-8; texts that were not given are NULL.
 * References between definitions are indices into the profile's arrays; LT_NONE means none. */
#ifndef LOOMTAP_CORE_PROFILE_H
#define LOOMTAP_CORE_PROFILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/number.h"
#include "loomtap/core/bits.h"
#include "loomtap/core/checksum.h"
#include "loomtap/core/condition.h"
#include "loomtap/core/role.h"

#define LT_NONE            UINT32_MAX
#define LT_NAME_MAX        32   /* [a-z][a-z0-9_]* */
#define LT_FRAMES_MAX      4096 /* a profile with its includes */
#define LT_SIGNALS_MAX     16384
#define LT_FILES_MAX       64
#define LT_PAGE_RANGES_MAX 16

/* Where something stands: file is an index into lt_profile.files. */
struct lt_place {
    uint32_t file, line, column; /* line and column from 1 */
};

/* Raw values first..last, both included. */
struct lt_raw_range {
    uint64_t first, last;
};

struct lt_label {
    uint64_t raw; /* bit pattern */
    const char *name;
    struct lt_place place;
};

struct lt_curve_point {
    struct lt_ratio raw, physical;
};

struct lt_curve_def {
    const char *name;
    const struct lt_curve_point *points; /* raw ascending */
    size_t count;
    struct lt_place place;
};

struct lt_text_pair { /* a key of [fits] or [prove] */
    const char *key, *value;
    struct lt_place place;
};

enum lt_fd_kind { LT_FD_NO, LT_FD_ISO, LT_FD_NON_ISO };
enum lt_direction { LT_LISTEN, LT_SEND };

struct lt_bus_def {
    const char *name;
    uint32_t bitrate_hz, data_bitrate_hz; /* 0 = not given */
    enum lt_fd_kind fd;
    struct lt_ratio sample_point; /* 7/8 = 87.5 %; {0, 1} = not given */
    const char *access, *interface, *evidence;
    struct lt_place place;
};

struct lt_counter_def {
    bool present;
    struct lt_bits bits;
    uint32_t modulus; /* counts 0 .. modulus - 1; 2^length unless `mod` says otherwise */
    uint32_t step;    /* 1 unless `step` says otherwise */
};

struct lt_frame_def {
    const char *name;
    uint32_t bus; /* LT_NONE: on every bus */
    uint32_t id;  /* of a pgn frame: priority 6 (or as needed), pgn and source put together */
    bool extended;
    bool is_pgn;       /* matched by PGN, whatever the priority */
    uint32_t pgn;      /* 0..0x3FFFF */
    uint32_t source;   /* LT_NONE: from any address */
    bool fd;           /* carried in an FD frame: said, or length above 8 */
    uint16_t length;   /* nominal data bytes, 0..64; a transported PGN up to 1785 */
    int64_t period_ns; /* 0 = not given (event driven, or unknown) */
    struct lt_counter_def counter;
    const struct lt_checksum *checksums; /* more than one only where pages differ */
    size_t checksum_count;
    enum lt_direction direction;
    bool authenticated;
    const char *evidence;
    struct lt_place place;
    const struct lt_place *key_place; /* by the loader's key number; for messages */
};

enum lt_sign { LT_UNSIGNED, LT_TWOS, LT_OFFSET_BINARY, LT_SIGN_MAGNITUDE, LT_FLOAT };
const char *lt_sign_name(enum lt_sign sign); /* "unsigned", "twos", "offset-binary" ... */
enum lt_form { LT_FORM_LINEAR, LT_FORM_RECIPROCAL, LT_FORM_CURVE };
enum lt_lost_kind { LT_LOST_MISSING, LT_LOST_HOLD, LT_LOST_VALUE };

/* One clause of `page = kind 3 and sub 1,4..7`. */
struct lt_page_clause {
    uint32_t selector; /* signal index, on the same frame */
    uint8_t ranges;
    struct lt_raw_range range[LT_PAGE_RANGES_MAX];
};

struct lt_signal_def {
    const char *name;
    uint32_t frame; /* exactly one of frame and parameter is not LT_NONE */
    uint32_t parameter;
    struct lt_bits bits;
    enum lt_order order; /* of bits; LT_ORDER_NONE inside a byte */
    enum lt_sign sign;
    /* LINEAR: physical = raw * scale + offset. RECIPROCAL: physical = 1 / (raw * scale + offset).
     * CURVE: straight between points, the end values beyond them; scale and offset are not used.
     * `raw` is the signed number that `sign` makes of the bits. In the profile's `unit`. */
    enum lt_form form;
    struct lt_ratio scale, offset;
    uint32_t curve;
    const char *unit; /* as written; NULL or "1" for none */
    bool has_range;
    /* In `unit`. An end of INT64_MAX or -INT64_MAX stands for a number beyond: no limit. */
    struct lt_ratio range_low, range_high;
    const struct lt_role *role; /* NULL for none */
    const char *role_name;      /* "wheel_speed_fl"; the role may be a family */
    /* With a role: value in the role's unit = value in `unit` * role_factor + role_offset. A signal
     * with a role speaks the role's unit everywhere outside the profile's own text. */
    const char *role_unit;
    struct lt_ratio role_factor, role_offset;
    struct lt_ratio stoich; /* {0, 1} = not given */
    const struct lt_raw_range *unavailable;
    size_t unavailable_count;
    const struct lt_raw_range *error;
    size_t error_count;
    const struct lt_label *labels; /* raw ascending */
    size_t label_count;
    const struct lt_page_clause *page; /* all clauses must hold; none = on every page */
    size_t page_count;
    uint32_t max_age_ms; /* 0 = the role's, or 3 periods */
    enum lt_lost_kind on_lost;
    struct lt_ratio on_lost_value; /* HOLD: milliseconds; VALUE: the value, in the role's unit */
    const char *evidence;
    struct lt_place place;
    const struct lt_place *key_place;
};

/* A value in a diagnostic reply. The bits of its signals count from the first data byte behind the
 * parameter's number (A of the PID tables is byte 0). */
struct lt_parameter_def {
    const char *name;
    uint32_t bus;    /* LT_NONE: on every bus */
    uint8_t service; /* 0x01, 0x02, 0x09, 0x22 ... of the request */
    uint32_t pid;    /* 8 bits; 16 bits with service 0x22. LT_NONE: the service has none (03 ...) */
    /* Data bytes behind the number; 0 = not given: what SAE J1979 gives the PID of service 01 or
     * 02, else up to the end of the reply. */
    uint16_t length;
    uint32_t responder; /* reply identifier; LT_NONE: any */
    const char *evidence;
    struct lt_place place;
};

struct lt_assignment { /* lamp=1 in `send = kit_alert lamp=1` */
    uint32_t signal;
    const char *value; /* as written: number or label */
};

enum lt_warning_lost { LT_WARNING_LOST_WARN, LT_WARNING_LOST_IGNORE };

struct lt_warning_def {
    const char *name;
    struct lt_condition when, until; /* until.count 0 = not `when` */
    uint32_t for_ms, hold_ms;
    uint32_t send; /* frame, LT_NONE = nothing sent */
    const struct lt_assignment *assign;
    size_t assign_count;
    uint32_t priority;
    bool limp;
    enum lt_warning_lost on_lost;
    const char *title, *evidence;
    struct lt_place place;
};

struct lt_profile {
    struct lt_arena arena;
    const char **files; /* files[0] is the profile itself, then its includes in order */
    size_t file_count;
    const char *name, *title;
    const char **requires; /* role names */
    size_t require_count;
    const char **includes; /* as written in files[0] */
    size_t include_count;
    struct lt_text_pair *fits;
    size_t fit_count;
    struct lt_text_pair *prove;
    size_t prove_count;
    struct lt_bus_def *buses;
    size_t bus_count;
    struct lt_frame_def *frames;
    size_t frame_count;
    struct lt_signal_def *signals;
    size_t signal_count;
    struct lt_curve_def *curves;
    size_t curve_count;
    struct lt_parameter_def *parameters;
    size_t parameter_count;
    struct lt_warning_def *warnings;
    size_t warning_count;
    char hash[65]; /* SHA-256 of the canonical text with includes, in hex */
};

/* Index by name, LT_NONE if absent. */
uint32_t lt_profile_find_bus(const struct lt_profile *profile, struct lt_text name);
uint32_t lt_profile_find_frame(const struct lt_profile *profile, struct lt_text name);
uint32_t lt_profile_find_signal(const struct lt_profile *profile, struct lt_text name);

/* The unit in which a signal is spoken outside the profile: the role's, else its own; "" for none.
 */
const char *lt_signal_unit(const struct lt_signal_def *signal);
/* The label of a raw value; NULL if it has none. */
const char *lt_signal_label(const struct lt_signal_def *signal, uint64_t raw);

#endif
