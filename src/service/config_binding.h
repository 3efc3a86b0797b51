#ifndef HG_SERVICE_CONFIG_BINDING_H
#define HG_SERVICE_CONFIG_BINDING_H

/* The binding of a switch controller: read and checked as a whole. */
#include "controllers/binding.h"
#include "service/config_parse.h"

/*
 * Read the object "controller" of kind "switch", where the reader's pointer
 * stands, into a new binding; every problem is written down.
 *
 * ret_binding  to be freed; also when there were problems, so that checks of
 *              other things can go on; NULL: no memory
 */
void hg_config_binding(struct hg_config_reader *reader,
                       const json_t *controller,
                       struct hg_binding **ret_binding);

/*
 * What concerns several rooms: a command topic of two of them, and more of
 * these rooms than HG_CONFIG_SWITCHES_MAX. The pointer stands at "/rooms".
 */
void hg_config_bindings(struct hg_config_reader *reader);

#endif
