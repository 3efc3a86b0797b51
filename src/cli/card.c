/* What a guest is handed; see card.h. */
#include "cli/card.h"
#include "base/text.h"
#include "cli/handover_page.h"
#include "cli/out.h"
#include "cli/qr.h"
#include "cli/when.h"
#include <string.h>
#include <time.h>

static const char HEAD[] =
    "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
    "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src "
    "'none'; style-src 'unsafe-inline'\">\n"
    "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n"
    "<meta name=\"referrer\" content=\"no-referrer\">\n"
    "<meta name=\"color-scheme\" content=\"light\">\n<style>\n"
    "@page{size:A4;margin:16mm}\n"
    "body{font:11pt/1.45 sans-serif;color:#1d1b18;background:#fff;"
    "max-width:170mm;margin:0 auto;padding:4mm}\n"
    "h1{font-size:20pt;line-height:1.2;margin:0 0 1mm;"
    "overflow-wrap:anywhere}\n"
    "h2{font-size:13pt;margin:6mm 0 1mm;break-after:avoid}\n"
    ".stay{margin:0 0 5mm}strong{white-space:nowrap}\n"
    ".key{display:flex;flex-wrap:wrap;gap:4mm 8mm;align-items:center;"
    "border:2px solid #1d1b18;border-radius:3mm;padding:4mm;"
    "break-inside:avoid}\n"
    ".qr{width:46mm;height:46mm;flex:none}\n"
    ".words{flex:1 1 70mm;min-width:0}.words p{margin:0 0 2mm}\n"
    ".code{font:bold 17pt monospace;white-space:nowrap}\n"
    ".address{font-family:monospace;overflow-wrap:anywhere}\n"
    "ol,ul{margin:1mm 0;padding-left:6mm}li{margin:0 0 1mm;"
    "break-inside:avoid}\n"
    ".caution{border-left:2mm solid #b3401f;padding:0 0 0 4mm;"
    "margin:6mm 0 0;break-inside:avoid}.caution h2{margin-top:0}\n"
    ".small{font-size:9pt;color:#5a544c;margin:5mm 0 0}\n"
    "@media(max-width:120mm){.code{font-size:14pt}"
    ".qr{width:100%;height:auto;max-width:60mm;margin:auto}}\n"
    "</style>\n";

static const char *const USE[] = {
    "Look into the hot room. Nothing may lie on, hang over or lean against the "
    "heater and its guard; benches and floor are clear; nobody is inside.",
    "Close the door of the hot room. If it is opened again before the heat "
    "begins, the check is void: look in once more.",
    NULL, /* how the look-in is proved, by room */
    "Sign the room check on your phone. It serves one heat.",
    "Choose temperature and time, and start. You may also plan the heat for "
    "later; it begins only if everything still holds then.",
    "You may stop it at any time, on your phone or at the heater. While the "
    "door is open the heater stays off.",
};

static const char *const CAUTION[] = {
    "Never heat while anything at all is left in the hot room.",
    "The service that starts the heater is no safety device. It does not see "
    "what lies on the heater; you do.",
    "If anything smells or looks wrong, switch the heater off at its own "
    "switch and call your host.",
    "Remote operation may be restricted where you are; what your host and the "
    "heater's manual say comes first.",
};

static const char *const PROOF[] = {
    [HG_CARD_DOOR_CYCLE] = "The door that was opened and closed proves that "
                           "somebody was there; so sign soon afterwards.",
    [HG_CARD_PANEL] = "Press the button for the room check on the panel at "
                      "the room: it proves that somebody was there.",
    [HG_CARD_PLACE_CODE] = "Note the code that is posted at the hot room: you "
                           "are asked for it, as it proves that somebody was "
                           "there.",
};

int hg_card_link(const char *address, const char *code,
                 char ret_link[HG_CARD_LINK_BYTES])
{
    size_t len = strlen(address);

    if (!hg_url_is_public(address) || code[0] == '\0' ||
        strlen(code) >= HG_CARD_CODE_BYTES ||
        code[strspn(code, "0123456789abcdefghijklmnopqrstuvwxyz"
                          "ABCDEFGHIJKLMNOPQRSTUVWXYZ-")] != '\0')
        return HG_ERR_INPUT;
    while (len > 0 && address[len - 1] == '/')
        len--;
    (void)snprintf(ret_link, HG_CARD_LINK_BYTES, "%.*s/#code=%s", (int)len,
                   address, code);
    return 0;
}

/* -- parts of both ----------------------------------------------------------*/

/* "Friday 4 December 2026, 15:00", of the place */
static void day_text(int64_t ms, char out[HG_CLI_WHEN_BYTES])
{
    time_t seconds = (time_t)(ms / 1000);
    char day[16], rest[24];
    struct tm local;

    if (localtime_r(&seconds, &local) != NULL &&
        strftime(day, sizeof(day), "%A", &local) > 0 &&
        strftime(rest, sizeof(rest), "%B %Y, %H:%M", &local) > 0)
        (void)snprintf(out, HG_CLI_WHEN_BYTES, "%s %d %s", day, local.tm_mday,
                       rest);
    else
        hg_cli_when_full(ms, out);
}

struct put { /* one step or caution */
    FILE *out;
    bool is_page;
    int number; /* of the last step; in a list without numbers 0 */
};

static void put_item(struct put *put, const char *label, const char *text)
{
    if (put->is_page) {
        fputs("<li>", put->out);
        if (label != NULL) {
            hg_handover_put(put->out, label);
            fputs(": ", put->out);
        }
        hg_handover_put(put->out, text);
        fputs("</li>\n", put->out);
        return;
    }
    if (put->number > 0)
        fprintf(put->out, "  %d. ", put->number++);
    else
        fputs("   - ", put->out);
    if (label != NULL) {
        hg_cli_put(put->out, label);
        fputs(": ", put->out);
    }
    hg_cli_put_wrapped(
        put->out, 5 + (label == NULL ? 0 : hg_cli_width(label) + 2), 5, text);
}

static bool is_alike(const struct hg_card *card)
{
    for (size_t i = 1; i < card->room_count; i++)
        if (card->room[i].evidence != card->room[0].evidence)
            return false;
    return true;
}

static void put_proof(struct put *put, const struct hg_card *card)
{
    if (is_alike(card)) {
        put_item(put, NULL, PROOF[card->room[0].evidence]);
        return;
    }
    for (size_t i = 0; i < card->room_count; i++)
        put_item(put, card->room[i].label, PROOF[card->room[i].evidence]);
}

static void put_use(struct put *put, const struct hg_card *card)
{
    for (size_t i = 0; i < HG_COUNT(USE); i++) {
        if (USE[i] == NULL)
            put_proof(put, card);
        else
            put_item(put, NULL, USE[i]);
    }
}

static void put_cautions(struct put *put)
{
    for (size_t i = 0; i < HG_COUNT(CAUTION); i++)
        put_item(put, NULL, CAUTION[i]);
}

static void put_labels(const struct hg_card *card,
                       void (*put)(FILE *out, const char *text), FILE *out)
{
    for (size_t i = 0; i < card->room_count; i++) {
        if (i > 0)
            fputs(", ", out);
        put(out, card->room[i].label);
    }
}

/* -- page -------------------------------------------------------------------*/

static void put_words(const struct hg_card *card, FILE *out)
{
    fputs("<div class=\"words\"><p>Point your phone's camera here, or "
          "open</p>\n<p class=\"address\">",
          out);
    hg_handover_put(out, card->address);
    fputs("</p>\n<p>and type the code</p>\n<p class=\"code\">", out);
    hg_handover_put(out, card->code);
    fputs("</p></div></div>\n", out);
}

int hg_card_page(const struct hg_card *card, FILE *out)
{
    char from[HG_CLI_WHEN_BYTES], until[HG_CLI_WHEN_BYTES];
    char link[HG_CARD_LINK_BYTES];
    struct put put = { out, true, 0 };
    int err = hg_card_link(card->address, card->code, link);

    if (err < 0)
        return err;
    day_text(card->from_ms, from);
    day_text(card->until_ms, until);
    fputs(HEAD, out);
    fputs("<title>Guest card</title></head><body>\n<h1>", out);
    put_labels(card, hg_handover_put, out);
    fprintf(out,
            "</h1>\n<p class=\"stay\">Your code for the sauna, valid from "
            "<strong>%s</strong> to <strong>%s</strong>, local time.</p>\n"
            "<div class=\"key\">",
            from, until);
    err = hg_qr_svg(link, out);
    explicit_bzero(link, sizeof(link));
    put_words(card, out);
    fputs("<h2>Before each heat</h2>\n<ol>\n", out);
    put_use(&put, card);
    fputs("</ol>\n<div class=\"caution\"><h2>Take care</h2>\n<ul>\n", out);
    put_cautions(&put);
    fputs("</ul></div>\n<p class=\"small\">Whoever has this card can heat the "
          "room during the stay: keep it like a key. It can be ended at any "
          "time under ",
          out);
    hg_handover_put(out, card->id);
    fputs(".</p>\n</body></html>\n", out);
    return err;
}

/* -- text -------------------------------------------------------------------*/

int hg_card_text(const struct hg_card *card, bool has_colour, FILE *out)
{
    char from[HG_CLI_WHEN_BYTES], until[HG_CLI_WHEN_BYTES];
    char link[HG_CARD_LINK_BYTES];
    struct put put = { out, false, 1 };
    int err = hg_card_link(card->address, card->code, link);

    if (err < 0)
        return err;
    day_text(card->from_ms, from);
    day_text(card->until_ms, until);
    put_labels(card, hg_cli_put, out);
    fprintf(out, "\n  valid    %s to %s\n  address  ", from, until);
    hg_cli_put(out, card->address);
    fprintf(out, "\n  code     %s%s%s\n  id       ",
            hg_cli_paint(has_colour, HG_PAINT_STRONG), card->code,
            hg_cli_paint(has_colour, HG_PAINT_NONE));
    hg_cli_put(out, card->id);
    fputs("\n\n", out);
    err = hg_qr_text(link, has_colour, out);
    explicit_bzero(link, sizeof(link));
    fputs("\nBefore each heat\n", out);
    put_use(&put, card);
    fputs("Take care\n", out);
    put.number = 0;
    put_cautions(&put);
    return err;
}
