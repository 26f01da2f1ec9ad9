/* Boots a device whose flash lies in a file, on whatever machine: tests/device_code/boot_batch.py makes the file and says
 * what it holds. Prints what each step answers, then the counters; then writes the flash into the second file.
 */
#include <stdio.h>
#include <stdlib.h>

#include "boot_shim.c"

#include "seal_adapters.h"

struct memory {
    uint32_t base, size, block, page, unit, erased;
    uint8_t *data;
};

static struct memory memories[4];
static uint32_t memory_count, counters[256];

static uint32_t get32_of(FILE *file)
{
    uint32_t value = 0, i;

    for (i = 0; i < 4; i++)
        value |= (uint32_t)fgetc(file) << 8 * i;
    return value;
}

static struct memory *memory_at(uint32_t address, uint32_t length)
{
    uint32_t i;

    for (i = 0; i < memory_count; i++)
        if (address >= memories[i].base && address - memories[i].base <= memories[i].size
            && length <= memories[i].size - (address - memories[i].base))
            return &memories[i];
    fprintf(stderr, "no memory at %08lx\n", (unsigned long)address);
    exit(3);
}

static uint32_t flash_read(void *user, uint32_t address, uint8_t *to, uint32_t length)
{
    const struct memory *m = memory_at(address, length);

    (void)user;
    memcpy(to, m->data + (address - m->base), length);
    return SEAL_READ;
}

static uint32_t flash_erase(void *user, uint32_t address)
{
    const struct memory *m = memory_at(address, 1);

    (void)user;
    if ((address - m->base) % m->block != 0)
        exit(3);
    memset(m->data + (address - m->base), (int)m->erased, m->block);
    return SEAL_WRITTEN;
}

static uint32_t flash_program(void *user, uint32_t address, const uint8_t *from, uint32_t length)
{
    const struct memory *m = memory_at(address, length);
    uint8_t *to = m->data + (address - m->base);
    uint32_t i;

    (void)user;
    if (address % m->unit != 0 || length % m->unit != 0)
        exit(3);
    for (i = 0; i < length; i++)
        to[i] = (uint8_t)(m->erased != 0 ? to[i] & from[i] : to[i] | from[i]);
    return SEAL_WRITTEN;
}

static uint32_t flash_geometry(void *user, uint32_t address, uint32_t *block, uint32_t *flash_page, uint32_t *unit)
{
    const struct memory *m = memory_at(address, 1);

    (void)user;
    *block = m->block;
    *flash_page = m->page;
    *unit = m->unit;
    return SEAL_READ;
}

static uint32_t counter_read(void *user, uint8_t component, uint32_t *value)
{
    (void)user;
    *value = counters[component];
    return SEAL_READ;
}

static uint32_t counter_raise(void *user, uint8_t component, uint32_t value)
{
    (void)user;
    if (value > counters[component])
        counters[component] = value;
    return SEAL_WRITTEN;
}

int main(int argc, char **argv)
{
    static const struct seal_flash flash = { flash_read, flash_erase, flash_program, flash_geometry, 0 };
    static const struct seal_counters storage = { counter_read, counter_raise, counter_raise, 0 };
    static uint8_t bootloader[16];
    uint32_t i, k, hardware;
    FILE *file = argc > 2 ? fopen(argv[1], "rb") : 0, *out;

    if (file == 0)
        return 3;
    hardware = get32_of(file);
    if (fread(bootloader, 1, sizeof bootloader, file) != sizeof bootloader)
        return 3;
    memory_count = get32_of(file);
    for (i = 0; i < memory_count; i++) {
        struct memory *m = &memories[i];
        uint32_t *facts[6];

        facts[0] = &m->base, facts[1] = &m->size, facts[2] = &m->block;
        facts[3] = &m->page, facts[4] = &m->unit, facts[5] = &m->erased;
        for (k = 0; k < 6; k++)
            *facts[k] = get32_of(file);
        m->data = malloc(m->size);
        if (m->data == 0 || fread(m->data, 1, m->size, file) != m->size)
            return 3;
    }
    for (i = get32_of(file); i != 0; i--) {
        k = get32_of(file) & 255;
        counters[k] = get32_of(file);
    }
    for (i = get32_of(file); i != 0; i--) {     /* resets: of power-on or not, and whether the set is healthy */
        uint32_t power_on = get32_of(file), healthy = get32_of(file);

        shim_begin(&flash, &storage, &seal_bearssl, 0, hardware, bootloader, 0, 0);
        printf("%08lx", (unsigned long)shim_choose((int)power_on));
        printf(" %02x %u", (unsigned)shim_started()->what, shim_started()->trial);
        for (k = 0; shim_started()->what == SEAL_START_SET && k < seal_product.component_count; k++)
            printf(" %u", shim_started()->run_slot[k]);
        if (healthy)
            printf(" %08lx", (unsigned long)shim_healthy());
        printf("\n");
    }
    for (k = 0; k < 256; k++)
        if (counters[k] != 0)
            printf("%lu=%lu\n", (unsigned long)k, (unsigned long)counters[k]);
    fclose(file);
    out = fopen(argv[2], "wb");
    if (out == 0)
        return 3;
    for (i = 0; i < memory_count; i++) {
        if (fwrite(memories[i].data, 1, memories[i].size, out) != memories[i].size)
            return 3;
        free(memories[i].data);
    }
    return fclose(out) == 0 ? 0 : 3;
}
