"""Carries a manifest out on simulated devices: shared alone, then everything for each choice of free slots."""

from collections.abc import Iterable, Mapping

from imgseal.check.context import Context, component_numbered
from imgseal.check.held import brings, contents_held, held
from imgseal.check.identity import other_class, other_vendor
from imgseal.check.machine.executor import Failure, Machine
from imgseal.check.machine.simulated import SimulatedDevice
from imgseal.check.manifest_rules import outside
from imgseal.check.package_subject import PackageSubject
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Sequence
from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.digest import SuitDigest


def shared(subject: PackageSubject, context: Context) -> Finding | None:
    """The shared sequence checks vendor and class of every component, and they are this product's."""
    machine = Machine(len(subject.parts), _device(subject, context, {}))
    failure = machine.run_shared(subject.manifest.shared)
    if failure is not None:
        say = {"identity.wrong-vendor": other_vendor, "identity.wrong-class": other_class}.get(failure.code)
        if say is None or failure.found is None:
            return _stopped(failure)
        stated = failure.stated if isinstance(failure.stated, bytes) else b""  # else an enterprise number, in words
        other = say(context.product, stated, Place(key=failure.where))
        return _stopped(failure) if other is None else other._replace(found=failure.found)
    for index in range(len(subject.parts)):
        for condition in (labels.CONDITION_VENDOR, labels.CONDITION_CLASS):
            if (index, condition) not in machine.identified:
                return Finding(
                    "identity.not-checked",
                    f"the shared sequence does not check the {labels.CONDITIONS[condition]} of component {index}",
                    Place(key="shared"),
                    expected="conditions 1 and 2 (vendor and class identifier) for every component",
                    hint="add them to the shared sequence; imgseal pack does so",
                )
    return None


def installation(subject: PackageSubject, context: Context) -> Finding | None:
    """Carry the manifest out on the simulated device: fetch, install, validate, then start.

    A fresh device may have either run slot free, so that each choice is tried and one has to work; a given device
    has one. What other devices would install is carried out as well: a build that does not hold helps nobody,
    and bytes that no digest names could be anybody's.
    """
    subject.held = held(subject, context)
    known = (component_numbered(context.product, part.number) for part in subject.parts)
    choices = {each.number: each.run for each in known if each is not None and len(each.run) > 1}
    running = context.state.running
    ways = [{number: 1 - running[number] for number in choices if number in running}]
    if context.state.fresh and choices:
        ways = [dict.fromkeys(choices, slot) for slot in range(2)]
    tried = [(free, _carry_out(subject, context, free, subject.results)) for free in ways]
    works = [free for free, failure in tried if failure is None]
    failures = [failure for _, failure in tried if failure is not None]
    failures += _elsewhere(subject, context, choices, ways)
    broken = [failure for failure in failures if failure.code != "placement.no-slot"]
    if broken or not works:
        return _stopped((broken or failures)[0])
    if len(works) < len(tried):
        names = [names[works[0][number]] for number, names in choices.items()]
        if context.every:
            return _one_build(names, [names[1 - works[0][number]] for number, names in choices.items()])
        subject.notes.append(
            f"installs only where {', '.join(names)} is free: the package has no build for the other slot"
        )
    return None


def _one_build(served: list[str], other: list[str]) -> Finding:
    return Finding(
        "placement.one-build",
        f"devices that run from {', '.join(served)} cannot take this package: it has no build for the other slot",
        Place(key="install"),
        f"builds for {' and '.join((*served, *other))}",
        f"a build for {', '.join(served)} alone",
        "link the component for both run slots, and name both builds: imgseal show --linker; for one device that has "
        "the slot free: imgseal check --device FILE",
    )


def _elsewhere(
    subject: PackageSubject, context: Context, numbers: Iterable[int], tried: list[dict[int, int]]
) -> list[Failure]:
    """Carry out the branches for other free slots: the lowest build of each component, and the highest.

    Inside the device profile alone, where the branches of one component say nothing of another one.
    """
    builds = {number: [part.slot for part in subject.parts if part.number == number] for number in numbers}
    lowest, highest = (
        {number: _there(subject, number, choose(slots), tried) for number, slots in builds.items()}
        for choose in (min, max)
    )
    left = [free for free in ((lowest,) if lowest == highest else (lowest, highest)) if free not in tried]
    if not left or outside(subject, context) is not None:
        return []
    failures = [_carry_out(subject, context, free, []) for free in left]  # nothing that this device would hold
    return [failure for failure in failures if failure is not None]


def _there(subject: PackageSubject, number: int, slot: int, tried: list[dict[int, int]]) -> int:
    """Return the run slot, or the one that was tried where a package made for one device has no build for it."""
    parts = [part for part in subject.parts if part[:2] == (number, slot)]
    return slot if brings(subject, parts) else next((way[number] for way in tried if number in way), 0)


def _carry_out(
    subject: PackageSubject, context: Context, free: dict[int, int], results: list[Mapping[OurComponent, memoryview]]
) -> Failure | None:
    device = _device(subject, context, free)
    machine = Machine(len(subject.parts), device)
    for label in (labels.INSTALL, labels.PAYLOAD_FETCH):
        if isinstance(subject.manifest.members.get(label), SuitDigest) and label not in subject.sections:
            name = labels.MANIFEST_MEMBERS[label]
            return Failure("rules.directive-failed", f"the {name} sequence was taken out of this package", name)
    failure = machine.run(_named(subject, (labels.PAYLOAD_FETCH, labels.INSTALL)), subject.manifest.shared)
    if failure is not None:
        return failure
    machine.matched.clear()
    failure = machine.run(_named(subject, (labels.VALIDATE,)), subject.manifest.shared)
    if failure is not None:
        return failure
    results.append(dict(device.stored()))
    failure = _wrong_slot(context, device)
    if failure is not None:
        return failure
    if not machine.stored and not machine.held:
        return Failure("rules.directive-failed", "the manifest installs nothing", "install")
    unchecked = sorted((machine.stored | machine.held) - machine.matched)
    if unchecked:
        return Failure(
            "rules.validate-missing",
            f"the validate sequence does not check the image of component {unchecked[0]}",
            "validate",
            "image match for everything that is installed",
        )
    failure = machine.run(_named(subject, (labels.LOAD, labels.INVOKE_MEMBER)), subject.manifest.shared)
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
    held_ = contents_held(subject, context)
    return SimulatedDevice(context, subject.parts, subject.envelope.payloads, free, held_)


def _stopped(failure: Failure) -> Finding:
    hint = f"docs/checks.md explains {failure.code}; the place counts commands from 0"
    return Finding(failure.code, failure.message, Place(key=failure.where), failure.expected, failure.found, hint)
