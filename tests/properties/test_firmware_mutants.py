"""A short run of mutated firmware files; the long one is `python tests/properties/firmware_mutants.py`, and its seed repeats it."""

from pathlib import Path

import pytest

from firmware_mutants import BASES, batch, readable  # isort: skip
from gate_hunt import PassedError, refused  # isort: skip


def test_two_thousand_mutants() -> None:
    counts = batch(1, 2000)
    for family in BASES:
        assert counts[f"{family}, read by strangers, refused"] > 50, family


@pytest.mark.parametrize("family", BASES)
def test_strangers_read_what_is_whole_and_the_gate_refuses_it(family: str, tmp_path: Path) -> None:
    assert readable(family, BASES[family])
    assert not readable(family, BASES[family][:40])
    assert refused(tmp_path / "firmware", BASES[family])


@pytest.mark.parametrize("name", ["kind_of_firmware", "scan_firmware"])
def test_the_hunt_finds_a_gate_that_does_not_look(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """The test tests itself."""
    from imgseal.gate.artefact import Scanned

    answer = None if name == "kind_of_firmware" else Scanned("firmware", ())
    monkeypatch.setattr(f"imgseal.gate.scan.{name}", lambda *_arguments: answer)
    with pytest.raises(PassedError, match="a stranger reads the firmware"):
        batch(1, 2000)
