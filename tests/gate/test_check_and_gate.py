"""check and gate give one answer: every artefact under every log, for every device, with every option, asked of both.

Nothing here says what the answer is, but for a few cases at the end: the two are held against each other.
"""

import io
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest
from gate_tree import as_hex
from long_runs import mainly
from workshop import ALL, BUILD_TIME, Imgseal, public_key, repacked, write_project

from imgseal.cli.app import run
from imgseal.demo.firmware import code, phrases
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.product.starter import product_text

LOG = '\n[log]\npath = "release.log"\npin = "release.head"\n'
VARIANT = '\n[variant.rev1]\nclass = "vent-drive-1"\n'
EMPTY = "0:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855\n"
LOGS = (
    "whole", "none", "missing", "empty", "cut behind its pin", "before the last", "of the variant alone",
    "first line changed", "last line torn", "another",
)  # fmt: skip
DEVICES = ("", "new", "runs", "revoked")
OPTIONS: dict[str, tuple[str, ...]] = {
    "": (),
    "variant": ("--variant", "rev1"),
    "line": (),
    "early": ("--as-of", "2025-01-01"),
    "days": ("--as-of", "2035-01-02"),
    "sbom": (),
    "bootloader": (),
    "archive": ("--archive", "art"),
}
EDITS = {
    "sbom": ("[rules]\n", '[rules]\nsbom = "required"\n'),
    "bootloader": ('[bootloader]\nversion = "1.1.0"', '[bootloader]\nversion = "1.0.0"'),
    "days": ('keys = ["keys/packages.pub.pem"]', 'keys = [{ key = "keys/packages.pub.pem", until = 2030-01-01 }]'),
}
"""What an option changes in the product file."""
NO_ANSWER = "nothing says what sequence and counters the devices have"


def done(*arguments: str) -> None:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = run(arguments)
    assert status == 0, (arguments, err.getvalue())


class House:
    """A product line of two: one with a log, a variant and artefacts of all kinds, the other without a log."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.vent = folder / "vent"
        self.art = self.vent / "art"
        self.logs: dict[str, tuple[bytes, str] | None] = {"none": None, "empty": (b"", EMPTY)}
        self.text = product_text().replace("sequence = 17", 'sequence = "next"') + VARIANT
        (folder / "imgseal.toml").write_text('format = 1\n[line]\nmembers = ["vent", "pump"]\n')
        for member in (self.vent, folder / "pump"):
            member.mkdir()
            write_project(member)
            firmware(member)
        self.art.mkdir()
        (self.vent / "imgseal.toml").write_text(self.text + LOG)
        pump = product_text().replace('name = "vent-drive"', 'name = "pump"')
        (folder / "pump" / "imgseal.toml").write_text(pump.replace('class = "vent-drive-2"', 'class = "pump-1"'))
        os.chdir(self.vent)
        self.make()

    def log(self) -> tuple[bytes, str]:
        return (self.vent / "release.log").read_bytes(), (self.vent / "release.head").read_text()

    def put_log(self, log: tuple[bytes, str] | None) -> None:
        """Lay a log and its pin there, or leave them away."""
        for name in ("release.log", "release.head"):
            (self.vent / name).unlink(missing_ok=True)
        if log is not None:
            (self.vent / "release.log").write_bytes(log[0])
            (self.vent / "release.head").write_text(log[1])

    def build(self, name: str, version: str, *more: str, files: tuple[str, ...] = ALL) -> None:
        """Build a release, and keep its package and some of its images as artefacts."""
        done("build", *files, "--set", f"release.version={version}", "--out", f"out/{name}", *more)
        for path in sorted((self.vent / "out" / name).glob("*")):
            if path.name.endswith((".suit", "motor-a.sealed.bin", "phrases.sealed.bin")):
                shutil.copy(
                    path, self.art / f"{name}-{'package' if path.suffix == '.suit' else path.name}{path.suffix}"
                )

    def release(self, name: str, version: str, *more: str, files: tuple[str, ...] = ALL) -> None:
        self.build(name, version, "--release", "--revision", name.encode().hex(), *more, files=files)
        done("log", "pin")

    def make(self) -> None:
        done("log", "new")
        self.release("first", "2.4.1")
        self.release("hotfix", "2.4.2", files=ALL[:2])
        self.release("rev1", "2.4.3", "--variant", "rev1")
        self.release("gone", "2.4.4")
        done("log", "withdraw", "2.4.4", "--why", "a test")
        done("log", "pin")
        before = self.logs["before the last"] = self.log()
        self.release("last", "2.4.5")
        last, first = next((self.vent / "out/last").glob("*.suit")), "art/first-package.suit"
        for name, more in {
            "delivery": (),
            "hotfixed": ("--from", "art/hotfix-package.suit"),
            "thin": ("--thin",),
        }.items():
            done("deliver", str(last), "--from", first, *more, "--out", f"art/{name}.suit")
        done("log", "pin")
        whole = self.logs["whole"] = self.log()
        self.release("night", "2.4.6")
        self.put_log(before)
        self.release("twin", "2.4.5")
        self.build("desk", "2.4.7")
        self.put_log(None)
        done("log", "new")
        self.release("early", "2.0.0", "--variant", "rev1")
        self.logs["of the variant alone"] = self.log()
        self.put_log(None)
        done("log", "new")
        self.release("stranger", "2.0.0")
        self.logs["another"] = self.log()
        self.put_log(whole)
        self.logs["missing"] = whole
        self.logs["cut behind its pin"] = before[0], whole[1]
        self.logs["first line changed"] = whole[0].replace(b'"version":"2.4.1"', b'"version":"2.4.0"', 1), whole[1]
        self.logs["last line torn"] = whole[0] + b'{"at":', whole[1]
        self.spoil()
        os.chdir(self.folder / "pump")
        done("build", *ALL, "--release", "--out", "out")
        (package,) = (self.folder / "pump" / "out").glob("*.suit")
        shutil.copy(package, self.art / "pump-package.suit")
        os.chdir(self.vent)
        for path in self.art.iterdir():
            assert path.stat().st_size, path
        done("device", "new", "new.json")
        done("device", "apply", "new.json", str(self.art / "first-package.suit"), "--out", "runs.json")
        state = json.loads((self.vent / "runs.json").read_text())
        state["revoked"] = [public_key("keys/images").key_id.hex()]
        (self.vent / "revoked.json").write_text(json.dumps(state))

    def spoil(self) -> None:
        """What nobody should take, made of the last release."""
        package = (self.art / "last-package.suit").read_bytes()
        image = (self.art / "last-motor-a.sealed.bin.bin").read_bytes()
        delivery = (self.art / "delivery.suit").read_bytes()
        for name, data in {
            "spoiled.suit": delivery[:-1] + bytes([delivery[-1] ^ 1]),
            "not-ours.suit": repacked(delivery, by=("foreign",)),
            "flipped.suit": package[:-1] + bytes([package[-1] ^ 1]),
            "short.suit": package[:-1],
            "foreign.suit": repacked(package, by=("foreign",)),
            "idle.suit": repacked(package, by=("keys/packages", "foreign")),
            "flipped.bin": image[:-1] + bytes([image[-1] ^ 1]),
            "text.hex": as_hex(0x20000, image),
        }.items():
            (self.art / name).write_bytes(data)

    def lay(self, log: str, option: str = "") -> None:
        text = self.text.replace('"next"', "17") if log == "none" else self.text + LOG
        old, new = EDITS.get(option, ("", ""))
        assert old in text, option
        (self.vent / "imgseal.toml").write_text(text.replace(old, new, 1) if old else text)
        self.put_log(self.logs[log])
        if log == "missing":
            (self.vent / "release.log").unlink()


def firmware(folder: Path) -> None:
    for slot, link in (("a", 0x20400), ("b", 0x70400)):
        data = code(f"motor {slot}", link=link, size=2000, vectors=64, stack=0x2002_0000)
        (folder / f"motor-{slot}.hex").write_bytes(b"".join(write_intel_hex([(link, data)])))
    (folder / "radio.bin").write_bytes(code("radio", link=0xC0400, size=1001, vectors=48, stack=0x2002_0000))
    (folder / "phrases.bin").write_bytes(phrases("phrases", 1000))


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", str(BUILD_TIME))
        patch.setattr("os.isatty", lambda _descriptor: False)
        patch.chdir(tmp_path_factory.getbasetemp())
        yield House(tmp_path_factory.mktemp("house"))


Answers = dict[str, tuple[str, ...]] | str
"""The codes for each artefact, none where it is taken; or why there is no answer."""


def check(imgseal: Imgseal, paths: list[str], options: tuple[str, ...]) -> tuple[Answers, str]:
    said = imgseal("check", *paths, "--json", *options)
    if not said.out:
        return said.err, ""
    verdicts = json.loads(said.out)["verdicts"]
    found = {}
    for verdict in verdicts:
        codes = tuple(sorted({f["code"] for each in verdict["checks"] for f in each["findings"]}))
        if not codes and verdict["verdict"] != "accepted":
            codes = ("gate.not-judged",)  # what the gate calls it
        assert (verdict["verdict"] == "accepted") == (codes == ()), verdict
        found[verdict["artefact"]] = codes
    assert said.status == (1 if any(found.values()) else 0)
    return found, verdicts[0]["device"]


def gate(imgseal: Imgseal, folder: str, options: tuple[str, ...]) -> Answers:
    said = imgseal("gate", folder, "--format", "json", "--jobs", "1", *options)
    if not said.out:
        return said.err
    document = json.loads(said.out)
    found = {}
    for each in document["artefacts"]:
        codes = tuple(sorted({finding["code"] for finding in each["findings"]}))
        assert (each["outcome"] == "good") == (codes == ()), each
        found[each["artefact"]] = codes
    return found


@pytest.mark.seconds(900)
@pytest.mark.parametrize("log", mainly("whole", LOGS))
def test_one_answer(imgseal: Imgseal, house: House, log: str, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = answered = 0
    for device in DEVICES:
        for name, option in OPTIONS.items():
            house.lay(log, name)
            up = "vent/" if name == "line" else ""
            monkeypatch.chdir(house.folder if name == "line" else house.vent)
            options = (*option, *(("--device", f"{up}{device}.json") if device else ()))
            paths = [f"{up}art/{path.name}" for path in sorted(house.art.iterdir())]
            by_check, whose = check(imgseal, paths, options)
            by_gate = gate(imgseal, f"{up}art", options)
            if isinstance(by_gate, str) and NO_ANSWER in by_gate:  # it asks to be told that there are none
                assert whose.startswith("a fresh device") or name == "archive", (device, name, whose)
                by_gate = gate(imgseal, f"{up}art", (*options, "--fresh"))
            where = (log, device, name)
            if isinstance(by_check, str) or isinstance(by_gate, str):
                assert by_check == by_gate, where
                continue
            asked += 1
            for path in paths:
                codes = by_gate[path]
                if "gate.no-device" in codes:  # it asks for an answer that check does without, and says no
                    codes = tuple(code for code in codes if code != "gate.no-device")
                    assert by_check[path] != () or path.endswith("pump-package.suit"), (where, path)
                answered += 1
                assert by_check[path] == codes, (where, path)
    broken = log in ("missing", "cut behind its pin", "first line changed")
    # a line has no one device, and one device no archive
    assert asked == (0 if broken else len(DEVICES) * len(OPTIONS) - 2 * (len(DEVICES) - 1))
    assert broken or answered > 300


def test_what_it_is(imgseal: Imgseal, house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that two that never say no are not held to be right."""
    monkeypatch.chdir(house.vent)
    house.lay("whole")
    paths = [f"art/{path.name}" for path in sorted(house.art.iterdir())]
    found, _ = check(imgseal, paths, ())
    assert isinstance(found, dict)
    taken = {path.removeprefix("art/") for path, codes in found.items() if not codes}
    assert {"last-package.suit", "last-motor-a.sealed.bin.bin", "rev1-package.suit", "text.hex"} <= taken
    for name, code_ in {
        "night-package.suit": "gate.not-logged",
        "night-phrases.sealed.bin.bin": "gate.not-logged",
        "twin-package.suit": "rollback.sequence-reused",
        "gone-package.suit": "rollback.withdrawn",
        "gone-motor-a.sealed.bin.bin": "gate.withdrawn",
        "desk-package.suit": "signature.wrong-key",
    }.items():
        assert code_ in found[f"art/{name}"], name
    assert (found["art/delivery.suit"], found["art/spoiled.suit"]) == (("gate.not-judged",), ("digest.patch",))
    assert found["art/not-ours.suit"] == ("signature.wrong-key",)
    for option, spoiled in ((("--archive", "art"), "digest.patch"), (("--device", "runs.json"), "digest.patch")):
        by_bases, whose = check(imgseal, ["art/delivery.suit", "art/spoiled.suit", "art/hotfixed.suit"], option)
        assert by_bases == {
            "art/delivery.suit": (), "art/spoiled.suit": (spoiled,), "art/hotfixed.suit": ()
        }, whose  # fmt: skip
    only = ("--archive", "keys")
    assert check(imgseal, ["art/delivery.suit"], only)[0] == {"art/delivery.suit": ("gate.not-judged",)}
    house.lay("whole", "sbom")
    bare, _ = check(imgseal, ["art/last-package.suit"], ())
    assert bare == {"art/last-package.suit": ("gate.no-sbom",)}
    house.lay("none")
    assert check(imgseal, ["art/hotfix-package.suit"], ())[0] == {"art/hotfix-package.suit": ()}
