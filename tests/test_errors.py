"""Every error and finding that a user can cause says what to do."""

import ast
from pathlib import Path

from imgseal.errors import ImgsealError, InputError, InternalError, KeyTroubleError, Place, RefusedError, UsageError

ROOT = Path(__file__).parents[1] / "imgseal"
KINDS = ("UsageError", "InputError", "KeyTroubleError", "RefusedError", "Finding")


def test_every_error_has_a_hint() -> None:
    missing = []
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name) or node.func.id not in KINDS:
                continue
            named = {keyword.arg for keyword in node.keywords}
            if "hint" not in named and len(node.args) < 6:  # Finding's sixth value is the hint
                missing.append(f"{path.name}:{node.lineno}")
    assert missing == []


def test_lines_say_place_expected_found_and_hint() -> None:
    place = Place(file="imgseal.toml", line=7, key="component.motor.counter")
    error = UsageError("not a number", place=place, expected="0 to 9", found="x", hint="give a number")
    assert error.lines() == [
        "imgseal.toml:7, component.motor.counter: not a number",
        "  expected: 0 to 9",
        "  found: x",
        "  hint: give a number",
    ]
    assert str(Place(line=3, offset=16, address=0x20400)) == "line 3, offset 16, address 0x00020400"


def test_exit_statuses() -> None:
    kinds = (RefusedError, UsageError, InputError, KeyTroubleError, InternalError)
    assert [kind.exit_status for kind in kinds] == [1, 2, 3, 4, 5]
    assert all(issubclass(kind, ImgsealError) for kind in kinds)
