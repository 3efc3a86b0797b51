/* The hand-over sheet; see handover_page.h. */
#include "cli/handover_page.h"
#include "base/text.h"
#include <stdbool.h>
#include <string.h>

static const char HEAD[] =
    "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
    "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src "
    "'none'; style-src 'unsafe-inline'; img-src data:\">\n"
    "<meta name=\"viewport\" content=\"width=device-width\">\n"
    "<style>\n"
    "@page{size:A4;margin:16mm}\n"
    "body{font:11pt/1.4 sans-serif;color:#111;background:#fff;"
    "max-width:180mm;margin:0 auto;padding:4mm}\n"
    "h1{font-size:18pt;margin:0 0 2mm}h2{font-size:13pt;margin:7mm 0 2mm;"
    "break-after:avoid}\n"
    "table{border-collapse:collapse;width:100%}tr{break-inside:avoid}\n"
    "th,td{border:1px solid #999;padding:1.5mm 2mm;text-align:left;"
    "vertical-align:top}\n"
    ".when{white-space:nowrap}\n"
    ".caution{border:2px solid #111;padding:2mm 4mm;break-inside:avoid}\n"
    "code{font-size:9pt;overflow-wrap:anywhere}\n"
    "figure{margin:0 0 6mm;break-inside:avoid}\n"
    "figure img{max-width:100%;max-height:200mm}\n"
    "</style>\n";

static const char CAUTION[] =
    "<div class=\"caution\"><p><strong>Cautions.</strong> Remote operation may "
    "be restricted where you live: local codes, the heater's manual and "
    "licensed practice come first.</p>\n"
    "<p>Heatgate is not a safety device. It replaces neither the hard-wired "
    "high-limit cut-out nor the hard-wired door switch nor a licensed "
    "electrician. It only takes permits to heat away; it never bypasses "
    "anything.</p>\n"
    "<p>Never heat from afar while anything at all is left in the hot "
    "room.</p></div>\n";

static const char USE[] =
    "<h2>How the room is used</h2>\n<ol>\n"
    "<li>Look into the hot room. Nothing may lie on, hang over or lean against "
    "the heater and its guard; benches and floor are clear; nobody is "
    "inside.</li>\n"
    "<li>Close the door and sign the room check, with your own code. It serves "
    "one heat, and it is void as soon as the door opens.</li>\n"
    "<li>Start the heat, or plan it. Whoever may see the room may stop it at "
    "any time.</li>\n"
    "<li>While the door is open the heater stays off.</li>\n"
    "<li>If a start is refused, each reason is named with what to do about "
    "it.</li>\n</ol>\n";

void hg_handover_put(FILE *out, const char *text)
{
    for (; *text != '\0'; text++) {
        switch (*text) {
        case '&':
            fputs("&amp;", out);
            break;
        case '<':
            fputs("&lt;", out);
            break;
        case '>':
            fputs("&gt;", out);
            break;
        case '"':
            fputs("&quot;", out);
            break;
        case '\'':
            fputs("&#39;", out);
            break;
        default:
            fputc(*text, out);
        }
    }
}

/* -- small parts ------------------------------------------------------------*/

static const char *text_of(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));

    return text == NULL ? "" : text;
}

static json_int_t number_of(const json_t *object, const char *name)
{
    return json_integer_value(json_object_get(object, name));
}

static bool has(const json_t *object, const char *name)
{
    return json_is_number(json_object_get(object, name));
}

static void row(FILE *out, const char *name, const char *text)
{
    fputs("<tr><th>", out);
    hg_handover_put(out, name);
    fputs("</th><td>", out);
    hg_handover_put(out, text);
    fputs("</td></tr>\n", out);
}

static double degrees(const json_t *object, const char *name)
{
    return json_number_value(json_object_get(object, name));
}

static const json_t *step_of(const json_t *record, const char *id)
{
    const json_t *steps = json_object_get(record, "steps");

    for (size_t i = 0; i < json_array_size(steps); i++)
        if (strcmp(text_of(json_array_get(steps, i), "step"), id) == 0)
            return json_array_get(steps, i);
    return NULL;
}

/* -- what was proved --------------------------------------------------------*/

static void begin_proved(FILE *out, const json_t *step, const char *what)
{
    fputs("<tr><td>", out);
    fputs(what, out);
    fputs("</td><td class=\"when\">", out);
    hg_handover_put(out, text_of(step, "at"));
    fputs("</td><td>", out);
}

static void end_proved(FILE *out)
{
    fputs("</td></tr>\n", out);
}

static void put_cut(FILE *out, const json_t *step)
{
    bool is_back = number_of(step, "came_back_on") != 0;

    begin_proved(out, step, "Opening the door cuts the heat");
    fprintf(out,
            "reported off %.1f s after the door was reported open (limit 5 s; "
            "at most %.1f s after it was last seen closed); stayed off while "
            "it was open for %.0f s; afterwards the heater %s. No permit of "
            "the gateway was live.",
            (double)number_of(step, "off_after_ms") / 1000,
            (double)number_of(step, "off_at_most_ms") / 1000,
            (double)number_of(step, "door_open_ms") / 1000,
            is_back ? "came back on by itself" : "stayed off");
    end_proved(out);
}

static void put_module(FILE *out, const json_t *step)
{
    begin_proved(out, step, "Climate of the controller's module");
    if (has(step, "module_max_c"))
        fprintf(out, "highest seen %.1f C (limit 50 C); ",
                degrees(step, "module_max_c"));
    if (has(step, "module_max_rh"))
        fprintf(out, "highest seen %lld %% relative humidity (limit 95 %%)",
                (long long)number_of(step, "module_max_rh"));
    if (!has(step, "module_max_c") && !has(step, "module_max_rh"))
        fputs("not reported by this controller; its place was stated", out);
    end_proved(out);
}

static void put_proved(FILE *out, const json_t *record, const json_t *proof)
{
    const json_t *step;

    fputs("<h2>What was proved</h2>\n<table><tr><th>What</th><th>When "
          "(UTC)</th><th>Seen</th></tr>\n",
          out);
    begin_proved(out, step_of(record, "door"), "Door read the right way round");
    fputs("said and read: closed, open, closed", out);
    end_proved(out);
    step = step_of(record, "sensor");
    begin_proved(out, step, "Air sensor beside a hand-held thermometer");
    fprintf(out, "sensor %.1f C, thermometer %.1f C (tolerance 3 C)",
            degrees(step, "air_c"), degrees(step, "thermometer_c"));
    end_proved(out);
    step = step_of(record, "heat");
    begin_proved(out, step, "Supervised heat, started at the panel");
    fprintf(out, "air from %.1f C to %.1f C within %.0f s",
            degrees(step, "air_from_c"), degrees(step, "air_to_c"),
            (double)number_of(step, "rise_took_ms") / 1000);
    end_proved(out);
    put_cut(out, step_of(record, "cut"));
    put_module(out, step_of(record, "module"));
    fputs("</table>\n", out);
    if (proof == NULL)
        return;
    fputs("<h2>Newest door test since</h2>\n<table>", out);
    put_cut(out, step_of(json_object_get(proof, "record"), "cut"));
    fputs("</table>\n<p>By ", out);
    hg_handover_put(out, text_of(json_object_get(proof, "record"), "by"));
    fprintf(out, ", record %lld of the journal.</p>\n",
            (long long)number_of(proof, "n"));
}

static void put_stated(FILE *out, const json_t *record)
{
    static const struct {
        const char *id, *text;
    } STATED[] = {
        { "sensor-place", "Air sensor at least about 0.5 m from heater, "
                          "ventilation, glass and door" },
        { "module-place", "Module where it stays below 50 C and 95 % relative "
                          "humidity" },
        { "module-height", "Module, if inside, 10 to 50 cm above the floor, "
                           "far from the heater" },
        { "cables", "All cables of the power module of one cross-section" },
        { "terminals", "Each wire compared with the number of its terminal" },
        { "cut-out", "Hard-wired high-limit cut-out in place, nothing "
                     "bypassed" },
    };
    const json_t *agreed =
        json_object_get(step_of(record, "placement"), "agreed");

    fputs("<h2>What was stated</h2>\n<ul>\n", out);
    for (size_t i = 0; i < json_array_size(agreed); i++) {
        const char *id = json_string_value(json_array_get(agreed, i));

        for (size_t j = 0; id != NULL && j < HG_COUNT(STATED); j++)
            if (strcmp(STATED[j].id, id) == 0)
                fprintf(out, "<li>%s</li>\n", STATED[j].text);
    }
    fputs("</ul>\n", out);
}

/* -- by whom, limits --------------------------------------------------------*/

static void put_who(FILE *out, const json_t *state, const json_t *done)
{
    const json_t *record = json_object_get(done, "record");
    const json_t *names = json_object_get(record, "names");

    fputs("<h2>By whom and when</h2>\n<table>", out);
    row(out, "Electrician", text_of(names, "electrician"));
    row(out, "Heater", text_of(names, "heater"));
    row(out, "Controller", text_of(names, "controller"));
    row(out, "Cables", text_of(names, "cable"));
    row(out, "Recorded by", text_of(record, "by"));
    row(out, "Begun (UTC)", text_of(record, "begun_at"));
    row(out, "Recorded (UTC)", text_of(done, "recorded_at"));
    row(out, "Door last proved (UTC)", text_of(state, "proof_at"));
    row(out, "Door test due again by (UTC)", text_of(state, "proof_due_at"));
    fputs("</table>\n", out);
}

static void put_limits(FILE *out, const json_t *limits)
{
    fputs("<h2>Limits set</h2>\n<table>", out);
    row(out, "Class of use", text_of(limits, "usage_class"));
    fprintf(out,
            "<tr><th>Longest heat</th><td>%lld min</td></tr>\n"
            "<tr><th>Target</th><td>%.0f to %.0f C</td></tr>\n"
            "<tr><th>Locks itself at</th><td>%.0f C</td></tr>\n"
            "<tr><th>Heater</th><td>%.1f kW</td></tr>\n"
            "<tr><th>Without the gateway off within</th><td>%.0f s</td></tr>\n",
            (long long)number_of(limits, "session_cap_min"),
            degrees(limits, "target_min_c"), degrees(limits, "target_max_c"),
            degrees(limits, "over_temp_c"),
            (double)number_of(limits, "heater_w") / 1000,
            (double)number_of(limits, "lease_ms") / 1000);
    if (number_of(limits, "door_hold_max_ms") > 0)
        fprintf(
            out,
            "<tr><th>Door open while heating</th><td>heat waits, ends after "
            "%.0f s</td></tr>\n",
            (double)number_of(limits, "door_hold_max_ms") / 1000);
    else
        fputs("<tr><th>Door open while heating</th><td>heat ends</td></tr>\n",
              out);
    fprintf(out,
            "<tr><th>Door test to be repeated</th><td>every %lld days</td></tr>"
            "\n</table>\n",
            (long long)number_of(limits, "door_proof_days"));
}

/* -- photographs, how to check ----------------------------------------------*/

static int put_photos(FILE *out, const json_t *state, const json_t *record,
                      const struct hg_handover_photos *photos)
{
    const json_t *list = json_object_get(record, "photos");
    int status = 0;

    fputs("<h2>Terminal blocks</h2>\n", out);
    for (size_t i = 0; status == 0 && i < json_array_size(list); i++) {
        const json_t *photo = json_array_get(list, i);
        const char *sha256 = text_of(photo, "sha256");
        bool is_png = strcmp(text_of(photo, "type"), "image/png") == 0;

        fprintf(out, "<figure><img alt=\"\" src=\"data:image/%s;base64,",
                is_png ? "png" : "jpeg");
        status =
            photos->put(photos->context, text_of(state, "room"), sha256, out);
        fputs("\"><figcaption>", out);
        hg_handover_put(out, text_of(photo, "label"));
        fputs("<br><code>SHA-256 ", out);
        hg_handover_put(out, sha256);
        fputs("</code></figcaption></figure>\n", out);
    }
    return status;
}

static void put_check(FILE *out, const json_t *done, const char *room)
{
    long long n = (long long)number_of(done, "n");

    fprintf(out,
            "<h2>How this can be checked</h2>\n<p>This is record %lld of the "
            "journal. SHA-256 of its member <code>record</code> (compact, "
            "members sorted): <code>",
            n);
    hg_handover_put(out, text_of(done, "digest"));
    fprintf(out,
            "</code></p>\n<p><code>heatgate journal export | jq -jcS "
            "'select(.n==%lld).record' | sha256sum</code>, and <code>heatgate "
            "journal verify</code> for the chain. To renew the proof of the "
            "door, on site: <code>heatgate commission %s --proof</code></p>\n",
            n, room);
}

int hg_handover_page(const json_t *state, int64_t now_ms,
                     const struct hg_handover_photos *photos, FILE *out)
{
    const json_t *done = json_object_get(state, "done");
    const json_t *proof = json_object_get(state, "proof");
    const json_t *record = json_object_get(done, "record");
    char now[HG_WALL_TEXT_BYTES];
    int status;

    hg_text_from_wall(now_ms, now);
    fputs(HEAD, out);
    fputs("<title>Hand-over: ", out);
    hg_handover_put(out, text_of(record, "label"));
    fputs("</title></head><body>\n<h1>Hand-over: ", out);
    hg_handover_put(out, text_of(record, "label"));
    fputs("</h1>\n<p>Room ", out);
    hg_handover_put(out, text_of(state, "room"));
    fprintf(out, ", printed %s (UTC).</p>\n", now);
    fputs(CAUTION, out);
    put_who(out, state, done);
    put_proved(out, record, json_is_object(proof) ? proof : NULL);
    put_stated(out, record);
    put_limits(out, json_object_get(record, "limits"));
    fputs(USE, out);
    status = put_photos(out, state, record, photos);
    if (status != 0)
        return status;
    put_check(out, done, text_of(state, "room"));
    fputs("</body></html>\n", out);
    return 0;
}
