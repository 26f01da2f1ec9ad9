"""The keeper of trust anchors in C, called from Python: flash is the simulation's, or slots that are only read."""

import ctypes as c
from pathlib import Path
from typing import Any, NamedTuple

from c_boot import BYTES, CODE, U8, U32, Library
from c_build import SOURCES

from imgseal.product.model import Product
from imgseal.rehearse.flash import PowerCutError
from imgseal.rehearse.noise import Noise

NAMES = {value: name for name, value in CODE.items()}
NUMBER = c.CFUNCTYPE(U32, c.c_void_p, c.POINTER(U32))
RAISE = c.CFUNCTYPE(U32, c.c_void_p, U32)


class AnchorInC(c.Structure):
    _fields_ = (("components", U32), ("development", U8), ("key_id", U8 * 16), ("x", U8 * 32), ("y", U8 * 32))


class KeysInC(c.Structure):
    _fields_ = (
        ("anchor", AnchorInC * 32),
        *((name, U8) for name in ("images", "packages", "need_images", "need_packages")),
    )


class Number:
    """The monotonic number. A raise that was cut short reads as the old value or the new one, until it is asked for again.

    A model for tests: storage that does not behave so is better, never worse.
    """

    def __init__(self, firm: int, loose: int | None, noise: Noise) -> None:
        self.firm, self.loose, self.noise = firm, loose, noise
        self.watch: Any = lambda _operation: False

    @property
    def highest(self) -> int:
        return max(self.firm, self.loose or 0)

    def read(self) -> int:
        return self.firm if self.loose is None or not self.noise.below(2) else self.loose

    def raise_to(self, value: int) -> None:
        cut = self.watch(f"raise to {value}")
        if value > self.firm:
            if cut:
                self.loose = value
            else:
                self.firm, self.loose = value, None
        if cut:
            raise PowerCutError


class Slots:
    """Flash of which only slots are read: a fuzzed device's images."""

    def __init__(self, of: Product, held: dict[str, bytes]) -> None:
        self._parts = [(of.slots[name].memory, of.slots[name].at, data) for name, data in held.items()]

    def read(self, memory: str, at: int, length: int) -> bytes:
        for name, start, data in self._parts:
            if name == memory and start <= at and at + length <= start + len(data):
                return data[at - start : at - start + length]
        raise AssertionError((memory, at, length))


class Device(NamedTuple):
    """What the library's callbacks work on."""

    flash: Any
    number: Number | None = None


class TrustLibrary(Library):
    """The compiled code of one product."""

    def __init__(self, of: Product, folder: Path, sources: Path = SOURCES, flags: tuple[str, ...] = ("-O2",)) -> None:
        super().__init__(of, folder, sources, flags, source="seal_trust.c", shim="trust_shim.c")
        self._number_callback, self._raise_callback = NUMBER(self._read_number), RAISE(self._raise)

    def declare(self) -> None:
        self.library.trust_set.restype = BYTES
        self.library.trust_held_keys.restype = c.POINTER(KeysInC)
        for name in ("open", "judge", "take", "keys", "set_size"):
            getattr(self.library, f"trust_{name}").restype = U32

    def _read_number(self, _user: int, value: Any) -> int:
        value[0] = self.device.number.read()
        return CODE["read"]

    def _raise(self, _user: int, value: int) -> int:
        return self._guard("written", "device.unwritable", lambda: self.device.number.raise_to(value))

    def start(self, device: Device, base: int, size: int, factory: bytes = b"") -> None:
        """A reset: nothing is held yet."""
        self.device, self.stopped = device, None
        self._factory = c.create_string_buffer(factory, max(1, len(factory)))
        number = NUMBER() if device.number is None else self._number_callback
        raised = RAISE() if device.number is None else self._raise_callback
        self.library.trust_begin(
            c.byref(self.flash), c.byref(self.crypto), U32(base), U32(size), number, raised, self._factory if factory else None, len(factory)
        )  # fmt: skip

    def say(self, name: str, *arguments: Any) -> str:
        code = self.call(f"trust_{name}", *arguments)
        return NAMES.get(code, hex(code))

    def hold(self, held: bytes) -> None:
        self.library.trust_hold(held, len(held))

    def running(self, slots: bytes, *, settled: bool) -> None:
        self.library.trust_runs(slots, len(slots), int(settled))

    @property
    def held(self) -> bytes:
        return c.string_at(self.library.trust_set(), self.library.trust_set_size())
