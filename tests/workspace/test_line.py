"""A product line: every command says of a member from the line's folder what it says in the member's own.

Source of truth: docs/format/product-file.md, "A product line"; docs/decisions/046-product-lines.md.
"""

import json
import shutil
from pathlib import Path

import pytest
from line_tree import MEMBERS, VARIANTS, firmware, make_line
from workshop import Imgseal, Said, tree

LINE = [argument for name in MEMBERS for argument in firmware(head=f"{name}/")]


REVISION = ("--revision", "5e" * 20)


def begin_logs(imgseal: Imgseal, line: Path) -> None:
    for name, folder in MEMBERS.items():
        (line / folder / "release.log").unlink(missing_ok=True)
        assert imgseal("log", "new", "--product", name).status == 0


@pytest.fixture
def line(project: Path, imgseal: Imgseal) -> Path:
    begin_logs(imgseal, make_line(project))
    return project


def up_from(folder: str) -> str:
    return "../" * len(Path(folder).parts)


def build(imgseal: Imgseal, *more: str) -> None:
    said = imgseal("build", *LINE, "--release", *REVISION, *more)
    assert said.status == 0, said


def without(said: Said, *words: str) -> tuple[int, str, str]:
    """What a command said, without paths that differ by the folder it was said in."""
    texts = [said.out, said.err]
    for word in words:
        texts = [text.replace(word, "") for text in texts]
    return said.status, texts[0], texts[1]


@pytest.mark.parametrize("more", [(), ("--variant", "all")], ids=["base", "variants"])
def test_a_member_is_built_as_in_its_own_folder(
    imgseal: Imgseal, line: Path, monkeypatch: pytest.MonkeyPatch, more: tuple[str, ...]
) -> None:
    build(imgseal, *more)
    together = {name: tree(line / "out" / name) for name in MEMBERS}
    begin_logs(imgseal, line)
    alone: dict[str, dict[str, bytes]] = {}
    for name, folder in MEMBERS.items():
        monkeypatch.chdir(line / folder)
        variants = more if name == "pump" else ()
        assert imgseal("build", *firmware(up_from(folder)), "--release", *REVISION, *variants).status == 0
        alone[name] = tree(line / folder / "out")
    assert together == alone
    monkeypatch.chdir(line)
    begin_logs(imgseal, line)
    for name in MEMBERS:
        order = [*firmware(), "--release", *REVISION, "--product", name, "--out", f"by/{name}"]
        assert imgseal("build", *order, *(more if name == "pump" else ())).status == 0
    assert {name: tree(line / "by" / name) for name in MEMBERS} == alone


def one_log(imgseal: Imgseal, line: Path) -> None:
    """Give all members one log."""
    for folder in MEMBERS.values():
        member = line / folder / "imgseal.toml"
        member.write_text(member.read_text().replace('[log]\npath = "release.log"\n', ""))
    with (line / "common.toml").open("a") as file:
        file.write('\n[log]\npath = "release.log"\n')
    assert imgseal("log", "new", "--product", "pump").status == 0


def test_each_release_is_an_entry_of_its_own(imgseal: Imgseal, line: Path) -> None:
    one_log(imgseal, line)
    build(imgseal)
    assert (line / "release.log").exists()
    assert imgseal("log", "verify", "--product", "pump").status == 0
    shown = imgseal("log", "show", "--product", "pump").out
    places = [shown.index(f"{name} 2.4.1") for name in ("vent", "pump", "shade")]
    assert places == sorted(places)
    assert imgseal("gate", "out").status == 0
    before = tree(line)
    build(imgseal)  # once more is the same releases, and no entry more
    assert tree(line) == before


@pytest.mark.parametrize("name", MEMBERS)
@pytest.mark.parametrize("spoilt", [False, True])
def test_check_and_report_find_the_member(
    imgseal: Imgseal, line: Path, monkeypatch: pytest.MonkeyPatch, name: str, spoilt: bool
) -> None:
    build(imgseal, "--variant", "all")
    folder = MEMBERS[name]
    files = [file for file in sorted((line / "out" / name).rglob("*")) if file.suffix in (".bin", ".suit")]
    for file in files:
        if spoilt:
            data = bytearray(file.read_bytes())
            data[-1000] ^= 1
            file.write_bytes(data)
        path = str(file.relative_to(line))
        monkeypatch.chdir(line)
        there = imgseal("check", path)
        assert there.status == spoilt, there
        assert f"judged by {folder}/imgseal.toml" in there.out
        assert without(imgseal("check", path, "--product", name)) == without(there)
        document = json.loads(imgseal("check", path, "--json").out)
        monkeypatch.chdir(line / folder)
        up = up_from(folder)
        here = imgseal("check", up + path)
        assert without(here, up, f"{folder}/") == without(there, up, f"{folder}/")
        assert document["product_file"] == "imgseal.toml"
        (one,) = document["verdicts"]
        assert one["product_file"] == f"{folder}/imgseal.toml"
        if file.suffix == ".suit":
            assert imgseal("report", up + path, "--out", "r.json", "--format", "json").status == spoilt
            monkeypatch.chdir(line)
            assert imgseal("report", path, "--out", "r.json", "--format", "json").status == spoilt
            reports = [json.loads((line / part / "r.json").read_text()) for part in (folder, "")]
            assert reports[0]["judged_for"] == reports[1]["judged_for"]
            assert reports[0]["verdict"]["checks"] == reports[1]["verdict"]["checks"]


def test_the_variant_is_found(imgseal: Imgseal, line: Path) -> None:
    build(imgseal, "--variant", "all")
    for variant in VARIANTS:
        package = next((line / "out/pump" / variant).glob("*.suit"))
        said = imgseal("check", str(package.relative_to(line)))
        assert said.status == 0
        assert f"judged by gate/pump/imgseal.toml, variant {variant}\n" in said.out


def test_a_device_state_says_of_no_product(imgseal: Imgseal, line: Path) -> None:
    """It holds no class: whoever names it says whose device it is, or a package of another variant would be taken."""
    build(imgseal)
    package = "out/vent/vent-2.4.1-17.suit"
    state = {"format": 1, "hardware": 3, "sequence": 1, "counters": {}, "bootloader": "1.1.0", "authorised": True}
    (line / "unit.json").write_text(json.dumps(state))
    said = imgseal("check", package, "--device", "unit.json")
    assert (said.status, "this works on one product, and here is a product line" in said.err) == (2, True)
    assert "--product vent" in said.err
    assert imgseal("check", package, "--device", "unit.json", "--product", "vent").status == 0


def test_one_run_of_the_gate(imgseal: Imgseal, line: Path) -> None:
    build(imgseal, "--variant", "all")
    dist = line / "dist"
    shutil.copytree(line / "out", dist)
    said = imgseal("gate", "dist")
    assert said.status == 0, said
    assert said.out.startswith("passed, for the devices of 3 products of imgseal.toml on ")
    shutil.copy(line / "motor-a.hex", dist / "between.hex")  # the source of a sealed image, by digest and address
    assert imgseal("gate", "dist").status == 0
    (dist / "between.hex").write_text((line / "motor-a.hex").read_text().replace(":10", ":10", 1))
    spoilt = bytearray((line / "radio.bin").read_bytes())
    (dist / "loose.pem").write_bytes((line / "keys/images.pem").read_bytes())
    (dist / "loose.pem").unlink()
    sealed = next((dist / "pump/north").glob("radio*.bin"))
    data = bytearray(sealed.read_bytes())
    data[-1] ^= 1
    (dist / "between.sealed.bin").write_bytes(data)
    said = imgseal("gate", "dist")
    assert (said.status, "refused: dist/between.sealed.bin" in said.out) == (1, True), spoilt[:1]


@pytest.mark.parametrize("name", MEMBERS)
def test_the_gate_says_of_a_member_what_it_says_in_its_folder(
    imgseal: Imgseal, line: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    build(imgseal)
    foreign = next(other for other in MEMBERS if other != name)
    out = line / "out" / name
    packages = [next(out.glob("*.suit")), next((line / "out" / foreign).glob("*.suit"))]
    data = bytearray(packages[0].read_bytes())
    data[-1] ^= 1
    (out / "spoilt.suit").write_bytes(data)
    folder = MEMBERS[name]
    answers = []
    for where, arguments in (("", ()), ("", ("--product", name)), (folder, ())):
        monkeypatch.chdir(line / where)
        said = imgseal(
            "gate", up_from(where) + f"out/{name}" if where else f"out/{name}", "--format", "json", *arguments
        )
        document = json.loads(said.out)
        found = [(each["path"], each["outcome"], each["findings"]) for each in document["artefacts"]]
        answers.append((said.status, found))
    assert answers[0][0] == 1
    assert answers[1:] == answers[:1] * 2


def test_what_one_member_has_released_is_not_anothers(imgseal: Imgseal, line: Path) -> None:
    """Each member's log is asked for its own artefacts alone."""
    build(imgseal)
    assert imgseal("gate", "out").status == 0
    (line / "vent/release.log").write_bytes((line / "gate/shade/release.log").read_bytes())
    said = imgseal("gate", "out")
    assert said.status == 1
    assert "gate.no-device" in said.out or "gate.not-logged" in said.out


def test_exceptions_of_the_line_and_of_members(imgseal: Imgseal, line: Path) -> None:
    build(imgseal)
    (line / "out/third.hex").write_text((line / "motor-a.hex").read_text())
    other = (line / "motor-a.hex").read_bytes().splitlines()
    assert imgseal("gate", "out").status == 0
    (line / "out/third.hex").write_bytes(b"\n".join([*other[:-3], other[-1]]) + b"\n")
    assert imgseal("gate", "out").status == 1
    rule = '\n[[gate.exception]]\npath = "third.hex"\nreason = "a sensor of another maker"\nuntil = 2099-01-01\n'
    (line / "imgseal.toml").write_text((line / "imgseal.toml").read_text() + rule)
    said = imgseal("gate", "out")
    assert (said.status, "excused: out/third.hex" in said.out) == (0, True)
    (line / "imgseal.toml").write_text((line / "imgseal.toml").read_text().replace(rule, ""))
    member = line / "vent/imgseal.toml"
    member.write_text(member.read_text() + rule.replace("2099", "2001"))
    said = imgseal("gate", "out")
    assert (said.status, "gate.exception-expired" in said.out) == (1, True)
    assert "vent/imgseal.toml" in said.out


def test_doctor_looks_at_every_member(imgseal: Imgseal, line: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said = imgseal("doctor")
    assert said.status == 0, said.out
    assert [row for row in said.out.splitlines() if row.endswith(":")] == ["vent:", "pump:", "shade:"]
    for name, folder in MEMBERS.items():
        monkeypatch.chdir(line)
        part = said.out.split(f"{name}:\n")[1]
        alone = imgseal("doctor", "--product", name).out.removesuffix("nothing is missing\n")
        assert part.startswith(alone)
        monkeypatch.chdir(line / folder)
        up = up_from(folder)
        here = imgseal("doctor").out.removesuffix("nothing is missing\n")
        assert here.replace(up, "") == alone.replace(f"{folder}/", "").replace(up, "")
    (line / "keys/images.pub.pem").unlink()
    monkeypatch.chdir(line)
    said = imgseal("doctor", "--release")
    assert (said.status, said.out.splitlines()[-1]) == (1, "6 missing")


ONE_PRODUCT = [
    ("rehearse", "out/vent/vent-2.4.1-17.suit"),
    ("factory", "out/vent/vent-2.4.1-17.suit"),
    ("device-code", "device"),
    ("show", "--map"),
    ("pack", "out/vent/motor-a.sealed.bin"),
    ("seal", "radio.bin@0xC0400", "--component", "radio"),
    ("compare", "out/vent/vent-2.4.1-17.suit", "out/vent/vent-2.4.1-17.suit"),
    ("log", "verify"),
]


@pytest.mark.parametrize("command", ONE_PRODUCT, ids=lambda each: each[0])
def test_commands_for_one_product_ask_which(imgseal: Imgseal, line: Path, command: tuple[str, ...]) -> None:
    build(imgseal)
    said = imgseal(*command)
    assert said.status == 2
    assert "imgseal.toml:2, line: this file names the products of a line, and is none itself" in said.err
    assert "--product NAME" in said.err


MISTAKES = [
    (firmware(), "no product of the line"),
    (["vents/motor=motor-a.hex"], "no product of the line"),
    (["vent/motr=motor-a.hex"], "no such component"),
    (["vent/north:motor=motor-a.hex"], "no such variant"),
    (["pump/north:motor=motor-a.hex"], "firmware for a variant that is not built"),
    ([*LINE, "--set", "release.version=3.0.0"], "--set is about one product"),
    ([*LINE, "--variant", "north"], "--variant is about one product"),
    ([*LINE, "--previous", "old.suit"], "--previous is about one product"),
    ([*LINE, "--sbom", "bill.json"], "--sbom is about one product"),
    ([*LINE, "--product", "vents"], "did you mean vent?"),
]


@pytest.mark.parametrize(("arguments", "words"), MISTAKES, ids=[words for _, words in MISTAKES])
def test_mistakes_write_nothing(imgseal: Imgseal, line: Path, arguments: list[str], words: str) -> None:
    before = tree(line)
    said = imgseal("build", *arguments, "--release", *REVISION)
    assert (said.status, words in said.err) == (2, True), said.err
    assert "hint" in said.err
    assert tree(line) == before


def test_members_left_out_are_named(imgseal: Imgseal, line: Path) -> None:
    said = imgseal("build", *firmware(head="vent/"))
    assert said.status == 0
    assert "imgseal: no firmware is named for pump, shade: not built" in said.err


def test_a_mistake_in_one_member_writes_none(imgseal: Imgseal, line: Path) -> None:
    member = line / "gate/shade/imgseal.toml"
    member.write_text(member.read_text().replace("counter = 6", "counter = 65"))
    before = tree(line)
    said = imgseal("build", *LINE, "--release", *REVISION)
    assert (said.status, "gate/shade/imgseal.toml" in said.err) == (2, True)
    assert tree(line) == before
    assert imgseal("build", *firmware(), "--release", *REVISION, "--product", "vent").status == 0


LINES = [
    ('members = ["vent", "gone"]', "no product file lies there", "line.members[2]"),
    ('members = ["gate/d*"]', "no product file lies there", "line.members[1]"),
    ('members = ["../vent"]', "no pattern of folders", "line.members[1]"),
    ('members = ["/vent"]', "no pattern of folders", "line.members[1]"),
    ('members = ["**"]', "no pattern of folders", "line.members[1]"),
    ("members = []", "no list of names", "line.members"),
    ('member = ["vent"]', "unknown key", "line.member"),
    ('members = ["vent"]\n[product]\nname = "a"', "names its members, and is none itself", "product"),
    ('members = ["vent"]\n[trust]', "names its members, and is none itself", "trust"),
]


@pytest.mark.parametrize(("text", "words", "key"), LINES, ids=[text.replace("\n", " ") for text, _, _ in LINES])
def test_line_files_that_are_none(imgseal: Imgseal, line: Path, text: str, words: str, key: str) -> None:
    (line / "imgseal.toml").write_text(f"format = 1\n[line]\n{text}\n")
    said = imgseal("check", "radio.bin")
    assert said.status == 2
    assert f"{key}: " in said.err
    assert words in said.err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "shade"', 'name = "pump"', "two products of the line have one name"),
        ('class = "shade-2"', 'class = "pump-2"', "two products of the line have one class"),
        ('class = "shade-2"', 'class = "pump-2-north"', "two products of the line have one class"),
    ],
)
def test_twins(imgseal: Imgseal, line: Path, old: str, new: str, words: str) -> None:
    """Devices go by the class: two members of one class would take each other's firmware."""
    member = line / "gate/shade/imgseal.toml"
    text = member.read_text()
    assert old in text
    member.write_text(text.replace(old, new))
    said = imgseal("check", "radio.bin")
    assert (said.status, words in said.err) == (2, True)
    assert "gate/pump/imgseal.toml" in said.err


def test_a_folder_of_the_members_name_is_no_file(imgseal: Imgseal, line: Path) -> None:
    """`--product vent` names the product, although a folder is called so; a file of that name would be the file."""
    build(imgseal)
    assert imgseal("check", "out/vent/vent-2.4.1-17.suit", "--product", "vent").status == 0
    said = imgseal("check", "out/vent/vent-2.4.1-17.suit", "--product", "gate")
    assert (said.status, "the product line has no such product" in said.err) == (2, True)
    assert imgseal("check", "out/vent/vent-2.4.1-17.suit", "--product", "imgseal.toml").status == 0
    (line / "vent/work").mkdir()


def test_a_file_is_read_as_each_member_says(imgseal: Imgseal, line: Path) -> None:
    """One member reads Intel HEX up to its end record, the next one does not: one reading is not for both."""
    member = line / "vent/imgseal.toml"
    member.write_text(member.read_text() + '\n[firmware]\nafter_end = "ignore"\n')
    hex_file = line / "motor-a.hex"
    hex_file.write_text(hex_file.read_text() + ":0400000061626364" + f"{-(4 + 0x61 + 0x62 + 0x63 + 0x64) & 0xFF:02X}\n")
    assert imgseal("build", *firmware(), "--release", *REVISION, "--product", "vent").status == 0
    before = tree(line)
    said = imgseal("build", *LINE, "--release", *REVISION)
    assert (said.status, "motor-a.hex" in said.err) == (3, True), said
    assert tree(line) == before
