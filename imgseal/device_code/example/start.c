/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Start-up of every program here: vector table, variables, main. */
#include <stdint.h>

extern uint32_t stack_top, data_start, data_end, data_from, bss_start, bss_end;

int main(void);
void tick(void);
void received(void);

/* A fault, the watchdog's warning, an interrupt that nobody wants: a reset, which a trial counts. */
static void stop(void)
{
    *(volatile uint32_t *)0xE000ED0Cu = 0x05FA0004; /* AIRCR, SYSRESETREQ */
    for (;;)
        ;
}

__attribute__((weak)) void tick(void)
{
    stop();
}

__attribute__((weak)) void received(void)
{
    stop();
}

void reset(void)
{
    uint32_t *to;
    const uint32_t *from = &data_from;

    for (to = &data_start; to < &data_end; to++)
        *to = *from++;
    for (to = &bss_start; to < &bss_end; to++)
        *to = 0;
    main();
    stop();
}

#define FOUR stop, stop, stop, stop

/* The core reads it at the beginning of an image; as long as `vectors` in imgseal.toml. */
__attribute__((section(".vectors"), used)) static const struct {
    const void *stack;
    void (*handler[47])(void);
} vectors = { &stack_top, { reset, stop, stop, FOUR, FOUR, stop, stop, stop, tick,
        stop, stop, received, stop, FOUR, FOUR, FOUR, FOUR, FOUR, FOUR, FOUR } };
