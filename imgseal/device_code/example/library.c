/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* What a compiler may ask for in a program without a library. port: take those of your tool chain. */
#include <stddef.h>
#include <stdint.h>

void *memcpy(void *to, const void *from, size_t length)
{
    uint8_t *t = to;
    const uint8_t *f = from;

    while (length-- != 0)
        *t++ = *f++;
    return to;
}

void *memset(void *to, int value, size_t length)
{
    uint8_t *t = to;

    while (length-- != 0)
        *t++ = (uint8_t)value;
    return to;
}

void *memmove(void *to, const void *from, size_t length)
{
    uint8_t *t = to;
    const uint8_t *f = from;

    if (t <= f)
        return memcpy(to, from, length);
    while (length-- != 0)
        t[length] = f[length];
    return to;
}
