/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Ready tables of cryptography. Compile the one file of the library you have. */
#ifndef SEAL_ADAPTERS_H
#define SEAL_ADAPTERS_H

#include "seal_image.h"

#ifdef SEAL_ML_DSA_44
/* Yours, and called by either table: ML-DSA-44, pure, with the empty context, from
 * whatever library you have. SEAL_VERIFIED for yes, anything else for no. */
uint32_t seal_ml_dsa_44(const uint8_t key[SEAL_ML_DSA_44_KEY_BYTES], const uint8_t *message,
                        size_t length, const uint8_t value[SEAL_SIGNATURE_MAX]);
#endif

extern const struct seal_crypto seal_bearssl;   /* seal_bearssl.c: BearSSL 0.6        */
extern const struct seal_crypto seal_psa;       /* seal_psa.c: PSA Crypto API 1.0     */

#endif
