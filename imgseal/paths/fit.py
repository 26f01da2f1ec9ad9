"""Judges packages for the devices of the log, and plays their installation: what is asked of judge and rehearsal."""

import hashlib
from collections.abc import Callable, Iterable, Mapping

from imgseal.check.context import Context
from imgseal.device_state.device import DeviceState, fresh
from imgseal.device_state.fielded import LOG, Fielded
from imgseal.flow.contents import Image
from imgseal.formats.install_record.record import Member
from imgseal.keys.anchor_set import trust_logged
from imgseal.keys.trusted_keys import Trust
from imgseal.paths.history import Device
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.window import Bytes, ByteView
from imgseal.workspace.log_entries import laid_out_as


class Maker(NamedTuple):
    """What a product file says of the devices of one class and variant, and the day on which keys are in force."""

    product: Product
    trust: Trust
    day: str

    def laid_out_as(self, device: Device) -> "Maker | None":
        """Return it for devices that are laid out as the log says; None where the product file knows too little."""
        if device.made.layout is None:
            return self
        product = laid_out_as(self.product, device.made.layout)
        return None if product is None else self._replace(product=product)


def context_of(
    maker: Maker, device: Device, withdrawn: Iterable[bytes] = (), contents: Mapping[str, Bytes] | None = None
) -> Context:
    """Return what a device of the log is judged by; `contents` are those of its slots, as far as they are known.

    `withdrawn` are the manifests of releases that it is to take no more.
    """
    trust = maker.trust if device.made.anchors is None else trust_logged(device.made.anchors, maker.trust)
    product = maker.product if device.hardware is None else maker.product._replace(hardware=device.hardware)
    return Context(product, trust, _state(product, device, withdrawn), contents or {}, day=maker.day)


def _state(product: Product, device: Device, withdrawn: Iterable[bytes]) -> DeviceState:
    """Return the state of a device that has taken a release, and settled."""
    known = {part.number: part for part in product.components.values() if not part.recovery}
    running = {n: image for n, image in device.images if n in known and image.slot in known[n].run}
    bootloader, release = device.made.bootloader, device.release
    return fresh(product)._replace(
        sequence=release.sequence,
        manifest_digest=release.manifest,
        counters=dict(device.counters),
        current={n: Member(known[n].run.index(image.slot), image.statement) for n, image in running.items()},
        versions={n: image.version for n, image in running.items()},
        bootloader=bootloader,
        fielded=Fielded(bootloader, bootloader, LOG, f"entry {device.since} of the release log"),
        withdrawn=tuple(sorted(withdrawn)),
        revoked=tuple(key.hex() for key in device.made.revoked),
        fresh=False,
    )


def slots_of(product: Product, device: Device, find: Callable[[bytes], Image | None]) -> Mapping[str, Bytes] | None:
    """Return what lies in the run slots of a device; None where an image is missing, which `find` has by its statement.

    An image that is not whole counts as missing.
    """
    out: dict[str, Bytes] = {}
    for number, logged in device.images:
        part = product.component(number)
        image = find(logged.statement)
        if part is None or part.recovery or logged.slot not in part.run:
            continue
        if image is None or image.slot != logged.slot or not _is_whole(image):
            return None
        out[image.slot] = ByteView(image.content)
        if image.header is not None:
            out[part.header[part.run.index(image.slot)]] = ByteView(image.header)
    return out


def _is_whole(image: Image) -> bool:
    said = image.statement
    payload = image.content[0 if said.detached else said.header_block :]
    return len(payload) == said.payload_size and hashlib.sha256(payload).digest() == said.payload_digest
