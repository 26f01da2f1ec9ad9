/* Counts what boots of a whole device take, from reset to the decision; for QEMU with -icount. Flash lies in RAM. */
#include <stdio.h>
#include <string.h>

#include "seal_adapters.h"
#include "seal_boot.h"
#include "seal_config.h"

#define SYSTICK ((volatile uint32_t *)0xE000E010u)

static uint8_t *const internal = (uint8_t *)INTERNAL_AT, *const outside = (uint8_t *)OUTSIDE_AT;
static uint8_t records[2][SEAL_RECORD_BYTES], page[SEAL_PAGE_ROOM];
static struct seal_version versions[SEAL_SET_MAX + 1];
static struct seal_work work;
static struct seal_boot boot;
static struct seal_started started;

static uint8_t *place(uint32_t address)
{
    return address < OUTSIDE_BASE ? internal + address : outside + (address - OUTSIDE_BASE);
}

static uint32_t read_flash(void *user, uint32_t address, uint8_t *to, uint32_t length)
{
    (void)user;
    memcpy(to, place(address), length);
    return SEAL_READ;
}

static uint32_t erase(void *user, uint32_t address)
{
    (void)user;
    memset(place(address), 0xFF, 4096);
    return SEAL_WRITTEN;
}

static uint32_t program(void *user, uint32_t address, const uint8_t *from, uint32_t length)
{
    (void)user;
    memcpy(place(address), from, length);
    return SEAL_WRITTEN;
}

static uint32_t geometry(void *user, uint32_t address, uint32_t *block, uint32_t *most, uint32_t *unit)
{
    (void)user;
    (void)address;
    *block = 4096;
    *most = 256;
    *unit = 8;
    return SEAL_READ;
}

static uint32_t counter(void *user, uint8_t component, uint32_t *value)
{
    (void)user;
    (void)component;
    *value = 0;
    return SEAL_READ;
}

static uint32_t take(void *user, uint8_t component, uint32_t step)
{
    (void)user;
    (void)component;
    (void)step;
    return SEAL_WRITTEN;
}

#ifdef SEAL_BOOT_MARK
static uint32_t protect(void *user, const struct seal_slot *mark)
{
    (void)user;
    (void)mark;
    return SEAL_WRITTEN;
}
#endif

static uint32_t boots(void)
{
    static const uint8_t version[16] = { BOOTLOADER };

    memset(&boot, 0, sizeof boot);
    boot.product = &seal_product;
    boot.crypto = &seal_bearssl;
    boot.flash.read = read_flash;
    boot.flash.erase = erase;
    boot.flash.program = program;
    boot.flash.geometry = geometry;
    boot.counters.read = counter;
    boot.counters.take = take;
    boot.hardware = HARDWARE;
    memcpy(boot.bootloader, version, sizeof version);
    boot.journal.record = records[0];
    boot.scan = records[1];
    boot.record_bytes = SEAL_RECORD_BYTES;
    boot.work = &work;
    boot.versions = versions;
    boot.page = page;
    boot.page_room = sizeof page;
#ifdef SEAL_BOOT_MARK
    boot.protect = protect;
#endif
    SYSTICK[1] = 0xFFFFFFu;
    SYSTICK[2] = 0;
    SYSTICK[0] = 5;
    if (seal_choose(&boot, 1, &started) != SEAL_ACCEPTED || started.what != SEAL_START_SET)
        return 0;
    return 0xFFFFFFu - SYSTICK[2];
}

/* The payloads that are judged at each boot, hashed in one call each: no boot takes less. */
static uint32_t payloads(void)
{
    static union {
        uint8_t bytes[SEAL_HASH_STATE];
        uint64_t align;
    } state;
    uint8_t digest[32], same = 1;
    uint32_t i;

    SYSTICK[2] = 0;
    for (i = 0; i < seal_product.component_count; i++) {
        const struct seal_component *c = &seal_components[i];
        const uint8_t *header;
        uint32_t size;

        if (started.run_slot[i] == 0xFF || !c->whole_at_boot)
            continue;
        header = place(c->run[started.run_slot[i]].base);
        size = (uint32_t)header[280] | (uint32_t)header[281] << 8 | (uint32_t)header[282] << 16 | (uint32_t)header[283] << 24;
        seal_bearssl.sha256_begin(state.bytes);
        seal_bearssl.sha256_add(state.bytes, header + c->header_block, size);
        seal_bearssl.sha256_end(state.bytes, digest);
        same &= memcmp(digest, header + 248, 32) == 0;
    }
    return same ? 0xFFFFFFu - SYSTICK[2] : 0;
}

int main(void)
{
    uint32_t first = boots(), second = boots(), hashed = payloads();

    printf("%lu %lu %lu\n", (unsigned long)first, (unsigned long)second, (unsigned long)hashed);
    return 0;
}
