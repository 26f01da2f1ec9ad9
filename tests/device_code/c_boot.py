"""Bootloader and health report of the simulated device, done by the compiled C code.

Flash, counters and cryptography stay the simulation's: the C code reaches them through its callbacks. A power cut inside a
callback makes it return an error, upon which the C code returns at once; what follows is the next reset.
"""

import ctypes as c
import functools
import hashlib
import struct
from pathlib import Path
from typing import Any

from c_build import SOURCES, STRICT, compiled, run, write_config

from imgseal.device_code.codes import values
from imgseal.formats.install_record.record import SETTLED, Member, decode
from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Memory, Product
from imgseal.rehearse.boot import RECOVERY, SET, WAITING, Bootloader, Started
from imgseal.rehearse.flash import Flash, FlashReadError, FlashRuleError, PowerCutError
from imgseal.rehearse.install import Installer, brought
from imgseal.rehearse.journal import NoPlaceError
from imgseal.rehearse.life import Programs
from imgseal.rehearse.oracle import ViolationError

CODE = values()
HERE = Path(__file__).parent
U8, U32 = c.c_uint8, c.c_uint32
BYTES = c.POINTER(U8)
READ = c.CFUNCTYPE(U32, c.c_void_p, U32, BYTES, U32)
ERASE = c.CFUNCTYPE(U32, c.c_void_p, U32)
GEOMETRY = c.CFUNCTYPE(U32, c.c_void_p, U32, c.POINTER(U32), c.POINTER(U32), c.POINTER(U32))
COUNTER = c.CFUNCTYPE(U32, c.c_void_p, U8, c.POINTER(U32))
TAKE = c.CFUNCTYPE(U32, c.c_void_p, U8, U32)
BEGIN = c.CFUNCTYPE(None, c.POINTER(U32))
ADD = c.CFUNCTYPE(None, c.POINTER(U32), c.c_void_p, c.c_size_t)
END = c.CFUNCTYPE(None, c.POINTER(U32), BYTES)
VERIFY = c.CFUNCTYPE(U32, BYTES, BYTES, BYTES, BYTES)
ON_CURVE = c.CFUNCTYPE(U32, BYTES, BYTES)
VERIFY_SECOND = c.CFUNCTYPE(U32, BYTES, BYTES, c.c_size_t, BYTES)


def programmed(flash: Flash, memory: Memory, at: int, length: int) -> bool:
    """Say whether every unit of a range was programmed since its erase; for memories that count them."""
    size, unit = memory.erase_block, memory.write_unit
    for where in range(at - at % unit, at + length, unit):
        block = flash.blocks.get((memory.name, where // size))
        if block is None or not (block.weak or block.done >> (where % size // unit) & 1):
            return False
    return True


class Reader(c.Structure):
    _fields_ = (("read", READ), ("user", c.c_void_p), ("size", U32))


class Source(c.Structure):
    _fields_ = (("header", Reader), ("payload", Reader), ("payload_at", U32))


PACKAGE = c.CFUNCTYPE(U32, c.c_void_p, U8, BYTES, BYTES, c.POINTER(Source))


class FlashDriver(c.Structure):
    _fields_ = (("read", READ), ("erase", ERASE), ("program", READ), ("geometry", GEOMETRY), ("user", c.c_void_p))


class SlotInC(c.Structure):
    _fields_ = (("base", U32), ("size", U32), ("trusted", U8))


PROTECT = c.CFUNCTYPE(U32, c.c_void_p, c.POINTER(SlotInC))


class CounterDriver(c.Structure):
    _fields_ = (("read", COUNTER), ("take", TAKE), ("raise_", TAKE), ("user", c.c_void_p))


class Crypto(c.Structure):
    """The last one is there only where the sources are compiled with SEAL_ML_DSA_44; others never look at it."""

    _fields_ = (
        ("begin", BEGIN), ("add", ADD), ("end", END), ("verify", VERIFY), ("on_curve", ON_CURVE), ("verify_ml_dsa_44", VERIFY_SECOND),
    )  # fmt: skip


class StartedInC(c.Structure):
    _fields_ = (("what", c.c_int), ("trial", U8), ("members", U8), ("run_slot", U8 * 32))


WHAT = {0x5A: SET, 0xA5: RECOVERY, 0x3C: WAITING}


@functools.lru_cache(maxsize=4096)
def _holds(x: bytes, y: bytes, digest: bytes, value: bytes) -> bool:
    """ECDSA over a digest; nothing holds by a key that is no point."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.asymmetric.utils import Prehashed, encode_dss_signature
    from cryptography.hazmat.primitives.hashes import SHA256

    if not is_point(x, y):
        return False
    public = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), b"\x04" + x + y)
    encoded = encode_dss_signature(int.from_bytes(value[:32]), int.from_bytes(value[32:]))
    try:
        public.verify(encoded, digest, ec.ECDSA(Prehashed(SHA256())))
    except InvalidSignature:
        return False
    return True


@functools.lru_cache(maxsize=4096)
def is_point(x: bytes, y: bytes) -> bool:
    from cryptography.hazmat.primitives.asymmetric import ec

    try:
        ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), b"\x04" + x + y)
    except ValueError:
        return False
    return True


@functools.lru_cache(maxsize=4096)
def _second_holds(key: bytes, message: bytes, value: bytes) -> bool:
    """Pure ML-DSA-44 with the empty context."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.mldsa import MLDSA44PublicKey

    try:
        MLDSA44PublicKey.from_public_bytes(key).verify(value, message)
    except InvalidSignature:
        return False
    return True


class CryptoInPython:
    """What the C code is handed for hashes and signatures."""

    def __init__(self) -> None:
        self._hashes: dict[int, Any] = {}
        self.verified: Any = lambda _statement: None
        self.crypto = Crypto(
            BEGIN(self._begin), ADD(self._add), END(self._end), VERIFY(self._verify), ON_CURVE(self._on_curve),
            VERIFY_SECOND(self._verify_second),
        )  # fmt: skip

    def _begin(self, state: Any) -> None:
        handle = len(self._hashes) + 1
        self._hashes = {handle: hashlib.sha256()}
        state[0] = handle

    def _add(self, state: Any, data: int, length: int) -> None:
        self._hashes[state[0]].update(c.string_at(data, length))

    def _end(self, state: Any, digest: Any) -> None:
        c.memmove(digest, self._hashes[state[0]].digest(), 32)

    def _verify(self, x: Any, y: Any, digest: Any, value: Any) -> int:
        good = _holds(c.string_at(x, 32), c.string_at(y, 32), c.string_at(digest, 32), c.string_at(value, 64))
        if good:
            self.verified(c.string_at(digest, 32))
        return CODE["verified"] if good else 0

    def _on_curve(self, x: Any, y: Any) -> int:
        return CODE["verified"] if is_point(c.string_at(x, 32), c.string_at(y, 32)) else 0

    def _verify_second(self, key: Any, message: Any, length: int, value: Any) -> int:
        good = _second_holds(c.string_at(key, 1312), c.string_at(message, length), c.string_at(value, 2420))
        if good:
            self.verified(hashlib.sha256(c.string_at(message, length)).digest())
        return CODE["verified"] if good else 0


class Library(CryptoInPython):
    """The compiled boot code of one product, and the simulation that it works on for the moment."""

    compiler = "gcc"

    def __init__(
        self, of: Product, folder: Path, sources: Path = SOURCES, flags: tuple[str, ...] = ("-O2",), *, source: str = "seal_boot.c",
        shim: str = "boot_shim.c", beside: tuple[str, ...] = (), trust: Trust | None = None, development: bool = False,
    ) -> None:  # fmt: skip
        super().__init__()
        write_config(of, folder, trust, development=development)
        target = folder / "code.so"
        compiler = (self.compiler, *STRICT, *flags, "-DSEAL_PIECE=4096u", "-fPIC")
        objects = (compiled(compiler, folder, sources / name) for name in ("seal_image.c", source, *beside))
        run([*compiler, "-shared", f"-I{folder}", f"-I{sources}", *objects, HERE / shim, "-o", target])
        self.of = of
        self.library = c.CDLL(str(target))
        self.declare()
        self.device: Any = None
        self.stopped: BaseException | None = None
        self.loud = True
        self._kept: list[object] = []
        flash = of.memories
        self._ranges = sorted((m.base, m.base + m.size, m.name) for m in flash.values() if m.kind == "flash")
        self.flash = FlashDriver(
            READ(self._read), ERASE(self._erase), READ(self._program), GEOMETRY(self._geometry), None
        )
        self.counters = CounterDriver(COUNTER(self._counter), TAKE(self._take), TAKE(self._raise_to), None)
        self.package = PACKAGE(self._package)
        self.protect = PROTECT(self._protect)
        self.marks = of.rules.at_boot == "digest"
        self.protected = self.refuses_protection = False

    def declare(self) -> None:
        """What the shim's functions return."""
        self.library.shim_started.restype = c.POINTER(StartedInC)
        self.library.shim_record.restype = BYTES
        self.library.shim_runs.restype = BYTES
        for name in ("shim_choose", "shim_healthy", "shim_journal"):
            getattr(self.library, name).restype = U32

    def _where(self, address: int) -> tuple[str, int]:
        for start, end, name in self._ranges:
            if start <= address < end:
                return name, address - start
        raise LookupError(hex(address))

    def _guard(self, ok: str, bad: str, act: Any, *arguments: Any) -> int:
        """Run a callback; what stops the device is kept, and the C code told that it did not work."""
        if self.stopped is not None:
            self.stopped = ViolationError("starts", "the C code goes on after a driver has failed")
            return CODE[bad]
        try:
            act(*arguments)
        except FlashReadError:
            return CODE[bad]
        except (PowerCutError, FlashRuleError, ViolationError) as error:
            self.stopped = error
            return CODE[bad]
        return CODE[ok]

    def _read(self, _user: int, address: int, to: Any, length: int) -> int:
        return self._guard("read", "device.unreadable", self._read_to, *self._where(address), to, length)

    def _read_to(self, name: str, at: int, to: Any, length: int) -> None:
        flash = self.device.flash
        data = flash.read(name, at, length)
        memory = self.of.memories[name]
        if memory.erased is None and not programmed(flash, memory, at, length) and flash.noise.below(2):
            raise FlashReadError(f"{name}: never programmed")
        c.memmove(to, data, length)

    def _erase(self, _user: int, address: int) -> int:
        return self._guard("written", "device.unwritable", self.device.flash.erase, *self._where(address))

    def _program(self, _user: int, address: int, data: Any, length: int) -> int:
        program, raw = self.device.flash.program, c.string_at(data, length)
        return self._guard("written", "device.unwritable", program, *self._where(address), raw)

    def _geometry(self, _user: int, address: int, block: Any, page: Any, unit: Any) -> int:
        memory = self.of.memories[self._where(address)[0]]
        block[0], page[0], unit[0] = memory.erase_block, memory.page, memory.write_unit
        return CODE["read"]

    def _counter(self, _user: int, component: int, value: Any) -> int:
        if self.stopped is not None:  # the code reads what became of a step
            return CODE["device.unreadable"]
        value[0] = self.device.counters.read(component)
        return CODE["read"]

    def _take(self, _user: int, component: int, step: int) -> int:
        return self._rise(lambda: self.device.counters.take(component, step))

    def _raise_to(self, _user: int, component: int, value: int) -> int:
        return self._rise(lambda: self.device.counters.raise_to(component, value))

    def _rise(self, act: Any) -> int:
        """Full storage says so where `loud`, and says nothing otherwise."""
        taken = True

        def tried() -> None:
            nonlocal taken
            taken = act()

        code = self._guard("written", "device.unwritable", tried)
        return code if taken or not self.loud else CODE["device.unwritable"]

    def _protect(self, _user: int, slot: Any) -> int:
        """The port locks the mark's slot; who writes it from here on is not the bootloader any more."""
        mark = self.of.slot_holding("boot-mark")
        assert mark is not None
        assert (slot[0].base, slot[0].size) == (self.of.slot_base(mark.name), mark.size)
        if self.refuses_protection:
            return CODE["device.unwritable"]
        self.protected = True
        return CODE["written"]

    def _package(self, _user: int, component: int, statement: Any, manifest: Any, source: Any) -> int:
        """The package is judged by the simulation: the reader of packages is code of its own."""
        device = self.device
        if device.source is None:
            return CODE["device.unreadable"]
        record = self.record()
        verdict, subject = device.examine(device.source, record)
        if not verdict.accepted or subject.envelope.digest.value != c.string_at(manifest, 32):
            return CODE["device.unreadable"]
        for number, new in brought(subject, device.known).items():
            if number == component and new.image.digest == c.string_at(statement, 32):
                source[0] = self._source(new.image.header, new.image.payload)
                return CODE["read"]
        return CODE["device.unreadable"]

    def _source(self, header: bytes, payload: bytes) -> Source:
        readers = []
        for data in (header, payload):

            def read(_user: int, at: int, to: Any, length: int, data: bytes = data) -> int:
                c.memmove(to, data[at : at + length], length)
                return CODE["read"]

            callback = READ(read)
            self._kept = [*self._kept[-8:], callback]
            readers.append(Reader(callback, None, len(data)))
        return Source(*readers, 0)

    def record(self) -> Any:
        """The record in RAM, of which nobody looks at the check any more."""
        content = c.string_at(self.library.shim_record(), len_of(self.of) - 32)
        return decode(content + hashlib.sha256(content).digest(), self.of.numbers)

    def runs(self) -> tuple[bytes, bool]:
        """What seal_what_runs says: run slots by component index, and whether no release is being installed or tried."""
        raw = c.string_at(self.library.shim_runs(), 33)
        return raw[: len(self.of.numbers)], bool(raw[32])

    def begin(self, device: Any) -> None:
        self.device, self.stopped, self.protected = device, None, False
        self.verified = device.verified
        facts = device.facts
        version = struct.pack("<4I", *(facts.state.bootloader.words() if facts.state.bootloader else (0, 0, 0, 0)))
        revoked = b"".join(bytes.fromhex(key) for key in facts.state.revoked)
        self._room = c.create_string_buffer(revoked, max(1, len(revoked)))
        self.library.shim_begin(
            c.byref(self.flash), c.byref(self.counters), c.byref(self.crypto), self.package, facts.state.hardware or 0, version, self._room,
            len(facts.state.revoked),
        )  # fmt: skip
        if facts.development:
            self.library.shim_development(1)
        if self.marks:
            self.library.shim_protect(self.protect)

    def call(self, name: str, *arguments: Any) -> int:
        code: int = getattr(self.library, name)(*arguments)
        if self.stopped is not None:
            raise self.stopped
        return code

    def accept(self, name: str, *arguments: int) -> None:
        """Call; NoPlaceError where a record could not be written though every driver said that it was."""
        code = self.call(name, *arguments)
        if code == CODE["device.unwritable"]:
            raise NoPlaceError
        assert code == CODE["accepted"], hex(code)


def len_of(of: Product) -> int:
    from imgseal.formats.install_record.room import record_bytes

    return record_bytes(len(of.components))


def expected_runs(of: Product, record: Any) -> tuple[bytes, bool]:
    current = {} if record is None else record.current
    slots = bytes(current[number].slot if number in current else 255 for number in of.numbers)
    return slots, record is None or record.phase == SETTLED


def programs_in_c(library: Library) -> Programs:
    """The programs of a rehearsal with boot and settling in C; the installer's deliveries stay the simulation's."""

    class BootloaderInC(Bootloader):
        def boot(self, *, power_on: bool) -> Started:
            library.begin(self.device)
            library.accept("shim_choose", power_on)
            assert library.protected == library.marks
            self.journal._place = library.library.shim_journal(1) if library.library.shim_journal(0) else None
            self.journal._tidy = bool(library.library.shim_journal(2))
            self.journal.record = library.record() if library.library.shim_journal(0) else None
            said = library.library.shim_started()[0]
            members = {}
            if WHAT[said.what] == SET:
                current = self.journal.record.current if self.journal.record else {}
                members = {
                    number: Member(said.run_slot[index], current[number].statement)
                    for index, number in enumerate(library.of.numbers)
                    if said.run_slot[index] != 255
                }
            assert library.runs() == expected_runs(library.of, self.journal.record)
            self.device.mark(f"booted in C, tidied {self.journal.tidied}")
            return Started(WHAT[said.what], members, bool(said.trial))

    class InstallerInC(Installer):
        def report_healthy(self) -> None:
            library.accept("shim_healthy")
            self.journal.record = library.record()

    return Programs(bootloader=BootloaderInC, installer=InstallerInC)
