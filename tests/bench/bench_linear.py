"""Shows that time grows as the input does, where it once grew with its square: at n, 2n and 4n.

    python tests/bench/bench_linear.py [--scale 1.0]

A product file with one mistake in its last line, one with many variants, and one with a key of many parts; the gate over a folder, and over a
zip archive, of files that are the detached headers of payloads which are not there; and what the gate passes over, of text that begins like
firmware in other forms again and again.
"""

import argparse
import io
import os
import shlex
import struct
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / each) for each in ("", "cli", "gate", "keys"))]


def mistaken(count: int) -> str:
    from imgseal.product.starter import product_text

    row = '\n[[gate.exception]]\npath = "third-party/{}.hex"\nreason = "not ours"\nuntil = {}\n'
    return product_text() + "".join(row.format(number, "2030-01-01") for number in range(count)) + row.format("x", 3)


def varied(count: int) -> str:
    from imgseal.product.starter import product_text

    return product_text() + "".join(
        f'\n[variant.v{number}]\nclass = "vent-drive-{number}"\n' for number in range(count)
    )


def dotted(count: int) -> str:
    return ".".join("a" * count) + " = 1\n"


def headers(count: int) -> list[bytes]:
    """Headers of payloads of different sizes, which nobody has."""
    from test_gate_rules import detached

    from imgseal.formats.sealed_image.layout import field

    _, _, header, _ = detached()
    made = []
    for number in range(count):
        one = bytearray(header)
        struct.pack_into("<I", one, field("payload_size").offset, 4096 + number)
        made.append(bytes(one))
    return made


def read_product(text: str) -> Callable[[], None]:
    def read() -> None:
        from imgseal.errors import UsageError
        from imgseal.product.read_toml import read

        try:
            read(text, name="imgseal.toml")
        except UsageError:
            return

    return read


def gate(count: int, folder: Path, *, zipped: bool) -> Callable[[], None]:
    """A project whose output is so many headers, and what runs the gate over it."""
    from test_gate_rules import detached
    from workshop import write_project

    write_project(folder, detached()[0])
    out = folder / "out"
    out.mkdir()
    if zipped:
        data = io.BytesIO()
        with zipfile.ZipFile(data, "w") as archive:
            for number, header in enumerate(headers(count)):
                archive.writestr(f"{number:06}.header.bin", header)
        (out / "headers.zip").write_bytes(data.getvalue())
    else:
        for number, header in enumerate(headers(count)):
            (out / f"{number:06}.header.bin").write_bytes(header)
    command = [sys.executable, "-m", "imgseal", "gate", "out", "--fresh", "--jobs", "1"]

    def run() -> None:
        said = subprocess.run(
            command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        if said.returncode != 1:
            sys.exit(f"failed with {said.returncode}: {shlex.join(command)}")

    return run


def passed_over(piece: bytes) -> Callable[[int], Callable[[], None]]:
    """What looks through so many KiB of a piece that is repeated."""

    def made(count: int) -> Callable[[], None]:
        from workshop import product

        from imgseal.gate.passed import PassedOver
        from imgseal.gate.vector_table import VectorTables

        tables = VectorTables([product()])
        data = piece * (1024 * count // len(piece)) + b"\n"

        def look() -> None:
            passed = PassedOver(tables, find_keys=True)
            for at in range(0, len(data), 1 << 20):
                passed.take(data[at : at + (1 << 20)])
            passed.take(b"")
            assert not passed.findings

        return look

    return made


def timed(work: Callable[[], None]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description="Show that time grows as the input does.")
    parser.add_argument("--scale", type=float, default=1.0, help="all counts times this")
    scale = parser.parse_args().scale
    print(f"{shlex.join([sys.executable, *sys.argv])}   Python {sys.version.split()[0]}")
    texts: tuple[tuple[str, int, Callable[[int], str]], ...] = (
        ("product file with one mistake", 1000, mistaken),
        ("product file of many variants", 64, varied),
        ("product file with a long key", 2000, dotted),
    )
    for name, first, make in texts:
        show(name, [(n := int(first * scale) * times, timed(read_product(make(n)))) for times in (1, 2, 4)])
    for name, piece in (
        ("one line in base 85", b"$" + b"%" * 1023 + b"%%"),
        ("lines in base 85", b"$" + b"z" * 300 + b"\n"),
        ("addresses without data", b"@1\n"),
        ("line feeds alone", b"\n"),
        ("columns that do not count", b"000000:0000\n"),
        ("flash commands without data", b"!R\n>a\n"),
        ("base 64 without an end", b"/Aab\n" + (b"a" * 50 + b"\n") * 40),
    ):
        make_work = passed_over(piece)
        show(name, [(n := int(1024 * scale) * times, timed(make_work(n))) for times in (1, 2, 4)])
    for name, zipped in (("headers in a folder", False), ("headers in a zip archive", True)):
        rows = []
        for times in (1, 2, 4):
            with tempfile.TemporaryDirectory() as folder:
                count = int(1000 * scale) * times
                rows.append((count, timed(gate(count, Path(folder), zipped=zipped))))
        show(name, rows)


def show(name: str, rows: list[tuple[int, float]]) -> None:
    figures = "   ".join(f"{count:>5} {seconds:7.2f} s" for count, seconds in rows)
    print(f"{name:<30}  {figures}   4n/n {rows[2][1] / rows[0][1]:5.1f}", flush=True)


if __name__ == "__main__":
    main()
