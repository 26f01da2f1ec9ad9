/* The boot code as a library for the simulated device: its callbacks are the test's. */
#include <string.h>

#include "seal_boot.h"
#include "seal_config.h"
#include "unset.h"

static uint8_t records[2][SEAL_RECORD_BYTES], page[4096];
static struct seal_version versions[SEAL_SET_MAX + 1];
static struct seal_work work;
static struct seal_boot boot;
static struct seal_started started;
uint32_t shim_page_room = sizeof page;  /* of it, so much is used */

void shim_begin(const struct seal_flash *flash, const struct seal_counters *counters, const struct seal_crypto *crypto,
                uint32_t (*package)(void *, uint8_t, const uint8_t *, const uint8_t *, struct seal_source *),
                uint32_t hardware, const uint8_t *bootloader, const uint8_t (*revoked)[16], uint32_t revoked_count);
uint32_t shim_choose(int power_on);
uint32_t shim_healthy(void);
const struct seal_started *shim_started(void);
const uint8_t *shim_record(void);
uint32_t shim_journal(uint32_t what);
const uint8_t *shim_runs(void);
void shim_development(uint32_t development);

void shim_development(uint32_t development)
{
    boot.development = (uint8_t)development;
}

#ifdef SEAL_BOOT_MARK
void shim_protect(uint32_t (*protect)(void *, const struct seal_slot *));

void shim_protect(uint32_t (*protect)(void *, const struct seal_slot *))
{
    boot.protect = protect;
}
#endif

void shim_begin(const struct seal_flash *flash, const struct seal_counters *counters, const struct seal_crypto *crypto,
                uint32_t (*package)(void *, uint8_t, const uint8_t *, const uint8_t *, struct seal_source *),
                uint32_t hardware, const uint8_t *bootloader, const uint8_t (*revoked)[16], uint32_t revoked_count)
{
    memset(&boot, 0, sizeof boot);
    UNSET(records, sizeof records);
    UNSET(&work, sizeof work);
    boot.product = &seal_product;
    boot.crypto = crypto;
    boot.flash = *flash;
    boot.counters = *counters;
    boot.package = package;
    boot.revoked = revoked;
    boot.revoked_count = (uint8_t)revoked_count;
    boot.hardware = (uint16_t)hardware;
    memcpy(boot.bootloader, bootloader, sizeof boot.bootloader);
    boot.journal.record = records[0];
    boot.scan = records[1];
    boot.record_bytes = SEAL_RECORD_BYTES;
    boot.work = &work;
    boot.versions = versions;
    boot.page = page;
    boot.page_room = shim_page_room;
}

uint32_t shim_choose(int power_on)
{
    uint32_t code;

    UNSET(&started, sizeof started);
    code = seal_choose(&boot, power_on, &started);

    return boot.journal.record == records[0] ? code : 0;    /* where the program that starts looks for it */
}

uint32_t shim_healthy(void)
{
    return seal_report_healthy(&boot);
}

const struct seal_started *shim_started(void)
{
    return &started;
}

const uint8_t *shim_record(void)
{
    return boot.journal.record;
}

uint32_t shim_journal(uint32_t what)
{
    return what == 0 ? boot.journal.found : what == 1 ? boot.journal.place : boot.journal.tidied;
}

/* Run slots by component index, then whether it is settled. */
const uint8_t *shim_runs(void)
{
    static uint8_t out[SEAL_SET_MAX + 1];
    struct seal_running running;

    UNSET(&running, sizeof running);
    seal_what_runs(&boot, &running);
    memcpy(out, running.run_slot, SEAL_SET_MAX);
    out[SEAL_SET_MAX] = running.settled;
    return out;
}
