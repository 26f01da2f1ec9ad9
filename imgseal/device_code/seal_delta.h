/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Makes a new image of an old one and a patch: docs/format/delta.md. The patch comes in pieces of any
 * size, or is pulled from where it is kept. The image is written in order, page by page, and never
 * further than its signed size, whatever the patch says; what is read is never written. No heap, no
 * recursion, no state of its own. Whether the image is the right one its digest says, afterwards.
 */
#ifndef SEAL_DELTA_H
#define SEAL_DELTA_H

#include "seal_image.h"

#ifndef SEAL_DELTA_TABLE
#define SEAL_DELTA_TABLE 128u   /* entries of the shift table: 64, 128 or 256      */
#endif
#ifndef SEAL_DELTA_PAGE
#define SEAL_DELTA_PAGE 256u    /* bytes that are written at once, a power of two   */
#endif
#ifndef SEAL_DELTA_WINDOW
#define SEAL_DELTA_WINDOW 64u   /* bytes that are read at once, a power of two, at most a page */
#endif
#define SEAL_DELTA_PIECE 128u   /* bytes of the patch that are kept: more than a step takes, a power of two */
#define SEAL_DELTA_PLACES 1099u

struct seal_delta {
    /* -- what the caller fills in; sizes are signed ones ---------------------------------------- */

    struct seal_reader source[2];   /* the old image, of size 0 where there is none; the new one as far as it is
                                     * written, of the size that it will have */
    uint32_t (*write)(void *user, uint32_t offset, const uint8_t *bytes, uint32_t length);  /* SEAL_WRITTEN */
    void *user;
    uint32_t patch_size;

    /* -- its own -------------------------------------------------------------------------------- */

    uint32_t result, range, code, n;
    uint32_t base[2];               /* where the images run                             */
    uint32_t ram, ram_size;
    uint32_t at, end;               /* what is left of the copy that is being made      */
    uint32_t block, shift, old_end, window_at;
    uint32_t came, used;            /* bytes of the patch                               */
    uint32_t entries, flash, left;  /* of the table; those of the image; still to come  */
    uint32_t value;
    uint8_t step, fields, from_new, window_of, over, last, part;
    uint8_t literals;               /* since the last copy, at most 3                   */
    uint8_t missed[3];
    uint8_t piece[SEAL_DELTA_PIECE];
    uint8_t window[SEAL_DELTA_WINDOW];
    uint8_t page[SEAL_DELTA_PAGE];
    uint16_t p[SEAL_DELTA_PLACES];
    uint32_t keys[SEAL_DELTA_TABLE];
    uint32_t values[SEAL_DELTA_TABLE];
};

void seal_delta_begin(struct seal_delta *d);

/* The next bytes of the patch. SEAL_DEVICE_NOT_RUN: more of it is wanted. SEAL_ACCEPTED: the image is
 * complete, and so is the patch. SEAL_STRUCTURE_PATCH: it is no patch for these images.
 * SEAL_DEVICE_UNREADABLE, SEAL_DEVICE_UNWRITABLE. What was answered but for the first stays. */
uint32_t seal_delta_take(struct seal_delta *d, const uint8_t *bytes, uint32_t length);

/* Begins, and takes a patch that is kept as a whole; its size is that of the reader. */
uint32_t seal_delta_stored(struct seal_delta *d, const struct seal_reader *patch);

#endif
