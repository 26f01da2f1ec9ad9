"""Ceilings are promises: a lower one refuses files that were taken before, a higher one takes what was never tried.

So each stands here a second time, and the readers are held to it: what is as large as the ceiling is taken, one byte more is refused.
"""

import io

import pytest

from imgseal import limits
from imgseal.errors import InputError
from imgseal.formats.source import text_records
from imgseal.formats.source.intel_hex import read_intel_hex
from imgseal.formats.source.s_record import read_s_records

KIB, MIB, GIB = 1024, 1024**2, 1024**3
STATED = {
    "CHUNK": MIB,
    "FIRMWARE_BYTES": GIB,
    "IMAGE_BYTES": 256 * MIB,
    "REGIONS": 65536,
    "LINE_BYTES": 1024,
    "ARTEFACT_BYTES": 512 * MIB,
    "MANIFEST_BYTES": 64 * KIB,
    "BLOCKS": 16,
    "BLOCK_BYTES": 4800,
    "CBOR_DEPTH": 16,
    "CBOR_ITEMS": 20000,
    "SEQUENCE_DEPTH": 8,
    "TEXT_ARTEFACT_BYTES": 16 * MIB,
    "COMPONENTS": 64,
    "COMMANDS_RUN": 10000,
    "HASHED_BYTES": GIB,
    "HEADER_BLOCK_MIN": 512,
    "HEADER_BLOCK_MAX": 8192,
    "HEADER_BLOCK_STEP": 128,
    "PRODUCT_FILE_BYTES": MIB,
    "KEY_FILE_BYTES": 64 * KIB,
    "REQUEST_BYTES": 32 * MIB,
    "RESPONSE_BYTES": 8 * MIB,
    "MAP_BYTES": 64 * MIB,
    "MAP_LINES": 1000000,
    "TRUST_BYTES": 8 * KIB,
    "STATE_FILE_BYTES": 4 * MIB,
    "LOG_BYTES": GIB,
    "LOG_LINE_BYTES": 256 * KIB,
    "PROOF_BYTES": 272 * KIB,
    "SBOM_BYTES": 64 * MIB,
    "ARCHIVE_DEPTH": 4,
    "ARCHIVE_MEMBERS": 100000,
    "ARCHIVE_BYTES": GIB,
    "ARCHIVE_RATIO": 100,
    "ARCHIVE_DIRECTORY": 32 * MIB,
}


def test_stated() -> None:
    assert {name: getattr(limits, name) for name in STATED} == STATED


def test_a_firmware_file_as_text(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bytes of the file count, those of line ends and comments too."""
    hexed = b":0400000000010203F6\n:00000001FF\n"
    srec = b"S107000000010203F2\nS9030000FC\n"
    for data, read in ((hexed, read_intel_hex), (srec, read_s_records)):
        monkeypatch.setattr(text_records, "FIRMWARE_BYTES", len(data))
        assert read(io.BytesIO(data), name="x").regions[0].size == 4
        monkeypatch.setattr(text_records, "FIRMWARE_BYTES", len(data) - 1)
        with pytest.raises(InputError, match="larger than imgseal reads"):
            read(io.BytesIO(data), name="x")
