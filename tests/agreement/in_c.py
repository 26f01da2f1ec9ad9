"""The compiled reader of packages and checker of images, one program for each product file; a batch goes through one process."""

import struct
from collections.abc import Iterable, Mapping
from pathlib import Path

from c_build import HERE, REMEMBERED, SOURCES, STRICT, bearssl, build_crypto, compiled, run, write_config
from c_package import PackageState
from fuzz import NAMES, CaseState
from machines import COMPILER, Machine, run_on
from packages import Device
from variants import Variant, product

from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Product

__all__ = ["Programs", "case", "states"]


def states(
    of: Product, need: int, device: Device, free: Mapping[int, int], *, development: bool = False
) -> tuple[PackageState, CaseState]:
    """What the device knows of itself and its images; `free` is the slot to install to of components with two, by number."""
    state, running, known = PackageState(), CaseState(), device.state
    state.fresh, state.sequence, state.authorised, state.need = known.fresh, known.sequence, known.authorised, need
    state.development = running.development = development
    if known.manifest_digest is not None:
        state.has_digest, state.digest[:] = 1, known.manifest_digest
    state.battery = 0xFFFF_FFFF if known.battery_mwh is None else known.battery_mwh
    state.trial_open = known.trial is not None and known.trial.way_back
    state.refused_count, state.revoked_count = len(known.refused), len(known.revoked)
    for index, digest in enumerate(known.refused):
        state.refused[index][:] = digest
    for index, number in enumerate(of.numbers):
        state.free_slot[index] = free.get(number, 0)
    revision = known.hardware
    running.hardware_least, running.hardware_most = of.hardware if revision is None else (revision, revision)
    running.whole_set = True
    running.version_count = len(device.versions)
    for index, (number, version) in enumerate(device.versions.items()):
        running.versions[index].component = number
        running.versions[index].bytes[:] = struct.pack("<4I", *version.words())
    running.counter_count = len(device.floors)
    for index, pair in enumerate(device.floors.items()):
        running.counters[index][:] = pair
    running.revoked_count = len(known.revoked)
    for index, key in enumerate(known.revoked):
        state.revoked[index][:] = running.revoked[index][:] = bytes.fromhex(key)
    return state, running


def case(of: Product, need: int, device: Device, free: int, raw: bytes) -> bytes:
    """A package and what the device knows, as package_main.c reads them."""
    two = {one.number: free for one in of.components.values() if len(one.run) > 1}
    return b"".join(map(bytes, states(of, need, device, two))) + len(raw).to_bytes(4, "little") + raw


class Programs:
    """Runners of packages: the configuration is compiled for each product file."""

    def __init__(self, folder: Path, machine: Machine | None = None) -> None:
        self._folder = folder
        self._machine = machine
        self._compiler = "gcc"
        self._flags: tuple[str, ...] = ("-O1",)
        self._tail: tuple[str, ...] = REMEMBERED
        if machine is not None:
            self._compiler, self._flags, self._tail = COMPILER, machine.flags, machine.tail

    def judge(self, variant: Variant, trust: Trust, cases: Iterable[bytes]) -> list[str]:
        """The first code of each case, as an installer in C finds it."""
        folder = self._folder / "-".join(map(str, variant)).replace(" ", "_")
        write_config(product(variant, update=False), folder, trust, development=False)
        flags = self._flags if self._machine else ("-O2",)  # fast, and there already
        crypto = build_crypto(self._folder / "crypto", self._compiler, flags, second=True)
        compiler = (self._compiler, *STRICT, *self._flags)
        objects = (
            *(compiled(compiler, folder, SOURCES / f"{name}.c") for name in ("seal_image", "seal_package")),
            compiled(
                (self._compiler, "-std=c99", *self._flags), folder, SOURCES / "seal_bearssl.c", f"-I{bearssl() / 'inc'}"
            ),
        )
        program = folder / "package_main"
        run([self._compiler, "-std=c99", *self._flags, f"-I{folder}", f"-I{SOURCES}", HERE / "package_main.c", *objects, crypto,
             *self._tail, "-o", program])  # fmt: skip
        (folder / "batch.bin").write_bytes(b"".join(cases))
        if self._machine is None:
            said = run([program, "batch.bin"], cwd=folder)
        else:
            said = run_on(self._machine, program, "batch.bin", cwd=folder)
        (folder / "batch.bin").unlink()
        return [NAMES.get(int(line, 16), line) for line in said.split()]
