"""Product files that come along: the commented one that `imgseal init` writes, and that of the invented vent drive."""

from importlib.resources import files

STARTER_VENDOR = "vendor.example"
"""A placeholder; a test holds the text below against it."""

STARTER = """\
# Everything that imgseal needs to know about the product. Fill in the names marked (*), then:
#
#   imgseal key new --no-passphrase keys-dev/images.pem
#   imgseal key new --no-passphrase keys-dev/packages.pem
#   imgseal key new keys/images.pem
#   imgseal key new keys/packages.pem
#   imgseal build app=app.hex                 development images; add --release for the real ones
#   imgseal check --development out/*.suit
#
# Private keys stay out of version control; the *.pub.pem files belong into it.
format = 1

[product]
name = "my-product"                  # (*) used in file names
vendor = "vendor.example"            # (*) a domain you own; never change it once devices are in the field
class = "my-product-1"               # (*) devices that take the same images; never change it either
hardware = "1..1"                    # hardware revisions that take these images

[release]
version = "0.1.0"                    # build scripts may say: --set release.version=0.2.0
sequence = 1                         # raise it with every release; devices refuse a lower one

[signing.development]                # private keys; imgseal.local.toml may name others on your desk
images = "keys-dev/images.pem"
packages = "keys-dev/packages.pem"

[signing.release]
images = "keys/images.pem"
packages = "keys/packages.pem"

# -- memories, from the data sheet ----------------------------------------------
[memory.internal]
base = 0x0800_0000                   # (*)
size = "512 KiB"                     # (*)
erase_block = "4 KiB"                # (*) the largest one that a slot touches
write_unit = 8                       # smallest programmable piece
page = 256                           # most bytes programmed at once
program_once = true                  # ECC flash: once per erase

[memory.ram]
base = 0x2000_0000                   # (*)
size = "64 KiB"                      # (*)
kind = "ram"

# [bootloader]                       # say these, and erase_ms, program_us and endurance of the memory,
# version = "1.0.0"                  # and imgseal rehearse estimates wear and time
# hash_rate = "4 MiB"                # bytes that it hashes in a second
# verify_ms = 110                    # one signature

# -- slots, on whole erase blocks -------------------------------------------------
[slot.bootloader]
memory = "internal"
at = 0x0_0000                        # from the memory's base
size = "40 KiB"
holds = "bootloader"

[slot.anchors]                       # whom devices trust, so that imgseal trust can give them other keys. Where the
memory = "internal"                  # bootloader has the keys compiled in, take this out: then they are for ever
at = 0x0_A000
size = "8 KiB"                       # two erase blocks at least
holds = "anchors"

[slot.records]                       # what decides which image starts
memory = "internal"
at = 0x0_C000
size = "16 KiB"
holds = "records"

[slot.app-a]
memory = "internal"
at = 0x1_0000
size = "192 KiB"

[slot.app-b]
memory = "internal"
at = 0x4_0000
size = "192 KiB"

# -- what runs ----------------------------------------------------------------------
[component.app]
number = 1                           # never changed
core = "cortex-m4"                   # (*)
vectors = 64                         # (*) entries of the vector table, the stack pointer among them
run = ["app-a", "app-b"]             # two run slots: link one build for each (imgseal show --linker)
header_block = 1024                  # the firmware starts this far behind the slot's first byte
counter = 0                          # anti-rollback: raise it when older code must never run again
# counter_steps = 256                # what the device's counter can count to
# counter_storage = "value"          # if it stores a number and takes no steps
# hazard = "The lid moves at start." # say it if something moves: devices are then asked for authorisation

# [log]                           # from the first real release on: what was released, and numbers that only rise
# path = "release.log"               # belongs into version control; see imgseal log --help
# pin = "release.head"               # its head, as imgseal log pin writes it: a log that was cut off is noticed

# -- who may sign ---------------------------------------------------------------------
# [trust]
# apex = "keys/apex.pub.pem"         # signs other keys for devices in the field; they know it from the factory on

[trust.images]
keys = ["keys/images.pub.pem"]

[trust.packages]
keys = ["keys/packages.pub.pem"]

[trust.development]                  # admitted by: imgseal check --development
images = ["keys-dev/images.pub.pem"]
packages = ["keys-dev/packages.pub.pem"]
"""


def product_text() -> str:
    """Return the product file of the invented vent drive, as the demo writes it."""
    return files("imgseal.product").joinpath("vent_drive.toml").read_text(encoding="utf-8")
