"""The emulator of skip_engine.c with one program in it: which instances a case executes, and what comes of skipping them."""

import ctypes as c
import random
from collections.abc import Iterable
from typing import Any, NamedTuple

from c_boot import CODE as CODES
from skip_build import ANSWERED, ENDS, Build, engine_library
from skip_cases import FLASH, FLASH_BYTES, Case, mark_slot

U32 = c.c_uint32
FUNCTIONS_MOST, ENDS_MOST, PLACES_MOST = 20, 8, 4096
NO = AS_IT_IS = 0xFFFF_FFFF
KINDS = {"jump": 1, "take_package": 2}


class _Program(c.Structure):
    _fields_ = (
        *((name, U32) for name in ("m0", "code_bytes", "data_bytes", "ram_end", "ours_begin", "ours_end", "host_begin", "host_end")),
        *((name, U32) for name in ("given", "given_bytes", "package", "boot", "done", "mark", "mark_bytes", "read", "written")),
        ("functions", U32 * FUNCTIONS_MOST), ("end_count", U32), ("ends", U32 * ENDS_MOST), ("kinds", U32 * ENDS_MOST),
        ("code", c.c_char_p), ("data", c.c_char_p),
    )  # fmt: skip


class _Device(c.Structure):
    _fields_ = (
        *((name, c.c_char_p) for name in ("flash", "given", "package")),
        *((name, U32) for name in ("package_bytes", "entry", "boots", "walked", "allowed_count")),
        ("allowed", U32 * 4),
        ("counters", U32 * 4),
    )


class _Place(c.Structure):
    _fields_ = tuple((name, U32) for name in ("first", "caller", "second", "to"))


class _Result(c.Structure):
    _fields_ = (
        *((name, U32) for name in ("tried", "found", "hung", "faults", "known", "alone")),
        ("places", _Place * PLACES_MOST),
    )


class Bypass(NamedTuple):
    """Addresses of what was skipped (0: no second one), what started, and where the function of the first one returns to, if it calls nothing."""

    first: int
    second: int
    to: int
    caller: int


class Result(NamedTuple):
    """What skipping came to: instances tried, and those that let something start.

    `hung` were ended by a watchdog, `known` led into a state of another run, `alone` had no second skip.
    """

    tried: int
    bypasses: list[Bypass]
    hung: int = 0
    known: int = 0
    alone: int = 0


class Skipper:
    """A program in the emulator. `part` "adapter" skips instructions of the adapter alone."""

    def __init__(self, program: Build, part: str = "") -> None:
        self.of = program
        self.library: Any = c.CDLL(str(engine_library()))
        self.library.engine_new.restype = c.c_void_p
        self.library.engine_begin.restype = U32
        self.library.engine_begin.argtypes = (c.c_void_p, c.POINTER(_Device), c.POINTER(_Result))
        self.library.engine_walk.argtypes = (c.c_void_p, c.POINTER(U32), c.POINTER(U32), U32, c.POINTER(_Result))
        self.library.engine_free.argtypes = (c.c_void_p,)
        s = program.symbols
        given = Case("", "skip_boot", ()).given()
        self.program = _Program(
            program.core == "cortex-m0plus", len(program.code), len(program.data), s["ram_end"], s["ours_begin"],
            s["adapter_end" if part == "adapter" else "ours_end"], s["host_begin"], s["host_end"], s["given"], len(given), s["package_bytes"],
            s["skip_boot"] & ~1, s["done"], *mark_slot(), CODES["read"], CODES["written"],
        )  # fmt: skip
        for number, name in enumerate(ANSWERED):
            self.program.functions[number] = s.get(name, 0) & ~1
        self.program.end_count = len(ENDS)
        for number, name in enumerate(ENDS):
            self.program.ends[number], self.program.kinds[number] = s[name] & ~1, KINDS.get(name, 0)
        self.program.code, self.program.data = program.code, program.data
        self.engine = self.library.engine_new(c.byref(self.program))
        assert self.engine, "the emulator does not start"
        self.result = _Result()
        self.kept: _Device | None = None

    def __del__(self) -> None:
        if getattr(self, "engine", None):
            self.library.engine_free(self.engine)

    def trace(self, case: Case) -> int:
        """Let a case run as it is; return how many instructions can be skipped. It ends as it should, and with its last allowance."""
        flash = bytearray(b"\xff" * FLASH_BYTES)
        for at, data in case.flash:
            flash[at - FLASH : at - FLASH + len(data)] = data
        entry = self.of.symbols[case.entry] & ~1
        self.kept = _Device(bytes(flash), case.given(), case.package, len(case.package), entry, case.boots, case.walked)
        self.kept.counters = (U32 * 4)(0, case.counter, case.counter, 0)
        # what it is allowed to start, it starts: without the allowance the same run is a bypass
        if case.allowed:
            assert self._begin(()) == NO, f"{case.name} starts nothing"
            assert self.result.places[0].to in case.allowed, f"{case.name} starts {self.result.places[0].to:x}"
        count = self._begin(case.allowed)
        assert count != NO, f"{case.name} starts {self.result.places[0].to:x}, or does not end"
        return count

    def forbid_all(self) -> None:
        """Let the case that was traced count whatever starts."""
        assert self._begin(()) == NO

    def _begin(self, allowed: tuple[int, ...]) -> int:
        assert self.kept is not None
        self.kept.allowed_count = len(allowed)
        self.kept.allowed = (U32 * 4)(*allowed)
        return int(self.library.engine_begin(self.engine, c.byref(self.kept), c.byref(self.result)))

    def skip(self, instances: Iterable[tuple[int, int]]) -> Result:
        """Skip instances of the case that was traced: ascending numbers, each with the distance to a second one, or 0."""
        rows = list(instances)
        first, distance = ((U32 * len(rows))(*(row[k] for row in rows)) for k in (0, 1))
        self.library.engine_walk(self.engine, first, distance, len(rows), c.byref(self.result))
        r = self.result
        assert r.tried <= len(rows)
        found = [Bypass(p.first, p.second, p.to, p.caller & ~1) for p in r.places[: min(r.found, PLACES_MOST)]]
        return Result(r.tried, found, r.hung, r.known, r.alone)


def skip_each(skipper: Skipper, case: Case, every: int = 1, offset: int = 0) -> Result:
    """Skip each instance, or every so many."""
    return skipper.skip((number, 0) for number in range(offset, skipper.trace(case), every))


def skip_two(skipper: Skipper, case: Case, count: int, seed: int, within: int = 0) -> Result:
    """Skip pairs, drawn at random: the second one up to `within` instructions behind the first, or anywhere behind it."""
    total, draw = skipper.trace(case), random.Random(f"{seed} {case.name}")
    firsts = sorted(draw.randrange(total) for _ in range(count))
    return skipper.skip((first, draw.randint(1, within or max(1, total - first))) for first in firsts)


def resume_each(skipper: Skipper, case: Case, every: int = 1) -> Result:
    """Take the run up again at each instance and skip nothing: it starts what it starts, which is not allowed here."""
    numbers = range(0, skipper.trace(case), every)
    skipper.forbid_all()
    return skipper.skip((number, AS_IT_IS) for number in numbers)
