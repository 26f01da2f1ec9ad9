/* A small bootloader from the exported sources: judges one slot and starts what is in it. For tests under QEMU only.
 *
 * On a core with a vector table register the application's table is used where it lies. Cortex-M0 has none: the handlers
 * here go on through a copy of the application's table in RAM.
 */
#include <stdint.h>

#include "seal_adapters.h"
#include "seal_config.h"

extern uint32_t stack_top, data_start, data_end, bss_start, bss_end;

static struct seal_work work;
static struct seal_version versions[2];

#ifdef NO_VECTOR_REGISTER
/* first in RAM, where the application keeps out */
__attribute__((used, section(".data.ram_vectors"))) uint32_t ram_vectors[64] = { 0 };
#endif

static void call_host(uint32_t operation, const void *argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = argument;

    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

static void print(const char *text)
{
    call_host(4, text); /* SYS_WRITE0 */
}

static void print_hex(uint32_t value)
{
    char text[10];
    unsigned i;

    for (i = 0; i < 8; i++)
        text[i] = "0123456789abcdef"[value >> (28 - 4 * i) & 15];
    text[8] = '\n';
    text[9] = 0;
    print(text);
}

static void leave(uint32_t status)
{
    uint32_t block[2];

    block[0] = 0x20026; /* ADP_Stopped_ApplicationExit */
    block[1] = status;
    call_host(0x20, block); /* SYS_EXIT_EXTENDED */
    for (;;)
        ;
}

static uint32_t read_memory(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const volatile uint8_t *from = (const volatile uint8_t *)(uintptr_t)user + offset;

    while (length-- != 0)
        *to++ = *from++;
    return SEAL_READ;
}

static uint32_t counter(void *user, uint8_t component, uint32_t *value)
{
    (void)user;
    (void)component;
    *value = COUNTER;
    return SEAL_READ;
}

static void start(uint32_t table)
{
    const volatile uint32_t *vectors = (const volatile uint32_t *)(uintptr_t)table;
    uint32_t stack = vectors[0], reset = vectors[1];

#ifdef NO_VECTOR_REGISTER
    unsigned i;

    for (i = 0; i < seal_components[0].vectors; i++)
        ram_vectors[i] = vectors[i];
#else
    *(volatile uint32_t *)0xE000ED08u = table; /* VTOR */
#endif
    __asm__ volatile("dsb\n isb\n msr msp, %0\n bx %1" : : "r"(stack), "r"(reset) : "memory");
}

static void run(void)
{
    struct seal_state state = { HARDWARE, HARDWARE, versions, 0, 1, 0, 0, 0, counter, 0 };
    const struct seal_slot *slot = &seal_components[0].run[0];
    struct seal_subject subject = { { read_memory, 0, 0 }, { 0, 0, 0 }, SEAL_RUN_SLOT, 0, 0 };
    struct seal_header header;
    uint32_t code;

    subject.image.user = (void *)(uintptr_t)slot->base;
    subject.image.size = slot->size;
#ifdef DETACHED
    subject.image.user = (void *)(uintptr_t)seal_components[0].header[0].base;
    subject.image.size = seal_components[0].header[0].size;
    subject.payload.read = read_memory;
    subject.payload.user = (void *)(uintptr_t)slot->base;
    subject.payload.size = slot->size;
#endif
    versions[0].component = 0;
    versions[0].bytes[0] = 1;
    versions[0].bytes[12] = versions[0].bytes[13] = versions[0].bytes[14] = versions[0].bytes[15] = 0xFF;
    code = seal_judge(&seal_product, &state, &seal_bearssl, &subject, 0, &work, &header);
    print_hex(code);
    if (code != SEAL_ACCEPTED)
        leave(0);
    start(header.link_address + header.entry_offset);
}

void reset(void)
{
    uint32_t *at;

    for (at = &bss_start; at < &bss_end; at++)
        *at = 0;
    run();
    leave(9);
}

#ifdef NO_VECTOR_REGISTER
/* Goes on at the entry of the running exception in the copy of the application's table. */
__attribute__((naked)) static void forward(void)
{
    __asm__ volatile("mrs r0, ipsr\n lsl r0, r0, #26\n lsr r0, r0, #24\n ldr r1, =ram_vectors\n ldr r0, [r1, r0]\n bx r0\n"
                     ".ltorg\n");
}
#define HANDLER forward
#else
static void trouble(void)
{
    print("fault in the bootloader\n");
    leave(8);
}
#define HANDLER trouble
#endif

__attribute__((section(".vectors"), used)) static const void *const vectors[16] = {
    &stack_top, (const void *)reset, (const void *)HANDLER, (const void *)HANDLER, (const void *)HANDLER, (const void *)HANDLER,
    (const void *)HANDLER, 0, 0, 0, 0, (const void *)HANDLER, (const void *)HANDLER, 0, (const void *)HANDLER, (const void *)HANDLER
};
