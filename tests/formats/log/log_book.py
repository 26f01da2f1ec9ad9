"""Release logs for tests: invented releases that follow from their number, and logs put together without the package."""

import json
from hashlib import sha256

import naive_tree

from imgseal.formats.log.entry import Entry, LoggedImage, LoggedPackage
from imgseal.formats.log.lines import EMPTY, Step, added
from imgseal.versions import Version

CLASS = bytes(range(16))


def key(name: str) -> bytes:
    return sha256(name.encode()).digest()[:16]


def image(number: int, component: int, counter: int) -> LoggedImage:
    name = ("motor", "radio")[component - 1]
    statement = sha256(f"statement {number} {component}".encode()).digest()
    return LoggedImage(component, name, name, Version(2, 4, number), counter, statement, (key("images"),))


def draft(number: int, *, sequence: int | None = None, counter: int | None = None, variant: str = "") -> Entry:
    """Release `number` in an older format: sequence 10 more, the motor's counter a tenth of it.

    Every seventh states no bootloader, and is of format 1.
    """
    counter = number // 10 if counter is None else counter
    package = LoggedPackage(
        variant,
        CLASS,
        sha256(f"manifest {number} {sequence} {variant}".encode()).digest(),
        (key("packages"),),
        (image(number, 1, counter), image(number, 2, 3)),
    )
    bootloader = None if number % 7 == 6 else Version(1, number // 3, 0)
    return Entry(
        0,
        "quillmoor.example",
        "vent-drive",
        Version(2, 4, number),
        number + 10 if sequence is None else sequence,
        1_764_072_000 + number,
        bytes(range(20)),
        "0.1.0",
        (package,),
        bootloader=bootloader,
        format=1 if bootloader is None else 2,
    )


def book(size: int) -> tuple[bytes, list[Step]]:
    """A log with `size` releases: its bytes, and what each step made."""
    tip, lines, made = EMPTY, [], []
    for number in range(size):
        line, step = added(tip, draft(number))
        tip = step.tip
        lines.append(line + b"\n")
        made.append(step)
    return b"".join(lines), made


def by_the_page(entries: list[dict[str, object]]) -> bytes:
    """A log from entries as docs/format/release-log.md says it, with json, sha256 and the naive tree alone."""
    out = b""
    leaves: list[bytes] = []
    for entry in entries:
        data = compact(entry)
        size = len(leaves)
        edge, start = [], 0
        for bit in range(size.bit_length() - 1, -1, -1):
            if size >> bit & 1:
                edge.append(naive_tree.mth(leaves[start : start + (1 << bit)]).hex())
                start += 1 << bit
        leaves.append(data)
        line = {"at": len(out), "edge": edge, "root": naive_tree.mth(leaves).hex(), "entry": entry}
        out += compact(line) + b"\n"
    return out


def compact(tree: object) -> bytes:
    return json.dumps(tree, separators=(",", ":")).encode()
