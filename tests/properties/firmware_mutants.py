"""Mutated firmware files: where another reader still gets the firmware's bytes at its address, the gate refuses.

    python tests/properties/firmware_mutants.py [--count 20000] [--seed 1] [--jobs 2]

The readers are intelhex, bincopy and pyelftools. Nothing here is sealed, so whatever one of them still reads may not pass; what none of them reads may
pass or be refused, but never ends with an error of Python.
"""

import io
import random
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1] / each) for each in ("", "cli", "gate", "keys")]

import bincopy
from elftools.common.exceptions import ELFError
from elftools.elf.elffile import ELFFile
from gate_hunt import Look, hunt, refused, run
from gate_tree import SLOTS, as_elf, as_hex, as_srec
from intelhex import IntelHex
from intelhex import IntelHexError as HexError

ADDRESS = SLOTS["motor-a"]
BODY = bytes(range(1, 97))
BASES = {"hex": as_hex(ADDRESS, BODY), "srec": as_srec(ADDRESS, BODY), "elf": as_elf(ADDRESS, BODY)}
FRONT = (
    b"\n",
    b"\r\n",
    b" ",
    b"\t",
    b"\0",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"; built by night\n",
    b"#\r",
    b"S0030000FC\n",
    b"\x1a",
    b"x",
)


# -- what strangers read ---------------------------------------------------------------------------------------------


def _intelhex(data: bytes) -> bool:
    image = IntelHex()
    image.fromfile(io.StringIO(data.decode("latin-1")), format="hex")
    return bytes(image.tobinarray(start=ADDRESS, size=len(BODY))) == BODY and ADDRESS in image.addresses()


def _bincopy(data: bytes) -> bool:
    file = bincopy.BinFile()
    file.add(data.decode("latin-1"))
    return any(BODY in bytes(part.data) and part.address <= ADDRESS for part in file.segments)


def _pyelftools(data: bytes) -> bool:
    file = ELFFile(io.BytesIO(data))
    if file["e_machine"] != "EM_ARM" or file["e_type"] not in ("ET_EXEC", "ET_DYN"):
        return False
    return any(part["p_type"] == "PT_LOAD" and part.data() == BODY for part in file.iter_segments())


READERS: dict[str, tuple[Callable[[bytes], bool], ...]] = {
    "hex": (_intelhex, _bincopy),
    "srec": (_bincopy,),
    "elf": (_pyelftools,),
}


def readable(family: str, data: bytes) -> bool:
    """Say whether a stranger gets the firmware; each fails in its own ways."""
    for reader in READERS[family]:
        try:
            if reader(data):
                return True
        except (
            HexError,
            bincopy.Error,
            ELFError,
            ValueError,
            KeyError,
            IndexError,
            AttributeError,
            TypeError,
            OSError,
            MemoryError,
            AssertionError,
        ):
            continue
    return False


# -- mutants ---------------------------------------------------------------------------------------------------------


def mutant(family: str, rng: random.Random) -> bytes:
    """Change a file in the ways that tools and people do, and in some that only attackers do."""
    data = BASES[family]
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(data))
        match rng.randrange(9):
            case 0:
                data = data.replace(b"\n", rng.choice((b"\r\n", b"\r", b"\n\n", b" \n", b"\n ", b"\t\r\n")))
            case 1:
                data = rng.choice(FRONT) * rng.choice((1, 1, 2, 64, 5000)) + data
            case 2:
                data = data.lower() if family != "elf" else data + bytes(rng.randrange(9))
            case 3:
                data += rng.choice(
                    (b"\n", b"\x1a", b"\0" * 64, b"end", BASES["hex"], BASES["srec"], b"PK\5\6" + bytes(18))
                )
            case 4:
                data = data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]
            case 5:
                data = data[:at] + rng.choice(FRONT) + data[at:]
            case 6:
                lines = data.split(b"\n")
                rng.shuffle(lines)
                data = b"\n".join(lines)
            case 7:
                lines = data.split(b"\n")
                data = b"\n".join(lines[: rng.randrange(1, len(lines) + 1)])
            case _:
                data = data[:at] + rng.randbytes(rng.choice((1, 2, 4))) + data[at + rng.choice((0, 1, 4)) :]
        if not data:
            data = BASES[family]
    return data


def _any(rng: random.Random) -> tuple[str, bytes]:
    family = rng.choice(list(BASES))
    return family, mutant(family, rng)


def batch(seed: int, count: int, look: Look = refused) -> Counter[str]:
    """Try `count` mutants; PassedError with the seed and number of the first that passes."""
    return hunt(seed, count, _any, readable, look)


if __name__ == "__main__":
    run(batch, "Mutate firmware files and hold the gate against other readers.")
