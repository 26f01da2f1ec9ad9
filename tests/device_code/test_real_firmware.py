"""Debian's MicroPython for the micro:bit, sealed with a detached header: judged by the C checker on a Cortex-M0, booted, and asked.

The image fills most of the flash from its first byte on, so that the checker lies behind it. QEMU is told to begin there; on a board that
would be the work of what runs first.
"""

import io
import select
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from c_build import HERE, LIBRARY, SOURCES, bearssl, build_crypto, run, write_config
from machines import COMPILER
from test_kit_in_c import NAMES
from test_proof import BOARDS, link
from workshop import BUILD_TIME, signer, trust_of

from imgseal.flow.release import seal
from imgseal.formats.source import read as read_firmware
from imgseal.make.seal import SealOptions
from imgseal.product.model import Product
from imgseal.product.read_toml import read

FIRMWARE = "/usr/share/firmware-microbit-micropython/firmware.hex"
HEADER, CHECKER, SLOT = 0x3_BC00, 0x3_C000, 0x3_BC00
TEXT = f"""
format = 1
[product]
name = "talking-board"
vendor = "quillmoor.example"
class = "talking-board-1"
hardware = 1
[release]
version = "1.0.0"
sequence = 1
[memory.internal]
base = 0
size = "256 KiB"
erase_block = "1 KiB"
[memory.ram]
base = 0x2000_0000
size = "16 KiB"
kind = "ram"
[slot.python]
memory = "internal"
at = 0
size = {SLOT}
[slot.python-header]
memory = "internal"
at = {HEADER}
size = "1 KiB"
[slot.bootloader]
memory = "internal"
at = {CHECKER}
size = "16 KiB"
holds = "bootloader"
[component.python]
number = 1
core = "cortex-m0"
vectors = 48
run = ["python"]
header = ["python-header"]
header_block = 512
way_back = "none"
counter = 4
[[component.python.outside]]
at = 0x1000_1000
size = "4 KiB"
drop = true
[trust.images]
keys = ["keys/images.pub.pem"]
[trust.packages]
keys = ["keys/packages.pub.pem"]
"""


def sealed(of: Product, firmware: bytes) -> tuple[bytes, bytes]:
    """Return header block and payload."""
    image = read_firmware(io.BytesIO(firmware), name="firmware.hex")
    options = SealOptions(BUILD_TIME, development=False, source_revision=b"")
    made = seal(image, of, of.components["python"], "firmware.hex", options, (signer("keys/images"),), trust_of(of))
    return b"".join(made[0].pieces()), b"".join(made[0].payload.chunks())


def checker(of: Product, folder: Path) -> Path:
    board = BOARDS["cortex-m0"]
    write_config(of, folder, development=False)
    flags = ("-mcpu=cortex-m0", "-mthumb", "-Os", "-ffunction-sections", "-ffreestanding")
    crypto = build_crypto(folder / "crypto", COMPILER, flags)
    sources = [HERE / "proof_boot.c", LIBRARY, SOURCES / "seal_image.c", SOURCES / "seal_bearssl.c", crypto]
    extra = (
        "-DCOUNTER=4u",
        "-DHARDWARE=1",
        "-DDETACHED",
        "-DSEAL_BEARSSL_EC=br_ec_prime_i31",
        f"-I{folder}",
        f"-I{SOURCES}",
        f"-I{bearssl() / 'inc'}",
        "-Wl,--entry=reset",
    )
    return link(sources, board, CHECKER, 0x4000, folder, "boot", extra)


class Talk:
    """A running board: its serial line, and what the checker said through semihosting."""

    def __init__(self, program: Path, header: bytes, payload: bytes, folder: Path) -> None:
        (folder / "flash.bin").write_bytes(payload.ljust(SLOT, b"\xff") + header.ljust(0x400, b"\xff"))
        symbols = run(["arm-none-eabi-nm", program])
        entry = next(int(line.split()[0], 16) for line in symbols.splitlines() if line.endswith(" T reset"))
        self._errors = folder / "checker.txt"
        with self._errors.open("w") as errors:
            self.process = subprocess.Popen(
                ["qemu-system-arm", "-M", "microbit", "-nographic", "-monitor", "none", "-serial", "stdio", "-semihosting-config",
                 "enable=on,target=native", "-device", f"loader,file={program}", "-device",
                 f"loader,file={folder / 'flash.bin'},addr=0,force-raw=on", "-device", f"loader,addr={entry | 1},cpu-num=0"],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors,
            )  # fmt: skip

    def code(self) -> str:
        for _ in range(600):
            text = self._errors.read_text()
            if text.count("\n"):
                word = text.split("\n", 1)[0]
                return NAMES.get(int(word, 16), word)
            time.sleep(0.05)
        raise AssertionError("the checker says nothing")

    def ask(self, line: bytes, wanted: bytes) -> bytes:
        """Type a line every five seconds until the answer is there, for two minutes at most; bytes may come one by one."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        said = b""
        end, type_at = time.monotonic() + 120, time.monotonic() + 1
        while wanted not in said and time.monotonic() < end:
            if time.monotonic() >= type_at:
                type_at = time.monotonic() + 5
                self.process.stdin.write(line)
                self.process.stdin.flush()
            ready, _, _ = select.select([self.process.stdout], [], [], 0.25)
            if ready:
                said += self.process.stdout.read1(4096)  # type: ignore[attr-defined]
        return said

    def stop(self) -> None:
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def made(tool: Callable[[str], str], tmp_path: Path) -> tuple[Path, bytes, bytes]:
    tool("qemu-system-arm")
    tool(COMPILER)
    of = read(TEXT, name="board.toml")
    header, payload = sealed(of, Path(tool(FIRMWARE)).read_bytes())
    return checker(of, tmp_path), header, payload


def test_it_boots_and_answers(made: tuple[Path, bytes, bytes], tmp_path: Path) -> None:
    program, header, payload = made
    talk = Talk(program, header, payload, tmp_path)
    try:
        assert talk.code() == "accepted"
        assert b"\r\n42\r\n" in talk.ask(b"print(6*7)\r\n", b"\r\n42\r\n")
    finally:
        talk.stop()


@pytest.mark.parametrize(("where", "code"), [(100_000, "digest.payload"), (-1, "digest.payload")])
def test_one_bit_flipped_is_refused(where: int, code: str, made: tuple[Path, bytes, bytes], tmp_path: Path) -> None:
    program, header, payload = made
    raw = bytearray(payload)
    raw[where] ^= 1
    talk = Talk(program, header, bytes(raw), tmp_path)
    try:
        assert talk.code() == code
        assert talk.process.wait(timeout=20) == 0
    finally:
        talk.stop()
