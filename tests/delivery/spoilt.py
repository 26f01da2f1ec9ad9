"""Deliveries with one thing wrong each, and who is offered them: every code, and every place that a reader looks at."""

import hashlib
import random
from collections.abc import Callable, Iterator
from itertools import permutations
from typing import Any, NamedTuple

from changes import Change, package
from delivered import KEY, TWO, after, context, from_the_other_slots, made
from test_held_already import third
from workshop import repacked, signer

from imgseal.check.context import Context
from imgseal.flow.contents import read_contents
from imgseal.flow.deliver import Device, delivery
from imgseal.formats.cose.sign1 import assemble, protected_header
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command
from imgseal.formats.suit.delivery import Base, Delivery, Step, decode_delivery, encode_delivery
from imgseal.formats.suit.envelope import decode_envelope, envelope_pieces
from imgseal.formats.suit.manifest import decode_manifest, encode_manifest
from imgseal.limits import DELIVERY_STEPS_MOST
from imgseal.make.delta.encode import encode
from imgseal.rehearse.apply import apply
from imgseal.window import ByteView

APP, RADIO = Change(TWO, ("app",), "again"), Change(TWO, ("radio",), "again")
BOTH = Change(TWO, ("app", "radio"), "again")


class Offer(NamedTuple):
    """What is offered to a device, and the code that it is refused by; `accepted`."""

    name: str
    data: bytes
    to: Context
    code: str


def signed(data: bytes, *, by: tuple[str, ...] = (KEY,), **changes: Any) -> bytes:
    return repacked(data, by=by, **changes)


def said(data: bytes, **changes: Any) -> bytes:
    """Other values in its manifest, signed again."""
    return signed(data, manifest=lambda raw: encode_delivery(decode_delivery(raw)._replace(**changes)))


def of(data: bytes) -> Delivery:
    return decode_delivery(decode_envelope(data).manifest)


def payload(data: bytes, key: str = "#00") -> bytes:
    return bytes(decode_envelope(data).payloads[key])


def stepped(data: bytes, edit: Callable[[Step], Step], what: bytes | None = None, number: int = 0) -> bytes:
    """Another step, and what travels for it; `what` is signed for."""
    steps = list(of(data).steps)
    steps[number] = edit(steps[number])
    payloads: Callable[[dict[str, bytes]], dict[str, bytes]] = lambda all_: all_  # noqa: E731
    if what is not None:
        steps[number] = steps[number]._replace(size=len(what), digest=hashlib.sha256(what).digest())
        payloads = lambda all_: {**all_, f"#{number:02}": what}  # noqa: E731
    changed = encode_delivery(of(data)._replace(steps=tuple(steps)))
    return signed(data, manifest=lambda _: changed, payloads=payloads)


def inside(data: bytes, release: bytes, *, whole: bool = False) -> bytes:
    """Another release in it; its manifest stays."""
    it = decode_envelope(release)
    severed = {label: content for label, content in it.severed.items() if label == 20}
    pieces = envelope_pieces(it.digest_bytes, it.blocks, it.manifest, severed, {})
    content = release if whole else b"".join(pieces)
    return signed(data, payloads=lambda all_: {**all_, "#": content})


def around(data: bytes, release: bytes) -> bytes:
    """The same with the release named."""
    return said(inside(data, release), release=decode_envelope(release).digest.value)


def both_ways() -> bytes:
    """A delivery for devices that run the second release's app from either slot."""
    return of_the_third(context(TWO), from_the_other_slots(TWO))


def of_the_third(*devices: Context) -> bytes:
    """A delivery of the release behind those that both ran."""
    raw, product = third(TWO, ("app",)), devices[0].product
    known = [Device(f"unit {n}", each) for n, each in enumerate(devices)]
    return delivery(ByteView(raw), read_contents(raw, "x", product), known, product, signer(KEY)).data


def flipped(data: bytes, at: int) -> bytes:
    return data[:at] + bytes((data[at] ^ 1,)) + data[at + 1 :]


def offers() -> Iterator[Offer]:
    """Every offer; to a device of two cores that runs the first release, where nothing else is said."""
    yield from map(_of_four, _wrapping())
    yield from map(_of_four, _steps())
    yield from map(_of_four, _histories())


def _of_four(row: tuple[Any, ...]) -> Offer:
    name, data, code, *to = row
    return Offer(name, data, to[0] if to else context(TWO), code)


def _wrapping() -> Iterator[tuple[Any, ...]]:
    app, both = made(APP).data, made(BOTH).data
    block = decode_envelope(app).blocks[0]
    yield "as it is", app, "accepted"
    yield "two components", both, "accepted"
    yield "by a key for packages", signed(app, by=("keys/packages",)), "signature.wrong-key"
    yield "by a key for images", signed(app, by=("keys/images",)), "signature.wrong-key"
    yield "by nobody", signed(app, by=()), "trust.no-signature"
    yield "by two", signed(app, by=("keys/somebody", KEY)), "accepted"
    yield "one flipped bit of its signature", app.replace(block[-9:], flipped(block[-9:], 0)), "signature.wrong-key"
    none = assemble(-9, bytes(64))
    yield "a value of no key", app.replace(block, none), "signature.malformed"
    yield (
        "by an algorithm of others",
        app.replace(block, block.replace(protected_header(-9), protected_header(-8))),
        ("trust.algorithm-not-allowed"),
    )
    at = app.index(of(app).vendor_id)
    yield "its manifest changed", flipped(app, at), "signature.manifest-digest"
    yield "for another vendor", said(app, vendor_id=bytes(16)), "identity.wrong-vendor"
    yield "for another class", said(app, class_id=bytes(16)), "identity.wrong-class"
    yield "another sequence", said(app, sequence=1), "identity.layers-disagree"
    yield "the release exchanged", inside(app, package(BOTH)), "signature.manifest-digest"
    yield "another release named", said(app, release=bytes(32)), "signature.manifest-digest"
    yield "the release with payloads", inside(app, package(APP), whole=True), "structure.unsigned-member"
    yield "no release", signed(app, payloads=lambda it: {**it, "#": b""}), "structure.envelope"
    forged = repacked(package(APP), by=(KEY,))
    yield "around a release by its own key", around(app, forged), "signature.wrong-key"
    yield "a release by its own key, alone", forged, "signature.wrong-key"
    yield (
        "the release exchanged for one by its own key",
        inside(app, repacked(package(BOTH), by=(KEY,))),
        ("signature.manifest-digest"),
    )
    short = signed(app, payloads=lambda it: {**it, "#": it["#"][:-5]})
    yield "the release cut short", short, "structure.envelope"
    yield "a payload too many", signed(app, payloads=lambda it: {**it, "#01": b"x"}), "structure.unsigned-member"
    yield "a payload missing", signed(app, payloads=lambda it: {"#": it["#"]}), "rules.directive-failed"
    yield (
        "the second one missing",
        signed(both, payloads=lambda it: {k: v for k, v in it.items() if k != "#01"}),
        ("rules.directive-failed"),
    )
    yield (
        "the first one missing",
        signed(both, payloads=lambda it: {k: v for k, v in it.items() if k != "#00"}),
        ("rules.directive-failed"),
    )
    yield (
        "one missing, and another there",
        signed(both, payloads=lambda it: {("#02" if k == "#00" else k): v for k, v in it.items()}),
        "structure.unsigned-member",
    )
    yield "a severed member", signed(app, severed=lambda it: {**it, 23: b"\xa0"}), "structure.unsigned-member"
    for cut in (1, 40, len(payload(app)), len(app) - 100, len(app) - 8):
        yield f"{cut} bytes less", app[:-cut], "structure.envelope"
    yield "a byte more", app + b"\0", "structure.envelope"
    yield "no steps", signed(said(app, steps=()), payloads=lambda it: {"#": it["#"]}), "rules.directive-failed"


def _steps() -> Iterator[tuple[Any, ...]]:
    app, both = made(APP).data, made(BOTH).data
    patch = payload(app)
    based = of(app).steps[0].base
    assert based is not None
    size = based.size

    def other(base: Base | None) -> Callable[[Step], Step]:
        return lambda step: step._replace(base=base, form="compressed" if base is None else "patch")

    yield "another base", stepped(app, other(Base(size, bytes(32)))), "digest.base"
    yield "less of the base", stepped(app, other(Base(size - 1, based.digest))), "digest.base"
    yield "all that there is", stepped(app, other(Base(0xFFFF_FFFF, based.digest))), "digest.base"
    yield "a patch without its base", stepped(app, other(None)), "structure.patch"
    short = signed(app, payloads=lambda it: {**it, "#00": patch[:-1]})
    yield "a shorter patch", short, "digest.patch"
    yield "a longer one", signed(app, payloads=lambda it: {**it, "#00": patch + b"\0"}), "digest.patch"
    yield "another patch", signed(app, payloads=lambda it: {**it, "#00": flipped(patch, 9)}), "digest.patch"
    yield "another stated size", stepped(app, lambda step: step._replace(size=step.size + 1)), "digest.patch"
    yield "a patch of a newer version", stepped(app, lambda step: step, b"\x09" + patch[1:]), "structure.patch"
    yield "one that ends early", stepped(app, lambda step: step, patch[:-1]), "structure.patch"
    yield "one that goes on", stepped(app, lambda step: step, patch + b"\1"), "structure.patch"
    yield "a byte of one", stepped(app, lambda step: step, b"\1"), "structure.patch"
    images = {key: bytes(view) for key, view in decode_envelope(package(APP)).payloads.items()}
    here = context(TWO)
    free = here.product.components["app"].run[1 - here.state.running[1]]
    new = images[f"#{free}"]
    plain: Callable[[Step], Step] = lambda step: step._replace(base=None, form="plain")  # noqa: E731
    yield "plain", stepped(app, plain, new), "accepted"
    for at in (600, len(new) - 1):
        yield f"plain, byte {at} changed", stepped(app, plain, flipped(new, at)), "digest.result"
    yield "plain, shorter", stepped(app, plain, new[:-1]), "digest.result"
    yield "plain, longer", stepped(app, plain, new + b"\xff"), "digest.result"
    yield (
        "the build for the other slot",
        stepped(app, lambda step: step._replace(part=step.part._replace(slot=1 - step.part.slot))),
        ("rules.directive-failed"),
    )
    yield (
        "a component that is none",
        stepped(app, lambda step: step._replace(part=step.part._replace(number=9))),
        "identity.layers-disagree",
    )
    yield (
        "a third run slot",
        stepped(app, lambda step: step._replace(part=step.part._replace(slot=2))),
        "identity.layers-disagree",
    )
    yield (
        "a header",
        stepped(app, lambda step: step._replace(part=step.part._replace(header=True))),
        "identity.layers-disagree",
    )
    for count in (2, 10, 12, 13, 24, 30):
        yield f"{count} bases", many_bases(count), "accepted" if count <= 12 else "rules.too-many-steps"
    yield "the second step wrong", stepped(both, lambda step: step, b"\1", number=1), "structure.patch"
    yield from orders()
    yield from branches()


def orders() -> Iterator[tuple[str, bytes, str]]:
    """Every order of a few steps, each of them twice, and pairs that differ in one value of their place."""
    here = context(TWO)
    every = made(BOTH, here, here._replace(state=here.state._replace(current={}), contents={})).data
    for name, data in (("both ways", both_ways()), ("every base", every)):
        steps = of(data).steps
        right = tuple(range(len(steps)))
        for order in (*permutations(right), *(tuple(sorted((*right, twice))) for twice in right)):
            code = "accepted" if order == right else "structure.manifest"
            yield f"{name}, steps {order}", with_steps(data, tuple(steps[k] for k in order), order), code
    app = made(APP).data
    step = of(app).steps[0]
    for what, one, other in neighbours(step):
        yield f"{what}, as it should be", with_steps(app, (one, other), (0, 0)), ""
        for pair in ((other, one), (one, one), (one, other, one)):
            yield f"{what}, not in order", with_steps(app, pair, (0,) * len(pair)), "structure.manifest"
    other = step._replace(base=Base(1, step.base.digest if step.base else b""))
    for pair in ((step, other), (other, step)):
        yield "a base of two sizes", with_steps(app, pair, (0, 0)), "structure.manifest"


def many_bases(count: int) -> bytes:
    """A delivery for devices with so many bases; one of them exists."""
    app = made(APP).data
    step, patch = of(app).steps[0], payload(app)
    assert step.base is not None
    others = [step._replace(base=Base(step.base.size, bytes([0] * 31 + [n]))) for n in range(count - 1)]
    keys = {f"#{n:02}": patch for n in range(count)}
    return signed(said(app, steps=(*others, step)), payloads=lambda it: {"#": it["#"], **keys})


def room_for(steps: int) -> Iterator[Offer]:
    """To devices with room for other numbers of steps than where the product file says nothing."""
    here = context(TWO)
    here = here._replace(product=here.product._replace(delivery_steps=steps))
    for count in sorted({1, 2, steps - 1, steps, min(steps + 1, DELIVERY_STEPS_MOST), DELIVERY_STEPS_MOST} - {0}):
        yield Offer(f"{count}", many_bases(count), here, "accepted" if count <= steps else "rules.too-many-steps")
    if steps == DELIVERY_STEPS_MOST:
        yield Offer("more than any has", many_bases(steps + 1), here, "structure.manifest")


def branches() -> Iterator[tuple[str, bytes, str]]:
    """Steps for one component outside a try-each, each in one of its own, and those for two components in one."""
    here = context(TWO)
    every = made(BOTH, here, here._replace(state=here.state._replace(current={}), contents={})).data
    for data in (every, made(BOTH).data):
        manifest = decode_manifest(decode_envelope(data).manifest)
        install = manifest.members[labels.INSTALL]
        assert isinstance(install, tuple)
        opening, closing = install[:4], install[-2:]
        all_: list[tuple[Command, ...]] = []
        for command in install[4:-2]:
            if isinstance(command.argument, tuple):
                all_ += command.argument
            elif command.code == labels.SET_COMPONENT_INDEX:
                all_.append((command,))
            else:
                all_[-1] += (command,)
        for what, between in (
            ("none", [command for each in all_ for command in each]),
            ("each alone", [Command(labels.TRY_EACH, (each,)) for each in all_]),
            ("all in one", [Command(labels.TRY_EACH, tuple(all_))]),
        ):
            again = manifest._replace(members={labels.INSTALL: (*opening, *between, *closing)})
            raw = encode_manifest(again)
            code = "structure.manifest" if raw != decode_envelope(data).manifest else "accepted"
            yield f"{len(all_)} steps, try-each: {what}", signed(data, manifest=lambda _, raw=raw: raw), code


def neighbours(step: Step) -> Iterator[tuple[str, Step, Step]]:
    """Pairs of steps in their order, of which all other values say the opposite where they count less."""
    part, last = step.part, bytes([255] * 32)

    def at(number: int, slot: int, base: bytes | None, *, header: bool = False) -> Step:
        form = "plain" if base is None else "patch"
        start = None if base is None else Base(9, base)
        return step._replace(part=part._replace(number=number, slot=slot, header=header), form=form, base=start)

    yield "component", at(1, 1, None, header=True), at(2, 0, bytes(32))
    yield "component above 127", at(127, 1, None, header=True), at(128, 0, bytes(32))
    yield "header", at(1, 1, None), at(1, 0, bytes(32), header=True)
    yield "slot", at(1, 0, None), at(1, 1, bytes(32))
    yield "slot above 127", at(1, 127, None), at(1, 128, bytes(32))
    yield "base", at(1, 1, last), at(1, 1, None)
    for byte in (0, 1, 15, 30, 31):
        for low, high in ((0, 1), (127, 128), (0, 255)):
            more, less = bytes(31 - byte), bytes([255] * (31 - byte))
            first, second = bytes([*bytes(byte), low]) + less, bytes([*bytes(byte), high]) + more
            yield f"byte {byte} of the base", at(1, 1, first), at(1, 1, second)


def with_steps(data: bytes, steps: tuple[Step, ...], fetched: tuple[int, ...]) -> bytes:
    """Other steps, which fetch what those with these numbers did."""
    payloads = decode_envelope(data).payloads
    moved = {f"#{n:02}": bytes(payloads[f"#{k:02}"]) for n, k in enumerate(fetched)}
    return signed(said(data, steps=steps), payloads=lambda all_: {"#": all_["#"], **moved})


def every_byte() -> Iterator[Offer]:
    """A bit turned in each byte of the manifests of two deliveries, one with branches, and signed again."""
    for name, data in (("app and radio", made(BOTH).data), ("both ways", both_ways())):
        raw = decode_envelope(data).manifest
        for at in range(len(raw)):
            for bit in (1, 2):
                turned = raw[:at] + bytes((raw[at] ^ bit,)) + raw[at + 1 :]
                again = signed(data, manifest=lambda _, turned=turned: turned)
                yield Offer(f"{name}, byte {at}, bit {bit}", again, context(TWO), "")


NOR = "data in the NOR"


def in_the_nor() -> Iterator[Offer]:
    """To a device of which a component has no second place."""
    change = Change(NOR, ("phrases",), "again")
    data, here = made(change).data, context(NOR)
    yield Offer("plain", data, here, "accepted")
    packed = encode(b"", payload(data), None).data
    edit: Callable[[Step], Step] = lambda step: step._replace(form="compressed")  # noqa: E731
    yield Offer("compressed", stepped(data, edit, packed), here, "identity.layers-disagree")


def _histories() -> Iterator[tuple[Any, ...]]:
    app, both = made(APP).data, made(BOTH).data
    here, there = context(TWO), from_the_other_slots(TWO)
    ahead = here._replace(state=here.state._replace(sequence=1000))
    yield "around an older release", app, "rollback.sequence-too-low", ahead
    done = after(TWO, apply(here, ByteView(app)))
    yield "again", app, "accepted", done
    yield "the radio is not the new one", both, "rollback.sequence-reused", done
    failed = after(TWO, apply(here, ByteView(app), ending="failed"))
    yield "it failed before", app, "rules.failed-before", failed
    ways = both_ways()
    yield "both ways, here", ways, "accepted", here
    yield "both ways, there", ways, "accepted", there
    yield "for the other slot", of_the_third(here), "rules.directive-failed", there
    unknown = context(TWO, here.state._replace(current={}), {})
    for_both = made(APP, here, unknown).data
    yield "a patch or the whole", for_both, "accepted"
    malformed = stepped(for_both, lambda step: step, b"\x03" + payload(for_both, "#01")[1:], 1)
    yield "a patch that is none, signed, before what would fit", malformed, "structure.patch"
    for key in ("#00", "#02"):
        changed = signed(for_both, payloads=lambda it, key=key: {**it, key: flipped(it[key], 9)})
        yield f"what travels in {key} for others", changed, "digest.patch"
    yield (
        "the patch is the one that counts",
        signed(for_both, payloads=lambda it: {**it, "#01": it["#01"] + b"x"}),
        "digest.patch",
    )
    low = here._replace(state=here.state._replace(authorised=False))
    yield "not authorised", app, "accepted", low


def mutated(seed: str, count: int) -> Iterator[Offer]:
    """Bytes changed anywhere, most of them signed again by who may, and values that fit nothing."""
    draw = random.Random(seed)
    sources = [made(APP).data, made(BOTH).data, both_ways()]
    for number in range(count):
        data = draw.choice(sources)
        name = f"{seed}/{number}"
        if draw.random() < 0.4:
            out = bytearray(data)
            for _ in range(draw.choice((1, 1, 2))):
                out[draw.randrange(len(out))] = draw.randrange(256)
            if draw.random() < 0.2:
                at = draw.randrange(len(out))
                del out[at : at + draw.randrange(1, 40)]
            yield Offer(name, bytes(out), context(TWO), "")
            continue
        raw = bytearray(decode_envelope(data).manifest)
        for _ in range(draw.choice((1, 1, 2))):
            at = draw.randrange(len(raw))
            how = draw.random()
            if how < 0.5:
                raw[at] = draw.choice((raw[at] ^ 1 << draw.randrange(8), draw.randrange(256)))
            elif how < 0.75:
                del raw[at]
            else:
                raw.insert(at, draw.randrange(256))
        yield Offer(name, signed(data, manifest=lambda _, raw=bytes(raw): raw), context(TWO), "")
