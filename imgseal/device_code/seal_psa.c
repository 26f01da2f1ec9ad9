/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Cryptography from the PSA Crypto API; see seal_adapters.h. The caller has called
 * psa_crypto_init(). */
#include "seal_adapters.h"

#include <psa/crypto.h>

typedef char seal_state_fits[sizeof(psa_hash_operation_t) + sizeof(psa_status_t) <= SEAL_HASH_STATE ? 1 : -1];

/* SEAL_VERIFIED is computed from the status, and comes out of none but PSA_SUCCESS, which
 * is 0: there is no branch that could be skipped. The factor is odd. */
#define SEAL_IF_SUCCESS(status) (SEAL_VERIFIED + (uint32_t)(status) * 0x5AC3963Du)

struct running {
    psa_hash_operation_t operation;
    psa_status_t status;
};

static void begin(void *state)
{
    struct running *r = (struct running *)state;

    r->operation = psa_hash_operation_init();
    r->status = psa_hash_setup(&r->operation, PSA_ALG_SHA_256);
}

static void add(void *state, const uint8_t *data, size_t length)
{
    struct running *r = (struct running *)state;

    if (r->status == PSA_SUCCESS)
        r->status = psa_hash_update(&r->operation, data, length);
}

/* A hash that failed anywhere is all zeros: no signed digest is. */
static void end(void *state, uint8_t digest[32])
{
    struct running *r = (struct running *)state;
    size_t length = 0;

    if (r->status == PSA_SUCCESS)
        r->status = psa_hash_finish(&r->operation, digest, 32, &length);
    if (r->status != PSA_SUCCESS || length != 32) {
        size_t i;

        (void)psa_hash_abort(&r->operation);
        for (i = 0; i < 32; i++)
            digest[i] = 0;
    }
}

/* Takes a public key in, which refuses what is no point of the curve. */
static psa_status_t import_point(const uint8_t x[32], const uint8_t y[32], psa_key_id_t *key)
{
    psa_key_attributes_t attributes = PSA_KEY_ATTRIBUTES_INIT;
    uint8_t point[65];
    size_t i;

    point[0] = 4;
    for (i = 0; i < 32; i++) {
        point[1 + i] = x[i];
        point[33 + i] = y[i];
    }
    psa_set_key_type(&attributes, PSA_KEY_TYPE_ECC_PUBLIC_KEY(PSA_ECC_FAMILY_SECP_R1));
    psa_set_key_bits(&attributes, 256);
    psa_set_key_usage_flags(&attributes, PSA_KEY_USAGE_VERIFY_HASH);
    psa_set_key_algorithm(&attributes, PSA_ALG_ECDSA(PSA_ALG_SHA_256));
    return psa_import_key(&attributes, point, sizeof point, key);
}

/* The answer to a status, which goes into it twice: an instruction that is skipped loses one of them.
 * The sum of the factors is odd. */
static uint32_t said(const volatile uint32_t *status, psa_key_id_t key)
{
    volatile uint32_t out = SEAL_IF_SUCCESS(*status);

    out += (uint32_t)psa_destroy_key(key);
    return out + 2u * *status;
}

static uint32_t verify(const uint8_t x[32], const uint8_t y[32],
                       const uint8_t digest[32], const uint8_t value[64])
{
    psa_key_id_t key = 0;
    volatile uint32_t status = 1;

    if (import_point(x, y, &key) != PSA_SUCCESS)
        return 0;
    status = (uint32_t)psa_verify_hash(key, PSA_ALG_ECDSA(PSA_ALG_SHA_256), digest, 32, value, 64);
    return said(&status, key);
}

static uint32_t on_curve(const uint8_t x[32], const uint8_t y[32])
{
    psa_key_id_t key = 0;
    volatile uint32_t status = 1;

    status = (uint32_t)import_point(x, y, &key);
    if (status != PSA_SUCCESS)
        return 0;
    return said(&status, key);
}

const struct seal_crypto seal_psa = {
    begin, add, end, verify, on_curve,
#ifdef SEAL_ML_DSA_44
    seal_ml_dsa_44
#endif
};
