"""A rehearsal spread over processes and machines: the same from one process, several, and Dask workers.

Reference: the run in one process.
"""

import pickle
from collections.abc import Iterator
from pathlib import Path

import pytest
from demo_update import demo_update
from large_data import first_release
from stages import pair
from test_gate_spread import Cluster, cluster  # noqa: F401 - a fixture
from test_planted_faults import FAULTS
from test_rehearse_command import ONE, TWO, shipped  # noqa: F401 - a fixture
from workshop import Imgseal

from imgseal.rehearse.explore import Cuts, Explorer, Outcome, in_turn
from imgseal.rehearse.forecast import Forecast
from imgseal.rehearse.life import Programs
from imgseal.rehearse.play import rehearse


def elsewhere(work: object, explorer: Explorer, pieces: list[Cuts]) -> Iterator[Outcome]:
    """Each piece on a machine of its own, the last one first; nothing but bytes goes there and back."""
    sent = [pickle.dumps((work, explorer, piece)) for piece in pieces]
    answers = []
    for data in reversed(sent):
        there, shared, piece = pickle.loads(data)
        answers.append(pickle.dumps(there(piece, shared)))
    return (pickle.loads(answer) for answer in reversed(answers))


def test_nothing_depends_on_who_plays() -> None:
    """The demo's update has twenty pieces: counts, states and second cuts are those of one process."""
    stage, package = demo_update()
    said = []
    for spread in (in_turn, elsewhere):
        explorer = Explorer(stage, package, "1", Programs())
        done: list[tuple[int, int]] = []
        assert explorer.explore(300, lambda *now, done=done: done.append(now), spread) is None
        said.append((vars(explorer.tally), done))
    assert said[0] == said[1]
    assert len(said[0][1]) > 20
    assert said[0][1][-1] == (300, 300)


@pytest.mark.parametrize("name", ["old record erased first", "attempt not recorded", "half gone back"])
def test_the_first_violation_is_the_first_on_any_machine(name: str) -> None:
    fault = FAULTS[name]
    stage, package = pair(fault.product).stage, pair(fault.product).package
    found = [
        rehearse(stage, package, pairs=None, seed="1", programs=fault.programs, spread=spread).violation
        for spread in (in_turn, elsewhere)
    ]
    assert found[0] == found[1] is not None


def test_any_number_of_processes_says_the_same(imgseal: Imgseal, shipped: Path) -> None:  # noqa: F811
    arguments = ("rehearse", TWO, "--previous", ONE, "--pairs", "600", "--json")
    alone = imgseal(*arguments, "--jobs", "1")
    assert alone.status == 0, alone.err
    for jobs in ((), ("--jobs", "2"), ("--jobs", "3")):
        assert imgseal(*arguments, *jobs) == alone
    said = imgseal(*arguments, "--jobs", "2", "--workers", "tcp://127.0.0.1:9")
    assert (said.status, "--jobs is for this machine" in said.err) == (2, True)


@pytest.mark.filterwarnings("default")  # Dask's own
def test_dask_workers_say_the_same(imgseal: Imgseal, shipped: Path, cluster: Cluster) -> None:  # noqa: F811
    arguments = ("rehearse", TWO, "--previous", ONE, "--pairs", "600", "--json")
    there = imgseal(*arguments, "--workers", cluster.address)
    assert there.status == 0, there.err
    assert there.out == imgseal(*arguments, "--jobs", "1").out


@pytest.mark.parametrize("size", [None, 1 << 20])
def test_what_is_foreseen_is_about_what_comes(size: int | None) -> None:
    """Lives exactly, those that are played within a factor of two, before any of them begins."""
    stage, package = demo_update() if size is None else first_release(size)
    said: list[Forecast] = []
    explorer = Explorer(stage, package, "1", Programs())

    def announce(forecast: Forecast) -> None:
        assert explorer.tally.singles == 0
        said.append(forecast)

    assert explorer.explore(0, announce=announce) is None
    (foreseen,) = said
    assert foreseen.lives == explorer.tally.singles
    assert explorer.tally.played / 2 < foreseen.played < 2 * explorer.tally.played
    assert foreseen.held > 3 * package.size
    assert foreseen.memory(1) < foreseen.memory(2) < foreseen.memory(4)
    assert foreseen.seconds(2.0, 2) == foreseen.seconds(1.0, 1)
