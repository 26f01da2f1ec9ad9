"""Deliver a release to devices of which it is known what they run: bytes and values in, bytes and values out.

Nothing that leaves here to be written has been seen by the maker alone: the judge has accepted it for each device.
"""

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from imgseal.check.context import Context
from imgseal.check.delivery import examine
from imgseal.errors import Place, UsageError
from imgseal.flow.contents import Contents, Image
from imgseal.flow.refusal import refuse_unless_accepted
from imgseal.formats.install_record.record import Member
from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
from imgseal.formats.sealed_image.layout import CODE
from imgseal.formats.sealed_image.statement import Statement
from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.delivery import Step
from imgseal.formats.suit.envelope import decode_envelope, envelope_pieces
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.make.deliver import Travels, Wanted, deliver, smallest
from imgseal.make.delta.frame import Side
from imgseal.product.model import Component, Product
from imgseal.product.waiting import room_for_delivery
from imgseal.records import NamedTuple
from imgseal.window import Bytes, ByteView

if TYPE_CHECKING:
    from imgseal.keys.signer import Signer


class Device(NamedTuple):
    """A device that a delivery is for: what to call it, and what the judge knows of it."""

    name: str
    context: Context


class Delivered(NamedTuple):
    """A delivery, its steps with the slots that they fill, and what is to be said of it.

    `manifest` is the digest of its own manifest; empty for a package without some payloads, which has the release's.
    """

    data: bytes
    steps: tuple[tuple[str, Step], ...]
    notes: tuple[str, ...] = ()
    manifest: bytes = b""

    @property
    def bases(self) -> tuple[bytes, ...]:
        """The SHA-256 of each image that a patch starts from."""
        return tuple(sorted({step.base.digest for _, step in self.steps if step.base is not None}))


def devices_after(old: Contents, product: Product, context: Context) -> Iterator[Device]:
    """Yield the devices that run a package: of two run slots they may run either one.

    What it leaves out runs all the same, from either slot, and nobody knows what that is.
    """
    two = [c for c in product.components.values() if len(c.run) > 1]
    for slot in range(2 if two else 1):
        current, contents = {component.number: Member(slot, b"") for component in two}, dict[str, Bytes]()
        for image in old.images.values():
            component = product.components[image.component]
            index = component.run.index(image.slot)
            if len(component.run) > 1 and index != slot:
                continue
            if not component.recovery:
                current[component.number] = Member(index, b"")
            contents[image.slot] = ByteView(image.content)
            if image.header is not None:
                contents[component.header[index]] = ByteView(image.header)
        if contents:
            state = context.state._replace(current=current, fresh=False, authorised=True)
            where = f" from {', '.join(c.run[slot] for c in two)}" if two else ""
            yield Device(f"{old.name}{where}", context._replace(state=state, contents=contents, partial=True))


def delivery(
    release: Bytes, images: Contents, devices: Iterable[Device], product: Product, signer: "Signer"
) -> Delivered:
    """Make the delivery of a release for all of these devices, and judge it for each.

    UsageError where it lacks a build that one of them needs; RefusedError where one of them would refuse it.
    """
    known = list(devices)
    travels: dict[tuple[OurComponent, bytes | None], Travels] = {}
    notes: dict[str, None] = {}
    for device in known:
        for wanted in _wanted(images, device, product):
            base = None if wanted.old is None or not wanted.remade else wanted.old.data
            key = wanted.part, base
            if key not in travels:
                travels[key] = smallest(wanted)
            if not wanted.remade:
                slot = _slot(product, wanted.part)
                notes[f"{slot}: sent as it is, since there is no second place in which a device could make it"] = None
                if _sealed_again(wanted):
                    notes[
                        f"{slot}: only its header is another one; a release that is built with the sealed image of "
                        "the one before in place of the firmware sends nothing of it"
                    ] = None
    data = deliver(decode_envelope(release.read(0, release.size)), _distinct(travels.values()), signer, product)
    steps = sorted({(_slot(product, each.step.part), each.step) for each in travels.values()})
    _refuse_too_large(len(data), len(steps), product)
    for device in known:
        _refuse(data, device)
    return Delivered(data, tuple(steps), tuple(notes), decode_envelope(data).digest.value)


def _sealed_again(wanted: Wanted) -> bool:
    """Say whether the payload is the one that a device has, under another header."""
    if wanted.old is None or wanted.part.header:
        return False
    new, old = (_statement(ByteView(side.data)) for side in (wanted.new, wanted.old))
    return new is not None and old is not None and new.payload_digest == old.payload_digest


def _refuse_too_large(size: int, steps: int, product: Product) -> None:
    """UsageError where a delivery has no room where it waits while it is installed, or its manifest none in RAM."""
    if steps > product.delivery_steps:
        raise UsageError(
            "the delivery has more steps than devices have room for",
            place=Place(key="delivery.steps"),
            expected=f"at most {product.delivery_steps}",
            found=str(steps),
            hint="make it from fewer releases, or one for each device; steps of [delivery] in the product file can be "
            "raised with the device code that is made from it",
        )
    waits = room_for_delivery(product)
    if waits is not None and size > waits[1]:
        raise UsageError(
            "the delivery does not fit where it waits while it is installed",
            place=Place(key=f"slot.{waits[0]}"),
            expected=f"at most {waits[1]} bytes",
            found=f"{size} bytes",
            hint="send the package, which is installed as it comes; or make it from fewer releases",
        )


def thin(release: Bytes, images: Contents, devices: Iterable[Device], product: Product) -> Delivered:
    """Leave out of a package what none of these devices has a use for; the signatures on it stay what they are."""
    known = list(devices)
    slots = {
        _slot(product, wanted.part._replace(header=False)) for d in known for wanted in _wanted(images, d, product)
    }
    envelope = decode_envelope(release.read(0, release.size))
    kept = {
        key: (len(payload), iter([payload]))
        for key, payload in envelope.payloads.items()
        if key[1:].removesuffix(".header").removesuffix(".payload") in slots
    }
    pieces = envelope_pieces(envelope.digest_bytes, envelope.blocks, envelope.manifest, envelope.severed, kept)
    data = b"".join(pieces)
    for device in known:
        _refuse(data, device)
    left = [key for key in envelope.payloads if key not in kept]
    said = f"left out: {', '.join(left)}" if left else "nothing could be left out: these devices need every payload"
    return Delivered(data, (), (said,))


def _refuse(data: bytes, device: Device) -> None:
    verdict, _ = examine(ByteView(data), "the delivery", device.context, device.name)
    refuse_unless_accepted(
        verdict,
        f"{device.name}: this device would refuse it",
        f"{device.name}: nobody could say whether this device would take it",
    )


def _distinct(travels: Iterable[Travels]) -> list[Travels]:
    """Return what travels, each once: where a patch is no smaller, the same image is for devices with other bases."""
    return list({each.step: each for each in travels}.values())


def _wanted(images: Contents, device: Device, product: Product) -> Iterator[Wanted]:
    """Yield what a device needs of a release and does not run already."""
    builds: dict[tuple[int, int], Image] = {}
    for image in images.images.values():
        component = product.components[image.component]
        builds[component.number, component.run.index(image.slot)] = image
    state = device.context.state
    for number in sorted({number for number, _ in builds}):
        component = product.components[next(i.component for (n, _), i in builds.items() if n == number)]
        runs_from = 0 if component.recovery else state.running.get(number)
        if runs_from is not None and _runs(device, component, runs_from, builds.get((number, runs_from))):
            continue
        target = 1 - runs_from if runs_from is not None and len(component.run) > 1 else 0
        targets = [target] if runs_from is not None or len(component.run) == 1 else range(len(component.run))
        for index in targets:
            build = builds.get((number, index))
            if build is None:
                raise UsageError(
                    f"{device.name} needs a build that this release does not have",
                    place=Place(file=images.name),
                    expected=f"a build of {component.name} for {component.run[index]}",
                    found="none",
                    hint="release it with both builds; devices that run from the other slot can take it",
                )
            yield from _parts(product, device, component, index, runs_from, build)


def _runs(device: Device, component: Component, index: int, image: Image | None) -> bool:
    """Say whether a device runs this very image."""
    if image is None:
        return False
    wanted = [(component.run[index], image.content)]
    wanted += [(component.header[index], image.header)] if image.header is not None else []
    contents = device.context.contents
    return all(name in contents and contents[name].read(0, len(data)) == data for name, data in wanted)


def _parts(
    product: Product, device: Device, component: Component, index: int, runs_from: int | None, image: Image
) -> Iterator[Wanted]:
    part = OurComponent(component.number, index, header=False)
    remade = not component.recovery and (len(component.run) > 1 or component.staging is not None)
    code = image.statement.kind == CODE
    new = Side(bytes(image.content), product.slot_base(component.run[index]), code)
    yield Wanted(part, new, _running(product, device, component, runs_from, code=code), remade)
    if image.header is not None:
        yield Wanted(part._replace(header=True), Side(bytes(image.header), None, False), None, remade=False)


def _running(product: Product, device: Device, component: Component, index: int | None, *, code: bool) -> Side | None:
    """Return what a device runs, as long as the image is; None where nothing is known of it."""
    if index is None:
        return None
    content = device.context.contents.get(component.run[index])
    head = device.context.contents.get((component.header or component.run)[index])
    said = None if head is None else _statement(head)
    if content is None or said is None:
        return None
    size = said.payload_size + (0 if component.header else said.header_block)
    return Side(bytes(content.read(0, size)), product.slot_base(component.run[index]), code)


def _statement(head: Bytes) -> Statement | None:
    try:
        return decode_header_block(bytes(head.read(0, HEADER_BLOCK_MAX))).statement
    except SealedFormatError:
        return None


def _slot(product: Product, part: OurComponent) -> str:
    component = product.component(part.number)
    assert component is not None
    return (component.header if part.header else component.run)[part.slot]
