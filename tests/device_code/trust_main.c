/* Judges a batch of trust anchor updates, and of images under the keys of a held set: on the host, and under QEMU through
 * semihosting. The batch is made by tests/device_code/trust_batch.py, which says what it holds.
 *
 *     trust_main BATCH          prints a code in hex for each case
 *     trust_main BATCH N        the same, but the Nth read of each case fails
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "seal_adapters.h"
#include "seal_config.h"
#include "unset.h"
#include "seal_trust.h"

#ifndef CRYPTO
#define CRYPTO seal_bearssl
#endif

static FILE *file;
static long failing = -1, reads;

struct region {
    uint32_t base, size;
    long at;                    /* in the batch                                   */
};

static struct region regions[16];
static uint32_t region_count;
static struct region artefact;

/* The update and the held set are never needed at the same time as the keys. */
static uint8_t set[SEAL_TRUST_BUFFER];
static union {
    uint8_t update[SEAL_TRUST_BUFFER];
    struct seal_trusted keys;
} room;
static struct seal_work work;

static uint32_t get(unsigned bytes)
{
    uint32_t value = 0;
    unsigned i;

    for (i = 0; i < bytes; i++) {
        int c = fgetc(file);
        if (c == EOF) {
            if (i == 0)
                return 0xFFFFFFFEu;
            exit(3);
        }
        value |= (uint32_t)c << 8 * i;
    }
    return value;
}

static uint32_t from_region(const struct region *r, uint32_t offset, uint8_t *to, uint32_t length)
{
    if (++reads == failing)
        return 0;
    if (offset > r->size || length > r->size - offset)
        exit(3);
    if (fseek(file, r->at + (long)offset, SEEK_SET) != 0 || fread(to, 1, length, file) != length)
        exit(3);
    return SEAL_READ;
}

static uint32_t read_artefact(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    return from_region((const struct region *)user, offset, to, length);
}

static uint32_t read_flash(void *user, uint32_t address, uint8_t *to, uint32_t length)
{
    uint32_t i;

    (void)user;
    for (i = 0; i < region_count; i++)
        if (address >= regions[i].base && address - regions[i].base < regions[i].size)
            return from_region(&regions[i], address - regions[i].base, to, length);
    return 0;
}

static uint32_t read_counter(void *user, uint8_t component, uint32_t *value)
{
    (void)user;
    (void)component;
    *value = 0;
    return SEAL_READ;
}

static uint32_t judge_image(struct seal_trust *trust, uint32_t least, uint32_t most)
{
    struct seal_product product = seal_product;
    struct seal_state state;
    struct seal_subject subject;
    struct seal_header header;

    if (seal_trust_keys(trust, &room.keys) != SEAL_ACCEPTED)
        return 0;
    product.anchors = room.keys.anchor;
    product.anchor_count = room.keys.images;
    product.need = room.keys.need_images;
    memset(&state, 0, sizeof state);
    state.hardware_least = (uint16_t)least;
    state.hardware_most = (uint16_t)most;
    state.counter = read_counter;
    memset(&subject, 0, sizeof subject);
    subject.where = SEAL_FILE;
    subject.image.read = read_artefact;
    subject.image.user = &artefact;
    subject.image.size = artefact.size;
    return seal_judge(&product, &state, trust->crypto, &subject, 0, &work, &header);
}

int main(int argc, char **argv)
{
    struct seal_crypto crypto = CRYPTO;

    file = fopen(argc > 1 ? argv[1] : "batch.bin", "rb");
    if (file == 0)
        return 3;
#ifdef WITHOUT_CURVE
    crypto.on_curve = 0;
#endif
#ifdef PREPARE
    PREPARE();
#endif
    if (argc > 2)
        failing = atol(argv[2]);
    for (;;) {
        struct seal_trust trust;
        struct seal_running running;
        struct seal_reader update;
        uint32_t size, least, most, held, kind = get(1), i;
        uint8_t *own = room.update;
        long end;

        if (kind == 0xFFFFFFFEu)
            break;
        memset(&trust, 0, sizeof trust);
        memset(&running, 0xFF, sizeof running);
        UNSET(set, sizeof set);
        UNSET(&room, sizeof room);
        UNSET(&work, sizeof work);
        running.settled = (uint8_t)get(1);
        least = get(2);
        most = get(2);
        size = get(1);
        for (i = 0; i < size; i++)
            running.run_slot[i] = (uint8_t)get(1);
        held = get(4);
        if (held > sizeof set || fread(set, 1, held, file) != held)
            return 3;
        region_count = get(1);
        for (i = 0; i <= region_count; i++) {   /* the artefact stands last */
            struct region *r = i < region_count ? &regions[i] : &artefact;
            r->base = get(4);
            r->size = get(4);
            r->at = ftell(file);
            if (fseek(file, r->at + (long)r->size, SEEK_SET) != 0)
                return 3;
        }
        end = ftell(file);
        reads = 0;
        trust.product = &seal_product;
        trust.crypto = &crypto;
        trust.work = &work;
        trust.flash.read = read_flash;
        trust.set = set;
        trust.set_size = held;
        update.read = read_artefact;
        update.user = &artefact;
        update.size = artefact.size;
#ifndef STREAMED
        if (kind == 0 && artefact.size <= SEAL_TRUST_UPDATE_MAX) {     /* so that what is read behind it is seen */
            own = malloc(artefact.size != 0 ? artefact.size : 1);
            if (own == 0)
                return 3;
        }
#endif
        printf("%08lx\n", (unsigned long)(kind == 0 ? seal_trust_judge(&trust, &running, &update, own)
                                                    : judge_image(&trust, least, most)));
        if (own != room.update)
            free(own);
        if (fseek(file, end, SEEK_SET) != 0)
            return 3;
    }
    fclose(file);
    return 0;
}
