#ifndef HG_SERVICE_COMMISSION_FILES_H
#define HG_SERVICE_COMMISSION_FILES_H

/*
 * The files of commissioning in the state directory: commission/<room>.json,
 * replaced whole, and photos/<sha256>.jpg or .png, which come in pieces, so
 * that no piece holds up the loop for long.
 */
#include "base/buf.h"
#include "base/err.h"
#include "service/commission.h"
#include <jansson.h>

#define HG_COM_FILE_BYTES ((size_t)1 << 20)
/* of a photograph, at most; by 3, so that base64 pieces can be put together */
#define HG_COM_PIECE_BYTES ((size_t)30 * 1024)

/*
 * Read a room's file. ret_json: a new reference.
 * HG_ERR_NOT_FOUND: none yet. Else a sentence was added to why: HG_ERR_CORRUPT,
 * _SYSTEM, _MEMORY, _DENIED, _RANGE.
 */
HG_MUST_CHECK int hg_com_file_read(const char *state_dir, const char *room,
                                   struct hg_buf *why, json_t **ret_json);
/* Replace it, durably. Failures as above. */
HG_MUST_CHECK int hg_com_file_write(const char *state_dir, const char *room,
                                    const json_t *json, struct hg_buf *why);

struct hg_com_upload; /* one photograph on its way in */

/*
 * Begin one of so many bytes; an earlier one of this room is dropped.
 * HG_ERR_RANGE: not 1 … HG_COM_PHOTO_BYTES. HG_ERR_SYSTEM, _MEMORY, _CRYPTO.
 */
HG_MUST_CHECK int hg_com_upload_new(const char *state_dir, const char *room,
                                    uint64_t of, struct hg_buf *why,
                                    struct hg_com_upload **ret_upload);
/* Drop it and what has come of it. NULL is fine. */
void hg_com_upload_free(struct hg_com_upload *upload);
/* Bytes that have come. */
uint64_t hg_com_upload_offset(const struct hg_com_upload *upload);
uint64_t hg_com_upload_of(const struct hg_com_upload *upload);

/*
 * The next piece; durable on return.
 * HG_ERR_RANGE: more than was announced. HG_ERR_INPUT: neither JPEG (ISO/IEC
 * 10918-1, SOI marker) nor PNG (its specification, section 5.2). HG_ERR_SYSTEM.
 */
HG_MUST_CHECK int hg_com_upload_add(struct hg_com_upload *upload,
                                    const void *bytes, size_t len,
                                    struct hg_buf *why);
/*
 * All has come: put it in its place. ret_photo: all but its label.
 * HG_ERR_RANGE: some is missing. HG_ERR_SYSTEM, _CRYPTO.
 */
HG_MUST_CHECK int hg_com_upload_finish(struct hg_com_upload *upload,
                                       struct hg_buf *why,
                                       struct hg_com_photo *ret_photo);

/*
 * Add bytes of a stored photograph from offset on to piece, as far as 3 KiB
 * blocks fit; none are added behind its end.
 * HG_ERR_NOT_FOUND, HG_ERR_SYSTEM.
 */
HG_MUST_CHECK int hg_com_photo_read(const char *state_dir, const char *sha256,
                                    bool is_png, uint64_t offset,
                                    struct hg_buf *piece);

#endif
