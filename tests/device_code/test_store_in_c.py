"""A package kept in its flash slot as it arrives, with the power cut at every operation: products that cannot be streamed.

What came before a cut is not sent again, and what the log says is not believed: the package is read and judged again.
"""

import contextlib
from collections.abc import Callable
from pathlib import Path

import pytest
from c_boot import CODE
from c_build import SOURCES
from c_install import InstallLibrary, programs_with_installer
from long_runs import mainly
from stages import erased_as, files, installed, newer, on_units, text_of
from workshop import make

from imgseal.check.context import Context
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.product.waiting import room_for_package
from imgseal.rehearse.contents import Block
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.estimate import keeping
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.flash import Operation
from imgseal.rehearse.life import Life, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

PLACES = {
    "short": 'memory = "internal"\nat = 0x8000\nsize = "4 KiB"\n',
    "nor": 'memory = "nor"\nat = 0x8000\nsize = "32 KiB"\n',
    "internal": 'memory = "internal"\nat = 0x8000\nsize = "16 KiB"\n',
}
CHECKED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")


def update(name: str, where: str, text: str = "", **more: str) -> tuple[Product, Stage, ByteView]:
    text = (text or text_of(name)) + f'[slot.package]\n{PLACES[where]}holds = "package"\n'
    old = read(text, name="imgseal.toml")
    new = read(
        text, name="imgseal.toml", overrides={k.replace("__", "."): v for k, v in {**newer(old), **more}.items()}
    )
    first, second = make(old, files=files(old, "one")), make(new, files=files(new, "two"))
    state, contents = installed(old, first)
    package = ByteView(second.package)
    return old, set_up(Context(old, first.trust, state, contents), package), package


@pytest.mark.parametrize("where", ["nor", "internal"])
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
    out = Life(stage, SCENARIOS[0], package, Judgements(), Noise("kept"), programs)
    out.run(known=set(), cut=cut, tear=Noise("tear"))
    return out


def goes_on(
    library: InstallLibrary,
    stage: Stage,
    kept: Life,
    package: ByteView,
    *,
    spoiled: bytes = b"",
    cut: int | None = None,
) -> Life:
    """The next life of a device, with other bytes at the start of what it keeps."""
    moment = kept.moment()
    blocks = dict(moment.blocks)
    assert library.slot is not None
    size = library.of.memories["internal"].erase_block
    for at in range(0, len(spoiled), size):
        key = ("internal", (library.slot.at + at) // size)
        old = blocks[key]
        new = spoiled[at : at + size]
        blocks[key] = Block(new + old.data[len(new) :], old.done, 0, False)
    return life(stage._replace(moment=moment._replace(blocks=blocks)), package, library, cut)


BLOCK, KEPT, IN_A_PAYLOAD = 2048, 2, 2040


def wrongly_believed(library: InstallLibrary, stage: Stage, package: ByteView) -> list[str]:
    """What of a kept part counts that should not, or does not count that should."""
    codes: list[int] = []
    install = library.install
    library.install = lambda device: codes.append(install(device)) or codes[-1]  # type: ignore[method-assign,func-returns-value]
    wrong = []
    for cut, blocks in ((6, 1), (9, KEPT)):
        first = life(stage, package, library, cut=cut)
        library.resumed.clear()
        codes.clear()
        goes_on(library, stage, first, package)
        wrong += (
            [] if library.resumed[0] == blocks * BLOCK and codes[0] == CODE["accepted"] else [f"nothing, cut {cut}"]
        )
    kept = package.read(0, KEPT * BLOCK)
    other = update("data in the NOR", "internal", release__sequence="9")[2]
    for what, at in (("front", 0), ("payload", IN_A_PAYLOAD), ("package", None)):
        spoiled = bytearray(kept if at is not None else other.read(0, BLOCK))
        if at is not None:
            spoiled[at] ^= 1
        library.resumed.clear()
        try:
            goes_on(library, stage, first, package, spoiled=bytes(spoiled))
        except ViolationError as error:  # the other package was completed from this one
            wrong.append(f"{what}: {error}")
            continue
        wrong += [what] if library.resumed[0] else []
    library.resumed.clear()
    second = goes_on(library, stage, first, package, cut=4)
    goes_on(library, stage, second, package)
    wrong += [] if second.was_cut and 0 < library.resumed[0] <= library.resumed[1] else ["a second cut"]
    return wrong


def test_what_the_log_says_is_not_believed(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A bit of a block that the log calls complete turns, or the block is another package's: nothing of it counts, and the
    package comes from its start. What is as it was counts, also after a second cut.
    """
    tool("gcc")
    of, stage, package = update("data in the NOR", "internal")
    assert wrongly_believed(InstallLibrary(of, tmp_path, pieces=(512,)), stage, package) == []


def operations(library: InstallLibrary, stage: Stage, package: ByteView) -> list[tuple[str, int, int | None]]:
    """What an installation erases (None) and programs in the slot, by address and length."""
    slot = library.slot
    assert slot is not None
    done: list[tuple[str, int, int | None]] = []

    def note(operation: object, _moment: object) -> None:
        if (
            isinstance(operation, Operation)
            and operation.memory == slot.memory
            and slot.at <= operation.at < slot.at + slot.size
        ):
            done.append((operation.memory, operation.at, None if operation.data is None else len(operation.data)))

    programs = programs_with_installer(library)
    out = Life(stage, SCENARIOS[0], package, Judgements(), Noise("kept"), programs)
    with contextlib.suppress(ViolationError):  # a package that is refused has an end of its own
        out.run(known=set(), log=note)
    return done


def said(of: Product, package: ByteView) -> list[tuple[str, int, int | None]]:
    return [(o.memory, o.at, None if o.data is None else len(o.data)) for o in keeping(of, package.size)]


@pytest.mark.parametrize("where", ["nor", "internal"])
def test_the_estimate_knows_what_it_takes(where: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Erases and programs of slot and log are those that the code does, and stand in the estimate."""
    tool("gcc")
    of, stage, package = update("data in the NOR", where)
    slot = of.slot_holding("package")
    assert slot is not None
    once = said(of, package)
    assert operations(InstallLibrary(of, tmp_path), stage, package)[: len(once)] == once
    took = rehearse(stage, package, pairs=0, seed="1").estimate
    assert took is not None
    use = next(use for use in took.memories if use.memory == slot.memory)
    assert {at for _, at, length in once if length is None} <= set(use.erased)
    assert took.warnings == ()
    assert room_for_package(of) == slot.size - of.memories[slot.memory].erase_block


def overflows(sources: Path, folder: Path) -> bool:
    """Whether a package that is longer than its room is not refused in time."""
    of, stage, package = update("data in the NOR", "short")
    library = InstallLibrary(of, folder, sources, pieces=(512,))
    codes: list[int] = []
    install = library.install
    library.install = lambda device: codes.append(install(device)) or codes[-1]  # type: ignore[method-assign,func-returns-value]
    done = operations(library, stage, package)
    assert package.size > 2048
    return (
        not codes
        or codes[0] != CODE["placement.larger-than-slot"]
        or any(at >= 0x8800 and length != 16 for _, at, length in done if length)
    )


def test_a_package_that_is_too_long(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert not overflows(SOURCES, tmp_path)
