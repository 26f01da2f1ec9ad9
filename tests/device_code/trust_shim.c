/* The keeper of trust anchors as a library for tests: its callbacks are theirs. */
#include <string.h>

#include "seal_config.h"
#include "seal_trust.h"

static uint8_t set[SEAL_TRUST_BUFFER], buffer[SEAL_TRUST_BUFFER];
static struct seal_work work;
static struct seal_trust trust;
static struct seal_trusted keys;
static struct seal_running running;
static const uint8_t *then;

struct bytes {
    const uint8_t *data;
    uint32_t size;
};

void trust_begin(const struct seal_flash *flash, const struct seal_crypto *crypto, uint32_t base, uint32_t size,
                 uint32_t (*number)(void *, uint32_t *), uint32_t (*raise)(void *, uint32_t), const uint8_t *factory,
                 uint32_t factory_size);
void trust_hold(const uint8_t *bytes, uint32_t size);
void trust_runs(const uint8_t *run_slot, uint32_t count, uint32_t settled);
void trust_changes(const uint8_t *to);
uint32_t trust_open(void);
uint32_t trust_judge(const uint8_t *update, uint32_t size);
uint32_t trust_take(const uint8_t *update, uint32_t size);
uint32_t trust_keys(void);
const uint8_t *trust_set(void);
uint32_t trust_set_size(void);
const struct seal_trusted *trust_held_keys(void);

void trust_begin(const struct seal_flash *flash, const struct seal_crypto *crypto, uint32_t base, uint32_t size,
                 uint32_t (*number)(void *, uint32_t *), uint32_t (*raise)(void *, uint32_t), const uint8_t *factory,
                 uint32_t factory_size)
{
    memset(&trust, 0, sizeof trust);
    memset(set, 0xA5, sizeof set);
    memset(buffer, 0xA5, sizeof buffer);
    memset(&work, 0xA5, sizeof work);
    trust.product = &seal_product;
    trust.crypto = crypto;
    trust.work = &work;
    trust.slot.base = base;
    trust.slot.size = size;
    trust.slot.trusted = 1;
    trust.flash = *flash;
    trust.number = number;
    trust.raise = raise;
    trust.factory = factory;
    trust.factory_size = factory_size;
    trust.set = set;
    then = 0;
}

void trust_hold(const uint8_t *bytes, uint32_t size)
{
    memcpy(set, bytes, size);
    trust.set_size = size;
}

void trust_runs(const uint8_t *run_slot, uint32_t count, uint32_t settled)
{
    memset(running.run_slot, 0xFF, sizeof running.run_slot);
    memcpy(running.run_slot, run_slot, count);
    running.settled = (uint8_t)settled;
}

/* After the first read the update's memory holds this. */
void trust_changes(const uint8_t *to)
{
    then = to;
}

static uint32_t read_bytes(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    struct bytes *from = (struct bytes *)user;

    if (offset > from->size || length > from->size - offset)
        return 0;
    memcpy(to, from->data + offset, length);
    if (then != 0)
        from->data = then;
    return SEAL_READ;
}

static struct seal_reader reader_of(struct bytes *from, const uint8_t *update, uint32_t size)
{
    struct seal_reader reader;

    from->data = update;
    from->size = size;
    reader.read = read_bytes;
    reader.user = from;
    reader.size = size;
    return reader;
}

uint32_t trust_open(void)
{
    return seal_trust_open(&trust);
}

uint32_t trust_judge(const uint8_t *update, uint32_t size)
{
    struct bytes from;
    struct seal_reader reader = reader_of(&from, update, size);

    return seal_trust_judge(&trust, &running, &reader, buffer);
}

uint32_t trust_take(const uint8_t *update, uint32_t size)
{
    struct bytes from;
    struct seal_reader reader = reader_of(&from, update, size);

    return seal_trust_take(&trust, &running, &reader, buffer);
}

uint32_t trust_keys(void)
{
    memset(&keys, 0xA5, sizeof keys);
    return seal_trust_keys(&trust, &keys);
}

const uint8_t *trust_set(void)
{
    return set;
}

uint32_t trust_set_size(void)
{
    return trust.set_size;
}

const struct seal_trusted *trust_held_keys(void)
{
    return &keys;
}
