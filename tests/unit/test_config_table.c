/*
 * The table of settings: one below, at and above each limit, taken from the
 * table; and the table against config/contract/config.schema.json, key by
 * key in both directions.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "service/config_table.h"
#include "test_config_fixture.h"
#include <jansson.h>
#include <math.h>

#define SCHEMA_FILE  HG_SOURCE_DIR "/config/contract/config.schema.json"
#define EXAMPLE_FILE HG_SOURCE_DIR "/config/heatgate.example.json"

/* -- limits ---------------------------------------------------------------*/

static json_t *base_config(void)
{
    return json_pack("{s:{s:{s:s,s:i,s:i}}}", "rooms", "heron", "usage_class",
                     "public", "heater_kw", 6, "volume_m3", 8);
}

/* put value where the pattern says, "*" being heron; value is taken over */
static void set_at(json_t *config, const char *pattern, json_t *value)
{
    char part[64];
    json_t *at = config;
    const char *next = pattern;

    for (;;) {
        size_t span = strcspn(++next, "/");

        (void)snprintf(part, sizeof(part), "%.*s", (int)span,
                       *next == '*' ? "heron" : next);
        if (*next == '*')
            (void)snprintf(part, sizeof(part), "heron");
        next += span;
        if (*next == '\0')
            break;
        if (json_object_get(at, part) == NULL)
            (void)json_object_set_new(at, part, json_object());
        at = json_object_get(at, part);
    }
    assert_int_equal(json_object_set_new(at, part, value), 0);
}

/* what else must be set so that only the setting itself is in question */
static void set_neighbours(json_t *config, enum hg_setting_id id)
{
    if (id == HG_SET_OVER_TEMP_C || id == HG_SET_TARGET_MAX_C) {
        set_at(config, "/rooms/*/target_min_c", json_integer(30));
        if (id == HG_SET_OVER_TEMP_C)
            set_at(config, "/rooms/*/target_max_c", json_integer(30));
    }
    if (id == HG_SET_TARGET_MIN_C)
        set_at(config, "/rooms/*/target_max_c", json_integer(110));
}

static void read_with(struct config_fixture *fixture, enum hg_setting_id id,
                      json_t *value)
{
    json_t *config = base_config();
    char *text;

    assert_non_null(config);
    set_neighbours(config, id);
    set_at(config, hg_setting_get(id)->pattern, value);
    text = json_dumps(config, JSON_INDENT(1));
    assert_non_null(text);
    (void)config_read(fixture, text);
    free(text);
    json_decref(config);
}

static json_t *number(double value)
{
    return value == floor(value) ? json_integer((json_int_t)value)
                                 : json_real(value);
}

/* what the setting's member holds, times its scale */
static double stored(const struct config_fixture *fixture,
                     const struct hg_setting *setting)
{
    bool is_room = strncmp(setting->pattern, "/rooms/", 7) == 0;
    /* struct hg_room_draft begins with the room */
    const char *at = is_room ? (const char *)&fixture->config->room[0]
                             : (const char *)fixture->config;
    uint32_t u32;
    uint64_t u64;
    int32_t i32;
    double real;

    at += setting->offset;
    switch (setting->store) {
    case HG_STORE_U32:
        memcpy(&u32, at, sizeof(u32));
        return u32;
    case HG_STORE_U64:
        memcpy(&u64, at, sizeof(u64));
        return (double)u64;
    case HG_STORE_I32:
        memcpy(&i32, at, sizeof(i32));
        return i32;
    case HG_STORE_DOUBLE:
        memcpy(&real, at, sizeof(real));
        return real;
    default:
        return -1;
    }
}

static void check_inside(struct config_fixture *fixture, enum hg_setting_id id,
                         double value)
{
    const struct hg_setting *setting = hg_setting_get(id);
    double scale = setting->store == HG_STORE_DOUBLE ? 1 : setting->scale;

    read_with(fixture, id, number(value));
    if (fixture->problems.count > 0)
        print_error("%s\n", fixture->problems.problem[0].text);
    HG_CHECK_EQ(setting->pattern, fixture->err, 0);
    HG_CHECK_NEAR(setting->pattern, stored(fixture, setting), value * scale,
                  1e-9);
}

static void check_outside(struct config_fixture *fixture, enum hg_setting_id id,
                          double value, const char *what)
{
    const struct hg_setting *setting = hg_setting_get(id);
    const char *star = strchr(setting->pattern, '*');
    char allowed_bytes[128];
    char want[512];
    struct hg_buf allowed;

    hg_buf_init(&allowed, allowed_bytes, sizeof(allowed_bytes));
    hg_setting_describe(setting, &allowed);
    (void)snprintf(want, sizeof(want), ": %.*s%s%s: %.10g %s; allowed are %s",
                   star == NULL ? 99 : (int)(star - setting->pattern),
                   setting->pattern, star == NULL ? "" : "heron",
                   star == NULL ? "" : star + 1, value, what, allowed.bytes);
    read_with(fixture, id, number(value));

    HG_CHECK_EQ(want, fixture->err, HG_ERR_INPUT);
    HG_CHECK_EQ(want, fixture->problems.count, 1);
    if (config_problem_with(fixture, want) == NULL)
        print_error("%s\n", fixture->problems.problem[0].text);
    HG_CHECK_TRUE(want, config_problem_with(fixture, want));
}

static void test_config_table__keeps_every_numeric_limit(void **state)
{
    struct config_fixture *fixture = *state;
    unsigned count = 0;

    for (unsigned id = 0; id < HG_SET_COUNT; id++) {
        const struct hg_setting *setting =
            hg_setting_get((enum hg_setting_id)id);
        bool is_whole = setting->kind == HG_SETTING_WHOLE;
        double step = is_whole ? 1 : 0.001;

        if (!is_whole && setting->kind != HG_SETTING_NUMBER)
            continue;
        check_outside(fixture, id, setting->min - step, "is out of range");
        check_inside(fixture, id, setting->min);
        check_inside(fixture, id, setting->min + step);
        check_inside(fixture, id, setting->max - step);
        check_inside(fixture, id, setting->max);
        check_outside(fixture, id, setting->max + step, "is out of range");
        if (is_whole)
            check_outside(fixture, id, setting->min + 0.5,
                          "is not a whole number");
        count++;
    }
    assert_int_equal(count, 22);
}

static void test_config_table__keeps_every_length(void **state)
{
    struct config_fixture *fixture = *state;
    char text[2002];
    unsigned count = 0;

    for (unsigned id = 0; id < HG_SET_COUNT; id++) {
        const struct hg_setting *setting =
            hg_setting_get((enum hg_setting_id)id);
        size_t max = (size_t)setting->max;

        if (setting->kind != HG_SETTING_TEXT ||
            (setting->accepts != NULL && id != HG_SET_BROKER_HOST &&
             id != HG_SET_BROKER_TOPIC_ROOT &&
             id != HG_SET_COMMISSIONING_WAIVED))
            continue;
        memset(text, 'a', sizeof(text));
        read_with(fixture, id, json_stringn(text, max));
        HG_CHECK_EQ(setting->pattern, fixture->err, 0);
        read_with(fixture, id, json_stringn(text, max + 1));
        HG_CHECK_EQ(setting->pattern, fixture->err, HG_ERR_INPUT);
        HG_CHECK_TRUE(setting->pattern,
                      config_problem_with(fixture, "too short or too long"));
        read_with(fixture, id, json_string(""));
        HG_CHECK_EQ(setting->pattern, fixture->err,
                    setting->min > 0 ? HG_ERR_INPUT : 0);
        count++;
    }
    assert_int_equal(count, 7);
}

static void test_config_table__refuses_every_wrong_type(void **state)
{
    struct config_fixture *fixture = *state;

    for (unsigned id = 0; id < HG_SET_COUNT; id++) {
        const struct hg_setting *setting =
            hg_setting_get((enum hg_setting_id)id);
        bool is_object = setting->kind == HG_SETTING_OBJECT;

        if (strchr(setting->pattern, '*') != NULL && id == HG_SET_ROOM)
            continue; /* its text is config_room.c's; test_config.c */
        read_with(fixture, id, json_array());
        HG_CHECK_EQ(setting->pattern, fixture->err, HG_ERR_INPUT);
        HG_CHECK_TRUE(setting->pattern,
                      config_problem_with(fixture, ": an array is not "));
        if (is_object)
            continue;
        read_with(fixture, id, json_pack("{s:i}", "x", 1));
        HG_CHECK_EQ(setting->pattern, fixture->err, HG_ERR_INPUT);
    }
}

static void test_config_table__is_in_the_order_of_its_names(void **state)
{
    (void)state;
    for (unsigned id = 0; id < HG_SET_COUNT; id++) {
        const struct hg_setting *setting =
            hg_setting_get((enum hg_setting_id)id);
        bool is_member = strncmp(setting->pattern, "/rooms/*/", 9) == 0;

        HG_CHECK_TRUE("a pattern", setting->pattern != NULL);
        HG_CHECK_EQ(setting->pattern, is_member, id >= HG_SET_ROOM_FIRST);
        HG_CHECK_TRUE(setting->pattern,
                      !setting->is_required || setting->fallback == NULL);
        for (unsigned other = 0; other < id; other++)
            HG_CHECK_TRUE(
                setting->pattern,
                strcmp(setting->pattern,
                       hg_setting_get((enum hg_setting_id)other)->pattern) !=
                    0);
    }
}

static void test_config_table__finds_a_name_in_its_section_only(void **state)
{
    static const struct {
        const char *label, *section, *key, *pattern; /* NULL: none */
    } row[] = {
        { "at the top", "", "broker", "/broker" },
        { "in a section", "/broker", "host", "/broker/host" },
        { "of a room", "/rooms/*", "lease_s", "/rooms/*/lease_s" },
        { "one section too high", "", "host", NULL },
        { "one section too deep", "/broker/tls", "host", NULL },
        { "a way down is no name", "", "broker/host", NULL },
        { "half a section", "/bro", "ker", NULL },
        { "half a name", "/broker", "hos", NULL },
        { "no name", "/broker", "", NULL },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        enum hg_setting_id id = HG_SET_COUNT;
        const struct hg_setting *found =
            hg_setting_find(row[i].section, row[i].key, &id);

        HG_CHECK_EQ(row[i].label, found != NULL, row[i].pattern != NULL);
        HG_CHECK_EQ(row[i].label, id != HG_SET_COUNT, row[i].pattern != NULL);
        if (found == NULL || row[i].pattern == NULL)
            continue;
        HG_CHECK_TRUE(row[i].label,
                      strcmp(found->pattern, row[i].pattern) == 0);
        HG_CHECK_TRUE(row[i].label, found == hg_setting_get(id));
    }
}

/* -- the schema -----------------------------------------------------------*/

/* the object with "properties": behind oneOf for commissioning */
static const json_t *with_properties(const json_t *node)
{
    const json_t *choices = json_object_get(node, "oneOf");

    for (size_t i = 0; i < json_array_size(choices); i++) {
        const json_t *choice = json_array_get(choices, i);

        if (json_object_get(choice, "properties") != NULL)
            return choice;
    }
    return node;
}

/* the schema of what the pattern leads to, and of what holds it */
static const json_t *schema_of(const json_t *schema, const char *pattern,
                               const json_t **holder)
{
    char part[64];
    const json_t *at = schema;
    const char *next = pattern;

    while (*next != '\0') {
        size_t span = strcspn(++next, "/");

        (void)snprintf(part, sizeof(part), "%.*s", (int)span, next);
        next += span;
        *holder = with_properties(at);
        at =
            strcmp(part, "*") == 0
                ? json_object_get(*holder, "additionalProperties")
                : json_object_get(json_object_get(*holder, "properties"), part);
    }
    return at;
}

static double bound(const json_t *node, const char *name)
{
    const json_t *value = json_object_get(node, name);

    return json_is_number(value) ? json_number_value(value) : -1e9;
}

static const char *main_type(const json_t *node)
{
    const json_t *type = json_object_get(node, "type");

    return json_string_value(json_is_array(type) ? json_array_get(type, 0)
                                                 : type);
}

static void compare_words(const struct hg_setting *setting, const json_t *node)
{
    const json_t *list = json_object_get(node, "enum");
    char joined[128] = "";

    for (size_t i = 0; i < json_array_size(list); i++) {
        size_t len = strlen(joined);

        (void)snprintf(joined + len, sizeof(joined) - len, "%s%s",
                       i == 0 ? "" : "|",
                       json_string_value(json_array_get(list, i)));
    }
    HG_CHECK_STR(setting->pattern, joined, setting->words);
}

static void compare_bounds(const struct hg_setting *setting, const json_t *node)
{
    switch (setting->kind) {
    case HG_SETTING_WHOLE:
    case HG_SETTING_NUMBER:
        HG_CHECK_STR(setting->pattern, main_type(node),
                     setting->kind == HG_SETTING_WHOLE ? "integer" : "number");
        HG_CHECK_NEAR(setting->pattern, bound(node, "minimum"), setting->min,
                      0);
        HG_CHECK_NEAR(setting->pattern, bound(node, "maximum"), setting->max,
                      0);
        break;
    case HG_SETTING_TEXT:
    case HG_SETTING_PATH:
        HG_CHECK_STR(setting->pattern, main_type(node), "string");
        HG_CHECK_NEAR(setting->pattern, bound(node, "minLength"), setting->min,
                      0);
        HG_CHECK_NEAR(setting->pattern, bound(node, "maxLength"), setting->max,
                      0);
        break;
    case HG_SETTING_CHOICE:
        compare_words(setting, node);
        break;
    case HG_SETTING_FLAG:
        HG_CHECK_STR(setting->pattern, main_type(node), "boolean");
        break;
    case HG_SETTING_MIXED:
        compare_words(setting,
                      json_array_get(json_object_get(node, "oneOf"), 0));
        break;
    case HG_SETTING_OBJECT:
        HG_CHECK_STR(setting->pattern, main_type(node), "object");
        break;
    }
}

static void compare_default(const struct hg_setting *setting,
                            const json_t *node)
{
    const json_t *type = json_object_get(node, "type");
    json_t *want = setting->fallback == NULL
                       ? NULL
                       : json_loads(setting->fallback, JSON_DECODE_ANY, NULL);
    const json_t *got = json_object_get(node, "default");

    HG_CHECK_EQ(setting->pattern, got == NULL, want == NULL);
    HG_CHECK_TRUE(setting->pattern, want == NULL || json_equal(got, want));
    HG_CHECK_EQ(setting->pattern, json_is_array(type), setting->is_nullable);
    json_decref(want);
}

static bool is_listed(const json_t *list, const char *name)
{
    for (size_t i = 0; i < json_array_size(list); i++)
        if (strcmp(json_string_value(json_array_get(list, i)), name) == 0)
            return true;
    return false;
}

static json_t *load(const char *path)
{
    json_error_t error;
    json_t *json = json_load_file(path, 0, &error);

    if (json == NULL)
        fail_msg("%s:%d: %s", path, error.line, error.text);
    return json;
}

static void test_config_schema__says_what_the_table_says(void **state)
{
    json_t *schema = load(SCHEMA_FILE);

    (void)state;
    for (unsigned id = 0; id < HG_SET_COUNT; id++) {
        const struct hg_setting *setting =
            hg_setting_get((enum hg_setting_id)id);
        const json_t *holder = NULL;
        const json_t *node = schema_of(schema, setting->pattern, &holder);

        HG_CHECK_TRUE(setting->pattern, json_is_object(node));
        compare_bounds(setting, node);
        if (id == HG_SET_ROOM)
            continue; /* any member of the map: no default, not required */
        compare_default(setting, node);
        HG_CHECK_EQ(setting->pattern,
                    is_listed(json_object_get(holder, "required"),
                              hg_setting_name(setting)),
                    setting->is_required);
    }
    json_decref(schema);
}

/* members of a switch controller: test_config_binding.c */
static bool is_of_binding(const char *pattern, const char *name)
{
    return strcmp(pattern, "/rooms/*/controller") == 0 &&
           hg_setting_word("timer_limit_min|command|setpoint|signals", name) >=
               0;
}

/* every property below node is a row of the table; returns how many */
static unsigned count_properties(const json_t *node, const char *pattern)
{
    const json_t *more = json_object_get(node, "additionalProperties");
    json_t *properties = json_object_get(with_properties(node), "properties");
    char deeper[128];
    unsigned count = 0;
    const char *name;
    json_t *value;

    if (json_is_object(more)) {
        (void)snprintf(deeper, sizeof(deeper), "%s/*", pattern);
        count += 1 + count_properties(more, deeper);
    }
    json_object_foreach(properties, name, value)
    {
        enum hg_setting_id id;

        if (is_of_binding(pattern, name))
            continue;
        (void)snprintf(deeper, sizeof(deeper), "%s/%s", pattern, name);
        HG_CHECK_TRUE(deeper, hg_setting_find(pattern, name, &id) != NULL);
        HG_CHECK_TRUE(deeper,
                      json_is_string(json_object_get(value, "description")));
        count += 1 + count_properties(value, deeper);
    }
    return count;
}

static void test_config_schema__knows_no_other_setting(void **state)
{
    json_t *schema = load(SCHEMA_FILE);

    (void)state;
    assert_int_equal(count_properties(schema, ""), HG_SET_COUNT);
    assert_int_equal(
        json_integer_value(json_object_get(
            json_object_get(json_object_get(schema, "properties"), "rooms"),
            "maxProperties")),
        HG_CONFIG_ROOMS_MAX);
    json_decref(schema);
}

static void test_config_schema__example_is_a_good_configuration(void **state)
{
    struct config_fixture *fixture = *state;
    const struct hg_config_room *otter;

    fixture->err =
        hg_config_load(EXAMPLE_FILE, &fixture->problems, &fixture->config);
    if (fixture->problems.count > 0)
        print_error("%s\n", fixture->problems.problem[0].text);
    assert_int_equal(fixture->err, 0);
    otter = hg_config_find(fixture->config, "otter");
    assert_non_null(hg_config_find(fixture->config, "heron"));
    assert_non_null(otter);
    assert_int_equal(otter->policy.usage_class, HG_USAGE_SEMI_PUBLIC);
}

#define ON_FIXTURE(test)                                                       \
    cmocka_unit_test_setup_teardown(test, config_setup, config_teardown)

int main(void)
{
    static const struct CMUnitTest tests[] = {
        ON_FIXTURE(test_config_table__keeps_every_numeric_limit),
        ON_FIXTURE(test_config_table__keeps_every_length),
        ON_FIXTURE(test_config_table__refuses_every_wrong_type),
        cmocka_unit_test(test_config_table__is_in_the_order_of_its_names),
        cmocka_unit_test(test_config_table__finds_a_name_in_its_section_only),
        cmocka_unit_test(test_config_schema__says_what_the_table_says),
        cmocka_unit_test(test_config_schema__knows_no_other_setting),
        ON_FIXTURE(test_config_schema__example_is_a_good_configuration),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
