"""What a device must not start, one fault a case: sealed images, devices with an install record, packages."""

import functools
import hashlib
import itertools
import struct
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

from workshop import Workshop, make, repacked, resealed, trust_of

from imgseal.demo.firmware import filler
from imgseal.flow.release import FirmwareFile
from imgseal.formats.install_record.record import SETTLED, TRIAL, Member, encode, first_record
from imgseal.formats.memory.image import MemoryImage
from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Product
from imgseal.product.read_toml import read

if TYPE_CHECKING:
    from imgseal.formats.sealed_image.statement import Statement

FLASH, FLASH_BYTES = 0x0010_0000, 0x1_0000
RECORDS, MARK, APP, OTHER, RADIO, SLOT = (*(FLASH + n for n in (0x1000, 0x2800, 0x3000, 0x3400, 0x3800)), 1024)
HEADER, PAYLOAD = 512, 200
BOOTS = 3
"""Resets after what was skipped: a record or a mark that came about wrongly counts only then."""
_TEXT = f"""
format = 1
[product]
name = "skipped"
vendor = "quillmoor.example"
class = "skipped-1"
hardware = 1
[release]
version = "1.0.0"
sequence = 5
[memory.internal]
base = {FLASH}
size = {FLASH_BYTES}
erase_block = 512
write_unit = 8
page = 512
[memory.ram]
base = 0x2000_0000
size = "16 KiB"
kind = "ram"
[bootloader]
version = "1.0.0"
[trust.images]
keys = ["keys/older.pub.pem", "keys/images.pub.pem", "keys/newer.pub.pem"]
[trust.packages]
keys = ["keys/older-packages.pub.pem", "keys/packages.pub.pem"]
[trust.development]
images = ["keys-dev/images.pub.pem"]
packages = ["keys-dev/packages.pub.pem"]
[slot.bootloader]
memory = "internal"
at = 0
size = "4 KiB"
holds = "bootloader"
[slot.records]
memory = "internal"
at = 0x1000
size = "6 KiB"
holds = "records"
[slot.mark]
memory = "internal"
at = 0x2800
size = 512
holds = "boot-mark"
write_protected = "until-reset"
[slot.app-a]
memory = "internal"
at = 0x3000
size = {SLOT}
[slot.app-b]
memory = "internal"
at = 0x3400
size = {SLOT}
[slot.radio]
memory = "internal"
at = 0x3800
size = {SLOT}
[slot.radio-staging]
memory = "internal"
at = 0x3c00
size = {SLOT}
[slot.radio-keep]
memory = "internal"
at = 0x4000
size = {SLOT}
[component.app]
number = 1
core = "cortex-m4"
vectors = 16
header_block = {HEADER}
counter = 3
counter_steps = 9
run = ["app-a", "app-b"]
[component.radio]
number = 2
core = "cortex-m0plus"
vectors = 16
header_block = {HEADER}
counter = 3
counter_steps = 9
run = ["radio"]
staging = "radio-staging"
keep = "radio-keep"
"""


class Case(NamedTuple):
    """One device and what is put before it. `entry` is the function of skip_main.c that runs; `allowed`: where it may jump to.

    `boots` resets follow, and a boot behind each of them; instructions are skipped in the first `walked` of these as well.
    """

    name: str
    entry: str
    flash: tuple[tuple[int, bytes], ...]
    allowed: tuple[int, ...] = ()
    package: bytes = b""
    development: bool = False
    revoked: tuple[str, ...] = ()
    counter: int = 3
    sequence: int = 4
    boots: int = 0
    walked: int = 0

    def given(self) -> bytes:
        """Return struct given."""
        revoked = b"".join(bytes.fromhex(key) for key in self.revoked).ljust(32, b"\0")
        head = struct.pack("<5I", self.development, len(self.revoked), 0, self.sequence, len(self.package))
        return head + revoked + bytes(32)


@functools.cache
def of(*, marked: bool = False) -> Product:
    """The product; `marked`: its devices boot by digest."""
    return read(_TEXT + ('[rules]\nat_boot = "digest"\n' if marked else ""), name="imgseal.toml")


def mark_slot() -> tuple[int, int]:
    return MARK, 512


@functools.cache
def trust() -> Trust:
    return trust_of(of())


def firmware(title: str, base: int) -> bytes:
    link = base + HEADER
    table = struct.pack("<2I", 0x2000_4000, link + 64 | 1) + struct.pack("<I", link + 64 | 1) * 14
    return table + filler(title, PAYLOAD - len(table))


@functools.cache
def shop(*, development: bool = False) -> Workshop:
    """A release, or a desk's build."""
    files = [
        FirmwareFile(name, f"{name}.bin", MemoryImage.from_bytes(base + HEADER, firmware(f"{name} {base:x}", base)))
        for name, base in (("app", APP), ("app", OTHER), ("radio", RADIO))
    ]
    return make(of(), development=development, files=files)


def flip(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :]


@functools.cache
def ground(sealed: bytes) -> bytes:
    """The image with another payload, tried until first and last byte of its digest are those of the signed one."""
    block, payload = sealed[:HEADER], sealed[HEADER:]
    wanted = hashlib.sha256(payload).digest()
    for number in itertools.count():
        changed = payload[:-8] + struct.pack("<Q", number)
        found = hashlib.sha256(changed).digest()
        if changed != payload and (found[0], found[31]) == (wanted[0], wanted[31]):
            return block + changed
    raise AssertionError


def named(sealed: bytes, name: str, by: str) -> bytes:
    """An image whose statement names one key, with a signature by another one."""
    named, other = resealed(sealed, by=(name,)), resealed(sealed, by=(by,))
    statement = named[:384]
    from workshop import any_signer

    return statement + any_signer(by).sign(statement) + named[448:] if named != other else sealed


def key(name: str) -> str:
    from workshop import public_key

    return public_key(name).key_id.hex()


def bad_images(good: bytes) -> list[tuple[str, bytes, dict[str, Any]]]:
    """Name, image and device for each way in which an image for the first slot is not to be started."""
    older = (key("keys/older"), key("keys/newer"))
    lower: Callable[[Statement], Statement] = lambda s: s._replace(counter=2)  # noqa: E731
    return [
        ("wrong signature", flip(good, 400), {}),
        ("wrong key", resealed(good, by=("keys/foreign",)), {}),
        ("wrong key under a trusted name", named(good, "keys/images", "keys/foreign"), {}),
        ("wrong payload digest", ground(good), {}),
        ("wrong component", shop().images["radio"], {}),
        ("wrong slot", shop().images["app-b"], {}),
        ("counter too low", resealed(good, lower), {}),
        ("revoked key", resealed(good, by=("keys/older",)), {"revoked": older}),
        ("revoked key under a good name, before it", named(good, "keys/images", "keys/older"), {"revoked": older}),
        ("revoked key under a good name, behind it", named(good, "keys/images", "keys/newer"), {"revoked": older}),
        ("development flag", resealed(good, lambda s: s._replace(flags=s.flags | 1)), {}),
        ("development key", shop(development=True).images["app-a"], {}),
    ]


def slot(base: int, image: bytes) -> tuple[int, bytes]:
    return base, image.ljust(SLOT, b"\xff")


def member(slot: int, image: bytes) -> Member:
    return Member(slot, hashlib.sha256(image[:384]).digest())


def records(**changes: Any) -> tuple[int, bytes]:
    record = first_record({}, 5, None)._replace(**changes)
    return RECORDS, encode(record, of().numbers) * 3


def images() -> list[Case]:
    good = shop().images["app-a"]
    bad = [Case(name, "skip_image", (slot(APP, image),), **device) for name, image, device in bad_images(good)]
    return [Case("good", "skip_image", (slot(APP, good),), (APP + HEADER,)), *bad]


def devices() -> list[Case]:
    """The same images named by a record, which who has taken over an application can write, and a trial that is over."""
    good, other, radio = (shop().images[name] for name in ("app-a", "app-b", "radio"))
    out = []
    for name, image, device in [("good", good, {}), *bad_images(good)]:
        flash = (
            slot(APP, image),
            slot(RADIO, radio),
            records(phase=SETTLED, current={1: member(0, image), 2: member(0, radio)}),
        )
        out.append(Case(name, "skip_boot", flash, (APP,) if name == "good" else (), boots=BOOTS, **device))
    tried: dict[str, Any] = {
        "phase": TRIAL, "attempts": 3, "target_sequence": 6, "target_digest": bytes(range(32)), "trial": True,
        "current": {1: member(0, good)}, "other": {1: member(1, other)},
    }  # fmt: skip
    out.append(
        Case(
            "attempts used up",
            "skip_boot",
            (slot(APP, good), slot(OTHER, other), records(**tried)),
            (OTHER,),
            boots=BOOTS,
        )
    )
    return out


def packages() -> list[Case]:
    whole = shop().package
    older = (key("keys/older-packages"),)

    def spoiled(part: str) -> Callable[[dict[str, bytes]], dict[str, bytes]]:
        return lambda payloads: {k: ground(v) if part in k else v for k, v in payloads.items()}

    def of_another_class(manifest: bytes) -> bytes:
        return manifest.replace(of().class_id, bytes(16))

    at = whole.index(b"\xd2\x84") + 12
    return [
        Case("good", "skip_package", (), (1,), whole),
        Case("wrong signature", "skip_package", (), (), flip(whole, at + 20)),
        Case("wrong key", "skip_package", (), (), repacked(whole, by=("keys/foreign",))),
        Case("wrong payload digest", "skip_package", (), (), repacked(whole, payloads=spoiled("app"))),
        Case("wrong class", "skip_package", (), (), repacked(whole, of_another_class)),
        Case("sequence too low", "skip_package", (), (), whole, sequence=6),
        Case("revoked key", "skip_package", (), (), repacked(whole, by=("keys/older-packages",)), revoked=older),
        Case("development key", "skip_package", (), (), shop(development=True).package),
    ]
