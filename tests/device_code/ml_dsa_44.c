/* ML-DSA-44 from the fetched reference sources. Those take the message as FIPS 204 algorithm 8 does (ML-DSA.Verify_internal), so what
 * algorithm 3 puts in front of it for pure signatures with the empty context is put there here: two zeros. Nothing here signs.
 */
#include <stdlib.h>
#include <string.h>

#include "seal_adapters.h"

#include "api.h"

int PQCLEAN_randombytes(uint8_t *output, size_t n);

int PQCLEAN_randombytes(uint8_t *output, size_t n)
{
    (void)output;
    (void)n;
    abort();
}

uint32_t seal_ml_dsa_44(const uint8_t key[SEAL_ML_DSA_44_KEY_BYTES], const uint8_t *message, size_t length,
                        const uint8_t value[SEAL_SIGNATURE_MAX])
{
    uint8_t whole[2 + SEAL_STATEMENT_BYTES] = { 0, 0 };

    if (length > SEAL_STATEMENT_BYTES)
        return 0;
    memcpy(whole + 2, message, length);
    return PQCLEAN_DILITHIUM2_CLEAN_crypto_sign_verify(value, SEAL_SIGNATURE_MAX, whole, 2 + length, key) == 0 ? (uint32_t)SEAL_VERIFIED : 0;
}
