"""The compiled boot choice and installer on flash, counters and supply that are worse than the plain model.

The behaviours are those of docs/format/flash-model.md, "Flash that is worse". Flash that erases to zeros is compiled for:
test_install_in_c.py.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_install import InstallLibrary, programs_with_installer
from long_runs import mainly
from stages import PRODUCTS, pair

from imgseal.check.context import Context
from imgseal.rehearse.worse import BEHAVIOURS, ZERO, play


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_every_invariant_holds(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    update = pair(name)
    context = Context(update.product, update.first.trust, update.state, update.contents)
    programs = programs_with_installer(InstallLibrary(update.product, tmp_path))
    for behaviour in (each for each in BEHAVIOURS if each != ZERO):
        played = play(behaviour, context, update.package, pairs=20, seed="c", programs=programs)
        assert played.violation is None, (played.case, played.violation)
        assert played.single > 200
