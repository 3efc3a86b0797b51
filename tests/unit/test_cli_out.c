/* What the command prints: widths, foreign control characters, lines. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "cli/http_get.h"
#include "cli/out.h"
#include "cli/room_text.h"
#include <stdlib.h>
#include <time.h>

static char *printed;
static size_t printed_len;

static FILE *begin(void)
{
    FILE *out = open_memstream(&printed, &printed_len);

    assert_non_null(out);
    return out;
}

static void check_printed(const char *label, FILE *out, const char *want)
{
    assert_int_equal(fclose(out), 0);
    HG_CHECK_STR(label, printed, want);
    free(printed);
    printed = NULL;
}

static void test_cli_out__lets_no_control_character_through(void **state)
{
    static const struct {
        const char *label, *text, *want;
    } row[] = {
        { "plain", "Heron cabin", "Heron cabin" },
        { "UTF-8", "H\xc3\xbctte \xe2\x82\xac", "H\xc3\xbctte \xe2\x82\xac" },
        { "escape", "a\033[2Jb", "a?[2Jb" },
        { "newline and tab", "a\nb\tc", "a?b?c" },
        { "delete", "a\x7f", "a?" },
        { "C1 (U+009B)",
          "a\xc2\x9b"
          "2J",
          "a?2J" },
        { "not C1 (U+00A9)", "\xc2\xa9", "\xc2\xa9" },
        { "stray continuation",
          "\x9b"
          "2J",
          "?2J" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        FILE *out = begin();

        hg_cli_put(out, row[i].text);
        check_printed(row[i].label, out, row[i].want);
    }
}

static void test_cli_out__cuts_and_pads_cells_by_columns(void **state)
{
    static const struct {
        const char *text;
        size_t width;
        const char *want;
    } row[] = {
        { "", 3, "   " },
        { "ab", 3, "ab " },
        { "abc", 3, "abc" },
        { "abcd", 3, "abc" },
        { "\xc3\xbc\xc3\xbc", 3, "\xc3\xbc\xc3\xbc " },
        { "ab", 0, "" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        FILE *out = begin();

        hg_cli_put_cell(out, row[i].text, row[i].width);
        check_printed(row[i].text, out, row[i].want);
    }
    assert_int_equal(hg_cli_width("\xc3\xbc"
                                  "b"),
                     2);
}

static void test_cli_out__wraps_at_80_columns(void **state)
{
    char words[400] = "";
    char *line, *rest;
    FILE *out = begin();

    (void)state;
    for (int i = 0; i < 39; i++)
        memcpy(words + i * 8, "abcdefg ", 9);
    hg_cli_put_wrapped(out, 5, 4, words);
    assert_int_equal(fclose(out), 0);
    rest = printed;
    for (int i = 0; (line = strsep(&rest, "\n")) != NULL && *line; i++) {
        HG_CHECK_TRUE("width", strlen(line) + (i == 0 ? 5 : 0) <= 80);
        HG_CHECK_TRUE("indent", i == 0 || strncmp(line, "    a", 5) == 0);
    }
    free(printed);
    out = begin();
    hg_cli_put_wrapped(out, 0, 4, "one two");
    check_printed("short", out, "one two\n");
    out = begin();
    hg_cli_put_wrapped(out, 0, 4, "");
    check_printed("empty", out, "\n");
}

static void test_cli_out__fills_a_bar_within_its_ends(void **state)
{
    static const struct {
        double fraction;
        const char *want;
    } row[] = {
        { -1, "[....]" },          { 0, "[....]" }, { 0.5, "[##..]" },
        { 0.99, "[###.]" },        { 1, "[####]" }, { 7, "[####]" },
        { (double)NAN, "[....]" },
    };
    char out[HG_CLI_BAR_BYTES];

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        hg_cli_bar(row[i].fraction, 4, out);
        HG_CHECK_STR(row[i].want, out, row[i].want);
    }
    hg_cli_bar(1, 1000, out); /* cut to what fits */
    assert_int_equal(strlen(out), HG_CLI_BAR_BYTES - 1);
}

static void test_cli_out__says_what_a_room_does_in_one_line(void **state)
{
    static const struct {
        const char *label, *json, *want;
    } row[] = {
        { "heating",
          "{'room':'heron','phase':'heating','air_c':64.2,'door':'closed',"
          "'fresh':true,'heat':{'target_c':80,'ends_at':'2026-01-09T19:22:00Z',"
          "'held':false},'forecast':{'ready_at':'2026-01-09T13:25:00Z'},"
          "'lockouts':[],'reasons':['already-heating']}",
          "heron heating 64.2/80 C [########..] door closed, ready in 1h25m, "
          "ends 19:22" },
        { "held",
          "{'room':'heron','phase':'holding','air_c':60,'door':'open',"
          "'fresh':true,'heat':{'target_c':80,'ends_at':'2026-01-09T19:22:00Z',"
          "'held':true},'forecast':null,'lockouts':[]}",
          "heron holding 60.0/80 C [#######...] door open, HELD: close the "
          "door, ends 19:22" },
        { "idle, refused",
          "{'room':'heron','phase':'idle','air_c':8,'door':'closed',"
          "'fresh':true,'heat':null,'lockouts':[],'may_start':false,"
          "'reasons':['door-open','check-missing']}",
          "heron idle 8.0 C door closed, door-open, check-missing" },
        { "idle, may start",
          "{'room':'heron','phase':'idle','air_c':8,'door':'closed',"
          "'fresh':true,'heat':null,'lockouts':[],'may_start':true,"
          "'reasons':[]}",
          "heron idle 8.0 C door closed, may start" },
        { "locked",
          "{'room':'heron','phase':'locked','air_c':8,'door':null,"
          "'fresh':true,'lockouts':['no-rise'],'reasons':['no-rise']}",
          "heron locked 8.0 C door unknown, locked: no-rise" },
        { "planned, at risk",
          "{'room':'heron','phase':'planned','air_c':8,'door':'closed',"
          "'fresh':true,'lockouts':[],'plan':{'target_c':70,'ready_at':"
          "'2026-01-09T17:00:00Z','starts_at':'2026-01-09T15:20:00Z',"
          "'at_risk':['check-void']}}",
          "heron planned 8.0 C door closed, 70 C at 17:00, starts 15:20; AT "
          "RISK: check-void" },
        { "an old reading is not passed off as now",
          "{'room':'heron','phase':'idle','air_c':64.2,'door':'closed',"
          "'fresh':false,'seen_at':'2026-01-09T11:02:00Z','lockouts':[],"
          "'reasons':['telemetry-stale']}",
          "heron idle no fresh reading (last 64.2 C at 11:02), "
          "telemetry-stale" },
        { "sensor in fault",
          "{'room':'heron','phase':'idle','air_c':null,'door':'open',"
          "'fresh':true,'lockouts':[],'reasons':['sensor-fault']}",
          "heron idle - door open, sensor-fault" },
        { "nothing is known", "{}", "  no fresh reading (last - at -), " },
    };
    int64_t now_ms;

    (void)state;
    assert_int_equal(hg_text_to_wall("2026-01-09T12:00:00Z", &now_ms), 0);
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char storage[512], json_text[1024];
        struct hg_buf text;
        json_t *json;

        snprintf(json_text, sizeof(json_text), "%s", row[i].json);
        for (char *c = json_text; *c != '\0'; c++)
            *c = *c == '\'' ? '"' : *c;
        json = json_loads(json_text, 0, NULL);
        assert_non_null(json);
        hg_buf_init(&text, storage, sizeof(storage));
        hg_cli_room_line(json, now_ms, &text);
        HG_CHECK_STR(row[i].label, storage, row[i].want);
        json_decref(json);
    }
}

static void test_cli_out__takes_a_response_apart(void **state)
{
    static const struct {
        const char *label, *response;
        int err, status;
        const char *body;
    } row[] = {
        { "with length",
          "HTTP/1.1 200 OK\r\nContent-Length: 3\r\nA: b\r\n\r\nabcd", 0, 200,
          "abc" },
        { "length in another case",
          "HTTP/1.1 503 No\r\na: b\r\ncontent-length:2\r\n\r\nab", 0, 503,
          "ab" },
        { "to the end", "HTTP/1.0 404 No\r\n\r\nabc", 0, 404, "abc" },
        { "empty", "HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n", 0, 200, "" },
        { "cut off", "HTTP/1.1 200 OK\r\nContent-Length: 4\r\n\r\nabc",
          HG_ERR_INPUT, -1, NULL },
        { "no end of the head", "HTTP/1.1 200 OK\r\n", HG_ERR_INPUT, -1, NULL },
        { "not HTTP", "SSH-2.0-x\r\n\r\n", HG_ERR_INPUT, -1, NULL },
        { "no status", "HTTP/1.1 abc\r\n\r\n", HG_ERR_INPUT, -1, NULL },
        { "status 99", "HTTP/1.1 099 x\r\n\r\n", HG_ERR_INPUT, -1, NULL },
        { "nothing", "", HG_ERR_INPUT, -1, NULL },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char *copy = strdup(row[i].response);
        char *body = NULL;
        int status = -1;

        assert_non_null(copy);
        HG_CHECK_EQ(row[i].label,
                    hg_cli_http_parse(copy, strlen(copy), &status, &body),
                    row[i].err);
        HG_CHECK_EQ(row[i].label, status, row[i].status);
        HG_CHECK_STR(row[i].label, body, row[i].body);
        free(copy);
    }
}

static int in_utc(void **state)
{
    (void)state;
    if (setenv("TZ", "UTC", 1) != 0)
        return -1;
    tzset();
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cli_out__lets_no_control_character_through),
        cmocka_unit_test(test_cli_out__cuts_and_pads_cells_by_columns),
        cmocka_unit_test(test_cli_out__wraps_at_80_columns),
        cmocka_unit_test(test_cli_out__fills_a_bar_within_its_ends),
        cmocka_unit_test(test_cli_out__says_what_a_room_does_in_one_line),
        cmocka_unit_test(test_cli_out__takes_a_response_apart),
    };

    return cmocka_run_group_tests(tests, in_utc, NULL);
}
