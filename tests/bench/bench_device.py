"""Figures of the device code: size and stack on Cortex-M0+, instructions on Cortex-M4 under QEMU against the bare library calls.

python tests/bench/bench_device.py
"""

import hashlib
import re
import struct
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "device_code"))
sys.path.insert(0, str(Path(__file__).parents[1] / "kit"))
sys.path.insert(0, str(Path(__file__).parents[1] / "rehearse"))

from c_build import HERE, PLAIN, SECOND, SOURCES, STRICT, bearssl, build_crypto, run, write_config
from demo_update import demo_update
from machines import COMPILER, MACHINES
from stack import stack_of_packages
from workshop import BUILD_TIME, any_signer, by_digest, signer, trust_of

from imgseal.demo.firmware import code
from imgseal.flow.release import seal
from imgseal.formats.memory.image import MemoryImage
from imgseal.keys.mldsa44 import MlDsa44Key
from imgseal.make.seal import SealOptions
from imgseal.product.read_toml import read
from imgseal.rehearse.flash import Flash
from imgseal.rehearse.noise import Noise

SLOT, PAYLOAD = 0x20_0000, 255 * 1024
TEXT = f"""
format = 1
[product]
name = "measured"
vendor = "quillmoor.example"
class = "measured-1"
hardware = 1
[release]
version = "1.0.0"
sequence = 1
[memory.internal]
base = 0
size = "4 MiB"
erase_block = "4 KiB"
[memory.ram]
base = 0x2000_0000
size = "4 MiB"
kind = "ram"
[slot.app]
memory = "internal"
at = {SLOT}
size = "256 KiB"
[component.app]
number = 1
core = "cortex-m4"
vectors = 16
run = ["app"]
way_back = "none"
counter = 0
[trust.images]
keys = ["keys/images.pub.pem"]
[trust.packages]
keys = ["keys/packages.pub.pem"]
"""


def sizes(folder: Path) -> None:
    for core, second in (("cortex-m0plus", ()), ("cortex-m4", ()), ("cortex-m0plus", ("-DSEAL_ML_DSA_44",))):
        shown, total, sums = [], 0, []
        for name in ("seal_image", "seal_boot", "seal_package", "seal_install", "seal_trust"):
            target = folder / f"{name}.o"
            flags = (f"-mcpu={core}", "-mthumb", "-Os", f"-I{PLAIN}", *second)
            run([COMPILER, *STRICT, *flags, "-c", SOURCES / f"{name}.c", "-o", target])
            size = int(run(["arm-none-eabi-size", target]).splitlines()[1].split()[0])
            shown.append(f"{name} {size}")
            total += size
            sums.append(total)
        aims = ""
        if core == "cortex-m0plus" and not second:
            aims = f"   (image + boot {sums[1]}, at most 9000; + package {sums[2]}, at most 14500; + installer {sums[3]}, at most 18000)"
        which = ", with ML-DSA-44 as well" if second else ""
        print(f"{core:<14} {', '.join(shown)}, all {total} bytes, without cryptography{which}{aims}")
        (folder / "work.c").write_text('#include "seal_image.h"\nstruct seal_work work;\n')
        run([COMPILER, *flags, f"-I{SOURCES}", "-c", folder / "work.c", "-o", target])
        print(f"{core:<14} work memory {run(['arm-none-eabi-size', target]).splitlines()[1].split()[2]} bytes{which}")


def instructions(folder: Path) -> None:
    of = read(TEXT, name="measured.toml")
    data = code("app", link=SLOT + 1024, size=PAYLOAD, vectors=16, stack=0x2000_4000)
    made = seal(
        MemoryImage.from_bytes(SLOT + 1024, data), of, of.components["app"], "app", SealOptions(BUILD_TIME, development=False, source_revision=b""),
        (signer("keys/images"),), trust_of(of),
    )  # fmt: skip
    (folder / "slot.bin").write_bytes(b"".join(made[0].pieces()))
    write_config(of, folder, development=False)
    machine = MACHINES["cortex-m4"]
    crypto = build_crypto(folder / "crypto", COMPILER, machine.flags)
    program = folder / "measure"
    includes = (f"-I{folder}", f"-I{SOURCES}", f"-I{bearssl() / 'inc'}")
    sources = (SOURCES / "seal_image.c", SOURCES / "seal_bearssl.c", HERE / "measure.c")
    run(
        [
            COMPILER,
            *machine.flags,
            f"-DSLOT_BASE=0x{SLOT:x}u",
            *includes,
            *sources,
            crypto,
            "-o",
            program,
            *machine.tail,
        ]
    )
    said = subprocess.run(
        ["qemu-system-arm", "-M", machine.name, "-nographic", "-monitor", "none", "-serial", "none", "-icount", "shift=0",
         "-semihosting-config", "enable=on,target=native", "-kernel", str(program), "-device",
         f"loader,file={folder / 'slot.bin'},addr={SLOT},force-raw=on"],
        capture_output=True, text=True, timeout=300, check=True,
    ).stdout.split()  # fmt: skip
    mine, bare, stack, good = (int(word) for word in said)
    assert good == 1
    print(f"cortex-m4      judging 256 KiB takes {mine / bare:.3f} times the bare library calls   (at most 1.05)")
    print(f"cortex-m4      stack beyond the cryptography {stack} bytes   (at most 1024)")


def package_stack(folder: Path) -> None:
    used = stack_of_packages(folder)
    print(f"cortex-m4      stack of the package reader beyond the cryptography {used} bytes   (at most 640)")


INTERNAL_AT, OUTSIDE_AT, OUTSIDE_SHOWN = 0x2100_0000, 0x2110_0000, 0x10_0000  # RAM of the emulated board


def whole_boots(folder: Path) -> None:
    """The demo's device from reset to the decision what to start, with signatures at each boot and by digest."""
    _, each_time, hashed = (40 * ticks / 1e6 for ticks in _boots_of(folder / "signature", None))
    first, marked, _ = (40 * ticks / 1e6 for ticks in _boots_of(folder / "digest", by_digest))
    print(
        f"cortex-m4      the demo's boot by digest takes {marked / each_time:.3f} times the instructions   (at most 0.15): {marked:.1f} million, and "
        f"{each_time:.1f} with signatures; hashing its payloads alone {hashed:.1f}; the first boot of a set {first:.1f}"
    )
    print(f"cortex-m4      beside its payloads {(marked - hashed) / (each_time - hashed):.3f} times the instructions")


def _boots_of(folder: Path, edit: Callable[[str], str] | None) -> tuple[int, int, int]:
    """Ticks of the first boot after an installation, of the next one, and of hashing; a tick is 40 instructions there."""
    stage, _ = demo_update(edit)
    of, facts = stage.facts.product, stage.facts
    folder.mkdir()
    write_config(of, folder, development=False)
    flash = Flash(of, dict(stage.moment.blocks), Noise("bench"))
    (folder / "internal.bin").write_bytes(flash.read("internal", 0, of.memories["internal"].size))
    (folder / "nor.bin").write_bytes(flash.read("nor", 0, OUTSIDE_SHOWN))
    machine = MACHINES["cortex-m4"]
    crypto = build_crypto(folder / "crypto", COMPILER, machine.flags)
    assert facts.state.bootloader is not None
    version = ", ".join(map(str, struct.pack("<4I", *facts.state.bootloader.words())))
    defines = (
        f"-DINTERNAL_AT=0x{INTERNAL_AT:x}u", f"-DOUTSIDE_AT=0x{OUTSIDE_AT:x}u", f"-DOUTSIDE_BASE=0x{of.memories['nor'].base:x}u",
        f"-DBOOTLOADER={version}", f"-DHARDWARE={facts.state.hardware}",
    )  # fmt: skip
    sources = [SOURCES / f"seal_{name}.c" for name in ("image", "boot", "bearssl")] + [HERE / "measure_boot.c"]
    includes = (f"-I{folder}", f"-I{SOURCES}", f"-I{bearssl() / 'inc'}")
    program = folder / "measure"
    run([COMPILER, *machine.flags, *defines, *includes, *sources, crypto, "-o", program, *machine.tail])
    loaders = [
        word
        for name, at in (("internal", INTERNAL_AT), ("nor", OUTSIDE_AT))
        for word in ("-device", f"loader,file={folder / name}.bin,addr={at},force-raw=on")
    ]
    said = subprocess.run(
        ["qemu-system-arm", "-M", machine.name, "-nographic", "-monitor", "none", "-serial", "none", "-icount", "shift=0",
         "-semihosting-config", "enable=on,target=native", "-kernel", str(program), *loaders],
        capture_output=True, text=True, timeout=300, check=True,
    ).stdout.split()  # fmt: skip
    first, second_boot, hashed = (int(word) for word in said)
    assert first
    assert second_boot
    assert hashed
    return first, second_boot, hashed


def second(folder: Path) -> None:
    """What the library for ML-DSA-44 takes: the reference sources that the tests fetch, which are not made for small devices."""
    machine = MACHINES["cortex-m4"]
    signer_ = any_signer("keys/images-pq")
    message = bytes(range(256)) + bytes(128)
    assert isinstance(signer_.public, MlDsa44Key)
    classic = signer("keys/images")
    arrays = {
        "key": signer_.public.value, "message": message, "value": signer_.sign(message), "point": classic.public.x + classic.public.y,
        "digest": hashlib.sha256(message).digest(), "classic": classic.sign(message),
    }  # fmt: skip
    text = "".join(
        f"static const uint8_t {name}[] = {{ {', '.join(map(str, data))} }};\n" for name, data in arrays.items()
    )
    (folder / "sample.h").write_text(text)
    crypto = build_crypto(folder / "both", COMPILER, machine.flags, second=True)
    includes = ("-DSEAL_ML_DSA_44", f"-I{folder}", f"-I{SOURCES}", f"-I{PLAIN}")
    program = folder / "measure_second"
    sources = (SOURCES / "seal_bearssl.c", HERE / "measure_second.c")
    tail = (*machine.tail, f"-Wl,-Map={program}.map")
    run([COMPILER, *machine.flags, *includes, f"-I{bearssl() / 'inc'}", *sources, crypto, "-o", program, *tail])
    said = subprocess.run(
        ["qemu-system-arm", "-M", machine.name, "-nographic", "-monitor", "none", "-serial", "none", "-icount", "shift=0",
         "-semihosting-config", "enable=on,target=native", "-kernel", str(program)],
        capture_output=True, text=True, timeout=300, check=True,
    ).stdout.split()  # fmt: skip
    passed, other, stack, good = (int(word) for word in said)
    assert good == 1
    names = "|".join((*(Path(name).stem for name in SECOND), "ml_dsa_44"))
    shown = (folder / "measure_second.map").read_text().split("Linker script and memory map")[1]
    pattern = rf"^ \.(?:text|rodata)[.\w]*\s+0x[0-9a-f]+\s+(0x[0-9a-f]+) \S*crypto\.a\((?:{names})\.o\)"
    size = sum(int(found, 16) for found in re.findall(pattern, shown, re.MULTILINE))
    took = f"{size} bytes of code, {stack} bytes of stack, {passed / other:.2f} times the instructions of P-256"
    print(f"cortex-m4      ML-DSA-44, reference sources: {took}")


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        sizes(Path(name))
        instructions(Path(name))
        package_stack(Path(name) / "package")
        whole_boots(Path(name))
        second(Path(name))


if __name__ == "__main__":
    main()
