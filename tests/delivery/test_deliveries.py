"""Deliveries: installed under every cut as packages are, refused by a code for each step, and without a trace of their own."""

import contextlib
from collections.abc import Callable, Mapping
from hashlib import sha256
from itertools import pairwise, permutations
from typing import Any

import pytest
from changes import THIN, Change, before, changes, components, package
from delivered import KEY, TWO, after, context, from_the_other_slots, made
from long_runs import mainly
from stages import PRODUCTS, text_of
from workshop import repacked, signer

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import fresh
from imgseal.errors import UsageError
from imgseal.findings import NOT_RUN, Verdict
from imgseal.flow.contents import read_contents
from imgseal.flow.deliver import Device, delivery
from imgseal.formats.suit.delivery import Delivery, Step, decode_delivery, encode_delivery
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.trust_anchors.codec import DELIVERIES, AnchorSet
from imgseal.keys.anchor_set import anchor_set
from imgseal.keys.anchor_set import trust_of as held_set
from imgseal.product.model import Slot
from imgseal.product.read_toml import read
from imgseal.product.waiting import room_for_delivery
from imgseal.rehearse.apply import apply
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView

APP = Change(TWO, ("app",), "again")
BOTH = Change(TWO, ("app", "radio"), "again")


def newer(name: str) -> list[Change]:
    return [change for change in changes(name) if change.newer and change.rest == "again"]


def asked(data: bytes, who: Context | None = None) -> Verdict:
    return judge(ByteView(data), "x", who or context(TWO))


def code(data: bytes, who: Context | None = None) -> str:
    verdict = asked(data, who)
    return "accepted" if verdict.accepted else verdict.findings[0].code if verdict.findings else "not judged"


@pytest.mark.parametrize("name", mainly(TWO, PRODUCTS))
def test_every_change_under_every_cut(name: str, record_property: Callable[[str, object], None]) -> None:
    lives = 0
    for change in newer(name):
        data = ByteView(made(change).data)
        on = set_up(context(name), data)
        assert on.verdict.accepted, (str(change), on.verdict.findings)
        result = rehearse(on, data, pairs=0, seed="1")
        assert result.violation is None, (str(change), result.violation)
        lives += result.tally.singles
    record_property("lives after one cut", lives)


def test_what_is_being_placed_is_not_held() -> None:
    """Cut between the last byte of an image without a second place and the record of it: it is placed again."""
    change = Change("data in the NOR", ("phrases",), "again")
    data = ByteView(made(change).data)
    on = set_up(context(change.product), data)
    assert on.verdict.accepted, on.verdict.findings
    assert rehearse(on, data, pairs=0, seed="1").violation is None


@pytest.mark.parametrize("name", PRODUCTS)
def test_it_leaves_what_the_package_leaves(name: str) -> None:
    """State, record and slots are those after the plain package: nothing tells that it was a delivery."""
    for change in newer(name):
        small = apply(context(name), ByteView(made(change).data))
        whole = apply(context(name), ByteView(package(change)))
        assert small.verdict.accepted, (str(change), small.verdict.findings)
        assert (small.state, small.slots) == (whole.state, whole.slots), str(change)
        assert len(made(change).data) < len(package(change)) or len(components(name)) == 1


@pytest.mark.parametrize("name", PRODUCTS)
def test_a_patch_is_of_all_that_a_device_runs(name: str) -> None:
    """To the last byte, wherever the header block lies: what is not in the base would travel again."""
    runs = {(content.size, sha256(content.read(0, content.size)).digest()) for content in before(name)[2].values()}
    for change in newer(name):
        bases = [step.base for _, step in made(change).steps if step.base is not None]
        assert {(base.size, base.digest) for base in bases} <= runs, str(change)
    """Try-each by slot: from A to B, and from B to A, and each device takes its own step."""
    here, there = context(TWO), from_the_other_slots(TWO)
    assert here.state.running[1] != there.state.running[1]
    release = Change(TWO, ("app",), "again", newer=True)
    from test_held_already import third

    raw = third(TWO, release.changed)
    of = here.product
    both = delivery(
        ByteView(raw), read_contents(raw, "x", of), [Device("a", here), Device("b", there)], of, signer(KEY)
    )
    for who in (here, there):
        verdict = asked(both.data, who)
        assert verdict.accepted, verdict.findings
        free = of.components["app"].run[1 - who.state.running[1]]
        assert next(text.split(":")[0] for label, text in verdict.details if label == "delivers") == free
        on = set_up(who, ByteView(both.data))
        assert rehearse(on, ByteView(both.data), pairs=0, seed="1").violation is None


def test_it_comes_again() -> None:
    """A replay finds the release there, as the package would; so does a second delivery of one release."""
    first = apply(context(TWO), ByteView(made(BOTH).data))
    there = after(TWO, first)
    for data in (made(BOTH).data, made(BOTH, context(TWO), key=KEY).data, package(BOTH)):
        again = apply(there, ByteView(data))
        assert again.verdict.accepted, again.verdict.findings
        assert (again.state, again.slots) == (first.state, first.slots)


def test_around_an_older_release() -> None:
    data = made(APP).data
    ahead = context(TWO)
    assert code(data, ahead._replace(state=ahead.state._replace(sequence=1000))) == "rollback.sequence-too-low"


@pytest.mark.parametrize("name", PRODUCTS)
def test_whatever_stays_is_for_this_hardware(name: str) -> None:
    """Package, package with payloads left out, and delivery: one answer, also where all of it is held already."""
    for change in newer(name):
        data = (package(change), package(change._replace(rest=THIN)), made(change).data)
        for start in (context(name), after(name, apply(context(name), ByteView(package(change))))):
            other = start._replace(state=start.state._replace(hardware=start.product.hardware[1] + 1))
            answers = [{finding.code for finding in asked(each, other).findings} for each in data]
            assert answers == [{"identity.wrong-hardware"}] * 3, (str(change), answers)


@pytest.mark.parametrize("name", PRODUCTS)
def test_where_nothing_runs_the_base_is_missing(name: str) -> None:
    """Whichever slot the patch is for; and what no step is for is missing by itself."""
    for change in newer(name):
        here = context(name)
        data = made(change).data
        steps = decode_delivery(decode_envelope(data).manifest).steps
        based = {step.part.number for step in steps if step.base is not None}
        nothing = here._replace(state=here.state._replace(current={}), contents={})
        found = [finding.code for finding in asked(data, nothing).findings]
        everything = {c.number for c in here.product.components.values()}
        brought = {step.part.number for step in steps}
        assert found.count("digest.base") == len(based), (str(change), found)
        assert found.count("rules.directive-failed") >= len(everything - brought), (str(change), found)


def test_it_failed_and_the_package_comes() -> None:
    """A delivery that is refused leaves nothing behind; a release that failed in trial has failed, however it came."""
    spoiled = bytearray(made(APP).data)
    spoiled[-20] ^= 1
    before = context(TWO)
    assert not apply(before, ByteView(bytes(spoiled))).verdict.accepted
    assert apply(before, ByteView(package(APP))).verdict.accepted
    failed = apply(before, ByteView(made(APP).data), ending="failed")
    assert failed.verdict.accepted
    for data in (package(APP), made(APP).data):
        assert code(data, after(TWO, failed)) == "rules.failed-before"


def exchanged(data: bytes, release: bytes) -> bytes:
    """Put another release into a delivery, whose own manifest stays."""
    envelope = decode_envelope(release)
    from imgseal.formats.suit.envelope import envelope_pieces

    severed = {label: content for label, content in envelope.severed.items() if label == 20}
    inside = b"".join(envelope_pieces(envelope.digest_bytes, envelope.blocks, envelope.manifest, severed, {}))
    return repacked(data, lambda it: it, by=(KEY,), payloads=lambda all_: {**all_, "#": inside})


def test_the_release_inside_is_exchanged() -> None:
    other = package(BOTH)
    assert code(exchanged(made(APP).data, other)) == "signature.manifest-digest"


def test_who_has_the_key_for_deliveries_can_wrap_and_nothing_else() -> None:
    """A release that this key signed is none, in a delivery or alone; nor does it sign images."""
    forged = repacked(package(APP), lambda it: it, by=(KEY,))
    assert code(forged) == "signature.wrong-key"
    digest = decode_envelope(forged).digest.value

    def named(manifest: bytes) -> bytes:
        return encode_delivery(decode_delivery(manifest)._replace(release=digest))

    inside = exchanged(made(APP).data, forged)
    wrapped = repacked(inside, named, by=(KEY,))
    verdict = asked(wrapped)
    assert verdict.findings[0].code == "signature.wrong-key"
    assert "trusts for deliveries only" in str(verdict.findings[0].hint)


def test_who_signs_deliveries() -> None:
    data = made(APP).data
    assert code(data) == "accepted"
    for by, wanted in (
        (("keys/packages",), "signature.wrong-key"),
        (("keys/images",), "signature.wrong-key"),
        (("keys/somebody",), "signature.wrong-key"),
        ((), "trust.no-signature"),
        (("keys/somebody", KEY), "accepted"),
    ):
        assert code(repacked(data, lambda it: it, by=by)) == wanted, by
    without = context(TWO)._replace(trust=context(TWO).trust._replace(
        keys=tuple(key for key in context(TWO).trust.keys if key.role != "deliveries")
    ))  # fmt: skip
    assert code(data, without) == "signature.wrong-key"
    assert code(repacked(data, lambda it: it, by=("keys/packages",)), without) == "accepted"


def test_a_set_of_trust_anchors_has_the_keys_for_deliveries() -> None:
    """A device that holds one takes deliveries by its keys for them; where it has none, by those for packages alone."""
    of = context(TWO)
    anchors = anchor_set(of.trust, of.product)
    data = made(APP).data
    by_packages = repacked(data, lambda it: it, by=("keys/packages",))

    def held(keys: AnchorSet) -> Context:
        return of._replace(trust=held_set(keys, of.product, of.trust), anchors=keys)

    assert code(data, held(anchors)) == "accepted"
    assert code(by_packages, held(anchors)) == "signature.wrong-key"
    without = anchors._replace(anchors=tuple(each for each in anchors.anchors if each.role != DELIVERIES))
    assert len(without.anchors) == len(anchors.anchors) - 1
    assert code(data, held(without)) == "signature.wrong-key"
    assert code(by_packages, held(without)) == "accepted"


def stepped(data: bytes, edit: Callable[[Step], Step], payload: Callable[[bytes], bytes] = lambda it: it) -> bytes:
    """Change the first step of a delivery and what travels for it, and sign it again."""

    def manifest(raw: bytes) -> bytes:
        said = decode_delivery(raw)
        return encode_delivery(said._replace(steps=(edit(said.steps[0]), *said.steps[1:])))

    def payloads(all_: dict[str, bytes]) -> dict[str, bytes]:
        return {**all_, "#00": payload(all_["#00"])}

    return repacked(data, manifest, by=(KEY,), payloads=payloads)


def signed_for(payload: bytes) -> Callable[[Step], Step]:
    import hashlib

    return lambda step: step._replace(size=len(payload), digest=hashlib.sha256(payload).digest())


def test_every_step_refuses_by_a_code_of_its_own() -> None:
    data = made(APP).data
    patch = bytes(decode_envelope(data).payloads["#00"])

    def other_base(step: Step) -> Step:
        assert step.base is not None
        return step._replace(base=step.base._replace(digest=bytes(32)))

    assert code(stepped(data, other_base)) == "digest.base"
    cut = patch[:-1]
    assert code(stepped(data, lambda step: step, lambda _: cut)) == "digest.patch"
    assert code(stepped(data, signed_for(cut), lambda _: cut)) == "structure.patch"
    elsewhere = bytes(decode_envelope(made(Change(TWO, ("radio",), "again")).data).payloads["#00"])
    refused = code(stepped(data, signed_for(elsewhere), lambda _: elsewhere))
    assert refused in ("structure.patch", "digest.result")
    no_step = repacked(
        data, lambda raw: encode_delivery(decode_delivery(raw)._replace(steps=())), by=(KEY,),
        payloads=lambda all_: {key: value for key, value in all_.items() if key == "#"},
    )  # fmt: skip
    assert code(no_step) == "rules.directive-failed"


def test_what_a_patch_makes_of_another_image_is_no_image() -> None:
    """The right base and a patch for other bytes of the same size: its digest alone tells."""
    from imgseal.make.delta.encode import encode

    data = made(APP).data
    said = decode_delivery(decode_envelope(data).manifest)
    base = context(TWO).contents["app-a"]
    step = said.steps[0]
    assert step.base is not None
    wanted = asked(data)
    assert wanted.accepted
    size = next(len(view) for key, view in decode_envelope(package(APP)).payloads.items() if key == "#app-b")
    other = encode(bytes(base.read(0, step.base.size)), bytes(size), None).data
    assert code(stepped(data, signed_for(other), lambda _: other)) == "digest.result"


def test_the_step_that_fits_is_the_one_that_counts() -> None:
    """Where its patch is spoiled, the compressed image for devices with another base is not taken in its place.

    Nor does anyone else take the delivery.
    """
    here = context(TWO)
    unknown = context(TWO, here.state._replace(current={}), {})
    data = made(APP, here, unknown).data
    steps = decode_delivery(decode_envelope(data).manifest).steps
    assert [(step.part.slot, step.form) for step in steps if step.part.number == 1] == [
        (0, "compressed"), (1, "patch"), (1, "compressed"),
    ]  # fmt: skip
    for who in (here, unknown):
        assert code(data, who) == "accepted"
    spoiled = repacked(data, lambda it: it, by=(KEY,), payloads=lambda all_: {**all_, "#01": all_["#01"] + b"x"})
    assert code(spoiled) == "digest.patch"
    assert code(spoiled, unknown) == "digest.patch"


def test_both_layers_agree() -> None:
    data = made(APP).data

    def said(**changes: Any) -> bytes:
        return repacked(data, lambda raw: encode_delivery(decode_delivery(raw)._replace(**changes)), by=(KEY,))

    assert code(said(sequence=1)) == "identity.layers-disagree"
    assert code(said(vendor_id=bytes(16))) == "identity.wrong-vendor"
    assert code(said(class_id=bytes(16))) == "identity.wrong-class"
    other = stepped(data, lambda step: step._replace(part=step.part._replace(number=9)))
    assert code(other) == "identity.layers-disagree"


def test_nothing_in_it_is_unsigned() -> None:
    data = made(APP).data

    def with_payloads(change: Callable[[dict[str, bytes]], dict[str, bytes]]) -> bytes:
        return repacked(data, lambda it: it, by=(KEY,), payloads=change)

    assert code(with_payloads(lambda all_: {**all_, "#01": b"x"})) == "structure.unsigned-member"
    assert code(with_payloads(lambda all_: {key: all_[key] for key in ("#",)})) == "rules.directive-failed"
    severed = repacked(data, lambda it: it, by=(KEY,), severed=lambda all_: {**all_, 23: b"\xa0"})
    assert code(severed) == "structure.unsigned-member"
    whole = with_payloads(lambda all_: {**all_, "#": package(APP)})
    assert code(whole) == "structure.unsigned-member"


def test_every_byte_of_its_manifest_counts() -> None:
    """Signed again by who may: what is not the one encoding of its values is refused, and other values do not fit."""
    data = made(APP).data
    manifest = decode_envelope(data).manifest
    seen = set()
    for place in range(len(manifest)):

        def changed(raw: bytes, place: int = place) -> bytes:
            out = bytearray(raw)
            out[place] ^= 1
            return bytes(out)

        seen.add(answer := code(repacked(data, changed, by=(KEY,))))
        assert answer != "accepted", place
    assert "structure.manifest" in seen


def test_without_its_base_it_is_not_judged() -> None:
    of = context(TWO)
    verdict = asked(made(APP).data, of._replace(state=fresh(of.product), contents={}))
    assert not verdict.accepted
    assert not verdict.findings
    step = next(check for check in verdict.checks if check.name == "steps")
    assert step.outcome == NOT_RUN
    base = decode_delivery(decode_envelope(made(APP).data).manifest).steps[0].base
    assert base is not None
    assert base.digest.hex() in str(step.because)


def test_the_same_inputs_give_the_same_bytes() -> None:
    assert made(BOTH).data == made(BOTH).data


def test_a_manifest_of_any_steps_reads_as_it_was_written() -> None:
    said: Mapping[str, Delivery] = {
        str(change): decode_delivery(decode_envelope(made(change).data).manifest)
        for name in PRODUCTS
        for change in newer(name)
    }
    for words, each in said.items():
        assert decode_delivery(encode_delivery(each)) == each, words


def test_no_more_steps_are_made_than_there_is_room_for() -> None:
    """And what a product file with more room made is refused by the judge of one with less, by a code of its own."""
    here = context(TWO)
    for most in (1, 2):
        of = here.product._replace(delivery_steps=most)
        who = here._replace(product=of)
        raw = package(BOTH)
        asked_for = ByteView(raw), read_contents(raw, "release", of), [Device("a unit", who)], of, signer(KEY)
        if most == 2:
            assert delivery(*asked_for).data == made(BOTH).data
            continue
        with pytest.raises(UsageError) as refused:
            delivery(*asked_for)
        assert (refused.value.expected, refused.value.found) == ("at most 1", "2")
        assert refused.value.place.key == "delivery.steps"
        found = asked(made(BOTH).data, who).findings
        assert [(each.code, each.expected, each.found) for each in found] == [
            ("rules.too-many-steps", "at most 1", "2")
        ]


@pytest.mark.parametrize("name", PRODUCTS)
def test_there_is_one_order_of_the_steps(name: str) -> None:
    """What stands in the page, told here by bytes: of every order of a delivery's steps one is read."""
    here = context(name)
    unknown = here._replace(state=here.state._replace(current={}), contents={})
    for change in newer(name):
        said = decode_delivery(decode_envelope(made(change, here, unknown).data).manifest)
        places = [
            bytes([step.part.number, step.part.header, step.part.slot, step.base is None])
            + (step.base.digest if step.base else b"")
            for step in said.steps
        ]
        assert all(one < other for one, other in pairwise(places)), str(change)
        read = []
        for steps in permutations(said.steps):
            with contextlib.suppress(SuitError):
                read.append(decode_delivery(encode_delivery(said._replace(steps=steps))).steps)
        assert read == [said.steps], str(change)


def with_slot(name: str, delivery: str, slot: str = "") -> str:
    text = text_of(name)
    return text + f'\n{slot}\n[delivery]\nslot = "{delivery}"\n'


@pytest.mark.parametrize("name", PRODUCTS)
def test_a_delivery_waits_in_no_slot_that_is_used(name: str) -> None:
    """Every slot of every small product: those of components, and those with a purpose, are refused."""
    of = before(name)[0].product
    places = {slot for c in of.components.values() for slot in (*c.run, *c.header, c.staging, c.keep) if slot}
    places |= {slot.name for slot in of.slots.values() if slot.holds}
    assert places == set(of.slots)
    for slot in of.slots:
        with pytest.raises(UsageError) as refused:
            read(with_slot(name, slot), name="imgseal.toml")
        assert (refused.value.place.key, refused.value.found) == ("delivery.slot", refused.value.found)
        assert slot in str(refused.value.found)
    with pytest.raises(UsageError):
        read(with_slot(name, "nowhere"), name="imgseal.toml")


@pytest.mark.parametrize("name", PRODUCTS)
def test_it_is_refused_where_it_does_not_fit(name: str) -> None:
    """In a slot of one erase block behind the others: as large as that, and no byte more."""
    plain = before(name)[0].product
    memory = max(plain.memories.values(), key=lambda m: m.size)
    lies = max((s.at + s.size for s in plain.slots.values() if s.memory == memory.name), default=0)
    slot = f'[slot.waiting]\nmemory = "{memory.name}"\nat = {lies}\nsize = {memory.erase_block}\n'
    change = next(iter(newer(name)))
    size = len(made(change).data)
    for block in (size, size - 1):
        of = plain._replace(
            slots={**plain.slots, "waiting": Slot("waiting", memory.name, lies, block, None)}, delivery_slot="waiting"
        )
        raw = package(change)
        asked_for = ByteView(raw), read_contents(raw, "release", of), [Device("a unit", context(name))], of, signer(KEY)
        if block == size:
            assert delivery(*asked_for).data == made(change).data
        else:
            with pytest.raises(UsageError) as refused:
                delivery(*asked_for)
            assert (refused.value.expected, refused.value.found) == (f"at most {size - 1} bytes", f"{size} bytes")
    if lies + memory.erase_block <= memory.size:
        said = read(with_slot(name, "waiting", slot), name="imgseal.toml")
        assert room_for_delivery(said) == ("waiting", memory.erase_block)
    assert room_for_delivery(plain) is None
