/* The checker and the reader of records (fuzz_record.c) as a library, for differential fuzzing. */
#include <string.h>

#include "seal_config.h"
#include "package_flow.h"

struct bytes {
    const uint8_t *data;
    uint32_t size;
    const uint8_t *then;        /* what is there after so many reads; 0: the same */
    uint32_t reads;
};

uint32_t fuzz_judge(const struct case_state *s, const struct seal_crypto *crypto, const uint8_t *image, uint32_t image_size,
                    const uint8_t *payload, uint32_t payload_size);
int fuzz_record(const struct seal_crypto *crypto, uint8_t *record);
int read_record(const struct seal_product *product, const struct seal_crypto *crypto, uint32_t size, uint8_t *record);
uint32_t fuzz_package(const struct package_state *s, const struct case_state *set, const struct seal_crypto *crypto, const uint8_t *data,
                      uint32_t size, const uint8_t *then, uint32_t reads);
const uint8_t *fuzz_manifest(void);

#define READ_OUTSIDE 0x0BADBAD0u    /* no result of the sources: something was read past the end */

static uint32_t outside;

static uint32_t read_bytes(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    struct bytes *from = (struct bytes *)user;

    if (offset > from->size || length > from->size - offset) {
        outside = READ_OUTSIDE;
        return SEAL_DEVICE_UNREADABLE;
    }
    if (from->then != 0 && from->reads-- == 0) {
        from->data = from->then;
        from->then = 0;
    }
    memcpy(to, from->data + offset, length);
    return SEAL_READ;
}

uint32_t fuzz_judge(const struct case_state *s, const struct seal_crypto *crypto, const uint8_t *image, uint32_t image_size,
                    const uint8_t *payload, uint32_t payload_size)
{
    static struct seal_work work;
    struct bytes whole = { 0 }, part = { 0 };
    struct seal_state state;
    struct seal_subject subject;
    struct seal_header header;
    uint32_t code;

    memset(&work, 0xA5, sizeof work);
    memset(&subject, 0, sizeof subject);
    whole.data = image;
    whole.size = image_size;
    part.data = payload;
    part.size = payload_size;
    state = state_of_case(s);
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
    outside = 0;
    code = seal_judge(&seal_product, &state, crypto, &subject, s->header_only ? SEAL_HEADER_ONLY : 0, &work, &header);
    return outside ? outside : code;
}

int fuzz_record(const struct seal_crypto *crypto, uint8_t *record)
{
    return read_record(&seal_product, crypto, SEAL_RECORD_BYTES, record);
}

static uint8_t buffer[65536];

/* The manifest that was read last. */
const uint8_t *fuzz_manifest(void)
{
    return buffer;
}

uint32_t fuzz_package(const struct package_state *s, const struct case_state *set, const struct seal_crypto *crypto, const uint8_t *data,
                      uint32_t size, const uint8_t *then, uint32_t reads)
{
    struct bytes whole;
    struct seal_reader file;
    uint32_t code;

    whole.data = data;
    whole.size = size;
    whole.then = then;
    whole.reads = reads;
    file.read = read_bytes;
    file.user = &whole;
    file.size = size;
    outside = 0;
    code = judge_package(s, set, crypto, &file, buffer, sizeof buffer);
    return outside ? outside : code;
}
