"""The lines of a signing request that say what a statement or a manifest is, from its bytes alone."""

from collections.abc import Mapping
from itertools import islice

from imgseal.formats.sealed_image.layout import CODE
from imgseal.formats.sealed_image.statement import Statement
from imgseal.formats.suit.envelope import Envelope, wrapped_digest
from imgseal.formats.suit.manifest import Manifest
from imgseal.formats.suit.outline import outline
from imgseal.offline.text_form import escaped, refuse
from imgseal.times import utc
from imgseal.versions import suit_words

_LINES = 1000


def statement_words(statement: Statement) -> list[str]:
    """Return the lines of a statement."""
    kind = "code" if statement.kind == CODE else "data"
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
