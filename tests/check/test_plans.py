"""What a manifest would fetch for a component: each URI once, in the order of the commands; draft-ietf-suit-manifest-37, 8.4.10.4."""

from imgseal.check.machine.plan import ComponentPlan, _note, asks_first
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command


def test_each_uri_once() -> None:
    plan = ComponentPlan()
    for uri in ("#a", "#b", "#a", "#a"):
        _note(plan, labels.OVERRIDE_PARAMETERS, {labels.URI: uri})
        _note(plan, labels.FETCH, 2)
    assert plan.uris == ["#a", "#b"]


def test_without_a_uri_nothing_is_fetched() -> None:
    plan = ComponentPlan()
    _note(plan, labels.FETCH, 2)
    assert plan.uris == []


def test_who_asks_first() -> None:
    """At the top level and before anything changes; a sequence that never asks has not asked."""
    index, asks = Command(labels.SET_COMPONENT_INDEX, 0), Command(labels.CONDITION_UPDATE_AUTHORISED, 0)
    fetch = Command(labels.FETCH, 0)
    assert asks_first((index, asks, fetch))
    assert not asks_first((index, fetch, asks))
    assert not asks_first((Command(labels.TRY_EACH, ((asks,), None)), fetch))
    assert not asks_first((index,))
    assert not asks_first(())
