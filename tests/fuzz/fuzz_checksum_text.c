/* Any bytes as the text of a checksum. What is read must print, read back the same, and, once it is
 * found right for a frame, compute within that frame. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/core/checksum.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static void expect(int is_true)
{
    if (!is_true)
        abort();
}

/* The frame lies in memory of just its own size, so a byte too far is seen. The general field
 * functions may read 8 bytes at once, hence the room that frames always have behind them. */
static void compute(struct lt_checksum *checksum, uint8_t length)
{
    static const struct lt_affine affine = {.constant = 1};
    checksum->affine = &affine;
    if (lt_checksum_check(checksum, length, NULL) != LT_OK)
        return;
    expect(lt_checksum_bytes(checksum) <= length);
    uint8_t *data = calloc(1, length + 16u);
    expect(data != NULL);
    memset(data, 0x5A, length);
    lt_checksum_apply(checksum, data, length, 0x123, false);
    expect(lt_checksum_verify(checksum, data, length, 0x123, false));
    expect(lt_checksum_compute(checksum, data, length, 0x123, true) >> checksum->width == 0);
    free(data);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct lt_checksum first, again;
    struct lt_error error;
    char text[1024], text_again[1024];
    struct lt_text input = {(const char *)bytes, size};
    if (lt_checksum_parse(input, &first, &error) != LT_OK) {
        expect(error.column >= 1 && error.column <= size + 1);
        expect(error.text[0] != 0);
        return 0;
    }
    size_t len = lt_checksum_print(&first, text, sizeof text);
    expect(len < sizeof text - 1);
    expect(lt_checksum_parse((struct lt_text){text, len}, &again, &error) == LT_OK);
    lt_checksum_print(&again, text_again, sizeof text_again);
    expect(strcmp(text, text_again) == 0);
    compute(&first, 8);
    compute(&first, 64);
    return 0;
}
