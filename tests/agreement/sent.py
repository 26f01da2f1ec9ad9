"""Deliveries of every kind around the packages that are asked about, and what a device answers, by docs/format/delivery.md.

A delivery is made for one device or for several; each of its steps comes as a patch, compressed or plain; one thing may be
wrong with one of them. The release inside may have anything wrong that a package may have: `answer` knows that part.
"""

import functools
import hashlib
import random
from collections.abc import Iterator
from typing import NamedTuple

from answers import ACCEPTED, CIRCUMSTANCES, FACTS, Question, answer, subsets
from fuzz import any_fast_signer
from packages import device, package, sealed, trust, variant_of
from variants import product
from workshop import repacked

from imgseal.check.context import Context
from imgseal.flow.contents import read_contents
from imgseal.flow.deliver import Device, delivery
from imgseal.formats.suit.delivery import Base, Step, decode_delivery, encode_delivery
from imgseal.formats.suit.envelope import decode_envelope, envelope_pieces
from imgseal.make.deliver import Travels, deliver
from imgseal.make.delta.encode import encode
from imgseal.product.model import Component, Product
from imgseal.window import ByteView

__all__ = ["MADE_FOR", "WRONG", "Sent", "asked_of", "draw", "sent", "to_what_does_not_start"]

MADE_FOR = ("this one", "either slot", "the other slot", "this one and one that runs nothing")
WRONG = {
    "nothing": ACCEPTED, "another base": "digest.base", "what travels changed": "digest.patch", "what travels cut": "digest.patch",
    "another stream": "structure.patch", "another image": "digest.result", "not there": "rules.directive-failed",
    "left out": "rules.directive-failed", "a stranger": "signature.wrong-key", "another sequence": "identity.layers-disagree",
    "another vendor": "identity.wrong-vendor",
}  # fmt: skip
"""What may be wrong with a delivery, and the answer where the release is as it has to be."""
OF_A_STEP = tuple(WRONG)[1:8]
ON_ITS_WAY = ("what travels changed", "what travels cut", "not there")
OF_THE_RELEASE = (
    "signature.wrong-key", "trust.too-few-signatures", "rules.failed-before", "rules.not-authorised",
    "rules.battery-too-low", "rollback.sequence-too-low", "rollback.sequence-reused",
)  # fmt: skip
"""What a release is refused for before anything is made of the steps."""
KEY = "keys/packages"
FORMS = ("as it is", "plain", "compressed")

_INSIDE = (
    "nothing wrong", "signed by a stranger", "one signer short",
    "failed before", "sequence below", "sequence reused", "not authorised", "battery low", "other hardware",
)  # fmt: skip
"""But for counters above those of what runs: such a device would not start."""
assert set(_INSIDE) <= set(CIRCUMSTANCES)


class Sent(NamedTuple):
    """A delivery of the package of a question, an update, to the device that it is about."""

    asked: Question
    made_for: str
    forms: tuple[str, ...]
    """Of each step, in turn."""
    wrong: str
    which: int
    """The step with which something is wrong, of all that it has."""
    starts: bool
    """Whether what the device runs from second slots is there; else nothing starts but the recovery image."""


def draw(seed: str, name: str, count: int) -> Iterator[Sent]:
    """Deliveries of a product; of most the release is as it has to be, and its device has what it needs."""
    rng = random.Random(f"{seed} {name}")
    plain = Question(name, frozenset(), True, False, False, False, CIRCUMSTANCES[0])
    good = [parts for parts in subsets(name) if answer(plain._replace(parts=parts)) == ACCEPTED]
    for _ in range(count):
        inside = rng.choice(_INSIDE) if rng.random() < 0.3 else CIRCUMSTANCES[0]
        wrong = "nothing" if inside != CIRCUMSTANCES[0] or rng.random() < 0.2 else rng.choice(tuple(WRONG))
        asked = plain._replace(parts=rng.choice(good), circumstance=inside, free=rng.randrange(2))
        first = answer(asked._replace(update=False, circumstance=CIRCUMSTANCES[0])) == ACCEPTED and 1 in asked.parts
        first = first and len(asked.parts) < 5  # each in two ways at least, and devices have room for twelve steps
        made_for = rng.choice(MADE_FOR if first else MADE_FOR[:3])
        if inside != CIRCUMSTANCES[0] and made_for == MADE_FOR[2]:
            made_for = MADE_FOR[0]  # one thing wrong at a time
        forms = tuple(rng.choice(FORMS) for _ in range(6))
        yield Sent(asked, made_for, forms, wrong, rng.randrange(12), rng.random() < 0.8)


def to_what_does_not_start(name: str) -> Iterator[Sent]:
    """Every subset, in every form, to a device that nothing starts on but perhaps its recovery image."""
    plain = Question(name, frozenset(), True, False, False, False, CIRCUMSTANCES[0])
    for parts in subsets(name) if any(part.two for part in FACTS[name].parts.values()) else ():
        for form in FORMS if answer(plain._replace(parts=parts)) == ACCEPTED else ():
            yield Sent(plain._replace(parts=parts), MADE_FOR[0], (form,), "nothing", 0, starts=False)


class Way(NamedTuple):
    """A step, what travels for it, and what is wrong with that."""

    made: Travels
    wrong: str = "nothing"


@functools.lru_cache(maxsize=64)
def asked_of(asked: Question, *, starts: bool = True) -> Context:
    """The device that a question is about: what it runs from second slots lies there, if it starts."""
    _, digest = package(asked, bill=False)
    here, contents = device(asked, digest), {}
    for image in sealed(variant_of(asked), update=False) if asked.free == 0 and starts else ():
        component = _component(product(variant_of(asked), update=False), image.statement.component)
        if image.placed.slot_index == 1:
            raw = b"".join(image.pieces())
            contents[component.run[1]] = ByteView(raw)
            if component.header:
                contents[component.header[1]] = ByteView(raw[: component.header_block])
                contents[component.run[1]] = ByteView(raw[component.header_block :])
    state = here.state._replace(fresh=False)
    of, anchors = product(variant_of(asked), update=False), trust(variant_of(asked))
    return Context(of, anchors, state, {**here.contents, **contents})


def _component(of: Product, number: int) -> Component:
    return next(component for component in of.components.values() if component.number == number)


def _devices(it: Sent) -> list[Device]:
    good = it.asked._replace(circumstance=CIRCUMSTANCES[0])
    this, other = (asked_of(good._replace(free=free), starts=it.starts) for free in (good.free, 1 - good.free))
    nothing = this._replace(state=this.state._replace(current={}), contents={})
    for_whom = {MADE_FOR[0]: [this], MADE_FOR[1]: [this, other], MADE_FOR[2]: [other], MADE_FOR[3]: [this, nothing]}
    return [Device(f"unit {n}", each) for n, each in enumerate(for_whom[it.made_for])]


def _ways(it: Sent) -> list[Way]:
    """What travels while nothing is wrong, each step in its form; of two that became the same the later one."""
    raw, _ = package(it.asked._replace(circumstance=CIRCUMSTANCES[0]), bill=False)
    of = product(variant_of(it.asked), update=False)
    made = delivery(ByteView(raw), read_contents(raw, "release", of), _devices(it), of, any_fast_signer(KEY))
    envelope, images = decode_envelope(made.data), decode_envelope(raw).payloads
    out: dict[object, Way] = {}
    for index, step in enumerate(decode_delivery(envelope.manifest).steps):
        component, form = _component(of, step.part.number), it.forms[index % len(it.forms)]
        slot = component.run[step.part.slot]
        data = bytes(envelope.payloads[f"#{index:02}"])
        second = len(component.run) > 1 or component.staging is not None
        if second and not component.recovery and not step.part.header and form != "as it is":
            new = bytes(images[f"#{slot}" if f"#{slot}" in images else f"#{slot}.payload"])
            data = new if form == "plain" else encode(b"", new, None).data
            step = step._replace(form=form, base=None)  # noqa: PLW2901 - the same one, told otherwise
        out[step.part, step.base] = Way(_signed_for(step, data))
    return list(out.values())


def _signed_for(step: Step, data: bytes) -> Travels:
    return Travels(step._replace(size=len(data), digest=hashlib.sha256(data).digest()), data)


def _spoilt(way: Way, wrong: str) -> Way:
    """The same with something wrong that is signed for, or that happens on its way; the same again where it has none of it."""
    step, data = way.made
    if wrong == "another base" and step.base is not None:
        return Way(Travels(step._replace(base=Base(step.base.size, bytes(32))), data), wrong)
    if wrong == "another stream" and step.form != "plain":
        return Way(_signed_for(step, b"\x09" + data[1:]), wrong)
    if wrong == "another image" and step.form == "plain":
        return Way(_signed_for(step, _turned(data)), wrong)
    return way._replace(wrong=wrong) if wrong in ON_ITS_WAY else way


def _turned(data: bytes) -> bytes:
    return data[:-1] + bytes((data[-1] ^ 1,))


def sent(it: Sent) -> tuple[bytes, str]:
    """The delivery, and what this device answers."""
    of = product(variant_of(it.asked), update=False)
    ways = _ways(it)
    if it.wrong in OF_A_STEP:
        which = it.which % len(ways)
        ways[which : which + 1] = [] if it.wrong == "left out" else [_spoilt(ways[which], it.wrong)]
    raw, _ = package(it.asked, bill=False)
    key = "keys/somebody" if it.wrong == "a stranger" else KEY
    data = deliver(decode_envelope(raw), [way.made for way in ways], any_fast_signer(key), of)
    if it.wrong in ("another sequence", "another vendor"):
        changes = {"sequence": 41} if it.wrong == "another sequence" else {"vendor_id": bytes(16)}
        changed = encode_delivery(decode_delivery(decode_envelope(data).manifest)._replace(**changes))
        data = repacked(data, lambda _: changed, by=(KEY,), signers=any_fast_signer)
    return _on_its_way(data, ways), _expected(it, ways)


def _on_its_way(data: bytes, ways: list[Way]) -> bytes:
    """Change what travels, and nothing that is signed."""
    it, wrong = decode_envelope(data), {way.made.step: way.wrong for way in ways}
    payloads = {key: bytes(view) for key, view in it.payloads.items()}
    for index, step in enumerate(decode_delivery(it.manifest).steps):
        key = f"#{index:02}"
        how = wrong[step]
        if how == "what travels changed":
            payloads[key] = _turned(payloads[key])
        elif how == "what travels cut":
            payloads[key] = payloads[key][:-1]
        elif how == "not there":
            del payloads[key]
    told = {key: (len(value), iter([value])) for key, value in payloads.items()}
    return b"".join(envelope_pieces(it.digest_bytes, it.blocks, it.manifest, dict(it.severed), told))


# -- the table --------------------------------------------------------------------------------------------------------


def _expected(it: Sent, ways: list[Way]) -> str:
    """In the order of the page: the wrapping, the release, what the steps make, the images."""
    if it.wrong in ("a stranger", "another vendor", "another sequence"):
        return WRONG[it.wrong]
    release = answer(it.asked)
    if release in OF_THE_RELEASE:
        return release
    for wrong in ("not there", "what travels changed", "what travels cut"):
        if any(way.wrong == wrong for way in ways):
            return WRONG[wrong]  # whoever takes it
    for number in sorted(it.asked.parts):
        found = _made(it, number, ways)
        if found != ACCEPTED:
            return found
    return release


def _made(it: Sent, number: int, ways: list[Way]) -> str:
    """The first step that is for the slot, and starts from what runs, is the one that counts."""
    here = asked_of(it.asked, starts=it.starts)
    component = _component(here.product, number)
    two = len(component.run) > 1
    target, runs_from = (it.asked.free, 1 - it.asked.free) if two else (0, 0)
    for header in (False, True) if component.header else (False,):
        steps = sorted((way for way in ways if way.made.step.part == (number, target, header)), key=_order)
        said = "rules.directive-failed"
        for (step, _), wrong in steps:
            content = here.contents.get(component.run[runs_from])
            if step.base is not None:
                runs = b"" if content is None else content.read(0, step.base.size)
                if hashlib.sha256(runs).digest() != step.base.digest:
                    said = "digest.base"
                    continue
            said = WRONG[wrong]
            break
        if said != ACCEPTED:
            return said
    return ACCEPTED


def _order(way: Way) -> tuple[bool, bytes]:
    base = way.made.step.base
    return base is None, b"" if base is None else base.digest
