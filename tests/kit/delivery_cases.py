"""Cases of deliveries: what is wrapped around a release, and what its steps make of what a device runs; docs/format/delivery.md."""

import functools
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parents[1] / "rehearse"))
sys.path.insert(0, str(Path(__file__).parents[1] / "delivery"))

import anchor_cases
from forced import KINDS, forced
from image_cases import Case, device, flip, held
from kit_base import RAM_END, good, product
from run_python import context_of
from spoilt import around, inside, of, payload, said, signed, stepped
from workshop import make, public_key, repacked, signer, trust_of

from imgseal.check.context import Context
from imgseal.demo.firmware import code, phrases
from imgseal.flow.contents import read_contents
from imgseal.flow.deliver import Device, delivery
from imgseal.flow.release import FirmwareFile
from imgseal.formats.cose.sign1 import assemble, protected_header
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.suit.delivery import Base, Step
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.trust_anchors.codec import DELIVERIES
from imgseal.keys.anchor_set import anchor_set
from imgseal.make.delta.encode import encode
from imgseal.window import ByteView

KIND = "kit-deliveries"
KEY = "keys/deliveries"
NUMBERS = {"app": 1, "radio": 2, "table": 3, "plain": 4}


@functools.cache
def release(*components: str, sequence: int = 10, mark: str = "two") -> bytes:
    """A release in which these components are new, and the others are what the device runs."""
    base = product(KIND)
    raised = {
        name: each._replace(counter=(each.counter or 0) + 1) if name in components else each
        for name, each in base.components.items()
    }
    newer = base._replace(components=raised, release=base.release._replace(sequence=sequence))
    files = []
    for component in newer.components.values():
        for slot in component.run if component.name != "large" else ():
            link = newer.slot_base(slot) + (0 if component.header else component.header_block)
            title = f"{component.name} {mark}" if component.name in components else component.name
            size = 420 if component.name in components else 300
            data = (
                code(title, link=link, size=size, vectors=16, stack=RAM_END)
                if component.kind == "code"
                else phrases(title, size)
            )
            files.append(FirmwareFile(component.name, slot, MemoryImage.from_bytes(link, data)))
    return make(newer, files=files).package


def runs(**changes: Any) -> dict[str, Any]:
    return device(battery_mwh=500, **changes)


def context(state: dict[str, Any] | None = None, lies: dict[str, bytes] | None = None) -> Context:
    lies = held() if lies is None else lies
    return context_of(product(KIND), device=state or runs(), held=lies, development=False)


def delivered(*components: str, kind: str = "patch", to: tuple[Context, ...] = (), **of_release: Any) -> bytes:
    """The delivery of a release of these components, its images all of one kind as far as a device can take it."""
    raw = release(*components, **of_release)
    known = [Device(f"unit {n}", each) for n, each in enumerate(to or (context(),))]
    with patch("imgseal.flow.deliver.smallest", functools.partial(forced, kind)):
        made = delivery(ByteView(raw), read_contents(raw, "release", product(KIND)), known, product(KIND), signer(KEY))
    return made.data


ALL = tuple(NUMBERS)


def delivery_cases() -> Iterator[Case]:
    for name, data, first, *more in (*_good(), *_wrapping(), *_steps(), *_histories(), *_sets()):
        changes: dict[str, Any] = {"product": KIND, "device": runs(), "held": held(), **(more[0] if more else {})}
        yield Case(f"delivery-{name}", data, first, **changes)


Row = tuple[Any, ...]


def _other_slot() -> tuple[dict[str, Any], dict[str, bytes]]:
    """A device that runs the app from its other slot."""
    lies = {name: data for name, data in held().items() if name != "app-a"}
    state = runs()
    current = {**state["current"], "1": {"slot": 1}}
    return {**state, "current": current}, {**lies, "app-b": good().images["app-b"]}


def _good() -> Iterator[Row]:
    for kind in KINDS:
        yield f"all-{kind}", delivered(*ALL, kind=kind), "accepted"
        for name in ALL:
            if kind == "plain" or name != "table":
                yield f"{name}-{kind}", delivered(name, kind=kind), "accepted"
    yield "no-steps", delivered(), "accepted"
    state, lies = _other_slot()
    both = delivered("app", to=(context(), context(state, lies)))
    yield "both-ways", both, "accepted"
    yield "both-ways-from-the-other-slot", both, "accepted", {"device": state, "held": lies}
    yield "of-the-other-slot", delivered("app"), "rules.directive-failed", {"device": state, "held": lies}
    by_packages = signed(delivered("app"), by=("keys/packages",))
    yield "by-a-key-for-packages-where-there-is-no-other", by_packages, "accepted", {"product": "kit"}
    nothing = {"device": runs(current={}), "held": {}, "device_first": "rules.directive-failed"}
    yield "where-nothing-runs", delivered("app"), "digest.base", nothing


def _wrapping() -> Iterator[Row]:
    app, both = delivered("app"), delivered("app", "radio")
    block = decode_envelope(app).blocks[0]
    yield "by-a-key-for-packages", signed(app, by=("keys/packages",)), "signature.wrong-key"
    yield "by-a-key-for-images", signed(app, by=("keys/images",)), "signature.wrong-key"
    yield "by-nobody", signed(app, by=()), "trust.no-signature"
    yield "by-two", signed(app, by=("keys/somebody", KEY)), "accepted"
    yield "signature-bit", app.replace(block, flip(block, len(block) - 9)), "signature.wrong-key"
    yield "signature-of-zeros", app.replace(block, assemble(-9, bytes(64))), "signature.malformed"
    other = block.replace(protected_header(-9), protected_header(-8))
    yield "algorithm", app.replace(block, other), "trust.algorithm-not-allowed"
    revoked = {"device": runs(revoked=[signer(KEY).public.key_id.hex()])}
    yield "revoked", app, "trust.key-revoked", revoked
    yield "manifest-bit", flip(app, app.index(of(app).vendor_id)), "signature.manifest-digest"
    raw = decode_envelope(app).manifest
    for name, changed in (
        ("longer", raw + b"\0"),
        ("cut", raw[:-1]),
        ("version", raw.replace(b"\x01\x01", b"\x01\x02", 1)),
    ):
        yield f"manifest-{name}", signed(app, manifest=lambda _, changed=changed: changed), "structure.manifest"
    yield "vendor", said(app, vendor_id=bytes(16)), "identity.wrong-vendor"
    yield "class", said(app, class_id=bytes(16)), "identity.wrong-class"
    yield "hardware", app, "identity.wrong-hardware", {"device": runs(hardware=9)}
    yield "sequence", said(app, sequence=9), "identity.layers-disagree"
    yield "release-exchanged", inside(app, release("app", "radio")), "signature.manifest-digest"
    yield "release-not-named", said(app, release=bytes(32)), "signature.manifest-digest"
    yield "release-with-payloads", inside(app, release("app"), whole=True), "structure.unsigned-member"
    yield "release-empty", signed(app, payloads=lambda it: {**it, "#": b""}), "structure.envelope"
    yield "release-cut", signed(app, payloads=lambda it: {**it, "#": it["#"][:-5]}), "structure.envelope"
    forged = repacked(release("app"), by=(KEY,))
    yield "release-by-the-deliverer", around(app, forged), "signature.wrong-key"
    yield "release-by-the-deliverer-alone", forged, "signature.wrong-key"
    yield (
        "release-by-the-deliverer-exchanged",
        inside(app, repacked(release("app", "radio"), by=(KEY,))),
        "signature.manifest-digest",
    )
    yield "payload-too-many", signed(app, payloads=lambda it: {**it, "#01": b"x"}), "structure.unsigned-member"
    yield "payload-missing", signed(app, payloads=lambda it: {"#": it["#"]}), "rules.directive-failed"
    second = signed(both, payloads=lambda it: {key: it[key] for key in it if key != "#01"})
    yield "second-payload-missing", second, "rules.directive-failed"
    yield "severed", signed(app, severed=lambda it: {**it, 23: b"\xa0"}), "structure.unsigned-member"
    for cut in (1, len(payload(app)), len(app) - 100, len(app) - 8):
        yield f"cut-{cut}", app[:-cut], "structure.envelope"
    yield "byte-more", app + b"\0", "structure.envelope"
    yield "step-missing", signed(said(app, steps=()), payloads=lambda it: {"#": it["#"]}), "rules.directive-failed"


def _steps() -> Iterator[Row]:
    app, both = delivered("app"), delivered("app", "radio")
    part, step = payload(app), of(app).steps[0]
    base = step.base
    assert base is not None

    def based(size: int, digest: bytes = base.digest) -> Callable[[Step], Step]:
        return lambda each: each._replace(base=Base(size, digest))

    same: Callable[[Step], Step] = lambda each: each  # noqa: E731
    yield "base", stepped(app, based(base.size, bytes(32))), "digest.base"
    yield "base-shorter", stepped(app, based(base.size - 1)), "digest.base"
    yield "base-of-all-memory", stepped(app, based(0xFFFF_FFFF)), "digest.base"
    damaged = {"held": held(app_a=flip(held()["app-a"], 600))}
    yield "base-damaged", app, "digest.base", damaged
    yield "patch-shorter", signed(app, payloads=lambda it: {**it, "#00": part[:-1]}), "digest.patch"
    yield "patch-longer", signed(app, payloads=lambda it: {**it, "#00": part + b"\0"}), "digest.patch"
    yield "patch-changed", signed(app, payloads=lambda it: {**it, "#00": flip(part, 9)}), "digest.patch"
    yield (
        "order-base-and-patch",
        signed(stepped(app, based(base.size, bytes(32))), payloads=lambda it: {**it, "#00": flip(part, 9)}),
        "digest.patch",
    )
    yield "order-patch-and-form", signed(app, payloads=lambda it: {**it, "#00": b"\x09" + part[1:]}), "digest.patch"
    for name, bad in (
        ("version", b"\x09" + part[1:]),
        ("ends-early", part[:-1]),
        ("goes-on", part + b"\1"),
        ("byte", b"\1"),
    ):
        yield f"form-{name}", stepped(app, same, bad), "structure.patch"
    alone: Callable[[Step], Step] = lambda each: each._replace(base=None, form="compressed")  # noqa: E731
    yield "form-without-its-base", stepped(app, alone), "structure.patch"
    plain = delivered("app", kind="plain")
    new = payload(plain)
    for name, other in (
        ("payload", flip(new, 600)),
        ("last-byte", flip(new, len(new) - 1)),
        ("cut", new[:-1]),
        ("longer", new + b"\xff"),
    ):
        yield f"result-{name}", stepped(plain, same, other), "digest.result"
    later = payload(delivered("app", kind="plain", mark="three"))
    yield "result-of-another-release", stepped(plain, same, later), "digest.result"
    packed = encode(b"", flip(new, 600), None).data
    yield "result-compressed", stepped(plain, alone, packed), "digest.result"

    def to(**changes: Any) -> bytes:
        return stepped(app, lambda each: each._replace(part=each.part._replace(**changes)))

    yield "slot-that-runs", to(slot=0), "rules.directive-failed"
    yield "slot-that-is-none", to(slot=2), "identity.layers-disagree"
    yield "component-that-is-none", to(number=9), "identity.layers-disagree"
    yield "header-that-is-none", to(header=True), "identity.layers-disagree"
    table = delivered("table", kind="plain")
    squeezed = encode(b"", payload(table), None).data
    yield "no-second-place", stepped(table, alone, squeezed), "identity.layers-disagree"
    yield "second-step", stepped(both, same, b"\1", number=1), "structure.patch"
    turned = signed(
        said(both, steps=of(both).steps[::-1]), payloads=lambda it: {**it, "#00": it["#01"], "#01": it["#00"]}
    )
    yield "steps-in-another-order", turned, "structure.manifest"
    twice = signed(said(app, steps=(step, step)), payloads=lambda it: {**it, "#01": part})
    yield "step-twice", twice, "structure.manifest"
    for count, first in ((10, "accepted"), (12, "accepted"), (13, "rules.too-many-steps")):
        others = (step._replace(base=Base(base.size, bytes([n]) * 32)) for n in range(count - 1))
        there = {"#": payload(app, "#"), **{f"#{n:02}": part for n in range(count)}}
        stated = said(app, steps=(*others, step))
        yield f"{count}-bases", signed(stated, payloads=lambda _, there=there: there), first


def _histories() -> Iterator[Row]:
    app = delivered("app")
    yield "older-release", app, "rollback.sequence-too-low", {"device": runs(sequence=100)}
    digest = decode_envelope(release("app")).digest.value.hex()
    yield "failed-before", app, "rules.failed-before", {"device": runs(refused=[digest])}
    yield "not-authorised", app, "rules.not-authorised", {"device": runs(authorised=False)}
    other = {"device": runs(sequence=10, manifest_digest="00" * 32)}
    yield "sequence-reused", app, "rollback.sequence-reused", other


def _sets() -> Iterator[Row]:
    """To devices that hold a set of trust anchors: its keys sign deliveries, whatever the product file names."""
    factory = anchor_set(trust_of(product(KIND)), product(KIND))
    others = tuple(each for each in factory.anchors if each.role != DELIVERIES)
    gone = (public_key(KEY).key_id,)
    app, second = delivered("app"), "keys/other-deliveries"
    sets = {
        "set": (factory._replace(number=1), (KEY,)),
        "set-of-another": (
            factory._replace(number=1, anchors=(*others, anchor_cases.anchor(DELIVERIES, second)), revoked=gone),
            (second,),
        ),
        "set-without": (factory._replace(number=1, anchors=others), ("keys/packages",)),
    }
    for name, (anchors, good_) in sets.items():
        held_set = {"anchors": anchor_cases.signed(anchors)}
        for by in (KEY, second, "keys/packages", "keys/images"):
            code_ = "accepted" if by in good_ else "signature.wrong-key"
            yield f"{name}-by-{by.removeprefix('keys/')}", signed(app, by=(by,)), code_, held_set
    held_set = {"anchors": anchor_cases.signed(sets["set-of-another"][0])}
    forged = repacked(release("app"), by=(second,))
    yield "set-release-by-the-deliverer", signed(around(app, forged), by=(second,)), "signature.wrong-key", held_set
    yield "set-release-by-the-deliverer-alone", forged, "signature.wrong-key", held_set
