"""The demo's story: firmware for two releases of an invented vent drive, and fifteen ways to spoil them."""

import hashlib
from collections.abc import Callable
from importlib.resources import files

from imgseal.demo.firmware import code, phrases
from imgseal.demo.tamper import add_member, counter_offset, flip_bit, reseal
from imgseal.device_state.device import DeviceState, SlotContent, write
from imgseal.formats.install_record.record import Member
from imgseal.formats.sealed_image.layout import FLAG_DEVELOPMENT, STATEMENT_BYTES
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.keys.signer import Signer
from imgseal.keys.untrusted import fresh_signer, published_signer
from imgseal.records import NamedTuple
from imgseal.versions import Version

_RAM_END = 0x2002_0000
OLD_VERSION = "2.4.0"
RADIO = {OLD_VERSION: "1.3.2", "2.4.1": "1.3.3"}
"""The radio core's version in each release."""


class Refusal(NamedTuple):
    """A spoiled artefact: what was done, file name, bytes, the finding expected first, and for which device."""

    what: str
    name: str
    data: bytes
    code: str
    device: str | None = None


def product_text() -> str:
    """Return the demo's product file."""
    return files("imgseal.demo").joinpath("product.toml").read_text(encoding="utf-8")


def firmware_files(version: str, growth: int) -> dict[str, bytes]:
    """Return the firmware files of one release: two builds of the motor core, and the radio core.

    The older one has phrases as well, which the newer takes over; the newer a recovery image, and what the production
    line needs.
    """
    out = {}
    for slot, link in (("a", 0x0002_0400), ("b", 0x0007_0400)):
        data = code(f"motor {version}", link=link, size=(208 + growth) * 1024, vectors=64, stack=_RAM_END)
        out[f"motor-{slot}.hex"] = b"".join(write_intel_hex([(link, data)]))
    radio_version = RADIO[version]
    radio = code(f"radio {radio_version}", link=0x000C_0400, size=90 * 1024, vectors=48, stack=0x2000_8000)
    out["radio.hex"] = b"".join(write_intel_hex([(0x000C_0400, radio)]))
    if version == OLD_VERSION:
        out["phrases.bin"] = phrases("phrases 1.0.4", 300 * 1024)
        return out
    recovery = code("recovery 1.0.0", link=0x0001_4400, size=20 * 1024, vectors=64, stack=_RAM_END)
    out["recovery.hex"] = b"".join(write_intel_hex([(0x0001_4400, recovery)]))
    out["bootloader.hex"] = b"".join(
        write_intel_hex([(0, code("bootloader 1.1.0", link=0, size=24 * 1024, vectors=64, stack=_RAM_END))])
    )
    out["settings.bin"] = b"settings of the invented vent drive\x00"
    return out


def device_after(sealed: dict[str, bytes], hardware: int, manifest_digest: bytes) -> str:
    """Return the state file of a device that runs the newer release from motor-a; slot contents lie beside it."""
    slots = {
        slot: SlotContent(f"{slot}.sealed.bin", hashlib.sha256(data).hexdigest())
        for slot, data in sealed.items()
        if slot != "motor-b"
    }
    current = {
        number: Member(0, hashlib.sha256(sealed[slot][:STATEMENT_BYTES]).digest())
        for number, slot in ((1, "motor-a"), (2, "radio"), (3, "phrases"))
    }
    return write(
        DeviceState(
            hardware, 17, manifest_digest, {1: 6, 2: 3, 3: 1}, current, None, (), slots, Version(1, 1, 0), 4000,
            authorised=True, revoked=(), fresh=False,
        )
    )  # fmt: skip


def refusals(
    new: dict[str, bytes], old: dict[str, bytes], package: bytes, old_package: bytes, signer: Signer
) -> list[Refusal]:
    """Return the spoiled artefacts; `new` and `old` are sealed images by slot, `signer` the release key for images."""
    motor = new["motor-a"]
    room = 320 * 1024 - 1024
    too_large = motor[1024:] + bytes(room - len(motor[1024:]) + 4)
    digest = hashlib.sha256(too_large).digest()

    def image(what: str, name: str, change: Callable[..., bytes], code_: str) -> Refusal:
        return Refusal(what, f"{name}.sealed.bin", change(), code_)

    return [
        image("one payload bit flipped", "payload-bit", lambda: flip_bit(motor, 5000), "digest.payload"),
        image(
            "one header bit flipped",
            "header-bit",
            lambda: flip_bit(motor, counter_offset()),
            "signature.does-not-verify",
        ),
        image("signed with a foreign key", "foreign-key", lambda: reseal(motor, fresh_signer()), "trust.unknown-key"),
        image(
            "signed with a printed key", "printed-key", lambda: reseal(motor, published_signer()), "trust.example-key"
        ),
        image(
            "a development image",
            "development",
            lambda: reseal(motor, signer, lambda s: s._replace(flags=FLAG_DEVELOPMENT)),
            "rules.development-image",
        ),
        Refusal(
            "the image before, counter 5", "older.sealed.bin", old["motor-a"], "rollback.counter-too-low", "device.json"
        ),
        Refusal("the release before", "older.suit", old_package, "rollback.sequence-too-low", "device.json"),
        image(
            "for another class",
            "class",
            lambda: reseal(motor, signer, lambda s: s._replace(class_id=bytes(16))),
            "identity.wrong-class",
        ),
        Refusal("on hardware revision 5", "hardware.sealed.bin", motor, "identity.wrong-hardware", "device-r5.json"),
        image(
            "larger than its slot",
            "too-large",
            lambda: reseal(
                motor, signer, lambda s: s._replace(payload_size=len(too_large), payload_digest=digest), too_large
            ),
            "placement.larger-than-slot",
        ),
        image(
            "linked for another place",
            "address",
            lambda: reseal(motor, signer, lambda s: s._replace(link_address=s.link_address + 0x1000)),
            "placement.wrong-address",
        ),
        image("cut short", "truncated", lambda: motor[:100_000], "structure.truncated"),
        image("something behind it", "longer", lambda: motor + b"more", "structure.bytes-after-payload"),
        Refusal(
            "a package with an extra member",
            "extra.suit",
            add_member(package, "#unsigned-extra", b"extra"),
            "structure.unsigned-member",
        ),
        Refusal("a package, manifest changed", "manifest.suit", _change_manifest(package), "signature.manifest-digest"),
    ]


def _change_manifest(package: bytes) -> bytes:
    position = package.index(bytes.fromhex("01010211"))  # manifest version 1, sequence number 17
    return flip_bit(package, position + 3)
