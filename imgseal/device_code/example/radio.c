/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Stands for the radio core's firmware: placed and judged, not run; the emulated board has one core. */
const char radio_version[] __attribute__((used)) = "radio " VERSION;

int main(void)
{
    for (;;)
        __asm__ volatile("wfi");
}
