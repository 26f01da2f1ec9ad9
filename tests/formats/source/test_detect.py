"""Kinds are told by bytes. What is refused, and the words, are ours; common practice, no source."""

import io

import pytest

from imgseal.errors import InputError, UsageError
from imgseal.formats.source import read
from imgseal.formats.source.detect import detect

HEX = b":0400000001020304F2\n:00000001FF\n"
SREC = b"S107000001020304EE\nS9030000FC\n"


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (HEX, "intel-hex"),
        (b"\r\n  " + HEX, "intel-hex"),
        (b"\xef\xbb\xbf" + HEX, "intel-hex"),  # refused by its reader, which names the mark
        (b":04x00000010203", "intel-hex"),  # damaged: its reader names the character
        (SREC, "s-record"),
        (b"S0030000FC\n", "s-record"),
        (b"\x7fELF\x01\x01\x01", "elf"),
        (b"\x00\x40\x00\x20\xd9\xcc\x01\x00", "binary"),
        (b"Stop the vent before opening it.", "binary"),
        (b":-) is not a record", "binary"),
    ],
)
def test_kinds(head: bytes, kind: str) -> None:
    assert detect(head, "file") == kind
    assert detect(head, "file.bin") == kind


@pytest.mark.parametrize(
    ("head", "name", "line"),
    [
        (b"; made by hand\n" + HEX, "a.bin", "line 2"),
        (b"\x00\x00\x00" + HEX, "a.bin", "line 1"),
        (b"0400000001020304F2\n:00000001FF\n", "a.bin", "line 2"),
        (b"garbage\n" + SREC, "a.bin", "line 2"),
        (b"0400000001020304F2\n", "a.bin", None),
        (b"\x00\x40\x00\x20\xd9\xcc\x01\x00", "A.HEX", None),
        (b"<html>not found</html>", "a.srec", None),
    ],
)
def test_text_of_records_is_never_a_flat_binary(head: bytes, name: str, line: str | None) -> None:
    with pytest.raises(InputError, match="does not start with one") as refused:
        read(io.BytesIO(head), name=name, base=0)
    assert refused.value.place.line == 1
    assert refused.value.hint is not None
    assert (line or "line") in (refused.value.found or "") or line is None
    # another name helps only where the name was the reason
    assert ("ends in .bin" in refused.value.hint) == (line is None and not name.endswith(".bin"))


@pytest.mark.parametrize("codec", ["utf-16-le", "utf-16-be"])
def test_utf_16_is_named(codec: str) -> None:
    text = ("\ufeff" + HEX.decode()).encode(codec)
    with pytest.raises(InputError, match="UTF-16"):
        detect(text, "a.hex")


@pytest.mark.parametrize(
    "head", [b"PK\x03\x04\x14", b"!<arch>\n", b"-----BEGIN PUBLIC KEY-----\n", b"\x1f\x8b\x08\x00"]
)
def test_archives_and_keys_are_no_firmware(head: bytes) -> None:
    with pytest.raises(InputError, match="this is no firmware"):
        detect(head, "a.bin")


def test_an_empty_file_is_refused() -> None:
    with pytest.raises(InputError, match="this file is empty"):
        read(io.BytesIO(), name="a.bin", base=0)


def test_a_flat_binary_needs_an_address() -> None:
    with pytest.raises(UsageError, match="does not say where it belongs") as refused:
        read(io.BytesIO(b"\x00\x40\x00\x20"), name="radio.bin")
    assert refused.value.place.file == "radio.bin"
    assert "FILE@ADDRESS" in (refused.value.expected or "")
    assert "radio.bin@0x60000" in (refused.value.hint or "")


@pytest.mark.parametrize("text", [HEX, SREC])
def test_files_with_their_own_addresses_take_none(text: bytes) -> None:
    with pytest.raises(UsageError, match="its own addresses") as refused:
        read(io.BytesIO(text), name="a", base=0x60000)
    assert "@0x60000" in (refused.value.found or "")


def test_a_kind_may_be_stated() -> None:
    assert read(io.BytesIO(HEX), name="a", kind="binary", base=0x10).read(0x10, 5) == b":0400"
    with pytest.raises(InputError, match="no record"):
        read(io.BytesIO(b"plain text\n"), name="a", kind="intel-hex")
    with pytest.raises(UsageError, match="no such kind") as refused:
        read(io.BytesIO(HEX), name="a", kind="ihex")
    assert refused.value.expected == "intel-hex, s-record, elf, binary"


def test_a_flat_binary_ends_below_the_end_of_memory() -> None:
    assert read(io.BytesIO(b"\x01\x02"), name="a", base=0xFFFF_FFFE).end == 1 << 32
    with pytest.raises(InputError, match="32-bit"):
        read(io.BytesIO(b"\x01\x02"), name="a", base=0xFFFF_FFFF)


def test_reading_hex_imports_no_library() -> None:
    import subprocess
    import sys

    code = (
        "import io, sys; from imgseal.formats.source import read; "
        f"read(io.BytesIO({HEX!r}), name='a'); read(io.BytesIO({SREC!r}), name='a'); "
        "print([m for m in ('elftools', 'intelhex', 'logging', 'pathlib', 'dataclasses') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-S", "-c", code], capture_output=True, text=True, check=True, cwd=".")
    assert done.stdout.strip() == "[]"
