"""A report on every artefact of the kit, good and bad: it never raises, and its verdict is the kit's. Source: tests/kit/README.md."""

import json
from pathlib import Path
from typing import Any

import pytest
from long_runs import mainly
from run_python import product_of
from workshop import any_public

from imgseal.check.context import Context
from imgseal.device_state.device import fresh
from imgseal.keys.pem import encode_public
from imgseal.keys.trusted_keys import resolve
from imgseal.report.document import report_document
from imgseal.report.page import render
from imgseal.report.report_inputs import gather
from imgseal.window import ByteView

DATA = Path(__file__).parents[1] / "kit" / "data"
FILE: Any = json.loads((DATA / "kit.json").read_text())
CASES = [case for case in (FILE if isinstance(FILE, list) else FILE["cases"]) if isinstance(case["artefact"], str)]


def public(reference: str) -> bytes:
    path = DATA / reference
    return path.read_bytes() if path.exists() else encode_public(any_public(reference.removesuffix(".pub.pem")))


@pytest.mark.parametrize("part", mainly(0, range(4)))
def test_every_artefact(part: int) -> None:
    """For a fresh device, whatever the case is about; every tenth also as a page."""
    products: dict[str, Any] = {}
    answers = set()
    for number, case in enumerate(CASES[part::4]):
        name = case["product"]
        if name not in products:
            products[name] = product_of(name, (DATA / "products" / f"{name}.toml").read_text())
        trust = resolve(products[name], public)
        data = ByteView((DATA / case["artefact"]).read_bytes())
        state = fresh(products[name])
        context = Context(products[name], trust, state, {}, day="2026-11-25")
        material = gather(data, case["name"], context, tool="0")
        document = report_document(material)
        answers.add(document["verdict"]["verdict"])
        assert {each["answer"] for each in document["refusals"]} <= {"refused"}, case["name"]
        assert [change for change in material.changes if not change.fits] == [], case["name"]
        if number % 10 == 0:
            render(document)
    assert answers == {"accepted", "refused"}
