"""Payloads that come as patches, under the power-cut rehearsal: the compiled installer makes them from what runs.

What has to hold is what holds for a package with its payloads: the oracle is that of imgseal/rehearse/oracle.py. Each test
asks a function for what is wrong, and each planted fault has to be found by one of them.
"""

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest
from c_boot import CODE
from c_install import NAMES, programs_with_installer
from c_patches import FORMS, Begins, PatchLibrary, Sent, of_pair, sent
from changes import RESIGNED, SETTLED, before, changes, device, package, starts
from long_runs import every_fifth, mainly
from stages import PRODUCTS, Pair, installed, pair
from test_install_in_c import CHECKED, STORED, end, free_slots
from test_planted_in_c import planted

from imgseal.check.context import Context
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.life import Life, Programs
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.oracle import ViolationError
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import read_slots, set_up
from imgseal.window import ByteView

STREAMED = [name for name in PRODUCTS if name not in STORED]
TWO, STAGED, DETACHED, HEADS, NOR = (
    "two run slots", "staged outside, kept", "detached, two run slots", "detached, staged and kept", "data in the NOR",
)  # fmt: skip


# -- cuts -----------------------------------------------------------------------------------------------------------------


def cut_wrongly(name: str, library: PatchLibrary, pairs: int = 200) -> str | None:
    update = pair(name)
    programs = programs_with_installer(library)
    played = rehearse(update.stage, update.package, pairs=pairs, seed="p", programs=programs)
    return None if played.violation is None else str(played.violation)


@pytest.mark.parametrize("form", mainly("patch", FORMS))
@pytest.mark.parametrize("name", STREAMED)
def test_every_cut(name: str, form: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    library = PatchLibrary(of_pair(pair(name)), tmp_path, form, flags=CHECKED)
    assert cut_wrongly(name, library) is None
    assert library.made
    assert all((each.base_size > 0, each.plain) == (form == "patch", form == "plain") for each in library.made.values())


# -- ends -----------------------------------------------------------------------------------------------------------------


def ends_wrongly(name: str, library: PatchLibrary) -> str | None:
    """What stays, again or with other signatures; settled, unproven, and with a damaged image, of which no patch is made."""
    shop = before(name)[0]
    two_slots = any(len(each.run) > 1 for each in shop.product.components.values())
    for start in starts(name):
        for change in changes(name):
            if change.rest == RESIGNED and two_slots:
                continue  # the build for the slot that runs, which says that nothing is new, is not sent
            state, contents = device(name, start)
            library.begins = Begins(shop.product, shop.package, state, contents)
            data = ByteView(package(change))
            stage = set_up(Context(shop.product, shop.trust, state, contents), data)
            for healthy in (True, False):
                try:
                    ended = end(stage, data, programs_with_installer(library), healthy=healthy)
                except ViolationError as error:
                    return f"{start}, {change}: {error}"
                if free_slots(stage, ended) != free_slots(stage, end(stage, data, Programs(), healthy=healthy)):
                    return f"{start}, {change}"
    return None


def began(name: str, folder: Path, sources: Path | None = None, flags: tuple[str, ...] = CHECKED) -> PatchLibrary:
    shop = before(name)[0]
    begins = Begins(shop.product, shop.package, *device(name, SETTLED))
    return PatchLibrary(begins, folder, sources=sources, flags=flags)


@pytest.mark.parametrize("name", mainly("two cores", STREAMED))
def test_whatever_is_changed(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert ends_wrongly(name, began(name, tmp_path)) is None


# -- refusals -------------------------------------------------------------------------------------------------------------


def other(data: bytes, at: int = 0) -> bytes:
    return data[:at] + bytes((data[at] ^ 1,)) + data[at + 1 :]


def signed(each: Sent, stream: bytes) -> Sent:
    """Another stream, and its digest."""
    return each._replace(stream=stream, stream_digest=hashlib.sha256(stream).digest())


SPOILT: dict[str, tuple[str, Callable[[Sent], Sent]]] = {
    "another base": ("digest.base", lambda each: each._replace(base_digest=other(each.base_digest))),
    "less of the base": ("digest.base", lambda each: each._replace(base_size=each.base_size - 1)),
    "all of the address space": ("digest.base", lambda each: each._replace(base_size=0xFFFF_FFFF)),
    "another patch": ("digest.patch", lambda each: each._replace(stream=other(each.stream))),
    "a cut patch": ("digest.patch", lambda each: each._replace(stream=each.stream[:-1])),
    "no patch": ("digest.patch", lambda each: each._replace(stream=b"")),
    "base and patch": (
        "digest.base",
        lambda each: each._replace(base_digest=other(each.base_digest), stream=each.stream[:-1]),
    ),
    "version 3": ("structure.patch", lambda each: signed(each, b"\x03" + each.stream[1:])),
    "ends early": ("structure.patch", lambda each: signed(each, each.stream[:-1])),
    "goes on": ("structure.patch", lambda each: signed(each, each.stream + b"\x01")),
    "a zero behind": ("structure.patch", lambda each: signed(each, each.stream + b"\x00")),
    "nothing, signed": ("structure.patch", lambda each: signed(each, b"")),
}
UNTOUCHED = ("digest.base", "digest.patch")


def life_of(update: Pair, library: PatchLibrary) -> Life:
    """A device that is offered it to the end, and goes on with what runs: no other rule of the oracle is broken."""
    scenario = next(s for s in SCENARIOS if s.healthy and s.source)
    life = Life(update.stage, scenario, update.package, Judgements(), Noise("spoilt"), programs_with_installer(library))
    try:
        life.run(known=set())
    except ViolationError as error:
        if "was there to the end, and its set is not" not in str(error):
            raise
    return life


def said_otherwise(update: Pair, library: PatchLibrary, code: str) -> str | None:
    """What is wrong where a code is wanted; nothing is erased before base and patch are those that were signed."""
    try:
        life = life_of(update, library)
    except ViolationError as error:
        return str(error)
    if set(life.device.events) != {f"install: {code}"}:
        return str(life.device.events)
    record, slots = read_slots(update.product, life.moment())
    first, as_before = read_slots(update.product, update.stage.moment)
    if record is None or first is None or record.current != first.current:
        return "the set is another one"
    return "something was written" if code in UNTOUCHED and slots != as_before else None


def refused_wrongly(name: str, library: PatchLibrary) -> str | None:
    update = pair(name)
    for what, (code, spoil) in SPOILT.items():
        library.spoil = spoil
        wrong = said_otherwise(update, library, code)
        if wrong:
            return f"{what}: {wrong}"
    return None


@pytest.mark.parametrize("name", mainly(TWO, STREAMED))
def test_what_is_refused(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    """Each with a code of its own."""
    tool("gcc")
    assert refused_wrongly(name, PatchLibrary(of_pair(pair(name)), tmp_path, flags=CHECKED)) is None


def always(what: Sent) -> Callable[[Sent], Sent]:
    return lambda _each: what


def made_wrongly(library: PatchLibrary) -> str | None:
    """Another image of the same size: behind the statement by the digest, within it by what it says. Plain of another size."""
    update = pair(TWO)
    new = bytes(decode_envelope(update.second.package).payloads["#app-b"])
    base = library.bases[0]
    for at, code in ((600, "digest.result"), (len(new) - 1, "digest.result"), (0, "structure.payload-not-sealed")):
        for form in FORMS:
            library.spoil = always(sent(other(new, at), base, form))
            wrong = said_otherwise(update, library, code)
            if wrong:
                return f"{form}, byte {at}: {wrong}"
    for made in (new[:-1], new + b"\xff", new[:200], b""):
        library.spoil = always(sent(made, None, "plain"))
        wrong = said_otherwise(update, library, "digest.result")
        if wrong:
            return f"plain, {len(made)} bytes: {wrong}"
    around = base + b"\xff" * (2049 - len(base))  # all of the slot, and a byte of the next one, which is there
    library.spoil = always(sent(new, around, "patch"))
    return said_otherwise(update, library, "digest.base")


def test_another_result(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert made_wrongly(PatchLibrary(of_pair(pair(TWO)), tmp_path, flags=CHECKED)) is None


# -- turns ----------------------------------------------------------------------------------------------------------------


class Turns(PatchLibrary):
    """Calls the installer as nobody should; notes what it answers."""

    said: list[str]

    def install(self, device: object) -> int:
        envelope = decode_envelope(self.whole)
        new = sent(bytes(envelope.payloads["#app-b"]), None, "plain")
        self.said = []
        front = self.front(envelope)
        for taken, numbers in ((0, (0,)), (len(front) - 1, (0,)), (len(front), (2, 255)), (len(front), (0, 1))):
            self.note(self.call("shim_begin_install"))
            self.take(front[:taken])
            for number in numbers:
                self.note(self.patch(number, new))
        self.call("shim_begin_install")
        self.take(self.whole[:-1500])  # inside the build for the other slot
        self.note(self.patch(1, new))
        for numbers in ((1, 1), (1, 0)):
            self.call("shim_begin_install")
            self.take(front)
            for number in numbers:
                self.note(self.patch(number, new))
        return CODE["device.nothing-new"]

    def note(self, code: int) -> None:
        self.said.append(NAMES.get(code, hex(code)))

    whole: bytes


TURNS = [
    "accepted", "structure.envelope", "accepted", "structure.envelope", "accepted", "structure.envelope", "structure.envelope",
    "accepted", "structure.unsigned-member", "structure.unsigned-member",
    "structure.envelope",
    "accepted", "structure.envelope", "accepted", "structure.envelope",
]  # fmt: skip


def turned_wrongly(folder: Path, sources: Path | None = None) -> str | None:
    """Before anything has come, before all has; parts that are none, that another slot has, twice, and out of order."""
    update = pair(TWO)
    library = Turns(of_pair(update), folder, sources=sources, flags=CHECKED)
    library.whole = update.second.package
    life_of(update, library)
    return None if library.said == TURNS else str(library.said)


def test_turns(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert turned_wrongly(tmp_path) is None


def stored_wrongly(library: PatchLibrary) -> str | None:
    """A component with one run slot and no staging takes no patch, and nothing of it is erased."""
    update = pair(NOR)
    library.in_storage = False
    library.install = library.stream  # type: ignore[method-assign]
    return said_otherwise(update, library, "device.not-stored")


def test_no_second_place(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert stored_wrongly(PatchLibrary(of_pair(pair(NOR)), tmp_path, flags=CHECKED)) is None


def again_wrongly(name: str, library: PatchLibrary) -> str | None:
    """The release runs, and its patches come again, from a base that is not there any more: nothing is new."""
    update = pair(name)
    state, contents = installed(update.product, update.second)
    stage = set_up(Context(update.product, update.first.trust, state, contents), update.package)
    life = life_of(update._replace(stage=stage), library)
    events = set(life.device.events)
    return None if events == {"install: device.nothing-new"} else str(life.device.events)


@pytest.mark.parametrize("name", mainly(TWO, STREAMED))
def test_once_more(name: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert again_wrongly(name, PatchLibrary(of_pair(pair(name)), tmp_path, flags=CHECKED)) is None


# -- planted faults -------------------------------------------------------------------------------------------------------

CUTS, ENDS, REFUSED, MADE, STORE, MISUSE, AGAIN = "cuts", "ends", "refused", "made", "stored", "turns", "again"
FAULTS = [
    # what is planted, what stands there, by what, who finds it, in which product
    ("base not hashed", "        if (!hashes_to(i, base, 0, base->size, patch->base_digest))", "        if (0)", REFUSED, TWO),
    ("base beyond its slot", " || base->size > slot->size", "", MADE, TWO),
    ("base from the other slot", "(i->part->header ? c->header : c->run) + m[1];", "(i->part->header ? c->header : c->run) + i->part->run_slot;", ENDS, TWO),
    ("base of a header from the run slot", "(i->part->header ? c->header : c->run) + m[1];", "c->run + m[1];", ENDS, DETACHED),
    ("all of the slot as the base", "        base->size = patch->base_size;\n        if", "        if", ENDS, TWO),
    ("patch not hashed", "    if (!hashes_to(i, &patch->stream, 0, patch->stream.size, patch->stream_digest))", "    if (0)", REFUSED, TWO),
    ("plain of any size", "    return patch->plain && patch->stream.size != i->part->size ?", "    return 0 ?", MADE, TWO),
    ("statement read from flash", "if (i->headed && offset < SEAL_STATEMENT_BYTES)", "if (0)", CUTS, TWO),
    ("statement of a payload", "if (i->headed && offset < SEAL_STATEMENT_BYTES)", "if (offset < SEAL_STATEMENT_BYTES)", CUTS, DETACHED),
    ("page read from flash", "else if (i->writing && address >= i->address)", "else if (0)", CUTS, TWO),
    ("page that is not there", "else if (i->writing && address >= i->address)", "else if (address >= i->address)", CUTS, TWO),
    ("result at the begin of the staging slot", "        i->base = place->base + in_front;\n        i->left = 1;", "        i->base = place->base;\n        i->left = 1;", CUTS, HEADS),
    ("made again when it stays", "    if ((i->unchanged & i->bit) == 0) {\n        /* where", "    if (1) {\n        /* where", AGAIN, STAGED),
    ("build of the other slot", "    if (!i->part->taken)\n        return SEAL_STRUCTURE_UNSIGNED_MEMBER;\n", "", MISUSE, TWO),
    ("no second place", "        return SEAL_DEVICE_NOT_STORED;\n    if ((i->unchanged", "        return SEAL_DEVICE_UNREADABLE;\n    if ((i->unchanged", STORE, NOR),
    ("accepted before the stream has ended", "    if (code != SEAL_ACCEPTED)\n        return code;\n    code = take_step(i);", "    code = take_step(i);", REFUSED, TWO),
    ("code of a payload", "    return code == SEAL_DIGEST_IMAGE ? (uint32_t)SEAL_DIGEST_RESULT : code;", "    return code;", MADE, TWO),
    ("before the package has come", "        if (i->judged && i->step == END && number", "        if (i->judged && number", MISUSE, TWO),
    ("part that is none", " && number < i->package.parts)", ")", MISUSE, TWO),
]  # fmt: skip


@pytest.mark.parametrize(("name", "old", "new", "how", "of"), every_fifth(FAULTS))
def test_planted_fault_is_found(
    name: str, old: str, new: str, how: str, of: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_install.c", old, new)
    flags = ("-O1", "-w")
    if how == MISUSE:
        assert turned_wrongly(tmp_path, sources), name
        return
    if how == ENDS:
        assert ends_wrongly(of, began(of, tmp_path, sources, flags)), name
        return
    for form in FORMS if how == CUTS else ("patch",):
        library = PatchLibrary(of_pair(pair(of)), tmp_path / form, form, sources=sources, flags=flags)
        found = {
            CUTS: lambda library=library: cut_wrongly(of, library, 0),
            REFUSED: lambda library=library: refused_wrongly(of, library),
            MADE: lambda library=library: made_wrongly(library),
            STORE: lambda library=library: stored_wrongly(library),
            AGAIN: lambda library=library: again_wrongly(of, library),
        }[how]()
        if found:
            return
    raise AssertionError(f"not found: {name}")
