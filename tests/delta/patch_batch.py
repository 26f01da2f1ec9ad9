"""Patches through the compiled seal_delta.c: builds tests/device_code/delta_main.c and reads what it prints."""

import struct
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NamedTuple

from c_build import HERE, PLAIN, SOURCES, STRICT, run

SANITIZED = ("-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


class Case(NamedTuple):
    """A patch, what it is applied to, and how it comes: 0 pulled, else in pieces of so many bytes."""

    old: bytes
    size: int
    patch: bytes
    piece: int = 0


class Answer(NamedTuple):
    """good, bad or BROKEN (a rule of the callbacks), bytes written, and a sum over them."""

    result: str
    written: int
    total: str


def build(
    folder: Path, compiler: str, flags: Sequence[str] = SANITIZED, source: Path | None = None, tail: Sequence[str] = ()
) -> Path:
    """Compile the decoder, strictly, and its main program."""
    folder.mkdir(parents=True, exist_ok=True)
    includes = (f"-I{PLAIN}", f"-I{SOURCES}")
    objects = []
    for path, more in (
        (source or SOURCES / "seal_delta.c", STRICT),
        (SOURCES / "seal_image.c", ("-std=c99",)),
        (HERE / "delta_main.c", ("-std=c99",)),
    ):
        target = folder / f"{path.stem}.o"
        run([compiler, *more, *flags, "-ffunction-sections", *includes, "-c", path, "-o", target])
        objects.append(target)
    program = folder / "delta"
    run([compiler, *flags, *objects, "-Wl,--gc-sections", "-o", program, *tail])
    return program


def write(cases: Iterable[Case], path: Path) -> None:
    """Write the file that the program reads."""
    cases = list(cases)
    with path.open("wb") as file:
        file.write(struct.pack("<I", len(cases)))
        for case in cases:
            file.write(
                struct.pack("<4I", len(case.old), case.size, len(case.patch), case.piece) + case.old + case.patch
            )


def answers(text: str) -> list[Answer]:
    """Read what the program printed."""
    rows = (line.split() for line in text.splitlines())
    return [Answer(result, int(written), total) for result, written, total in rows]


def apply(program: Path, cases: Iterable[Case], machine: Sequence[str] = ()) -> list[Answer]:
    """Run cases on this machine, or by an emulator of another one."""
    path = program.parent / "cases.bin"
    write(cases, path)
    return answers(run([*machine, program, path]))


def good(image: bytes) -> Answer:
    """The answer for a patch that makes this image."""
    total = 5381
    for byte in image:
        total = ((total << 5 | total >> 27) & 0xFFFF_FFFF) ^ byte
    return Answer("good", len(image), f"{total:08x}")
