/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Installs update packages: docs/format/install-record.md, "Delivery", in C99. A package comes
 * in pieces of any size and is never in RAM as a whole: what stands in front of its first payload
 * is judged before any payload is taken, and payloads are hashed while they are written. No heap,
 * no recursion, no state of its own.
 *
 *     seal_install_begin(&install);
 *     while (more comes)
 *         if (seal_install_take(&install, bytes, length) != SEAL_ACCEPTED)
 *             stop: install.code says why
 *     if (seal_install_finish(&install) == SEAL_ACCEPTED)
 *         reset: the bootloader does the rest
 *
 * An image that has neither a second run slot nor a staging slot, and the recovery image, are
 * not written from a stream: nothing in place is erased before the whole of what replaces it has
 * been verified in storage. A package with such an image goes to seal_install_stored.
 *
 * Payloads of a component that the device holds already may be left out of a package.
 */
#ifndef SEAL_INSTALL_H
#define SEAL_INSTALL_H

#include "seal_boot.h"
#include "seal_package.h"

#ifdef SEAL_PATCHES     /* a build option: who takes no patches pays nothing */
#include "seal_delta.h"

/* What is signed of one payload that comes as a patch, compressed or as it is, and where it waits. */
struct seal_patch {
    struct seal_reader stream;          /* as many bytes as are signed; never in a slot that is written */
    uint8_t stream_digest[32];
    uint8_t base_digest[32];            /* of the first bytes of what runs */
    uint32_t base_size;                 /* 0: it is made from nothing that runs */
    uint8_t plain;                      /* 1: it is the payload itself */
};
#endif

struct seal_install {
    /* -- what the caller fills in, and device below ------------------------------------------ */

    struct seal_boot *boot;         /* all of it, its journal as it was handed over; page, versions and work
                                     * memory are the installer's until it has finished */
    uint8_t *buffer;                /* for what stands in front of the first payload */
    uint32_t room;                  /* SEAL_FRONT_BYTES is enough for what imgseal makes of the product */
    const struct seal_reader *stored;   /* for seal_install_image alone: the whole package, where it is kept */
#ifdef SEAL_PATCHES
    struct seal_delta *delta;       /* the work memory of patches; free until one is taken */
    struct seal_delivery *delivery; /* seal_delivery.h; 0: none is taken, but packages alone */
#endif

    /* -- what may be looked at, and package below ---------------------------------------------- */

    uint32_t code;                  /* SEAL_ACCEPTED, or why the package is refused */
    uint8_t judged;                 /* 1: what stands in front of the payloads was accepted: package is valid */

    /* -- the installer's own; what is used most stands in front: small cores reach it with short
     *    instructions -------------------------------------------------------------------------- */

    uint8_t step;
    uint8_t dry;                    /* 1: a look at a stored package; nothing is written */
    uint8_t begun;                  /* 1: the record says that this package is being delivered */
    uint8_t startable;              /* 1: the current set passes its checks */
    uint8_t recovery_starts;
    uint8_t writing;                /* 1: the payload that comes is written; else only hashed, or passed over */
    uint8_t wanted;                 /* 1: it is of a component that is delivered */
    uint8_t headed;                 /* 1: it begins with a header */
    uint32_t position;              /* to be looked at: bytes of the package that were taken */
    uint32_t want;                  /* bytes until the next step */
    uint32_t used;                  /* of buffer */
    uint32_t mark;                  /* where in buffer the item begins that is read */
    uint32_t left;                  /* members of the envelope that are still to come */
    uint32_t members;               /* of it in front of the payloads */
    uint32_t number;                /* key of a member, or length of a payload's key */
    uint32_t versions;              /* how many of the set that would run are known, in boot->versions */
    uint32_t brings;                /* bit per component: the package has an image of it */
    uint32_t unchanged;             /* bit per component: what runs is what the package brings */
    uint32_t held;                  /* bit per component: what runs is, byte for byte, a build that the manifest names,
                                     * and no payload of it has come */
    uint32_t prepared;              /* bit per component: delivered */
#ifdef SEAL_PATCHES
    uint32_t later;                 /* bit per component: it is made once all of the delivery was looked at */
#endif
    uint32_t half;                  /* bit per component: one of header and payload is there */
    struct seal_part *part;         /* whose payload comes */
    const struct seal_component *component; /* its component */
    uint32_t bit;                   /* and the component's bit */
    const struct seal_part *last;   /* whose payload came before */
    uint32_t base;                  /* where it is written */
    uint32_t address;               /* where the next page of it goes */
    uint32_t first;                 /* bytes that are programmed last: the unit with the magic */
    uint32_t page;                  /* bytes that are programmed at once */
    uint32_t fill;                  /* and that came of them */
    uint8_t free_slot[SEAL_SET_MAX];
    uint8_t digest[32];             /* of the text, and of the payload that came */
    uint8_t statement[SEAL_STATEMENT_BYTES];
    struct seal_flash package_at;   /* a stored package, read like flash */
    struct seal_stretch window[2];  /* stretches of it, or of flash */

    struct seal_installer device;   /* filled in: anchors, anchor_count, need, es256, battery and authorised; the
                                     * rest is found here, from the record and from boot */
    struct seal_package package;    /* to be looked at: its sequence, digest and parts */
};

/* Each returns SEAL_ACCEPTED, or the code for which the package is refused, and the same code
 * from then on. After SEAL_DEVICE_UNREADABLE and SEAL_DEVICE_UNWRITABLE reset. A package that was
 * refused, or stops coming, leaves the running set and its record as they are; begin may be
 * called at any time again. What was delivered of the same package before is not written again. */
uint32_t seal_install_begin(struct seal_install *install);
uint32_t seal_install_take(struct seal_install *install, const uint8_t *bytes, uint32_t length);

/* When the package is complete. SEAL_ACCEPTED: delivered, reset now. SEAL_DEVICE_NOTHING_NEW: this
 * release is there already. */
uint32_t seal_install_finish(struct seal_install *install);

#ifdef SEAL_PATCHES
/* Takes a payload that is not in the package: when all of the package was taken, and in front of
 * seal_install_finish, for one part after the other, their keys in the order of packages. What runs
 * has to be the base, and the stream what was signed, before a byte of it is parsed or anything is
 * erased; result and checks are those of a payload in the package then. SEAL_DIGEST_BASE,
 * SEAL_DIGEST_PATCH, SEAL_STRUCTURE_PATCH, SEAL_DIGEST_RESULT; SEAL_DEVICE_NOT_STORED for a component
 * with no second place. After a reset all of it is done again: neither base nor stream was written. */
uint32_t seal_install_patch(struct seal_install *install, uint32_t part, const struct seal_patch *patch);
#endif

/* Begins, takes and finishes a package that lies in storage as a whole: all of it is judged before
 * anything is written. For packages with images that cannot be streamed; for any other as well. */
uint32_t seal_install_stored(struct seal_install *install, const struct seal_reader *package);

/* For struct seal_boot: set package to this function and package_user to a struct seal_install
 * whose stored is the package. It is judged again, as a whole, each time. */
uint32_t seal_install_image(void *install, uint8_t component, const uint8_t statement[32], const uint8_t manifest[32],
                            struct seal_source *source);

#endif
