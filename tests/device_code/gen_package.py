"""Whole packages from a grammar: what docs/format/package.md lets be made, before anything is twisted; see generated.py.

Nothing of imgseal's makers is used but sealed images, which are made once: sequences, manifest, authentication and envelope are put
together here from the page.
"""

import functools
import hashlib
import random
from collections.abc import Callable
from typing import NamedTuple

from fuzz import any_fast_signer
from gen_cbor import Pairs, Raw, Tagged, emit
from packages import sealed, trust
from variants import EIGHT, Variant, product
from workshop import resealed

from imgseal.formats.sealed_image.statement import Statement
from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Product

__all__ = [
    "COMPONENTS",
    "VARIANTS",
    "Block",
    "Component",
    "Draft",
    "Part",
    "Sequence",
    "draft",
    "image_of",
    "sequences",
]

Sequence = list[object]
"""Commands, each a list of code and argument; that of a try-each is a list of sequences."""

VARIANTS = {
    "plain": Variant(EIGHT, several=False, second=False, hazard=False),
    "hazard": Variant(EIGHT, several=False, second=False, hazard=True),
    "several": Variant(EIGHT, several=True, second=False, hazard=True),
    "second": Variant(EIGHT, several=False, second=True, hazard=False),
}


class Component(NamedTuple):
    name: str
    slots: tuple[str, ...]
    detached: bool = False
    code: bool = True


COMPONENTS = {
    1: Component("pilot", ("pilot-a", "pilot-b")),
    2: Component("bus", ("bus",)),
    3: Component("lamp", ("lamp",)),
    4: Component("tones", ("tones",), code=False),
    5: Component("sense", ("sense-a", "sense-b"), detached=True),
    6: Component("heat", ("heat",), detached=True),
    7: Component("rescue", ("rescue",)),
    8: Component("table", ("table",), code=False),
}


class Part(NamedTuple):
    """An entry of the component list."""

    number: int
    slot: int
    header: bool

    @property
    def identifier(self) -> list[object]:
        return [bytes([self.number]), bytes([self.slot]), *([b"header"] if self.header else [])]


class Block:
    """An authentication block before it is encoded; `by` None leaves the signature as it is."""

    def __init__(self, by: str) -> None:
        self.by: str | None = by
        self.protected: object = {1: -48 if by.endswith("-pq") else -9}
        self.unprotected: object = {}
        self.payload: object = None
        self.signature: object = b""
        self.tag: int | None = 18
        self.rest: list[object] = []
        self.change: Callable[[bytes], bytes] = lambda value: value

    def encode(self, digest: bytes) -> bytes:
        protected = self.protected if isinstance(self.protected, bytes) else emit(self.protected)
        if self.by is not None:
            self.signature = self.change(_signature(self.by, emit(["Signature1", protected, b"", digest])))
        value = [protected, self.unprotected, self.payload, self.signature, *self.rest]
        return emit(value if self.tag is None else Tagged(self.tag, value))


def _signature(by: str, message: bytes) -> bytes:
    return any_fast_signer(by).sign(message)


class Draft:
    """A package that is being made; each stage reads what the ones before have left."""

    def __init__(self, variant: Variant, rng: random.Random) -> None:
        self.variant = variant
        self.rng = rng
        self.twists: list[str] = []
        self.parts: list[Part] = []
        self.starts = True
        self.images: dict[Part, bytes] = {}
        self.digests: dict[Part, bytes] = {}
        self.sizes: dict[Part, int] = {}
        self.versions: dict[Part, list[int]] = {}
        self.keys: dict[Part, str] = {}
        self.spare: dict[str, bytes] = {}
        self.sections: dict[str, Sequence] = {}
        self.components: object = None
        self.common: dict[object, object] = {}
        self.manifest: dict[object, object] = {}
        self.severed: dict[int, bytes] = {}
        self.inside: set[str] = set()
        self.signed_digest = b""
        self.digest_value: object = None
        self.blocks: list[Block] = []
        self.wrapper: list[object] = []
        self.members: list[tuple[object, object]] = []
        self.raw = b""
        self.odd_manifest: bytes | None = None
        self.odd_sections: dict[str, object] = {}

    @property
    def of(self) -> Product:
        return product(self.variant, update=True)

    @property
    def trust(self) -> Trust:
        return trust(self.variant)


@functools.lru_cache(maxsize=4096)
def image_of(
    variant: Variant, slot: str, fault: str = "", update: bool = True, by: str = "keys/images"
) -> tuple[bytes, bytes]:
    """Header block and payload of a sealed image; `fault` is a key of FAULTS."""
    made = next(image for image in sealed(variant, update=update) if image.placed.slot.name == slot)
    payload = b"".join(image for image in made.payload.chunks())
    if not fault and by == "keys/images":
        return made.header_block, payload
    keys = (by, by.replace("/", "/second-")) if variant.several else (by, f"{by}-pq") if variant.second else (by,)
    if fault in CONTENTS:
        payload = CONTENTS[fault](payload)
    digest = hashlib.sha256(payload).digest()
    change: Callable[[Statement], Statement] = FAULTS.get(fault, lambda s: s)
    block = resealed(
        made.header_block + payload, lambda s: change(s._replace(payload_digest=digest)), by=keys, payload=b""
    )
    return block, payload


def _other(value: bytes) -> bytes:
    return bytes([value[0] ^ 1]) + value[1:]


FAULTS: dict[str, Callable[[Statement], Statement]] = {
    "vendor": lambda s: s._replace(vendor_id=_other(s.vendor_id)),
    "class": lambda s: s._replace(class_id=_other(s.class_id)),
    "hardware": lambda s: s._replace(hardware=(7, 9)),
    "component": lambda s: s._replace(component=s.component % 8 + 1),
    "version": lambda s: s._replace(version=s.version._replace(minor=9)),
    "development": lambda s: s._replace(flags=s.flags | 1),
    "link": lambda s: s._replace(link_address=s.link_address + 0x800),
    "counter": lambda s: s._replace(counter=0),
    "entry": lambda s: s._replace(entry_offset=64),
    "size": lambda s: s._replace(payload_size=s.payload_size + 4),
}
"""What may be wrong with a sealed image that is signed all the same."""
CONTENTS: dict[str, Callable[[bytes], bytes]] = {
    "stack pointer": lambda payload: bytes(4) + payload[4:],
    "vector table": lambda payload: payload[:4] + bytes(4) + payload[8:],
}
"""What may be wrong with its payload, if it is code."""


def versions_of(variant: Variant, number: int) -> list[int]:
    component = product(variant, update=True).components[COMPONENTS[number].name]
    return [component.version.major, component.version.minor, component.version.patch]


def draft(variant: Variant, rng: random.Random) -> Draft:
    """Choose what is brought, and the images of it."""
    d = Draft(variant, rng)
    numbers = set(rng.sample(range(1, 9), rng.choice((1, 1, 1, 2, 2, 3))))
    if 1 in numbers and rng.random() < 0.9:
        numbers.add(2)
    for number in sorted(numbers):
        component = COMPONENTS[number]
        slots = list(range(len(component.slots)))
        if len(slots) == 2 and rng.random() < 0.3:
            slots = [rng.randrange(2)]
        for slot in slots:
            block, payload = image_of(variant, component.slots[slot])
            bodies = {False: payload, True: block} if component.detached else {False: block + payload}
            for header, body in bodies.items():
                part = Part(number, slot, header)
                d.parts.append(part)
                d.images[part] = body
                d.keys[part] = _key(d, part)
                if header or not component.detached:
                    d.versions[part] = versions_of(variant, number)
    return d


def _key(d: Draft, part: Part) -> str:
    name = f"#{COMPONENTS[part.number].slots[part.slot]}" + (
        "" if not COMPONENTS[part.number].detached else ".header" if part.header else ".payload"
    )
    return name if d.rng.random() < 0.9 else f"{name}{'x' * d.rng.randrange(1, 40)}"


def digest_of(data: bytes) -> bytes:
    return emit([-16, hashlib.sha256(data).digest()])


def policy(d: Draft) -> int:
    return d.rng.choice((0, 2, 5, 15))


def sequences(d: Draft) -> None:
    """The four sequences of the page."""
    for part in d.parts:
        body = d.images.get(part, b"")
        d.digests.setdefault(part, hashlib.sha256(body).digest())
        d.sizes.setdefault(part, len(body))
    d.components = [part.identifier for part in d.parts]
    shared: Sequence = []
    for index, part in enumerate(d.parts):
        shared += [
            [12, index],
            [20, {1: d.of.vendor_id, 2: d.of.class_id, 3: emit([-16, d.digests[part]]), 14: d.sizes[part]}],
            [1, policy(d)],
            [2, policy(d)],
        ]  # fmt: skip
    install: Sequence = [[12, 0]]
    hurts = d.variant.hazard and any(part.number == 1 for part in d.parts)
    if hurts or d.rng.random() < 0.2:
        install += [[20, {27: d.rng.choice((0, 1, -1, 10, -100))}], [27, policy(d)]]
    if d.rng.random() < 0.4:
        install += [[20, {26: d.rng.choice((0, 1, 300, 500))}], [26, policy(d)]]

    def fetch(part: Part) -> Sequence:
        return [[20, {21: d.keys[part]}], [21, policy(d)], [3, policy(d)]]

    def check(part: Part) -> Sequence:
        out: Sequence = [[3, policy(d)]]
        if part in d.versions:
            out += [[20, {28: emit([3, d.versions[part]])}], [28, policy(d)]]
        return out

    starts = [n for n in dict.fromkeys(part.number for part in d.parts) if COMPONENTS[n].code]
    d.sections = {"shared": shared, "install": install + _each(d, fetch), "validate": _each(d, check)}
    if starts and d.starts and d.rng.random() < 0.9:
        number = min(starts) if d.rng.random() < 0.7 else d.rng.choice(starts)
        d.sections["invoke"] = _each(
            d, lambda _part: [[23, policy(d)]], lambda part: part.number == number and not part.header
        )


def _each(d: Draft, steps: Callable[[Part], Sequence], only: Callable[[Part], bool] = lambda _part: True) -> Sequence:
    out: Sequence = []
    for number in dict.fromkeys(part.number for part in d.parts):
        branches: list[Sequence] = []
        first = 0
        for slot in sorted({part.slot for part in d.parts if part.number == number}):
            branch: Sequence = []
            for index, part in enumerate(d.parts):
                if (part.number, part.slot) != (number, slot) or not only(part):
                    continue
                first = first if branches or branch else index
                branch.append([12, index])
                if len(COMPONENTS[number].slots) == 2:
                    branch += [[20, {5: slot}], [5, policy(d)]]
                branch += steps(part)
            if branch:
                branches.append(branch)
        if len(branches) > 1:
            out += [[12, first], [15, branches]]
        elif branches:
            out += branches[0]
    return out


def encode_sequence(sequence: object) -> bytes:
    if not isinstance(sequence, list):
        return emit(sequence)
    flat: list[object] = []
    for command in sequence:
        if not isinstance(command, list):
            flat.append(command)
            continue
        code, argument = command
        if code == 15 and isinstance(argument, list):
            argument = [encode_sequence(branch) if isinstance(branch, list) else branch for branch in argument]
        elif code == 32 and isinstance(argument, list):
            argument = encode_sequence(argument)
        flat += [code, argument]
    return emit(flat)


def manifest(d: Draft) -> None:
    """Members of the manifest, and what is severed."""
    rng = d.rng
    text = emit({"en": {1: rng.choice(("vent drive", "an eight"))}})
    encoded = {name: encode_sequence(sequence) for name, sequence in {**d.sections, **d.odd_sections}.items()}
    d.common = {2: d.components, 4: encoded["shared"]}
    d.manifest = {1: 1, 2: rng.choice((40, 40, 41, 1 << 20, (1 << 32) - 1)), 3: None}
    d.manifest[6] = emit([3, 0, 0] if rng.random() < 0.8 else [3, 1, 0, -1 - rng.randrange(3), rng.randrange(9)])
    for label, name in ((7, "validate"), (9, "invoke")):
        if name in encoded:
            d.manifest[label] = encoded[name]
    if "install" in encoded:
        d.severed[20] = encoded["install"]
    if rng.random() < 0.6:
        d.severed[23] = text
    for label, content in d.severed.items():
        d.manifest[label] = Raw(digest_of(emit(content)))
    if 23 in d.severed and rng.random() < 0.3:
        del d.severed[23]


def wrapped(d: Draft) -> None:
    """Manifest, authentication and members of the envelope."""
    if d.manifest.get(3, 0) is None:
        d.manifest[3] = emit(d.common)
    content = emit(d.manifest) if d.odd_manifest is None else d.odd_manifest
    d.signed_digest = hashlib.sha256(emit(content)).digest()
    d.digest_value = [-16, d.signed_digest]
    d.members = [(3, content), *d.severed.items(), *_payloads(d)]


def _payloads(d: Draft) -> list[tuple[object, object]]:
    held = {**d.spare, **{d.keys[part]: body for part, body in d.images.items()}}
    return sorted(held.items(), key=lambda entry: emit(entry[0]))


def signed(d: Draft) -> None:
    digest = emit(d.digest_value)
    d.wrapper = [digest, *(block.encode(digest) for block in d.blocks)]


def envelope(d: Draft) -> None:
    entries = [(2, emit(d.wrapper)), *d.members]
    d.raw = b"\xd8\x6b" + emit_members(entries)


def emit_members(entries: list[tuple[object, object]]) -> bytes:
    return emit(Pairs(entries))
