/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Reads update packages; see seal_package.h. CBOR is deterministic: shortest heads,
 * no indefinite lengths, keys ascending (RFC 8949 section 4.2.1).
 */
#include "seal_package.h"

enum { REPORT_ALL = 15 };   /* of the reporting policy's bits */

enum { UINT = 0, NEGATIVE = 1, BYTES = 2, TEXT = 3, ARRAY = 4, MAP = 5 };

enum {
    SET_INDEX = 12, TRY_EACH = 15, OVERRIDE = 20, FETCH = 21, INVOKE = 23, C_VENDOR = 1, C_CLASS = 2, C_MATCH = 3,
    C_SLOT = 5, C_BATTERY = 26, C_AUTHORISED = 27, C_VERSION = 28
};

enum { P_VENDOR = 1, P_CLASS = 2, P_DIGEST = 3, P_SLOT = 5, P_SIZE = 14, P_URI = 21, P_BATTERY = 26, P_PRIORITY = 27, P_VERSION = 28 };

enum section { INSTALL, VALIDATE, START };

enum { VERSION_EQUAL = 3 };

enum { ES256 = 6, ESP256 = 8 };     /* -7 and -9, as CBOR counts them            */

/* A stretch of a reader that is taken apart from its start. */
struct cursor {
    const struct seal_reader *from;
    uint32_t at;
    uint32_t end;
    uint32_t left;              /* of a sequence: items that are still to come   */
    uint8_t broken;             /* 1: an encoding rule was broken; 2: a number of 64 bits */
};

struct item {
    uint8_t kind;
    uint32_t value;             /* the number, length or count                   */
    uint32_t at;                /* where the content of a string begins          */
};

struct reading {
    const struct seal_installer *device;
    const struct seal_reader *file;
    struct seal_reader buffer;
    struct seal_work *work;
    struct seal_package *out;
    uint32_t payloads;
    uint32_t authentication_at, authentication_end;
    uint32_t manifest_at, manifest_end, install_at, install_end, text_at, text_end;
    struct cursor shared, validate, start, install;
    uint8_t more;               /* 1: of a stream: payloads come                 */
    uint8_t others;             /* 1: severed members that are not in the profile */
    uint8_t has_start;
    uint8_t asked;              /* 1: the install sequence asks for authorisation */
    uint32_t number;            /* the algorithm of the block that was read last  */
    uint32_t battery;           /* what it asks for, mWh                         */
    uint32_t wrong;             /* the first identifier that is not the device's */
    uint32_t members;           /* of a stream: those that file holds; WHOLE: it is all there */
    const uint8_t *text;        /* of a stream: the digest of its text           */
};

#define WHOLE 0xFFFFFFFFu

/* -- bytes ---------------------------------------------------------------------------- */

static uint32_t get(struct cursor *c, uint32_t length)
{
    uint8_t raw[4];
    uint32_t value = 0, i;

    if (c->broken || length > c->end - c->at || c->from->read(c->from->user, c->at, raw, length) != SEAL_READ) {
        c->broken = 1;
        return 0;
    }
    c->at += length;
    for (i = 0; i < length; i++)
        value = value << 8 | raw[i];
    return value;
}

/* The next head; the content of a string is passed over. 0 when a rule is broken. */
static int next(struct cursor *c, struct item *item)
{
    uint32_t head = get(c, 1), more = head & 31;

    item->kind = (uint8_t)(head >> 5);
    item->value = more;
    if (more == 24) {
        item->value = get(c, 1);
        c->broken |= item->value < 24;
    } else if (more == 25) {
        item->value = get(c, 2);
        c->broken |= item->value < 0x100;
    } else if (more == 26) {
        item->value = get(c, 4);
        c->broken |= item->value < 0x10000;
    } else if (more > 26) {
        c->broken = more == 27 ? 2 : 1;
    }
    item->at = c->at;
    if (!c->broken && (item->kind == BYTES || item->kind == TEXT)) {
        if (item->value > c->end - c->at)
            c->broken = 1;
        else
            c->at += item->value;
    }
    return !c->broken;
}

static int next_is(struct cursor *c, struct item *item, uint8_t kind)
{
    return next(c, item) && item->kind == kind;
}

/* The next item is this number, or an array or map of so many. */
static int want(struct cursor *c, uint8_t kind, uint32_t value)
{
    struct item item;

    return next_is(c, &item, kind) && item.value == value;
}

static struct cursor whole(const struct seal_reader *from, uint32_t at, uint32_t end)
{
    struct cursor c;

    c.from = from;
    c.at = at;
    c.end = end;
    c.left = 0;
    c.broken = 0;
    return c;
}

static struct cursor inside(const struct cursor *c, const struct item *item)
{
    return whole(c->from, item->at, item->at + item->value);
}

/* 1 when length bytes at an offset are these. */
static int same(const struct seal_reader *from, uint32_t at, const uint8_t *bytes, uint32_t length)
{
    uint8_t piece[32];
    uint32_t done, part;

    for (done = 0; done < length; done += part) {
        part = length - done < sizeof piece ? length - done : (uint32_t)sizeof piece;
        if (from->read(from->user, at + done, piece, part) != SEAL_READ || seal_differ(piece, bytes + done, part) != 0)
            return 0;
    }
    return 1;
}

/* Hashes a byte string with its head, as SUIT's digests do. */
static uint32_t hash_wrapped(struct reading *r, const struct seal_reader *from, uint32_t at, uint32_t length, int head,
                             uint8_t digest[32])
{
    uint8_t first[5];
    uint32_t used = 0;

    if (length < 24) {
        first[used++] = (uint8_t)(0x40 | length);
    } else if (length < 0x100) {
        first[used++] = 0x58;
    } else {
        first[used++] = length < 0x10000 ? 0x59 : 0x5A;
        if (length >= 0x10000) {
            first[used++] = (uint8_t)(length >> 24);
            first[used++] = (uint8_t)(length >> 16);
        }
        first[used++] = (uint8_t)(length >> 8);
    }
    if (length >= 24)
        first[used++] = (uint8_t)length;
    r->device->crypto->sha256_begin(r->work->hash.bytes);
    if (head)
        r->device->crypto->sha256_add(r->work->hash.bytes, first, used);
    while (length != 0) {
        uint32_t part = length < sizeof r->work->piece ? length : (uint32_t)sizeof r->work->piece;
        if (from->read(from->user, at, r->work->piece, part) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        r->device->crypto->sha256_add(r->work->hash.bytes, r->work->piece, part);
        at += part;
        length -= part;
    }
    r->device->crypto->sha256_end(r->work->hash.bytes, digest);
    return SEAL_ACCEPTED;
}

#define WRAPPED_BYTES 36u       /* [-16, digest]                                 */
#define MESSAGE_MAX 56u         /* of a Sig_structure over it                    */

static const uint8_t digest_head[4] = { 0x82, 0x2F, 0x58, 0x20 };

/* [-16, digest] in so many bytes; 1 when it is one, and *digest_at is where it lies. */
static int is_digest(const struct seal_reader *from, uint32_t at, uint32_t length, uint32_t *digest_at)
{
    *digest_at = at + sizeof digest_head;
    return length == WRAPPED_BYTES && same(from, at, digest_head, sizeof digest_head);
}

/* -- envelope ------------------------------------------------------------------------------ */

/* Negative, 0 or positive: payload keys are ordered by length, then by bytes. */
static int compare_keys(const struct seal_reader *from, const struct seal_payload *a, const struct seal_payload *b)
{
    uint32_t i;
    uint8_t left, right;

    if (a->key_length != b->key_length)
        return a->key_length < b->key_length ? -1 : 1;
    for (i = 0; i < a->key_length; i++) {
        if (from->read(from->user, a->key_at + i, &left, 1) != SEAL_READ
            || from->read(from->user, b->key_at + i, &right, 1) != SEAL_READ)
            return 1;
        if (left != right)
            return left < right ? -1 : 1;
    }
    return 0;
}

/* 1 when a payload's key is of 1 to SEAL_KEY_MAX visible ASCII characters, of which one
 * is as good as the other for a device, and no encoding rule is left to check. */
static int is_key(const struct seal_reader *from, const struct item *key)
{
    uint32_t i;
    uint8_t letter;

    for (i = 0; i < key->value && i < SEAL_KEY_MAX; i++)
        if (from->read(from->user, key->at + i, &letter, 1) != SEAL_READ || letter < '!' || letter > '~')
            return 0;
    return i != 0 && i == key->value;
}

static uint32_t read_envelope(struct reading *r)
{
    struct cursor c;
    struct item map, key, value;
    uint32_t i, last = 0;

    r->payloads = 0;
    c = whole(r->file, 0, r->file->size);
    if (get(&c, 2) != 0xD86B || !next_is(&c, &map, MAP))
        return SEAL_STRUCTURE_ENVELOPE;
    for (i = 0; i < map.value && i < r->members; i++) {
        if (!next(&c, &key) || !next_is(&c, &value, BYTES))
            return SEAL_STRUCTURE_ENVELOPE;
        if (key.kind == UINT) {
            if (key.value <= last || r->payloads != 0)
                return SEAL_STRUCTURE_ENVELOPE;
            last = key.value;
            if (value.value > SEAL_MEMBER_MAX)
                return SEAL_STRUCTURE_ENVELOPE;
            if (key.value == 2) {
                r->authentication_at = value.at;
                r->authentication_end = value.at + value.value;
            } else if (key.value == 3) {
                r->manifest_at = value.at;
                r->manifest_end = value.at + value.value;
            } else if (key.value == 20) {
                r->install_at = value.at;
                r->install_end = value.at + value.value;
            } else if (key.value == 23) {
                r->text_at = value.at;
                r->text_end = value.at + value.value;
            } else if (key.value == 14 || key.value == 15 || key.value == 16 || key.value == 18) {
                r->others = 1;  /* the profile's manifest names none of them */
            } else {
                return SEAL_STRUCTURE_ENVELOPE;
            }
        } else if (key.kind == TEXT) {
            struct seal_payload *p = &r->out->payload[r->payloads];
            if (r->payloads == SEAL_PARTS_MAX || !is_key(r->file, &key))
                return SEAL_RULES_OUTSIDE_PROFILE;
            p->key_at = key.at;
            p->key_length = key.value;
            p->at = value.at;
            p->length = value.value;
            p->used = 0;
            if (r->payloads != 0 && compare_keys(r->file, p - 1, p) >= 0)
                return SEAL_STRUCTURE_ENVELOPE;
            r->payloads++;
        } else {
            return SEAL_STRUCTURE_ENVELOPE;
        }
    }
    r->more = i < map.value;
    if ((c.at != c.end && r->members == WHOLE) || r->authentication_end == 0 || r->manifest_end == 0)
        return SEAL_STRUCTURE_ENVELOPE;
    return SEAL_ACCEPTED;
}

/* -- signatures ------------------------------------------------------------------------------- */

/* One COSE_Sign1 in its one encoding: the algorithm alone in the protected header, and
 * nothing in the other, which nobody signs. *kind is the kind of key that its algorithm
 * is for, 0 to pass it over; *signature is where its value lies. */
static uint32_t read_block(struct reading *r, struct cursor *c, struct item *signature, uint32_t *kind)
{
    struct item item, header;
    struct cursor in;

    if (c->end - c->at > SEAL_BLOCK_MAX || get(c, 1) != 0xD2 || !next_is(c, &item, ARRAY) || item.value != 4
        || !next_is(c, &header, BYTES) || !next_is(c, &item, MAP) || item.value != 0 || get(c, 1) != 0xF6
        || !next_is(c, signature, BYTES) || c->at != c->end)
        return SEAL_STRUCTURE_ENVELOPE;
    in = inside(c, &header);
    if (get(&in, 2) != 0xA101 || !next(&in, &item) || item.kind > NEGATIVE || in.at != in.end)
        return SEAL_STRUCTURE_ENVELOPE;
    *kind = 0;
    if (item.kind == NEGATIVE && (item.value == ES256 ? r->device->es256 != 0 : item.value == ESP256 && r->device->es256 != 1))
        *kind = SEAL_KIND_P256;
    r->number = item.value;
#ifdef SEAL_ML_DSA_44
    if (item.kind == NEGATIVE && item.value == 47 && r->device->crypto->verify_ml_dsa_44 != 0)
        *kind = SEAL_KIND_ML_DSA_44;
    *kind &= r->device->product->kinds;
#endif
    return SEAL_ACCEPTED;
}

/* The Sig_structure of RFC 9052 section 4.4 over the digest array; returns its length. */
static uint32_t to_be_signed(const struct reading *r, uint32_t kind, const uint8_t wrapped[WRAPPED_BYTES],
                             uint8_t message[MESSAGE_MAX])
{
    static const uint8_t head[15] = { 0x84, 0x6A, 'S', 'i', 'g', 'n', 'a', 't', 'u', 'r', 'e', '1', 0x43, 0xA1, 0x01 };
    uint32_t n = 0, i;

    while (n < sizeof head) {
        message[n] = head[n];
        n++;
    }
#ifdef SEAL_ML_DSA_44
    if (kind == SEAL_KIND_ML_DSA_44) {  /* -48 takes two bytes */
        message[n - 3] = 0x44;
        message[n++] = 0x38;
        message[n++] = 0x2F;
    } else
#endif
        message[n++] = (uint8_t)(NEGATIVE << 5 | r->number);
    (void)kind;
    message[n++] = 0x40;
    message[n++] = 0x58;
    message[n++] = WRAPPED_BYTES;
    for (i = 0; i < WRAPPED_BYTES; i++)
        message[n++] = wrapped[i];
    return n;
}

static int is_revoked(const struct seal_installer *d, const uint8_t *key_id)
{
    uint32_t i;

    for (i = 0; i < d->revoked_count; i++)
        if (seal_differ(d->revoked[i], key_id, 16) == 0)
            return 1;
    return 0;
}

/* The anchor of a kind whose key verifies the value in the work memory, or anchor_count. */
static uint32_t signer_of(struct reading *r, uint32_t kind, const uint8_t wrapped[WRAPPED_BYTES])
{
    const struct seal_installer *d = r->device;
    const uint8_t *value = r->work->signature;
    uint8_t message[MESSAGE_MAX], digest[32];
    uint32_t i, length = to_be_signed(r, kind, wrapped, message);

    d->crypto->sha256_begin(r->work->hash.bytes);
    d->crypto->sha256_add(r->work->hash.bytes, message, length);
    d->crypto->sha256_end(r->work->hash.bytes, digest);
    for (i = 0; i < d->anchor_count; i++) {
        const struct seal_anchor *anchor = &d->anchors[i];

        if ((anchor->development && !d->development) || SEAL_KIND_OF(anchor) != kind)
            continue;
#ifdef SEAL_ML_DSA_44
        if (kind == SEAL_KIND_ML_DSA_44) {
            if (d->crypto->verify_ml_dsa_44(anchor->ml_dsa_44, message, length, value) == SEAL_VERIFIED)
                break;
            continue;
        }
#endif
        if (d->crypto->verify(anchor->x, anchor->y, digest, value) == SEAL_VERIFIED)
            break;
    }
    return i;
}

/* What the blocks of one kind have come to. */
struct tally {
    uint32_t blocks;
    uint32_t signers;           /* distinct ones                                 */
    uint32_t released;          /* of these, not development keys                */
    uint32_t malformed;
};

/* Copies a value into the work memory; 0 when it could be none of any key. */
static int take_value(struct reading *r, uint32_t kind, const struct item *signature)
{
    uint8_t *value = r->work->signature;
    uint32_t length = 64;

#ifdef SEAL_ML_DSA_44
    if (kind == SEAL_KIND_ML_DSA_44)
        length = SEAL_SIGNATURE_MAX;
#endif
    if (signature->value != length || r->file->read(r->file->user, signature->at, value, length) != SEAL_READ)
        return 0;
    return kind != SEAL_KIND_P256 || (seal_is_in_group(value) && seal_is_in_group(value + 32));
}

/* Whether enough keys of each kind that has to be there have signed. A kind that is 0 in
 * the product counts as P-256, so that nothing is never enough. */
static uint32_t check_signers(const struct seal_installer *d, const struct tally *tallies, uint32_t development)
{
    uint32_t i;

    for (i = 0; i < SEAL_KINDS; i++) {
        const struct tally *t = &tallies[SEAL_MUST_VERIFY(d->product, i) == SEAL_KIND_ML_DSA_44];
        if (development ? t->signers == 0 : t->released < d->need) {
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
    struct cursor c, block;
    struct item array, item, signature;
    struct tally tallies[SEAL_KINDS] = { { 0, 0, 0, 0 } };
    uint32_t i, kind, code, anchor, signers = 0, released = 0, allowed = 0;
    uint8_t digest[32], wrapped[WRAPPED_BYTES];
    int pass;

    c = whole(r->file, r->authentication_at, r->authentication_end);
    if (!next_is(&c, &array, ARRAY) || array.value == 0 || array.value > SEAL_BLOCKS_MAX + 1 || !next_is(&c, &item, BYTES))
        return SEAL_STRUCTURE_ENVELOPE;
    /* read once: what is verified is what the manifest is compared with */
    if (item.value != WRAPPED_BYTES)
        return SEAL_RULES_OUTSIDE_PROFILE;
    if (r->file->read(r->file->user, item.at, wrapped, WRAPPED_BYTES) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    if (seal_differ(wrapped, digest_head, sizeof digest_head) != 0)
        return SEAL_RULES_OUTSIDE_PROFILE;
    if (array.value == 1)
        return c.at == c.end ? SEAL_TRUST_NO_SIGNATURE : SEAL_STRUCTURE_ENVELOPE;
    /* every block has to read before any signature is looked at */
    for (pass = 0; pass < 2; pass++) {
        c.at = item.at + item.value;
        for (i = 1; i < array.value; i++) {
            struct tally *t;

            if (!next_is(&c, &signature, BYTES))
                return SEAL_STRUCTURE_ENVELOPE;
            block = inside(&c, &signature);
            code = read_block(r, &block, &signature, &kind);
            if (code != SEAL_ACCEPTED)
                return code;
            allowed += kind != 0;
            if (pass == 0 || kind == 0)
                continue;
            t = &tallies[kind - 1];
            t->blocks++;
            if (!take_value(r, kind, &signature)) {
                t->malformed = 1;
                continue;
            }
            anchor = signer_of(r, kind, wrapped);
            if (anchor == d->anchor_count)
                continue;
            if (is_revoked(d, d->anchors[anchor].key_id))
                return SEAL_TRUST_KEY_REVOKED;
            if (d->anchors[anchor].components == 0)
                return SEAL_TRUST_KEY_NOT_FOR_THIS;
            if ((signers >> anchor & 1) == 0) {
                signers |= (uint32_t)1 << anchor;
                t->signers++;
                t->released += d->anchors[anchor].development == 0;
                released += d->anchors[anchor].development == 0;
            }
        }
        if (pass == 0) {
            if (c.at != c.end)
                return SEAL_STRUCTURE_ENVELOPE;
            if (allowed == 0)
                return SEAL_TRUST_ALGORITHM_NOT_ALLOWED;
            if (hash_wrapped(r, r->file, r->manifest_at, r->manifest_end - r->manifest_at, 1, digest) != SEAL_ACCEPTED)
                return SEAL_DEVICE_UNREADABLE;
            if (seal_differ(wrapped + sizeof digest_head, digest, 32) != 0)
                return SEAL_SIGNATURE_MANIFEST_DIGEST;
            for (i = 0; i < 32; i++)
                r->out->digest[i] = digest[i];
        }
    }
    r->out->development = released == 0;
    return check_signers(d, tallies, r->out->development);
}

/* Why a piece of the manifest cannot be read: its encoding is broken, or it is another
 * thing than the profile has there. */
static uint32_t unread(const struct cursor *c)
{
    return c->broken == 1 ? (uint32_t)SEAL_STRUCTURE_MANIFEST : (uint32_t)SEAL_RULES_OUTSIDE_PROFILE;
}

static const struct seal_component *component_of(const struct reading *r, const struct seal_part *part)
{
    return &r->device->product->components[part->component];
}

/* -- manifest ------------------------------------------------------------------------------------ */

static int follows(const struct seal_part *before, uint32_t number_before, const struct seal_part *part, uint32_t number)
{
    if (number_before != number)
        return number_before < number;
    if (before->run_slot != part->run_slot)
        return before->run_slot < part->run_slot;
    return !before->header && part->header;
}

/* 1 when these are payload and header of one run slot. */
static int is_pair(const struct seal_part *payload, const struct seal_part *header)
{
    return !payload->header && header->header && payload->component == header->component && payload->run_slot == header->run_slot;
}

static uint32_t read_components(struct reading *r, struct cursor *c)
{
    static const uint8_t word[6] = { 'h', 'e', 'a', 'd', 'e', 'r' };
    struct item array, id, piece;
    uint32_t i, k, unknown = 0, disorder = 0, before = 0;

    if (!next_is(c, &array, ARRAY) || array.value == 0 || array.value > SEAL_PARTS_MAX)
        return unread(c);
    r->out->parts = (uint8_t)array.value;
    for (i = 0; i < array.value; i++) {
        static const struct seal_part nothing;
        struct seal_part *part = &r->out->part[i];
        uint8_t number[2] = { 0, 0 };
        const struct seal_component *own = 0;

        *part = nothing;
        if (!next_is(c, &id, ARRAY))
            return unread(c);
        for (k = 0; k < id.value; k++) {
            if (!next_is(c, &piece, BYTES))
                return unread(c);
            if (k < 2 && piece.value == 1)
                (void)c->from->read(c->from->user, piece.at, &number[k], 1);
            else if (k == 2 && piece.value == 6 && same(c->from, piece.at, word, 6))
                part->header = 1;
            else
                unknown = 1;
        }
        part->run_slot = number[1];
        for (k = 0; k < r->device->product->component_count; k++)
            if (r->device->product->components[k].number == number[0]) {
                part->component = (uint8_t)k;
                own = &r->device->product->components[k];
            }
        unknown |= id.value < 2 || id.value > 3 || own == 0 || number[1] >= own->run_slots || (part->header && !own->detached);
        disorder |= i != 0 && !follows(part - 1, before, part, number[0]);
        before = number[0];
    }
    if (unknown)
        return SEAL_IDENTITY_UNKNOWN_COMPONENT;
    /* payload and header of a detached image stand side by side: in ascending order every header is behind the payload
     * of its run slot, and every payload of such a component in front of one */
    for (i = 0; i < r->out->parts; i++) {
        const struct seal_part *part = &r->out->part[i];

        if (part->header)
            disorder |= i == 0 || !is_pair(part - 1, part);
        else if (component_of(r, part)->detached)
            disorder |= i + 1 == r->out->parts || !is_pair(part, part + 1);
    }
    return disorder ? SEAL_RULES_OUTSIDE_PROFILE : SEAL_ACCEPTED;
}

/* Three numbers, and for a stage -3, -2 or -1 and its number, into four words whose order
 * is that of versions. */
static int read_version(struct cursor *c, uint32_t words[4])
{
    struct item array, item;
    uint32_t i;

    words[3] = 0xFFFFFFFFu;
    if (!next_is(c, &array, ARRAY) || (array.value != 3 && array.value != 5))
        return 0;
    for (i = 0; i < 3; i++) {
        if (!next_is(c, &item, UINT))
            return 0;
        words[i] = item.value;
    }
    if (array.value == 5) {
        if (!next_is(c, &item, NEGATIVE) || item.value > 2)
            return 0;
        words[3] = (3u - item.value) << 24;
        if (!next_is(c, &item, UINT) || item.value >= 0xFFFFFFu)
            return 0;
        words[3] |= item.value;
    }
    return c->at == c->end;
}

/* The digest of a severed member, [-16, bytes]; 0 when it is something else. */
static uint32_t read_severed(struct reading *r, struct cursor *c)
{
    struct item item;
    uint32_t before = c->at, digest_at = 0;

    if (!next_is(c, &item, ARRAY) || item.value != 2 || !next(c, &item) || !next_is(c, &item, BYTES)
        || !is_digest(&r->buffer, before, c->at - before, &digest_at))
        return 0;
    return digest_at;
}

#define MEMBERS_NEEDED (1u << 1 | 1u << 2 | 1u << 3 | 1u << 6 | 1u << 7 | 1u << 20)

/* The members of the profile. *identity is what the component list says. */
static uint32_t read_manifest(struct reading *r, uint32_t *identity, uint32_t *install_digest, uint32_t *text_digest)
{
    struct cursor c, common;
    struct item map, key, item;
    uint32_t i, last = 0, seen = 0, words[4];

    c = whole(&r->buffer, 0, r->out->manifest_length);
    if (!next_is(&c, &map, MAP))
        return SEAL_STRUCTURE_MANIFEST;
    for (i = 0; i < map.value; i++) {
        if (!next_is(&c, &key, UINT) || key.value <= last)
            return unread(&c);
        last = key.value;
        if (key.value == 1) {
            if (!want(&c, UINT, 1))
                return unread(&c);
        } else if (key.value == 2) {
            if (!next_is(&c, &item, UINT))
                return SEAL_STRUCTURE_MANIFEST;
            r->out->sequence = item.value;
        } else if (key.value == 20 || key.value == 23) {
            uint32_t digest_at = read_severed(r, &c);
            if (digest_at == 0)
                return unread(&c);
            *(key.value == 20 ? install_digest : text_digest) = digest_at;
        } else if (key.value == 3 || key.value == 6 || key.value == 7 || key.value == 9) {
            if (!next_is(&c, &item, BYTES))
                return unread(&c);
            common = inside(&c, &item);
            if (key.value == 7) {
                r->validate = common;
            } else if (key.value == 9) {
                r->start = common;
                r->has_start = 1;
            } else if (key.value == 6) {
                if (!read_version(&common, words))
                    return unread(&common);
            } else {
                if (!want(&common, MAP, 2) || !want(&common, UINT, 2))
                    return unread(&common);
                *identity = read_components(r, &common);
                if (*identity != SEAL_ACCEPTED && *identity != SEAL_IDENTITY_UNKNOWN_COMPONENT)
                    return *identity;
                if (!want(&common, UINT, 4) || !next_is(&common, &item, BYTES) || common.at != common.end)
                    return unread(&common);
                r->shared = inside(&common, &item);
            }
        } else {
            return SEAL_RULES_OUTSIDE_PROFILE;
        }
        seen |= (uint32_t)1 << key.value % 32;
    }
    return c.at == c.end && (seen & MEMBERS_NEEDED) == MEMBERS_NEEDED ? (uint32_t)SEAL_ACCEPTED : (uint32_t)SEAL_RULES_OUTSIDE_PROFILE;
}

/* A severed member is the one whose digest the manifest holds. known: hashed already, or 0. */
static uint32_t check_severed(struct reading *r, const struct seal_reader *from, uint32_t at, uint32_t end, uint32_t digest_at,
                              const uint8_t *known)
{
    uint8_t digest[32], wanted[32];

    if (end == 0)
        return SEAL_ACCEPTED;
    if (digest_at == 0)
        return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if ((known == 0 && hash_wrapped(r, from, at, end - at, 1, digest) != SEAL_ACCEPTED)
        || r->buffer.read(r->buffer.user, digest_at, wanted, 32) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    return seal_differ(known == 0 ? digest : known, wanted, 32) == 0 ? SEAL_ACCEPTED : SEAL_SIGNATURE_SEVERED_MEMBER;
}

/* -- sequences -----------------------------------------------------------------------------------
 * Given the list of components, the profile has one shape for each sequence: nothing is
 * interpreted, each command is the one that has to stand there. */

/* The next command of a sequence is this one. */
static int command(struct cursor *c, uint32_t code)
{
    if (c->left < 2)
        return 0;
    c->left -= 2;
    return want(c, UINT, code);
}

/* A condition or directive, and its reporting policy. */
static int with_policy(struct cursor *c, uint32_t code)
{
    struct item item;

    return command(c, code) && next_is(c, &item, UINT) && item.value <= REPORT_ALL;
}

static int set_index(struct cursor *c, uint32_t index)
{
    return command(c, SET_INDEX) && want(c, UINT, index);
}

/* The key of a map of parameters that holds this one alone; its value comes next. */
static int one_parameter(struct cursor *c, uint32_t label)
{
    return command(c, OVERRIDE) && want(c, MAP, 1) && want(c, UINT, label);
}

/* The head of a sequence. */
static int open_sequence(struct cursor *c)
{
    struct item array;

    if (!next_is(c, &array, ARRAY))
        return 0;
    c->left = array.value;
    return 1;
}

static int ended(const struct cursor *c)
{
    return c->left == 0 && c->at == c->end;
}

/* Parameter 1 or 2: sixteen bytes, compared with the device's own. */
static int read_identity(struct reading *r, struct cursor *c, uint32_t label, const uint8_t mine[16], uint32_t code)
{
    struct item item;

    if (!want(c, UINT, label) || !next_is(c, &item, BYTES) || item.value != 16)
        return 0;
    if (r->wrong == SEAL_ACCEPTED && !same(c->from, item.at, mine, 16))
        r->wrong = code;
    return 1;
}

static uint32_t read_shared(struct reading *r)
{
    const struct seal_product *product = r->device->product;
    struct cursor *c = &r->shared;
    struct item item;
    uint32_t i, digest_at;

    if (!open_sequence(c))
        return unread(c);
    for (i = 0; i < r->out->parts; i++) {
        struct seal_part *part = &r->out->part[i];

        if (!set_index(c, i) || !command(c, OVERRIDE) || !want(c, MAP, 4)
            || !read_identity(r, c, P_VENDOR, product->vendor_id, SEAL_IDENTITY_WRONG_VENDOR)
            || !read_identity(r, c, P_CLASS, product->class_id, SEAL_IDENTITY_WRONG_CLASS)
            || !want(c, UINT, P_DIGEST) || !next_is(c, &item, BYTES) || !is_digest(c->from, item.at, item.value, &digest_at))
            return unread(c);
        if (c->from->read(c->from->user, digest_at, part->digest, 32) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        if (!want(c, UINT, P_SIZE) || !next_is(c, &item, UINT) || item.value == 0)
            return unread(c);
        part->size = item.value;
        if (!with_policy(c, C_VENDOR) || !with_policy(c, C_CLASS))
            return unread(c);
    }
    return ended(c) ? (uint32_t)SEAL_ACCEPTED : unread(c);
}

/* The payload that a part is fetched from; none where it was taken out of the package. */
static int read_uri(struct reading *r, struct cursor *c, struct seal_part *part)
{
    uint8_t key[SEAL_KEY_MAX];
    struct item item;
    uint32_t i;

    if (!one_parameter(c, P_URI) || !next_is(c, &item, TEXT) || !is_key(c->from, &item)
        || c->from->read(c->from->user, item.at, key, item.value) != SEAL_READ)
        return 0;
    part->key_at = item.at;
    part->key_length = item.value;
    for (i = 0; i < r->payloads; i++) {
        struct seal_payload *payload = &r->out->payload[i];

        if (payload->key_length == item.value && same(r->file, payload->key_at, key, item.value)) {
            payload->used = 1;
            part->at = payload->at;
            part->length = payload->length;
        }
    }
    return 1;
}

/* [3, version], to be compared once the image is known. */
static int read_equal(struct cursor *c, struct seal_part *part)
{
    struct cursor in;
    struct item item;
    uint32_t words[4];

    if (!one_parameter(c, P_VERSION) || !next_is(c, &item, BYTES))
        return 0;
    in = inside(c, &item);
    if (!want(&in, ARRAY, 2) || !want(&in, UINT, VERSION_EQUAL))
        return 0;
    part->version_at = in.at;
    part->version_end = in.end;
    return read_version(&in, words);
}

/* What a sequence does for the parts of one run slot. */
static int branch(struct reading *r, struct cursor *c, enum section section, uint32_t i, uint32_t end)
{
    for (; i < end; i++) {
        struct seal_part *part = &r->out->part[i];
        const struct seal_component *own = component_of(r, part);

        if (section == START && part->header)
            continue;
        if (!set_index(c, i))
            return 0;
        if (own->run_slots > 1 && (!one_parameter(c, P_SLOT) || !want(c, UINT, part->run_slot) || !with_policy(c, C_SLOT)))
            return 0;
        if (section == INSTALL && (!read_uri(r, c, part) || !with_policy(c, FETCH)))
            return 0;
        if (!with_policy(c, section == START ? INVOKE : C_MATCH))
            return 0;
        if (section == VALIDATE && part->header == own->detached && (!read_equal(c, part) || !with_policy(c, C_VERSION)))
            return 0;
    }
    return 1;
}

/* The first part of another component, or run slot, behind part i. */
static uint32_t behind(const struct reading *r, uint32_t i, int slot)
{
    const struct seal_part *part = &r->out->part[i];

    while (i < r->out->parts && r->out->part[i].component == part->component
           && (!slot || r->out->part[i].run_slot == part->run_slot))
        i++;
    return i;
}

/* What a sequence does for one component: builds for two run slots are the two branches
 * of a try-each. */
static int steps(struct reading *r, struct cursor *c, enum section section, uint32_t i)
{
    uint32_t end = behind(r, i, 0), middle = behind(r, i, 1), k;
    struct item item;
    struct cursor in;

    if (middle == end)
        return branch(r, c, section, i, end);
    if (!set_index(c, i) || !command(c, TRY_EACH) || !want(c, ARRAY, 2))
        return 0;
    for (k = i; k < end; k = behind(r, k, 1)) {
        if (!next_is(c, &item, BYTES))
            return 0;
        in = inside(c, &item);
        if (!open_sequence(&in) || !branch(r, &in, section, k, behind(r, k, 1)) || !ended(&in)) {
            c->broken |= in.broken;
            return 0;
        }
    }
    return 1;
}

static uint32_t each(struct reading *r, struct cursor *c, enum section section)
{
    uint32_t i;

    for (i = 0; i < r->out->parts; i = behind(r, i, 0))
        if (!steps(r, c, section, i))
            return unread(c);
    return ended(c) ? (uint32_t)SEAL_ACCEPTED : unread(c);
}

static uint32_t read_install(struct reading *r)
{
    struct cursor *c = &r->install, mark;
    struct item item;

    if (!open_sequence(c) || !set_index(c, 0))
        return unread(c);
    mark = *c;
    r->asked = (uint8_t)one_parameter(c, P_PRIORITY);
    if (!r->asked)
        *c = mark;
    else if (!next(c, &item) || item.kind > NEGATIVE || !with_policy(c, C_AUTHORISED))
        return unread(c);
    mark = *c;
    if (!one_parameter(c, P_BATTERY)) {
        *c = mark;
    } else {
        if (!next_is(c, &item, UINT) || !with_policy(c, C_BATTERY))
            return unread(c);
        r->battery = item.value;
    }
    return each(r, c, INSTALL);
}

static uint32_t read_validate(struct reading *r)
{
    return open_sequence(&r->validate) ? each(r, &r->validate, VALIDATE) : unread(&r->validate);
}

/* One component is started, whichever. */
static uint32_t read_start(struct reading *r)
{
    struct cursor *c = &r->start, mark;
    struct item item;

    if (!open_sequence(c))
        return unread(c);
    mark = *c;
    if (!command(&mark, SET_INDEX) || !next_is(&mark, &item, UINT) || item.value >= r->out->parts
        || (item.value != 0 && behind(r, item.value - 1, 0) != item.value))
        return unread(&mark);
    return steps(r, c, START, item.value) && ended(c) ? (uint32_t)SEAL_ACCEPTED : unread(c);
}

/* -- the device ---------------------------------------------------------------------------------- */

static uint32_t check_hazard(const struct reading *r)
{
    uint32_t i;

    for (i = 0; i < r->out->parts; i++)
        if (component_of(r, &r->out->part[i])->hazard && !r->asked)
            return SEAL_RULES_AUTHORISATION_MISSING;
    return SEAL_ACCEPTED;
}

static uint32_t check_history(const struct reading *r)
{
    const struct seal_installer *d = r->device;
    uint32_t i;

    for (i = 0; i < d->refused_count; i++)
        if (seal_differ(d->refused[i], r->out->digest, 32) == 0)
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

/* Finds the parts for this device's free slots; their payloads are those of the manifest. */
static uint32_t take_parts(struct reading *r)
{
    uint8_t digest[32];
    uint32_t i, end;

    for (i = 0; i < r->out->parts; i = end) {
        uint32_t free = r->device->free_slot[r->out->part[i].component], found = 0;
        int choice = component_of(r, &r->out->part[i])->run_slots > 1;

        for (end = behind(r, i, 0); i < end; i++) {
            struct seal_part *part = &r->out->part[i];

            if (choice && part->run_slot != free)
                continue;
            part->taken = 1;
            found = 1;
            if (r->members != WHOLE)
                continue;
            if (part->at == 0)
                return SEAL_RULES_DIRECTIVE_FAILED;
            if (part->length != part->size)
                return SEAL_DIGEST_IMAGE;
            if (hash_wrapped(r, r->file, part->at, part->length, 0, digest) != SEAL_ACCEPTED)
                return SEAL_DEVICE_UNREADABLE;
            if (seal_differ(digest, part->digest, 32) != 0)
                return SEAL_DIGEST_IMAGE;
        }
        if (!found)
            return SEAL_PLACEMENT_NO_SLOT;
    }
    return SEAL_ACCEPTED;
}

static uint32_t read_buffer(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const uint8_t *from = (const uint8_t *)user + offset;

    while (length-- != 0)
        *to++ = *from++;
    return SEAL_READ;
}

static uint32_t word_of(const uint8_t *p)
{
    return (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

/* What package and header both say is the same, and a package signed by a development key
 * holds development images only, another none. */
uint32_t seal_check_layers(const struct seal_installer *device, const struct seal_package *package, const uint8_t *buffer,
                           const struct seal_part *part, const uint8_t s[SEAL_STATEMENT_BYTES])
{
    const struct seal_component *own = &device->product->components[part->component];
    struct seal_reader from = { read_buffer, 0, 0 };
    struct cursor c;
    uint32_t words[4], i;

    from.user = (void *)(uintptr_t)buffer;
    c = whole(&from, part->version_at, part->version_end);
    if (!read_version(&c, words))
        return SEAL_IDENTITY_LAYERS_DISAGREE;
    for (i = 0; i < 4; i++)
        if (word_of(s + SEAL_AT_VERSION + 4 * i) != words[i])
            return SEAL_IDENTITY_LAYERS_DISAGREE;
    if (seal_differ(s, seal_magic, 8) != 0)
        return SEAL_STRUCTURE_PAYLOAD_NOT_SEALED;
    if (s[SEAL_AT_NUMBER] != own->number
        || word_of(s + SEAL_AT_LINK) != own->run[part->run_slot].base + (own->detached ? 0u : own->header_block))
        return SEAL_IDENTITY_LAYERS_DISAGREE;
    return (s[SEAL_AT_FLAGS] & 1) != package->development ? SEAL_RULES_DEVELOPMENT_MIXED : SEAL_ACCEPTED;
}

static uint32_t check_layers(struct reading *r)
{
    uint32_t i, code;

    for (i = 0; i < r->out->parts; i++) {
        const struct seal_part *part = &r->out->part[i];

        if (!part->taken || part->header != component_of(r, part)->detached)
            continue;
        if (part->length < SEAL_STATEMENT_BYTES)
            return SEAL_IDENTITY_LAYERS_DISAGREE;
        if (r->file->read(r->file->user, part->at, r->work->statement, SEAL_STATEMENT_BYTES) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        code = seal_check_layers(r->device, r->out, (const uint8_t *)r->buffer.user, part, r->work->statement);
        if (code != SEAL_ACCEPTED)
            return code;
    }
    return SEAL_ACCEPTED;
}

static uint32_t judge(struct reading *r)
{
    uint32_t code, i;

    for (i = 0; i < r->payloads; i++)
        if (!r->out->payload[i].used)
            return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (r->more && r->install_end == 0)
        return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (r->wrong != SEAL_ACCEPTED)
        return r->wrong;
    /* whoever takes the install sequence out of a package can only make it useless */
    code = r->install_end == 0 ? (uint32_t)SEAL_ACCEPTED : check_hazard(r);
    if (code == SEAL_ACCEPTED)
        code = check_history(r);
    if (code != SEAL_ACCEPTED)
        return code;
    if (r->install_end == 0)
        return SEAL_RULES_DIRECTIVE_FAILED;
    if (r->asked && !r->device->authorised)
        return SEAL_RULES_NOT_AUTHORISED;
    if (r->device->battery < r->battery)
        return SEAL_RULES_BATTERY_TOO_LOW;
    code = take_parts(r);
    return code == SEAL_ACCEPTED && r->members == WHOLE ? check_layers(r) : code;
}

/* Envelope and signatures, from the file. */
static uint32_t read_front(struct reading *r, uint32_t room)
{
    uint32_t code = read_envelope(r);

    if (code == SEAL_ACCEPTED && r->members != WHOLE
        && (r->authentication_end > room || r->manifest_end > room || r->install_end > room))
        return SEAL_STRUCTURE_ENVELOPE;
    return code == SEAL_ACCEPTED ? check_signatures(r) : code;
}

/* Manifest and sequences, from the buffer. */
static uint32_t read_back(struct reading *r)
{
    uint32_t code, identity = SEAL_ACCEPTED, install_digest = 0, text_digest = 0, manifest = r->out->manifest_length;
    uint8_t again[32];

    if (hash_wrapped(r, &r->buffer, 0, manifest, 1, again) != SEAL_ACCEPTED || seal_differ(again, r->out->digest, 32) != 0)
        return SEAL_SIGNATURE_MANIFEST_DIGEST;
    code = read_manifest(r, &identity, &install_digest, &text_digest);
    if (code == SEAL_ACCEPTED && r->others)
        code = SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (code == SEAL_ACCEPTED && r->install_end != 0)
        code = check_severed(r, &r->buffer, manifest, r->buffer.size, install_digest, 0);
    if (code == SEAL_ACCEPTED)
        code = check_severed(r, r->file, r->text_at, r->text_end, text_digest, r->text);
    if (code == SEAL_ACCEPTED)
        code = identity;
    if (code == SEAL_ACCEPTED)
        code = read_shared(r);
    if (code == SEAL_ACCEPTED && r->install_end != 0) {
        r->install = whole(&r->buffer, manifest, r->buffer.size);
        code = read_install(r);
    }
    if (code == SEAL_ACCEPTED)
        code = read_validate(r);
    if (code == SEAL_ACCEPTED && r->has_start)
        code = read_start(r);
    return code == SEAL_ACCEPTED ? judge(r) : code;
}

/* Everything is judged twice, in front of the copy and behind it: an instruction that is
 * skipped is skipped in one of them. What they say is added up before it is looked at. */
static uint32_t read_all(const struct seal_installer *device, const struct seal_reader *file, uint32_t members,
                         const uint8_t *text, uint8_t *buffer, uint32_t room, struct seal_work *work, struct seal_package *out)
{
    static const struct reading nothing;
    struct reading r = nothing;
    uint32_t code, pass, manifest, install;
    volatile uint32_t said = 0u - 3u * SEAL_ACCEPTED;

    r.device = device;
    r.file = file;
    r.work = work;
    r.out = out;
    r.members = members;
    r.text = text;
    r.wrong = SEAL_ACCEPTED;
    for (pass = 0; pass < 2; pass++) {
        code = read_front(&r, room);
        said += code;
        if (code != SEAL_ACCEPTED)
            return seal_refusal(code);
    }
    /* copied once: what was signed is what is read */
    manifest = r.manifest_end - r.manifest_at;
    install = r.install_end - r.install_at;
    if (manifest > room || install > room - manifest)
        return SEAL_DEVICE_BUFFER_TOO_SMALL;
    if (file->read(file->user, r.manifest_at, buffer, manifest) != SEAL_READ
        || (install != 0 && file->read(file->user, r.install_at, buffer + manifest, install) != SEAL_READ))
        return SEAL_DEVICE_UNREADABLE;
    r.buffer.read = read_buffer;
    r.buffer.user = buffer;
    r.buffer.size = manifest + install;
    out->manifest_length = manifest;
    out->buffer_length = manifest + install;
    for (pass = 0; pass < 2; pass++) {
        code = read_back(&r);
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

uint32_t seal_read_front(const struct seal_installer *device, uint8_t *front, uint32_t used, uint32_t members,
                         const uint8_t text[32], struct seal_work *work, struct seal_package *out)
{
    struct seal_reader file = { read_buffer, 0, WHOLE };

    file.user = front;  /* what is copied moves towards its start, so that it may be copied inside */
    return read_all(device, &file, members, text, front, used, work, out);
}
