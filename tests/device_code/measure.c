/* Counts what judging takes, against the bare library calls; for QEMU with -icount. */
#include <stdio.h>
#include <string.h>

#include "seal_adapters.h"
#include "seal_config.h"

#define SYSTICK ((volatile uint32_t *)0xE000E010u)

static uint8_t *const slot = (uint8_t *)SLOT_BASE;
static struct seal_work work;

static uint32_t read_slot(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    memcpy(to, (const uint8_t *)user + offset, length);
    return SEAL_READ;
}

static uint32_t counter(void *user, uint8_t component, uint32_t *value)
{
    (void)user;
    (void)component;
    *value = 0;
    return SEAL_READ;
}

static void begin(void)
{
    SYSTICK[1] = 0xFFFFFFu;
    SYSTICK[2] = 0;
    SYSTICK[0] = 5;
}

static uint32_t passed(void)
{
    return 0xFFFFFFu - SYSTICK[2];
}

/* Paints the stack below, so that its use can be read off. */
__attribute__((noinline)) static uint32_t paint(int read_off)
{
    volatile uint8_t here[6000];
    uint32_t i;

    if (!read_off) {
        for (i = 0; i < sizeof here; i++)
            here[i] = 0x5A;
        return 0;
    }
    for (i = 0; i < sizeof here && here[i] == 0x5A; i++)
        ;
    return (uint32_t)sizeof here - i;
}

static uint32_t no_verify(const uint8_t x[32], const uint8_t y[32], const uint8_t digest[32], const uint8_t value[64])
{
    (void)x;
    (void)y;
    (void)digest;
    (void)value;
    return SEAL_VERIFIED;
}

static void nothing(void *state)
{
    (void)state;
}

static void nothing_added(void *state, const uint8_t *data, size_t length)
{
    (void)state;
    (void)data;
    (void)length;
}

static void wanted(void *state, uint8_t digest[32])
{
    (void)state;
    memcpy(digest, slot + 248, 32); /* the payload's digest, from the header */
}

int main(void)
{
    static const struct seal_crypto none = { nothing, nothing_added, wanted, no_verify };
    struct seal_state state;
    struct seal_subject subject;
    struct seal_header header;
    uint32_t mine, bare, code, size, used;
    uint8_t digest[32];

    memset(&state, 0, sizeof state);
    memset(&subject, 0, sizeof subject);
    state.hardware_least = state.hardware_most = 1;
    state.counter = counter;
    size = (uint32_t)slot[280] | (uint32_t)slot[281] << 8 | (uint32_t)slot[282] << 16 | (uint32_t)slot[283] << 24;
    subject.image.read = read_slot;
    subject.image.user = slot;
    subject.image.size = size + 1024;
    begin();
    code = seal_judge(&seal_product, &state, &seal_bearssl, &subject, 0, &work, &header);
    mine = passed();
    begin();
    seal_bearssl.sha256_begin(work.hash.bytes);
    seal_bearssl.sha256_add(work.hash.bytes, slot, SEAL_STATEMENT_BYTES);
    seal_bearssl.sha256_end(work.hash.bytes, digest);
    code ^= seal_bearssl.verify(seal_image_anchors[0].x, seal_image_anchors[0].y, digest, slot + 384);
    seal_bearssl.sha256_begin(work.hash.bytes);
    seal_bearssl.sha256_add(work.hash.bytes, slot + 1024, size);
    seal_bearssl.sha256_end(work.hash.bytes, digest);
    bare = passed();
    paint(0);
    code ^= seal_judge(&seal_product, &state, &none, &subject, 0, &work, &header);
    used = paint(1);
    printf("%lu %lu %lu %lu\n", (unsigned long)mine, (unsigned long)bare, (unsigned long)used,
           (unsigned long)(code == (uint32_t)SEAL_VERIFIED));
    return 0;
}
