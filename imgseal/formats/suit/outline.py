"""An envelope as a tree of lines for people; nothing here decides anything.

How deep a line stands is counted here. Spaces at its start are its own: a text may begin with as many as it likes.
"""

from collections.abc import Iterator

from imgseal.formats.cbor.strict import Tag
from imgseal.formats.cose.labels import ALGORITHMS
from imgseal.formats.cose.sign1 import CoseError, take_apart
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Sequence, VersionMatch, decode_sequence
from imgseal.formats.suit.component import ComponentId, ours
from imgseal.formats.suit.delivery import RELEASE_KEY, is_delivery
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import Envelope, decode_envelope
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.manifest import Manifest, decode_manifest
from imgseal.formats.suit.text import Text, decode_text

DEEPEST = 24
"""Lines that would stand deeper are drawn at this depth; limits.SEQUENCE_DEPTH keeps manifests above it."""

_OF_DELIVERIES = {-256: "base", -257: "take what travelled", -258: "make the image of it"}
_BASE = {-256: "digest of the base", -257: "size of the base"}
"""Commands and parameters of private use; docs/format/delivery.md."""

_Lines = Iterator[tuple[int, str]]


def outline(envelope: Envelope, *, complete: bool = False) -> Iterator[str]:
    """Yield the lines of the tree, indented; a manifest that cannot be read is one line that says why.

    A `complete` tree has the manifest's version, every reporting policy, and long byte strings in full.
    """
    for depth, line in branches(envelope, complete=complete):
        yield "  " * depth + line


def branches(envelope: Envelope, *, complete: bool = False) -> _Lines:
    """Yield how deep each line of the tree stands, at most DEEPEST, and the line."""
    for depth, line in _envelope(envelope, complete):
        yield min(depth, DEEPEST), line


def _envelope(envelope: Envelope, complete: bool) -> _Lines:
    yield 0, f"digest of the manifest: {envelope.digest.value.hex()}"
    for number, data in enumerate(envelope.blocks):
        yield 0, f"signature {number}: {_block(data)}"
    try:
        manifest = decode_manifest(envelope.manifest)
    except SuitError as error:
        yield 0, f"manifest ({len(envelope.manifest)} bytes): unreadable: {error.message}"
        return
    yield 0, f"manifest ({len(envelope.manifest)} bytes)"
    if complete:
        yield 1, f"manifest version: {manifest.version}"
    yield 1, f"sequence number: {manifest.sequence_number}"
    if manifest.set_version is not None:
        yield 1, f"set version: {_numbers(manifest.set_version)}"
    for index, identity in enumerate(manifest.components):
        yield 1, f"component {index}: {_identity(identity)}"
    yield 1, "shared"
    yield from _sequence(manifest.shared, 2, complete)
    yield from _members(manifest, envelope, complete)
    for key, payload in envelope.payloads.items():
        yield 0, f"payload {_plain(key)}: {len(payload)} bytes"
    if is_delivery(envelope):
        yield from _release(envelope, complete)


def _release(envelope: Envelope, complete: bool) -> _Lines:
    yield 0, "the release inside"
    try:
        inside = decode_envelope(envelope.payloads[RELEASE_KEY])
    except SuitError as error:
        yield 1, f"unreadable: {error.message}"
        return
    if is_delivery(inside):
        yield 1, "a delivery, which is none"
        return
    yield from ((depth + 1, line) for depth, line in _envelope(inside, complete))


def _members(manifest: Manifest, envelope: Envelope, complete: bool) -> _Lines:
    for label, member in sorted(manifest.members.items()):
        name = labels.MANIFEST_MEMBERS[label]
        if isinstance(member, SuitDigest):
            content = envelope.severed.get(label)
            if content is None:
                yield 1, f"{name}: taken out, digest {member.value.hex()}"
                continue
            yield 1, f"{name} (beside the manifest, {len(content)} bytes)"
            try:
                parsed = decode_text(content, name) if label == labels.TEXT else decode_sequence(content, name)
            except SuitError as error:
                yield 2, f"unreadable: {error.message}"
                continue
        elif isinstance(member, bytes):
            yield 1, f"{name}: {len(member)} bytes"
            continue
        else:
            yield 1, name
            parsed = member
        yield from _text(parsed) if isinstance(parsed, dict) else _sequence(parsed, 2, complete)


def _sequence(sequence: Sequence, depth: int, complete: bool) -> _Lines:
    for code, argument in sequence:
        name = labels.COMMANDS.get(code) or _OF_DELIVERIES.get(code, f"command {code}")
        if code == labels.SET_COMPONENT_INDEX:
            yield depth, f"component {'all' if argument is True else argument}:"
        elif code == labels.OVERRIDE_PARAMETERS and isinstance(argument, dict):
            for label, value in argument.items():
                named = labels.PARAMETERS.get(label) or _BASE.get(label, f"parameter {label}")
                yield depth + 1, f"{named} = {_value(value, complete)}"
        elif code == labels.TRY_EACH and isinstance(argument, tuple):
            yield depth + 1, "try each:"
            for number, branch in enumerate(argument):
                yield depth + 2, f"branch {number}" + (": give up silently" if branch is None else "")
                yield from _sequence(branch or (), depth + 3, complete)
        elif code == labels.RUN_SEQUENCE and isinstance(argument, tuple):
            yield depth + 1, "run:"
            yield from _sequence(argument, depth + 2, complete)
        else:
            kind = "condition" if code in labels.CONDITIONS or name == _OF_DELIVERIES[-256] else "do"
            policy = f" (report {argument})" if complete else ""
            yield depth + 1, f"{kind} {name}{policy}"


def _text(text: Text) -> _Lines:
    for language, part in text.items():
        for label, words in part.manifest.items():
            lines = words.split("\n")
            yield 2, f"{_plain(language)}, {labels.MANIFEST_TEXT.get(label, label)}: {_plain(lines[0])}"
            for line in lines[1:]:
                yield 3, _plain(line)
        for identity, entries in part.components.items():
            for label, words in entries.items():
                what = labels.COMPONENT_TEXT.get(label, label)
                yield 2, f"{_plain(language)}, {_identity(identity)}, {what}: {_plain(words)}"


def _plain(text: str) -> str:
    """Text from a file may hold control characters that a terminal would obey."""
    return "".join(c if c.isprintable() else _by_number(c) for c in text)


def _by_number(character: str) -> str:
    number = ord(character)
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{{{number:x}}}"


def _identity(identity: ComponentId) -> str:
    part = ours(identity)
    bare = "[" + ", ".join(f"h'{piece.hex()}'" for piece in identity) + "]"
    if part is None:
        return bare
    return f"{bare} (component {part.number}, run slot {part.slot}{', header' if part.header else ''})"


def _value(value: object, complete: bool) -> str:
    if isinstance(value, bytes):
        return value.hex() if complete or len(value) <= 32 else f"{len(value)} bytes"
    if isinstance(value, SuitDigest):
        return f"{value.value.hex()} ({'SHA-256' if value.algorithm == -16 else value.algorithm})"
    if isinstance(value, VersionMatch):
        sign = ("", "above ", "at least ", "", "at most ", "below ")[value.comparison]
        return f"{sign}{_numbers(value.version)}"
    if isinstance(value, Tag):
        return f"tag {value.number}: {_value(value.value, complete)}"
    return _plain(str(value))


def _block(data: bytes) -> str:
    try:
        block = take_apart(data)
    except CoseError as error:
        return f"unreadable: {error.message}"
    if block.algorithm is None:
        return block.structure
    return f"{block.structure}, {ALGORITHMS.get(block.algorithm, block.algorithm)}, {len(block.signature)} bytes"


def _numbers(version: tuple[int, ...]) -> str:
    return ".".join(map(str, version))
