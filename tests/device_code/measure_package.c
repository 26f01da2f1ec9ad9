/* Reads off the stack that the reader of packages takes beyond the cryptography, under QEMU. What the library answers the first
 * time is said again the second time, without the library. */
#include <stdio.h>
#include <string.h>

#include "seal_adapters.h"
#include "seal_config.h"
#include "seal_package.h"

extern const uint8_t package[];     /* in flash, beside the program              */
static struct seal_work work;
static struct seal_package out;
static uint8_t buffer[4096], digests[64][32];
static uint32_t said;

static uint32_t read_package(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    memcpy(to, (const uint8_t *)user + offset, length);
    return SEAL_READ;
}

static void keep(void *state, uint8_t digest[32])
{
    seal_bearssl.sha256_end(state, digest);
    memcpy(digests[said++ % 64], digest, 32);
}

static void nothing(void *state)
{
    (void)state;
}

static void nothing_added(void *state, const uint8_t *data, size_t length)
{
    (void)state;
    (void)data;
    (void)length;
}

static void say_again(void *state, uint8_t digest[32])
{
    (void)state;
    memcpy(digest, digests[said++ % 64], 32);
}

static uint32_t no_verify(const uint8_t x[32], const uint8_t y[32], const uint8_t digest[32], const uint8_t value[64])
{
    (void)x;
    (void)y;
    (void)digest;
    (void)value;
    return SEAL_VERIFIED;
}

/* Paints the stack below, so that its use can be read off. */
__attribute__((noinline)) static uint32_t paint(int read_off)
{
    volatile uint8_t here[6000];
    uint32_t i;

    if (!read_off) {
        for (i = 0; i < sizeof here; i++)
            here[i] = 0x5A;
        return 0;
    }
    for (i = 0; i < sizeof here && here[i] == 0x5A; i++)
        ;
    return (uint32_t)sizeof here - i;
}

int main(void)
{
    struct seal_crypto crypto = seal_bearssl;
    static const uint8_t free_slot[8];
    struct seal_installer device;
    struct seal_reader file = { read_package, 0, PACKAGE_BYTES };
    uint32_t code, used;

    memset(&device, 0, sizeof device);
    file.user = (void *)(uintptr_t)package;
    device.product = &seal_product;
    device.crypto = &crypto;
    device.anchors = seal_package_anchors;
    device.anchor_count = SEAL_PACKAGE_ANCHORS;
    device.need = SEAL_NEED_PACKAGES;
    device.es256 = SEAL_PACKAGE_ES256;
    device.fresh = 1;
    device.battery = 0xFFFFFFFFu;
    device.authorised = 1;
    device.free_slot = free_slot;
    crypto.sha256_end = keep;
    code = seal_read_package(&device, &file, buffer, sizeof buffer, &work, &out);
    if (code != SEAL_ACCEPTED || said > 64)
        return 1;
    said = 0;
    crypto.sha256_begin = nothing;
    crypto.sha256_add = nothing_added;
    crypto.sha256_end = say_again;
    crypto.verify = no_verify;
    paint(0);
    code = seal_read_package(&device, &file, buffer, sizeof buffer, &work, &out);
    used = paint(1);
    printf("%lu %lu\n", (unsigned long)used, (unsigned long)(code == (uint32_t)SEAL_ACCEPTED));
    return 0;
}
