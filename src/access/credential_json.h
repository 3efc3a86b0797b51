#ifndef HG_ACCESS_CREDENTIAL_JSON_H
#define HG_ACCESS_CREDENTIAL_JSON_H

/*
 * credentials.json as text: one object a line, so that people can read it,
 * diff it and be told the line. Private to the store; does no I/O.
 *
 * {"v":1,"credentials":[
 * {"id":"g-7k2qf","role":"guest","rooms":["heron"],"from":"…","until":"…",
 *  "label":"…","created_at":"…","salt":"<hex>","hash":"<hex>"},
 * …]}
 * rooms is a list or "*"; an ended one has "ended_at" and no salt and hash;
 * an integrator has "token_sha256". Any other member is an error: a file of
 * ours that we do not understand whole is not used at all.
 */
#include "access/credentials.h"

#define HG_CREDENTIALS_HEAD    "{\"v\":1,\"credentials\":[\n"
#define HG_CREDENTIALS_TAIL    "]}\n"
#define HG_ACCESS_REASON_BYTES 256

/* Takes over the rooms of *credential_taken, also when it fails. */
typedef int hg_credential_take(void *arg,
                               struct hg_credential *credential_taken,
                               struct hg_buf *why);

/* One credential as one line without its end; the caller wipes and frees. */
HG_MUST_CHECK int hg_credential_to_line(const struct hg_credential *credential,
                                        char **ret_line);

/*
 * Read a whole file's text (NUL behind its len bytes) and hand on each
 * credential. HG_ERR_CORRUPT with "line 7: …" in why, HG_ERR_MEMORY, or what
 * take returned; some may have been handed on before.
 */
HG_MUST_CHECK int hg_credentials_read(const char *text, size_t len,
                                      hg_credential_take *take, void *arg,
                                      struct hg_buf *why);

#endif
