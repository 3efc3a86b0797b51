#ifndef HG_CLI_VERBS_H
#define HG_CLI_VERBS_H

/* One function a verb, each in a file of its own; the rows are in table.c. */
#include "cli/cli.h"

typedef int hg_cli_run(struct hg_cli *cli, const struct hg_cli_args *args);

hg_cli_run hg_cli_rooms, hg_cli_watch, hg_cli_check, hg_cli_heat, hg_cli_stop,
    hg_cli_output;
hg_cli_run hg_cli_guest_issue, hg_cli_guest_rotate, hg_cli_guest_revoke,
    hg_cli_guest_list, hg_cli_guest_import, hg_cli_guest_card;
hg_cli_run hg_cli_staff_issue, hg_cli_staff_revoke, hg_cli_staff_list;
hg_cli_run hg_cli_lockout_set, hg_cli_lockout_clear;
hg_cli_run hg_cli_journal_show, hg_cli_journal_verify, hg_cli_journal_export,
    hg_cli_journal_head;
hg_cli_run hg_cli_report_energy, hg_cli_report_heat;
hg_cli_run hg_cli_doctor, hg_cli_doctor_binding;
hg_cli_run hg_cli_commission, hg_cli_handover;

#endif
