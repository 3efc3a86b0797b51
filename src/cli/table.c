/* The one table of verbs: what stands here exists, nothing else does. */
#include "cli/verbs.h"
#include <stddef.h>

#define BIT HG_CLI_BIT

const struct hg_cli_verb hg_cli_verbs[] = {
    { "rooms", hg_cli_rooms, 0, 0, 0, "", "a table of all rooms",
      "One line a room: its phase, the air, the door, the room check, and "
      "what\n"
      "it is doing or why it may not be heated now. A dash means that there "
      "is\n"
      "no fresh reading. --json prints {\"rooms\":[state...]}.\n" },
    { "journal verify", hg_cli_journal_verify, BIT(HEAD) | BIT(ARCHIVED), 0, 1,
      "[DIR] [--head FILE] [--archived]", "prove that no record was changed",
      "Checks the journal in DIR (" HG_CLI_STATE_DIR "/journal) without the\n"
      "service: every number, hash and line, and the signed head.\n\n"
      "  --head FILE  a head kept elsewhere; without it the one in DIR\n"
      "  --archived   older files were moved away: it may begin above 1\n\n"
      "Exit status 1 when anything was changed, cut off, or does not "
      "match.\n" },
    { NULL, NULL, 0, 0, 0, NULL, NULL, NULL },
};
