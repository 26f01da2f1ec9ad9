"""Packages that come by a link to the compiled installer: whatever the link does, and wherever the power fails, the end is that of one piece.

Pieces of any size come twice, out of order, of another package, or not at all; the link breaks and the device is reset.
"""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from c_build import SOURCES
from c_way import Play, Transfer, WayLibrary, by_c, by_the_model, transfer, way_of, with_a_slot
from long_runs import long
from receivers import AFTER_A_RESET, RECEIVERS, Stubborn
from stages import PRODUCTS, pair_of, text_of
from test_install_in_c import STORED, _content, free_slots
from test_planted_in_c import planted

from imgseal.rehearse.contents import Block, Contents
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.life import Life, Moment
from imgseal.rehearse.link import Event, Receiver, Way, drawn
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.stage import read_slots

CHECKED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")
KEPT = {
    f"{name}, kept in {where}": with_a_slot(text_of(name), where) for name in STORED for where in ("nor", "internal")
}
TEXTS = {**{name: text_of(name) for name in PRODUCTS if name not in STORED}, **KEPT}
LINKS = 3
"""Links that are drawn for each row."""

Noted = list[tuple[bytes | None, int]]


def made(name: str) -> Transfer:
    return transfer(pair_of(TEXTS[name]), TEXTS[name])


def state(life: Life) -> tuple[object, ...]:
    """What a life leaves, but for how often the record was written."""
    moment = life.moment()
    record, slots = read_slots(life.device.product, moment)
    counters = {number: value for number, value in moment.counters.items() if value}
    return _content(record), slots, counters, moment.tried, moment.healthy


class Player:
    """Plays ways on one device with some programs, and says what is left."""

    def __init__(
        self, of: Transfer, play: Play, *, healthy: bool = True, turns: int | None = None, bits: int = 1
    ) -> None:
        self.of = of
        self.bits = bits  # so many, one after the other
        self.turns = turns  # bits turn in so many bytes of what is kept, else in all of its first block
        self.play = play
        self.scenario = SCENARIOS[0 if healthy else 2]
        self.judgements = Judgements()

    def life(self, way: Way, moment: Moment, seed: str, cut: int | None = None) -> Life:
        out = Life(
            self.of.stage._replace(moment=moment), self.scenario, way.whole if way.complete else None, self.judgements,
            Noise(f"{seed} reads"), self.play(way),
        )  # fmt: skip
        out.run(known=set(), cut=cut, tear=Noise(f"{seed} tear"))
        return out

    def undisturbed(self, events: tuple[Event, ...] = ()) -> tuple[tuple[object, ...], Noted, int]:
        """What is left, what the receiver had after each event, and how many operations it took."""
        way = way_of(self.of, events)
        life = self.life(way, self.of.stage.moment, "uncut")
        return free_slots(self.of.stage, state(life)), way.noted, life.operations

    def cut(self, events: tuple[Event, ...], number: int) -> Iterator[tuple[object, ...]]:
        """What is left after a cut: once; with another cut behind it; with a bit turned in what is kept."""
        seed = f"{number} {len(events)}"
        for twice, spoiled in ((False, 0), (True, 0), *((False, 1 + bit) for bit in range(self.bits))):
            way = way_of(self.of, events)
            last = self.life(way, self.of.stage.moment, seed, number)
            if spoiled:
                moment = None if way.complete else self.turned(last.moment(), Noise(f"{seed} {spoiled}"))
                if moment is None:
                    continue
            else:
                moment = last.moment()
            if twice:
                last = self.life(way, moment, f"{seed} again", Noise(seed).below(60))
                moment = last.moment()
            if last.was_cut:
                last = self.life(way, moment, f"{seed} then")
            yield free_slots(self.of.stage, state(last))

    def turned(self, moment: Moment, noise: Noise) -> Moment | None:
        """The moment with one bit of the first kept block turned; None where nothing whole is kept."""
        slot = self.of.stage.facts.product.slot_holding("package")
        if slot is None:
            return None
        size = self.of.stage.facts.product.memories[slot.memory].erase_block
        key = slot.memory, slot.at // size
        blocks = Contents.of(moment.blocks)
        block = blocks.get(key)
        if block is None or not block.firm:
            return None
        data = bytearray(block.data)
        data[noise.below(self.turns or size)] ^= 1 << noise.below(8)
        blocks[key] = Block(bytes(data), block.done, 0, False)
        return moment._replace(blocks=blocks)


class Wrong(NamedTuple):
    """A link under which the end is another one: which, the operation that was cut, and why."""

    link: str
    cut: int | None
    why: str


def wrong(player: Player, links: dict[str, tuple[Event, ...]], model: Player | None = None) -> Wrong | None:
    """The first link, uncut and then cut everywhere, that leaves something else than the package in one piece."""
    wanted: object = None
    for link, events in {"in one piece": (), **links}.items():
        cut = None
        try:
            ended, noted, count = player.undisturbed(events)
            wanted = wanted or ended
            if ended != wanted:
                return Wrong(link, None, "end")
            if model is not None and model.undisturbed(events)[:2] != (wanted, noted):
                return Wrong(link, None, "model")
            for cut in range(count if events else 0):
                for after in player.cut(events, cut):
                    if after != wanted:
                        return Wrong(link, cut, "end")
        except ViolationError as error:
            return Wrong(link, cut, str(error))
    return None


_BOTH = Event("on", 0, 4100), Event("astray", 1, 40), Event("on", 0, 60), Event("on", 1, 4150), Event("reset")
STATED = {
    "nearly all of another": (Event("on", 1, 100_000), Event("reset"), Event("on", 0, 40)),
    "in two parts": (Event("on", 0, 4200), Event("reset"), Event("on", 0, 20)),
    **{f"both, then {package}": (*_BOTH, Event("on", package, 40)) for package in (0, 1)},
}
"""All of another package but its last byte; more of one than an erase block, of each in turn, then one of them."""


def links(name: str, share: int) -> dict[str, tuple[Event, ...]]:
    some = {f"{name} {n}": drawn(f"{name} {n}") for n in range(share * LINKS, (share + 1) * LINKS)}
    return some if share else {**STATED, **some}


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize(
    ("healthy", "share"),
    [(True, 0), *(pytest.param(healthy, share, marks=long) for healthy, share in ((False, 0), (True, 1), (True, 2)))],
)
def test_the_end_is_that_of_one_piece(
    name: str, share: int, *, healthy: bool, tool: Callable[[str], str], tmp_path: Path
) -> None:
    """Uncut, it is also that of the model, which has as much of the package after each event."""
    tool("gcc")
    of = made(name)
    library = WayLibrary(of.stage.facts.product, tmp_path, flags=CHECKED)
    model = Player(of, by_the_model(of), healthy=healthy)
    assert wrong(Player(of, by_c(library), healthy=healthy), links(name, share), model) is None
    assert library.slot is None or any(library.resumed)


FAULTS = [
    ("log believed", "look(s, s->complete * s->block) != SEAL_ACCEPTED || !i->judged", "(look(s, s->complete * s->block), !i->judged)"),
    ("log not erased", "        code = erase_range(b, s->slot.base + s->room, s->slot.size - s->room);\n", ""),
    ("anew, and the installer goes on", "    look_only(s->install);\n    s->complete = 0;", "    s->complete = 0;"),
    ("anew, and the position stays", "    s->complete = 0;\n    s->position = 0;\n    s->fill = 0;\n    s->notes", "    s->complete = 0;\n    s->fill = 0;\n    s->notes"),
    ("anew, and the page goes on", "    s->position = 0;\n    s->fill = 0;\n", "    s->position = 0;\n"),
    ("anew, and the log goes on", "    s->fill = 0;\n    s->notes = NO_LOG;\n#ifdef", "    s->fill = 0;\n#ifdef"),
]  # fmt: skip
KEEPS = "recovery image, kept in nor"
IN_FRONT = 2900
"""Bytes of the package in which all payloads are complete with its first block that this device takes."""
STREAMS = "two run slots"


def kept_wrongly(folder: Path, sources: Path = SOURCES) -> Wrong | None:
    """Bits turn where the look after a reset has to see them: an application need not begin again."""
    of = made(KEEPS)
    library = WayLibrary(of.stage.facts.product, folder, sources, ("-O1", "-w"))
    player = Player(of, by_c(library, Stubborn), turns=IN_FRONT, bits=8)
    return wrong(player, links(KEEPS, 0), Player(of, by_the_model(of)))


def test_what_the_look_sees(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert kept_wrongly(tmp_path) is None


@pytest.mark.parametrize(("fault", "old", "new"), FAULTS, ids=[row[0] for row in FAULTS])
def test_a_fault_in_c_is_found(fault: str, old: str, new: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert kept_wrongly(tmp_path, planted(tmp_path, "seal_store.c", old, new)) is not None, fault


IN_THE_INSTALLER = [
    ("another package goes on", "PHASE_DELIVERING && seal_differ(r + R_TARGET_DIGEST, i->package.digest, 32) == 0)", "PHASE_DELIVERING)"),
    ("what another package brought counts", "    clear(r + R_ATTEMPTS, 14);  /* starts, prepared, kept and placed stand side by side */\n", ""),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "old", "new"), IN_THE_INSTALLER, ids=[row[0] for row in IN_THE_INSTALLER])
def test_a_fault_of_the_installer_is_found(
    fault: str, old: str, new: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    """Of two components one comes as a whole with the other package."""
    tool("gcc")
    of = made("two cores")
    sources = planted(tmp_path, "seal_install.c", old, new)
    library = WayLibrary(of.stage.facts.product, tmp_path, sources, ("-O1", "-w"))
    assert wrong(Player(of, by_c(library)), STATED, Player(of, by_the_model(of))) is not None, fault


@pytest.mark.parametrize(
    ("name", "receiver"),
    [(KEEPS, each) for each in RECEIVERS] + [(STREAMS, each) for each in RECEIVERS if each not in AFTER_A_RESET],
)
def test_a_fault_of_the_application_is_found(
    name: str, receiver: type[Receiver], tool: Callable[[str], str], tmp_path: Path
) -> None:
    """The code refuses what is put together wrongly, so that the end is often right: what was there meanwhile is not."""
    tool("gcc")
    of = made(name)
    player = Player(of, by_c(WayLibrary(of.stage.facts.product, tmp_path, flags=("-O1", "-w")), receiver), bits=8)
    assert wrong(player, links(name, 0), Player(of, by_the_model(of))) is not None
