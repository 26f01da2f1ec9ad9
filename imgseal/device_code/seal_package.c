/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Reads update packages; see seal_package.h. The profile of docs/format/package.md is closed: given the
 * list of components there is one shape for all the rest, and a package is held against the shapes below.
 * CBOR is deterministic: shortest heads, no indefinite lengths, keys ascending (RFC 8949 section 4.2.1).
 *
 * Whatever is taken apart lies in RAM: manifest and install sequence in the caller's buffer, of the rest
 * one window of the file at a time.
 */
#include "seal_package.h"

enum { UINT = 0, NEGATIVE = 1, BYTES = 2, TEXT = 3, ARRAY = 4, MAP = 5, TAG = 6, SIMPLE = 7 };  /* kinds of CBOR items */

enum { ES256 = 0x26, ESP256 = 0x28 };   /* -7 and -9 as CBOR                     */

#define COMPONENTS_MOST 32u     /* of any package                                */

/* -- shapes ------------------------------------------------------------------------------------
 * A shape is a row of CBOR items, of one or two bytes each here. A hole keeps what it meets in
 * r->hole, in their order. */

#define N(value) (value)                            /* this number, up to 31      */
#define MINUS(value) (NEGATIVE << 5 | ((value) - 1))
#define A(count) (ARRAY << 5 | (count))             /* an array or map of so many */
#define M(count) (MAP << 5 | (count))
#define HOLES 6u                                    /* 0xC0 to 0xDF; tested by shifts that leave no address of RAM behind */
#define ANY(kind) (0xC0 | (kind))                   /* hole: one of this kind     */
#define OF(kind, value) (0xD0 | (kind)), (value)    /* hole: of this value or length */
#define GIVEN 0x10u
#define INTO (0xC8 | BYTES)                         /* hole: a string whose content comes next */
#define INTO_OF(length) (0xD8 | BYTES), (length)    /* the same, of this length  */
#define LEAVE 0xCC                                  /* no item: such a string ends here */
#define EXPECTED (0xC8 | UINT)                      /* hole: the number that the caller expects */
#define INTEGER (0xC8 | NEGATIVE)                   /* hole: a number of either sign */
#define COMMAND(code) (0xE0 | (code))               /* a command's code; its argument is the next item */
#define POLICY 0xFE                                 /* a reporting policy: a number up to 15 */
#define END 0xFF

#define ALONE(parameter) COMMAND(20), M(1), N(parameter)    /* override-parameters with this one alone */
#define SHA256 A(2), MINUS(16), OF(BYTES, 32)

#define SHAPES(S) \
    /* envelope: its members, the authentication wrapper as far as the digest, and a block of it */ \
    S(envelope, OF(TAG, 107), ANY(MAP)) \
    S(member, ANY(UINT), INTO) \
    S(payload, ANY(TEXT), INTO) \
    S(wrapper, INTO, ANY(ARRAY), INTO) \
    S(digest, SHA256) \
    S(block, INTO, OF(TAG, 18), A(4), INTO, M(1), N(1), INTEGER, LEAVE, M(0), OF(SIMPLE, 22), INTO) \
    /* manifest: as far as its sequence number, the number of components, what is behind these as far as the version, and what is \
     * behind that; 9 and 23 may be missing */ \
    S(manifest, INTO, ANY(MAP), N(1), N(1), N(2), ANY(UINT)) \
    S(components, N(3), INTO, M(2), N(2), ANY(ARRAY)) \
    S(shared, N(4), ANY(BYTES), LEAVE, N(6), INTO) \
    S(validate, LEAVE, N(7), ANY(BYTES)) \
    S(start, N(9), ANY(BYTES)) \
    S(install, N(20), SHA256) \
    S(text, N(23), SHA256) \
    S(array, ANY(ARRAY)) \
    S(bytes, ANY(BYTES)) \
    S(version, ANY(ARRAY), ANY(UINT), ANY(UINT), ANY(UINT)) \
    S(stage, ANY(NEGATIVE), ANY(UINT)) \
    /* sequences */ \
    S(index, COMMAND(12), EXPECTED) \
    S(part, COMMAND(20), M(4), N(1), OF(BYTES, 16), N(2), OF(BYTES, 16), N(3), INTO_OF(36), SHA256, N(14), ANY(UINT), \
      COMMAND(1), POLICY, COMMAND(2), POLICY) \
    S(authorised, ALONE(27), INTEGER, COMMAND(27), POLICY) \
    S(charged, ALONE(26), ANY(UINT), COMMAND(26), POLICY) \
    S(slot, ALONE(5), EXPECTED, COMMAND(5), POLICY) \
    S(branches, COMMAND(15), A(2)) \
    S(fetch, ALONE(21), ANY(TEXT), COMMAND(21), POLICY, COMMAND(3), POLICY) \
    S(same, COMMAND(3), POLICY) \
    S(equal, ALONE(28), INTO, A(2), N(3)) \
    S(versions, LEAVE, COMMAND(28), POLICY) \
    S(invoke, COMMAND(23), POLICY)

#define ROOM(name, ...) uint8_t name[sizeof (const uint8_t[]){ __VA_ARGS__, END }];
#define ROW(name, ...) { __VA_ARGS__, END },
static const struct shapes { SHAPES(ROOM) } shapes = { SHAPES(ROW) };
#define SHAPE(name) ((uint32_t)offsetof(struct shapes, name))
#define HOLES_MOST 6

/* What a hole has met: the value of the item, and where its content begins. */
struct hole {
    const uint8_t *data;
    uint32_t value;
};

/* A member of the envelope: where its string begins in the file, and how long it is, its head included. */
struct member {
    uint32_t at, length;
};

/* The members of an envelope; of those behind TEXT_MEMBER the profile's manifest names none. */
enum { AUTHENTICATION, MANIFEST, INSTALL_MEMBER, TEXT_MEMBER, MEMBERS = 8 };
static const uint8_t member_keys[MEMBERS] = { 2, 3, 20, 23, 14, 15, 16, 18 };

struct reading {
    struct hole hole[HOLES_MOST];
    const struct seal_installer *device;
    const struct seal_reader *file;
    struct seal_work *work;
    struct seal_package *out;
    uint32_t members;           /* of a stream: those that file holds; WHOLE: it is all there */
    const uint8_t *text;        /* of a stream: the digest of its text           */
    struct seal_reader buffer;  /* manifest and install sequence, heads included */
    uint32_t manifest_length;   /* of it                                         */
    /* what is taken apart, and how many bytes are still to come; of a sequence, how many items; what the rest is
     * where the string ends that was gone into last */
    const uint8_t *at;
    uint32_t rest, left, inside;
    uint32_t kind, value;       /* of the item that was read last                */
    uint32_t expected;          /* what a hole EXPECTED has to meet              */
    uint32_t broken;            /* 1: an encoding rule was broken                */
    uint32_t payloads;          /* of the envelope                               */
    uint32_t more;              /* 1: of a stream: payloads come                 */
    uint32_t asked;             /* 1: the install sequence asks for authorisation */
    uint32_t hazard;            /* 1: it has to                                  */
    uint32_t battery;           /* what it asks for, mWh                         */
    uint32_t identity;          /* what the component list says                  */
    uint32_t wrong;             /* the first identifier that is not the device's; 0: none */
    struct hole shared, validate, start;
    const uint8_t *install_digest, *text_digest;
    struct member member[MEMBERS];
};

#define WHOLE 0xFFFFFFFFu
#define ONE_SIGNER 0u           /* a wrapper alone, for which one is enough      */

/* -- bytes ---------------------------------------------------------------------------- */

/* Copies a stretch of the file; 0 when it cannot be read. */
static int get(const struct reading *r, uint32_t at, uint8_t *to, uint32_t length)
{
    return r->file->read(r->file->user, at, to, length) == SEAL_READ;
}

/* 1 when an entry is in a list of such. */
static int is_listed(const uint8_t *list, uint32_t count, const uint8_t *entry, uint32_t length)
{
    for (; count-- != 0; list += length)
        if (seal_differ(list, entry, length) == 0)
            return 1;
    return 0;
}

/* Whether what lies there has this digest: SEAL_ACCEPTED, or the refusal. */
static uint32_t check_digest(struct reading *r, const struct seal_reader *from, uint32_t at, uint32_t length,
                             const uint8_t *wanted, uint32_t refusal)
{
    const struct seal_crypto *crypto = r->device->crypto;
    struct seal_work *work = r->work;
    uint8_t digest[32];

    crypto->sha256_begin(work->hash.bytes);
    if (seal_read_through(crypto->sha256_add, work, from, at, length) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    crypto->sha256_end(work->hash.bytes, digest);
    return seal_differ(digest, wanted, 32) == 0 ? (uint32_t)SEAL_ACCEPTED : refusal;
}

uint32_t seal_head(const uint8_t *at, uint32_t there, uint32_t *value)
{
    uint32_t more, bytes;

    if (there == 0)
        return 1;
    more = at[0] & 31u;
    *value = more;
    if (more < 24)
        return 1;
    if (more > 27)
        return 0;
    bytes = (uint32_t)1 << (more - 24);
    if (there > bytes && bytes < 8) {
        uint32_t k;

        for (*value = 0, k = 1; k <= bytes; k++)
            *value = *value << 8 | at[k];
        if (bytes == 1 ? *value < 24 : *value >> 4 * bytes == 0)
            return 0;
    }
    return 1 + bytes;
}

/* The next item; of a string its head alone. 0 when it is none, or has 64 bits. */
static int head(struct reading *r)
{
    uint32_t there = r->rest, used = seal_head(r->at, there, &r->value);

    if (used - 1 > 4 || used > there) {
        r->broken = used != 9;
        return 0;
    }
    r->kind = *r->at >> 5;
    r->at += used;
    r->rest -= used;
    return 1;
}

/* 1 when the next items have a shape. */
static int match(struct reading *r, uint32_t shape)
{
    const uint8_t *s = (const uint8_t *)&shapes + shape;
    struct hole *hole = r->hole;

    for (; *s != END; s++) {
        uint32_t op = *s, kind = op >> 5, value = op & 31;

        if (op == LEAVE) {
            if (r->rest != r->inside)
                return 0;
            continue;
        }
        if (op >= COMMAND(0) && op != POLICY) {
            kind = UINT;
            if (r->left < 2)
                return 0;
            r->left -= 2;
        }
        if (!head(r))
            return 0;
        if (op == POLICY) {
            kind = UINT;
            value = r->value & 15;
        } else if (kind == HOLES) {
            kind = op & 7;
            value = op & GIVEN ? *++s : r->value;
            if (op == EXPECTED)
                value = r->expected;
            if (op == INTEGER)
                kind = r->kind & 1;
            hole->data = r->at;
            hole->value = r->value;
            hole++;
        }
        if (r->kind != kind || r->value != value)
            return 0;
        if (kind == BYTES || kind == TEXT) {
            if ((op & 0x08) != 0) {
                r->inside = r->rest - value;
                continue;
            }
            if (value > r->rest) {
                r->broken = 1;
                return 0;
            }
            r->at += value;
            r->rest -= value;
        }
    }
    return 1;
}

/* The same, of items that may be missing. */
static int may_match(struct reading *r, uint32_t shape)
{
    const uint8_t *at = r->at;
    uint32_t left = r->left, rest = r->rest;

    if (match(r, shape))
        return 1;
    r->at = at;
    r->rest = rest;
    r->left = left;
    r->broken = 0;
    return 0;
}

static int match_number(struct reading *r, uint32_t shape, uint32_t expected)
{
    r->expected = expected;
    return match(r, shape);
}

/* Why a piece of the manifest cannot be read: its encoding is broken, or it is another
 * thing than the profile has there. */
static uint32_t unread(const struct reading *r)
{
    return r->broken ? SEAL_STRUCTURE_MANIFEST : SEAL_RULES_OUTSIDE_PROFILE;
}

/* -- envelope ------------------------------------------------------------------------------ */

#define WINDOW 80u              /* bytes of a payload's key, with its head and that of the payload; and of a block before its value */

/* Two windows of the file lie in the work memory. Shows in one of them what is there from an offset. */
static void show(struct reading *r, uint8_t *window, uint32_t at, uint32_t end)
{
    uint32_t length = at < end ? end - at : 0;

    if (length > WINDOW)
        length = WINDOW;
    if (!get(r, at, window, length))
        length = 0;
    r->at = window;
    r->rest = length;
}

/* 1 when a payload's key is of 1 to SEAL_KEY_MAX visible ASCII characters, of which one
 * is as good as the other for a device, and no encoding rule is left to check. */
static int is_key(const uint8_t *key, uint32_t length)
{
    if (length - 1 >= SEAL_KEY_MAX)
        return 0;
    while (length-- != 0)
        if (*key < '!' || *key++ > '~')
            return 0;
    return 1;
}

/* Gives the payload whose key and head were read last to the parts that are fetched from it; 0 when there is none. */
static int give(struct reading *r, uint32_t at)
{
    const struct hole *key = &r->hole[0];
    struct seal_part *part = r->out->part;
    uint32_t left;
    int given = 0;

    for (left = r->out->parts; left != 0; left--, part++)
        if (part->key_length == key->value
            && seal_differ((const uint8_t *)r->buffer.user + part->key_at, key->data, key->value) == 0) {
            part->at = at;
            part->length = r->hole[1].value;
            given = 1;
        }
    return given;
}

/* From end to end. Once the parts are known, they get their payloads. */
static uint32_t read_envelope(struct reading *r)
{
    const struct hole *key = &r->hole[0], *value = &r->hole[1];
    uint8_t *window = r->work->statement, *before = window + WINDOW, *other;
    uint32_t i, k, at, members, size = r->file->size;

    r->payloads = 0;
    show(r, window, 0, size);
    if (!match(r, SHAPE(envelope)))
        return SEAL_STRUCTURE_ENVELOPE;
    members = value->value;
    r->more = members > r->members;
    if (r->more)
        members = r->members;
    at = (uint32_t)(r->at - window);
    window[0] = 0;              /* in front of any key */
    for (i = 0; i < members; i++) {
        uint32_t is_text, key_length;

        other = before;
        before = window;
        window = other;
        show(r, window, at, size);
        is_text = r->rest != 0 && window[0] >> 5 == TEXT;
        if (!match(r, is_text ? SHAPE(payload) : SHAPE(member)))
            return is_text && key->value > SEAL_KEY_MAX ? SEAL_RULES_OUTSIDE_PROFILE : SEAL_STRUCTURE_ENVELOPE;
        key_length = (uint32_t)(key->data - window);
        if (is_text) {
            if (!is_key(key->data, key->value))
                return SEAL_RULES_OUTSIDE_PROFILE;
            key_length += key->value;
        }
        for (k = 0; k < key_length && window[k] == before[k]; k++)
            ;
        if (k == key_length || window[k] < before[k])
            return SEAL_STRUCTURE_ENVELOPE;
        key_length = (uint32_t)(value->data - window) - key_length;     /* of the head of its value now */
        at += (uint32_t)(value->data - window);
        if (is_text) {
            if (++r->payloads > COMPONENTS_MOST)
                return SEAL_RULES_OUTSIDE_PROFILE;
            if (r->out->parts != 0 && !give(r, at))
                return SEAL_STRUCTURE_UNSIGNED_MEMBER;
        } else {
            if (value->value > SEAL_MEMBER_MAX)
                return SEAL_STRUCTURE_ENVELOPE;
            for (k = 0; member_keys[k] != key->value; k++)
                if (k == MEMBERS - 1)
                    return SEAL_STRUCTURE_ENVELOPE;
            r->member[k].at = at - key_length;
            r->member[k].length = key_length + value->value;
        }
        /* the text of a stream was not kept */
        if (value->value > size - at && (k != TEXT_MEMBER || r->text == 0))
            return SEAL_STRUCTURE_ENVELOPE;
        at += value->value;
    }
    if ((r->text == 0 && at != size) || r->member[MANIFEST].length == 0)
        return SEAL_STRUCTURE_ENVELOPE;
    return SEAL_ACCEPTED;
}

/* -- signatures ------------------------------------------------------------------------------- */

/* A block of the wrapper: one COSE_Sign1 in its one encoding, the algorithm alone in the protected header,
 * and nothing in the other, which nobody signs. */
struct block {
    uint32_t kind;              /* of key that its algorithm is for; 0 to pass it over */
    uint32_t value, length;     /* where the signature's value lies in the file, and its length */
    uint32_t end;
    struct hole header;         /* the protected one, in the window              */
};

/* The block at an offset of the file; 0: it is none. */
static int read_block(struct reading *r, uint32_t at, uint32_t end, struct block *block)
{
    const struct hole *hole = r->hole;
    const uint8_t *window = r->work->statement, *header;
    uint32_t length, used, number;

    show(r, r->work->statement, at, end);
    if (!match(r, SHAPE(block)))
        return 0;
    length = hole[0].value;
    used = (uint32_t)(hole[5].data - hole[0].data);
    block->value = at + (uint32_t)(hole[5].data - window);
    block->length = hole[5].value;
    block->end = at + (uint32_t)(hole[0].data - window) + length;
    if (length > SEAL_BLOCK_MAX || block->length > length || block->length + used != length)
        return 0;
    block->header = hole[2];
    header = hole[2].data;
    block->kind = 0;
    number = header[2] - ES256;
    if ((number | 2) == 2 && r->device->es256 != number >> 1)   /* 0: not ES256, 1: not ESP256 */
        block->kind = SEAL_KIND_P256;
#ifdef SEAL_ML_DSA_44
    if (header[2] == 0x38 && header[3] == 0x2F && r->device->crypto->verify_ml_dsa_44 != 0)
        block->kind = SEAL_KIND_ML_DSA_44;
    block->kind &= r->device->product->kinds;
#endif
    return 1;
}

#define MESSAGE_AT (2 * WINDOW)  /* where a Sig_structure over the digest is made: behind the windows */

/* The Sig_structure of RFC 9052 section 4.4 over the digest array; returns its length. */
static uint32_t to_be_signed(const struct reading *r, const struct block *block, uint8_t *message)
{
    static const uint8_t context[12] = { 0x84, 0x6A, 'S', 'i', 'g', 'n', 'a', 't', 'u', 'r', 'e', '1' };
    static const uint8_t payload[7] = { 0x40, 0x58, 0x24, 0x82, 0x2F, 0x58, 0x20 };
    uint32_t n = sizeof context;

    seal_move(message, context, n);
    seal_move(message + n, block->header.data - 1, block->header.value + 1);     /* with its head, which is a byte */
    n += block->header.value + 1;
    seal_move(message + n, payload, sizeof payload);
    n += sizeof payload;
    seal_move(message + n, r->out->digest, 32);
    return n + 32;
}

/* The anchor of a kind whose key verifies the value in the work memory; 0: none. */
static const struct seal_anchor *signer_of(const struct reading *r, const struct block *block, uint32_t *index)
{
    const struct seal_installer *d = r->device;
    const uint8_t *value = r->work->signature;
    uint8_t *message = r->work->statement + MESSAGE_AT, digest[32];
    uint32_t i, length = to_be_signed(r, block, message);
    const struct seal_anchor *anchor = d->anchors;

    seal_sha256(d->crypto, r->work, message, length, digest);
    for (i = 0; i < d->anchor_count; i++, anchor++) {
        *index = i;
        if ((anchor->development && !d->development) || SEAL_KIND_OF(anchor) != block->kind)
            continue;
#ifdef SEAL_ML_DSA_44
        if (block->kind == SEAL_KIND_ML_DSA_44) {
            if (d->crypto->verify_ml_dsa_44(anchor->ml_dsa_44, message, length, value) == SEAL_VERIFIED)
                return anchor;
            continue;
        }
#endif
        if (d->crypto->verify(anchor->x, anchor->y, digest, value) == SEAL_VERIFIED)
            return anchor;
    }
    return 0;
}

/* What the blocks of one kind have come to. */
struct tally {
    uint8_t blocks;
    uint8_t signers;            /* distinct ones                                 */
    uint8_t released;           /* of these, not development keys                */
    uint8_t malformed;
};

/* Copies a value into the work memory; 0 when it could be none of any key. */
static int take_value(const struct reading *r, const struct block *block)
{
    uint8_t *value = r->work->signature;
    uint32_t length = 64;

#ifdef SEAL_ML_DSA_44
    if (block->kind == SEAL_KIND_ML_DSA_44)
        length = SEAL_SIGNATURE_MAX;
#endif
    if (block->length != length || !get(r, block->value, value, length))
        return 0;
    return block->kind != SEAL_KIND_P256 || (seal_is_in_group(value) && seal_is_in_group(value + 32));
}

/* Whether enough keys of each kind that has to be there have signed. A kind that is 0 in
 * the product counts as P-256, so that nothing is never enough. */
static uint32_t check_signers(struct reading *r, const struct tally *tallies)
{
    uint32_t i, released = 0;

#ifdef SEAL_PATCHES
    if (r->members == ONE_SIGNER) {
        uint32_t signers = 0, malformed = 0;

        for (i = 0; i < SEAL_KINDS; i++) {
            signers |= tallies[i].signers;
            malformed |= tallies[i].malformed;
        }
        return signers != 0 ? SEAL_ACCEPTED : malformed ? SEAL_SIGNATURE_MALFORMED : SEAL_SIGNATURE_WRONG_KEY;
    }
#endif
    for (i = 0; i < SEAL_KINDS; i++)
        released |= tallies[i].released;
    r->out->development = released == 0;
    for (i = 0; i < SEAL_KINDS; i++) {
        const struct tally *t = &tallies[SEAL_MUST_VERIFY(r->device->product, i) == SEAL_KIND_ML_DSA_44];

        if (released == 0 ? t->signers == 0 : t->released < r->device->need) {
            if (t->blocks == 0 || t->signers != 0)
                return SEAL_TRUST_TOO_FEW_SIGNATURES;
            return t->malformed ? SEAL_SIGNATURE_MALFORMED : SEAL_SIGNATURE_WRONG_KEY;
        }
    }
    return SEAL_ACCEPTED;
}

static uint32_t check_signatures(struct reading *r)
{
    const struct seal_installer *d = r->device;
    const struct hole *hole = r->hole;
    struct tally tallies[SEAL_KINDS] = { { 0, 0, 0, 0 } };
    struct block block;
    uint32_t i, code, count, at = r->member[AUTHENTICATION].at, end = at + r->member[AUTHENTICATION].length;
    uint32_t signers = 0, allowed = 0;
    int pass;

    show(r, r->work->statement, at, end);
    if (!match(r, SHAPE(wrapper)) || hole[1].value - 1 > SEAL_BLOCKS_MAX)
        return SEAL_STRUCTURE_ENVELOPE;
    count = hole[1].value - 1;
    if (hole[2].value != 36 || !match(r, SHAPE(digest)))
        return SEAL_RULES_OUTSIDE_PROFILE;
    /* read once: what is verified is what the manifest is compared with */
    seal_move(r->out->digest, hole[0].data, 32);
    at += (uint32_t)(r->at - r->work->statement);
    /* every block has to read before any signature is looked at */
    for (pass = 0; pass < 2; pass++) {
        block.end = at;
        for (i = 0; i < count; i++) {
            struct tally *t;
            const struct seal_anchor *anchor;
            uint32_t index;

            if (!read_block(r, block.end, end, &block))
                return SEAL_STRUCTURE_ENVELOPE;
            allowed |= block.kind;
            if (pass == 0 || block.kind == 0)
                continue;
            t = &tallies[block.kind - 1];
            t->blocks++;
            if (!take_value(r, &block)) {
                t->malformed = 1;
                continue;
            }
            anchor = signer_of(r, &block, &index);
            if (anchor == 0)
                continue;
            if (is_listed(d->revoked[0], d->revoked_count, anchor->key_id, 16))
                return SEAL_TRUST_KEY_REVOKED;
            if (anchor->components == 0)
                return SEAL_TRUST_KEY_NOT_FOR_THIS;
            if ((signers >> index & 1) == 0) {
                signers |= (uint32_t)1 << index;
                t->signers++;
                t->released = (uint8_t)(t->released + (anchor->development == 0));
            }
        }
        if (pass == 0) {
            if (block.end != end)
                return SEAL_STRUCTURE_ENVELOPE;
            if (allowed == 0)
                return count == 0 ? SEAL_TRUST_NO_SIGNATURE : SEAL_TRUST_ALGORITHM_NOT_ALLOWED;
            code = check_digest(r, r->file, r->member[MANIFEST].at, r->member[MANIFEST].length, r->out->digest,
                                SEAL_SIGNATURE_MANIFEST_DIGEST);
            if (code != SEAL_ACCEPTED)
                return code;
        }
    }
    return check_signers(r, tallies);
}

/* -- manifest ------------------------------------------------------------------------------------ */

/* Ascending, payload and header of a detached image side by side. */
static int read_components(struct reading *r, uint32_t count)
{
    const struct seal_product *product = r->device->product;
    const struct seal_component *own;
    uint32_t i, k, unknown = 0, disorder = 0, before = 0, wanted = 0;

    if (count - 1 >= COMPONENTS_MOST)
        return 0;
    for (i = 0; i < count; i++) {
        /* more than the table holds are not all the product's, or not in their order */
        struct seal_part *part = &r->out->part[i < SEAL_PARTS_MAX ? i : SEAL_PARTS_MAX - 1];
        uint32_t pieces, key = 0, header = 0;

        if (!match(r, SHAPE(array)))
            return 0;
        pieces = r->hole[0].value;
        for (k = 0; k < pieces; k++) {
            if (!match(r, SHAPE(bytes)))
                return 0;
            if (k < 2 && r->hole[0].value == 1)
                key = key << 8 | *r->hole[0].data;
            else if (k == 2 && r->hole[0].value == 6 && seal_differ(r->hole[0].data, (const uint8_t *)"header", 6) == 0)
                header = 1;
            else
                unknown = 1;
        }
        *part = (struct seal_part){ 0 };
        part->run_slot = (uint8_t)key;
        part->header = (uint8_t)header;
        for (k = 0, own = product->components; k < product->component_count && own->number != key >> 8; k++)
            own++;
        if (k == product->component_count || part->run_slot >= own->run_slots || header > own->detached) {
            unknown = 1;
            continue;
        }
        part->component = (uint8_t)k;
        part->own = own;
        key = key << 1 | header;
        disorder |= wanted != before ? key != wanted : header != 0 || key <= before;
        before = key;
        wanted = key | own->detached;   /* what comes next; key itself: whatever is greater */
    }
    if (unknown)
        r->identity = SEAL_IDENTITY_UNKNOWN_COMPONENT;
    else if (disorder || wanted != before || count > SEAL_PARTS_MAX)
        return 0;
    else
        r->out->parts = (uint8_t)count;
    return 1;
}

/* Three numbers, and for a stage -3, -2 or -1 and its number, as the four words of a statement. */
static int read_version(struct reading *r, uint8_t version[16])
{
    const struct hole *hole = r->hole;
    uint32_t i, count, stage = 0xFFFFFFFFu;

    if (!match(r, SHAPE(version)))
        return 0;
    count = hole[0].value;
    for (i = 0; i < 3; i++)
        seal_put32(version + 4 * i, hole[1 + i].value);
    if (count != 3) {
        if (count != 5 || !match(r, SHAPE(stage)) || hole[0].value > 2 || hole[1].value >= 0xFFFFFFu)
            return 0;
        stage = (3u - hole[0].value) << 24 | hole[1].value;
    }
    seal_put32(version + 12, stage);
    return 1;
}

static int read_manifest(struct reading *r)
{
    const struct hole *hole = r->hole;
    uint32_t count;
    uint8_t version[16];

    r->at = (const uint8_t *)r->buffer.user;
    r->rest = r->manifest_length;
    if (!match(r, SHAPE(manifest))) {
        r->broken = 1;
        return 0;
    }
    count = hole[1].value - 6;
    r->out->sequence = hole[2].value;
    if (!match(r, SHAPE(components)))
        return 0;
    if (!read_components(r, hole[1].value) || !match(r, SHAPE(shared)))
        return 0;
    r->shared = hole[0];
    if (!read_version(r, version) || !match(r, SHAPE(validate)))
        return 0;
    r->validate = hole[0];
    r->start.data = 0;
    if (may_match(r, SHAPE(start))) {
        count--;
        r->start = hole[0];
    }
    if (!match(r, SHAPE(install)))
        return 0;
    r->install_digest = hole[0].data;
    r->text_digest = 0;
    if (may_match(r, SHAPE(text))) {
        count--;
        r->text_digest = hole[0].data;
    }
    return r->rest == 0 && count == 0;
}

/* A severed member is the one whose digest the manifest holds. */
static uint32_t check_text(struct reading *r)
{
    const struct member *text = &r->member[TEXT_MEMBER];

    if (text->length == 0)
        return SEAL_ACCEPTED;
    if (r->text_digest == 0)
        return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (r->text == 0)
        return check_digest(r, r->file, text->at, text->length, r->text_digest, SEAL_SIGNATURE_SEVERED_MEMBER);
    return seal_differ(r->text, r->text_digest, 32) == 0 ? SEAL_ACCEPTED : SEAL_SIGNATURE_SEVERED_MEMBER;
}

/* -- sequences -----------------------------------------------------------------------------------
 * Nothing is interpreted: each command is the one that has to stand there. */

static int open_sequence(struct reading *r, const struct hole *of)
{
    r->at = of->data;
    r->rest = of->value;
    if (!match(r, SHAPE(array)))
        return 0;
    r->left = r->hole[0].value;
    return 1;
}

static int ended(const struct reading *r)
{
    return r->left == 0 && r->rest == 0;
}

/* Identity, digest and size of each part. */
static int read_shared(struct reading *r)
{
    const struct seal_product *product = r->device->product;
    const struct hole *hole = r->hole;
    uint32_t i;

    if (!open_sequence(r, &r->shared))
        return 0;
    for (i = 0; i < r->out->parts; i++) {
        struct seal_part *part = &r->out->part[i];

        if (!match_number(r, SHAPE(index), i) || !match(r, SHAPE(part)) || hole[4].value == 0)
            return 0;
        if (r->wrong == 0)
            r->wrong = seal_differ(hole[0].data, product->vendor_id, 16) != 0  ? SEAL_IDENTITY_WRONG_VENDOR
                       : seal_differ(hole[1].data, product->class_id, 16) != 0 ? SEAL_IDENTITY_WRONG_CLASS
                                                                               : 0u;
        seal_move(part->digest, hole[3].data, 32);
        part->size = hole[4].value;
        r->hazard |= part->own->hazard;
    }
    return ended(r);
}

/* The first part of another component, behind the first one of a component: each build is a part, or two of them. */
static uint32_t behind(const struct reading *r, uint32_t i)
{
    const struct seal_part *part = &r->out->part[i];
    uint32_t build = 1u + part->own->detached, next = i + build;

    return next < r->out->parts && part[build].component == part->component ? next + build : next;
}

/* What a sequence does for one build. */
static int branch(struct reading *r, uint32_t shape, uint32_t i)
{
    const struct hole *hole = r->hole;
    struct seal_part *part = &r->out->part[i];
    const struct seal_component *own = part->own;
    uint32_t last = shape == SHAPE(invoke) ? i : i + own->detached;

    for (; i <= last; i++, part++) {
        if (!match_number(r, SHAPE(index), i) || (own->run_slots > 1 && !match_number(r, SHAPE(slot), part->run_slot)))
            return 0;
        if (!match(r, shape))
            return 0;
        if (shape == SHAPE(fetch)) {
            if (!is_key(hole[0].data, hole[0].value))
                return 0;
            part->key_at = (uint32_t)(hole[0].data - (const uint8_t *)r->buffer.user);
            part->key_length = hole[0].value;
        }
        if (shape == SHAPE(same) && part->header == own->detached
            && (!match(r, SHAPE(equal)) || !read_version(r, part->version) || !match(r, SHAPE(versions))))
            return 0;
    }
    return 1;
}

/* What a sequence does for one component: builds for two run slots are the two branches of a try-each. The
 * first part of the next component; 0: something else stands there. */
static uint32_t steps(struct reading *r, uint32_t shape, uint32_t i)
{
    uint32_t next = behind(r, i), build = 1u + r->out->part[i].own->detached, left;

    if (i + build == next)
        return branch(r, shape, i) ? next : 0;
    if (!match_number(r, SHAPE(index), i) || !match(r, SHAPE(branches)))
        return 0;
    left = r->left;
    for (; i < next; i += build) {
        uint32_t rest;

        if (!match(r, SHAPE(bytes)))
            return 0;
        rest = r->rest;
        if (!open_sequence(r, r->hole) || !branch(r, shape, i) || !ended(r))
            return 0;
        r->rest = rest;
    }
    r->left = left;
    return next;
}

static int each(struct reading *r, uint32_t shape)
{
    uint32_t i = 0;

    do {
        i = steps(r, shape, i);
        if (i == 0)
            return 0;
    } while (i < r->out->parts);
    return ended(r);
}

static int read_install(struct reading *r)
{
    r->at = (const uint8_t *)r->buffer.user + r->manifest_length;
    r->rest = r->buffer.size - r->manifest_length;
    if (!match(r, SHAPE(bytes)) || !open_sequence(r, r->hole) || !match_number(r, SHAPE(index), 0))
        return 0;
    r->asked = (uint32_t)may_match(r, SHAPE(authorised));
    if (may_match(r, SHAPE(charged)))
        r->battery = r->hole[0].value;
    return each(r, SHAPE(fetch));
}

static int read_validate(struct reading *r)
{
    return open_sequence(r, &r->validate) && each(r, SHAPE(same));
}

/* One component is started, whichever. */
static int read_start(struct reading *r)
{
    uint32_t i;

    for (i = 0; i < r->out->parts; i = behind(r, i))
        if (open_sequence(r, &r->start) && steps(r, SHAPE(invoke), i))
            return ended(r);
    return 0;
}

/* -- the device ---------------------------------------------------------------------------------- */

static uint32_t check_history(const struct reading *r)
{
    const struct seal_installer *d = r->device;

    if (is_listed(d->refused[0], d->refused_count, r->out->digest, 32))
        return SEAL_RULES_FAILED_BEFORE;
    if (d->trial_open)
        return SEAL_RULES_TRIAL_OPEN;
    if (r->out->sequence < d->sequence)
        return SEAL_ROLLBACK_SEQUENCE_TOO_LOW;
    if (r->out->sequence == d->sequence && !d->fresh
        && (d->manifest_digest == 0 || seal_differ(d->manifest_digest, r->out->digest, 32) != 0))
        return SEAL_ROLLBACK_SEQUENCE_REUSED;
    return SEAL_ACCEPTED;
}

/* What package and header both say is the same, and a package signed by a development key
 * holds development images only, another none. */
uint32_t seal_check_layers(const struct seal_installer *device, const struct seal_package *package, const uint8_t *buffer,
                           const struct seal_part *part, const uint8_t s[SEAL_STATEMENT_BYTES])
{
    const struct seal_component *own = part->own;

    (void)device;
    (void)buffer;
    if (seal_differ(s + SEAL_AT_VERSION, part->version, 16) != 0)
        return SEAL_IDENTITY_LAYERS_DISAGREE;
    if (seal_differ(s, seal_magic, 8) != 0)
        return SEAL_STRUCTURE_PAYLOAD_NOT_SEALED;
    if (s[SEAL_AT_NUMBER] != own->number
        || seal_get32(s + SEAL_AT_LINK) != own->run[part->run_slot].base + (own->detached ? 0u : own->header_block))
        return SEAL_IDENTITY_LAYERS_DISAGREE;
    return ((s[SEAL_AT_FLAGS] ^ package->development) & 1) != 0 ? SEAL_RULES_DEVELOPMENT_MIXED : SEAL_ACCEPTED;
}

/* Finds the parts for this device's free slots; their payloads are those of the manifest, and their headers say what it says. */
static uint32_t take_parts(struct reading *r)
{
    struct seal_part *part = r->out->part;
    uint32_t left, code, seen = 0, taken = 0;

    for (left = r->out->parts; left != 0; left--, part++) {
        const struct seal_component *own = part->own;
        uint32_t bit = (uint32_t)1 << part->component;

        if (own != &r->device->product->components[part->component])
            return SEAL_DEVICE_NOT_RUN;     /* a step of counting them, or a store, was skipped */
        seen |= bit;
        if (own->run_slots > 1 && part->run_slot != r->device->free_slot[part->component])
            continue;
        part->taken = 1;
        taken |= bit;
        if (r->text != 0)
            continue;
        if (part->at == 0)
            return SEAL_RULES_DIRECTIVE_FAILED;
        if (part->length != part->size)
            return SEAL_DIGEST_IMAGE;
        code = check_digest(r, r->file, part->at, part->length, part->digest, SEAL_DIGEST_IMAGE);
        if (code == SEAL_ACCEPTED && part->header == own->detached) {
            if (part->length < SEAL_STATEMENT_BYTES)
                return SEAL_IDENTITY_LAYERS_DISAGREE;
            if (!get(r, part->at, r->work->statement, SEAL_STATEMENT_BYTES))
                return SEAL_DEVICE_UNREADABLE;
            code = seal_check_layers(r->device, r->out, 0, part, r->work->statement);
        }
        if (code != SEAL_ACCEPTED)
            return code;
    }
    return seen == taken ? SEAL_ACCEPTED : SEAL_PLACEMENT_NO_SLOT;
}

static uint32_t judge(struct reading *r)
{
    uint32_t code = SEAL_ACCEPTED, install = r->member[INSTALL_MEMBER].length;

    if (r->text == 0)
        code = read_envelope(r);
    else if (r->more && install == 0)
        code = SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (code != SEAL_ACCEPTED)
        return code;
    if (r->wrong != 0)
        return r->wrong;
    /* whoever takes the install sequence out of a package can only make it useless */
    if (install != 0 && r->hazard && !r->asked)
        return SEAL_RULES_AUTHORISATION_MISSING;
    code = check_history(r);
    if (code != SEAL_ACCEPTED)
        return code;
    if (install == 0)
        return SEAL_RULES_DIRECTIVE_FAILED;
    if (r->asked && !r->device->authorised)
        return SEAL_RULES_NOT_AUTHORISED;
    if (r->device->battery < r->battery)
        return SEAL_RULES_BATTERY_TOO_LOW;
    return take_parts(r);
}

/* Envelope and signatures, from the file. */
static uint32_t read_front(struct reading *r)
{
    uint32_t code = read_envelope(r);

    return code == SEAL_ACCEPTED ? check_signatures(r) : code;
}

/* Manifest and sequences, from the buffer. */
static uint32_t read_back(struct reading *r)
{
    uint32_t code, k, install = r->buffer.size - r->manifest_length;

    code = check_digest(r, &r->buffer, 0, r->manifest_length, r->out->digest, SEAL_SIGNATURE_MANIFEST_DIGEST);
    if (code != SEAL_ACCEPTED)
        return code;
    r->identity = SEAL_ACCEPTED;
    if (!read_manifest(r))
        return unread(r);
    for (k = TEXT_MEMBER + 1; k < MEMBERS; k++)
        if (r->member[k].length != 0)
            return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (install != 0)
        code = check_digest(r, &r->buffer, r->manifest_length, install, r->install_digest, SEAL_SIGNATURE_SEVERED_MEMBER);
    if (code == SEAL_ACCEPTED)
        code = check_text(r);
    if (code == SEAL_ACCEPTED)
        code = r->identity;
    if (code != SEAL_ACCEPTED)
        return code;
    if (!read_shared(r) || (install != 0 && !read_install(r)) || !read_validate(r) || (r->start.data != 0 && !read_start(r)))
        return unread(r);
    return judge(r);
}

/* Everything is judged twice, in front of the copy and behind it: an instruction that is
 * skipped is skipped in one of them. What they say is added up before it is looked at. */
static uint32_t read_all(const struct seal_installer *device, const struct seal_reader *file, uint32_t members,
                         const uint8_t *text, uint8_t *buffer, uint32_t room, struct seal_work *work, struct seal_package *out)
{
    struct reading r = { 0 };
    uint32_t pass, manifest, install;
    volatile uint32_t said = 0u - 3u * SEAL_ACCEPTED;

    r.device = device;
    r.file = file;
    r.work = work;
    r.out = out;
    r.members = members;
    r.text = text;
    r.buffer.read = seal_read_ram;
    r.buffer.user = buffer;
    out->parts = 0;
    for (pass = 0; pass < 4; pass++) {
        uint32_t code;

        if (pass == 2) {
            /* copied once: what was signed is what is read */
            manifest = r.member[MANIFEST].length;
            install = r.member[INSTALL_MEMBER].length;
            if (manifest > room || install > room - manifest)
                return SEAL_DEVICE_BUFFER_TOO_SMALL;
            if (!get(&r, r.member[MANIFEST].at, buffer, manifest) || !get(&r, r.member[INSTALL_MEMBER].at, buffer + manifest, install))
                return SEAL_DEVICE_UNREADABLE;
            r.manifest_length = manifest;
            r.buffer.size = manifest + install;
            out->manifest_length = manifest;
            out->buffer_length = manifest + install;
        }
        code = pass < 2 ? read_front(&r) : read_back(&r);
        said += code;
        if (code != SEAL_ACCEPTED)
            return seal_refusal(code);
    }
    return said;
}

uint32_t seal_read_package(const struct seal_installer *device, const struct seal_reader *file,
                           uint8_t *buffer, uint32_t room, struct seal_work *work, struct seal_package *out)
{
    return read_all(device, file, WHOLE, 0, buffer, room, work, out);
}

#ifdef SEAL_PATCHES
uint32_t seal_check_wrapper(const struct seal_installer *device, const struct seal_reader *file, const uint32_t at[4],
                            struct seal_work *work, struct seal_package *out)
{
    struct reading r = { 0 };

    r.device = device;
    r.file = file;
    r.work = work;
    r.out = out;
    r.members = ONE_SIGNER;
    r.member[AUTHENTICATION].at = at[0];
    r.member[AUTHENTICATION].length = at[1];
    r.member[MANIFEST].at = at[2];
    r.member[MANIFEST].length = at[3];
    return check_signatures(&r);
}
#endif

uint32_t seal_read_front(const struct seal_installer *device, uint8_t *front, uint32_t used, uint32_t members,
                         const uint8_t text[32], struct seal_work *work, struct seal_package *out)
{
    struct seal_reader file = { seal_read_ram, 0, 0 };

    file.user = front;  /* what is copied moves towards its start, so that it may be copied inside */
    file.size = used;
    return read_all(device, &file, members, text, front, used, work, out);
}
