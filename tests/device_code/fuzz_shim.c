/* The checker and the reader of records as a library, for differential fuzzing. */
#include <stdlib.h>
#include <string.h>

#include "seal_boot.c"
#include "seal_config.h"

struct bytes {
    const uint8_t *data;
    uint32_t size;
};

struct case_state {
    uint32_t hardware_least, hardware_most, whole_set, development, header_only;
    uint32_t where, component, run_slot;
    uint32_t version_count, revoked_count, counter_count;
    struct seal_version versions[8];
    uint8_t revoked[4][16];
    uint32_t counters[8][2];
};

uint32_t fuzz_judge(const struct case_state *s, const struct seal_crypto *crypto, const uint8_t *image, uint32_t image_size,
                    const uint8_t *payload, uint32_t payload_size);
int fuzz_record(const struct seal_crypto *crypto, uint8_t *record);

static uint32_t read_bytes(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const struct bytes *from = (const struct bytes *)user;

    if (offset > from->size || length > from->size - offset)
        abort();
    memcpy(to, from->data + offset, length);
    return SEAL_READ;
}

static uint32_t counter_of(void *user, uint8_t component, uint32_t *value)
{
    const struct case_state *s = (const struct case_state *)user;
    uint32_t i;

    *value = 0;
    for (i = 0; i < s->counter_count; i++)
        if (s->counters[i][0] == component)
            *value = s->counters[i][1];
    return SEAL_READ;
}

uint32_t fuzz_judge(const struct case_state *s, const struct seal_crypto *crypto, const uint8_t *image, uint32_t image_size,
                    const uint8_t *payload, uint32_t payload_size)
{
    static struct seal_work work;
    struct bytes whole, part;
    struct seal_state state;
    struct seal_subject subject;
    struct seal_header header;

    memset(&work, 0xA5, sizeof work);
    memset(&state, 0, sizeof state);
    memset(&subject, 0, sizeof subject);
    whole.data = image;
    whole.size = image_size;
    part.data = payload;
    part.size = payload_size;
    state.hardware_least = (uint16_t)s->hardware_least;
    state.hardware_most = (uint16_t)s->hardware_most;
    state.whole_set = (uint8_t)s->whole_set;
    state.development = (uint8_t)s->development;
    state.versions = s->versions;
    state.version_count = (uint8_t)s->version_count;
    state.revoked = (const uint8_t(*)[16])s->revoked;
    state.revoked_count = (uint8_t)s->revoked_count;
    state.counter = counter_of;
    state.user = (void *)(uintptr_t)s;
    subject.where = (enum seal_where)s->where;
    subject.component = (uint8_t)s->component;
    subject.run_slot = (uint8_t)s->run_slot;
    subject.image.read = read_bytes;
    subject.image.user = &whole;
    subject.image.size = image_size;
    if (payload != 0) {
        subject.payload.read = read_bytes;
        subject.payload.user = &part;
        subject.payload.size = payload_size;
    }
    return seal_judge(&seal_product, &state, crypto, &subject, (int)s->header_only, &work, &header);
}

int fuzz_record(const struct seal_crypto *crypto, uint8_t *record)
{
    static struct seal_work work;
    struct seal_boot boot;

    memset(&boot, 0, sizeof boot);
    boot.product = &seal_product;
    boot.crypto = crypto;
    boot.work = &work;
    boot.record_bytes = SEAL_RECORD_BYTES;
    return is_record(&boot, record);
}
