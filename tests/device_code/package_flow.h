/* What an installer does with a package: read it, then judge each image that this device would install. For the library
 * that tests call and for the runner of kit cases; include it once, behind seal_config.h. */
#ifndef PACKAGE_FLOW_H
#define PACKAGE_FLOW_H

#include <string.h>

#include "seal_package.h"
#include "unset.h"

struct case_state {
    uint32_t hardware_least, hardware_most, whole_set, development, header_only;
    uint32_t where, component, run_slot;
    uint32_t version_count, revoked_count, counter_count;
    struct seal_version versions[8];
    uint8_t revoked[4][16];
    uint32_t counters[8][2];
};

struct package_state {
    uint32_t fresh, sequence, has_digest, battery, authorised, trial_open, refused_count, revoked_count, development, es256, need;
    uint8_t digest[32], refused[4][32], revoked[4][16], free_slot[32];
};

/* A stretch of another reader. */
struct window {
    const struct seal_reader *of;
    uint32_t at;
};

static uint32_t read_window(void *user, uint32_t offset, uint8_t *to, uint32_t length)
{
    const struct window *w = (const struct window *)user;

    return w->of->read(w->of->user, w->at + offset, to, length);
}

static uint32_t counter_of(void *user, uint8_t component, uint32_t *value)
{
    const struct case_state *s = (const struct case_state *)user;
    uint32_t i;

    *value = 0;
    for (i = 0; i < s->counter_count; i++)
        if (s->counters[i][0] == component)
            *value = s->counters[i][1];
    return SEAL_READ;
}

static struct seal_state state_of_case(const struct case_state *s)
{
    struct seal_state state;

    memset(&state, 0, sizeof state);
    state.hardware_least = (uint16_t)s->hardware_least;
    state.hardware_most = (uint16_t)s->hardware_most;
    state.whole_set = (uint8_t)s->whole_set;
    state.development = (uint8_t)s->development;
    state.versions = s->versions;
    state.version_count = (uint8_t)s->version_count;
    state.revoked = (const uint8_t(*)[16])s->revoked;
    state.revoked_count = (uint8_t)s->revoked_count;
    state.counter = counter_of;
    state.user = (void *)(uintptr_t)s;
    return state;
}

/* The version of what would run, from the header in the package. */
static void bring_version(struct case_state *set, uint8_t number, const struct seal_reader *file, uint32_t at)
{
    uint32_t i;

    for (i = 0; i < set->version_count; i++)
        if (set->versions[i].component == number)
            break;
    if (i == sizeof set->versions / sizeof set->versions[0])
        return;
    if (i == set->version_count)
        set->version_count++;
    set->versions[i].component = number;
    (void)file->read(file->user, at + SEAL_AT_VERSION, set->versions[i].bytes, sizeof set->versions[i].bytes);
}

static uint32_t judge_package(const struct package_state *s, const struct case_state *running, const struct seal_crypto *crypto,
                              const struct seal_reader *file, uint8_t *buffer, uint32_t room)
{
    static struct seal_work work;
    static struct seal_package out;
    static struct case_state set;
    struct seal_installer device;
    struct seal_state state;
    uint32_t code, i, k;

    UNSET(&work, sizeof work);
    UNSET(&out, sizeof out);
    UNSET(buffer, room);
    memset(&device, 0, sizeof device);
    device.product = &seal_product;
    device.crypto = crypto;
    device.anchors = seal_package_anchors;
    device.anchor_count = SEAL_PACKAGE_ANCHORS;
    device.need = (uint8_t)s->need;
    device.es256 = (uint8_t)s->es256;
    device.development = (uint8_t)s->development;
    device.revoked = (const uint8_t(*)[16])s->revoked;
    device.revoked_count = (uint8_t)s->revoked_count;
    device.refused = (const uint8_t(*)[32])s->refused;
    device.refused_count = (uint8_t)s->refused_count;
    device.trial_open = (uint8_t)s->trial_open;
    device.fresh = (uint8_t)s->fresh;
    device.sequence = s->sequence;
    device.manifest_digest = s->has_digest ? s->digest : 0;
    device.battery = s->battery;
    device.authorised = (uint8_t)s->authorised;
    device.free_slot = s->free_slot;
    code = seal_read_package(&device, file, buffer, room, &work, &out);
    if (code != SEAL_ACCEPTED)
        return code;
    set = *running;
    for (i = 0; i < out.parts; i++) {
        const struct seal_component *own = &seal_product.components[out.part[i].component];
        if (out.part[i].taken && out.part[i].header == own->detached)
            bring_version(&set, own->number, file, out.part[i].at);
    }
    state = state_of_case(&set);
    for (i = 0; i < out.parts; i++) {
        const struct seal_part *part = &out.part[i];
        struct window head, body;
        struct seal_subject subject;
        struct seal_header header;

        if (!part->taken || part->header != seal_product.components[part->component].detached)
            continue;
        memset(&subject, 0, sizeof subject);
        head.of = file;
        head.at = part->at;
        subject.where = SEAL_FILE;
        subject.image.read = read_window;
        subject.image.user = &head;
        subject.image.size = part->length;
        for (k = 0; k < out.parts; k++)
            if (part->header && out.part[k].taken && !out.part[k].header && out.part[k].component == part->component) {
                body.of = file;
                body.at = out.part[k].at;
                subject.payload.read = read_window;
                subject.payload.user = &body;
                subject.payload.size = out.part[k].length;
            }
        code = seal_judge(&seal_product, &state, crypto, &subject, 0, &work, &header);
        if (code != SEAL_ACCEPTED)
            return code;
    }
    return SEAL_ACCEPTED;
}

#endif
