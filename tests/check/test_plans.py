"""What a manifest would fetch for a component: each URI once, in the order of the commands; draft-ietf-suit-manifest-37, 8.4.10.4."""

from imgseal.check.machine.plan import ComponentPlan, _note
from imgseal.formats.suit import labels


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
