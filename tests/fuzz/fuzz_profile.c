/* Any bytes as a profile: never a crash, and what is accepted is written, read back and written
 * again without a difference. */
#include <stdlib.h>

#include "loomtap/defs/load.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static void write_to(const struct lt_profile *profile, struct lt_buf *buf)
{
    struct lt_sink *sink = malloc(sizeof *sink);
    if (!sink)
        abort();
    lt_buf_init(buf, 0);
    lt_sink_init_buf(sink, buf);
    lt_profile_write(profile, true, sink);
    if (!lt_sink_flush(sink))
        abort();
    free(sink);
}

static struct lt_profile *load(struct lt_text text)
{
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    enum lt_code code = lt_profile_load_memory(&profile, "fuzz", text, &faults);
    if ((code == LT_OK) != (profile != NULL) || (code == LT_OK) != (faults.errors == 0))
        abort();
    for (size_t i = 0; i < faults.count; i++) {
        /* Every fault has a place in the text, a text, and advice. */
        char shown[1200];
        lt_error_print(&faults.items[i], shown, sizeof shown);
        if (faults.items[i].line == 0 || !faults.items[i].text[0] || !faults.items[i].advice[0])
            abort();
    }
    lt_faults_release(&faults);
    return profile;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct lt_profile *first = load((struct lt_text){(const char *)bytes, size});
    if (!first)
        return 0;
    struct lt_buf once, twice;
    write_to(first, &once);
    struct lt_profile *second = load(lt_buf_text(&once));
    if (!second)
        abort();
    write_to(second, &twice);
    if (!lt_text_equal(lt_buf_text(&once), lt_buf_text(&twice)) ||
        memcmp(first->hash, second->hash, sizeof first->hash) != 0)
        abort();
    lt_buf_release(&once);
    lt_buf_release(&twice);
    lt_profile_free(first);
    lt_profile_free(second);
    return 0;
}
