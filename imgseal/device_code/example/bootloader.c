/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Bootloader: what seal_choose says, and the hand-over to it.
 *
 * port: before main protect the bootloader's flash and RAM, lock the debug port, and reset the external
 * flash (it keeps its modes over a reset of the microcontroller). What is started can move the machine:
 * drives stay without power until the program that starts has said otherwise.
 */
#include "device.h"
#include "seal_names.h"
#include "seal_show.h"

static struct seal_boot boot;
static struct seal_started started;
static volatile uint32_t chosen = SEAL_DEVICE_NOT_RUN;

/* Looks at the decision once more: one skipped instruction in front must not be enough to get here. */
static void start(uint32_t index, uint32_t run_slot)
{
    struct seal_shown_image image;
    const volatile uint32_t *vectors;

    if (seal_show_image(&boot, index, run_slot, &image) != SEAL_READ)
        board_reset();
    if (*(volatile enum seal_what *)&started.what != (seal_components[index].recovery ? SEAL_START_RECOVERY : SEAL_START_SET))
        board_reset();
    if (chosen != SEAL_ACCEPTED)
        board_reset();
    HANDOVER->journal = boot.journal;
    HANDOVER->started = started;
    HANDOVER->magic = HANDOVER_MAGIC;
    vectors = (const volatile uint32_t *)(uintptr_t)image.entry;
    *(volatile uint32_t *)0xE000ED08u = image.entry;            /* VTOR */
    __asm__ volatile("dsb\n isb\n msr msp, %0\n bx %1" : : "r"(vectors[0]), "r"(vectors[1]) : "memory");
}

/* The code component with the lowest number. port: where there are other cores, write their vector tables
 * and release them, here or in the program that starts; only what started.run_slot names was judged. */
static void start_set(void)
{
    uint32_t i;

    for (i = 0; i < started.members; i++)
        if (seal_components[i].kind == 1 && started.run_slot[i] != 255)
            start(i, started.run_slot[i]);
}

static void start_recovery(void)
{
    uint32_t i;

    for (i = 0; i < seal_product.component_count; i++)
        if (seal_components[i].recovery)
            start(i, 0);
}

int main(void)
{
    int power_on = board_power_on();

    board_log_open();
    board_watchdog_start();
    board_log(power_on ? "boot: power on\n" : "boot: reset\n");
    device_fill(&boot);
    chosen = seal_choose(&boot, power_on, &started);
    if (chosen != SEAL_ACCEPTED)
        board_reset();
    if (started.what == SEAL_START_SET)
        start_set();
    if (started.what == SEAL_START_RECOVERY)
        start_recovery();
    board_log("boot: nothing starts: ");
    board_log(seal_name(seal_show_refusal(&boot)));
    board_log("\n");
    for (;;)                            /* port: wait for a package here, as application.c does */
        board_watchdog_kick();
}
