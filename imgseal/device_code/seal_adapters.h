/* Ready tables of cryptography. Compile the one file of the library you have. */
#ifndef SEAL_ADAPTERS_H
#define SEAL_ADAPTERS_H

#include "seal_image.h"

extern const struct seal_crypto seal_bearssl;   /* seal_bearssl.c: BearSSL 0.6        */
extern const struct seal_crypto seal_psa;       /* seal_psa.c: PSA Crypto API 1.0     */

#endif
