"""The kit: the generator reproduces it byte for byte, and the Python judge and the command line say what it says.

What each case expects first is written down by hand in image_cases.py, package_cases.py and profile_cases.py; its origin is the page of the format, the
draft's clause in docs/checks.md, or a boundary of a field.
"""

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from make_kit import DATA, TOO_LARGE, cases, kit
from run_python import OUTSIDE, product_of, slots_of, verdict_of
from workshop import Imgseal

from imgseal.check.patched import Stated, StatedPatch, patched
from imgseal.findings import CODES, OF_THE_LOG

KIT = json.loads((DATA / "kit.json").read_text())
ENTRIES: list[dict[str, Any]] = KIT["cases"]


def test_the_generator_reproduces_the_kit() -> None:
    there = {str(p.relative_to(DATA)): p.read_bytes() for p in DATA.rglob("*") if p.is_file()}
    made = kit()
    assert made.keys() == there.keys()
    assert [name for name in made if made[name] != there[name]] == []


def test_size_and_reach() -> None:
    """At least 300 cases, every finding code that a device has cause for first in one of them, each with a name of its own."""
    assert len(ENTRIES) >= 300
    assert {entry["first"] for entry in (*ENTRIES, *KIT["patches"])} == {*CODES, "accepted"} - OF_THE_LOG
    assert len({entry["name"] for entry in ENTRIES}) == len(ENTRIES)
    assert [case.name for case in cases()] == [entry["name"] for entry in ENTRIES]
    for entry in ENTRIES:
        assert (entry["verdict"] == "accepted") == (entry["first"] == "accepted") == (entry["codes"] == [])


FRESH = {"format": 1, "hardware": 3, "sequence": 0, "counters": {}, "authorised": True}
"""A device that a case says nothing of but its trust anchors."""


def read(path: str) -> bytes:
    return (DATA / path).read_bytes()


def test_python_says_what_the_kit_says() -> None:
    products = {
        name: product_of(name, read(f"products/{name}.toml").decode()) for name in {e["product"] for e in ENTRIES}
    }
    for entry in ENTRIES:
        if entry["name"] == TOO_LARGE:
            continue
        verdict = verdict_of(
            products[entry["product"]], read(entry["artefact"]), payload=read(entry["payload"]) if "payload" in entry else None,
            slot=entry.get("slot"), device=entry.get("device"), held={s: read(p) for s, p in entry.get("held", {}).items()},
            development=entry.get("development", False), day=entry.get("day"), anchors=read(entry["anchors"]) if "anchors" in entry else None,
        )  # fmt: skip
        found = [finding.code for finding in verdict.findings]
        assert (entry["name"], verdict.accepted, found) == (
            entry["name"],
            entry["verdict"] == "accepted",
            entry["codes"],
        )
        assert verdict.accepted or found[0] == entry["first"]


def test_python_says_what_the_kit_says_of_patches() -> None:
    for row in KIT["patches"]:
        stated = StatedPatch(
            **{key: Stated(value["size"], bytes.fromhex(value["sha256"])) for key, value in row["stated"].items()}
        )
        made = patched(stated, read(row["patch"]), read(row["held"]), "patch")
        said = "accepted" if isinstance(made, bytes) else made.code
        assert (row["name"], said) == (row["name"], row["first"])
        assert not isinstance(made, bytes) or stated.result.is_of(made)


def test_the_judge_refuses_what_is_too_large(tmp_path: Path) -> None:
    """A sparse file of 512 MiB and a byte; it is refused by its size, before it is read."""
    entry = next(e for e in ENTRIES if e["name"] == TOO_LARGE)
    from imgseal.workspace.files import load_artefact

    path = tmp_path / "large.bin"
    with path.open("wb") as stream:
        stream.truncate(entry["artefact"]["size"])
    with pytest.raises(Exception, match="larger than imgseal reads"):
        load_artefact(str(path))

    class Large:
        size = entry["artefact"]["size"]

        def read(self, offset: int, length: int) -> bytes:
            return bytes(min(length, 64))

    from workshop import trust_of

    from imgseal.check.context import Context
    from imgseal.check.judge import judge
    from imgseal.device_state.device import fresh

    of = product_of("kit", read("products/kit.toml").decode())
    verdict = judge(Large(), "large", Context(of, trust_of(of), fresh(of)))
    assert [finding.code for finding in verdict.findings] == [entry["first"]]


@pytest.mark.parametrize("part", range(4))
def test_command_line_says_what_the_kit_says(
    part: int, imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`imgseal check --json` on the kit's own files; one product says what its file could not, and is left to the API."""
    monkeypatch.chdir(tmp_path)
    for path in (DATA / "keys").rglob("*.pem"):
        (tmp_path / "keys").mkdir(exist_ok=True)
        (tmp_path / "keys" / path.name).write_bytes(path.read_bytes())
    (tmp_path / "keys-dev").mkdir()
    for path in (DATA / "keys-dev").rglob("*.pem"):
        (tmp_path / "keys-dev" / path.name).write_bytes(path.read_bytes())
    for path in (DATA / "products").glob("*.toml"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    tried = 0
    for number, entry in enumerate(ENTRIES):
        if number % 4 != part or entry["name"] == TOO_LARGE or entry["product"] in OUTSIDE:
            continue
        arguments = ["check", str(DATA / entry["artefact"]), "--json", "--product", f"{entry['product']}.toml"]
        if "payload" in entry:
            arguments += ["--payload", str(DATA / entry["payload"])]
        if "slot" in entry:
            arguments += ["--slot", entry["slot"]]
        if entry.get("development"):
            arguments.append("--development")
        if entry["product"] == "kit-dated":
            arguments += ["--as-of", entry.get("day", "2026-07-01")]  # the command always judges for a day
        if "device" in entry or "anchors" in entry:
            anchors = {}
            if "anchors" in entry:
                (tmp_path / "held.trust").write_bytes(read(entry["anchors"]))
                digest = hashlib.sha256(read(entry["anchors"])).hexdigest()
                anchors = {"anchors": {"file": "held.trust", "sha256": digest}}
            slots = slots_of({s: read(p) for s, p in entry.get("held", {}).items()}, tmp_path)
            (tmp_path / "device.json").write_text(json.dumps({**entry.get("device", FRESH), **anchors, "slots": slots}))
            arguments += ["--device", "device.json"]
        said = imgseal(*arguments)
        verdict = json.loads(said.out)["verdicts"][0]
        found = [finding["code"] for check in verdict["checks"] for finding in check["findings"]]
        expected = 0 if entry["verdict"] == "accepted" else 1
        if "--device" not in arguments and "placement.one-build" in found:  # the kit asks for one device, not for all
            found.remove("placement.one-build")
            expected = 1
        assert said.status == expected, f"{entry['name']}: {said.err}"
        assert (entry["name"], found) == (entry["name"], entry["codes"])
        tried += 1
    assert tried > 60


def test_plain_values_tell_all_products_apart() -> None:
    """No two products have the same, and the page explains every key."""
    products = {path.stem: json.loads(path.read_text()) for path in (DATA / "products").glob("*.json")}
    texts = [json.dumps(values, sort_keys=True) for values in products.values()]
    assert len(set(texts)) == len(texts) >= 8
    page = (Path(__file__).parent / "README.md").read_text()
    for values in products.values():
        assert [key for key in values if f"`{key}`" not in page] == []
        for key in {name for part in (*values["components"], *values["anchors"]) for name in part} - {
            "name",
            "number",
            "kind",
            "header_block",
        }:
            assert f"`{key}`" in page, key
