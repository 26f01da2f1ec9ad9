/* Runs published vectors through an adapter, on the host and under QEMU: for each record of the batch one line,
 * a digest in hex, or yes or no for a signature. Batch: kind (1 hash, 2 signature); hash: size and bytes; signature: x, y, digest, r and s.
 */
#include <stdio.h>

#include "seal_adapters.h"

#ifndef CRYPTO
#define CRYPTO seal_bearssl
#endif

int main(int argc, char **argv)
{
    static union {
        uint8_t bytes[SEAL_HASH_STATE];
        uint64_t align;
    } state;
    uint8_t piece[64], digest[32], key[64], value[64];
    FILE *file = fopen(argc > 1 ? argv[1] : "batch.bin", "rb");
    int kind;

    if (file == 0)
        return 3;
#ifdef PREPARE
    PREPARE();
#endif
    while ((kind = fgetc(file)) != EOF) {
        if (kind == 1) {
            uint32_t size = 0, i;

            for (i = 0; i < 4; i++)
                size |= (uint32_t)fgetc(file) << 8 * i;
            CRYPTO.sha256_begin(state.bytes);
            while (size != 0) {
                size_t part = size < sizeof piece ? size : sizeof piece;
                if (fread(piece, 1, part, file) != part)
                    return 3;
                CRYPTO.sha256_add(state.bytes, piece, part);
                size -= (uint32_t)part;
            }
            CRYPTO.sha256_end(state.bytes, digest);
            for (i = 0; i < 32; i++)
                printf("%02x", digest[i]);
            printf("\n");
        } else {
            if (fread(key, 1, 64, file) != 64 || fread(digest, 1, 32, file) != 32 || fread(value, 1, 64, file) != 64)
                return 3;
            printf("%s\n", CRYPTO.verify(key, key + 32, digest, value) == SEAL_VERIFIED ? "yes" : "no");
        }
    }
    fclose(file);
    return 0;
}
