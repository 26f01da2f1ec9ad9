/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* The application, and under another name the recovery image: says what it is, reports the set healthy
 * when it has run well, and takes updates over a serial line. It moves nothing.
 *
 * An update comes in pieces, little-endian: length (4 bytes) and as many bytes; the answer is a result
 * (4 bytes, seal_codes.h) each time. Length 0xFFFFFFFF begins a package, length 0 ends it.
 */
#include "device.h"
#include "seal_install.h"

#define PIECE 1024u
#define BEGIN 0xFFFFFFFFu
#define END 0u

static struct seal_boot boot;
static struct seal_install install;
static uint8_t front[SEAL_FRONT_BYTES];
static uint8_t piece[PIECE];
static volatile uint32_t ticks;

void tick(void)
{
    ticks++;
}

/* port: what shows that this release works: sensors answer, the radio is up, the maker's server was
 * reached. NEVER_HEALTHY is a release that fails it. */
static int self_test(void)
{
#ifdef NEVER_HEALTHY
    return 0;
#else
    *(volatile uint32_t *)0xE000E014u = 249999;     /* SysTick, 10 ms: reload, value, control */
    *(volatile uint32_t *)0xE000E018u = 0;
    *(volatile uint32_t *)0xE000E010u = 7;
    while (ticks < 10)                              /* its interrupts come from its own vector table */
        ;
    return 1;
#endif
}

/* port: ask whoever answers for the machine. The vent stands still and is secured, nobody is near. */
static uint8_t may_begin(void)
{
    return 1;
}

static uint32_t begin(void)
{
    install.boot = &boot;
    install.device.anchors = seal_package_anchors;
    install.device.anchor_count = SEAL_PACKAGE_ANCHORS;
    install.device.need = SEAL_NEED_PACKAGES;
    install.device.es256 = SEAL_PACKAGE_ES256;
    install.device.battery = 4000;                  /* port: mWh, measured */
    install.device.authorised = may_begin();
    install.buffer = front;
    install.room = sizeof front;
    return seal_install_begin(&install);
}

/* One message; 1: it was the end of a package that is delivered. */
static int serve(void)
{
    uint8_t word[4];
    uint32_t length, code, i;

    if (!board_line_get(word, 4))
        return 0;
    length = word[0] | (uint32_t)word[1] << 8 | (uint32_t)word[2] << 16 | (uint32_t)word[3] << 24;
    if (length == BEGIN)
        code = begin();
    else if (length == END)
        code = seal_install_finish(&install);
    else if (length <= PIECE && board_line_get(piece, length))
        code = seal_install_take(&install, piece, length);
    else
        return 0;                                   /* the sender gets no answer and begins again */
    for (i = 0; i < 4; i++)
        word[i] = (uint8_t)(code >> 8 * i);
    board_line_put(word, 4);
    if (code == SEAL_DEVICE_UNREADABLE || code == SEAL_DEVICE_UNWRITABLE)
        board_reset();
    return length == END && code == SEAL_ACCEPTED;
}

/* Only a program of the set speaks for the set: the recovery image runs because it could not. */
static void report_healthy(void)
{
    if (seal_report_healthy(&boot) != SEAL_ACCEPTED)
        board_reset();
    board_log(NAME " is healthy, settled\n");
}

int main(void)
{
    if (HANDOVER->magic != HANDOVER_MAGIC)
        board_reset();
    HANDOVER->magic = 0;
    device_fill(&boot);
    boot.journal = HANDOVER->journal;               /* all of it, and never read from flash again */
    board_log(HANDOVER->started.trial ? NAME " starts, in trial\n" : NAME " starts\n");
    if (!self_test()) {
        board_log(NAME " is not healthy\n");
        for (;;)
            __asm__ volatile("wfi");                /* the watchdog resets */
    }
    if (HANDOVER->started.what == SEAL_START_SET)
        report_healthy();
    board_line_open();
    while (!board_line_waiting() || !serve()) {
        board_watchdog_kick();
        __asm__ volatile("wfi");                    /* until the next byte or tick */
    }
    board_log(NAME " has taken an update\n");
    board_reset();
}
