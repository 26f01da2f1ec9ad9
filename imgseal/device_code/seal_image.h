/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Judges sealed images: docs/format/sealed-image.md, in C99, for bootloaders.
 *
 * No heap, no recursion, no floating point, no state of its own. Flash is read
 * through one callback, so that external flash works; cryptography comes through
 * a table of functions. Everything the caller passes in is const.
 *
 * Convention: a function that judges returns SEAL_ACCEPTED, or the code of the
 * first finding. Any other value, also one that is no code at all, means no.
 */
#ifndef SEAL_IMAGE_H
#define SEAL_IMAGE_H

#include <stddef.h>
#include <stdint.h>

#include "seal_codes.h"
#include "seal_options.h"       /* made by imgseal device-code: what the product asks for */

#define SEAL_STATEMENT_BYTES 384u
/* offsets in the statement that readers of packages use too */
#define SEAL_AT_NUMBER 48u
#define SEAL_AT_VERSION 52u
#define SEAL_AT_COUNTER 68u
#define SEAL_AT_DIGEST 248u
#define SEAL_AT_SIZE 280u
#define SEAL_AT_LINK 284u
#define SEAL_AT_ENTRY 288u
#define SEAL_AT_FLAGS 296u
#define SEAL_HEADER_MIN 512u
#define SEAL_HEADER_MAX 8192u
#define SEAL_SIGNATURES 3u
#define SEAL_NEEDS 4u

/* Kinds of keys: bits; P-256 alone where seal_options.h does not ask for more. */
#define SEAL_KIND_P256 1u
#define SEAL_KIND_ML_DSA_44 2u
#ifdef SEAL_ML_DSA_44
#define SEAL_KINDS 2u
#define SEAL_ML_DSA_44_KEY_BYTES 1312u
#define SEAL_SIGNATURE_MAX 2420u
#define SEAL_KIND_OF(anchor) ((anchor)->ml_dsa_44 != 0 ? SEAL_KIND_ML_DSA_44 : SEAL_KIND_P256)
#define SEAL_MUST_VERIFY(product, i) ((product)->must_verify[i])
#else
#define SEAL_KINDS 1u
#define SEAL_SIGNATURE_MAX 64u
#define SEAL_KIND_OF(anchor) SEAL_KIND_P256
#define SEAL_MUST_VERIFY(product, i) ((void)(product), SEAL_KIND_P256)
#endif

/* -- what the maker compiles in ---------------------------------------------- */

struct seal_slot {
    uint32_t base;              /* absolute address of its first byte            */
    uint32_t size;              /* bytes                                         */
    uint8_t trusted;            /* 1: internal flash; 0: others can write it     */
    uint16_t erased;            /* what it reads as where nothing is programmed: 0xFF, 0, SEAL_UNREADABLE */
};
#define SEAL_UNREADABLE 0x100u  /* anything, or not at all                       */

/* Bytes come first in these: a core reaches them with one short instruction there. */
struct seal_component {
    uint8_t number;             /* 1 to 255                                      */
    uint8_t kind;               /* 1 code, 2 data                                */
    uint8_t detached;           /* 1: its header lies in a slot of its own       */
    uint8_t run_slots;          /* 1 or 2                                        */
    uint8_t whole_at_boot;      /* 1: the payload is judged at every boot        */
    uint8_t recovery;           /* 1: starts when no set can                     */
    uint8_t hazard;             /* 1: it can hurt: packages ask for authorisation */
    uint8_t counter_value;      /* 1: its counter storage takes a number at once */
    uint16_t header_block;      /* bytes                                         */
    uint16_t vectors;           /* entries of the vector table; 0 for data       */
    uint32_t vector_alignment;  /* bytes, a power of two; 0: the core has no such register */
    uint32_t counter_most;      /* the highest counter that the storage holds    */
    uint32_t counter_jump;      /* the most that an image may raise it by, if not from 0 */
    uint32_t ram;               /* bit per RAM in the order of the product: where its stack may lie */
    struct seal_slot run[2];
    struct seal_slot header[2]; /* of detached images; else size 0               */
    struct seal_slot staging;   /* size 0: none                                  */
    struct seal_slot keep;      /* size 0: none                                  */
};

struct seal_anchor {
    uint32_t components;        /* bit per component in the order of the product */
    uint8_t development;        /* 1: good for development images only           */
    uint8_t key_id[16];         /* first bytes of the RFC 9679 thumbprint        */
    uint8_t x[32];              /* P-256 point, big-endian; else zeros           */
    uint8_t y[32];
#ifdef SEAL_ML_DSA_44
    const uint8_t *ml_dsa_44;   /* 1,312 bytes, as FIPS 204 encodes them; 0: a P-256 key */
#endif
};

struct seal_range {
    uint32_t base;
    uint32_t size;
};

struct seal_product {
    uint8_t component_count;
    uint8_t anchor_count;
    uint8_t ram_count;
    uint8_t need;               /* distinct signers an image needs               */
    uint8_t external_code;      /* 1: code may run from untrusted memory         */
    uint8_t trial_attempts;     /* starts of a trial after any reset but power-on */
    uint8_t trial_power_ons;    /* and after power-on                            */
    const struct seal_component *components;    /* ascending numbers             */
    const struct seal_anchor *anchors;          /* keys for sealed images        */
    const struct seal_range *ram;
    uint8_t vendor_id[16];
    uint8_t class_id[16];
    struct seal_slot records;   /* install records; size 0: none                 */
#ifdef SEAL_BOOT_MARK
    struct seal_slot mark;      /* the boot mark: docs/format/boot-mark.md        */
#endif
#ifdef SEAL_ML_DSA_44
    uint8_t kinds;              /* whose signatures count                        */
    uint8_t must_verify[SEAL_KINDS]; /* which have to be there; one alone: it twice */
#endif
};

/* -- what the device knows ----------------------------------------------------- */

struct seal_version {
    uint8_t component;          /* 0 is the bootloader                           */
    uint8_t bytes[16];          /* as in the statement                           */
};

struct seal_state {
    uint16_t hardware_least;    /* revision of this device, twice; or a range    */
    uint16_t hardware_most;
    const struct seal_version *versions;        /* of the set that would start   */
    const uint8_t (*revoked)[16];               /* key identifiers               */
    uint8_t version_count;
    uint8_t revoked_count;
    uint8_t whole_set;          /* 1: a component not in versions is missing     */
    uint8_t development;        /* 1: a device on a desk                         */
#ifdef SEAL_BOOT_MARK
    uint32_t marked;            /* SEAL_MARKED: the boot mark stands for the signatures, and
                                 * the answer is SEAL_MARKED; anything else: they are verified */
#endif
    /* The anti-rollback counter of a component. Returns SEAL_READ on success. */
    uint32_t (*counter)(void *user, uint8_t component, uint32_t *value);
    void *user;
};

/* What seal_judge says of an image that is good in such a state. */
#ifdef SEAL_BOOT_MARK
#define SEAL_GOOD(state) ((state)->marked == SEAL_MARKED ? (uint32_t)SEAL_MARKED : (uint32_t)SEAL_ACCEPTED)
#else
#define SEAL_GOOD(state) ((void)(state), (uint32_t)SEAL_ACCEPTED)
#endif

/* -- cryptography ------------------------------------------------------------------ */

#define SEAL_HASH_STATE 256u    /* bytes of room for a running SHA-256           */
#ifndef SEAL_PIECE
#define SEAL_PIECE 64u          /* bytes that are read and hashed at a time      */
#endif
#if SEAL_PIECE < 8 || SEAL_PIECE > 65536
#error "SEAL_PIECE: 8 to 65536 bytes"
#endif

struct seal_crypto {
    void (*sha256_begin)(void *state);
    void (*sha256_add)(void *state, const uint8_t *data, size_t length);
    void (*sha256_end)(void *state, uint8_t digest[32]);
    /* ECDSA on P-256 over a digest; value is r then s. Returns SEAL_VERIFIED, or
     * anything else. r and s have been seen to lie in 1..n-1. */
    uint32_t (*verify)(const uint8_t x[32], const uint8_t y[32],
                       const uint8_t digest[32], const uint8_t value[64]);
    /* Whether a point lies on P-256: SEAL_VERIFIED, or anything else. 0: left to verify, which
     * has to refuse such a key. Only seal_trust.c asks. */
    uint32_t (*on_curve)(const uint8_t x[32], const uint8_t y[32]);
#ifdef SEAL_ML_DSA_44
    /* ML-DSA-44, pure, with the empty context: FIPS 204 algorithm 3, over the message
     * itself. Returns SEAL_VERIFIED, or anything else. 0: this device has none; such
     * signatures are skipped, and where they have to be there nothing is accepted. */
    uint32_t (*verify_ml_dsa_44)(const uint8_t key[SEAL_ML_DSA_44_KEY_BYTES], const uint8_t *message,
                                 size_t length, const uint8_t value[SEAL_SIGNATURE_MAX]);
#endif
};

/* -- what is judged ------------------------------------------------------------------ */

struct seal_reader {
    /* Copies length bytes from offset. Returns SEAL_READ, or anything else when
     * the memory cannot be read (ECC, a bus error). Never asked past size. */
    uint32_t (*read)(void *user, uint32_t offset, uint8_t *to, uint32_t length);
    void *user;
    uint32_t size;              /* bytes in all                                  */
};

enum seal_where {               /* any other value is judged like a run slot     */
    SEAL_FILE = 0x3A,           /* exactly one image and nothing behind it       */
    SEAL_RUN_SLOT = 0x59,       /* a whole run slot, image first, the rest erased */
    SEAL_WAITING_SLOT = 0x66    /* a staging or keep slot: never accepted alone  */
};

struct seal_subject {
    struct seal_reader image;   /* header block, and the payload if attached     */
    struct seal_reader payload; /* of a detached header; read = 0: not there     */
    enum seal_where where;
    uint8_t component;          /* whose slot, an index into components          */
    uint8_t run_slot;           /* which run slot, 0 or 1                        */
};

/* What a verified header says; valid after SEAL_ACCEPTED. */
struct seal_header {
    uint8_t component;
    uint8_t detached;
    uint8_t development;
    uint8_t whole;              /* 1: the payload was judged as well             */
    uint16_t header_block;
    uint32_t counter;
    uint32_t payload_size;
    uint32_t link_address;
    uint32_t entry_offset;
    uint8_t version[16];
    const struct seal_state *judged_for;        /* what the checks were given     */
};

/* Room that the caller provides: nothing here is kept between calls. */
struct seal_work {
    union {
        uint8_t bytes[SEAL_HASH_STATE];
        uint64_t align;
    } hash;
    uint8_t statement[SEAL_STATEMENT_BYTES];    /* read once, judged from here   */
    uint8_t piece[SEAL_PIECE];
    uint8_t signature[SEAL_SIGNATURE_MAX];      /* one after the other           */
};

/* Every check of a sealed image, in the judge's order; those that read the payload
 * are left out when header_only is SEAL_HEADER_ONLY, and not by any other value. */
#define SEAL_HEADER_ONLY 0x5AC3963Cu
uint32_t seal_judge(const struct seal_product *product, const struct seal_state *state,
                    const struct seal_crypto *crypto, const struct seal_subject *subject,
                    uint32_t header_only, struct seal_work *work, struct seal_header *header);

/* The eight bytes that every sealed image begins with. */
extern const uint8_t seal_magic[8];

/* For the way out of a refusal: the code, unless it is SEAL_ACCEPTED, which comes here when a
 * comparison was skipped. */
uint32_t seal_refusal(uint32_t code);

/* 1 when a big-endian number of 32 bytes lies in 1..n-1, n the order of P-256. */
int seal_is_in_group(const uint8_t *number);

/* Compares two digests in a time that does not depend on them. 0: equal. */
uint32_t seal_differ(const uint8_t *a, const uint8_t *b, size_t length);

/* -- what the sources share ------------------------------------------------------------ */

/* Little-endian numbers, at any address. */
uint32_t seal_get16(const uint8_t *p);
uint32_t seal_get32(const uint8_t *p);
void seal_put32(uint8_t *p, uint32_t value);

/* Ascending, so that bytes can be moved towards the start of what they lie in. */
void seal_move(uint8_t *to, const uint8_t *from, uint32_t length);
void seal_clear(uint8_t *to, uint32_t length);

/* 1 when every byte is 0. */
int seal_is_zero(const uint8_t *p, uint32_t length);

/* A reader of RAM: user is its first byte. */
uint32_t seal_read_ram(void *user, uint32_t offset, uint8_t *to, uint32_t length);

void seal_sha256(const struct seal_crypto *crypto, struct seal_work *work, const uint8_t *data, uint32_t length,
                 uint8_t digest[32]);

/* Hands a stretch of what a reader reads to a function as sha256_add is one, in pieces, with the
 * work memory's hash. SEAL_READ, or SEAL_DEVICE_UNREADABLE. */
uint32_t seal_read_through(void (*add)(void *state, const uint8_t *data, size_t length), struct seal_work *work,
                           const struct seal_reader *from, uint32_t at, uint32_t length);

#endif
