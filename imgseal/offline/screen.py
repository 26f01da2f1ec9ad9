"""What a person reads who is asked to sign: every field of a statement, every value of a manifest; or a summary.

The summary stands in the request, for files and mails. A screen that leaves a field out lets a request say
something there unseen, so that lines follow the field table, and a field that is added to it shows by itself.
"""

import struct
import textwrap
from collections.abc import Callable, Mapping
from itertools import islice

from imgseal.formats.cose.labels import ALGORITHMS
from imgseal.formats.sealed_image import layout
from imgseal.formats.sealed_image.statement import Statement
from imgseal.formats.suit.envelope import Envelope, wrapped_digest
from imgseal.formats.suit.manifest import Manifest, decode_manifest
from imgseal.formats.suit.outline import outline
from imgseal.offline.text_form import escaped, refuse
from imgseal.times import utc
from imgseal.versions import Version, suit_words

_LINES = 1000  # of a summary or screen
_WIDTH = 100
_WORDS = 4  # of a version


def statement_screen(content: bytes) -> list[str]:
    """Return the lines of a statement: a head, what is unusual, every other field, and which fields are zero."""
    values = {entry.name: struct.unpack_from("<" + entry.code, content, entry.offset) for entry in layout.FIELDS}
    pad = max(len(name) for name in values) + 2
    unusual, usual, zero = [], [], []
    for name, value in values.items():
        line = f"{name:<{pad}}{_shown(name, value)}"
        expected = _USUAL.get(name)
        if expected is not None and value != (expected,):
            unusual.append(f"{line}   (usually {_shown(name, (expected,))})")
        elif _is_zero(value) and name not in _ALWAYS:
            zero.append(name)
        else:
            usual.append(line)
    lines = [_head(values)]
    if unusual:
        lines += ["look at these first:", *(f"  {line}" for line in unusual), "and at all others:"]
    lines += [f"  {line}" for line in usual]
    if zero:
        wrapped = textwrap.wrap(", ".join(zero), _WIDTH - pad - 4)
        lines += [f"  {'zero' if index == 0 else '':<{pad}}{part}" for index, part in enumerate(wrapped)]
    return [escaped(line) for line in lines]


_Values = Mapping[str, tuple[object, ...]]


def _head(values: _Values) -> str:
    (number,), (kind,), (flags,) = (values[name] for name in ("component_number", "component_kind", "flags"))
    what = _KINDS.get(kind, f"kind {kind}")
    made = "development" if isinstance(flags, int) and flags & layout.FLAG_DEVELOPMENT else "released"
    version, (counter,) = _version(values["version"]), values["counter"]
    return f"sealed image of component {number} ({what}, {made}), version {version}, counter {counter}"


def _is_zero(value: tuple[object, ...]) -> bool:
    return all(not any(part) if isinstance(part, bytes) else part == 0 for part in value)


def _plain(value: tuple[object, ...]) -> str:
    return " ".join(part.hex() if isinstance(part, bytes) else str(part) for part in value)


def _version(words: tuple[object, ...]) -> str:
    try:
        return str(Version.from_words(words))  # type: ignore[arg-type]
    except ValueError:
        return _plain(words)


def _versions(value: tuple[object, ...]) -> str:
    chunks = [value[at : at + _WORDS] for at in range(0, len(value), _WORDS)]
    return ", ".join("-" if _is_zero(chunk) else _version(chunk) for chunk in chunks)


def _number(value: tuple[object, ...]) -> str:
    return f"0x{value[0]:08x} ({value[0]})"


def _algorithm(value: tuple[object, ...]) -> str:
    number = value[0]
    name = "SHA-256" if number == layout.DIGEST_SHA256 else ALGORITHMS.get(number)  # type: ignore[call-overload]
    return f"{number} ({name})" if name else str(number)


_KINDS: Mapping[object, str] = {layout.CODE: "code", layout.DATA: "data"}


def _kind(value: tuple[object, ...]) -> str:
    return f"{value[0]} ({_KINDS[value[0]]})" if value[0] in _KINDS else str(value[0])


def _flags(value: tuple[object, ...]) -> str:
    flags = value[0]
    assert isinstance(flags, int)
    names = ((layout.FLAG_DEVELOPMENT, "development"), (layout.FLAG_DETACHED, "header kept apart"))
    said = [name for bit, name in names if flags & bit]
    if flags & ~layout.KNOWN_FLAGS:
        said.append("unknown ones")
    return f"0x{flags:08x} ({', '.join(said) or 'none'})"


def _time(value: tuple[object, ...]) -> str:
    assert isinstance(value[0], int)
    return f"{value[0]} ({utc(value[0])})"


_FORMS: dict[str, Callable[[tuple[object, ...]], str]] = {
    "version": _version,
    "need_least": _versions,
    "need_below": _versions,
    "component_kind": _kind,
    "digest_algorithm": _algorithm,
    "link_address": _number,
    "entry_offset": _number,
    "payload_size": _number,
    "build_time": _time,
    "flags": _flags,
}
_ALWAYS = ("hardware_least", "hardware_most", "counter", "entry_offset", "flags", "build_time", "link_address")
_USUAL = {
    "format_major": layout.FORMAT_MAJOR,
    "format_minor": layout.FORMAT_MINOR,
    "digest_algorithm": layout.DIGEST_SHA256,
    "statement_length": layout.STATEMENT_BYTES,
    "entry_offset": 0,
    "header_block": 1024,
    "flags": 0,
    **{f"signature_{index}_algorithm": 0 for index in range(1, layout.SIGNATURE_SLOTS)},
}


def _shown(name: str, value: tuple[object, ...]) -> str:
    form = _algorithm if name.endswith("_algorithm") else _FORMS.get(name, _plain)
    return form(value)


def manifest_screen(content: bytes, severed: Mapping[int, bytes]) -> list[str]:
    """Return the lines of a manifest and of the members severed from it, nothing shortened."""
    return manifest_lines(decode_manifest(content), content, severed, complete=True)


def statement_words(statement: Statement) -> list[str]:
    """Return the lines of a statement."""
    kind = "code" if statement.kind == layout.CODE else "data"
    made = "development" if statement.development else "released"
    lines = [
        (
            f"sealed image of component {statement.component} ({kind}, {made}), version {statement.version}, "
            f"counter {statement.counter}"
        ),
        (
            f"vendor {statement.vendor_id.hex()}, class {statement.class_id.hex()}, "
            f"hardware {statement.hardware[0]} to {statement.hardware[1]}"
        ),
        f"payload of {statement.payload_size} bytes at 0x{statement.link_address:08x}"
        + (", header kept apart" if statement.detached else ""),
        f"payload SHA-256 {statement.payload_digest.hex()}",
    ]
    lines += [
        f"needs {'the bootloader' if need.component == 0 else f'component {need.component}'} {need}"
        for need in statement.needs
    ]
    if statement.source_revision:
        lines.append(f"source revision {statement.source_revision.hex()}")
    return [*lines, f"built {utc(statement.build_time)}"]


def manifest_lines(manifest: Manifest, content: bytes, severed: Mapping[int, bytes], *, complete: bool) -> list[str]:
    """Return the lines of a manifest and of the members severed from it, as a tree.

    `complete` ones show each value in full, reporting policies too.
    """
    version = suit_words(manifest.set_version)
    release = "" if version is None else f", release {version}"
    digest = wrapped_digest(content)
    lines = [f"update package{release}, sequence {manifest.sequence_number}"]
    lines += islice(outline(Envelope(digest, b"", (), content, severed, {}), complete=complete), _LINES)
    if len(lines) > _LINES:
        refuse("the manifest says more than a person would read", "manifest", f"at most {_LINES} lines", "more")
    return [escaped(line) for line in lines]
