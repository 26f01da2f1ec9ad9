"""imgseal.release and imgseal.judge: the same bytes and verdicts as the commands, and docs/api.md as it stands."""

import json
import re
from pathlib import Path

import intelhex
import pytest
from workshop import ALL, Imgseal, tree

import imgseal as api
from imgseal.formats.source.intel_hex_writer import write_intel_hex

FIRMWARE: dict[str, str | list[str]] = {
    "motor": ["motor-a.hex", "motor-b.hex"],
    "radio": "radio.bin@0xC0400",
    "phrases": "phrases.bin@0x60080400",
}
PAGE = (Path(__file__).parents[1] / "docs" / "api.md").read_text()


def outputs(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("development", [False, True])
def test_the_same_release_as_the_command(
    imgseal: Imgseal, project: Path, development: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    said = imgseal(
        "build", *ALL, *(() if development else ("--release",)), "--revision", "ab" * 20, "--set", "release.sequence=18"
    )
    assert said.status == 0
    made = api.release(
        FIRMWARE, out=Path("api"), development=development, settings={"release.sequence": 18}, revision="ab" * 20
    )
    assert outputs(project / "api") == outputs(project / "out")
    assert made.package == f"api/vent-drive-2.4.1-18{'-development' if development else ''}.suit"
    assert sorted(made.paths) == sorted(f"api/{name}" for name in outputs(project / "api"))
    assert made.verdict.accepted
    assert capsys.readouterr() == ("", "")


def test_the_same_verdict_as_the_command(imgseal: Imgseal, project: Path) -> None:
    imgseal("build", *ALL, "--release")
    package = project / "out/vent-drive-2.4.1-17.suit"
    assert api.judge(package).accepted
    assert api.judge(package.read_bytes()).accepted
    spoiled = bytearray(package.read_bytes())
    spoiled[-1] ^= 1
    (project / "spoiled.suit").write_bytes(spoiled)
    verdict = api.judge(bytes(spoiled))
    assert [finding.code for finding in verdict.findings] == re.findall(
        r"^  ([a-z]+\.[a-z-]+)", imgseal("check", "spoiled.suit").out, re.MULTILINE
    )
    imgseal("device", "new", "unit.json", "--hardware", "3")
    imgseal("device", "apply", "unit.json", str(package), "--out", "runs.json")
    assert api.judge(package, device="runs.json").accepted
    old = api.release(FIRMWARE, out="old", settings={"release.sequence": 16})
    assert api.judge(old.package, device="runs.json").findings[0].code == "rollback.sequence-too-low"
    dump = (project / "out/motor-a.sealed.bin").read_bytes().ljust(320 * 1024, b"\xff")
    assert api.judge(dump, slot="motor-a").accepted
    assert api.judge(dump, slot="motor-b").findings[0].code == "placement.wrong-slot"


def test_errors_are_those_of_the_commands(project: Path) -> None:
    before = tree(project)
    for call, kind in (
        (lambda: api.release({}), api.UsageError),
        (lambda: api.release({"motors": "motor-a.hex"}), api.UsageError),
        (lambda: api.release({"motor": "none.hex"}), api.InputError),
        (lambda: api.release(FIRMWARE, product="none.toml"), api.InputError),
        (lambda: api.release(FIRMWARE, settings={"release.sequence": -1}), api.UsageError),
        (lambda: api.judge("none.suit"), api.InputError),
        (lambda: api.judge(b"", slot="nowhere"), api.UsageError),
        (lambda: api.judge(b"", as_of="today"), api.UsageError),
    ):
        with pytest.raises(kind) as caught:
            call()
        assert caught.value.hint
    (project / "keys/images.pem").unlink()
    with pytest.raises(api.SigningKeyError):
        api.release(FIRMWARE)
    del before["keys/images.pem"]
    assert tree(project) == before


def test_a_bill_of_materials_that_is_demanded(project: Path) -> None:
    text = (project / "imgseal.toml").read_text()
    (project / "imgseal.toml").write_text(text.replace("[rules]\n", '[rules]\nsbom = "required"\n'))
    with pytest.raises(api.UsageError, match="bill of materials"):
        api.release(FIRMWARE)
    bill = {"bomFormat": "CycloneDX", "specVersion": "1.5", "components": []}
    (project / "sbom.json").write_text(json.dumps(bill))
    with pytest.raises(api.UsageError, match="lists no components"):
        api.release(FIRMWARE, sbom=project / "sbom.json")
    about = {"component": {"name": "vent-drive", "version": "2.4.1"}}
    (project / "sbom.json").write_text(json.dumps({**bill, "metadata": about, "components": [{"name": "tiny-stack"}]}))
    assert api.release(FIRMWARE, sbom=project / "sbom.json").verdict.accepted


def test_the_log_counts_here_too(imgseal: Imgseal, project: Path) -> None:
    text = (project / "imgseal.toml").read_text()
    (project / "imgseal.toml").write_text(
        text.replace("[signing.development]", '[log]\npath = "release.log"\n\n[signing.development]')
    )
    with pytest.raises(api.UsageError, match="not there"):
        api.release(FIRMWARE)
    assert imgseal("log", "new").status == 0
    with pytest.raises(api.UsageError, match="which sources"):
        api.release(FIRMWARE)
    api.release(FIRMWARE, revision="abcd")
    with pytest.raises(api.UsageError, match="sequence"):
        api.release(FIRMWARE, settings={"release.sequence": 16}, again="a test", revision="abcd")
    assert "2.4.1" in imgseal("log", "show").out
    (project / "imgseal.toml").write_text((project / "imgseal.toml").read_text().replace("[log]", "[ledger]"))
    assert any("[ledger] is called [log] now" in note for note in api.release(FIRMWARE, revision="abcd").notes)


def test_firmware_that_a_script_holds_is_firmware(imgseal: Imgseal, project: Path) -> None:
    """The same bytes from an IntelHex, a MemoryImage and files; sealed alone it is what the command seals."""
    named = api.release(FIRMWARE, out="named")
    held = {
        "motor": [intelhex.IntelHex("motor-a.hex"), intelhex.IntelHex("motor-b.hex")],
        "radio": api.MemoryImage.from_bytes(0xC0400, Path("radio.bin").read_bytes()),
        "phrases": Path("phrases.bin@0x60080400"),
    }
    made = api.release(held, out="held")
    assert Path(made.package).read_bytes() == Path(named.package).read_bytes()
    assert imgseal("seal", "motor-a.hex", "--component", "motor", "--hex", "--out", "m.hex").status == 0
    sealed = api.seal("motor", held["motor"][0], development=True)  # type: ignore[index]
    assert sealed.to_intelhex().todict() == intelhex.IntelHex("m.hex").todict()
    before = tree(project)
    for firmware in ("m.hex", "named/motor-a.sealed.bin"):
        with pytest.raises((api.UsageError, api.InputError)):
            api.seal("motor", firmware)
    with pytest.raises(api.UsageError, match="no such component"):
        api.seal("motors", intelhex.IntelHex("motor-a.hex"))
    assert tree(project) == before


def test_the_page_runs(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every example of docs/api.md, one after the other."""
    (project / "firmware").mkdir(exist_ok=True)
    boot = b"\x00\x10\x00\x20" + bytes(60)
    (project / "firmware" / "bootloader.hex").write_bytes(b"".join(write_intel_hex([(0, boot)])))
    (project / "firmware" / "settings.bin").write_bytes(b"settings")
    names: dict[str, object] = {}
    for block in re.findall(r"```python\n(.+?)\n```", PAGE, re.DOTALL):
        exec(block, names)
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "out/vent-drive-2.4.1-17.suit"
    assert "accepted" in said
    assert any(line.startswith("digest.") for line in said)
    assert any(line.startswith("2 ") for line in said)
    assert [
        name
        for name in api.__all__
        if name not in ("Finding", "__version__") and f"`{name}`" not in PAGE and f"imgseal.{name}" not in PAGE
    ] == []
