/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Keeps an update package in the flash slot that holds "package", as it arrives, and installs it
 * from there: for products with an image that has no second place (seal_install.h). What came
 * before a reset need not come again: a log beside the package says which erase blocks of it are
 * complete. That is a hint and no more: all of it is read and judged again.
 */
#ifndef SEAL_STORE_H
#define SEAL_STORE_H

#include "seal_install.h"

struct seal_store {
    struct seal_install *install;   /* filled in as for a stream                    */
    struct seal_slot slot;          /* seal_package_slot of seal_config.h           */

    uint32_t position;              /* bytes of the package that are kept: go on from there */

    struct seal_reader reader;      /* the package in its slot                      */
    uint32_t block;                 /* bytes of an erase block, a page and an entry of the log */
    uint32_t page;
    uint32_t entry;
    uint32_t room;                  /* for the package: the log lies behind it      */
    uint32_t complete;              /* erase blocks of the package                  */
    uint32_t notes;                 /* entries that this log has                    */
    uint32_t fill;                  /* bytes of the page that came                  */
#ifdef SEAL_PATCHES
    uint32_t refused;               /* why it is no package, while it may be a delivery; else 0 */
    uint8_t wrapped;                /* 1: it is no package                          */
#endif
};

/* A delivery is kept as well, where install->delivery is set and all is compiled with SEAL_PATCHES: as soon
 * as the release in it has come, install->judged says that its signature holds, and install->package has
 * the digest of its own manifest, and nothing else.
 *
 * Looks whether a part of a package is there that is still good: then position is not 0, and
 * install->judged and install->package say whose it is. Go on at position with that package, or
 * call seal_store_anew for another one. The page buffer is used until the package is complete. */
uint32_t seal_store_begin(struct seal_store *store);
void seal_store_anew(struct seal_store *store);

/* The next bytes, judged as in seal_install_take and kept. SEAL_ACCEPTED, or why it is refused. */
uint32_t seal_store_take(struct seal_store *store, const uint8_t *bytes, uint32_t length);

/* When the package is complete: what seal_install_stored says. */
uint32_t seal_store_finish(struct seal_store *store);

/* For struct seal_boot: set package to this function and package_user to a struct seal_store of
 * which install and slot are filled in. The package in the slot is judged again, as a whole, each
 * time; nothing is written. */
uint32_t seal_store_image(void *store, uint8_t component, const uint8_t statement[32], const uint8_t manifest[32],
                          struct seal_source *source);

#endif
