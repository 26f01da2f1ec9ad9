"""A device waits in the middle of an update, and is given another package: what was half erased is not trusted by it.

A block whose erase was cut short reads as before here until it is erased again, which is where it does most harm. The
oracle looks at the flash itself: what a set holds that starts has to lie there so that every read gives it.
"""

from collections.abc import Iterator

import pytest
from long_runs import mainly
from stages import PRODUCTS, Pair, files, newer, pair, small
from workshop import make

from imgseal.check.context import Context
from imgseal.rehearse.adversary import At, Script
from imgseal.rehearse.boot import SET, Bootloader
from imgseal.rehearse.contents import Contents
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.life import Life, Moment, Programs, Scenario, Stage
from imgseal.rehearse.oracle import Oracle, ViolationError
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

SWITCHED = [name for name, text in PRODUCTS.items() if "staging" in text or "phrases" in text]
"""The products of which a run slot is rewritten that has no second one."""

TEARS = At(0), At(10_000)
"""A program call is torn in its first unit, or in its last one."""

MODEL = Programs()

LOST = Scenario(healthy=True, source=False)


class Silent(Oracle):
    """Says nothing: how the device comes to wait is not what is looked at."""

    def started(self, *_: object, **__: object) -> None: ...
    def ended(self, *_: object, **__: object) -> None: ...


def without_copies(of: Pair, moment: Moment) -> Moment:
    """The moment with staging and keep slots erased, so that there is no way on and none back."""
    blocks = Contents.of(moment.blocks)
    for component in of.product.components.values():
        for name in (component.staging, component.keep):
            if name is None:
                continue
            slot = of.product.slots[name]
            size = of.product.memories[slot.memory].erase_block
            for number in range(slot.at // size, (slot.at + slot.size) // size):
                blocks.pop((slot.memory, number), None)
    return moment._replace(blocks=blocks)


def waiting(of: Pair, programs: Programs) -> Iterator[Moment]:
    """Every cut of the update after which the device waits, its package lost, and all copies of images."""
    stage = of.stage._replace(oracle=Silent(of.product, of.stage.oracle.promise))
    for tear in TEARS:
        cut = 0
        while True:
            first = Life(stage, LOST, of.package, Judgements(), Script({}), programs)
            first.run(known=set(), cut=cut, tear=tear)
            if not first.was_cut:
                break
            then = stage._replace(moment=without_copies(of, first.moment()))
            after = Life(then, LOST, None, Judgements(), Script({}), programs)
            after.run_session()
            if after.started is not None and after.started.what != SET:
                yield after.moment()
            cut += 1


def lives(stage: Stage, package: ByteView, programs: Programs) -> Iterator[Life]:
    """The lives with a package: uncut, and cut at each operation, with the package there and lost afterwards."""
    judgements = Judgements()
    for tear in TEARS:
        cut = 0
        while True:
            life = Life(stage, LOST._replace(source=True), package, judgements, Script({}), programs)
            life.run(known=set(), cut=cut, tear=tear)
            if not life.was_cut:
                yield life
                break
            for source in (package, None):
                after = Life(
                    stage._replace(moment=life.moment()), LOST._replace(source=source is not None), source, judgements,
                    Script({}), programs,
                )  # fmt: skip
                after.run(known=set())
                yield after
            cut += 1


def given_another(name: str, programs: Programs = MODEL) -> tuple[int, int]:
    """Give every waiting device other packages; how many devices waited, and how many lives were played."""
    of = pair(name)
    again = make(small(name, release__sequence="7"), files=files(of.product, "one"))
    later = make(small(name, **{**newer(of.product), "release__sequence": "7"}), files=files(of.product, "three"))
    devices = {Contents.of(moment.blocks).sum_of(None): moment for moment in waiting(of, programs)}
    played = 0
    for package in (ByteView(again.package), ByteView(later.package)):
        stage = set_up(Context(of.product, of.first.trust, of.state, of.contents), package)
        promise = stage.oracle.promise._replace(old=None, way_back=False)
        stage = stage._replace(oracle=Oracle(of.product, promise))
        for moment in devices.values():
            played += sum(1 for _ in lives(stage._replace(moment=moment), package, programs))
    return len(devices), played


@pytest.mark.parametrize("name", mainly("data in the NOR", SWITCHED))
def test_another_package(name: str) -> None:
    devices, played = given_another(name)
    print(f"{name}: {devices} devices wait, {played} lives with another package")
    assert devices


@pytest.mark.parametrize("name", ["two cores", "data in the NOR"])
def test_what_it_leaves_alone_does_not_start(name: str) -> None:
    """The package brings another component, and not the one whose run slot is half erased."""
    of = pair(name)
    later = {**newer(of.product), "release__sequence": "7"}
    package = ByteView(make(small(name, **later), files=files(of.product, "three", only=("app",))).package)
    stage = set_up(Context(of.product, of.first.trust, of.state, of.contents), package)
    stage = stage._replace(oracle=Silent(of.product, stage.oracle.promise))
    moments = list(waiting(of, Programs()))
    assert moments
    for moment in moments:
        for life in lives(stage._replace(moment=moment), package, Programs()):
            assert life.started is not None
            assert life.started.what != SET


class Trusting(Bootloader):
    """Hands on what the record names."""

    def forget_touched(self) -> None:
        pass


@pytest.mark.parametrize("name", mainly("data in the NOR", SWITCHED))
def test_what_reads_as_before_is_not_trusted(name: str) -> None:
    with pytest.raises(ViolationError):
        given_another(name, Programs(bootloader=Trusting))
