/* The one table of verbs: what stands here exists, nothing else does. */
#include "cli/verbs.h"
#include <stddef.h>

#define BIT HG_CLI_BIT

#define STAY_HELP                                                              \
    "  --room ROOM         once for each room\n"                               \
    "  --stay FROM/UNTIL   an ISO 8601 interval, such as\n"                    \
    "                      2026-12-04T15:00/2026-12-07T11:00; a time\n"        \
    "                      without offset is in the service's time\n"          \
    "                      zone if it tells one, else in TZ\n"                 \
    "  --from T --until T  the same in two; --from is now if left out\n"       \
    "  --label TEXT        for your own lists; not in the journal\n"           \
    "  --card FILE         also print a card for the guest (HTML, with a QR\n" \
    "                      code); - prints it as text. FILE must not be\n"     \
    "                      there yet\n"                                        \
    "  --address URL       where guests reach the service, if not\n"           \
    "                      public_url\n"

const struct hg_cli_verb hg_cli_verbs[] = {
    { "rooms", hg_cli_rooms, 0, 0, 0, "", "a table of all rooms",
      "One line a room: its phase, the air, the door, the room check, and what "
      "it is doing or why it may not be heated now. A dash means that there is "
      "no fresh reading. --json prints {\"rooms\":[state...]}.\n" },
    { "watch", hg_cli_watch, BIT(UNTIL) | BIT(ONCE), 1, 1,
      "ROOM [--until PHASE | --once]", "a room live",
      "One line that is kept up to date: phase, air and target with a bar from "
      "0 C to the target, door, and the time to ready. Where stdout is no "
      "terminal, a "
      "line for each change. Ends with Ctrl-C.\n\n"
      "  --until PHASE  end when it is idle, planned, heating, holding or "
      "locked\n"
      "  --once         print once and end\n\n"
      "--json prints one state a line, as it changes.\n" },
    { "check", hg_cli_check, BIT(AGREE_ALL) | BIT(PLACE_CODE) | BIT(WAIT), 1, 1,
      "ROOM [--agree-all] [--place-code CODE] [--wait DURATION]",
      "the room check: look in, then sign",
      "Waits until the gateway has seen the look-in (door opened and closed, "
      "or the button on the panel), asks you to agree to each statement, and "
      "signs. One check serves one heat.\n\n"
      "  --agree-all        do not ask: you vouch for every statement, as the\n"
      "                     person who looked in\n"
      "  --place-code CODE  the code posted in the room, where that is wanted\n"
      "  --wait DURATION    how long to wait for the look-in (10m); 0: not\n" },
    { "heat", hg_cli_heat,
      BIT(TARGET) | BIT(FOR) | BIT(READY_BY) | BIT(PREVIEW) | BIT(CHANGE) |
          BIT(UNPLAN),
      1, 1, "ROOM --target C --for DURATION [--ready-by TIME]",
      "start, plan or change heat",
      "Starts heat, if nothing speaks against it; a room check must be "
      "signed.\n\n"
      "  heatgate heat ROOM --target C --for DURATION\n"
      "  heatgate heat ROOM --target C --for DURATION --ready-by TIME\n"
      "  heatgate heat ROOM --preview [--target C] [--for D] [--ready-by "
      "TIME]\n"
      "  heatgate heat ROOM --change [--target C] [--for DURATION]\n"
      "  heatgate heat ROOM --unplan\n\n"
      "  --for DURATION   90m, 3h, 2h30m; with --change the new total, "
      "counted\n"
      "                   from the first permit\n"
      "  --ready-by TIME  plan: start so that it is ready then; 17:30 (the "
      "next\n"
      "                   local one) or RFC 3339\n"
      "  --preview        only ask; exit status 1 when it would be refused\n\n"
      "Remote operation may be restricted where you live: local codes, the "
      "heater's manual and licensed practice come first.\n" },
    { "stop", hg_cli_stop, BIT(ALL), 0, 1, "ROOM | --all", "stop heat",
      "Ends the heat of a room, or of all. It always succeeds where the "
      "service can be reached. A plan stays; 'heatgate heat ROOM --unplan' "
      "drops it.\n" },
    { "output", hg_cli_output, 0, 3, 3, "ROOM light|fan on|off",
      "switch the light or the fan",
      "Switches what the room has of the two. On holds until somebody says "
      "off, or the service is restarted. Off holds until somebody says on; "
      "the fan, which also runs with the heat and for a while after it, comes "
      "on again with the next heat.\n" },
    { "guest issue", hg_cli_guest_issue,
      BIT(ROOM) | BIT(FROM) | BIT(UNTIL) | BIT(STAY) | BIT(LABEL) | BIT(CARD) |
          BIT(ADDRESS),
      0, 0, "--room ROOM... --stay FROM/UNTIL [--card FILE]",
      "a code for a stay",
      "Makes a guest code. It is shown once.\n\n" STAY_HELP },
    { "guest rotate", hg_cli_guest_rotate,
      BIT(ROOM) | BIT(FROM) | BIT(UNTIL) | BIT(STAY) | BIT(LABEL) | BIT(CARD) |
          BIT(ADDRESS),
      0, 0, "--room ROOM... --stay FROM/UNTIL [--card FILE]",
      "a new code; all others of the room end",
      "Ends every other guest code of the rooms, closes their connections, "
      "ends heat they started, and makes a new code. It is shown "
      "once.\n\n" STAY_HELP },
    { "guest revoke", hg_cli_guest_revoke, 0, 1, 1, "ID", "end a guest's code",
      "Ends a guest code by its id (heatgate guest list), closes its "
      "connections and ends heat it started.\n" },
    { "guest card", hg_cli_guest_card, BIT(CODE) | BIT(OUT) | BIT(ADDRESS), 1,
      1, "ROOM --code CODE|- [--out FILE] [--address URL]",
      "a card for a guest, with a QR code",
      "Prints what a guest needs: the code, the address, a QR code of both, "
      "how "
      "to check the room and what to take care of. The code has to be at hand, "
      "as it is stored nowhere; --card of 'guest issue', 'guest rotate' and "
      "--cards of 'guest import' make the card with the code.\n\n"
      "  --code CODE    the guest's code; - reads it from stdin\n"
      "  --out FILE     an HTML page of mode 0600 instead of text; the file\n"
      "                 must not be there yet\n"
      "  --address URL  where guests reach the service, if not public_url of\n"
      "                 the configuration\n\n"
      "The QR code is the address with the code behind a #: browsers keep that "
      "part to themselves.\n" },
    { "guest list", hg_cli_guest_list, BIT(ROOM), 0, 0, "[--room ROOM]",
      "guest codes, by id",
      "Lists guest codes; the codes themselves are stored nowhere.\n\n"
      "  --room ROOM  only those of one room\n" },
    { "guest import", hg_cli_guest_import,
      BIT(ROOM) | BIT(DRY_RUN) | BIT(PRUNE) | BIT(RENEW) | BIT(CARDS) |
          BIT(ADDRESS),
      1, 1, "FILE.ics [--room ROOM] [--prune] [--cards DIR]",
      "a code for each stay of a booking calendar",
      "Reads an iCalendar file (RFC 5545), as booking calendars export it: "
      "each "
      "event is a stay. Dates are nights, from check_in on the first day to "
      "check_out on the last, as the configuration says. Run it as often as "
      "you like: a stay that is known keeps its code, also when it was moved; "
      "one that was cancelled loses it. No names are kept. Codes are shown "
      "once.\n\n"
      "  --room ROOM  whose calendar it is; may be left out with one room\n"
      "  --dry-run    only tell what would be done\n"
      "  --prune      also end codes of coming stays that are not in the file\n"
      "               any more; use it with one calendar a room only\n"
      "  --renew      new codes for stays whose code was ended by hand or by\n"
      "               a rotation\n"
      "  --cards DIR  also put a card for each new code (see 'guest card')\n"
      "               into that folder, as ROOM-DATE-ID.html\n"
      "  --address URL  where guests reach the service, if not public_url\n\n"
      "Days, weeks, months or years may repeat (RRULE); what repeats more "
      "often "
      "is refused, and so is a file of which anything cannot be read: then "
      "nothing is done.\n" },
    { "staff issue", hg_cli_staff_issue,
      BIT(ROLE) | BIT(ROOM) | BIT(ALL_ROOMS) | BIT(LABEL), 0, 0,
      "--role ROLE --room R...|--all-rooms [--label TEXT]",
      "a code for a manager, integrator or caretaker",
      "Makes a staff code, valid until revoked. It is shown once; for an "
      "integrator a long-lived token too.\n\n"
      "  --role ROLE    manager, integrator or caretaker\n"
      "  --room ROOM    once for each room\n"
      "  --all-rooms    every room, also those to come\n"
      "  --label TEXT   for your own lists; not in the journal\n" },
    { "staff revoke", hg_cli_staff_revoke, 0, 1, 1, "ID", "end a staff code",
      "Ends a staff code by its id (heatgate staff list), closes its "
      "connections and ends heat it started.\n" },
    { "staff list", hg_cli_staff_list, 0, 0, 0, "", "staff codes, by id",
      "Lists staff codes; the codes themselves are stored nowhere.\n" },
    { "lockout set", hg_cli_lockout_set, BIT(NOTE), 1, 2,
      "ROOM [LOCKOUT] --note TEXT", "lock a room",
      "Locks a room against heat, and ends heat there. LOCKOUT is locked-out "
      "if left out. Lockouts survive restarts.\n\n"
      "  --note TEXT  why; it goes into the journal\n" },
    { "lockout clear", hg_cli_lockout_clear, BIT(NOTE), 1, 2,
      "ROOM [LOCKOUT] --note TEXT", "clear a lockout",
      "Clears a lockout; refused while its cause persists. LOCKOUT may be left "
      "out when there is only one.\n\n"
      "  --note TEXT  what you found and did; it goes into the journal\n" },
    { "commission", hg_cli_commission, BIT(PROOF) | BIT(ANSWERS) | BIT(ABANDON),
      1, 1, "ROOM [--proof | --abandon] [--answers FILE]",
      "prove on site that the room is wired right",
      "Walks an electrician on site through what has to hold before a room may "
      "be heated from afar, and watches the telemetry meanwhile. The heat of "
      "the test is started at the heater's own panel. What was done is kept: "
      "left early, it goes on where it was.\n\n"
      "  --proof         only the door test, to renew its proof\n"
      "  --abandon       drop the record that is under way\n"
      "  --answers FILE  what you would type, as JSON: "
      "{\"names\":{\"heater\",\n"
      "                  \"controller\",\"cable\",\"electrician\"},\n"
      "                  \"agree\":true,\"thermometer_c\":21.5,\n"
      "                  \"photos\":[{\"path\",\"label\"}]}; deeds are still\n"
      "                  confirmed by a line on stdin each\n\n"
      "Remote operation may be restricted where you live: local codes, the "
      "heater's manual and licensed practice come first.\n" },
    { "handover", hg_cli_handover, BIT(OUT), 1, 1, "ROOM [--out FILE.html]",
      "the printable sheet of a commissioned room",
      "Writes one page with all that was proved, by whom, the limits set, the "
      "photographs, and how guests use the room. It needs nothing else and "
      "loads nothing.\n\n"
      "  --out FILE  a file, mode 0600, that appears whole or not at all;\n"
      "              without it stdout. --json needs it\n" },
    { "journal show", hg_cli_journal_show,
      BIT(ROOM) | BIT(AFTER) | BIT(LIMIT) | BIT(FOLLOW), 0, 0,
      "[--room ROOM] [--after N] [--limit N] [--follow]",
      "what happened, and who did it",
      "Prints the newest records, 50 if nothing else is said.\n\n"
      "  --room ROOM  only those about one room\n"
      "  --after N    all records after number N\n"
      "  --limit N    at most so many\n"
      "  --follow     go on with what comes, until Ctrl-C\n\n"
      "--json prints {\"records\":[...]}; with --follow one record a line.\n" },
    { "journal verify", hg_cli_journal_verify, BIT(HEAD) | BIT(ARCHIVED), 0, 1,
      "[DIR] [--head FILE] [--archived]", "prove that no record was changed",
      "Checks the journal in DIR (" HG_CLI_STATE_DIR
      "/journal) without the service: every number, hash and line, and the "
      "signed head.\n\n"
      "  --head FILE  a head kept elsewhere; without it the one in DIR\n"
      "  --archived   older files were moved away: it may begin above 1\n\n"
      "Exit status 1 when anything was changed, cut off, or does not "
      "match.\n" },
    { "journal export", hg_cli_journal_export, BIT(OUT), 0, 0, "[--out FILE]",
      "all records, one JSON object a line",
      "Writes every durable record as it is stored, one a line.\n\n"
      "  --out FILE  a file, mode 0600, that appears whole or not at all;\n"
      "              without it stdout. --json needs it\n" },
    { "journal head", hg_cli_journal_head, BIT(OUT), 0, 0, "[--out FILE]",
      "a signed head, to be kept elsewhere",
      "Has the newest record's hash signed. Kept where nobody who can write "
      "the journal can write, it shows later that nothing was cut off: "
      "heatgate journal verify --head FILE.\n\n"
      "  --out FILE  a file, mode 0600; without it stdout\n" },
    { "report energy", hg_cli_report_energy,
      BIT(ROOM) | BIT(FROM) | BIT(UNTIL) | BIT(MONTH) | BIT(CSV), 0, 0,
      "[--room ROOM] [--month MONTH | --from T --until T]",
      "who heated when, kWh and cost",
      "Adds up the journal: each heat that began in the time asked for, and "
      "the sums of each person or stay, each month, and all. The cost is "
      "price_per_kwh of the configuration times kWh. Months and days are those "
      "of the service's time zone.\n\n"
      "  --room ROOM      only these rooms; once for each\n"
      "  --month YYYY-MM  a month; this one if nothing else is said\n"
      "  --from T         a day (2026-12-01) or a time\n"
      "  --until T        the same, not included; now if left out\n"
      "  --csv            one line a heat (RFC 4180)\n" },
    { "report heat", hg_cli_report_heat, BIT(CSV) | BIT(HTML), 1, 1,
      "HEAT_ID [--csv | --html FILE]", "the course of one heat",
      "Shows air, target, door and permit of a heat and when it was expected "
      "to be ready. The id stands in 'heatgate report energy'.\n\n"
      "  --csv        every sample as a line (RFC 4180)\n"
      "  --html FILE  a page to print, with a plot; mode 0600; it loads\n"
      "               nothing from elsewhere\n" },
    { "doctor", hg_cli_doctor, BIT(STATE_DIR) | BIT(BINDING) | BIT(SECONDS), 0,
      0, "[--state-dir DIR | --binding ROOM [--seconds N]]",
      "what is well and what is not",
      "Looks at the service, its broker, journal and clock, every room, and "
      "the disk. Each line is ok, warn or fail, with a remedy. Exit status 0 "
      "only if nothing failed.\n\n"
      "  --state-dir DIR  the service's state_dir (" HG_CLI_STATE_DIR ")\n"
      "  --binding ROOM   instead, show what each pointer of a room with a\n"
      "                   switch controller reads, live: topic, pointer, the\n"
      "                   value as sent and as converted, its age, or why\n"
      "                   nothing is read\n"
      "  --seconds N      for so long, 1 to 86400 (30); Ctrl-C ends it too\n\n"
      "With --binding, exit status 0 only if every signal is read at the end, "
      "and air, door and heater are young enough.\n" },
    { NULL, NULL, 0, 0, 0, NULL, NULL, NULL },
};
