"""What a report must not say otherwise than it is, case by case. Source: docs/report.md."""

import hashlib
import re
from pathlib import Path
from typing import Any

import html5lib
import pytest
from desk import edited, material_of, page_of, whole
from workshop import Workshop, any_signer, detached_radio, firmware, make, product, repacked, resealed, workshop

from imgseal.check.context import Context
from imgseal.compare.difference import compare
from imgseal.device_state.device import fresh
from imgseal.findings import NOT_RUN, PASSED
from imgseal.flow.contents import read_contents
from imgseal.formats.cbor.strict import encode
from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement
from imgseal.formats.sealed_image.statement import SignatureSlot
from imgseal.formats.suit import labels
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.outline import DEEPEST, branches, outline
from imgseal.rehearse.apply import apply
from imgseal.report.document import report_document
from imgseal.report.drawing import draw_map
from imgseal.report.inputs import Change, Material
from imgseal.report.memory_map import Content, InSlot, contents_of_slots, map_lines, memory_maps
from imgseal.report.observations import observe
from imgseal.report.page import render
from imgseal.report.printable import printable
from imgseal.report.timeline import COLUMNS
from imgseal.window import ByteView

CSS = (Path(__file__).parents[2] / "imgseal" / "report" / "page.css").read_text()


def text_of(material: Material) -> str:
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page_of(material))
    return re.sub(r" ([.,;:)])", r"\1", " ".join(" ".join(tree.itertext()).split()))


def with_text(text: str) -> bytes:
    return repacked(workshop().package, severed=lambda m: {**m, labels.TEXT: encode({"en": {1: text}})})


def with_image(shop: Workshop, slot: str, image: bytes) -> bytes:
    """The package with another image for a slot, digest and all."""
    old = shop.images[slot]
    return repacked(
        shop.package,
        lambda data: bytes(data).replace(hashlib.sha256(old).digest(), hashlib.sha256(image).digest()),
        payloads=lambda members: {key: image if value == old else value for key, value in members.items()},
    )


def slots_of(document: Any) -> dict[str, Any]:
    return {part["slot"]: part for memory in document["memories"] for part in memory["ranges"] if part["slot"]}


def component(document: Any, name: str) -> Any:
    return next(each for each in document["components"] if each["name"] == name)


# 6: depth


def test_a_text_that_grows_to_the_right_is_flat() -> None:
    lines = "\n".join(" " * number + "x" for number in range(340))
    data = with_text(lines)
    page = page_of(material_of(data))
    assert len(re.findall(r'<bdi class="mono"> +x</bdi></li>', page)) == 339  # a leaf each
    depths = {depth for depth, line in branches(decode_envelope(data)) if line.strip() == "x"}
    assert depths == {3}


def test_depth_is_that_of_the_manifest_and_has_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    envelope = decode_envelope(workshop().package)
    lines = list(branches(envelope))
    assert lines[0] == (0, f"digest of the manifest: {envelope.digest.value.hex()}")
    assert ["  " * depth + line for depth, line in lines] == list(outline(envelope))
    assert (1, "sequence number: 17") in lines
    assert max(depth for depth, _ in lines) < DEEPEST
    monkeypatch.setattr("imgseal.formats.suit.outline._envelope", lambda *_: ((number, "x") for number in range(5000)))
    material = material_of(workshop().package)
    assert max(line["depth"] for line in report_document(material)["manifest"]) == DEEPEST
    page_of(material)


# 4: has signed


def test_a_key_that_is_only_named_has_signed_nothing() -> None:
    shop = workshop()
    desk, released = any_signer("keys-dev/images"), any_signer("keys/images")
    statement = decode_header_block(shop.images["phrases"]).statement
    slots = (statement.signatures[0], SignatureSlot(-9, desk.public.key_id, 64))
    statement = statement._replace(signatures=slots)
    header = encode_header_block(statement, (released.sign(encode_statement(statement)), b"\x11" * 64))
    image = bytes(header) + shop.images["phrases"][statement.header_block :]
    material = material_of(with_image(shop, "phrases", image))
    assert material.verdict.accepted
    document = report_document(material)
    signed = {key["file"]: key["signed"] for key in document["trust_anchors"]}
    assert "phrases" in signed["keys/images.pub.pem"]
    assert signed["keys-dev/images.pub.pem"] == []
    (phrases,) = component(document, "phrases")["images"]
    assert [each["verified"] for each in phrases["signatures"]] == [True, False]


def test_nothing_of_an_image_that_is_refused_is_called_signed() -> None:
    shop = workshop()
    image = bytearray(shop.images["radio"])
    image[400] ^= 1  # its signature
    document = report_document(material_of(with_image(shop, "radio", bytes(image))))
    assert document["verdict"]["verdict"] == "refused"
    assert all("radio" not in key["signed"] for key in document["trust_anchors"])
    assert component(document, "radio")["images"][0]["verified"] is False


# 5: two images of a component


def test_two_images_of_a_component_say_what_they_say() -> None:
    shop = workshop()
    other = resealed(
        shop.images["motor-b"], lambda s: s._replace(build_time=1_700_000_000, source_revision=b"\xee" * 20, counter=7)
    )
    material = material_of(with_image(shop, "motor-b", other))
    first, second = component(report_document(material), "motor")["images"]
    assert (second["slot"], second["built"], second["revision"], second["counter"]) == (
        "motor-b",
        1_700_000_000,
        "ee" * 20,
        7,
    )
    assert first["built"] != second["built"]
    assert first["counter"] == 6
    text = text_of(material)
    assert "2023-11-14T22:13:20Z" in text
    assert "motor-a: 6; motor-b: 7" in text


# 8: unreadable is not absent


def test_what_cannot_be_read_is_not_called_absent() -> None:
    for data in (workshop().package[:200], b"\xd8\x6b\xa0", workshop().package[:-1]):
        material = material_of(data)
        document = report_document(material)
        assert {each["in_package"] for each in document["components"]} == {None}
        assert [each["images"] for each in document["components"]] == [[]] * len(document["components"])
        package = document["package"]
        assert (package["sbom"], package["log"], package["private_keys"], package["says"]) == (None, None, None, None)
        assert package["readable"] == {"envelope": False, "contents": False, "text": False}
        text = text_of(material)
        assert "not in this package" not in text
        assert "none is named" not in text
        assert "bill of materials not readable" in text
        assert "1.3.2" not in page_of(material).split('id="components"')[1].split("</section>")[0]


@pytest.mark.parametrize("taken", [True, False])
def test_a_text_that_was_taken_out_or_spoilt_may_have_named_a_bill(taken: bool) -> None:
    def change(members: dict[int, bytes]) -> dict[int, bytes]:
        rest = {label: value for label, value in members.items() if label != labels.TEXT}
        return rest if taken else {**rest, labels.TEXT: b"\xff"}

    material = material_of(repacked(workshop().package, severed=change))
    readable = report_document(material)["package"]["readable"]
    assert readable == {"envelope": True, "contents": True, "text": False}
    assert "bill of materials not readable" in text_of(material)
    assert "bill of materials none is named" in text_of(material_of(workshop().package))


def test_a_log_that_could_not_be_searched_is_no_answer() -> None:
    shop = workshop()
    kept = shop._replace(product=shop.product._replace(log="release.log"))
    text = text_of(material_of(shop.package[:-1], kept)._replace(logged=""))
    assert "release log not readable" in text
    assert "release log not in the log" in text_of(material_of(shop.package, kept)._replace(logged=""))


# 9: counters


def only_motor(data: bytes, shop: Workshop) -> Material:
    material = material_of(data, shop, fresh(shop.product)._replace(counters={4: 7, 1: 2}, hardware=3, fresh=False))
    assert material.contents is not None
    images = {name: image for name, image in material.contents.images.items() if image.component == "motor"}
    return material._replace(contents=material.contents._replace(images=images))


def test_the_counter_of_what_is_not_brought_is_the_device_s() -> None:
    shop = workshop()
    name = next(c.name for c in shop.product.components.values() if c.number == 4)
    material = only_motor(shop.package, shop)
    each = component(report_document(material), name)
    assert (each["in_package"], each["counter_before"], each["images"]) == (False, 7, [])
    text = text_of(material)
    assert "not in this package 7 on the device" in text
    assert "1, was 7" not in text


def test_a_counter_beyond_its_storage_is_said_to_be() -> None:
    shop = workshop()
    image = resealed(shop.images["motor-a"], lambda s: s._replace(counter=100))
    material = material_of(with_image(shop, "motor-a", image))
    motor = component(report_document(material), "motor")["images"]
    assert [(each["steps_left"], each["counter_fits"]) for each in motor] == [(None, False), (58, True)]
    full = resealed(shop.images["motor-a"], lambda s: s._replace(counter=64))
    last = component(report_document(material_of(with_image(shop, "motor-a", full))), "motor")["images"]
    assert [(each["steps_left"], each["counter_fits"]) for each in last] == [(0, True), (58, True)]
    text = text_of(material)
    assert "-36" not in text
    assert "100 is more than the 64 that the counter storage can hold" in text


# 10: the memory map


def test_detached_headers_are_read_with_their_payloads() -> None:
    shop = edited(detached_radio)
    state = fresh(shop.product)._replace(hardware=3, fresh=False)
    applied = apply(Context(shop.product, shop.trust, state, {}), ByteView(shop.package))
    slots = shop.product.slots
    held = {n: ByteView(bytes(v) + b"\xff" * (slots[n].size - len(v))) for n, v in applied.slots.items()}
    lying = contents_of_slots(shop.product, None, held)
    size = decode_header_block(bytes(applied.slots["radio-header"])).statement.payload_size
    assert lying["radio"] == InSlot(Content(size, "radio 1.3.2"))
    assert lying["radio-header"] == InSlot(Content(0x400, "header of radio 1.3.2"))
    staged = {"radio-staging": ByteView(bytes(applied.slots["radio-header"]) + bytes(applied.slots["radio"]))}
    assert contents_of_slots(shop.product, None, staged)["radio-staging"].holds == Content(0x400 + size, "radio 1.3.2")
    alone = {"radio": held["radio"]}
    assert contents_of_slots(shop.product, None, alone)["radio"].holds == Content(slots["radio"].size, "other content")


def test_the_room_of_an_image() -> None:
    """All of the slot where the header lies elsewhere, else what is behind the header block."""
    for shop, component, block in ((edited(detached_radio), "radio", 0), (workshop(), "radio", 0x400)):
        found = report_document(material_of(shop.package, shop))
        (image,) = next(each for each in found["components"] if each["name"] == component)["images"]
        assert image["room"] == shop.product.slots["radio"].size - block


def test_what_is_too_large_is_said_and_drawn_inside() -> None:
    shop = workshop()
    big = shop.images["radio"] + bytes(400_000)
    material = material_of(with_image(shop, "radio", big))
    document = report_document(material)
    radio = slots_of(document)["radio"]
    assert (radio["used"], radio["free"], radio["over"]) == (len(big), 0, len(big) - radio["size"])
    for memory in document["memories"]:
        drawing = draw_map(memory)
        assert all(block.taken <= block.height for block in drawing.blocks)
        assert all(block.y + block.height <= 8 + drawing.bar + 0.02 for block in drawing.blocks)
    assert f"{radio['over']} bytes too many" in text_of(material)
    lines = "\n".join(map_lines(memory_maps(shop.product, contents_of_slots(shop.product, material.contents, {}))))
    assert f"new: radio 1.3.2, {radio['over']} bytes too many" in lines


def test_a_device_keeps_what_it_runs_on_the_map() -> None:
    shop = workshop()
    state = fresh(shop.product)._replace(hardware=3, fresh=False)
    applied = apply(Context(shop.product, shop.trust, state, {}), ByteView(shop.package))
    held = {name: ByteView(content) for name, content in applied.slots.items()}
    newer = edited(
        lambda text: text.replace("sequence = 17", "sequence = 18").replace('version = "2.4.1"', 'version = "2.5.0"')
    )
    material = material_of(newer.package, newer, applied.state, held)  # type: ignore[arg-type]
    assert material.verdict.accepted
    running = "motor-a" if applied.state.running[1] == 0 else "motor-b"
    free = "motor-b" if running == "motor-a" else "motor-a"
    slots = slots_of(report_document(material))
    assert slots[running]["holds"]["words"] == "motor 2.4.1"
    assert slots[running]["brings"]["installs"] is False
    assert slots[running]["new"] is False
    assert slots[free]["brings"]["installs"] is True
    assert slots[free]["new"] is True
    assert (slots["radio"]["brings"]["same"], slots["radio"]["new"], slots[free]["brings"]["same"]) == (
        True,
        False,
        False,
    )
    text = text_of(material)
    assert "not installed on this device" in text
    assert "is installed here" in text
    assert "radio 1.3.2: the same bytes are there" in text
    fresh_one = slots_of(report_document(material_of(shop.package)))
    assert {part["brings"]["installs"] for part in fresh_one.values() if part["brings"]} == {None}


# 11: checks


def test_checks_that_did_not_apply_are_counted_as_such() -> None:
    material = material_of(workshop().package)
    counts = report_document(material)["counts"]
    none = [c for c in material.verdict.checks if c.outcome == NOT_RUN and not c.mandatory]
    assert counts == {
        "passed": sum(c.outcome == PASSED for c in material.verdict.checks),
        "failed": 0,
        "did_not_run": 0,
        "did_not_apply": len(none),
    }
    assert len(none) > 0
    text = text_of(material)
    assert f"0 did not run, {len(none)} did not apply." in text
    assert 'data-label="did not apply"' in page_of(material)
    assert 'data-label="did not run"' not in page_of(material)
    refused = material_of(workshop().package[:-1])
    assert report_document(refused)["counts"]["did_not_run"] > 0
    assert 'data-label="did not run"' in page_of(refused)


# 12: rehearsal


def test_both_runs_are_counted_and_spans_are_exact() -> None:
    material = whole()
    assert material.rehearsal is not None
    operations = material.rehearsal.tally.operations
    text = text_of(material)
    for name, count in operations.items():
        assert f"{count} operations ({name.split('-')[0]} set)" in text
    assert "says the same" not in page_of(material)
    document = report_document(material)
    for lane in document["rehearsal"]["picture"]["lanes"]:
        assert sum(end - first for first, end, _ in lane["spans"]) == lane["erases"] + lane["programs"] + lane["steps"]
    picture = document["rehearsal"]["picture"]
    picture["operations"] = 4000
    picture["lanes"][0]["spans"] = [[n, n + 1, ("program", "step")[n % 2]] for n in range(0, 4000, 3)]
    drawn = re.findall(r'class="(?:program|step)"[^>]*d="([^"]*)"', render(document))
    assert 0 < max(path.count("M") for path in drawn) <= COLUMNS  # drawn together on the page only


def test_a_page_says_why_nothing_was_rehearsed() -> None:
    material = material_of(workshop().package)
    assert "Not rehearsed: not asked for: --rehearse." in text_of(material)
    refused = material._replace(not_rehearsed="the package is refused")
    assert "Not rehearsed: the package is refused." in text_of(refused)
    assert report_document(whole())["not_rehearsed"] is None


# 14: whose words


def test_the_package_speaks_for_itself_and_the_product_file_apart() -> None:
    narrow = edited(
        lambda text: text.replace('class = "vent-drive-2"', 'class = "other"').replace(
            'hardware = "2..4"', 'hardware = "3..3"'
        )
    )
    material = material_of(narrow.package)  # judged with the workshop's product file
    document = report_document(material)
    says = document["package"]["says"]
    assert says["hardware"] == [[3, 3]]
    assert says["class_ids"] == [narrow.product.class_id.hex()]
    assert document["judged_for"]["class_id"] == workshop().product.class_id.hex() != says["class_ids"][0]
    page = page_of(material)
    package, judged = page.split("<h3>Judged for product</h3>")
    assert narrow.product.class_id.hex() in package
    assert workshop().product.class_id.hex() not in package.split('id="package"')[1]
    assert "revisions 3 to 3" in package
    assert "revisions 2 to 4" in judged


# 23, 24: what is seen


def test_a_target_is_outlined_and_not_painted() -> None:
    assert "@media screen { :target { outline: 2px solid var(--edge); outline-offset: 4px; } }" in CSS
    assert len(re.findall(r":target", CSS)) == 1
    (room,) = re.findall(r"svg \.room \{([^}]*)\}", CSS)
    assert "stroke: var(--edge)" in room


def test_nothing_hides_and_nothing_piles_up() -> None:
    assert printable("a\u200fb\u3164\u115f\u034f\u2800") == "a\\u{200f}b\\u{3164}\\u{115f}\\u{34f}\\u{2800}"
    assert printable("e" + "\u0301" * 5) == "e" + "\u0301" * 3 + "\\u{301}" * 2
    assert printable("\u0301" * 4) == "\u0301" * 3 + "\\u{301}"
    assert printable("\u0e01\u0e33\u0e49\u1ed9\u05e9\u05c1\u05b8") == "\u0e01\u0e33\u0e49\u1ed9\u05e9\u05c1\u05b8"
    assert printable("\U0001f600\udcff") == "\U0001f600\\u{dcff}"
    page = page_of(material_of(with_text("\u05d0 12 \u200f\u3164 e" + "\u0301" * 500)))
    assert "\u3164" not in page
    assert page.count("\u0301") == 3
    (line,) = (line for line in outline(decode_envelope(with_text("a\u200f1"))) if "u{200f}" in line)
    assert line.endswith("a\\u{200f}1")


def test_names_are_kept_apart() -> None:
    """A name of letters that run to the left stands alone, so that the numbers beside it stay where they are."""
    name = "\u05d0\u05d1.suit"
    material = material_of(workshop().package)._replace(name=name, logged=name)
    page = page_of(material)
    assert page.count(f'<bdi class="mono">{name}</bdi>') == 1
    left = re.sub(r"<(bdi|title)[^>]*>[^<]*</\1>", "", page)
    assert "\u05d0" not in left


# 25: refusals


def test_a_refusal_without_a_finding_has_no_code() -> None:
    material = material_of(workshop().package)
    changes = (
        Change("one", "digest.image", ("digest.image",)),
        Change("two", "not run"),
        Change("three", None, ("digest.image",)),
        Change("four", "digest.image", ("trust.key-revoked",)),
    )
    document = report_document(material._replace(changes=changes))
    assert document["refusals"] == [
        _refusal("one", "refused", "digest.image", ["digest.image"], fits=True),
        _refusal("two", "refused", None, [], fits=False),
        _refusal("three", "accepted", None, ["digest.image"], fits=False),
        _refusal("four", "refused", "digest.image", ["trust.key-revoked"], fits=False),
    ]
    assert "changes" not in document
    text = text_of(material._replace(changes=changes))
    assert "one refused digest.image" in text
    assert "two refused for another reason because a check did not run" in text
    assert "three failed accepted" in text
    assert "four refused for another reason digest.image" in text


def _refusal(what: str, answer: str, first: str | None, expected: list[str], *, fits: bool) -> dict[str, object]:
    return {"what": what, "answer": answer, "first_finding": first, "expected": expected, "fits": fits}


def test_footer_says_what_it_is_not() -> None:
    assert "Not legal advice." in page_of(material_of(workshop().package)).split("<footer")[1]


# what a package leaves alone, times, and a rehearsal that was asked for


def test_what_a_package_leaves_alone_has_not_changed() -> None:
    """A release of the motor alone: radio and phrases stay as they are, and are no change."""
    shop = workshop()
    of = product(lambda text: text.replace("sequence = 17", "sequence = 18"))
    part = make(of, files=[file for file in firmware() if file.component == "motor"])
    material = material_of(part.package)
    assert material.contents is not None
    before = read_contents(shop.package, "old.suit", shop.product)
    material = material._replace(comparison=compare(before, material.contents, shop.product))
    words = observe(material)["changes"].words
    assert words.startswith("other content in 0 of 4 slots")
    assert words.endswith("left alone: radio, phrases")
    page = text_of(material)
    assert "not there" not in page
    assert page.count("not in this package: left alone") == 2


def test_a_change_of_the_build_time_is_told_as_dates() -> None:
    shop = workshop()
    later = resealed(shop.images["radio"], lambda s: s._replace(build_time=1_764_158_461))
    material = material_of(with_image(shop, "radio", later))
    assert material.contents is not None
    before = read_contents(shop.package, "old.suit", shop.product)
    found = compare(before, material.contents, shop.product)
    (change,) = [c for slot in found.slots for c in slot.changes if c.what == "built"]
    assert change == ("built", "2025-11-25T12:00:00Z", "2025-11-26T12:01:01Z")
    page = text_of(material._replace(comparison=found))
    assert "17641" not in page
    assert "17640" not in page


def test_a_rehearsal_that_was_asked_for_says_why_there_is_none() -> None:
    material = material_of(workshop().package)._replace(not_rehearsed="the package is refused")
    for name in ("rehearsal", "down"):
        found = observe(material)[name]
        assert (found.answer, found.words) == (
            "not shown", "a rehearsal was asked for and could not be played: the package is refused"
        )  # fmt: skip
    assert "not asked for" not in text_of(material)
    assert observe(material_of(workshop().package))["rehearsal"].words == "not rehearsed: report --rehearse"
