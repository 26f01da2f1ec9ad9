"""Proof on Cortex-M code: a bootloader made from the exported sources starts a sealed application, and refuses every spoiled one.

The application is built by arm-none-eabi-gcc, and says through semihosting that its interrupts work from its own vector table. QEMU is
no microcontroller: it does not fully enforce the alignment of vector tables, and its M0 honours a VTOR that the real core lacks; here
the M0 never writes it.
"""

import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from c_build import HERE, LIBRARY, SOURCES, STRICT, bearssl, build_crypto, run, write_config
from machines import COMPILER
from test_kit_in_c import NAMES
from workshop import BUILD_TIME, resealed, signer, trust_of

from imgseal.flow.release import seal
from imgseal.formats.memory.image import MemoryImage
from imgseal.make.seal import SealOptions
from imgseal.product.model import Product
from imgseal.product.read_toml import read


class Board(NamedTuple):
    machine: str
    core: str
    named: str
    flash: int
    ram: int
    ram_size: int
    defines: tuple[str, ...] = ()


BOARDS = {
    "cortex-m4": Board("mps2-an386", "cortex-m4", "cortex-m4", 0, 0x2000_0000, 0x1_0000),
    "cortex-m33": Board("mps2-an521", "cortex-m33+nodsp+nofp", "cortex-m33", 0x1000_0000, 0x3800_0000, 0x1_0000),
    "cortex-m0": Board("microbit", "cortex-m0", "cortex-m0plus", 0, 0x2000_0000, 0x4000, ("-DNO_VECTOR_REGISTER",)),
}
SLOT, SIZE = 0x2_0000, 0x4000


def product(board: Board) -> Product:
    text = f"""
format = 1
[product]
name = "proof"
vendor = "quillmoor.example"
class = "proof-1"
hardware = 1
[release]
version = "1.0.0"
sequence = 1
[memory.internal]
base = {board.flash}
size = "256 KiB"
erase_block = "4 KiB"
[memory.ram]
base = {board.ram}
size = {board.ram_size}
kind = "ram"
[slot.app]
memory = "internal"
at = {SLOT}
size = {SIZE}
[component.app]
number = 1
core = "{board.named}"
vectors = 16
run = ["app"]
way_back = "none"
counter = 4
needs = {{ bootloader = ">=1.0.0" }}
[trust.images]
keys = ["keys/images.pub.pem"]
[trust.packages]
keys = ["keys/packages.pub.pem"]
"""
    return read(text, name="proof.toml")


def link(
    sources: list[Path],
    board: Board,
    flash: int,
    flash_size: int,
    folder: Path,
    name: str,
    extra: tuple[str | Path, ...] = (),
) -> Path:
    ram = board.ram if name == "boot" else board.ram + 0x200  # the M0's copy of the vectors lies at the start of RAM
    size = board.ram_size - (0 if name == "boot" else 0x200)
    symbols = (
        f"--defsym=FLASH_BASE={flash},--defsym=FLASH_SIZE={flash_size},--defsym=RAM_BASE={ram},--defsym=RAM_SIZE={size}"
    )
    program = folder / f"{name}.elf"
    run(
        [COMPILER, f"-mcpu={board.core}", "-mthumb", "-Os", "-std=gnu99", "-ffreestanding", "-nostdlib", "-ffunction-sections",
         *board.defines, *extra, *sources, "-lgcc", f"-Wl,--gc-sections,{symbols}", "-T", HERE / "proof.ld", "-o", program]
    )  # fmt: skip
    return program


def bootloader(board: Board, of: Product, folder: Path, *, counter: int = 4, hardware: int = 1) -> Path:
    write_config(of, folder, development=False)
    flags = (f"-mcpu={board.core}", "-mthumb", "-Os", "-ffunction-sections", "-ffreestanding")
    crypto = build_crypto(folder / "crypto", COMPILER, flags)
    sources = [HERE / "proof_boot.c", LIBRARY, SOURCES / "seal_image.c", SOURCES / "seal_bearssl.c"]
    extra = (
        f"-DCOUNTER={counter}u",
        f"-DHARDWARE={hardware}",
        f"-I{folder}",
        f"-I{SOURCES}",
        f"-I{bearssl() / 'inc'}",
        crypto,
    )
    return link([*sources, crypto], board, board.flash, SLOT, folder, "boot", extra[:-1])


def application(board: Board, of: Product, folder: Path) -> bytes:
    at = board.flash + SLOT + 1024
    program = link([HERE / "proof_app.c"], board, at, SIZE - 1024, folder, "app")
    raw = folder / "app.bin"
    run(["arm-none-eabi-objcopy", "-O", "binary", program, raw])
    image = MemoryImage.from_bytes(at, raw.read_bytes())
    options = SealOptions(BUILD_TIME, development=False, source_revision=b"")
    made = seal(image, of, of.components["app"], "app.bin", options, (signer("keys/images"),), trust_of(of))
    return b"".join(made[0].pieces())


def start(board: Board, boot: Path, sealed: bytes, folder: Path) -> tuple[str, str]:
    """Return the bootloader's code as a word, and what the application said."""
    (folder / "slot.bin").write_bytes(sealed.ljust(SIZE, b"\xff"))
    said = subprocess.run(
        ["qemu-system-arm", "-M", board.machine, "-nographic", "-monitor", "none", "-serial", "none",
         "-semihosting-config", "enable=on,target=native", "-kernel", str(boot),
         "-device", f"loader,file={folder / 'slot.bin'},addr={board.flash + SLOT},force-raw=on"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert said.returncode == 0, said.stdout + said.stderr
    code, _, rest = (said.stdout + said.stderr).partition("\n")  # QEMU's console for semihosting is its standard error
    return NAMES.get(int(code, 16), code), rest.strip()


@pytest.mark.parametrize("core", BOARDS)
def test_a_sealed_application_starts_and_spoiled_ones_do_not(
    core: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("qemu-system-arm")
    tool(COMPILER)
    board = BOARDS[core]
    of = product(board)
    boot, sealed = bootloader(board, of, tmp_path), application(board, of, tmp_path)
    assert start(board, boot, sealed, tmp_path) == ("accepted", "application: interrupts work")
    for spoiled, code in (
        (sealed[:-4] + bytes([sealed[-4] ^ 1]) + sealed[-3:], "digest.payload"),
        (sealed[:60] + bytes([sealed[60] ^ 1]) + sealed[61:], "signature.does-not-verify"),
        (resealed(sealed, by=("somebody",)), "trust.unknown-key"),
        (resealed(sealed, lambda s: s._replace(class_id=bytes(16))), "identity.wrong-class"),
        (resealed(sealed, lambda s: s._replace(hardware=(2, 3))), "identity.wrong-hardware"),
        (resealed(sealed, lambda s: s._replace(counter=3)), "rollback.counter-too-low"),
        (resealed(sealed, lambda s: s._replace(link_address=s.link_address + 256)), "placement.wrong-address"),
        (resealed(sealed, lambda s: s._replace(flags=1)), "rules.development-image"),
        (sealed + b"\0", "content.rest-not-erased"),
        (b"", "structure.unrecognised"),
        (sealed[:1000] + b"\0" + sealed[1001:], "structure.fill-not-erased"),
    ):
        assert start(board, boot, spoiled, tmp_path) == (code, "")


def test_the_bootloader_needs_no_library(tool: Callable[[str], str], tmp_path: Path) -> None:
    """It is linked with -nostdlib: the sources ask for nothing but what a compiler may always ask for."""
    tool(COMPILER)
    board = BOARDS["cortex-m4"]
    assert bootloader(board, product(board), tmp_path).stat().st_size > 0
    assert STRICT
