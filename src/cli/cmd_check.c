/* loomtap check: what is wrong with a profile, before any capture is seen. */
#include <stdio.h>
#include <stdlib.h>

#include "cli/commands.h"
#include "loomtap/defs/load.h"

struct check_values {
    struct common common;
    bool print, flat;
};

static const struct option_row options[] = {
    {"--print", NULL, OPTION_FLAG, offsetof(struct check_values, print), NULL,
     "print the canonical text of a profile without errors"},
    {"--flat", NULL, OPTION_FLAG, offsetof(struct check_values, flat), NULL,
     "with --print: includes written in place (the text that the hash is taken over)"},
    COMMON_OPTIONS,
};

static const char details[] = "Every fault is one line, `file:line:column: severity: text`, and a "
                              "line that says what to do.\n"
                              "Exit status 1 if there was an error; warnings alone are fine.\n\n"
                              "examples:\n"
                              "  loomtap check signaldefs/tarn-turbo.ini\n"
                              "  loomtap check signaldefs/obd-ii.ini signaldefs/j1939.ini\n"
                              "  loomtap check --print signaldefs/tarn-turbo.ini\n";

static int print_profile(const struct lt_profile *profile, bool flat)
{
    struct lt_error error;
    struct lt_file_sink *file = malloc(sizeof *file);
    int status = EXIT_SYSTEM;
    if (file && lt_file_sink_open(file, "-", &error) == LT_OK) {
        lt_profile_write(profile, flat, &file->sink);
        status = lt_file_sink_commit(file, &error) == LT_OK ? EXIT_FINE : EXIT_SYSTEM;
    }
    free(file);
    return status;
}

static void say_good(const struct lt_profile *profile, const char *path, size_t warnings)
{
    printf("%s: %s, %zu frames, %zu signals, %zu parameters, %zu warnings defined; hash %.16s\n",
           path, warnings ? "no errors" : "good", profile->frame_count, profile->signal_count,
           profile->parameter_count, profile->warning_count, profile->hash);
}

static int check_one(const struct check_values *v, const char *path)
{
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    enum lt_code code = lt_profile_load(&profile, path, &faults);
    int status = status_of(code);
    say_faults(&faults, v->common.quiet);
    if (code == LT_OK && v->print)
        status = print_profile(profile, v->flat);
    else if (code == LT_OK && !v->common.quiet)
        say_good(profile, path, faults.warnings);
    else if (code == LT_E_FAULTS)
        say(v->common.quiet, "%s: %zu errors, %zu warnings\n", path, faults.errors,
            faults.warnings);
    lt_faults_release(&faults);
    lt_profile_free(profile);
    return status;
}

static int run(void *values)
{
    const struct check_values *v = values;
    int worst = EXIT_FINE;
    if (!v->common.arguments.count)
        return usage_error("check", "no profile given");
    for (size_t i = 0; i < v->common.arguments.count; i++) {
        int status = check_one(v, v->common.arguments.items[i]);
        worst = status > worst ? status : worst;
    }
    return worst;
}

const struct command cmd_check = {
    .name = "check",
    .usage = "PROFILE...",
    .help = "faults of a profile as text, before any capture is seen",
    .details = details,
    .options = options,
    .size = sizeof(struct check_values),
    .run = run,
};
