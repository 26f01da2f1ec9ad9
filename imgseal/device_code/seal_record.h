/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* The install record as bytes: docs/format/install-record.md. For whoever shows what a device
 * does, or writes records of its own; seal_boot.h and seal_install.h need no knowledge of it.
 */
#ifndef SEAL_RECORD_H
#define SEAL_RECORD_H

#include "seal_boot.h"

enum seal_phase {
    SEAL_PHASE_SETTLED = 1, SEAL_PHASE_DELIVERING, SEAL_PHASE_SWITCHING, SEAL_PHASE_TRIAL, SEAL_PHASE_UNPROVEN,
    SEAL_PHASE_RETURNING, SEAL_PHASE_SETTLING
};

/* Offsets; numbers are little-endian. At SEAL_R_MEMBERS follow the entries of both sets. */
enum seal_record_offset {
    SEAL_R_MAGIC = 0, SEAL_R_FORMAT = 8, SEAL_R_PHASE = 10, SEAL_R_MEMBER_COUNT = 11, SEAL_R_GENERATION = 12,
    SEAL_R_BASE = 16, SEAL_R_COPIED = 20, SEAL_R_ATTEMPTS = 22, SEAL_R_POWER_ONS = 23, SEAL_R_PREPARED = 24,
    SEAL_R_KEPT = 28, SEAL_R_PLACED = 32, SEAL_R_SEQUENCE = 36, SEAL_R_MANIFEST_DIGEST = 40,
    SEAL_R_TARGET_SEQUENCE = 72, SEAL_R_REFUSED_COUNT = 76, SEAL_R_TRIAL = 77, SEAL_R_RECOVERY = 78,
    SEAL_R_UNRAISED = 79, SEAL_R_TARGET_DIGEST = 80, SEAL_R_REFUSED = 112, SEAL_R_MEMBERS = 240
};

#define SEAL_MEMBER_BYTES 36u   /* component number, run slot index, two zeros, statement's digest */
#define SEAL_NOT_IN_SET 0xFFu   /* as index of the run slot                       */

/* Magic and number of the format: the first ten bytes. */
extern const uint8_t seal_record_magic[10];

/* The entry of a component, by its index in the product, in the current set (which 0) or the
 * other one (1) of a record. */
uint8_t *seal_member(const struct seal_boot *boot, uint8_t *record, uint32_t which, uint32_t index);

/* Writes boot->journal.record, which the caller has changed, as a new record: the first one of
 * all where none was found. SEAL_WRITTEN: it is the one acted upon; anything else: reset. */
uint32_t seal_commit(struct seal_boot *boot);

#endif
