/* Decisions as guide.md tells its reader to make them; their instructions are skipped as well. */
#include "skip_main.h"

#include "seal_adapters.h"

void start_app(const struct seal_state *state)
{
    const struct seal_slot *place = &device_product->components[0].run[0];
    struct seal_subject subject = { { read_at, (void *)(uintptr_t)place->base, place->size }, { 0, 0, 0 }, SEAL_RUN_SLOT, 0, 0 };
    struct seal_header header;
    volatile uint32_t code = SEAL_DEVICE_NOT_RUN, accepted = SEAL_ACCEPTED;

    code = seal_judge(device_product, state, &CRYPTO, &subject, 0, &work, &header);
    if (code != accepted)
        reset_device();
#ifndef ONE_LOOK    /* for the test that a skip which is enough is found */
    if (code != accepted || header.link_address != place->base + header.header_block)
        reset_device();
#else
    header.link_address = place->base + device_product->components[0].header_block;
#endif
    jump(header.link_address);
}

/* The code component with the lowest number. Not merged into its caller: two calls share nothing. */
static __attribute__((noinline)) uint32_t entry_of(const volatile struct seal_started *started)
{
    uint32_t index = 0;

    while (started->run_slot[index] == 255)
        index++;
    return device_product->components[index].run[started->run_slot[index]].base;
}

void start_chosen(struct seal_boot *boot, int power_on)
{
    struct seal_started room, *volatile started = &room;    /* its address is loaded anew for each use */
    volatile uint32_t code = SEAL_DEVICE_NOT_RUN, accepted = SEAL_ACCEPTED, what, set = SEAL_START_SET;
    volatile uint32_t entry, again;

    code = seal_choose(boot, power_on, started);
    what = started->what;
    if (code != accepted)
        reset_device();
    if (what != set)
        wait_for_package();
#ifndef ONE_LOOK
    if (code != accepted || what != set)
        reset_device();
#endif
    entry = entry_of(started);
    again = entry_of(started);
    if (entry != again)
        reset_device();
    jump(entry);
}

void install(const struct seal_installer *device, const struct seal_reader *file)
{
    volatile uint32_t code = SEAL_DEVICE_NOT_RUN, accepted = SEAL_ACCEPTED;

    code = seal_read_package(device, file, manifest, sizeof manifest, &work, &out);
    if (code != accepted)
        refuse_package();
    if (code != accepted)
        refuse_package();
    take_package();
}

/* The package comes in pieces; what was installed of it is the bootloader's after the reset. */
void install_update(struct seal_install *install, const uint8_t *bytes, uint32_t length)
{
    uint32_t part;

    seal_install_begin(install);
    for (; length != 0; bytes += part, length -= part) {
        part = length < 200 ? length : 200;
        if (seal_install_take(install, bytes, part) != SEAL_ACCEPTED)
            reset_device();
    }
    (void)seal_install_finish(install);
    reset_device();
}

/* All of it lies there; what was installed of it is the bootloader's after the reset. */
void install_delivery(struct seal_install *install, const struct seal_reader *stored)
{
    (void)seal_install_stored(install, stored);
    reset_device();
}
