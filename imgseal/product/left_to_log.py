"""Numbers that the product file leaves to the release log: sequence = "next", counter = "same"."""

from collections.abc import Callable, Mapping

from imgseal.product.table import Table
from imgseal.records import NamedTuple

_U32 = 0xFFFF_FFFF


class LastNumbers(NamedTuple):
    """What the release log has for a class: the highest sequence that was given, counters by component number."""

    sequence: int
    counters: Mapping[int, int]


NONE = LastNumbers(0, {})
"""What it has for a class that nothing was released of."""

Numbers = Callable[[str], Mapping[bytes, LastNumbers]]
"""The path of a release log -> what it has, by class identifier."""


def last_numbers(root: Table, class_id: bytes, log: str | None, numbers: Numbers | None) -> LastNumbers:
    """Return what the release log has for a class, where a number is left to it; UsageError where none is stated."""
    left: list[tuple[str, ...]] = [("release", "sequence")] if root.items("release").get("sequence") == "next" else []
    for name, part in root.items("component").items():
        if isinstance(part, dict) and part.get("counter") == "same":
            left.append(("component", name, "counter"))
    if not left:
        return NONE
    if log is None:
        root.document.refuse(
            left[0],
            "this number is left to the release log, and none is stated",
            "a number, or a [log] table",
            None,
            'add to the product file: [log] path = "release.log"',
        )
    last = NONE if numbers is None else numbers(log).get(class_id, NONE)
    if len(left[0]) == 2 and last.sequence >= _U32:
        root.document.refuse(
            left[0],
            "there is no next sequence",
            f"a log whose last sequence is below {_U32}",
            str(last.sequence),
            "devices of this class take no later release; a product that goes on needs another class",
        )
    return last


def with_first(last: LastNumbers, root: Table, numbers: Mapping[str, int]) -> LastNumbers:
    """Return what the log has, where nothing is released yet what the production line programs: [factory.counters]."""
    stated = root.items("factory").get("counters")
    counters = dict(last.counters)
    for name, value in stated.items() if isinstance(stated, dict) else ():
        if name in numbers and type(value) is int and 0 <= value <= _U32:
            counters[numbers[name]] = max(value, counters.get(numbers[name], 0))
    return last._replace(counters=counters)
