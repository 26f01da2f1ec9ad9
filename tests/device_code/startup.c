/* Start of a bare-metal program under QEMU: newlib's semihosting start-up does the rest. */
#include <stdint.h>

extern uint32_t stack_top;
extern void _start(void);

static void stay(void)
{
    for (;;)
        ;
}

/* On an exception: leave through semihosting, so that a test sees a failure and no hanging machine. */
static void fault(void)
{
    register uint32_t operation __asm__("r0") = 0x18; /* SYS_EXIT */
    register uint32_t reason __asm__("r1") = 0x20023; /* ADP_Stopped_RunTimeErrorUnknown */

    __asm__ volatile("bkpt 0xAB" : : "r"(operation), "r"(reason) : "memory");
    stay();
}

__attribute__((section(".vectors"), used)) static const void *const vectors[16] = {
    &stack_top, (const void *)_start, (const void *)fault, (const void *)fault, (const void *)fault,
    (const void *)fault, (const void *)fault, 0, 0, 0, 0, (const void *)fault, (const void *)fault, 0,
    (const void *)fault, (const void *)fault
};
