#ifndef HG_CLI_COMMISSION_PHOTO_H
#define HG_CLI_COMMISSION_PHOTO_H

/*
 * Photographs between files and the service, in pieces: the service may not
 * be able to read what its caller can.
 */
#include "cli/commission_talk.h"
#include <stdio.h>

/* Send the file as a photograph of what label says. 0, or an exit status
 * after the failure was told. */
HG_MUST_CHECK int hg_com_photo_send(struct hg_com_talk *talk, const char *path,
                                    const char *label);

/* Write a photograph of the last record as base64 (RFC 4648, section 4). */
HG_MUST_CHECK int hg_com_photo_put(struct hg_cli *cli, const char *room,
                                   const char *sha256, FILE *out);

#endif
