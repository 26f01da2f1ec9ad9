"""A short run of the log's mutants; the long one is `python tests/properties/log_mutants.py`, and its seed repeats it."""

from collections.abc import Callable
from typing import Any

import log_mutants
import pytest

from log_mutants import FAMILIES, WronglyAcceptedError, batch  # isort: skip

from imgseal.formats.log import floors, proof, tree
from imgseal.formats.log import lines as log
from imgseal.formats.log.entry import Floor, LoggedPackage


def test_three_thousand_mutants() -> None:
    counts = batch(0, 3000, seed=3)
    for family in FAMILIES:
        assert counts[f"{family}: accepted"] > 0, family
        assert counts[f"{family}: refused"] > 200, family


def _no_counters(floor: Floor | None, package: LoggedPackage, sequence: int, _bootloader: object) -> Floor:
    counters = {} if floor is None else dict(floor.counters)
    counters.update({image.component: image.counter for image in package.images})
    return Floor(package.variant, package.class_id, sequence, package.manifest, tuple(sorted(counters.items())))


# one rule left out each: where it lives, its name, and what stands in its place
PLANTED: list[tuple[Any, str, Callable[..., Any]]] = [
    (log_mutants, "resume", lambda data, _at: log.resume(data, int(data[6 : data.index(b",")]))),
    (floors, "_raised", _no_counters),
    (log, "root_of", lambda _peaks: _Same()),
    (log, "_line", lambda *_line: _Same()),
    (tree, "inclusion_holds", lambda *_arguments: True),
    (tree, "consistency_holds", lambda *_arguments: True),
    (proof, "encode_proof", lambda _proof: _Same()),
    (proof, "decimal", lambda text, _limit: int(text)),
]


class _Same:
    """Equal to everything: the comparison of encodings switched off."""

    __hash__ = None  # type: ignore[assignment]

    def __eq__(self, _other: object) -> bool:
        return True

    def __ne__(self, _other: object) -> bool:
        return False


@pytest.mark.parametrize(("module", "name", "fault"), PLANTED, ids=[name for _, name, _ in PLANTED])
def test_the_hunt_finds_a_rule_that_is_left_out(
    monkeypatch: pytest.MonkeyPatch, module: Any, name: str, fault: Callable[..., Any]
) -> None:
    """The test tests itself."""
    monkeypatch.setattr(module, name, fault)
    with pytest.raises(WronglyAcceptedError):
        batch(0, 3000, seed=1)
