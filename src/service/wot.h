#ifndef HG_SERVICE_WOT_H
#define HG_SERVICE_WOT_H

#include "service/config.h"

/*
 * The body of GET /.well-known/wot, malloc'd: one Thing Description 1.1 of
 * the gateway with all its rooms, made from the template of the contract
 * (config/contract/thing-description.template.json). NULL: no memory.
 */
char *hg_wot_text(const struct hg_config *config);

#endif
