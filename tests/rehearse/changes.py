"""Packages that change a part of what a device runs: every subset of it, for the small products and the demo's.

What a package does not change it may leave out, bring again byte for byte, or bring with another signature over the same
statement; the device runs a settled set, an unproven one, or one of which an image is damaged.
`python tests/rehearse/changes.py` prints what is tried for each product.
"""

import functools
import itertools
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1]))

from stages import PRODUCTS, files, installed, text_of
from workshop import BUILD_TIME, Workshop, make, signer, trust_of

from imgseal.check.context import Context
from imgseal.demo.firmware import code
from imgseal.demo.firmware import phrases as words
from imgseal.device_state.device import DeviceState, fresh
from imgseal.flow.release import FirmwareFile, Job, release
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.suit.envelope import decode_envelope, envelope_pieces
from imgseal.keys.public_key import AnyKey
from imgseal.make.seal import SealOptions
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.product.starter import product_text
from imgseal.rehearse.apply import apply
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.play import Rehearsal, rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

DEMO = "the demo"
NAMES = (*PRODUCTS, DEMO)

LEFT_OUT, AGAIN, RESIGNED = "left out", "again", "re-signed"
"""What a package does with a component that it does not change."""

THIN = "held already"
"""It names the component and has no payload for it; nor one for the slot of a changed component that this device does not write."""


class Change(NamedTuple):
    """What a package changes: components by name, and whether the sequence rises; `rest` is done with the others."""

    product: str
    changed: tuple[str, ...]
    rest: str
    newer: bool = True

    def __str__(self) -> str:
        return f"{self.product}: {' and '.join(self.changed) or ('sequence' if self.newer else 'nothing')}, rest {self.rest}"


def components(name: str) -> tuple[str, ...]:
    return tuple(product_of(name, ()).components)


def changes(name: str) -> Iterator[Change]:
    """Every change of a product, the one of nothing first."""
    yield Change(name, (), AGAIN, newer=False)
    everything = components(name)
    for size in range(len(everything) + 1):
        for changed in itertools.combinations(everything, size):
            for rest in (AGAIN, RESIGNED, LEFT_OUT):
                whole = size == len(everything)
                if (whole and rest != AGAIN) or (not size and rest == LEFT_OUT):
                    continue  # there is no rest, or nothing but the rest
                yield Change(name, changed, rest)


def product_of(name: str, changed: tuple[str, ...], *, newer: bool = False) -> Product:
    """The product as it stands when this was changed; what changed has a counter one higher."""
    of = read(product_text() if name == DEMO else text_of(name), name="imgseal.toml")
    raised = {
        n: c._replace(counter=c.counter + 1) if n in changed and c.counter is not None else c
        for n, c in of.components.items()
    }
    ahead = of.release.sequence + newer
    return of._replace(components=raised, release=of.release._replace(sequence=ahead))


def files_of(of: Product, name: str, marks: dict[str, str]) -> list[FirmwareFile]:
    out: list[FirmwareFile] = []
    for component, mark in marks.items():
        if name != DEMO:
            out += files(of, mark, only=(component,))
            continue
        each = of.components[component]
        for slot in each.run:
            link = of.slot_base(slot) + each.header_block
            text = f"{component} {mark}"
            data = (
                code(f"{text} {slot}", link=link, size=3001, vectors=each.vectors or 16, stack=0x2000_4000)
                if each.kind == "code"
                else words(text, 4000)
            )
            out.append(FirmwareFile(component, f"{slot}.bin", MemoryImage.from_bytes(link, data)))
    return out


class OtherSignature:
    """Signs with a key's other signature: (r, n - s) is as good as (r, s)."""

    _ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551

    def __init__(self, name: str) -> None:
        self._other = signer(name)
        self.name = name

    @property
    def public(self) -> AnyKey:
        return self._other.public

    def sign(self, message: bytes) -> bytes:
        raw = self._other.sign(message)
        return raw[:32] + (self._ORDER - int.from_bytes(raw[32:])).to_bytes(32)


@functools.cache
def before(name: str) -> tuple[Workshop, DeviceState, dict[str, ByteView]]:
    """A device that runs the first release, all of it."""
    of = product_of(name, ())
    shop = make(of, files=files_of(of, name, dict.fromkeys(of.components, "one")))
    return shop, *installed(of, shop)


def package(change: Change) -> bytes:
    """The package of a change."""
    first = before(change.product)[0]
    if not change.newer:
        return first.package
    of = product_of(change.product, change.changed, newer=True)
    marks = {c: "two" if c in change.changed else "one" for c in of.components}
    if change.rest == LEFT_OUT:
        marks = {c: mark for c, mark in marks.items() if c in change.changed}
    options = SealOptions(BUILD_TIME, development=False, source_revision=bytes(range(20)))
    by = OtherSignature("keys/images") if change.rest == RESIGNED else signer("keys/images")
    made = release(Job(
        files_of(of, change.product, marks), of, options, image_signers=(by,), package_signers=(signer("keys/packages"),),
        trust=trust_of(of),
    ))  # fmt: skip
    raw = b"".join(made.package.pieces())
    return raw if change.rest != THIN else thinned(raw, of, before(change.product)[1].running, change.changed)


def thinned(raw: bytes, of: Product, running: Mapping[int, int], changed: Iterable[str]) -> bytes:
    """The same signed package without the payloads that a device which runs from these slots has no use for."""
    slots = {
        component.run[1 - running[component.number] if len(component.run) > 1 else 0]
        for component in map(of.components.__getitem__, changed)
    }
    return without(raw, lambda key: key[1:].removesuffix(".header").removesuffix(".payload") not in slots)


def without(raw: bytes, left_out: Callable[[str], bool]) -> bytes:
    """The same signed package without payloads."""
    envelope = decode_envelope(raw)
    kept = {key: (len(view), iter([view])) for key, view in envelope.payloads.items() if not left_out(key)}
    return b"".join(envelope_pieces(envelope.digest_bytes, envelope.blocks, envelope.manifest, envelope.severed, kept))


SETTLED, UNPROVEN = "settled", "unproven"


def starts(name: str) -> Iterator[str]:
    """Devices that run the first release: settled, unproven, or with the image of one component damaged."""
    yield from (SETTLED, UNPROVEN)
    yield from (component.name for component in before(name)[0].product.components.values() if not component.recovery)


@functools.cache
def device(name: str, start: str) -> tuple[DeviceState, dict[str, ByteView]]:
    shop, state, contents = before(name)
    if start == SETTLED:
        return state, contents
    if start == UNPROVEN:
        blank = fresh(shop.product)._replace(fresh=False, hardware=shop.product.hardware[0])
        applied = apply(Context(shop.product, shop.trust, blank, {}), ByteView(shop.package), ending="trial")
        return applied.state, {slot: ByteView(content) for slot, content in applied.slots.items()}
    component = shop.product.components[start]
    slot = component.run[state.current[component.number].slot]
    raw = bytearray(contents[slot].read(0, contents[slot].size))
    raw[-1] ^= 1
    return state, {**contents, slot: ByteView(bytes(raw))}


def played(change: Change, start: str = SETTLED, programs: Programs | None = None) -> tuple[Stage, Rehearsal]:
    """Cut at every operation while such a device installs the package of a change."""
    shop = before(change.product)[0]
    state, contents = device(change.product, start)
    data = ByteView(package(change))
    on = set_up(Context(shop.product, shop.trust, state, contents), data)
    return on, rehearse(on, data, pairs=0, seed="1", programs=programs)


def main() -> None:
    tried = lives = 0
    for name in NAMES:
        began = time.perf_counter()
        some = each = 0
        for start, change in itertools.product(starts(name), changes(name)):
            on, result = played(change, start)
            assert on.verdict.accepted, (change, start, on.verdict.findings)
            assert result.violation is None, (change, start, result.violation)
            some, each = some + 1, each + result.tally.singles
        print(f"{name:<26}{some} updates, {each} lives after one cut ({time.perf_counter() - began:.1f} s)")
        tried, lives = tried + some, lives + each
    print(f"{tried} updates, {lives} lives after one cut: all invariants hold")


if __name__ == "__main__":
    main()
