"""Statement and header block: strict both ways. The rules are those of docs/format/sealed-image.md."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgseal.formats.sealed_image.codec import (
    SealedFormatError,
    decode_header_block,
    decode_statement,
    encode_header_block,
    encode_statement,
)
from imgseal.formats.sealed_image.layout import ESP256, FIELDS, ML_DSA_44, field
from imgseal.formats.sealed_image.statement import Need, SignatureSlot, Statement
from imgseal.versions import ALPHA, BETA, CANDIDATE, STAGE_NUMBER_LIMIT, Version

WORD = st.integers(0, 2**32 - 1)
VERSIONS = st.one_of(
    st.tuples(WORD, WORD, WORD).map(lambda numbers: Version(*numbers)),
    st.builds(
        Version, WORD, WORD, WORD, st.sampled_from([ALPHA, BETA, CANDIDATE]), st.integers(0, STAGE_NUMBER_LIMIT - 1)
    ),
)


def make(**changes: object) -> Statement:
    """A valid statement with some fields replaced."""
    base = Statement(
        vendor_id=bytes(range(16)),
        class_id=bytes(range(16, 32)),
        hardware=(2, 4),
        component=1,
        kind=1,
        version=Version(2, 4, 1),
        counter=6,
        needs=(Need(0, Version(1, 1, 0), None), Need(2, Version(1, 3, 0), Version(2, 0, 0))),
        build_time=1_700_000_000,
        source_revision=b"\x12" * 20,
        payload_digest=b"\x34" * 32,
        payload_size=4096,
        link_address=0x20400,
        entry_offset=0,
        header_block=1024,
        flags=0,
        signatures=(SignatureSlot(ESP256, b"\x56" * 16, 64),),
    )
    return base._replace(**changes)  # type: ignore[arg-type]


@st.composite
def statements(draw: st.DrawFn) -> Statement:
    own = draw(st.integers(1, 255))
    numbers = draw(st.sets(st.integers(0, 255).filter(lambda n: n != own), max_size=4))
    needs = []
    for number in sorted(numbers):
        low, high = sorted(draw(st.tuples(VERSIONS, VERSIONS)))
        needs.append(Need(number, low, high if high > low and draw(st.booleans()) else None))
    size = draw(st.integers(1, 2**32 - 1))
    link = draw(st.integers(0, 2**32 - size))
    kind = draw(st.sampled_from([1, 2]))
    ids = draw(st.lists(st.binary(min_size=16, max_size=16), min_size=1, max_size=3, unique=True))
    slots = []
    for key_id in ids:
        algorithm = draw(st.sampled_from([ESP256, ML_DSA_44, -7]))
        slots.append(
            SignatureSlot(algorithm, key_id, {ESP256: 64, ML_DSA_44: 2420}.get(algorithm) or draw(st.integers(1, 2420)))
        )
    least = 384 + sum(slot.length for slot in slots)
    block = draw(st.integers(max(4, -(-least // 128)), 64)) * 128
    return Statement(
        draw(st.binary(min_size=16, max_size=16)),
        draw(st.binary(min_size=16, max_size=16)),
        tuple(sorted(draw(st.tuples(st.integers(0, 65535), st.integers(0, 65535))))),  # type: ignore[arg-type]
        own,
        kind,
        draw(VERSIONS),
        draw(WORD),
        tuple(needs),
        draw(st.integers(0, 2**64 - 1)),
        draw(st.binary(max_size=32)),
        draw(st.binary(min_size=32, max_size=32)),
        size,
        link,
        draw(st.integers(0, size - 1)) if kind == 1 else 0,
        block,
        draw(st.integers(0, 3)),
        tuple(slots),
    )


@given(statements())
def test_every_statement_survives_the_round_trip(statement: Statement) -> None:
    signatures = tuple(bytes([n + 1]) * slot.length for n, slot in enumerate(statement.signatures))
    block = encode_header_block(statement, signatures)
    assert len(block) == statement.header_block
    read = decode_header_block(block)
    assert read.statement == statement
    assert read.signatures == signatures
    assert encode_statement(read.statement) == read.statement_bytes == block[:384]


@given(statements(), st.data())
def test_whatever_is_accepted_has_one_encoding(statement: Statement, data: st.DataObject) -> None:
    """One byte changed: refused, or read as another statement that encodes to exactly the changed bytes."""
    raw = bytearray(encode_statement(statement))
    position = data.draw(st.integers(0, 383))
    raw[position] ^= data.draw(st.integers(1, 255))
    try:
        read = decode_statement(bytes(raw))
    except SealedFormatError:
        return
    assert read != statement
    assert encode_statement(read) == raw


def patched(name: str, value: bytes | int, statement: Statement | None = None) -> bytes:
    raw = bytearray(encode_header_block(statement or make(), (bytes(64),)))
    entry = field(name)
    raw[entry.offset : entry.offset + entry.size] = (
        value if isinstance(value, bytes) else struct.pack("<" + entry.code, value)
    )
    return bytes(raw)


@pytest.mark.parametrize(
    ("name", "value", "code"),
    [
        ("magic", b"\xd5imgseam", "structure.unrecognised"),
        ("format_major", 2, "structure.format-unsupported"),
        ("format_minor", 1, "structure.format-unsupported"),
        ("hardware_least", 5, "structure.field-invalid"),
        ("component_number", 0, "structure.field-invalid"),
        ("component_kind", 0, "structure.field-invalid"),
        ("component_kind", 3, "structure.field-invalid"),
        ("needs_count", 5, "structure.field-invalid"),
        ("needs_count", 1, "structure.field-invalid"),
        ("revision_length", 33, "structure.field-invalid"),
        ("revision_length", 19, "structure.field-invalid"),
        ("version", struct.pack("<4I", 1, 2, 3, 0), "structure.field-invalid"),
        ("version", struct.pack("<4I", 1, 2, 3, 0x01FFFFFF), "structure.field-invalid"),
        ("version", struct.pack("<4I", 1, 2, 3, 0xFFFFFFFE), "structure.field-invalid"),
        ("need_components", bytes([2, 0, 0, 0]), "structure.field-invalid"),
        ("need_components", bytes([0, 0, 0, 0]), "structure.field-invalid"),
        ("need_components", bytes([0, 1, 0, 0]), "structure.field-invalid"),
        ("need_components", bytes([0, 2, 3, 0]), "structure.field-invalid"),
        ("need_below", struct.pack("<8I", 0, 0, 0, 0, 1, 3, 0, 0xFFFFFFFF) + bytes(32), "structure.field-invalid"),
        ("digest_algorithm", -44, "structure.field-invalid"),
        ("payload_size", 0, "structure.field-invalid"),
        ("payload_size", 0xFFFFFFFF, "structure.field-invalid"),
        ("link_address", 0xFFFFF001, "structure.field-invalid"),
        ("entry_offset", 4096, "structure.field-invalid"),
        ("header_block", 384, "structure.header-block"),
        ("header_block", 1000, "structure.header-block"),
        ("header_block", 8320, "structure.header-block"),
        ("statement_length", 383, "structure.field-invalid"),
        ("flags", 4, "structure.unknown-flag"),
        ("flags", 1 << 31, "structure.unknown-flag"),
        ("signature_0_algorithm", 0, "structure.field-invalid"),
        ("signature_0_length", 63, "structure.field-invalid"),
        ("signature_0_length", 65, "structure.field-invalid"),
        ("signature_0_reserved", 1, "structure.field-invalid"),
        ("signature_1_key", bytes(15) + b"\x01", "structure.field-invalid"),
        ("signature_1_length", 64, "structure.field-invalid"),
        ("signature_2_algorithm", ESP256, "structure.field-invalid"),
        ("reserved", bytes(11) + b"\x01", "structure.field-invalid"),
    ],
)
def test_refused_fields(name: str, value: bytes | int, code: str) -> None:
    with pytest.raises(SealedFormatError) as caught:
        decode_header_block(patched(name, value))
    assert caught.value.code == code
    assert caught.value.expected
    assert caught.value.found


def test_accepted_at_the_limits() -> None:
    for block in (512, 8192):
        statement = make(header_block=block)
        assert decode_header_block(encode_header_block(statement, (bytes(64),))).statement == statement
    edge = make(payload_size=0x1000, link_address=0xFFFFF000)
    assert decode_statement(encode_statement(edge)) == edge


def test_fill_must_be_erased_to_the_last_byte() -> None:
    for position in (384 + 64, 1023):
        raw = bytearray(encode_header_block(make(), (bytes(64),)))
        raw[position] = 0xFE
        with pytest.raises(SealedFormatError) as caught:
            decode_header_block(bytes(raw))
        assert caught.value.code == "structure.fill-not-erased"
        assert caught.value.place.offset == position


@pytest.mark.parametrize("length", [0, 8, 383, 384, 1023])
def test_cut_short(length: int) -> None:
    raw = encode_header_block(make(), (bytes(64),))[:length]
    with pytest.raises(SealedFormatError) as caught:
        decode_header_block(raw)
    assert caught.value.code == "structure.truncated"


def test_same_key_twice_and_gap_between_slots() -> None:
    twice = make(signatures=(SignatureSlot(ESP256, b"\x01" * 16, 64),) * 2)
    with pytest.raises(SealedFormatError, match="signature_1_key"):
        decode_statement(encode_statement(twice))


def test_unknown_algorithm_is_read_and_kept() -> None:
    """-49 is ML-DSA-65 (RFC 9964), which nobody here verifies: 3,309 bytes or any other number."""
    for length in (3309, 7):
        statement = make(
            header_block=4096,
            signatures=(SignatureSlot(-49, b"\x01" * 16, length), SignatureSlot(ESP256, b"\x02" * 16, 64)),
        )
        read = decode_header_block(encode_header_block(statement, (b"\xaa" * length, b"\xbb" * 64)))
        assert read.signatures == (b"\xaa" * length, b"\xbb" * 64)


def test_ml_dsa_44_has_one_length() -> None:
    """RFC 9964: 2,420 bytes; with ESP256 beside it the smallest header block is 2,944."""
    slots = (SignatureSlot(ESP256, b"\x02" * 16, 64), SignatureSlot(ML_DSA_44, b"\x01" * 16, 2420))
    statement = make(header_block=2944, signatures=slots)
    values = (b"\xbb" * 64, b"\xaa" * 2420)
    assert decode_header_block(encode_header_block(statement, values)).signatures == values
    for length in (0, 64, 2419, 2421, 3309):
        changed = statement._replace(header_block=8192, signatures=(slots[0], slots[1]._replace(length=length)))
        with pytest.raises(SealedFormatError, match="signature_1_length") as caught:
            decode_statement(encode_statement(changed))
        assert caught.value.code == "structure.field-invalid"
    for block in (512, 1024, 2816):
        with pytest.raises(SealedFormatError) as caught:
            decode_statement(encode_statement(statement._replace(header_block=block)))
        assert (caught.value.code, caught.value.expected) == (
            "structure.header-block",
            "a multiple of 128 from 2868 to 8192",
        )


def test_every_field_is_covered_by_the_round_trip() -> None:
    """Changing any byte of a statement is seen: no byte is ignored."""
    raw = encode_statement(make())
    for entry in FIELDS:
        for position in (entry.offset, entry.offset + entry.size - 1):
            changed = bytearray(raw)
            changed[position] ^= 0x10
            try:
                assert decode_statement(bytes(changed)) != decode_statement(raw)
            except SealedFormatError:
                continue


def test_a_header_without_any_signature_is_none() -> None:
    """docs/format/sealed-image.md: one to three; slots that are not used are zero, and so is what is behind them."""
    raw = bytearray(encode_header_block(make(), (bytes(64),)))
    for name in ("signature_0_algorithm", "signature_0_key", "signature_0_length", "signature_0_reserved"):
        entry = field(name)
        raw[entry.offset : entry.offset + entry.size] = bytes(entry.size)
    with pytest.raises(SealedFormatError) as caught:
        decode_statement(bytes(raw[:384]))
    assert (caught.value.code, caught.value.place.key) == ("structure.field-invalid", "signature_0_algorithm")
