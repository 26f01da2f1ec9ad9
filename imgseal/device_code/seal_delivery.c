/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Reads deliveries; see seal_delivery.h. Given its values a delivery's manifest has one encoding, so it is
 * held against the rows below, byte for byte. What it says of a step stands in three places, which are
 * walked side by side. It is copied into RAM once, and read from there.
 */
#include "seal_delivery.h"

#ifdef SEAL_PATCHES
#include "seal_inside.h"

/* -- rows ------------------------------------------------------------------------------------------
 * A row is the bytes that have to stand there. Heads that no CBOR item has are holes, which keep what they meet. */

#define ANY 28u                     /* the head of any item of this kind, in the low five bits: */
#define NUMBER 0x1C
#define MINUS 0x3C
#define STRING 0x5C
#define ARRAY 0x9C
#define MAP 0xBC
#define EXPECTED 0x1D               /* a number that the caller expects                  */
#define EXPECTED_OF 0x9D            /* an array of so many                               */
#define SKIP 30u
#define BYTES(count) 0x1E, (count)  /* so many bytes                                     */
#define END 0xDF

#define SHA256 0x58, 0x24, 0x82, 0x2F, 0x58, 0x20, BYTES(32)

static const uint8_t front_row[] = { 0xD8, 0x6B, MAP, 2, END };
static const uint8_t manifest_key[] = { 3, END };
static const uint8_t text_key[] = { 23, END };
static const uint8_t release_key[] = { 0x61, '#', END };
static const uint8_t any_key[] = { 0x63, BYTES(3), END };
static const uint8_t string_row[] = { STRING, END };
static const uint8_t inside_row[] = { 0xD8, 0x6B, MAP, 2, STRING, ARRAY, SHA256, END };

static const uint8_t manifest_row[] = { STRING, 0xA4, 1, 1, 2, NUMBER, 3, STRING, END };
static const uint8_t common_row[] = { 0xA3, 1, 0xA1, 0, 0xA0, 2, ARRAY, 0x81, 0x47, 'r', 'e', 'l', 'e', 'a', 's', 'e', END };
static const uint8_t part_row[] = { 0x83, 0x41, BYTES(1), 0x41, BYTES(1), 0x41, BYTES(1), END };
static const uint8_t header_row[] = { 0x84, 0x41, BYTES(1), 0x41, BYTES(1), 0x46, 'h', 'e', 'a', 'd', 'e', 'r', 0x41, BYTES(1), END };
static const uint8_t shared_row[] = { 4, STRING, END };
static const uint8_t identity_row[] = { EXPECTED_OF, 12, 0, 20, 0xA3, 1, 0x50, BYTES(16), 2, 0x50, BYTES(16), 3, SHA256, 1, 15, 2, 15,
                                        END };
static const uint8_t travels_row[] = { 12, EXPECTED, 20, 0xA2, 3, SHA256, 14, NUMBER, END };
static const uint8_t install_row[] = { 20, STRING, END };
static const uint8_t begin_row[] = { ARRAY, 12, 0, 20, 0xA1, 21, 0x61, '#', 21, 2, 7, 15, END };
static const uint8_t branches_row[] = { 15, ARRAY, END };
static const uint8_t array_row[] = { ARRAY, END };
static const uint8_t slot_row[] = { 12, EXPECTED, 20, 0xA1, 5, NUMBER, 5, 5, END };
static const uint8_t base_row[] = { 20, 0xA2, 0x38, 0xFF, 0x58, 0x20, BYTES(32), 0x39, 1, 0, NUMBER, 0x38, 0xFF, 15, END };
static const uint8_t fetch_row[] = { 20, 0xA1, 21, 0x63, '#', BYTES(2), 21, 2, 3, 15, MINUS, 2, END };
static const uint8_t end_row[] = { 12, 0, 11, 2, END };

#define TAKE 256u                   /* -257, as it is; -258: it is made                  */
#define SHARED_ITEMS 8u             /* of the shared sequence, for the release and for each step */
#define SHARED_STEP 4u
#define INSTALL_ITEMS 12u           /* of the install sequence beside the steps, for a step, and for its base */
#define INSTALL_STEP 14u
#define INSTALL_BASE 4u
#define STEPS_MOST 63u              /* a manifest has 64 components at most */
#define NEAR 16u                    /* bytes of key and head of a member: what is behind may be erased, and not be read */
#define RELEASE_MEMBERS 3u          /* of the envelope: wrapper, manifest, release        */

/* What stands behind a row, when that stands here; 0: something else stands here. */
static const uint8_t *match(struct seal_delivery *d, const uint8_t *at, const uint8_t *row)
{
    uint32_t hole = 0;

    if (at == 0)
        return 0;
    for (; *row != END; row++) {
        uint32_t op = *row, low = op & 31u, left = (uint32_t)(d->end - at), used, value = 0;

        if (left == 0)
            return 0;
        if (low - ANY > SKIP - ANY) {
            if (*at++ != op)
                return 0;
            continue;
        }
        if (low == SKIP) {
            used = *++row;
            if (used > left)
                return 0;
            d->data[hole++] = at;
            at += used;
            continue;
        }
        used = seal_head(at, left, &value);
        if (used - 1 > 4 || used > left || *at >> 5 != op >> 5)
            return 0;
        at += used;
        if (low != ANY) {
            if (value != d->expected)
                return 0;
            continue;
        }
        if (op == STRING && value > left - used + d->beyond)
            return 0;
        d->data[hole] = at;
        d->value[hole++] = value;
    }
    return at;
}

/* -- the envelope ------------------------------------------------------------------------------------ */

/* 1 when a row stands there in the file, within so many bytes; from is what is behind it. */
static int see(struct seal_install *i, uint32_t at, const uint8_t *row, uint32_t most)
{
    struct seal_delivery *d = i->delivery;
    uint32_t left = i->stored->size - at, length = left < most ? left : most;
    const uint8_t *behind;

    if (i->stored->read(i->stored->user, at, d->window, length) != SEAL_READ)
        return 0;
    d->beyond = left - length;
    d->end = d->window + length;
    behind = match(d, d->window, row);
    if (behind == 0)
        return 0;
    d->from = at + (uint32_t)(behind - d->window);
    return 1;
}

/* The next member, with this key. */
static uint32_t next_member(struct seal_install *i, const uint8_t *key)
{
    struct seal_delivery *d = i->delivery;

    if (!see(i, d->at, key, NEAR))
        return SEAL_STRUCTURE_UNSIGNED_MEMBER;
    d->head = d->from;
    if (!see(i, d->head, string_row, NEAR))
        return SEAL_STRUCTURE_ENVELOPE;
    d->length = d->value[0];
    d->at = d->from + d->length;
    return SEAL_ACCEPTED;
}

/* 1 when this is a delivery: wrapper, manifest, and the release as the first payload. */
static int is_delivery(struct seal_install *i)
{
    struct seal_delivery *d = i->delivery;
    const uint8_t *key = front_row;
    uint32_t k;

    d->at = 0;
    if (!see(i, 0, front_row, NEAR))
        return 0;
    d->members = d->value[0];
    for (k = 0; k < 4; k += 2) {
        if (next_member(i, key) != SEAL_ACCEPTED)
            return 0;
        d->wrapper[k] = d->head;
        d->wrapper[k + 1] = d->at - d->head;
        if (d->at - d->head > SEAL_MEMBER_MAX)
            return 0;
        key = manifest_key;
    }
    d->left = d->members - RELEASE_MEMBERS;
    if (next_member(i, text_key) == SEAL_ACCEPTED)      /* which a delivery may not have, and no package has without another */
        d->left--;
    if (next_member(i, release_key) != SEAL_ACCEPTED)
        return 0;
    d->release[0] = d->from;
    d->release[1] = d->length;
    d->first = d->at;
    return 1;
}

static void count_up(uint8_t digits[2])
{
    if (++digits[1] > '9') {
        digits[1] = '0';
        digits[0]++;
    }
}

/* What travels for a step; of the one behind the last: that there is nothing else. */
static uint32_t find_member(struct seal_install *i, uint32_t number)
{
    struct seal_delivery *d = i->delivery;
    uint8_t key[] = { 0x63, '#', '0', '0', END };
    uint32_t k;

    d->at = d->first;
    if (d->members < RELEASE_MEMBERS + d->steps)
        return SEAL_RULES_DIRECTIVE_FAILED;
    for (k = 0; k != d->steps; k++) {
        uint32_t code = next_member(i, key);

        if (code != SEAL_ACCEPTED || k == number)
            return code;
        count_up(key + 2);
    }
    return d->members == RELEASE_MEMBERS + k ? SEAL_ACCEPTED : SEAL_STRUCTURE_UNSIGNED_MEMBER;
}

/* -- the manifest -------------------------------------------------------------------------------------- */

/* What is said of the first step. */
static void first_step(struct seal_delivery *d)
{
    d->part = d->part_at;
    d->said = d->said_at;
    d->command = d->command_at;
    d->step = d->left = d->branches = d->counted = d->place = 0;
    d->digits[0] = d->digits[1] = '0';
}

/* Number, run slot and place in the list of the component that a step is for. */
static int next_part(struct seal_delivery *d, uint32_t step)
{
    const uint8_t *behind = match(d, d->part, part_row);

    d->header = behind == 0;
    if (behind == 0)
        behind = match(d, d->part, header_row);
    d->part = behind;
    if (behind == 0 || *d->data[2] != step)
        return 0;
    d->number = *d->data[0];
    d->run_slot = *d->data[1];
    return d->number != 0;
}

/* 1 when a step stands behind the one before it: by component, header, run slot, and base, none behind all. */
static int ascends(struct seal_delivery *d, uint32_t place, const uint8_t *before)
{
    uint32_t k, last = d->place;

    d->place = place;
    for (k = 0; place == last && d->base != 0 && k != 32; k++) {
        place = d->base[k];
        last = before[k];
    }
    return place > last;
}

/* Takes the next step; 0: something else stands there. */
static int next_step(struct seal_delivery *d)
{
    const uint8_t *behind, *stop = 0, *before = d->base;
    uint32_t place, items = INSTALL_STEP, wanted = 0;

    if (!next_part(d, d->step))
        return 0;
    d->expected = d->step + 1;
    d->said = match(d, d->said, travels_row);
    d->digest = d->data[0];
    d->size = d->value[1];
    place = (((uint32_t)d->number << 1 | d->header) << 8 | d->run_slot) << 1;
    if ((d->left != 0) != ((place ^ d->place) >> 9 == 0))   /* of the same component and header */
        return 0;
    if (d->left == 0) {
        d->left = 1;
        behind = match(d, d->command, branches_row);
        d->branches = behind != 0;
        if (behind != 0) {
            d->command = behind;
            d->left = d->value[0];
            d->counted += 2;
            if (d->left < 2)
                return 0;
        }
    }
    d->left--;
    if (d->branches) {
        behind = match(d, d->command, string_row);
        if (behind == 0)
            return 0;
        stop = behind + d->value[0];
        d->command = match(d, behind, array_row);
        wanted = d->value[0];
    }
    d->command = match(d, d->command, slot_row);
    if (d->command == 0 || d->value[0] != d->run_slot)
        return 0;
    d->base = 0;
    d->base_size = 0;
    behind = match(d, d->command, base_row);
    if (behind != 0) {
        items += INSTALL_BASE;
        d->base = d->data[0];
        d->base_size = d->value[1];
        d->command = behind;
        if (d->base_size == 0)
            return 0;
    }
    if (!ascends(d, place | (d->base == 0), before))
        return 0;
    d->command = match(d, d->command, fetch_row);
    if (d->command == 0 || d->data[0][0] != d->digits[0] || d->data[0][1] != d->digits[1] || d->value[1] - TAKE > 1)
        return 0;
    d->plain = d->value[1] == TAKE;
    if (d->said == 0 || d->size == 0 || (d->plain && d->base != 0))
        return 0;
    if (!d->branches)
        d->counted += items;
    else if (wanted != items || d->command != stop)
        return 0;
    d->step++;
    count_up(d->digits);
    return 1;
}

/* Reads all of it; 0: it is no manifest of a delivery. */
static int read_manifest(struct seal_delivery *d)
{
    const uint8_t *at = d->buffer, *stop;
    uint32_t k;

    d->beyond = 0;
    d->end = at + d->wrapper[3];
    at = match(d, at, manifest_row);
    if (at == 0)
        return 0;
    d->sequence = d->value[1];
    stop = at + d->value[2];
    at = match(d, at, common_row);
    d->steps = d->value[0] - 1;
    if (at == 0 || d->steps > STEPS_MOST)
        return 0;
    d->part_at = d->part = at;
    for (k = 0; k != d->steps; k++)
        if (!next_part(d, k))
            return 0;
    at = match(d, d->part, shared_row);
    if (at == 0 || at + d->value[0] != stop)
        return 0;
    d->expected = SHARED_ITEMS + SHARED_STEP * d->steps;
    d->said_at = match(d, at, identity_row);
    if (d->said_at == 0)
        return 0;
    d->vendor = d->data[0];
    d->class_id = d->data[1];
    d->release_digest = d->data[2];
    at = match(d, stop, install_row);
    if (at == 0 || at + d->value[0] != d->end)
        return 0;
    d->command_at = match(d, at, begin_row);
    if (d->command_at == 0)
        return 0;
    d->items = d->value[0] - INSTALL_ITEMS;
    first_step(d);
    while (d->step != d->steps)
        if (!next_step(d))
            return 0;
    return d->left == 0 && d->said == stop && d->counted == d->items && match(d, d->command, end_row) == d->end;
}

/* -- what is judged before anything of it counts -------------------------------------------------------- */

/* Digest and signature of the delivery, and its manifest. */
static uint32_t judge_manifest(struct seal_install *i)
{
    struct seal_delivery *d = i->delivery;
    struct seal_boot *b = i->boot;
    struct seal_installer by;
    uint8_t digest[32];
    uint32_t code;

    move((uint8_t *)&by, (const uint8_t *)&i->device, sizeof by);
    by.anchors = d->anchors;
    by.anchor_count = (uint8_t)d->anchor_count;
    code = seal_check_wrapper(&by, i->stored, d->wrapper, b->work, &i->package);
    if (code != SEAL_ACCEPTED)
        return code;
    if (d->wrapper[3] > d->room)
        return SEAL_RULES_TOO_MANY_STEPS;
    if (i->stored->read(i->stored->user, d->wrapper[2], d->buffer, d->wrapper[3]) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    sha256(b, d->buffer, d->wrapper[3], digest);    /* copied once: what was signed is what is read */
    if (seal_differ(digest, i->package.digest, 32) != 0)
        return SEAL_SIGNATURE_MANIFEST_DIGEST;
    if (!read_manifest(d))
        return SEAL_STRUCTURE_MANIFEST;
    return d->steps > SEAL_DELIVERY_STEPS ? SEAL_RULES_TOO_MANY_STEPS : SEAL_ACCEPTED;
}

/* The same, its members, and for whom it is. */
static uint32_t judge_wrapping(struct seal_install *i)
{
    struct seal_delivery *d = i->delivery;
    const struct seal_product *product = i->boot->product;
    uint32_t code;

    for (; d->left != 0; d->left--)
        if (next_member(i, any_key) != SEAL_ACCEPTED)
            return SEAL_STRUCTURE_ENVELOPE;
    if (d->at != i->stored->size)
        return SEAL_STRUCTURE_ENVELOPE;
    code = judge_manifest(i);
    if (code != SEAL_ACCEPTED)
        return code;
    code = find_member(i, d->steps);
    if (code != SEAL_ACCEPTED)
        return code;
    if (seal_differ(d->vendor, product->vendor_id, 16) != 0)
        return SEAL_IDENTITY_WRONG_VENDOR;
    return seal_differ(d->class_id, product->class_id, 16) != 0 ? SEAL_IDENTITY_WRONG_CLASS : SEAL_ACCEPTED;
}

/* The release inside is the one that is named, and is judged as any package; it has no payloads of its own. */
static uint32_t judge_release(struct seal_install *i)
{
    struct seal_delivery *d = i->delivery;
    uint32_t at = d->release[0], left = d->release[1];

    if (!see(i, at, inside_row, SEAL_DELIVERY_WINDOW))
        return SEAL_STRUCTURE_ENVELOPE;
    if (seal_differ(d->data[3], d->release_digest, 32) != 0)
        return SEAL_SIGNATURE_MANIFEST_DIGEST;
    while (left != 0) {
        uint32_t part = left < i->want ? left : i->want;

        if (part > SEAL_DELIVERY_WINDOW)
            part = SEAL_DELIVERY_WINDOW;
        if (part == 0)
            return SEAL_STRUCTURE_ENVELOPE;
        if (i->stored->read(i->stored->user, at, d->window, part) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        if (seal_install_take(i, d->window, part) != SEAL_ACCEPTED)
            return i->code;
        if (i->judged && i->left != 0)
            return SEAL_STRUCTURE_UNSIGNED_MEMBER;
        at += part;
        left -= part;
    }
    if (!i->judged)
        return SEAL_STRUCTURE_ENVELOPE;
    if (seal_differ(i->package.digest, d->release_digest, 32) != 0)
        return SEAL_SIGNATURE_MANIFEST_DIGEST;
    return i->package.sequence != d->sequence ? SEAL_IDENTITY_LAYERS_DISAGREE : SEAL_ACCEPTED;
}

/* -- the steps -------------------------------------------------------------------------------------------- */

/* 1 when a step is for this part. */
static int is_for(const struct seal_delivery *d, const struct seal_part *part)
{
    return part->own->number == d->number && part->run_slot == d->run_slot && part->header == d->header;
}

/* Each step is for a part of the release; what has no second place to be made in comes as it is. */
static int agrees(struct seal_install *i)
{
    struct seal_delivery *d = i->delivery;

    for (first_step(d); d->step != d->steps;) {
        const struct seal_part *part = i->package.part, *last = part + i->package.parts;

        if (!next_step(d))
            return 0;
        while (part != last && !is_for(d, part))
            part++;
        if (part == last)
            return 0;
        if (!d->plain && (part->header || part->own->recovery || (part->own->run_slots == 1 && part->own->staging.size == 0)))
            return 0;
    }
    return 1;
}

/* What travels for the step that was read last, as long as was signed for. */
static uint32_t find_stream(struct seal_install *i, struct seal_reader *stream)
{
    struct seal_delivery *d = i->delivery;
    struct seal_slot slot = { 0, 0, 0, 0 };
    uint32_t code = find_member(i, d->step - 1);

    if (code != SEAL_ACCEPTED)
        return code;
    d->beyond = 0;                  /* the manifest is looked at again */
    d->end = d->buffer + d->wrapper[3];
    slot.base = i->position = d->from;
    slot.size = d->length;
    as_reader(i->boot, &slot, &d->travels, stream);
    d->travels.flash = &i->package_at;
    stream->size = d->length;
    return d->length != d->size ? (uint32_t)SEAL_DIGEST_PATCH : (uint32_t)SEAL_ACCEPTED;
}

/* What travels for any step is what was signed, whoever takes it: nothing in a delivery can be changed. */
static uint32_t judge_streams(struct seal_install *i)
{
    struct seal_delivery *d = i->delivery;
    struct seal_boot *b = i->boot;
    struct seal_reader stream;
    uint8_t digest[32];

    for (first_step(d); d->step != d->steps;) {
        uint32_t code;

        if (!next_step(d))
            return SEAL_STRUCTURE_MANIFEST;
        code = find_stream(i, &stream);
        if (code != SEAL_ACCEPTED)
            return code;
        b->crypto->sha256_begin(b->work->hash.bytes);
        if (seal_read_through(b->crypto->sha256_add, b->work, &stream, 0, stream.size) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        b->crypto->sha256_end(b->work->hash.bytes, digest);
        if (seal_differ(digest, d->digest, 32) != 0)
            return SEAL_DIGEST_PATCH;
    }
    return SEAL_ACCEPTED;
}

/* Takes the first step for a part whose base is what runs. */
static uint32_t take_first(struct seal_install *i, uint32_t number)
{
    struct seal_delivery *d = i->delivery;
    struct seal_patch patch;
    uint32_t code = SEAL_RULES_DIRECTIVE_FAILED;

    for (first_step(d); d->step != d->steps;) {
        if (!next_step(d))
            return SEAL_STRUCTURE_MANIFEST;
        if (!is_for(d, &i->package.part[number]))
            continue;
        code = find_stream(i, &patch.stream);
        if (code != SEAL_ACCEPTED)
            return code;
        move(patch.stream_digest, d->digest, 32);
        patch.base_size = d->base_size;
        if (d->base != 0)
            move(patch.base_digest, d->base, 32);
        patch.plain = d->plain;
        i->last = 0;                /* components may be in another order than keys */
        code = seal_install_patch(i, number, &patch);
        if (code != SEAL_DIGEST_BASE)
            return code;
        i->code = SEAL_ACCEPTED;    /* nothing was changed yet */
    }
    return code;
}

static uint32_t carry_out(struct seal_install *i)
{
    uint32_t k, code = judge_wrapping(i);

    if (code != SEAL_ACCEPTED)
        return code;
    code = judge_release(i);
    if (code != SEAL_ACCEPTED)
        return code;
    i->delivery->beyond = 0;
    i->delivery->end = i->delivery->buffer + i->delivery->wrapper[3];
    if (!agrees(i))
        return SEAL_IDENTITY_LAYERS_DISAGREE;
    code = judge_streams(i);
    if (code != SEAL_ACCEPTED)
        return code;
    for (k = 0; k != i->package.parts; k++) {
        const struct seal_part *part = &i->package.part[k];

        if (!part->taken || (i->held >> part->component & 1) != 0)
            continue;
        code = take_first(i, k);
        if (code != SEAL_ACCEPTED)
            return code;
    }
    return SEAL_ACCEPTED;
}

int look_at_delivery(struct seal_install *i)
{
    struct seal_delivery *d = i->delivery;
    uint8_t digest[32];
    uint32_t code;

    if (!is_delivery(i) || judge_manifest(i) != SEAL_ACCEPTED)
        return 0;
    move(digest, i->package.digest, 32);
    if (judge_release(i) != SEAL_ACCEPTED)
        return 0;
    d->beyond = 0;
    d->end = d->buffer + d->wrapper[3];
    code = judge_streams(i);
    if (code == SEAL_DIGEST_PATCH)
        return 0;
    i->position = code == SEAL_ACCEPTED ? d->at : 0;
    move(i->package.digest, digest, 32);
    return 1;
}

int take_delivery(struct seal_install *i)
{
    if (!is_delivery(i))
        return 0;
    i->code = carry_out(i);
    return 1;
}
#endif
