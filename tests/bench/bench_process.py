"""Measures whole processes of the installed command: sealing, judging, help; time and peak memory.

    python tests/bench/bench_process.py [--runs 15]

Makes a fresh virtual environment in a temporary folder and installs the project there, as a user would. Every figure is a whole
process, the two sides of a ratio run in turn, and the median of the ratios is printed, so that a drifting machine does not matter.
References: objcopy to binary and then openssl dgst -sign; openssl dgst -verify; python -c pass.
"""

import argparse
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from multiprocessing import Process
from pathlib import Path

ROOT = Path(__file__).parents[2]
MIB = 1 << 20
PRODUCT = """
format = 1
[product]
name = "bench"
vendor = "quillmoor.example"
class = "bench"
hardware = 1
[release]
version = "1.0.0"
sequence = 1
[signing.release]
images = "images.pem"
packages = "packages.pem"
[memory.nor]
base = 0x6000_0000
size = "128 MiB"
erase_block = "64 KiB"
[slot.data]
memory = "nor"
at = 0
size = "65 MiB"
[component.data]
number = 1
kind = "data"
run = ["data"]
counter = 0
way_back = "none"
[trust.images]
keys = ["images.pub.pem"]
[trust.packages]
keys = ["packages.pub.pem"]
"""
LIST = """
import sys
from imgseal.cli.app import run
run(sys.argv[1:])
known = [
    name
    for name, module in sys.modules.items()
    if not name.startswith("imgseal") and getattr(module, "__spec__", None) and name == module.__spec__.name
]
print("import " + ", ".join(known), file=sys.stderr)
"""


def run(command: list[str], cwd: Path) -> tuple[float, float]:
    """Run a process; return seconds and peak MiB."""
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    with open(os.devnull, "w") as nowhere:
        start = time.perf_counter()
        child = subprocess.Popen(command, cwd=cwd, stdout=nowhere, env=environment)
        _, status, usage = os.wait4(child.pid, 0)
        seconds = time.perf_counter() - start
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        sys.exit(f"failed: {' '.join(command)}")
    return seconds, usage.ru_maxrss / 1024


def timed(commands: list[list[str]], cwd: Path) -> float:
    return sum(run(command, cwd)[0] for command in commands)


def ratio(label: str, ours: list[list[str]], theirs: list[list[str]], cwd: Path, runs: int, goal: str) -> None:
    """Run both in turn and print the medians and the median of the ratios."""
    timed(ours, cwd)
    timed(theirs, cwd)
    pairs = [(timed(ours, cwd), timed(theirs, cwd)) for _ in range(runs)]
    mine, other = (statistics.median(pair[side] for pair in pairs) * 1000 for side in (0, 1))
    middle = statistics.median(a / b for a, b in pairs)
    print(f"{label:<44}{mine:9.1f} ms {other:9.1f} ms   ratio {middle:5.2f}   ({goal})")


def hex_file(path: Path, base: int, size: int, *, shuffled: bool = False) -> None:
    """Write a file in a process of its own: a child's peak memory starts with what its parent has."""
    writer = Process(target=write_records, args=(path, base, size, shuffled))
    writer.start()
    writer.join()


def write_records(path: Path, base: int, size: int, shuffled: bool) -> None:
    """Write records of 16 bytes; shuffled ones each behind a record that sets the upper address."""
    rng = random.Random(1)
    rows, upper = [], -1
    places = list(range(base, base + size, 16))
    if shuffled:
        rng.shuffle(places)
    for address in places:
        if address >> 16 != upper:
            upper = address >> 16
            raw = bytes([2, 0, 0, 4]) + upper.to_bytes(2, "big")
            rows.append(f":{(raw + bytes([-sum(raw) & 255])).hex().upper()}\n")
        raw = bytes([16]) + (address & 0xFFFF).to_bytes(2, "big") + b"\0" + rng.randbytes(16)
        rows.append(f":{(raw + bytes([-sum(raw) & 255])).hex().upper()}\n")
    rows.append(":00000001FF\n")
    path.write_text("".join(rows))


def install(folder: Path) -> Path:
    print("installing into a fresh environment ...", flush=True)
    subprocess.run([sys.executable, "-m", "venv", folder / "venv"], check=True)
    python = folder / "venv" / "bin" / "python"
    pip = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*pip, "-c", str(ROOT / "tests" / "constraints.txt"), str(ROOT)], check=True)
    return python


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure whole processes.")
    parser.add_argument("--runs", type=int, default=15)
    options = parser.parse_args()
    for name in ("objcopy", "openssl"):
        if shutil.which(name) is None:
            sys.exit(f"{name} is missing")
    with tempfile.TemporaryDirectory() as name:
        measure(Path(name), options.runs)


def measure(folder: Path, runs: int) -> None:
    python = str(install(folder))
    imgseal = str(folder / "venv" / "bin" / "imgseal")
    (folder / "imgseal.toml").write_text(PRODUCT)
    for key in ("images", "packages"):
        run([imgseal, "key", "new", "--no-passphrase", f"{key}.pem"], folder)
    sizes = ((1, "m1.hex", False), (64, "m64.hex", False), (64, "s64.hex", True))
    for size, name, shuffled in sizes:
        hex_file(folder / name, 0x6000_0400, size * MIB, shuffled=shuffled)
    print(f"{'':<44}{'ours':>12} {'reference':>12}")
    for size, goal, count in ((1, "at most 4.0; stretch 3.0", runs), (64, "at most 0.75", max(3, runs // 3))):
        seal = [imgseal, "seal", f"m{size}.hex", "--component", "data", "--release", "--out", "ours.bin"]
        pipeline = [
            ["objcopy", "-I", "ihex", "-O", "binary", f"m{size}.hex", "m.bin"],
            ["openssl", "dgst", "-sha256", "-sign", "images.pem", "-out", "m.sig", "m.bin"],
        ]
        ratio(f"seal {size} MiB of HEX / objcopy + openssl", [seal], pipeline, folder, count, goal)
    for name, goal in (("m64.hex", "at most 64 in all"), ("s64.hex", "at most 94: the image plus 30")):
        seal = [imgseal, "seal", name, "--component", "data", "--release", "--out", "ours.bin"]
        seconds, peak = run(seal, folder)
        kind = "ascending" if name == "m64.hex" else "shuffled"
        print(f"{f'peak memory, 64 MiB of {kind} records':<44}{peak:9.1f} MiB {seconds:8.1f} s   ({goal})")
    ratio(
        "imgseal --help / python -c pass", [[imgseal, "--help"]], [[python, "-c", "pass"]], folder, runs, "at most 5.3"
    )
    hex_file(folder / "half.hex", 0x6000_0400, MIB // 2)
    run([imgseal, "seal", "half.hex", "--component", "data", "--release", "--out", "half.bin"], folder)
    judged(folder, python, imgseal, runs)


def judged(folder: Path, python: str, imgseal: str, runs: int) -> None:
    """Beyond a bare process that imports the same libraries, judging against openssl's verification of the same bytes."""
    said = subprocess.run(
        [python, "-c", LIST, "check", "half.bin"], cwd=folder, capture_output=True, text=True, check=True
    )
    (folder / "bare.py").write_text(said.stderr.splitlines()[-1])
    run(["openssl", "dgst", "-sha256", "-sign", "images.pem", "-out", "half.sig", "half.bin"], folder)
    verify = ["openssl", "dgst", "-sha256", "-verify", "images.pub.pem", "-signature", "half.sig", "half.bin"]
    check, bare = [imgseal, "check", "half.bin"], [python, "bare.py"]
    for command in (check, bare, verify):
        run(command, folder)
    rows = [(run(check, folder)[0], run(bare, folder)[0], run(verify, folder)[0]) for _ in range(3 * runs)]
    mine, libraries, other = (statistics.median(row[n] for row in rows) * 1000 for n in range(3))
    beyond = mine - libraries
    print(
        f"{'check 512 KiB beyond its libraries / openssl':<44}{beyond:9.1f} ms {other:9.1f} ms   ratio {beyond / other:5.2f}   "
        f"(at most 2.5; whole process {mine:.1f} ms, libraries {libraries:.1f} ms)"
    )


if __name__ == "__main__":
    main()
