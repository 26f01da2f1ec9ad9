/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Cryptography from BearSSL; see seal_adapters.h. */
#include "seal_adapters.h"

#include "bearssl_ec.h"
#include "bearssl_hash.h"

/* The implementation of P-256: br_ec_p256_m15 and br_ec_prime_i31 are smaller and
 * slower, br_ec_p256_m15 for cores without a 32x32 multiplication into 64 bits. */
#ifndef SEAL_BEARSSL_EC
#define SEAL_BEARSSL_EC br_ec_p256_m31
#endif

/* 1 is BearSSL's yes. SEAL_VERIFIED is computed from the answer, and comes out of no other: there is
 * no branch that could be skipped. Without the product or the exclusive or it comes out of none: a
 * product with 1 alone is its other factor. 0xB7 times 0x95AEDD07 is 1, and both factors are odd. */
#define SEAL_IF_ONE(answer) (((uint32_t)(answer) ^ 0xB6u) * (SEAL_VERIFIED * 0x95AEDD07u))

/* A state that does not fit would be written past its end: refuse to compile. */
typedef char seal_state_fits[sizeof(br_sha256_context) <= SEAL_HASH_STATE ? 1 : -1];

static void begin(void *state)
{
    br_sha256_init((br_sha256_context *)state);
}

/* Without the question its last instruction is a jump into the library; where that is skipped, a core
 * runs into the function behind it, and that is end, which writes to bytes that were only to be read. */
static void add(void *state, const uint8_t *data, size_t length)
{
    if (length != 0)
        br_sha256_update((br_sha256_context *)state, data, length);
}

static void end(void *state, uint8_t digest[32])
{
    br_sha256_out((br_sha256_context *)state, digest);
}

static void encode(const uint8_t x[32], const uint8_t y[32], uint8_t point[65])
{
    size_t i;

    point[0] = 4;
    for (i = 0; i < 32; i++) {
        point[1 + i] = x[i];
        point[33 + i] = y[i];
    }
}

static uint32_t verify(const uint8_t x[32], const uint8_t y[32],
                       const uint8_t digest[32], const uint8_t value[64])
{
    uint8_t point[65];
    br_ec_public_key key;

    encode(x, y, point);
    key.curve = BR_EC_secp256r1;
    key.q = point;
    key.qlen = sizeof point;
    return SEAL_IF_ONE(br_ecdsa_i31_vrfy_raw(&SEAL_BEARSSL_EC, digest, 32, &key, value, 64));
}

/* A multiplication, here by 1, refuses what is no point. */
static uint32_t on_curve(const uint8_t x[32], const uint8_t y[32])
{
    static const uint8_t one = 1;
    uint8_t point[65];

    encode(x, y, point);
    return SEAL_IF_ONE(SEAL_BEARSSL_EC.mul(point, sizeof point, &one, 1, BR_EC_secp256r1));
}

const struct seal_crypto seal_bearssl = {
    begin, add, end, verify, on_curve,
#ifdef SEAL_ML_DSA_44
    seal_ml_dsa_44
#endif
};
