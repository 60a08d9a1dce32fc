/* The hash of a file's bytes: SHA-256 (FIPS 180-4, by libmd). See loomtap/defs/load.h. */
#include <sys/types.h>

#include <errno.h>
#include <sha2.h>
#include <stdio.h>
#include <string.h>

#include "loomtap/defs/load.h"

enum lt_code lt_file_hash(const char *path, char ret_hex[65], struct lt_error *error)
{
    uint8_t bytes[16384], digest[SHA256_DIGEST_LENGTH];
    SHA2_CTX hash;
    size_t count;
    FILE *file = fopen(path, "rb");
    if (!file)
        return lt_fail(error, LT_E_IO, "cannot read %s: %s", path, strerror(errno));
    SHA256Init(&hash);
    while ((count = fread(bytes, 1, sizeof bytes, file)) > 0)
        SHA256Update(&hash, bytes, count);
    int reason = ferror(file) ? errno : 0;
    fclose(file);
    if (reason)
        return lt_fail(error, LT_E_IO, "reading %s failed: %s", path, strerror(reason));
    SHA256Final(digest, &hash);
    for (size_t i = 0; i < sizeof digest; i++)
        lt_text_format(ret_hex + 2 * i, 3, "%02x", digest[i]);
    return LT_OK;
}
