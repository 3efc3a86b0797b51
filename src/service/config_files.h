#ifndef HG_SERVICE_CONFIG_FILES_H
#define HG_SERVICE_CONFIG_FILES_H

/*
 * The files that a configuration names: are they there, are they private
 * enough, and what do the secret ones hold.
 */
#include "base/buf.h"
#include "base/err.h"
#include <sys/types.h>

#define HG_SECRET_FILE_BYTES_MAX 4096

/* nobody but the owner; nobody but the owner and the group */
#define HG_FILE_OWNER_ONLY ((mode_t)077)
#define HG_FILE_NO_OTHERS  ((mode_t)007)

/*
 * Is it a regular file that can be read and has none of these mode bits?
 * HG_ERR_SYSTEM, HG_ERR_INPUT; why says what is wrong and what to do.
 */
HG_MUST_CHECK int hg_config_file_check(const char *path, mode_t forbidden,
                                       struct hg_buf *why);

/*
 * Read a secret: the only line of a file of mode 0600, blanks at its ends
 * removed. The caller wipes ret_line of cap bytes.
 *
 * HG_ERR_SYSTEM, HG_ERR_INPUT, HG_ERR_RANGE: does not fit; why as above,
 * never with anything of the secret
 */
HG_MUST_CHECK int hg_config_file_secret(const char *path, struct hg_buf *why,
                                        char *ret_line, size_t cap);

#endif
