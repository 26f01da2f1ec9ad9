/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Trust anchor sets and their updates; see seal_trust.h. Section names in comments are
 * those of docs/format/trust-anchors.md. Before the signature holds, nothing of an update
 * is used but what its own form needs.
 */
#include "seal_trust.h"

/* Offsets in a set, in a key of it, and in a statement. */
enum {
    T_FORMAT = 8, T_KEYS = 10, T_NUMBER = 12, T_NEED_IMAGES = 16, T_NEED_PACKAGES = 17, T_REVOKED = 18, T_VENDOR = 20,
    T_CLASS = 36, T_APEX = 52, T_CONTINGENCY = 116, HEAD_BYTES = 148,
    K_ROLE = 0, K_ZEROS = 1, K_COMPONENTS = 4, K_ID = 8, K_POINT = 24, KEY_BYTES = 88,
    S_SIGNATURES = 300, S_STRIDE = 24
};

enum { ROLE_IMAGES = 1, ROLE_PACKAGES = 2, ROLE_DELIVERIES = 3 };

enum { GENERATION = 24 };   /* bits of the number below the byte that counts apex trust anchors */

#define ID_BYTES 16u
#define POINT_BYTES 64u
#define DIGEST_BYTES 32u
#define TAIL_BYTES (2u * POINT_BYTES)   /* signer and signature                     */
#define EVERY 0xFFFFFFFFu
#define NOTHING 0xFFu
#define ESP256_NUMBER 0xFFFFFFF7u       /* COSE -9                                  */

static const uint8_t set_magic[8] = { 0xD5, 'a', 'n', 'c', 'h', 'o', 'r', 's' };

/* -- bytes ----------------------------------------------------------------------- */

#define get16 seal_get16
#define get32 seal_get32
#define move seal_move
#define is_zero seal_is_zero

static void fill(uint8_t *to, uint32_t length, uint8_t value)
{
    while (length-- != 0)
        *to++ = value;
}

/* 1 when a comes before b in the order of their bytes. */
static int is_before(const uint8_t *a, const uint8_t *b, uint32_t length)
{
    uint32_t i;

    for (i = 0; i < length; i++)
        if (a[i] != b[i])
            return a[i] < b[i];
    return 0;
}

/* 1 when a key identifier stands in a list of them, so many bytes apart. */
static int is_listed(const uint8_t *list, uint32_t count, uint32_t stride, const uint8_t *key_id)
{
    uint32_t i;

    for (i = 0; i < count; i++)
        if (seal_differ(list + stride * i, key_id, ID_BYTES) == 0)
            return 1;
    return 0;
}

static void sha256(const struct seal_trust *t, const uint8_t *data, uint32_t length, uint8_t digest[DIGEST_BYTES])
{
    seal_sha256(t->crypto, t->work, data, length, digest);
}

/* RFC 9679: the SHA-256 of the key as {1: 2, -1: 1, -2: x, -3: y}. */
static void thumbprint(const struct seal_trust *t, const uint8_t *point, uint8_t digest[DIGEST_BYTES])
{
    static const uint8_t head[8] = { 0xA4, 0x01, 0x02, 0x20, 0x01, 0x21, 0x58, 0x20 };
    static const uint8_t middle[3] = { 0x22, 0x58, 0x20 };

    t->crypto->sha256_begin(t->work->hash.bytes);
    t->crypto->sha256_add(t->work->hash.bytes, head, sizeof head);
    t->crypto->sha256_add(t->work->hash.bytes, point, 32);
    t->crypto->sha256_add(t->work->hash.bytes, middle, sizeof middle);
    t->crypto->sha256_add(t->work->hash.bytes, point + 32, 32);
    t->crypto->sha256_end(t->work->hash.bytes, digest);
}

/* -- "The set" --------------------------------------------------------------------- */

static const uint8_t *key_of(const uint8_t *s, uint32_t index)
{
    return s + HEAD_BYTES + KEY_BYTES * index;
}

static const uint8_t *revoked_of(const uint8_t *s)
{
    return key_of(s, get16(s + T_KEYS));
}

/* The size that a head says; 0 when it is none. */
static uint32_t size_of(const uint8_t *s)
{
    uint32_t keys = get16(s + T_KEYS), revoked = get16(s + T_REVOKED);

    if (seal_differ(s, set_magic, sizeof set_magic) != 0 || get16(s + T_FORMAT) != 1 || keys == 0
        || keys > SEAL_TRUST_KEYS || revoked > SEAL_TRUST_REVOKED)
        return 0;
    return HEAD_BYTES + KEY_BYTES * keys + ID_BYTES * revoked;
}

/* A key by itself, and behind those before it. */
static int is_key(const struct seal_trust *t, const uint8_t *s, uint32_t index)
{
    const uint8_t *key = key_of(s, index), *before = key - KEY_BYTES;
    uint32_t role = key[K_ROLE], components = get32(key + K_COMPONENTS);
    uint8_t digest[DIGEST_BYTES];

    if (role < ROLE_IMAGES || role > ROLE_DELIVERIES || !is_zero(key + K_ZEROS, 3) || components == 0
        || (role != ROLE_IMAGES && components != EVERY))
        return 0;
    if (index > 0 && (before[K_ROLE] > role
                      || (before[K_ROLE] == role && !is_before(before + K_ID, key + K_ID, ID_BYTES))))
        return 0;
    thumbprint(t, key + K_POINT, digest);
    return seal_differ(digest, key + K_ID, ID_BYTES) == 0
           && !is_listed(key_of(s, 0) + K_ID, index, KEY_BYTES, key + K_ID);
}

/* Apex trust anchor and contingency key sign nothing else, and are not revoked. */
static int apex_is_right(const struct seal_trust *t, const uint8_t *s)
{
    uint32_t keys = get16(s + T_KEYS), revoked = get16(s + T_REVOKED);
    const uint8_t *ids = key_of(s, 0) + K_ID, *spare = s + T_CONTINGENCY;
    uint8_t own[DIGEST_BYTES];

    if (is_zero(s + T_APEX, POINT_BYTES))
        return is_zero(spare, DIGEST_BYTES);
    thumbprint(t, s + T_APEX, own);
    return seal_differ(own, spare, DIGEST_BYTES) != 0 && !is_listed(ids, keys, KEY_BYTES, own)
           && !is_listed(ids, keys, KEY_BYTES, spare) && !is_listed(revoked_of(s), revoked, ID_BYTES, own)
           && !is_listed(revoked_of(s), revoked, ID_BYTES, spare);
}

/* 1 when the bytes are exactly one set; its points are not held against the curve. */
static int is_set(const struct seal_trust *t, const uint8_t *s, uint32_t size)
{
    uint32_t keys, i, images = 0, packages = 0;
    const uint8_t *revoked;

    if (size < HEAD_BYTES || size_of(s) != size)
        return 0;
    keys = get16(s + T_KEYS);
    for (i = 0; i < keys; i++) {
        if (!is_key(t, s, i))
            return 0;
        images += key_of(s, i)[K_ROLE] == ROLE_IMAGES;
        packages += key_of(s, i)[K_ROLE] == ROLE_PACKAGES;
    }
    if (s[T_NEED_IMAGES] == 0 || s[T_NEED_IMAGES] > images || s[T_NEED_PACKAGES] == 0
        || s[T_NEED_PACKAGES] > packages)
        return 0;
    revoked = revoked_of(s);
    for (i = 0; i < get16(s + T_REVOKED); i++, revoked += ID_BYTES)
        if ((i > 0 && !is_before(revoked - ID_BYTES, revoked, ID_BYTES))
            || is_listed(key_of(s, 0) + K_ID, keys, KEY_BYTES, revoked))
            return 0;
    return apex_is_right(t, s);
}

/* 1 when a point lies on the curve, zeros do for none, or this device leaves that to verification. */
static int is_point(const struct seal_trust *t, const uint8_t *point)
{
    return t->crypto->on_curve == 0 || is_zero(point, POINT_BYTES)
           || t->crypto->on_curve(point, point + 32) == SEAL_VERIFIED;
}

uint32_t seal_trust_keys(const struct seal_trust *t, struct seal_trusted *out)
{
    const uint8_t *s = t->set;
    uint32_t i;

    out->images = 0;
    out->packages = 0;
#ifdef SEAL_PATCHES
    out->first_delivery = 0;
    out->deliveries = 0;
#endif
    if (t->set_size == 0)
        return SEAL_DEVICE_NO_TRUST_SET;
    for (i = 0; i < get16(s + T_KEYS); i++) {
        const uint8_t *key = key_of(s, i);
        struct seal_anchor *anchor = &out->anchor[i];

        move(anchor->key_id, key + K_ID, KEY_BYTES - K_ID);    /* and the point, in either */
        anchor->components = get32(key + K_COMPONENTS);
        anchor->development = 0;
#ifdef SEAL_ML_DSA_44
        anchor->ml_dsa_44 = 0;
#endif
        if (key[K_ROLE] == ROLE_IMAGES)
            out->images++;
        if (key[K_ROLE] == ROLE_PACKAGES)
            out->packages++;
    }
#ifdef SEAL_PATCHES
    out->first_delivery = (uint8_t)(out->images + out->packages);
    out->deliveries = (uint8_t)(i - out->first_delivery);
    if (out->deliveries == 0) {
        out->first_delivery = out->images;
        out->deliveries = out->packages;
    }
#endif
    out->need_images = s[T_NEED_IMAGES];
    out->need_packages = s[T_NEED_PACKAGES];
    return SEAL_ACCEPTED;
}

/* -- "The update" -------------------------------------------------------------------- */

/* Everything that a judgement needs, so that checks take one argument. */
struct judgement {
    struct seal_trust *t;
    const struct seal_running *running;
    const uint8_t *set;         /* the new one                                    */
    uint32_t size;              /* of it; signer and signature stand behind       */
    int by_contingency;
};

static uint32_t check_form(struct judgement *j)
{
    uint32_t i;

    if (!is_set(j->t, j->set, j->size) || !is_point(j->t, j->set + T_APEX) || !is_point(j->t, j->set + j->size))
        return SEAL_STRUCTURE_TRUST_SET;
    for (i = 0; i < get16(j->set + T_KEYS); i++)
        if (!is_point(j->t, key_of(j->set, i) + K_POINT))
            return SEAL_STRUCTURE_TRUST_SET;
    return SEAL_ACCEPTED;
}

static uint32_t check_signer(struct judgement *j)
{
    const uint8_t *held = j->t->set, *signer = j->set + j->size;
    uint8_t own[DIGEST_BYTES];

    if (is_zero(held + T_APEX, POINT_BYTES))
        return SEAL_TRUST_NOT_BY_APEX;
    if (seal_differ(signer, held + T_APEX, POINT_BYTES) == 0)
        return SEAL_ACCEPTED;
    thumbprint(j->t, signer, own);
    if (is_zero(held + T_CONTINGENCY, DIGEST_BYTES) || seal_differ(own, held + T_CONTINGENCY, DIGEST_BYTES) != 0)
        return SEAL_TRUST_NOT_BY_APEX;
    j->by_contingency = 1;
    return SEAL_ACCEPTED;
}

static uint32_t check_signature(struct judgement *j)
{
    const uint8_t *signer = j->set + j->size, *value = signer + POINT_BYTES;
    uint8_t digest[DIGEST_BYTES];

    if (!seal_is_in_group(value) || !seal_is_in_group(value + 32))
        return SEAL_SIGNATURE_MALFORMED;
    sha256(j->t, j->set, j->size + POINT_BYTES, digest);
    if (j->t->crypto->verify(signer, signer + 32, digest, value) != SEAL_VERIFIED)
        return SEAL_SIGNATURE_DOES_NOT_VERIFY;
    return SEAL_ACCEPTED;
}

static uint32_t check_identity(struct judgement *j)
{
    if (seal_differ(j->set + T_VENDOR, j->t->product->vendor_id, 16) != 0)
        return SEAL_IDENTITY_WRONG_VENDOR;
    if (seal_differ(j->set + T_CLASS, j->t->product->class_id, 16) != 0)
        return SEAL_IDENTITY_WRONG_CLASS;
    return SEAL_ACCEPTED;
}

/* The apex trust anchor keeps itself and the contingency key; that one names others in place
 * of both, and is spent: neither comes back in the other's place. */
static uint32_t check_apex(struct judgement *j)
{
    const uint8_t *held = j->t->set, *new = j->set;
    uint8_t print[DIGEST_BYTES];
    int other_apex = seal_differ(new + T_APEX, held + T_APEX, POINT_BYTES) != 0;
    int other_spare = seal_differ(new + T_CONTINGENCY, held + T_CONTINGENCY, DIGEST_BYTES) != 0;

    if (!j->by_contingency)
        return other_apex || other_spare ? SEAL_RULES_APEX_CHANGE : SEAL_ACCEPTED;
    if (!other_apex || !other_spare || is_zero(new + T_APEX, POINT_BYTES))
        return SEAL_RULES_APEX_CHANGE;
    thumbprint(j->t, new + T_APEX, print);
    if (seal_differ(print, held + T_CONTINGENCY, DIGEST_BYTES) == 0)
        return SEAL_RULES_APEX_CHANGE;
    thumbprint(j->t, held + T_APEX, print);
    return seal_differ(print, new + T_CONTINGENCY, DIGEST_BYTES) == 0 ? (uint32_t)SEAL_RULES_APEX_CHANGE
                                                                     : (uint32_t)SEAL_ACCEPTED;
}

/* What was revoked stays so; the contingency key starts the list anew. */
static uint32_t check_revocations(struct judgement *j)
{
    const uint8_t *gone = revoked_of(j->t->set);
    uint32_t i, count = get16(j->t->set + T_REVOKED);

    if (j->by_contingency)
        return SEAL_ACCEPTED;
    for (i = 0; i < count; i++)
        if (!is_listed(revoked_of(j->set), get16(j->set + T_REVOKED), ID_BYTES, gone + ID_BYTES * i))
            return SEAL_RULES_REVOCATION_UNDONE;
    return SEAL_ACCEPTED;
}

static uint32_t check_trial(struct judgement *j)
{
    return j->running->settled == 1 ? SEAL_ACCEPTED : SEAL_RULES_TRIAL_OPEN;
}

/* A stretch of flash as a reader. */
struct stretch {
    const struct seal_flash *flash;
    uint32_t base;
};

static uint32_t read_stretch(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const struct stretch *s = (const struct stretch *)user;

    return s->flash->read(s->flash->user, s->base + offset, to, length);
}

static void as_reader(const struct judgement *j, const struct seal_slot *slot, struct stretch *stretch,
                      struct seal_reader *reader)
{
    stretch->flash = &j->t->flash;
    stretch->base = slot->base;
    reader->read = read_stretch;
    reader->user = stretch;
    reader->size = slot->size;
}

/* Reads the statement of an image in a run slot into the work memory: SEAL_READ, SEAL_DEVICE_UNREADABLE,
 * or the code of what is no image. Judged with no key at all, an image gets as far as its signers. */
static uint32_t read_statement(const struct judgement *j, uint32_t index, uint32_t slot)
{
    static const struct seal_state nobody = { 0 };
    const struct seal_component *c = &j->t->product->components[index];
    struct seal_product bare = *j->t->product;
    struct seal_subject subject;
    struct stretch image, payload;
    struct seal_header header;
    uint32_t code;

    bare.anchor_count = 0;
    subject.where = SEAL_RUN_SLOT;
    subject.component = (uint8_t)index;
    subject.run_slot = (uint8_t)slot;
    as_reader(j, c->detached ? &c->header[slot] : &c->run[slot], &image, &subject.image);
    as_reader(j, &c->run[slot], &payload, &subject.payload);
    code = seal_judge(&bare, &nobody, j->t->crypto, &subject, 1, j->t->work, &header);
    return code == SEAL_TRUST_UNKNOWN_KEY || code == SEAL_TRUST_ALGORITHM_NOT_ALLOWED ? (uint32_t)SEAL_READ : code;
}

/* Whether an image would start for its signers: each one that the new set has a key for is good for
 * its component and has signed, and they are enough. A signature that was passed over so far,
 * because nobody knew its key, counts from then on. */
static uint32_t check_signers(struct judgement *j, uint32_t index, const struct seal_slot *at)
{
    const uint8_t *statement = j->t->work->statement, *slot = statement + S_SIGNATURES, *key = j->set;
    uint32_t offset = SEAL_STATEMENT_BYTES, keys = get16(j->set + T_KEYS), left = 0, i, k;
    uint8_t digest[DIGEST_BYTES], value[64];

    sha256(j->t, statement, SEAL_STATEMENT_BYTES, digest);
    for (i = 0; i < SEAL_SIGNATURES; i++, offset += get16(slot + 20), slot += S_STRIDE) {
        if (get32(slot) != ESP256_NUMBER)
            continue;
        for (k = 0; k < keys; k++) {
            key = key_of(j->set, k);
            if (key[K_ROLE] == ROLE_IMAGES && seal_differ(slot + 4, key + K_ID, ID_BYTES) == 0)
                break;
        }
        if (k == keys)
            continue;
        if ((get32(key + K_COMPONENTS) >> index & 1) == 0)
            return SEAL_RULES_TRUST_IN_USE;
        if (j->t->flash.read(j->t->flash.user, at->base + offset, value, sizeof value) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        if (!seal_is_in_group(value) || !seal_is_in_group(value + 32)
            || j->t->crypto->verify(key + K_POINT, key + K_POINT + 32, digest, value) != SEAL_VERIFIED)
            return SEAL_RULES_TRUST_IN_USE;
        left++;
    }
    return left < j->set[T_NEED_IMAGES] ? (uint32_t)SEAL_RULES_TRUST_IN_USE : (uint32_t)SEAL_ACCEPTED;
}

/* What the device starts, and its recovery image, would start under the new set as well. */
static uint32_t check_in_use(struct judgement *j)
{
    const struct seal_product *product = j->t->product;
    uint32_t i;

    for (i = 0; i < product->component_count; i++) {
        const struct seal_component *c = &product->components[i];
        uint32_t slot = j->running->run_slot[i], code;

        if (slot == NOTHING && !c->recovery)
            continue;
        if (slot == NOTHING)
            slot = 0;
        if (slot >= c->run_slots)
            return SEAL_DEVICE_UNREADABLE;
        code = read_statement(j, i, slot);
        if (code == SEAL_DEVICE_UNREADABLE && (!c->recovery || c->run[0].erased != SEAL_UNREADABLE))
            return code;
        if (code != SEAL_READ)
            continue;   /* no image: it does not start today either */
        code = check_signers(j, i, c->detached ? &c->header[slot] : &c->run[slot]);
        if (code != SEAL_ACCEPTED)
            return code;
    }
    return SEAL_ACCEPTED;
}

static int is_held(const struct seal_trust *t, const uint8_t *set, uint32_t size)
{
    return size == t->set_size && seal_differ(set, t->set, size) == 0;
}

/* The number rises; its first byte by one where the contingency key has signed, and only there. */
static uint32_t check_number(struct judgement *j)
{
    uint32_t new = get32(j->set + T_NUMBER), held = get32(j->t->set + T_NUMBER);
    uint32_t step = (new >> GENERATION) - (held >> GENERATION);

    if (j->by_contingency ? step == 1 : ((step == 0 && new > held) || is_held(j->t, j->set, j->size)))
        return SEAL_ACCEPTED;
    return SEAL_ROLLBACK_TRUST_NUMBER;
}

typedef uint32_t (*update_check)(struct judgement *j);

static const update_check checks[] = {
    check_form, check_signer, check_signature, check_identity, check_apex, check_revocations, check_trial,
    check_in_use, check_number
};

uint32_t seal_trust_judge(struct seal_trust *t, const struct seal_running *running, const struct seal_reader *update,
                          uint8_t *buffer)
{
    static const uint32_t count = sizeof checks / sizeof checks[0];
    struct judgement j;
    uint32_t i, passed = 0;

    if (t->set_size == 0)
        return SEAL_DEVICE_NO_TRUST_SET;
    if (update->size < TAIL_BYTES || update->size > SEAL_TRUST_UPDATE_MAX)
        return SEAL_STRUCTURE_TRUST_SET;
    if (update->read(update->user, 0, buffer, update->size) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    j.t = t;
    j.running = running;
    j.set = buffer;
    j.size = update->size - TAIL_BYTES;
    j.by_contingency = 0;
    for (i = 0; i < count; i++) {
        uint32_t code = checks[i](&j);
        if (code != SEAL_ACCEPTED)
            return code;
        passed++;
    }
    /* hardening: a skipped check has not been counted. This makes one glitch less
     * likely to help; it guarantees nothing. */
    return passed == count ? (uint32_t)SEAL_ACCEPTED : (uint32_t)SEAL_DEVICE_NOT_RUN;
}

/* -- "In flash" ------------------------------------------------------------------------ */

struct layout {
    uint32_t block, page, unit;
    uint32_t place, mark;       /* bytes of each place, and of the mark in it      */
    uint32_t places;                    /* 2; 1 where the slot holds one block: no update can be taken */
};

/* What a place was read as; once, into RAM. */
struct found {
    uint32_t whole;             /* 1: a set that may count                        */
    uint32_t marked;            /* 1: and its mark says that it was finished      */
    uint32_t number, size;
    uint8_t digest[DIGEST_BYTES];
};

static uint32_t plan(const struct seal_trust *t, struct layout *l)
{
    uint32_t most;

    if (t->flash.geometry(t->flash.user, t->slot.base, &l->block, &l->page, &l->unit) != SEAL_READ || l->block == 0
        || l->page == 0 || l->unit == 0)
        return SEAL_DEVICE_UNREADABLE;
    if (l->unit > SEAL_WRITE_UNIT)      /* the buffers have no room */
        return SEAL_DEVICE_UNWRITABLE;
    l->mark = l->unit > DIGEST_BYTES ? l->unit : DIGEST_BYTES;
    most = (SEAL_TRUST_SET_MAX + DIGEST_BYTES + 2u * l->mark + l->block - 1) / l->block * l->block;
    l->place = t->slot.size / 2u / l->block * l->block;
    if (l->place > most)
        l->place = most;
    l->places = 2;
    if (l->place == 0) {
        l->place = t->slot.size;
        l->places = 1;
    }
    return SEAL_WRITTEN;
}

static uint32_t base_of(const struct seal_trust *t, const struct layout *l, uint32_t place)
{
    return t->slot.base + place * l->place;
}

/* Where the mark of a set begins: the first unit behind its digest. */
static uint32_t mark_of(const struct layout *l, uint32_t size)
{
    return (size + DIGEST_BYTES + l->unit - 1) / l->unit * l->unit;
}

static int is_ours(const struct seal_trust *t, const uint8_t *s)
{
    return seal_differ(s + T_VENDOR, t->product->vendor_id, 16) == 0
           && seal_differ(s + T_CLASS, t->product->class_id, 16) == 0;
}

/* Reads a place into t->set. least: the monotonic number, below which no set counts. */
static void read_place(const struct seal_trust *t, const struct layout *l, uint32_t place, uint32_t least,
                       struct found *f)
{
    uint32_t at = base_of(t, l, place), size;
    uint8_t *s = t->set;

    f->whole = 0;
    f->marked = 0;
    if (l->place < HEAD_BYTES || t->flash.read(t->flash.user, at, s, HEAD_BYTES) != SEAL_READ)
        return;
    size = size_of(s);
    if (size == 0 || mark_of(l, size) + l->mark > l->place
        || t->flash.read(t->flash.user, at + HEAD_BYTES, s + HEAD_BYTES, size + DIGEST_BYTES - HEAD_BYTES) != SEAL_READ)
        return;
    sha256(t, s, size, f->digest);
    if (seal_differ(f->digest, s + size, DIGEST_BYTES) != 0 || !is_set(t, s, size) || !is_ours(t, s)
        || get32(s + T_NUMBER) < least)
        return;
    f->whole = 1;
    f->number = get32(s + T_NUMBER);
    f->size = size;
    f->marked = t->flash.read(t->flash.user, at + mark_of(l, size), s + size + DIGEST_BYTES, DIGEST_BYTES) == SEAL_READ
                && seal_differ(s + size + DIGEST_BYTES, f->digest, DIGEST_BYTES) == 0;
}

/* Programs whole units, in pieces inside one page. */
static uint32_t program(const struct seal_trust *t, const struct layout *l, uint32_t at, const uint8_t *from,
                        uint32_t length)
{
    while (length != 0) {
        uint32_t part = l->page - at % l->page;
        if (part > length)
            part = length;
        if (t->flash.program(t->flash.user, at, from, part) != SEAL_WRITTEN)
            return SEAL_DEVICE_UNWRITABLE;
        at += part;
        from += part;
        length -= part;
    }
    return SEAL_WRITTEN;
}

/* 1 when flash reads as these bytes. */
static int reads_as(const struct seal_trust *t, uint32_t at, const uint8_t *bytes, uint32_t length)
{
    while (length != 0) {
        uint32_t part = length < sizeof t->work->piece ? length : (uint32_t)sizeof t->work->piece;
        if (t->flash.read(t->flash.user, at, t->work->piece, part) != SEAL_READ
            || seal_differ(t->work->piece, bytes, part) != 0)
            return 0;
        at += part;
        bytes += part;
        length -= part;
    }
    return 1;
}

/* Writes a set into a place: erased, the digest behind everything else, read back, then the mark. What
 * stands behind the set in its buffer is overwritten. */
static uint32_t write_place(const struct seal_trust *t, const struct layout *l, uint32_t place, uint8_t *s,
                            uint32_t size)
{
    uint32_t base = base_of(t, l, place), mark = mark_of(l, size), first = size / l->unit * l->unit, at;

    for (at = 0; at < l->place; at += l->block)
        if (t->flash.erase(t->flash.user, base + at) != SEAL_WRITTEN)
            return SEAL_DEVICE_UNWRITABLE;
    sha256(t, s, size, s + size);
    fill(s + size + DIGEST_BYTES, mark - size - DIGEST_BYTES, 0xFF);
    move(s + mark, s + size, DIGEST_BYTES);
    fill(s + mark + DIGEST_BYTES, l->mark - DIGEST_BYTES, 0xFF);
    if (program(t, l, base, s, first) != SEAL_WRITTEN
        || program(t, l, base + first, s + first, mark - first) != SEAL_WRITTEN
        || !reads_as(t, base, s, size + DIGEST_BYTES)
        || program(t, l, base + mark, s + mark, l->mark) != SEAL_WRITTEN)
        return SEAL_DEVICE_UNWRITABLE;
    return SEAL_WRITTEN;
}

/* The monotonic number follows the set; not before both places hold it. */
static uint32_t raise_number(const struct seal_trust *t, uint32_t number)
{
    if (t->raise == 0)
        return SEAL_WRITTEN;
    return t->raise(t->user, number) == SEAL_WRITTEN ? SEAL_WRITTEN : SEAL_DEVICE_UNWRITABLE;
}

/* 1 when there is a set that is compiled in, and it counts. */
static int factory_counts(const struct seal_trust *t, uint32_t number)
{
    return t->factory != 0 && t->number != 0 && t->factory_size <= SEAL_TRUST_SET_MAX
           && is_set(t, t->factory, t->factory_size) && is_ours(t, t->factory)
           && get32(t->factory + T_NUMBER) >= number;
}

uint32_t seal_trust_open(struct seal_trust *t)
{
    struct found f[2], again;
    struct layout l;
    uint32_t number = 0, best, place, code = plan(t, &l);
    int same[2];

    t->set_size = 0;
    if (code != SEAL_WRITTEN)
        return code;
    if (t->number != 0 && t->number(t->user, &number) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    read_place(t, &l, 0, number, &f[0]);
    if (l.places == 2)
        read_place(t, &l, 1, number, &f[1]);
    else
        f[1].whole = 0;
    best = f[0].whole && (!f[1].whole || f[1].number < f[0].number) ? 0 : 1;
    if (!f[0].whole && !f[1].whole) {
        if (!factory_counts(t, number))
            return SEAL_DEVICE_NO_TRUST_SET;
        move(t->set, t->factory, t->factory_size);
        f[1].number = get32(t->set + T_NUMBER);
        f[1].size = t->factory_size;
    } else if (best == 0) {
        read_place(t, &l, 0, number, &again);   /* t->set holds what place 1 was read as */
        if (!again.whole || seal_differ(again.digest, f[0].digest, DIGEST_BYTES) != 0)
            return SEAL_DEVICE_UNREADABLE;
    }
    for (place = 0; place < 2; place++)
        same[place] = f[place].whole && seal_differ(f[place].digest, f[best].digest, DIGEST_BYTES) == 0;
    /* place 1 is written first: without its mark it may be torn, as long as there is something to go back to */
    if (l.places == 2 && (!same[1] || (!f[1].marked && (f[0].whole || factory_counts(t, number)))))
        code = write_place(t, &l, 1, t->set, f[best].size);
    if (code == SEAL_WRITTEN && l.places == 2 && (!same[0] || !f[0].marked))
        code = write_place(t, &l, 0, t->set, f[best].size);
    if (code == SEAL_WRITTEN && number < f[best].number)
        code = raise_number(t, f[best].number);
    if (code != SEAL_WRITTEN)
        return code;
    t->set_size = f[best].size;
    return SEAL_ACCEPTED;
}

uint32_t seal_trust_take(struct seal_trust *t, const struct seal_running *running, const struct seal_reader *update,
                         uint8_t *buffer)
{
    struct layout l;
    uint32_t size, code = seal_trust_judge(t, running, update, buffer);

    if (code != SEAL_ACCEPTED)
        return code;
    size = update->size - TAIL_BYTES;
    if (is_held(t, buffer, size))
        return SEAL_ACCEPTED;
    code = plan(t, &l);
    if (code != SEAL_WRITTEN)
        return code;
    if (l.places != 2 || mark_of(&l, size) + l.mark > l.place)
        return SEAL_DEVICE_BUFFER_TOO_SMALL;
    t->set_size = 0;
    code = write_place(t, &l, 1, buffer, size);
    if (code == SEAL_WRITTEN)
        code = write_place(t, &l, 0, buffer, size);
    if (code == SEAL_WRITTEN)
        code = raise_number(t, get32(buffer + T_NUMBER));
    if (code != SEAL_WRITTEN)
        return code;
    move(t->set, buffer, size);
    t->set_size = size;
    return SEAL_ACCEPTED;
}
