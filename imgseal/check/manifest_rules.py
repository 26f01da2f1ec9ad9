"""The checks of a signed manifest: structure, identity, rules, rollback, and what happens when it is carried out."""

from collections.abc import Iterator

from imgseal.check.context import Context
from imgseal.check.machine.plan import asks_first, changes_something, commands_in, gather
from imgseal.check.package_subject import PackageSubject
from imgseal.check.slots import slot_name
from imgseal.errors import Place
from imgseal.findings import Finding, said_by
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Sequence, decode_sequence
from imgseal.formats.suit.component import OurComponent, ours
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import wrapped_digest
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.formats.suit.profile import Departure, departure
from imgseal.formats.suit.shape import Shape
from imgseal.formats.suit.text import decode_text

_UPDATE = (labels.PAYLOAD_FETCH, labels.INSTALL, labels.VALIDATE)
_START = (labels.VALIDATE, labels.LOAD, labels.INVOKE_MEMBER)
_RUN = frozenset((*_UPDATE, *_START))
_INSTALL_ONLY = (labels.CONDITION_MINIMUM_BATTERY, labels.CONDITION_UPDATE_AUTHORISED)


def manifest(subject: PackageSubject, _context: Context) -> Finding | None:
    """The manifest reads as the draft's section 8.4 says."""
    try:
        subject.manifest = decode_manifest(subject.envelope.manifest)
    except SuitError as error:
        return said_by("structure.manifest", error)
    return None


def severed(subject: PackageSubject, _context: Context) -> Finding | None:
    """Severed members are those whose digests the manifest holds; section 5.4. Then they are read."""
    sections = {
        label: member
        for label, member in subject.manifest.members.items()
        if label in _RUN and isinstance(member, tuple) and not isinstance(member, SuitDigest)
    }
    for label, content in subject.envelope.severed.items():
        name = labels.MANIFEST_MEMBERS[label]
        digest = subject.manifest.members.get(label)
        if not isinstance(digest, SuitDigest):
            return _unsigned(f"the member {name}", f"a digest of {name} in the manifest")
        found = wrapped_digest(content)
        if digest != found:
            return Finding(
                "signature.severed-member",
                f"the member {name} is not the one that the manifest names",
                Place(key=name),
                expected=digest.value.hex(),
                found=found.value.hex(),
                hint="the package was changed after signing: get it again from its source",
            )
        try:
            if label in _RUN:
                sections[label] = decode_sequence(content, name)
            elif label == labels.TEXT:
                subject.texts = decode_text(content, name)
        except SuitError as error:
            return said_by("structure.manifest", error)
    subject.sections = sections
    subject.plans = gather(len(subject.manifest.components), subject.manifest.shared, sections)
    return None


def members(subject: PackageSubject, _context: Context) -> list[Finding]:
    """Every integrated payload is fetched by a command; RFC 9124 section 4.2.15 THREAT.IMG.EXTRA."""
    fetched = {uri for plan in subject.plans for uri in plan.uris}
    return [
        _unsigned(f"the payload {key!r}", "a payload that the install sequence fetches")
        for key in subject.envelope.payloads
        if key not in fetched
    ]


def _unsigned(what: str, expected: str) -> Finding:
    return Finding(
        "structure.unsigned-member",
        f"nothing that is signed refers to {what}",
        Place(key="envelope"),
        expected=expected,
        found=what,
        hint="it was added after signing: get the package again from its source",
    )


def components(subject: PackageSubject, context: Context) -> Iterator[Finding]:
    """Each component identifier is [component number, run slot index] of this product, or its header part."""
    parts: list[OurComponent] = []
    for index, identity in enumerate(subject.manifest.components):
        part = ours(identity)
        if part is not None and slot_name(context.product, part) is not None:
            parts.append(part)
            continue
        yield Finding(
            "identity.unknown-component",
            "the manifest names a component that this product does not have",
            Place(key=f"common.components[{index}]"),
            expected="[component number, run slot index] of the product file",
            found="[" + ", ".join(f"h'{piece.hex()}'" for piece in identity) + "]",
            hint="use the product file that the package was made with: --product FILE",
        )
    if not subject.manifest.components:
        yield Finding(
            "identity.unknown-component",
            "the manifest lists no component",
            Place(key="common.components"),
            hint="pack it again: imgseal pack",
        )
    elif len(parts) == len(subject.manifest.components):
        subject.parts = tuple(parts)


def supported(subject: PackageSubject, _context: Context) -> list[Finding]:
    """No part of SUIT is used that these devices do not have."""
    found = []
    if subject.manifest.dependencies is not None or subject.manifest.component is not None:
        found.append("dependencies between manifests")
    found += [
        labels.MANIFEST_MEMBERS[label]
        for label in subject.manifest.members
        if label not in _RUN and label not in (labels.TEXT, labels.COSWID)
    ]
    found += [
        f"a {labels.MANIFEST_MEMBERS[label]} sequence that changes something: it runs at every boot, behind the checks"
        for label in _START
        if changes_something(subject.sections.get(label, ()))
    ]
    return [
        Finding(
            "rules.command-unsupported",
            f"these devices do not have {what}",
            Place(key="manifest"),
            hint="docs/format/package.md lists what is supported",
        )
        for what in found
    ]


def conditions(subject: PackageSubject, _context: Context) -> list[Finding]:
    """Battery and authorisation are asked in the install sequence only: the others run again at every boot."""
    sequences: list[tuple[str, Sequence]] = [("shared", subject.manifest.shared)]
    sequences += [
        (labels.MANIFEST_MEMBERS[label], sequence)
        for label, sequence in subject.sections.items()
        if label != labels.INSTALL
    ]
    return [
        Finding(
            "rules.condition-misplaced",
            f"the condition {labels.CONDITIONS[command.code]} stands in the {name} sequence",
            Place(key=name),
            expected="in the install sequence only",
            hint="move it into the install sequence; imgseal pack does so",
        )
        for name, sequence in sequences
        for command in commands_in(sequence)
        if command.code in _INSTALL_ONLY
    ]


def authorisation(subject: PackageSubject, context: Context) -> list[Finding]:
    """Where something can hurt, the device is asked before anything changes; RFC 9124 section 4.2.11."""
    numbers = {part.number for part in subject.parts}
    hazards = [c for c in context.product.components.values() if c.hazard and c.number in numbers]
    install = subject.sections.get(labels.INSTALL)
    fetches = changes_something(subject.sections.get(labels.PAYLOAD_FETCH, ()))
    if not hazards or (not fetches and (install is None or asks_first(install))):
        return []
    return [
        Finding(
            "rules.authorisation-missing",
            f"{component.name} can hurt ({component.hazard}), and the device is not asked before it is replaced",
            Place(key="install"),
            expected="condition 27 (update authorised) at the top of the install sequence, and no change before it",
            hint="pack it with this product file: imgseal build",
        )
        for component in hazards
    ]


def outside(subject: PackageSubject, context: Context) -> Departure | None:
    """Say where the package departs from the device profile; None for one inside."""
    severed_install = isinstance(subject.manifest.members.get(labels.INSTALL), SuitDigest)
    install = subject.sections.get(labels.INSTALL) if severed_install else None
    shapes = Shape.of(context.product.components.values())
    return departure(subject.manifest, install, subject.envelope.payloads, shapes)


def profile(subject: PackageSubject, context: Context) -> Finding | None:
    """The package is one that the exported device code reads; a remark where devices have another verifier."""
    left = outside(subject, context)
    if left is None:
        return None
    verifier = context.product.rules.verifier
    if verifier is not None:
        subject.notes.append(
            f"outside the device profile at {left.where} ({left.found}; inside: {left.expected}); the product file "
            f"says that the devices have another verifier: {verifier}"
        )
        return None
    return Finding(
        "rules.outside-profile",
        "the package is outside the device profile: the exported device code does not read it",
        Place(key=left.where),
        expected=left.expected,
        found=left.found,
        hint="make it with imgseal build; if the devices have another verifier, rules.verifier of the product file "
        "names it",
    )


def sequence(subject: PackageSubject, context: Context) -> Finding | None:
    """A higher sequence number than the device's, or the same manifest again.

    Section 8.4.2, and stricter for equal ones.
    """
    number, state = subject.manifest.sequence_number, context.state
    place = Place(key="sequence number")
    if subject.envelope.digest.value in state.withdrawn:
        return Finding(
            "rollback.withdrawn",
            "the maker has withdrawn this release",
            place,
            expected="a release that is not withdrawn",
            found=f"{number}, manifest {subject.envelope.digest.value.hex()[:16]}...",
            hint="take a later release; imgseal log show says why this one is withdrawn",
        )
    if number < state.sequence:
        return Finding(
            "rollback.sequence-too-low",
            "the device has installed a later release",
            place,
            expected=f"above {state.sequence}",
            found=str(number),
            hint="release it again with a higher release.sequence, if the return is meant",
        )
    unused = state.fresh and state.manifest_digest is None
    if number == state.sequence and not unused and state.manifest_digest != subject.envelope.digest.value:
        return Finding(
            "rollback.sequence-reused",
            "the device has another release with this sequence number",
            place,
            expected=f"above {state.sequence}, or the identical manifest",
            found=f"{number}, manifest {subject.envelope.digest.value.hex()[:16]}...",
            hint="give every release a release.sequence of its own",
        )
    return None


def history(subject: PackageSubject, context: Context) -> Iterator[Finding]:
    """The package has not failed on this device before, and no other release is in trial."""
    state = context.state
    if subject.envelope.digest.value in state.refused:
        yield Finding(
            "rules.failed-before",
            "this device has tried this package, and its set never reported itself healthy",
            Place(key="manifest digest"),
            expected="a package that has not failed on this device",
            found=subject.envelope.digest.value.hex(),
            hint="find out why it failed; a new release has a higher release.sequence",
        )
    if state.trial is not None and state.trial.way_back:
        yield Finding(
            "rules.trial-open",
            "this device is trying another release",
            Place(key="manifest digest"),
            expected="a settled device",
            found=f"sequence {state.trial.sequence} in trial, {state.trial.attempts_left} starts left",
            hint="wait until it has settled, or has gone back",
        )
