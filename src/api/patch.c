/*
 * JSON Merge Patch, RFC 7396: the difference of two documents and its
 * application. Depth is that of the documents, which parsers have limited.
 */
#include "api/patch.h"

/* NOLINTBEGIN(misc-no-recursion): documents are trees of limited depth */

static bool is_missing(const json_t *value)
{
    return value == NULL || json_is_null(value);
}

/* Does every member of a mean the same in b? */
static bool is_within(json_t *a, json_t *b)
{
    const char *key;
    json_t *value;

    json_object_foreach(a, key, value)
    {
        if (!hg_patch_equal(value, json_object_get(b, key)))
            return false;
    }
    return true;
}

bool hg_patch_equal(json_t *a, json_t *b)
{
    const char *key;
    json_t *value;

    if (is_missing(a) || is_missing(b))
        return is_missing(a) && is_missing(b);
    if (!json_is_object(a) || !json_is_object(b))
        return json_equal(a, b) == 1;
    if (!is_within(a, b))
        return false;
    json_object_foreach(b, key, value)
    {
        if (!is_missing(value) && is_missing(json_object_get(a, key)))
            return false;
    }
    return true;
}

/* Members of from that are gone in to: null in the patch. */
static int add_removed(json_t *from, json_t *to, json_t *patch)
{
    const char *key;
    json_t *value;

    json_object_foreach(from, key, value)
    {
        if (is_missing(value) || !is_missing(json_object_get(to, key)))
            continue;
        if (json_object_set_new(patch, key, json_null()) != 0)
            return HG_ERR_MEMORY;
    }
    return 0;
}

/* Members of to that are new or another value. */
static int add_changed(json_t *from, json_t *to, json_t *patch)
{
    const char *key;
    json_t *value;

    json_object_foreach(to, key, value)
    {
        json_t *old = json_object_get(from, key);
        json_t *part = NULL;
        int err;

        if (hg_patch_equal(old, value))
            continue;
        if (!json_is_object(old)) {
            if (json_object_set(patch, key, value) != 0)
                return HG_ERR_MEMORY;
            continue;
        }
        err = hg_patch_diff(old, value, &part);
        if (err < 0)
            return err;
        if (json_object_set_new(patch, key, part) != 0)
            return HG_ERR_MEMORY;
    }
    return 0;
}

int hg_patch_diff(json_t *from, json_t *to, json_t **ret_patch)
{
    json_t *patch;
    int err;

    if (!json_is_object(to)) {
        *ret_patch = to == NULL ? json_null() : json_incref(to);
        return 0;
    }
    patch = json_object();
    if (patch == NULL)
        return HG_ERR_MEMORY;
    err = add_changed(json_is_object(from) ? from : NULL, to, patch);
    if (err == 0 && json_is_object(from))
        err = add_removed(from, to, patch);
    if (err < 0) {
        json_decref(patch);
        return err;
    }
    *ret_patch = patch;
    return 0;
}

static int apply_member(json_t *target, const char *key, json_t *value)
{
    json_t *merged = NULL;
    int err;

    if (json_is_null(value)) {
        (void)json_object_del(target, key); /* absent already is fine */
        return 0;
    }
    err = hg_patch_apply(json_incref(json_object_get(target, key)), value,
                         &merged);
    if (err < 0)
        return err;
    return json_object_set_new(target, key, merged) == 0 ? 0 : HG_ERR_MEMORY;
}

int hg_patch_apply(json_t *target_taken, json_t *patch, json_t **ret_target)
{
    json_t *target = target_taken;
    const char *key;
    json_t *value;
    int err = 0;

    if (!json_is_object(patch)) {
        json_decref(target);
        target = json_deep_copy(patch);
        if (target == NULL)
            return HG_ERR_MEMORY;
        *ret_target = target;
        return 0;
    }
    if (!json_is_object(target)) {
        json_decref(target);
        target = json_object();
        if (target == NULL)
            return HG_ERR_MEMORY;
    }
    json_object_foreach(patch, key, value)
    {
        err = apply_member(target, key, value);
        if (err < 0)
            goto out;
    }
    *ret_target = target; /* the caller owns it now */
    target = NULL;
out:
    json_decref(target);
    return err;
}

/* NOLINTEND(misc-no-recursion) */
