"""Deliveries under any number of power cuts: each small product closes, with each kind of payload, from either slot.

With a delivery that lies somewhere else, or waits in a slot of its own. A set that reports itself healthy and one that
never does are both explored; with the journal as it is every sequence of one cut is, too.
"""

from collections.abc import Callable

import pytest
from kinds import SOME, of_kind

from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.cuts_text import was_answered
from imgseal.rehearse.life import Programs


@pytest.mark.parametrize(("name", "kind", "where"), SOME)
def test_it_closes(name: str, kind: str, where: str, record_property: Callable[[str, object], None]) -> None:
    delivered = of_kind(name, kind, where)
    forms = {step.form for _, step in delivered.delivered.steps}
    assert kind in forms
    assert forms <= {kind, "plain"}
    explored = explore(Asking(delivered.stage, delivered.package, Programs(), None, None, changing=False))
    assert was_answered(explored, None), [each.found for each in explored]
    for each in explored:
        assert each.reached.cuts > 0
        record_property(f"states, healthy {each.healthy}", each.reached.states)
        rests = dict(each.reached.rests)
        if each.healthy:
            assert rests["the new set, the package there"] > 0
