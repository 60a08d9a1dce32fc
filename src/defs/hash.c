/* The profile's hash: SHA-256 (FIPS 180-4, by libmd) of the canonical text with everything that was
 * included, so that it changes with the meaning and not with comments or blanks. */
#include <sys/types.h>

#include <sha2.h>
#include <stdlib.h>

#include "defs/lines.h"
#include "defs/loader.h"
#include "defs/write.h"

static bool hash_bytes(void *context, const char *bytes, size_t len)
{
    SHA256Update(context, (const uint8_t *)bytes, len);
    return true;
}

/* The writer knows the definition alone. */
static struct lt_place key_place(const struct lt_loader *loader, struct lt_place place,
                                 const char *key)
{
    for (size_t i = 0; i < loader->section_count; i++) {
        const struct lt_section *section = loader->sections[i];
        if (memcmp(&section->place, &place, sizeof place) == 0)
            return lt_defs_key_place(section, key);
    }
    return place;
}

/* What was written tersely may need more room in its canonical spelling. */
static void refuse_long_line(void *context, struct lt_place place, const char *key, size_t bytes)
{
    struct lt_loader *loader = context;
    lt_error_advise(lt_defs_fault(loader, key_place(loader, place, key), LT_E_LIMIT,
                                  "`%s`: its canonical line has %zu bytes; %d fit on a line", key,
                                  bytes, LT_LINE_MAX),
                    "shorten the value: join ranges, use shorter names");
}

void lt_defs_hash(struct lt_loader *loader)
{
    SHA2_CTX hash;
    uint8_t digest[SHA256_DIGEST_LENGTH];
    struct lt_sink *sink = malloc(sizeof *sink);
    if (!sink) {
        loader->scratch.failed = 1;
        return;
    }
    SHA256Init(&hash);
    lt_sink_init(sink, hash_bytes, &hash);
    struct lt_writer writer = {.profile = loader->profile,
                               .sink = sink,
                               .flat = true,
                               .too_long = refuse_long_line,
                               .context = loader};
    lt_defs_write(&writer);
    lt_sink_flush(sink);
    free(sink);
    SHA256Final(digest, &hash);
    for (size_t i = 0; i < sizeof digest; i++)
        lt_text_format(loader->profile->hash + 2 * i, 3, "%02x", digest[i]);
}
