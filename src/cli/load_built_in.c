/* See built_in.h. */
#include "cli/built_in.h"
#include "cli/cmd.h"
#include "loomtap/defs/load.h"

struct lt_profile *load_built_in_obd(void)
{
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    struct lt_text text = {built_in_obd, built_in_obd_len};
    lt_faults_init(&faults, 0);
    enum lt_code code = lt_profile_load_memory(&profile, "(built-in obd-ii)", text, &faults);
    say_faults(&faults, code == LT_OK);
    lt_faults_release(&faults);
    return code == LT_OK ? profile : NULL;
}
