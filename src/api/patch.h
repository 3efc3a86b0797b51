#ifndef HG_API_PATCH_H
#define HG_API_PATCH_H

/*
 * JSON Merge Patch (RFC 7396). A member that is null and one that is absent
 * mean the same here, as the contract says of patched copies: in objects,
 * not inside arrays, which are replaced whole.
 */
#include "base/err.h"
#include <jansson.h>
#include <stdbool.h>

/*
 * The patch that makes to out of from; {} when they mean the same. Values are
 * shared with to, not copied: neither may be changed while the patch lives.
 *
 * ret_patch  a new reference
 *
 * HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_patch_diff(json_t *from, json_t *to, json_t **ret_patch);

/*
 * Apply a patch. target is changed in place where it can be; NULL counts as
 * an empty object. Values are copied out of the patch.
 *
 * target_taken  taken over, also on failure
 * ret_target    a new reference to the outcome
 *
 * HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_patch_apply(json_t *target_taken, json_t *patch,
                                 json_t **ret_target);

/* Do a and b mean the same, null and absent members of objects alike? */
bool hg_patch_equal(json_t *a, json_t *b);

#endif
