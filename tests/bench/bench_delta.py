"""Figures of patches: sizes against two general-purpose tools, times, memory; what the device's decoder takes.

python tests/bench/bench_delta.py [WORD...]: pairs whose names hold a word, else all. Builds the firmware first, once a
machine (some minutes); needs bsdiff4 (PyPI) and zstd beside the Arm compiler. --large: 16 MiB of data as well;
--others: pairs that nothing was tuned with, in place of those.
"""

import json
import random
import re
import resource
import subprocess
import sys
import tempfile
import zlib
from importlib import import_module
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "delta"))
sys.path.insert(0, str(Path(__file__).parents[1] / "device_code"))

from c_build import HERE, PLAIN, SOURCES, STRICT, bearssl, build_crypto, run
from firmware_pairs import OTHERS, PAIRS, SLOT_A, base_of, built
from machines import COMPILER, MACHINES
from patch_batch import Case, apply, build, good
from workshop import BUILD_TIME, signer, trust_of

from imgseal.flow.release import seal
from imgseal.formats.delta.layout import Frame
from imgseal.formats.memory.image import MemoryImage
from imgseal.make.seal import SealOptions
from imgseal.product.read_toml import read

RAM, RAM_SIZE = 0x2000_0000, 256 << 10
SECONDS, SECONDS_OF_ALL, MEMORY = 3, 6, 150
WHOLE = 0.93
INSTRUCTIONS, MORE = 2.5, 10
"""Of applying a patch, by those of SHA-256 over the result: so many, and more by the share that the patch has of it."""

ONE = """
import json, resource, sys, time
from imgseal.check.patch import apply_patch
from imgseal.formats.delta.layout import Frame
from imgseal.make.delta.encode import encode
old, new, frame, out = sys.argv[1:]
old, new = (open(name, "rb").read() if name != "-" else b"" for name in (old, new))
frame = Frame(*json.loads(frame)) if frame != "data" else None
began = time.process_time()
patch = encode(old, new, frame)
seconds = time.process_time() - began
memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
open(out, "wb").write(patch.data)
assert apply_patch(patch.data, old, len(new)) == new
print(json.dumps({"seconds": seconds, "memory": memory, "table": patch.entries, "bytes": len(patch.data)}))
"""


def measured(old: Path | None, new: Path, frame: Frame | None, out: Path) -> dict[str, Any]:
    """Encode in a process of its own, and decode in Python."""
    said = subprocess.run(
        [sys.executable, "-c", ONE, str(old or "-"), str(new), json.dumps(frame) if frame else "data", str(out)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return dict(json.loads(said.stdout))


def others(old: Path, new: Path) -> int:
    """The smaller patch of the two."""
    bsdiff4 = import_module("bsdiff4")
    zstd = ["zstd", "-q", "--ultra", "-22", "--long=27", f"--patch-from={old}", str(new), "-c"]
    ours = len(subprocess.run(zstd, capture_output=True, check=True).stdout)
    return min(len(bsdiff4.diff(old.read_bytes(), new.read_bytes())), ours)


def patches(folder: Path, words: list[str]) -> None:
    host = build(folder / "host", "gcc")
    for pair in OTHERS if "--others" in sys.argv else PAIRS:
        if words and not any(word in pair.name for word in words):
            continue
        old, new = built(pair.old), built(pair.new)
        out = folder / "it.patch"
        frame = Frame(base_of(pair.old), base_of(pair.new), RAM, RAM_SIZE)
        found = measured(old, new, frame, out)
        smaller = others(old, new)
        image = new.read_bytes()
        (said,) = apply(host, [Case(old.read_bytes(), len(image), out.read_bytes(), 0)])
        assert said == good(image), pair.name
        ratio = found["bytes"] / smaller
        most = SECONDS_OF_ALL if pair.bar == 1.0 else SECONDS
        shown = f"{pair.name:<34} {found['bytes']:>7} {smaller:>7} {ratio:6.3f} (at most {pair.bar:.2f}{', NOT MET' if ratio > pair.bar else ''})"
        print(
            f"{shown}  table {found['table']:>3}  {found['seconds']:.1f} s (at most {most})  {found['memory']} MiB (at most {MEMORY})  {instructions(folder, old, out, new)}",
            flush=True,
        )


def whole_images(folder: Path, words: list[str]) -> None:
    for name in ("base", "o2", "m0", "m33"):
        if words and name not in words:
            continue
        new, out = built(name), folder / "it.patch"
        found = measured(None, new, Frame(SLOT_A, SLOT_A, RAM, RAM_SIZE), out)
        packer = zlib.compressobj(9, zlib.DEFLATED, -12)
        deflated = len(packer.compress(new.read_bytes()) + packer.flush())
        ratio = found["bytes"] / deflated
        print(
            f"whole image, {name:<21} {found['bytes']:>7} {deflated:>7} {ratio:6.3f} (at most {WHOLE})  {found['seconds']:.1f} s (at most {SECONDS_OF_ALL})"
            f"  {instructions(folder, None, out, new)}",
            flush=True,
        )


SEALED = """
format = 1
[product]
name = "measured"
vendor = "quillmoor.example"
class = "measured-1"
hardware = 1
[release]
version = "2.4.0"
sequence = 1
[memory.internal]
base = 0
size = "2 MiB"
erase_block = "4 KiB"
[memory.ram]
base = 0x2000_0000
size = "256 KiB"
kind = "ram"
[slot.app]
memory = "internal"
at = 0x2_0000
size = "512 KiB"
[component.app]
number = 1
core = "cortex-m4"
vectors = 64
run = ["app"]
way_back = "none"
counter = 0
[trust.images]
keys = ["keys/images.pub.pem"]
[trust.packages]
keys = ["keys/packages.pub.pem"]
"""


def sealed(folder: Path) -> None:
    """The fix again, of whole sealed images: header and one signature are new."""
    texts = SEALED, SEALED.replace('"2.4.0"', '"2.4.1"').replace("sequence = 1", "sequence = 2")
    for name, text in zip(("base", "fix"), texts, strict=True):
        of = read(text, name="measured.toml")
        made = seal(
            MemoryImage.from_bytes(SLOT_A, built(name).read_bytes()), of, of.components["app"], "app",
            SealOptions(BUILD_TIME, development=False, source_revision=b""), (signer("keys/images"),), trust_of(of),
        )  # fmt: skip
        (folder / f"{name}.sealed").write_bytes(b"".join(made[0].pieces()))
    slot = Frame(SLOT_A - 1024, SLOT_A - 1024, RAM, RAM_SIZE)
    found = measured(folder / "base.sealed", folder / "fix.sealed", slot, folder / "it.patch")
    bare = measured(built("base"), built("fix"), Frame(SLOT_A, SLOT_A, RAM, RAM_SIZE), folder / "it.patch")
    more = found["bytes"] - bare["bytes"]
    print(
        f"fix of one function, sealed images {found['bytes']:>6}  {more} bytes more than of the firmware (at most 300)",
        flush=True,
    )


def instructions(folder: Path, old: Path | None, patch: Path, new: Path) -> str:
    """Apply it on an emulated Cortex-M4 and count."""
    (folder / "blob.s").write_text(
        ".section .rodata\n"
        + "".join(
            f".global {name}_begin, {name}_end\n.balign 4\n{name}_begin:\n"
            + (f'.incbin "{path}"\n' if path else "")
            + f"{name}_end: .byte 0\n"
            for name, path in (("old", old), ("patch", patch), ("new", new))
        )
    )
    machine = MACHINES["cortex-m4"]
    crypto = build_crypto(folder / "crypto", COMPILER, machine.flags)
    program = folder / "measure_delta"
    sources = [SOURCES / f"seal_{name}.c" for name in ("image", "delta", "bearssl")] + [
        HERE / "measure_delta.c",
        folder / "blob.s",
    ]
    run(
        [COMPILER, *machine.flags, f"-DIMAGE_BYTES={new.stat().st_size}u", f"-I{PLAIN}", f"-I{SOURCES}", f"-I{bearssl() / 'inc'}",
         *sources, crypto, "-o", program, *machine.tail]
    )  # fmt: skip
    said = subprocess.run(
        ["qemu-system-arm", "-M", machine.name, "-nographic", "-monitor", "none", "-serial", "none", "-icount", "shift=0",
         "-semihosting-config", "enable=on,target=native", "-kernel", str(program)],
        capture_output=True, text=True, timeout=600, check=True,
    ).stdout.split()  # fmt: skip
    ticks, hashed, stack, right = (int(word) for word in said)
    assert right == 1
    size = new.stat().st_size
    ratio = ticks / hashed
    most = INSTRUCTIONS + MORE * patch.stat().st_size / size
    over = ", NOT MET" if ratio > most else ""
    return (
        f"{40 * ticks / size:.0f} instructions a byte, {ratio:.2f} of SHA-256 (at most {most:.1f}{over}), stack {stack}"
    )


def sizes(folder: Path) -> None:
    """The decoder on Cortex-M."""
    for core in ("cortex-m0plus", "cortex-m4"):
        flags = (COMPILER, *STRICT, f"-mcpu={core}", "-mthumb", "-Os", f"-I{PLAIN}", f"-I{SOURCES}", "-c")
        run([*flags, SOURCES / "seal_delta.c", "-o", folder / "d.o"])
        code = run(["arm-none-eabi-size", folder / "d.o"]).splitlines()[1].split()[0]
        states = []
        for table in (64, 128, 256):
            (folder / "state.c").write_text('#include "seal_delta.h"\nstruct seal_delta state;\n')
            run([*flags, f"-DSEAL_DELTA_TABLE={table}u", folder / "state.c", "-o", folder / "d.o"])
            states.append(run(["arm-none-eabi-size", folder / "d.o"]).splitlines()[1].split()[2])
        print(
            f"{core:<14} seal_delta {code} bytes, pushed and pulled   (at most 2560); state {', '.join(states)} with 64, 128, 256 entries"
        )


def large(folder: Path) -> None:
    """16 MiB of data of which 1 % changed: in forty stretches, and bytes all over."""
    draw = random.Random(1)
    size = 16 << 20
    old = draw.randbytes(size)
    (folder / "old.bin").write_bytes(old)
    for how in ("stretches", "bytes"):
        new = bytearray(old)
        if how == "bytes":
            for _ in range(size // 100):
                new[draw.randrange(size)] = draw.randrange(256)
        else:
            for _ in range(40):
                at = draw.randrange(size - 5000)
                new[at : at + size // 4000] = draw.randbytes(size // 4000)
        (folder / "new.bin").write_bytes(new)
        found = measured(folder / "old.bin", folder / "new.bin", None, folder / "it.patch")
        print(
            f"16 MiB, 1 % changed, {how:<13} {found['bytes']} bytes  {found['seconds']:.1f} s (at most 60)  {found['memory']} MiB (at most 1000)"
        )


def main() -> None:
    words = [word for word in sys.argv[1:] if not word.startswith("-")]
    version = re.sub(r"\s+", " ", sys.version)
    print(f"{sys.executable}: {version}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sizes(folder)
        patches(folder, words)
        sealed(folder)
        whole_images(folder, words)
        if "--large" in sys.argv:
            large(folder)
    print(f"peak memory of what runs beside it {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss >> 10} MiB")


if __name__ == "__main__":
    main()
