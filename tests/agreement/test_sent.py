"""Deliveries that are drawn: for whom they are made, in which forms, and what is wrong with them; Python and compiled C answer as the table.

The products, devices and packages are those of the other questions; the table of `sent.py` goes on where that of packages ends.
"""

import itertools
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from answers import FACTS
from c_delivery import CHECKED, DeliveryLibrary
from long_runs import mainly
from packages import trust, variant_of
from sent import Sent, asked_of, draw, sent, to_what_does_not_start
from spoilt import Offer
from test_deliveries_in_c import in_c, in_python
from variants import product

from imgseal.rehearse.oracle import ViolationError


def offer(it: Sent) -> Offer:
    data, code = sent(it)
    return Offer(str(it), data, asked_of(it.asked, starts=it.starts), code)


@pytest.mark.parametrize("name", mainly("demo", FACTS))
def test_python_and_c_answer_as_the_table(
    name: str, tool: Callable[[str], str], tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    tool("gcc")
    some = [*draw("1", name, 60), *itertools.islice(to_what_does_not_start(name), 40)]
    variant = variant_of(some[0].asked)
    compiled = DeliveryLibrary(name, product(variant, update=False), tmp_path, flags=CHECKED, trust=trust(variant))
    counts: Counter[str] = Counter()
    wrong = []
    for it in some:
        one = offer(it)
        try:
            said = in_python(one), in_c(one, compiled)[0]
        except ViolationError as error:
            said = in_python(one), str(error)
        counts[one.code] += 1
        if said != (one.code, one.code):
            wrong.append((it, one.code, *said))
    assert not wrong, f"{len(wrong)} answers are others than expected, the first ones:\n" + "\n".join(
        map(str, wrong[:12])
    )
    record_property("deliveries", counts.total())
    assert counts["accepted"] > 10
    assert len(counts) > 8
