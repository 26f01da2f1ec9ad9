"""Statement and header block <-> bytes, strictly: `encode(decode(b)) == b` for everything that is accepted.

`decode_*` raise `SealedFormatError`, which names the finding code, the field and its offset. They never act on a
field beyond bounding what is read next, so that they may run before any signature holds.
"""

from imgseal.errors import InputError, Place
from imgseal.formats.sealed_image.layout import (
    CODE,
    DATA,
    DIGEST_SHA256,
    FILL,
    FORMAT_MAJOR,
    FORMAT_MINOR,
    KEY_ID_BYTES,
    KNOWN_FLAGS,
    MAGIC,
    NEEDS,
    REVISION_BYTES,
    SIGNATURE_BYTES,
    SIGNATURE_SLOTS,
    STATEMENT,
    STATEMENT_BYTES,
    field,
)
from imgseal.formats.sealed_image.statement import Need, SignatureSlot, Statement
from imgseal.limits import HEADER_BLOCK_MAX, HEADER_BLOCK_MIN, HEADER_BLOCK_STEP
from imgseal.records import NamedTuple
from imgseal.versions import Version

_NO_VERSION = (0, 0, 0, 0)
_PREFIXES = tuple(f"signature_{index}_" for index in range(SIGNATURE_SLOTS))
_NEEDS_COUNT, _REVISION_LENGTH, _LENGTH = f"0 to {NEEDS}", f"0 to {REVISION_BYTES}", str(STATEMENT_BYTES)


class SealedFormatError(InputError):
    """The bytes are not a header block of format 1; `code` is the finding the judge makes of it."""

    def __init__(self, code: str, message: str, name: str, expected: str, found: str, hint: str | None = None) -> None:
        try:
            offset = field(name).offset
        except KeyError:
            offset = None
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
    spare = NEEDS - len(needs)
    least = [word for need in needs for word in need.least.words()]
    below = [word for need in needs for word in (need.below.words() if need.below else _NO_VERSION)]
    slots: list[int | bytes] = []
    for slot in statement.signatures:
        slots += [slot.algorithm, slot.key_id, slot.length, 0]
    for _ in range(SIGNATURE_SLOTS - len(statement.signatures)):
        slots += [0, bytes(KEY_ID_BYTES), 0, 0]
    return STATEMENT.pack(
        MAGIC,
        FORMAT_MAJOR,
        FORMAT_MINOR,
        statement.vendor_id,
        statement.class_id,
        *statement.hardware,
        statement.component,
        statement.kind,
        len(needs),
        len(statement.source_revision),
        *statement.version.words(),
        statement.counter,
        *[need.component for need in needs],
        *[0] * spare,
        *least,
        *[0] * (4 * spare),
        *below,
        *[0] * (4 * spare),
        statement.build_time,
        statement.source_revision,
        DIGEST_SHA256,
        statement.payload_digest,
        statement.payload_size,
        statement.link_address,
        statement.entry_offset,
        statement.header_block,
        STATEMENT_BYTES,
        statement.flags,
        *slots,
        bytes(field("reserved").size),
    )


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
    if len(data) < STATEMENT_BYTES:
        raise SealedFormatError(
            "structure.truncated",
            "the file ends inside the statement",
            "statement",
            f"{STATEMENT_BYTES} bytes",
            f"{len(data)} bytes",
        )
    values = STATEMENT.unpack_from(data)
    magic, major, minor, vendor_id, class_id, hw_least, hw_most, number, kind, count, revision_length = values[:11]
    if magic != MAGIC:
        raise SealedFormatError("structure.unrecognised", "no sealed image", "magic", MAGIC.hex(), magic.hex())
    if (major, minor) != (FORMAT_MAJOR, FORMAT_MINOR):
        raise SealedFormatError(
            "structure.format-unsupported",
            "the header is of a format this version does not read",
            "format_major" if major != FORMAT_MAJOR else "format_minor",
            f"{FORMAT_MAJOR}.{FORMAT_MINOR}",
            f"{major}.{minor}",
            "a newer imgseal may read it",
        )
    if hw_least > hw_most:
        raise _invalid("hardware_least", f"at most {hw_most}, the highest revision", hw_least)
    _require(number != 0, "component_number", "1 to 255", number)
    _require(kind in (CODE, DATA), "component_kind", "1 (code) or 2 (data)", kind)
    _require(count <= NEEDS, "needs_count", _NEEDS_COUNT, count)
    _require(revision_length <= REVISION_BYTES, "revision_length", _REVISION_LENGTH, revision_length)
    needs = _needs(count, number, values[16:20], values[20:36], values[36:52])
    build_time, revision, digest_algorithm, digest, size, link, entry, header_block, length, flags = values[52:62]
    _require(not any(revision[revision_length:]), "source_revision", "zeros behind the revision", revision)
    _require(digest_algorithm == DIGEST_SHA256, "digest_algorithm", "-16 (SHA-256)", digest_algorithm)
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
    slots = _slots(values[62:74])
    _require(not any(values[74]), "reserved", "zeros", values[74])
    needed = STATEMENT_BYTES + sum(slot.length for slot in slots)
    if (
        not HEADER_BLOCK_MIN <= header_block <= HEADER_BLOCK_MAX
        or header_block % HEADER_BLOCK_STEP
        or header_block < needed
    ):
        raise SealedFormatError(
            "structure.header-block",
            "the header block has a size that is not allowed",
            "header_block",
            f"a multiple of {HEADER_BLOCK_STEP} from {max(HEADER_BLOCK_MIN, needed)} to {HEADER_BLOCK_MAX}",
            str(header_block),
        )
    return Statement(
        vendor_id,
        class_id,
        (hw_least, hw_most),
        number,
        kind,
        _version("version", values[11:15]),
        values[15],
        needs,
        build_time,
        revision[:revision_length],
        digest,
        size,
        link,
        entry,
        header_block,
        flags,
        slots,
    )


def decode_header_block(data: bytes) -> HeaderBlock:
    """Read a header block from the start of `data`; bytes behind it are not looked at.

    Raises SealedFormatError as `decode_statement`, and for a block that is cut off or whose fill is not 0xFF.
    """
    statement = decode_statement(data)
    size = statement.header_block
    if len(data) < size:
        raise SealedFormatError(
            "structure.truncated",
            "the file ends inside the header block",
            "header_block",
            f"{size} bytes",
            f"{len(data)} bytes",
        )
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


def _needs(
    count: int, own: int, components: tuple[int, ...], least: tuple[int, ...], below: tuple[int, ...]
) -> tuple[Need, ...]:
    needs: list[Need] = []
    for index in range(count):
        component = components[index]
        _require(component != own, "need_components", "another component than the image's own", component)
        _require(
            not needs or component > needs[-1].component,
            "need_components",
            "ascending component numbers",
            components[:count],
        )
        floor = _version("need_least", least[4 * index : 4 * index + 4])
        words = below[4 * index : 4 * index + 4]
        ceiling = None if words == _NO_VERSION else _version("need_below", words)
        if ceiling is not None and ceiling <= floor:
            raise _invalid("need_below", f"above {floor}", ceiling)
        needs.append(Need(component, floor, ceiling))
    for name, rest in (
        ("need_components", components[count:]),
        ("need_least", least[4 * count :]),
        ("need_below", below[4 * count :]),
    ):
        _require(not any(rest), name, "zeros in unused places", rest)
    return tuple(needs)


def _slots(values: tuple[int | bytes, ...]) -> tuple[SignatureSlot, ...]:
    slots: list[SignatureSlot] = []
    ended = False
    for index in range(SIGNATURE_SLOTS):
        algorithm, key_id, length, reserved = values[4 * index : 4 * index + 4]
        assert isinstance(algorithm, int)
        assert isinstance(length, int)
        assert isinstance(key_id, bytes)
        prefix = _PREFIXES[index]
        _require(reserved == 0, prefix + "reserved", "0", reserved)
        if algorithm == 0:
            _require(not any(key_id) and length == 0, prefix + "key", "zeros in an unused slot", key_id)
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
