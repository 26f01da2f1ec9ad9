"""docs/incident.md: every command, in order, on a fleet that runs a release; what it says happens, happens."""

import json
import re
import shlex
from pathlib import Path

import pytest
from workshop import ALL, Imgseal, private_key

from imgseal.demo.firmware import code
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.keys.pem import encode_private, encode_public
from imgseal.keys.signer import FileSigner

PAGE = (Path(__file__).parents[2] / "docs" / "incident.md").read_text()
LINES = [line for block in re.findall(r"```console\n(.+?)\n```", PAGE, re.DOTALL) for line in block.split("\n")]
REFUSED = "imgseal check released/phrases.sealed.bin --device after-3.json"
"""The one command that has to fail: an image by the stolen key, after its revocation."""


def add_key(project: Path, name: str) -> None:
    private = private_key(name)
    (project / f"{name}.pem").write_bytes(encode_private(private, None))
    (project / f"{name}.pem").chmod(0o600)
    (project / f"{name}.pub.pem").write_bytes(encode_public(FileSigner(private, name).public))


def replaced(project: Path, *changes: tuple[str, str]) -> None:
    path = project / "imgseal.toml"
    text = path.read_text()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    path.write_text(text)


@pytest.fixture
def fleet(imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Devices with a recovery image run a logged release; apex trust anchor and contingency key lie in their safes."""
    for name in ("keys/apex", "keys/contingency"):
        add_key(project, name)
    replaced(
        project,
        ("[trust.images]", '[trust]\napex = "keys/apex.pub.pem"\ncontingency = "keys/contingency.pub.pem"\n\n[trust.images]'),
        ("[signing.development]", '[log]\npath = "release.log"\n\n[signing.development]'),
    )  # fmt: skip
    (project / "factory.toml").write_text((project / "imgseal.toml").read_text())
    assert imgseal("log", "new").status == 0
    (project / "firmware").mkdir()
    for name, link, size in (("firmware/bootloader.hex", 0, 5000), ("recovery.hex", 0x14400, 3000)):
        data = code(name, link=link, size=size, vectors=64, stack=0x2002_0000)
        (project / name).write_bytes(b"".join(write_intel_hex([(link, data)])))
    (project / "firmware/settings.bin").write_bytes(b"settings")
    assert imgseal("build", *ALL, "--release", "--revision", "abcd", "--out", "released").status == 0
    own = ("--set", "release.version=1.0.0", "--set", "release.sequence=1", "--out", "released-recovery")
    assert imgseal("build", "recovery=recovery.hex", "--release", "--revision", "abcd", *own).status == 0
    (project / "released/vent-drive-2.4.1-17.suit").rename(project / "fleet.suit")
    (project / "released-recovery/vent-drive-1.0.0-1.suit").rename(project / "recovery.suit")
    said = imgseal("factory", "fleet.suit", "recovery.suit", "--hardware", "3", "--out", ".")
    assert said.status == 0, said.err
    monkeypatch.setenv("IMGSEAL_PASSPHRASE", "only for the test")
    return project


def worksheet(imgseal: Imgseal) -> None:
    """What the worksheet has in its last column is what its command says, for the entry that is named there."""
    table = PAGE.split("| for the report | from | in the exercise |\n")[1].split("\n\n")[0]
    filled = 0
    for row in table.splitlines()[1:]:
        what, source, exercise = (cell.strip() for cell in row.strip("|").split("|"))
        if not exercise:
            continue
        (command,) = re.findall(r"`imgseal (log [^`]+)`", source)
        entry = re.match(r"entry (\d+): ", exercise)
        said = imgseal(*command.replace("NUMBER", entry[1] if entry else "").replace("THUMBPRINT", STOLEN).split())
        assert said.status == 0, said.err
        for value in re.findall(r"`([^`]+)`", exercise):
            assert value.removesuffix("...") in " ".join(said.out.split()), (what, value, said.out)
            filled += 1
    assert filled >= 15


STOLEN = "28848e35f13108d196f2c6854151be7d"


BEFORE = {
    "imgseal trust replace --key keys/apex.pem --running fleet.suit --running recovery.suit --out 1.trust": (
        ('keys = ["keys/images.pub.pem"]', 'keys = ["keys/images.pub.pem", "keys/images-2.pub.pem"]'),
    ),
    "imgseal build": (('images = "keys/images.pem"', 'images = "keys/images-2.pem"'),),
    "imgseal trust revoke keys/packages.pub.pem": (
        ('keys = ["keys/images.pub.pem", "keys/images-2.pub.pem"]', 'keys = ["keys/images-2.pub.pem"]'),
        ('keys = ["keys/packages.pub.pem"]', 'keys = ["keys/packages-2.pub.pem"]'),
    ),
    "imgseal trust replace --key keys/contingency.pem": (
        ('"keys/apex.pub.pem"', '"keys/apex-2.pub.pem"'),
        ('"keys/contingency.pub.pem"', '"keys/contingency-2.pub.pem"'),
    ),
}
"""What the page tells people to write into the product file, by the command in front of which it does."""


def test_the_first_24_hours(imgseal: Imgseal, fleet: Path) -> None:
    assert len(LINES) >= 17
    add_key(fleet, "keys/packages-2")
    changed, asked = set(), False
    for line in LINES:
        for start, changes in BEFORE.items():
            if line.startswith(start):
                replaced(fleet, *changes)
                changed.add(start)
        program, *arguments = shlex.split(line)
        assert program == "imgseal"
        said = imgseal(*arguments)
        assert said.status == (1 if line == REFUSED else 0), f"{line}\n{said.out}{said.err}"
        if "log show --key" in line:
            assert "2.4.1" in said.out
        if line.startswith("imgseal check out/motor-a.sealed.bin "):
            assert said.out.count("  signed by keys/images-2.pub.pem\n") == len(arguments) - 1 == 5
            asked = True
        if line == REFUSED:
            verdict = json.loads(imgseal(*arguments, "--json").out)["verdicts"][0]
            failed = [check for check in verdict["checks"] if check["outcome"] == "failed"]
            assert (len(failed), verdict["first_finding"]) == (1, "trust.unknown-key")
    assert (changed, asked) == (set(BEFORE), True)
    # at the end a device trusts the new keys only
    imgseal("device", "apply", "after-3.json", "3.trust", "--out", "after-4.json")
    said = imgseal("device", "apply", "after-4.json", "4.trust", "--out", "after-5.json")
    assert said.status == 0, said.err
    assert "set 0 of apex trust anchor 2" in imgseal("device", "show", "after-5.json").out
    assert imgseal("check", "out/vent-drive-2.4.2-18.suit", "--device", "after-5.json").status == 1
    shown = imgseal("log", "show").out
    assert [f"trust anchor set {number}" in shown for number in (1, 2, 3)] == [True] * 3, shown
    worksheet(imgseal)
    apex = imgseal("key", "show", "keys/apex.pub.pem").out
    thumbprint = next(each for each in apex.split() if re.fullmatch("[0-9a-f]{64}", each))
    assert imgseal("log", "show", "--key", thumbprint).out.count("signed the set") == 3


def test_the_page_shows_an_identifier_that_the_log_knows(imgseal: Imgseal, fleet: Path) -> None:
    shown = re.search(r"log show --key ([0-9a-f]+)", PAGE)
    assert shown is not None
    assert shown[1] in imgseal("key", "show", "keys/images.pub.pem").out


def test_a_device_that_was_off(imgseal: Imgseal, fleet: Path) -> None:
    """It refuses the revocation while its images rest on the key, and takes it after the release."""
    add_key(fleet, "keys/images-2")
    first = next(line for line in LINES if line.endswith("1.trust"))
    replaced(fleet, *BEFORE[first])
    assert imgseal(*shlex.split(first)[1:]).status == 0
    replaced(fleet, *BEFORE["imgseal build"])
    number = ("--set", "release.sequence=18", "--set", "release.version=2.4.2", "--revision", "abcd")
    said = imgseal("build", *ALL, "recovery=recovery.hex", "--release", *number)
    assert said.status == 0, said.err
    new = "out/vent-drive-2.4.2-18.suit"
    revoke = ("trust", "revoke", "keys/images.pub.pem", "--key", "keys/apex.pem", "--previous", "1.trust", "--out")
    said = imgseal(*revoke, "2.trust", "--running", new, "--running", "fleet.suit")
    assert (said.status, "rules.trust-in-use" in said.err, (fleet / "2.trust").exists()) == (1, True, False)
    said = imgseal(*revoke, "2.trust", "--running", new, "--running", "recovery.suit")
    assert (said.status, "recovery in recovery would not start any more" in said.err) == (1, True)
    assert imgseal(*revoke, "2.trust", "--running", new).status == 0
    said = imgseal("check", "2.trust", "--device", "device.json")
    assert (said.status, "rules.trust-in-use" in said.out) == (1, True)
    said = imgseal("check", new, "--device", "device.json", "--product", "factory.toml")
    assert (said.status, "trust.unknown-key" in said.out) == (1, True)  # it does not know the new key yet
    assert imgseal("device", "apply", "device.json", "1.trust", "--out", "a.json").status == 0
    said = imgseal("device", "apply", "a.json", new, "--out", "b.json")
    assert said.status == 0, said.err
    assert "install: wrote recovery\n" in said.err
    assert imgseal("device", "apply", "b.json", "2.trust", "--out", "c.json").status == 0
    assert imgseal("check", "1.trust", "--device", "c.json").status == 1
