/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Drivers. Everything here is the board's: a port replaces this file. */
#include "board.h"

#define REGISTER(address) (*(volatile uint32_t *)(uintptr_t)(address))

/* -- flash --------------------------------------------------------------------------------------- */

/* port: return anything but SEAL_READ where the memory reports an error (ECC), see guide.md. */
static uint32_t read_flash(void *user, uint32_t address, uint8_t *to, uint32_t length)
{
    const volatile uint8_t *from = (const volatile uint8_t *)(uintptr_t)address;

    (void)user;
    board_watchdog_kick();
    while (length-- != 0)
        *to++ = *from++;
    return SEAL_READ;
}

static uint32_t geometry(void *user, uint32_t address, uint32_t *block, uint32_t *page, uint32_t *unit)
{
    (void)user;
    *block = address < NOR_BASE ? 4096 : 65536;
    *page = 256;
    *unit = address < NOR_BASE ? 8 : 1;
    return SEAL_READ;
}

/* port: start the erase, wait for the part to say that it is done, and look at its error bits. Code
 * that runs from the bank that is being erased stalls or has to lie in RAM. */
static uint32_t erase(void *user, uint32_t address)
{
    volatile uint8_t *at;
    uint32_t block, page, unit;

    geometry(user, address, &block, &page, &unit);
    at = (volatile uint8_t *)(uintptr_t)(address & ~(block - 1));
    board_watchdog_kick();
    while (block-- != 0)
        *at++ = 0xFF;
    return SEAL_WRITTEN;
}

/* As real parts do: internal flash takes a unit once, NOR clears bits. */
static uint32_t program(void *user, uint32_t address, const uint8_t *from, uint32_t length)
{
    volatile uint8_t *to = (volatile uint8_t *)(uintptr_t)address;
    uint32_t i;

    (void)user;
    board_watchdog_kick();
    for (i = 0; i < length; i++)
        if (address < NOR_BASE && to[i] != 0xFF)
            return 0;
    for (i = 0; i < length; i++)
        to[i] = to[i] & from[i];
    return SEAL_WRITTEN;
}

const struct seal_flash board_flash = { read_flash, erase, program, geometry, 0 };

#define MPU 0xE000ED94u         /* control; behind it number, base, and attributes of a region */

/* port: a lock of the flash that no program lifts before a reset. The memory protection of this core stands
 * for one: whoever has taken over the application could switch it off. */
uint32_t board_protect(void *user, const struct seal_slot *slot)
{
    (void)user;
    REGISTER(MPU + 4) = 7;                      /* the region that counts before all others */
    REGISTER(MPU + 8) = slot->base;
    REGISTER(MPU + 12) = 0x16000017;            /* 4 KiB, read only, no code */
    REGISTER(MPU) = 5;                          /* elsewhere all is as without */
    __asm__ volatile("dsb\n isb");
    return slot->size == 4096 && REGISTER(MPU) == 5 && REGISTER(MPU + 12) == 0x16000017 ? SEAL_WRITTEN : 0;
}

/* -- counters ------------------------------------------------------------------------------------ */

/* A byte for each step, 0xFF: not taken. port: fuses, one-time memory, a secure element: storage that
 * only rises, whoever has taken over the application. */
static volatile uint8_t *steps_of(uint8_t component)
{
    return (volatile uint8_t *)(uintptr_t)(COUNTERS_BASE + component * COUNTER_STEPS);
}

static uint32_t read_counter(void *user, uint8_t component, uint32_t *value)
{
    const volatile uint8_t *steps = steps_of(component);

    (void)user;
    for (*value = 0; *value < COUNTER_STEPS && steps[*value] != 0xFF; ++*value)
        ;
    return SEAL_READ;
}

static uint32_t take_step(void *user, uint8_t component, uint32_t step)
{
    (void)user;
    if (step == 0 || step > COUNTER_STEPS)
        return 0;
    steps_of(component)[step - 1] = 0;
    return SEAL_WRITTEN;
}

const struct seal_counters board_counters = { read_counter, take_step, 0, 0 };

/* -- reset and watchdog -------------------------------------------------------------------------- */

/* port: the reset cause register. This board has none; the last word of RAM stays until power is off. */
int board_power_on(void)
{
    int first = REGISTER(0x2001FFFC) != 0x706F7765u;

    REGISTER(0x2001FFFC) = 0x706F7765u;
    return first;
}

void board_reset(void)
{
    REGISTER(0xE000ED0C) = 0x05FA0004; /* AIRCR, SYSRESETREQ */
    for (;;)
        ;
}

#define WATCHDOG 0x40008000u

void board_watchdog_start(void)
{
    REGISTER(WATCHDOG + 0xC00) = 0x1ACCE551; /* unlock */
    REGISTER(WATCHDOG) = 100000000;          /* four seconds, then an interrupt (start.c resets), then a reset */
    REGISTER(WATCHDOG + 0x008) = 3;
}

void board_watchdog_kick(void)
{
    REGISTER(WATCHDOG + 0x00C) = 1;
}

/* -- lines --------------------------------------------------------------------------------------- */

#define LOG_LINE 0x40004000u
#define UPDATE_LINE 0x40005000u
#define DATA 0x00u
#define STATE 0x04u             /* bit 0: sending buffer full */
#define CONTROL 0x08u
#define INTERRUPT 0x0Cu
#define DIVIDER 0x10u

static void put(uint32_t line, uint8_t byte)
{
    while ((REGISTER(line + STATE) & 1) != 0)
        ;
    REGISTER(line + DATA) = byte;
}

void board_log_open(void)
{
    REGISTER(LOG_LINE + DIVIDER) = 217; /* 25 MHz to 115200 */
    REGISTER(LOG_LINE + CONTROL) = 1;
}

void board_log(const char *text)
{
    while (*text != 0)
        put(LOG_LINE, (uint8_t)*text++);
}

/* Bytes that came: the sender waits for an answer to each message, so there are never more than one. */
static volatile uint8_t ring[2048];
static volatile uint32_t came, taken;

void board_line_open(void)
{
    REGISTER(UPDATE_LINE + DIVIDER) = 217;
    REGISTER(UPDATE_LINE + CONTROL) = 11;       /* sends, receives, interrupts when a byte came */
    REGISTER(0xE000E100) = 1u << 2;             /* NVIC: of this line */
}

void received(void)
{
    REGISTER(UPDATE_LINE + INTERRUPT) = 2;
    ring[came++ % sizeof ring] = (uint8_t)REGISTER(UPDATE_LINE + DATA);
}

int board_line_waiting(void)
{
    return came != taken;
}

int board_line_get(uint8_t *to, uint32_t length)
{
    uint32_t ticks;

    while (length-- != 0) {
        board_watchdog_kick();
        for (ticks = 0; !board_line_waiting(); ticks++) {
            if (ticks == 500)
                return 0;
            __asm__ volatile("wfi");
        }
        *to++ = ring[taken++ % sizeof ring];
    }
    return 1;
}

void board_line_put(const uint8_t *from, uint32_t length)
{
    while (length-- != 0)
        put(UPDATE_LINE, *from++);
}
