/* The command line against a table of options, and help made from the same table. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli/cmd.h"
#include "loomtap/base/number.h"

static const struct option_row *find_option(const struct command *command, struct lt_text name)
{
    for (const struct option_row *row = command->options; row->name; row++)
        if (lt_text_is(name, row->name) || (row->short_name && lt_text_is(name, row->short_name)))
            return row;
    return NULL;
}

static bool add_item(struct list *list, const char *item)
{
    if (list->count == LIST_MAX)
        return false;
    list->items[list->count++] = item;
    return true;
}

/* Cuts the argument itself at its commas: it lives as long as the program. */
static bool add_items(struct list *list, char *argument)
{
    for (char *comma; (comma = strchr(argument, ',')) != NULL; argument = comma + 1) {
        *comma = 0;
        if (*argument && !add_item(list, argument))
            return false;
    }
    return !*argument || add_item(list, argument);
}

const char *cut_at_equals(const char *argument)
{
    char *equals = strchr((char *)(uintptr_t)argument, '=');
    if (!equals)
        return NULL;
    *equals = '\0';
    return equals + 1;
}

static bool parse_seconds(struct lt_text text, int64_t *ret_ns)
{
    int64_t unit = 1000000000;
    struct lt_ratio number, ns;
    if (text.len > 2 && lt_text_is((struct lt_text){text.at + text.len - 2, 2}, "ms")) {
        unit = 1000000;
        text.len -= 2;
    } else if (text.len > 1 && text.at[text.len - 1] == 's') {
        text.len--;
    }
    if (!lt_parse_ratio(text, &number) || !lt_ratio_mul(number, (struct lt_ratio){unit, 1}, &ns) ||
        ns.num < 0)
        return false;
    *ret_ns = ns.num / ns.den;
    return true;
}

static bool store(const struct option_row *row, void *values, char *argument)
{
    void *member = (char *)values + row->offset;
    switch (row->kind) {
    case OPTION_FLAG:
        *(bool *)member = true;
        return true;
    case OPTION_TEXT:
        *(const char **)member = argument;
        return true;
    case OPTION_COUNT:
        return lt_parse_u64(lt_text_of(argument), member);
    case OPTION_SECONDS:
        return parse_seconds(lt_text_of(argument), member);
    case OPTION_RATIO:
        return lt_parse_f64(lt_text_of(argument), member);
    case OPTION_LIST:
        return add_items(member, argument);
    case OPTION_AGAIN:
        return add_item(member, argument);
    }
    return false;
}

/* One word of the command line that begins with '-'; takes its value from the same word behind '='
 * or from the next. Gives EXIT_FINE to go on. */
static int take_option(const struct command *command, void *values, int argc, char **argv, int *at)
{
    char *word = argv[*at], *equals = strncmp(word, "--", 2) == 0 ? strchr(word, '=') : NULL;
    struct lt_text name = {word, equals ? (size_t)(equals - word) : strlen(word)};
    const struct option_row *row = find_option(command, name);
    char *value = equals ? equals + 1 : NULL;
    if (!row)
        return usage_error(command->name, "%s has no option `%.*s`", command->name,
                           LT_TEXT_ARG(name));
    if (row->kind == OPTION_FLAG && equals)
        return usage_error(command->name, "%s takes no value", row->name);
    if (row->kind != OPTION_FLAG && !value) {
        if (*at + 1 >= argc)
            return usage_error(command->name, "%s wants a value: %s", row->name, row->value);
        value = argv[++*at];
    }
    if (!store(row, values, value))
        return usage_error(command->name, "%s: `%s` is no %s", row->name, value, row->value);
    return EXIT_FINE;
}

static int take_words(const struct command *command, void *values, int argc, char **argv)
{
    struct common *common = values;
    bool only_arguments = false;
    for (int i = 0; i < argc; i++) {
        bool option = argv[i][0] == '-' && argv[i][1] && !only_arguments;
        if (option && strcmp(argv[i], "--") == 0) {
            only_arguments = true;
        } else if (option) {
            int status = take_option(command, values, argc, argv, &i);
            if (status != EXIT_FINE)
                return status;
        } else if (!add_item(&common->arguments, argv[i])) {
            return usage_error(command->name, "more than %d arguments", LIST_MAX);
        }
    }
    return EXIT_FINE;
}

int run_command(const struct command *command, int argc, char **argv)
{
    void *values = calloc(1, command->size);
    if (!values) {
        complain("out of memory");
        return EXIT_SYSTEM;
    }
    int status = take_words(command, values, argc, argv);
    if (status == EXIT_FINE && ((struct common *)values)->help)
        print_command_help(command);
    else if (status == EXIT_FINE)
        status = command->run(values);
    free(values);
    return status;
}

static void print_option(const struct option_row *row, int width)
{
    char head[64];
    lt_text_format(head, sizeof head, "%s%s%s%s%s", row->short_name ? row->short_name : "",
                   row->short_name ? ", " : "", row->name, row->value ? " " : "",
                   row->value ? row->value : "");
    printf("  %-*s  %s\n", width, head, row->help);
}

void print_command_help(const struct command *command)
{
    int width = 0;
    printf("loomtap %s %s\n\n%s.\n\noptions:\n", command->name, command->usage, command->help);
    for (const struct option_row *row = command->options; row->name; row++) {
        int len = (int)(strlen(row->name) + (row->value ? strlen(row->value) + 1 : 0) +
                        (row->short_name ? 4 : 0));
        if (len > width)
            width = len;
    }
    for (const struct option_row *row = command->options; row->name; row++)
        print_option(row, width);
    printf("\n%s", command->details);
}
