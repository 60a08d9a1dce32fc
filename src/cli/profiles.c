/* See profiles.h. */
#include "cli/profiles.h"

#include "loomtap/defs/load.h"

typedef enum lt_code (*loading)(struct lt_profile **ret_profile, const char *path,
                                struct lt_faults *faults);

static int load_one(struct profiles *profiles, const char *path, loading load, bool quiet)
{
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    enum lt_code code = load(&profiles->items[profiles->count], path, &faults);
    say_faults(&faults, quiet);
    profiles->count += code == LT_OK;
    if (code == LT_E_FAULTS)
        complain("%s: %zu faults: nothing is done with a profile that has any", path,
                 faults.errors);
    lt_faults_release(&faults);
    return status_of(code);
}

static int load_all(struct profiles *profiles, const struct list *paths, loading load, bool quiet)
{
    int worst = EXIT_FINE;
    profiles->count = 0;
    for (size_t i = 0; i < paths->count; i++) {
        int status = load_one(profiles, paths->items[i], load, quiet);
        worst = status > worst ? status : worst;
    }
    return worst;
}

int load_profiles(struct profiles *profiles, const struct list *paths, bool quiet)
{
    return load_all(profiles, paths, lt_profile_load, quiet);
}

int load_unfinished_profiles(struct profiles *profiles, const struct list *paths, bool quiet)
{
    return load_all(profiles, paths, lt_profile_load_unfinished, quiet);
}

void free_profiles(struct profiles *profiles)
{
    while (profiles->count)
        lt_profile_free(profiles->items[--profiles->count]);
}
