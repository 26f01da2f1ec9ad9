/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Patches; see seal_delta.h. A step decides one thing: an entry of the table, a literal, the head of a
 * copy, or a field in it, and takes at most STEP bytes of the patch. Steps are only begun with so many
 * at hand, or with all there are, so that no step stops in its middle.
 */
#include "seal_delta.h"

#define STEP 96u                /* two numbers of 25 bits and seven decisions: at most 94 */
#define TOP (1u << 24)
#define LARGEST (1u << 24)      /* bytes of an image */
#define MORE SEAL_DEVICE_NOT_RUN

enum { VERSION_CODE = 1, VERSION_PLAIN = 2 };
enum { STEP_BEGIN, STEP_TABLE, STEP_IMAGE };
enum { OLD, NEW };
enum { CALL, WORD, NEW_CALL };
enum {
    LITERAL = 0, DIFFERENCE = 512, IS_COPY = 768, AGAIN = 772, FROM_NEW = 776, GOES_ON = 778, MISSED = 780, NEGATIVE = 798,
    CORRECTED = 802, NUMBERS = 805, NUMBER = 49
};
enum { LENGTH, NEW_LENGTH, DISTANCE, SHIFT, CALL_OFF, WORD_OFF };

static void refuse(struct seal_delta *d)
{
    d->result = SEAL_STRUCTURE_PATCH;
}

static void shift_in(struct seal_delta *d)
{
    uint32_t c = 0;

    if (d->used != d->came)
        d->last = (uint8_t)(c = d->piece[d->used++ & (SEAL_DELTA_PIECE - 1)]);
    else if (++d->over > 4)
        refuse(d);
    d->code = d->code << 8 | c;
}

static void four_in(struct seal_delta *d)
{
    uint32_t i;

    for (i = 0; i < 4; i++)
        shift_in(d);
}

static void normalise(struct seal_delta *d)
{
    while (d->range < TOP) {
        d->range <<= 8;
        shift_in(d);
    }
}

static uint32_t bit(struct seal_delta *d, uint32_t place)
{
    uint16_t *kept = &d->p[place];
    uint32_t p = *kept, bound = (d->range >> 15) * p, one = d->code >= bound;

    if (one) {
        d->code -= bound;
        d->range -= bound;
        p -= p >> 4;
    } else {
        d->range = bound;
        p += (32768u - p) >> 4;
    }
    *kept = (uint16_t)p;
    normalise(d);
    return one;
}

/* Up to eight bits that are as likely as not, behind those of v. */
static uint32_t direct(struct seal_delta *d, uint32_t v, uint32_t bits)
{
    d->range >>= bits;
    while (bits != 0) {
        v <<= 1;
        if (d->code >= d->range << --bits) {
            d->code -= d->range << bits;
            v++;
        }
    }
    if (d->code >= d->range)
        refuse(d);
    normalise(d);
    return v;
}

static uint32_t byte(struct seal_delta *d, uint32_t first)
{
    uint32_t node = 1;

    while (node < 256)
        node = node << 1 | bit(d, first + node);
    return node;
}

static uint32_t number(struct seal_delta *d, uint32_t which)
{
    uint32_t first = NUMBERS + which * NUMBER, bits = 0, v = 1;

    while (bit(d, first + bits))
        if (++bits == 25) {
            refuse(d);
            return 0;
        }
    if (bits > 1) {
        uint32_t part;

        v = 2 + bit(d, first + 23 + bits);
        for (bits -= 2; bits != 0; bits -= part) {
            part = bits < 8 ? bits : 8;
            v = direct(d, v, part);
        }
        bits = 1;
    }
    if (bits != 0)
        v = v << 1 | bit(d, first + NUMBER - 1);
    return v - 1;
}

static uint32_t whole(struct seal_delta *d, uint32_t which, uint32_t sign)
{
    uint32_t s = 0u - bit(d, NEGATIVE + sign);

    return (number(d, which) ^ s) - s;
}

/* A byte of the image that is copied from, which has it. */
static uint32_t at(struct seal_delta *d, uint32_t o)
{
    uint32_t from = o & ~(SEAL_DELTA_WINDOW - 1), end = d->source[OLD].size;

    if (d->from_new) {
        end = d->n & ~(SEAL_DELTA_PAGE - 1);
        if (o >= end)
            return d->page[o & (SEAL_DELTA_PAGE - 1)];
    }
    if (d->window_at != from || d->window_of != d->from_new) {
        const struct seal_reader *source = &d->source[d->from_new];
        uint32_t length = end - from;

        if (length > SEAL_DELTA_WINDOW)
            length = SEAL_DELTA_WINDOW;
        d->window_at = from;
        d->window_of = d->from_new;
        if (source->read(source->user, from, d->window, length) != SEAL_READ)
            d->result = SEAL_DEVICE_UNREADABLE;
    }
    return d->window[o & (SEAL_DELTA_WINDOW - 1)];
}

static uint32_t half(struct seal_delta *d, uint32_t o)
{
    uint32_t low = at(d, o);

    return low | at(d, o + 1) << 8;
}

static void write_page(struct seal_delta *d, uint32_t length)
{
    if (d->write(d->user, d->n - length, d->page, length) != SEAL_WRITTEN)
        d->result = SEAL_DEVICE_UNWRITABLE;
}

static void put(struct seal_delta *d, uint32_t b)
{
    d->page[d->n++ & (SEAL_DELTA_PAGE - 1)] = (uint8_t)b;
    if ((d->n & (SEAL_DELTA_PAGE - 1)) == 0)
        write_page(d, SEAL_DELTA_PAGE);
}

static void put_half(struct seal_delta *d, uint32_t h)
{
    put(d, h);
    put(d, h >> 8);
}

/* The first entry between two whose key is not below an address. */
static uint32_t find(const struct seal_delta *d, uint32_t low, uint32_t high, uint32_t a)
{
    while (low < high) {
        uint32_t m = (low + high) >> 1;

        if (d->keys[m] < a)
            low = m + 1;
        else
            high = m;
    }
    return low;
}

/* Where the field points to now: as foreseen, as it stood, or corrected. */
static uint32_t pointed(struct seal_delta *d, uint32_t kind, uint32_t t, uint32_t plain)
{
    uint32_t shift = plain, context = 0, wide = kind == WORD ? 0 : 1, ram = t - d->ram < d->ram_size, missed, now;

    if (d->from_new) {
        shift = 0;
    } else if (t - d->block >= d->end - (d->block - d->base[OLD])) {
        uint32_t low = ram ? d->flash : 0, i = find(d, low, ram ? d->entries : d->flash, t | 1);

        shift = i > low ? d->values[i - 1] : ram ? 0 : d->base[NEW] - d->base[OLD];
        context = shift == plain ? 2 : 4;
    }
    now = (t + shift) & ~wide;
    missed = bit(d, MISSED + kind * 6 + context + d->missed[kind]);
    d->missed[kind] = (uint8_t)missed;
    if (missed) {
        t += wide ? plain : 0;
        if (now != t && !bit(d, CORRECTED + kind))
            return t;
        now += whole(d, CALL_OFF + (1 - wide), 1 + kind) << wide;
    }
    return now;
}

/* Moves the address field at an even offset, if there is one. */
static int field(struct seal_delta *d, uint32_t o, uint32_t a, uint32_t b)
{
    uint32_t w = a | b << 16, from = d->from_new, base = d->base[from], size = d->source[from].size;
    uint32_t here = d->base[NEW] + d->n, plain = here - base - o, v;

    if (!from && (o & 3) == 0 && (w - base < size || w - d->ram < d->ram_size)) {
        if ((plain & 3) != 0)
            return 0;
        v = pointed(d, WORD, w, plain);
        put_half(d, v);
        put_half(d, v >> 16);
        return 1;
    }
    if (a >> 11 != 30 || (b & 0x9000u) != 0x9000u)
        return 0;
    v = (a & 0x3FFu) << 12 | (b & 0x7FFu) << 1;
    v |= (~(b << 10 ^ a << 13) & 0x800000u) | (~(b << 11 ^ a << 12) & 0x400000u);
    v -= (a & 0x400u) << 14;
    v += o + 4;
    if (v >= size)
        return 0;
    v = pointed(d, from ? NEW_CALL : CALL, base + v, plain) - here - 4;
    put_half(d, 0xF000u | (v >> 14 & 0x400u) | (v >> 12 & 0x3FFu));
    put_half(d, (b & 0xD000u) | (v >> 1 & 0x7FFu) | (~(v >> 10 ^ v >> 11) & 0x2000u) | (~(v >> 11 ^ v >> 13) & 0x800u));
    return 1;
}

/* The next byte, two or four of the copy. */
static void go_on(struct seal_delta *d)
{
    uint32_t o = d->at, room = d->from_new && d->n < d->end ? d->n : d->end, a;

    if (o == d->n && d->from_new) {
        put(d, direct(d, 0, 8));
    } else if (((o ^ d->n) & 1) == 0 && d->fields && (o & 1) == 0 && o + 1 < d->end) {
        a = half(d, o);
        if (o + 4 <= room && field(d, o, a, half(d, o + 2)))
            d->at += 2;
        else
            put_half(d, a);
        d->at++;
    } else {
        put(d, at(d, o));
    }
    d->at++;
}

static void begin(struct seal_delta *d)
{
    uint32_t version = d->piece[0];

    if (version != VERSION_CODE && version != VERSION_PLAIN)
        refuse(d);
    four_in(d);
    d->step = STEP_IMAGE;
    if ((d->code & (LARGEST - 1)) + 1 != d->source[NEW].size)
        refuse(d);
    if (version == VERSION_CODE) {
        uint32_t log;

        four_in(d);
        d->base[OLD] = d->code << 8;
        d->ram = d->code & 0xFF000000u;
        four_in(d);
        d->base[NEW] = d->code << 8;
        d->value = d->base[NEW] - d->base[OLD];
        log = d->code >> 24;
        if (log > 15)
            refuse(d);
        d->ram_size = 4096u << (log & 15);
        d->fields = 1;
        if (d->source[OLD].size != 0) {
            d->old_end = d->base[OLD];
            d->step = STEP_TABLE;
        }
    }
    d->range = 0xFFFFFFFFu;
    four_in(d);
    if (d->code == d->range)
        refuse(d);
}

/* How many entries, and then one after the other; the entries of the image, then those of RAM. The
 * address of the last entry is kept where the end of the last copy will be. */
static void table(struct seal_delta *d)
{
    uint32_t key;

    if (d->left == 0) {
        d->left = number(d, LENGTH) + 1;
        if (d->left - 1 > SEAL_DELTA_TABLE - d->entries)
            refuse(d);
    } else if (--d->left != 0) {
        key = d->old_end + (number(d, DISTANCE) << 1);
        if (key < d->old_end)
            refuse(d);
        d->old_end = key;
        d->value += whole(d, SHIFT, 0);
        d->keys[d->entries] = key;
        d->values[d->entries++] = d->value;
    } else if (d->part++ == 0) {
        d->flash = d->entries;
        d->old_end = d->ram;
        d->value = 0;
    } else {
        d->old_end = 0;
        d->step = STEP_IMAGE;
    }
}

static uint32_t begin_of_copy(struct seal_delta *d)
{
    uint32_t i;

    if (!bit(d, GOES_ON))
        return d->n + d->shift + whole(d, SHIFT, 0);
    if (!bit(d, GOES_ON + 1))
        return d->old_end;
    i = find(d, 0, d->flash, d->base[OLD] + d->old_end);
    return i < d->flash ? d->keys[i] - d->base[OLD] : 0xFFFFFFFFu;
}

static void literal_or_copy(struct seal_delta *d)
{
    uint32_t o = d->n + d->shift, length, literals = d->literals;

    if (!bit(d, IS_COPY + literals)) {
        if (literals == 0 && o < (d->from_new ? d->n : d->source[OLD].size))
            put(d, byte(d, DIFFERENCE) + at(d, o));
        else
            put(d, byte(d, LITERAL + 256 * (d->n & 1)));
        if (literals < 3)
            d->literals = (uint8_t)(literals + 1);
        return;
    }
    if (literals == 0 || bit(d, AGAIN + literals)) {
        d->from_new = (uint8_t)bit(d, FROM_NEW + (literals != 0));
        o = d->from_new ? d->n - number(d, DISTANCE) : begin_of_copy(d);
        d->shift = o - d->n;
    }
    length = number(d, d->from_new ? NEW_LENGTH : LENGTH) + 1;
    d->literals = 0;
    d->at = o;
    d->end = o + length;
    d->block = d->base[OLD] + o;
    if (length > d->source[NEW].size - d->n || (d->from_new ? o > d->n : o > d->source[OLD].size || length > d->source[OLD].size - o))
        refuse(d);
    else if (!d->from_new)
        d->old_end = d->end;
}

/* The image is complete: so has to be the patch. Nothing is left of it, and no zero is there that is not needed. */
static void finish(struct seal_delta *d)
{
    uint32_t rest = d->n & (SEAL_DELTA_PAGE - 1);

    if (d->code != 0 || d->used != d->patch_size || (d->over < 4 && d->last == 0)) {
        refuse(d);
        return;
    }
    if (rest != 0)
        write_page(d, rest);
    if (d->result == MORE)
        d->result = SEAL_ACCEPTED;
}

void seal_delta_begin(struct seal_delta *d)
{
    uint32_t i;

    seal_clear((uint8_t *)&d->result, (uint32_t)(d->window - (uint8_t *)&d->result));
    for (i = 0; i < SEAL_DELTA_PLACES; i++)
        d->p[i] = 1u << 14;
    d->literals = 3;
    d->window_at = 1;
    d->result = MORE;
    if (d->source[OLD].size > LARGEST)
        refuse(d);
}

uint32_t seal_delta_take(struct seal_delta *d, const uint8_t *bytes, uint32_t length)
{
    if (length > d->patch_size - d->came)
        refuse(d);
    while (d->result == MORE) {
        if (d->came == d->patch_size || d->came - d->used >= STEP) {
            if (d->step == STEP_BEGIN)
                begin(d);
            else if (d->step == STEP_TABLE)
                table(d);
            else if (d->n == d->source[NEW].size)
                finish(d);
            else if (d->at < d->end)
                go_on(d);
            else
                literal_or_copy(d);
        } else if (length == 0) {
            break;
        } else {
            d->piece[d->came++ & (SEAL_DELTA_PIECE - 1)] = *bytes++;
            length--;
        }
    }
    return d->result;
}

uint32_t seal_delta_stored(struct seal_delta *d, const struct seal_reader *patch)
{
    uint8_t piece[32];
    uint32_t offset = 0, length = 0;

    d->patch_size = patch->size;
    seal_delta_begin(d);
    while (seal_delta_take(d, piece, length) == MORE) {
        length = patch->size - offset;
        if (length > sizeof piece)
            length = sizeof piece;
        if (patch->read(patch->user, offset, piece, length) != SEAL_READ)
            return SEAL_DEVICE_UNREADABLE;
        offset += length;
    }
    return d->result;
}
