/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Trust anchors that can be replaced in the field: docs/format/trust-anchors.md, in C99.
 * Judges updates, keeps the set that counts in flash, and hands its keys to seal_judge
 * and seal_read_package. No heap, no recursion, no state of its own.
 */
#ifndef SEAL_TRUST_H
#define SEAL_TRUST_H

#include "seal_boot.h"

#define SEAL_TRUST_KEYS 32u
#define SEAL_TRUST_REVOKED 32u
#define SEAL_TRUST_SET_MAX 3476u        /* 32 keys and 32 revoked ones            */
#define SEAL_TRUST_UPDATE_MAX 3604u     /* with signer and signature              */
/* The size of buffers: an update, or a set with its digest and mark in write units of their own. */
#define SEAL_TRUST_BUFFER (SEAL_WRITE_UNIT > 32u ? SEAL_TRUST_SET_MAX + 32u + 2u * SEAL_WRITE_UNIT : SEAL_TRUST_UPDATE_MAX)

struct seal_trust {
    const struct seal_product *product;         /* its vendor, class and components */
    const struct seal_crypto *crypto;
    struct seal_work *work;
    struct seal_slot slot;                      /* the one that holds "anchors"   */
    struct seal_flash flash;
    /* The monotonic number: SEAL_READ, SEAL_WRITTEN. A raise that a cut has torn may read
     * as the old number or the new one until it is asked for again; one that has returned
     * SEAL_WRITTEN is never read as less. 0, both: this device has none.          */
    uint32_t (*number)(void *user, uint32_t *value);
    uint32_t (*raise)(void *user, uint32_t value);
    void *user;
    const uint8_t *factory;                     /* a set that is compiled in; 0: none. It  */
    uint32_t factory_size;                      /* counts only where there is a number     */
    uint8_t *set;                               /* SEAL_TRUST_BUFFER bytes: the held set */
    uint32_t set_size;                          /* 0: none is held                */
};

/* The keys of a set, for other readers: those for images first, those for packages, those for deliveries. */
struct seal_trusted {
    struct seal_anchor anchor[SEAL_TRUST_KEYS];
    uint8_t images;
    uint8_t packages;
    uint8_t need_images;
    uint8_t need_packages;
#ifdef SEAL_PATCHES
    uint8_t first_delivery;     /* of the keys that sign deliveries: where the set has */
    uint8_t deliveries;         /* none for these alone, those for packages        */
#endif
};

/* After every reset, before anything is judged: finds the set that counts, finishes what a
 * power cut has interrupted, and repairs a damaged place. SEAL_ACCEPTED when t->set is held;
 * SEAL_DEVICE_NO_TRUST_SET when no set counts; any other code: reset and try again. */
uint32_t seal_trust_open(struct seal_trust *t);

/* The keys of the held set: SEAL_ACCEPTED, or SEAL_DEVICE_NO_TRUST_SET. */
uint32_t seal_trust_keys(const struct seal_trust *t, struct seal_trusted *keys);

/* Every check of an update against the held set, in the order of the page. It is copied into
 * buffer (SEAL_TRUST_BUFFER bytes) once, and judged there. SEAL_ACCEPTED, or the code of
 * the first finding. */
uint32_t seal_trust_judge(struct seal_trust *t, const struct seal_running *running,
                          const struct seal_reader *update, uint8_t *buffer);

/* Judges an update and makes it the held set. SEAL_ACCEPTED: it is held; a code that the
 * judgement gives: nothing has changed; SEAL_DEVICE_UNREADABLE or SEAL_DEVICE_UNWRITABLE with
 * t->set_size 0: reset, and seal_trust_open finds the old set or the new one. */
uint32_t seal_trust_take(struct seal_trust *t, const struct seal_running *running,
                         const struct seal_reader *update, uint8_t *buffer);

#endif
