/* SPDX-License-Identifier: MIT */
/* Copyright (c) 2026 the imgseal authors */
/* What a product shows of itself; see seal_show.h. */
#include "seal_show.h"

#include "seal_inside.h"

static uint8_t left_of(uint8_t most, uint8_t used)
{
    return (uint8_t)(used < most ? most - used : 0);
}

void seal_show(const struct seal_boot *b, struct seal_shown *shown)
{
    const uint8_t *r = b->journal.record;

    clear((uint8_t *)shown, sizeof *shown);
    if (!b->journal.found)
        return;
    shown->phase = r[R_PHASE];
    if (r[R_PHASE] == PHASE_TRIAL) {
        shown->trial = 1;
        shown->starts_left = left_of(b->product->trial_attempts, r[R_ATTEMPTS]);
        shown->power_ons_left = left_of(b->product->trial_power_ons, r[R_POWER_ONS]);
    }
    shown->sequence = get32(r + R_SEQUENCE);
    shown->target_sequence = get32(r + R_TARGET_SEQUENCE);
    move(shown->manifest_digest, r + R_MANIFEST_DIGEST, 32);
    move(shown->target_digest, r + R_TARGET_DIGEST, 32);
    shown->unraised = r[R_UNRAISED];
    shown->refused = r[R_REFUSED_COUNT];
    if (shown->refused != 0)
        move(shown->last_refused, r + R_REFUSED + 32u * (shown->refused - 1u), 32);
}

uint32_t seal_show_image(const struct seal_boot *b, uint32_t index, uint32_t run_slot, struct seal_shown_image *shown)
{
    const struct seal_component *c;
    const uint8_t *s = b->work->statement;
    uint32_t k;

    if (index >= b->product->component_count || run_slot >= b->product->components[index].run_slots)
        return SEAL_PLACEMENT_NO_SLOT;
    c = &b->product->components[index];
    if (b->flash.read(b->flash.user, c->detached ? c->header[run_slot].base : c->run[run_slot].base, b->work->statement,
                      SEAL_STATEMENT_BYTES) != SEAL_READ)
        return SEAL_DEVICE_UNREADABLE;
    if (seal_differ(s, seal_magic, 8) != 0)
        return SEAL_STRUCTURE_UNRECOGNISED;
    for (k = 0; k < 4; k++)
        shown->version[k] = get32(s + SEAL_AT_VERSION + 4 * k);
    shown->counter = get32(s + SEAL_AT_COUNTER);
    shown->entry = get32(s + SEAL_AT_LINK) + get32(s + SEAL_AT_ENTRY);
    return SEAL_READ;
}

/* Versions of the current set, as in judging it; SEAL_ACCEPTED, or why one cannot be had. */
static uint32_t versions_of(struct seal_boot *b, struct seal_state *state)
{
    struct seal_shown_image image;
    uint32_t k, code = SEAL_DEVICE_NO_SET;

    state_of(b, state);
    for (k = 0; k < b->product->component_count; k++) {
        const uint8_t *m = member(b, b->journal.record, 0, k);

        if (m[1] == NOTHING)
            continue;
        code = seal_show_image(b, k, m[1], &image);
        if (code != SEAL_READ)
            return code == SEAL_PLACEMENT_NO_SLOT ? (uint32_t)SEAL_DEVICE_NO_SET : code;
        b->versions[state->version_count].component = m[0];
        move(b->versions[state->version_count++].bytes, b->work->statement + SEAL_AT_VERSION, 16);
        code = SEAL_ACCEPTED;
    }
    b->versions[state->version_count].component = 0;
    move(b->versions[state->version_count++].bytes, b->bootloader, 16);
    state->versions = b->versions;
    state->whole_set = 1;
    return code;
}

uint32_t seal_show_refusal(struct seal_boot *b)
{
    const uint8_t *r = b->journal.record;
    struct seal_state state;
    struct seal_header header;
    uint32_t k, code;

    if (!b->journal.found)
        return SEAL_DEVICE_NO_RECORD;
    if (r[R_PHASE] == PHASE_SWITCHING)
        return SEAL_DEVICE_NOT_STORED;
    if (r[R_PHASE] == PHASE_RETURNING)
        return SEAL_DEVICE_NO_SET;
    code = versions_of(b, &state);
    for (k = 0; code == SEAL_ACCEPTED && k < b->product->component_count; k++) {
        const uint8_t *m = member(b, b->journal.record, 0, k);

        if (m[1] == NOTHING)
            continue;
        code = judge_slot(b, k, m[1], &state, SEAL_HEADER_ONLY, &header);
        if (other_statement(b, m + 4) != 0)
            code = SEAL_DEVICE_NO_SET;
    }
    return code == SEAL_ACCEPTED ? judge_set(b, 0) : code;
}
