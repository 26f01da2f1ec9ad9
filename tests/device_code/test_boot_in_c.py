"""The compiled boot code under the power-cut rehearsal: flash is the simulation's, the code is the device's.

The oracle is that of imgseal/rehearse/oracle.py, and what has to hold stands in docs/format/install-record.md.
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from c_boot import CODE, Library, programs_in_c
from c_build import SOURCES
from demo_update import demo_update
from long_runs import long, mainly
from stages import ERASED, PRODUCTS, erased_as, on_units, pair, pair_of

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.formats.install_record.layout import FIELDS
from imgseal.rehearse.explore import Explorer
from imgseal.rehearse.flash import FlashReadError
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

SANITIZED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")
UNITS = [pytest.param(1 << n, marks=() if n in (0, 6, 8) else long) for n in range(9)]


@pytest.mark.parametrize("name", PRODUCTS)
def test_every_way_of_installing(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    update = pair(name)
    programs = programs_in_c(Library(update.product, tmp_path, flags=SANITIZED))
    played = rehearse(update.stage, update.package, pairs=600, seed="c", programs=programs)
    assert played.violation is None, played.violation
    assert played.tally.pairs == 600
    blank = fresh(update.product)._replace(fresh=False, hardware=1)
    first = ByteView(update.first.package)
    stage = set_up(Context(update.product, update.first.trust, blank, {}), first)
    assert rehearse(stage, first, pairs=50, seed="c", programs=programs).violation is None


class SkipsErases(Library):
    """A driver that leaves out the erase of a block that reads blank."""

    def _erase(self, user: int, address: int) -> int:
        name, at = self._where(address)
        size = self.of.memories[name].erase_block
        try:
            blank = self.device.flash.read(name, at, size).count(0xFF) == size
        except FlashReadError:
            blank = False
        return CODE["written"] if blank else super()._erase(user, address)


def test_a_driver_that_skips_erases_is_found(tool: Callable[[str], str], tmp_path: Path) -> None:
    """seal_boot.h: an erase erases, also what reads blank. One cut is enough to break the promise."""
    tool("gcc")
    update = pair("staged outside, kept")
    programs = programs_in_c(SkipsErases(update.product, tmp_path))
    assert rehearse(update.stage, update.package, pairs=0, seed="1", programs=programs).violation is not None


@pytest.mark.parametrize("unit", UNITS)
def test_write_units(unit: int, tool: Callable[[str], str], tmp_path: Path) -> None:
    """From single bytes to units that are larger than a record."""
    tool("gcc")
    update = pair_of(on_units("two cores", unit))
    programs = programs_in_c(Library(update.product, tmp_path, flags=SANITIZED))
    played = rehearse(update.stage, update.package, pairs=300, seed="c", programs=programs)
    assert played.violation is None, played.violation


@pytest.mark.parametrize("erased", ERASED)
@pytest.mark.parametrize("name", mainly("staged outside, kept", PRODUCTS))
def test_what_erased_flash_reads_as(name: str, erased: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Zeros; or anything and sometimes an error, so that the code reads nothing that nobody has programmed and needs it."""
    tool("gcc")
    update = pair_of(erased_as(name, erased, erased))
    programs = programs_in_c(Library(update.product, tmp_path, flags=SANITIZED))
    played = rehearse(update.stage, update.package, pairs=300, seed="c", programs=programs)
    assert played.violation is None, played.violation


@long
def test_every_cut_of_the_demos_update(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    stage, package = demo_update()
    explorer = Explorer(stage, package, "1", programs_in_c(Library(stage.facts.product, tmp_path)))
    assert explorer.explore(0) is None
    assert explorer.tally.singles == 2 * sum(explorer.tally.operations.values()) > 9000


def test_offsets_in_the_source_are_those_of_the_page() -> None:
    """The page's table is held against the code's own by tests/formats/install_record/test_record.py."""
    source = (SOURCES / "seal_record.h").read_text()
    found = {name.lower(): int(value) for name, value in re.findall(r"\bSEAL_R_(\w+) = (\d+)", source)}
    assert found.pop("members") == 240
    assert found == {field.name: field.offset for field in FIELDS}
    from imgseal.formats.install_record.record import PHASES

    listed = re.search(r"SEAL_PHASE_SETTLED = 1, (.+?)\s*\}", source, re.DOTALL)
    assert listed is not None
    phases = ["settled", *(word.strip().removeprefix("SEAL_PHASE_").lower() for word in listed[1].split(","))]
    assert phases == list(PHASES.values())


def test_offsets_of_the_statement_are_those_of_the_page() -> None:
    from imgseal.formats.sealed_image.layout import FIELDS as STATEMENT

    source = (SOURCES / "seal_image.c").read_text()
    found = {name.lower(): int(value) for name, value in re.findall(r"\bAT_(\w+) = (\d+)", source)}
    renamed = {
        "magic": "magic", "major": "format_major", "minor": "format_minor", "vendor": "vendor_id", "class": "class_id",
        "component": "component_number", "kind": "component_kind", "revision": "source_revision", "signatures": "signature_0_algorithm",
    }  # fmt: skip
    places = {field.name: field.offset for field in STATEMENT}
    assert found == {name: places[renamed.get(name, name)] for name in found}
