/*
 * The manual pages of config/man tell of every verb with its options, and of
 * every setting with its range, words and default.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <setjmp.h>

#include <cmocka.h>

#include "cli/cli.h"
#include "service/config_table.h"
#include <ctype.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#define PAGE_BYTES 65536
#define COUNT(a)   (sizeof(a) / sizeof((a)[0]))

static char page[PAGE_BYTES];
static char item[PAGE_BYTES];

static void read_page(const char *name)
{
    char path[1024];
    FILE *file;
    size_t len;

    assert_true(snprintf(path, sizeof(path), "%s/config/man/%s", HG_SOURCE_DIR,
                         name) < (int)sizeof(path));
    file = fopen(path, "re");
    assert_non_null(file);
    len = fread(page, 1, sizeof(page) - 1, file);
    assert_true(feof(file));
    assert_int_equal(fclose(file), 0);
    page[len] = '\0';
}

static bool is_word(char byte)
{
    return isalnum((unsigned char)byte) || byte == '_' || byte == '-';
}

/* Is it there as a word of its own, in one line or over two? */
static bool has(const char *text, const char *wanted)
{
    size_t len = strlen(wanted);

    for (const char *at = strstr(text, wanted); at != NULL;
         at = strstr(at + 1, wanted))
        if ((at == text || !is_word(at[-1])) && !is_word(at[len]))
            return true;
    return false;
}

/*
 * Collect every item of a list whose head begins with these words, its head
 * included. Newlines become blanks. False: there is none.
 */
static bool find_items(const char *head)
{
    size_t len = strlen(head), used = 0;

    item[0] = '\0';
    for (const char *at = strstr(page, head); at != NULL;
         at = strstr(at + len, head)) {
        const char *end = at;

        if ((at > page && at[-1] != '\n') || is_word(at[len]) || at[len] == '.')
            continue;
        end = strstr(at + len, "\n.It ");
        if (end == NULL || strstr(at + len, "\n.El") < end)
            end = strstr(at + len, "\n.El");
        assert_non_null(end);
        memcpy(item + used, at, (size_t)(end - at));
        used += (size_t)(end - at);
        item[used++] = ' ';
        item[used] = '\0';
    }
    for (char *at = strchr(item, '\n'); at != NULL; at = strchr(at, '\n'))
        *at = ' ';
    return used > 0;
}

/* -- verbs ------------------------------------------------------------------*/

static const char *const option_names[] = {
#define NAME(name, text, has_value) [HG_OPT_##name] = text,
    HG_CLI_OPTION_LIST(NAME)
#undef NAME
};

static void test_manuals__tell_of_every_verb_and_option(void **state)
{
    size_t missing = 0, looked_at = 0;

    (void)state;
    read_page("heatgate.1");
    for (const struct hg_cli_verb *verb = hg_cli_verbs; verb->name; verb++) {
        char head[64], flag[64];

        (void)snprintf(head, sizeof(head), ".It Cm %s", verb->name);
        looked_at++;
        if (!find_items(head)) {
            print_error("heatgate.1 has no \"%s\"\n", head);
            missing++;
            continue;
        }
        for (size_t i = 0; i < COUNT(option_names); i++) {
            if ((verb->options & (UINT64_C(1) << i)) == 0)
                continue;
            (void)snprintf(flag, sizeof(flag), "Fl -%s", option_names[i]);
            looked_at++;
            if (has(item, flag))
                continue;
            print_error("heatgate.1: %s lacks --%s\n", verb->name,
                        option_names[i]);
            missing++;
        }
    }
    assert_true(looked_at > 40);
    assert_int_equal(missing, 0);
}

static void test_manuals__tell_of_no_verb_that_is_not_there(void **state)
{
    size_t unknown = 0;

    (void)state;
    read_page("heatgate.1");
    for (const char *at = strstr(page, "\n.It Cm "); at != NULL;
         at = strstr(at + 1, "\n.It Cm ")) {
        const char *name = at + strlen("\n.It Cm ");
        bool is_known = false;

        for (const struct hg_cli_verb *verb = hg_cli_verbs; verb->name; verb++)
            is_known = is_known ||
                       (strncmp(name, verb->name, strlen(verb->name)) == 0 &&
                        !is_word(name[strlen(verb->name)]));
        if (!is_known) {
            print_error("heatgate.1 tells of %.*s\n", (int)strcspn(name, "\n"),
                        name);
            unknown++;
        }
    }
    assert_int_equal(unknown, 0);
}

/* -- settings ---------------------------------------------------------------*/

/* "/rooms/<any>/controller/kind" is .It Va controller.kind in its section */
static void head_of(const struct hg_setting *setting, char head[128])
{
    const char *name = setting->pattern + 1;

    if (strncmp(name, "rooms/*/", 8) == 0)
        name += 8;
    (void)snprintf(head, 128, ".It Va %s", name);
    for (char *at = strchr(head, '/'); at != NULL; at = strchr(at, '/'))
        *at = '.';
}

static bool tells_range(const struct hg_setting *setting)
{
    char range[64];

    if (setting->kind != HG_SETTING_WHOLE && setting->kind != HG_SETTING_NUMBER)
        return true;
    (void)snprintf(range, sizeof(range), "%.10g to %.10g", setting->min,
                   setting->max);
    return has(item, range);
}

static bool tells_words(const struct hg_setting *setting)
{
    char words[128];
    char *rest = NULL;

    if (setting->words == NULL)
        return true;
    (void)snprintf(words, sizeof(words), "%s", setting->words);
    for (char *word = strtok_r(words, "|", &rest); word != NULL;
         word = strtok_r(NULL, "|", &rest))
        if (!has(item, word))
            return false;
    return true;
}

static bool tells_default(const struct hg_setting *setting)
{
    char value[128];
    size_t len;

    if (setting->is_required)
        return has(item, "Required");
    if (setting->fallback == NULL || setting->kind == HG_SETTING_OBJECT ||
        strcmp(setting->fallback, "null") == 0 ||
        strcmp(setting->fallback, "\"\"") == 0)
        return true;
    len = strlen(setting->fallback);
    (void)snprintf(value, sizeof(value), "%s", setting->fallback);
    if (value[0] == '"') {
        value[len - 1] = '\0';
        memmove(value, value + 1, len - 1);
    }
    return strstr(item, "Default") != NULL &&
           has(strstr(item, "Default"), value);
}

static void test_manuals__tell_of_every_setting(void **state)
{
    size_t wrong = 0;

    (void)state;
    read_page("heatgate.json.5");
    for (unsigned id = 0; id < HG_SET_COUNT; id++) {
        const struct hg_setting *setting =
            hg_setting_get((enum hg_setting_id)id);
        char head[128];

        if (strcmp(setting->pattern, "/rooms/*") == 0)
            continue; /* a section of its own */
        head_of(setting, head);
        if (find_items(head) && tells_range(setting) && tells_words(setting) &&
            tells_default(setting))
            continue;
        print_error("heatgate.json.5, \"%s\": %s\n", head,
                    item[0] == '\0'         ? "is missing"
                    : !tells_range(setting) ? "lacks the range"
                    : !tells_words(setting) ? "lacks a word"
                                            : "lacks the default or Required");
        wrong++;
    }
    assert_int_equal(wrong, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_manuals__tell_of_every_verb_and_option),
        cmocka_unit_test(test_manuals__tell_of_no_verb_that_is_not_there),
        cmocka_unit_test(test_manuals__tell_of_every_setting),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
