"""The checks of a signed manifest: structure, identity, rules, rollback, and what happens when it is carried out."""

from imgseal.check.context import Context, component_numbered
from imgseal.check.host import Failure
from imgseal.check.identity import wrong_class, wrong_vendor
from imgseal.check.machine import Machine
from imgseal.check.package_subject import PackageSubject
from imgseal.check.plan import asks_first, changes_something, commands_in, gather
from imgseal.check.simulated import SimulatedDevice
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.suit import labels
from imgseal.suit.commands import Sequence, decode_sequence
from imgseal.suit.component import OurComponent, ours
from imgseal.suit.digest import SuitDigest
from imgseal.suit.envelope import wrapped_digest
from imgseal.suit.errors import SuitError
from imgseal.suit.manifest import decode_manifest
from imgseal.suit.text import decode_text

__all__ = [
    "authorisation",
    "components",
    "conditions",
    "history",
    "installation",
    "manifest",
    "members",
    "sequence",
    "severed",
    "shared",
    "supported",
]

_UPDATE = (labels.PAYLOAD_FETCH, labels.INSTALL, labels.VALIDATE)
_START = (labels.VALIDATE, labels.LOAD, labels.INVOKE_MEMBER)
_RUN = frozenset((*_UPDATE, *_START))
_INSTALL_ONLY = (labels.CONDITION_MINIMUM_BATTERY, labels.CONDITION_UPDATE_AUTHORISED)


def manifest(subject: PackageSubject, _context: Context) -> list[Finding]:
    """The manifest reads as the draft's section 8.4 says."""
    try:
        subject.manifest = decode_manifest(subject.envelope.manifest)
    except SuitError as error:
        return [Finding("structure.manifest", error.message, error.place, error.expected, error.found, error.hint)]
    return []


def severed(subject: PackageSubject, _context: Context) -> list[Finding]:
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
            return [_unsigned(f"the member {name}", f"a digest of {name} in the manifest")]
        found = wrapped_digest(content)
        if digest != found:
            return [
                Finding(
                    "signature.severed-member",
                    f"the member {name} is not the one that the manifest names",
                    Place(key=name),
                    expected=digest.value.hex(),
                    found=found.value.hex(),
                    hint="the package was changed after signing: get it again from its source",
                )
            ]
        try:
            if label in _RUN:
                sections[label] = decode_sequence(content, name)
            elif label == labels.TEXT:
                subject.texts = decode_text(content, name)
        except SuitError as error:
            return [Finding("structure.manifest", error.message, error.place, error.expected, error.found, error.hint)]
    subject.sections = sections
    subject.plans = gather(len(subject.manifest.components), subject.manifest.shared, sections)
    return []


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


def components(subject: PackageSubject, context: Context) -> list[Finding]:
    """Each component identifier is [component number, run slot index] of this product, or its header part."""
    parts: list[OurComponent] = []
    findings = []
    for index, identity in enumerate(subject.manifest.components):
        part = ours(identity)
        known = component_numbered(context.product, part.number) if part else None
        slots = () if known is None or part is None else known.header if part.header else known.run
        if part is None or part.slot >= len(slots):
            findings.append(
                Finding(
                    "identity.unknown-component",
                    "the manifest names a component that this product does not have",
                    Place(key=f"common.components[{index}]"),
                    expected="[component number, run slot index] of the product file",
                    found="[" + ", ".join(f"h'{piece.hex()}'" for piece in identity) + "]",
                    hint="use the product file that the package was made with: --product FILE",
                )
            )
        else:
            parts.append(part)
    if not subject.manifest.components:
        findings.append(
            Finding(
                "identity.unknown-component",
                "the manifest lists no component",
                Place(key="common.components"),
                hint="pack it again: imgseal pack",
            )
        )
    if not findings:
        subject.parts = tuple(parts)
    return findings


def shared(subject: PackageSubject, context: Context) -> list[Finding]:
    """The shared sequence checks vendor and class of every component, and they are this product's."""
    machine = Machine(len(subject.parts), _device(subject, context, {}))
    failure = machine.run_shared(subject.manifest.shared)
    if failure is not None:
        say = {"identity.wrong-vendor": wrong_vendor, "identity.wrong-class": wrong_class}.get(failure.code)
        if say is None or failure.found is None:
            return [_stopped(failure)]
        return [say(context.product, bytes.fromhex(failure.found), Place(key=failure.where))]
    for index in range(len(subject.parts)):
        for condition in (labels.CONDITION_VENDOR, labels.CONDITION_CLASS):
            if (index, condition) not in machine.identified:
                return [
                    Finding(
                        "identity.not-checked",
                        f"the shared sequence does not check the {labels.CONDITIONS[condition]} of component {index}",
                        Place(key="shared"),
                        expected="conditions 1 and 2 (vendor and class identifier) for every component",
                        hint="add them to the shared sequence; imgseal pack does so",
                    )
                ]
    return []


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


def sequence(subject: PackageSubject, context: Context) -> list[Finding]:
    """A higher sequence number than the device's, or the same manifest again.

    Section 8.4.2, and stricter for equal ones.
    """
    number, state = subject.manifest.sequence_number, context.state
    place = Place(key="sequence number")
    if number < state.sequence:
        return [
            Finding(
                "rollback.sequence-too-low",
                "the device has installed a later release",
                place,
                expected=f"above {state.sequence}",
                found=str(number),
                hint="release it again with a higher release.sequence, if the return is meant",
            )
        ]
    unused = state.fresh and state.manifest_digest is None
    if number == state.sequence and not unused and state.manifest_digest != subject.envelope.digest.value:
        return [
            Finding(
                "rollback.sequence-reused",
                "the device has another release with this sequence number",
                place,
                expected=f"above {state.sequence}, or the identical manifest",
                found=f"{number}, manifest {subject.envelope.digest.value.hex()[:16]}...",
                hint="give every release a release.sequence of its own",
            )
        ]
    return []


def history(subject: PackageSubject, context: Context) -> list[Finding]:
    """The package has not failed on this device before, and no other release is in trial."""
    state = context.state
    findings = []
    if subject.envelope.digest.value in state.refused:
        findings.append(
            Finding(
                "rules.failed-before",
                "this device has tried this package, and its set never reported itself healthy",
                Place(key="manifest digest"),
                expected="a package that has not failed on this device",
                found=subject.envelope.digest.value.hex(),
                hint="find out why it failed; a new release has a higher release.sequence",
            )
        )
    if state.trial is not None and state.trial.way_back:
        findings.append(
            Finding(
                "rules.trial-open",
                "this device is trying another release",
                Place(key="manifest digest"),
                expected="a settled device",
                found=f"sequence {state.trial.sequence} in trial, {state.trial.attempts_left} starts left",
                hint="wait until it has settled, or has gone back",
            )
        )
    return findings


def installation(subject: PackageSubject, context: Context) -> list[Finding]:
    """Carry the manifest out on the simulated device: fetch, install, validate, then start.

    A fresh device may have either run slot free, so that each choice is tried and one has to work; a given device
    has one.
    """
    choices: dict[int, tuple[str, ...]] = {}
    for part in subject.parts:
        component = component_numbered(context.product, part.number)
        if component is not None and len(component.run) > 1:
            choices[part.number] = component.run
    tried: list[tuple[dict[int, int], Failure | None]] = []
    if context.state.fresh and choices:
        for slot in range(2):
            free = dict.fromkeys(choices, slot)
            tried.append((free, _carry_out(subject, context, free)))
    else:
        free = {number: 1 - context.state.running[number] for number in choices if number in context.state.running}
        tried.append((free, _carry_out(subject, context, free)))
    works = [free for free, failure in tried if failure is None]
    failures = [failure for _, failure in tried if failure is not None]
    broken = [failure for failure in failures if failure.code != "placement.no-slot"]
    if broken or not works:
        return [_stopped((broken or failures)[0])]
    if len(works) < len(tried):
        names = [names[works[0][number]] for number, names in choices.items()]
        subject.notes.append(
            f"installs only where {', '.join(names)} is free: the package has no build for the other slot"
        )
    return []


def _carry_out(subject: PackageSubject, context: Context, free: dict[int, int]) -> Failure | None:
    device = _device(subject, context, free)
    machine = Machine(len(subject.parts), device)
    for label in (labels.INSTALL, labels.PAYLOAD_FETCH):
        if isinstance(subject.manifest.members.get(label), SuitDigest) and label not in subject.sections:
            name = labels.MANIFEST_MEMBERS[label]
            return Failure("rules.directive-failed", f"the {name} sequence was taken out of this package", name)
    failure = machine.run(_named(subject, _UPDATE[:2]), subject.manifest.shared)
    if failure is not None:
        return failure
    machine.matched.clear()
    failure = machine.run(_named(subject, (labels.VALIDATE,)), subject.manifest.shared)
    if failure is not None:
        return failure
    subject.installed += device.stored()
    failure = _wrong_slot(context, device)
    if failure is not None:
        return failure
    if not machine.stored:
        return Failure("rules.directive-failed", "the manifest installs nothing", "install")
    unchecked = sorted(machine.stored - machine.matched)
    if unchecked:
        return Failure(
            "rules.validate-missing",
            f"the validate sequence does not check the image of component {unchecked[0]}",
            "validate",
            "image match for everything that is installed",
        )
    failure = machine.run(_named(subject, _START[1:]), subject.manifest.shared)
    if failure is None and device.invoked is not None:
        part = subject.parts[device.invoked]
        if part.slot != device.slot(device.invoked):
            return Failure(
                "placement.wrong-slot",
                "the manifest starts a slot that it has not installed to",
                "invoke",
                f"component {part.number}, run slot {device.slot(device.invoked)}",
                f"run slot {part.slot}",
            )
    return failure


def _wrong_slot(context: Context, device: SimulatedDevice) -> Failure | None:
    """Say when an installation writes a run slot that may be the running one: only the free slot of two may change."""
    for part, _ in device.stored():
        component = component_numbered(context.product, part.number)
        free = device.free(part.number)
        if component is not None and len(component.run) > 1 and part.slot != free:
            return Failure(
                "placement.wrong-slot",
                f"the manifest installs to {component.run[part.slot]} without asking which slot is free",
                "install",
                f"condition 5 (component slot) in front of it; {component.run[free]} is free",
                component.run[part.slot],
            )
    return None


def _named(subject: PackageSubject, order: tuple[int, ...]) -> list[tuple[str, Sequence]]:
    return [(labels.MANIFEST_MEMBERS[label], subject.sections[label]) for label in order if label in subject.sections]


def _device(subject: PackageSubject, context: Context, free: dict[int, int]) -> SimulatedDevice:
    return SimulatedDevice(context, subject.parts, subject.envelope.payloads, free)


def _stopped(failure: Failure) -> Finding:
    hint = f"docs/checks.md explains {failure.code}; the place counts commands from 0"
    return Finding(failure.code, failure.message, Place(key=failure.where), failure.expected, failure.found, hint)
