"""A delivery that is kept in the slot of packages as it arrives, and goes on after a power cut where it had come to."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from c_build import SOURCES
from c_delivery import CHECKED, DeliveryLibrary
from c_install import NAMES, programs_with_installer
from changes import Change, package
from delivered import TWO, context, made
from long_runs import mainly
from spoilt import signed
from test_deliveries_in_c import newer
from test_store_in_c import goes_on, life, operations
from workshop import repacked

from imgseal.check.context import Context
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.product.model import Slot
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

NOR = "data in the NOR"
SMALL = 512
BOTH = Change(NOR, ("app", "phrases"), "again")


class Kept(DeliveryLibrary):
    """Keeps whatever comes in the slot of packages."""

    def install(self, device: object) -> int:
        return self.through_the_slot(device)


def with_slot(name: str, **flash: Any) -> Context:
    """A device that runs the first release, with a slot behind the others that holds packages."""
    of = context(name).product
    memory = of.memories["internal"]._replace(**flash)
    of = of._replace(memories={**of.memories, memory.name: memory})
    lies = max(slot.at + slot.size for slot in of.slots.values() if slot.memory == memory.name)
    lies = -(-lies // memory.erase_block) * memory.erase_block
    slot = Slot("package", memory.name, lies, 16 << 10, "package")
    return context(name)._replace(product=of._replace(slots={**of.slots, "package": slot}))


def library(on: Context, folder: Path, sources: Path = SOURCES, pieces: tuple[int, ...] = (700, 1, 64)) -> Kept:
    out = Kept(NOR, on.product, folder, sources, CHECKED)
    out.pieces = pieces
    return out


def newest(name: str) -> list[Change]:
    return [change for change in newer(name) if change.changed]


def every_cut(on: Context, changes: list[Change], compiled: Kept) -> str | None:
    """What is violated, by which change."""
    for change in changes:
        data = ByteView(made(change).data)
        played = rehearse(set_up(on, data), data, pairs=20, seed="1", programs=programs_with_installer(compiled))
        if played.violation is not None:
            return f"{change}: {played.violation}"
    return None


@pytest.mark.parametrize("name", mainly(NOR, [NOR, TWO]))
def test_every_cut(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Patches and plain images: every single cut, while it arrives and while it is installed, in the model as well."""
    tool("gcc")
    on = with_slot(name)
    compiled = Kept(name, on.product, tmp_path)
    compiled.pieces = (700, 1, 64)
    assert every_cut(on, newest(name), compiled) is None
    assert any(compiled.resumed)
    assert 0 in compiled.resumed
    for change in newest(name):
        data = ByteView(made(change).data)
        assert rehearse(set_up(on, data), data, pairs=0, seed="1").violation is None


FLASH: dict[str, dict[str, Any]] = {
    "small blocks": {"erase_block": SMALL, "page": SMALL},
    "unreadable when erased": {"erased": None},
}


@pytest.mark.parametrize("flash", FLASH)
def test_other_flash(flash: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    on = with_slot(NOR, **FLASH[flash])
    compiled = library(on, tmp_path)
    assert every_cut(on, [BOTH], compiled) is None
    assert any(compiled.resumed)


def wrongly_believed(compiled: Kept, on: Context) -> list[str]:
    """What of a kept part counts that should not, or does not count that should."""
    data = made(BOTH).data
    whole, start, wrong, kept = ByteView(data), set_up(on, ByteView(data)), [], {}
    for cut in range(1, 24):
        first = life(start, whole, compiled, cut)
        compiled.resumed.clear()
        goes_on(compiled, start, first, whole)
        kept[compiled.resumed[0]] = first
    first_step = data.index(decode_envelope(data).payloads["#01"].tobytes())
    if not {0, SMALL * 4} < set(kept) or any(at % SMALL for at in kept):
        wrong.append(f"kept: {sorted(kept)}")
    last = max(kept)
    places = {"signature": 60, "manifest": 200, "release": data.index(b"\x61#") + 200, "patch": first_step - 40}
    for what, at in places.items():
        assert at < last - 1, (what, at, last)
        spoiled = bytearray(data[:last])
        spoiled[at] ^= 1
        compiled.resumed.clear()
        goes_on(compiled, start, kept[last], whole, spoiled=bytes(spoiled))
        wrong += [what] if compiled.resumed[0] else []
    here = context(NOR)
    unknown = here._replace(state=here.state._replace(current={}), contents={})
    for what, change, devices in (
        ("a delivery of another release", BOTH._replace(changed=("app",)), (here,)),
        ("another delivery of the release", BOTH, (here, unknown)),
    ):
        other = made(change, *devices).data
        assert other != data
        compiled.resumed.clear()
        try:
            goes_on(compiled, start, kept[last], whole, spoiled=other[: min(len(other), last) // SMALL * SMALL])
        except ViolationError:  # it was completed from this one
            wrong.append(what)
            continue
        wrong += [what] if compiled.resumed[0] else []
    return wrong


def test_what_the_log_says_is_not_believed(tool: Callable[[str], str], tmp_path: Path) -> None:
    """What is kept goes on by whole blocks, once the release is there; a bit of it that turned, and nothing counts."""
    tool("gcc")
    on = with_slot(NOR, **FLASH["small blocks"])
    assert wrongly_believed(library(on, tmp_path, pieces=(256,)), on) == []


def by_somebody() -> bytes:
    """A package that is far longer than what stands in front of a delivery's steps."""
    return repacked(package(BOTH), by=("keys/somebody",), payloads=lambda all_: {**all_, "#z": bytes(14000)})


def refused(on: Context, data: bytes, compiled: Kept) -> tuple[str, int]:
    """The code that it is refused by, and where the last erase in the slot ends."""
    codes: list[int] = []
    install = compiled.install
    compiled.install = lambda device: codes.append(install(device)) or codes[-1]  # type: ignore[method-assign,func-returns-value]
    slot = on.product.slots["package"]
    done = operations(compiled, set_up(on, ByteView(data)), ByteView(data))
    ends = [at - slot.at for _, at, length in done if length is None and at < slot.at + slot.size - SMALL * 4]
    compiled.install = install  # type: ignore[method-assign]
    return NAMES[codes[0]], max(ends)


def kept_wrongly(folder: Path, sources: Path) -> bool:
    """For faults that are planted: whether one of these finds it."""
    on = with_slot(NOR, **FLASH["small blocks"])
    compiled = library(on, folder, sources, pieces=(256,))
    try:
        if wrongly_believed(compiled, on) or refused(on, by_somebody(), compiled)[1] > 9000:
            return True
    except (ViolationError, AssertionError, IndexError):
        return True
    compiled.pieces = (100, 1, 64)
    return every_cut(on, [BOTH], compiled) is not None


def test_what_is_refused(tool: Callable[[str], str], tmp_path: Path) -> None:
    """A package without a good signature ends where a delivery would have shown itself; a delivery when it has come."""
    tool("gcc")
    on = with_slot(NOR, **FLASH["small blocks"])
    compiled = library(on, tmp_path)
    code, end = refused(on, by_somebody(), compiled)
    assert code == "signature.wrong-key"
    assert end < 9000
    assert refused(on, signed(made(BOTH).data, by=("keys/packages",)), compiled)[0] == "signature.wrong-key"
    assert refused(on, made(BOTH).data[:-1] + b"x", compiled)[0] == "digest.patch"
    assert refused(on, made(BOTH).data, compiled)[0] == "accepted"
    assert refused(on, package(BOTH), compiled)[0] == "accepted"
