"""The pages say what the code does: codes, keys, commands, limits, links."""

import json
import re
import subprocess
from pathlib import Path

from imgseal.cli.app import COMMANDS
from imgseal.findings import CODES, GROUPS
from imgseal.gate.result import GATE_CODES
from imgseal.make.leaks import LEAK_CODES
from imgseal.product.schema import KEYS, Key

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"


def unwrapped(page: Path) -> str:
    """A page with each paragraph and list entry in one line."""
    return re.sub(r"(?<=[^\n])\n *(?=[^\s#|`-]|`[^`]|-[^ ])", " ", page.read_text())


def test_every_code_has_an_entry_with_cause_cure_and_source() -> None:
    text = unwrapped(DOCS / "checks.md")
    entries = re.findall(r"^### `([a-z.-]+)`\n\n.+\n\n- cause: .+\n- cure: .+\n- source: .+$", text, re.MULTILINE)
    assert entries == [code for group in GROUPS for code in CODES if code.startswith(group + ".")]
    assert {code.split(".")[0] for code in CODES} == set(GROUPS)


def test_every_code_is_used_and_every_used_code_is_known() -> None:
    rooms = [path for room in ("check", "formats/sealed_image") for path in (ROOT / "imgseal" / room).rglob("*.py")]
    source = "\n".join(path.read_text() for path in rooms)
    used = set(re.findall(r'"((?:' + "|".join(GROUPS) + r')\.[a-z-]+)"', source))
    assert used == set(CODES)


def test_every_code_has_a_case() -> None:
    tests = "\n".join(p.read_text() for p in (ROOT / "tests").rglob("*.py") if p.name != "test_pages.py")
    assert [code for code in CODES if f'"{code}"' not in tests] == []


def test_product_file_page_lists_every_key() -> None:
    text = (DOCS / "format" / "product-file.md").read_text()
    for table, keys in KEYS.items():
        heading = f"## `[{table}]`" if table else "## Top level"
        assert heading in text, table
        part = text.split(heading + "\n", 1)[1].split("\n## ")[0]
        rows = re.findall(r"^\| `(\w+)` \| (.+?) \| (.+?) \| (.+) \|$", part, re.MULTILINE)
        wanted = [(name, key.kind.words, default_words(key), key.meaning) for name, key in keys.items()]
        assert rows == wanted, table


def default_words(key: Key) -> str:
    """What the page says of a default: as the product file would have it, `none` where it is as if absent."""
    if key.says is not None:
        return key.says
    return "none" if key.default is None else json.dumps(key.default)


def test_package_page_calls_parts_of_a_device_state_by_their_keys() -> None:
    part = (DOCS / "format" / "package.md").read_text().split("\n## Slots on a device\n")[1]
    named = re.findall(r"`(\w+)`", part)
    keys = re.findall(r"^\| `(\w+)` \|", (DOCS / "format" / "device-state.md").read_text(), re.MULTILINE)
    assert named
    assert set(named) <= set(keys)


def test_keys_page_lists_every_leak_code() -> None:
    rows = re.findall(r"^\| `(leak\.[a-z-]+)` \| (.+) \|$", (DOCS / "keys.md").read_text(), re.MULTILINE)
    assert rows == list(LEAK_CODES.items())


def test_gate_page_has_an_entry_for_every_code() -> None:
    text = unwrapped(DOCS / "gate.md")
    entries = re.findall(r"^### `(gate\.[a-z-]+)`\n\n(.+)\.\n\n- cause: .+\n- cure: .+$", text, re.MULTILINE)
    assert [(code, meaning[0].lower() + meaning[1:]) for code, meaning in entries] == list(GATE_CODES.items())
    rooms = [path for path in (ROOT / "imgseal" / "gate").glob("*.py") if path.name != "result.py"]
    rooms.append(ROOT / "imgseal" / "flow" / "as_released.py")
    used = set(re.findall(r'"(gate\.[a-z-]+)"', "\n".join(path.read_text() for path in rooms)))
    assert used == set(GATE_CODES)


def test_every_gate_code_has_a_case() -> None:
    tests = "\n".join(path.read_text() for path in (ROOT / "tests").glob("*/test_*.py"))
    assert [code for code in GATE_CODES if f'"{code}"' not in tests and f"{code}\n" not in tests] == []


def test_cli_page_names_every_command() -> None:
    text = (DOCS / "cli.md").read_text()
    for command in COMMANDS:
        assert f"## imgseal {command}" in text


def test_pages_name_the_commands_that_work_on_a_product_line() -> None:
    """Those that load its members, in each place that lists them."""
    asking = re.compile(r"\.every\(\)|\bload_products\(")
    wanted = {
        name
        for name, (module, _) in COMMANDS.items()
        if asking.search((ROOT / "imgseal" / f"{module.replace('.', '/')}.py").read_text())
    }
    assert {"build", "paths", "doctor"} <= wanted
    part = (DOCS / "format" / "product-file.md").read_text().split("\n## `[line]`\n")[1].split("\n## ")[0]
    started = re.findall(r"^- ((?:`\w+`(?:, | and )?)+)", part, re.MULTILINE)
    lists = [
        re.search(r"((?:`\w+`(?:,\s+| and\s+)?)+)\s*work on all", (DOCS / page).read_text())
        for page in ("cli.md", "changes.md")
    ]
    for said in (" ".join(started), *(found[1] if found else "" for found in lists)):
        assert set(re.findall(r"`(\w+)`", said)) == wanted


def test_links_lead_somewhere() -> None:
    for page in [*DOCS.rglob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "keys-example" / "README.md"]:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text()):
            assert (page.parent / target).exists(), f"{page}: {target}"


def test_prose_can_be_read_in_a_diff() -> None:
    """Lines of at most 120 columns, but for tables, and what programs print or take."""
    for page in [
        *ROOT.glob("*.md"),
        *(path for room in ("docs", "imgseal", "keys-example") for path in (ROOT / room).rglob("*.md")),
    ]:
        inside = False
        for number, line in enumerate(page.read_text().splitlines(), 1):
            if line.lstrip().startswith("```"):
                inside = not inside
            elif not inside and len(line) > 120:
                assert line.lstrip().startswith("|") or " " not in line.strip("- `"), f"{page}:{number}"


def test_every_page_is_in_the_index() -> None:
    linked = set(re.findall(r"\]\(([\w./-]+)\)", (DOCS / "index.md").read_text()))
    pages = {str(page.relative_to(DOCS)) for page in DOCS.rglob("*.md") if page.parent.name != "integrations"}
    assert pages - linked == {"index.md"}


def test_paths_named_in_the_pages_exist() -> None:
    for page in [*DOCS.rglob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"]:
        for target in re.findall(r"`((?:docs|tests|imgseal)/[\w./-]+)`", page.read_text()):
            assert (ROOT / target).exists(), f"{page}: {target}"


def test_top_level_is_exactly_as_agreed() -> None:
    names = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split("\n")
    top = {name.split("/")[0] for name in names if name and not name.startswith(".")}
    assert top == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "imgseal",
        "keys-example",
        "tests",
        "docs",
    }


def test_licence_is_mit_in_text_and_metadata() -> None:
    assert 'license = "MIT"' in (ROOT / "pyproject.toml").read_text()
    assert (DOCS / "licence.txt").read_text().startswith("MIT License")


def test_what_is_from_memory_is_listed_and_said() -> None:
    """One page lists every file that says so; what users read says that no text was looked at."""
    page = (DOCS / "unchecked.md").read_text()
    listed = {(DOCS / target).resolve() for target in re.findall(r"\]\(([\w./-]+\.md)\)", page)}
    listed |= {ROOT / target for target in re.findall(r"`((?:imgseal|tests)/[\w./-]+)`", page)}
    says = re.compile(r"(?<!run )(?<!runs )\bfrom\s+memory\b(?! (?:that|marked))")
    others = (DOCS / "unchecked.md", ROOT / "DEVELOPERS.md", Path(__file__))
    found = 0
    for room, kinds in (("docs", ("md",)), ("imgseal", ("py", "toml", "html")), ("tests", ("py",))):
        for path in [each for kind in kinds for each in (ROOT / room).rglob(f"*.{kind}")]:
            text = unwrapped(path) if room == "docs" else path.read_text()
            if path in others or not says.search(text):
                continue
            found += 1
            assert path.resolve() in listed or path in (DOCS / "vectors.md", DOCS / "standards.md"), path
            if room == "docs" or path.suffix in (".toml", ".html"):
                for match in says.finditer(text):
                    assert text[match.end() :].startswith(", not checked against the text"), (
                        path,
                        text[match.start() :][:60],
                    )
    assert found > 15
