"""Mutated archives with unsealed firmware in them: where a reader of the standard library still finds the firmware, the gate refuses.

    python tests/properties/archive_mutants.py [--count 20000] [--seed 1] [--jobs 2]

The readers are those of `zipfile`, `tarfile` and `gzip`, asked for every member under whatever name; what one of them returns as the firmware's exact
bytes would reach a device. Beside that, a look at any archive ends without an error of Python. The counts say how many mutants were still readable.
"""

import gzip
import io
import random
import sys
import tarfile
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1] / each) for each in ("", "cli", "gate", "keys")]

from gate_hunt import Look, hunt, refused, run
from gate_tree import SLOTS, as_hex, as_tar, as_targz, as_zip, sealed

FIRMWARE = as_hex(SLOTS["motor-a"], bytes(range(96)))
FILES = {"notes.txt": b"how it was built\n" * 9, "spare.hex": FIRMWARE, "phrases.bin": sealed("phrases", b"words")}
OTHER = {"readme": b"another archive", "build/map": bytes(range(200))}
_OPEN = (
    OSError,
    EOFError,
    ValueError,
    KeyError,
    NotImplementedError,
    RuntimeError,
    zipfile.BadZipFile,
    tarfile.TarError,
    zlib.error,
)


def stored(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name), data)
    return out.getvalue()


BASES: dict[str, tuple[bytes, bytes]] = {
    "zip": (as_zip(FILES), as_zip(OTHER)),
    "stored zip": (stored(FILES), stored(OTHER)),
    "tar": (as_tar(FILES), as_tar(OTHER)),
    "tar.gz": (as_targz(FILES), as_targz(OTHER)),
    "gzip": (gzip.compress(FIRMWARE, 1), gzip.compress(OTHER["readme"], 1)),
    "zip in tar": (as_tar({"inner.zip": as_zip(FILES)}), as_tar(OTHER)),
}


# -- what strangers find ---------------------------------------------------------------------------------------------


def members(data: bytes, depth: int = 0) -> Iterator[bytes]:
    """Yield what the standard library's readers return for the members of an archive, and of archives in it."""
    for reader in (_of_zip, _of_tar, _of_gzip):
        for content in reader(data):
            yield content
            if depth < 2 and content[:2] in (b"PK", b"\x1f\x8b"):
                yield from members(content, depth + 1)


def _of_zip(data: bytes) -> Iterator[bytes]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for info in archive.infolist():
                try:
                    yield archive.read(info)
                except _OPEN:
                    continue
    except _OPEN:
        return


def _of_tar(data: bytes) -> Iterator[bytes]:
    try:
        with tarfile.open(fileobj=io.BytesIO(data), mode="r:*") as archive:
            for info in archive:
                stream = archive.extractfile(info) if info.isreg() else None
                if stream is not None:
                    yield stream.read()
    except _OPEN:
        return


def _of_gzip(data: bytes) -> Iterator[bytes]:
    try:
        yield gzip.decompress(data)
    except _OPEN:
        return


# -- mutants ---------------------------------------------------------------------------------------------------------


def mutant(base: bytes, other: bytes, rng: random.Random) -> bytes:
    """Change an archive: bits, numbers of its headers, pieces left out, doubled, exchanged, or of another archive."""
    data = bytearray(base)
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(data))
        if rng.random() < 0.5:  # where headers are
            near = [i for magic in (b"PK\1\2", b"PK\3\4", b"PK\5\6", b"ustar", b"\x1f\x8b") for i in _all(data, magic)]
            at = min(len(data) - 1, max(0, rng.choice(near or [at]) + rng.randrange(-160, 64)))
        size = rng.choice((1, 2, 4, 8, 30, 46, 512))
        kind = rng.randrange(8)
        if kind == 0:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            data[at : at + size] = bytes(min(size, len(data) - at))
        elif kind == 2:
            data[at : at + size] = rng.randbytes(min(size, len(data) - at))
        elif kind == 3:
            del data[at : at + size]
        elif kind == 4:
            data[at:at] = data[at : at + size]
        elif kind == 5:
            data = bytearray(rng.choice((other + data, data + other, data[:at] + other, other + data[at:])))
        elif kind == 6:
            for name in (b"spare.hex", b"notes.txt"):
                if rng.random() < 0.7:
                    data = data.replace(name, name[:-1] + rng.choice((b"/", b"\0", b".", b" ")), rng.randint(1, 2))
        else:
            value = rng.choice((0, 1, len(data), 0xFFFF, 0xFFFFFFFF)).to_bytes(4, "little")
            data[at : at + 4] = value[: len(data) - at]
        if not data:
            data = bytearray(base)
    return bytes(data)


def _all(data: bytearray, magic: bytes) -> Iterator[int]:
    at = data.find(magic)
    while at >= 0:
        yield at
        at = data.find(magic, at + 1)


def _any(rng: random.Random) -> tuple[str, bytes]:
    family = rng.choice(list(BASES))
    return family, mutant(*BASES[family], rng)


def batch(seed: int, count: int, look: Look = refused) -> Counter[str]:
    """Try `count` mutants; PassedError with the seed and number of the first that passes."""
    return hunt(seed, count, _any, lambda _family, data: FIRMWARE in members(data), look)


if __name__ == "__main__":
    run(batch, "Mutate archives and hold the gate against other readers.")
