/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* What bootloader and application share: the device as the sealed code sees it, and the hand-over.
 */
#ifndef DEVICE_H
#define DEVICE_H

#include "board.h"
#include "seal_config.h"

/* What the bootloader hands over, at the end of RAM where no program has anything else. port: a place
 * that the start-up code of the application leaves alone. */
struct handover {
    uint32_t magic;
    struct seal_journal journal;        /* record, place, found, tidied: all four */
    struct seal_started started;
    uint8_t record[SEAL_RECORD_BYTES];
};

#define HANDOVER ((struct handover *)0x2001F000u)
#define HANDOVER_MAGIC 0x68616E64u

/* Fills everything but the journal's place, found and tidied: the same in both programs. */
void device_fill(struct seal_boot *boot);

#endif
