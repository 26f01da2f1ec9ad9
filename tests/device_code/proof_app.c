/* An application for the proof: counts interrupts of its own timer, and says so. It moves nothing. */
#include <stdint.h>

extern uint32_t stack_top;

static volatile uint32_t ticks;

static void call_host(uint32_t operation, const void *argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = argument;

    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

void tick(void)
{
    ticks++;
}

void reset(void)
{
    uint32_t block[2];
    uint32_t spent;

    ticks = 0;
    *(volatile uint32_t *)0xE000E014u = 9999; /* SysTick: reload, value, control */
    *(volatile uint32_t *)0xE000E018u = 0;
    *(volatile uint32_t *)0xE000E010u = 7;
    __asm__ volatile("cpsie i");
    for (spent = 0; ticks < 3 && spent < 50000000u; spent++)
        ;
    call_host(4, ticks >= 3 ? "application: interrupts work\n" : "application: no interrupt came\n");
    block[0] = 0x20026;
    block[1] = ticks >= 3 ? 0 : 7;
    call_host(0x20, block);
    for (;;)
        ;
}

void stay(void)
{
    call_host(4, "application: fault\n");
    for (;;)
        ;
}

__attribute__((section(".vectors"), used)) static const void *const vectors[16] = {
    &stack_top, (const void *)reset, (const void *)stay, (const void *)stay, (const void *)stay, (const void *)stay, (const void *)stay,
    0, 0, 0, 0, (const void *)stay, (const void *)stay, 0, (const void *)stay, (const void *)tick
};
