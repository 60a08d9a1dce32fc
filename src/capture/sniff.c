/* What an input is, from its content: the first line that is a frame of some form decides. Without
 * one among the first 64 KiB, lines that begin as frames do make it a damaged capture; anything
 * else is refused with a sentence that says what it seems to be. */
#include "capture/form.h"

struct magic {
    const char *bytes;
    size_t len;
    const char *what, *advice;
};

#define MAGIC(bytes, what, advice)                                                                 \
    {                                                                                              \
        bytes, sizeof(bytes) - 1, what, advice                                                     \
    }

static const char unpack[] = "unpack it first";
static const char as_pcapng[] = "save it as pcapng first";
static const char save_as_utf8[] = "save it as UTF-8 or plain text first";
static const char name_columns[] =
    "if its rows are frames, say which column is what: --columns time=NAME,id=NAME:hex,data=NAME";
static const char name_capture[] =
    "name a recording as candump writes it, or a pcap or pcapng file";

/* Numbers of the formats' own public descriptions. */
static const struct magic magics[] = {
    /* Met only behind one packing, which is taken off. */
    MAGIC("\x1F\x8B", "gzip-compressed data inside packed data", unpack),
    MAGIC("\x28\xB5\x2F\xFD", "zstd-compressed data inside packed data", unpack),
    MAGIC("BZh", "bzip2-compressed data", unpack),
    MAGIC("\xFD"
          "7zXZ",
          "xz-compressed data", unpack),
    MAGIC("\x04\x22\x4D\x18", "lz4-compressed data", unpack),
    MAGIC("PK\x03\x04", "a zip archive", unpack),
    MAGIC("7z\xBC\xAF\x27\x1C", "a 7z archive", unpack),
    MAGIC("\x34\xCD\xB2\xA1", "a pcap recording of a variant with other records", as_pcapng),
    MAGIC("\xA1\xB2\xCD\x34", "a pcap recording of a variant with other records", as_pcapng),
    MAGIC("\x89PNG", "a PNG picture", name_capture),
    MAGIC("\xFF\xD8\xFF", "a JPEG picture", name_capture),
    MAGIC("GIF8", "a GIF picture", name_capture),
    MAGIC("%PDF", "a PDF document", name_capture),
    MAGIC("\x7F"
          "ELF",
          "a program or library (ELF)", name_capture),
    MAGIC("SQLite format 3", "an SQLite database", name_capture),
    MAGIC("\xFF\xFE", "text in UTF-16", save_as_utf8),
    MAGIC("\xFE\xFF", "text in UTF-16", save_as_utf8),
};

bool lt_sniff_magic(struct lt_text bytes, struct lt_error *error)
{
    for (size_t i = 0; i < sizeof magics / sizeof *magics; i++) {
        const struct magic *magic = &magics[i];
        if (bytes.len < magic->len || memcmp(bytes.at, magic->bytes, magic->len) != 0)
            continue;
        lt_fail(error, LT_E_NOT_CAPTURE, "this is %s, not a capture that this version reads",
                magic->what);
        lt_error_advise(error, "%s", magic->advice);
        return true;
    }
    return false;
}

const struct lt_form *lt_sniff_binary(struct lt_text bytes)
{
    /* draft-ietf-opsawg-pcap, section 4: microseconds and nanoseconds, in either byte order;
     * draft-ietf-opsawg-pcapng, section 4.1: a palindrome. */
    static const struct {
        char bytes[4];
        enum lt_form_kind kind;
    } marks[] = {
        {"\xD4\xC3\xB2\xA1", LT_FORM_PCAP},   {"\xA1\xB2\xC3\xD4", LT_FORM_PCAP},
        {"\x4D\x3C\xB2\xA1", LT_FORM_PCAP},   {"\xA1\xB2\x3C\x4D", LT_FORM_PCAP},
        {"\x0A\x0D\x0D\x0A", LT_FORM_PCAPNG},
    };
    for (size_t i = 0; bytes.len >= 4 && i < sizeof marks / sizeof *marks; i++)
        if (memcmp(bytes.at, marks[i].bytes, 4) == 0)
            return lt_form(marks[i].kind);
    return NULL;
}

static void sniff_line(struct lt_sniff *sniff, struct lt_text text)
{
    struct lt_form_state states[LT_FORM_KINDS] = {{.decimal = false}};
    struct lt_frame frame;
    struct lt_line line;
    uint64_t dropped;
    uint32_t column;
    const struct lt_form *form;
    states[LT_FORM_CSV_FRAMES].csv.map = sniff->csv_map;
    if (text.len > LT_LINE_MAX) {
        sniff->text_lines++;
        return;
    }
    enum lt_line_kind kind =
        lt_form_parse(lt_form(LT_FORM_CANDUMP_LOG), text, states, &frame, &line, &form);
    if (kind == LT_LINE_FRAME || (kind == LT_LINE_NOTE && form->kind == LT_FORM_CSV_FRAMES))
        sniff->form = form; /* a frame, or the header of columns */
    if (kind != LT_LINE_BAD)
        return;
    enum lt_other_line other = lt_other_line(text, &dropped, &column);
    if (other == LT_OTHER_BINARY) {
        sniff->binary_lines++;
    } else if (line.frame_like) {
        sniff->like = sniff->like ? sniff->like : form;
        sniff->like_lines++;
    } else if (other == LT_OTHER_TEXT) {
        sniff->text_lines++;
    }
}

void lt_sniff_lines(struct lt_sniff *sniff, struct lt_text bytes, bool at_eof)
{
    size_t limit = bytes.len < LT_SNIFF_BYTES ? bytes.len : LT_SNIFF_BYTES;
    while (!sniff->form && sniff->looked < limit) {
        const char *at = bytes.at + sniff->looked;
        const char *eol = memchr(at, '\n', bytes.len - sniff->looked);
        if (!eol && !at_eof)
            return;
        size_t len = eol ? (size_t)(eol - at) : bytes.len - sniff->looked;
        sniff_line(sniff, (struct lt_text){at, len});
        sniff->looked += len + (eol != NULL);
    }
}

static size_t count_char(struct lt_text text, char c)
{
    size_t count = 0;
    for (size_t i = 0; i < text.len; i++)
        count += text.at[i] == c;
    return count;
}

/* Of the commonest separator of columns. */
static size_t count_separators(struct lt_text line)
{
    size_t commas = count_char(line, ','), semicolons = count_char(line, ';');
    size_t tabs = count_char(line, '\t');
    size_t most = commas > semicolons ? commas : semicolons;
    return most > tabs ? most : tabs;
}

/* The first line that says anything. */
static struct lt_text first_text(struct lt_text bytes)
{
    struct lt_text line = {bytes.at, 0};
    while (lt_text_split(&bytes, '\n', &line)) {
        line = lt_text_trim(line);
        if (line.len > 0 && *line.at != '#' && *line.at != ';')
            break;
    }
    return line;
}

static const char *describe_text(struct lt_text bytes)
{
    struct lt_text line = first_text(bytes);
    if (line.len == 0)
        return "text without a frame";
    if (*line.at == '<')
        return "an XML or HTML document";
    if (*line.at == '{' || (*line.at == '[' && line.len < 2) || lt_text_starts(line, "[{"))
        return "JSON text";
    if (*line.at == '[' && line.at[line.len - 1] == ']')
        return "an INI file, such as a vehicle profile";
    if (count_separators(line) >= 2)
        return "a table with separated columns (CSV)";
    if (lt_text_starts(line, "#!"))
        return "a script";
    return "text in which no line is a frame";
}

const struct lt_form *lt_sniff_decide(const struct lt_sniff *sniff, struct lt_text bytes,
                                      struct lt_error *error)
{
    if (sniff->form)
        return sniff->form;
    if (sniff->like && sniff->like_lines >= sniff->text_lines)
        return sniff->like;
    bool has_line = sniff->looked > 0;
    if (sniff->text_lines == 0 && sniff->binary_lines == 0 && (has_line || bytes.len == 0))
        return lt_form(LT_FORM_CANDUMP_LOG); /* nothing but blank lines and comments */
    bool binary = sniff->binary_lines > 0 || memchr(bytes.at, '\0', bytes.len) != NULL;
    lt_fail(error, LT_E_NOT_CAPTURE, "this is %s, not a capture",
            binary ? "binary data" : describe_text(bytes));
    bool table = !binary && count_separators(first_text(bytes)) >= 2;
    lt_error_advise(error, "%s", table ? name_columns : name_capture);
    return NULL;
}
