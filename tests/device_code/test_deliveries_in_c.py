"""seal_delivery.c: what the judge says of a delivery the compiled installer says, and it leaves what the package leaves."""

import re
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest
from c_boot import U32
from c_build import PLAIN, SOURCES, STRICT, run
from c_delivery import CHECKED, DeliveryLibrary
from c_install import NAMES, programs_with_installer
from changes import Change, before, changes, package
from delivered import TWO, context, made
from long_runs import mainly
from spoilt import NOR, Offer, mutated, offers, room_for
from stages import PRODUCTS
from test_install_in_c import end

from imgseal.check.judge import judge
from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.delivery import Base, Delivery, Step, decode_delivery, encode_delivery
from imgseal.limits import DELIVERY_STEPS, DELIVERY_STEPS_MOST
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.life import Life, Programs
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import read_slots, set_up
from imgseal.window import ByteView

BAR = 3301
"""Bytes of code."""


def library(
    name: str, folder: Path, sources: Path = SOURCES, flags: tuple[str, ...] = CHECKED
) -> DeliveryLibrary:  # fmt: skip
    return DeliveryLibrary(name, before(name)[0].product, folder, sources, flags)


def newer(name: str) -> Iterator[Change]:
    return (change for change in changes(name) if change.newer and change.rest == "again")


@pytest.mark.parametrize("name", mainly(TWO, PRODUCTS))
def test_every_change_under_every_cut(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    programs = programs_with_installer(library(name, tmp_path))
    for change in newer(name):
        data = ByteView(made(change).data)
        on = set_up(context(name), data)
        played = rehearse(on, data, pairs=0, seed="1", programs=programs)
        assert played.violation is None, (str(change), played.violation)


@pytest.mark.parametrize("name", mainly("data in the NOR", PRODUCTS))
def test_it_leaves_what_the_package_leaves(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Record, slots and counters are the model's after the delivery, and those after the package: no trace of its own."""
    tool("gcc")
    programs = programs_with_installer(library(name, tmp_path))
    for change in newer(name):
        small, whole = (ByteView(raw) for raw in (made(change).data, package(change)))
        for healthy in (True, False):
            left = end(set_up(context(name), small), small, programs, healthy=healthy)
            assert left == end(set_up(context(name), small), small, Programs(), healthy=healthy), str(change)
            assert left == end(set_up(context(name), whole), whole, programs, healthy=healthy), str(change)


# -- codes ----------------------------------------------------------------------------------------------------------------


def in_python(offer: Offer) -> str:
    verdict = judge(ByteView(offer.data), "x", offer.to)
    said = verdict.findings[0].code if verdict.findings else "not judged"
    return "accepted" if verdict.accepted else said.replace("unrecognised", "envelope")


def in_c(offer: Offer, compiled: DeliveryLibrary) -> tuple[str, bool]:
    """What the installer says, and whether it has changed anything that the record names."""
    data = ByteView(offer.data)
    on = set_up(offer.to, data)
    scenario = next(s for s in SCENARIOS if s.healthy and s.source)
    life = Life(on, scenario, data, Judgements(), Noise("offer"), programs_with_installer(compiled))
    try:
        life.run(known=set())
    except ViolationError as error:
        if "was there to the end" not in str(error):
            raise
    codes = [event.removeprefix("install: ") for event in life.device.events if event.startswith("install: ")]
    record, slots = read_slots(on.facts.product, life.moment())
    first, as_before = read_slots(on.facts.product, on.moment)
    assert record is not None
    assert first is not None
    said = "accepted" if codes[0] in ("delivered", "device.nothing-new") else codes[0]
    return said, record.current != first.current or (said in UNTOUCHED and slots != as_before)


UNTOUCHED = ("digest.base", "digest.patch")
"""What is found before anything is erased, for the first component that changes."""


def otherwise(all_: Iterable[Offer], compiled: DeliveryLibrary) -> str | None:
    """The first offer of which the installer says something else than the judge, or than is wanted."""
    for offer in all_:
        try:
            said, changed = in_c(offer, compiled)
        except ViolationError as error:
            return f"{offer.name}: {error}"
        judged = in_python(offer)
        if judged == "structure.envelope" and not offer.code and said != "accepted":
            judged = (
                said  # what is no delivery by its first members is judged as it streams in, up to where it is broken
            )
        wanted = {said, judged, offer.code or said}
        if len(wanted) > 1 or (said != "accepted" and changed):
            return f"{offer.name}: {sorted(wanted)}, changed {changed}"
    return None


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_it_says_what_the_judge_says(compiler: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Every offer, and deliveries that were changed anywhere and mostly signed again."""
    tool(compiler)
    kind = type("Other", (DeliveryLibrary,), {"compiler": compiler})
    compiled = kind(TWO, before(TWO)[0].product, tmp_path)
    every = list(offers())
    assert len(every) > 60
    assert len({offer.code for offer in every}) > 15
    assert otherwise(every, compiled) is None
    assert otherwise(mutated(compiler, 60), compiled) is None


def test_with_every_address_checked(tool: Callable[[str], str]) -> None:
    tool("gcc")
    said = run([sys.executable, Path(__file__).parent / "fuzz_delivery.py", "checked", "30"])
    assert "0 otherwise" in said


@pytest.mark.parametrize("steps", [1, 11, 25, DELIVERY_STEPS_MOST])
def test_as_many_steps_as_there_is_room_for(steps: int, tool: Callable[[str], str], tmp_path: Path) -> None:
    """As the product file says it: device and judge take no more, and every one up to there."""
    tool("gcc")
    of = before(TWO)[0].product._replace(delivery_steps=steps)
    assert otherwise(room_for(steps), DeliveryLibrary(TWO, of, tmp_path)) is None


def test_the_longest_manifests_have_room() -> None:
    """Of every number of steps, with the longest value of everything: each for a component of its own, two, or all."""
    text = (SOURCES / "seal_delivery.h").read_text()
    found = re.search(r"SEAL_DELIVERY_BYTES \((\d+)u \+ (\d+)u \* SEAL_DELIVERY_STEPS\)", text)
    assert found is not None
    fixed, each = map(int, found.groups())
    assert f"#define SEAL_DELIVERY_STEPS {DELIVERY_STEPS}u " in text
    longest = 0
    for count in range(DELIVERY_STEPS_MOST + 1):
        for together in (1, 2, 128):
            steps = tuple(
                Step(
                    OurComponent(1 + number // together, 255, header=False), "patch", 0xFFFF_FFFF, bytes(32),
                    Base(0xFFFF_FFFF, bytes([*bytes(31), number])),
                )
                for number in range(count)
            )  # fmt: skip
            data = encode_delivery(Delivery(0xFFFF_FFFF, bytes(32), bytes(16), bytes(16), steps))
            assert decode_delivery(data).steps == steps
            assert len(data) <= fixed + each * count, (count, together)
            longest = max(longest, len(data) - each * count)
    assert longest > fixed - 64


def test_a_package_is_taken_as_ever(tool: Callable[[str], str], tmp_path: Path) -> None:
    """Where deliveries are taken, what is stored may be a package."""
    tool("gcc")
    change = next(newer(TWO))
    offer = Offer("package", package(change), context(TWO), "accepted")
    assert otherwise([offer], library(TWO, tmp_path)) is None


class Asks(DeliveryLibrary):
    """Asks for the image of each component, once the bootloader is to go on."""

    said: dict[int, str]

    def install(self, device: Any) -> int:
        code = super().install(device)
        self.library.shim_ask.restype = U32
        if not self.said:
            self.said = {n: NAMES[self.call("shim_ask", n)] for n in self.of.numbers}
        return code


def answered(name: str, change: Change, folder: Path, sources: Path = SOURCES) -> dict[int, str]:
    """What is answered for each component, by number."""
    Asks.said = {}
    compiled = Asks(name, before(name)[0].product, folder, sources)
    assert in_c(Offer(name, made(change).data, context(name), "accepted"), compiled)[0] == "accepted"
    return compiled.said


ASKED = {
    TWO: (Change(TWO, ("app", "radio"), "again"), {1: "placement.no-slot", 2: "placement.no-slot"}),
    NOR: (Change(NOR, ("app", "phrases"), "again"), {1: "placement.no-slot", 3: "read"}),
}


@pytest.mark.parametrize("name", ASKED)
def test_the_bootloader_asks(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Of a patch nothing can be handed to it; a plain image without a second place lies in the delivery."""
    tool("gcc")
    change, answers = ASKED[name]
    assert answered(name, change, tmp_path) == answers


# -- size -----------------------------------------------------------------------------------------------------------------


def test_its_size(tool: Callable[[str], str], tmp_path: Path, record_property: Callable[[str, object], None]) -> None:
    """On a Cortex-M0+ at -Os: nothing where the option is off, no state of its own, and a bar where it is on."""
    tool("arm-none-eabi-gcc")
    sizes = []
    for option in ((), ("-DSEAL_PATCHES",)):
        target = tmp_path / "seal_delivery.o"
        flags = ("-mcpu=cortex-m0plus", "-mthumb", "-Os", f"-I{PLAIN}", f"-I{SOURCES}", *option)
        run(["arm-none-eabi-gcc", *STRICT, *flags, "-c", SOURCES / "seal_delivery.c", "-o", target])
        code, data, bss = map(int, run(["arm-none-eabi-size", target]).splitlines()[1].split()[:3])
        assert data == bss == 0
        sizes.append(code)
    assert sizes[0] == 0
    assert sizes[1] <= BAR
    record_property("bytes of seal_delivery.c", sizes[1])
