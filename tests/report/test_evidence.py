"""Nothing in the evidence says more than what ran on the package. Source: docs/report.md."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from desk import DAY, edited, material_of, whole
from workshop import Workshop, any_public, firmware, make, product, repacked, two_algorithms, workshop

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.findings import FAILED as CHECK_FAILED
from imgseal.findings import NOT_RUN, CheckResult, Finding, Verdict
from imgseal.formats.cbor.strict import decode, encode
from imgseal.formats.suit import labels
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.keys.trusted_keys import TrustedKey
from imgseal.rehearse.apply import apply
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.report import report_inputs
from imgseal.report.evidence import MAKERS, Row, judged, schemes
from imgseal.report.grounds import FAILED, IN_PART, NOT_SHOWN, SHOWN, STATED
from imgseal.report.inputs import Material
from imgseal.report.observations import Observation, observe
from imgseal.versions import Version
from imgseal.window import ByteView


def seen(material: Material, name: str) -> tuple[str, str]:
    probe = observe(material)[name]
    return probe.answer, probe.words


def rows() -> dict[tuple[str, str], Row]:
    return {(scheme.id, row.clause): row for scheme in schemes() for row in scheme.rows}


def results(material: Material) -> set[str]:
    found = observe(material)
    return {judged(row, found) for row in rows().values()}


def checks_of(material: Material, change: Callable[[CheckResult], CheckResult | None]) -> Material:
    """The same material after a judge that did something else; None leaves a check out."""
    old = material.verdict
    checks = tuple(new for new in map(change, old.checks) if new is not None)
    return material._replace(verdict=Verdict(old.name, old.kind, old.device, checks, old.details, old.notes))


def without(material: Material, name: str, subject: str) -> Material:
    return checks_of(material, lambda c: None if (c.name, c.subject) == (name, subject) else c)


def unrun(material: Material, name: str, subject: str) -> Material:
    return checks_of(material, lambda c: c._replace(outcome=NOT_RUN) if (c.name, c.subject) == (name, subject) else c)


# What is tried starts from the device that takes the package as it is.


def narrow() -> Material:
    """A package for hardware 3 alone, and a device of hardware 3; the product has 2 to 4."""
    shop = edited(lambda text: text.replace('hardware = "2..4"', 'hardware = "3..3"'))
    return material_of(shop.package, workshop(), fresh(workshop().product)._replace(hardware=3, fresh=False))


def newer_bootloader() -> Material:
    """A package that needs a bootloader which devices have not left the factory with, and a device that has it."""
    shop = edited(
        lambda text: text.replace('bootloader = ">=1.1.0"', 'bootloader = ">=2.0.0"').replace(
            'version = "1.1.0"', 'version = "2.0.0"'
        )
    )
    state = fresh(workshop().product)._replace(bootloader=Version.parse("2.0.0"), fresh=False)
    return material_of(shop.package, workshop(), state)


def for_a_unit(component: str) -> Material:
    """One component, for a device whose slots hold the set."""
    shop = workshop()
    state = fresh(shop.product)._replace(hardware=3, fresh=False)
    applied = apply(Context(shop.product, shop.trust, state, {}), ByteView(shop.package))
    held: dict[str, Any] = {name: ByteView(content) for name, content in applied.slots.items()}
    of = product(lambda text: text.replace("sequence = 17", "sequence = 18"))
    part = make(of, files=[file for file in firmware() if file.component == component])
    return material_of(part.package, shop, applied.state, held)


def motor_for_a_unit() -> Material:
    """The motor needs a radio, which is in a slot of the device and not in the package."""
    return for_a_unit("motor")


def radio_for_a_unit() -> Material:
    return for_a_unit("radio")


def same_images_again() -> Material:
    """The same images under the next sequence number, rehearsed on a device that runs them."""
    shop = workshop()
    state = fresh(shop.product)._replace(hardware=3, fresh=False)
    applied = apply(Context(shop.product, shop.trust, state, {}), ByteView(shop.package))
    held: dict[str, Any] = {name: ByteView(content) for name, content in applied.slots.items()}
    data = ByteView(make(product(lambda text: text.replace("sequence = 17", "sequence = 18"))).package)
    stage = set_up(Context(shop.product, shop.trust, applied.state, held), data)
    played = rehearse(stage, data, pairs=10, seed="1")
    material = material_of(bytes(data.read(0, data.size)), shop, applied.state, held)
    return material._replace(rehearsal=played, rehearsed_on="a device with the release before")


def test_a_package_that_leaves_the_set_as_it_is_fails_no_row() -> None:
    material = same_images_again()
    assert material.rehearsal is not None
    assert material.rehearsal.tally.singles > 100
    assert seen(material, "rehearsal")[0] == SHOWN
    assert FAILED not in results(material)


@pytest.mark.parametrize("made", [narrow, newer_bootloader, motor_for_a_unit, radio_for_a_unit])
def test_what_is_tried_is_tried_on_the_device_of_the_verdict(made: Callable[[], Material]) -> None:
    """A package that only some devices take is refused there for each one thing that is wrong, and for nothing else."""
    material = made()
    assert material.verdict.accepted
    assert len(material.changes) > 15
    assert [change for change in material.changes if not change.fits] == []
    for name in ("refused", "rollback", "power"):
        assert seen(material, name)[0] == SHOWN, seen(material, name)
    answer, words = seen(material, "authorisation")
    if made is radio_for_a_unit:
        assert (answer, words[:33]) == (NOT_SHOWN, "no component of the package has a")
    else:
        assert answer == SHOWN


def test_other_hardware_is_what_the_images_are_not_for() -> None:
    """A package for more revisions than the product file has now: the one behind the product's own would take it."""
    shop = edited(lambda text: text.replace('hardware = "2..4"', 'hardware = "2..5"'))
    material = material_of(shop.package, workshop())
    assert seen(material, "refused")[0] == SHOWN
    assert "a device of hardware revision 6" in {change.what for change in material.changes}


def test_components_that_are_not_in_the_package_are_named() -> None:
    part = make(workshop().product, files=[file for file in firmware() if file.component == "radio"])
    for package, words in (
        (part.package, "radio 1.3.2; not in this package: motor, phrases, recovery"),
        (workshop().package, "radio 1.3.2, motor 2.4.1, phrases 1.0.4; not in this package: recovery"),
    ):
        assert seen(material_of(package), "components") == (IN_PART, words)


def test_an_envelope_that_comes_out_otherwise_is_not_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is changed is the package with one thing wrong only if putting it together again gives the package."""
    monkeypatch.setattr(report_inputs, "_joined", lambda _envelope: b"")
    material = material_of(workshop().package)
    assert material.changes == ()
    assert "not the same bytes" in seen(material, "refused")[1]


def test_every_change_names_its_codes_and_gets_one() -> None:
    for change in whole().changes:
        assert change.codes
        assert change.fits, change
        assert all(re.fullmatch(r"[a-z]+\.[a-z-]+", code) for code in change.codes)


def test_a_refusal_for_another_reason_shows_nothing() -> None:
    """The device of another counter was refused for its hardware: what was to be seen was not."""
    material = whole()
    other = tuple(c._replace(first="identity.wrong-hardware") if "counter" in c.what else c for c in material.changes)
    material = material._replace(changes=other)
    for name in ("refused", "rollback"):
        answer, words = seen(material, name)
        assert answer == NOT_SHOWN
        assert "a device whose counter of motor is 7 (identity.wrong-hardware)" in words
    other = tuple(c._replace(first="not run") for c in whole().changes)
    for name in ("refused", "rollback", "power", "authorisation"):
        assert seen(material._replace(changes=other), name)[0] == NOT_SHOWN
    taken = tuple(c._replace(first=None) for c in whole().changes)
    for name in ("refused", "rollback", "power", "authorisation"):
        assert seen(material._replace(changes=taken), name)[0] == FAILED


def test_a_counter_that_was_not_tried_is_not_shown() -> None:
    material = whole()
    rest = tuple(change for change in material.changes if "counter" not in change.what)
    assert seen(material._replace(changes=rest), "rollback")[0] == NOT_SHOWN


def test_without_a_control_nothing_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """The unchanged package is judged first; refused there, no row is written, and the reason is."""
    from imgseal.check.judge import judge as real

    def moody(data: Any, name: str, *arguments: Any, **named: Any) -> Any:
        return real(ByteView(b"") if name == "unchanged" else data, name, *arguments, **named)

    monkeypatch.setattr(report_inputs, "judge", moody)
    material = material_of(workshop().package)
    assert material.changes == ()
    assert material.untried == "judged once more, and unchanged, the package is refused: structure.unrecognised"
    for name in ("refused", "rollback", "power", "authorisation"):
        answer, words = seen(material, name)
        assert answer == NOT_SHOWN
        assert words == f"not tried: {material.untried}"


def test_a_refused_package_says_why_nothing_was_tried() -> None:
    material = material_of(workshop().package[:-1])
    assert seen(material, "refused") == (NOT_SHOWN, "not tried: the package is refused as it is")


def test_of_two_equal_payloads_the_right_one_is_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each change is one bit of the part that it names, wherever the same bytes stand a second time."""
    twice = dict.fromkeys(("#y", "#z"), b"twice the same")
    package = repacked(workshop().package, payloads=lambda members: {**members, **twice})
    envelope = decode_envelope(package)
    tried: list[bytes] = []

    def keep(data: ByteView, *_arguments: Any, **_named: Any) -> Verdict:
        tried.append(bytes(data.read(0, data.size)))
        return Verdict("", "", "", ())

    monkeypatch.setattr(report_inputs, "judge", keep)
    shop = workshop()
    context = Context(shop.product, shop.trust, fresh(shop.product), {}, day=DAY)
    whats = [change.what for change in report_inputs.changed_packages(package, envelope, context)]
    assert len(whats) == len(tried)
    for key in ("#y", "#z"):
        changed = tried[whats.index(f"one bit of the payload {key} is changed")]
        payloads = decode_envelope(changed).payloads
        assert [name for name in payloads if payloads[name] != envelope.payloads[name]] == [key]
        assert sum(a != b for a, b in zip(changed, package, strict=True)) == 1


# Nothing is shown of what nobody verified.

UNVERIFIED = {
    "signed by a stranger": lambda: repacked(workshop().package, by=("stranger",)),
    "cut": lambda: workshop().package[:200],
    "a byte behind it": lambda: workshop().package + b"\x00",
}


@pytest.mark.parametrize("name", UNVERIFIED)
def test_rows_on_a_package_that_nobody_verified(name: str) -> None:
    material = material_of(UNVERIFIED[name]())._replace(logged="entry 3 of log, head x", comparison=whole().comparison)
    assert not material.verdict.accepted
    assert results(material) <= {FAILED, NOT_SHOWN, STATED, MAKERS}
    for probe in observe(material).values():
        assert probe.answer in (FAILED, NOT_SHOWN, STATED), probe
    for observation in (
        "components",
        "dates",
        "needs",
        "data",
        "boot",
        "log",
        "changes",
        "leaks",
        "identity",
        "several",
    ):
        assert seen(material, observation)[0] == NOT_SHOWN, observation


def test_what_the_file_or_the_tool_says_is_stated() -> None:
    """It is the same for every package, so it shows nothing of this one."""
    for name in ("anchors", "agility", "recovery", "codes"):
        assert seen(whole(), name)[0] == STATED
    stated = Observation("x", "x", STATED, "", "")
    shown = Observation("y", "y", SHOWN, "", "")
    assert judged(Row("1", "", ("x",)), {"x": stated}) == STATED
    assert judged(Row("1", "", ("x", "y")), {"x": stated, "y": shown}) == IN_PART


@pytest.mark.parametrize("drop", [without, unrun])
@pytest.mark.parametrize(
    ("check", "subject", "lost"),
    [
        ("signature", "radio", {"components", "dates", "needs", "boot", "leaks", "identity", "sizes", "release", "algorithms", "changes"}),
        ("one-kind", "package", {"release"}), ("hardware", "motor-b", {"identity"}), ("vendor", "radio", {"identity"}), ("class", "phrases", {"identity"}),
        ("shared", "package", {"identity"}), ("installation", "package", {"sizes"}), ("size", "radio", {"sizes"}), ("address", "motor-a", {"sizes"}),
        ("header-block", "radio", {"sizes"}), ("severed", "package", {"text", "model"}), ("digest", "package", set()),
    ],
)  # fmt: skip
def test_an_observation_needs_its_checks(drop: Any, check: str, subject: str, lost: set[str]) -> None:
    """A check that was left out, or did not run, takes what speaks of it along. Not run is not passed."""
    base = whole()
    assert any((c.name, c.subject) == (check, subject) for c in base.verdict.checks)
    material = drop(base, check, subject)
    if drop is without:  # the verdict is another where a mandatory check did not run; that is what `accepted` says
        assert seen(material, "accepted")[0] == SHOWN
    before, after = observe(base), observe(material)
    gone = {name for name in before if after[name].answer != before[name].answer} - {
        "accepted",
        "signatures",
        "anchors",
    }
    assert gone == lost
    assert all(after[name].answer == NOT_SHOWN for name in lost)


def test_signatures_need_a_check_of_each_image() -> None:
    assert seen(without(whole(), "signature", "radio"), "signatures")[0] == NOT_SHOWN
    assert seen(unrun(whole(), "signature", "radio"), "signatures") == (FAILED, "4 of 5 signature checks passed")
    only = checks_of(whole(), lambda c: c if c.subject == "package" else None)
    assert seen(only, "signatures")[0] == NOT_SHOWN


def test_a_package_without_images_shows_nothing_of_images() -> None:
    material = whole()
    assert material.contents is not None
    material = material._replace(contents=material.contents._replace(images={}))
    for name in ("signatures", "components", "identity", "sizes", "boot", "release", "leaks"):
        assert seen(material, name) == (NOT_SHOWN, "the package brings no sealed image")


def test_identity_says_what_the_images_state() -> None:
    """Of a package for hardware 3, the range of its images; not the one of the product file."""
    answer, words = seen(narrow(), "identity")
    assert answer == SHOWN
    assert "hardware 3 to 3" in words
    assert "2 to 4" not in words


def test_sizes_with_a_finding_of_placement() -> None:
    finding = Finding("placement.no-slot", "no slot is free")
    material = checks_of(
        whole(),
        lambda c: c._replace(outcome=CHECK_FAILED, findings=(finding,)) if c.name == "installation" else c,
    )
    assert seen(material, "sizes") == (FAILED, "placement.no-slot")


def test_the_log_needs_the_digest() -> None:
    material = whole()._replace(logged="entry 3 of log, head x")
    assert seen(material, "log") == (SHOWN, "entry 3 of log, head x")
    for name in ("digest", "signature"):
        assert seen(unrun(material, name, "package"), "log")[0] == NOT_SHOWN


# Several signers, development, what is judged when.


def trusted(material: Material, *names: str, need: int) -> Material:
    """The material with these keys for packages, `need` of which have to sign."""
    keys = [
        TrustedKey(any_public(name), any_public(name).key_id, f"{name}.pub.pem", "packages", development=False)
        for name in names
    ]
    rest = tuple(key for key in material.trust.keys if key.role != "packages")
    return material._replace(trust=material.trust._replace(keys=(*rest, *keys), need_packages=need))


def test_several_keys_of_which_one_is_enough() -> None:
    material = trusted(material_of(workshop().package), "keys/packages", "keys/other", need=1)
    assert seen(material, "several") == (NOT_SHOWN, "one signature is enough, of any of 2 keys")


def test_two_signers() -> None:
    package = repacked(workshop().package, by=("keys/packages", "keys/other"))
    base = trusted(material_of(workshop().package), "keys/packages", "keys/other", "keys/third", need=2)
    material = material_of(package, workshop()._replace(trust=base.trust))
    assert material.verdict.accepted
    answer, words = seen(material, "several")
    assert answer == SHOWN
    assert words == "2 of 3 keys for ESP256 must sign a package; keys/packages.pub.pem, keys/other.pub.pem have"
    assert seen(unrun(material, "signature", "package"), "several")[0] == NOT_SHOWN


def test_two_algorithms_are_counted_by_algorithm() -> None:
    """One key for each of two algorithms that must verify: two signatures, and one person may make both."""
    shop = edited(two_algorithms)
    answer, words = seen(material_of(shop.package, shop), "several")
    assert answer == NOT_SHOWN
    assert words == "one signature for each of 2 algorithms is enough, which may be one person's, of any of 2 keys"
    answer, words = seen(material_of(shop.package, shop), "algorithms")
    assert "ESP256 (over SHA-256) and ML-DSA-44 (which hashes by itself) must verify" in words


def test_two_names_of_one_algorithm_ask_for_one_signature() -> None:
    """ES256 and ESP256 are one computation: one signature answers both."""
    material = whole()
    rules = material.product.rules._replace(algorithms=("ESP256", "ES256"), must_verify=("ESP256", "ES256"))
    material = material._replace(product=material.product._replace(rules=rules))
    assert seen(material, "several") == (NOT_SHOWN, "one signature is enough")


def test_a_signature_that_no_slot_of_the_contents_names() -> None:
    """An image that the judge knows by another name counts as well: every signature has to hold."""
    extra = CheckResult("signature", "signature", "component 9", NOT_RUN)
    old = whole().verdict
    verdict = Verdict(old.name, old.kind, old.device, (*old.checks, extra), old.details, old.notes)
    answer, words = seen(whole()._replace(verdict=verdict), "components")
    assert (answer, words) == (NOT_SHOWN, "the signature of what is for component 9 is not verified")


def test_development_packages() -> None:
    shop = make(product(), development=True)
    material = material_of(shop.package, shop, development=True)
    assert material.verdict.accepted
    assert seen(material, "signatures") == (NOT_SHOWN, "the package and 4 sealed images are signed by development keys")
    answer, words = seen(material, "anchors")
    assert answer == NOT_SHOWN
    assert "by development keys" in words
    assert seen(material, "release")[0] == FAILED
    assert seen(material, "refused")[0] == SHOWN


def judged_at_install(*names: str) -> Workshop:
    def edit(text: str) -> str:
        for name in names:
            text = text.replace(f"[component.{name}]\n", f'[component.{name}]\njudged = "install"\n')
        return text

    return edited(edit)


def test_code_that_is_judged_at_installation_alone() -> None:
    """An exception is named, and takes the row with it; data are spoken of where the package brings some."""
    assert seen(whole(), "boot")[0] == STATED
    shop = judged_at_install("radio")
    answer, words = seen(material_of(shop.package, shop), "boot")
    assert answer == STATED
    assert words.endswith("not again after it: radio")
    shop = judged_at_install("radio", "motor")
    assert seen(material_of(shop.package, shop), "boot")[0] == NOT_SHOWN


def test_data_that_the_package_does_not_bring() -> None:
    assert seen(whole(), "data") == (
        NOT_SHOWN,
        "signed as code is; by the product file judged: phrases at install; not again after it: phrases",
    )
    material = radio_for_a_unit()
    assert seen(material, "data") == (NOT_SHOWN, "the package has no component that holds data")
    assert seen(material, "components")[0] == IN_PART
    assert seen(material, "signatures")[1].startswith("the package and 1 sealed image are signed")
    assert "1 payload" in seen(material, "leaks")[1]
    assert "1 payloads" not in seen(material, "leaks")[1]


def test_data_that_are_judged_at_each_use() -> None:
    shop = edited(lambda text: text.replace('judged = "install"', 'judged = "use"'))
    assert seen(material_of(shop.package, shop), "data") == (
        STATED,
        "signed as code is; by the product file judged: phrases at use",
    )


def test_one_key_is_one_key() -> None:
    material = whole()
    keys = tuple(key for key in material.trust.keys if key.role == "images" and not key.development)
    assert len(keys) == 1
    words = seen(material._replace(trust=material.trust._replace(keys=keys)), "anchors")[1]
    assert words.startswith("1 key in the product file;")


def test_text_inside_the_manifest_counts() -> None:
    """A maker whose devices have another verifier may leave the text where it is signed; SUIT manifest draft, section 8.4.4."""
    shop = edited(lambda text: text.replace("[rules]\n", '[rules]\nverifier = "bench"\n'))
    package = shop.package
    text = decode_envelope(package).severed[labels.TEXT]

    def inside(manifest: bytes) -> bytes:
        value = decode(manifest, "manifest")
        assert isinstance(value, dict)
        return encode({**value, labels.TEXT: text})

    made = repacked(package, inside, severed=lambda members: {k: v for k, v in members.items() if k != labels.TEXT})
    material = material_of(made, shop)
    assert material.verdict.accepted, material.verdict.findings
    assert seen(material, "text") == seen(whole(), "text")
    assert seen(material, "text")[0] == SHOWN
    assert seen(unrun(material, "severed", "package"), "text")[0] == NOT_SHOWN


def test_requirements_that_are_not_decided() -> None:
    """Of a package that a fresh device could not complete; stated is not met."""
    material = checks_of(whole(), lambda c: c._replace(outcome=NOT_RUN) if c.name == "requirements" else c)
    assert seen(material, "needs")[0] == IN_PART
    finding = Finding("rules.requirement-not-met", "no")
    material = checks_of(whole(), lambda c: c._replace(findings=(finding,)) if c.name == "requirements" else c)
    assert seen(material, "needs")[0] == FAILED


@pytest.mark.parametrize(
    "spoil", [lambda raw: raw, lambda raw: raw[:-1] + bytes([raw[-1] ^ 1]), lambda raw: raw[:2000]]
)
def test_no_answer_without_its_reason(spoil: Callable[[bytes], bytes]) -> None:
    """docs/report.md: each observation says why, also of a package that is refused or cannot be read."""
    found = observe(material_of(spoil(workshop().package)))
    assert [name for name, probe in found.items() if not probe.words.strip()] == []
    assert len(found) > 15


# What an observation is called, it has to be.


def test_down_time_from_typed_times_is_an_estimate() -> None:
    """erase_ms and program_us are typed from a data sheet: nothing was measured, so nothing is shown."""
    answer, words = seen(whole(), "down")
    assert answer == STATED
    assert "an estimate from the times in the product file, measured on no device" in words


def test_a_model_designation_is_one_that_people_read() -> None:
    """Class identifiers are none: without text.model the words of a package name no model."""
    assert seen(whole(), "model") == (SHOWN, "in words, signed with the package: Vent Drive 2")
    shop = edited(lambda text: text.replace('model = "Vent Drive 2"\n', ""))
    answer, words = seen(material_of(shop.package, shop), "model")
    assert answer == NOT_SHOWN
    assert "text.model" in words
    assert seen(material_of(shop.package, shop), "identity")[0] == SHOWN


def test_what_is_judged_on_a_device_is_stated() -> None:
    """The product file says when; no bootloader of a device has run here."""
    at_use = edited(lambda text: text.replace('judged = "install"', 'judged = "use"'))
    for name in ("boot", "data"):
        answer, words = seen(material_of(at_use.package, at_use), name)
        assert answer == STATED
        assert "by the product file judged" in words


def test_identity_names_the_slots_where_ranges_differ() -> None:
    """Where all images state one range nobody asks whose it is."""
    narrowed = narrow()
    assert "hardware 3 to 3:" in seen(narrowed, "identity")[1]
    assert narrowed.contents is not None
    images = dict(narrowed.contents.images)
    radio = images["radio"]
    images["radio"] = radio._replace(statement=radio.statement._replace(hardware=(3, 4)))
    words = seen(narrowed._replace(contents=narrowed.contents._replace(images=images)), "identity")[1]
    assert "hardware 3 to 4 (radio)" in words
    assert "hardware 3 to 3 (motor-a, motor-b, phrases)" in words


def test_a_product_without_a_way_back_says_so() -> None:
    material = whole()
    none = {
        name: c._replace(run=c.run[:1], header=c.header[:1], keep=None, recovery=False)
        for name, c in material.product.components.items()
    }
    said = seen(material._replace(product=material.product._replace(components=none)), "recovery")
    assert said == (NOT_SHOWN, "the product file has neither a recovery image nor a way back")
    assert (
        seen(material, "recovery")[1]
        == "in the product file: recovery image: recovery; the image before can start again: motor, radio"
    )
