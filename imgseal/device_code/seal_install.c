/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Installs update packages; see seal_install.h. Section names in comments are those of
 * docs/format/install-record.md.
 */
#include "seal_install.h"

#include "seal_inside.h"

/* What the next bytes of a package are. */
enum step { TAG, MAP, KEY, LENGTH, MEMBER, TEXT_MEMBER, NAME, STATEMENT, BODY, END };

enum { UINT = 0, BYTES = 2, TEXT = 3, ARRAY_OF_PAIRS = 5 };     /* kinds of CBOR items */

#define TEXT_KEY 23u

static uint8_t *record_of(const struct seal_install *i)
{
    return i->boot->journal.record;
}

static const struct seal_component *component_of(const struct seal_install *i, const struct seal_part *part)
{
    return &i->boot->product->components[part->component];
}

/* 1 when a part begins with the header of an image. */
static int has_header(const struct seal_install *i, const struct seal_part *part)
{
    return part->header == component_of(i, part)->detached;
}

/* 1 when an image is written before the bootloader takes over: it has a second place. */
static int has_place(const struct seal_component *c)
{
    return c->run_slots > 1 || c->staging.size != 0;
}

static int is_prepared(const struct seal_install *i, uint32_t index)
{
    return i->begun && (get32(record_of(i) + R_PREPARED) >> index & 1) != 0;
}

/* -- where images lie ------------------------------------------------------------------------ */

/* Where a part belongs that runs from a run slot. */
static const struct seal_slot *run_place(const struct seal_component *c, const struct seal_part *part)
{
    return part->header ? &c->header[part->run_slot] : &c->run[part->run_slot];
}

/* Where the installer writes a part: into its run slot, or where it waits. Returns its first byte. */
static uint32_t target(const struct seal_install *i, const struct seal_part *part, uint32_t *room)
{
    const struct seal_component *c = component_of(i, part);
    const struct seal_slot *slot = run_place(c, part);
    uint32_t in_front = 0;

    if (c->run_slots < 2 && !c->recovery) {
        slot = &c->staging;
        in_front = c->detached && !part->header ? c->header_block : 0u;
    }
    *room = slot->size - in_front;
    if (part->header && *room > c->header_block)
        *room = c->header_block;
    return slot->base + in_front;
}

static uint32_t read_window(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const struct seal_window *w = (const struct seal_window *)user;

    return w->of->read(w->of->user, w->at + offset, to, length);
}

/* Where a part can be read, as exactly so many bytes: where it was written, else in the package. */
static void find(struct seal_install *i, const struct seal_part *part, struct stretch *stretch, struct seal_window *window,
                 struct seal_reader *reader)
{
    struct seal_slot slot = { 0, 0, 0, 0 };

    slot.size = part->length;
    if (stretch != 0 && !i->dry && has_place(component_of(i, part))) {
        slot.base = target(i, part, &slot.size);
        slot.size = part->length;
        as_reader(i->boot, &slot, stretch, reader);
    } else {
        window->of = i->stored;
        window->at = part->at;
        reader->read = read_window;
        reader->user = window;
        reader->size = part->length;
    }
}

/* 1 when flash holds the bytes of a part. */
static int holds(struct seal_install *i, uint32_t base, const struct seal_part *part)
{
    struct seal_boot *b = i->boot;
    uint8_t digest[32];
    uint32_t at, piece;

    b->crypto->sha256_begin(b->work->hash.bytes);
    for (at = 0; at < part->size; at += piece) {
        piece = part->size - at < sizeof b->work->piece ? part->size - at : (uint32_t)sizeof b->work->piece;
        if (b->flash.read(b->flash.user, base + at, b->work->piece, piece) != SEAL_READ)
            return 0;
        b->crypto->sha256_add(b->work->hash.bytes, b->work->piece, piece);
    }
    b->crypto->sha256_end(b->work->hash.bytes, digest);
    return seal_differ(digest, part->digest, 32) == 0;
}

/* 1 when the image of this statement lies whole in a run slot. */
static int runs_whole(struct seal_install *i, const struct seal_part *part, const uint8_t statement[32])
{
    const struct seal_component *c = component_of(i, part);
    struct stretch header, payload;
    struct seal_source source;

    as_reader(i->boot, run_place(c, part), &header, &source.header);
    as_reader(i->boot, &c->run[part->run_slot], &payload, &source.payload);
    source.payload_at = c->detached ? 0 : c->header_block;
    return is_whole(i->boot, &source, statement);
}

/* -- the record -------------------------------------------------------------------------------- */

/* "Delivery begins", unless the record says so already; then slots may be changed. */
static uint32_t begin_delivery(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    uint8_t *r = record_of(i);
    uint32_t k;

    if (i->begun)
        return tidy(b);
    i->begun = 1;
    r[R_PHASE] = PHASE_DELIVERING;
    r[R_ATTEMPTS] = 0;
    r[R_POWER_ONS] = 0;
    clear(r + R_PREPARED, 12);  /* kept and placed stand behind it */
    r[R_TRIAL] = 0;
    put32(r + R_TARGET_SEQUENCE, i->package.sequence);
    move(r + R_TARGET_DIGEST, i->package.digest, 32);
    for (k = 0; k < b->product->component_count; k++)
        move(member(b, r, 1, k), member(b, r, 0, k), MEMBER_BYTES);
    return commit(b);
}

/* A component stays as it is: the package brings what runs. Its other build may have been
 * delivered before that was seen. */
static uint32_t leave(struct seal_install *i, uint32_t index)
{
    uint32_t bit = (uint32_t)1 << index;
    uint8_t *r = record_of(i);

    i->unchanged |= bit;
    if (i->dry || !is_prepared(i, index) || i->boot->product->components[index].recovery)
        return SEAL_WRITTEN;
    put32(r + R_PREPARED, get32(r + R_PREPARED) & ~bit);
    move(member(i->boot, r, 1, index), member(i->boot, r, 0, index), MEMBER_BYTES);
    return commit(i->boot);
}

/* The part of a component that this device installs and that begins with a header, or else the other
 * one of a detached image; 0: none. */
static const struct seal_part *taken_part(const struct seal_install *i, uint32_t index, int with_header)
{
    uint32_t k;

    for (k = 0; k < i->package.parts; k++) {
        const struct seal_part *part = &i->package.part[k];
        if (part->taken && part->component == index && has_header(i, part) == with_header)
            return part;
    }
    return 0;
}

/* "Component delivered", once all its parts are there; the digest of the one with the header is its
 * statement's then. */
static uint32_t deliver(struct seal_install *i, const struct seal_part *part)
{
    uint32_t bit = (uint32_t)1 << part->component, code;
    const struct seal_component *c = component_of(i, part);
    uint8_t *r;

    if (c->detached && (i->half & bit) == 0) {
        i->half |= bit;
        return SEAL_WRITTEN;
    }
    code = begin_delivery(i);
    if (code != SEAL_WRITTEN)
        return code;
    r = record_of(i);
    put32(r + R_PREPARED, get32(r + R_PREPARED) | bit);
    if (!c->recovery) {
        uint8_t *m = member(i->boot, r, 1, part->component);
        m[1] = part->run_slot;
        move(m + 4, taken_part(i, part->component, 1)->digest, 32);
        /* that the entry was the other set's: current is what starts */
        if (seal_differ(member(i->boot, r, 1, part->component) + 4, m + 4, 32) != 0)
            return SEAL_DEVICE_UNWRITABLE;
    }
    return commit(i->boot);
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

/* "What is new", as far as the manifest tells: a component whose build for the slot that it runs
 * from lies there byte for byte stays; of the release that runs, whatever is whole. */
static uint32_t compare_with_what_runs(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    uint32_t k, code = SEAL_WRITTEN, there = 0, differs = 0;
    const struct seal_installer *d = &i->device;
    int running = is_running(i);

    i->startable = judge_set(b, 0) == SEAL_ACCEPTED;
    i->recovery_starts = good_recovery(b) != NOTHING;
    for (k = 0; k < i->package.parts; k++) {
        const struct seal_part *part = &i->package.part[k];
        const struct seal_component *c = component_of(i, part);
        const uint8_t *m = member(b, record_of(i), 0, part->component);
        uint32_t bit = (uint32_t)1 << part->component, base = run_place(c, part)->base;

        if (!c->recovery)
            i->brings |= bit;
        if (!c->recovery && m[1] != part->run_slot)
            continue;
        there |= bit;
        if (c->recovery || !running) {
            if (!holds(i, base, part)
                || (!c->recovery && has_header(i, part)
                    && (b->flash.read(b->flash.user, base, b->work->statement, SEAL_STATEMENT_BYTES) != SEAL_READ
                        || other_statement(b, m + 4) != 0)))
                differs |= bit;
        } else if (has_header(i, part)
                   && (!runs_whole(i, part, m + 4)
                       || seal_check_layers(d, &i->package, i->buffer, part, b->work->statement) != SEAL_ACCEPTED)) {
            differs |= bit;     /* damaged, or the set before, to which one that failed has given way */
        }
        /* never from the last thing that still runs; but what does not start itself is mended */
        if (c->recovery && i->recovery_starts && !i->startable)
            i->unchanged |= bit;
        if (c->recovery && !i->recovery_starts)
            differs |= bit;
    }
    i->unchanged |= there & ~differs;
    for (k = 0; code == SEAL_WRITTEN && k < b->product->component_count; k++)
        if ((i->unchanged >> k & 1) != 0)
            code = leave(i, k);
    return code;
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
        i->free_slot[k] = b->product->components[k].run_slots > 1 && member(b, record_of(i), 0, k)[1] == 0;
}

static uint32_t judge_front(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    const uint8_t *r = record_of(i);
    struct seal_installer before;
    uint32_t code;

    move((uint8_t *)&before, (const uint8_t *)&i->device, sizeof before);
    know_device(i);     /* as in the beginning: a store or a load may have been skipped */
    if (seal_differ((const uint8_t *)&before, (const uint8_t *)&i->device, sizeof before) != 0)
        return SEAL_DEVICE_NOT_RUN;
    code = seal_read_front(&i->device, i->buffer, i->used, i->members, i->text, b->work, &i->package);
    if (code != SEAL_ACCEPTED)
        return code;
    i->judged = 1;
    i->used = i->package.buffer_length;
    i->begun = r[R_PHASE] == PHASE_DELIVERING && seal_differ(r + R_TARGET_DIGEST, i->package.digest, 32) == 0;
    code = compare_with_what_runs(i);
    return code == SEAL_WRITTEN ? (uint32_t)SEAL_ACCEPTED : code;
}

/* -- payloads -------------------------------------------------------------------------------------- */

/* Whether the payload's name that stands at mark may follow the last one: longer, or of the same
 * length and greater. */
static int follows(const struct seal_install *i)
{
    const uint8_t *mine = i->buffer + i->mark, *other;
    uint32_t k;

    if (i->last == 0 || i->last->key_length != i->number)
        return i->last == 0 || i->last->key_length < i->number;
    other = i->buffer + i->last->key_at;
    for (k = 0; k < i->number; k++)
        if (mine[k] != other[k])
            return mine[k] > other[k];
    return 0;
}

/* Finds the part that a payload is for: one that this device installs, or the build that runs. */
static uint32_t find_part(struct seal_install *i)
{
    uint32_t k, taken = 0;

    i->part = 0;
    for (k = 0; k < i->package.parts; k++) {
        struct seal_part *part = &i->package.part[k];

        if (part->key_length != i->number || seal_differ(i->buffer + part->key_at, i->buffer + i->mark, i->number) != 0)
            continue;
        taken += part->taken;
        if (i->part == 0 || part->taken
            || (!i->part->taken && has_header(i, part)
                && member(i->boot, record_of(i), 0, part->component)[1] == part->run_slot))
            i->part = part;
    }
    if (i->part == 0)
        return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    if (!follows(i))
        return SEAL_STRUCTURE_ENVELOPE;
    i->last = i->part;
    i->used = i->mark;
    /* an image says of which component it is: no two of them are the same bytes */
    return taken > 1 ? SEAL_IDENTITY_LAYERS_DISAGREE : SEAL_ACCEPTED;
}

/* Programs the bytes of the page that came. */
static uint32_t flush(struct seal_install *i)
{
    struct seal_reader page = { read_ram, 0, 0 };
    uint32_t code;

    page.user = i->boot->page;
    code = program_range(i->boot, i->address, &page, 0, i->fill);
    i->address += i->fill;
    i->fill = 0;
    return code;
}

/* Bytes of a payload that is written. */
static uint32_t write(struct seal_install *i, const uint8_t *bytes, uint32_t length)
{
    uint32_t code = SEAL_WRITTEN;

    while (code == SEAL_WRITTEN && length != 0) {
        uint32_t room = i->page - i->address % i->page - i->fill, part = length < room ? length : room;
        move(i->boot->page + i->fill, bytes, part);
        i->fill += part;
        bytes += part;
        length -= part;
        if (part == room)
            code = flush(i);
    }
    return code;
}

static uint32_t erase_target(struct seal_install *i, const struct seal_component *c, uint32_t index)
{
    struct seal_boot *b = i->boot;
    uint8_t *r = record_of(i);
    uint32_t slot = i->part->run_slot, code = begin_delivery(i);

    if (code != SEAL_WRITTEN || (i->erased >> index & 1) != 0)
        return code;
    i->erased |= (uint32_t)1 << index;
    if (c->recovery && !r[R_RECOVERY]) {
        r[R_RECOVERY] = 1;
        code = commit(b);
    }
    if (c->run_slots < 2 && !c->recovery)
        return erase_range(b, c->staging.base, c->staging.size);
    if (code == SEAL_WRITTEN && c->detached)
        code = erase_range(b, c->header[slot].base, c->header[slot].size);
    return code == SEAL_WRITTEN ? erase_range(b, c->run[slot].base, c->run[slot].size) : code;
}

/* Before the bytes of a payload behind its statement, if it has one. */
static uint32_t open_part(struct seal_install *i)
{
    const struct seal_part *part = i->part;
    const struct seal_component *c = component_of(i, part);
    struct seal_boot *b = i->boot;
    uint32_t index = part->component, room, code;
    struct geometry g;

    i->first = 0;
    i->fill = 0;
    i->writing = !i->dry && part->taken && (i->unchanged >> index & 1) == 0 && !is_prepared(i, index)
                 && (has_place(c) || c->recovery);
    if (i->writing) {
        i->base = target(i, part, &room);
        if (part->length > room)
            return SEAL_PLACEMENT_LARGER_THAN_SLOT;
        code = erase_target(i, c, index);
        if (code == SEAL_WRITTEN)
            code = geometry_of(b, i->base, &g);
        if (code != SEAL_WRITTEN)
            return code;
        i->page = g.page < b->page_room ? g.page : b->page_room;
        if (has_header(i, part))
            i->first = g.unit > 8 ? g.unit : 8;
        i->address = i->base + i->first;
    }
    b->crypto->sha256_begin(b->work->hash.bytes);
    if (!has_header(i, part))
        return SEAL_ACCEPTED;
    b->crypto->sha256_add(b->work->hash.bytes, i->statement, SEAL_STATEMENT_BYTES);
    code = i->writing ? write(i, i->statement + i->first, SEAL_STATEMENT_BYTES - i->first) : (uint32_t)SEAL_WRITTEN;
    return code == SEAL_WRITTEN ? (uint32_t)SEAL_ACCEPTED : code;
}

/* The statement of an image has come: what is done with the image. */
static uint32_t meet(struct seal_install *i)
{
    struct seal_part *part = i->part;
    const struct seal_component *c = component_of(i, part);
    struct seal_boot *b = i->boot;
    const uint8_t *m = member(b, record_of(i), 0, part->component);
    uint8_t digest[32];
    uint32_t index = part->component, bit = (uint32_t)1 << index, code;

    if (part->taken) {
        code = seal_check_layers(&i->device, &i->package, i->buffer, part, i->statement);
        if (code != SEAL_ACCEPTED)
            return code;
    }
    sha256(b, i->statement, SEAL_STATEMENT_BYTES, digest);
    if ((i->unchanged & bit) == 0
        && (c->recovery ? i->recovery_starts : m[1] == part->run_slot && seal_differ(m + 4, digest, 32) == 0)
        && runs_whole(i, part, digest)) {   /* with other signatures, perhaps */
        code = leave(i, index);
        if (code != SEAL_WRITTEN)
            return code;
    }
    if (!part->taken || (i->unchanged & bit) != 0 || is_prepared(i, index))
        return open_part(i);
    if (i->stored == 0 && (c->recovery || !has_place(c)))
        return SEAL_DEVICE_NOT_STORED;
    return open_part(i);
}

/* The last byte of a payload has come. */
static uint32_t close_part(struct seal_install *i)
{
    struct seal_part *part = i->part;
    const struct seal_component *c = component_of(i, part);
    struct seal_boot *b = i->boot;
    struct seal_reader magic = { read_ram, 0, 0 };
    struct seal_state state;
    struct seal_header header;
    uint8_t digest[32];
    uint32_t code = SEAL_WRITTEN;

    if (part->taken) {
        b->crypto->sha256_end(b->work->hash.bytes, digest);
        if (seal_differ(digest, part->digest, 32) != 0)
            return SEAL_DIGEST_IMAGE;
    }
    if (i->writing) {
        magic.user = i->statement;
        code = flush(i);
        if (code == SEAL_WRITTEN)
            code = program_range(b, i->base, &magic, 0, i->first);
        if (code == SEAL_WRITTEN && !holds(i, i->base, part))
            code = SEAL_DEVICE_UNWRITABLE;
        if (code == SEAL_WRITTEN && c->recovery) {
            state_of(b, &state);
            code = judge_slot(b, part->component, 0, &state, 0, &header);
            if (code != SEAL_ACCEPTED)
                return code;
            record_of(i)[R_RECOVERY] = 0;
            code = SEAL_WRITTEN;
        }
    }
    if (has_header(i, part))
        sha256(b, i->statement, SEAL_STATEMENT_BYTES, part->digest);
    if (code == SEAL_WRITTEN && part->taken && !i->dry && (i->unchanged >> part->component & 1) == 0 && !is_prepared(i, part->component))
        code = deliver(i, part);
    return code == SEAL_WRITTEN ? (uint32_t)SEAL_ACCEPTED : code;
}

/* The length of a payload has come; its bytes are next. */
static uint32_t meet_payload(struct seal_install *i, uint32_t length)
{
    struct seal_part *part = i->part;
    const uint8_t *m = member(i->boot, record_of(i), 0, part->component);

    if (length > 0xFFFFFFFFu - i->position)
        return SEAL_STRUCTURE_ENVELOPE;
    part->at = i->position;
    part->length = length;
    i->want = length;
    if (part->taken && length != part->size)
        return SEAL_DIGEST_IMAGE;
    if (has_header(i, part) && (part->taken || m[1] == part->run_slot)) {
        if (length >= SEAL_STATEMENT_BYTES) {
            i->want = SEAL_STATEMENT_BYTES;
            i->step = STATEMENT;
            return SEAL_ACCEPTED;
        }
        if (part->taken)
            return SEAL_IDENTITY_LAYERS_DISAGREE;
    }
    i->step = BODY;
    i->writing = 0;
    return part->taken ? open_part(i) : (uint32_t)SEAL_ACCEPTED;
}

/* -- the stream ------------------------------------------------------------------------------------ */

static void next_head(struct seal_install *i, enum step step)
{
    i->step = (uint8_t)step;
    i->mark = i->used;
    i->want = 1;
}

static uint32_t next_item(struct seal_install *i)
{
    if (i->left != 0) {
        i->left--;
        next_head(i, KEY);
        return SEAL_ACCEPTED;
    }
    i->step = END;
    i->want = 0;
    return i->judged ? (uint32_t)SEAL_ACCEPTED : judge_front(i);
}

/* The head of a CBOR item that stands at mark, of this kind or the other one. want is 0 when all of
 * it is there. Encodings that are not the shortest one are refused. */
static uint32_t head(struct seal_install *i, uint32_t kind, uint32_t or_kind, uint32_t *value)
{
    const uint8_t *p = i->buffer + i->mark;
    uint32_t more = p[0] & 31u, bytes = more < 24 ? 0 : (uint32_t)1 << (more - 24), k;

    if ((p[0] >> 5 != kind && p[0] >> 5 != or_kind) || more > 26)
        return SEAL_STRUCTURE_ENVELOPE;
    i->want = i->mark + 1 + bytes - i->used;
    if (i->want != 0)
        return SEAL_ACCEPTED;
    for (*value = bytes == 0 ? more : 0, k = 1; k <= bytes; k++)
        *value = *value << 8 | p[k];
    if (bytes != 0 && (bytes == 1 ? *value < 24 : *value >> 4 * bytes == 0))
        return SEAL_STRUCTURE_ENVELOPE;
    return SEAL_ACCEPTED;
}

/* What was wanted has come. */
static uint32_t take_step(struct seal_install *i)
{
    const struct seal_crypto *crypto = i->boot->crypto;
    uint32_t value = 0, kind, code = SEAL_ACCEPTED;

    switch ((enum step)i->step) {
    case TAG:
        next_head(i, MAP);
        break;
    case MAP:
        code = head(i, ARRAY_OF_PAIRS, ARRAY_OF_PAIRS, &i->left);
        if (code == SEAL_ACCEPTED && i->want == 0)
            code = next_item(i);
        break;
    case KEY:
        code = head(i, UINT, TEXT, &value);
        if (code != SEAL_ACCEPTED || i->want != 0)
            break;
        kind = i->buffer[i->mark] >> 5;
        if (kind == UINT) {
            /* the text is the last of them, and payloads come behind */
            if (i->judged || (i->members != 0 && i->number == TEXT_KEY))
                return SEAL_STRUCTURE_ENVELOPE;
            i->members++;
            i->number = value;
            next_head(i, LENGTH);
            break;
        }
        if (!i->judged)
            code = judge_front(i);
        if (code == SEAL_ACCEPTED && (value == 0 || value > SEAL_KEY_MAX))
            code = SEAL_RULES_OUTSIDE_PROFILE;
        i->mark = i->used;
        i->number = value;
        i->step = NAME;
        i->want = value;
        break;
    case NAME:
        code = find_part(i);
        next_head(i, LENGTH);
        break;
    case LENGTH:
        code = head(i, BYTES, BYTES, &value);
        if (code != SEAL_ACCEPTED || i->want != 0)
            break;
        if (i->judged) {
            i->used = i->mark;
            return meet_payload(i, value);
        }
        if (value > SEAL_MEMBER_MAX)
            return SEAL_STRUCTURE_ENVELOPE;
        i->want = value;
        i->step = MEMBER;
        if (i->number == TEXT_KEY) {
            i->step = TEXT_MEMBER;
            crypto->sha256_begin(i->boot->work->hash.bytes);
            crypto->sha256_add(i->boot->work->hash.bytes, i->buffer + i->mark, i->used - i->mark);
        }
        break;
    case TEXT_MEMBER:
        crypto->sha256_end(i->boot->work->hash.bytes, i->text);
        code = next_item(i);
        break;
    case STATEMENT:
        i->want = i->part->length - SEAL_STATEMENT_BYTES;
        i->step = BODY;
        code = meet(i);
        break;
    case BODY:
        code = close_part(i);
        if (code == SEAL_ACCEPTED)
            code = next_item(i);
        break;
    default:
        code = next_item(i);
        break;
    }
    return code;
}

/* Bytes that are wanted. */
static uint32_t take_bytes(struct seal_install *i, const uint8_t *bytes, uint32_t length)
{
    uint32_t code = SEAL_WRITTEN;

    switch ((enum step)i->step) {
    case BODY:
        if (i->writing)
            code = write(i, bytes, length);
        /* fall through */
    case TEXT_MEMBER:
        i->boot->crypto->sha256_add(i->boot->work->hash.bytes, bytes, length);
        break;
    case STATEMENT:
        move(i->statement + SEAL_STATEMENT_BYTES - i->want, bytes, length);
        break;
    default:
        if (length > i->room - i->used)
            return SEAL_DEVICE_BUFFER_TOO_SMALL;
        move(i->buffer + i->used, bytes, length);
        i->used += length;
        break;
    }
    i->want -= length;
    i->position += length;
    return code == SEAL_WRITTEN ? (uint32_t)SEAL_ACCEPTED : code;
}

/* A device that shows no record begins on one in which everything is zero or empty. */
static void empty_record(struct seal_boot *b)
{
    uint8_t *r = b->journal.record;
    uint32_t k, which;

    clear(r, b->record_bytes);
    move(r, record_magic, 8);
    r[R_FORMAT] = 1;
    r[R_PHASE] = PHASE_SETTLED;
    r[R_MEMBER_COUNT] = b->product->component_count;
    for (which = 0; which < 2; which++)
        for (k = 0; k < b->product->component_count; k++) {
            member(b, r, which, k)[0] = b->product->components[k].number;
            member(b, r, which, k)[1] = NOTHING;
        }
}

static void start(struct seal_install *i)
{
    if (!i->boot->journal.found)
        empty_record(i->boot);
    i->code = SEAL_ACCEPTED;
    i->position = 0;
    i->judged = 0;
    i->begun = 0;
    i->used = 0;
    i->mark = 0;
    i->members = 0;
    i->number = 0;
    i->brings = 0;
    i->unchanged = 0;
    i->erased = 0;
    i->half = 0;
    i->last = 0;
    i->package.parts = 0;
    i->step = TAG;
    i->want = 2;
    know_device(i);
}

void look_only(struct seal_install *i)
{
    i->dry = 1;
    start(i);
}

uint32_t seal_install_begin(struct seal_install *i)
{
    i->dry = 0;
    start(i);
    return SEAL_ACCEPTED;
}

uint32_t seal_install_take(struct seal_install *i, const uint8_t *bytes, uint32_t length)
{
    for (;;) {
        uint32_t part = length < i->want ? length : i->want;

        if (i->code != SEAL_ACCEPTED)
            return i->code;
        if (i->want == 0 && i->step != END) {
            i->code = take_step(i);
            continue;
        }
        if (length == 0)
            return SEAL_ACCEPTED;
        if (part == 0) {    /* behind the end */
            i->code = SEAL_STRUCTURE_ENVELOPE;
            continue;
        }
        i->code = take_bytes(i, bytes, part);
        bytes += part;
        length -= part;
    }
}

/* -- the end ---------------------------------------------------------------------------------------- */

/* Whether a component will be what the package brings. */
static int is_brought(const struct seal_install *i, uint32_t index)
{
    return i->dry ? taken_part(i, index, 1) != 0 : is_prepared(i, index);
}

/* 1 when the image that runs has a header that reads, the record's: it is in the work memory then. */
static int runs(const struct seal_install *i, uint32_t index)
{
    struct seal_boot *b = i->boot;
    const struct seal_component *c = &b->product->components[index];
    const uint8_t *m = member(b, record_of(i), 0, index);

    return m[1] < c->run_slots
           && b->flash.read(b->flash.user, (c->detached ? c->header : c->run)[m[1]].base, b->work->statement,
                            SEAL_STATEMENT_BYTES) == SEAL_READ
           && other_statement(b, m + 4) == 0;
}

/* The versions of the set that would run: of what the package brings, and of what stays. */
static void know_versions(struct seal_install *i, struct seal_state *state)
{
    struct seal_boot *b = i->boot;
    const struct seal_product *product = b->product;
    struct stretch stretch;
    uint32_t k;

    state_of(b, state);
    for (k = 0; k < product->component_count; k++) {
        const struct seal_component *c = &product->components[k];
        struct seal_reader reader;

        if (c->recovery)
            continue;
        if (is_brought(i, k)) {
            find(i, taken_part(i, k, 1), &stretch, &i->window[0], &reader);
            if (reader.read(reader.user, 0, b->work->statement, SEAL_STATEMENT_BYTES) != SEAL_READ)
                continue;
        } else if (!runs(i, k)) {
            continue;
        }
        b->versions[state->version_count].component = c->number;
        move(b->versions[state->version_count++].bytes, b->work->statement + SEAL_AT_VERSION, 16);
    }
    b->versions[state->version_count].component = 0;
    move(b->versions[state->version_count++].bytes, b->bootloader, 16);
    state->versions = b->versions;
    state->whole_set = 1;
}

/* Every check of every image that the package brings, on the set that would run. */
static uint32_t judge_images(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    struct seal_state state;
    struct seal_subject subject;
    struct seal_header header;
    struct stretch stretch[2];
    uint32_t k, code = SEAL_ACCEPTED;

    know_versions(i, &state);
    for (k = 0; code == SEAL_ACCEPTED && k < b->product->component_count; k++) {
        const struct seal_component *c = &b->product->components[k];
        const struct seal_part *part = taken_part(i, k, 1);

        if (!is_brought(i, k) || part == 0 || (c->recovery && !i->dry))
            continue;
        if (c->run_slots > 1 && !i->dry) {
            code = judge_slot(b, k, part->run_slot, &state, 0, &header);
        } else {
            subject.where = SEAL_FILE;
            subject.payload.read = 0;
            find(i, part, &stretch[0], &i->window[0], &subject.image);
            if (c->detached)
                find(i, taken_part(i, k, 0), &stretch[1], &i->window[1], &subject.payload);
            code = seal_judge(b->product, &state, b->crypto, &subject, 0, b->work, &header);
        }
        /* while counters are behind, nothing below what runs */
        if (code == SEAL_ACCEPTED && record_of(i)[R_UNRAISED] != 0 && runs(i, k)
            && header.counter < get32(b->work->statement + SEAL_AT_COUNTER))
            code = SEAL_ROLLBACK_COUNTER_TOO_LOW;
    }
    return code;
}

/* 1 when the new set has an image of the package for each component that the package brings: none was
 * left out on the way. Of the release that runs others may stay, which are as good. */
static int is_one_set(const struct seal_install *i)
{
    const uint8_t *r = record_of(i);
    uint32_t k, has = 0;

    for (k = 0; k < i->package.parts; k++) {
        const struct seal_part *part = &i->package.part[k];

        if (seal_differ(part->digest, member(i->boot, record_of(i), 1, part->component) + 4, 32) == 0)
            has |= (uint32_t)1 << part->component;
    }
    return i->brings == has || seal_differ(r + R_MANIFEST_DIGEST, i->package.digest, 32) == 0;
}

/* The record with which the bootloader goes on. */
static uint32_t hand_over(struct seal_install *i)
{
    struct seal_boot *b = i->boot;
    uint32_t k, switched = 0, code = begin_delivery(i);
    uint8_t *r = record_of(i);

    if (code != SEAL_WRITTEN || !is_one_set(i))
        return code == SEAL_WRITTEN ? (uint32_t)SEAL_DEVICE_NOT_RUN : code;

    r[R_TRIAL] = i->startable;
    for (k = 0; k < b->product->component_count; k++) {
        const struct seal_component *c = &b->product->components[k];
        if (!is_prepared(i, k) || c->recovery)
            continue;
        if (c->run_slots < 2) {
            switched = 1;
            if (c->keep.size == 0)
                r[R_TRIAL] = 0;
        }
    }
    if (!switched)
        return try_set(b);
    r[R_PHASE] = PHASE_SWITCHING;
    return commit(b);
}

uint32_t seal_install_finish(struct seal_install *i)
{
    uint32_t k, code = seal_install_take(i, 0, 0);

    if (code == SEAL_ACCEPTED && i->step != END)
        code = SEAL_STRUCTURE_ENVELOPE;
    for (k = 0; code == SEAL_ACCEPTED && k < i->package.parts; k++)
        if (i->package.part[k].taken && i->package.part[k].at == 0)
            code = SEAL_RULES_DIRECTIVE_FAILED;
    if (code == SEAL_ACCEPTED)
        code = judge_images(i);
    if (code == SEAL_ACCEPTED && !i->dry) {
        if (!i->begun && is_running(i))
            code = SEAL_DEVICE_NOTHING_NEW;
        else
            code = hand_over(i);
        if (code == SEAL_WRITTEN)
            return SEAL_ACCEPTED;
    }
    i->code = code;
    return code;
}

/* -- packages in storage ------------------------------------------------------------------------------ */

/* A stored package from its first byte to its last. */
static uint32_t pass(struct seal_install *i)
{
    const struct seal_reader *package = i->stored;
    uint8_t piece[64];
    uint32_t at, part, unchanged = i->dry ? 0 : i->unchanged, code = SEAL_ACCEPTED;

    start(i);
    i->unchanged = unchanged;   /* of the first pass */
    for (at = 0; code == SEAL_ACCEPTED && at < package->size; at += part) {
        part = package->size - at < sizeof piece ? package->size - at : (uint32_t)sizeof piece;
        if (package->read(package->user, at, piece, part) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        code = seal_install_take(i, piece, part);
    }
    return code == SEAL_ACCEPTED ? seal_install_finish(i) : code;
}

uint32_t seal_install_stored(struct seal_install *i, const struct seal_reader *package)
{
    const struct seal_reader *before = i->stored;
    uint32_t code;

    i->stored = package;
    i->dry = 1;
    code = pass(i);
    i->dry = 0;
    if (code == SEAL_ACCEPTED)
        code = pass(i);
    i->stored = before;
    return code;
}

uint32_t seal_install_image(void *user, uint8_t component, const uint8_t statement[32], const uint8_t manifest[32],
                            struct seal_source *source)
{
    struct seal_install *i = (struct seal_install *)user;
    uint32_t k, code;

    if (i->stored == 0)
        return SEAL_DEVICE_NOT_STORED;
    (void)statement;    /* the bootloader looks at it itself, and whether the image is whole */
    i->dry = 1;
    code = pass(i);
    i->dry = 0;
    if (code != SEAL_ACCEPTED)
        return code;
    if (seal_differ(i->package.digest, manifest, 32) != 0)
        return SEAL_SIGNATURE_MANIFEST_DIGEST;
    for (k = 0; k < i->boot->product->component_count; k++) {
        const struct seal_component *c = &i->boot->product->components[k];
        const struct seal_part *part = taken_part(i, k, 1);

        if (c->number != component || part == 0)
            continue;
        i->dry = 1;
        find(i, part, 0, &i->window[0], &source->header);
        source->payload = source->header;
        source->payload_at = c->header_block;
        if (c->detached) {
            find(i, taken_part(i, k, 0), 0, &i->window[1], &source->payload);
            source->payload_at = 0;
        }
        i->dry = 0;
        return SEAL_READ;
    }
    return SEAL_PLACEMENT_NO_SLOT;
}
