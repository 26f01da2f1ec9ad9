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
    AT_REVISION = 212, AT_DIGEST_ALGORITHM = 244, AT_PAYLOAD_DIGEST = SEAL_AT_DIGEST,
    AT_PAYLOAD_SIZE = SEAL_AT_SIZE, AT_LINK_ADDRESS = SEAL_AT_LINK, AT_ENTRY_OFFSET = SEAL_AT_ENTRY,
    AT_HEADER_BLOCK = 292, AT_STATEMENT_LENGTH = 294, AT_FLAGS = SEAL_AT_FLAGS,
    AT_SIGNATURES = 300, SIGNATURE_STRIDE = 24, AT_RESERVED = 372, RESERVED_BYTES = 12, REVISION_BYTES = 32
};

enum { KIND_CODE = 1, KIND_DATA = 2, FLAG_DEVELOPMENT = 1 };

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
    uint32_t accepted;                          /* SEAL_ACCEPTED: shorter from here than as a constant */
    const uint8_t *s;                           /* the statement in work         */
    const struct seal_component *component;     /* 0 until identity is known     */
    const struct seal_anchor *trusted[SEAL_SIGNATURES]; /* of each signature     */
    volatile uint32_t proof[SEAL_SIGNATURES];   /* SEAL_VERIFIED for those that verify */
    volatile uint32_t said;                     /* what the checks have said, added up */
    volatile uint32_t header_only;
    uint32_t digest[8];                         /* of the payload                */
    const struct seal_slot *slot;               /* by link address; 0: none      */
    /* of a statement whose structure holds */
    uint32_t header_block, values_end, size, link, entry, detached, counter;
    const struct seal_reader *payload;          /* where the payload lies, and at which offset */
    uint32_t start;
};

/* -- bytes ----------------------------------------------------------------------- */

uint32_t seal_get16(const uint8_t *p)
{
    return (uint32_t)p[0] | (uint32_t)p[1] << 8;
}

uint32_t seal_get32(const uint8_t *p)
{
    return seal_get16(p) | seal_get16(p + 2) << 16;
}

void seal_put32(uint8_t *p, uint32_t value)
{
    unsigned i;

    for (i = 0; i < 4; i++, value >>= 8)
        p[i] = (uint8_t)value;
}

void seal_move(uint8_t *to, const uint8_t *from, uint32_t length)
{
    while (length-- != 0)
        *to++ = *from++;
}

void seal_clear(uint8_t *to, uint32_t length)
{
    while (length-- != 0)
        *to++ = 0;
}

int seal_is_zero(const uint8_t *p, uint32_t length)
{
    uint32_t any = 0;

    while (length-- != 0)
        any |= *p++;
    return any == 0;
}

uint32_t seal_read_ram(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    seal_move(to, (const uint8_t *)user + offset, length);
    return SEAL_READ;
}

void seal_sha256(const struct seal_crypto *crypto, struct seal_work *work, const uint8_t *data, uint32_t length,
                 uint8_t digest[32])
{
    void *state = work->hash.bytes;

    crypto->sha256_begin(state);
    crypto->sha256_add(state, data, length);
    crypto->sha256_end(state, digest);
}

uint32_t seal_read_through(void (*add)(void *state, const uint8_t *data, size_t length), struct seal_work *work,
                           const struct seal_reader *from, uint32_t at, uint32_t length)
{
    uint32_t part;

    for (; length != 0; length -= part, at += part) {
        part = length < sizeof work->piece ? length : (uint32_t)sizeof work->piece;
        if (from->read(from->user, at, work->piece, part) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        add(work->hash.bytes, work->piece, part);
    }
    return SEAL_READ;
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
        uint32_t left = seal_get32(a + i), right = seal_get32(b + i);
        if (left != right)
            return left < right ? -1 : 1;
    }
    return 0;
}

/* 1 when a version is below the first excluded one; all zeros exclude none. */
static int is_below(const uint8_t *version, const uint8_t *below)
{
    return seal_is_zero(below, 16) || compare_version(version, below) < 0;
}

/* The last four bytes: all ones for a release; else a number, not all ones, and a stage of 1, 2 or 3. */
static int is_version(const uint8_t *p)
{
    int ones = (p[12] & p[13] & p[14]) == 0xFF;

    if (p[15] == 0xFF)
        return ones;
    return !ones && p[15] - 1u < 3u;
}

/* 1 when nothing stands behind the bytes that are used. */
static int is_free(const uint8_t *p, uint32_t used, uint32_t room)
{
    return seal_is_zero(p + used, room - used);
}

/* A word of the statement by its offset, which is even: halved, it fits the immediate operand of
 * a Thumb instruction. Of two fields that share a word the first is LOW and the second HIGH. */
static uint32_t word(const struct judgement *j, uint32_t half)
{
    return seal_get32(j->s + 2 * half);
}

#define GET32(j, at) word(j, (at) / 2u)
#define LOW(word) ((word) & 0xFFFFu)
#define HIGH(word) ((word) >> 16)

static const uint8_t *signature_slot(const struct judgement *j, uint32_t index)
{
    return j->s + AT_SIGNATURES + SIGNATURE_STRIDE * index;
}

/* -- structure ------------------------------------------------------------------- */

/* Reads the statement once; every later look is at the copy. */
static uint32_t check_header(struct judgement *j)
{
    const struct seal_reader *image = &j->subject->image;
    uint8_t *s = j->work->statement;

    if (image->size < SEAL_STATEMENT_BYTES)
        return SEAL_STRUCTURE_TRUNCATED;
    if (image->read(image->user, 0, s, SEAL_STATEMENT_BYTES) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    if (seal_differ(s + AT_MAGIC, seal_magic, sizeof seal_magic) != 0)
        return SEAL_STRUCTURE_UNRECOGNISED;
    if (GET32(j, AT_MAJOR) != 1)    /* and no minor */
        return SEAL_STRUCTURE_FORMAT_UNSUPPORTED;
    return j->accepted;
}

static uint32_t check_fields(struct judgement *j)
{
    const uint8_t *s = j->s;
    uint32_t hardware = GET32(j, AT_HARDWARE_LEAST), lengths = GET32(j, AT_HEADER_BLOCK);

    j->entry = GET32(j, AT_ENTRY_OFFSET);
    j->header_block = LOW(lengths);
    j->size = GET32(j, AT_PAYLOAD_SIZE);
    j->link = GET32(j, AT_LINK_ADDRESS);
    /* link + size <= 2**32, without overflow: size - 1 <= 2**32 - 1 - link */
    if (j->entry >= j->size || j->size - 1 > ~j->link || s[AT_COMPONENT] == 0
        || (s[AT_KIND] != KIND_CODE && (s[AT_KIND] != KIND_DATA || j->entry != 0))
        || LOW(hardware) > HIGH(hardware)
        || GET32(j, AT_DIGEST_ALGORITHM) != SHA256_NUMBER || HIGH(lengths) != SEAL_STATEMENT_BYTES
        || s[AT_REVISION_LENGTH] > REVISION_BYTES || !is_free(s + AT_REVISION, s[AT_REVISION_LENGTH], REVISION_BYTES))
        return SEAL_STRUCTURE_FIELD_INVALID;
    return j->accepted;
}

static uint32_t check_needs(struct judgement *j)
{
    const uint8_t *s = j->s, *least = s + AT_NEED_LEAST;
    uint32_t count = s[AT_NEEDS_COUNT], i, next = 0;

    if (count > SEAL_NEEDS || !is_free(s + AT_NEED_COMPONENTS, count, SEAL_NEEDS)
        || !is_free(least, 16 * count, 16 * SEAL_NEEDS) || !is_free(s + AT_NEED_BELOW, 16 * count, 16 * SEAL_NEEDS))
        return SEAL_STRUCTURE_FIELD_INVALID;
    for (i = 0; i < count; i++, least += 16) {
        const uint8_t *below = least + (AT_NEED_BELOW - AT_NEED_LEAST);
        uint32_t number = s[AT_NEED_COMPONENTS + i];

        if (number < next || number == s[AT_COMPONENT] || !is_version(least)
            || !(seal_is_zero(below, 16) || (is_version(below) && compare_version(least, below) < 0)))
            return SEAL_STRUCTURE_FIELD_INVALID;
        next = number + 1;
    }
    return j->accepted;
}

/* Signature slots: used ones first, each key once for an algorithm. Adds up their lengths. */
static uint32_t check_slots(struct judgement *j)
{
    const uint8_t *first = signature_slot(j, 0), *slot, *other;

    j->detached = GET32(j, AT_FLAGS) >> 1;     /* behind it there is no other flag */
    if (j->detached > 1)
        return SEAL_STRUCTURE_UNKNOWN_FLAG;
    j->values_end = SEAL_STATEMENT_BYTES;
    for (slot = first; slot != first + SEAL_SIGNATURES * SIGNATURE_STRIDE; slot += SIGNATURE_STRIDE) {
        uint32_t algorithm = seal_get32(slot), length = seal_get32(slot + 20);  /* and two zeros */

        if (algorithm == 0) {
            if (slot == first || !seal_is_zero(slot, SIGNATURE_STRIDE))
                return SEAL_STRUCTURE_FIELD_INVALID;
            continue;
        }
        if (length - 1 >= 0xFFFFu || (algorithm == ESP256_NUMBER && length != 64)
            || (algorithm == ML_DSA_44_NUMBER && length != 2420))
            return SEAL_STRUCTURE_FIELD_INVALID;
        for (other = first; other != slot; other += SIGNATURE_STRIDE)
            if (seal_get32(other) == 0 || seal_differ(other, slot, 20) == 0)
                return SEAL_STRUCTURE_FIELD_INVALID;
        j->values_end += length;
    }
    return seal_is_zero(slot, RESERVED_BYTES) ? j->accepted : (uint32_t)SEAL_STRUCTURE_FIELD_INVALID;
}

static uint32_t check_room(struct judgement *j)
{
    const struct seal_reader *image = &j->subject->image;
    uint32_t header_block = j->header_block;

    if (header_block - SEAL_HEADER_MIN > SEAL_HEADER_MAX - SEAL_HEADER_MIN
        || header_block % HEADER_STEP != 0 || header_block < j->values_end)
        return SEAL_STRUCTURE_HEADER_BLOCK;
    if (!is_version(j->s + AT_VERSION))
        return SEAL_STRUCTURE_FIELD_INVALID;
    if (image->size < header_block)
        return SEAL_STRUCTURE_TRUNCATED;
    j->start = header_block;
    j->payload = image;
    if (j->detached) {
        j->start = 0;
        j->payload = &j->subject->payload;
    }
    return j->accepted;
}

/* In the place of a hash: what bytes differ in from the first one of the state, in the second. */
static void compare_all(void *state, const uint8_t *data, size_t length)
{
    uint8_t *s = (uint8_t *)state;

    while (length-- != 0)
        s[1] |= (uint8_t)(*data++ ^ s[0]);
}

/* Sees that a stretch reads as erased flash of this kind; where that is anything, there is nothing to see. */
static uint32_t check_erased(struct judgement *j, const struct seal_reader *reader, uint32_t at,
                             uint32_t end, uint32_t erased)
{
    uint8_t *state = j->work->hash.bytes;

    state[0] = (uint8_t)erased;
    state[1] = 0;
    if (erased != SEAL_UNREADABLE && seal_read_through(compare_all, j->work, reader, at, end - at) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    return state[1] == 0 ? j->accepted : (uint32_t)SEAL_CONTENT_REST_NOT_ERASED;
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
    return j->accepted;
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

/* The anchor of a kind that a key identifier names; 0 when there is none. */
static const struct seal_anchor *find_anchor(const struct judgement *j, const uint8_t *key_id, uint32_t kind)
{
    const struct seal_anchor *anchor = j->product->anchors;
    uint32_t left = j->product->anchor_count;

    for (; left != 0; left--, anchor++)
        if ((!anchor->development || j->state->development) && SEAL_KIND_OF(anchor) == kind
            && seal_differ(anchor->key_id, key_id, 16) == 0)
            return anchor;
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
    return j->accepted;
}

/* Which signatures count is the product's policy; the image only names keys. A slot
 * of another algorithm is skipped, so that newer images can carry one more. */
static uint32_t check_trust(struct judgement *j)
{
    const struct seal_component *c = j->product->components;
    const struct seal_anchor *first = 0, *anchor;
    uint32_t i, ours = 0, unknown = 0, bad = 0, mask = 0xFFFFFFFFu, signers[SEAL_KINDS] = { 0 };

    j->component = 0;
    for (i = 0; i < j->product->component_count; i++, c++)
        if (c->number == j->s[AT_COMPONENT]) {
            j->component = c;
            mask = (uint32_t)1 << i;
        }
    for (i = 0; i < SEAL_SIGNATURES; i++) {
        const uint8_t *slot = signature_slot(j, i);
        uint32_t kind = kind_of(j, seal_get32(slot)), code = 0;

        j->trusted[i] = 0;
        if (kind == 0)
            continue;
        ours++;
        anchor = find_anchor(j, slot + 4, kind);
        if (anchor == 0) {
            unknown |= kind;
            continue;
        }
        if (is_revoked(j, slot + 4))
            code = SEAL_TRUST_KEY_REVOKED;
        else if ((anchor->components & mask) != mask)
            code = SEAL_TRUST_KEY_NOT_FOR_THIS;
        if (code != 0) {
            if (bad == 0)
                bad = code;
            continue;
        }
        j->trusted[i] = anchor;
        signers[kind - 1]++;
        if (first == 0)
            first = anchor;
    }
    if (ours == 0)
        return SEAL_TRUST_ALGORITHM_NOT_ALLOWED;
    if (bad != 0)
        return bad;
    if (first == 0)
        return SEAL_TRUST_UNKNOWN_KEY;
    return check_signers(j, signers, unknown, first->development ? 1u : j->product->need);
}

int seal_is_in_group(const uint8_t *p)
{
    uint32_t i;

    if (seal_is_zero(p, 32))
        return 0;
    for (i = 0; i < 32; i++)
        if (p[i] != order[i])
            return p[i] < order[i];
    return 0;
}

#ifdef SEAL_ML_DSA_44
#define SIGNATURE_BYTES(anchor) ((anchor)->ml_dsa_44 != 0 ? SEAL_SIGNATURE_MAX : 64u)
#else
#define SIGNATURE_BYTES(anchor) 64u
#endif

static uint32_t check_signatures(struct judgement *j)
{
    uint8_t digest[32];
    const struct seal_reader *image = &j->subject->image;
    uint8_t *value = j->work->signature;
    uint32_t i, at = SEAL_STATEMENT_BYTES, length;

#ifdef SEAL_BOOT_MARK
    if (j->state->marked == SEAL_MARKED) {
        for (i = 0; i < SEAL_SIGNATURES; i++)
            j->proof[i] = SEAL_MARKED;
        return SEAL_MARKED;
    }
#endif
    seal_sha256(j->crypto, j->work, j->s, SEAL_STATEMENT_BYTES, digest);
    for (i = 0; i < SEAL_SIGNATURES; i++, at += length) {
        const struct seal_anchor *anchor = j->trusted[i];
        const uint8_t *slot = signature_slot(j, i);

        length = seal_get16(slot + 20);
        j->proof[i] = SEAL_DEVICE_NOT_RUN;
        if (anchor == 0)
            continue;
        if (image->read(image->user, at, value, SIGNATURE_BYTES(anchor)) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
#ifdef SEAL_ML_DSA_44
        if (anchor->ml_dsa_44 != 0) {
            j->proof[i] = j->crypto->verify_ml_dsa_44(anchor->ml_dsa_44, j->s, SEAL_STATEMENT_BYTES, value);
        } else
#endif
        {
            if (!seal_is_in_group(value) || !seal_is_in_group(value + 32))
                return SEAL_SIGNATURE_MALFORMED;
            j->proof[i] = j->crypto->verify(anchor->x, anchor->y, digest, value);
        }
        /* by the key that the slot names */
        j->proof[i] -= seal_differ(anchor->key_id, slot + 4, 16);
        if (j->proof[i] != SEAL_VERIFIED)
            return SEAL_SIGNATURE_DOES_NOT_VERIFY;
    }
    return j->accepted;
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
    const uint8_t *s = j->s;
    uint32_t hardware = GET32(j, AT_HARDWARE_LEAST);

    if (seal_differ(s + AT_VENDOR, j->product->vendor_id, 16) != 0)
        return SEAL_IDENTITY_WRONG_VENDOR;
    if (seal_differ(s + AT_CLASS, j->product->class_id, 16) != 0)
        return SEAL_IDENTITY_WRONG_CLASS;
    if (LOW(hardware) > j->state->hardware_least || HIGH(hardware) < j->state->hardware_most)
        return SEAL_IDENTITY_WRONG_HARDWARE;
    if (j->component == 0)
        return SEAL_IDENTITY_UNKNOWN_COMPONENT;
    if (s[AT_KIND] != j->component->kind)
        return SEAL_IDENTITY_WRONG_KIND;
    return j->accepted;
}

static uint32_t check_rules(struct judgement *j)
{
    const struct seal_component *c = j->component;
    uint32_t i, flagged = GET32(j, AT_FLAGS) & FLAG_DEVELOPMENT;

    if (flagged && !j->state->development)
        return SEAL_RULES_DEVELOPMENT_IMAGE;
    for (i = 0; i < SEAL_SIGNATURES; i++)
        if (j->trusted[i] != 0 && j->trusted[i]->development && !flagged)
            return SEAL_RULES_DEVELOPMENT_MIXED;
    j->slot = 0;
    for (i = c->run_slots; i-- != 0;)
        if (j->link - (j->detached ? 0 : c->header_block) == c->run[i].base)
            j->slot = &c->run[i];
    if (c->kind == KIND_CODE && !j->product->external_code && j->slot != 0 && !j->slot->trusted)
        return SEAL_RULES_EXTERNAL_CODE;
    return j->accepted;
}

static uint32_t check_needs_met(struct judgement *j)
{
    const uint8_t *s = j->s, *least = s + AT_NEED_LEAST;
    uint32_t i, k;

    for (i = 0; i < s[AT_NEEDS_COUNT]; i++, least += 16) {
        const struct seal_version *found = 0, *known = j->state->versions;

        for (k = j->state->version_count; k != 0; k--, known++)
            if (known->component == s[AT_NEED_COMPONENTS + i])
                found = known;
        if (found == 0 ? j->state->whole_set
                       : compare_version(found->bytes, least) < 0
                         || !is_below(found->bytes, least + (AT_NEED_BELOW - AT_NEED_LEAST)))
            return SEAL_RULES_REQUIREMENT_NOT_MET;
    }
    return j->accepted;
}

static uint32_t check_rollback(struct judgement *j)
{
    const struct seal_component *c = j->component;
    uint32_t least = 0xFFFFFFFFu, counter = GET32(j, AT_COUNTER);

    j->counter = counter;
    if (j->subject->where == SEAL_WAITING_SLOT)
        return SEAL_RULES_NO_PACKAGE;
    if (j->state->counter(j->state->user, c->number, &least) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    if (counter < least)
        return SEAL_ROLLBACK_COUNTER_TOO_LOW;
    if (counter > c->counter_most || (least != 0 && counter - least > c->counter_jump))
        return SEAL_ROLLBACK_COUNTER_OUT_OF_REACH;
    return j->accepted;
}

/* -- placement ------------------------------------------------------------------------- */

static uint32_t check_placement(struct judgement *j)
{
    const struct seal_component *c = j->component;
    const struct seal_slot *slot = j->slot;

    if (j->header_block != c->header_block)
        return SEAL_PLACEMENT_HEADER_BLOCK;
    if (j->detached != c->detached || slot == 0)
        return SEAL_PLACEMENT_WRONG_ADDRESS;
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
    return j->accepted;
}

/* -- digest and content ------------------------------------------------------------------ */

static uint32_t check_digest(struct judgement *j)
{
    if (j->header_only == SEAL_HEADER_ONLY)
        return j->accepted;
    if (seal_differ((const uint8_t *)j->digest, j->s + AT_PAYLOAD_DIGEST, 32) != 0)
        return SEAL_DIGEST_PAYLOAD;
    return j->accepted;
}

static uint32_t check_payload(struct judgement *j)
{
    j->crypto->sha256_begin(j->work->hash.bytes);
    if (seal_read_through(j->crypto->sha256_add, j->work, j->payload, j->start, j->size) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    j->crypto->sha256_end(j->work->hash.bytes, (uint8_t *)j->digest);
    return check_digest(j);
}

static int in_ram(const struct judgement *j, uint32_t stack)
{
    uint32_t i;

    for (i = 0; i < j->product->ram_count; i++)
        if ((j->component->ram >> i & 1) != 0 && stack > j->product->ram[i].base
            && stack - j->product->ram[i].base <= j->product->ram[i].size)
            return 1;
    return 0;
}

static uint32_t check_vectors(struct judgement *j)
{
    uint32_t entry = j->entry, stack, reset;
    uint8_t *table = j->work->hash.bytes;

    if (j->component->kind != KIND_CODE)
        return j->accepted;
    if (j->component->vector_alignment != 0 && ((j->link + entry) & (j->component->vector_alignment - 1)) != 0)
        return SEAL_CONTENT_VECTOR_TABLE;
    if (j->size - entry < 4u * j->component->vectors)
        return SEAL_CONTENT_VECTOR_TABLE;
    if (j->payload->read(j->payload->user, j->start + entry, table, 8) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    stack = seal_get32(table);
    reset = seal_get32(table + 4);
    if (stack % 8 != 0 || !in_ram(j, stack))
        return SEAL_CONTENT_STACK_POINTER;
    if ((reset & 1) == 0 || reset - 1 - j->link >= j->size)
        return SEAL_CONTENT_RESET_VECTOR;
    return j->accepted;
}

static uint32_t check_rest(struct judgement *j)
{
    const struct seal_component *c = j->component;
    uint32_t code = SEAL_ACCEPTED;

    if (j->subject->where == SEAL_FILE)
        return j->accepted;
    if (j->detached)
        code = check_erased(j, &j->subject->image, j->header_block, j->subject->image.size, c->header[j->subject->run_slot].erased);
    if (code == SEAL_ACCEPTED)
        code = check_erased(j, j->payload, j->start + j->size, j->payload->size, j->slot->erased);
    return code;
}

/* -- the judgement ------------------------------------------------------------------------ */

typedef uint32_t (*header_check)(struct judgement *j);

/* Every check that is no matter of form runs twice: an instruction that is skipped is
 * skipped in one of them. What takes long, verifying and hashing, runs once, and what came
 * of it is looked at again. */
#define OF_HEADER 14u
#define OF_PAYLOAD 3u
#define AGAIN 8u
static const header_check checks[OF_HEADER + OF_PAYLOAD + AGAIN] = {
    check_header, check_fields, check_needs, check_slots, check_room, check_block, check_extent, check_trust, check_signatures,
    check_identity, check_rules, check_needs_met, check_rollback, check_placement,
    check_payload, check_vectors, check_rest,
    check_digest, check_trust, check_verified, check_identity, check_rules, check_needs_met, check_rollback, check_placement
};

/* So that the sum is SEAL_ACCEPTED when so many checks have said it. */
#define SAID_BEFORE(count) (0u - ((count) - 1u) * SEAL_ACCEPTED)

uint32_t seal_judge(const struct seal_product *product, const struct seal_state *state,
                    const struct seal_crypto *crypto, const struct seal_subject *subject,
                    uint32_t header_only, struct seal_work *work, struct seal_header *header)
{
    struct judgement j;
    uint32_t code, k;

    j.product = product;
    j.state = state;
    j.crypto = crypto;
    j.subject = subject;
    j.work = work;
    j.accepted = SEAL_ACCEPTED;
    j.s = work->statement;
    j.digest[0] = 0;    /* none, until one was computed */
    j.header_only = header_only;
    j.said = SAID_BEFORE(OF_HEADER + OF_PAYLOAD + AGAIN);
    /* What they say is added up before it is looked at: the sum tells of each check that was
     * skipped, and of each no that was passed over. */
    for (k = 0; k < OF_HEADER + OF_PAYLOAD + AGAIN; k++) {
        if (k - OF_HEADER < OF_PAYLOAD && header_only == SEAL_HEADER_ONLY)
            code = j.header_only + (SEAL_ACCEPTED - SEAL_HEADER_ONLY);  /* by any other value: no */
        else
            code = checks[k](&j);
        j.said += code;
        if (code != SEAL_ACCEPTED && !LEFT_OUT(code))
            return seal_refusal(code);
    }
    seal_move(header->version, j.s + AT_VERSION, sizeof header->version);
    header->counter = j.counter;
    header->payload_size = j.size;
    header->link_address = j.link;
    header->entry_offset = j.entry;
    header->header_block = (uint16_t)j.header_block;
    header->component = j.s[AT_COMPONENT];
    header->detached = (uint8_t)j.detached;
    header->development = (uint8_t)(GET32(&j, AT_FLAGS) & FLAG_DEVELOPMENT);
    header->whole = header_only != SEAL_HEADER_ONLY;
    header->judged_for = j.state;
    if (j.said != SEAL_GOOD(state))
        return SEAL_DEVICE_NOT_RUN;
    return j.said;
}
