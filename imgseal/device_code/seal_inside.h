/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* What seal_boot.c and seal_install.c share, and nobody else calls. The names are short inside
 * and have a prefix for the linker.
 */
#ifndef SEAL_INSIDE_H
#define SEAL_INSIDE_H

#include "seal_record.h"

enum {
    PHASE_SETTLED = SEAL_PHASE_SETTLED, PHASE_DELIVERING = SEAL_PHASE_DELIVERING, PHASE_SWITCHING = SEAL_PHASE_SWITCHING,
    PHASE_TRIAL = SEAL_PHASE_TRIAL, PHASE_UNPROVEN = SEAL_PHASE_UNPROVEN, PHASE_RETURNING = SEAL_PHASE_RETURNING,
    PHASE_SETTLING = SEAL_PHASE_SETTLING
};

enum {
    R_FORMAT = SEAL_R_FORMAT, R_PHASE = SEAL_R_PHASE, R_MEMBER_COUNT = SEAL_R_MEMBER_COUNT, R_GENERATION = SEAL_R_GENERATION,
    R_BASE = SEAL_R_BASE, R_COPIED = SEAL_R_COPIED, R_ATTEMPTS = SEAL_R_ATTEMPTS, R_POWER_ONS = SEAL_R_POWER_ONS,
    R_PREPARED = SEAL_R_PREPARED, R_KEPT = SEAL_R_KEPT, R_PLACED = SEAL_R_PLACED, R_SEQUENCE = SEAL_R_SEQUENCE,
    R_MANIFEST_DIGEST = SEAL_R_MANIFEST_DIGEST, R_TARGET_SEQUENCE = SEAL_R_TARGET_SEQUENCE,
    R_REFUSED_COUNT = SEAL_R_REFUSED_COUNT, R_TRIAL = SEAL_R_TRIAL, R_RECOVERY = SEAL_R_RECOVERY, R_UNRAISED = SEAL_R_UNRAISED,
    R_TARGET_DIGEST = SEAL_R_TARGET_DIGEST, R_REFUSED = SEAL_R_REFUSED, R_MEMBERS = SEAL_R_MEMBERS,
    MEMBER_BYTES = SEAL_MEMBER_BYTES
};

#define NOTHING SEAL_NOT_IN_SET
#define record_magic seal_record_magic
#define member seal_member
#define commit seal_commit

#define stretch seal_stretch

/* Sizes of the erase block and the page at an address, and the write unit. */
struct geometry {
    uint32_t block, page, unit;
};

/* An image somewhere in flash. */
struct lying {
    struct seal_source source;
    struct stretch header, payload;
};

#define get16 seal_get16
#define get32 seal_get32
#define put32 seal_put32
#define move seal_move
#define clear seal_clear
#define sha256 seal_inside_sha256
#define geometry_of seal_inside_geometry
#define erase_range seal_inside_erase
#define program_range seal_inside_program
#define read_ram seal_read_ram
#define is_zero seal_is_zero
#define as_reader seal_inside_as_reader
#define places seal_inside_places
#define tidy seal_inside_tidy
#define state_of seal_inside_state_of
#define head_of seal_inside_head_of
#define judge_alone seal_inside_judge_alone
#define named seal_inside_named
#define judge_slot seal_inside_judge_slot
#define other_statement seal_inside_other_statement
#define judge_set seal_inside_judge_set
#define is_whole seal_inside_is_whole
#define waiting seal_inside_waiting
#define is_record seal_inside_is_record
#define has_bit seal_inside_has_bit
#define flip_bit seal_inside_flip_bit
#define add_version seal_inside_add_version
#define try_set seal_inside_try_set
#define good_recovery seal_inside_good_recovery

void sha256(struct seal_boot *b, const uint8_t *data, uint32_t length, uint8_t digest[32]);
void waiting(const struct seal_boot *b, const struct seal_component *c, const struct seal_slot *slot, struct lying *image);
int is_record(struct seal_boot *b, const uint8_t *r);
int has_bit(const uint8_t *mask, uint32_t index);
void flip_bit(uint8_t *mask, uint32_t index);
uint32_t geometry_of(const struct seal_boot *b, uint32_t address, struct geometry *g);
uint32_t erase_range(const struct seal_boot *b, uint32_t address, uint32_t size);
uint32_t program_range(struct seal_boot *b, uint32_t address, const struct seal_reader *from, uint32_t offset, uint32_t length);
void as_reader(const struct seal_boot *b, const struct seal_slot *slot, struct stretch *stretch, struct seal_reader *reader);
uint32_t places(const struct seal_boot *b);
uint32_t tidy(struct seal_boot *b);
void state_of(struct seal_boot *b, struct seal_state *state);
uint32_t judge_slot(struct seal_boot *b, uint32_t index, uint32_t slot, const struct seal_state *state, uint32_t header_only,
                    struct seal_header *header);
const struct seal_slot *head_of(const struct seal_component *c, uint32_t slot);
uint32_t judge_alone(struct seal_boot *b, uint32_t index);
int named(struct seal_boot *b, uint32_t which, uint32_t index);
uint32_t other_statement(struct seal_boot *b, const uint8_t digest[32]);
void add_version(const struct seal_boot *b, struct seal_state *state, uint8_t component, const uint8_t *bytes);
uint32_t judge_set(struct seal_boot *b, uint32_t which);
int is_whole(struct seal_boot *b, const struct seal_source *source, const uint8_t statement[32]);
uint32_t try_set(struct seal_boot *b);
uint32_t good_recovery(struct seal_boot *b);

/* Begins a package of which nothing is written; and takes what is stored of it, up to the end of the
 * package. */
struct seal_install;
#define look_only seal_inside_look_only
#define take_stored seal_inside_take_stored
void look_only(struct seal_install *i);
void take_stored(struct seal_install *i);

#ifdef SEAL_PATCHES
/* Takes what is stored when that is a delivery; 0: it is none. */
#define take_delivery seal_inside_take_delivery
int take_delivery(struct seal_install *i);
/* 1 when what is stored begins a delivery, and all of it that is whole is what was signed. Then package has
 * the digest of its manifest; position is its end, or 0 where it is not whole. */
#define look_at_delivery seal_inside_look_at_delivery
int look_at_delivery(struct seal_install *i);
#endif

#endif
