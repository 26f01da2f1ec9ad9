/* The emulator around the code whose instructions are skipped (skip_one.py): memories, drivers, and the library's functions,
 * answered for here. Runs that come into a state that another run of the same case has been in, and nothing came of it, end there. */
#include <stdlib.h>
#include <string.h>

#include <unicorn/unicorn.h>

#include "bearssl_ec.h"
#include "bearssl_hash.h"

#define CODE 0x10000u
#define CODE_BYTES 0x20000u
#define FLASH 0x100000u
#define FLASH_BYTES 0x10000u
#define RAM 0x20000000u
#define RAM_BYTES 0x8000u
#define ERASE_BLOCK 512u
#define STACK (RAM + RAM_BYTES - 64u)
#define BLOCK_LIMIT 1000000u    /* blocks of instructions after which the watchdog comes; the longest case takes 100,000 */
#define KNOWN_BITS 21u
#define PATH 4096u
#define REGISTERS 16u           /* r0 to r12, sp, lr, xpsr */
#define PACKAGE_TAKEN 1u
#define FUNCTIONS 20u
#define AS_IT_IS 0xFFFFFFFFu    /* instead of a distance: nothing is skipped, which has to change nothing */

enum function {     /* in the order of FUNCTIONS and DRIVERS in skip_one.py */
    BR_INIT, BR_ADD, BR_OUT, BR_VERIFY, PSA_SETUP, PSA_UPDATE, PSA_FINISH, PSA_ABORT, PSA_IMPORT, PSA_VERIFY, PSA_DESTROY, PSA_DOMAIN,
    ERASE, PROGRAM, READ_COUNTER, TAKE_COUNTER, PROTECT
};

enum end { NOTHING_STARTS, JUMP, PACKAGE };

struct program {
    uint32_t m0, code_bytes, data_bytes, ram_end, ours_begin, ours_end, host_begin, host_end;
    uint32_t given, given_bytes, package, boot, done, mark, mark_bytes, read, written;
    uint32_t functions[FUNCTIONS];
    uint32_t end_count, ends[8], kinds[8];
    const uint8_t *code, *data;
};

struct device {
    const uint8_t *flash, *given, *package;
    uint32_t package_bytes, entry, boots, walked, allowed_count, allowed[4], counters[4];
};

struct snapshot {
    uint64_t registers[REGISTERS];
    uint32_t counters[4], locked, boots;
    uint64_t flash_sum;
    uint8_t ram[RAM_BYTES], flash[FLASH_BYTES];
};

struct place {
    uint32_t first, caller, second, to;
};

struct result {
    uint32_t tried, found, hung, faults, known, alone;
    struct place places[4096];
};

enum mode { RUN, TRACE, WALK, SECOND };

struct machine {
    struct engine *engine;
    uc_engine *uc;
    uc_context *fresh;
    uint8_t *code, *ram, *flash;
    enum mode mode;
    uint32_t counters[4], locked, boots, blocks, syncs, known, fault, hang, path_count;
    uint64_t flash_sum, flash_there;    /* of what the flash holds; that of a snapshot */
    uint64_t path[PATH];
    /* where it walks */
    uint32_t it, it_end, met, left, stop;
};

struct verified {
    uint8_t what[161];
    uint32_t yes;
};

struct engine {
    struct program program;
    struct device device;
    struct machine walker, stepper, second, runner;
    struct snapshot before, after, behind;
    uint64_t *states;
    uint32_t state_count;
    uint8_t boot_ram[RAM_BYTES];
    struct verified *verified;
    uint32_t verified_count;
    const uint32_t *first, *distance;
    uint32_t count, next, first_pc;
    struct result *result;
};

static const int numbers[REGISTERS] = {
    UC_ARM_REG_R0, UC_ARM_REG_R1, UC_ARM_REG_R2, UC_ARM_REG_R3, UC_ARM_REG_R4, UC_ARM_REG_R5, UC_ARM_REG_R6, UC_ARM_REG_R7,
    UC_ARM_REG_R8, UC_ARM_REG_R9, UC_ARM_REG_R10, UC_ARM_REG_R11, UC_ARM_REG_R12, UC_ARM_REG_SP, UC_ARM_REG_LR, UC_ARM_REG_XPSR
};

static void read_registers(struct machine *m, uint64_t *to)
{
    void *places[REGISTERS];
    unsigned i;

    memset(to, 0, REGISTERS * sizeof *to);
    for (i = 0; i < REGISTERS; i++)
        places[i] = &to[i];
    uc_reg_read_batch(m->uc, (int *)numbers, places, REGISTERS);
}

static void write_registers(struct machine *m, const uint64_t *from)
{
    void *places[REGISTERS];
    unsigned i;

    for (i = 0; i < REGISTERS; i++)
        places[i] = (void *)&from[i];
    uc_reg_write_batch(m->uc, (int *)numbers, (void *const *)places, REGISTERS);
}

/* -- states that are known ------------------------------------------------------------------------- */

static uint64_t mix(uint64_t a, uint64_t b)
{
    unsigned __int128 p = (unsigned __int128)(a ^ 0x9E3779B97F4A7C15u) * (b ^ 0xD1B54A32D192ED03u);

    return (uint64_t)p ^ (uint64_t)(p >> 64);
}

static uint64_t sum_of(const uint8_t *bytes, uint32_t length, uint64_t sum)
{
    uint64_t word[2];

    for (; length >= 16; length -= 16, bytes += 16) {
        memcpy(word, bytes, 16);
        sum = mix(word[0] ^ sum, word[1] ^ (sum >> 32 | sum << 32));
    }
    word[0] = word[1] = length;
    memcpy(word, bytes, length);
    return mix(word[0] ^ sum, word[1]);
}

/* Flash is summed up by blocks, so that one that is written changes its own share. */
static uint64_t block_sum(const struct machine *m, uint32_t block)
{
    return sum_of(m->flash + block * ERASE_BLOCK, ERASE_BLOCK, block + 1);
}

static int is_known(const struct engine *e, uint64_t state)
{
    uint32_t at = (uint32_t)(state >> (64 - KNOWN_BITS));

    while (e->states[at] != 0) {
        if (e->states[at] == state)
            return 1;
        at = (at + 1) & ((1u << KNOWN_BITS) - 1);
    }
    return 0;
}

static void remember(struct engine *e, uint64_t state)
{
    uint32_t at = (uint32_t)(state >> (64 - KNOWN_BITS));

    if (e->state_count > 1u << (KNOWN_BITS - 1) || is_known(e, state))
        return;
    while (e->states[at] != 0)
        at = (at + 1) & ((1u << KNOWN_BITS) - 1);
    e->states[at] = state;
    e->state_count++;
}

/* A moment at which two runs can be in the same state: a library's function has been called, which leaves nothing of what a
 * caller may not rely on. 1: this one is known. */
static int meet(struct machine *m, const uint64_t *registers)
{
    struct engine *e = m->engine;
    uint32_t sp = (uint32_t)registers[13], end = e->program.ram_end;
    uint64_t sum;

    if (sp < end || sp > RAM + RAM_BYTES)
        return 0;
    memset(m->ram + (end - RAM), 0, sp - end);
    if (m->mode == SECOND)
        return 0;
    m->syncs++;
    if (m->mode != TRACE && m->syncs > 4 && (m->syncs & 7u) != 0)
        return 0;
    sum = sum_of((const uint8_t *)registers, REGISTERS * sizeof *registers, m->flash_sum);
    sum = sum_of((const uint8_t *)m->counters, sizeof m->counters, sum + m->locked + 2 * (uint64_t)m->boots);
    sum = sum_of(m->ram, end - RAM, sum);
    sum = sum_of(m->ram + (sp - RAM), RAM + RAM_BYTES - sp, sum);
    sum |= 1;
    if (is_known(e, sum))
        return m->mode == RUN;
    if (m->path_count < PATH)
        m->path[m->path_count++] = sum;
    return 0;
}

/* -- what is answered for -------------------------------------------------------------------------- */

/* Bytes of a memory that the program may read, or write; 0: it has no such bytes. */
static uint8_t *at(struct machine *m, uint32_t address, uint32_t length, int write)
{
    if (address >= RAM && address - RAM <= RAM_BYTES && length <= RAM_BYTES - (address - RAM))
        return m->ram + (address - RAM);
    if (!write && address >= FLASH && address - FLASH <= FLASH_BYTES && length <= FLASH_BYTES - (address - FLASH))
        return m->flash + (address - FLASH);
    if (!write && address >= CODE && address - CODE <= CODE_BYTES && length <= CODE_BYTES - (address - CODE))
        return m->code + (address - CODE);
    return 0;
}

struct hash {   /* as it stands in the program's memory */
    uint64_t count;
    uint32_t value[8];
    uint8_t buffer[64];
};

static int hash(struct machine *m, enum function what, uint32_t state, uint32_t from, uint32_t length)
{
    uint8_t *place = at(m, state, sizeof(struct hash), 1), *bytes;
    br_sha256_context c;
    struct hash h;

    if (place == 0)
        return 0;
    br_sha256_init(&c);
    if (what != BR_INIT) {
        memcpy(&h, place, sizeof h);
        c.count = h.count;
        memcpy(c.val, h.value, sizeof c.val);
        memcpy(c.buf, h.buffer, sizeof c.buf);
    }
    if (what == BR_OUT) {
        bytes = at(m, from, 32, 1);
        if (bytes == 0)
            return 0;
        br_sha256_out(&c, bytes);
        return 1;
    }
    if (what == BR_ADD) {
        bytes = at(m, from, length, 0);
        if (bytes == 0)
            return 0;
        br_sha256_update(&c, bytes, length);
    }
    memset(&h, 0, sizeof h);
    h.count = c.count;
    memcpy(h.value, c.val, sizeof c.val);
    memcpy(h.buffer, c.buf, c.count & 63u);
    memcpy(place, &h, sizeof h);
    return 1;
}

static int put(struct machine *m, uint32_t address, uint32_t value)
{
    uint8_t *place = at(m, address, 4, 1);

    if (place != 0)
        memcpy(place, &value, 4);
    return place != 0;
}

/* Verifies a signature; each is verified once. 0: what is asked for cannot be read. */
static int verify(struct machine *m, uint32_t point, uint32_t digest, uint32_t value, uint32_t *yes)
{
    const uint8_t *p = at(m, point, 65, 0), *d = at(m, digest, 32, 0), *v = at(m, value, 64, 0);
    struct engine *e = m->engine;
    struct verified now;
    br_ec_public_key key;
    uint32_t i;

    if (p == 0 || d == 0 || v == 0)
        return 0;
    memcpy(now.what, p, 65);
    memcpy(now.what + 65, d, 32);
    memcpy(now.what + 97, v, 64);
    for (i = 0; i < e->verified_count; i++)
        if (memcmp(e->verified[i].what, now.what, sizeof now.what) == 0) {
            *yes = e->verified[i].yes;
            return 1;
        }
    key.curve = BR_EC_secp256r1;
    key.q = now.what;
    key.qlen = 65;
    now.yes = br_ecdsa_i31_vrfy_raw(&br_ec_p256_m31, now.what + 65, 32, &key, now.what + 97, 64);
    if (e->verified_count < 4096)
        e->verified[e->verified_count++] = now;
    *yes = now.yes;
    return 1;
}

static uint32_t write_flash(struct machine *m, uint32_t address, const uint8_t *bytes, uint32_t length)
{
    const struct program *p = &m->engine->program;
    uint32_t block, offset = address - FLASH;

    if (address < FLASH || offset > FLASH_BYTES || length > FLASH_BYTES - offset
        || (m->locked && address < p->mark + p->mark_bytes && address + length > p->mark))
        return 0;
    for (block = offset / ERASE_BLOCK; block * ERASE_BLOCK < offset + length; block++)
        m->flash_sum -= block_sum(m, block);
    if (bytes != 0)
        memcpy(m->flash + offset, bytes, length);
    else
        memset(m->flash + offset, 0xFF, length);
    for (block = offset / ERASE_BLOCK; block * ERASE_BLOCK < offset + length; block++)
        m->flash_sum += block_sum(m, block);
    return p->written;
}

/* The answer of a function. 0: the program asked for what no memory has. */
static int answer(struct machine *m, enum function what, const uint64_t *r, uint32_t *value)
{
    uint32_t a = (uint32_t)r[0], b = (uint32_t)r[1], c = (uint32_t)r[2], d = (uint32_t)r[3], key[3], yes = 0;
    const uint8_t *stacked = at(m, (uint32_t)r[13], 8, 0), *bytes;
    uint32_t more[2] = { 0, 0 };

    if (stacked != 0)
        memcpy(more, stacked, 8);
    *value = a;
    switch (what) {
    case BR_INIT:
        return hash(m, BR_INIT, a, 0, 0);
    case BR_ADD:
        return hash(m, BR_ADD, a, b, c);
    case BR_OUT:
        return hash(m, BR_OUT, a, b, 0);
    case BR_VERIFY:
        bytes = at(m, d, 12, 0);
        *value = 0;
        if (bytes == 0 || stacked == 0)
            return 0;
        memcpy(key, bytes, 12);
        if (c != 32 || key[0] != BR_EC_secp256r1 || key[2] != 65 || more[1] != 64)
            return 1;
        return verify(m, key[1], b, more[0], value);
    case PSA_SETUP:
        *value = b == 0x02000009u ? 0 : 0xFFFFFF7Au;
        return *value != 0 || hash(m, BR_INIT, a, 0, 0);
    case PSA_UPDATE:
        *value = 0;
        return hash(m, BR_ADD, a, b, c);
    case PSA_FINISH:
        *value = c < 32 ? 0xFFFFFF76u : 0;
        return *value != 0 || (hash(m, BR_OUT, a, b, 0) && put(m, d, 32));
    case PSA_IMPORT:        /* the point stays where it is until it is used */
        *value = c == 65 ? 0 : 0xFFFFFF79u;
        return *value != 0 || put(m, d, b);
    case PSA_VERIFY:
        *value = 0xFFFFFF79u;
        if (stacked == 0)
            return 0;
        if (b != 0x06000609u || d != 32 || more[1] != 64)
            return 1;
        if (!verify(m, a, c, more[0], &yes))
            return 0;
        *value = yes ? 0 : 0xFFFFFF6Bu;
        return 1;
    case PSA_DOMAIN:    /* headers call it for keys that have such parameters: ours has none */
        *value = 0xFFFFFF7Au;
        return 1;
    case PSA_ABORT:
    case PSA_DESTROY:
        *value = 0;
        return 1;
    case ERASE:
        *value = write_flash(m, b / ERASE_BLOCK * ERASE_BLOCK, 0, ERASE_BLOCK);
        return 1;
    case PROGRAM:
        bytes = d <= ERASE_BLOCK ? at(m, c, d, 0) : 0;
        *value = bytes != 0 ? write_flash(m, b, bytes, d) : 0;
        return bytes != 0;
    case READ_COUNTER:
        *value = m->engine->program.read;
        return put(m, c, b < 4 ? m->counters[b] : 0xFFFFFFFFu);
    case TAKE_COUNTER:
        if (b < 4 && c > m->counters[b])
            m->counters[b] = c;
        *value = m->engine->program.written;
        return 1;
    case PROTECT:
        m->locked = 1;
        *value = m->engine->program.written;
        return 1;
    }
    return 0;
}

static void on_function(uc_engine *uc, uint64_t address, uint32_t size, void *user)
{
    struct machine *m = user;
    const struct program *p = &m->engine->program;
    uint64_t r[REGISTERS];
    uint32_t i, value = 0;

    (void)size;
    for (i = 0; i < FUNCTIONS && p->functions[i] != address; i++)
        ;
    if (i == FUNCTIONS)
        return;
    read_registers(m, r);
    if (!answer(m, (enum function)i, r, &value)) {
        m->fault = 1;
        uc_emu_stop(uc);
        return;
    }
    r[0] = value;
    r[1] = r[2] = r[3] = r[12] = 0xA5A5A5A5u;
    r[15] = 0x61000000u;
    write_registers(m, r);
    if ((i == BR_INIT || i == PSA_SETUP) && meet(m, r)) {
        m->known = 1;
        uc_emu_stop(uc);
    }
}

static void on_block(uc_engine *uc, uint64_t address, uint32_t size, void *user)
{
    struct machine *m = user;

    (void)address;
    (void)size;
    if (++m->blocks > BLOCK_LIMIT) {
        m->hang = 1;
        uc_emu_stop(uc);
    }
}

/* -- running ------------------------------------------------------------------------------------------ */

/* Everything as it is after a reset; flash and counters stay. Returns where the program begins. */
static uint32_t reset(struct machine *m, uint32_t entry)
{
    struct engine *e = m->engine;
    uint64_t r[REGISTERS];
    unsigned i;

    uc_context_restore(m->uc, m->fresh);
    memcpy(m->ram, e->boot_ram, RAM_BYTES);
    for (i = 0; i < REGISTERS; i++)
        r[i] = 0xA5A5A5A5u;
    r[13] = STACK;
    r[14] = e->program.done | 1;
    r[15] = 0x61000000u;
    write_registers(m, r);
    m->locked = 0;
    m->it = m->it_end = 0;
    return entry;
}

static void load(struct machine *m)
{
    struct engine *e = m->engine;
    uint32_t block;

    memcpy(m->flash, e->device.flash, FLASH_BYTES);
    for (m->flash_sum = block = 0; block < FLASH_BYTES / ERASE_BLOCK; block++)
        m->flash_sum += block_sum(m, block);
    m->flash_there = 0;
    memcpy(m->counters, e->device.counters, sizeof m->counters);
    m->boots = e->device.boots;
}

static void save(struct machine *m, struct snapshot *s)
{
    read_registers(m, s->registers);
    memcpy(s->counters, m->counters, sizeof s->counters);
    s->locked = m->locked;
    s->boots = m->boots;
    memcpy(s->ram, m->ram, RAM_BYTES);
    if (s->flash_sum != m->flash_sum)
        memcpy(s->flash, m->flash, FLASH_BYTES);
    s->flash_sum = m->flash_sum;
}

static void restore(struct machine *m, const struct snapshot *s)
{
    uc_context_restore(m->uc, m->fresh);    /* modes and masks as well: a run may have gone anywhere */
    write_registers(m, s->registers);
    memcpy(m->counters, s->counters, sizeof m->counters);
    m->locked = s->locked;
    m->boots = s->boots;
    memcpy(m->ram, s->ram, RAM_BYTES);
    if (m->flash_sum != s->flash_sum)
        memcpy(m->flash, s->flash, FLASH_BYTES);
    m->flash_sum = s->flash_sum;
    m->it = m->it_end = 0;
}

/* Runs on from pc, through the resets that follow. Returns what started that should not have; 0: nothing. */
static uint32_t go(struct machine *m, uint32_t pc)
{
    struct engine *e = m->engine;
    const struct program *p = &e->program;
    uint64_t r[REGISTERS];
    uint32_t i, to, end;

    m->path_count = 0;
    m->syncs = 0;
    m->stop = 0;
    for (;;) {
        m->blocks = m->fault = m->hang = m->known = 0;
        if (uc_emu_start(m->uc, pc | 1, 0, 0, 0) != UC_ERR_OK)
            m->fault = 1;
        if (m->stop)
            return 0;
        if (m->known) {
            e->result->known += m->mode == RUN;
            break;
        }
        e->result->faults += m->fault;
        e->result->hung += m->hang;
        to = end = 0;
        if (!m->fault && !m->hang)
            uc_reg_read(m->uc, UC_ARM_REG_PC, &end);
        read_registers(m, r);
        for (i = 0; i < p->end_count; i++) {
            if (p->ends[i] != (end & ~1u))
                continue;
            if (p->kinds[i] == PACKAGE)
                to = PACKAGE_TAKEN;
            /* a jump to where no memory is, or into the bootloader itself, is a fault, and no image */
            if (p->kinds[i] == JUMP && ((uint32_t)r[0] >= RAM || (uint32_t)r[0] - FLASH < FLASH_BYTES) && at(m, (uint32_t)r[0], 1, 0) != 0)
                to = (uint32_t)r[0];
        }
        for (i = 0; to != 0 && i < e->device.allowed_count; i++)
            if (to == e->device.allowed[i])
                to = 0;
        if (to != 0)
            return to;
        if (m->boots == 0)
            break;
        m->boots--;
        pc = reset(m, p->boot);
        read_registers(m, r);
        m->syncs = 0;
        if (meet(m, r)) {
            e->result->known++;
            break;
        }
    }
    for (i = 0; i < m->path_count; i++)
        remember(e, m->path[i]);
    return 0;
}

/* -- walking ------------------------------------------------------------------------------------------ */

static uint32_t width(const struct machine *m, uint32_t pc)
{
    uint32_t top = m->code[pc - CODE + 1] >> 3;

    return top == 0x1D || top == 0x1E || top == 0x1F ? 4 : 2;
}

static void found(struct engine *e, uint32_t first, uint32_t second, uint32_t to)
{
    struct result *r = e->result;

    if (r->found < sizeof r->places / sizeof r->places[0]) {
        r->places[r->found].first = first;
        r->places[r->found].caller = (uint32_t)e->before.registers[14];
        r->places[r->found].second = second;
        r->places[r->found].to = to;
    }
    r->found++;
}

/* What comes of it when the program goes on at pc, perhaps with another skip so many instructions of ours behind it. */
static void try(struct engine *e, const struct snapshot *s, uint32_t first, uint32_t pc, uint32_t distance)
{
    uint32_t to;

    e->result->tried++;
    if (distance == 0) {
        restore(&e->runner, s);
        to = go(&e->runner, pc);
        if (to != 0)
            found(e, first, 0, to);
        return;
    }
    restore(&e->second, s);
    e->second.left = distance;
    e->first_pc = first;
    (void)go(&e->second, pc);
    e->result->alone += e->second.left != 0;
}

/* One instruction of an IT block: the block is run as a step, with a NOP in its place. */
static void try_inside(struct engine *e, uint32_t it, uint32_t pc, uint32_t distance)
{
    static const uint8_t nop[2] = { 0x00, 0xBF }, wide[4] = { 0xAF, 0xF3, 0x00, 0x80 };
    struct machine *m = &e->stepper;
    uint32_t bytes = width(m, pc), after = 0;
    uint8_t *place = m->code + (pc - CODE), kept[4];

    restore(m, &e->before);
    memcpy(kept, place, bytes);
    memcpy(place, bytes == 2 ? nop : wide, bytes);
    uc_ctl_remove_cache(m->uc, (uint64_t)it, (uint64_t)pc + bytes);
    m->fault = uc_emu_start(m->uc, it | 1, 0, 0, 1) != UC_ERR_OK;
    uc_reg_read(m->uc, UC_ARM_REG_PC, &after);
    memcpy(place, kept, bytes);
    uc_ctl_remove_cache(m->uc, (uint64_t)it, (uint64_t)pc + bytes);
    if (m->fault)
        return;
    save(m, &e->after);
    try(e, &e->after, pc, after & ~1u, distance);
}

static void on_instruction(uc_engine *uc, uint64_t address, uint32_t size, void *user)
{
    struct machine *m = user;
    struct engine *e = m->engine;
    uint32_t pc = (uint32_t)address, code, number, end;
    int inside = m->it != 0 && pc > m->it && pc < m->it_end, saved = 0;

    (void)size;
    if (m->mode != SECOND && m->boots + e->device.walked < e->device.boots) {    /* another boot of the same */
        m->stop = m->mode == WALK;
        if (m->stop)
            uc_emu_stop(uc);
        return;
    }
    if (!inside) {
        m->it = 0;
        code = m->code[pc - CODE];
        if (m->code[pc - CODE + 1] == 0xBF && (code & 15u) != 0) {
            m->it = pc;
            for (number = 4, end = pc + 2; (code & 1u) == 0; code >>= 1)
                number--;
            while (number-- != 0)
                end += width(m, end);
            m->it_end = end;
        }
    }
    if (m->mode == SECOND) {
        if (m->left > 1 || inside) {
            m->left -= m->left > 1;
            return;
        }
        m->left = 0;
        save(m, &e->behind);
        restore(&e->runner, &e->behind);
        end = go(&e->runner, pc + width(m, pc));
        if (end != 0)
            found(e, e->first_pc, pc, end);
        m->stop = 1;
        uc_emu_stop(uc);
        return;
    }
    if (m->mode == WALK && m->it == pc) {
        save(m, &e->before);
        saved = 1;
    }
    for (; m->mode == WALK && e->next < e->count && e->first[e->next] == m->met; e->next++) {
        if (e->distance[e->next] == AS_IT_IS) {
            if (!inside) {
                save(m, &e->before);
                try(e, &e->before, pc, pc, 0);
            }
        } else if (inside) {
            try_inside(e, m->it, pc, e->distance[e->next]);
        } else {
            if (!saved)
                save(m, &e->before);
            saved = 1;
            try(e, &e->before, pc, pc + width(m, pc), e->distance[e->next]);
        }
    }
    m->met++;
}

/* -- what Python calls ------------------------------------------------------------------------------- */

static int make(struct engine *e, struct machine *m, enum mode mode)
{
    uc_hook hook;
    const struct program *p = &e->program;
    uint64_t exits[8];
    uint32_t i;

    m->engine = e;
    m->mode = mode;
    if (posix_memalign((void **)&m->code, 4096, CODE_BYTES) || posix_memalign((void **)&m->flash, 4096, FLASH_BYTES)
        || posix_memalign((void **)&m->ram, 4096, RAM_BYTES))
        return 0;
    memset(m->code, 0, CODE_BYTES);
    memcpy(m->code, p->code, p->code_bytes);
    for (i = 0; i < p->end_count; i++)
        exits[i] = p->ends[i];
    return uc_open(UC_ARCH_ARM, UC_MODE_THUMB | UC_MODE_MCLASS, &m->uc) == UC_ERR_OK
           && uc_ctl_set_cpu_model(m->uc, p->m0 ? UC_CPU_ARM_CORTEX_M0 : UC_CPU_ARM_CORTEX_M4) == UC_ERR_OK
           && uc_mem_map_ptr(m->uc, CODE, CODE_BYTES, UC_PROT_READ | UC_PROT_EXEC, m->code) == UC_ERR_OK
           && uc_mem_map_ptr(m->uc, FLASH, FLASH_BYTES, UC_PROT_READ, m->flash) == UC_ERR_OK
           && uc_mem_map_ptr(m->uc, RAM, RAM_BYTES, UC_PROT_READ | UC_PROT_WRITE, m->ram) == UC_ERR_OK
           && uc_hook_add(m->uc, &hook, UC_HOOK_CODE, (void *)on_function, m, (uint64_t)p->host_begin, (uint64_t)p->host_end - 1) == UC_ERR_OK
           && uc_hook_add(m->uc, &hook, UC_HOOK_BLOCK, (void *)on_block, m, (uint64_t)1, (uint64_t)0) == UC_ERR_OK
           && (mode == RUN || uc_hook_add(m->uc, &hook, UC_HOOK_CODE, (void *)on_instruction, m, (uint64_t)p->ours_begin,
                                          (uint64_t)p->ours_end - 1) == UC_ERR_OK)
           && uc_ctl_exits_enable(m->uc) == UC_ERR_OK && uc_ctl_set_exits(m->uc, exits, (size_t)p->end_count) == UC_ERR_OK
           && uc_context_alloc(m->uc, &m->fresh) == UC_ERR_OK && uc_context_save(m->uc, m->fresh) == UC_ERR_OK;
}

struct engine *engine_new(const struct program *program)
{
    struct engine *e = calloc(1, sizeof *e);

    e->program = *program;
    e->states = calloc(1u << KNOWN_BITS, sizeof *e->states);
    e->verified = calloc(4096, sizeof *e->verified);
    if (make(e, &e->walker, TRACE) && make(e, &e->stepper, RUN) && make(e, &e->second, SECOND) && make(e, &e->runner, RUN))
        return e;
    return 0;
}

static void unmake(struct machine *m)
{
    if (m->fresh != 0)
        uc_context_free(m->fresh);
    if (m->uc != 0)
        uc_close(m->uc);
    free(m->code);
    free(m->flash);
    free(m->ram);
}

void engine_free(struct engine *e)
{
    unmake(&e->walker);
    unmake(&e->stepper);
    unmake(&e->second);
    unmake(&e->runner);
    free(e->states);
    free(e->verified);
    free(e);
}

/* Puts a device and lets it run without a skip: instances of instructions of ours, or
 * all ones when it starts what it should not. */
uint32_t engine_begin(struct engine *e, const struct device *device, struct result *result)
{
    const struct program *p = &e->program;

    e->device = *device;
    e->result = result;
    memset(result, 0, sizeof *result);
    memset(e->states, 0, sizeof *e->states << KNOWN_BITS);
    e->state_count = 0;
    memset(e->boot_ram, 0xA5, RAM_BYTES);
    memset(e->boot_ram, 0, p->ram_end - RAM);
    memcpy(e->boot_ram, p->data, p->data_bytes);
    memcpy(e->boot_ram + (p->given - RAM), device->given, p->given_bytes);
    memcpy(e->boot_ram + (p->package - RAM), device->package, device->package_bytes);
    e->walker.mode = TRACE;
    load(&e->walker);
    e->walker.met = 0;
    result->places[0].to = go(&e->walker, reset(&e->walker, device->entry));
    return result->places[0].to != 0 || result->faults != 0 || result->hung != 0 ? 0xFFFFFFFFu : e->walker.met;
}

/* Skips instances by their numbers, ascending, each with the distance to a second one, or 0. */
void engine_walk(struct engine *e, const uint32_t *first, const uint32_t *distance, uint32_t count, struct result *result)
{
    e->result = result;
    memset(result, 0, sizeof *result);
    e->first = first;
    e->distance = distance;
    e->count = count;
    e->next = 0;
    e->walker.mode = WALK;
    e->before.flash_sum = e->after.flash_sum = e->behind.flash_sum = 0;
    load(&e->walker);
    e->walker.met = 0;
    (void)go(&e->walker, reset(&e->walker, e->device.entry));
}
