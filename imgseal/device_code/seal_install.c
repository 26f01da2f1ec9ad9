/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Installs update packages; see seal_install.h. Section names in comments are those of
 * docs/format/install-record.md.
 */
#include "seal_install.h"

#include "seal_inside.h"

/* What the next bytes of a package are: heads of CBOR items first. */
enum step { MAP, KEY, LENGTH, MEMBER, NAME, STATEMENT, TEXT_MEMBER, BODY, END };

/* Major types of CBOR items, and a bit for each that may stand at a step. */
enum { UINT = 0, BYTES = 2, TEXT = 3, PAIRS = 5 };
static const uint8_t kinds[] = { 1u << PAIRS, 1u << UINT | 1u << TEXT, 1u << BYTES };

#define TEXT_KEY 23u

/* Bytes that are programmed last: whole units, with the magic. */
#if SEAL_WRITE_UNIT > 8
#define FIRST SEAL_WRITE_UNIT
#else
#define FIRST 8u
#endif

/* Merged into its one caller, such a function makes it longer by more than a call is. */
#ifdef __GNUC__
#define APART __attribute__((noinline))
#else
#define APART
#endif

#define BIT(index) ((uint32_t)1 << (index))

static uint8_t *record_of(const struct seal_install *i)
{
    return i->boot->journal.record;
}

/* 1 when a part begins with the header of an image. */
static int has_header(const struct seal_part *part)
{
    return part->header == part->own->detached;
}

/* 1 when the package has this part, for this device, and it begins with the header of an image. */
static int brings_image(const struct seal_part *part)
{
    return part->at != 0 && part->taken && has_header(part);
}

/* 1 when a first look has left a part to be made later: nothing of it is there to be read. */
static int is_later(const struct seal_install *i, const struct seal_part *part)
{
#ifdef SEAL_PATCHES
    return (i->later & BIT(part->component)) != 0;
#else
    (void)i;
    (void)part;
    return 0;
#endif
}

/* The entry of a component in the set that runs. */
static uint8_t *running(const struct seal_install *i, uint32_t index)
{
    return member(i->boot, record_of(i), 0, index);
}

/* -- where images lie ------------------------------------------------------------------------ */

/* Where a part belongs that runs from a run slot. */
static const struct seal_slot *run_place(const struct seal_part *part)
{
    return (part->header ? part->own->header : part->own->run) + part->run_slot;
}

/* Where the installer writes a part before the bootloader takes over: into its run slot, or where it
 * waits; 0: it has no second place. */
static const struct seal_slot *place_of(const struct seal_part *part, uint32_t *in_front)
{
    const struct seal_component *c = part->own;

    *in_front = 0;
    if (c->run_slots > 1 || c->recovery)
        return run_place(part);
    if (c->detached && !part->header)
        *in_front = c->header_block;
    return c->staging.size != 0 ? &c->staging : 0;
}

/* Where a part can be read, as exactly so many bytes: where it was written, else in the package. */
static void find(struct seal_install *i, const struct seal_part *part, struct seal_stretch *window, struct seal_reader *reader)
{
    uint32_t in_front;
    const struct seal_slot *place = place_of(part, &in_front);

    struct seal_slot slot = { 0, 0, 0, 0 };

    slot.base = part->at;
    slot.size = part->size;
    if (i->dry)
        place = 0;
    if (place != 0)
        slot.base = place->base + in_front;
    as_reader(i->boot, &slot, window, reader);
    if (place == 0)
        window->flash = &i->package_at;
}

/* The same for the image whose header this is: the payload of a detached one stands in front of it. */
static void find_image(struct seal_install *i, const struct seal_part *part, struct seal_reader *image,
                       struct seal_reader *payload)
{
    find(i, part, &i->window[0], image);
    *payload = *image;
    if (part->header)
        find(i, part - 1, &i->window[1], payload);
}

/* 1 when so many bytes of a reader have this digest. */
static int hashes_to(struct seal_install *i, const struct seal_reader *from, uint32_t at, uint32_t size, const uint8_t wanted[32])
{
    struct seal_boot *b = i->boot;
    uint8_t digest[32];

    b->crypto->sha256_begin(b->work->hash.bytes);
    if (seal_read_through(b->crypto->sha256_add, b->work, from, at, size) != SEAL_READ)
        return 0;
    b->crypto->sha256_end(b->work->hash.bytes, digest);
    return seal_differ(digest, wanted, 32) == 0;
}

/* 1 when flash holds the bytes of a part. */
static int holds(struct seal_install *i, uint32_t base, const struct seal_part *part)
{
    struct seal_reader flash;

    flash.read = i->boot->flash.read;
    flash.user = i->boot->flash.user;
    return hashes_to(i, &flash, base, part->size, part->digest);
}

/* 1 when the image of this statement lies whole in the run slot of a part. */
static int runs_whole(struct seal_install *i, const struct seal_part *part, const uint8_t statement[32])
{
    const struct seal_component *c = part->own;
    struct lying image;

    waiting(i->boot, c, run_place(part), &image);
    if (part->header) {
        as_reader(i->boot, &c->run[part->run_slot], &image.payload, &image.source.payload);
        image.source.payload_at = 0;
    }
    return is_whole(i->boot, &image.source, statement);
}

/* -- the record -------------------------------------------------------------------------------- */

/* The other set becomes the current one, as far as nothing is delivered. */
static void copy_set(const struct seal_boot *b)
{
    uint8_t *r = b->journal.record;

    move(member(b, r, 1, 0), member(b, r, 0, 0), MEMBER_BYTES * (uint32_t)b->product->component_count);
}

/* A device that shows no record begins on one in which everything is zero or empty. */
static void empty_record(const struct seal_boot *b)
{
    uint8_t *r = b->journal.record;
    uint32_t k;

    clear(r, b->record_bytes);
    move(r, record_magic, 8);
    r[R_FORMAT] = 1;
    r[R_PHASE] = PHASE_SETTLED;
    r[R_MEMBER_COUNT] = b->product->component_count;
    for (k = 0; k < b->product->component_count; k++) {
        uint8_t *m = member(b, r, 0, k);
        m[0] = b->product->components[k].number;
        m[1] = NOTHING;
    }
    copy_set(b);
}

/* "Delivery begins", unless the record says so already; then slots may be changed. */
static uint32_t begin_delivery(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    uint8_t *r = record_of(i);

    if (i->begun)
        return tidy(b);
    i->begun = 1;
    r[R_PHASE] = PHASE_DELIVERING;
    clear(r + R_ATTEMPTS, 14);  /* starts, prepared, kept and placed stand side by side */
    r[R_TRIAL] = 0;
    put32(r + R_TARGET_SEQUENCE, i->package.sequence);
    move(r + R_TARGET_DIGEST, i->package.digest, 32);
    copy_set(b);
    return commit(b);
}

/* "Component delivered", once all its parts are there; the digest of the one with the header is its
 * statement's then. */
static uint32_t deliver(struct seal_install *i)
{
    const struct seal_part *part = i->part;
    struct seal_boot *b = i->boot;
    uint8_t *r = record_of(i);
    uint32_t code;

    if (i->component->detached && (i->half & i->bit) == 0) {
        i->half |= i->bit;
        return SEAL_WRITTEN;
    }
    code = begin_delivery(i);
    if (code != SEAL_WRITTEN)
        return code;
    if (i->component->recovery) {
        code = judge_alone(b, part->component);
        if (code != SEAL_ACCEPTED)
            return code;
        r[R_RECOVERY] = 0;
    } else {
        uint8_t *m = member(b, r, 1, part->component);
        m[1] = part->run_slot;
        move(m + 4, part[!i->headed].digest, 32);    /* a header stands behind its payload */
        /* that the entry was the other set's: current is what starts */
        if (seal_differ(member(b, r, 1, part->component) + 4, m + 4, 32) != 0)
            return SEAL_DEVICE_UNWRITABLE;
    }
    i->prepared |= i->bit;
    put32(r + R_PREPARED, i->prepared);
    return commit(b);
}

/* -- what stands in front of the payloads -------------------------------------------------------- */

/* 1 when the package is the release that runs. */
static int is_running(const struct seal_install *i)
{
    const uint8_t *r = record_of(i);
    uint32_t at = R_TARGET_DIGEST, sequence = R_TARGET_SEQUENCE;

    if (r[R_PHASE] == PHASE_SETTLED) {
        at = R_MANIFEST_DIGEST;
        sequence = R_SEQUENCE;
    }
    return (r[R_PHASE] == PHASE_SETTLED || r[R_PHASE] == PHASE_UNPROVEN) && get32(r + sequence) == i->package.sequence
           && seal_differ(r + at, i->package.digest, 32) == 0;
}

/* The version of an image of the set that would run. */
static void know_version(struct seal_install *i, uint8_t number, const uint8_t version[16])
{
    struct seal_version *v = &i->boot->versions[i->versions++];

    v->component = number;
    move(v->bytes, version, 16);
}

/* "What is new", as far as the manifest tells: a component whose build for the slot that it runs
 * from lies there byte for byte stays. Of the release that runs, which may have left it with other
 * signatures, one of the same version stays where it is whole; a package in storage tells it
 * without that, at the first look. The recovery image is in no set. */
static void compare_with_what_runs(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    const struct seal_part *part = i->package.part;
    uint32_t left, k, there = 0, differs = 0, other = 0, brought = 0;
    int again = !i->dry && i->stored == 0 && is_running(i);

    i->startable = judge_set(b, 0) == SEAL_ACCEPTED;
    i->recovery_starts = good_recovery(b) != NOTHING;
    for (left = i->package.parts; left != 0; left--, part++) {
        const struct seal_component *c = part->own;
        const uint8_t *m = running(i, part->component);
        uint32_t bit = BIT(part->component);

        if (part->taken)
            brought |= bit;
        if (!c->recovery)
            i->brings |= bit;
        if (c->recovery ? !i->recovery_starts : m[1] != part->run_slot)
            continue;
        there |= bit;
        if ((c->recovery || named(b, 0, part->component)) && holds(i, run_place(part)->base, part))
            continue;
        other |= bit;
        if (!again || !has_header(part) || !runs_whole(i, part, m + 4)
            || seal_check_layers(&i->device, &i->package, i->buffer, part, b->work->statement) != SEAL_ACCEPTED)
            differs |= bit;
    }
    i->held = there & ~other;
    i->unchanged |= there & ~differs;
    for (k = 0; k < b->product->component_count; k++)
        if ((brought & BIT(k)) == 0 && named(b, 0, k))
            know_version(i, b->product->components[k].number, b->work->statement + SEAL_AT_VERSION);
    know_version(i, 0, b->bootloader);
}

/* What a package is judged by. */
static void know_device(struct seal_install *i)
{
    const struct seal_boot *b = i->boot;
    struct seal_installer *d = &i->device;
    const uint8_t *r = record_of(i);
    uint32_t k;

    d->product = b->product;
    d->crypto = b->crypto;
    d->development = b->development;
    d->revoked = b->revoked;
    d->revoked_count = b->revoked_count;
    d->trial_open = r[R_PHASE] == PHASE_TRIAL;
    d->fresh = 0;
    d->refused_count = r[R_REFUSED_COUNT];
    d->refused = (const uint8_t(*)[32])(r + R_REFUSED);
    d->sequence = get32(r + R_SEQUENCE);
    d->manifest_digest = r + R_MANIFEST_DIGEST;
    d->free_slot = i->free_slot;
    for (k = 0; k < b->product->component_count; k++)
        i->free_slot[k] = running(i, k)[1] == 0;
}

APART static uint32_t judge_front(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    const uint8_t *r = record_of(i);
    struct seal_installer before;
    uint32_t code;

    move((uint8_t *)&before, (const uint8_t *)&i->device, sizeof before);
    know_device(i);     /* as in the beginning: a store or a load may have been skipped */
    if (seal_differ((const uint8_t *)&before, (const uint8_t *)&i->device, sizeof before) != 0)
        return SEAL_DEVICE_NOT_RUN;
    code = seal_read_front(&i->device, i->buffer, i->used, i->members, i->digest, b->work, &i->package);
    if (code != SEAL_ACCEPTED)
        return code;
    i->judged = 1;
    i->used = i->package.buffer_length;
    if (r[R_PHASE] == PHASE_DELIVERING && seal_differ(r + R_TARGET_DIGEST, i->package.digest, 32) == 0) {
        i->begun = 1;
        i->prepared = get32(r + R_PREPARED);
    }
    compare_with_what_runs(i);
    return SEAL_WRITTEN;
}

/* -- payloads -------------------------------------------------------------------------------------- */

/* Whether the payload's name that stands at mark may follow the last one: longer, or of the same
 * length and greater. */
static int follows(const struct seal_install *i)
{
    const uint8_t *mine = i->buffer + i->mark, *other;
    uint32_t k = 0;

    if (i->last == 0 || i->last->key_length != i->number)
        return i->last == 0 || i->last->key_length < i->number;
    other = i->buffer + i->last->key_at;
    while (k < i->number - 1 && mine[k] == other[k])
        k++;
    return mine[k] > other[k];
}

/* Finds the part that a payload is for. */
APART static uint32_t find_part(struct seal_install *i)
{
    struct seal_part *part = i->package.part;
    uint32_t left, taken = 0;

    i->part = 0;
    for (left = i->package.parts; left != 0; left--, part++) {
        if (part->key_length != i->number || seal_differ(i->buffer + part->key_at, i->buffer + i->mark, i->number) != 0)
            continue;
        taken += part->taken;
        if (i->part == 0 || part->taken)
            i->part = part;
    }
    if (i->part == 0)
        return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (!follows(i))
        return SEAL_STRUCTURE_ENVELOPE;
    i->last = i->part;
    i->component = i->part->own;
    i->bit = BIT(i->part->component);
    i->headed = (uint8_t)has_header(i->part);
    /* an image says of which component it is: no two of them are the same bytes */
    return taken > 1 ? SEAL_IDENTITY_LAYERS_DISAGREE : SEAL_ACCEPTED;
}

APART static uint32_t program(struct seal_install *i, uint32_t address, uint8_t *from, uint32_t length)
{
    struct seal_reader ram;

    ram.read = read_ram;
    ram.user = from;
    ram.size = length;
    return program_range(i->boot, address, &ram, 0, length);
}

/* Programs the bytes of the page that came. */
static uint32_t flush(struct seal_install *i)
{
    uint32_t at = i->address, length = i->fill;

    i->address += length;
    i->fill = 0;
    i->page = i->boot->page_room;
    return program(i, at, i->boot->page, length);
}

/* Bytes of a payload that is written. */
static uint32_t write(struct seal_install *i, const uint8_t *bytes, uint32_t length)
{
    uint32_t code = SEAL_WRITTEN;

    while (code == SEAL_WRITTEN && length != 0) {
        uint32_t room = i->page - i->fill, part = length < room ? length : room;
        move(i->boot->page + i->fill, bytes, part);
        i->fill += part;
        bytes += part;
        length -= part;
        if (part == room)
            code = flush(i);
    }
    return code;
}

/* Hashes what comes from here on. */
static void begin_hash(struct seal_install *i, const uint8_t *bytes, uint32_t length)
{
    const struct seal_boot *b = i->boot;

    b->crypto->sha256_begin(b->work->hash.bytes);
    b->crypto->sha256_add(b->work->hash.bytes, bytes, length);
}

/* Before the bytes of a payload behind its statement, if it has one: erases where it is written.
 * Nothing that has no second place, and no recovery image, goes before all of the package is there. */
static uint32_t open_part(struct seal_install *i)
{
    const struct seal_component *c = i->component;
    const struct seal_part *part = i->part;
    struct seal_boot *b = i->boot;
    uint32_t in_front, come = i->headed ? SEAL_STATEMENT_BYTES : 0;
    const struct seal_slot *place = place_of(part, &in_front);

    i->step = BODY;
    i->writing = 0;
    i->wanted = 0;
    if (part->taken && ((i->unchanged | i->prepared) & i->bit) == 0) {
        if ((place == 0 || c->recovery) && i->stored == 0) {
            if (i->headed)
                return SEAL_DEVICE_NOT_STORED;
        } else if (!i->dry) {
            i->wanted = 1;
            i->writing = place != 0;
        }
    }
    if (i->writing) {
        uint32_t code;

        if (part->size > (part->header ? c->header_block : place->size - in_front))
            return SEAL_PLACEMENT_LARGER_THAN_SLOT;
        code = begin_delivery(i);
        if (code == SEAL_WRITTEN && c->recovery) {
            record_of(i)[R_RECOVERY] = 1;
            code = commit(b);
        }
        if (code == SEAL_WRITTEN && (place != &c->staging || (i->half & i->bit) == 0))
            code = erase_range(b, place->base, place->size);
        if (code != SEAL_WRITTEN)
            return code;
        i->base = place->base + in_front;
        i->first = i->headed ? FIRST : 0;
        i->address = i->base + i->first;
        i->page = b->page_room - i->first;
        i->fill = 0;
    }
    begin_hash(i, i->statement, come);
    return i->writing && come != 0 ? write(i, i->statement + i->first, come - i->first) : (uint32_t)SEAL_WRITTEN;
}

/* The statement of an image has come: what is done with the image. */
static uint32_t meet(struct seal_install *i)
{
    struct seal_part *part = i->part;
    const struct seal_component *c = i->component;
    struct seal_boot *b = i->boot;
    const uint8_t *m = running(i, part->component);

    i->want = i->number - SEAL_STATEMENT_BYTES;
    if (part->taken) {
        uint32_t code = seal_check_layers(&i->device, &i->package, i->buffer, part, i->statement);
        if (code != SEAL_ACCEPTED)
            return code;
        if (!c->recovery)
            know_version(i, c->number, i->statement + SEAL_AT_VERSION);
    }
    sha256(b, i->statement, SEAL_STATEMENT_BYTES, i->digest);
    if (c->recovery ? i->recovery_starts : m[1] == part->run_slot && seal_differ(m + 4, i->digest, 32) == 0)
        /* never from the last thing that still runs; but what does not start itself is mended */
        if ((c->recovery && !i->startable) || runs_whole(i, part, i->digest))
            i->unchanged |= i->bit;     /* with other signatures, perhaps; its other build may have been delivered */
    return open_part(i);
}

/* The last byte of a payload has come. */
APART static uint32_t close_part(struct seal_install *i)
{
    struct seal_part *part = i->part;
    uint32_t code = SEAL_WRITTEN;

    if (part->taken) {
        if (seal_differ(i->digest, part->digest, 32) != 0)
            return SEAL_DIGEST_IMAGE;
    }
    if (i->writing) {
        code = flush(i);
        if (code == SEAL_WRITTEN)
            code = program(i, i->base, i->statement, i->first);
        if (code != SEAL_WRITTEN)
            return code;
        if (!holds(i, i->base, part))
            return SEAL_DEVICE_UNWRITABLE;
    }
    if (i->headed)
        sha256(i->boot, i->statement, SEAL_STATEMENT_BYTES, part->digest);
    return part->taken && i->wanted ? deliver(i) : code;
}

/* The length of a payload has come; its bytes are next. */
static uint32_t meet_payload(struct seal_install *i, uint32_t length)
{
    struct seal_part *part = i->part;

    if (length > 0xFFFFFFFFu - i->position)
        return SEAL_STRUCTURE_ENVELOPE;
    part->at = i->position;
    i->number = length;
    i->want = length;
    if (part->taken) {
        if (length != part->size)
            return SEAL_DIGEST_IMAGE;
        i->held &= ~i->bit;
    }
    if (!i->headed)
        return open_part(i);
    if (length < SEAL_STATEMENT_BYTES)
        return part->taken ? (uint32_t)SEAL_IDENTITY_LAYERS_DISAGREE : open_part(i);
    i->step = STATEMENT;
    i->want = SEAL_STATEMENT_BYTES;
    return SEAL_WRITTEN;
}

/* -- the stream ------------------------------------------------------------------------------------ */

/* What was wanted has come: a head, as far as it is known to reach, or what it announced. Encodings
 * that are not the shortest one are refused. */
APART static uint32_t take_step(struct seal_install *i)
{
    const uint8_t *p = i->buffer + i->mark;
    uint32_t kind = 0, value = 0, code = SEAL_WRITTEN, step = LENGTH, want = 1;

    if (i->step <= LENGTH) {
        uint32_t there = i->used - i->mark, head = seal_head(p, there, &value);

        kind = p[0] >> 5;
        if ((kinds[i->step] >> kind & 1) == 0 || head - 1 > 4)
            return SEAL_STRUCTURE_ENVELOPE;
        i->want = head - there;
        if (i->want != 0)
            return code;
    }
    if (i->judged)
        i->used = i->mark;  /* what is behind it was looked at */
    switch ((enum step)i->step) {
    case KEY:
        if (kind == UINT) {
            /* the text is the last of them, and payloads come behind */
            if (i->judged || i->number == TEXT_KEY)
                return SEAL_STRUCTURE_ENVELOPE;
            i->members++;
        } else {
            step = NAME;
            want = value;
        }
        i->number = value;
        break;
    case NAME:
        code = find_part(i);
        break;
    case LENGTH:
        if (i->judged)
            return meet_payload(i, value);
        if (value > SEAL_MEMBER_MAX)
            return SEAL_STRUCTURE_ENVELOPE;
        step = MEMBER;
        want = value;
        if (i->number == TEXT_KEY) {
            step = TEXT_MEMBER;
            begin_hash(i, p, i->used - i->mark);
        }
        break;
    case STATEMENT:
        return meet(i);
    default:
        if (i->step == MAP)
            i->left = value + 1;
        if (i->step >= TEXT_MEMBER)
            i->boot->crypto->sha256_end(i->boot->work->hash.bytes, i->digest);
        if (i->step == BODY)
            code = close_part(i);
        step = KEY;
        if (--i->left == 0) {
            step = END;
            want = 0;
        }
        break;
    }
    if (code == SEAL_WRITTEN && !i->judged && (step == NAME || step == END))
        code = judge_front(i);
    if (step == NAME && want - 1 >= SEAL_KEY_MAX && code == SEAL_WRITTEN)
        code = SEAL_RULES_OUTSIDE_PROFILE;
    i->step = (uint8_t)step;
    i->want = want;
    i->mark = i->used;
    return code;
}

/* Bytes that are wanted. */
static uint32_t take_bytes(struct seal_install *i, const uint8_t *bytes, uint32_t length)
{
    uint8_t *to = i->buffer + i->used;
    uint32_t want = i->want;

    i->want -= length;
    i->position += length;
    if (i->step >= TEXT_MEMBER) {
        i->boot->crypto->sha256_add(i->boot->work->hash.bytes, bytes, length);
        return i->step == BODY && i->writing ? write(i, bytes, length) : (uint32_t)SEAL_WRITTEN;
    }
    if (i->step == STATEMENT) {
        to = i->statement + SEAL_STATEMENT_BYTES - want;
    } else {
        if (length > i->room - i->used)
            return SEAL_DEVICE_BUFFER_TOO_SMALL;
        i->used += length;
    }
    move(to, bytes, length);
    return SEAL_WRITTEN;
}

static void start(struct seal_install *i, uint32_t dry, uint32_t unchanged)
{
    if (!i->boot->journal.found)
        empty_record(i->boot);
    clear(&i->judged, offsetof(struct seal_install, free_slot) - offsetof(struct seal_install, judged));
    i->code = SEAL_ACCEPTED;
    i->dry = (uint8_t)dry;
    i->unchanged = unchanged;
    if (i->stored != 0) {
        i->package_at.read = i->stored->read;
        i->package_at.user = i->stored->user;
    }
    i->mark = 2;    /* behind the tag, which is looked at with all the rest */
    i->want = 3;
    know_device(i);
}

void look_only(struct seal_install *i)
{
    start(i, 1, 0);
}

uint32_t seal_install_begin(struct seal_install *i)
{
    start(i, 0, 0);
    return SEAL_ACCEPTED;
}

uint32_t seal_install_take(struct seal_install *i, const uint8_t *bytes, uint32_t length)
{
    while (i->code == SEAL_ACCEPTED) {
        uint32_t part = length < i->want ? length : i->want, code;

        if (i->want == 0 && i->step != END)
            code = take_step(i);
        else if (length == 0)
            break;
        else if (part == 0)     /* behind the end */
            code = SEAL_STRUCTURE_ENVELOPE;
        else
            code = take_bytes(i, bytes, part);
        bytes += part;
        length -= part;
        i->code = code == SEAL_WRITTEN ? (uint32_t)SEAL_ACCEPTED : code;
    }
    return i->code;
}

#ifdef SEAL_PATCHES
/* -- payloads that are made here ------------------------------------------------------------------ */

/* What has come of the payload: from its statement, from flash, or from the page that is not written yet. */
static uint32_t read_made(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    struct seal_install *i = (struct seal_install *)user;
    const struct seal_flash *flash = &i->boot->flash;

    while (length != 0) {
        uint32_t address = i->base + offset, part = 1;

        if (i->headed && offset < SEAL_STATEMENT_BYTES) {
            *to = i->statement[offset];
        } else if (i->writing && address >= i->address) {
            *to = i->boot->page[address - i->address];
        } else {
            part = i->writing && i->address - address < length ? i->address - address : length;
            if (flash->read(flash->user, address, to, part) != SEAL_READ)
                return SEAL_DEVICE_UNREADABLE;
        }
        offset += part;
        to += part;
        length -= part;
    }
    return SEAL_READ;
}

/* The next bytes of the payload. It ends when the stream has ended as well. */
static uint32_t take_bytes_made(struct seal_install *i, const uint8_t *bytes, uint32_t length)
{
    uint32_t code = SEAL_WRITTEN;

    while (code == SEAL_WRITTEN && length != 0) {
        uint32_t part = length < i->want ? length : i->want;

        code = i->want == 0 ? take_step(i) : take_bytes(i, bytes, part);
        bytes += part;
        length -= part;
    }
    if (code != SEAL_WRITTEN)
        i->code = code;
    return code;
}

/* What is not written cannot be read back: then no more of it is made. */
static uint32_t take_made(void *user, uint32_t offset, const uint8_t *bytes, uint32_t length)
{
    struct seal_install *i = (struct seal_install *)user;
    uint32_t code = take_bytes_made(i, bytes, length);

    (void)offset;
    return code == SEAL_WRITTEN && (i->unchanged & i->bit) != 0 ? (uint32_t)SEAL_DEVICE_NOTHING_NEW : code;
}

/* The payload itself, which only has to be copied. */
static uint32_t copy_plain(struct seal_install *i, const struct seal_reader *from)
{
    uint8_t *piece = i->delta->page;
    uint32_t at, length;

    for (at = 0; at != from->size; at += length) {
        length = from->size - at < SEAL_DELTA_PAGE ? from->size - at : SEAL_DELTA_PAGE;
        if (from->read(from->user, at, piece, length) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        if (take_bytes_made(i, piece, length) != SEAL_WRITTEN)
            return SEAL_DEVICE_UNWRITABLE;
    }
    return SEAL_ACCEPTED;
}

/* That base and stream are those that were signed, and where the base lies. */
static uint32_t judge_patch(struct seal_install *i, const struct seal_patch *patch)
{
    const struct seal_component *c = i->component;
    const uint8_t *m = running(i, i->part->component);
    struct seal_reader *base = &i->delta->source[0];

    base->size = patch->base_size;
    if (base->size != 0) {
        const struct seal_slot *slot = (i->part->header ? c->header : c->run) + m[1];

        if (m[1] == NOTHING || base->size > slot->size)
            return SEAL_DIGEST_BASE;
        as_reader(i->boot, slot, &i->window[0], base);
        base->size = patch->base_size;
        if (!hashes_to(i, base, 0, base->size, patch->base_digest))
            return SEAL_DIGEST_BASE;
    }
    if (!hashes_to(i, &patch->stream, 0, patch->stream.size, patch->stream_digest))
        return SEAL_DIGEST_PATCH;
    return patch->plain && patch->stream.size != i->part->size ? SEAL_DIGEST_RESULT : SEAL_WRITTEN;
}

static uint32_t make(struct seal_install *i, const struct seal_part *part, const struct seal_patch *patch)
{
    struct seal_delta *d = i->delta;
    const struct seal_slot *place;
    uint32_t code, in_front, whole = 0;

    i->mark = part->key_at;
    i->number = part->key_length;
    code = find_part(i);
    i->mark = i->used;
    if (code != SEAL_ACCEPTED)
        return code;
    if (!i->part->taken)
        return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    place = place_of(i->part, &in_front);
    if ((place == 0 || i->component->recovery) && (i->stored == 0 || !patch->plain))
        return SEAL_DEVICE_NOT_STORED;
    if ((i->unchanged & i->bit) == 0) {
        /* where the bootloader asks for an image, bases may be overwritten already */
        if (!i->dry || patch->plain || record_of(i)[R_PHASE] != PHASE_SWITCHING) {
            code = judge_patch(i, patch);
            if (code != SEAL_WRITTEN)
                return code;
        }
        if (i->dry && !patch->plain) {
            i->later |= i->bit;
            i->held &= ~i->bit;
            i->part->at = 1;
            if (i->headed)
                know_version(i, i->part->own->number, i->part->version);
            i->want = 0;
            return SEAL_WRITTEN;
        }
        if (place != 0)
            i->base = place->base + in_front;
        i->left = 1;
        code = meet_payload(i, i->part->size);
        if (code != SEAL_WRITTEN)
            return code;
        d->source[1].read = read_made;
        d->source[1].user = i;
        d->source[1].size = i->part->size;
        d->write = take_made;
        d->user = i;
        code = patch->plain ? copy_plain(i, &patch->stream) : seal_delta_stored(d, &patch->stream);
        whole = patch->plain;   /* all of it is hashed, as of a payload that comes */
    }
    if (!whole && (i->unchanged & i->bit) != 0) {   /* the same with other signatures: it stays, and is not needed */
        i->versions -= i->part->at != 0 && !i->component->recovery;
        i->part->at = 0;
        i->held |= i->bit;
        i->step = END;
        i->want = 0;
        return SEAL_WRITTEN;
    }
    if (i->code != SEAL_ACCEPTED)
        return i->code;
    if (code != SEAL_ACCEPTED)
        return code;
    code = take_step(i);
    return code == SEAL_DIGEST_IMAGE ? (uint32_t)SEAL_DIGEST_RESULT : code;
}

uint32_t seal_install_patch(struct seal_install *i, uint32_t number, const struct seal_patch *patch)
{
    uint32_t code = seal_install_take(i, 0, 0);

    if (code == SEAL_ACCEPTED) {
        code = SEAL_STRUCTURE_ENVELOPE;
        if (i->judged && i->step == END && number < i->package.parts)
            code = make(i, &i->package.part[number], patch);
        i->code = code == SEAL_WRITTEN ? (uint32_t)SEAL_ACCEPTED : code;
    }
    return i->code;
}
#endif

/* -- the end ---------------------------------------------------------------------------------------- */

/* Every check of every image that the package brings, on the set that would run. */
static uint32_t judge_images(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    struct seal_state state;
    struct seal_subject subject;
    struct seal_header header;
    const struct seal_part *part = i->package.part;
    uint32_t left, code = SEAL_ACCEPTED;

    state_of(b, &state);
    state.versions = b->versions;
    state.version_count = (uint8_t)i->versions;
    state.whole_set = 1;
    for (left = i->package.parts; code == SEAL_ACCEPTED && left != 0; left--, part++) {
        const struct seal_component *c = part->own;
        uint32_t k = part->component;

        if (is_later(i, part) || !brings_image(part) || (!i->dry && ((i->prepared & ~i->unchanged & BIT(k)) == 0 || c->recovery)))
            continue;
        if (!i->dry && c->run_slots > 1) {
            code = judge_slot(b, k, part->run_slot, &state, 0, &header);
        } else {
            subject.where = SEAL_FILE;
            find_image(i, part, &subject.image, &subject.payload);
            if (!part->header)
                subject.payload.read = 0;
            code = seal_judge(b->product, &state, b->crypto, &subject, 0, b->work, &header);
        }
        /* while counters are behind, nothing below what runs */
        if (code == SEAL_ACCEPTED && record_of(i)[R_UNRAISED] != 0 && named(b, 0, k)
            && header.counter < get32(b->work->statement + SEAL_AT_COUNTER))
            code = SEAL_ROLLBACK_COUNTER_TOO_LOW;
    }
    return code;
}

/* 1 when the new set has an image of the package for each component that the package brings: none was
 * left out on the way. Of the release that runs others may stay, which are as good. */
static int is_one_set(const struct seal_install *i)
{
    const struct seal_part *part = i->package.part;
    uint8_t *r = record_of(i);
    uint32_t left, has = 0;

    for (left = i->package.parts; left != 0; left--, part++)
        if (seal_differ(part->digest, member(i->boot, r, 1, part->component) + 4, 32) == 0)
            has |= BIT(part->component);
    return i->brings == has || seal_differ(r + R_MANIFEST_DIGEST, i->package.digest, 32) == 0;
}

/* Every payload that this device takes has come, or its component is held. */
static uint32_t missed(struct seal_install *i)
{
    const struct seal_part *part = i->package.part;
    uint32_t left;

    for (left = i->package.parts; left != 0; left--, part++) {
        uint32_t bit = BIT(part->component);

        if (!part->taken || part->at != 0)
            continue;
        if ((i->held & bit) == 0)
            return SEAL_RULES_DIRECTIVE_FAILED;
        i->brings &= ~bit;
        if (has_header(part) && named(i->boot, 0, part->component))
            know_version(i, part->own->number, i->boot->work->statement + SEAL_AT_VERSION);
    }
    return SEAL_ACCEPTED;
}

/* The record with which the bootloader goes on. */
static uint32_t hand_over(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    uint32_t k, switched = 0, code = begin_delivery(i);
    uint8_t *r = record_of(i), trial = i->startable;

    if (code != SEAL_WRITTEN)
        return code;
    for (k = 0; k < b->product->component_count; k++) {
        const struct seal_component *c = &b->product->components[k];
        if ((i->unchanged & BIT(k)) != 0) {     /* also where its other build was delivered before that was seen */
            move(member(b, r, 1, k), running(i, k), MEMBER_BYTES);
            continue;
        }
        if ((i->prepared & BIT(k)) == 0 || c->recovery || c->run_slots > 1)
            continue;
        switched = 1;
        if (c->keep.size == 0)
            trial = 0;
    }
    if (!is_one_set(i))
        return SEAL_DEVICE_NOT_RUN;
    r[R_TRIAL] = trial;
    put32(r + R_PREPARED, i->prepared & ~i->unchanged);
    if (!switched)
        return try_set(b);
    r[R_PHASE] = PHASE_SWITCHING;
    return commit(b);
}

uint32_t seal_install_finish(struct seal_install *i)
{
    uint32_t code = seal_install_take(i, 0, 0);

    if (code == SEAL_ACCEPTED && i->step != END)
        code = SEAL_STRUCTURE_ENVELOPE;
    if (code == SEAL_ACCEPTED)
        code = missed(i);
    if (code == SEAL_ACCEPTED)
        code = judge_images(i);
    if (code == SEAL_ACCEPTED && !i->dry) {
        code = SEAL_DEVICE_NOTHING_NEW;
        if (i->begun || !is_running(i))
            code = hand_over(i);
        if (code == SEAL_WRITTEN)
            code = SEAL_ACCEPTED;
    }
    i->code = code;
    return code;
}

/* -- packages in storage ------------------------------------------------------------------------------ */

void take_stored(struct seal_install *i)
{
    const struct seal_reader *from = i->stored;
    uint8_t piece[64];

    while (i->code == SEAL_ACCEPTED) {
        uint32_t part = from->size - i->position;

        if (part > i->want)
            part = i->want;
        if (part > sizeof piece)
            part = sizeof piece;
        if (part == 0)
            break;
        if (from->read(from->user, i->position, piece, part) != SEAL_READ)
            i->code = SEAL_DEVICE_UNREADABLE;
        (void)seal_install_take(i, piece, part);
    }
}

/* A stored package from its first byte to its last. */
static uint32_t pass(struct seal_install *i, uint32_t dry, uint32_t unchanged)
{
    start(i, dry, unchanged);
#ifdef SEAL_PATCHES
    if (i->delivery != 0 && take_delivery(i))
        return seal_install_finish(i);
#endif
    take_stored(i);
    if (i->position != i->stored->size && i->code == SEAL_ACCEPTED)
        i->code = SEAL_STRUCTURE_ENVELOPE;
    return seal_install_finish(i);
}

uint32_t seal_install_stored(struct seal_install *i, const struct seal_reader *package)
{
    const struct seal_reader *before = i->stored;
    uint32_t code;

    i->stored = package;
    code = pass(i, 1, 0);
    if (code == SEAL_ACCEPTED)
        code = pass(i, 0, i->unchanged);
    i->stored = before;
    return code;
}

uint32_t seal_install_image(void *user, uint8_t component, const uint8_t statement[32], const uint8_t manifest[32],
                            struct seal_source *source)
{
    struct seal_install *i = (struct seal_install *)user;
    const struct seal_part *part = i->package.part;
    uint32_t left, code;

    if (i->stored == 0)
        return SEAL_DEVICE_NOT_STORED;
    (void)statement;    /* the bootloader looks at it itself, and whether the image is whole */
    code = pass(i, 1, 0);
    if (code != SEAL_ACCEPTED)
        return code;
    if (seal_differ(i->package.digest, manifest, 32) != 0)
        return SEAL_SIGNATURE_MANIFEST_DIGEST;
    for (left = i->package.parts; left != 0; left--, part++) {
        const struct seal_component *c = part->own;
        if (is_later(i, part) || !brings_image(part) || c->number != component)
            continue;
        find_image(i, part, &source->header, &source->payload);
        source->payload_at = part->header ? 0 : c->header_block;
        return SEAL_READ;
    }
    return SEAL_PLACEMENT_NO_SLOT;
}
