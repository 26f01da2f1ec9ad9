"""Flash, counters and supply that are worse than the plain model: docs/format/flash-model.md, "Flash that is worse"."""

import re
from pathlib import Path

import pytest
from long_runs import long, mainly
from stages import PRODUCTS, Pair, pair, pair_of
from workshop import product
from worse_faults import FAULTS

from imgseal.check.context import Context
from imgseal.errors import UsageError
from imgseal.product.flash_behaviours import ECC, PAGE, PARALLEL, SECOND, UNEVEN, behaving
from imgseal.rehearse.explore import Explorer
from imgseal.rehearse.flash import Flash, FlashReadError, FlashRuleError, PowerCutError
from imgseal.rehearse.life import Programs
from imgseal.rehearse.noise import ERROR, HELD, Mood, Noise
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.sagging import Sagging, survived
from imgseal.rehearse.worse import BEHAVIOURS, TOGETHER, case_named, cases, named, play

PAGE_TEXT = (Path(__file__).parents[2] / "docs" / "format" / "flash-model.md").read_text()


def context_of(update: Pair) -> Context:
    return Context(update.product, update.first.trust, update.state, update.contents)


@pytest.mark.parametrize("behaviour", BEHAVIOURS)
@pytest.mark.parametrize("name", mainly("two cores", PRODUCTS))
def test_every_invariant_holds(name: str, behaviour: str) -> None:
    update = pair(name)
    played = play(behaviour, context_of(update), update.package, pairs=40, seed="1")
    assert played.violation is None, (played.case, played.violation)
    assert played.single > 200


def test_what_is_described_is_played_by_every_rehearsal() -> None:
    """A product file that says so: nothing has to be asked for."""
    text = FAULTS["second-program-faults"].text
    described = pair_of(text.replace("page = 2048", f'page = 2048\nbehaves = ["{SECOND}", "{UNEVEN}"]'))
    assert described.product.memories["internal"].behaves == (SECOND, UNEVEN)
    assert rehearse(described.stage, described.package, pairs=0, seed="1").violation is None
    with pytest.MonkeyPatch.context() as patch:
        FAULTS["second-program-faults"].plant(patch)
        found = rehearse(described.stage, described.package, pairs=0, seed="1").violation
    assert found is not None
    assert found.invariant == "flash"


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_that_the_plain_model_forgives_is_found_and_replayed(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    fault = FAULTS[name]
    update = pair_of(fault.text)
    fault.plant(monkeypatch)
    plain = rehearse(update.stage, update.package, pairs=fault.pairs, seed="1", programs=fault.programs)
    assert plain.violation is None
    context = context_of(update)
    found = play(name, context, update.package, pairs=fault.pairs, seed="1", programs=fault.programs)
    assert found.violation is not None
    case = case_named(found.case, context, update.package)
    assert case.explorer is (Sagging if name == "sagging-supply" else Explorer)
    explorer = case.explorer(case.stage, update.package, "1", fault.programs)
    again, events = explorer.replay(found.violation.token)
    assert again is not None
    assert (again.invariant, again.message) == (found.violation.invariant, found.violation.message)
    assert events == found.violation.events


@long
@pytest.mark.parametrize("name", FAULTS)
def test_no_other_behaviour_finds_it(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    fault = FAULTS[name]
    update = pair_of(fault.text)
    fault.plant(monkeypatch)
    found = {
        other
        for other in BEHAVIOURS
        if play(
            other, context_of(update), update.package, pairs=fault.pairs, seed="1", programs=fault.programs
        ).violation
    }
    assert found - {TOGETHER} == {name, *fault.also} - {TOGETHER}


def test_the_page_names_every_behaviour_and_what_it_asks() -> None:
    part = PAGE_TEXT.split("## Flash that is worse")[1].split("\n## ")[0]
    rows = dict(re.findall(r"^\| `([a-z-]+)` \| (.+?) \|", part, re.MULTILINE))
    assert rows == {name: each.does for name, each in BEHAVIOURS.items()}
    flat = " ".join(part.split())
    for name, each in BEHAVIOURS.items():
        assert each.asks is None or f"`{name}`: {each.asks}" in flat, name


def test_more_operations_in_doubt_lose_what_was_installed() -> None:
    """The bound is sharp enough: one copy of a record more in doubt, and the invariants break."""
    update = pair_of(FAULTS["sagging-supply"].text.replace("page = 2048", "page = 256"))
    assert survived(update.product) == 2

    class More(Sagging):
        last = 2 + 3

    def found(how: type[Sagging]) -> int:
        played = (how(update.stage, update.package, seed, Programs()).explore(0) for seed in "12345678")
        return sum(violation is not None for violation in played)

    assert found(More) > 0
    assert found(Sagging) == 0


@pytest.mark.parametrize("text", ["Worst", "ecc", "worn-place:x", ":1", ""])
def test_other_names_are_refused(text: str) -> None:
    with pytest.raises(UsageError, match="no such behaviour"):
        named(text)


def test_a_case_that_is_none_is_refused() -> None:
    update = pair("two run slots")
    assert [case.name for case in cases("worn-place", context_of(update), update.package)] == [
        "worn-place", "worn-place:1", "worn-place:2",
    ]  # fmt: skip
    for text in ("worn-place:3", "worst"):
        with pytest.raises(UsageError, match="no device to replay on"):
            case_named(text, context_of(update), update.package)


# -- the parts themselves ------------------------------------------------------------------------------------------------


class Steady(Noise):
    """One mood for all; operations are torn at a unit or piece that is given."""

    def __init__(self, at: int, how: str = HELD) -> None:
        super().__init__("steady")
        self._at, self._how = at, how

    def below(self, limit: int) -> int:
        return min(self._at, limit - 1)

    def mood(self, key: object, size: int, *, faults: bool) -> Mood:
        return Mood(self._how, self._how, 0, b"")


def cut_flash(*names: str, at: int = 1) -> tuple[Flash, int, int]:
    """The external memory, which the plain model lets be programmed as often as one likes."""
    of = behaving(product(), *names)
    memory = next(m for m in of.memories.values() if m.kind == "flash" and not m.program_once)
    flash = Flash(of, {}, Steady(at))
    return flash, memory.write_unit, memory.page


def external(flash: Flash) -> str:
    return next(m.name for m in product().memories.values() if m.kind == "flash" and not m.program_once)


def torn_after_a_cut(*names: str) -> tuple[int, int, int]:
    """Program 4 units, then 4 more in the same page, which is cut at its second; what is torn, and unit and page."""
    flash, unit, page = cut_flash(*names)
    name = external(flash)
    flash.program(name, 0, bytes(4 * unit))
    flash.watch = lambda _operation: True
    with pytest.raises(PowerCutError):
        flash.program(name, 4 * unit, bytes(4 * unit))
    block = flash.blocks.get((name, 0))
    assert block is not None
    return block.torn, unit, page


def test_what_a_cut_tears() -> None:
    torn, unit, page = torn_after_a_cut()
    assert torn == 1 << 5
    assert torn_after_a_cut(PARALLEL)[0] == 0b1111 << 4
    assert torn_after_a_cut(PAGE)[0] == (1 << page // unit) - 1


def test_what_a_cut_has_left_faults_when_it_is_read() -> None:
    flash, unit, _ = cut_flash()
    name = external(flash)
    flash.watch = lambda _operation: True
    with pytest.raises(PowerCutError):
        flash.program(name, 0, bytes(4 * unit))
    flash.noise = Steady(0, ERROR)
    with pytest.raises(FlashReadError):
        flash.read(name, unit, unit)
    assert flash.read(name, 2 * unit, unit) == b"\xff" * unit
    of = product()
    assert [m.faults for m in of.memories.values()] == [m.program_once for m in of.memories.values()]
    assert all(m.faults for m in behaving(of, ECC).memories.values() if m.kind == "flash")


def test_a_second_program_is_a_violation() -> None:
    flash, unit, _ = cut_flash(SECOND)
    name = external(flash)
    flash.program(name, 0, bytes(unit))
    with pytest.raises(FlashRuleError, match="programmed twice"):
        flash.program(name, 0, bytes(unit))
    flash.watch = lambda _operation: True
    with pytest.raises(PowerCutError):
        flash.erase(name, 0)
    flash.watch = lambda _operation: False
    with pytest.raises(FlashRuleError, match="erase that was cut short"):
        flash.program(name, 0, bytes(unit))
    flash.erase(name, 0)
    flash.program(name, 0, bytes(unit))


def test_an_erase_in_pieces_leaves_some_erased_one_torn_and_the_others_as_they_were() -> None:
    flash, _, page = cut_flash(UNEVEN, at=2)
    name = external(flash)
    memory = flash.memory(name)
    piece = memory.erase_block // 4
    assert memory.pieces == 4
    for at in range(0, memory.erase_block, page):
        flash.program(name, at, bytes(page))
    flash.watch = lambda _operation: True
    with pytest.raises(PowerCutError):
        flash.erase(name, 0)
    block = flash.blocks.get((name, 0))
    assert block is not None
    units = piece // memory.write_unit
    assert (block.weak, block.torn) == (False, ((1 << units) - 1) << 2 * units)
    assert flash.read(name, 0, 2 * piece) == b"\xff" * 2 * piece
    assert flash.read(name, 2 * piece, 2 * piece) == bytes(2 * piece)
    flash.watch = lambda _operation: False
    flash.erase(name, 0)
    assert flash.blocks == {}
