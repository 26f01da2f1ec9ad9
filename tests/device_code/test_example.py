"""The example that `imgseal device-code --example` writes, from the exported folder alone: built by its Makefile, and run in the emulator."""

import contextlib
import os
import re
import shlex
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from c_build import bearssl

INTERNAL = 0x2100_0000
MOTOR_A, RADIO = 0x2102_0000 - INTERNAL, 0x210C_0000 - INTERNAL
STEPS_OF_MOTOR = 0x21F0_0040 - INTERNAL
PATIENCE = 120.0
"""Seconds for anything to happen: the machine may be busy."""

pytestmark = pytest.mark.seconds(900)


class Device:
    """A folder of the example with a device of its own."""

    def __init__(self, folder: Path, running: contextlib.ExitStack) -> None:
        self.folder = folder
        self.running = running
        self.power: contextlib.ExitStack | None = None
        self.seen = 0

    def make(self, *what: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["make", f"IMGSEAL={sys.executable} -m imgseal", f"PYTHON={sys.executable}", f"BEARSSL={bearssl()}", *what],
            cwd=self.folder, capture_output=True, text=True, check=False, env=_environment(),
        )  # fmt: skip

    def power_on(self) -> None:
        (self.folder / "update.sock").unlink(missing_ok=True)
        log = (self.folder / "log").open("w")
        self.seen = 0
        command = shlex.split(
            self.make("-n", "run").stdout.replace("\\\n", "")
        )  # and no make between the test and the emulator
        emulator = subprocess.Popen(command, cwd=self.folder, stdout=log, stderr=subprocess.STDOUT)
        self.power = contextlib.ExitStack()
        self.power.callback(log.close)
        self.power.callback(emulator.wait)
        self.power.callback(emulator.kill)
        self.running.callback(self.power_off)

    def power_off(self) -> None:
        if self.power is not None:
            self.power.close()
            self.power = None

    def says(self, *lines: str) -> None:
        """Wait until the device has said these lines, and nothing else."""
        for line in lines:
            end = time.monotonic() + PATIENCE
            while len(said := self.log()) <= self.seen:
                assert time.monotonic() < end, f"expected {line!r} behind {said}"
                time.sleep(0.05)
            assert said[self.seen] == line, said
            self.seen += 1

    def log(self) -> list[str]:
        """Complete lines of the device."""
        return (self.folder / "log").read_text(errors="replace").split("\n")[:-1]

    def slot(self, at: int, length: int) -> bytes:
        with (self.folder / "device.bin").open("rb") as memory:
            memory.seek(at)
            return memory.read(length)

    def holds(self, at: int, sealed: str) -> bool:
        image = (self.folder / sealed).read_bytes()
        return self.slot(at, len(image)) == image


def _environment() -> dict[str, str]:
    """Nothing of a make that runs the tests."""
    return {name: value for name, value in os.environ.items() if not name.startswith("MAKE")}


@pytest.fixture(scope="module")
def built(tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    for name in ("make", "arm-none-eabi-gcc", "qemu-system-arm"):
        tool(name)
    folder = tmp_path_factory.mktemp("example") / "port"
    subprocess.run(
        [sys.executable, "-m", "imgseal", "device-code", "--example", folder.name],
        cwd=folder.parent, check=True, capture_output=True,
    )  # fmt: skip
    said = Device(folder, contextlib.ExitStack()).make()
    assert said.returncode == 0, said.stdout[-3000:] + said.stderr[-3000:]
    assert "warning" not in said.stderr
    return folder


@pytest.fixture
def device(built: Path, tmp_path: Path) -> Iterator[Device]:
    """A new device from the factory."""
    folder = tmp_path / "port"
    shutil.copytree(built, folder, copy_function=shutil.copy2)
    with contextlib.ExitStack() as running:
        yield Device(folder, running)


def sent_in_part(device: Device, package: str) -> None:
    """Send the first two thirds of a package; each message has to be accepted."""
    data = (device.folder / package).read_bytes()
    accepted = re.search(r"SEAL_ACCEPTED = (0x\w+)", (device.folder / "seal" / "seal_codes.h").read_text())
    assert accepted
    messages = [(0xFFFF_FFFF).to_bytes(4, "little")]
    for at in range(0, len(data) * 2 // 3, 1000):
        piece = data[at : at + 1000]
        messages.append(len(piece).to_bytes(4, "little") + piece)
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(PATIENCE)
        with contextlib.chdir(device.folder):  # names of sockets are short
            line.connect("update.sock")
        answers = line.makefile("rb")
        for message in messages:
            line.sendall(message)
            assert answers.read(4) == int(accepted[1], 16).to_bytes(4, "little")


def test_it_boots_takes_an_update_in_pieces_tries_it_and_settles_it(device: Device) -> None:
    device.power_on()
    device.says("boot: power on", "motor 2.4.0 in motor-a starts", "motor 2.4.0 in motor-a is healthy, settled")
    sent_in_part(device, "out/vent-drive-2.4.1-17.suit")
    device.power_off()
    device.power_on()
    device.says("boot: power on", "motor 2.4.0 in motor-a starts", "motor 2.4.0 in motor-a is healthy, settled")
    said = device.make("update")
    assert said.returncode == 0, said.stdout + said.stderr
    device.says("motor 2.4.0 in motor-a has taken an update", "boot: reset")
    device.says("motor 2.4.1 in motor-b starts, in trial", "motor 2.4.1 in motor-b is healthy, settled")
    assert device.holds(RADIO, "out/radio.sealed.bin")
    assert device.slot(STEPS_OF_MOTOR, 7) == bytes(6) + b"\xff"
    assert "```text\n" + "\n".join(device.log()) + "\n```" in (device.folder / "README.md").read_text()
    device.power_off()
    device.power_on()
    device.says("boot: power on", "motor 2.4.1 in motor-b starts", "motor 2.4.1 in motor-b is healthy, settled")
    assert "the device says DEVICE_NOTHING_NEW" in device.make("update").stderr


def test_it_goes_back_when_the_new_set_does_not_report_itself_healthy(device: Device) -> None:
    fresh = device.slot(0, 16 << 20)
    device.power_on()
    device.says("boot: power on", "motor 2.4.0 in motor-a starts", "motor 2.4.0 in motor-a is healthy, settled")
    assert device.make("worse").returncode == 0
    device.says("motor 2.4.0 in motor-a has taken an update", "boot: reset")
    for _ in range(3):
        device.says("motor 2.4.2 in motor-b starts, in trial", "motor 2.4.2 in motor-b is not healthy", "boot: reset")
    device.says("motor 2.4.0 in motor-a starts", "motor 2.4.0 in motor-a is healthy, settled")
    assert device.holds(RADIO, "out-old/radio.sealed.bin")
    assert device.slot(STEPS_OF_MOTOR, 6) == bytes(5) + b"\xff"
    said = device.make("worse")
    assert said.returncode != 0
    assert "the device says RULES_FAILED_BEFORE" in said.stderr
    device.power_off()
    assert device.make("new").returncode == 0
    assert device.slot(0, 16 << 20) == fresh


def test_a_damaged_set_is_repaired_by_the_recovery_image(device: Device) -> None:
    with (device.folder / "device.bin").open("r+b") as memory:
        memory.seek(MOTOR_A + 5000)
        byte = memory.read(1)[0]
        memory.seek(MOTOR_A + 5000)
        memory.write(bytes([byte ^ 1]))
    device.power_on()
    device.says("boot: power on", "recovery 1.0.0 starts")
    assert device.make("update").returncode == 0
    device.says("recovery 1.0.0 has taken an update", "boot: reset")
    device.says("motor 2.4.1 in motor-b starts, in trial", "motor 2.4.1 in motor-b is healthy, settled")


TWO_CHANNELS = """
[log]
path = "release.log"

[channel.beta]
packages = ["keys/packages.pub.pem", "keys/beta.pub.pem"]

[channel.production]
packages = ["keys/packages.pub.pem"]

[signing.beta]
packages = "keys/beta.pem"
"""


def imgseal(folder: Path, *arguments: str) -> str:
    said = subprocess.run(
        [sys.executable, "-m", "imgseal", *arguments],
        cwd=folder, capture_output=True, text=True, check=False, env=_environment(),
    )  # fmt: skip
    assert said.returncode == 0, said.stderr
    return said.stdout.splitlines()[-1]


def test_a_promotion_of_what_runs_writes_the_record_alone(device: Device) -> None:
    """On the Cortex-M4, by the exported installer; what memory holds afterwards is compared byte for byte."""
    path = device.folder / "imgseal.toml"
    imgseal(device.folder, "key", "new", "--no-passphrase", "keys/beta.pem")
    text = path.read_text()
    both = 'keys = ["keys/packages.pub.pem", "keys/beta.pub.pem"]'
    path.write_text(text.replace('keys = ["keys/packages.pub.pem"]', both))  # devices of channel beta trust both
    assert (said := device.make()).returncode == 0, said.stderr[-3000:]
    assert (said := device.make("new")).returncode == 0, said.stderr[-3000:]
    (device.folder / "channels.toml").write_text(path.read_text() + TWO_CHANNELS)  # and nothing for make to do
    product = ("--product", "channels.toml")
    imgseal(device.folder, "log", "new", *product)
    firmware = [f"motor=build/motor-2.4.1-{side}.elf" for side in "ab"]
    firmware += ["radio=build/radio-1.3.3.elf", "phrases=out-old/phrases.sealed.bin"]
    numbers = ("--set", "release.sequence=20", "--set", "component.radio.version=1.3.3", "--revision", "ab")
    beta = imgseal(
        device.folder, "build", *firmware, "--release", "--channel", "beta", *numbers, "--out", "beta", *product
    )
    promoted = imgseal(device.folder, "promote", beta, "--to", "production", "--out", "production", *product)
    device.power_on()
    device.says("boot: power on", "motor 2.4.0 in motor-a starts", "motor 2.4.0 in motor-a is healthy, settled")
    for package, before in ((beta, "motor 2.4.0 in motor-a"), (promoted, "motor 2.4.1 in motor-b")):
        memory = device.slot(0, 16 << 20)
        said = device.make("update", f"NEW={package}", "-o", package)
        assert said.returncode == 0, said.stdout + said.stderr
        device.says(f"{before} has taken an update", "boot: reset")
        device.says("motor 2.4.1 in motor-b starts, in trial", "motor 2.4.1 in motor-b is healthy, settled")
    after = device.slot(0, 16 << 20)
    changed = {at for at in range(0, len(after), 4096) if after[at : at + 4096] != memory[at : at + 4096]}
    assert changed
    assert changed <= set(range(0x1_0000, 0x1_3000, 4096))  # slot.records
    assert "the device says DEVICE_NOTHING_NEW" in device.make("update", f"NEW={promoted}", "-o", promoted).stderr
