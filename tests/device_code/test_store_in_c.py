"""A package kept in its flash slot as it arrives, with the power cut at every operation: products that cannot be streamed.

What came before a cut is not sent again, and what the log says is not believed: the package is read and judged again.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_install import InstallLibrary, programs_with_installer
from long_runs import mainly
from stages import erased_as, files, installed, newer, on_units, text_of
from workshop import make

from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.flash import Block, Operation
from imgseal.rehearse.keep import keeping, room_for_package
from imgseal.rehearse.life import Life
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import Stage, set_up
from imgseal.window import ByteView

PLACES = {
    "nor": 'memory = "nor"\nat = 0x8000\nsize = "32 KiB"\n',
    "internal": 'memory = "internal"\nat = 0x8000\nsize = "16 KiB"\n',
}
CHECKED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")


def update(name: str, where: str, text: str = "") -> tuple[Product, Stage, ByteView]:
    text = (text or text_of(name)) + f'[slot.package]\n{PLACES[where]}holds = "package"\n'
    old = read(text, name="imgseal.toml")
    new = read(text, name="imgseal.toml", overrides={k.replace("__", "."): v for k, v in newer(old).items()})
    first, second = make(old, files=files(old, "one")), make(new, files=files(new, "two"))
    state, contents = installed(old, first)
    package = ByteView(second.package)
    return old, set_up(old, first.trust, state, contents, package), package


@pytest.mark.parametrize("where", PLACES)
@pytest.mark.parametrize("name", ["data in the NOR", "recovery image"])
def test_every_cut(name: str, where: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    of, stage, package = update(name, where)
    library = InstallLibrary(of, tmp_path, flags=CHECKED, pieces=(700, 1, 64))
    played = rehearse(stage, package, pairs=100, seed="s", programs=programs_with_installer(library))
    assert played.violation is None, played.violation
    assert any(library.resumed)
    assert 0 in library.resumed


FLASH = {
    "units of 64": on_units("data in the NOR", 64),
    "units of 256": on_units("data in the NOR", 256),
    "erased to zeros": erased_as("data in the NOR", "0x00", "0x00"),
    "unreadable when erased": erased_as("data in the NOR", '"unreadable"', '"unreadable"'),
}


@pytest.mark.parametrize("flash", mainly("unreadable when erased", FLASH))
def test_other_flash(flash: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """The log tells nothing from what erased flash reads as, and its entries have units of their own."""
    tool("gcc")
    of, stage, package = update("data in the NOR", "internal", FLASH[flash])
    library = InstallLibrary(of, tmp_path, flags=CHECKED, pieces=(700, 1, 64))
    played = rehearse(stage, package, pairs=50, seed="s", programs=programs_with_installer(library))
    assert played.violation is None, played.violation
    assert any(library.resumed)


def life(stage: Stage, package: ByteView, library: InstallLibrary, cut: int | None = None) -> Life:
    programs = programs_with_installer(library)
    out = Life(stage.facts, stage.moment, SCENARIOS[0], stage.oracle, package, Judgements(), Noise("kept"), programs)
    out.run(known=set(), cut=cut, tear=Noise("tear"))
    return out


def test_what_the_log_says_is_not_believed(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A bit of a block that the log calls complete turns: nothing of it counts, and the package comes from its start."""
    tool("gcc")
    of, stage, package = update("data in the NOR", "internal")
    library = InstallLibrary(of, tmp_path, pieces=(512,))
    first = life(stage, package, library, cut=9)
    kept = first.moment()
    assert first.was_cut
    slot = of.slot_holding("package")
    assert slot is not None
    key = ("internal", slot.at // 2048)
    for spoiled in (False, True):
        blocks = dict(kept.blocks)
        if spoiled:
            block = blocks[key]
            blocks[key] = Block(bytes([block.data[0] ^ 1]) + block.data[1:], block.done, 0, False, b"")
        library.resumed.clear()
        second = life(stage._replace(moment=kept._replace(blocks=blocks)), package, library)
        assert bool(library.resumed[0]) != spoiled
        assert second.started is not None
        assert second.started.what == "set"


@pytest.mark.parametrize("where", PLACES)
def test_the_estimate_knows_what_it_takes(where: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Erases and programs of slot and log are those that the code does, and stand in the estimate."""
    tool("gcc")
    of, stage, package = update("data in the NOR", where)
    slot = of.slot_holding("package")
    assert slot is not None
    done: list[tuple[str, int, int | None]] = []

    def note(operation: object, _moment: object) -> None:
        if (
            isinstance(operation, Operation)
            and operation.memory == slot.memory
            and slot.at <= operation.at < slot.at + slot.size
        ):
            done.append((operation.memory, operation.at, None if operation.data is None else len(operation.data)))

    programs = programs_with_installer(InstallLibrary(of, tmp_path))
    out = Life(stage.facts, stage.moment, SCENARIOS[0], stage.oracle, package, Judgements(), Noise("kept"), programs)
    out.run(known=set(), log=note)
    once = [(o.memory, o.at, None if o.data is None else len(o.data)) for o in keeping(of, package.size)]
    assert done[: len(once)] == once
    took = rehearse(stage, package, pairs=0, seed="1").estimate
    assert took is not None
    use = next(use for use in took.memories if use.memory == slot.memory)
    assert {at for _, at, length in once if length is None} <= set(use.erased)
    assert took.warnings == ()
    assert room_for_package(of) == slot.size - of.memories[slot.memory].erase_block
