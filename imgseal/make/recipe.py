"""The command sequences of our packages; docs/format/package.md says the same in words.

Only a few commands are used: a device needs no more than these to install what is packed here.
"""

from collections.abc import Callable
from itertools import groupby

from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence, VersionMatch
from imgseal.formats.suit.component import ComponentId, identifier
from imgseal.formats.suit.digest import SuitDigest
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.versions import Version

_ALWAYS = 15  # report success and failure, each with system information; as the published examples do for identity
_SLOT = 5  # report success, with system information; as the published examples do for slots
_FAILURE = 2  # report failure; as the published examples do for directives

_SHA256 = -16


class Part(NamedTuple):
    """One component of the manifest: a sealed image, or the header block or the payload of a detached one.

    `uri` is the key of the integrated payload; `version` is None for a detached payload, which says none itself;
    `choice` tells that the component has a second run slot, so that the device has to choose.
    """

    number: int
    slot: int
    header: bool
    uri: str
    digest: bytes
    size: int
    version: Version | None
    starts: bool
    choice: bool

    @property
    def identifier(self) -> ComponentId:
        """The SUIT component identifier."""
        return identifier(self.number, self.slot, header=self.header)


_Steps = Callable[[Part], list[Command]]


def shared_sequence(parts: tuple[Part, ...], product: Product) -> Sequence:
    """Identity, digest and size of each component, and the checks of vendor and class; draft section 8.4.8."""
    out: list[Command] = []
    for index, part in enumerate(parts):
        parameters = {
            labels.VENDOR_ID: product.vendor_id,
            labels.CLASS_ID: product.class_id,
            labels.IMAGE_DIGEST: SuitDigest(_SHA256, part.digest),
            labels.IMAGE_SIZE: part.size,
        }
        out += [Command(labels.SET_COMPONENT_INDEX, index), Command(labels.OVERRIDE_PARAMETERS, parameters)]
        out += [Command(labels.CONDITION_VENDOR, _ALWAYS), Command(labels.CONDITION_CLASS, _ALWAYS)]
    return tuple(out)


def install_sequence(parts: tuple[Part, ...], product: Product) -> Sequence:
    """Ask for authorisation and battery where the product file does, then fetch and check each component."""
    out: list[Command] = [Command(labels.SET_COMPONENT_INDEX, 0)]
    numbers = {part.number for part in parts}
    if any(component.hazard and component.number in numbers for component in product.components.values()):
        out.append(Command(labels.OVERRIDE_PARAMETERS, {labels.UPDATE_PRIORITY: product.rules.update_priority}))
        out.append(Command(labels.CONDITION_UPDATE_AUTHORISED, _ALWAYS))
    if product.rules.minimum_battery is not None:
        out.append(Command(labels.OVERRIDE_PARAMETERS, {labels.MINIMUM_BATTERY: product.rules.minimum_battery}))
        out.append(Command(labels.CONDITION_MINIMUM_BATTERY, _ALWAYS))

    def steps(part: Part) -> list[Command]:
        return [
            Command(labels.OVERRIDE_PARAMETERS, {labels.URI: part.uri}),
            Command(labels.FETCH, _FAILURE),
            Command(labels.CONDITION_IMAGE_MATCH, _ALWAYS),
        ]

    return tuple(out + _each(parts, steps))


def validate_sequence(parts: tuple[Part, ...]) -> Sequence:
    """Check each component's digest, and the version of whatever says one."""

    def steps(part: Part) -> list[Command]:
        out = [Command(labels.CONDITION_IMAGE_MATCH, _ALWAYS)]
        if part.version is not None:
            match = VersionMatch(labels.VERSION_EQUAL, tuple(part.version.suit()))
            out.append(Command(labels.OVERRIDE_PARAMETERS, {labels.VERSION: match}))
            out.append(Command(labels.CONDITION_VERSION, _ALWAYS))
        return out

    return tuple(_each(parts, steps))


def invoke_sequence(parts: tuple[Part, ...]) -> Sequence | None:
    """Start the code component with the lowest number; that core releases the others once they are judged."""
    starting = [part for part in parts if part.starts]
    if not starting:
        return None
    first = min(part.number for part in starting)
    chosen = {part.identifier for part in starting if part.number == first}
    return tuple(_each(parts, lambda _part: [Command(labels.INVOKE, _FAILURE)], chosen))


def _each(parts: tuple[Part, ...], steps: _Steps, only: set[ComponentId] | None = None) -> list[Command]:
    """Take the steps for each part; where the device has to choose a slot, the first one that is right."""
    out: list[Command] = []
    indexed = [(index, part) for index, part in enumerate(parts) if only is None or part.identifier in only]
    for _, group in groupby(indexed, key=lambda entry: entry[1].number):
        members = list(group)
        slots = sorted({part.slot for _, part in members})
        branches = [_branch([entry for entry in members if entry[1].slot == slot], steps) for slot in slots]
        if len(branches) > 1:
            out += [Command(labels.SET_COMPONENT_INDEX, members[0][0]), Command(labels.TRY_EACH, tuple(branches))]
        else:
            out += branches[0]
    return out


def _branch(members: list[tuple[int, Part]], steps: _Steps) -> Sequence:
    out: list[Command] = []
    for index, part in members:
        out.append(Command(labels.SET_COMPONENT_INDEX, index))
        if part.choice:
            out.append(Command(labels.OVERRIDE_PARAMETERS, {labels.SLOT: part.slot}))
            out.append(Command(labels.CONDITION_SLOT, _SLOT))
        out += steps(part)
    return tuple(out)
