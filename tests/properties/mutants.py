"""Mutated artefacts against the judge: no traceback, nothing accepted that is not as good as the original.

    python tests/properties/mutants.py --count 100000 --seed 1

Two families. *Blind* mutants change bytes of a sealed image or package that is not signed again: one that is accepted must say
exactly what the original says (an s replaced by n-s is the one named exception; the text member may be missing). *Signed* mutants change
fields, payloads or parts of the manifest and are signed again with the right key, so that they reach the later checks: one that is
accepted must satisfy an oracle that is written here anew and shares no code with the judge.
"""

import argparse
import random
import struct
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from hashlib import sha256
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from workshop import at as running_from
from workshop import repacked, resealed, verdict, workshop

from imgseal.device_state.device import DeviceState, fresh
from imgseal.findings import NOT_RUN, Verdict
from imgseal.formats.cbor.strict import Tag, decode, encode
from imgseal.formats.sealed_image.layout import FIELDS
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.keys.p256 import ORDER

SLOTS = {
    "motor-a": (0x20400, 326656),
    "motor-b": (0x70400, 326656),
    "radio": (0xC0400, 130048),
    "phrases": (0x60080400, 8387584),
}
COMPONENTS = {1: ("motor-a", "motor-b"), 2: ("radio",), 3: ("phrases",)}
INTERESTING = (0, 1, 2, 3, 0x7F, 0x80, 0xFF, 0x100, 0x7FFF, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


class WronglyAcceptedError(AssertionError):
    """The judge accepted what it must not."""


def device() -> DeviceState:
    return fresh(workshop().product)._replace(
        fresh=False, hardware=3, sequence=17, counters={1: 6, 2: 3, 3: 1}, current=running_from({1: 1, 2: 0, 3: 0}), battery_mwh=900,
        manifest_digest=decode_envelope(workshop().package).digest.value,
    )  # fmt: skip


def blind(data: bytes, rng: random.Random) -> bytes:
    """Change some bytes: flips, values, cuts, repetitions, moved pieces."""
    raw = bytearray(data)
    # most of an artefact is payload; the parts in front of it deserve most of the attention
    reach = len(raw) if rng.random() < 0.2 else min(len(raw), 1500)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        at = rng.randrange(reach)
        kind = rng.randrange(7)
        if kind <= 1:
            raw[at] ^= 1 << rng.randrange(8)
        elif kind == 2:
            raw[at] = rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)))
        elif kind == 3:
            del raw[at : at + rng.choice((1, 2, 8, 100))]
        elif kind == 4:
            raw[at:at] = rng.randbytes(rng.choice((1, 2, 8)))
        elif kind == 5:
            size = rng.choice((1, 4, 16, 32))
            other = rng.randrange(reach)
            raw[at : at + size] = raw[other : other + size]
        else:
            del raw[rng.randrange(len(raw)) :]
        reach = max(1, min(reach, len(raw)))
        if not raw:
            break
    return bytes(raw)


def negated(data: bytes, at: int) -> bytes:
    """The named exception: s replaced by n-s."""
    s = int.from_bytes(data[at + 32 : at + 64])
    return data[: at + 32] + (ORDER - s).to_bytes(32) + data[at + 64 :]


def signed_image(rng: random.Random) -> tuple[str, bytes]:
    """A sealed image with changed fields or payload, signed again."""
    slot = rng.choice(tuple(SLOTS))
    original = workshop().images[slot]
    payload = bytearray(original[1024:])
    fix_digest = rng.random() < 0.8
    if rng.random() < 0.6:
        for _ in range(rng.choice((1, 2))):
            at = rng.randrange(len(payload)) if rng.random() < 0.3 else rng.randrange(12)
            payload[at] ^= 1 << rng.randrange(8)
    if rng.random() < 0.2:
        payload = (
            payload[: rng.randrange(1, len(payload))] if rng.random() < 0.5 else payload + bytes(rng.randrange(1, 99))
        )

    def patch(raw: bytearray) -> None:
        if rng.random() < 0.7:
            struct.pack_into("<I", raw, 280, len(payload))
        if fix_digest:
            raw[248:280] = sha256(payload).digest()
        for _ in range(rng.choice((0, 1, 1, 2))):
            field = rng.choice(FIELDS)
            at = field.offset + rng.randrange(field.size)
            choice = rng.randrange(4)
            if choice == 0:
                raw[at] ^= 1 << rng.randrange(8)
            elif choice == 1:
                raw[at] = rng.choice((0, 1, 2, 3, 4, 0x7F, 0xFF))
            elif field.size in (2, 4):
                value = rng.choice(INTERESTING) + rng.choice((0, 0, 1, -1))
                raw[field.offset : field.offset + field.size] = (value % (1 << 8 * field.size)).to_bytes(
                    field.size, "little"
                )
            else:
                raw[at] = rng.randrange(256)

    return slot, resealed(original, payload=bytes(payload), patch=patch)


def image_oracle(slot: str, data: bytes) -> bool:
    """Whether an image signed by the right key may be accepted by the device of this test; from the documents alone."""
    s = data[:384]
    u = struct.unpack_from
    vendor, class_id = workshop().product.vendor_id, workshop().product.class_id
    number, kind = s[48], s[49]
    size, link, entry = u("<III", s, 280)
    block, length, flags = u("<HHI", s, 292)
    payload = data[block:]
    if (s[12:28], s[28:44]) != (vendor, class_id) or not u("<H", s, 44)[0] <= 3 <= u("<H", s, 46)[0]:
        return False
    if number not in COMPONENTS or kind != (2 if number == 3 else 1) or (block, length, flags) != (1024, 384, 0):
        return False
    if u("<I", s, 68)[0] < {1: 6, 2: 3, 3: 1}[number]:
        return False
    rooms = {SLOTS[name][0]: SLOTS[name][1] for name in COMPONENTS[number]}
    if link not in rooms or size > rooms[link] or len(payload) != size or sha256(payload).digest() != s[248:280]:
        return False
    if kind == 1:
        vectors, alignment = {1: (64, 256), 2: (48, 256)}[number]
        if (link + entry) % alignment or entry + 4 * vectors > size:
            return False
        stack, reset = u("<II", payload, entry)
        if stack % 8 or not 0x20000000 < stack <= 0x20020000 or not reset & 1 or not link <= reset - 1 < link + size:
            return False
    elif entry:
        return False
    return slot in SLOTS and s[:12] == b"\xd5imgseal\x01\0\0\0" and not any(s[372:384])


def signed_package(rng: random.Random) -> bytes:
    """A package with a changed manifest or severed member, signed again; payloads stay with their digests or not."""

    def manifest(data: bytes) -> bytes:
        tree = decode(data, "manifest")
        assert isinstance(tree, dict)
        for _ in range(rng.choice((1, 1, 2))):
            tree = edit(tree, rng)
        try:
            return encode(tree)
        except (TypeError, ValueError):
            return data

    changed: dict[int, bytes] = {}

    def severed(members: dict[int, bytes]) -> dict[int, bytes]:
        return {**members, **changed}

    if rng.random() < 0.3:
        label = rng.choice((20, 23))
        content = decode_envelope(workshop().package).severed[label]
        tree = decode(content, "member")
        edited = encode_safely(edit(tree, rng), content)
        changed[label] = edited
        head = encode(edited)

        def digest(data: bytes) -> bytes:
            tree = decode(data, "manifest")
            assert isinstance(tree, dict)
            return encode({**tree, label: [-16, sha256(head).digest()]})

        return repacked(workshop().package, digest if rng.random() < 0.8 else manifest, severed=severed)
    return repacked(workshop().package, manifest)


def encode_safely(tree: object, fallback: bytes) -> bytes:
    try:
        return encode(tree)
    except (TypeError, ValueError):
        return fallback


def edit(tree: object, rng: random.Random, depth: int = 0) -> object:
    """Change one place of a CBOR tree; byte strings that hold CBOR are entered."""
    if isinstance(tree, dict) and tree and (depth == 0 or rng.random() < 0.8):
        key = rng.choice(list(tree))
        kind = rng.randrange(12)
        if kind == 0:
            return {k: v for k, v in tree.items() if k != key}
        if kind == 1:
            return {**tree, rng.choice((1, 3, 5, 9, 17, 99, -1, "x")): tree[key]}
        return {**tree, key: edit(tree[key], rng, depth + 1)}
    if isinstance(tree, list) and tree and rng.random() < 0.9:
        at = rng.randrange(len(tree))
        kind = rng.randrange(10)
        if kind == 0:
            return tree[:at] + tree[at + 1 :]
        if kind == 1:
            return [*tree[:at], tree[at], *tree[at:]]
        if kind == 2:
            other = rng.randrange(len(tree))
            tree = list(tree)
            tree[at], tree[other] = tree[other], tree[at]
            return tree
        return [*tree[:at], edit(tree[at], rng, depth + 1), *tree[at + 1 :]]
    if isinstance(tree, bytes) and len(tree) > 2 and rng.random() < 0.95:
        try:
            inner = decode(tree, "inner", tags=frozenset({18}))
        except Exception:  # noqa: BLE001 - it holds no CBOR
            raw = bytearray(tree)
            raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
            return bytes(raw)
        return encode_safely(edit(inner, rng, depth + 1), tree)
    if isinstance(tree, Tag):
        return Tag(tree.number, edit(tree.value, rng, depth + 1))
    return rng.choice(
        (0, 1, 2, 5, 12, 15, 20, 23, 255, -1, True, False, None, b"", b"\0" * 16, "#radio", [], {}, 2**63, tree)
    )


def same_package(data: bytes) -> bool:
    """Whether a package says exactly what the original says: manifest, payloads, install; the text may be gone."""
    ours, theirs = decode_envelope(workshop().package), decode_envelope(data)
    return (
        ours.manifest == theirs.manifest
        and {k: bytes(v) for k, v in ours.payloads.items()} == {k: bytes(v) for k, v in theirs.payloads.items()}
        and all(ours.severed.get(k) == v for k, v in theirs.severed.items())
        and 20 in theirs.severed
    )


def package_oracle(data: bytes) -> bool:
    """Whether a package signed by the right key may be accepted: what it installs is what its digests say, of this product."""
    envelope = decode_envelope(data)
    original = decode_envelope(workshop().package)
    manifest = decode(envelope.manifest, "manifest")
    assert isinstance(manifest, dict)
    common = decode(manifest[3], "common")
    assert isinstance(common, dict)
    shared = decode(common[4], "shared")
    assert isinstance(shared, list)
    vendor, class_id = workshop().product.vendor_id, workshop().product.class_id
    flat = encode(shared)
    ids = sum(flat.count(value) for value in (vendor, class_id))
    # the payloads were not touched: each has to be named by its true digest somewhere, with identity checked
    digests = all(
        sha256(view).digest() in envelope.manifest or key not in original.payloads
        for key, view in envelope.payloads.items()
    )
    asks = 27 in (
        decode(envelope.severed[20], "install") if 20 in envelope.severed else decode(manifest[20], "install")
    )  # type: ignore[operator]
    return (
        manifest[1] == 1
        and manifest[2] >= 17
        and digests
        and ids >= 2
        and asks
        and set(envelope.payloads) <= set(original.payloads)
    )


def one(number: int, seed: int, counts: Counter[str]) -> None:
    """Make one mutant, judge it, and raise WronglyAcceptedError if the judge is wrong."""
    rng = random.Random(f"{seed} {number}")
    family = rng.choice(("blind image", "blind package", "signed image", "signed image", "signed package", "dump"))
    slot = rng.choice(tuple(SLOTS))
    state = device()
    arguments: dict[str, Any] = {}
    if family == "blind image":
        original = workshop().images[slot]
        data = negated(original, 384) if rng.random() < 0.02 else blind(original, rng)
    elif family == "blind package":
        original = workshop().package
        data = blind(original, rng)
    elif family == "signed image":
        slot, data = signed_image(rng)
    elif family == "signed package":
        data = signed_package(rng)
    else:
        original = workshop().images["radio"]
        full = original + b"\xff" * (128 * 1024 - len(original))
        data = bytearray(full)  # type: ignore[assignment]
        at = rng.randrange(len(full)) if rng.random() < 0.7 else rng.randrange(1024)
        data[at] ^= 1 << rng.randrange(8)  # type: ignore[index]
        data = bytes(data)
        if rng.random() < 0.2:
            data = data[:-1] if rng.random() < 0.5 else data + b"\xff"
        arguments["slot"] = "radio"
    arguments["contents"] = {"radio": View(workshop().images["radio"])}
    state = state._replace(current=running_from({**state.running, 2: 0}))
    found: Verdict = verdict(data, state=state, **arguments)
    for check in found.checks:
        if check.outcome != NOT_RUN:
            counts[f"{'package ' if check.subject == 'package' else ''}{check.name}"] += 1
    counts[f"({family}: {'accepted' if found.accepted else 'refused'})"] += 1
    if not found.accepted:
        if not found.findings:
            raise WronglyAcceptedError(f"{number} ({family}): refused without a finding")
        return
    if family == "blind image" and data not in (workshop().images[slot], negated(workshop().images[slot], 384)):
        raise WronglyAcceptedError(f"{number}: a changed image of {slot} is accepted")
    if family == "dump" and data != full:
        raise WronglyAcceptedError(f"{number}: a changed dump is accepted")
    if family == "blind package" and not same_package(data):
        raise WronglyAcceptedError(f"{number}: a changed package is accepted")
    if family == "signed image" and not image_oracle(slot, data):
        raise WronglyAcceptedError(f"{number}: an image for {slot} that the documents refuse is accepted")
    if family == "signed package" and not (same_package(data) or package_oracle(data)):
        raise WronglyAcceptedError(f"{number}: a package that the documents refuse is accepted")


class View:
    """Bytes for the judge; a class of its own, so that the test does not lean on the package's."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.size = len(data)

    def read(self, offset: int, length: int) -> bytes:
        return self._data[offset : offset + length]


def batch(start: int, stop: int, seed: int) -> Counter[str]:
    counts: Counter[str] = Counter()
    for number in range(start, stop):
        try:
            one(number, seed, counts)
        except WronglyAcceptedError:
            raise
        except Exception as error:
            raise WronglyAcceptedError(f"{number}: {type(error).__name__}: {error}") from error
    return counts


def hunt(count: int, seed: int, jobs: int) -> Counter[str]:
    """Judge `count` mutants in parallel and return how often each check was reached."""
    total: Counter[str] = Counter()
    step = max(1, min(500, count // (2 * jobs)))
    spans: list[tuple[int, int]] = [(start, min(start + step, count)) for start in range(0, count, step)]
    with ProcessPoolExecutor(jobs) as pool:
        for counts in pool.map(batch, *zip(*[(a, b, seed) for a, b in spans], strict=True)):
            total += counts
    return total


def main() -> None:
    parser = argparse.ArgumentParser(description="Judge mutated artefacts.")
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    counts = hunt(options.count, options.seed, options.jobs)
    for name, number in sorted(counts.items()):
        print(f"{number:8} {name}")
    checks = {name: number for name, number in counts.items() if not name.startswith("(")}
    least = min(checks, key=lambda name: checks[name])
    print(
        f"{options.count} mutants, seed {options.seed}: none accepted wrongly; least reached: {least}, {checks[least]} times"
    )


if __name__ == "__main__":
    main()
