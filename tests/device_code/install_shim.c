/* Boot code and installer as a library for the simulated device: their callbacks are the test's. */
#include "boot_shim.c"

#include "seal_delivery.h"
#include "seal_show.h"
#include "seal_store.h"

static struct seal_install install;
static struct seal_reader stored;
static uint8_t front[SEAL_FRONT_BYTES];

#ifdef SEAL_PATCHES
static struct seal_delta delta;
static struct seal_delivery delivery;
static uint8_t wrapping[SEAL_DELIVERY_BYTES];

uint32_t shim_part(const uint8_t *key, uint32_t length);
uint32_t shim_patch(uint32_t part, const struct seal_patch *patch);

/* Which part of the package that this device takes has that key: its number, its component, and whether it is a header. */
uint32_t shim_part(const uint8_t *key, uint32_t length)
{
    const struct seal_package *p = &install.package;
    uint32_t k;

    for (k = 0; k < p->parts; k++)
        if (p->part[k].taken && p->part[k].key_length == length && memcmp(front + p->part[k].key_at, key, length) == 0)
            return k | (uint32_t)p->part[k].component << 8 | (uint32_t)p->part[k].header << 16;
    return 0xFFFFFFFFu;
}

uint32_t shim_patch(uint32_t part, const struct seal_patch *patch)
{
    return seal_install_patch(&install, part, patch);
}
#endif

void shim_install(uint32_t battery, uint32_t authorised);
uint32_t shim_begin_install(void);
uint32_t shim_take(const uint8_t *bytes, uint32_t length);
uint32_t shim_finish(void);
uint32_t shim_store(const struct seal_reader *reader);
uint32_t shim_stored(void);
uint32_t shim_ask(uint32_t component);
void shim_show(struct seal_shown *shown);
uint32_t shim_show_image(uint32_t component, uint32_t run_slot, struct seal_shown_image *shown);
uint32_t shim_show_refusal(void);
void shim_set_phase(uint32_t phase);
void shim_forget_record(void);
uint32_t shim_keep(void);
uint32_t shim_keep_begin(void);
uint32_t shim_kept(void);
uint32_t shim_keep_take(const uint8_t *bytes, uint32_t length);
uint32_t shim_keep_finish(void);
void shim_keep_anew(void);
const uint8_t *shim_whose(void);
uint32_t shim_position(void);

void shim_install(uint32_t battery, uint32_t authorised)
{
    memset(&install, 0xA5, sizeof install);
    memset(front, 0xA5, sizeof front);
    install.boot = &boot;
    install.device.anchors = seal_package_anchors;
    install.device.anchor_count = SEAL_PACKAGE_ANCHORS;
    install.device.need = SEAL_NEED_PACKAGES;
    install.device.es256 = SEAL_PACKAGE_ES256;
    install.device.battery = battery;
    install.device.authorised = (uint8_t)authorised;
    install.buffer = front;
    install.room = sizeof front;
    install.stored = 0;
#ifdef SEAL_PATCHES
    memset(&delta, 0xA5, sizeof delta);
    install.delta = &delta;
    memset(&delivery, 0xA5, sizeof delivery);
    memset(wrapping, 0xA5, sizeof wrapping);
    install.delivery = &delivery;
    delivery.anchors = seal_delivery_anchors;
    delivery.anchor_count = SEAL_DELIVERY_ANCHORS;
    delivery.buffer = wrapping;
    delivery.room = sizeof wrapping;
#endif
}

#ifdef TRUST_SET
#include "seal_trust.h"

uint32_t shim_trust(const uint8_t *set, uint32_t size);

/* From now on the keys are those of a set, and none of the product file's. */
uint32_t shim_trust(const uint8_t *set, uint32_t size)
{
    static uint8_t held[SEAL_TRUST_BUFFER];
    static struct seal_trusted keys;
    static struct seal_product product;
    struct seal_trust trust;
    uint32_t code;

    memset(&trust, 0, sizeof trust);
    memset(&keys, 0xA5, sizeof keys);
    memcpy(held, set, size);
    trust.set = held;
    trust.set_size = size;
    code = seal_trust_keys(&trust, &keys);
    product = seal_product;
    product.anchors = keys.anchor;
    product.anchor_count = keys.images;
    product.need = keys.need_images;
    boot.product = &product;
    install.device.anchors = keys.anchor + keys.images;
    install.device.anchor_count = keys.packages;
    install.device.need = keys.need_packages;
    delivery.anchors = keys.anchor + keys.first_delivery;
    delivery.anchor_count = keys.deliveries;
    return code;
}
#endif

uint32_t shim_begin_install(void)
{
    return seal_install_begin(&install);
}

uint32_t shim_take(const uint8_t *bytes, uint32_t length)
{
    return seal_install_take(&install, bytes, length);
}

uint32_t shim_finish(void)
{
    return seal_install_finish(&install);
}

/* Where the package is kept: the boot code reads it there, too. */
uint32_t shim_store(const struct seal_reader *reader)
{
    stored = *reader;
    install.stored = &stored;
    boot.package = seal_install_image;
    boot.package_user = &install;
    return SEAL_ACCEPTED;
}

uint32_t shim_stored(void)
{
    return seal_install_stored(&install, &stored);
}

/* As the bootloader asks for an image. */
uint32_t shim_ask(uint32_t component)
{
    struct seal_source source;
    uint8_t statement[32] = { 0 }, manifest[32];

    memcpy(manifest, install.package.digest, sizeof manifest);
    return boot.package(boot.package_user, (uint8_t)component, statement, manifest, &source);
}

void shim_show(struct seal_shown *shown)
{
    memset(shown, 0xA5, sizeof *shown);
    seal_show(&boot, shown);
}

uint32_t shim_show_image(uint32_t component, uint32_t run_slot, struct seal_shown_image *shown)
{
    memset(shown, 0xA5, sizeof *shown);
    return seal_show_image(&boot, component, run_slot, shown);
}

uint32_t shim_show_refusal(void)
{
    return seal_show_refusal(&boot);
}

/* A record in another phase, in RAM alone. */
void shim_set_phase(uint32_t phase)
{
    boot.journal.record[SEAL_R_PHASE] = (uint8_t)phase;
}

/* As if the journal had not been handed over. */
void shim_forget_record(void)
{
    boot.journal.found = 0;
}

/* The package slot, where the product has one. */
static struct seal_store store;

uint32_t shim_keep(void)
{
#ifdef SEAL_PACKAGE_SLOT
    memset(&store, 0xA5, sizeof store);
    store.install = &install;
    store.slot = seal_package_slot;
    boot.package = seal_store_image;
    boot.package_user = &store;
    return SEAL_ACCEPTED;
#else
    return SEAL_DEVICE_NOT_STORED;
#endif
}

uint32_t shim_keep_begin(void)
{
    return seal_store_begin(&store);
}

uint32_t shim_kept(void)
{
    return store.position;
}

uint32_t shim_keep_take(const uint8_t *bytes, uint32_t length)
{
    return seal_store_take(&store, bytes, length);
}

uint32_t shim_keep_finish(void)
{
    return seal_store_finish(&store);
}

void shim_keep_anew(void)
{
    seal_store_anew(&store);
}

/* The manifest digest of the package that is judged as far as it came. */
const uint8_t *shim_whose(void)
{
    return install.judged ? install.package.digest : 0;
}

uint32_t shim_position(void)
{
    return install.position;
}
