"""Packs the kit's deliveries for delivery_main.c, and unpacks what is left of a device's flash."""

import struct
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from batch import DATA, load
from kit_base import text_of
from run_python import context_of, product_of

from imgseal.formats.trust_anchors.codec import decode_update, encode_set
from imgseal.rehearse.apply import Applied, apply
from imgseal.rehearse.flash import Flash
from imgseal.rehearse.life import Moment
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

if TYPE_CHECKING:
    from imgseal.check.context import Context
    from imgseal.product.model import Product

CASES = [case for case in load(sets=True) if case["name"].startswith("delivery-")]
PRODUCTS = sorted({case["product"] for case in CASES})
REGIONS = ("internal", "nor")
NO_BATTERY = 0xFFFF_FFFF
SET_MAX = 32


class Packed:
    """One case: a device, and what is offered to it."""

    def __init__(self, case: dict[str, Any]) -> None:
        self.case = case
        self.of: Product = product_of(case["product"], text_of(case["product"]))
        held = {slot: (DATA / path).read_bytes() for slot, path in case.get("held", {}).items()}
        anchors = (DATA / case["anchors"]).read_bytes() if "anchors" in case else None
        self.set = b"" if anchors is None else encode_set(decode_update(anchors).anchors)
        self.context: Context = context_of(
            self.of, device=case["device"], held=held, development=False, anchors=anchors
        )
        self.data = ByteView((DATA / case["artefact"]).read_bytes())

    def flash(self, moment: Moment) -> list[bytes]:
        """What each region holds."""
        flash = Flash(self.of, moment.blocks, Noise("kit"))
        return [bytes(flash.read(name, 0, self.of.memories[name].size)) for name in REGIONS]

    def pack(self) -> bytes:
        """Return struct given, the regions, the delivery and the set that the device holds, if it took one."""
        state = self.context.state
        assert state.bootloader is not None
        battery = NO_BATTERY if state.battery_mwh is None else state.battery_mwh
        hardware = self.of.hardware[0] if state.hardware is None else state.hardware
        words = [self.data.size, len(self.set), hardware, battery, int(state.authorised), len(state.revoked)]
        counters = [state.counters.get(number, 0) for number in self.of.numbers]
        words += counters + [0] * (SET_MAX - len(counters))
        for name in REGIONS:
            memory = self.of.memories[name]
            words += [memory.base, memory.size, memory.erase_block, memory.page, memory.write_unit]
        revoked = b"".join(map(bytes.fromhex, state.revoked)).ljust(32, b"\0")
        said = struct.pack(f"<{len(words)}I", *words) + struct.pack("<4I", *state.bootloader.words()) + revoked
        stage = set_up(self.context, self.data)
        return said + b"".join(self.flash(stage.moment)) + bytes(self.data.read(0, self.data.size)) + self.set

    def left(self, raw: bytes) -> dict[str, bytes]:
        """Return what the run slots hold, from a packed case that a runner has worked on."""
        at = len(raw) - len(self.set) - self.data.size - sum(self.of.memories[name].size for name in REGIONS)
        out = {}
        for name in REGIONS:
            for component in self.of.components.values():
                for slot in map(self.of.slots.__getitem__, (*component.run, *component.header)):
                    if slot.memory == name:
                        out[slot.name] = raw[at + slot.at : at + slot.at + slot.size]
            at += self.of.memories[name].size
        return out

    def wanted(self) -> Mapping[str, bytes]:
        """Return what the model's run slots hold once the set is tried, or as they were."""
        after: Applied = apply(self.context, self.data, ending="trial")
        return (
            after.slots
            if after.verdict.accepted
            else {n: bytes(c.read(0, c.size)) for n, c in self.context.contents.items()}
        )


def unlike(packed: list[Packed], raw: bytes) -> Iterator[str]:
    """Yield the cases whose run slots are not those of the model; of a slot that was free the erased rest does not count."""
    at = 0
    for each in packed:
        size = len(each.pack())
        left, wanted = each.left(raw[at : at + size]), each.wanted()
        at += size
        if each.case["verdict"] == "accepted" and any(
            left[n][: len(wanted[n])] != wanted[n] for n in left if n in wanted
        ):
            yield each.case["name"]


def write(packed: list[Packed], folder: Path) -> None:
    (folder / "batch.bin").write_bytes(b"".join(each.pack() for each in packed))
