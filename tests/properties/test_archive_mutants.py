"""A short run of mutated archives; the long one is `python tests/properties/archive_mutants.py`, and its seed repeats it."""

from pathlib import Path

import archive_mutants
import pytest

from archive_mutants import BASES, FIRMWARE, batch, members, mutant  # isort: skip
from gate_hunt import PassedError, refused  # isort: skip


def test_three_thousand_mutants() -> None:
    counts = batch(1, 3000)
    for family in BASES:
        assert counts[f"{family}, read by strangers, refused"] > 20, family


@pytest.mark.parametrize("family", BASES)
def test_strangers_read_what_is_whole_and_the_gate_refuses_it(family: str, tmp_path: Path) -> None:
    base, other = BASES[family]
    assert FIRMWARE in members(base)
    assert refused(tmp_path / "archive", base)
    assert FIRMWARE not in members(other)
    assert not refused(tmp_path / "archive", other)


def test_a_zip_archive_between_other_bytes(tmp_path: Path) -> None:
    """Seed 1001: behind a damaged head and in front of zeros, zipfile still reads it."""
    data = b"readme" + BASES["zip"][0] + bytes(9000)
    assert FIRMWARE in members(data)
    assert refused(tmp_path / "archive", data)


@pytest.mark.parametrize(
    ("where", "name"),
    [("imgseal.gate.scan", "archive_kind"), ("imgseal.gate.scan", "kind_of_firmware")],
)
def test_the_hunt_finds_a_gate_that_does_not_look(monkeypatch: pytest.MonkeyPatch, where: str, name: str) -> None:
    """The test tests itself. Records and headers of tar are found a second time in what is passed over."""
    monkeypatch.setattr(f"{where}.{name}", lambda *_arguments: None)
    monkeypatch.setattr("imgseal.gate.passed.PassedOver.take", lambda _self, _piece: None)
    with pytest.raises(PassedError, match="a stranger reads the firmware"):
        batch(1, 3000)


def test_the_hunt_finds_an_error_of_python() -> None:
    def fail(_path: Path, _data: bytes) -> bool:
        raise IndexError

    with pytest.raises(PassedError, match="IndexError"):
        batch(1, 1, fail)


def test_mutants_are_repeated_by_their_seed() -> None:
    import random

    one, two = (mutant(*BASES["zip"], random.Random(7)) for _ in range(2))
    assert one == two
    assert archive_mutants.batch(3, 20) == archive_mutants.batch(3, 20)
