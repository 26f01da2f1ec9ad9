"""Twists of generated packages: members of the manifest, the component list, and what is severed."""

import hashlib
import random

from gen_cbor import Pairs, Raw, emit
from gen_package import Draft, Part
from gen_twists import twist

# -- the list of components, before any sequence is written for it --------------------------------------------------------


def keep(d: Draft, parts: list[Part]) -> None:
    """Leave out the other components, and their payloads as well."""
    for part in set(d.parts).difference(parts):
        d.images.pop(part, None)
    d.parts = parts


@twist("parts")
def some_parts_alone(d: Draft, rng: random.Random) -> None:
    """A header without its payload, a payload without its header, either of another run slot."""
    kept = [part for part in d.parts if rng.random() < 0.6]
    keep(d, kept or [rng.choice(d.parts)])


@twist("parts")
def part_by_another_name(d: Draft, rng: random.Random) -> None:
    old = rng.choice(d.parts)
    change = rng.choice(({"slot": 1 - old.slot}, {"header": not old.header}, {"number": rng.randrange(1, 9)}))
    new = old._replace(**change)
    if new in d.parts:
        return
    d.parts = sorted(new if part == old else part for part in d.parts)
    for values in (d.images, d.keys, d.versions):
        if old in values:
            values[new] = values[old]  # type: ignore[assignment]


@twist("parts", often=4)
def payload_beside_another_header(d: Draft, rng: random.Random) -> None:
    """The payload of one run slot, the header of another, and nothing else of the two."""
    payloads = [part for part in d.parts if part._replace(header=True) in d.parts]
    headers = [part for part in d.parts if part.header]
    pairs = [(p, h) for p in payloads for h in headers if p[:2] < h[:2]]
    if pairs:
        pair = rng.choice(pairs)
        gone = {part.number for part in pair}
        keep(d, sorted({*pair, *(part for part in d.parts if part.number not in gone)}))
    d.starts = rng.random() < 0.3


@twist("parts")
def parts_in_another_order(d: Draft, rng: random.Random) -> None:
    rng.shuffle(d.parts)


# -- members of the manifest ------------------------------------------------------------------------------------------


@twist("manifest")
def component_identifiers(d: Draft, rng: random.Random) -> None:
    ids = [part.identifier for part in d.parts]
    kind = rng.randrange(9)
    at = rng.randrange(len(ids))
    if kind == 0:
        ids.append(rng.choice(ids))
    elif kind == 1:
        rng.shuffle(ids)
    elif kind == 2:
        ids[at] = [bytes([rng.choice((0, 9, 77, 255))]), *ids[at][1:]]
    elif kind == 3:
        ids[at] = [ids[at][0], bytes([rng.choice((1, 2, 255))]), *ids[at][2:]]
    elif kind == 4:
        ids[at] = rng.choice(
            ([*ids[at][:2], b"header"], ids[at][:2], ids[at][:1], [], [*ids[at], b""], [*ids[at][:2], b"Header"])
        )
    elif kind == 5:
        ids[at] = [rng.choice((b"", b"\0\1", 1, "1")), *ids[at][1:]]
    elif kind == 6:
        ids.append([bytes([rng.randrange(1, 10)]), b"\0"])
    elif kind == 7:
        ids = []
    else:
        ids = [[bytes([1 + n % 9]), bytes([n // 9])] for n in range(rng.choice((32, 33, 64, 65)))]
    d.common = {**d.common, 2: ids}


@twist("manifest")
def common_part(d: Draft, rng: random.Random) -> None:
    kind = rng.randrange(6)
    if kind == 0:
        d.common.pop(rng.choice((2, 4)), None)
    elif kind == 1:
        d.common[rng.choice((1, 3, 5, -1, "x"))] = rng.choice(({0: {}}, b"", [], 0))
    elif kind == 2:
        d.common[4] = rng.choice((b"", 5, [], emit([12, 0])))
    elif kind == 3:
        d.manifest[3] = rng.choice((emit([]), b"", 5, emit(d.common) + b"\0", d.common))
    elif kind == 4:
        key = rng.choice((True, 2, 4))
        d.manifest[3] = emit(Pairs([*d.common.items(), (key, b"")]))
    else:
        d.manifest[3] = emit(Pairs([*d.common.items()][::-1]))


@twist("manifest")
def manifest_version(d: Draft, rng: random.Random) -> None:
    d.manifest[1] = rng.choice((0, 2, 7, -1, True, "1", None, 1 << 32))


@twist("manifest")
def sequence_number(d: Draft, rng: random.Random) -> None:
    odd = (True, -1, "40", None, b"", Raw(b"\x18\x05"), Raw(b"\x1b" + (40).to_bytes(8)), (1 << 64) - 1)
    d.manifest[2] = rng.choice((0, 1, 19, 20, 21, 39, (1 << 32) - 1, 1 << 32, (1 << 32) + 40, *odd))


@twist("manifest")
def set_version(d: Draft, rng: random.Random) -> None:
    odd = (
        emit([3]), emit([3, 0]), emit([3, 0, 0, 0]), emit([3, 0, 0, -1]), emit([3, 0, 0, -4, 1]), emit([3, 0, 0, 1, 1]), emit([]), emit([True, 0, 0]),
        emit([3, 0, 0, -1, 1, 0]), emit([1 << 32, 0, 0]), emit([-1, 0, 0]), emit([3, 0, 0, -3, 1 << 24]), emit([3, 0, 0, -3, (1 << 24) - 1]), b"",
        emit("3.0.0"), 5, emit([3, 0, 0, -2, 0]), emit([3, 0, 0, -1, -1]),
    )  # fmt: skip
    d.manifest[6] = rng.choice(odd)
    if rng.random() < 0.15:
        del d.manifest[6]


@twist("manifest")
def members_of_others(d: Draft, rng: random.Random) -> None:
    label = rng.choice((0, 4, 5, 8, 10, 14, 15, 16, 17, 18, 19, 24, 25, 99, 256, -1, "x", b"\1", True, None))
    d.manifest[label] = rng.choice(
        (emit([12, 0, 3, 2]), "http://example.com", [b"\1"], Raw(digest_(b"x")), b"", None, 5)
    )


def digest_(content: bytes) -> bytes:
    return emit([-16, hashlib.sha256(emit(content)).digest()])


@twist("manifest")
def member_left_out(d: Draft, rng: random.Random) -> None:
    d.manifest.pop(rng.choice(list(d.manifest)))


@twist("manifest")
def install_not_severed(d: Draft, rng: random.Random) -> None:
    for label in rng.choice(((20,), (23,), (20, 23))):
        if label in d.severed:
            d.manifest[label] = d.severed.pop(label)


@twist("manifest")
def validate_or_invoke_severed(d: Draft, rng: random.Random) -> None:
    label = rng.choice((7, 9))
    content = d.manifest.get(label)
    if isinstance(content, bytes):
        d.manifest[label] = Raw(digest_(content))
        d.severed[label] = content


@twist("manifest")
def fetch_as_another_member(d: Draft, rng: random.Random) -> None:
    """The install sequence as payload fetch, candidate verification or load."""
    if 20 in d.severed:
        label = rng.choice((16, 18, 8))
        content = d.severed.pop(20)
        keep = rng.random() < 0.3
        if not keep:
            d.manifest.pop(20, None)
        if label == 8 or rng.random() < 0.5:
            d.manifest[label] = content
        else:
            d.manifest[label] = Raw(digest_(content))
            d.severed[label] = content


@twist("manifest")
def digest_of_a_member(d: Draft, rng: random.Random) -> None:
    label = rng.choice((20, 23))
    if label in d.manifest:
        right = hashlib.sha256(emit(d.severed.get(label, b""))).digest()
        d.manifest[label] = rng.choice(
            ([-16, bytes(32)], [-44, bytes(64)], [-16, right, 0], [-16], [-16, right[:31]], [right, -16], [-17, right], [-16, right + b"\0"], [True, right])
        )  # fmt: skip


@twist("manifest")
def severed_member_changed(d: Draft, rng: random.Random) -> None:
    if d.severed:
        label = rng.choice(list(d.severed))
        kind = rng.randrange(4)
        if kind == 0:
            del d.severed[label]
        elif kind == 1:
            d.severed[label] += b"\0"
        elif kind == 2:
            d.severed[label] = d.severed[label][:-1]
        else:
            raw = bytearray(d.severed[label])
            raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
            d.severed[label] = bytes(raw)
        if label in d.severed and rng.random() < 0.6 and label in d.manifest:
            d.manifest[label] = Raw(digest_(d.severed[label]))


@twist("manifest")
def text_of_any_kind(d: Draft, rng: random.Random) -> None:
    content = emit(
        rng.choice(
            (
                {},
                {"en": {}},
                {"en": {1: 5}},
                {"": {1: "x"}},
                [],
                {"en": {-257: "words"}},
                {5: {}},
                {"en": {Raw(b"\x81\x41\x01"): {6: "x"}}},
            )
        )
    )
    d.severed[23] = content
    d.manifest[23] = Raw(digest_(content))


@twist("manifest")
def manifest_keys_that_are_odd(d: Draft, rng: random.Random) -> None:
    key = rng.choice((True, False, None, 1, 2, 20, -1, "1", b"\1", [1]))
    entries = [*d.manifest.items(), (key, rng.choice((7, 1, b"", None, emit([3, 0, 0]))))]
    if d.manifest.get(3, 0) is None:
        entries = [(k, emit(d.common) if k == 3 else v) for k, v in entries]
    order = rng.random() < 0.7
    if order:
        entries.sort(key=lambda entry: emit(entry[0]))
    d.odd_manifest = emit(Pairs(entries))


@twist("manifest")
def manifest_bytes(d: Draft, rng: random.Random) -> None:
    """One byte of the encoded manifest is another, or it is cut or longer."""
    if d.manifest.get(3, 0) is None:
        d.manifest[3] = emit(d.common)
    raw = bytearray(emit(d.manifest))
    kind = rng.randrange(4)
    at = rng.randrange(len(raw))
    if kind <= 1:
        raw[at] = rng.choice(
            (raw[at] ^ 1 << rng.randrange(8), 0, 0x18, 0x1B, 0x40, 0x5F, 0x80, 0x9F, 0xA0, 0xF5, 0xF6, 0xFB, 0xFF)
        )
    elif kind == 2:
        del raw[at:]
    else:
        raw += rng.choice((b"\0", b"\xf6", bytes(70_000)))
    d.odd_manifest = bytes(raw)
