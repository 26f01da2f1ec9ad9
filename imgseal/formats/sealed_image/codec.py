"""Statement and header block <-> bytes, strictly: `encode(decode(b)) == b` for everything that is accepted.

`decode_*` raise `SealedFormatError`, which names the finding code, the field and its offset. They never act on a
field beyond bounding what is read next, so that they may run before any signature holds.
"""

from struct import Struct
from typing import Any

from imgseal.errors import InputError, Place
from imgseal.formats.sealed_image.layout import (
    CODE,
    DATA,
    DIGEST_SHA256,
    FIELDS,
    FILL,
    FORMAT_MAJOR,
    FORMAT_MINOR,
    KNOWN_FLAGS,
    MAGIC,
    NEEDS,
    REVISION_BYTES,
    SIGNATURE_BYTES,
    SIGNATURE_SLOTS,
    STATEMENT,
    STATEMENT_BYTES,
)
from imgseal.formats.sealed_image.statement import Need, SignatureSlot, Statement
from imgseal.limits import HEADER_BLOCK_MAX, HEADER_BLOCK_MIN, HEADER_BLOCK_STEP
from imgseal.records import NamedTuple
from imgseal.versions import Version

_NO_VERSION = (0, 0, 0, 0)
_PREFIXES = tuple(f"signature_{index}_" for index in range(SIGNATURE_SLOTS))
_SLOT = Struct("<i16sHH")  # algorithm, key, length and reserved of one signature
_SLOTS_AT = next(field.offset for field in FIELDS if field.name == "signature_0_algorithm")
_NUMBERS = ("hardware_least", "hardware_most", "component_kind", "payload_size", "link_address", "entry_offset")
_ZEROS = {field.name: b"" if field.code[-1] == "s" else 0 for field in FIELDS}
_FIXED = {
    "magic": MAGIC,
    "format_major": FORMAT_MAJOR,
    "format_minor": FORMAT_MINOR,
    "digest_algorithm": DIGEST_SHA256,
    "statement_length": STATEMENT_BYTES,
}
_NEEDS_COUNT, _REVISION_LENGTH, _LENGTH = f"0 to {NEEDS}", f"0 to {REVISION_BYTES}", str(STATEMENT_BYTES)


class SealedFormatError(InputError):
    """The bytes are not a header block of format 1; `code` is the finding the judge makes of it."""

    def __init__(self, code: str, message: str, name: str, expected: str, found: str, hint: str | None = None) -> None:
        offset = next((field.offset for field in FIELDS if field.name == name), None)
        super().__init__(message, place=Place(key=name, offset=offset), expected=expected, found=found, hint=hint)
        self.code = code


class HeaderBlock(NamedTuple):
    """A header block taken apart: the statement, its exact bytes, and the signature values in slot order."""

    statement: Statement
    statement_bytes: bytes
    signatures: tuple[bytes, ...]


def encode_statement(statement: Statement) -> bytes:
    """Return the 384 bytes of a statement; the values must be in range (`decode_statement` says which are)."""
    needs = statement.needs
    values = {
        **_ZEROS,
        **_FIXED,
        **statement._asdict(),
        "hardware_least": statement.hardware[0],
        "hardware_most": statement.hardware[1],
        "component_number": statement.component,
        "component_kind": statement.kind,
        "needs_count": len(needs),
        "revision_length": len(statement.source_revision),
        "version": statement.version.words(),
        "need_components": [need.component for need in needs],
        "need_least": [word for need in needs for word in need.least.words()],
        "need_below": [word for need in needs for word in (need.below.words() if need.below else _NO_VERSION)],
    }
    for prefix, slot in zip(_PREFIXES, statement.signatures, strict=False):  # the others are zeros
        values |= {f"{prefix}algorithm": slot.algorithm, f"{prefix}key": slot.key_id, f"{prefix}length": slot.length}
    return STATEMENT.pack(values)


def encode_header_block(statement: Statement, signatures: tuple[bytes, ...]) -> bytes:
    """Return the whole header block: statement, signature values in slot order, 0xFF to its end."""
    body = encode_statement(statement) + b"".join(signatures)
    return body + bytes([FILL]) * (statement.header_block - len(body))


def decode_statement(data: bytes) -> Statement:
    """Read the first 384 bytes of `data` as a statement of format 1.

    Raises SealedFormatError with `structure.*` codes: wrong magic or format, a value out of range, a reserved or
    unused byte that is not zero, an unknown flag, a header block size that is not allowed or too small for the
    signatures.
    """
    _hold_length(data, STATEMENT_BYTES, "statement")
    at = STATEMENT.unpack(data)
    _refuse_other_formats(at)
    least, most, kind, size, link, entry = (at[name] for name in _NUMBERS)
    used, revision, flags = at["revision_length"], at["source_revision"], at["flags"]
    if least > most:
        raise _invalid("hardware_least", f"at most {most}, the highest revision", least)
    _require(at["component_number"] != 0, "component_number", "1 to 255", 0)
    _require(kind in (CODE, DATA), "component_kind", "1 (code) or 2 (data)", kind)
    _require(at["needs_count"] <= NEEDS, "needs_count", _NEEDS_COUNT, at["needs_count"])
    _require(used <= REVISION_BYTES, "revision_length", _REVISION_LENGTH, used)
    needs = _needs(at)
    _require(not revision[used:].strip(b"\0"), "source_revision", "zeros behind the revision", revision)
    algorithm, length = at["digest_algorithm"], at["statement_length"]
    _require(algorithm == DIGEST_SHA256, "digest_algorithm", "-16 (SHA-256)", algorithm)
    _require(size > 0, "payload_size", "at least 1", size)
    if link + size > 1 << 32:
        raise _invalid("link_address", "a payload that ends below 2**32", f"0x{link:08x} + {size}")
    _require(entry < size and (kind == CODE or entry == 0), "entry_offset", "inside the payload; 0 for data", entry)
    _require(length == STATEMENT_BYTES, "statement_length", _LENGTH, length)
    if flags & ~KNOWN_FLAGS:
        raise SealedFormatError(
            "structure.unknown-flag",
            "a flag is set that this format does not define",
            "flags",
            f"only bits of 0x{KNOWN_FLAGS:x}",
            f"0x{flags:x}",
        )
    slots = _slots(data)
    _require(not at["reserved"].strip(b"\0"), "reserved", "zeros", at["reserved"])
    _refuse_block(at["header_block"], STATEMENT_BYTES + sum([slot.length for slot in slots]))
    at["hardware"], at["component"], at["kind"], at["needs"] = (least, most), at["component_number"], kind, needs
    at["version"], at["source_revision"], at["signatures"] = _version("version", at["version"]), revision[:used], slots
    return Statement(*[at[name] for name in Statement._fields])


def _refuse_other_formats(at: dict[str, Any]) -> None:
    magic, version = at["magic"], (at["format_major"], at["format_minor"])
    if magic != MAGIC:
        raise SealedFormatError("structure.unrecognised", "no sealed image", "magic", MAGIC.hex(), magic.hex())
    if version != (FORMAT_MAJOR, FORMAT_MINOR):
        raise SealedFormatError(
            "structure.format-unsupported",
            "the header is of a format this version does not read",
            "format_major" if version[0] != FORMAT_MAJOR else "format_minor",
            f"{FORMAT_MAJOR}.{FORMAT_MINOR}",
            "{}.{}".format(*version),
            "a newer imgseal may read it",
        )


def _refuse_block(size: int, needed: int) -> None:
    """Refuse a size of the header block that is none, or has no room for what is needed."""
    if not max(HEADER_BLOCK_MIN, needed) <= size <= HEADER_BLOCK_MAX or size % HEADER_BLOCK_STEP:
        raise SealedFormatError(
            "structure.header-block",
            "the header block has a size that is not allowed",
            "header_block",
            f"a multiple of {HEADER_BLOCK_STEP} from {max(HEADER_BLOCK_MIN, needed)} to {HEADER_BLOCK_MAX}",
            str(size),
        )


def decode_header_block(data: bytes) -> HeaderBlock:
    """Read a header block from the start of `data`; bytes behind it are not looked at.

    Raises SealedFormatError as `decode_statement`, and for a block that is cut off or whose fill is not 0xFF.
    """
    statement = decode_statement(data)
    size = statement.header_block
    _hold_length(data, size, "header_block")
    position, signatures = STATEMENT_BYTES, []
    for slot in statement.signatures:
        signatures.append(bytes(data[position : position + slot.length]))
        position += slot.length
    fill = bytes(data[position:size])
    if fill.count(FILL) != len(fill):
        wrong = next(i for i, byte in enumerate(fill) if byte != FILL)
        error = SealedFormatError(
            "structure.fill-not-erased",
            "the unused rest of the header block is not 0xFF",
            "fill",
            "0xff",
            f"0x{fill[wrong]:02x}",
        )
        error.place = Place(key="fill", offset=position + wrong)
        raise error
    return HeaderBlock(statement, bytes(data[:STATEMENT_BYTES]), tuple(signatures))


def _hold_length(data: bytes, size: int, name: str) -> None:
    if len(data) < size:
        message = f"the file ends inside the {name.replace('_', ' ')}"
        raise SealedFormatError("structure.truncated", message, name, f"{size} bytes", f"{len(data)} bytes")


def _require(holds: bool, name: str, expected: str, found: object) -> None:
    """Refuse a value; it becomes words only then, as most headers are sound and there may be thousands."""
    if not holds:
        raise _invalid(name, expected, found)


def _invalid(name: str, expected: str, found: object) -> SealedFormatError:
    words = found.hex() if isinstance(found, bytes) else str(found)
    return SealedFormatError(
        "structure.field-invalid", f"{name} holds a value that is not allowed", name, expected, words
    )


def _version(name: str, words: tuple[int, ...]) -> Version:
    major, minor, patch, stage = words
    try:
        return Version.from_words((major, minor, patch, stage))
    except ValueError as error:
        raise SealedFormatError(
            "structure.field-invalid", f"{name} holds no version", name, "a stage of a version", str(error)
        ) from None


def _needs(at: dict[str, Any]) -> tuple[Need, ...]:
    own, count = at["component_number"], at["needs_count"]
    components, least, below = at["need_components"], at["need_least"], at["need_below"]
    needs: list[Need] = []
    for index in range(count):
        component = components[index]
        _require(component != own, "need_components", "another component than the image's own", component)
        rises = not needs or component > needs[-1].component
        _require(rises, "need_components", "ascending component numbers", components[:count])
        floor = _version("need_least", least[4 * index : 4 * index + 4])
        words = below[4 * index : 4 * index + 4]
        ceiling = None if words == _NO_VERSION else _version("need_below", words)
        if ceiling is not None and ceiling <= floor:
            raise _invalid("need_below", f"above {floor}", ceiling)
        needs.append(Need(component, floor, ceiling))
    unused = {"need_components": components[count:], "need_least": least[4 * count :], "need_below": below[4 * count :]}
    for name, rest in unused.items():
        _require(not any(rest), name, "zeros in unused places", rest)
    return tuple(needs)


def _slots(data: bytes) -> tuple[SignatureSlot, ...]:
    slots: list[SignatureSlot] = []
    ended = False
    for index, prefix in enumerate(_PREFIXES):
        algorithm, key_id, length, reserved = _SLOT.unpack_from(data, _SLOTS_AT + index * _SLOT.size)
        _require(reserved == 0, prefix + "reserved", "0", reserved)
        if algorithm == 0:
            _require(not key_id.strip(b"\0") and length == 0, prefix + "key", "zeros in an unused slot", key_id)
            ended = True
            continue
        _require(not ended, prefix + "algorithm", "0 behind an unused slot", algorithm)
        wanted = SIGNATURE_BYTES.get(algorithm)
        _require(length > 0, prefix + "length", "at least 1", length)
        if wanted not in (None, length):
            raise _invalid(prefix + "length", f"{wanted} bytes for algorithm {algorithm}", length)
        for other in slots:
            once = other.key_id != key_id or other.algorithm != algorithm
            _require(once, prefix + "key", "each key once for an algorithm", key_id)
        slots.append(SignatureSlot(algorithm, key_id, length))
    _require(bool(slots), "signature_0_algorithm", "at least one signature", "none")
    return tuple(slots)
