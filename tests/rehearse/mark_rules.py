"""What docs/format/boot-mark.md promises, asked of any programs: the simulation's own, the compiled ones, and faulty ones.

Each function returns None, or says what it has seen instead.
"""

from collections.abc import Callable, Iterator

import third_mark
from marked import MARKED_TWO, TRUSTING, Board, adversary, board, in_trial, said, trusting, updated
from stages import MARKED, pair
from workshop import public_key

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.rehearse.boot import SET
from imgseal.rehearse.contents import Block
from imgseal.rehearse.device import Facts
from imgseal.rehearse.life import Programs, Stage
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.versions import Version
from imgseal.window import ByteView

Make = Callable[[Facts], Programs]
"""The programs for a device with these facts; compiled ones are made for each product."""


def once_for_each_set(make: Make, variants: tuple[str, ...] = tuple(TRUSTING)) -> str | None:
    """The first boot verifies every signature and writes the page's mark; the second does neither."""
    for variant in variants:
        device = trusting(variant)
        programs = make(device.facts)
        wrong = _first_and_second(device, programs, variant)
        if wrong is not None:
            return wrong
    return None


def _first_and_second(device: Board, programs: Programs, what: str) -> str | None:
    first = device.boot(programs)
    if first.started is None or first.started.what != SET:
        return f"{what}: does not start"
    members = first.started.members
    if {m.statement for m in members.values()} - first.verified:
        return f"{what}: started without its signatures, and no mark was there"
    if device.mark() != third_mark.mark(said(device.facts, members)):
        return f"{what}: not the mark that the page says"
    second = device.boot(programs)
    if second.started != first.started:
        return f"{what}: the marked set does not start"
    if second.verified or second.marked:
        return f"{what}: a marked boot verifies or writes"
    return None


def _facts_changed(facts: Facts) -> Iterator[tuple[str, Facts]]:
    other = public_key("keys/nobody").key_id.hex()
    yield "a key is revoked", facts._replace(state=facts.state._replace(revoked=(other,)))
    yield (
        "another key is revoked",
        facts._replace(state=facts.state._replace(revoked=(public_key("keys/no-one").key_id.hex(),))),
    )
    yield (
        "two keys are revoked",
        facts._replace(state=facts.state._replace(revoked=(other, public_key("keys/no-one").key_id.hex()))),
    )
    yield "the bootloader is newer", facts._replace(state=facts.state._replace(bootloader=Version(1, 0, 1)))
    yield "a device for development", facts._replace(development=True)


def each_change_costs_signatures(make: Make) -> str | None:
    """Whatever changes between two boots, the next one verifies, and leaves the mark of what is now."""
    device = updated(MARKED_TWO)
    programs = make(device.facts)
    wrong = _first_and_second(device, programs, "in the other run slot")
    for what, facts in _facts_changed(device.facts):
        seen = device.boot(programs, facts)
        if seen.started is None or seen.started.what != SET or not seen.verified:
            return f"{what}: started by a mark of before"
        if device.mark() != third_mark.mark(said(facts, seen.started.members)):
            return f"{what}: not the mark of what is now"
    return wrong


def signing_key_revoked(make: Make) -> str | None:
    """A set whose key is revoked does not start, marked or not."""
    device = board(MARKED_TWO)
    programs = make(device.facts)
    device.boot(programs)
    revoked = device.facts.state._replace(revoked=(public_key("keys/images").key_id.hex(),))
    seen = device.boot(programs, device.facts._replace(state=revoked))
    return None if seen.started is None or seen.started.what != SET else "started, and its key is revoked"


def _spoiled(mark: bytes) -> Iterator[tuple[str, bytes]]:
    yield "erased", b"\xff" * 32
    yield "zeros", bytes(32)
    for cut in range(1, 32):
        yield f"torn behind {cut} bytes", mark[:cut] + b"\xff" * (32 - cut)
        yield f"erased up to {cut}", b"\xff" * cut + mark[cut:]
    for bit in range(256):
        yield f"bit {bit}", bytes(b ^ (1 << bit % 8 if i == bit // 8 else 0) for i, b in enumerate(mark))


def anything_else_means_signatures(make: Make) -> str | None:
    """A mark of which one bit is another, that was cut short, or that cannot be read: verified, and written again."""
    device = board(MARKED_TWO)
    programs = make(device.facts)
    device.boot(programs)
    good = device.mark()
    for what, content in _spoiled(good):
        device.lay("mark", content)
        seen = device.boot(programs)
        if seen.started is None or seen.started.what != SET:
            return f"{what}: does not start"
        if not seen.verified or device.mark() != good:
            return f"{what}: started by it"
    return None


def torn_mark(make: Make) -> str | None:
    """Every unit of the mark torn: whatever it reads as, the set starts, by the mark only where all of it can be read."""
    device = board(MARKED_TWO)
    programs = make(device.facts)
    device.boot(programs)
    good = device.mark()
    slot = device.facts.product.slots["mark"]
    where = slot.memory, slot.at // slot.size
    content = device.blocks[where].data
    for seed in range(24):
        device.blocks[where] = Block(content, 0xF, 0xF, False)
        if device.read_mark(f"torn {seed}") == good:
            continue
        seen = device.boot(programs, noise=f"torn {seed}")
        if seen.started is None or seen.started.what != SET:
            return "a torn mark, and nothing starts"
        if not seen.verified:
            return "a torn mark that does not read as one was trusted"
    return None


def marked_and_damaged(make: Make) -> str | None:
    """A marked set in trial whose payload is damaged gives way to the set before, which starts with its signatures."""
    name = "two run slots, at boot by digest"
    device = in_trial(name)
    programs = make(device.facts)
    first = device.boot(programs)
    if first.started is None or not first.started.trial or not first.verified:
        return "the trial does not start"
    if device.boot(programs).verified:
        return "the second start of a trial verifies again"
    run = device.facts.product.components["app"].run[first.started.members[1].slot]
    content = bytearray(device.slot(run))
    content[600] ^= 1
    device.lay(run, bytes(content))
    seen = device.boot(programs)
    if seen.started is None or seen.started.what != SET or seen.started.trial:
        return "the set before does not start"
    if not seen.verified:
        return "the set before was started by the mark of the trial"
    return None


def mark_that_cannot_be_written(make: Make) -> str | None:
    """A worn block takes no mark: the set starts all the same, with its signatures each time."""
    device = board(MARKED_TWO)
    slot = device.facts.product.slots["mark"]
    facts = device.facts._replace(worn=frozenset({(slot.memory, slot.at // slot.size)}))
    programs = make(facts)
    for _ in range(3):
        seen = device.boot(programs, facts)
        if seen.started is None or seen.started.what != SET or not seen.verified:
            return "a mark that cannot be written decides what starts"
    return None


def every_cut(make: Make, names: tuple[str, ...] = tuple(MARKED), *, pairs: int = 0) -> str | None:
    """The rehearsal's invariants, every single cut."""
    for name in names:
        update = pair(name)
        programs = make(update.stage.facts)
        for stage, package in ((update.stage, update.package), first_installation(name)):
            found = rehearse(stage, package, pairs=pairs, seed="1", programs=programs).violation
            if found is not None:
                return f"{name}: {found}"
    return None


def first_installation(name: str) -> tuple[Stage, ByteView]:
    """A device without firmware, and the first package."""
    update = pair(name)
    package = ByteView(update.first.package)
    blank = fresh(update.product)._replace(fresh=False, hardware=1)
    return set_up(Context(update.product, update.first.trust, blank, {}), package), package


def adversaries(make: Make, names: tuple[str, ...] = tuple(MARKED), *, cases: int = 40) -> str | None:
    """An application that writes everything but the mark gets nothing started that signatures would not."""
    for name in names:
        facts = board(name).facts
        rules = facts.product.rules._replace(at_boot="signature")
        always = facts._replace(product=facts.product._replace(rules=rules))
        found = adversary(name, make(facts), make(always), 1, cases)
        if found is not None:
            return found
    return None


RULES = (
    each_change_costs_signatures, signing_key_revoked, marked_and_damaged, torn_mark, anything_else_means_signatures, mark_that_cannot_be_written,
    once_for_each_set, adversaries, every_cut,
)  # fmt: skip
"""Everything that is asked, the quickest first."""
