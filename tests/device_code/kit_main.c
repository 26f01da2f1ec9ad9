/* Judges a batch of cases: on the host, and under QEMU through semihosting.
 * The batch is made by tests/device_code/batch.py, which says what it holds.
 *
 *     kit_main BATCH            prints a code in hex for each case
 *     kit_main BATCH N          the same, but the Nth read of each case fails; 0: the counter's
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "seal_adapters.h"
#include "seal_config.h"
#include "unset.h"

#ifndef CRYPTO
#define CRYPTO seal_bearssl
#endif

static long failing = -1, reads;

#ifdef STREAMED
/* For 16 KiB of RAM: the artefact stays in the file. */
struct bytes {
    FILE *file;
    long at;
    uint32_t size;
};
#else
struct bytes {
    const uint8_t *data;
    uint32_t size;
};
#endif

static uint32_t read_bytes(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const struct bytes *from = (const struct bytes *)user;

    if (++reads == failing)
        return 0;
    if (offset > from->size || length > from->size - offset) {
        fprintf(stderr, "read past the end\n");
        exit(3);
    }
#ifdef STREAMED
    if (fseek(from->file, from->at + (long)offset, SEEK_SET) != 0 || fread(to, 1, length, from->file) != length)
        exit(3);
#else
    memcpy(to, from->data + offset, length);
#endif
    return SEAL_READ;
}

struct counters {
    uint8_t component[16];
    uint32_t value[16];
    uint32_t count;
};

static uint32_t read_counter(void *user, uint8_t component, uint32_t *value)
{
    const struct counters *c = (const struct counters *)user;
    uint32_t i;

    *value = 0;
    if (failing == 0)
        return 0;
    for (i = 0; i < c->count; i++)
        if (c->component[i] == component)
            *value = c->value[i];
    return SEAL_READ;
}

static uint32_t get(FILE *file, unsigned bytes)
{
    uint32_t value = 0;
    unsigned i;

    for (i = 0; i < bytes; i++) {
        int c = fgetc(file);
        if (c == EOF) {
            if (i == 0)
                return 0xFFFFFFFEu;
            fprintf(stderr, "the batch is cut short\n");
            exit(3);
        }
        value |= (uint32_t)c << 8 * i;
    }
    return value;
}

/* Every artefact in a block of its own, so that a read past its end is seen. */
static struct bytes take(FILE *file, uint32_t size)
{
    struct bytes out;
#ifdef STREAMED
    out.file = file;
    out.at = ftell(file);
    if (fseek(file, out.at + (long)size, SEEK_SET) != 0)
        exit(3);
#else
    uint8_t *room = malloc(size != 0 ? size : 1);

    if (room == 0 || fread(room, 1, size, file) != size) {
        fprintf(stderr, "the batch is cut short\n");
        exit(3);
    }
    out.data = room;
#endif
    out.size = size;
    return out;
}

static void give_back(const struct bytes *taken)
{
#ifdef STREAMED
    if (fseek(taken->file, taken->at + (long)taken->size, SEEK_SET) != 0)
        exit(3);
#else
    free((void *)(uintptr_t)taken->data);
#endif
}

int main(int argc, char **argv)
{
    struct seal_crypto crypto = CRYPTO;
    FILE *file = fopen(argc > 1 ? argv[1] : "batch.bin", "rb");

    if (file == 0)
        return 3;
#ifdef WITHOUT_SECOND
    crypto.verify_ml_dsa_44 = 0;
#endif
#ifdef PREPARE
    PREPARE();
#endif
    if (argc > 2)
        failing = atol(argv[2]);
    for (;;) {
        static struct seal_version versions[16];
        static uint8_t revoked[8][16];
        static struct counters counters;
        struct seal_state state;
        struct seal_subject subject;
        struct seal_header header;
        struct seal_work *work = malloc(sizeof *work);
        struct bytes image, payload;
        uint32_t image_size = get(file, 4), payload_size, i, k, code;
        uint32_t header_only;

        if (image_size == 0xFFFFFFFEu || work == 0) {
            free(work);
            break;
        }
        payload_size = get(file, 4);
        memset(&state, 0, sizeof state);
        memset(&subject, 0, sizeof subject);
        subject.where = (enum seal_where)get(file, 1);
        subject.component = (uint8_t)get(file, 1);
        subject.run_slot = (uint8_t)get(file, 1);
        header_only = get(file, 1) ? SEAL_HEADER_ONLY : 0;
        state.development = (uint8_t)get(file, 1);
        state.hardware_least = (uint16_t)get(file, 2);
        state.hardware_most = (uint16_t)get(file, 2);
        state.whole_set = (uint8_t)get(file, 1);
        state.version_count = (uint8_t)get(file, 1);
        for (i = 0; i < state.version_count; i++) {
            versions[i].component = (uint8_t)get(file, 1);
            for (k = 0; k < 16; k++)
                versions[i].bytes[k] = (uint8_t)get(file, 1);
        }
        state.revoked_count = (uint8_t)get(file, 1);
        for (i = 0; i < state.revoked_count; i++)
            for (k = 0; k < 16; k++)
                revoked[i][k] = (uint8_t)get(file, 1);
        counters.count = get(file, 1);
        for (i = 0; i < counters.count; i++) {
            counters.component[i] = (uint8_t)get(file, 1);
            counters.value[i] = get(file, 4);
        }
        image = take(file, image_size);
        payload = take(file, payload_size == 0xFFFFFFFFu ? 0 : payload_size);
        state.versions = versions;
        state.revoked = (const uint8_t(*)[16])revoked;
        state.counter = read_counter;
        state.user = &counters;
        subject.image.read = read_bytes;
        subject.image.user = &image;
        subject.image.size = image.size;
        if (payload_size != 0xFFFFFFFFu) {
            subject.payload.read = read_bytes;
            subject.payload.user = &payload;
            subject.payload.size = payload.size;
        }
        UNSET(work, sizeof *work);
        UNSET(&header, sizeof header);
        reads = 0;
        code = seal_judge(&seal_product, &state, &crypto, &subject, header_only, work, &header);
        printf("%08lx\n", (unsigned long)code);
        give_back(&image);
        give_back(&payload);
        free(work);
    }
    fclose(file);
    return 0;
}
