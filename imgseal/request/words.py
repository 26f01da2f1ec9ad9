"""What a statement or a manifest says, in lines for the person who is asked to sign it; from its bytes alone."""

from collections.abc import Iterator, Mapping
from itertools import islice

from imgseal.request.text_form import refuse
from imgseal.sealed.layout import CODE
from imgseal.sealed.statement import Statement
from imgseal.suit import labels
from imgseal.suit.commands import Sequence
from imgseal.suit.digest import SuitDigest
from imgseal.suit.envelope import wrapped_digest
from imgseal.suit.manifest import Manifest
from imgseal.versions import Version

__all__ = ["manifest_words", "printable", "statement_words"]

_LINE = 160
_LINES = 1000


def printable(text: str) -> str:
    """Return a text of a stranger that can do nothing to a terminal, on one line."""
    shown = "".join(c if c.isascii() and c.isprintable() else f"\\u{ord(c):04x}" for c in text)
    return shown if len(shown) <= _LINE else shown[: _LINE - 3] + "..."


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
    return [*lines, f"built {_time(statement.build_time)}"]


def _time(seconds: int) -> str:
    from datetime import UTC, datetime  # noqa: PLC0415 - only for people

    try:
        return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    except (OverflowError, ValueError, OSError):
        return f"{seconds} s after 1970-01-01"


def manifest_words(manifest: Manifest, severed: Mapping[int, bytes]) -> list[str]:
    """Return the lines of a manifest and of the members severed from it."""
    release = ""
    if manifest.set_version is not None:
        try:
            release = f", release {Version.from_suit(list(manifest.set_version))}"
        except ValueError:
            release = f", release {'.'.join(map(str, manifest.set_version))}"
    lines = [f"update package{release}, sequence {manifest.sequence_number}"]
    parameters = list(islice(_parameters(manifest.shared, len(manifest.components)), _LINES + 1))
    if len(parameters) > _LINES:
        refuse("the manifest says more than a person would read", "shared", f"at most {_LINES} parameters", "more")
    for index, label, value in dict.fromkeys(parameters):
        name = labels.PARAMETERS.get(label, f"parameter {label}")
        lines.append(f"{_component(manifest, index)}: {name} {value}")
    for label, content in sorted(severed.items()):
        name = labels.MANIFEST_MEMBERS[label]
        lines.append(f"{name} of {len(content)} bytes, SHA-256 {wrapped_digest(content).value.hex()}")
    return lines


def _component(manifest: Manifest, index: int | None) -> str:
    if index is None:
        return "every component"
    if index >= len(manifest.components):
        return f"component of index {index}, which there is not"
    return f"component {'/'.join(part.hex() for part in manifest.components[index])}"


def _parameters(sequence: Sequence, count: int) -> Iterator[tuple[int | None, int, str]]:
    """Yield component index (None: all), label and value of each parameter that a sequence sets, in its order.

    Sequences inside it start with the index that it has then.
    """
    chosen: tuple[int | None, ...] = (0,)
    for command in sequence:
        argument = command.argument
        if command.code == labels.SET_COMPONENT_INDEX:
            if isinstance(argument, tuple):
                chosen = tuple(index for index in argument if isinstance(index, int))
            else:
                chosen = (argument if isinstance(argument, int) and not isinstance(argument, bool) else None,)
        elif isinstance(argument, Mapping):
            for label, value in argument.items():
                for index in chosen if len(chosen) < count else (None,):
                    yield index, label, _shown(value)
        elif isinstance(argument, tuple):
            for inner in argument if command.code == labels.TRY_EACH else (argument,):
                if isinstance(inner, tuple) and all(hasattr(entry, "code") for entry in inner):
                    for index, label, value in _parameters(inner, count):
                        yield chosen[0] if index == 0 and len(chosen) == 1 else index, label, value


def _shown(value: object) -> str:
    if isinstance(value, SuitDigest):
        return f"SHA-256 {value.value.hex()}" if value.algorithm == -16 else f"{value.algorithm} {value.value.hex()}"
    return printable(value.hex() if isinstance(value, bytes) else str(value))
