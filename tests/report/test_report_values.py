"""What a report says, as values: memory map, lanes, evidence. Source: docs/report.md; the product file and the package themselves."""

import json
from itertools import pairwise
from typing import Any

import pytest
from desk import edited, material_of, page_of, whole
from workshop import make, product, signer, workshop

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.findings import CODES
from imgseal.product.algorithms import P256
from imgseal.rehearse.apply import apply
from imgseal.rehearse.flash import Operation
from imgseal.rehearse.play import rehearse
from imgseal.rehearse.stage import set_up
from imgseal.report import report_inputs
from imgseal.report.document import report_document
from imgseal.report.drawing import draw_map, path_of
from imgseal.report.evidence import MAKERS, Row, judged, schemes
from imgseal.report.grounds import FAILED, IN_PART, NOT_SHOWN, SHOWN, STATED
from imgseal.report.memory_map import Content, InSlot, contents_of_slots, map_lines, memory_maps, size_words
from imgseal.report.observations import Observation, observe
from imgseal.report.timeline import COLUMNS, COUNTERS, down_spans, joined, lanes
from imgseal.window import ByteView

EXPECTED_REFUSALS = [
    "signature.wrong-key", "signature.manifest-digest", "signature.severed-member", "digest.image", "structure.envelope",
    "structure.unsigned-member", "identity.wrong-vendor", "identity.wrong-class", "identity.wrong-hardware", "trust.unknown-key",
    "trust.key-revoked", "rollback.sequence-too-low", "rollback.sequence-reused", "rules.failed-before",
    "rollback.counter-too-low", "rules.battery-too-low", "rules.not-authorised",
]  # fmt: skip


def test_memory_maps_have_no_gaps() -> None:
    of = workshop().product
    for each in memory_maps(of, {}):
        at = each.memory.base
        for part in each.ranges:
            assert part.start == at
            assert part.size > 0
            at += part.size
        assert at == each.memory.base + each.memory.size
        slots = {name for name, slot in of.slots.items() if slot.memory == each.memory.name}
        assert {part.slot for part in each.ranges if part.slot} == slots
    assert [each.memory.name for each in memory_maps(of, {})] == ["internal", "nor"]  # no RAM


def test_what_lies_where() -> None:
    shop = workshop()
    material = material_of(shop.package)
    lying = contents_of_slots(shop.product, material.contents, {})
    brought = {"motor-a": "motor 2.4.1", "motor-b": "motor 2.4.1", "radio": "radio 1.3.2", "phrases": "phrases 1.0.4"}
    assert lying == {name: InSlot(None, Content(len(shop.images[name]), words)) for name, words in brought.items()}
    held = {"radio": ByteView(shop.images["radio"]), "recovery": ByteView(b"x" * 100), "phrases": ByteView(b"")}
    assert contents_of_slots(shop.product, None, held) == {
        "radio": InSlot(Content(len(shop.images["radio"]), "radio 1.3.2")),
        "recovery": InSlot(Content(100, "other content")),
    }


def test_map_in_the_terminal() -> None:
    of = workshop().product
    lines = list(map_lines(memory_maps(of, {"radio": InSlot(None, Content(64 << 10, "radio 1.3.2"))})))
    assert lines[0] == "internal: 1 MiB, erase blocks of 4 KiB"
    (radio,) = (line for line in lines if line.split()[3:4] == ["radio"])
    assert radio.split() == ["0x000c0000", "128", "KiB", "radio", "radio,", "run", "slot", "#" * 12 + "." * 12, "new:", "radio", "1.3.2,", "64", "KiB", "free"]  # fmt: skip
    assert lines[-1] == "  0x60880000   55.5 MiB                 no slot"
    for erased, words in ((0x00, "erased to 0x00"), (None, "unreadable erased")):
        other = of._replace(memories={**of.memories, "internal": of.memories["internal"]._replace(erased=erased)})
        assert next(map_lines(memory_maps(other, {}))) == f"internal: 1 MiB, erase blocks of 4 KiB, {words}"


@pytest.mark.parametrize(
    ("size", "said"),
    [(0, "0 B"), (100, "100 B"), (1024, "1 KiB"), (1536, "1.5 KiB"), (1 << 20, "1 MiB"), (64 << 20, "64 MiB"), (58195968, "55.5 MiB"), (7891 << 10, "7891 KiB")],
)  # fmt: skip
def test_sizes(size: int, said: str) -> None:
    assert size_words(size) == said


def test_drawing_is_to_scale_and_labels_keep_apart() -> None:
    for memory in report_document(whole())["memories"]:
        drawing = draw_map(memory)
        scale = drawing.bar / memory["size"]
        labels = []
        for block in drawing.blocks:
            part = memory["ranges"][block.number]
            assert block.y == pytest.approx(8 + (part["start"] - memory["base"]) * scale, abs=0.01)
            assert block.height == pytest.approx(max(part["size"] * scale, 1.5), abs=0.01)
            assert block.taken == pytest.approx(part["used"] * scale, abs=1.51)
            assert bool(block.taken) == bool(part["used"])
            if part["slot"] is not None:
                labels.append(block.label_y)
        assert all(after - before >= 29.9 for before, after in pairwise(labels))
        assert labels[0] >= 8
        assert labels[-1] + 10 <= drawing.height


def test_a_label_stands_beside_the_middle_of_its_slot() -> None:
    """Where there is room; by hand: one slot, the third quarter of the memory."""
    part = {"slot": "here", "start": 0x1800, "size": 0x400, "used": 0}
    rest = {"slot": None, "start": 0x1000, "size": 0x800, "used": 0}
    drawing = draw_map({"base": 0x1000, "size": 0x1000, "ranges": [rest, part]})
    assert drawing.blocks[1].label_y == 8 + 0.625 * drawing.bar


def test_lanes_hold_every_operation() -> None:
    material = whole()
    assert material.rehearsal is not None
    worked = material.rehearsal.worked
    made = lanes(worked, material.product)
    assert len(worked) == material.rehearsal.tally.operations["healthy-kept"]
    assert sum(lane.erases + lane.programs + lane.steps for lane in made) == len(worked)
    for lane in made:
        if lane.name == COUNTERS:
            assert lane.steps == sum(not isinstance(operation, Operation) for operation, _ in worked)
            continue
        slot = material.product.slots[lane.name]
        mine = [
            operation for operation, _ in worked
            if isinstance(operation, Operation) and operation.memory == slot.memory and slot.at <= operation.at < slot.at + slot.size
        ]  # fmt: skip
        assert (lane.erases, lane.programs) == (
            sum(o.data is None for o in mine),
            sum(o.data is not None for o in mine),
        )
        ends = [(span.first, span.end) for span in lane.spans]
        assert ends == sorted(ends)
        assert all(first < end <= len(worked) for first, end in ends)
        assert len(joined(lane.spans, len(worked))) <= COLUMNS
        kinds = {"erase": lane.erases, "program": lane.programs, "step": lane.steps}
        for kind, count in kinds.items():  # exact: nothing is drawn together here
            assert sum(span.end - span.first for span in lane.spans if span.what == kind) == count
    assert sum(span.end - span.first for span in down_spans(worked)) == sum(down for _, down in worked)
    events, said_at = material.rehearsal.events, material.rehearsal.said_at
    assert len(said_at) == len(events)
    assert list(said_at) == sorted(said_at)
    assert said_at[-1] == len(worked)
    assert "report" in events[[e.startswith("the set reports") for e in events].index(True)]


@pytest.mark.parametrize("count", [1, 5, COLUMNS, COLUMNS + 1, 1000])
def test_spans_lie_where_the_operations_are(count: int) -> None:
    """Two slots in turns of seven: spans are exact; those of a picture begin and end within a column of an operation."""
    of = workshop().product
    ats = {"motor-b": of.slots["motor-b"].at, "radio": of.slots["radio"].at}
    names = ["motor-b" if number // 7 % 2 == 0 else "radio" for number in range(count)]
    worked = [(Operation("internal", ats[name], None if n % 7 == 0 else b"x"), False) for n, name in enumerate(names)]
    width = -(-count // COLUMNS)
    for lane in lanes(worked, of):
        mine = [number for number, name in enumerate(names) if name == lane.name]
        whats = {number: span.what for span in lane.spans for number in range(span.first, span.end)}
        assert whats == {number: "erase" if number % 7 == 0 else "program" for number in mine}
        drawn = [number for span in joined(lane.spans, count) for number in range(span.first, span.end)]
        assert len(drawn) == len(set(drawn))
        assert set(mine) <= set(drawn)
        assert {number // width for number in drawn} == {number // width for number in mine}
    assert {lane.name for lane in lanes(worked, of)} == set(names)


def test_paths() -> None:
    assert path_of([[0, 3, "erase"], [3, 5, "program"]], "program") == "M3 0h2v1H3z"
    assert path_of([[0, 3], [4, 5]]) == "M0 0h3v1H0zM4 0h1v1H4z"


def test_what_is_refused() -> None:
    """Every kind of refusal that one wrong thing can bring is there, and none is accepted."""
    firsts = [change.first for change in whole().changes]
    assert None not in firsts
    assert set(firsts) == set(EXPECTED_REFUSALS)
    assert set(EXPECTED_REFUSALS) <= set(CODES)


def test_a_rehearsal_that_cuts_nothing_shows_nothing() -> None:
    """A device that has the release already writes nothing: no cut is no evidence."""
    shop = workshop()
    state = fresh(shop.product)._replace(hardware=3, fresh=False)
    applied = apply(Context(shop.product, shop.trust, state, {}), ByteView(shop.package))
    held = {name: ByteView(content) for name, content in applied.slots.items()}
    stage = set_up(Context(shop.product, shop.trust, applied.state, held), ByteView(shop.package))
    played = rehearse(stage, ByteView(shop.package), pairs=10, seed="1")
    assert played.violation is None
    material = material_of(shop.package)._replace(rehearsal=played, rehearsed_on="such a device")
    assert {answers(material)[name] for name in ("rehearsal", "down")} == {NOT_SHOWN}
    assert "Every rule holds" not in page_of(material)


def test_a_judge_that_takes_too_much_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """With a judge that accepts a changed package the observation fails, and with it every row that rests on it."""
    from imgseal.check.judge import judge as real

    def blind(data: Any, name: str, *arguments: Any, **named: Any) -> Any:
        return real(ByteView(workshop().package) if name == "changed" else data, name, *arguments, **named)

    monkeypatch.setattr(report_inputs, "judge", blind)
    material = material_of(workshop().package)
    seen = observe(material)
    assert seen["refused"].answer == FAILED
    assert "one bit of the manifest is changed" in seen["refused"].words
    rows = [row for scheme in schemes() for row in scheme.rows if "refused" in (*row.shows, *row.supports)]
    assert len(rows) > 8
    assert {judged(row, seen) for row in rows} == {FAILED}


def probe(answer: str) -> Observation:
    return Observation("x", "x", answer, "", "")


@pytest.mark.parametrize(
    ("answers", "result"),
    [
        ((), MAKERS), ((SHOWN,), SHOWN), ((SHOWN, NOT_SHOWN), IN_PART), ((NOT_SHOWN,), NOT_SHOWN), ((SHOWN, NOT_SHOWN, FAILED), FAILED),
        ((STATED,), STATED), ((STATED, SHOWN), IN_PART), ((STATED, NOT_SHOWN), NOT_SHOWN), ((IN_PART,), IN_PART), ((STATED, FAILED), FAILED),
    ],
)  # fmt: skip
def test_a_row_is_what_its_observations_are(answers: tuple[str, ...], result: str) -> None:
    seen = {str(number): probe(answer) for number, answer in enumerate(answers)}
    assert judged(Row("1", "", tuple(seen)), seen) == result


def test_rows_are_complete() -> None:
    """Six schemes, each clause once; a row names known observations, or says why it is the maker's."""
    ids = ["en-303-645", "cra", "iec-62443-4-2", "sp-800-193", "nist-ir-8259a", "un-r156"]
    assert [scheme.id for scheme in schemes()] == ids
    known = set(observe(whole()))
    for scheme in schemes():
        clauses = [row.clause for row in scheme.rows]
        assert len(clauses) == len(set(clauses))
        assert scheme.origin
        for row in scheme.rows:
            assert row.shows or row.supports or row.maker
            assert not (row.shows and row.supports)
            assert {*row.shows, *row.supports} <= known
    used = {name for scheme in schemes() for row in scheme.rows for name in (*row.shows, *row.supports)}
    assert used == known


def answers(material: Any) -> dict[str, str]:
    return {name: each.answer for name, each in observe(material).items()}


def test_observations_of_the_whole_report() -> None:
    assert {name: answer for name, answer in answers(whole()).items() if answer != SHOWN} == {
        "several": NOT_SHOWN,
        "exchange": NOT_SHOWN,
        "sbom": NOT_SHOWN,
        "log": NOT_SHOWN,
        "components": IN_PART,
        "needs": IN_PART,  # nothing says which bootloaders are in the field
        "boot": STATED,
        "data": NOT_SHOWN,  # judged at installation alone
        "down": STATED,
        "anchors": STATED,
        "agility": STATED,
        "recovery": STATED,
        "codes": STATED,
    }


def test_observations_of_a_refused_package() -> None:
    """Nothing that rests on verification is shown of a package whose manifest was changed."""
    package = workshop().package
    at = package.index(bytes.fromhex("01010211")) + 3
    material = material_of(package[:at] + b"\x12" + package[at + 1 :])
    found = answers(material)
    assert found["accepted"] == FAILED
    assert found["signatures"] == FAILED
    for name in (
        "refused",
        "release",
        "identity",
        "boot",
        "rollback",
        "sizes",
        "text",
        "power",
        "authorisation",
        "rehearsal",
        "changes",
        "sbom",
        "algorithms",
    ):
        assert found[name] == NOT_SHOWN, name
    assert report_document(material)["package"]["signed_by"] == []


def test_observations_follow_the_product() -> None:
    """Each planted lack turns its own observation, and no other."""
    base = answers(material_of(workshop().package))

    def turned(edit: Any) -> set[str]:
        shop = edited(edit)
        now = answers(material_of(shop.package, shop))
        return {name for name, answer in now.items() if answer != base[name]}

    assert turned(lambda text: text.replace("minimum_battery = 500            # mWh\n", "")) == {"power"}
    assert turned(lambda text: text.replace('hazard = "The vent moves when the motor core starts."\n', "")) == {
        "authorisation"
    }
    needs = 'needs = { radio = ">=1.3.0, <2.0.0", bootloader = ">=1.1.0" }\n'
    assert turned(lambda text: text.replace(needs, "")) == {"needs"}


def test_development_is_no_release() -> None:
    shop = make(product(), development=True)
    material = material_of(shop.package, shop, development=True)
    assert material.verdict.accepted
    found = answers(material)
    assert found["release"] == FAILED
    assert found["refused"] == SHOWN


def test_a_private_key_in_a_payload_is_seen() -> None:
    """Past the maker's own refusal: a sealed image from elsewhere may hold one."""
    from workshop import private_key

    from imgseal.keys.pem import encode_private

    material = material_of(workshop().package)
    assert material.contents is not None
    assert material.envelope is not None
    image = material.contents.images["phrases"]
    secret = encode_private(private_key("somebody"), None)
    content = bytearray(image.content)
    content[2000 : 2000 + len(secret)] = secret
    images = {**material.contents.images, "phrases": image._replace(content=memoryview(content))}
    contents = material.contents._replace(images=images)
    leaks = tuple(report_inputs._leaks(material.envelope, contents, material.product))
    assert [(leak.slot, leak.allowed) for leak in leaks] == [("phrases", False)]
    assert answers(material._replace(leaks=leaks))["leaks"] == FAILED


def test_document_is_json_and_says_who_signed() -> None:
    document = report_document(whole())
    read = json.loads(json.dumps(document))
    assert {**read, "rehearsal": None} == {**document, "rehearsal": None}  # block numbers become texts there
    signed = {key["file"]: key["signed"] for key in document["trust_anchors"] if key["signed"]}
    assert signed == {"keys/images.pub.pem": ["radio", "motor-a", "motor-b", "phrases"], "keys/packages.pub.pem": ["the package"]}  # fmt: skip
    assert signer("keys/images").public.kind == P256
    motor = document["components"][0]
    assert motor["counter_steps"] == 64
    assert [(image["counter"], image["steps_left"]) for image in motor["images"]] == [(6, 58), (6, 58)]
    assert document["rehearsal"]["picture"]["operations"] == document["rehearsal"]["operations"]["healthy-kept"]
