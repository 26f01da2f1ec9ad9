"""The result codes of the C sources: one name for each finding code, values far apart.

A glitch that flips a few bits of a result should not turn a refusal into an acceptance. That is hardening, no
guarantee.
"""

import hashlib

from imgseal.device_code.licence import LINES
from imgseal.findings import CODES

__all__ = ["DEVICE_CODES", "SUCCESSES", "c_name", "codes_header", "names_source", "values"]

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

_DISTANCE = 8


def c_name(code: str) -> str:
    """Return the C name of a code: `rollback.counter-too-low` is SEAL_ROLLBACK_COUNTER_TOO_LOW."""
    return "SEAL_" + code.replace(".", "_").replace("-", "_").upper()


def values() -> dict[str, int]:
    """Return 31-bit values, each at least eight bits away from every other, from 0 and from all ones."""
    taken = [0, 0x7FFF_FFFF]
    out = {}
    for name in (*SUCCESSES, *DEVICE_CODES, *CODES):
        for attempt in range(10_000):
            digest = hashlib.sha256(f"{name} {attempt}".encode()).digest()
            value = int.from_bytes(digest[:4], "big") & 0x7FFF_FFFF
            if all((value ^ other).bit_count() >= _DISTANCE for other in taken):
                break
        taken.append(value)
        out[name] = value
    return out


def codes_header() -> str:
    """Return seal_codes.h."""
    lines = [
        "/* Results, widely separated; docs/checks.md explains the codes that the judge has",
        " * as well. Made from the tool's own list: do not edit. */",
        "#ifndef SEAL_CODES_H",
        "#define SEAL_CODES_H",
        "",
        "enum seal_code {",
    ]
    entries = list(values().items())
    for index, (name, value) in enumerate(entries):
        comma = "," if index + 1 < len(entries) else ""
        lines.append(f"    {c_name(name)} = 0x{value:08X}{comma}")
    return LINES + "\n".join([*lines, "};", "", "#endif", ""])


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
    return LINES + "\n".join(lines)
