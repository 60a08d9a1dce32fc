/* loomtap encode: values into the bytes of a frame, with counter and checksum. It prints; it never
 * sends. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli/commands.h"
#include "cli/profiles.h"
#include "loomtap/base/number.h"
#include "loomtap/capture/text.h"
#include "loomtap/core/encode.h"

#define COUNT_MAX 1000000

struct encode_values {
    struct common common;
    struct list profiles;
    uint64_t count, first;
    const char *base;
};

#define AT(member) offsetof(struct encode_values, member)

static const struct option_row options[] = {
    {"--profile", "-p", OPTION_AGAIN, AT(profiles), "FILE", "the profile that defines the frame"},
    {"--count", NULL, OPTION_COUNT, AT(count), "N", "a run of N frames, the counter going on"},
    {"--counter", NULL, OPTION_COUNT, AT(first), "N", "the run starts with the N-th counter value"},
    {"--base", NULL, OPTION_TEXT, AT(base), "HEX", "the bytes to start from (default: all 00)"},
    COMMON_OPTIONS,
};

static const char details[] =
    "Prints one line a frame in candump's short form, `123#DEADBEEF`. A value is a number in the\n"
    "unit that decode prints, a label, `unavailable` or `error`. Signals that are not named keep "
    "the\n"
    "bits of --base. A value that does not fit is refused, and the range that does is said.\n\n"
    "Nothing is sent. Putting a frame on a vehicle's bus can change how the vehicle behaves: see "
    "the\n"
    "cautions in README.md first.\n\n"
    "examples:\n"
    "  loomtap encode -p signaldefs/tarn-turbo.ini engine_a engine_speed=1726\n"
    "  loomtap encode -p signaldefs/tarn-turbo.ini kit_alert lamp=on --count 3\n";

static int find_frame(const struct profiles *profiles, const char *name,
                      const struct lt_profile **ret_profile, uint32_t *ret_frame)
{
    for (size_t i = 0; i < profiles->count; i++) {
        uint32_t frame = lt_profile_find_frame(profiles->items[i], lt_text_of(name));
        if (frame != LT_NONE) {
            *ret_profile = profiles->items[i];
            *ret_frame = frame;
            return EXIT_FINE;
        }
    }
    return usage_error("encode", "no profile has a frame `%s`", name);
}

static int take_base(const char *hex, struct lt_frame *frame)
{
    size_t len = strlen(hex);
    if (len % 2 || len / 2 > LT_FRAME_MAX)
        return usage_error("encode", "--base: wants two hex digits a byte, at most %u bytes",
                           LT_FRAME_MAX);
    for (size_t i = 0; i < len / 2; i++) {
        uint64_t byte;
        if (!lt_parse_hex((struct lt_text){hex + 2 * i, 2}, &byte))
            return usage_error("encode", "--base: `%s` is not hex", hex);
        frame->data[i] = (uint8_t)byte;
    }
    return EXIT_FINE;
}

static int take_settings(const struct list *words, struct lt_setting *settings)
{
    for (size_t i = 1; i < words->count; i++) {
        struct lt_text rest = lt_text_of(words->items[i]);
        if (!lt_text_split(&rest, '=', &settings[i - 1].signal) || !rest.at)
            return usage_error("encode", "`%s` is not of the form signal=value", words->items[i]);
        settings[i - 1].value = rest;
    }
    return EXIT_FINE;
}

static int print_run(const struct encode_values *v, const struct lt_profile *profile,
                     uint32_t index, const struct lt_setting *settings, size_t setting_count,
                     struct lt_frame *frame)
{
    uint64_t count = v->count ? v->count : 1;
    for (uint64_t i = 0; i < count; i++) {
        char text[LT_FRAME_TEXT_ROOM];
        struct lt_error error;
        if (lt_encode(profile, index, settings, setting_count, v->first + i, frame, &error) !=
            LT_OK) {
            say_error(&error);
            return EXIT_NO;
        }
        printf("%.*s\n", (int)lt_frame_print(frame, text), text);
    }
    return fflush(stdout) == 0 ? EXIT_FINE : EXIT_SYSTEM;
}

static int run(void *values)
{
    const struct encode_values *v = values;
    const struct list *words = &v->common.arguments;
    struct lt_setting settings[LIST_MAX];
    struct lt_frame frame = {0};
    const struct lt_profile *profile = NULL;
    static struct profiles profiles;
    uint32_t index = LT_NONE;
    if (!words->count)
        return usage_error("encode", "no frame given");
    if (!v->profiles.count)
        return usage_error("encode", "no profile given: -p FILE");
    if (v->count > COUNT_MAX)
        return usage_error("encode", "--count: at most %d", COUNT_MAX);
    int status = load_profiles(&profiles, &v->profiles, v->common.quiet);
    if (status == EXIT_FINE)
        status = find_frame(&profiles, words->items[0], &profile, &index);
    if (status == EXIT_FINE && v->base)
        status = take_base(v->base, &frame);
    if (status == EXIT_FINE)
        status = take_settings(words, settings);
    if (status == EXIT_FINE)
        status = print_run(v, profile, index, settings, words->count - 1, &frame);
    free_profiles(&profiles);
    return status;
}

const struct command cmd_encode = {
    .name = "encode",
    .usage = "-p PROFILE FRAME signal=value...",
    .help = "bytes of a frame, with counter and checksum; prints, never sends",
    .details = details,
    .options = options,
    .size = sizeof(struct encode_values),
    .run = run,
};
