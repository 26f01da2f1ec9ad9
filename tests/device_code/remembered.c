/* BearSSL's answers, asked for once for the same bytes: a batch brings the same few images in thousands of packages. What is
 * compared are all bytes that the library would be given, so that nothing of ours is spared: it asks as often as ever.
 * Given to a runner with -include, and -DCRYPTO=remembered. */
#include <stdlib.h>
#include <string.h>

#include "seal_adapters.h"

struct asked {
    struct asked *next;
    size_t size;
    uint32_t answer;
    uint8_t bytes[];
};

/* The call with these arguments: `fresh` where it was not made before. */
static struct asked *remember(const uint8_t *const *parts, const size_t *sizes, size_t count, int *fresh)
{
    static struct asked *calls[4096];
    struct asked *call, **first;
    size_t i, at, size = 0, hash = 5381;

    for (i = 0; i < count; i++)
        size += sizes[i];
    call = malloc(sizeof *call + size);
    if (call == 0)
        exit(3);
    call->size = size;
    for (i = 0, at = 0; i < count; at += sizes[i++])
        memcpy(call->bytes + at, parts[i], sizes[i]);
    for (i = 0; i < size; i++)
        hash = hash * 33 ^ call->bytes[i];
    first = &calls[hash % 4096];
    for (call->next = *first; call->next != 0; call->next = call->next->next)
        if (call->next->size == size && memcmp(call->next->bytes, call->bytes, size) == 0)
            break;
    *fresh = call->next == 0;
    if (!*fresh) {
        struct asked *known = call->next;
        free(call);
        return known;
    }
    call->next = *first;
    return *first = call;
}

static uint32_t verify_once(const uint8_t x[32], const uint8_t y[32], const uint8_t digest[32], const uint8_t value[64])
{
    const uint8_t *parts[4];
    static const size_t sizes[4] = {32, 32, 32, 64};
    struct asked *call;
    int fresh;

    parts[0] = x, parts[1] = y, parts[2] = digest, parts[3] = value;
    call = remember(parts, sizes, 4, &fresh);
    if (fresh)
        call->answer = seal_bearssl.verify(x, y, digest, value);
    return call->answer;
}

#ifdef SEAL_ML_DSA_44
static uint32_t verify_second_once(const uint8_t key[1312], const uint8_t *message, size_t length, const uint8_t value[2420])
{
    const uint8_t *parts[3];
    size_t sizes[3];
    struct asked *call;
    int fresh;

    parts[0] = key, parts[1] = message, parts[2] = value;
    sizes[0] = 1312, sizes[1] = length, sizes[2] = 2420;
    call = remember(parts, sizes, 3, &fresh);
    if (fresh)
        call->answer = seal_bearssl.verify_ml_dsa_44(key, message, length, value);
    return call->answer;
}
#endif

/* Whole: BearSSL's, but for what is verified. */
static struct seal_crypto asked_once(void)
{
    struct seal_crypto crypto = seal_bearssl;

    crypto.verify = verify_once;
#ifdef SEAL_ML_DSA_44
    crypto.verify_ml_dsa_44 = verify_second_once;
#endif
    return crypto;
}
