/* Counts what applying a patch takes, against SHA-256 over its result, and its stack; for QEMU with -icount. */
#include <stdio.h>
#include <string.h>

#include "seal_adapters.h"
#include "seal_delta.h"

#define SYSTICK ((volatile uint32_t *)0xE000E010u)

extern const uint8_t old_begin[], old_end[], patch_begin[], patch_end[], new_begin[], new_end[];

static uint8_t made[IMAGE_BYTES];
static struct seal_delta decoder;
static struct seal_work work;

static uint32_t read_it(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    memcpy(to, (const uint8_t *)user + offset, length);
    return SEAL_READ;
}

static uint32_t write_it(void *user, uint32_t offset, const uint8_t *bytes, uint32_t length)
{
    memcpy((uint8_t *)user + offset, bytes, length);
    return SEAL_WRITTEN;
}

static void begin(void)
{
    SYSTICK[1] = 0xFFFFFFu;
    SYSTICK[2] = 0;
    SYSTICK[0] = 5;
}

static uint32_t passed(void)
{
    return 0xFFFFFFu - SYSTICK[2];
}

/* Paints the stack below, so that its use can be read off. */
__attribute__((noinline)) static uint32_t paint(int read_off)
{
    volatile uint8_t here[3000];
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
    struct seal_reader patch = { read_it, (void *)(uintptr_t)patch_begin, (uint32_t)(patch_end - patch_begin) };
    uint8_t digest[32];
    uint32_t result, stack, apply, hash;
    int good;

    decoder.source[0].read = decoder.source[1].read = read_it;
    decoder.source[0].user = (void *)(uintptr_t)old_begin;
    decoder.source[0].size = (uint32_t)(old_end - old_begin);
    decoder.source[1].user = made;
    decoder.source[1].size = (uint32_t)(new_end - new_begin);
    decoder.write = write_it;
    decoder.user = made;
    paint(0);
    begin();
    result = seal_delta_stored(&decoder, &patch);
    apply = passed();
    stack = paint(1);
    good = result == SEAL_ACCEPTED && memcmp(made, new_begin, (size_t)(new_end - new_begin)) == 0;
    begin();
    seal_bearssl.sha256_begin(work.hash.bytes);
    seal_bearssl.sha256_add(work.hash.bytes, made, (size_t)(new_end - new_begin));
    seal_bearssl.sha256_end(work.hash.bytes, digest);
    hash = passed();
    printf("%lu %lu %lu %d\n", (unsigned long)apply, (unsigned long)hash, (unsigned long)stack, good);
    return 0;
}
