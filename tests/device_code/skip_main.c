/* What stands around the code whose instructions are skipped: memories, counters, a package, and the library's functions, which
 * the emulator answers for (skip_one.py). Nothing in this file is skipped. */
#include "skip_main.h"

#include "seal_adapters.h"
#include "seal_config.h"

struct given given;
uint8_t package_bytes[PACKAGE_ROOM];

const struct seal_product *const device_product = &seal_product;
struct seal_work work;
struct seal_package out;
uint8_t manifest[2048];

static struct seal_version versions[SEAL_SET_MAX + 1];
static uint8_t records[2][SEAL_RECORD_BYTES], page[512], front[SEAL_FRONT_BYTES];
static struct seal_install install_state;

static void copy(uint8_t *to, const uint8_t *from, uint32_t length)
{
    if ((((uintptr_t)to | (uintptr_t)from) & 3u) == 0)
        for (; length >= 4; length -= 4, to += 4, from += 4)
            *(uint32_t *)(void *)to = *(const uint32_t *)(const void *)from;
    while (length-- != 0)
        *to++ = *from++;
}

uint32_t read_at(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    copy(to, (const uint8_t *)user + offset, length);
    return SEAL_READ;
}

static uint32_t read_flash(void *user, uint32_t address, uint8_t *to, uint32_t length)
{
    (void)user;
    copy(to, (const uint8_t *)(uintptr_t)address, length);
    return SEAL_READ;
}

static uint32_t flash_geometry(void *user, uint32_t address, uint32_t *block, uint32_t *page_size, uint32_t *unit)
{
    (void)user;
    (void)address;
    *block = ERASE_BLOCK;
    *page_size = ERASE_BLOCK;
    *unit = 8;
    return SEAL_READ;
}

void skip_image(void)
{
    /* Filled in one place, as guide.md says: of a template that is copied there are two, and one without the revoked keys. */
    static struct seal_state state;

    state.hardware_least = state.hardware_most = 1;
    state.revoked = (const uint8_t(*)[16])given.revoked;
    state.counter = read_counter;
    state.revoked_count = (uint8_t)given.revoked_count;
    state.development = (uint8_t)given.development;
    start_app(&state);
}

static void fill_boot(struct seal_boot *boot)
{
    static const struct seal_boot nothing;

    *boot = nothing;
    boot->product = &seal_product;
    boot->crypto = &CRYPTO;
    boot->flash.read = read_flash;
    boot->flash.erase = erase_flash;
    boot->flash.program = program_flash;
    boot->flash.geometry = flash_geometry;
    boot->counters.read = read_counter;
    boot->counters.take = take_counter;
    boot->revoked = (const uint8_t(*)[16])given.revoked;
    boot->revoked_count = (uint8_t)given.revoked_count;
    boot->development = (uint8_t)given.development;
    boot->hardware = 1;
    boot->bootloader[0] = 1;
    boot->bootloader[12] = boot->bootloader[13] = boot->bootloader[14] = boot->bootloader[15] = 0xFF;
    boot->journal.record = records[0];
    boot->scan = records[1];
    boot->record_bytes = SEAL_RECORD_BYTES;
    boot->work = &work;
    boot->versions = versions;
    boot->page = page;
    boot->page_room = sizeof page;
#ifdef SEAL_BOOT_MARK
    boot->protect = protect_mark;
#endif
}

void skip_boot(void)
{
    static struct seal_boot boot;

    fill_boot(&boot);
    start_chosen(&boot, (int)given.power_on);
}

/* The application takes what comes; its bootloader has handed over the record of the first place. */
static void begin_install(struct seal_boot *boot)
{
    copy(records[0], (const uint8_t *)(uintptr_t)seal_product.records.base, SEAL_RECORD_BYTES);
    boot->journal.found = 1;
    boot->journal.tidied = 1;
    install_state.boot = boot;
    install_state.device.anchors = seal_package_anchors;
    install_state.device.anchor_count = SEAL_PACKAGE_ANCHORS;
    install_state.device.need = SEAL_NEED_PACKAGES;
    install_state.device.es256 = SEAL_PACKAGE_ES256;
    install_state.device.battery = 0xFFFFFFFFu;
    install_state.device.authorised = 1;
    install_state.buffer = front;
    install_state.room = sizeof front;
}

void skip_install(void)
{
    static struct seal_boot boot;

    fill_boot(&boot);
    begin_install(&boot);
    install_update(&install_state, package_bytes, given.package_bytes);
}

#ifdef SEAL_PATCHES
/* The same of a delivery, which lies in RAM. */
void skip_delivery(void)
{
    static struct seal_boot boot;
    static struct seal_delivery delivery;
    static struct seal_delta delta;
    static uint8_t wrapping[SEAL_DELIVERY_BYTES];
    struct seal_reader file = { read_at, package_bytes, 0 };

    fill_boot(&boot);
    file.size = given.package_bytes;
    begin_install(&boot);
    install_state.delta = &delta;
    install_state.delivery = &delivery;
    delivery.anchors = seal_delivery_anchors;
    delivery.anchor_count = SEAL_DELIVERY_ANCHORS;
    delivery.buffer = wrapping;
    delivery.room = sizeof wrapping;
    install_delivery(&install_state, &file);
}
#endif

void skip_package(void)
{
    static const struct seal_installer nothing;
    struct seal_installer device = nothing;
    struct seal_reader file = { read_at, package_bytes, 0 };

    file.size = given.package_bytes;
    device.product = &seal_product;
    device.crypto = &CRYPTO;
    device.anchors = seal_package_anchors;
    device.anchor_count = SEAL_PACKAGE_ANCHORS;
    device.need = SEAL_NEED_PACKAGES;
    device.es256 = SEAL_PACKAGE_ES256;
    device.development = (uint8_t)given.development;
    device.revoked = (const uint8_t(*)[16])given.revoked;
    device.revoked_count = (uint8_t)given.revoked_count;
    device.sequence = given.sequence;
    device.battery = 0xFFFFFFFFu;
    device.authorised = 1;
    device.free_slot = given.free_slot;
    install(&device, &file);
}

/* what the compiler may ask for */
void *memcpy(void *to, const void *from, size_t length)
{
    copy(to, from, (uint32_t)length);
    return to;
}

void *memset(void *to, int value, size_t length)
{
    uint8_t *t = to;

    while (length-- != 0)
        *t++ = (uint8_t)value;
    return to;
}

void *memmove(void *to, const void *from, size_t length)
{
    uint8_t *t = to;
    const uint8_t *f = from;

    if (t <= f)
        return memcpy(to, from, length);
    while (length-- != 0)
        t[length] = f[length];
    return to;
}

void __aeabi_memcpy(void *to, const void *from, size_t length)
{
    memcpy(to, from, length);
}

void __aeabi_memcpy4(void *to, const void *from, size_t length)
{
    memcpy(to, from, length);
}

void __aeabi_memclr(void *to, size_t length)
{
    memset(to, 0, length);
}

void __aeabi_memclr4(void *to, size_t length)
{
    memset(to, 0, length);
}

void __aeabi_memclr8(void *to, size_t length)
{
    memset(to, 0, length);
}
