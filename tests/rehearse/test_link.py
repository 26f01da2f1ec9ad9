"""Links that are drawn, in the model: whatever they do, the installer is handed the package and nothing else."""

import pytest
from receivers import RECEIVERS, Stubborn
from stages import text_of

from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.rehearse.arrival import Arriving, Kept
from imgseal.rehearse.link import ACCEPTED, Event, Receiver, Sent, Way, drawn
from imgseal.rehearse.noise import Noise
from imgseal.window import Bytes, ByteView

SLOT = '[slot.package]\nmemory = "internal"\nat = 0x8000\nsize = "16 KiB"\nholds = "package"\n'
STREAMED, KEPT = (read(text_of("two run slots") + slot, name="imgseal.toml") for slot in ("", SLOT))
PACKAGE, OTHER = (Sent(name, ByteView(Noise(name.decode()).octets(6000))) for name in (b"this", b"that"))
FRONTS = {PACKAGE.digest: 700, OTHER.digest: 2500}
LINKS = 400


def handed(of: Product, events: tuple[Event, ...], receiver: type[Receiver] = Receiver) -> tuple[bytes, list[int]]:
    """What the installer gets, and what was there after each reset."""
    got: list[bytes] = []

    def install(data: Bytes) -> str:
        got.append(bytes(data.read(0, data.size)))
        return "delivered"

    way, kept, there = Way(events, (PACKAGE, OTHER), pieces=1000), Kept(), []
    for _ in range(len(events) + 1):
        taking = Arriving(of, FRONTS, kept, install)
        there.append(taking.begin()[1])
        receives = receiver(taking)
        if way.goes_on(receives):
            if receives.code == ACCEPTED:
                taking.finish()
            break
        kept = taking.kept
    return b"".join(got), there


@pytest.mark.parametrize("of", [STREAMED, KEPT], ids=["streamed", "kept"])
def test_whatever_the_link_does(of: Product) -> None:
    whole = PACKAGE.data.read(0, PACKAGE.data.size)
    went_on = 0
    for number in range(LINKS):
        got, there = handed(of, drawn(str(number)))
        assert got == whole, number
        went_on += sum(map(bool, there))
    assert (went_on > 20) == (of is KEPT)


def test_links_do_all_that_they_may() -> None:
    events = [event for number in range(LINKS) for event in drawn(str(number))]
    assert {event.kind for event in events} == {"on", "again", "ahead", "astray", "lost", "breaks", "reset"}
    assert {event.package for event in events if event.kind == "astray"} == {1}
    pieces = [event.package for event in events if event.kind in ("on", "again", "ahead")]
    assert 0.25 < sum(pieces) / len(pieces) < 0.45  # every third
    assert drawn("1") == drawn("1") != drawn("2")


def test_what_a_reset_leaves() -> None:
    """Whole erase blocks, once the front of the package is among what was written."""
    on, off = Event("on", 0, 2047), Event("reset")
    other = Event("on", 1, 2100), Event("on", 1, 2000)
    assert handed(KEPT, (on, off))[1] == [0, 0]
    assert handed(KEPT, (on, Event("on", 0, 1), off, Event("on", 0, 2049), off))[1] == [0, 2048, 4096]
    assert handed(KEPT, (other[0], off))[1] == [0, 0]
    assert handed(KEPT, (*other, off))[1] == [0, 4096]
    assert handed(KEPT, (on, Event("on", 0, 1), off, Event("on", 1, 1), off))[1] == [0, 2048, 0]
    assert handed(STREAMED, (on, Event("on", 0, 2049), off))[1] == [0, 0]


@pytest.mark.parametrize("receiver", [each for each in RECEIVERS if each is not Stubborn])
def test_a_fault_of_the_application_is_found(receiver: type[Receiver]) -> None:
    whole = PACKAGE.data.read(0, PACKAGE.data.size)
    assert any(handed(KEPT, drawn(str(number)), receiver)[0] != whole for number in range(LINKS))
