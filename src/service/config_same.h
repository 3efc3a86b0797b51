#ifndef HG_SERVICE_CONFIG_SAME_H
#define HG_SERVICE_CONFIG_SAME_H

/* What differs between the configuration in force and one read later. */
#include "service/config.h"
#include "base/buf.h"

/* Do all settings of a room but those for people agree: label, check_in,
 * check_out? */
bool hg_config_room_is_same(const struct hg_config_room *a,
                            const struct hg_config_room *b);

/* Are both bound alike, or both to lease controllers? */
bool hg_config_binding_is_same(const struct hg_config_room *a,
                               const struct hg_config_room *b);

/*
 * Give a configuration the settings of the one in force that cannot change
 * while the service runs; what it had instead is freed with the old one.
 *
 * names  JSON Pointers of those that differed, with ", " between them, are
 *        appended
 *
 * Returns how many differed.
 */
unsigned int hg_config_hold_fixed(struct hg_config *in_force,
                                  struct hg_config *read, struct hg_buf *names);

#endif
