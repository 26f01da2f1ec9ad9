"""What a manifest may hold that people are asked to sign: no more than imgseal packs; docs/format/package.md.

All of SUIT says more than one screen can: a sequence may set another digest than the one that was shown. What a
component is stands in the shared sequence of our packages, and nowhere else.
"""

from collections.abc import Mapping

from imgseal.request.text_form import refuse
from imgseal.suit import labels
from imgseal.suit.commands import Command, Sequence, decode_sequence
from imgseal.suit.digest import SuitDigest
from imgseal.suit.manifest import Manifest
from imgseal.suit.text import decode_text

__all__ = ["refuse_outside_profile"]

_MEMBERS = (labels.VALIDATE, labels.INVOKE_MEMBER, labels.INSTALL, labels.TEXT)
_SHARED_COMMANDS = (
    labels.SET_COMPONENT_INDEX,
    labels.OVERRIDE_PARAMETERS,
    labels.CONDITION_VENDOR,
    labels.CONDITION_CLASS,
)
_SHARED = (labels.VENDOR_ID, labels.CLASS_ID, labels.IMAGE_DIGEST, labels.IMAGE_SIZE)
_COMMANDS = (
    labels.SET_COMPONENT_INDEX,
    labels.TRY_EACH,
    labels.OVERRIDE_PARAMETERS,
    labels.FETCH,
    labels.INVOKE,
    labels.CONDITION_IMAGE_MATCH,
    labels.CONDITION_SLOT,
    labels.CONDITION_MINIMUM_BATTERY,
    labels.CONDITION_UPDATE_AUTHORISED,
    labels.CONDITION_VERSION,
)
_OTHERS = (labels.URI, labels.SLOT, labels.MINIMUM_BATTERY, labels.UPDATE_PRIORITY, labels.VERSION)


def refuse_outside_profile(manifest: Manifest, severed: Mapping[int, bytes], where: str) -> None:
    """InputError for a manifest that says anything which `imgseal pack` never writes."""
    if manifest.dependencies is not None or manifest.reference_uri is not None or manifest.component is not None:
        refuse("the manifest has a part that imgseal never writes", where, "components, sequences and text alone")
    _walk(manifest.shared, _SHARED_COMMANDS, _SHARED, f"{where}.shared")
    for label, member in manifest.members.items():
        name = labels.MANIFEST_MEMBERS[label]
        if label not in _MEMBERS:
            refuse("the manifest has a member that imgseal never writes", where, ", ".join(_names(_MEMBERS)), name)
        if label == labels.TEXT:
            if isinstance(member, SuitDigest):
                decode_text(severed[label], name)  # what cannot be read cannot be shown
            continue
        sequence = decode_sequence(severed[label], name) if isinstance(member, SuitDigest) else member
        if not isinstance(sequence, tuple):
            refuse("a member that is no sequence", f"{where}.{name}", "commands", "something else")
        _walk(sequence, _COMMANDS, _OTHERS, f"{where}.{name}")


def _walk(sequence: Sequence, commands: tuple[int, ...], parameters: tuple[int, ...], where: str) -> None:
    for command in sequence:
        if command.code not in commands:
            name = labels.COMMANDS.get(command.code, f"command {command.code}")
            refuse("a command that imgseal never writes there", where, "those of docs/format/package.md", name)
        _argument(command, commands, parameters, where)


def _argument(command: Command, commands: tuple[int, ...], parameters: tuple[int, ...], where: str) -> None:
    argument = command.argument
    if command.code == labels.SET_COMPONENT_INDEX:
        if isinstance(argument, bool) or not isinstance(argument, int):
            refuse("several components at once", where, "one index", "all or a list")
    elif isinstance(argument, Mapping):
        for label in argument:
            if label not in parameters:
                name = labels.PARAMETERS.get(label, f"parameter {label}")
                refuse("a parameter that imgseal never sets there", where, ", ".join(_parameters(parameters)), name)
    elif command.code == labels.TRY_EACH and isinstance(argument, tuple):
        for branch in argument:
            if branch is None:
                refuse("a branch that gives up silently", where, "sequences", "nothing")
            _walk(branch, commands, parameters, where)


def _names(members: tuple[int, ...]) -> list[str]:
    return [labels.MANIFEST_MEMBERS[label] for label in members]


def _parameters(of: tuple[int, ...]) -> list[str]:
    return [labels.PARAMETERS[label] for label in of]
