"""Why nothing starts: what the compiled seal_show_refusal answers for the current set, which is what the model says of it.

Devices whose set is wrong in one place, generated: each part of each image damaged, counters above it, a revoked key, another
hardware; and the phases in which no set is judged.
"""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from c_boot import CODE
from c_install import NAMES, InstallLibrary, programs_with_installer
from long_runs import mainly
from stages import PRODUCTS, pair

from imgseal.check.context import Context
from imgseal.formats.install_record.record import RETURNING, SWITCHING, Record
from imgseal.product.model import Component
from imgseal.rehearse.boot import SET
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.life import Life
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

MAGIC, VERSION, SIGNATURE = 0, 52, 400
IN_WORDS = {
    "no header": {"structure.unrecognised"}, "no such run slot": {"device.no-set"}, "the set is empty": {"device.no-set"},
    "not the image that the record names": {"device.no-set"},
}  # fmt: skip
"""What the model says of a set in words, and what the code answers."""


def expected(device: Any, record: Record | None) -> set[str]:
    if record is None:
        return {"device.no-record"}
    why = device.judge_set(record.current)
    if why is None:
        return {"accepted"}
    said = why.rpartition(": ")[2]
    return {said} if said in CODE else IN_WORDS[said]


def damaged(name: str) -> Iterator[tuple[str, Any, dict[str, ByteView]]]:
    """States and slots in which one thing is wrong with what runs, and the device as it should be."""
    update = pair(name)
    state, contents = update.state, update.contents
    yield "nothing", state, contents
    for number, raised in ((n, v + 9) for n, v in state.counters.items()):
        yield f"counter of {number}", state._replace(counters={**state.counters, number: raised}), contents
    yield "hardware", state._replace(hardware=9), contents
    keys = tuple(key.public.key_id.hex() for key in update.first.trust.keys)
    yield "revoked", state._replace(revoked=keys), contents
    for component in update.product.components.values():
        if component.number not in state.current:
            continue
        for place, at in places(component, state.current[component.number].slot):
            raw = bytearray(contents[place].read(0, contents[place].size))
            raw[at] ^= 1
            yield f"{place}+{at}", state, {**contents, place: ByteView(bytes(raw))}


def places(component: Component, slot: int) -> Iterator[tuple[str, int]]:
    first = (component.header or component.run)[slot]
    yield from ((first, at) for at in (MAGIC, VERSION, SIGNATURE))
    yield component.run[slot], -1


@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_the_code_is_that_of_the_model(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    update = pair(name)
    library = InstallLibrary(update.product, tmp_path)
    programs = programs_with_installer(library)
    met = set()
    for what, state, contents in damaged(name):
        stage = set_up(Context(update.product, update.first.trust, state, contents), update.package)
        life = Life(stage, SCENARIOS[0], update.package, Judgements(), Noise("why"), programs)
        journal = programs.journal(life.device.flash, update.product)
        started = programs.bootloader(life.device, journal).boot(power_on=True)
        said = NAMES[library.call("shim_show_refusal")]
        assert said in expected(life.device, journal.record), what
        assert (said == "accepted") == (started.what == SET), what
        met.add(said)
    assert {"accepted", "device.no-set", "structure.unrecognised"} < met


def test_where_no_set_is_judged(tool: Callable[[str], str], tmp_path: Path) -> None:
    """Waiting for the package, or for an image that is gone; and without a record, or where it was not handed over."""
    tool("gcc")
    update = pair("two cores")
    library = InstallLibrary(update.product, tmp_path)
    programs = programs_with_installer(library)
    stage = update.stage
    life = Life(stage, SCENARIOS[0], update.package, Judgements(), Noise("why"), programs)
    journal = programs.journal(life.device.flash, update.product)
    programs.bootloader(life.device, journal).boot(power_on=True)
    for phase, said in ((SWITCHING, "device.not-stored"), (RETURNING, "device.no-set")):
        library.library.shim_set_phase(phase)
        assert NAMES[library.call("shim_show_refusal")] == said
    library.library.shim_forget_record()
    for name in ("shim_show_refusal", "shim_healthy"):
        assert NAMES[library.call(name)] == "device.no-record"
    assert library.show()[0] == 0
