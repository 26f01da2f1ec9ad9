/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Fills struct seal_boot; see guide.md, "Choosing what starts". */
#include "device.h"
#include "seal_adapters.h"

#define COMPONENTS (sizeof seal_components / sizeof seal_components[0])

static struct seal_work work;
static struct seal_version versions[COMPONENTS + 1];
static uint8_t scan[SEAL_RECORD_BYTES];
static uint8_t page[SEAL_PAGE_ROOM];

/* As [bootloader] in imgseal.toml says it, 1.1.0: three numbers, and 0xFFFFFFFF for a release. */
static const uint8_t bootloader[16] = { 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF };

void device_fill(struct seal_boot *boot)
{
    uint32_t i;

    boot->product = &seal_product;
    boot->crypto = &seal_bearssl;
    boot->flash = board_flash;
    boot->counters = board_counters;
    boot->package = 0;                  /* every component has a second run slot or staging, or never changes */
    boot->package_user = 0;
    boot->protect = board_protect;      /* of boot by digest */
    boot->revoked = 0;
    boot->revoked_count = 0;
    boot->development = 0;
    boot->hardware = 2;                 /* port: straps, or what the production line programmed */
    for (i = 0; i < sizeof bootloader; i++)
        boot->bootloader[i] = bootloader[i];
    boot->journal.record = HANDOVER->record;
    boot->scan = scan;
    boot->record_bytes = SEAL_RECORD_BYTES;
    boot->work = &work;
    boot->versions = versions;
    boot->page = page;
    boot->page_room = sizeof page;
}
