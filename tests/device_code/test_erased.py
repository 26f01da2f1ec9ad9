"""What flash reads as where it is erased: the tool and the C code judge the rest of a slot by what the memory says.

The table is written from docs/format/product-file.md, `erased`; what is signed is filled with 0xFF in any memory.
"""

import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from c_boot import Library, programs_in_c
from fuzz import Fuzzer
from run_python import verdict_of
from stages import ERASED, erased_as, pair_of
from test_planted_in_c import planted

from imgseal.rehearse.play import rehearse

KINDS = ("0xFF", *ERASED)
RESTS = {"ones": b"\xff", "zeros": b"\0", "noise": b"\xff\xff\0\x5a"}
REST = "content.rest-not-erased"


def fuzzer_for(kind: str, folder: Path) -> Fuzzer:
    """The kit's product with both flash memories of a kind."""

    def rules(text: str) -> str:
        assert text.count("page = 256\n") == 2
        return text.replace("page = 256\n", f"page = 256\nerased = {kind}\n")

    return Fuzzer(folder, ("-O1",), rules=rules)


def reads(kind: str, rest: str) -> bool:
    return {"0xFF": rest == "ones", "0x00": rest == "zeros"}.get(kind, True)


def judged(fuzzer: Fuzzer, case: dict[str, Any], image: bytes, payload: bytes | None) -> set[str]:
    device, development = case.get("device"), case.get("development", False)
    verdict = verdict_of(
        fuzzer.of, image, payload=payload, slot=case["slot"], device=device, held={}, development=development
    )
    said = fuzzer.judge(image, payload, case["slot"], device, {}, development=development)
    return {"accepted" if verdict.accepted else verdict.findings[0].code, said}


def filled(data: bytes, used: int, rest: str) -> bytes:
    return data[:used] + (RESTS[rest] * len(data))[: len(data) - used]


@pytest.mark.parametrize("kind", KINDS)
def test_the_rest_of_a_slot(kind: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    fuzzer = fuzzer_for(kind, tmp_path)
    dumps = [case for case in fuzzer.seeds if case["name"] in ("dump-good", "dump-data", "detached-dump")]
    assert len(dumps) == 3
    for case, rest, other in itertools.product(dumps, RESTS, RESTS):
        image = fuzzer.blobs[case["artefact"]]
        payload = fuzzer.blobs.get(case.get("payload", ""))
        block, size = int.from_bytes(image[292:294], "little"), int.from_bytes(image[280:284], "little")
        if payload is None:
            good = reads(kind, rest)
            image = filled(image, block + size, rest)
        else:
            good = reads(kind, rest) and (reads(kind, other) or len(image) == block)
            image, payload = filled(image, block, other), filled(payload, size, rest)
        assert judged(fuzzer, case, image, payload) == {"accepted" if good else REST}, (case["name"], rest, other)


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_signed_is_filled_with_ones(kind: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """The header block behind the signatures, in whatever memory it lies."""
    tool("gcc")
    fuzzer = fuzzer_for(kind, tmp_path)
    case = next(case for case in fuzzer.seeds if case["name"] == "dump-good")
    image = bytearray(fuzzer.blobs[case["artefact"]])
    block, size = int.from_bytes(image[292:294], "little"), int.from_bytes(image[280:284], "little")
    assert image[block - 1] == 0xFF
    image[block - 1] = 0
    content = filled(bytes(image), block + size, "zeros" if kind == "0x00" else "ones")
    assert judged(fuzzer, case, content, None) == {"structure.fill-not-erased"}


@pytest.mark.parametrize(
    ("file", "old", "new", "erased"),
    [
        ("seal_image.c", "state[0] = (uint8_t)erased;", "state[0] = 0xFF;", "0x00"),
        ("seal_image.c", "if (erased != SEAL_UNREADABLE && ", "if (", '"unreadable"'),
        ("seal_boot.c", "if (part != padded && b->flash.read(b->flash.user, address + part, b->page + part, padded - part) != SEAL_READ)", "", "0x00"),
        (
            "seal_boot.c", "                b->page[i] = 0xFF;", "                return SEAL_DEVICE_UNREADABLE;", '"unreadable"',
        ),
    ],
    ids=["rest of ones", "rest read in any memory", "last unit filled with ones", "rest of a unit has to be readable"],
)  # fmt: skip
def test_a_fault_is_found(
    file: str, old: str, new: str, erased: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    """By the rehearsal: a set that was written does not start."""
    tool("gcc")
    update = pair_of(erased_as("staged outside, kept", erased, erased))
    sources = planted(tmp_path, file, old, new)
    programs = programs_in_c(Library(update.product, tmp_path, sources, ("-O1", "-w")))
    found = rehearse(update.stage, update.package, pairs=300, seed="1", programs=programs).violation
    assert found is not None
