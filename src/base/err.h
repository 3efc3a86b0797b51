#ifndef HG_BASE_ERR_H
#define HG_BASE_ERR_H

/*
 * Error numbers of every fallible function: 0 is success, a negative value of
 * enum hg_err says what failed. Library code never logs; the caller that
 * handles an error logs it once.
 */
#define HG_MUST_CHECK __attribute__((warn_unused_result))

enum hg_err {
    HG_OK = 0,
    HG_ERR_SYSTEM = -1,    /* a system call failed; errno says which way */
    HG_ERR_MEMORY = -2,    /* no memory, or a library said so */
    HG_ERR_INPUT = -3,     /* malformed input from outside */
    HG_ERR_RANGE = -4,     /* well-formed, but outside the allowed range */
    HG_ERR_FULL = -5,      /* a bounded buffer, queue or table is full */
    HG_ERR_NOT_FOUND = -6, /* no such thing */
    HG_ERR_EXISTS = -7,    /* there is one already */
    HG_ERR_DENIED = -8,    /* wrong secret, wrong signature, not permitted */
    HG_ERR_CORRUPT = -9,   /* our own stored data does not add up */
    HG_ERR_CLOSED = -10,   /* the other end is not there */
    HG_ERR_BUSY = -11,     /* try again later */
    HG_ERR_CRYPTO = -12,   /* OpenSSL refused */
    HG_ERR_UNTRUSTED = -13 /* the wall clock cannot be relied on */
};

/* A short English text for an error number; never NULL, not to be freed. */
const char *hg_err_text(int err);

#endif
