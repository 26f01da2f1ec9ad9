/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Reads update packages of the profile in docs/format/package.md, bounded, in C99: what
 * imgseal pack makes, and nothing else. No heap, no recursion, no state of its own.
 */
#ifndef SEAL_PACKAGE_H
#define SEAL_PACKAGE_H

#include "seal_image.h"

#ifndef SEAL_PARTS_MAX          /* seal_options.h: as many as the product can have */
#define SEAL_PARTS_MAX 32u      /* components of one manifest                     */
#endif
#define SEAL_KEY_MAX 64u        /* bytes of a payload's key                       */
#define SEAL_BLOCKS_MAX 16u     /* authentication blocks, whoever made them       */
#define SEAL_BLOCK_MAX 4800u    /* bytes of one                                   */
#define SEAL_MEMBER_MAX 65536u  /* of each member that is no payload              */

/* One component of the manifest: a sealed image, or header or payload of a detached
 * one, and where its payload lies in the package. */
struct seal_part {
    uint8_t component;          /* index into the product's components            */
    uint8_t run_slot;
    uint8_t header;             /* 1: a detached header                           */
    uint8_t taken;              /* 1: this device installs it                     */
    const struct seal_component *own;           /* the same, the component itself */
    uint8_t digest[32];
    uint32_t size;
    uint32_t at;                /* offset in the package; 0: its payload is missing */
    uint32_t length;
    uint8_t version[16];        /* that the manifest states, as in a statement   */
    uint32_t key_at;            /* the key of its payload, in the buffer          */
    uint32_t key_length;
};

/* What the device brings to the question. */
struct seal_installer {
    const struct seal_product *product;
    const struct seal_crypto *crypto;
    const struct seal_anchor *anchors;          /* keys for packages              */
    uint8_t anchor_count;                       /* at most 32                     */
    uint8_t need;                               /* distinct signers               */
    uint8_t es256;                              /* SEAL_PACKAGE_ES256: 0 ESP256 alone, 1 ES256 alone, 2 both */
    uint8_t development;
    const uint8_t (*revoked)[16];
    uint8_t revoked_count;
    uint8_t trial_open;
    uint8_t fresh;                              /* 1: has never had a release     */
    uint8_t refused_count;
    const uint8_t (*refused)[32];               /* manifests that failed here     */
    uint32_t sequence;                          /* of the settled release         */
    const uint8_t *manifest_digest;             /* of its manifest; 0: none       */
    uint32_t battery;                           /* mWh; all ones: enough          */
    uint8_t authorised;                         /* 1: an update may begin now     */
    const uint8_t *free_slot;                   /* by component index             */
};

struct seal_package {
    uint8_t parts;
    uint8_t development;                        /* 1: signed by development keys   */
    uint32_t sequence;
    uint32_t manifest_length;
    uint32_t buffer_length;                     /* of manifest and install sequence, in the buffer */
    uint8_t digest[32];                         /* of the manifest                */
    struct seal_part part[SEAL_PARTS_MAX];
};

/* Judges envelope, signature and manifest, and finds what this device installs. The
 * manifest and its install sequence are copied into buffer once, and read from there.
 * SEAL_ACCEPTED, or the code of the first finding; SEAL_RULES_OUTSIDE_PROFILE for
 * what imgseal pack never makes. The images are judged by seal_judge, each where it
 * ends up. */
uint32_t seal_read_package(const struct seal_installer *device, const struct seal_reader *file,
                           uint8_t *buffer, uint32_t room, struct seal_work *work, struct seal_package *out);

/* The same for a package that comes as a stream: everything of it before its first payload, as
 * far as the caller has kept it. front holds used bytes of its start, in which are members members;
 * the content of the text, the last of them if there is one, was not kept but hashed, its head
 * included: text. On return front holds manifest and install sequence, at its start, as the buffer above.
 * Parts that the device installs are taken; where their payloads lie, and what is in them, is
 * still open. */
uint32_t seal_read_front(const struct seal_installer *device, uint8_t *front, uint32_t used, uint32_t members,
                         const uint8_t text[32], struct seal_work *work, struct seal_package *out);

#ifdef SEAL_PATCHES
/* Whether one of a device's anchors has signed what a wrapper says, and whether that is the digest of a manifest, of which
 * both lie in a file: where they begin, heads included, and how long they are, one after the other. */
uint32_t seal_check_wrapper(const struct seal_installer *device, const struct seal_reader *file, const uint32_t at[4],
                            struct seal_work *work, struct seal_package *out);
#endif

/* The head of a CBOR item of which so many bytes are there: how many it has, 9 for a number of 64 bits, 0 when it is not
 * the shortest one or is none. *value is its number, length or count where all of it is there. */
uint32_t seal_head(const uint8_t *at, uint32_t there, uint32_t *value);

/* Whether what the manifest says of a part that begins with a header is what its statement says. */
uint32_t seal_check_layers(const struct seal_installer *device, const struct seal_package *package, const uint8_t *buffer,
                           const struct seal_part *part, const uint8_t statement[SEAL_STATEMENT_BYTES]);

#endif
