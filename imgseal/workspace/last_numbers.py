"""Reads the numbers that the last line of a release log has."""

import os
from typing import TYPE_CHECKING

from imgseal.errors import in_file
from imgseal.limits import LOG_BYTES, LOG_LINE_BYTES
from imgseal.product.left_to_log import LastNumbers
from imgseal.workspace.append import last_line

if TYPE_CHECKING:
    from imgseal.formats.log.entry import Floor


def floors_at(path: str) -> "tuple[Floor, ...] | None":
    """Return the floors that the last line of a log carries; None where the log is not there."""
    if not os.path.lexists(path):
        return None
    from imgseal.formats.log.lines import is_whole, resume

    last, at = last_line(path, "release log", LOG_LINE_BYTES, LOG_BYTES, is_whole)
    with in_file(path):
        return () if last is None else resume(last, at).least


def last_numbers(path: str) -> dict[bytes, LastNumbers]:
    """Return what the last line of a log has for each class: the highest sequence that was given, and counters."""
    return numbers_in(floors_at(path) or ())


def numbers_in(floors: "tuple[Floor, ...]") -> dict[bytes, LastNumbers]:
    """Return what floors have for each class: the highest sequence that was given, and counters."""
    from imgseal.formats.log.floors import given, highest_of, of_recovery

    out = {}
    for class_id in {floor.class_id for floor in floors}:
        mine = [floor for floor in floors if floor.class_id == class_id]
        counters = highest_of(
            pairs for floor in mine for pairs in (floor.counters, *(row.counters for row in floor.open))
        )
        sequence = max((given(floor) for floor in mine if not of_recovery(floor.variant)), default=0)
        out[class_id] = LastNumbers(sequence, dict(counters))
    return out
