/* Offers a batch of deliveries to the installer, on the host and under QEMU through semihosting; prints a code in hex for each.
 * The batch is made by tests/device_code/delivery_batch.py: what the device is, its flash, and the delivery. Flash lies in that
 * file, and is written there: so a machine with 16 KiB of RAM has it as well, and who made the file can look at it.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "seal_adapters.h"
#include "seal_config.h"
#include "seal_delivery.h"
#include "seal_install.h"
#include "seal_trust.h"

#define REGIONS 2
#define REVOKED 2

struct region {
    uint32_t base, size, block, page, unit;
};

/* As it lies in the batch: words, little-endian. */
static struct given {
    uint32_t size, set_size, hardware, battery, authorised, revoked_count, counters[SEAL_SET_MAX];
    struct region region[REGIONS];
    uint8_t bootloader[16], revoked[REVOKED][16];
} given;

static FILE *file;
static long flash_at, delivery_at, set_at;

static struct seal_boot boot;
static struct seal_install install;
static struct seal_delivery delivery;
static struct seal_delta delta;
static struct seal_work work;
static struct seal_version versions[SEAL_SET_MAX + 1];
static struct seal_started started;
static uint8_t records[2][SEAL_RECORD_BYTES], page[SEAL_PAGE_ROOM], front[SEAL_FRONT_BYTES], wrapping[SEAL_DELIVERY_BYTES];

static void stop(const char *why)
{
    printf("stopped: %s\n", why);
    exit(3);
}

static void seek(long at)
{
    if (fseek(file, at, SEEK_SET) != 0)
        stop("seek");
}

/* Where an address lies in the file; all of the stretch is in one region. */
static long place(uint32_t address, uint32_t length, const struct region **of)
{
    long at = flash_at;
    uint32_t k;

    for (k = 0; k < REGIONS; k++) {
        const struct region *r = &given.region[k];

        if (address >= r->base && address - r->base < r->size && length <= r->size - (address - r->base)) {
            *of = r;
            return at + (long)(address - r->base);
        }
        at += (long)r->size;
    }
    printf("%08lx, %lu bytes: ", (unsigned long)address, (unsigned long)length);
    stop("no such flash");
    return 0;
}

static uint32_t read_flash(void *user, uint32_t address, uint8_t *to, uint32_t length)
{
    const struct region *of;

    (void)user;
    seek(place(address, length, &of));
    if (fread(to, 1, length, file) != length)
        stop("read");
    return SEAL_READ;
}

static uint32_t erase_flash(void *user, uint32_t address)
{
    const struct region *of;
    long at = place(address, 1, &of);
    uint32_t k;

    (void)user;
    if ((address - of->base) % of->block != 0)
        stop("erase");
    seek(at);
    for (k = 0; k < of->block; k++)
        if (fputc(0xFF, file) == EOF)
            stop("erase");
    return SEAL_WRITTEN;
}

static uint32_t program_flash(void *user, uint32_t address, const uint8_t *from, uint32_t length)
{
    const struct region *of;
    long at = place(address, length, &of);

    (void)user;
    if (address % of->unit != 0 || length % of->unit != 0 || address % of->page + length > of->page)
        stop("program");
    seek(at);
    if (fwrite(from, 1, length, file) != length)
        stop("program");
    return SEAL_WRITTEN;
}

static uint32_t geometry(void *user, uint32_t address, uint32_t *block, uint32_t *page_size, uint32_t *unit)
{
    const struct region *of;

    (void)user;
    place(address, 1, &of);
    *block = of->block;
    *page_size = of->page;
    *unit = of->unit;
    return SEAL_READ;
}

static uint32_t *counter(uint8_t component)
{
    uint32_t k = 0;

    while (seal_product.components[k].number != component)
        k++;
    return &given.counters[k];
}

static uint32_t read_counter(void *user, uint8_t component, uint32_t *value)
{
    (void)user;
    *value = *counter(component);
    return SEAL_READ;
}

static uint32_t take_counter(void *user, uint8_t component, uint32_t step)
{
    (void)user;
    *counter(component) = step;
    return SEAL_WRITTEN;
}

static uint32_t read_delivery(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    (void)user;
    if (offset > given.size || length > given.size - offset)
        stop("read past the end");
    seek(delivery_at + (long)offset);
    if (fread(to, 1, length, file) != length)
        stop("read");
    return SEAL_READ;
}

static void little(uint32_t *word, size_t count)
{
    while (count-- != 0) {
        const uint8_t *p = (const uint8_t *)word;
        *word++ = (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
    }
}

/* The keys are those of the set that the device holds, where the case has one. */
static void hold(void)
{
    static uint8_t set[SEAL_TRUST_SET_MAX];
    static struct seal_trusted keys;
    static struct seal_product product;
    struct seal_trust trust;

    if (given.set_size == 0)
        return;
    if (given.set_size > sizeof set)
        stop("set");
    seek(set_at);
    if (fread(set, 1, given.set_size, file) != given.set_size)
        stop("set");
    memset(&trust, 0, sizeof trust);
    memset(&keys, 0xA5, sizeof keys);
    trust.set = set;
    trust.set_size = given.set_size;
    if (seal_trust_keys(&trust, &keys) != SEAL_ACCEPTED)
        stop("set");
    product = seal_product;
    product.anchors = keys.anchor;
    product.anchor_count = keys.images;
    product.need = keys.need_images;
    boot.product = &product;
    install.device.anchors = keys.anchor + keys.images;
    install.device.anchor_count = keys.packages;
    install.device.need = keys.need_packages;
    delivery.anchors = keys.anchor + keys.first_delivery;
    delivery.anchor_count = keys.deliveries;
}

static uint32_t offer(const struct seal_crypto *crypto)
{
    struct seal_reader stored = { read_delivery, 0, 0 };
    uint32_t code;

    memset(&boot, 0, sizeof boot);
    memset(&install, 0xA5, sizeof install);
    memset(&delivery, 0xA5, sizeof delivery);
    memset(&delta, 0xA5, sizeof delta);
    stored.size = given.size;
    boot.product = &seal_product;
    boot.crypto = crypto;
    boot.flash.read = read_flash;
    boot.flash.erase = erase_flash;
    boot.flash.program = program_flash;
    boot.flash.geometry = geometry;
    boot.counters.read = read_counter;
    boot.counters.take = boot.counters.raise = take_counter;
    boot.revoked = (const uint8_t(*)[16])given.revoked;
    boot.revoked_count = (uint8_t)given.revoked_count;
    boot.hardware = (uint16_t)given.hardware;
    memcpy(boot.bootloader, given.bootloader, sizeof boot.bootloader);
    boot.journal.record = records[0];
    boot.scan = records[1];
    boot.record_bytes = SEAL_RECORD_BYTES;
    boot.work = &work;
    boot.versions = versions;
    boot.page = page;
    boot.page_room = sizeof page;
    install.boot = &boot;
    install.device.anchors = seal_package_anchors;
    install.device.anchor_count = SEAL_PACKAGE_ANCHORS;
    install.device.need = SEAL_NEED_PACKAGES;
    install.device.es256 = SEAL_PACKAGE_ES256;
    install.device.battery = given.battery;
    install.device.authorised = (uint8_t)given.authorised;
    install.buffer = front;
    install.room = sizeof front;
    install.stored = 0;
    install.delta = &delta;
    install.delivery = &delivery;
    delivery.anchors = seal_delivery_anchors;
    delivery.anchor_count = SEAL_DELIVERY_ANCHORS;
    delivery.buffer = wrapping;
    delivery.room = sizeof wrapping;
    hold();
    seal_choose(&boot, 1, &started);
    code = seal_install_stored(&install, &stored);
    if (code == SEAL_ACCEPTED) {        /* and the bootloader goes on, with what it reads of the delivery */
        boot.package = seal_install_image;
        boot.package_user = &install;
        install.stored = &stored;
        if (seal_choose(&boot, 0, &started) != SEAL_ACCEPTED || started.what != SEAL_START_SET)
            stop("it does not start");
    }
    return code;
}

int main(int argc, char **argv)
{
    const struct seal_crypto crypto = CRYPTO;
    uint32_t k;
    long at = 0;

    file = fopen(argc > 1 ? argv[1] : "batch.bin", "r+b");
    if (file == 0)
        return 3;
    setvbuf(file, 0, _IONBF, 0);
    for (;;) {
        seek(at);
        if (fread(&given, sizeof given, 1, file) != 1)
            break;
        little((uint32_t *)(void *)&given, offsetof(struct given, bootloader) / sizeof(uint32_t));
        delivery_at = flash_at = at + (long)sizeof given;
        for (k = 0; k < REGIONS; k++)
            delivery_at += (long)given.region[k].size;
        set_at = delivery_at + (long)given.size;
        at = set_at + (long)given.set_size;
        printf("%08lx\n", (unsigned long)offer(&crypto));
    }
    fclose(file);
    return 0;
}
