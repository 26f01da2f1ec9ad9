/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* The smallest firmware: a vector table, memory set up, and a loop. */
#include <stdint.h>

extern uint32_t data_load[], data_start[], data_end[], bss_start[], bss_end[], stack_top[];

static volatile uint32_t step = 1, count;

static void stop(void)
{
    for (;;) {
    }
}

void reset(void)
{
    for (volatile uint32_t *to = data_start, *from = data_load; to < data_end;) {
        *to++ = *from++;
    }
    for (volatile uint32_t *to = bss_start; to < bss_end;) {
        *to++ = 0;
    }
    for (;;) {
        count += step;
    }
}

__attribute__((section(".vectors"), used)) static void (*const vectors[64])(void) = {
    (void (*)(void))stack_top,
    reset,
    [2 ... 63] = stop,
};
