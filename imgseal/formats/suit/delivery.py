"""The manifest of a delivery; docs/format/delivery.md. Given its values there is one encoding, and no other is read.

Maker and judge have this declaration in common, as they have the device profile; neither has the other's code.
"""

from collections.abc import Iterator
from itertools import groupby, pairwise

from imgseal.formats.cbor.strict import is_integer
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence
from imgseal.formats.suit.component import ComponentId, OurComponent, identifier, ours
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import Envelope
from imgseal.formats.suit.errors import SuitError, refuse
from imgseal.formats.suit.manifest import Manifest, decode_manifest, encode_manifest
from imgseal.limits import DELIVERY_STEPS_MOST
from imgseal.records import NamedTuple

RELEASE_KEY = "#"
"""Key of the release's envelope: it comes first, so that a device has judged it before anything else arrives."""

PLAIN, COMPRESSED, PATCH = "plain", "compressed", "patch"
"""What travels: the image as it is, told by itself, or told by the one that runs; docs/format/delta.md."""

_RELEASE: ComponentId = (b"release",)
_BASE_DIGEST, _BASE_SIZE, _BASE = -256, -257, -256  # parameters, and the condition that both hold; private use
_TAKE, _UNPACK = -257, -258  # directives
_REPORT, _FAILURE, _SLOT = 15, 2, 5
_SHA256 = -16


class Base(NamedTuple):
    """The image that a patch starts from: how many bytes of what runs, and their SHA-256."""

    size: int
    digest: bytes


class Step(NamedTuple):
    """What travels for one component of the release's manifest: how, its size and SHA-256, and from which base."""

    part: OurComponent
    form: str
    size: int
    digest: bytes
    base: Base | None = None


def place_of(step: Step) -> tuple[int, bool, int, bool, bytes]:
    """Return where a step stands among the others: those of one delivery ascend by this, and no two have the same.

    Steps for one component are together, and what needs no base is the last way for its run slot.
    """
    part, base = step.part, step.base
    return part.number, part.header, part.slot, base is None, b"" if base is None else base.digest


class Delivery(NamedTuple):
    """A delivery: the release's sequence and the digest of its manifest, for whom, and the steps in their order."""

    sequence: int
    release: bytes
    vendor_id: bytes
    class_id: bytes
    steps: tuple[Step, ...]


def key_of(index: int) -> str:
    """Return the key of what travels for a step."""
    return f"#{index:02}"


def is_delivery(envelope: Envelope) -> bool:
    """Say whether an envelope means to be a delivery: it holds another one, and its manifest depends on that.

    A manifest that cannot be read is that of a delivery where no package could be installed: its own install sequence
    is severed.
    """
    if RELEASE_KEY not in envelope.payloads or labels.INSTALL in envelope.severed:
        return False
    try:
        return decode_manifest(envelope.manifest).dependencies is not None
    except SuitError:
        return True


def encode_delivery(delivery: Delivery) -> bytes:
    """Return the encoded manifest."""
    return encode_manifest(_manifest(delivery))


def decode_delivery(data: bytes) -> Delivery:
    """Read an encoded manifest; SuitError for whatever is not what `encode_delivery` makes of its values."""
    manifest = decode_manifest(data)
    delivery = _values(manifest)
    if encode_delivery(delivery) != data:
        refuse("manifest", "this is no manifest of a delivery", "the one form of docs/format/delivery.md", None)
    for index, (before, here) in enumerate(pairwise(map(place_of, delivery.steps)), 1):
        if before >= here:
            asked = "steps that ascend by component, header, run slot and base"
            refuse(f"install, step {index}", "the steps are not in their order", asked, f"{here} behind {before}")
    return delivery


def _manifest(delivery: Delivery) -> Manifest:
    identity: dict[int, object] = {
        labels.VENDOR_ID: delivery.vendor_id,
        labels.CLASS_ID: delivery.class_id,
        labels.IMAGE_DIGEST: SuitDigest(_SHA256, delivery.release),
    }
    shared = [Command(labels.SET_COMPONENT_INDEX, 0), Command(labels.OVERRIDE_PARAMETERS, identity)]
    shared += [Command(labels.CONDITION_VENDOR, _REPORT), Command(labels.CONDITION_CLASS, _REPORT)]
    for index, step in enumerate(delivery.steps):
        travels: dict[int, object] = {
            labels.IMAGE_DIGEST: SuitDigest(_SHA256, step.digest),
            labels.IMAGE_SIZE: step.size,
        }
        shared += [Command(labels.SET_COMPONENT_INDEX, index + 1), Command(labels.OVERRIDE_PARAMETERS, travels)]
    install = [
        Command(labels.SET_COMPONENT_INDEX, 0),
        Command(labels.OVERRIDE_PARAMETERS, {labels.URI: RELEASE_KEY}),
        Command(labels.FETCH, _FAILURE),
        Command(_INTEGRITY, _REPORT),
        *_steps(delivery.steps),
        Command(labels.SET_COMPONENT_INDEX, 0),
        Command(labels.PROCESS_DEPENDENCY, _FAILURE),
    ]
    waiting = [
        (*identifier(step.part.number, step.part.slot, header=step.part.header), bytes([index]))
        for index, step in enumerate(delivery.steps)
    ]
    return Manifest(
        delivery.sequence,
        (_RELEASE, *waiting),
        tuple(shared),
        {labels.INSTALL: tuple(install)},
        dependencies={0: {}},
    )


_INTEGRITY = 7


def _steps(steps: tuple[Step, ...]) -> Iterator[Command]:
    """Yield the steps; those for one component of the product are the branches of a try-each."""
    for _, group in groupby(enumerate(steps), key=lambda entry: (entry[1].part.number, entry[1].part.header)):
        branches = [_branch(index, step) for index, step in group]
        if len(branches) == 1:
            yield from branches[0]
        else:
            yield Command(labels.TRY_EACH, tuple(branches))


def _branch(index: int, step: Step) -> Sequence:
    out = [
        Command(labels.SET_COMPONENT_INDEX, index + 1),
        Command(labels.OVERRIDE_PARAMETERS, {labels.SLOT: step.part.slot}),
        Command(labels.CONDITION_SLOT, _SLOT),
    ]
    if step.base is not None:
        base = {_BASE_SIZE: step.base.size, _BASE_DIGEST: step.base.digest}
        out += [Command(labels.OVERRIDE_PARAMETERS, base), Command(_BASE, _REPORT)]
    out += [
        Command(labels.OVERRIDE_PARAMETERS, {labels.URI: key_of(index)}),
        Command(labels.FETCH, _FAILURE),
        Command(labels.CONDITION_IMAGE_MATCH, _REPORT),
        Command(_TAKE if step.form == PLAIN else _UNPACK, _FAILURE),
    ]
    return tuple(out)


def _values(manifest: Manifest) -> Delivery:
    """Gather values where they should stand; whether all the rest is right shows when they are encoded again."""
    parameters: dict[int, dict[int, object]] = {}
    directives: dict[int, int] = {}
    install = manifest.members.get(labels.INSTALL)
    for sequence in (manifest.shared, install if isinstance(install, tuple) else ()):
        _gather(sequence, parameters, directives)
    identity = parameters.get(0, {})
    vendor, class_, release = (
        identity.get(label) for label in (labels.VENDOR_ID, labels.CLASS_ID, labels.IMAGE_DIGEST)
    )
    if not (isinstance(vendor, bytes) and isinstance(class_, bytes) and isinstance(release, SuitDigest)):
        refuse("shared", "a delivery says for whom it is, and of which release", "vendor, class and digest", None)
    if not 0 <= len(manifest.components) - 1 <= DELIVERY_STEPS_MOST:
        refuse("common.components", "too many steps", f"at most {DELIVERY_STEPS_MOST}", len(manifest.components) - 1)
    steps = tuple(
        _step(identity, parameters.get(index, {}), directives.get(index), f"common.components[{index}]")
        for index, identity in enumerate(manifest.components)
        if index
    )
    return Delivery(manifest.sequence_number, release.value, vendor, class_, steps)


def _gather(sequence: object, parameters: dict[int, dict[int, object]], directives: dict[int, int]) -> None:
    index = 0
    for command in sequence if isinstance(sequence, tuple) else ():
        if command.code == labels.SET_COMPONENT_INDEX and is_integer(command.argument):
            index = command.argument
        elif command.code == labels.OVERRIDE_PARAMETERS and isinstance(command.argument, dict):
            parameters.setdefault(index, {}).update(command.argument)
        elif command.code == labels.TRY_EACH and isinstance(command.argument, tuple):
            for branch in command.argument:
                _gather(branch, parameters, directives)
        elif command.code in (_TAKE, _UNPACK):
            directives[index] = command.code


def _step(identity: ComponentId, said: dict[int, object], directive: int | None, where: str) -> Step:
    part = ours(identity[:-1])
    digest, size = said.get(labels.IMAGE_DIGEST), said.get(labels.IMAGE_SIZE)
    if part is None or not isinstance(digest, SuitDigest) or not is_integer(size) or not 0 < size < 1 << 32:
        refuse(where, "this is no step of a delivery", "[component, run slot, number], with digest and size", None)
    base_digest, base_size = said.get(_BASE_DIGEST), said.get(_BASE_SIZE)
    base = None
    if isinstance(base_digest, bytes) and len(base_digest) == 32 and is_integer(base_size) and 0 < base_size < 1 << 32:
        base = Base(base_size, base_digest)
    form = PLAIN if directive == _TAKE else COMPRESSED if base is None else PATCH
    if form == PLAIN and base is not None:
        refuse(where, "a plain image has no base", "a patch, or no base", None)
    return Step(part, form, size, digest.value, base)
