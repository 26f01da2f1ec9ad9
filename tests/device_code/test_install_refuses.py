"""What the compiled installer answers to packages of every kind on devices in every state: what the model answers.

Packages and devices are those of tests/agreement; each package is streamed, and taken from storage. One that is refused changes
nothing in flash that the running set needs, and not the record but for a delivery that was begun.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from answers import CIRCUMSTANCES, FACTS, Question
from c_install import InstallLibrary, programs_with_installer
from long_runs import long
from packages import device, package, trust, variant_of
from rows import pairwise
from stages import files, newer, pair, small
from variants import product
from workshop import make

from imgseal.check.context import Context
from imgseal.errors import UsageError
from imgseal.formats.install_record.record import DELIVERING
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.install import DELIVERED, NOTHING_TO_DO
from imgseal.rehearse.life import Life, Programs, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

SAME = {"device.nothing-new": NOTHING_TO_DO}


def answer_of(stage: Stage, brings: ByteView, programs: Programs, *, stored: bool = True) -> tuple[str, bool]:
    """What the installer says after one boot, and whether what runs was left as it is.

    A package in storage is judged as a whole first: one that is refused writes nothing at all.
    """
    life = Life(stage, SCENARIOS[0], brings, Judgements(), Noise("ask"), programs)
    device = life.device
    journal = programs.journal(device.flash, device.product)
    programs.bootloader(device, journal).boot(power_on=True)
    before = journal.record
    slots = {
        name
        for number, member in (before.current if before else {}).items()
        for names in (device.by_number[number].run, device.by_number[number].header)
        for name in names[member.slot : member.slot + 1]
    }
    there = {name: device.slots.blocks(name) for name in slots}
    said = programs.installer(device, journal).install()
    if said in (DELIVERED, NOTHING_TO_DO):
        return said, True
    assert {name: device.slots.blocks(name) for name in slots} == there
    after = journal.record
    assert before is not None
    assert after is not None
    if stored:
        return SAME.get(said, said), after == before
    return SAME.get(said, said), after.current == before.current and after.phase in (before.phase, DELIVERING)


def cannot_tell(asked: Question) -> bool:
    """Say whether the record names this release while an image of the one before runs, of the same version.

    What reads a stream knows digests of whole images and versions by then: it takes it for the same image, signed again,
    and leaves it; from storage it is told. Devices come there only where a set that failed has given way, and no version has
    changed.
    """
    variant = variant_of(asked)
    versions = [
        {component.number: component.version for component in product(variant, update=update).components.values()}
        for update in (False, True)
    ]
    same = any(versions[0][number] == versions[1][number] for number in asked.parts)
    return asked.circumstance == "the same release again" and asked.update and same


def disagreement(
    asked: Question, library: InstallLibrary | None, folder: Path, *, bill: bool = True
) -> tuple[InstallLibrary | None, str]:
    """Ask model and code, which streams the package and takes it from storage; say where they disagree."""
    variant = variant_of(asked)
    of = product(variant, update=False)
    raw, digest = package(asked, bill=bill)
    here = device(asked, digest)
    data = ByteView(raw)
    try:
        stage = set_up(Context(of, trust(variant), here.state._replace(fresh=False), here.contents), data)
    except UsageError:
        return library, ""  # nothing would start on it
    library = library or InstallLibrary(of, folder, pieces=(512, 100), trust=trust(variant))
    model = answer_of(stage, data, Programs())
    for stored in (False, True):
        library.in_storage = stored
        if not stored and cannot_tell(asked):
            continue
        found = answer_of(stage, data, programs_with_installer(library), stored=stored)
        if found != model:
            return library, f"{asked}, stored {stored}: {found}, the model {model}"
    return library, ""


def circumstances(name: str, library: InstallLibrary | None, folder: Path) -> list[str]:
    """Everything that may be wrong, once, with a package of all components."""
    parts = frozenset(part.number for part in FACTS[name].parts.values())
    wrong = []
    for circumstance in CIRCUMSTANCES:
        asked = Question(name, parts, True, False, False, True, circumstance, 1)
        library, found = disagreement(asked, library, folder)
        wrong += [found] if found else []
    return wrong


def test_everything_that_may_be_wrong(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert circumstances("two cores", None, tmp_path) == []


def hold(name: str, folder: Path) -> None:
    libraries: dict[object, InstallLibrary | None] = {}
    rows = [row for row in pairwise() if row.asked.product == name]
    for number, row in enumerate(rows):  # a folder of its own: a library is loaded once by its path
        variant = variant_of(row.asked)
        libraries[variant], found = disagreement(row.asked, libraries.get(variant), folder / str(number), bill=row.bill)
        assert not found
    assert any(libraries.values())


@long
@pytest.mark.parametrize("name", FACTS)
@pytest.mark.seconds(1200)
def test_all_pairs_of_factors(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    hold(name, tmp_path)


def floors(library: InstallLibrary) -> list[str]:
    """What is answered wrongly where the set that runs is the floor, since its counters were not raised."""
    update = pair("two cores")
    changes = newer(update.product)
    older = {**changes, "component__radio__counter": "2"}
    wrong = []
    for overrides, said in ((changes, DELIVERED), (older, "rollback.counter-too-low")):
        shop = make(small("two cores", **overrides), files=files(update.product, "two"))
        state = update.state._replace(unraised=True, counters=dict.fromkeys(update.state.counters, 1))
        data = ByteView(shop.package)
        stage = set_up(Context(update.product, update.first.trust, state, update.contents), data)
        assert answer_of(stage, data, Programs())[0] == said
        for stored in (False, True):
            library.in_storage = stored
            found = answer_of(stage, data, programs_with_installer(library), stored=stored)[0]
            wrong += [] if found == said else [f"{said}: {found}"]
    return wrong


def test_a_floor_that_storage_does_not_hold(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert floors(InstallLibrary(pair("two cores").product, tmp_path)) == []
