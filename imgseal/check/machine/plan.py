"""What a manifest says of each component, gathered by walking its sequences once without executing them.

Branches that this device would not take count as well: a release engineer wants every image of a package judged.
"""

from collections.abc import Iterable, Mapping
from typing import TypeVar

from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence, VersionMatch

_Value = TypeVar("_Value")
_CHANGES = (labels.FETCH, labels.WRITE, labels.COPY, labels.SWAP)


class ComponentPlan:
    """What was said of one component.

    Its last parameters, the payload keys it is fetched from, and its exact version.
    """

    __slots__ = ("parameters", "uris", "version")

    def __init__(self) -> None:
        self.parameters: dict[int, object] = {}
        self.uris: list[str] = []
        self.version: tuple[int, ...] | None = None

    def said(self, label: int, kind: type[_Value]) -> _Value | None:
        """Return a parameter; None where there is none, or it is of another kind."""
        value = self.parameters.get(label)
        return value if isinstance(value, kind) else None


def gather(count: int, shared: Sequence, sections: Mapping[int, Sequence]) -> tuple[ComponentPlan, ...]:
    """Walk the shared sequence and the sections in the order they run."""
    plans = tuple(ComponentPlan() for _ in range(count))
    for sequence in (shared, *(sections[label] for label in _ORDER if label in sections)):
        _walk(sequence, plans, [0])
    return plans


_ORDER = (labels.PAYLOAD_FETCH, labels.INSTALL, labels.VALIDATE, labels.LOAD, labels.INVOKE_MEMBER)


def _walk(sequence: Sequence, plans: tuple[ComponentPlan, ...], current: list[int]) -> None:
    for code, argument in sequence:
        if code == labels.SET_COMPONENT_INDEX:
            if argument is True:
                current = list(range(len(plans)))
            else:
                wanted = argument if isinstance(argument, tuple) else (argument,)
                current = [index for index in wanted if isinstance(index, int) and index < len(plans)]
        for inner in _nested(code, argument):
            _walk(inner, plans, list(current))
        for index in current:
            if index < len(plans):
                _note(plans[index], code, argument)


def _nested(code: int, argument: object) -> Iterable[Sequence]:
    """Return the sequences inside a command."""
    if code not in (labels.TRY_EACH, labels.RUN_SEQUENCE):
        return ()
    assert isinstance(argument, tuple)
    return [branch or () for branch in argument] if code == labels.TRY_EACH else (argument,)


def _note(plan: ComponentPlan, code: int, argument: object) -> None:
    if code == labels.OVERRIDE_PARAMETERS:
        assert isinstance(argument, dict)
        plan.parameters.update(argument)
    elif code == labels.FETCH:
        uri = plan.said(labels.URI, str)
        if uri is not None and uri not in plan.uris:
            plan.uris.append(uri)
    elif code == labels.CONDITION_VERSION:
        match = plan.said(labels.VERSION, VersionMatch)
        if match is not None and match.comparison == labels.VERSION_EQUAL:
            plan.version = match.version


def commands_in(sequence: Sequence) -> Iterable[Command]:
    """Yield every command of a sequence and of those nested in it."""
    for command in sequence:
        yield command
        for inner in _nested(*command):
            yield from commands_in(inner)


def changes_something(sequence: Sequence) -> bool:
    """Say whether any command of a sequence, nested ones too, changes what a component holds."""
    return any(command.code in _CHANGES for command in commands_in(sequence))


def asks_first(install: Sequence) -> bool:
    """Say whether the install sequence asks for authorisation at its top level, before anything changes."""
    for command in install:
        if command.code == labels.CONDITION_UPDATE_AUTHORISED:
            return True
        if changes_something((command,)):
            return False
    return False
