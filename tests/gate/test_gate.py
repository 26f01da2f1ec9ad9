"""`imgseal gate` over 2,000 artefacts with ten offenders of ten kinds: those are named, each by its own detection.

What is good is good by construction: sealed and logged by the maker's code, which tests/kit and tests/outside check.
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from gate_tree import OFFENDERS, Tree, make_tree
from workshop import Imgseal, tree

from imgseal.check.order import IMAGE_ORDER
from imgseal.findings import Finding


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Tree:
    return make_tree(tmp_path_factory.mktemp("gate"))


@pytest.fixture
def inside(archive: Tree, monkeypatch: pytest.MonkeyPatch) -> Tree:
    monkeypatch.chdir(archive.folder)
    return archive


def refused(text: str) -> dict[str, list[str]]:
    """Artefact -> its finding codes, of a report as text."""
    found = {}
    for block in text.split("\n\n"):
        first, *rest = block.split("\n")
        match = re.fullmatch(r"refused: out/(\S+) \(.+\)", first)
        if match:
            found[match[1]] = [line.split(":")[0].strip() for line in rest if re.match(r"  [a-z]+\.", line)]
    return found


def test_exactly_the_ten_are_named(imgseal: Imgseal, inside: Tree) -> None:
    before = tree(inside.folder)
    said = imgseal("gate", "out")
    assert said.status == 1, said.err
    assert {name: codes[0] for name, codes in refused(said.out).items()} == OFFENDERS
    assert all(len(codes) == 1 for codes in refused(said.out).values())
    first = said.out.split("\n")[0]
    assert first.startswith("refused, for a device with the numbers of release.log (sequence 1000) on 20")
    assert first.endswith(f": 10 of {inside.artefacts} artefacts refused")
    assert inside.artefacts >= 2000
    assert tree(inside.folder) == before


def where(name: str) -> str:
    return "out/" + name.split("/", maxsplit=1)[0]


FEW = sorted({where(name) for name in OFFENDERS})


def without(name: str, *more: str) -> Callable[[pytest.MonkeyPatch], None]:
    """Leave checks of sealed images out."""

    def patch(monkeypatch: pytest.MonkeyPatch) -> None:
        def passes(*_arguments: object) -> list[Finding]:
            return []

        order = tuple(c._replace(look=passes) if c.name in (name, *more) else c for c in IMAGE_ORDER)
        monkeypatch.setattr("imgseal.check.judge.IMAGE_ORDER", order)

    return patch


def not_recognised(kind: str) -> Callable[[pytest.MonkeyPatch], None]:
    def patch(monkeypatch: pytest.MonkeyPatch) -> None:
        from imgseal.formats.source.recognise import firmware_kind

        for module in ("scan", "file"):
            monkeypatch.setattr(
                f"imgseal.gate.{module}.firmware_kind",
                lambda head: None if firmware_kind(head) == kind else firmware_kind(head),
            )
        # records are found a second time, where files that are passed over are looked through
        monkeypatch.setattr("imgseal.formats.source.recognise.kind_in", lambda _text: None)

    return patch


def replaced(target: str, by: object) -> Callable[[pytest.MonkeyPatch], None]:
    return lambda monkeypatch: monkeypatch.setattr(target, by)


OFF = {
    "build-010/spare.hex": not_recognised("intel-hex"),
    "build-022/spare.elf": not_recognised("elf"),
    "build-030.zip/spare.srec": not_recognised("s-record"),
    "build-040.tar.gz/build-040/spare.raw": replaced("imgseal.gate.scan._FileScan._is_raw", lambda _self, _spot: False),
    "build-050/bit.sealed.bin": without("payload"),
    "build-060.zip/inner.tar.gz/foreign.sealed.bin": without("key", "signature"),
    "build-070/desk.sealed.bin": without("development"),
    "build-082/key.sealed.bin": replaced("imgseal.gate.artefact._leaks", lambda _part, _product: []),
    "build-092/unlogged.sealed.bin": replaced("imgseal.gate.run.refused_by_log", lambda _identity, _log: None),
    "build-101/older.sealed.bin": without("counter"),
}


@pytest.mark.parametrize("offender", list(OFFENDERS))
def test_each_is_found_by_one_detection(
    offender: str, imgseal: Imgseal, inside: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With that one switched off the count drops by one, and the others are named as before."""
    OFF[offender](monkeypatch)
    said = imgseal("gate", *FEW)
    left = {name: code for name, code in OFFENDERS.items() if name != offender}
    assert {name: codes[0] for name, codes in refused(said.out).items()} == left
    assert said.status == 1


def test_the_ten_places_by_themselves(imgseal: Imgseal, inside: Tree) -> None:
    """The base of the tests above."""
    assert len(OFF) == len(OFFENDERS) == len(FEW) == 10
    assert {name: codes[0] for name, codes in refused(imgseal("gate", *FEW).out).items()} == OFFENDERS


def test_without_them_it_passes(imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    good = make_tree(tmp_path, 21, planted=False)
    monkeypatch.chdir(tmp_path)
    said = imgseal("gate", "out", "--every")
    assert said.status == 0, said.out
    assert f": {good.artefacts} artefacts\n" in said.out
    assert f"{21 * 4 + 1} good, {21 * 4} source, 0 excused, 0 refused; " in said.out
    assert said.out.count("\ngood: ") == 21 * 4 + 1
    assert "source: out/build-001/motor-a.hex (Intel HEX) of out/build-001/motor-a.sealed.bin\n" in said.out
    assert (
        "source: out/build-020.tar.gz/build-020/radio.elf (ELF) of out/build-020.tar.gz/build-020/radio.sealed.bin"
        in said.out
    )
