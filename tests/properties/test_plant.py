"""The script that plants faults plants them, sees those that tests find and those that none finds, and leaves the tree alone."""

import ast
import re
import subprocess
import sys

import plant
import pytest
from faults import faults_in
from plant import ROOT, all_faults, listed

MODULE = "imgseal/versions.py"


@pytest.mark.parametrize(
    ("line", "becomes"),
    [
        ("if a < b and b: x = 1", {"<": "<=", "and": "or", "1": "2"}),
        ("if not x: f(0)", {"not x": "bool(x)", "f(0)": "pass", "0": "1"}),
        ("while f(x): break", {"f(x)": "(not (f(x)))", "break": "pass"}),
        ("x = kind == 'code'", {"==": "!=", "'code'": "'code~'"}),
        ("x = a not in b", {"not in": "in"}),
        ("x['key'] = not_a - b % c", {"'key'": "'key~'", "x['key'] = not_a - b % c": "pass", "-": "+", "%": "//"}),
        ("def f(x: int = 3) -> 'int': return x", {"3": "4", "return x": "return None"}),
        ("def f(): return True", {"True": "False"}),
        ("if a: raise E('text', at=1)", {"a": "(not (a))", "raise E('text', at=1)": "pass", "1": "2"}),
        ("x = [y for y in z if y]", {"y": "(not (y))"}),
        ("x: int | None = f'{a + 1}'", {}),
        ("assert a < 1, 'text'", {}),
        ("x = (a  # < 1\n  < b)", {"<": "<="}),
    ],
)
def test_faults_of_a_line(line: str, becomes: dict[str, str]) -> None:
    source = f"{line}\n".encode()
    found = list(faults_in("m.py", source))
    assert {fault.old: fault.new for fault in found} == becomes
    assert len(found) == len(becomes)
    assert all(ast.dump(ast.parse(fault.planted(source))) != ast.dump(ast.parse(source)) for fault in found)


def test_every_fault_of_the_package_is_another_program() -> None:
    faults = all_faults([])
    rooms = {path.name for path in (ROOT / "imgseal").iterdir() if (path / "__init__.py").exists()}
    assert {fault.module.split("/")[1] for fault in faults} >= rooms
    assert len({(fault.module, fault.start, fault.end, fault.new) for fault in faults}) == len(faults)


def test_faults_that_change_nothing_can_be_planted() -> None:
    """A row whose line is gone, or that says nothing, goes."""
    names = {fault.name for fault in all_faults([])}
    for name, why in listed().items():
        assert name in names
        assert len(why) > 30


def planted(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, plant.__file__, *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=250, check=False)


def test_what_tests_see_is_found() -> None:
    before = (ROOT / MODULE).read_bytes()
    said = planted("--room=versions", "--count=4", "--seed=1", "--tests=tests/test_versions.py")
    assert said.returncode == 0, said.stdout + said.stderr
    assert re.search(r"^4 faults of \d+, seed 1: 0 survive; {'found': 4}$", said.stdout, re.MULTILINE)
    assert (ROOT / MODULE).read_bytes() == before


def test_what_no_test_sees_is_shown() -> None:
    line = (ROOT / MODULE).read_text().splitlines().index("    return value if value <= limit else None") + 1
    said = planted(f"--only={MODULE}:{line}", "--tests=tests/test_records.py")
    assert said.returncode == 1
    assert f"{MODULE}:{line}\n" in said.stdout
    assert re.search(r"^  \+    return value if value < limit else None$", said.stdout, re.MULTILINE)
    assert "3 survive" in said.stdout
