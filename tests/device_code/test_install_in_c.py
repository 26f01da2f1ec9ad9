"""The compiled installer under the power-cut rehearsal, beside the compiled boot code: no program of the device is the simulation's.

What has to hold stands in docs/format/install-record.md; the oracle is that of imgseal/rehearse/oracle.py.
"""

import ctypes
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cbor2
import pytest
from c_boot import CODE
from c_build import SOURCES, STRICT, run
from c_install import InstallLibrary, programs_with_installer
from changes import before, changes, device, package, starts
from demo_update import demo_update
from long_runs import long, mainly
from packages import package as agreement_package
from packages import variant_of
from rows import pairwise
from stages import ERASED, PRODUCTS, erased_as, on_units, pair, pair_of
from variants import product as agreement_product

from imgseal.check.context import Context
from imgseal.device_code.front import front_bytes
from imgseal.device_state.device import fresh
from imgseal.formats.install_record.record import Record
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS, Cuts, Explorer
from imgseal.rehearse.life import Life, Programs, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import read_slots, set_up
from imgseal.window import Bytes, ByteView

CHECKED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")
STORED = ("data in the NOR", "recovery image")
"""Products whose update cannot be streamed: one of its images has no second place."""


@pytest.mark.parametrize("name", PRODUCTS)
def test_every_way_of_installing(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    update = pair(name)
    library = InstallLibrary(update.product, tmp_path, flags=CHECKED, pieces=(64, 1, 700))
    programs = programs_with_installer(library)
    played = rehearse(update.stage, update.package, pairs=300, seed="c", programs=programs)
    assert played.violation is None, played.violation
    assert played.tally.pairs == 300
    assert library.in_storage == (name in STORED)
    blank = fresh(update.product)._replace(fresh=False, hardware=1)
    first = ByteView(update.first.package)
    stage = set_up(Context(update.product, update.first.trust, blank, {}), first)
    assert rehearse(stage, first, pairs=50, seed="c", programs=programs).violation is None


FLASH = {
    **{f"units of {unit}": on_units("two cores", unit) for unit in (1, 2, 4, 16, 32, 64, 128, 256)},
    **{f"erased: {erased}, {name}": erased_as(name, erased, erased) for erased in ERASED for name in PRODUCTS},
}


@pytest.mark.parametrize(
    "flash",
    [
        pytest.param(
            name, marks=() if name in ("units of 64", "units of 256", 'erased: "unreadable", two cores') else long
        )
        for name in FLASH
    ],
)
def test_other_flash(flash: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Write units of any size, and whatever flash reads as where it is erased."""
    tool("gcc")
    update = pair_of(FLASH[flash])
    programs = programs_with_installer(InstallLibrary(update.product, tmp_path, flags=CHECKED, pieces=(700, 1, 64)))
    played = rehearse(update.stage, update.package, pairs=200, seed="c", programs=programs)
    assert played.violation is None, played.violation


SHARES = 12
"""Rows over which the cuts of the demo's update are spread."""


class Share(Explorer):
    """Cuts at one operation in so many."""

    share = 0

    def _single_cuts(self) -> list[Cuts]:
        return [(number, range(self.share, len(run.entries), SHARES)) for number, run in enumerate(self._runs)]


@long
@pytest.mark.parametrize("share", range(SHARES))
def test_every_cut_of_the_demos_update(share: int, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    stage, whole = demo_update()
    programs = programs_with_installer(InstallLibrary(stage.facts.product, tmp_path))
    explorer = Share(stage, whole, "1", programs)
    explorer.share = share
    assert explorer.explore(0) is None
    counts = explorer.tally.operations.values()
    assert sum(counts) > 4500
    assert explorer.tally.singles == 2 * sum(len(range(share, count, SHARES)) for count in counts)


# -- the same end as the model's ------------------------------------------------------------------------------------------


def end(stage: Stage, brings: Bytes, programs: Programs, *, healthy: bool) -> tuple[object, ...]:
    """What an undisturbed installation leaves: record, slots, counters, starts."""
    scenario = next(s for s in SCENARIOS if s.healthy == healthy and s.source)
    life = Life(stage, scenario, brings, Judgements(), Noise("end"), programs)
    life.run(known=set())
    moment = life.moment()
    record, slots = read_slots(stage.facts.product, moment)
    counters = {number: value for number, value in moment.counters.items() if value}
    return _content(record), slots, counters, moment.starts, moment.tried, moment.healthy


def _content(record: Record | None) -> Record | None:
    """A record but for how often it was written: the model and the code may take another number of steps."""
    return None if record is None else record._replace(generation=0, base=0, copied=0)


def free_slots(of: Stage, ended: tuple[object, ...]) -> tuple[object, ...]:
    """The same without what nothing refers to: a build that was written before it showed that nothing is new."""
    record, slots, *rest = ended
    assert isinstance(slots, dict)
    product = of.facts.product
    used = set(slots)
    for component in product.components.values():
        if isinstance(record, Record) and len(component.run) > 1 and component.number in record.current:
            free = 1 - record.current[component.number].slot
            used -= {component.run[free], *(component.header[free : free + 1])}
        used -= {component.staging, component.keep}
    return record, {name: slots[name] for name in used}, *rest


@pytest.mark.parametrize("name", PRODUCTS)
@pytest.mark.parametrize("healthy", [True, False])
def test_the_end_is_that_of_the_model(name: str, healthy: bool, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    update = pair(name)
    programs = programs_with_installer(InstallLibrary(update.product, tmp_path))
    model = end(update.stage, update.package, Programs(), healthy=healthy)
    assert end(update.stage, update.package, programs, healthy=healthy) == model


def test_the_end_of_the_demos_update(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    stage, whole = demo_update()
    programs = programs_with_installer(InstallLibrary(stage.facts.product, tmp_path, pieces=(4096, 100)))
    for healthy in (True, False):
        assert end(stage, whole, programs, healthy=healthy) == end(stage, whole, Programs(), healthy=healthy)


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_whatever_a_package_changes(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Every subset of the components, the rest left out, again or signed again; settled, unproven, and with a damaged image."""
    tool("gcc")
    of = before(name)[0].product
    library = InstallLibrary(of, tmp_path)
    for start in starts(name):
        for change in changes(name):
            library.in_storage = False
            state, contents = device(name, start)
            data = ByteView(package(change))
            stage = set_up(Context(of, before(name)[0].trust, state, contents), data)
            programs = programs_with_installer(library)
            for healthy in (True, False):
                ended = end(stage, data, programs, healthy=healthy)
                model = end(stage, data, Programs(), healthy=healthy)
                assert free_slots(stage, ended) == free_slots(stage, model), (start, str(change))


# -- pieces ---------------------------------------------------------------------------------------------------------------


class Noted(InstallLibrary):
    """Notes the code that each installation ends with."""

    codes: list[int]

    def install(self, device: Any) -> int:
        code = super().install(device)
        self.codes.append(code)
        return code


@pytest.mark.parametrize("name", [name for name in PRODUCTS if name not in STORED])
def test_pieces_of_any_size(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Whatever the pieces, flash sees the same operations."""
    tool("gcc")
    update = pair(name)
    library = Noted(update.product, tmp_path, flags=CHECKED)
    library.codes = []
    programs = programs_with_installer(library)
    picked = random.Random(name)
    sizes = [(update.package.size,), (1,), (7, 13, 1, 509), (2048,), (4096, 1), *(
        tuple(picked.choice((1, 2, 3, picked.randrange(1, 100), picked.randrange(1, 3000))) for _ in range(picked.randrange(1, 9)))
        for _ in range(20)
    )]  # fmt: skip
    logs = []
    for pieces in sizes:
        library.pieces = pieces
        log: list[str] = []
        life = Life(
            update.stage, SCENARIOS[0], update.package, Judgements(), Noise("end"),
            programs,
        )  # fmt: skip
        life.run(known=set(), log=lambda operation, _moment, log=log: log.append(repr(operation)))  # type: ignore[misc]
        logs.append(log)
    assert set(library.codes) == {CODE["accepted"], CODE["device.nothing-new"]}
    assert len(logs[0]) > 20
    assert all(log == logs[0] for log in logs)


def front(raw: bytes) -> int:
    """The bytes in front of a package's first payload, the text left out."""
    members: dict[int | str, bytes] = cbor2.loads(raw).value

    def head(length: int) -> int:
        return 1 + (0 if length < 24 else 1 if length < 256 else 2 if length < 65536 else 4)

    names = [key for key in members if isinstance(key, str)]
    payloads = sum(head(len(key)) + len(key) + head(len(members[key])) + len(members[key]) for key in names)
    return len(raw) - payloads - len(members.get(23, b"")) + head(len(names[0]))


def test_the_front_fits_its_buffer() -> None:
    """The limit that `device-code` writes is enough for what is packed, and not much more than that."""
    for name in PRODUCTS:
        for shop in (pair(name).first, pair(name).second):
            assert front(shop.package) <= front_bytes(pair(name).product) < 2 * front(shop.package)
    stage, package_of_demo = demo_update()
    raw = bytes(package_of_demo.read(0, package_of_demo.size))
    assert front(raw) <= front_bytes(stage.facts.product) < 2 * front(raw)


def test_the_front_of_packages_of_every_kind() -> None:
    """Two signers, two algorithms, a hazard and a charge, in products that the agreement test knows."""
    met = 0
    for row in pairwise():
        asked = row.asked
        raw, _digest = agreement_package(asked, bill=row.bill)
        of = agreement_product(variant_of(asked), update=True)
        assert front(raw) <= front_bytes(of), row
        met += 1
    assert met > 100


def test_codes_have_names(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    run(["gcc", *STRICT, "-fPIC", "-shared", SOURCES / "seal_names.c", "-o", tmp_path / "names.so"])
    name_of = ctypes.CDLL(str(tmp_path / "names.so")).seal_name
    name_of.restype, name_of.argtypes = ctypes.c_char_p, (ctypes.c_uint32,)
    assert {value: name_of(value) for value in CODE.values()} == {value: name.encode() for name, value in CODE.items()}
    assert all(name_of(value) is None for value in (0, 0x0F, 0x100, 0xFFFFFFFF, CODE["accepted"] ^ 1))
