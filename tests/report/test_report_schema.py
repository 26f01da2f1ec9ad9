"""The report as JSON against docs/format/report.schema.json (JSON Schema 2020-12)."""

import copy
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from desk import edited, material_of, whole
from jsonschema import Draft202012Validator
from referencing import Registry, Resource
from stages import pair
from workshop import detached_radio, make, product, two_algorithms, workshop

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.findings import CODES, OF_RELEASES
from imgseal.rehearse.apply import apply
from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.life import Programs
from imgseal.report.document import report_document
from imgseal.report.inputs import Change, Material
from imgseal.window import ByteView

FORMAT = Path(__file__).parents[2] / "docs" / "format"
SCHEMA = json.loads((FORMAT / "report.schema.json").read_text())
PATHS = json.loads((FORMAT / "paths.schema.json").read_text())
VERDICT = json.loads((FORMAT / "verdict.schema.json").read_text())
CHECKER = Draft202012Validator(
    SCHEMA,
    registry=Registry().with_resources(
        [
            ("verdict.schema.json", Resource.from_contents(VERDICT)),
            ("paths.schema.json", Resource.from_contents(PATHS)),
            ("cuts.schema.json", Resource.from_contents(json.loads((FORMAT / "cuts.schema.json").read_text()))),
        ]
    ),
)


def for_a_device() -> Material:
    shop = edited(detached_radio)
    state = fresh(shop.product)._replace(hardware=3, fresh=False, counters={1: 5})
    applied = apply(Context(shop.product, shop.trust, state, {}), ByteView(shop.package))
    held = {name: ByteView(content) for name, content in applied.slots.items()}
    return material_of(shop.package, shop, applied.state, held)  # type: ignore[arg-type]


def for_the_desk() -> Material:
    shop = make(product(), development=True)
    return material_of(shop.package, shop, development=True)


def with_two() -> Material:
    shop = edited(two_algorithms)
    return material_of(shop.package, shop)


def every_sequence() -> Material:
    """Of a small product, whose components are not those of the report's package: the page goes by what is explored."""
    update = pair("two cores")
    asking = Asking(update.stage, update.package, Programs(), None, None, changing=False)
    return whole()._replace(explored=explore(asking))


REPORTS: dict[str, Callable[[], Material]] = {
    "accepted": lambda: material_of(workshop().package),
    "rehearsed and compared": whole,
    "every sequence of cuts": every_sequence,
    "refused": lambda: material_of(workshop().package.replace(b"vent", b"vend", 1)),
    "unreadable": lambda: material_of(workshop().package[:200]),
    "no package": lambda: material_of(b"<html>"),
    "device": for_a_device,
    "development": for_the_desk,
    "two algorithms": with_two,
    "not run": lambda: material_of(workshop().package)._replace(changes=(Change("x", "not run"), Change("y", None))),
    "not rehearsed": lambda: material_of(workshop().package)._replace(not_rehearsed="the package is refused"),
}


def document_of(name: str) -> Any:
    return json.loads(json.dumps(report_document(REPORTS[name]())))


@pytest.mark.parametrize("name", REPORTS)
def test_every_report_holds(name: str) -> None:
    wrong = [f"{error.json_path}: {error.message[:200]}" for error in CHECKER.iter_errors(document_of(name))]
    assert wrong == []


def objects(schema: Any) -> Iterator[Any]:
    if isinstance(schema, dict):
        if "properties" in schema and schema.get("type") == "object":
            yield schema
        for value in schema.values():
            yield from objects(value)
    elif isinstance(schema, list):
        for value in schema:
            yield from objects(value)


def test_schema_is_one_and_names_every_key() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    for each in objects(SCHEMA):
        assert set(each["required"]) == set(each["properties"])
    open_ones = [each for each in objects(SCHEMA) if each.get("additionalProperties") is not False]
    evidence = list(objects(SCHEMA["$defs"]["evidence"]))
    assert [each for each in open_ones if each not in evidence] == []
    assert set(document_of("accepted")["codes"]) == {*CODES, *OF_RELEASES}


def test_schema_refuses() -> None:
    """Old names, codes that are none, numbers below zero, keys too many and too few."""
    good = document_of("rehearsed and compared")
    plants: dict[str, Callable[[Any], object]] = {
        "changes": lambda d: d.update(changes=[]),
        "no refusals": lambda d: d.pop("refusals"),
        "a code": lambda d: d["refusals"][0].update(first_finding="not run"),
        "free": lambda d: d["memories"][0]["ranges"][0].update(free=-1),
        "steps": lambda d: d["components"][0]["images"][0].update(steps_left=-36),
        "span": lambda d: d["rehearsal"]["picture"]["lanes"][0]["spans"].append([0, 1, "other"]),
        "readable": lambda d: d["package"].pop("readable"),
        "verdict": lambda d: d["verdict"].update(signed={}),
    }
    for what, plant in plants.items():
        broken = copy.deepcopy(good)
        plant(broken)
        assert list(CHECKER.iter_errors(broken)), what
