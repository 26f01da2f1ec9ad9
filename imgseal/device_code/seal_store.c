/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Keeps an update package in flash; see seal_store.h. An entry of the log is the first bytes of the
 * manifest's digest, which tells whose it is, and how many erase blocks of the package are complete.
 * One that was torn ends the log. Where a package goes on, the log is written anew: a place that
 * reads erased may have been torn, and is not programmed again.
 */
#include "seal_store.h"

#include "seal_inside.h"

#ifdef SEAL_PATCHES
#include "seal_delivery.h"
#endif

#define TAG 12u                 /* bytes of the digest in an entry                */
#define NO_LOG 0xFFFFFFFFu
#define ENTRY 16u               /* and of the whole, without what fills its last unit */

static uint32_t log_at(const struct seal_store *s, uint32_t entry)
{
    return s->slot.base + s->room + entry * s->entry;
}

static uint32_t read_slot(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const struct seal_store *s = (const struct seal_store *)user;
    const struct seal_flash *flash = &s->install->boot->flash;

    return flash->read(flash->user, s->slot.base + offset, to, length);
}

/* Divides the slot: package in front, log behind. */
static uint32_t divide(struct seal_store *s)
{
    const struct seal_boot *b = s->install->boot;
    struct geometry g;
    uint32_t log;

    if (geometry_of(b, s->slot.base, &g) != SEAL_WRITTEN)
        return SEAL_DEVICE_UNREADABLE;
    s->block = g.block;
    s->page = g.page < b->page_room ? g.page : b->page_room;
    s->entry = g.unit > ENTRY ? g.unit : ENTRY;
    log = ((s->slot.size / s->block + 1) * s->entry + s->block - 1) / s->block * s->block;
    if (log >= s->slot.size)
        return SEAL_PLACEMENT_NO_SLOT;
    s->room = s->slot.size - log;
    s->reader.read = read_slot;
    s->reader.user = s;
    s->install->stored = &s->reader;
    return SEAL_ACCEPTED;
}

#ifdef SEAL_PATCHES
/* 1 when what is kept begins a delivery. */
static int look_wrapped(struct seal_store *s, uint32_t length)
{
    struct seal_install *i = s->install;

    s->reader.size = length;
    look_only(i);
    s->refused = 0;
    s->wrapped = i->delivery != 0 && look_at_delivery(i);
    i->code = SEAL_ACCEPTED;
    i->judged = s->wrapped;
    i->want = i->position == 0;
    if (i->position == 0)
        i->position = length;
    return s->wrapped;
}

/* What is no package may be a delivery, which shows once the release in it has come. */
static uint32_t take_wrapped(struct seal_store *s, const uint8_t *bytes, uint32_t length)
{
    struct seal_install *i = s->install;
    uint32_t code = s->wrapped ? i->code : seal_install_take(i, bytes, length);

    if (code == SEAL_ACCEPTED || s->wrapped || i->judged || i->delivery == 0)
        return code;
    s->wrapped = 1;
    s->refused = code;
    i->code = SEAL_ACCEPTED;
    return SEAL_ACCEPTED;
}
#endif

/* Takes what is kept, up to a length or to the end of the package, without writing. */
static uint32_t look(struct seal_store *s, uint32_t length)
{
#ifdef SEAL_PATCHES
    if (look_wrapped(s, length))
        return SEAL_ACCEPTED;
#endif
    s->reader.size = length;
    look_only(s->install);
    take_stored(s->install);
    return s->install->code;
}

void seal_store_anew(struct seal_store *s)
{
    look_only(s->install);
    s->complete = 0;
    s->position = 0;
    s->fill = 0;
    s->notes = NO_LOG;
#ifdef SEAL_PATCHES
    s->wrapped = 0;
    s->refused = 0;
#endif
}

uint32_t seal_store_begin(struct seal_store *s)
{
    struct seal_install *i = s->install;
    const struct seal_flash *flash = &i->boot->flash;
    uint8_t tag[TAG], entry[ENTRY];
    uint32_t code = divide(s), k;

    if (code != SEAL_ACCEPTED)
        return code;
    s->complete = 0;
    for (k = 0; k <= s->room / s->block; k++) {
        if (flash->read(flash->user, log_at(s, k), entry, ENTRY) != SEAL_READ || (k != 0 && seal_differ(tag, entry, TAG) != 0)
            || get32(entry + TAG) <= s->complete || get32(entry + TAG) > s->room / s->block)
            break;
        move(tag, entry, TAG);
        s->complete = get32(entry + TAG);
    }
    s->fill = 0;
    s->notes = NO_LOG;
    if (s->complete == 0 || look(s, s->complete * s->block) != SEAL_ACCEPTED || !i->judged
        || seal_differ(tag, i->package.digest, TAG) != 0)
        seal_store_anew(s);
    s->position = i->position;
    return SEAL_ACCEPTED;
}

/* Notes how many blocks are complete. */
static uint32_t note(struct seal_store *s)
{
    struct seal_reader from = { read_ram, 0, 0 };
    uint8_t entry[ENTRY];

    move(entry, s->install->package.digest, TAG);
    put32(entry + TAG, s->complete);
    from.user = entry;
    return program_range(s->install->boot, log_at(s, s->notes++), &from, 0, ENTRY);
}

/* Programs what the page buffer holds. */
static uint32_t flush(struct seal_store *s)
{
    struct seal_boot *b = s->install->boot;
    struct seal_reader from = { read_ram, 0, 0 };
    uint32_t code;

    from.user = b->page;
    code = program_range(b, s->slot.base + s->position - s->fill, &from, 0, s->fill);
    s->fill = 0;
#ifdef SEAL_PATCHES
    if (code == SEAL_WRITTEN && s->refused != 0 && s->position % s->block == 0) {
        uint32_t refused = s->refused;

        if (!look_wrapped(s, s->position)) {
            s->wrapped = 1;
            s->refused = refused;
            if (s->position / 2 > s->install->room + s->install->delivery->room)
                return refused;
        }
    }
#endif
    if (code != SEAL_WRITTEN || !s->install->judged || s->position / s->block <= s->complete)
        return code;
    s->complete = s->position / s->block;
    return note(s);
}

/* Before the first byte of an erase block; before the first of all the log is begun. */
static uint32_t open_block(struct seal_store *s)
{
    struct seal_boot *b = s->install->boot;
    uint32_t code = tidy(b);

    if (s->position >= s->room)
        return SEAL_PLACEMENT_LARGER_THAN_SLOT;
    if (code == SEAL_WRITTEN && s->notes == NO_LOG) {
        s->notes = 0;
        code = erase_range(b, s->slot.base + s->room, s->slot.size - s->room);
        if (code == SEAL_WRITTEN && s->complete != 0)
            code = note(s);
    }
    return code == SEAL_WRITTEN ? erase_range(b, s->slot.base + s->position, s->block) : code;
}

uint32_t seal_store_take(struct seal_store *s, const uint8_t *bytes, uint32_t length)
{
#ifdef SEAL_PATCHES
    uint32_t code = take_wrapped(s, bytes, length);
#else
    uint32_t code = seal_install_take(s->install, bytes, length);
#endif

    if (code != SEAL_ACCEPTED)
        return code;
    code = SEAL_WRITTEN;
    while (code == SEAL_WRITTEN && length != 0) {
        uint32_t room = s->page - s->fill, left = s->block - s->position % s->block, part;

        if (s->position % s->block == 0) {
            code = open_block(s);
            if (code != SEAL_WRITTEN)
                break;
        }
        room = left < room ? left : room;
        part = length < room ? length : room;
        move(s->install->boot->page + s->fill, bytes, part);
        s->fill += part;
        s->position += part;
        bytes += part;
        length -= part;
        if (part == room)
            code = flush(s);
    }
    if (code != SEAL_WRITTEN)
        s->install->code = code;
    return s->install->code;
}

uint32_t seal_store_finish(struct seal_store *s)
{
    uint32_t code = s->install->code;

    if (code == SEAL_ACCEPTED && s->fill != 0 && flush(s) != SEAL_WRITTEN)
        code = SEAL_DEVICE_UNWRITABLE;
    if (code != SEAL_ACCEPTED)
        return code;
    s->reader.size = s->position;
    return seal_install_stored(s->install, &s->reader);
}

uint32_t seal_store_image(void *user, uint8_t component, const uint8_t statement[32], const uint8_t manifest[32],
                          struct seal_source *source)
{
    struct seal_store *s = (struct seal_store *)user;
    uint32_t code = divide(s);

    if (code == SEAL_ACCEPTED)
        code = look(s, s->room);
    if (code != SEAL_ACCEPTED || s->install->want != 0)
        return SEAL_DEVICE_NOT_STORED;
    s->reader.size = s->install->position;
    return seal_install_image(s->install, component, statement, manifest, source);
}
