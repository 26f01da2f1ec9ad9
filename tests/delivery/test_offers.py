"""What is wrong with a delivery has a code of its own, and who is named where a base is missing."""

import itertools
from pathlib import Path

from changes import before, package
from delivered import TWO, context, made
from spoilt import APP, BOTH, RADIO, Offer, in_the_nor, offers, signed
from spoilt import said as said_of

from imgseal.check.judge import judge
from imgseal.device_state.device import fresh
from imgseal.findings import Verdict
from imgseal.formats.install_record.record import Member
from imgseal.formats.suit.delivery import decode_delivery
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.window import ByteView
from imgseal.workspace.bases import judged_by_bases


def said(offer: Offer) -> str:
    verdict = judge(ByteView(offer.data), "x", offer.to)
    code = verdict.findings[0].code if verdict.findings else "not judged"
    return "accepted" if verdict.accepted else code.replace("unrecognised", "envelope")


def test_every_offer_has_its_code() -> None:
    every = [offer for offer in (*offers(), *in_the_nor()) if offer.code]
    assert [(offer.name, offer.code) for offer in every] == [(offer.name, said(offer)) for offer in every]
    assert len({offer.code for offer in every}) > 15


def for_two() -> bytes:
    """Patches for app and radio, and the app as it is told to a device that runs none."""
    here = context(TWO)
    none = context(TWO, here.state._replace(current={2: here.state.current[2]}), {"radio": here.contents["radio"]})
    return made(BOTH, here, none).data


def why(verdict: Verdict) -> str:
    return next(str(check.because) for check in verdict.checks if check.name == "steps")


def test_the_step_without_a_base_is_taken_where_none_is_known() -> None:
    here = context(TWO)
    blank = context(TWO, here.state._replace(current={}), {})
    both = made(APP, here, blank).data
    steps = decode_delivery(decode_envelope(both).manifest).steps
    assert any(one.part == other.part and one.base is not None for one, other in itertools.pairwise(steps))
    any_one = context(TWO, fresh(here.product), {})
    for every in (False, True):  # nobody knows which slot is free there, whoever asks
        assert judge(ByteView(both), "x", any_one._replace(every=every)).accepted


def test_what_nobody_takes_is_named(tmp_path: Path) -> None:
    """Every step has a device but the one for those of which nothing is known."""
    archive = tmp_path / "one.suit"
    archive.write_bytes(before(TWO)[0].package)
    here = context(TWO)
    unknown = context(TWO, fresh(here.product), {})
    data = ByteView(for_two())
    unjudged = judge(data, "x", unknown)
    assert (unjudged.accepted, unjudged.findings) == (False, ())
    assert "is not at hand" in why(unjudged)
    verdict, _ = judged_by_bases(unjudged, data, unknown, (str(archive),))
    assert not verdict.accepted
    assert why(verdict).startswith("what is for devices of which nothing is known goes to app-")


def test_a_device_of_the_archive_has_one_slot_free(tmp_path: Path) -> None:
    """It is asked as itself, though the judge was to ask for every device: one build is enough for it."""
    archive = tmp_path / "radio.suit"
    archive.write_bytes(package(RADIO))
    here = context(TWO)
    holds = decode_envelope(package(RADIO)).payloads["#radio"]
    state = here.state._replace(current={2: Member(0, b"")})
    none = context(TWO, state, {"radio": ByteView(bytes(holds))})
    both = made(BOTH, none).data
    builds = [step for step in decode_delivery(decode_envelope(both).manifest).steps if step.part.number == 1]
    assert [step.part.slot for step in builds] == [0, 1]
    one = signed(said_of(both, steps=tuple(builds[:1])), payloads=lambda it: {"#": it["#"], "#00": it["#00"]})
    every = context(TWO, fresh(here.product), {})._replace(every=True)
    unjudged = judge(ByteView(both), "x", every)._replace(name="one")
    verdict, _ = judged_by_bases(unjudged, ByteView(one), every, (str(archive),))
    assert verdict.accepted, verdict.findings
    assert verdict.device.startswith(f"devices that run {archive}")
