/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Judges sealed images; see seal_image.h. The order is that of the judge in
 * docs/checks.md: structure, trust, signature, identity, rules, rollback,
 * placement, digest, content. Before the signature holds, a field is used only to
 * bound the reading of the header itself.
 */
#include "seal_image.h"

/* Offsets in the statement: the byte table of docs/format/sealed-image.md. */
enum {
    AT_MAGIC = 0, AT_MAJOR = 8, AT_MINOR = 10, AT_VENDOR = 12, AT_CLASS = 28,
    AT_HARDWARE_LEAST = 44, AT_HARDWARE_MOST = 46, AT_COMPONENT = SEAL_AT_NUMBER, AT_KIND = 49,
    AT_NEEDS_COUNT = 50, AT_REVISION_LENGTH = 51, AT_VERSION = SEAL_AT_VERSION, AT_COUNTER = SEAL_AT_COUNTER,
    AT_NEED_COMPONENTS = 72, AT_NEED_LEAST = 76, AT_NEED_BELOW = 140,
    AT_REVISION = 212, AT_DIGEST_ALGORITHM = 244, AT_PAYLOAD_DIGEST = 248,
    AT_PAYLOAD_SIZE = 280, AT_LINK_ADDRESS = SEAL_AT_LINK, AT_ENTRY_OFFSET = SEAL_AT_ENTRY,
    AT_HEADER_BLOCK = 292, AT_STATEMENT_LENGTH = 294, AT_FLAGS = SEAL_AT_FLAGS,
    AT_SIGNATURES = 300, SIGNATURE_STRIDE = 24, AT_RESERVED = 372, RESERVED_BYTES = 12
};

enum { KIND_CODE = 1, KIND_DATA = 2, FLAG_DEVELOPMENT = 1, FLAG_DETACHED = 2 };

#define SHA256_NUMBER 0xFFFFFFF0u   /* COSE -16 */
#define ESP256_NUMBER 0xFFFFFFF7u   /* COSE -9  */
#define ML_DSA_44_NUMBER 0xFFFFFFD0u /* COSE -48 */
#define HEADER_STEP 128u

const uint8_t seal_magic[8] = { 0xD5, 'i', 'm', 'g', 's', 'e', 'a', 'l' };

/* Order n of P-256, SP 800-186 section 3.2.1.3. */
static const uint8_t order[32] = {
    0xFF, 0xFF, 0xFF, 0xFF, 0x00, 0x00, 0x00, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF,
    0xBC, 0xE6, 0xFA, 0xAD, 0xA7, 0x17, 0x9E, 0x84, 0xF3, 0xB9, 0xCA, 0xC2, 0xFC, 0x63, 0x25, 0x51
};

/* Everything a judgement needs, so that checks take one argument. */
struct judgement {
    const struct seal_product *product;
    const struct seal_state *state;
    const struct seal_crypto *crypto;
    const struct seal_subject *subject;
    struct seal_work *work;
    const struct seal_component *component;     /* 0 until identity is known     */
    uint32_t component_index;
    uint32_t trusted[SEAL_SIGNATURES];          /* anchor of each signature + 1  */
    volatile uint32_t proof[SEAL_SIGNATURES];   /* SEAL_VERIFIED for those that verify */
    volatile uint32_t said;                     /* what the checks have said, added up */
    uint32_t header_only;
    uint32_t digest[8];                         /* of the payload                */
    uint32_t run_slot;                          /* by link address; 2: none      */
    /* of a statement whose structure holds */
    uint32_t header_block, values_end, size, link, detached;
    const struct seal_reader *payload;          /* where the payload lies, and at which offset */
    uint32_t start;
};

/* -- bytes ----------------------------------------------------------------------- */

static uint32_t word16(const uint8_t *p)
{
    return (uint32_t)p[0] | (uint32_t)p[1] << 8;
}

static uint32_t word32(const uint8_t *p)
{
    return word16(p) | word16(p + 2) << 16;
}

/* 1 when every byte has the value, else 0. */
static int all(const uint8_t *p, size_t length, uint8_t value)
{
    uint32_t other = 0;
    size_t i;

    for (i = 0; i < length; i++)
        other |= (uint32_t)(p[i] ^ value);
    return other == 0;
}

uint32_t seal_differ(const uint8_t *a, const uint8_t *b, size_t length)
{
    uint32_t other = 0;
    volatile size_t i;  /* so that it is seen below how far the loop came */

    for (i = 0; i < length; i++)
        other |= (uint32_t)(a[i] ^ b[i]);
    return other | (uint32_t)(i ^ length);
}

uint32_t seal_refusal(uint32_t code)
{
    volatile uint32_t said = code;

    if (said == SEAL_ACCEPTED)
        return SEAL_DEVICE_NOT_RUN;
    return code;
}

/* Versions are four little-endian words whose order is theirs. Negative, 0 or positive. */
static int compare_version(const uint8_t *a, const uint8_t *b)
{
    unsigned i;

    for (i = 0; i < 16; i += 4) {
        uint32_t left = word32(a + i), right = word32(b + i);
        if (left != right)
            return left < right ? -1 : 1;
    }
    return 0;
}

/* 1 when a version is below the first excluded one; all zeros exclude none. */
static int is_below(const uint8_t *version, const uint8_t *below)
{
    return all(below, 16, 0) || compare_version(version, below) < 0;
}

/* A stage word: 255 and all ones for a release; else 1, 2 or 3 and a number. */
static int is_version(const uint8_t *p)
{
    uint32_t stage = p[15], number = word32(p + 12) & 0xFFFFFFu;

    if (stage == 255)
        return number == 0xFFFFFFu;
    return stage >= 1 && stage <= 3 && number != 0xFFFFFFu;
}

/* Fields of the statement by offset; the offsets are even. Halved, they fit the
 * immediate operand of a Thumb instruction. */
static uint32_t half_word(const struct judgement *j, uint32_t half)
{
    return word16(j->work->statement + 2 * half);
}

static uint32_t word(const struct judgement *j, uint32_t half)
{
    return word32(j->work->statement + 2 * half);
}

#define GET16(j, at) half_word(j, (at) / 2u)
#define GET32(j, at) word(j, (at) / 2u)

static const uint8_t *signature_slot(const struct judgement *j, uint32_t index)
{
    return j->work->statement + AT_SIGNATURES + SIGNATURE_STRIDE * index;
}

/* -- structure ------------------------------------------------------------------- */

static uint32_t check_needs(const uint8_t *s)
{
    uint32_t count = s[AT_NEEDS_COUNT], i;

    for (i = 0; i < count; i++) {
        const uint8_t *least = s + AT_NEED_LEAST + 16 * i;
        const uint8_t *below = s + AT_NEED_BELOW + 16 * i;
        if (s[AT_NEED_COMPONENTS + i] == s[AT_COMPONENT])
            return SEAL_STRUCTURE_FIELD_INVALID;
        if (i > 0 && s[AT_NEED_COMPONENTS + i] <= s[AT_NEED_COMPONENTS + i - 1])
            return SEAL_STRUCTURE_FIELD_INVALID;
        if (!is_version(least) || (!all(below, 16, 0) && !is_version(below)) || !is_below(least, below))
            return SEAL_STRUCTURE_FIELD_INVALID;
    }
    if (!all(s + AT_NEED_COMPONENTS + count, SEAL_NEEDS - count, 0)
        || !all(s + AT_NEED_LEAST + 16 * count, 16 * (SEAL_NEEDS - count), 0)
        || !all(s + AT_NEED_BELOW + 16 * count, 16 * (SEAL_NEEDS - count), 0))
        return SEAL_STRUCTURE_FIELD_INVALID;
    return SEAL_ACCEPTED;
}

/* Signature slots: used ones first, each key once for an algorithm. Adds their
 * lengths to *needed. */
static uint32_t check_signature_slots(const struct judgement *j, uint32_t *needed)
{
    uint32_t i, k, ended = 0, used = 0;

    for (i = 0; i < SEAL_SIGNATURES; i++) {
        const uint8_t *slot = signature_slot(j, i);
        uint32_t algorithm = word32(slot), length = word16(slot + 20);

        if (word16(slot + 22) != 0)
            return SEAL_STRUCTURE_FIELD_INVALID;
        if (algorithm == 0) {
            if (!all(slot + 4, 16, 0) || length != 0)
                return SEAL_STRUCTURE_FIELD_INVALID;
            ended = 1;
            continue;
        }
        if (ended || length == 0 || (algorithm == ESP256_NUMBER && length != 64)
            || (algorithm == ML_DSA_44_NUMBER && length != 2420))
            return SEAL_STRUCTURE_FIELD_INVALID;
        for (k = 0; k < i; k++)
            if (seal_differ(signature_slot(j, k), slot, 20) == 0)
                return SEAL_STRUCTURE_FIELD_INVALID;
        *needed += length;
        used = 1;
    }
    return used ? SEAL_ACCEPTED : SEAL_STRUCTURE_FIELD_INVALID;
}

/* Reads the statement once; every later look is at the copy. */
static uint32_t check_header(struct judgement *j)
{
    const struct seal_reader *image = &j->subject->image;
    uint8_t *s = j->work->statement;
    uint32_t needed = SEAL_STATEMENT_BYTES, header_block, kind, size, entry;

    if (image->size < SEAL_STATEMENT_BYTES)
        return SEAL_STRUCTURE_TRUNCATED;
    if (image->read(image->user, 0, s, SEAL_STATEMENT_BYTES) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    if (seal_differ(s + AT_MAGIC, seal_magic, sizeof seal_magic) != 0)
        return SEAL_STRUCTURE_UNRECOGNISED;
    if (GET16(j, AT_MAJOR) != 1 || GET16(j, AT_MINOR) != 0)
        return SEAL_STRUCTURE_FORMAT_UNSUPPORTED;
    kind = s[AT_KIND];
    size = GET32(j, AT_PAYLOAD_SIZE);
    entry = GET32(j, AT_ENTRY_OFFSET);
    /* link + size <= 2**32, without overflow: size - 1 <= 2**32 - 1 - link */
    if (GET16(j, AT_HARDWARE_LEAST) > GET16(j, AT_HARDWARE_MOST) || s[AT_COMPONENT] == 0
        || (kind != KIND_CODE && (kind != KIND_DATA || entry != 0))
        || s[AT_NEEDS_COUNT] > SEAL_NEEDS || s[AT_REVISION_LENGTH] > 32
        || check_needs(s) != SEAL_ACCEPTED
        || !all(s + AT_REVISION + s[AT_REVISION_LENGTH], 32u - s[AT_REVISION_LENGTH], 0)
        || GET32(j, AT_DIGEST_ALGORITHM) != SHA256_NUMBER || size == 0
        || size - 1 > ~GET32(j, AT_LINK_ADDRESS) || entry >= size
        || GET16(j, AT_STATEMENT_LENGTH) != SEAL_STATEMENT_BYTES)
        return SEAL_STRUCTURE_FIELD_INVALID;
    if (GET32(j, AT_FLAGS) > (FLAG_DEVELOPMENT | FLAG_DETACHED))
        return SEAL_STRUCTURE_UNKNOWN_FLAG;
    if (check_signature_slots(j, &needed) != SEAL_ACCEPTED || !all(s + AT_RESERVED, RESERVED_BYTES, 0))
        return SEAL_STRUCTURE_FIELD_INVALID;
    header_block = GET16(j, AT_HEADER_BLOCK);
    if (header_block < SEAL_HEADER_MIN || header_block > SEAL_HEADER_MAX
        || header_block % HEADER_STEP != 0 || header_block < needed)
        return SEAL_STRUCTURE_HEADER_BLOCK;
    if (!is_version(s + AT_VERSION))
        return SEAL_STRUCTURE_FIELD_INVALID;
    if (image->size < header_block)
        return SEAL_STRUCTURE_TRUNCATED;
    j->header_block = header_block;
    j->values_end = needed;
    j->size = size;
    j->link = GET32(j, AT_LINK_ADDRESS);
    j->detached = GET32(j, AT_FLAGS) & FLAG_DETACHED;
    j->start = j->detached ? 0 : header_block;
    j->payload = j->detached ? &j->subject->payload : image;
    return SEAL_ACCEPTED;
}

/* Sees that a stretch reads as erased flash of this kind; where that is anything, there is nothing to see. */
static uint32_t check_erased(struct judgement *j, const struct seal_reader *reader, uint32_t at,
                             uint32_t end, uint32_t erased)
{
    while (at < end && erased != SEAL_UNREADABLE) {
        uint32_t part = end - at < sizeof j->work->piece ? end - at : (uint32_t)sizeof j->work->piece;
        if (reader->read(reader->user, at, j->work->piece, part) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        if (!all(j->work->piece, part, (uint8_t)erased))
            return SEAL_CONTENT_REST_NOT_ERASED;
        at += part;
    }
    return SEAL_ACCEPTED;
}

/* Sees that the block is erased behind the signature values. */
static uint32_t check_block(struct judgement *j)
{
    uint32_t code = check_erased(j, &j->subject->image, j->values_end, j->header_block, 0xFF);

    return code == SEAL_CONTENT_REST_NOT_ERASED ? (uint32_t)SEAL_STRUCTURE_FILL_NOT_ERASED : code;
}

static uint32_t check_extent(struct judgement *j)
{
    const struct seal_reader *payload = j->payload;
    uint32_t room;

    if (j->subject->where == SEAL_FILE && j->detached && j->subject->image.size > j->header_block)
        return SEAL_STRUCTURE_BYTES_AFTER_PAYLOAD;
    if (payload->read == 0)
        return SEAL_STRUCTURE_PAYLOAD_MISSING;
    room = payload->size - j->start;    /* check_header has seen the whole block */
    if (room < j->size)
        return SEAL_STRUCTURE_TRUNCATED;
    if (j->subject->where == SEAL_FILE && room > j->size)
        return SEAL_STRUCTURE_BYTES_AFTER_PAYLOAD;
    return SEAL_ACCEPTED;
}

/* -- trust and signature ------------------------------------------------------------ */

static int is_revoked(const struct judgement *j, const uint8_t *key_id)
{
    uint32_t i;

    for (i = 0; i < j->state->revoked_count; i++)
        if (seal_differ(j->state->revoked[i], key_id, 16) == 0)
            return 1;
    return 0;
}

/* The kind of key that a slot's algorithm is for; 0: the slot is skipped. */
static uint32_t kind_of(const struct judgement *j, uint32_t algorithm)
{
    uint32_t kind = algorithm == ESP256_NUMBER ? SEAL_KIND_P256 : 0;

#ifdef SEAL_ML_DSA_44
    if (algorithm == ML_DSA_44_NUMBER && j->crypto->verify_ml_dsa_44 != 0)
        kind = SEAL_KIND_ML_DSA_44;
    kind &= j->product->kinds;
#else
    (void)j;
#endif
    return kind;
}

/* The anchor of a kind that a key identifier names, + 1; 0 when there is none. */
static uint32_t find_anchor(const struct judgement *j, const uint8_t *key_id, uint32_t kind)
{
    uint32_t i;

    for (i = 0; i < j->product->anchor_count; i++)
        if ((!j->product->anchors[i].development || j->state->development)
            && SEAL_KIND_OF(&j->product->anchors[i]) == kind
            && seal_differ(j->product->anchors[i].key_id, key_id, 16) == 0)
            return i + 1;
    return 0;
}

/* Sees that each kind that has to be there is, with enough keys: signers by kind. A
 * kind that is 0 in the product counts as P-256, so that nothing is never enough. */
static uint32_t check_signers(const struct judgement *j, const uint32_t *signers, uint32_t unknown, uint32_t need)
{
    uint32_t i;

    for (i = 0; i < SEAL_KINDS; i++) {
        uint32_t count = signers[SEAL_MUST_VERIFY(j->product, i) == SEAL_KIND_ML_DSA_44];
        if (SEAL_KINDS > 1 && count == 0 && (unknown & SEAL_MUST_VERIFY(j->product, i)) != 0)
            return SEAL_TRUST_UNKNOWN_KEY;
        if (count < need)
            return SEAL_TRUST_TOO_FEW_SIGNATURES;
    }
    return SEAL_ACCEPTED;
}

/* Which signatures count is the product's policy; the image only names keys. A slot
 * of another algorithm is skipped, so that newer images can carry one more. */
static uint32_t check_trust(struct judgement *j)
{
    const struct seal_anchor *first = 0;
    uint32_t i, ours = 0, unknown = 0, bad = SEAL_ACCEPTED, signers[SEAL_KINDS] = { 0 };

    j->component = 0;
    for (i = 0; i < j->product->component_count; i++)
        if (j->product->components[i].number == j->work->statement[AT_COMPONENT]) {
            j->component = &j->product->components[i];
            j->component_index = i;
        }
    for (i = 0; i < SEAL_SIGNATURES; i++) {
        const uint8_t *slot = signature_slot(j, i);
        uint32_t anchor, kind = kind_of(j, word32(slot));

        j->trusted[i] = 0;
        if (kind == 0)
            continue;
        ours++;
        anchor = find_anchor(j, slot + 4, kind);
        if (anchor == 0) {
            unknown |= kind;
            continue;
        }
        if (is_revoked(j, slot + 4)) {
            if (bad == SEAL_ACCEPTED)
                bad = SEAL_TRUST_KEY_REVOKED;
        } else if (j->component == 0
                       ? j->product->anchors[anchor - 1].components != 0xFFFFFFFFu
                       : (j->product->anchors[anchor - 1].components >> j->component_index & 1) == 0) {
            if (bad == SEAL_ACCEPTED)
                bad = SEAL_TRUST_KEY_NOT_FOR_THIS;
        } else {
            j->trusted[i] = anchor;
            signers[kind - 1]++;
            if (first == 0)
                first = &j->product->anchors[anchor - 1];
        }
    }
    if (ours == 0)
        return SEAL_TRUST_ALGORITHM_NOT_ALLOWED;
    if (bad != SEAL_ACCEPTED)
        return bad;
    if (first == 0)
        return SEAL_TRUST_UNKNOWN_KEY;
    return check_signers(j, signers, unknown, first->development ? 1u : j->product->need);
}

int seal_is_in_group(const uint8_t *p)
{
    uint32_t i;

    if (all(p, 32, 0))
        return 0;
    for (i = 0; i < 32; i++)
        if (p[i] != order[i])
            return p[i] < order[i];
    return 0;
}

/* Reads the value at an offset and verifies it by the anchor's key. */
static uint32_t check_signature(const struct judgement *j, const struct seal_anchor *anchor, uint32_t at,
                                const uint8_t *digest)
{
    const struct seal_reader *image = &j->subject->image;
    uint8_t *value = j->work->signature;

#ifdef SEAL_ML_DSA_44
    if (anchor->ml_dsa_44 != 0) {
        if (image->read(image->user, at, value, SEAL_SIGNATURE_MAX) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        return j->crypto->verify_ml_dsa_44(anchor->ml_dsa_44, j->work->statement, SEAL_STATEMENT_BYTES, value);
    }
#endif
    if (image->read(image->user, at, value, 64) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    if (!seal_is_in_group(value) || !seal_is_in_group(value + 32))
        return SEAL_SIGNATURE_MALFORMED;
    return j->crypto->verify(anchor->x, anchor->y, digest, value);
}

static uint32_t check_signatures(struct judgement *j)
{
    uint8_t digest[32];
    uint32_t i, code, at = SEAL_STATEMENT_BYTES;

#ifdef SEAL_BOOT_MARK
    if (j->state->marked == SEAL_MARKED) {
        for (i = 0; i < SEAL_SIGNATURES; i++)
            j->proof[i] = SEAL_MARKED;
        return SEAL_MARKED;
    }
#endif
    j->crypto->sha256_begin(j->work->hash.bytes);
    j->crypto->sha256_add(j->work->hash.bytes, j->work->statement, SEAL_STATEMENT_BYTES);
    j->crypto->sha256_end(j->work->hash.bytes, digest);
    for (i = 0; i < SEAL_SIGNATURES; at += word16(signature_slot(j, i) + 20), i++) {
        const struct seal_anchor *anchor;

        j->proof[i] = SEAL_DEVICE_NOT_RUN;
        if (j->trusted[i] == 0)
            continue;
        anchor = &j->product->anchors[j->trusted[i] - 1];
        j->proof[i] = check_signature(j, anchor, at, digest);
        code = j->proof[i];
        if (code == SEAL_DEVICE_UNREADABLE || code == SEAL_SIGNATURE_MALFORMED)
            return code;
        /* by the key that the slot names */
        j->proof[i] -= seal_differ(anchor->key_id, signature_slot(j, i) + 4, 16);
        if (j->proof[i] != SEAL_VERIFIED)
            return SEAL_SIGNATURE_DOES_NOT_VERIFY;
    }
    return SEAL_ACCEPTED;
}

#ifdef SEAL_BOOT_MARK
#define PROVEN(j) ((j)->state->marked == SEAL_MARKED ? (uint32_t)SEAL_MARKED : (uint32_t)SEAL_VERIFIED)
#define LEFT_OUT(code) ((code) == SEAL_MARKED)
#else
#define PROVEN(j) SEAL_VERIFIED
#define LEFT_OUT(code) 0
#endif

/* Once more, of what has been verified: SEAL_ACCEPTED comes out when every signature that
 * counts holds, and there is one. Nothing is decided here that a skipped branch could turn. */
static uint32_t check_verified(struct judgement *j)
{
    uint32_t i, code = SEAL_ACCEPTED, wanted = 0;

    for (i = 0; i < SEAL_SIGNATURES; i++)
        if (j->trusted[i] != 0) {
            code += j->proof[i] - PROVEN(j);
            wanted++;
        }
    return wanted != 0 ? code : (uint32_t)SEAL_SIGNATURE_DOES_NOT_VERIFY;
}

/* -- identity, rules, rollback --------------------------------------------------------- */

static uint32_t check_identity(struct judgement *j)
{
    const uint8_t *s = j->work->statement;

    if (seal_differ(s + AT_VENDOR, j->product->vendor_id, 16) != 0)
        return SEAL_IDENTITY_WRONG_VENDOR;
    if (seal_differ(s + AT_CLASS, j->product->class_id, 16) != 0)
        return SEAL_IDENTITY_WRONG_CLASS;
    if (GET16(j, AT_HARDWARE_LEAST) > j->state->hardware_least
        || GET16(j, AT_HARDWARE_MOST) < j->state->hardware_most)
        return SEAL_IDENTITY_WRONG_HARDWARE;
    if (j->component == 0)
        return SEAL_IDENTITY_UNKNOWN_COMPONENT;
    if (s[AT_KIND] != j->component->kind)
        return SEAL_IDENTITY_WRONG_KIND;
    return SEAL_ACCEPTED;
}

/* The run slot whose payload address is the link address; 2 when there is none. */
static uint32_t slot_of(const struct judgement *j)
{
    uint32_t i, header = j->detached ? 0 : j->component->header_block;

    for (i = 0; i < j->component->run_slots; i++)
        if (j->link == j->component->run[i].base + header)
            return i;
    return 2;
}

static uint32_t check_needs_met(const struct judgement *j)
{
    const uint8_t *s = j->work->statement;
    uint32_t i, k;

    for (i = 0; i < s[AT_NEEDS_COUNT]; i++) {
        const struct seal_version *found = 0, *known = j->state->versions;

        for (k = 0; k < j->state->version_count; k++, known++)
            if (known->component == s[AT_NEED_COMPONENTS + i])
                found = known;
        if (found == 0) {
            if (j->state->whole_set)
                return SEAL_RULES_REQUIREMENT_NOT_MET;
            continue;
        }
        if (compare_version(found->bytes, s + AT_NEED_LEAST + 16 * i) < 0
            || !is_below(found->bytes, s + AT_NEED_BELOW + 16 * i))
            return SEAL_RULES_REQUIREMENT_NOT_MET;
    }
    return SEAL_ACCEPTED;
}

static uint32_t check_rules(struct judgement *j)
{
    const uint8_t *s = j->work->statement;
    uint32_t i, code, flagged = GET32(j, AT_FLAGS) & FLAG_DEVELOPMENT;

    if (flagged && !j->state->development)
        return SEAL_RULES_DEVELOPMENT_IMAGE;
    for (i = 0; i < SEAL_SIGNATURES; i++)
        if (j->trusted[i] != 0 && j->product->anchors[j->trusted[i] - 1].development && !flagged)
            return SEAL_RULES_DEVELOPMENT_MIXED;
    j->run_slot = slot_of(j);
    if (s[AT_KIND] == KIND_CODE && j->run_slot < 2 && !j->product->external_code
        && !j->component->run[j->run_slot].trusted)
        return SEAL_RULES_EXTERNAL_CODE;
    code = check_needs_met(j);
    if (code != SEAL_ACCEPTED)
        return code;
    if (j->subject->where == SEAL_WAITING_SLOT)
        return SEAL_RULES_NO_PACKAGE;
    return SEAL_ACCEPTED;
}

static uint32_t check_rollback(struct judgement *j)
{
    const struct seal_component *c = j->component;
    uint32_t least = 0xFFFFFFFFu, counter = GET32(j, AT_COUNTER);

    if (j->state->counter(j->state->user, c->number, &least) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    if (counter < least)
        return SEAL_ROLLBACK_COUNTER_TOO_LOW;
    if (counter > c->counter_most || (least != 0 && counter - least > c->counter_jump))
        return SEAL_ROLLBACK_COUNTER_OUT_OF_REACH;
    return SEAL_ACCEPTED;
}

/* -- placement ------------------------------------------------------------------------- */

static uint32_t check_placement(const struct judgement *j)
{
    const struct seal_component *c = j->component;
    const struct seal_slot *slot;

    if (j->header_block != c->header_block)
        return SEAL_PLACEMENT_HEADER_BLOCK;
    if ((j->detached != 0) != (c->detached != 0) || j->run_slot >= 2)
        return SEAL_PLACEMENT_WRONG_ADDRESS;
    slot = &c->run[j->run_slot];
    if (j->size > slot->size - j->start)
        return SEAL_PLACEMENT_LARGER_THAN_SLOT;
    if (j->subject->where != SEAL_FILE) {
        const struct seal_component *own = &j->product->components[j->subject->component];
        const struct seal_slot *lies = &own->run[j->subject->run_slot];

        if (j->payload->size != lies->size)
            return SEAL_PLACEMENT_DUMP_SIZE;
        if (lies->base != slot->base)
            return SEAL_PLACEMENT_WRONG_SLOT;
    }
    return SEAL_ACCEPTED;
}

/* -- digest and content ------------------------------------------------------------------ */

static uint32_t check_digest(struct judgement *j)
{
    if (j->header_only == SEAL_HEADER_ONLY)
        return SEAL_ACCEPTED;
    if (seal_differ((const uint8_t *)j->digest, j->work->statement + AT_PAYLOAD_DIGEST, 32) != 0)
        return SEAL_DIGEST_PAYLOAD;
    return SEAL_ACCEPTED;
}

static uint32_t check_payload(struct judgement *j)
{
    uint32_t at = 0, size = j->size;
    const struct seal_reader *payload = j->payload;

    j->crypto->sha256_begin(j->work->hash.bytes);
    while (at < size) {
        uint32_t part = size - at < sizeof j->work->piece ? size - at : (uint32_t)sizeof j->work->piece;
        if (payload->read(payload->user, j->start + at, j->work->piece, part) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        j->crypto->sha256_add(j->work->hash.bytes, j->work->piece, part);
        at += part;
    }
    j->crypto->sha256_end(j->work->hash.bytes, (uint8_t *)j->digest);
    return check_digest(j);
}

static int in_ram(const struct judgement *j, uint32_t stack)
{
    uint32_t i;

    for (i = 0; i < j->product->ram_count; i++)
        if (stack > j->product->ram[i].base && stack - j->product->ram[i].base <= j->product->ram[i].size)
            return 1;
    return 0;
}

static uint32_t check_vectors(struct judgement *j)
{
    uint32_t entry = GET32(j, AT_ENTRY_OFFSET), stack, reset;

    if (j->component->kind != KIND_CODE)
        return SEAL_ACCEPTED;
    if (j->component->vector_alignment != 0 && (j->link + entry) % j->component->vector_alignment != 0)
        return SEAL_CONTENT_VECTOR_TABLE;
    if (j->size - entry < 4u * j->component->vectors)
        return SEAL_CONTENT_VECTOR_TABLE;
    if (j->payload->read(j->payload->user, j->start + entry, j->work->piece, 8) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    stack = word32(j->work->piece);
    reset = word32(j->work->piece + 4);
    if (stack % 8 != 0 || !in_ram(j, stack))
        return SEAL_CONTENT_STACK_POINTER;
    if ((reset & 1) == 0 || reset - 1 - j->link >= j->size)
        return SEAL_CONTENT_RESET_VECTOR;
    return SEAL_ACCEPTED;
}

static uint32_t check_rest(struct judgement *j)
{
    const struct seal_slot *lies = &j->component->run[j->run_slot], *header = &j->component->header[j->run_slot];
    uint32_t code = SEAL_ACCEPTED;

    if (j->subject->where == SEAL_FILE)
        return SEAL_ACCEPTED;
    if (j->detached)
        code = check_erased(j, &j->subject->image, j->header_block, j->subject->image.size, header->erased);
    if (code == SEAL_ACCEPTED)
        code = check_erased(j, j->payload, j->start + j->size, j->payload->size, lies->erased);
    return code;
}

/* -- the judgement ------------------------------------------------------------------------ */

typedef uint32_t (*header_check)(struct judgement *j);

static uint32_t rollback_and_placement(struct judgement *j)
{
    uint32_t code = check_rollback(j);

    return code == SEAL_ACCEPTED ? check_placement(j) : code;
}

/* Every check that is no matter of form runs twice: an instruction that is skipped is
 * skipped in one of them. What takes long, verifying and hashing, runs once, and what came
 * of it is looked at again. */
#define OF_HEADER 8u
#define OF_PAYLOAD 3u
#define AGAIN 6u
static const header_check checks[OF_HEADER + OF_PAYLOAD + AGAIN] = {
    check_header, check_block, check_extent, check_trust, check_signatures, check_identity,
    check_rules, rollback_and_placement,
    check_payload, check_vectors, check_rest,
    check_digest, check_trust, check_verified, check_identity, check_rules, rollback_and_placement
};

/* Runs checks in order. What they say is added up before it is looked at: the sum tells
 * of each check that was skipped, and of each no that was passed over. */
static uint32_t run(struct judgement *j, uint32_t first, uint32_t count)
{
    uint32_t code = SEAL_DEVICE_NOT_RUN;

    for (; count != 0; count--) {
        code = checks[first++](j);
        j->said += code;
        if (code != SEAL_ACCEPTED && !LEFT_OUT(code))
            break;
    }
    return code;
}

/* So that the sum is SEAL_ACCEPTED when so many checks have said it. */
#define SAID_BEFORE(count) (0u - ((count) - 1u) * SEAL_ACCEPTED)

uint32_t seal_judge(const struct seal_product *product, const struct seal_state *state,
                    const struct seal_crypto *crypto, const struct seal_subject *subject,
                    uint32_t header_only, struct seal_work *work, struct seal_header *header)
{
    struct judgement j;
    uint32_t code, i;

    j.product = product;
    j.state = state;
    j.crypto = crypto;
    j.subject = subject;
    j.work = work;
    j.run_slot = 2;
    j.digest[0] = 0;    /* none, until one was computed */
    j.header_only = header_only;
    j.said = header_only == SEAL_HEADER_ONLY ? SAID_BEFORE(OF_HEADER + AGAIN) : SAID_BEFORE(OF_HEADER + OF_PAYLOAD + AGAIN);
    code = run(&j, 0, OF_HEADER);
    if (code == SEAL_ACCEPTED && header_only != SEAL_HEADER_ONLY)
        code = run(&j, OF_HEADER, OF_PAYLOAD);
    if (code == SEAL_ACCEPTED)
        code = run(&j, OF_HEADER + OF_PAYLOAD, AGAIN);
    if (code != SEAL_ACCEPTED)
        return seal_refusal(code);
    for (i = 0; i < sizeof header->version; i++)
        header->version[i] = work->statement[AT_VERSION + i];
    header->counter = GET32(&j, AT_COUNTER);
    header->payload_size = j.size;
    header->link_address = j.link;
    header->entry_offset = GET32(&j, AT_ENTRY_OFFSET);
    header->header_block = (uint16_t)j.header_block;
    header->component = work->statement[AT_COMPONENT];
    header->detached = (uint8_t)(j.detached != 0);
    header->development = (uint8_t)(GET32(&j, AT_FLAGS) & FLAG_DEVELOPMENT);
    header->whole = header_only != SEAL_HEADER_ONLY;
    if (j.said != SEAL_GOOD(state))
        return SEAL_DEVICE_NOT_RUN;
    return j.said;
}
