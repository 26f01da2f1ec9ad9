"""The steps of a delivery, on the device that the verdict is for: what they make of what it runs."""

from imgseal.check.context import Context, component_named, component_numbered
from imgseal.check.delivery_subject import DeliverySubject
from imgseal.check.held import held, uris
from imgseal.check.patched import Stated, StatedPatch, patched
from imgseal.check.runner import Check, NotRun
from imgseal.check.slots import slot_name
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.suit import labels
from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.delivery import PLAIN, Step, key_of
from imgseal.formats.suit.digest import SuitDigest
from imgseal.window import Bytes, ByteView


def agrees(subject: DeliverySubject, context: Context) -> list[Finding]:
    """The delivery has the release's sequence, and each step is for a component of the release's manifest."""
    out = []
    if subject.delivery.sequence != subject.release.manifest.sequence_number:
        out.append(
            _disagree("sequence number", str(subject.release.manifest.sequence_number), str(subject.delivery.sequence))
        )
    for index, step in enumerate(subject.delivery.steps):
        component = component_numbered(context.product, step.part.number)
        if step.part not in subject.release.parts or component is None:
            out.append(_disagree(f"step {index}", "a component of the release's manifest", _words(context, step)))
        elif step.form != PLAIN and (
            component.recovery or step.part.header or (len(component.run) == 1 and component.staging is None)
        ):
            out.append(_disagree(f"step {index}", "a plain image: it has no second place to be made in", step.form))
    return out


def _disagree(where: str, expected: str, found: str) -> Finding:
    return Finding(
        "identity.layers-disagree",
        "the delivery and the release inside contradict each other",
        Place(key=where),
        expected,
        found,
        "make the delivery again: imgseal deliver RELEASE.suit",
    )


def travels(subject: DeliverySubject, _context: Context) -> list[Finding]:
    """What travels for each step is what was signed, whichever device takes it."""
    out = []
    for index, step in enumerate(subject.delivery.steps):
        payload, signed = subject.envelope.payloads[key_of(index)], Stated(step.size, step.digest)
        if not signed.is_of(payload):
            out.append(
                Finding(
                    "digest.patch",
                    "what travels is not what was signed",
                    Place(key=f"step {index}"),
                    str(signed),
                    str(Stated.of(payload)),
                    "it was changed or damaged on its way: get the delivery again from its source",
                )
            )
    return out


def bases(subject: DeliverySubject, context: Context) -> list[Finding] | NotRun:
    """What the device needs and does not hold is made by a step that starts from what it runs."""
    release_, state = subject.release, context.state
    release_.held = held(release_, context)
    findings: list[Finding] = []
    for number in dict.fromkeys(part.number for part in release_.parts):
        component = component_numbered(context.product, number)
        if component is None or number in release_.held:
            continue
        runs_from = state.running.get(number)
        target = 0 if len(component.run) == 1 or runs_from is None else 1 - runs_from
        either = runs_from is None and (context.every or state.fresh)  # nobody knows which slot is free
        for part in (each for each in release_.parts if each.number == number and (each.slot == target or either)):
            steps = [each for each in enumerate(subject.delivery.steps) if _is_for(each[1], part, runs_from)]
            answer = _take(subject, context, part, runs_from, steps)
            if isinstance(answer, NotRun):
                return answer
            if answer is not None:
                findings.append(answer)
    return findings


def _is_for(step: Step, part: OurComponent, runs_from: int | None) -> bool:
    """Say whether a step is for a component; where none runs, all its patches are: they tell what is missing."""
    patch = runs_from is None and step.base is not None
    return step.part == (part._replace(slot=step.part.slot) if patch else part)


def _take(
    subject: DeliverySubject, context: Context, part: OurComponent, runs_from: int | None,
    steps: list[tuple[int, Step]],
) -> Finding | NotRun | None:  # fmt: skip
    """Take the first step for a component that fits what runs."""
    if not steps:
        return _nothing(context, part)
    plan = subject.release.plans[subject.release.parts.index(part)]
    size, wanted = plan.said(labels.IMAGE_SIZE, int) or 0, plan.said(labels.IMAGE_DIGEST, SuitDigest)
    result = Stated(size, b"" if wanted is None else wanted.value)
    base: Bytes | None = None if context.state.fresh else ByteView(b"")  # it is known to run nothing
    if runs_from is not None:
        base = context.contents.get(slot_name(context.product, part._replace(slot=runs_from)) or "")
    refused: Finding | None = None
    for index, step in steps:
        payload = bytes(subject.envelope.payloads[key_of(index)])
        where = f"step {index}"
        if step.base is not None and base is None:
            if refused is None and index == steps[-1][0]:
                return without_base(context, step)
            continue
        made: bytes | Finding
        stated = StatedPatch(Stated(step.size, step.digest), result, None if step.base is None else Stated(*step.base))
        if step.form == PLAIN:
            made = _plain(result, payload, where)
        else:
            made = patched(stated, payload, b"" if base is None else base.read(0, base.size), where)
        if not isinstance(made, Finding):
            for uri in uris(subject.release, [part]):
                subject.made[uri] = made
            subject.taken.append(step)
            return None
        refused = made
        if made.code != "digest.base":
            return made
    return refused


def _nothing(context: Context, part: OurComponent) -> Finding | NotRun:
    """Say that no step makes what a device needs, or that nobody knows whether it needs it."""
    name = component_named(context.product, part.number)
    if context.state.fresh:
        return NotRun(f"the delivery brings nothing for {name}, and whether the device holds it is not known")
    return Finding(
        "rules.directive-failed",
        f"the delivery brings nothing for {name}, and the device does not hold it",
        Place(key="install"),
        f"a step for {slot_name(context.product, part)}",
        "none",
        "make the delivery for this device: imgseal deliver RELEASE.suit --for FILE",
    )


def without_base(context: Context, step: Step) -> NotRun:
    """Say which base is missing for a step."""
    if step.base is None:
        to = _words(context, step)
        return NotRun(f"what is for devices of which nothing is known goes to {to}, and no device here takes it")
    name = component_named(context.product, step.part.number)
    return NotRun(
        f"the base of the patch for {name} is not at hand: the first {step.base.size} bytes of what it runs, SHA-256 "
        f"{step.base.digest.hex()}; give the device (--device FILE) or packages that devices run (--archive DIR)"
    )


def _plain(result: Stated, payload: bytes, where: str) -> bytes | Finding:
    """Return what travels as it is, which has to be the image that the release names."""
    if result.is_of(payload):
        return payload
    return Finding(
        "digest.result",
        "what travels is not the image that the release names",
        Place(key=where),
        str(result),
        str(Stated.of(payload)),
        "it was signed like this: make the delivery again: imgseal deliver RELEASE.suit",
    )


def _words(context: Context, step: Step) -> str:
    return slot_name(context.product, step.part) or f"component {step.part.number}, run slot {step.part.slot}"


STEPS_ORDER: tuple[Check[DeliverySubject], ...] = (
    Check("agrees", "identity", (), agrees),
    Check("travels", "digest", ("agrees",), travels),
    Check("steps", "digest", ("travels",), bases),
)
"""What the steps make on this device, once all that is in front of them is accepted."""
