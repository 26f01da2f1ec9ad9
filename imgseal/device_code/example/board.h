/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* The board: an emulated one, mps2-an386 of qemu-system-arm, with a Cortex-M4. What it stores lies in
 * a file that the emulator maps at FLASH_BASE: it survives resets, and the end of the emulator.
 */
#ifndef BOARD_H
#define BOARD_H

#include "seal_boot.h"

/* The memories of imgseal.toml, and behind them the counters. */
#define FLASH_BASE 0x21000000u
#define NOR_BASE 0x21100000u
#define COUNTERS_BASE 0x21F00000u
#define COUNTER_STEPS 64u

extern const struct seal_flash board_flash;
extern const struct seal_counters board_counters;

/* Lets nobody write a slot until the next reset: SEAL_WRITTEN when that is so. */
uint32_t board_protect(void *user, const struct seal_slot *slot);

/* 1: power was off before this start; 0: any other reset. To be asked once. */
int board_power_on(void);
__attribute__((noreturn)) void board_reset(void);

/* The watchdog resets a program that has not kicked it for four seconds. */
void board_watchdog_start(void);
void board_watchdog_kick(void);

void board_log_open(void);
void board_log(const char *text);

/* The line that updates come over; ticks have to run. Getting waits; 0: nothing came for 500 of them. */
void board_line_open(void);
int board_line_waiting(void);
int board_line_get(uint8_t *to, uint32_t length);
void board_line_put(const uint8_t *from, uint32_t length);

#endif
