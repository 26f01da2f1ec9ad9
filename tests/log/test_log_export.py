"""`imgseal log export`: everything is there, judges by itself, and comes from the release that was logged.

One export of every format version is kept in tests/formats/log/exports/, and one of an entry of the newest format of the log, and judged
for ever: an auditor in five years has a newer imgseal than the one that made it.
"""

import json
import os
import shutil
from hashlib import sha256
from pathlib import Path

import pytest
from workshop import ALL, Imgseal, tree

from imgseal.product.read_toml import read

EXPORTS = Path(__file__).parents[1] / "formats" / "log" / "exports"
LOG = '\n[log]\npath = "release.log"\n'
SBOM = '{"bomFormat": "CycloneDX", "specVersion": "1.6"}\n'


@pytest.fixture
def released(project: Path, imgseal: Imgseal) -> Path:
    """Two releases, 2.4.1 and 2.4.2; the product file says 2.4.1 still."""
    (project / "imgseal.toml").write_text((project / "imgseal.toml").read_text() + LOG)
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "ab" * 20).status == 0
    second = ("--set", "release.version=2.4.2", "--set", "release.sequence=18", "--set", "component.radio.version=1.4.0",
              "--set", "component.radio.counter=4")  # fmt: skip
    assert imgseal("build", *ALL, "--release", "--revision", "abcd", *second).status == 0
    (project / "bom.JSON").write_text(SBOM)
    return project


def judge_export(imgseal: Imgseal, folder: Path, head: str | None = None) -> None:
    """What README.txt of an export says, and every digest."""
    here = os.getcwd()
    os.chdir(folder)
    try:
        document = json.loads((folder / "export.json").read_text())
        files = {path: data for path, data in tree(folder).items() if path != "export.json"}
        assert {f["path"]: (f["size"], f["sha256"]) for f in document["files"]} == {
            path: (len(data), sha256(data).hexdigest()) for path, data in files.items()
        }
        (package,) = folder.glob("*.suit")
        said = imgseal("check", package.name, "--json")
        assert said.status == 0, said.out
        assert json.loads(said.out)["verdicts"][0]["verdict"] == "accepted"
        kept = json.loads((folder / "verdict.json").read_text())
        assert (kept["verdicts"][0]["verdict"], kept["verdicts"][0]["artefact"]) == ("accepted", package.name)
        said = imgseal("log", "verify", "--proof", "proof.json", "--against", head or document["head"])
        assert said.status == 0, said.err
        entry = json.loads((folder / "proof.json").read_text())["entry"]
        manifests = {each["variant"] or None: each["manifest"] for each in entry["packages"]}
        assert manifests[document["variant"]] == document["manifest_digest"]
        assert f"manifest {document['manifest_digest']}".split()[1] in json.dumps(entry)
        assert (entry["version"], entry["sequence"]) == (document["version"], document["sequence"])
    finally:
        os.chdir(here)


@pytest.mark.parametrize("folder", sorted(EXPORTS.iterdir()), ids=lambda path: path.name)
def test_kept_exports_are_judged_for_ever(imgseal: Imgseal, folder: Path) -> None:
    judge_export(imgseal, folder)


def test_every_format_version_is_kept() -> None:
    from imgseal.formats.log.entry import NEWEST
    from imgseal.log.export import FORMAT

    kept = set()
    for path in EXPORTS.iterdir():
        number = json.loads((path / "export.json").read_text())["format"]
        entry = json.loads((path / "proof.json").read_text())["entry"]
        kept.add((number, entry["format"]))
        assert path.name == (f"format-{number}" if entry["format"] < NEWEST else f"format-{number}-log-{NEWEST}")
    assert {number for number, _ in kept} == {number + 1 for number in range(FORMAT)}
    assert (FORMAT, NEWEST) in kept


@pytest.mark.parametrize(("name", "version", "sequence", "radio"), [("0", "2.4.1", 17, 3), ("2.4.2", "2.4.2", 18, 4)])
def test_an_export_is_complete(
    imgseal: Imgseal,
    released: Path,
    tmp_path_factory: pytest.TempPathFactory,
    name: str,
    version: str,
    sequence: int,
    radio: int,
) -> None:
    """Also away from everything that it was made from, and with the numbers of the release, not of the product file."""
    head = imgseal("log", "verify").out.split()[-1]
    said = imgseal("log", "export", name, "audit/one", "--sbom", "bom.JSON")
    assert said.status == 0, said.err
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "one"
    shutil.move(released / "audit" / "one", elsewhere)
    assert set(said.out.split()) == {f"audit/one/{path}" for path in tree(elsewhere)}
    for path in released.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
    judge_export(imgseal, elsewhere, head)
    document = json.loads((elsewhere / "export.json").read_text())
    assert (document["version"], document["sequence"], document["entry"]) == (version, sequence, sequence - 17)
    assert (elsewhere / "sbom.json").read_text() == SBOM
    text = (elsewhere / "imgseal.toml").read_text()
    assert f"counter = {radio}\n" in text
    for secret in ("signing", "keys-dev", "keys/images.pem", "release.log"):
        assert secret not in text
    assert not [path for path, data in tree(elsewhere).items() if b"PRIVATE" in data]


def test_a_counter_that_the_log_knows_is_written_out(imgseal: Imgseal, released: Path) -> None:
    """The release leaves the radio alone, whose counter is "same": an export has no log to ask for it."""
    text = (released / "imgseal.toml").read_text()
    assert text.count("counter = 3\n") == 1
    (released / "imgseal.toml").write_text(text.replace("counter = 3\n", 'counter = "same"\n'))
    third = ("--set", "release.version=2.4.3", "--set", "release.sequence=19")
    assert (
        imgseal("build", "motor=motor-a.hex", "motor=motor-b.hex", "--release", "--revision", "ac", *third).status == 0
    )
    said = imgseal("log", "export", "2.4.3", "audit/three", "--sbom", "bom.JSON")
    assert said.status == 0, said.err
    assert "counter = 4\n" in (released / "audit" / "three" / "imgseal.toml").read_text()
    judge_export(imgseal, released / "audit" / "three")


def test_an_export_repeats_byte_for_byte(imgseal: Imgseal, released: Path) -> None:
    for name in ("one", "two"):
        assert imgseal("log", "export", "2.4.1", name).status == 0
    assert tree(released / "one") == tree(released / "two")


def test_variants_are_exported_one_by_one(imgseal: Imgseal, released: Path) -> None:
    text = (released / "imgseal.toml").read_text()
    (released / "imgseal.toml").write_text(
        text + '\n[variant.north]\nclass = "vent-drive-2-north"\n\n[variant.south]\ncomponent.radio.counter = 9\n'
    )
    settings = ("--set", "release.version=2.5.0", "--set", "release.sequence=19")
    assert imgseal("build", *ALL, "--release", "--revision", "abcd", *settings, "--variant", "all").status == 0
    said = imgseal("log", "export", "2.5.0", "audit")
    assert said.status == 2
    assert "one of south, north" in said.err or "one of north, south" in said.err
    for variant in ("north", "south"):
        said = imgseal("log", "export", "2.5.0", variant, "--variant", variant)
        assert said.status == 0, said.err
        judge_export(imgseal, released / variant)
    assert "no package of this variant" in imgseal("log", "export", "2.4.1", "x", "--variant", "north").err


def test_two_algorithms(imgseal: Imgseal, project: Path) -> None:
    """Keys of both kinds are exported; ML-DSA-44 signatures differ from build to build, so a repeated sequence is refused."""
    from workshop import two_algorithms, write_quantum_keys

    from imgseal.demo.firmware import code
    from imgseal.product.starter import product_text

    (project / "imgseal.toml").write_text(two_algorithms(product_text()) + LOG)
    write_quantum_keys(project)
    assert imgseal("log", "new").status == 0
    (project / "radio.bin").write_bytes(code("radio", link=0xC0C00, size=3001, vectors=48, stack=0x2002_0000))
    arguments = ("build", "radio=radio.bin@0xC0C00", "--release", "--revision", "abcd")
    assert imgseal(*arguments).status == 0
    entry = json.loads((project / "release.log").read_text())["entry"]
    assert [len(entry["packages"][0]["keys"]), len(entry["packages"][0]["images"][0]["keys"])] == [2, 2]
    assert imgseal("log", "export", "0", "audit").status == 0
    assert len(list((project / "audit" / "keys").iterdir())) == 4
    judge_export(imgseal, project / "audit")
    again = imgseal(*arguments)
    assert again.status == 2
    assert "this is the release of entry 0 once more, and its package is another one" in again.err


def test_trust_limits_are_kept(imgseal: Imgseal, released: Path) -> None:
    """An entry of [trust] that names components keeps saying so, and `need` as well."""
    text = (released / "imgseal.toml").read_text()
    limited = '[{ key = "keys/images.pub.pem", components = ["motor", "radio", "phrases"] }]'
    (released / "imgseal.toml").write_text(text.replace('["keys/images.pub.pem"]', limited))
    assert imgseal("log", "export", "2.4.1", "audit").status == 0
    assert 'components = ["motor", "radio", "phrases"]' in (released / "audit" / "imgseal.toml").read_text()
    judge_export(imgseal, released / "audit")


def test_the_days_of_keys_are_kept(imgseal: Imgseal, released: Path) -> None:
    """Judged on the day of the release, as README.txt says, it is accepted for ever; on another day its keys are not in force."""
    text = (released / "imgseal.toml").read_text()
    dated = '[{{ key = "{}", from = 2025-11-01, until = 2025-12-31 }}]'
    for role in ("images", "packages"):
        text = text.replace(f'["keys/{role}.pub.pem"]', dated.format(f"keys/{role}.pub.pem"))
    (released / "imgseal.toml").write_text(text)
    assert imgseal("log", "export", "2.4.1", "audit").status == 0
    exported = read((released / "audit" / "imgseal.toml").read_text(), name="imgseal.toml").trust
    assert [(entry.first, entry.last) for entry in (*exported.images, *exported.packages)] == [
        ("2025-11-01", "2025-12-31")
    ] * 2
    os.chdir(released / "audit")
    (line,) = [line for line in Path("README.txt").read_text().splitlines() if "imgseal check" in line]
    assert imgseal(*line.split()[1:]).status == 0
    said = imgseal("check", "vent-drive-2.4.1-17.suit", "--as-of", "2026-01-01")
    assert (said.status, "trust.key-not-in-force" in said.out) == (1, True)


def test_keys_that_do_not_count_are_kept(imgseal: Imgseal, released: Path) -> None:
    assert imgseal("key", "new", "--no-passphrase", "other.pem").status == 0
    text = (released / "imgseal.toml").read_text()
    (released / "imgseal.toml").write_text(
        text.replace("[trust.images]", '[trust]\nuncounted = ["other.pub.pem"]\n\n[trust.images]', 1)
    )
    assert imgseal("log", "export", "2.4.1", "audit").status == 0
    exported = read((released / "audit" / "imgseal.toml").read_text(), name="imgseal.toml").trust
    assert [(released / "audit" / entry.key).is_file() for entry in exported.uncounted] == [True]


def spoil(folder: Path) -> None:
    """Files that an export must not be made from."""
    package = folder / "out" / "vent-drive-2.4.1-17.suit"
    data = bytearray(package.read_bytes())
    data[-1] ^= 1
    (folder / "spoiled.suit").write_bytes(data)
    text = (folder / "imgseal.toml").read_text()
    (folder / "class.toml").write_text(text.replace('class = "vent-drive-2"', 'class = "vent-drive-3"'))
    (folder / "keys.toml").write_text(text.replace('["keys/images.pub.pem"]', '["other.pub.pem"]'))
    (folder / "names.toml").write_text(text.replace("component.phrases", "component.words"))
    (folder / "slots.toml").write_text(text.replace("motor-b", "motor-c"))
    (folder / "there").mkdir()


MISTAKES = [
    (("2.4.9", "audit"), 2, "no such release"),
    (("2.4.1", "there"), 2, "wants a new folder"),
    (("2.4.1", "imgseal.toml"), 2, "wants a new folder"),
    (("2.4.1", "audit", "--package", "nothing.suit"), 3, "cannot read this artefact"),
    (("2.4.1", "audit", "--package", "out/vent-drive-2.4.2-18.suit"), 2, "not the one that was logged"),
    (("2.4.1", "audit", "--package", "spoiled.suit"), 1, "the package is refused"),
    (("2.4.1", "audit", "--package", "out/radio.sealed.bin"), 3, ""),
    (("2.4.1", "audit", "--sbom", "nothing.json"), 3, "cannot read this bill of materials"),
    (("2.4.1", "audit", "--product", "class.toml"), 2, "of another class"),
    (("2.4.1", "audit", "--product", "keys.toml"), 1, "trust.unknown-key"),
    (("2.4.1", "audit", "--product", "names.toml"), 2, "does not have"),
    (("2.4.1", "audit", "--product", "slots.toml"), 2, "not those that were logged"),
    (("2.4.1", "audit", "--log", "nothing.log"), 3, "cannot read this release log"),
]


@pytest.mark.parametrize(("arguments", "status", "words"), MISTAKES, ids=[" ".join(m[0]) for m in MISTAKES])
def test_mistakes(imgseal: Imgseal, released: Path, arguments: tuple[str, ...], status: int, words: str) -> None:
    spoil(released)
    imgseal("key", "new", "--no-passphrase", "other.pem")
    before = tree(released)
    said = imgseal("log", "export", *arguments)
    assert said.status == status, said.err
    assert words in said.err
    assert said.out == ""
    assert tree(released) == before


def test_a_package_that_is_gone(imgseal: Imgseal, released: Path) -> None:
    shutil.rmtree(released / "out")
    said = imgseal("log", "export", "2.4.1", "audit")
    assert said.status == 2
    assert "--package FILE" in said.err
    assert not (released / "audit").exists()
