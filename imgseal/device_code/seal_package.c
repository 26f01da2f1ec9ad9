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

enum section { SHARED, INSTALL, VALIDATE, START };

/* A stretch of a reader that is taken apart from its start. */
struct cursor {
    const struct seal_reader *from;
    uint32_t at;
    uint32_t end;
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
    uint8_t has_start;
    /* while a sequence runs */
    uint8_t scanning, asked, has_priority, has_battery, has_version, has_slot, missed;
    uint32_t slot, current, uri_at, uri_length, battery, version_at, version_length;
    uint32_t vendor_at, class_at;
};

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

static struct cursor inside(const struct cursor *c, const struct item *item)
{
    struct cursor in;

    in.from = c->from;
    in.at = item->at;
    in.end = item->at + item->value;
    in.broken = 0;
    return in;
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

static uint32_t read_envelope(struct reading *r)
{
    struct cursor c;
    struct item map, key, value;
    uint32_t i, last = 0;

    c.from = r->file;
    c.at = 0;
    c.end = r->file->size;
    c.broken = 0;
    if (get(&c, 2) != 0xD86B || !next_is(&c, &map, MAP))
        return SEAL_STRUCTURE_ENVELOPE;
    for (i = 0; i < map.value; i++) {
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
                return SEAL_DEVICE_OUTSIDE_PROFILE;
            } else {
                return SEAL_STRUCTURE_ENVELOPE;
            }
        } else if (key.kind == TEXT && key.value <= SEAL_KEY_MAX) {
            struct seal_payload *p = &r->out->payload[r->payloads];
            if (r->payloads == SEAL_PARTS_MAX)
                return SEAL_DEVICE_OUTSIDE_PROFILE;
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
    if (c.at != c.end || r->authentication_end == 0 || r->manifest_end == 0)
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
    *kind = item.kind == NEGATIVE && item.value == (r->device->es256 ? 6u : 8u) ? SEAL_KIND_P256 : 0;
#ifdef SEAL_ML_DSA_44
    if (item.kind == NEGATIVE && item.value == 47 && r->device->crypto->verify_ml_dsa_44 != 0)
        *kind = SEAL_KIND_ML_DSA_44;
    *kind &= r->device->product->kinds;
#endif
    return SEAL_ACCEPTED;
}

/* The Sig_structure of RFC 9052 section 4.4 over the digest array; returns its length. */
static uint32_t to_be_signed(const struct seal_installer *d, uint32_t kind, const uint8_t wrapped[WRAPPED_BYTES],
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
        message[n++] = d->es256 ? 0x26 : 0x28;
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
    uint32_t i, length = to_be_signed(d, kind, wrapped, message);

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

    c.from = r->file;
    c.at = r->authentication_at;
    c.end = r->authentication_end;
    c.broken = 0;
    if (!next_is(&c, &array, ARRAY) || array.value == 0 || array.value > SEAL_BLOCKS_MAX + 1 || !next_is(&c, &item, BYTES))
        return SEAL_STRUCTURE_ENVELOPE;
    /* read once: what is verified is what the manifest is compared with */
    if (item.value != WRAPPED_BYTES)
        return SEAL_DEVICE_OUTSIDE_PROFILE;
    if (r->file->read(r->file->user, item.at, wrapped, WRAPPED_BYTES) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    if (seal_differ(wrapped, digest_head, sizeof digest_head) != 0)
        return SEAL_DEVICE_OUTSIDE_PROFILE;
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

/* Why a piece of the manifest cannot be read. */
static uint32_t unread(const struct cursor *c)
{
    return c->broken == 2 ? (uint32_t)SEAL_DEVICE_OUTSIDE_PROFILE : (uint32_t)SEAL_STRUCTURE_MANIFEST;
}

/* -- manifest ------------------------------------------------------------------------------------ */

static uint32_t read_components(struct reading *r, struct cursor *c)
{
    static const uint8_t word[6] = { 'h', 'e', 'a', 'd', 'e', 'r' };
    struct item array, id, piece;
    uint32_t i, k, unknown = 0;

    if (!next_is(c, &array, ARRAY) || array.value > SEAL_PARTS_MAX)
        return SEAL_STRUCTURE_MANIFEST;
    r->out->parts = (uint8_t)array.value;
    for (i = 0; i < array.value; i++) {
        struct seal_part *part = &r->out->part[i];
        uint8_t number[2] = { 0, 0 };
        const struct seal_component *own = 0;

        if (!next_is(c, &id, ARRAY))
            return SEAL_STRUCTURE_MANIFEST;
        part->header = 0;
        part->taken = 0;
        part->matched = 0;
        part->checked = 0;
        part->validated = 0;
        part->size = 0;
        for (k = 0; k < id.value; k++) {
            if (!next_is(c, &piece, BYTES))
                return SEAL_STRUCTURE_MANIFEST;
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
        for (k = 0; k < i; k++)
            if (own != 0 && r->out->part[k].component == part->component && r->out->part[k].run_slot == part->run_slot
                && r->out->part[k].header == part->header)
                return SEAL_STRUCTURE_MANIFEST;
        unknown |= id.value < 2 || id.value > 3 || own == 0 || number[1] >= own->run_slots || (part->header && !own->detached);
    }
    return unknown || array.value == 0 ? SEAL_IDENTITY_UNKNOWN_COMPONENT : SEAL_ACCEPTED;
}

/* The members, in the order of the profile. *identity is what the component list says. */
static uint32_t read_manifest(struct reading *r, uint32_t *identity, uint32_t *install_digest, uint32_t *text_digest)
{
    struct cursor c, common;
    struct item map, key, inner, item;
    uint32_t i, k, last = 0, seen = 0;

    c.from = &r->buffer;
    c.at = 0;
    c.end = r->out->manifest_length;
    c.broken = 0;
    if (!next_is(&c, &map, MAP))
        return SEAL_STRUCTURE_MANIFEST;
    for (i = 0; i < map.value; i++) {
        if (!next_is(&c, &key, UINT) || key.value <= last)
            return SEAL_STRUCTURE_MANIFEST;
        last = key.value;
        if (key.value == 1) {
            if (!next_is(&c, &item, UINT) || item.value != 1)
                return SEAL_STRUCTURE_MANIFEST;
        } else if (key.value == 2) {
            if (!next_is(&c, &item, UINT))
                return SEAL_STRUCTURE_MANIFEST;
            r->out->sequence = item.value;
        } else if (key.value == 3) {
            if (!next_is(&c, &item, BYTES))
                return SEAL_STRUCTURE_MANIFEST;
            common = inside(&c, &item);
            if (!next_is(&common, &item, MAP) || !next_is(&common, &inner, UINT))
                return SEAL_STRUCTURE_MANIFEST;
            if (item.value != 2 || inner.value != 2)
                return SEAL_DEVICE_OUTSIDE_PROFILE;
            *identity = read_components(r, &common);
            if (*identity != SEAL_ACCEPTED && *identity != SEAL_IDENTITY_UNKNOWN_COMPONENT)
                return *identity;
            if (!next_is(&common, &inner, UINT) || inner.value != 4 || !next_is(&common, &item, BYTES) || common.at != common.end)
                return SEAL_STRUCTURE_MANIFEST;
            r->shared = inside(&common, &item);
        } else if (key.value == 6) {
            if (!next_is(&c, &item, BYTES))
                return SEAL_STRUCTURE_MANIFEST;
            common = inside(&c, &item);
            if (!next_is(&common, &item, ARRAY))
                return SEAL_STRUCTURE_MANIFEST;
            if (item.value != 3 && item.value != 5)
                return SEAL_DEVICE_OUTSIDE_PROFILE;
            for (k = item.value; k != 0; k--)
                if (!next(&common, &inner) || inner.kind > NEGATIVE)
                    return unread(&common);
            if (common.at != common.end)
                return SEAL_STRUCTURE_MANIFEST;
        } else if (key.value == 7 || key.value == 9) {
            if (!next_is(&c, &item, BYTES))
                return SEAL_STRUCTURE_MANIFEST;
            if (key.value == 7)
                r->validate = inside(&c, &item);
            else
                r->start = inside(&c, &item);
            r->has_start |= key.value == 9;
        } else if (key.value == 20 || key.value == 23) {
            uint32_t before = c.at, digest_at;
            if (!next(&c, &item))
                return SEAL_STRUCTURE_MANIFEST;
            if (item.kind != ARRAY || item.value != 2)
                return SEAL_DEVICE_OUTSIDE_PROFILE;
            if (!next(&c, &item) || !next_is(&c, &item, BYTES))
                return SEAL_STRUCTURE_MANIFEST;
            if (!is_digest(&r->buffer, before, c.at - before, &digest_at))
                return SEAL_DEVICE_OUTSIDE_PROFILE;
            *(key.value == 20 ? install_digest : text_digest) = digest_at;
        } else if (key.value == 4 || key.value == 5 || key.value == 8 || (key.value >= 14 && key.value <= 18) || key.value == 24) {
            return key.value == 17 ? (uint32_t)SEAL_STRUCTURE_MANIFEST : (uint32_t)SEAL_DEVICE_OUTSIDE_PROFILE;
        } else {
            return SEAL_STRUCTURE_MANIFEST;
        }
        seen |= (uint32_t)1 << key.value % 32;
    }
    if (c.at != c.end || (seen & 0xE) != 0xE)
        return SEAL_STRUCTURE_MANIFEST;
    return *install_digest == 0 ? (uint32_t)SEAL_DEVICE_OUTSIDE_PROFILE : (uint32_t)SEAL_ACCEPTED;
}

/* A severed member is the one whose digest the manifest holds. */
static uint32_t check_severed(struct reading *r, uint32_t at, uint32_t end, uint32_t digest_at)
{
    uint8_t digest[32], wanted[32];

    if (end == 0)
        return SEAL_ACCEPTED;
    if (digest_at == 0)
        return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (hash_wrapped(r, r->file, at, end - at, 1, digest) != SEAL_ACCEPTED
        || r->buffer.read(r->buffer.user, digest_at, wanted, 32) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    return seal_differ(digest, wanted, 32) == 0 ? SEAL_ACCEPTED : SEAL_SIGNATURE_SEVERED_MEMBER;
}

/* -- sequences ---------------------------------------------------------------------------------- */

static uint32_t set_parameters(struct reading *r, struct cursor *c)
{
    struct item map, key, value;
    struct seal_part *part = &r->out->part[r->current];
    uint32_t i, last = 0, digest_at;

    if (!next_is(c, &map, MAP))
        return SEAL_STRUCTURE_MANIFEST;
    for (i = 0; i < map.value; i++) {
        if (!next_is(c, &key, UINT) || key.value <= last || !next(c, &value))
            return unread(c);
        last = key.value;
        if (key.value == P_VENDOR && value.kind == BYTES && value.value == 16) {
            r->vendor_at = value.at;
        } else if (key.value == P_CLASS && value.kind == BYTES && value.value == 16) {
            r->class_at = value.at;
        } else if (key.value == P_DIGEST && value.kind == BYTES && is_digest(c->from, value.at, value.value, &digest_at)) {
            if (c->from->read(c->from->user, digest_at, part->digest, 32) != SEAL_READ)
                return SEAL_DEVICE_UNREADABLE;
        } else if (key.value == P_SIZE && value.kind == UINT) {
            part->size = value.value;
        } else if (key.value == P_SLOT && value.kind == UINT) {
            r->slot = value.value;
            r->has_slot = 1;
        } else if (key.value == P_URI && value.kind == TEXT) {
            r->uri_at = value.at;
            r->uri_length = value.value;
        } else if (key.value == P_BATTERY && value.kind == UINT) {
            r->battery = value.value;
            r->has_battery = 1;
        } else if (key.value == P_PRIORITY && value.kind <= NEGATIVE) {
            r->has_priority = 1;
        } else if (key.value == P_VERSION && value.kind == BYTES) {
            r->version_at = value.at;
            r->version_length = value.value;
            r->has_version = 1;
        } else {
            return SEAL_DEVICE_OUTSIDE_PROFILE;
        }
    }
    return SEAL_ACCEPTED;
}

static uint32_t fetch(struct reading *r)
{
    struct seal_part *part = &r->out->part[r->current];
    uint8_t key[SEAL_KEY_MAX];
    uint32_t i;

    if (r->uri_length == 0 || r->uri_length > SEAL_KEY_MAX
        || r->buffer.read(r->buffer.user, r->uri_at, key, r->uri_length) != SEAL_READ)
        return SEAL_RULES_DIRECTIVE_FAILED;
    for (i = 0; i < r->payloads; i++)
        if (r->out->payload[i].key_length == r->uri_length && same(r->file, r->out->payload[i].key_at, key, r->uri_length)) {
            r->out->payload[i].used = 1;
            if (!r->scanning) {
                part->at = r->out->payload[i].at;
                part->length = r->out->payload[i].length;
                part->taken = 1;
                part->matched = 0;
            }
            return SEAL_ACCEPTED;
        }
    return r->scanning ? SEAL_ACCEPTED : SEAL_RULES_DIRECTIVE_FAILED;
}

static uint32_t image_match(struct reading *r, enum section section)
{
    struct seal_part *part = &r->out->part[r->current];
    uint8_t digest[32];

    if (section == VALIDATE)
        part->validated = 1;
    if (part->matched)
        return SEAL_ACCEPTED;
    if ((!part->taken && section == INSTALL) || part->size == 0)
        return SEAL_DEVICE_OUTSIDE_PROFILE;
    if (!part->taken || part->length != part->size)
        return SEAL_DIGEST_IMAGE;
    if (hash_wrapped(r, r->file, part->at, part->length, 0, digest) != SEAL_ACCEPTED)
        return SEAL_DEVICE_UNREADABLE;
    if (seal_differ(digest, part->digest, 32) != 0)
        return SEAL_DIGEST_IMAGE;
    part->matched = 1;
    return SEAL_ACCEPTED;
}

/* [3, [major, minor, patch, stage, number]] against the header of the image. */
static uint32_t version_match(struct reading *r)
{
    struct seal_part *part = &r->out->part[r->current];
    struct cursor c;
    struct item item, array;
    uint32_t words[4] = { 0, 0, 0, 0xFFFFFFFFu }, i, k;
    uint8_t raw[16];

    c.from = &r->buffer;
    c.at = r->version_at;
    c.end = r->version_at + r->version_length;
    c.broken = 0;
    if (!r->has_version || !next_is(&c, &item, ARRAY) || item.value != 2 || !next_is(&c, &item, UINT) || item.value != 3
        || !next_is(&c, &array, ARRAY) || (array.value != 3 && array.value != 5))
        return SEAL_DEVICE_OUTSIDE_PROFILE;
    for (i = 0; i < array.value; i++) {
        if (!next(&c, &item) || item.kind != (i == 3 ? NEGATIVE : UINT) || (i == 3 && item.value > 2))
            return SEAL_DEVICE_OUTSIDE_PROFILE;
        if (i < 3)
            words[i] = item.value;
        else if (i == 3)
            words[3] = (3u - item.value) << 24;
        else
            words[3] |= item.value & 0xFFFFFFu;
    }
    if (part->length < SEAL_STATEMENT_BYTES || r->file->read(r->file->user, part->at + 52, raw, 16) != SEAL_READ)
        return SEAL_IDENTITY_LAYERS_DISAGREE;
    for (i = 0; i < 4; i++) {
        uint32_t mine = 0;
        for (k = 0; k < 4; k++)
            mine |= (uint32_t)raw[4 * i + k] << 8 * k;
        if (mine != words[i])
            return SEAL_IDENTITY_LAYERS_DISAGREE;
    }
    return SEAL_ACCEPTED;
}

static int may_hurt(const struct reading *r)
{
    uint32_t i;

    for (i = 0; i < r->out->parts; i++)
        if (r->device->product->components[r->out->part[i].component].hazard)
            return 1;
    return 0;
}

/* 1 when this is the slot of two that runs now. */
static int is_busy(const struct reading *r)
{
    const struct seal_part *part = &r->out->part[r->current];

    return r->device->product->components[part->component].run_slots > 1 && part->run_slot != r->device->free_slot[part->component];
}

static uint32_t condition(struct reading *r, uint32_t code, enum section section)
{
    struct seal_part *part = &r->out->part[r->current];

    if (code == C_VENDOR || code == C_CLASS) {
        const uint8_t *mine = code == C_VENDOR ? r->device->product->vendor_id : r->device->product->class_id;
        uint32_t at = code == C_VENDOR ? r->vendor_at : r->class_at;
        if (at == 0 || !same(&r->buffer, at, mine, 16))
            return code == C_VENDOR ? SEAL_IDENTITY_WRONG_VENDOR : SEAL_IDENTITY_WRONG_CLASS;
        part->checked |= code == C_VENDOR ? 1 : 2;
        return SEAL_ACCEPTED;
    }
    if (code == C_SLOT) {
        r->missed = !r->has_slot || r->slot != r->device->free_slot[part->component];
        return r->missed && !r->scanning ? (uint32_t)SEAL_PLACEMENT_NO_SLOT : (uint32_t)SEAL_ACCEPTED;
    }
    if (code == C_AUTHORISED)
        r->asked = 1;
    if (r->scanning)
        return SEAL_ACCEPTED;
    if (code == C_AUTHORISED)
        return !r->has_priority ? SEAL_DEVICE_OUTSIDE_PROFILE
                                : r->device->authorised ? (uint32_t)SEAL_ACCEPTED : (uint32_t)SEAL_RULES_NOT_AUTHORISED;
    if (code == C_BATTERY)
        return !r->has_battery ? SEAL_DEVICE_OUTSIDE_PROFILE
                               : r->device->battery >= r->battery ? (uint32_t)SEAL_ACCEPTED : (uint32_t)SEAL_RULES_BATTERY_TOO_LOW;
    if (code == C_MATCH)
        return image_match(r, section);
    return version_match(r);
}

static uint32_t allowed_in(uint32_t code, enum section section)
{
    if (code == SET_INDEX || code == OVERRIDE)
        return 1;
    if (section == SHARED)
        return code == C_VENDOR || code == C_CLASS;
    if (code == C_SLOT || code == TRY_EACH)
        return 1;
    if (section == INSTALL)
        return code == FETCH || code == C_MATCH || code == C_AUTHORISED || code == C_BATTERY;
    if (section == VALIDATE)
        return code == C_MATCH || code == C_VERSION;
    return code == INVOKE;
}

/* One command but try-each. */
static uint32_t command(struct reading *r, struct cursor *c, uint32_t code, enum section section)
{
    struct item item;

    if (code == OVERRIDE)
        return set_parameters(r, c);
    if (!next_is(c, &item, UINT))
        return SEAL_DEVICE_OUTSIDE_PROFILE;
    if (code == SET_INDEX) {
        if (item.value >= r->out->parts)
            return SEAL_DEVICE_OUTSIDE_PROFILE;
        r->current = item.value;
        r->has_slot = 0;
        r->has_version = 0;
        r->has_battery = 0;
        r->has_priority = 0;
        r->uri_length = 0;
        r->vendor_at = 0;
        r->class_at = 0;
        return SEAL_ACCEPTED;
    }
    if (item.value > REPORT_ALL)
        return SEAL_STRUCTURE_MANIFEST;
    if ((code == FETCH || code == INVOKE) && !r->scanning && is_busy(r))
        return SEAL_PLACEMENT_WRONG_SLOT;
    if (code == FETCH) {
        if (r->scanning && !r->asked && may_hurt(r))
            return SEAL_RULES_AUTHORISATION_MISSING;
        return fetch(r);
    }
    if (code == INVOKE)
        return SEAL_ACCEPTED;
    return condition(r, code, section);
}

/* The commands of one level; try_each is 0 inside a branch. */
static uint32_t level(struct reading *r, struct cursor c, enum section section, struct cursor *try_each, uint32_t *left)
{
    struct item code;

    while (*left != 0) {
        uint32_t result;

        if (!next_is(&c, &code, UINT))
            return SEAL_DEVICE_OUTSIDE_PROFILE;
        *left -= 2;
        if ((code.value == C_AUTHORISED || code.value == C_BATTERY) && section != INSTALL)
            return SEAL_RULES_CONDITION_MISPLACED;
        if (!allowed_in(code.value, section) || (r->current == SEAL_PARTS_MAX && code.value != SET_INDEX))
            return SEAL_DEVICE_OUTSIDE_PROFILE;
        if (code.value == TRY_EACH) {
            if (try_each == 0)
                return SEAL_DEVICE_OUTSIDE_PROFILE;
            *try_each = c;
            return SEAL_DEVICE_NOT_RUN;     /* the caller goes on with the branches */
        }
        result = command(r, &c, code.value, section);
        if (result != SEAL_ACCEPTED)
            return result;
    }
    return c.at == c.end && !c.broken ? (uint32_t)SEAL_ACCEPTED : (uint32_t)SEAL_STRUCTURE_MANIFEST;
}

/* The branches of a try-each: the first one for this device's slot counts. */
static uint32_t branches(struct reading *r, struct cursor *c, enum section section)
{
    struct item array, item;
    struct cursor branch;
    uint32_t i, left, result, done = 0;

    if (!next_is(c, &array, ARRAY) || array.value != 2)
        return SEAL_DEVICE_OUTSIDE_PROFILE;
    for (i = 0; i < 2; i++) {
        if (!next_is(c, &item, BYTES))
            return SEAL_DEVICE_OUTSIDE_PROFILE;
        if (done)
            continue;
        branch = inside(c, &item);
        if (!next_is(&branch, &item, ARRAY) || item.value == 0 || item.value % 2 != 0)
            return SEAL_STRUCTURE_MANIFEST;
        left = item.value;
        r->missed = 0;
        result = level(r, branch, section, 0, &left);
        if (result == SEAL_PLACEMENT_NO_SLOT && r->missed)
            continue;
        if (result != SEAL_ACCEPTED)
            return result;
        done = !r->scanning;
    }
    return done || r->scanning ? SEAL_ACCEPTED : SEAL_PLACEMENT_NO_SLOT;
}

static uint32_t run(struct reading *r, struct cursor c, enum section section)
{
    struct item array;
    struct cursor rest;
    uint32_t left;

    if (!next_is(&c, &array, ARRAY) || array.value == 0 || array.value % 2 != 0)
        return SEAL_STRUCTURE_MANIFEST;
    left = array.value;
    r->current = SEAL_PARTS_MAX;
    for (;;) {
        uint32_t result = level(r, c, section, &rest, &left);
        if (result != SEAL_DEVICE_NOT_RUN)
            return result;
        result = branches(r, &rest, section);
        if (result != SEAL_ACCEPTED)
            return result;
        c = rest;
    }
}

/* -- the whole ---------------------------------------------------------------------------------------- */

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

/* What package and header both say is the same, and a package signed by a development key
 * holds development images only, another none. */
static uint32_t check_layers(const struct reading *r)
{
    uint32_t i, k, link = 0;
    uint8_t head[SEAL_AT_FLAGS + 1 - SEAL_AT_LINK], number;

    for (i = 0; i < r->out->parts; i++) {
        const struct seal_part *part = &r->out->part[i];
        const struct seal_component *own = &r->device->product->components[part->component];
        if (!part->taken || part->header != own->detached)
            continue;
        if (part->length < SEAL_STATEMENT_BYTES || !same(r->file, part->at, seal_magic, 8))
            return SEAL_STRUCTURE_PAYLOAD_NOT_SEALED;
        if (r->file->read(r->file->user, part->at + SEAL_AT_NUMBER, &number, 1) != SEAL_READ
            || r->file->read(r->file->user, part->at + SEAL_AT_LINK, head, sizeof head) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        for (k = 0, link = 0; k < 4; k++)
            link |= (uint32_t)head[k] << 8 * k;
        if (number != own->number || link != own->run[part->run_slot].base + (own->detached ? 0u : own->header_block))
            return SEAL_IDENTITY_LAYERS_DISAGREE;
        if ((head[SEAL_AT_FLAGS - SEAL_AT_LINK] & 1) != r->out->development)
            return SEAL_RULES_DEVELOPMENT_MIXED;
    }
    return SEAL_ACCEPTED;
}

static uint32_t run_all(struct reading *r)
{
    uint32_t result = run(r, r->shared, SHARED);

    if (result == SEAL_ACCEPTED)
        result = run(r, r->install, INSTALL);
    if (result == SEAL_ACCEPTED && r->validate.from != 0)
        result = run(r, r->validate, VALIDATE);
    if (result == SEAL_ACCEPTED && !r->scanning) {
        uint32_t i;

        for (i = 0; i < r->out->parts; i++)
            if (r->out->part[i].taken && !r->out->part[i].validated)
                return SEAL_RULES_VALIDATE_MISSING;
    }
    if (result == SEAL_ACCEPTED && r->has_start)
        result = run(r, r->start, START);
    return result;
}

static uint32_t read_buffer(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const uint8_t *from = (const uint8_t *)user + offset;

    while (length-- != 0)
        *to++ = *from++;
    return SEAL_READ;
}

uint32_t seal_read_package(const struct seal_installer *device, const struct seal_reader *file,
                           uint8_t *buffer, uint32_t room, struct seal_work *work, struct seal_package *out)
{
    static const struct reading nothing;
    struct reading r = nothing;
    uint32_t code, identity = SEAL_ACCEPTED, install_digest = 0, text_digest = 0, manifest, install, i;

    r.device = device;
    r.file = file;
    r.work = work;
    r.out = out;
    code = read_envelope(&r);
    if (code == SEAL_ACCEPTED)
        code = check_signatures(&r);
    if (code != SEAL_ACCEPTED)
        return code;
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
    r.file = &r.buffer;
    out->manifest_length = manifest;
    {
        uint8_t again[32];
        if (hash_wrapped(&r, &r.buffer, 0, manifest, 1, again) != SEAL_ACCEPTED || seal_differ(again, out->digest, 32) != 0)
            return SEAL_SIGNATURE_MANIFEST_DIGEST;
    }
    r.file = file;
    code = read_manifest(&r, &identity, &install_digest, &text_digest);
    if (code != SEAL_ACCEPTED)
        return code;
    if (r.install_end != 0) {
        const struct seal_reader *kept = r.file;
        r.file = &r.buffer;
        code = check_severed(&r, manifest, manifest + install, install_digest);
        r.file = kept;
    }
    if (code == SEAL_ACCEPTED)
        code = check_severed(&r, r.text_at, r.text_end, text_digest);
    if (code != SEAL_ACCEPTED)
        return code;
    r.install.from = &r.buffer;
    r.install.at = manifest;
    r.install.end = manifest + install;
    if (install == 0)
        return r.payloads == 0 ? SEAL_RULES_DIRECTIVE_FAILED : SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (identity != SEAL_ACCEPTED)
        return identity;
    r.scanning = 1;
    code = run_all(&r);
    if (code != SEAL_ACCEPTED)
        return code;
    for (i = 0; i < r.payloads; i++)
        if (!out->payload[i].used)
            return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    for (i = 0; i < out->parts; i++)
        if (out->part[i].checked != 3)
            return SEAL_IDENTITY_NOT_CHECKED;
    if (may_hurt(&r) && !r.asked)
        return SEAL_RULES_AUTHORISATION_MISSING;
    code = check_history(&r);
    if (code != SEAL_ACCEPTED)
        return code;
    r.scanning = 0;
    code = run_all(&r);
    return code == SEAL_ACCEPTED ? check_layers(&r) : code;
}
