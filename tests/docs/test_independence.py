"""What the tests hold the package against imports nothing of it, and texts speak of what is tested, not of who did it."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SECOND = (
    "tests/kit/third_image.py",
    "tests/formats/install_record/third_record.py",
    "tests/rehearse/paper_model.py",
    "tests/formats/log/naive_tree.py",
    "tests/outside/test_strangers.py",
    "tests/second_library.py",
)
"""Second implementations and other programs; the last one stands in for a signer and imports its interface alone."""


def imported(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, path
            names.add(node.module or "")
    return names


@pytest.mark.parametrize("name", SECOND)
def test_a_second_implementation_imports_nothing_of_imgseal(name: str) -> None:
    found = {module for module in imported(ROOT / name) if module.split(".")[0] == "imgseal"}
    allowed = {"imgseal.keys.mldsa44"} if name.endswith("second_library.py") else set()
    assert found <= allowed
    ours = {path.stem for path in (ROOT / "tests").rglob("*.py")} - {"conftest"}
    assert imported(ROOT / name) & ours == set(), "nor through another file of the tests"


SAID = re.compile(
    r"fresh eyes|(?:an|the) attack on|had seen the code|without (?:seeing |having seen )?the code|engineers (?:have|who)|the design (?:names|says)"
    r"|beyond the design|design\.md|written by (?:somebody|someone|another)|had to guess|the issue's",
    re.IGNORECASE,
)


def test_texts_speak_of_properties() -> None:
    rooms = [*ROOT.glob("*.md"), *(path for room in ("docs", "imgseal", "tests") for path in (ROOT / room).rglob("*"))]
    kinds = (".md", ".py", ".toml", ".html", ".c", ".h", ".sh")
    read = [path for path in rooms if path.suffix in kinds and path != Path(__file__)]
    assert len(read) > 400
    assert [(str(path.relative_to(ROOT)), said[0]) for path in read if (said := SAID.search(path.read_text()))] == []
