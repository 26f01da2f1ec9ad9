"""The result codes of the C sources: one name for each finding code.

What says yes is a wide number, far from the others. What says no is a number of eight bits, which a core loads with one
short instruction: which no it is decides nothing, so they need no distance from each other. A glitch that flips a few
bits of a result should not turn a refusal into an acceptance, and no sum of results should that has a refusal in it.
That is hardening, no guarantee.
"""

import hashlib

from imgseal.findings import CODES, OF_THE_LOG

LICENCE = "/* SPDX-License-Identifier: MIT */\n/* Copyright (c) 2026 the imgseal authors */\n"
"""The head of every C file; the text is licence.txt in this folder, as in docs/."""

SUCCESSES = {
    "accepted": "every check ran and passed",
    "read": "a callback has read what it was asked for",
    "verified": "a signature holds",
    "marked": "every check passed, but for signatures: the boot mark says that they were verified before",
    "written": "a callback has erased or programmed what it was asked to",
}
"""What says yes; any other value says no."""

DEVICE_CODES = {
    "device.not-run": "a check was skipped, which has to be a fault of the hardware",
    "device.unreadable": "flash, a counter or the package could not be read",
    "device.unwritable": "flash or a counter could not be written",
    "device.no-record": "there is no install record",
    "device.no-set": "no set of images starts",
    "device.no-trust-set": "no set of trust anchors counts",
    "device.buffer-too-small": "the caller's buffer is too small for what stands in front of the first payload",
    "device.nothing-new": "the package brings nothing that is not there already",
    "device.not-stored": "the package has to lie in storage: one of its images has no second place",
}
"""What only a device says; everything else is named like the judge's findings."""

WIDE = (*SUCCESSES, "device.not-run")
"""What has 31 bits: what says yes, and what stands in the place of a check until it has run."""

_DISTANCE = 8
_TERMS = 40
"""So many results of one kind may be added up, against so many refusals; of two kinds half as many each."""
_SMALL = 255
_FIRST = {
    "device": 0x01, "structure": 0x10, "trust": 0x30, "signature": 0x50, "identity": 0x60, "rules": 0x70,
    "rollback": 0xA0, "placement": 0xB0, "digest": 0xC0, "content": 0xD0,
}  # fmt: skip
"""Where the numbers of a class of refusals begin."""


def c_name(code: str) -> str:
    """Return the C name of a code: `rollback.counter-too-low` is SEAL_ROLLBACK_COUNTER_TOO_LOW."""
    return "SEAL_" + code.replace(".", "_").replace("-", "_").upper()


def values() -> dict[str, int]:
    """Return the number of each name: wide ones, then refusals by class."""
    out = _wide()
    ends = [*list(_FIRST.values())[1:], _SMALL + 1]
    free = {name: iter(range(first, end)) for (name, first), end in zip(_FIRST.items(), ends, strict=True)}
    of_devices = [*DEVICE_CODES, *(code for code in CODES if code not in OF_THE_LOG)]
    out.update((name, next(free[name.partition(".")[0]])) for name in of_devices if name not in out)
    return {name: out[name] for name in (*SUCCESSES, *of_devices)}


def _wide() -> dict[str, int]:
    """Return 31-bit values, each at least eight bits away from every other, from any refusal and from all ones."""
    out: dict[str, int] = {}
    for name in WIDE:
        for attempt in range(10_000):
            digest = hashlib.sha256(f"{name} {attempt}".encode()).digest()
            value = int.from_bytes(digest[:4], "big") & 0x7FFF_FFFF
            far = all((value ^ other).bit_count() >= _DISTANCE for other in (0x7FFF_FFFF, *out.values()))
            if far and (value & ~_SMALL).bit_count() >= _DISTANCE and not _sums_up(value, tuple(out.values())):
                break
        out[name] = value
    return out


def _sums_up(value: int, others: tuple[int, ...]) -> bool:
    """Whether some of a value, with some of another one or without, come to a sum of refusals."""
    half = range(-_TERMS // 2, _TERMS // 2 + 1)
    sums = [value * n for n in range(1, _TERMS + 1)]
    sums += [value * n + other * m for other in others for n in range(1, _TERMS // 2 + 1) for m in half]
    near = _TERMS * _SMALL
    return any((total + near) % 2**32 <= 2 * near for total in sums)


def codes_header() -> str:
    """Return seal_codes.h."""
    lines = [
        "/* Results. Those that say yes, and the one that no check has run, are wide and far",
        " * apart; a refusal is a number below 256. docs/checks.md explains the codes that the",
        " * judge has as well. Made from the tool's own list: do not edit. */",
        "#ifndef SEAL_CODES_H",
        "#define SEAL_CODES_H",
        "",
        "enum seal_code {",
    ]
    entries = list(values().items())
    for index, (name, value) in enumerate(entries):
        comma = "," if index + 1 < len(entries) else ""
        lines.append(f"    {c_name(name)} = 0x{value:0{8 if name in WIDE else 2}X}{comma}")
    return LICENCE + "\n".join([*lines, "};", "", "#endif", ""])


def names_source() -> str:
    """Return seal_names.c."""
    lines = [
        "/* The names of results; see seal_names.h. Made from the tool's own list: do not edit. */",
        '#include "seal_names.h"',
        "",
        "static const struct {",
        "    uint32_t code;",
        "    const char *name;",
        "} names[] = {",
    ]
    lines += [f'    {{ {c_name(name)}, "{name}" }},' for name in values()]
    lines += [
        "};",
        "",
        "const char *seal_name(uint32_t code)",
        "{",
        "    uint32_t i;",
        "",
        "    for (i = 0; i < sizeof names / sizeof names[0]; i++)",
        "        if (names[i].code == code)",
        "            return names[i].name;",
        "    return 0;",
        "}",
        "",
    ]
    return LICENCE + "\n".join(lines)
