"""Packages of every subset, from images that are sealed once, and the devices that are asked."""

import functools
import hashlib
from collections.abc import Mapping
from typing import NamedTuple

from answers import Question
from fuzz import any_fast_signer
from stages import installed
from variants import Variant, firmware, product, signers
from workshop import BUILD_TIME, Workshop, add_payload, resealed, trust_of

from imgseal.device_state.device import DeviceState, Trial, fresh
from imgseal.flow.release import seal
from imgseal.formats.cbor.strict import encode
from imgseal.formats.install_record.record import Member
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.sbom.bill import Bill
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.keys.trusted_keys import Trust
from imgseal.make.pack import Package, authentication_block, draft
from imgseal.make.seal import SealedImage, SealOptions
from imgseal.product.model import Product
from imgseal.versions import Version
from imgseal.window import ByteView

__all__ = ["Device", "device", "package", "runs", "sealed", "trust", "variant_of"]

_BILL = Bill("CycloneDX", "1.6", 48231, bytes(range(32)))


class Device(NamedTuple):
    state: DeviceState
    contents: Mapping[str, ByteView]
    versions: Mapping[int, Version]
    """Of the bootloader (0) and of what runs."""
    floors: Mapping[int, int]
    """Counters below which nothing is installed: the storage's, and of what runs where that has not taken them."""


def variant_of(asked: Question) -> Variant:
    return Variant(asked.product, asked.several, asked.second, asked.hazard)


@functools.cache
def trust(variant: Variant) -> Trust:
    return trust_of(product(variant, update=False))


@functools.cache
def sealed(variant: Variant, *, update: bool) -> tuple[SealedImage, ...]:
    """Every image of a release. Whether something can hurt is said by the product file alone."""
    if variant.hazard:
        return sealed(variant._replace(hazard=False), update=update)
    of = product(variant, update=update)
    keys = tuple(any_fast_signer(name) for name in signers(variant, "images"))
    options = SealOptions(BUILD_TIME, development=False)
    made: list[SealedImage] = []
    for file in firmware(of, "two" if update else "one"):
        assert isinstance(file.content, MemoryImage)
        made += seal(file.content, of, of.components[file.component], file.name, options, keys, trust(variant))
    return tuple(made)


@functools.lru_cache(maxsize=4)
def _draft(variant: Variant, parts: frozenset[int], *, update: bool, bill: bool, one_build: bool = False) -> Package:
    chosen = tuple(
        image
        for image in sealed(variant, update=update)
        if image.statement.component in parts and not (one_build and image.placed.slot_index == 1)
    )
    return draft(chosen, product(variant, update=update), development=False, bill=_BILL if bill else None)


def _signed(made: Package, by: tuple[str, ...], of: Product) -> Package:
    message = encode(made.digest.to_value())
    return made._replace(blocks=tuple(authentication_block(any_fast_signer(name), message, of) for name in by))


def package(asked: Question, *, bill: bool) -> tuple[bytes, bytes]:
    """The package that a question is about, and its manifest's digest."""
    variant, wrong = variant_of(asked), asked.circumstance
    made = _draft(variant, asked.parts, update=asked.update, bill=bill, one_build=wrong == "one build only")
    by = signers(variant, "packages")
    if wrong == "one signer short":
        by = tuple(name for name in by if "second" not in name)
    elif wrong == "one algorithm short":
        by = tuple(name for name in by if not name.endswith("-pq"))
    elif wrong == "signed by a stranger":
        by = tuple(f"somebody{name}" for name in by)
    elif wrong == "signed at the desk":
        by = tuple(name.replace("keys/", "keys-dev/") for name in by)
    made = _signed(made, by, product(variant, update=asked.update))
    if wrong == "text taken out":
        made = made._replace(severed={label: data for label, data in made.severed.items() if label != 23})
    elif wrong == "install taken out":
        made = made._replace(severed={label: data for label, data in made.severed.items() if label != 20})
    raw = bytearray(b"".join(made.pieces()))
    if wrong == "manifest changed":
        raw[raw.index(made.manifest_bytes) + 4] ^= 1  # the sequence number: a map, 1: 1, 2: number
    elif wrong == "payload changed":
        for image in made.images:
            payload = b"".join(image.payload.chunks())
            raw[raw.index(payload) + len(payload) - 1] ^= 1
    elif wrong == "payload added":
        raw = bytearray(add_payload(bytes(raw), "#zzzzzzzzzzzzzzzzzzzzzzzz", b"x"))
    return bytes(raw), made.digest.value


@functools.cache
def runs(variant: Variant) -> tuple[DeviceState, dict[str, ByteView]]:
    """A device from the production line with the whole first release installed and settled."""
    if variant.hazard:
        return runs(variant._replace(hazard=False))
    of = product(variant, update=False)
    parts = frozenset(component.number for component in of.components.values())
    made = _draft(variant, parts, update=False, bill=False)
    raw = b"".join(_signed(made, signers(variant, "packages"), of).pieces())
    return installed(of, Workshop(of, trust(variant), {}, raw))


def device(asked: Question, digest: bytes) -> Device:
    """The device that is asked; `digest` is the manifest's of the package."""
    variant, wrong = variant_of(asked), asked.circumstance
    of = product(variant, update=False)
    state: DeviceState = fresh(of)._replace(hardware=of.hardware[0])
    contents: Mapping[str, ByteView] = {}
    if asked.update:
        state, contents = runs(variant)
    numbers = [component.number for component in of.components.values()]
    counters = dict(state.counters)
    if wrong == "counter above":
        counters[max(asked.parts)] = 1000
    elif wrong == "another counter above":
        counters.update({number: 1000 for number in numbers if number not in asked.parts})
    revoked = {"package key revoked": "packages", "image key revoked": "images"}.get(wrong)
    state = state._replace(
        counters=counters,
        authorised=wrong != "not authorised",
        battery_mwh=10 if wrong == "battery low" else None,
        refused=(digest,) if wrong == "failed before" else (),
        trial=Trial(90, bytes(32), True, 1, 1, {}, ()) if wrong == "another in trial" else None,
        revoked=() if revoked is None else (any_fast_signer(f"keys/{revoked}").public.key_id.hex(),),
        hardware=of.hardware[1] + 1 if wrong == "other hardware" else of.hardware[0],
        bootloader=Version(0, 9, 0) if wrong == "bootloader older" else state.bootloader,
    )
    if wrong == "sequence below":
        state = state._replace(sequence=1000)
    elif asked.update and wrong in ("sequence reused", "the same release again"):
        same = digest if wrong == "the same release again" else bytes(32)
        state = state._replace(sequence=40, manifest_digest=same)
    if asked.update and asked.free == 0:
        state = _moved(of, state)
    floors = dict(counters)
    if wrong == "counters are behind":
        state, contents, ahead = _ahead(variant, state, contents, max(asked.parts))
        floors.update(ahead)
    versions = {c.number: c.version for c in of.components.values() if c.number in state.running}
    if state.bootloader is not None:
        versions[0] = state.bootloader
    return Device(state, contents, versions, floors)


def _ahead(
    variant: Variant, state: DeviceState, contents: Mapping[str, ByteView], number: int
) -> tuple[DeviceState, Mapping[str, ByteView], dict[int, int]]:
    """The same device, whose storage has not taken the counter of a component: what runs has a higher one than its update."""
    state = state._replace(unraised=True)
    member = state.current.get(number)
    if member is None:
        return state, contents, {}
    image = next(
        i
        for i in sealed(variant, update=False)
        if i.statement.component == number and i.placed.slot_index == member.slot
    )
    higher = image.statement.counter + 2
    component = next(c for c in product(variant, update=False).components.values() if c.number == number)
    raw = b"".join(image.pieces())
    raw = resealed(raw, lambda s: s._replace(counter=higher), by=signers(variant, "images"))
    slot = (component.header or component.run)[member.slot]
    digest = hashlib.sha256(raw[:STATEMENT_BYTES]).digest()
    current = {**state.current, number: Member(member.slot, digest)}
    contents = {**contents, slot: ByteView(raw)}
    if component.header:
        contents[component.run[member.slot]] = ByteView(b"".join(image.payload.chunks()))
    return state._replace(current=current), contents, {number: higher}


def _moved(of: Product, state: DeviceState) -> DeviceState:
    """The same device running from its second run slots, so that the first are free."""
    current = dict(state.current)
    for component in of.components.values():
        if len(component.run) > 1 and component.number in current:
            current[component.number] = Member(1, b"")
    return state._replace(current=current)
