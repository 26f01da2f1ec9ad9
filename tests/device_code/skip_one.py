"""Skips each executed instance of an instruction of the device code, one run an instance, and counts what starts that should not.

python tests/device_code/skip_one.py                    all cases, Cortex-M0+ and M4, -Os and -O2
python tests/device_code/skip_one.py --core cortex-m4 --level -Os --case "wrong key" --show
python tests/device_code/skip_one.py --two 20000        two instructions, sampled

The compiled objects of seal_image.c, seal_boot.c, seal_package.c, an adapter and the decision of guide.md run in an emulator of the core
(unicorn). The cryptography library's functions are answered for by the host, with the right answers; their instructions are not skipped, nor are those of the
drivers in skip_main.c and of the compiler's library.
"""

import argparse
import ctypes
import hashlib
import struct
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "kit")]

from c_boot import CODE as CODES
from c_boot import _holds
from c_build import HERE, SOURCES, bearssl, run, write_config
from skip_cases import FLASH, FLASH_BYTES, Case, devices, images, of, packages
from workshop import trust_of

CORES = ("cortex-m0plus", "cortex-m4")
LEVELS = ("-Os", "-O2")
COMPILER = "arm-none-eabi-gcc"
CODE, CODE_BYTES, RAM, RAM_BYTES = 0x1_0000, 0x1_0000, 0x2000_0000, 0x6000
NOP, NOP_WIDE, IT = b"\x00\xbf", b"\xaf\xf3\x00\x80", 0xBF
WRITE_PROTECTED = 12
WATCHDOG = 0.05
"""Seconds after which a run is ended; one without a skip takes less than a hundredth of it."""
FUNCTIONS = {
    "seal_bearssl": ("br_sha256_init", "br_sha224_update", "br_sha256_out", "br_ecdsa_i31_vrfy_raw"),
    "seal_psa": (
        "psa_hash_setup", "psa_hash_update", "psa_hash_finish", "psa_hash_abort", "psa_import_key", "psa_verify_hash", "psa_destroy_key",
    ),
}  # fmt: skip


DRIVERS, ERASE_BLOCK = ("erase_flash", "program_flash"), 512
ENDS = ("jump", "take_package", "reset_device", "wait_for_package", "refuse_package", "done")
"""Where a run ends: what is started, or not."""


class Build(NamedTuple):
    """A linked program: its bytes, and addresses by symbol."""

    core: str
    level: str
    adapter: str
    code: bytes
    data: bytes
    symbols: dict[str, int]
    lines: dict[int, str]


def build(
    folder: Path, core: str, level: str, adapter: str = "seal_bearssl", sources: Path = SOURCES, compiler: tuple[str, ...] = (COMPILER,)
) -> Build:  # fmt: skip
    """Compile and link for a core at a level of optimisation."""
    write_config(of(), folder, trust_of(of()), development=True)
    flags = [
        f"-mcpu={core}",
        "-mthumb",
        level,
        "-std=c99",
        "-ffreestanding",
        f"-I{folder}",
        f"-I{sources}",
        f"-I{HERE}",
        f"-DCRYPTO={adapter}",
    ]
    if adapter == "seal_bearssl":
        flags.append(f"-I{bearssl() / 'inc'}")
    else:
        for name in ("psa", "mbedtls"):
            if not (folder / "host" / name).exists():
                (folder / "host").mkdir(exist_ok=True)
                (folder / "host" / name).symlink_to(Path("/usr/include") / name)
        flags.append(f"-I{folder / 'host'}")
    stubs = "".join(
        f'.section .host.{name},"ax"\n.thumb_func\n.global {name}\n{name}: bx lr\n.align 2\n' for name in (*FUNCTIONS[adapter], *DRIVERS, *ENDS)
    )  # fmt: skip
    (folder / "stubs.s").write_text(
        f".syntax unified\n.thumb\n{stubs}.section .rodata\n.align 2\n.global br_ec_p256_m31\nbr_ec_p256_m31: .space 64\n"
    )
    objects = []
    for source in (sources / "seal_image.c", sources / "seal_boot.c", sources / "seal_package.c", sources / f"{adapter}.c", HERE / "skip_decide.c", HERE / "skip_main.c"):  # fmt: skip
        objects.append(folder / f"{source.stem}.o")
        run([*compiler, *flags, "-c", source, "-o", objects[-1]])
    run([COMPILER, f"-mcpu={core}", "-mthumb", "-c", folder / "stubs.s", "-o", folder / "stubs.o"])
    program = folder / "program"
    run(
        [
            COMPILER,
            f"-mcpu={core}",
            "-mthumb",
            "-nostdlib",
            "-T",
            HERE / "skip.ld",
            *objects,
            folder / "stubs.o",
            "-lgcc",
            "-o",
            program,
        ]
    )
    run(
        [
            "arm-none-eabi-objcopy",
            "-O",
            "binary",
            "-j",
            ".ours",
            "-j",
            ".rest",
            "-j",
            ".host",
            program,
            folder / "code.bin",
        ]
    )
    run(["arm-none-eabi-objcopy", "-O", "binary", "-j", ".init", program, folder / "data.bin"])
    symbols = {}
    for line in run(["arm-none-eabi-nm", program]).splitlines():
        value, _, name = line.split()
        symbols[name] = int(value, 16)
    return Build(
        core,
        level,
        adapter,
        (folder / "code.bin").read_bytes(),
        (folder / "data.bin").read_bytes(),
        symbols,
        _lines(program),
    )


def _lines(program: Path) -> dict[int, str]:
    """Return what stands at an address: function and instruction."""
    out, function = {}, ""
    for line in run(["arm-none-eabi-objdump", "-d", "-j", ".ours", "--no-show-raw-insn", program]).splitlines():
        if line.endswith(">:"):
            function = line.split("<")[1][:-2]
        elif ":\t" in line:
            at, text = line.split(":\t", 1)
            out[int(at, 16)] = f"{function}: {' '.join(text.split())}"
    return out


HASHED: list[bytes] = [b""]
HANDLES: dict[bytes, int] = {b"": 0}
"""What was hashed, by a number that stands in the state: a run that is taken up again finds it."""


class Registers:
    """All registers at once, in the time of one."""

    def __init__(self, numbers: list[int]) -> None:
        from unicorn.unicorn_py3.unicorn import uclib

        self.library, self.count = uclib, len(numbers)
        self.numbers = (ctypes.c_int * self.count)(*numbers)
        self.values = (ctypes.c_uint64 * self.count)()
        first = ctypes.addressof(self.values)
        self.places = (ctypes.c_void_p * self.count)(*(first + 8 * n for n in range(self.count)))

    def read(self, uc: Any) -> bytes:
        self.library.uc_reg_read_batch(uc._uch, self.numbers, self.places, self.count)
        return bytes(self.values)

    def write(self, uc: Any, values: bytes) -> None:
        ctypes.memmove(self.values, values, len(values))
        self.library.uc_reg_write_batch(uc._uch, self.numbers, self.places, self.count)


class Machine:
    """The emulator with one program, and the host's answers for the library."""

    def __init__(self, of: Build) -> None:
        import unicorn
        import unicorn.arm_const as arm

        self.of, self.arm, self.error = of, arm, unicorn.UcError
        uc: Any = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
        self.uc = uc
        uc.ctl_set_cpu_model(arm.UC_CPU_ARM_CORTEX_M4 if of.core == "cortex-m4" else arm.UC_CPU_ARM_CORTEX_M0)
        uc.mem_map(CODE, CODE_BYTES, unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
        uc.mem_map(FLASH, FLASH_BYTES, unicorn.UC_PROT_READ)
        uc.mem_map(RAM, RAM_BYTES, unicorn.UC_PROT_READ | unicorn.UC_PROT_WRITE)
        uc.mem_write(CODE, of.code)
        for name in (*FUNCTIONS[of.adapter], *DRIVERS):
            at = of.symbols[name] & ~1
            uc.hook_add(unicorn.UC_HOOK_CODE, self._answer, getattr(self, f"_{name}"), at, at)
        uc.ctl_exits_enabled(True)
        self.ends = {of.symbols[name] & ~1: name for name in ENDS}
        uc.ctl_set_exits(list(self.ends))
        self.flash_written = False
        self.each = unicorn.UC_HOOK_CODE
        self.registers = Registers(
            [*(arm.UC_ARM_REG_R0 + n for n in range(13)), arm.UC_ARM_REG_SP, arm.UC_ARM_REG_LR, arm.UC_ARM_REG_XPSR]
        )

    def _erase_flash(self, _user: int, at: int, *_: int) -> int:
        return self._write_flash(at // ERASE_BLOCK * ERASE_BLOCK, b"\xff" * ERASE_BLOCK)

    def _program_flash(self, _user: int, at: int, data: int, length: int) -> int:
        return self._write_flash(at, bytes(self.uc.mem_read(data, length)) if length <= ERASE_BLOCK else b"")

    def _write_flash(self, at: int, data: bytes) -> int:
        if not FLASH <= at < FLASH + FLASH_BYTES - len(data):
            return 0
        self.uc.mem_write(at, data)
        self.flash_written = True
        return CODES["written"]

    # -- the library ---------------------------------------------------------------------------------

    def _answer(self, uc: Any, _at: int, _size: int, function: Any) -> None:
        registers = [
            uc.reg_read(r)
            for r in (self.arm.UC_ARM_REG_R0, self.arm.UC_ARM_REG_R1, self.arm.UC_ARM_REG_R2, self.arm.UC_ARM_REG_R3)
        ]
        try:
            value = function(*registers)
        except self.error:
            uc.emu_stop()
            uc.reg_write(self.arm.UC_ARM_REG_PC, 0)
            return
        if value is not None:
            uc.reg_write(self.arm.UC_ARM_REG_R0, value)

    def _put(self, at: int, data: bytes) -> None:
        """Write where a program can."""
        if not RAM <= at <= RAM + RAM_BYTES - len(data):
            raise self.error(WRITE_PROTECTED)
        self.uc.mem_write(at, data)

    def _stacked(self, count: int) -> tuple[int, ...]:
        at = self.uc.reg_read(self.arm.UC_ARM_REG_SP)
        return struct.unpack(f"<{count}I", self.uc.mem_read(at, 4 * count))

    def _br_sha256_init(self, state: int, *_: int) -> None:
        self._put(state, b"hash\0\0\0\0")

    def _br_sha224_update(self, state: int, data: int, length: int, *_: int) -> None:
        mark, handle = struct.unpack("<4sI", self.uc.mem_read(state, 8))
        piece = bytes(self.uc.mem_read(data, length)) if length < 0x1_0000 else b"?"
        known = HASHED[handle] if mark == b"hash" and handle < len(HASHED) else b"none"
        longer = known + piece
        if longer not in HANDLES:
            HANDLES[longer] = len(HASHED)
            HASHED.append(longer)
        self._put(state, struct.pack("<4sI", b"hash", HANDLES[longer]))

    def _br_sha256_out(self, state: int, digest: int, *_: int) -> None:
        mark, handle = struct.unpack("<4sI", self.uc.mem_read(state, 8))
        known = HASHED[handle] if mark == b"hash" and handle < len(HASHED) else b"none"
        self._put(digest, hashlib.sha256(known).digest())

    def _verify(self, point: bytes, digest: int, value: int) -> bool:
        data, signature = bytes(self.uc.mem_read(digest, 32)), bytes(self.uc.mem_read(value, 64))
        return point[0] == 4 and _holds(point[1:33], point[33:], data, signature)

    def _br_ecdsa_i31_vrfy_raw(self, _curves: int, digest: int, length: int, key: int) -> int:
        curve, q, qlen = struct.unpack("<3I", self.uc.mem_read(key, 12))
        value, size = self._stacked(2)
        if (length, curve, qlen, size) != (32, 23, 65, 64):
            return 0
        return int(self._verify(bytes(self.uc.mem_read(q, 65)), digest, value))

    def _psa_hash_setup(self, state: int, algorithm: int, *_: int) -> int:
        if algorithm != 0x0200_0009:
            return 0xFFFF_FF7A
        self._br_sha256_init(state)
        return 0

    def _psa_hash_update(self, state: int, data: int, length: int, *_: int) -> int:
        self._br_sha224_update(state, data, length)
        return 0

    def _psa_hash_finish(self, state: int, digest: int, room: int, length: int) -> int:
        if room < 32:
            return 0xFFFF_FF76
        self._br_sha256_out(state, digest)
        self._put(length, struct.pack("<I", 32))
        return 0

    def _psa_hash_abort(self, *_: int) -> int:
        return 0

    def _psa_import_key(self, _attributes: int, point: int, length: int, key: int) -> int:
        if length != 65:
            return 0xFFFF_FF79
        self._put(key, struct.pack("<I", point))  # the point stays where it is until it is used
        return 0

    def _psa_verify_hash(self, key: int, algorithm: int, digest: int, length: int) -> int:
        value, size = self._stacked(2)
        if (algorithm, length, size) != (0x0600_0609, 32, 64):
            return 0xFFFF_FF79
        return 0 if self._verify(bytes(self.uc.mem_read(key, 65)), digest, value) else 0xFFFF_FF6B

    def _psa_destroy_key(self, *_: int) -> int:
        return 0

    # -- running -------------------------------------------------------------------------------------

    def load(self, case: Case) -> int:
        """Put a device's memories in place; return where its first instruction is."""
        self.uc.mem_write(RAM, b"\xa5" * RAM_BYTES)
        self.uc.mem_write(RAM, self.of.data.ljust(self.of.symbols["ram_end"] - RAM, b"\0"))
        self.uc.mem_write(FLASH, b"\xff" * FLASH_BYTES)
        for at, data in case.flash:
            self.uc.mem_write(at, data)
        self.uc.mem_write(self.of.symbols["given"], case.given())
        self.uc.mem_write(self.of.symbols["package_bytes"], case.package)
        for number in range(13):
            self.uc.reg_write(self.arm.UC_ARM_REG_R0 + number, 0xA5A5_A5A5)
        self.uc.reg_write(self.arm.UC_ARM_REG_SP, RAM + RAM_BYTES - 64)
        self.uc.reg_write(self.arm.UC_ARM_REG_LR, self.of.symbols["done"] | 1)
        return self.of.symbols[case.entry] & ~1

    def go(self, pc: int, count: int = 0) -> int:
        """Run on; return where it stops. 0: a fault."""
        try:
            self.uc.emu_start(pc | 1, 0, count=count)
        except self.error:
            return 0
        return int(self.uc.reg_read(self.arm.UC_ARM_REG_PC)) & ~1

    def jumped_to(self, pc: int) -> int | None:
        """Where the program that stopped here has jumped to; 1 for a package that was taken. None: nothing was started."""
        end = self.ends.get(pc)
        if end == "jump":
            return int(self.uc.reg_read(self.arm.UC_ARM_REG_R0))
        return 1 if end == "take_package" else None


class State(NamedTuple):
    """Registers and memories between two instructions. The context is the walker's own, the registers are for the runner."""

    pc: int
    context: Any
    registers: bytes
    ram: bytes
    flash: bytes


class Skipper:
    """Walks through a case with one emulator, and tries in another what comes of each skip."""

    def __init__(self, of: Build) -> None:
        self.of, self.tracer, self.walker, self.runner = of, Machine(of), Machine(of), Machine(of)
        self.traced: list[int] = []
        self.tracer.uc.hook_add(
            self.tracer.each, lambda _uc, at, _size, _user: self.traced.append(at), None, CODE, CODE + CODE_BYTES
        )
        self.first, self.last = of.symbols["ours_begin"], of.symbols["ours_end"]
        self.runs = self.ended = self.hung = 0
        self.running = False
        self.fresh = self.runner.uc.context_save()
        self._flash: bytes | None = None
        threading.Thread(target=self._watch, daemon=True).start()

    def _watch(self) -> None:
        """End a run that takes too long, by the processor's time: the machine may have other work."""
        seen, since = self.runs, time.process_time()
        while True:
            time.sleep(WATCHDOG)
            if seen != self.runs or not self.running:
                seen, since = self.runs, time.process_time()
            elif self.ended != seen and time.process_time() - since > WATCHDOG:
                self.ended = seen
                self.hung += 1
                self.runner.uc.emu_stop()

    def width(self, pc: int) -> int:
        """Bytes of the instruction there."""
        return 4 if self.of.code[pc - CODE + 1] >> 3 in (0b11101, 0b11110, 0b11111) else 2

    def ours(self, pc: int) -> bool:
        return self.first <= pc < self.last

    def trace(self, case: Case) -> list[int]:
        """Addresses of all instructions that the case executes, in their order."""
        machine, self.traced = self.tracer, []
        end = machine.go(machine.load(case))
        assert machine.jumped_to(end) in (case.allowed or (None,)), f"{case.name} does not end as it should"
        return self.traced

    def finish(self, state: State) -> int | None:
        """Run on from a state; return where it jumps to."""
        machine = self.runner
        while True:
            machine.uc.context_restore(self.fresh)  # modes and masks as well: a run may have gone anywhere
            machine.registers.write(machine.uc, state.registers)
            machine.uc.mem_write(RAM, state.ram)
            if machine.flash_written or self._flash is not state.flash:
                machine.uc.mem_write(FLASH, state.flash)
                machine.flash_written, self._flash = False, state.flash
            self.runs += 1
            self.running = True
            end = machine.go(state.pc)
            self.running = False
            if end == 0 or end in machine.ends or self.ended == self.runs:
                return machine.jumped_to(end)

    def _save(self, machine: Machine, pc: int, flash: bytes) -> State:
        if machine.flash_written:
            flash, machine.flash_written = bytes(machine.uc.mem_read(FLASH, FLASH_BYTES)), False
        registers = machine.registers.read(machine.uc)
        return State(pc, machine.uc.context_save(), registers, bytes(machine.uc.mem_read(RAM, RAM_BYTES)), flash)

    def _restore(self, machine: Machine, state: State) -> None:
        machine.uc.context_restore(state.context)
        machine.uc.mem_write(RAM, state.ram)
        if machine.flash_written:
            machine.uc.mem_write(FLASH, state.flash)
            machine.flash_written = False

    def states(self, case: Case, every: int = 1) -> Iterator[tuple[int, State]]:
        """Each executed instance of an instruction of ours, or one in so many: its address, and the state after it was skipped.

        A step of the emulator takes an IT instruction and what depends on it at once: those are skipped one by one, with a NOP in their place.
        """
        machine, trace, number, met = self.walker, self.trace(case), 0, 0
        pc, flash, machine.flash_written = machine.load(case), b"", True
        while pc not in machine.ends:
            assert pc == trace[number], "the walk has left the path"
            several = self.of.code[pc - CODE + 1] == IT
            before = None
            if self.ours(pc) and (several or met % every == 0):
                before = self._save(machine, pc, flash)
                flash = before.flash
            following, after = number + 1, machine.go(pc, 1)
            while several and following < len(trace) and trace[following] != after:
                following += 1
            if before is not None:
                state = self._save(machine, after, flash)
                for inside in trace[number:following]:
                    if met % every == 0:
                        yield (
                            inside,
                            before._replace(pc=pc + self.width(pc)) if inside == pc else self._without(before, inside),
                        )
                    met += 1
                if several:
                    self._restore(machine, state)
                flash = state.flash
            elif self.ours(pc):
                met += 1
            pc, number = after, following

    def _without(self, before: State, inside: int) -> State:
        """The state behind an IT block, one instruction of which was skipped."""
        machine = self.walker
        self._restore(machine, before)
        code = self.of.code[inside - CODE :][: self.width(inside)]
        machine.uc.mem_write(inside, NOP if len(code) == 2 else NOP_WIDE)
        after = self._save(machine, machine.go(before.pc, 1), before.flash)
        machine.uc.mem_write(inside, code)
        return after


class Result(NamedTuple):
    """What skipping came to: instances tried, and for each that let something start its address and what started."""

    tried: int
    bypasses: list[tuple[int, int]]


def skip_each(skipper: Skipper, case: Case, every: int = 1) -> Result:
    """Skip each instance, or every so many."""
    tried, bypasses = 0, []
    for pc, state in skipper.states(case, every):
        tried += 1
        to = skipper.finish(state)
        if to is not None and to not in case.allowed:
            bypasses.append((pc, to))
    return Result(tried, bypasses)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--core", choices=CORES, action="append")
    parser.add_argument("--level", action="append")
    parser.add_argument("--adapter", choices=tuple(FUNCTIONS), default="seal_bearssl")
    parser.add_argument("--case", help="only cases whose name begins so")
    parser.add_argument("--of", choices=("image", "boot", "package"), action="append")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--show", action="store_true", help="show the instructions")
    arguments = parser.parse_args()
    for core in arguments.core or CORES:
        for level in arguments.level or LEVELS:
            with tempfile.TemporaryDirectory() as folder:
                skipper = Skipper(build(Path(folder), core, level, arguments.adapter))
            for kind, cases in (("image", images), ("boot", devices), ("package", packages)):
                if kind not in (arguments.of or (kind,)):
                    continue
                total = found = 0
                for case in cases():
                    if case.name == "good":
                        skipper.trace(case)
                    if case.name == "good" or not case.name.startswith(arguments.case or ""):
                        continue
                    started = time.perf_counter()
                    result = skip_each(skipper, case, arguments.every)
                    total, found = total + result.tried, found + len(result.bypasses)
                    places = Counter(result.bypasses)
                    print(
                        f"{core:<13} {level} {kind:<7} {case.name:<42} {result.tried:>6} skips, {len(result.bypasses):>3} start what they should not, "
                        f"{len(places)} places, {time.perf_counter() - started:.1f} s",
                        flush=True,
                    )
                    for (pc, to), count in sorted(places.items()) if arguments.show else ():
                        print(f"    {pc:x} {count:>3}  {skipper.of.lines[pc]}  to {to:x}")
                print(
                    f"{core:<13} {level} {kind:<7} {'all':<42} {total:>6} skips, {found:>3} start what they should not",
                    flush=True,
                )


if __name__ == "__main__":
    main()
