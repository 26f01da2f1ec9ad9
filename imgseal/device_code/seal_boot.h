/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Chooses what starts, and finishes what a power cut has interrupted:
 * docs/format/install-record.md, in C99. No heap, no recursion, no state of its own.
 */
#ifndef SEAL_BOOT_H
#define SEAL_BOOT_H

#include "seal_image.h"

#define SEAL_PLACES_MAX 16u     /* places of the records slot that are looked at  */
#define SEAL_SET_MAX 32u        /* components of a product                        */
#ifndef SEAL_PAGE_ROOM
#define SEAL_PAGE_ROOM (SEAL_WRITE_UNIT > 256u ? SEAL_WRITE_UNIT : 256u)    /* bytes of seal_boot.page */
#endif
#if SEAL_PAGE_ROOM == 0 || SEAL_PAGE_ROOM % SEAL_WRITE_UNIT != 0
#error "SEAL_PAGE_ROOM: a multiple of SEAL_WRITE_UNIT, the largest write unit of the product's flash"
#endif

/* Absolute addresses; all memories behind one driver. Each returns SEAL_READ or
 * SEAL_WRITTEN, and anything else when it could not. Kick the watchdog in here. */
struct seal_flash {
    uint32_t (*read)(void *user, uint32_t address, uint8_t *to, uint32_t length);
    /* the block at address; also where it reads blank: a torn erase may, and what is
     * programmed over it does not stay                                             */
    uint32_t (*erase)(void *user, uint32_t address);
    uint32_t (*program)(void *user, uint32_t address, const uint8_t *from, uint32_t length);
    /* sizes of the erase block and the page at an address, and the write unit      */
    uint32_t (*geometry)(void *user, uint32_t address, uint32_t *block, uint32_t *page, uint32_t *unit);
    void *user;
};

/* A stretch of flash, to be read from its start. */
struct seal_stretch {
    const struct seal_flash *flash;
    uint32_t base;
};

/* Storage that only rises. What take and raise answer is not relied upon: the counter is
 * read back, and one that stays lower, full or worn, keeps nothing from starting. */
struct seal_counters {
    uint32_t (*read)(void *user, uint8_t component, uint32_t *value);
    /* one step further, or the one reached already once more: one-way bits         */
    uint32_t (*take)(void *user, uint8_t component, uint32_t step);
    /* any higher value, or the same again: components with counter_storage = "value" */
    uint32_t (*raise)(void *user, uint8_t component, uint32_t value);
    void *user;
};

/* An image elsewhere: header block and payload, each behind a reader. */
struct seal_source {
    struct seal_reader header;
    struct seal_reader payload;
    uint32_t payload_at;        /* where the payload begins in its reader         */
};

/* What survives no reset. The bootloader hands it to the program that it starts,
 * which must not read the journal again. */
struct seal_journal {
    uint8_t *record;            /* SEAL_RECORD_BYTES: the record acted upon       */
    uint32_t place;
    uint8_t found;              /* 1: there is one                                */
    uint8_t tidied;             /* 1: every other place is erased                 */
};

struct seal_boot {
    uint8_t revoked_count;      /* bytes first, as in seal_image.h                */
    uint8_t development;
    uint16_t hardware;
    struct seal_journal journal;
    const struct seal_product *product;
    const struct seal_crypto *crypto;
    struct seal_work *work;
    uint8_t *scan;              /* SEAL_RECORD_BYTES more, for reading            */
    uint32_t record_bytes;
    struct seal_flash flash;
    struct seal_counters counters;
    /* The image of a component from the package that the record names, where the
     * package is still there and was judged again: SEAL_READ. 0: no package.      */
    uint32_t (*package)(void *user, uint8_t component, const uint8_t statement[32],
                        const uint8_t manifest[32], struct seal_source *source);
    void *package_user;
    const uint8_t (*revoked)[16];
    struct seal_version *versions;      /* one for each component, and one more   */
    uint8_t *page;              /* a buffer for copying                           */
    uint32_t page_room;         /* its size: SEAL_PAGE_ROOM                       */
    uint8_t bootloader[16];     /* its own version, as in a statement             */
#ifdef SEAL_BOOT_MARK
    /* Engages the write protection of the boot mark's slot until the next reset, and sees that
     * it is: SEAL_WRITTEN. seal_choose calls it last; after any other answer nothing starts. */
    uint32_t (*protect)(void *user, const struct seal_slot *mark);
    void *protect_user;
    uint32_t marked;            /* of seal_choose alone                           */
#endif
};

enum seal_what { SEAL_START_SET = 0x5A, SEAL_START_RECOVERY = 0xA5, SEAL_START_NOTHING = 0x3C };

struct seal_started {
    enum seal_what what;
    uint8_t trial;              /* 1: the set has not reported itself healthy     */
    uint8_t members;            /* components in the set                          */
    uint8_t run_slot[SEAL_SET_MAX];     /* by component index; 255: not in the set */
};

/* What the record says that runs, for who judges an update of the trust anchors. */
struct seal_running {
    uint8_t run_slot[SEAL_SET_MAX];     /* by component index; 255: not in the current set */
    uint8_t settled;            /* 1: no release is being installed or tried      */
};

/* Resumes, judges, and says what to start. SEAL_ACCEPTED when *started says it; any
 * other code when flash could not be written: reset and try again. */
uint32_t seal_choose(struct seal_boot *boot, int power_on, struct seal_started *started);

/* For the program that runs a set in trial or unproven: settles it. SEAL_ACCEPTED, or
 * why not: after SEAL_DEVICE_UNREADABLE and SEAL_DEVICE_UNWRITABLE reset.
 * SEAL_DEVICE_NO_RECORD: the journal was not handed over. */
uint32_t seal_report_healthy(struct seal_boot *boot);

/* What runs, from the journal that seal_choose has opened. */
void seal_what_runs(const struct seal_boot *boot, struct seal_running *running);

#endif
