/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* What a product shows of itself, and where an image is entered. Nothing here decides: call it for
 * what seal_choose has said starts. Why a package was refused is install.code; seal_names.h has
 * the names.
 */
#ifndef SEAL_SHOW_H
#define SEAL_SHOW_H

#include "seal_record.h"

struct seal_shown {
    uint8_t phase;              /* enum seal_phase; 0: there is no record         */
    uint8_t trial;              /* 1: the set can be gone back from, and has not reported itself healthy */
    uint8_t starts_left;        /* of a trial, after any reset but power-on       */
    uint8_t power_ons_left;     /* and after power-on                             */
    uint8_t unraised;           /* 1: counters are behind, their storage does not take them: nothing but
                                 * the install record keeps older firmware out    */
    uint8_t refused;            /* packages that failed here and are remembered, at most four */
    uint32_t sequence;          /* of the settled release                         */
    uint32_t target_sequence;   /* of the one that is being installed or tried; 0: none */
    uint8_t manifest_digest[32];
    uint8_t target_digest[32];
    uint8_t last_refused[32];   /* the last of them                               */
};

/* What the journal says that seal_choose has opened. */
void seal_show(const struct seal_boot *boot, struct seal_shown *shown);

struct seal_shown_image {
    uint32_t version[4];        /* three numbers, then all ones; before a release its stage (1 alpha, 2 beta,
                                 * 3 release candidate) in the upper eight bits, and its number */
    uint32_t counter;
    uint32_t entry;             /* address of the vector table                    */
};

/* The image in a run slot, from its statement: SEAL_READ, or why it cannot be read. index is that
 * of the component in the product. */
uint32_t seal_show_image(const struct seal_boot *boot, uint32_t index, uint32_t run_slot, struct seal_shown_image *shown);

/* Why nothing starts: the code for which the current set is refused. SEAL_DEVICE_NO_SET: a slot does
 * not hold the image that the record names, or the set before cannot be restored;
 * SEAL_DEVICE_NOT_STORED: it waits for the package that was being installed; SEAL_DEVICE_NO_RECORD:
 * there is no record, or the journal was not handed over; SEAL_ACCEPTED: it starts. The set is judged
 * once more for that: ask it where seal_choose has said SEAL_START_NOTHING or SEAL_START_RECOVERY. */
uint32_t seal_show_refusal(struct seal_boot *boot);

#endif
