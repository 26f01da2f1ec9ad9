/* Patches through seal_delta.c: cases from a file, one after the other; prints result, bytes and digest of each. The
 * callbacks hold the decoder to its rules: pages in order, inside the slot, and reads inside the images. A case is four
 * words (old, new and patch size, how it comes) and the bytes of old image and patch. How: 0 pulled, else pieces of so many
 * bytes. What it prints ends a page early where the result is a refusal: what was not written is not asked for. */
#include "seal_delta.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#if defined(__has_feature)
#if __has_feature(memory_sanitizer)
#include <sanitizer/msan_interface.h>
#define spoil(at, length) __msan_poison(at, length)     /* nothing may be decided by it */
#endif
#endif
#ifndef spoil
#define spoil(at, length) memset(at, 0xA5, length)
#endif
#ifndef ROOM
#define ROOM (1u << 20)
#endif

struct flash { const uint8_t *bytes; uint32_t written, size, broken; };

static uint8_t room[ROOM], base[ROOM], patch[ROOM];
static struct seal_delta decoder;

static uint32_t read_it(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    struct flash *f = (struct flash *)user;

    if (length == 0 || length > f->written || offset > f->written - length) {
        f->broken = 1;
        return SEAL_DEVICE_UNREADABLE;
    }
    memcpy(to, f->bytes + offset, length);
    return SEAL_READ;
}

static uint32_t write_it(void *user, uint32_t offset, const uint8_t *bytes, uint32_t length)
{
    struct flash *f = (struct flash *)user;

    if (offset != f->written || offset % SEAL_DELTA_PAGE != 0 || length > f->size - offset
        || (length != SEAL_DELTA_PAGE && offset + length != f->size)) {
        f->broken = 1;
        return SEAL_DEVICE_UNWRITABLE;
    }
    memcpy(room + offset, bytes, length);
    f->written += length;
    return SEAL_WRITTEN;
}

static uint32_t get(FILE *from)
{
    uint8_t b[4];

    if (fread(b, 1, 4, from) != 4)
        exit(9);
    return b[0] | (uint32_t)b[1] << 8 | (uint32_t)b[2] << 16 | (uint32_t)b[3] << 24;
}

static void fill(FILE *from, uint8_t *to, uint32_t length)
{
    if (length > ROOM || fread(to, 1, length, from) != length)
        exit(9);
}

int main(int count, char **words)
{
    FILE *from = fopen(count > 1 ? words[1] : "cases.bin", "rb");
    uint32_t cases, i, k, sum;

    if (from == 0)
        return 9;
    for (cases = get(from); cases != 0; cases--) {
        uint32_t old_size = get(from), new_size = get(from), patch_size = get(from), how = get(from), result, length;
        struct flash old = { base, old_size, 0, 0 }, fresh = { room, 0, new_size, 0 }, kept = { patch, patch_size, 0, 0 };
        struct seal_reader reader = { read_it, &kept, patch_size };

        fill(from, base, old_size);
        fill(from, patch, patch_size);
        spoil(&decoder, sizeof decoder);
        decoder.source[0].read = decoder.source[1].read = read_it;
        decoder.source[0].user = &old;
        decoder.source[0].size = old_size;
        decoder.source[1].user = &fresh;
        decoder.source[1].size = new_size;
        decoder.write = write_it;
        decoder.user = &fresh;
        if (how == 0) {
            result = seal_delta_stored(&decoder, &reader);
        } else {
            decoder.patch_size = patch_size;
            seal_delta_begin(&decoder);
            result = seal_delta_take(&decoder, patch, 0);
            for (i = 0; i < patch_size && result == SEAL_DEVICE_NOT_RUN; i += length) {
                length = patch_size - i < how ? patch_size - i : how;
                result = seal_delta_take(&decoder, patch + i, length);
            }
        }
        for (sum = 5381, k = 0; k < fresh.written; k++)
            sum = (sum << 5 | sum >> 27) ^ room[k];
        printf("%s %lu %08lx\n", old.broken || fresh.broken || kept.broken ? "BROKEN" : result == SEAL_ACCEPTED ? "good" : "bad",
               (unsigned long)fresh.written, (unsigned long)sum);
    }
    return 0;
}
