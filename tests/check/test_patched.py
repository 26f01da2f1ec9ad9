"""What a patch makes of the running image; tests/kit/patch_cases.py has the cases, this what they cannot show."""

import pytest
from patch_cases import patch_cases

from imgseal.check import patched as room
from imgseal.check.patched import patched
from imgseal.findings import Finding

CASES = {case.name: case for case in patch_cases()}


@pytest.mark.parametrize(
    "name", [name for name, case in CASES.items() if case.first in ("digest.base", "digest.patch")]
)
def test_nothing_is_parsed_before_base_and_patch_are_those_signed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def parse(*_: object) -> bytes:
        raise AssertionError("parsed")

    monkeypatch.setattr(room, "apply_patch", parse)
    case = CASES[name]
    found = patched(case.stated, case.patch, case.held, "main")
    assert isinstance(found, Finding)
    assert found.code == case.first


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if case.first != "accepted"])
def test_says_where_what_was_expected_and_found(name: str) -> None:
    case = CASES[name]
    found = patched(case.stated, case.patch, case.held, "main")
    assert isinstance(found, Finding)
    assert found.place.key == "main"
    assert found.expected != found.found
    assert found.hint


def test_a_device_with_a_smaller_table_refuses_what_others_take() -> None:
    case = CASES["patch-table-128"]
    found = patched(case.stated, case.patch, case.held, "main", entries=64)
    assert isinstance(found, Finding)
    assert found.code == "structure.patch"
