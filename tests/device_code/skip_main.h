/* Between the code whose instructions are skipped and what stands around it. */
#ifndef SKIP_MAIN_H
#define SKIP_MAIN_H

#include "seal_boot.h"
#include "seal_delivery.h"
#include "seal_install.h"

#define ERASE_BLOCK 512u
#define PACKAGE_ROOM 4096u

/* What the emulator says of the device. */
struct given {
    uint32_t development, revoked_count, power_on, sequence, package_bytes;
    uint8_t revoked[2][16];
    uint8_t free_slot[SEAL_SET_MAX];
};

extern struct given given;

/* Flash is written, and counters are kept, by the emulator. */
uint32_t erase_flash(void *user, uint32_t address);
uint32_t program_flash(void *user, uint32_t address, const uint8_t *from, uint32_t length);
uint32_t read_counter(void *user, uint8_t component, uint32_t *value);
uint32_t take_counter(void *user, uint8_t component, uint32_t step);
uint32_t protect_mark(void *user, const struct seal_slot *mark);

/* The end of a bootloader: the emulator counts what comes here. */
void jump(uint32_t to);
void take_package(void);
void reset_device(void);
void wait_for_package(void);
void refuse_package(void);

extern const struct seal_product *const device_product;
extern struct seal_work work;
extern struct seal_package out;
extern uint8_t manifest[2048];
uint32_t read_at(void *user, uint32_t offset, uint8_t *to, uint32_t length);

/* skip_decide.c, as the guide shows it */
void start_app(const struct seal_state *state);
void start_chosen(struct seal_boot *boot, int power_on);
void install(const struct seal_installer *device, const struct seal_reader *file);
void install_update(struct seal_install *install, const uint8_t *bytes, uint32_t length);
void install_delivery(struct seal_install *install, const struct seal_reader *stored);

#endif
