/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Reads deliveries: docs/format/delivery.md, in C99. A delivery wraps a release and brings patches,
 * compressed images or plain ones. It lies in storage as a whole, in RAM where it is small, and
 * leaves no trace of its own: history, sequence and set are told by the release's manifest alone.
 * No heap, no recursion, no state of its own. Compile everything with SEAL_PATCHES.
 *
 *     install.delivery = &delivery;
 *     if (seal_install_stored(&install, &stored) == SEAL_ACCEPTED)
 *         reset: the bootloader does the rest
 *
 * What is stored may be a package as well: a delivery is told by its first payload.
 */
#ifndef SEAL_DELIVERY_H
#define SEAL_DELIVERY_H

#include "seal_install.h"

#ifndef SEAL_DELIVERY_STEPS
#define SEAL_DELIVERY_STEPS 12u     /* of a delivery that this device has room for      */
#endif
#define SEAL_DELIVERY_BYTES (192u + 192u * SEAL_DELIVERY_STEPS)
#define SEAL_DELIVERY_WINDOW 64u    /* bytes of it that are looked at at once            */
#define SEAL_DELIVERY_HOLES 6

struct seal_delivery {
    /* -- what the caller fills in -------------------------------------------------------------- */

    const struct seal_anchor *anchors;  /* keys for deliveries; where the product has none, for packages */
    uint32_t anchor_count;              /* at most 32; one of them has to have signed   */
    uint8_t *buffer;                    /* for its manifest                              */
    uint32_t room;                      /* SEAL_DELIVERY_BYTES                           */

    /* -- its own ------------------------------------------------------------------------------- */

    uint32_t at;                        /* of the file: where its next member begins     */
    uint32_t head, from, length;        /* where the member begins that was read last, and its content */
    uint32_t wrapper[4];                /* where wrapper and manifest begin, and how long they are */
    uint32_t release[2];                /* the same of the release, without the head     */
    uint32_t first;                     /* where what travels for the first step begins  */
    uint32_t members;                   /* of the envelope                               */
    const uint8_t *end;                 /* of what is looked at                          */
    uint32_t beyond;                    /* bytes that follow there                       */
    uint32_t expected;
    const uint8_t *data[SEAL_DELIVERY_HOLES];   /* what was met: where it stands, or what stands behind its head */
    uint32_t value[SEAL_DELIVERY_HOLES];
    const uint8_t *part_at, *said_at, *command_at;      /* of the manifest: what is said of the first step */
    const uint8_t *vendor, *class_id, *release_digest;
    uint32_t sequence, steps, items;    /* items of the install sequence, for the steps  */
    const uint8_t *part, *said, *command;       /* and of the next one                   */
    uint32_t step, left, branches, counted;
    uint32_t place;                     /* of the step among the others                  */
    uint8_t digits[2];
    uint8_t run_slot, header, number, plain;    /* the step                              */
    const uint8_t *digest, *base;
    uint32_t size, base_size;
    struct seal_stretch travels;
    uint8_t window[SEAL_DELIVERY_WINDOW];
};

#endif
