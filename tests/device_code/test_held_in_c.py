"""Payloads of what a device runs already may be left out: the compiled installer takes such packages, as a stream and stored."""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_install import InstallLibrary, programs_with_installer
from changes import SETTLED, THIN, UNPROVEN, Change, before, changes, components, device, package, played
from long_runs import mainly
from stages import PRODUCTS

from imgseal.check.context import Context
from imgseal.rehearse.apply import apply
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.life import Life, Scenario
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

CHECKED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_every_subset_under_every_cut(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    library = InstallLibrary(before(name)[0].product, tmp_path, flags=CHECKED, pieces=(64, 1, 700))
    programs = programs_with_installer(library)
    some = dict.fromkeys(change._replace(rest=THIN) for change in changes(name) if change.newer)
    for change in some:
        for start in (SETTLED, UNPROVEN):
            on, result = played(change, start, programs)
            assert on.verdict.accepted, (start, str(change), on.verdict.findings)
            assert result.violation is None, (start, str(change), result.violation)


@pytest.mark.parametrize("name", ["two cores", "recovery image", "detached, two run slots"])
def test_it_refuses_what_the_judge_refuses(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """A component that is damaged is not held, and nothing is written for such a package."""
    tool("gcc")
    shop = before(name)[0]
    programs = programs_with_installer(InstallLibrary(shop.product, tmp_path, flags=CHECKED, pieces=(64, 1, 700)))
    data = ByteView(package(Change(name, (), THIN)))
    for start in components(name):
        if shop.product.components[start].recovery:
            continue
        state, contents = device(name, start)
        context = Context(shop.product, shop.trust, state, contents)
        assert apply(context, data).verdict.findings[0].code == "rules.directive-failed"
        stage = set_up(context, data)
        life = Life(stage, Scenario(healthy=True, source=True), data, Judgements(), Noise("x"), programs)
        life.run(known=set())
        assert any("directive-failed" in event for event in life.device.events), life.device.events
