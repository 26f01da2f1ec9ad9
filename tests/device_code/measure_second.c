/* Counts what verifying ML-DSA-44 with the fetched reference sources takes, and P-256 beside it; for QEMU with -icount. */
#include <stdio.h>
#include <string.h>

#include "seal_adapters.h"
#include "sample.h"

#define SYSTICK ((volatile uint32_t *)0xE000E010u)
#define ROOM 100000u

/* Paints the stack below, so that its use can be read off. */
__attribute__((noinline)) static uint32_t paint(int read_off)
{
    volatile uint8_t here[ROOM];
    uint32_t i;

    if (!read_off) {
        for (i = 0; i < ROOM; i++)
            here[i] = 0x5A;
        return 0;
    }
    for (i = 0; i < ROOM && here[i] == 0x5A; i++)
        ;
    return ROOM - i;
}

int main(void)
{
    uint32_t passed, other, used;
    int good;

    SYSTICK[1] = 0xFFFFFFu;
    SYSTICK[2] = 0;
    SYSTICK[0] = 5;
    good = seal_ml_dsa_44(key, message, sizeof message, value) == SEAL_VERIFIED;
    passed = 0xFFFFFFu - SYSTICK[2];
    SYSTICK[2] = 0;
    good &= seal_bearssl.verify(point, point + 32, digest, classic) == SEAL_VERIFIED;
    other = 0xFFFFFFu - SYSTICK[2];
    paint(0);
    good &= seal_ml_dsa_44(key, message, sizeof message, value) == SEAL_VERIFIED;
    used = paint(1);
    printf("%lu %lu %lu %d\n", (unsigned long)passed, (unsigned long)other, (unsigned long)used, good);
    return 0;
}
