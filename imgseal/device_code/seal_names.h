/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* Names of results, as the tool prints them: docs/checks.md explains those of the judge. In a
 * file of its own, for the text that it takes: leave it out where nobody reads it.
 */
#ifndef SEAL_NAMES_H
#define SEAL_NAMES_H

#include <stdint.h>

#include "seal_codes.h"

/* Such as "rollback.counter-too-low"; 0 for a value that is no code. */
const char *seal_name(uint32_t code);

#endif
