/*
 * The texts of the error numbers. Nothing else: what a caller says about a
 * failure is the caller's own sentence.
 */
#include "base/err.h"

const char *hg_err_text(int err)
{
    switch (err) {
    case HG_OK:
        return "success";
    case HG_ERR_SYSTEM:
        return "a system call failed";
    case HG_ERR_MEMORY:
        return "out of memory";
    case HG_ERR_INPUT:
        return "malformed input";
    case HG_ERR_RANGE:
        return "outside the allowed range";
    case HG_ERR_FULL:
        return "no room left";
    case HG_ERR_NOT_FOUND:
        return "not found";
    case HG_ERR_EXISTS:
        return "exists already";
    case HG_ERR_DENIED:
        return "not permitted";
    case HG_ERR_CORRUPT:
        return "stored data is damaged";
    case HG_ERR_CLOSED:
        return "the other end is closed";
    case HG_ERR_BUSY:
        return "busy, try again later";
    case HG_ERR_CRYPTO:
        return "a cryptographic operation failed";
    case HG_ERR_UNTRUSTED:
        return "the wall clock cannot be relied on";
    default:
        return "unknown error";
    }
}
