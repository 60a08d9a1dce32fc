/* What every draft needs (loomtap/defs/draft.h). */
#include "loomtap/defs/draft.h"

#include <stdlib.h>

#include "loomtap/defs/load.h"

#define TEXT_CEILING ((size_t)64 << 20)

/* `;` begins a comment behind a blank; names of files may hold anything. */
static size_t make_plain(char *text, size_t len)
{
    size_t bad;
    if (!lt_text_is_utf8((struct lt_text){text, len}, &bad))
        len = bad;
    for (size_t i = 0; i < len; i++) {
        unsigned char c = (unsigned char)text[i];
        if (c < 0x20 || c == 0x7F)
            text[i] = ' ';
        else if (c == ';')
            text[i] = ',';
        else if (c == 0xC2 && i + 1 < len && (unsigned char)text[i + 1] < 0xA0)
            text[i] = text[i + 1] = ' ';
    }
    while (len && text[len - 1] == ' ')
        len--;
    return len;
}

const char *lt_draft_text(struct lt_arena *arena, const char *format, ...)
{
    char text[LT_DRAFT_TEXT_ROOM + 1];
    va_list args;
    va_start(args, format);
    size_t len = lt_text_vformat(text, sizeof text, format, args);
    va_end(args);
    len = make_plain(text, len);
    struct lt_text plain = lt_text_trim((struct lt_text){text, len});
    return plain.len ? lt_arena_text(arena, plain) : lt_arena_string(arena, "-");
}

void lt_draft_name(char ret_name[LT_NAME_MAX + 1], const char *text, const char *otherwise)
{
    size_t len = 0;
    for (; *text && len < LT_NAME_MAX - 3; text++) {
        char c = *text >= 'A' && *text <= 'Z' ? (char)(*text - 'A' + 'a') : *text;
        bool letter = c >= 'a' && c <= 'z', digit = c >= '0' && c <= '9';
        if (letter || (len && (digit || c == '_')))
            ret_name[len++] = c;
        else if (len && ret_name[len - 1] != '_')
            ret_name[len++] = '_';
    }
    ret_name[len] = '\0';
    if (!len)
        lt_text_format(ret_name, LT_NAME_MAX + 1, "%s", otherwise);
}

struct lt_signal_def lt_draft_signal(uint32_t frame)
{
    return (struct lt_signal_def){
        .frame = frame,
        .parameter = LT_NONE,
        .scale = {1, 1},
        .offset = {0, 1},
        .curve = LT_NONE,
        .stoich = {0, 1},
        .on_lost_value = {0, 1},
    };
}

static enum lt_code read_back(const struct lt_buf *text, struct lt_profile **ret_profile,
                              struct lt_error *error)
{
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    enum lt_code code = lt_profile_load_memory(ret_profile, "draft", lt_buf_text(text), &faults);
    for (size_t i = 0; i < faults.count && code == LT_E_FAULTS; i++) {
        if (faults.items[i].severity != LT_SEVERITY_ERROR)
            continue;
        lt_fail(error, LT_E_FAULTS, "the draft would not pass `check`: %s", faults.items[i].text);
        break;
    }
    if (code != LT_OK && code != LT_E_FAULTS)
        lt_fail(error, code, "the draft could not be read back");
    lt_faults_release(&faults);
    return code;
}

enum lt_code lt_draft_write(const struct lt_profile *draft, struct lt_sink *sink,
                            struct lt_error *error)
{
    struct lt_sink *memory = malloc(sizeof *memory);
    struct lt_profile *profile = NULL;
    struct lt_buf text;
    enum lt_code code = LT_E_MEMORY;
    lt_buf_init(&text, TEXT_CEILING);
    if (memory) {
        lt_sink_init_buf(memory, &text);
        lt_profile_write(draft, true, memory);
        if (lt_sink_flush(memory) && !text.failed)
            code = read_back(&text, &profile, error);
    }
    if (code == LT_OK)
        lt_profile_write(profile, true, sink);
    else if (code == LT_E_MEMORY)
        lt_fail(error, LT_E_MEMORY, "out of memory for the draft");
    lt_profile_free(profile);
    lt_buf_release(&text);
    free(memory);
    return code;
}
