"""Artefacts made to cost the judge time or memory: each is refused, or accepted, within bounds.

    python tests/properties/hostile.py

prints seconds and peak memory beyond the artefact's own size for each, as whole processes, beside the bounds: 2 s and 2 s more for each 64 MiB, 64 MiB of
memory beyond the artefact. Those that need it are signed with the right key, so that the later stages have to cope with them.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from multiprocessing import Process
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from workshop import repacked, resealed, workshop, write_project

from imgseal.formats.cbor.strict import bstr_head, decode, encode
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.formats.suit import labels
from imgseal.formats.suit.digest import sha256_digest

MIB = 1 << 20


def nested_sequence(levels: int) -> bytes:
    inner = encode([labels.CONDITION_VENDOR, 0])
    for _ in range(levels):
        inner = encode([labels.RUN_SEQUENCE, inner])
    return inner


def with_shared(tail: list[object]) -> bytes:
    """The package with commands behind its shared sequence, signed again."""

    def edit(data: bytes) -> bytes:
        tree = decode(data, "manifest")
        assert isinstance(tree, dict)
        common = decode(tree[3], "common")
        assert isinstance(common, dict)
        shared = decode(common[4], "shared")
        assert isinstance(shared, list)
        return encode({**tree, 3: encode({**common, 4: encode(shared + tail)})})

    return repacked(workshop().package, edit)


def explosive(levels: int, width: int) -> list[object]:
    """Sequences that run others several times for every component."""
    inner = encode([12, True, 1, 0, 2, 0])
    for _ in range(levels):
        inner = encode([12, True] + [32, inner] * width)
    return [12, True, 32, inner]


def large_payload(size: int) -> bytes:
    """A package whose phrases are large, with a manifest that hashes them again and again."""
    from imgseal.demo.firmware import filler

    block = filler("large", MIB)
    body = block * (size // MIB)
    phrases = resealed(
        workshop().images["phrases"],
        lambda s: s._replace(payload_size=len(body), payload_digest=sha256_digest(body).value),
        payload=body,
    )

    def edit(data: bytes) -> bytes:
        tree = decode(data, "manifest")
        assert isinstance(tree, dict)
        common = decode(tree[3], "common")
        assert isinstance(common, dict)
        shared = decode(common[4], "shared")
        assert isinstance(shared, list)
        last = max(n for n, item in enumerate(shared) if isinstance(item, dict))
        shared[last] = {**shared[last], 3: encode(sha256_digest(phrases).to_value()), 14: len(phrases)}
        validate = decode(tree[7], "validate")
        assert isinstance(validate, list)
        return encode({**tree, 3: encode({**common, 4: encode(shared)}), 7: encode([*validate, 12, 3, *[3, 0] * 3000])})

    return repacked(workshop().package, edit, payloads=lambda members: {**members, "#phrases": phrases})


def shuffled_hex(size: int) -> bytes:
    lines = b"".join(write_intel_hex([(0x20000, workshop().images["motor-a"]), (0x6000_0000, bytes(size))])).split(
        b"\n"
    )
    rows = [line for line in lines[:-2] if line[7:9] == b"00"]
    return b"\n".join([*rows[::-1], b":00000001FF", b""])


def cases() -> Iterator[tuple[str, bytes]]:
    """Yield names and artefacts."""
    head = workshop().images["motor-a"][:1024]
    yield "nothing", b""
    yield "64 MiB of zeros", bytes(64 * MIB)
    yield "sealed header in front of 64 MiB", head + b"\xff" * (64 * MIB)
    yield "sealed size of 4 GiB", resealed(workshop().images["motor-a"], lambda s: s._replace(payload_size=0xFFF0_0000))
    yield (
        "envelope of 250 payloads",
        b"\xd8\x6b\xb8\xfa" + b"".join(encode(f"#{n:03}") + bstr_head(100_000) + bytes(100_000) for n in range(250)),
    )
    yield "envelope that announces 2**64 members", b"\xd8\x6b\xbb" + b"\xff" * 8
    yield "byte string of 2**63 bytes", b"\xd8\x6b\xa2\x02\x5b\x7f" + b"\xff" * 7
    yield "arrays in arrays", b"\xd8\x6b\xa2\x02" + encode(b"\x81" * 60_000)
    yield "array of 60,000 items", b"\xd8\x6b\xa2\x02" + encode(encode([0] * 59_000))
    yield "map of 15,000 keys", b"\xd8\x6b\xa2\x02" + encode(encode(dict.fromkeys(range(15000), 0)))
    yield "sequences in sequences, signed", with_shared([12, 0, 32, nested_sequence(2000)])
    yield "9 levels of sequences, signed", with_shared([12, 0, 32, nested_sequence(9)])
    yield "commands that multiply, signed", with_shared(explosive(4, 5))
    yield "10,000 commands, signed", with_shared([12, 0, *[1, 0] * 9_500])
    yield "the same 64 MiB hashed 3,000 times, signed", large_payload(64 * MIB)
    yield "11 MiB of hex records, last first", shuffled_hex(4 * MIB)
    yield "17 MiB of hex records", shuffled_hex(6 * MIB)
    yield "hex of a million end records", b":00000001FF\n" * 1_000_000


def judge(path: str) -> int:
    """Run `imgseal check` in this process."""
    from imgseal.cli.app import run

    return run(["check", path, "--json"])


def write_cases(folder: Path) -> None:
    write_project(folder)
    for number, (name, data) in enumerate(cases()):
        (folder / f"{number}.bin").write_bytes(data)
        (folder / f"{number}.name").write_text(name)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        writer = Process(target=write_cases, args=(folder,))  # its memory must not count as a child's
        writer.start()
        writer.join()
        base = measure(folder, "nothing.bin")[1]
        print(f"{'artefact':<48}{'size':>10}{'time':>8}{'bound':>8}{'memory beyond':>15}{'bound':>10}  status")
        for number in range(len(list(folder.glob("*.name")))):
            size = (folder / f"{number}.bin").stat().st_size
            seconds, peak, status = measure(folder, f"{number}.bin")
            title = (folder / f"{number}.name").read_text()
            beyond = max(0.0, peak - base - size / MIB)
            print(
                f"{title:<48}{size / MIB:6.1f} MiB{seconds:6.2f} s{2 + 2 * size / (64 * MIB):6.2f} s{beyond:11.1f} MiB"
                f"{64:6} MiB  {status}"
            )


def measure(folder: Path, name: str) -> tuple[float, float, int]:
    start = time.perf_counter()
    command = [sys.executable, "-m", "imgseal", "check", name, "--json"]
    child = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    return time.perf_counter() - start, usage.ru_maxrss / 1024, child.returncode


if __name__ == "__main__":
    main()
