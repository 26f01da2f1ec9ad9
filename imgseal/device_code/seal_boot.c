/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Chooses what starts; see seal_boot.h. Section names in comments are those of
 * docs/format/install-record.md.
 */
#include "seal_inside.h"

#define COPIES 3u
#define CHECK_BYTES 32u
#define LEFT_OUT (COPIES + 2)   /* of a place that takes no copy */

const uint8_t record_magic[10] = { 0xD5, 'r', 'e', 'c', 'o', 'r', 'd', 's', 1, 0 };

/* -- bytes ----------------------------------------------------------------------- */

static uint32_t least(uint32_t a, uint32_t b)
{
    return a < b ? a : b;
}

void sha256(struct seal_boot *b, const uint8_t *data, uint32_t length, uint8_t digest[32])
{
    seal_sha256(b->crypto, b->work, data, length, digest);
}

/* -- records ----------------------------------------------------------------------- */

/* The entry of a component, by index, in the current set (which 0) or the other. */
uint8_t *member(const struct seal_boot *b, uint8_t *record, uint32_t which, uint32_t index)
{
    return record + R_MEMBERS + MEMBER_BYTES * (which * b->product->component_count + index);
}

/* Of the record acted upon. */
static uint8_t *entry(const struct seal_boot *b, uint32_t which, uint32_t index)
{
    return member(b, b->journal.record, which, index);
}

/* Bytes of the entries of a set. */
static uint32_t set_bytes(const struct seal_boot *b)
{
    return MEMBER_BYTES * b->product->component_count;
}

int has_bit(const uint8_t *mask, uint32_t index)
{
    return mask[index >> 3] >> (index & 7) & 1;
}

void flip_bit(uint8_t *mask, uint32_t index)
{
    mask[index >> 3] ^= (uint8_t)(1u << (index & 7));
}

int is_record(struct seal_boot *b, const uint8_t *r)
{
    uint8_t digest[32];
    const uint8_t *m = r + R_MEMBERS;
    const struct seal_component *c = b->product->components;
    uint32_t count = b->product->component_count, content = b->record_bytes - CHECK_BYTES, i;

    if (seal_differ(r, record_magic, sizeof record_magic) != 0 || r[R_MEMBER_COUNT] != count)
        return 0;
    sha256(b, r, content, digest);
    if (seal_differ(digest, r + content, CHECK_BYTES) != 0)
        return 0;
    if (r[R_PHASE] < PHASE_SETTLED || r[R_PHASE] > PHASE_SETTLING || r[R_REFUSED_COUNT] > 4
        || (r[R_TRIAL] | r[R_RECOVERY] | r[R_UNRAISED]) > 1
        || !is_zero(r + R_REFUSED + 32u * r[R_REFUSED_COUNT], 32u * (4u - r[R_REFUSED_COUNT])))
        return 0;
    for (i = 0; i < 2 * count; i++, c++, m += MEMBER_BYTES) {
        if (i == count)
            c = b->product->components;
        if (m[0] != c->number || (m[1] > 1 && m[1] != NOTHING) || (m[2] | m[3]) != 0
            || (m[1] == NOTHING && !is_zero(m + 4, 32)))
            return 0;
    }
    return is_zero(m, (uint32_t)(r + content - m));
}

/* -- flash ---------------------------------------------------------------------------- */

uint32_t geometry_of(const struct seal_boot *b, uint32_t address, struct geometry *g)
{
    if (b->flash.geometry(b->flash.user, address, &g->block, &g->page, &g->unit) != SEAL_READ || g->block == 0
        || g->page == 0 || g->unit == 0)
        return SEAL_DEVICE_UNREADABLE;
    return SEAL_WRITTEN;
}

uint32_t erase_range(const struct seal_boot *b, uint32_t address, uint32_t size)
{
    struct geometry g;
    uint32_t at, code;

    code = geometry_of(b, address, &g);
    if (code != SEAL_WRITTEN)
        return code;
    for (at = 0; at < size; at += g.block)
        if (b->flash.erase(b->flash.user, address + at) != SEAL_WRITTEN)
            return SEAL_DEVICE_UNWRITABLE;
    return SEAL_WRITTEN;
}

static uint32_t whole(uint32_t length, uint32_t step)
{
    return (length + step - 1) / step * step;
}

/* Programs what a reader gives, in pieces inside one page; the last unit is filled
 * with what is there, which is erased. address is the start of a unit. */
uint32_t program_range(struct seal_boot *b, uint32_t address, const struct seal_reader *from,
                        uint32_t offset, uint32_t length)
{
    struct geometry g;
    uint32_t i, code;

    code = geometry_of(b, address, &g);
    if (code != SEAL_WRITTEN)
        return code;
    while (length != 0) {
        uint32_t padded, part = least(least(g.page - address % g.page, b->page_room), length);
        if (from->read(from->user, offset, b->page, part) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        padded = whole(part, g.unit);
        if (padded - 1 >= b->page_room)     /* no room, or no whole units of it */
            return SEAL_DEVICE_UNWRITABLE;
        if (part != padded && b->flash.read(b->flash.user, address + part, b->page + part, padded - part) != SEAL_READ)
            for (i = part; i < padded; i++)
                b->page[i] = 0xFF;
        if (b->flash.program(b->flash.user, address, b->page, padded) != SEAL_WRITTEN)
            return SEAL_DEVICE_UNWRITABLE;
        address += part;
        offset += part;
        length -= part;
    }
    return SEAL_WRITTEN;
}

/* A stretch of flash, read. */
static uint32_t read_stretch(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const struct stretch *s = (const struct stretch *)user;

    return s->flash->read(s->flash->user, s->base + offset, to, length);
}

void as_reader(const struct seal_boot *b, const struct seal_slot *slot, struct stretch *stretch,
                      struct seal_reader *reader)
{
    stretch->flash = &b->flash;
    stretch->base = slot->base;
    reader->read = read_stretch;
    reader->user = stretch;
    reader->size = slot->size;
}

/* -- the journal ------------------------------------------------------------------------ */

/* What a place shows. */
struct found {
    uint32_t generation;
    uint16_t copied;
    uint16_t copies;            /* how many read as the newest one of the place; 0: none */
};

/* How records lie in flash: bytes from the start of a copy to its check, of a copy, of
 * a place, and the number of places. Units that are larger than a check give it units of its own. */
struct layout {
    uint32_t check, copy, place, count;
};

/* Returns where a place begins. */
static uint32_t lay_out(const struct seal_boot *b, struct layout *l, uint32_t place)
{
    const struct seal_slot *records = &b->product->records;
    struct geometry g;

    l->check = l->copy = l->place = l->count = 0;
    if (geometry_of(b, records->base, &g) == SEAL_WRITTEN) {
        l->check = whole(b->record_bytes - CHECK_BYTES, g.unit);
        l->copy = l->check + whole(CHECK_BYTES, g.unit);
        l->place = whole(COPIES * l->copy, g.block);
        l->count = least(records->size / l->place, SEAL_PLACES_MAX);
    }
    return records->base + place * l->place;
}

uint32_t places(const struct seal_boot *b)
{
    struct layout l;

    (void)lay_out(b, &l, 0);
    return l.count;
}

/* "Which counts": the newest; of those a complete one; of several complete ones the
 * one copied more often, else the one copied less often. */
static int counts_more(const struct found *a, const struct found *b)
{
    if (b->copies == 0)
        return 1;
    if (a->generation != b->generation)
        return a->generation > b->generation;
    if ((a->copies == COPIES) != (b->copies == COPIES))
        return a->copies == COPIES;
    return a->copies == COPIES ? a->copied > b->copied : a->copied < b->copied;
}

/* Reads a copy into b->scan. */
static uint32_t read_copy(struct seal_boot *b, const struct layout *l, uint32_t at)
{
    uint32_t content = b->record_bytes - CHECK_BYTES, code = b->flash.read(b->flash.user, at, b->scan, content);

    return code == SEAL_READ ? b->flash.read(b->flash.user, at + l->check, b->scan + content, CHECK_BYTES) : code;
}

/* Adds what a place shows. What counts most so far stands in the journal; returns whose place that is. */
static const struct found *scan_place(struct seal_boot *b, uint32_t place, const struct found *best, struct found *here)
{
    uint8_t check[CHECK_BYTES];
    struct layout l;
    uint32_t copy, at = lay_out(b, &l, place);

    here->copies = 0;
    clear(check, CHECK_BYTES);
    for (copy = 0; copy < COPIES; copy++, at += l.copy) {
        const uint8_t *mine = b->scan + b->record_bytes - CHECK_BYTES;
        if (read_copy(b, &l, at) != SEAL_READ || !is_record(b, b->scan))
            continue;
        if (here->copies != 0 && seal_differ(check, mine, CHECK_BYTES) == 0) {
            here->copies++;
        } else {
            if (here->copies != 0 && get32(b->scan + R_GENERATION) <= here->generation)
                continue;
            here->copies = 1;
            here->generation = get32(b->scan + R_GENERATION);
            here->copied = (uint16_t)get16(b->scan + R_COPIED);
            move(check, mine, CHECK_BYTES);
        }
        if (here == best || counts_more(here, best)) {
            /* keep what was read: reading it again may give something else */
            best = here;
            b->journal.place = place;
            move(b->journal.record, b->scan, b->record_bytes);
        }
    }
    return best;
}

static uint32_t erase_place(const struct seal_boot *b, uint32_t place)
{
    struct layout l;
    uint32_t at = lay_out(b, &l, place);

    return erase_range(b, at, l.place);
}

/* "Tidying" */
uint32_t tidy(struct seal_boot *b)
{
    uint32_t place, count = b->journal.tidied ? 0 : places(b), code = SEAL_WRITTEN;

    for (place = 0; code == SEAL_WRITTEN && place < count; place++)
        if (!b->journal.found || place != b->journal.place)
            code = erase_place(b, place);
    b->journal.tidied = code == SEAL_WRITTEN;
    return code;
}

/* Three copies one after the other, the check of each last, and read back:
 * SEAL_DEVICE_NO_RECORD where the place does not hold one. */
static uint32_t write_record(struct seal_boot *b, uint32_t place)
{
    struct seal_reader record;
    struct layout l;
    uint32_t copy, content = b->record_bytes - CHECK_BYTES, at = lay_out(b, &l, place);

    sha256(b, b->journal.record, content, b->journal.record + content);
    record.read = read_ram;
    record.user = b->journal.record;
    record.size = b->record_bytes;
    for (copy = 0; copy < COPIES; copy++, at += l.copy) {
        uint32_t code = program_range(b, at, &record, 0, content);
        if (code == SEAL_WRITTEN)
            code = program_range(b, at + l.check, &record, content, CHECK_BYTES);
        if (code != SEAL_WRITTEN)
            return code;
        if (read_copy(b, &l, at) != SEAL_READ || seal_differ(b->scan, b->journal.record, b->record_bytes) != 0)
            return SEAL_DEVICE_NO_RECORD;
    }
    return SEAL_WRITTEN;
}

/* Writes the record to another place: of those that show the fewest copies, the one that counts least; of those that
 * show none, the first behind its own. SEAL_DEVICE_NO_RECORD: none holds it. */
static uint32_t store(struct seal_boot *b, struct found *all)
{
    uint32_t old = b->journal.place, place, code, count = places(b);

    all[count].copies = COPIES + 1;
    do {
        uint32_t target = count, i;

        for (place = old, i = 1; i < count; i++) {
            place = place - 1 < count ? place - 1 : count - 1;
            if (all[place].copies < all[target].copies
                || (all[place].copies == all[target].copies && counts_more(&all[target], &all[place])))
                target = place;
        }
        if (target == count)
            return SEAL_DEVICE_NO_RECORD;
        code = b->journal.tidied ? (uint32_t)SEAL_WRITTEN : erase_place(b, target);
        if (code == SEAL_WRITTEN)
            code = write_record(b, target);
        if (code == SEAL_WRITTEN)
            b->journal.place = target;
        if (code != SEAL_DEVICE_NO_RECORD)
            return code;
        all[target].copies = LEFT_OUT;
        code = erase_place(b, target);
    } while (code == SEAL_WRITTEN);
    return code;
}

/* "A new record": the caller has changed journal.record; when this returns
 * SEAL_WRITTEN, it is the one acted upon. */
uint32_t commit(struct seal_boot *b)
{
    struct found all[SEAL_PLACES_MAX + 1];
    uint8_t *r = b->journal.record;
    uint32_t generation = get32(r + R_GENERATION), old, code = tidy(b);

    if (code != SEAL_WRITTEN)
        return code;
    put32(r + R_BASE, generation);
    put32(r + R_GENERATION, generation + 1);
    r[R_COPIED] = 0;
    r[R_COPIED + 1] = 0;
    if (!b->journal.found)
        b->journal.place = places(b) - 1;
    old = b->journal.place;
    clear((uint8_t *)all, sizeof all);
    code = store(b, all);
    if (code != SEAL_WRITTEN)
        return SEAL_DEVICE_UNWRITABLE;
    if (b->journal.found)
        return erase_place(b, old);
    b->journal.found = 1;
    return code;
}

/* "When it may be acted upon": copied first, unless it is whole and alone. */
static uint32_t copy_record(struct seal_boot *b, struct found *all, uint32_t count)
{
    uint8_t *r = b->journal.record;
    uint32_t place, code, kept = b->journal.place, whole_ones = 0, copied = get16(r + R_COPIED) + 1;

    r[R_COPIED] = (uint8_t)copied;
    r[R_COPIED + 1] = (uint8_t)(copied >> 8);
    for (place = 0; all[kept].copies != COPIES && place < count; place++)
        if (all[place].copies == COPIES) {
            all[place].copies = LEFT_OUT;
            whole_ones = 1;
        }
    code = store(b, all);
    if (code == SEAL_WRITTEN || (code == SEAL_DEVICE_NO_RECORD && all[kept].copies == COPIES))
        return tidy(b);
    if (code == SEAL_DEVICE_NO_RECORD && whole_ones)
        (void)erase_place(b, kept);     /* never finished, and never acted upon */
    return SEAL_DEVICE_UNWRITABLE;
}

static uint32_t open_journal(struct seal_boot *b)
{
    struct found all[SEAL_PLACES_MAX + 1];
    uint32_t place, count = places(b), shown = 0;
    const struct found *best = &all[count];

    all[count].copies = 0;
    b->journal.found = 0;
    b->journal.tidied = 0;
    for (place = 0; place < count; place++) {
        best = scan_place(b, place, best, &all[place]);
        shown += all[place].copies != 0;
    }
    if (best->copies == 0)
        return SEAL_DEVICE_NO_RECORD;
    if (!is_record(b, b->journal.record))   /* as it was read: a byte of it may have been left out */
        return SEAL_DEVICE_UNREADABLE;
    b->journal.found = 1;
    if (best->copies == COPIES && shown == 1)
        return SEAL_WRITTEN;
    return copy_record(b, all, count);
}

/* -- images -------------------------------------------------------------------------------- */

static uint32_t read_counter(void *user, uint8_t component, uint32_t *value)
{
    const struct seal_boot *b = (const struct seal_boot *)user;

    return b->counters.read(b->counters.user, component, value);
}

void state_of(struct seal_boot *b, struct seal_state *state)
{
    state->hardware_least = b->hardware;
    state->hardware_most = b->hardware;
    state->versions = 0;
    state->version_count = 0;
    state->revoked = b->revoked;
    state->revoked_count = b->revoked_count;
    state->whole_set = 0;
    state->development = b->development;
#ifdef SEAL_BOOT_MARK
    state->marked = 0;
#endif
    state->counter = read_counter;
    state->user = b;
}

/* 0 when a state is that of the device: what state_of has written is there. */
static uint32_t other_state(const struct seal_boot *b, const volatile struct seal_state *state)
{
    return (uint32_t)((uintptr_t)state->revoked ^ (uintptr_t)b->revoked) | (uint32_t)(state->revoked_count ^ b->revoked_count)
           | (uint32_t)(state->hardware_least ^ b->hardware) | (uint32_t)(state->hardware_most ^ b->hardware);
}

/* Where the header of an image in a run slot lies. */
const struct seal_slot *head_of(const struct seal_component *c, uint32_t slot)
{
    return c->detached ? &c->header[slot] : &c->run[slot];
}

/* Every check of the image in a run slot; SEAL_HEADER_ONLY: those of a boot. */
uint32_t judge_slot(struct seal_boot *b, uint32_t index, uint32_t slot, const struct seal_state *state,
                           uint32_t header_only, struct seal_header *header)
{
    const struct seal_component *c = &b->product->components[index];
    struct seal_subject subject;
    struct lying image;
    uint32_t link = c->run[slot].base;
    const struct seal_state *volatile asked = state;    /* loaded anew below: not the register that was handed on */
    volatile uint32_t code;

    subject.where = SEAL_RUN_SLOT;
    subject.component = (uint8_t)index;
    subject.run_slot = (uint8_t)slot;
    waiting(b, c, &c->run[slot], &image);
    subject.image = image.source.header;
    subject.payload = image.source.payload;
    if (c->detached) {
        as_reader(b, &c->header[slot], &image.payload, &subject.image);
    } else {
        subject.payload.read = 0;
        link += c->header_block;
    }
    if (c->whole_at_boot)
        header_only = 0;
    code = seal_judge(b->product, state, b->crypto, &subject, header_only, b->work, header);
    if (code != SEAL_GOOD(state))
        return code;
    /* once more, that it is the image of this place, judged for this device */
    return code + (header->component ^ c->number) + (header->link_address ^ link)
           + (header->development & (b->development == 0)) + other_state(b, asked)
           + (uint32_t)((uintptr_t)header->judged_for ^ (uintptr_t)asked);
}

/* Every check of the image in the first run slot, by itself. */
uint32_t judge_alone(struct seal_boot *b, uint32_t index)
{
    struct seal_state state;
    struct seal_header header;

    state_of(b, &state);
    return judge_slot(b, index, 0, &state, 0, &header);
}

/* 0 when the statement that was judged last is the one of this digest. */
uint32_t other_statement(struct seal_boot *b, const uint8_t digest[32])
{
    uint8_t mine[32];

    sha256(b, b->work->statement, SEAL_STATEMENT_BYTES, mine);
    return seal_differ(mine, digest, 32);
}

/* Reads the statement of the image that a set names. 1: it is in the work memory, and the record's. */
int named(struct seal_boot *b, uint32_t which, uint32_t index)
{
    const struct seal_component *c = &b->product->components[index];
    const uint8_t *m = entry(b, which, index);

    return m[1] < c->run_slots
           && b->flash.read(b->flash.user, head_of(c, m[1])->base, b->work->statement, SEAL_STATEMENT_BYTES) == SEAL_READ
           && other_statement(b, m + 4) == 0;
}

void add_version(const struct seal_boot *b, struct seal_state *state, uint8_t component, const uint8_t *bytes)
{
    struct seal_version *v = &b->versions[state->version_count++];

    state->versions = b->versions;

    v->component = component;
    move(v->bytes, bytes, sizeof v->bytes);
}

/* "Judging a set": SEAL_ACCEPTED when each member is the record's, and every check holds,
 * requirements on this set. What is said of each is added up before it is looked at, so that
 * a branch that is skipped changes nothing. */
uint32_t judge_set(struct seal_boot *b, uint32_t which)
{
    volatile uint32_t said = SEAL_ACCEPTED;
    struct seal_state state;
    struct seal_header header;
    uint32_t i, count = b->product->component_count, cores = 0, left;
    const struct seal_component *c = b->product->components;

    state_of(b, &state);
#ifdef SEAL_BOOT_MARK
    state.marked = which == 0 ? b->marked : 0;
#endif
    for (i = 0; i < count; i++, c++) {
        if (entry(b, which, i)[1] == NOTHING)
            continue;
        if (!named(b, which, i))
            return SEAL_DEVICE_NO_SET;
        cores += c->kind == 1;
        add_version(b, &state, c->number, b->work->statement + SEAL_AT_VERSION);
    }
    if (cores == 0)
        return SEAL_DEVICE_NO_SET;
    left = state.version_count;
    add_version(b, &state, 0, b->bootloader);
    state.whole_set = 1;
    for (i = 0; i < count; i++) {
        const uint8_t *m = entry(b, which, i);

        if (m[1] == NOTHING)
            continue;
        said += judge_slot(b, i, m[1], &state, SEAL_HEADER_ONLY, &header) - SEAL_GOOD(&state);
        said += other_statement(b, m + 4);
        if (said != SEAL_ACCEPTED)
            return SEAL_DEVICE_NO_SET;
        said += header.whole ^ b->product->components[i].whole_at_boot;
        left--;
    }
    return said + left;
}

/* 1 when a source holds the image of this statement, whole: the statement is in the work memory then. */
int is_whole(struct seal_boot *b, const struct seal_source *source, const uint8_t statement[32])
{
    const struct seal_reader *header = &source->header;
    uint8_t *s = b->work->statement;
    uint8_t digest[32];
    uint32_t size;

    if (header->size < SEAL_STATEMENT_BYTES || header->read(header->user, 0, s, SEAL_STATEMENT_BYTES) != SEAL_READ
        || other_statement(b, statement) != 0)
        return 0;
    size = get32(s + SEAL_AT_SIZE);
    if (source->payload.size < source->payload_at || source->payload.size - source->payload_at < size)
        return 0;
    b->crypto->sha256_begin(b->work->hash.bytes);
    if (seal_read_through(b->crypto->sha256_add, b->work, &source->payload, source->payload_at, size) != SEAL_READ)
        return 0;
    b->crypto->sha256_end(b->work->hash.bytes, digest);
    return seal_differ(digest, s + SEAL_AT_DIGEST, 32) == 0;
}

/* Header block and payload one behind the other, as they wait in a slot. */
void waiting(const struct seal_boot *b, const struct seal_component *c, const struct seal_slot *slot, struct lying *image)
{
    as_reader(b, slot, &image->header, &image->source.header);
    image->source.payload = image->source.header;
    image->source.payload_at = c->header_block;
}

/* Erases a slot and writes header block and payload of the image whose statement is in the work memory, the unit with the magic last. The payload comes behind
 * its header block, but for the run slot of a detached image, whose header has a slot of its own. */
static uint32_t write_image(struct seal_boot *b, const struct seal_component *c, const struct seal_slot *to,
                            const struct seal_source *from)
{
    const struct seal_slot *head = to;
    uint32_t payload = to->base, first, code = tidy(b);
    struct geometry g;

    if (to == c->run && c->detached) {
        head = c->header;
        if (code == SEAL_WRITTEN)
            code = erase_range(b, head->base, head->size);
    } else {
        payload += c->header_block;
    }
    if (code == SEAL_WRITTEN)
        code = erase_range(b, to->base, to->size);
    if (code == SEAL_WRITTEN)
        code = geometry_of(b, head->base, &g);
    if (code != SEAL_WRITTEN)
        return code;
    first = g.unit > 8 ? g.unit : 8;
    code = program_range(b, head->base + first, &from->header, first, c->header_block - first);
    if (code == SEAL_WRITTEN)
        code = program_range(b, payload, &from->payload, from->payload_at, get32(b->work->statement + SEAL_AT_SIZE));
    return code == SEAL_WRITTEN ? program_range(b, head->base, &from->header, 0, first) : code;
}

/* Writes the run slot again. SEAL_ACCEPTED when it holds the image that a set names, and every check
 * holds; SEAL_DEVICE_NO_SET when not. */
static uint32_t rewrite(struct seal_boot *b, uint32_t index, const struct seal_source *from, uint32_t which)
{
    const struct seal_component *c = &b->product->components[index];
    uint32_t code = write_image(b, c, c->run, from);

    if (code != SEAL_WRITTEN)
        return code;
    code = judge_alone(b, index);
    code += other_statement(b, entry(b, which, index) + 4);
    return code == SEAL_ACCEPTED ? code : (uint32_t)SEAL_DEVICE_NO_SET;
}

/* -- phases ---------------------------------------------------------------------------------- */

static void forget_target(uint8_t *r)
{
    put32(r + R_TARGET_SEQUENCE, 0);
    clear(r + R_TARGET_DIGEST, 32);
}

/* The other set becomes empty. */
static void forget_other(const struct seal_boot *b)
{
    uint32_t i;

    for (i = 0; i < b->product->component_count; i++) {
        uint8_t *m = entry(b, 1, i);
        m[1] = NOTHING;
        clear(m + 4, 32);
    }
}

/* A phase without starts, kept images and a trial. */
static void enter(uint8_t *r, uint8_t phase)
{
    r[R_PHASE] = phase;
    clear(r + R_ATTEMPTS, R_SEQUENCE - R_ATTEMPTS);     /* counts and masks */
    r[R_TRIAL] = 0;
}

static uint32_t settle_before(struct seal_boot *b)
{
    uint8_t *r = b->journal.record;

    enter(r, PHASE_SETTLED);
    forget_target(r);
    forget_other(b);
    return commit(b);
}

/* The first record of a delivered set. */
uint32_t try_set(struct seal_boot *b)
{
    uint8_t *r = b->journal.record;
    uint8_t *mine = entry(b, 0, 0);
    uint32_t bytes = set_bytes(b), left;

    for (left = bytes; left != 0; left--, mine++) {
        uint8_t kept = mine[0];

        mine[0] = mine[bytes];
        mine[bytes] = kept;
    }
    r[R_PHASE] = PHASE_TRIAL;
    clear(r + R_ATTEMPTS, R_KEPT - R_ATTEMPTS);
    put32(r + R_PLACED, 0);
    if (!r[R_TRIAL]) {
        enter(r, PHASE_UNPROVEN);
        r[R_UNRAISED] = 0;
        forget_other(b);
    }
    return commit(b);
}

/* The set before becomes the current one again, unless it still is. */
static void take_back(const struct seal_boot *b, uint8_t *r)
{
    const volatile uint8_t *phase = r + R_PHASE;

    if (*phase != PHASE_SWITCHING)
        move(entry(b, 0, 0), entry(b, 1, 0), set_bytes(b));
}

/* Goes back, and sees to it twice; a package that was started is remembered as failed. A
 * settled set names no package any more. */
static uint32_t give_up(struct seal_boot *b)
{
    uint8_t *r = b->journal.record;

    take_back(b, r);
    if (r[R_PHASE] != PHASE_SWITCHING && !is_zero(r + R_TARGET_DIGEST, 32)) {
        if (r[R_REFUSED_COUNT] == 4)
            move(r + R_REFUSED, r + R_REFUSED + 32, 96);
        else
            r[R_REFUSED_COUNT]++;
        move(r + R_REFUSED - 32 + 32u * r[R_REFUSED_COUNT], r + R_TARGET_DIGEST, 32);
    }
    take_back(b, r);
    r[R_PHASE] = PHASE_RETURNING;
    forget_other(b);
    return commit(b);
}

/* "Switching", keep: recorded before a run slot of the set before is touched. What has no copy has no way
 * back. */
static uint32_t keep(struct seal_boot *b, uint32_t index)
{
    const struct seal_component *c = &b->product->components[index];
    const uint8_t *statement = entry(b, 0, index) + 4;
    uint8_t *r = b->journal.record, trial = 0;
    struct lying before, kept;

    waiting(b, c, c->run, &before);
    if (c->detached) {
        as_reader(b, c->header, &before.payload, &before.source.header);
        before.source.payload_at = 0;
    }
    if (c->keep.size != 0 && r[R_TRIAL] && is_whole(b, &before.source, statement)) {
        uint32_t code = write_image(b, c, &c->keep, &before.source);
        if (code != SEAL_WRITTEN)
            return code;
        waiting(b, c, &c->keep, &kept);
        trial = (uint8_t)is_whole(b, &kept.source, statement);
    }
    r[R_TRIAL] = trial;
    flip_bit(r + R_KEPT, index);
    return commit(b);
}

/* The delivered image of a component: from its staging slot, else from the package. */
static int delivered(struct seal_boot *b, uint32_t index, struct lying *image)
{
    const struct seal_component *c = &b->product->components[index];
    const uint8_t *statement = entry(b, 1, index) + 4;

    if (c->staging.size != 0) {
        waiting(b, c, &c->staging, image);
        if (is_whole(b, &image->source, statement))
            return 1;
    }
    if (b->package == 0
        || b->package(b->package_user, c->number, statement, b->journal.record + R_TARGET_DIGEST, &image->source) != SEAL_READ)
        return 0;
    return is_whole(b, &image->source, statement);
}

static int is_switched(const struct seal_boot *b, uint32_t index)
{
    const struct seal_component *c = &b->product->components[index];

    return has_bit(b->journal.record + R_PREPARED, index) && c->run_slots == 1 && !c->recovery;
}

/* "Switching" of one component. SEAL_WRITTEN: placed; SEAL_DEVICE_NO_SET: cannot be. */
static uint32_t place_image(struct seal_boot *b, uint32_t index)
{
    struct lying image;
    uint8_t *r = b->journal.record;
    uint32_t code;

    if (has_bit(r + R_PLACED, index))
        return SEAL_WRITTEN;
    if (entry(b, 0, index)[1] != NOTHING && !has_bit(r + R_KEPT, index)) {
        code = keep(b, index);
        if (code != SEAL_WRITTEN)
            return code;
        r = b->journal.record;
    }
    if (!delivered(b, index, &image))
        return SEAL_DEVICE_NO_SET;
    code = rewrite(b, index, &image.source, 1);
    if (code == SEAL_DEVICE_UNREADABLE)
        return SEAL_DEVICE_NO_SET;
    if (code != SEAL_ACCEPTED)
        return code;
    flip_bit(r + R_PLACED, index);
    return commit(b);
}

/* SEAL_WRITTEN: go on with the record; SEAL_DEVICE_NO_SET: wait for the package. */
static uint32_t switch_set(struct seal_boot *b)
{
    uint32_t i, pass, code, count = b->product->component_count;
    struct lying image;

    if (get32(b->journal.record + R_KEPT) == 0 && get32(b->journal.record + R_PLACED) == 0)
        for (i = 0; i < count; i++)
            if (is_switched(b, i) && !delivered(b, i, &image))
                return settle_before(b);
    for (pass = 0; pass < 2; pass++)    /* those without a staging slot first */
        for (i = 0; i < count; i++) {
            if (!is_switched(b, i) || (b->product->components[i].staging.size != 0) != (pass != 0))
                continue;
            code = place_image(b, i);
            if (code == SEAL_WRITTEN)
                continue;
            if (code == SEAL_DEVICE_NO_SET && b->journal.record[R_TRIAL])
                return give_up(b);
            return code;
        }
    return try_set(b);
}

/* "Returning". */
static uint32_t go_back(struct seal_boot *b)
{
    uint8_t *r = b->journal.record;
    struct lying kept;
    uint32_t i, code;

    for (i = 0; i < b->product->component_count; i++) {
        const struct seal_component *c = &b->product->components[i];

        if (!has_bit(r + R_KEPT, i))
            continue;
        waiting(b, c, &c->keep, &kept);
        if (!is_whole(b, &kept.source, entry(b, 0, i) + 4))
            return SEAL_DEVICE_NO_SET;
        code = rewrite(b, i, &kept.source, 0);
        if (code != SEAL_ACCEPTED)
            return code;
        flip_bit(r + R_KEPT, i);
        code = commit(b);
        if (code != SEAL_WRITTEN)
            return code;
    }
    return settle_before(b);
}

/* The recovery component's index when its image passes every check by itself. */
uint32_t good_recovery(struct seal_boot *b)
{
    uint32_t i;

    for (i = 0; i < b->product->component_count; i++)
        if (b->product->components[i].recovery && (!b->journal.found || !b->journal.record[R_RECOVERY])
            && judge_alone(b, i) == SEAL_ACCEPTED)
            return i;
    return NOTHING;
}

/* "Counters", of the image whose statement is in the work memory: from the step reached already, which a cut may have torn, as far as the
 * storage goes. */
static uint32_t raise_counter(struct seal_boot *b, uint32_t index)
{
    const struct seal_component *c = &b->product->components[index];
    const struct seal_counters *counters = &b->counters;
    uint8_t number = c->number;
    uint32_t now = 0, step, value = get32(b->work->statement + SEAL_AT_COUNTER);

    if (read_counter(b, number, &now) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    step = now > 1 ? now : 1;
    if (c->counter_value) {
        if (step <= value)
            (void)counters->raise(counters->user, number, value);
    } else {
        while (step <= value && counters->take(counters->user, number, step) == SEAL_WRITTEN)
            step++;
    }
    if (read_counter(b, number, &now) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    b->journal.record[R_UNRAISED] |= now < value;
    return SEAL_WRITTEN;
}

/* "Settling". */
static uint32_t settle(struct seal_boot *b)
{
    uint8_t *r = b->journal.record;
    uint32_t i, code = SEAL_WRITTEN, passes = SEAL_ACCEPTED;

    if (r[R_PHASE] == PHASE_SETTLING) {     /* whoever writes records must not raise counters with them */
#ifdef SEAL_BOOT_MARK
        b->marked = 0;
#endif
        passes = judge_set(b, 0);
        code = tidy(b);
    }
    r[R_UNRAISED] = passes != SEAL_ACCEPTED;
    for (i = 0; code == SEAL_WRITTEN && passes == SEAL_ACCEPTED && i < b->product->component_count; i++) {
        if (named(b, 0, i))
            code = raise_counter(b, i);
        else if (entry(b, 0, i)[1] != NOTHING)
            r[R_UNRAISED] = 1;
    }
    if (code == SEAL_WRITTEN) {
        i = good_recovery(b);
        if (i != NOTHING)
            code = raise_counter(b, i);
    }
    if (code != SEAL_WRITTEN)
        return code;
    if (r[R_PHASE] == PHASE_SETTLING) {
        r[R_PHASE] = PHASE_SETTLED;
        move(r + R_SEQUENCE, r + R_TARGET_SEQUENCE, 4);
        move(r + R_MANIFEST_DIGEST, r + R_TARGET_DIGEST, 32);
        forget_target(r);
    } else if (r[R_UNRAISED]) {
        return SEAL_WRITTEN;
    }
    return commit(b);
}

uint32_t seal_report_healthy(struct seal_boot *b)
{
    uint8_t *r = b->journal.record;
    uint32_t code;

    if (!b->journal.found)
        return SEAL_DEVICE_NO_RECORD;
    if (r[R_PHASE] != PHASE_TRIAL && r[R_PHASE] != PHASE_UNPROVEN)
        return SEAL_ACCEPTED;
    enter(r, PHASE_SETTLING);
    code = commit(b);
    if (code == SEAL_WRITTEN)
        code = settle(b);
    return code == SEAL_WRITTEN ? (uint32_t)SEAL_ACCEPTED : code;
}

void seal_what_runs(const struct seal_boot *b, struct seal_running *running)
{
    uint32_t i, count = b->journal.found ? b->product->component_count : 0;

    for (i = 0; i < SEAL_SET_MAX; i++)
        running->run_slot[i] = i < count ? entry(b, 0, i)[1] : NOTHING;
    running->settled = count == 0 || b->journal.record[R_PHASE] == PHASE_SETTLED;
}

/* -- the boot mark ------------------------------------------------------------------------------ */

#ifdef SEAL_BOOT_MARK
#define MARK_BYTES 32u
#define MARK_HEAD 36u
#define MARK_ANCHOR 80u         /* key identifier, x and y, which follow each other in struct seal_anchor */
#define MARK_TAIL 8u

static const uint8_t mark_magic[8] = { 0xD5, 'c', 'h', 'e', 'c', 'k', 'e', 'd' };

/* The mark of the current set on this device: docs/format/boot-mark.md. */
static void mark_of(struct seal_boot *b, uint8_t mark[MARK_BYTES])
{
    const struct seal_product *p = b->product;
    void *hash = b->work->hash.bytes;
    uint32_t i, kinds = SEAL_KIND_P256, must = SEAL_KIND_P256;
    uint8_t head[MARK_HEAD], tail[MARK_TAIL];

#ifdef SEAL_ML_DSA_44
    kinds = p->kinds & (b->crypto->verify_ml_dsa_44 != 0 ? 3u : SEAL_KIND_P256);
    must = p->must_verify[0] | p->must_verify[1];
#endif
    move(head, mark_magic, sizeof mark_magic);
    head[8] = 1;
    head[9] = 0;
    head[10] = p->component_count;
    head[11] = p->anchor_count;
    head[12] = b->revoked_count;
    head[13] = p->need;
    head[14] = (uint8_t)kinds;
    head[15] = (uint8_t)must;
    head[16] = b->development != 0;
    head[17] = 0;
    head[18] = (uint8_t)b->hardware;
    head[19] = (uint8_t)(b->hardware >> 8);
    move(head + 20, b->bootloader, sizeof b->bootloader);
    clear(mark, MARK_BYTES);
    clear(tail, MARK_TAIL);
    b->crypto->sha256_begin(hash);
    b->crypto->sha256_add(hash, head, MARK_HEAD);
    b->crypto->sha256_add(hash, entry(b, 0, 0), set_bytes(b));
    for (i = 0; i < p->anchor_count; i++) {
        const struct seal_anchor *a = &p->anchors[i];

        put32(tail, a->components);
        tail[4] = a->development != 0;
        tail[5] = SEAL_KIND_OF(a);
        b->crypto->sha256_add(hash, a->key_id, MARK_ANCHOR);
        b->crypto->sha256_add(hash, tail, MARK_TAIL);
#ifdef SEAL_ML_DSA_44
        if (a->ml_dsa_44 != 0)
            b->crypto->sha256_add(hash, a->ml_dsa_44, SEAL_ML_DSA_44_KEY_BYTES);
#endif
    }
    for (i = 0; i < b->revoked_count; i++)
        b->crypto->sha256_add(hash, b->revoked[i], 16);
    b->crypto->sha256_end(hash, mark);
}

/* judge_set of the set that is to start. Its mark stands for its signatures; the copy of the
 * mark is compared again, with one that is made again, when everything has been judged, so that what
 * was skipped in between decides nothing. */
static uint32_t judge_at_boot(struct seal_boot *b)
{
    uint8_t mark[MARK_BYTES], there[MARK_BYTES];
    uint32_t verdict;

    b->marked = 0;
    mark_of(b, mark);
    if (b->flash.read(b->flash.user, b->product->mark.base, there, MARK_BYTES) != SEAL_READ)
        clear(there, MARK_BYTES);
    if (seal_differ(there, mark, MARK_BYTES) == 0)
        b->marked = SEAL_MARKED;
    verdict = judge_set(b, 0);
    if (b->marked != SEAL_MARKED)
        return verdict;
    mark_of(b, mark);   /* a load of what goes into it may have been skipped */
    return verdict + seal_differ(there, mark, MARK_BYTES);
}

/* A set whose signatures have been verified gets its mark; with another verdict than
 * SEAL_ACCEPTED what is written is the mark of nothing. Whatever happens to it, the set starts:
 * without a mark the next boot verifies again. */
static void write_mark(struct seal_boot *b, uint32_t verdict)
{
    const struct seal_slot *slot = &b->product->mark;
    uint8_t mark[MARK_BYTES];
    struct seal_reader from;

    mark_of(b, mark);
    put32(mark, get32(mark) + (verdict - SEAL_ACCEPTED));
    from.read = read_ram;
    from.user = mark;
    from.size = MARK_BYTES;
    if (erase_range(b, slot->base, slot->size) == SEAL_WRITTEN)
        (void)program_range(b, slot->base, &from, 0, MARK_BYTES);
}
#else
#define judge_at_boot(b) judge_set(b, 0)
#endif

/* -- starting ---------------------------------------------------------------------------------- */

/* verdict is that of judge_set, and comes back: who calls looks at it again. A trial has
 * been counted when it comes here, and nothing else has. */
static uint32_t start_set(struct seal_boot *b, uint32_t verdict, int counted, struct seal_started *started)
{
    uint32_t i, phase = b->journal.record[R_PHASE], members = 0;
    volatile uint32_t again = 0;

    if ((phase == PHASE_TRIAL) != counted)
        return SEAL_DEVICE_NOT_RUN;
#ifdef SEAL_BOOT_MARK
    if (b->marked != SEAL_MARKED)
        write_mark(b, verdict);
#endif
    started->what = SEAL_START_SET;
    started->trial = phase == PHASE_TRIAL || phase == PHASE_UNPROVEN;
    for (i = 0; i < b->product->component_count; i++) {
        started->run_slot[i] = entry(b, 0, i)[1];
        /* compared where another index says, that nothing is computed from the first one */
        verdict += *(const volatile uint8_t *)&started->run_slot[again] ^ entry(b, 0, again)[1];
        again++;
        members += started->run_slot[i] != NOTHING;
    }
    started->members = (uint8_t)members;
    return verdict + (again ^ b->product->component_count);
}

/* The recovery image is judged twice: there is no other look at the decision. Who goes on from here is
 * not told what lies in a run slot whose rewriting was cut short: it may read as before for a while. */
static uint32_t start_without_set(struct seal_boot *b, struct seal_started *started)
{
    uint32_t recovery = good_recovery(b), i;

    for (i = 0; i < b->product->component_count; i++)
        if (has_bit(b->journal.record + R_KEPT, i))
            clear(entry(b, 0, i) + 4, 32);
    started->what = SEAL_START_NOTHING;
    started->trial = 0;
    started->members = 0;
    if (recovery != NOTHING && good_recovery(b) == recovery)
        started->what = SEAL_START_RECOVERY;
    return SEAL_ACCEPTED;
}

static int tried_enough(const struct seal_boot *b)
{
    const uint8_t *r = b->journal.record;

    return r[R_ATTEMPTS] >= b->product->trial_attempts || r[R_POWER_ONS] >= b->product->trial_power_ons;
}

/* "At every reset", trial: the start is counted first. */
static uint32_t start_trial(struct seal_boot *b, uint32_t verdict, int power_on, struct seal_started *started)
{
    uint32_t code;

    if (tried_enough(b))
        return SEAL_DEVICE_NOT_RUN;
    b->journal.record[power_on ? R_POWER_ONS : R_ATTEMPTS]++;
    code = commit(b);
    return code == SEAL_WRITTEN ? start_set(b, verdict, 1, started) : code;
}

/* What is done in a phase before anything starts: SEAL_WRITTEN, and on with the phase that there is
 * then. By a table, so that each has a stack of its own. */
#define OPEN 0u
static uint32_t (*const steps[8])(struct seal_boot *) = {
    open_journal, 0, 0, switch_set, 0, 0, go_back, settle
};

static uint32_t choose(struct seal_boot *b, int power_on, struct seal_started *started)
{
    uint32_t code = SEAL_WRITTEN, round, phase = OPEN;
    volatile uint32_t verdict = SEAL_DEVICE_NOT_RUN;

    started->what = SEAL_START_NOTHING;
    for (round = 0; code == SEAL_WRITTEN && round < 9; round++) {
        const uint8_t *r;

        if (steps[phase] != 0) {
            code = steps[phase](b);
        } else if (phase == PHASE_TRIAL) {
            if (!tried_enough(b)) {
                verdict = judge_at_boot(b);
                if (verdict == SEAL_ACCEPTED)
                    return start_trial(b, verdict, power_on, started);
            }
            code = give_up(b);
        } else {
            verdict = judge_at_boot(b);
            r = b->journal.record;
            if (verdict == SEAL_ACCEPTED) {
                if (phase == PHASE_SETTLED && r[R_UNRAISED] && (code = settle(b)) != SEAL_WRITTEN)
                    return code;
                return start_set(b, verdict, 0, started);
            }
            code = SEAL_DEVICE_NO_SET;
            if (phase == PHASE_SETTLED && !r[R_UNRAISED] && judge_set(b, 1) == SEAL_ACCEPTED)
                code = give_up(b);      /* the set before goes on */
        }
        if (code == SEAL_DEVICE_NO_SET || code == SEAL_DEVICE_NO_RECORD)
            return start_without_set(b, started);
        phase = b->journal.record[R_PHASE] & 7u;
    }
    return code == SEAL_WRITTEN ? (uint32_t)SEAL_DEVICE_NOT_RUN : code;
}

#ifdef SEAL_BOOT_MARK
/* Of the keys that are revoked, which may lie in RAM. */
static uint32_t sum_of_revoked(const struct seal_boot *b)
{
    const uint8_t *key = (const uint8_t *)b->revoked;
    uint32_t left = 16u * b->revoked_count, sum = left;

    while (left-- != 0)
        sum = (sum << 5) - sum + *key++;
    return sum;
}
#endif

uint32_t seal_choose(struct seal_boot *b, int power_on, struct seal_started *started)
{
#ifdef SEAL_BOOT_MARK
    volatile uint32_t before = sum_of_revoked(b), engaged = SEAL_DEVICE_NOT_RUN;
#endif
    uint32_t code = choose(b, power_on, started);

#ifdef SEAL_BOOT_MARK
    code += before ^ sum_of_revoked(b);     /* a store that goes astray may have taken one out */
    /* nothing starts, the recovery image neither, that could write the mark */
    if (b->protect != 0)
        engaged = b->protect(b->protect_user, &b->product->mark);
    b->marked = 0;      /* whoever judges from here on verifies */
    code += engaged - SEAL_WRITTEN;
    if (engaged != SEAL_WRITTEN)
        return SEAL_DEVICE_UNWRITABLE;
#endif
    return code;
}
