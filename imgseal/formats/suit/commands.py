"""Command sequences <-> values; section 8.4.6 to 8.4.10.

A sequence is a flat array of pairs. Commands and parameters that are not known keep the value they came with, so
that they can be shown and encoded again; whether they can be executed is the interpreter's question.
"""

from collections.abc import Callable, Mapping

from imgseal.formats.cbor.strict import Tag, encode, is_integer
from imgseal.formats.suit import labels
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.errors import decode_part, refuse
from imgseal.limits import SEQUENCE_DEPTH
from imgseal.records import NamedTuple

_PEN = frozenset({112})  # vendor id as private enterprise number
_POLICY_MAX = 15
_INDEX_MAX = 255
_NO_POLICY = (labels.SET_PARAMETERS, labels.OVERRIDE_MULTIPLE, labels.COPY_PARAMETERS)

Parameters = Mapping[int, object]


class VersionMatch(NamedTuple):
    """Parameter 28: a comparison and the version it is with."""

    comparison: int
    version: tuple[int, ...]


class Command(NamedTuple):
    """A command and its argument.

    The argument is a reporting policy (int); for set-component-index an int, True or a tuple of ints; for
    override-parameters Parameters; for run-sequence a Sequence; for try-each a tuple of Sequences, the last perhaps
    None. Unknown commands keep their value.
    """

    code: int
    argument: object


Sequence = tuple[Command, ...]


def encode_sequence(sequence: Sequence) -> bytes:
    """Return the encoded array, not yet wrapped in a byte string."""
    return encode([part for command in sequence for part in (command.code, _argument_value(command))])


def _argument_value(command: Command) -> object:
    argument = command.argument
    if command.code == labels.TRY_EACH:
        assert isinstance(argument, tuple)
        return [None if branch is None else encode_sequence(branch) for branch in argument]
    if command.code == labels.RUN_SEQUENCE:
        assert isinstance(argument, tuple)
        return encode_sequence(argument)
    if command.code == labels.OVERRIDE_PARAMETERS:
        assert isinstance(argument, dict)
        return {label: _parameter_value(value) for label, value in argument.items()}
    return argument


def _parameter_value(value: object) -> object:
    if isinstance(value, SuitDigest):
        return encode(value.to_value())
    if isinstance(value, VersionMatch):
        return encode([value.comparison, list(value.version)])
    return value


def decode_sequence(data: object, where: str, depth: int = 0) -> Sequence:
    """Read a byte string that holds a sequence; SuitError says at which command it breaks a rule.

    `depth` counts the sequences around it; at most limits.SEQUENCE_DEPTH.
    """
    if depth > SEQUENCE_DEPTH:
        refuse(where, "sequences are nested too deeply", f"at most {SEQUENCE_DEPTH} levels", "more")
    return _sequence(decode_part(data, where, _PEN), where, depth)


def _sequence(value: object, where: str, depth: int) -> Sequence:
    if not isinstance(value, list) or not value or len(value) % 2:
        refuse(where, "this is no command sequence", "an array of pairs, at least one", type(value).__name__)
    commands = []
    for position in range(0, len(value), 2):
        code, argument = value[position], value[position + 1]
        place = f"{where}[{position // 2}]"
        if not is_integer(code) or code == 0:
            refuse(place, "this is no command", "an integer other than 0", code)
        commands.append(Command(code, _argument(code, argument, place, depth)))
    return tuple(commands)


def _argument(code: int, argument: object, where: str, depth: int) -> object:
    if code == labels.SET_COMPONENT_INDEX:
        return _index(argument, where)
    if code == labels.TRY_EACH:
        return _branches(argument, where, depth)
    if code == labels.RUN_SEQUENCE:
        return decode_sequence(argument, where, depth + 1)
    if code == labels.OVERRIDE_PARAMETERS:
        return _parameters(argument, where)
    is_policy = is_integer(argument) and 0 <= argument <= _POLICY_MAX
    if code in labels.COMMANDS and code not in _NO_POLICY and not is_policy:
        refuse(where, "this is no reporting policy", f"0 to {_POLICY_MAX}", argument)
    return argument


def _index(argument: object, where: str) -> object:
    if argument is True:
        return True
    if isinstance(argument, list) and argument and all(_is_index(entry) for entry in argument):
        return tuple(argument)
    if not _is_index(argument):
        refuse(where, "this is no component index", f"0 to {_INDEX_MAX}, true, or an array of indices", argument)
    return argument


def _is_index(value: object) -> bool:
    return is_integer(value) and 0 <= value <= _INDEX_MAX


def _branches(argument: object, where: str, depth: int) -> tuple[Sequence | None, ...]:
    if not isinstance(argument, list) or len(argument) < 2:
        refuse(where, "try-each needs at least two branches", "an array of sequences", argument)
    branches: list[Sequence | None] = []
    for number, branch in enumerate(argument):
        if branch is None and number == len(argument) - 1 and number >= 2:
            branches.append(None)
        else:
            branches.append(decode_sequence(branch, f"{where}.branch[{number}]", depth + 1))
    return tuple(branches)


def _parameters(argument: object, where: str) -> dict[int, object]:
    if not isinstance(argument, dict) or not argument:
        refuse(where, "this is no set of parameters", "a map that is not empty", argument)
    out: dict[int, object] = {}
    for label, value in argument.items():
        if not is_integer(label) or label == 0:
            refuse(where, "this is no parameter", "an integer other than 0", label)
        out[label] = _parameter(label, value, f"{where}.{labels.PARAMETERS.get(label, label)}")
    return out


_Rule = tuple[Callable[[object], bool], str, str]
_IDENTIFIER: _Rule = (lambda value: isinstance(value, bytes) and len(value) == 16, "this is no identifier", "16 bytes")
_UNSIGNED: _Rule = (lambda value: is_integer(value) and value >= 0, "this is no unsigned integer", "0 or more")
_BOOLEAN: _Rule = (lambda value: isinstance(value, bool), "this is neither true nor false", "true or false")
_BYTES: _Rule = (lambda value: isinstance(value, bytes), "this is no byte string", "a byte string")
_RULES: dict[int, _Rule] = {
    **dict.fromkeys((labels.VENDOR_ID, labels.CLASS_ID, labels.DEVICE_ID), _IDENTIFIER),
    **dict.fromkeys((labels.SLOT, labels.IMAGE_SIZE, labels.SOURCE_COMPONENT), _UNSIGNED),
    **dict.fromkeys((labels.MINIMUM_BATTERY, labels.USE_BEFORE), _UNSIGNED),
    **dict.fromkeys((labels.STRICT_ORDER, labels.SOFT_FAILURE), _BOOLEAN),
    **dict.fromkeys((labels.CONTENT, labels.ENCRYPTION_INFO, labels.WAIT_INFO, labels.METADATA), _BYTES),
    **dict.fromkeys((labels.INVOKE_ARGUMENTS, labels.FETCH_ARGUMENTS), _BYTES),
    labels.URI: (lambda value: isinstance(value, str), "this is no text", "a text string"),
    labels.UPDATE_PRIORITY: (is_integer, "this is no integer", "an integer"),
}
"""What each parameter has to be, and what is said where it is not."""


def _parameter(label: int, value: object, where: str) -> object:
    if label == labels.VENDOR_ID and isinstance(value, Tag) and isinstance(value.value, bytes):
        return value
    if label in _RULES:
        fits, message, expected = _RULES[label]
        if not fits(value):
            refuse(where, message, expected, value)
    if label == labels.IMAGE_DIGEST:
        return SuitDigest.from_value(decode_part(value, where), where)
    if label == labels.VERSION:
        return _version_match(decode_part(value, where), where)
    return value


def _version_match(value: object, where: str) -> VersionMatch:
    comparison, numbers = value if isinstance(value, list) and len(value) == 2 else (0, None)
    fits = (
        is_integer(comparison)
        and comparison in range(1, 6)
        and isinstance(numbers, list)
        and all(map(is_integer, numbers))
    )
    if not fits or not numbers:
        refuse(where, "this is no version to compare with", "[1 to 5, [numbers]]", value)
    return VersionMatch(comparison, tuple(numbers))
