"""Deliveries under any number of power cuts in compiled code: every small product closes, with each kind of payload."""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_build import SOURCES
from c_delivery import CHECKED, DeliveryLibrary
from c_install import programs_with_installer
from changes import before
from delivery_faults import another_result, said_after_each_cut
from kinds import SOME, of_kind
from stages import PRODUCTS
from test_planted_deliveries import LOST_SET, STAGED, TWO, WAITS, broken
from test_planted_in_c import planted

from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.cuts_text import was_answered
from imgseal.rehearse.life import Programs
from imgseal.rehearse.stage import set_up


def programs(name: str, folder: Path, sources: Path = SOURCES, flags: tuple[str, ...] = CHECKED) -> Programs:
    return programs_with_installer(DeliveryLibrary(name, before(name)[0].product, folder, sources, flags))


@pytest.mark.parametrize(("name", "kind", "where"), SOME)
def test_it_closes(
    name: str, kind: str, where: str, tool: Callable[[str], str], tmp_path: Path,
    record_property: Callable[[str, object], None],
) -> None:  # fmt: skip
    tool("gcc")
    delivered = of_kind(name, kind, where)
    explored = explore(
        Asking(delivered.stage, delivered.package, programs(name, tmp_path), None, None, changing=False)
    )  # fmt: skip
    assert was_answered(explored, None), [each.found for each in explored]
    for each in explored:
        assert each.reached.cuts > 0
        record_property(f"states, healthy {each.healthy}", each.reached.states)


FLAGS = ("-O1", "-w")
INSTALL = "seal_install.c"
ERASES = "        if (code != SEAL_WRITTEN)\n            return code;\n        i->base = place->base + in_front;\n"
BASE = (
    ERASES.replace(
        "i->base", "code = erase_range(b, c->run[running(i, part->component)[1]].base, place->size);\n        i->base"
    )
    + ERASES
)
WAITING_PATCH = ERASES.replace("i->base", "code = erase_range(b, 0x60008000u, 4096);\n        i->base") + ERASES
RESULT = "        if (seal_differ(i->digest, part->digest, 32) != 0)\n            return SEAL_DIGEST_IMAGE;\n"
READ_BACK = "        if (!holds(i, i->base, part))\n            return SEAL_DEVICE_UNWRITABLE;\n"


@pytest.mark.parametrize("name", [TWO, STAGED])
def test_the_base_is_written(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    delivered = of_kind(name, "patch")
    faulty = programs(name, tmp_path, planted(tmp_path, INSTALL, ERASES, BASE), FLAGS)
    assert broken(delivered.stage, delivered.package, faulty) & LOST_SET


def test_what_waits_is_erased(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    delivered = of_kind(WAITS, "patch")
    faulty = programs(WAITS, tmp_path, planted(tmp_path, INSTALL, ERASES, WAITING_PATCH), FLAGS)
    assert broken(delivered.stage, delivered.package, faulty) == {"flash"}


def test_the_result_is_not_verified(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A sealed image of another release; what is read back is held against the release as well."""
    tool("gcc")
    first, other = another_result()
    stage = set_up(first.context, other)
    name = "two cores"
    assert broken(stage, other, programs(name, tmp_path / "sound")) == set()
    sources = planted(tmp_path, INSTALL, RESULT, "")
    text = (sources / INSTALL).read_text()
    assert text.count(READ_BACK) == 1
    (sources / INSTALL).write_text(text.replace(READ_BACK, ""))
    assert broken(stage, other, programs(name, tmp_path / "faulty", sources, FLAGS)) != set()


@pytest.mark.parametrize("name", PRODUCTS)
def test_another_delivery_comes_after_a_cut(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Compiled code says what the model says, wherever the cut was, of a delivery for what the device does not run."""
    tool("gcc")
    told = list(said_after_each_cut(name, programs(name, tmp_path)))
    assert {said for _, said, _ in told} == {said for _, said, _ in said_after_each_cut(name, Programs())}
    assert sum(said == "digest.base" for _, said, _ in told) > 5
    assert not any(changed for _, said, changed in told if said == "digest.base")


@pytest.mark.parametrize("name", [TWO, STAGED])
def test_the_base_is_not_hashed_again(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    old = "        if (!hashes_to(i, base, 0, base->size, patch->base_digest))"
    sources = planted(tmp_path, INSTALL, old, old.replace("if (", "if (!i->begun && "))
    said = {said for _, said, _ in said_after_each_cut(name, programs(name, tmp_path, sources, FLAGS))}
    assert "delivered" in said
