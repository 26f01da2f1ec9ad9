/* Judges a batch of update packages, on the host and under QEMU through semihosting; prints a code in hex for each.
 * The batch is made by tests/device_code/c_package.py: the two states as they lie in memory, size, package.
 */
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>

#include "seal_adapters.h"
#include "seal_config.h"

#include "package_flow.h"

#ifndef CRYPTO
#define CRYPTO seal_bearssl
#endif

#ifdef STREAMED
#define ROOM 3072u                 /* of the 16 KiB that this machine has */
#else
#define ROOM 65536u
#endif

struct piece {
    FILE *file;
    long at;
    uint32_t size;
};

static uint32_t read_piece(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const struct piece *from = (const struct piece *)user;

    if (offset > from->size || length > from->size - offset) {
        fprintf(stderr, "read past the end\n");
        exit(3);
    }
    if (fseek(from->file, from->at + (long)offset, SEEK_SET) != 0 || fread(to, 1, length, from->file) != length)
        exit(3);
    return SEAL_READ;
}

/* The batch is little-endian, whatever this machine is. */
static void little(void *at, size_t count)
{
    uint32_t *word = (uint32_t *)at;

    while (count-- != 0) {
        const uint8_t *p = (const uint8_t *)word;
        *word++ = (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
    }
}

int main(int argc, char **argv)
{
    static struct package_state state;
    static struct case_state set;
    static uint8_t buffer[ROOM];
    const struct seal_crypto crypto = CRYPTO;
    uint32_t size;
    FILE *file = fopen(argc > 1 ? argv[1] : "batch.bin", "rb");

    if (file == 0)
        return 3;
    while (fread(&state, sizeof state, 1, file) == 1 && fread(&set, sizeof set, 1, file) == 1 && fread(&size, 4, 1, file) == 1) {
        struct piece piece;
        struct seal_reader reader;

        little(&state, offsetof(struct package_state, digest) / sizeof(uint32_t));
        little(&set, offsetof(struct case_state, versions) / sizeof(uint32_t));
        little(set.counters, sizeof set.counters / sizeof(uint32_t));
        little(&size, 1);
        piece.file = file;
        piece.at = ftell(file);
        piece.size = size;
        reader.read = read_piece;
        reader.user = &piece;
        reader.size = size;
        printf("%08lx\n", (unsigned long)judge_package(&state, &set, &crypto, &reader, buffer, sizeof buffer));
        if (fseek(file, piece.at + (long)size, SEEK_SET) != 0)
            return 3;
    }
    fclose(file);
    return 0;
}
