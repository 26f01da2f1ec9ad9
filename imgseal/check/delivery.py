"""A delivery under judgement: who signed it, the release inside it, and what it makes of what a device runs.

docs/format/delivery.md. The release is judged as any package, with the images that the steps made in place of payloads:
a delivery can spoil an installation, and nothing else.
"""

from imgseal.check.blocks import algorithm_of, signer_of
from imgseal.check.context import Context, component_named, component_numbered
from imgseal.check.envelope import PACKAGE_ORDER, manifest_digest
from imgseal.check.held import held, uris
from imgseal.check.package import examine_package
from imgseal.check.package_subject import PackageSubject
from imgseal.check.patched import Stated, StatedPatch, patched
from imgseal.check.runner import Check, NotRun, run
from imgseal.check.slots import slot_name
from imgseal.check.trusted_signers import unusable
from imgseal.errors import Place
from imgseal.findings import PASSED, CheckResult, Finding, Verdict, said_by
from imgseal.formats.cose.sign1 import CoseError, read_block
from imgseal.formats.suit import labels
from imgseal.formats.suit.component import OurComponent
from imgseal.formats.suit.delivery import PLAIN, RELEASE_KEY, Delivery, Step, decode_delivery, is_delivery, key_of
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import envelope_pieces
from imgseal.formats.suit.errors import SuitError
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.trusted_keys import TrustedKey
from imgseal.window import Bytes, ByteView

KIND = "delivery"


class DeliverySubject:
    """A delivery under judgement: its envelope, the release in it, and what the steps have made."""

    def __init__(self, opened: PackageSubject) -> None:
        self.opened = opened
        self.envelope = opened.envelope
        self.delivery: Delivery
        self.release: PackageSubject
        self.made: dict[str, bytes | memoryview] = {}
        self.taken: list[Step] = []
        self.signer: TrustedKey | None = None


def examine(data: Bytes, name: str, context: Context, device: str) -> tuple[Verdict, PackageSubject]:
    """Judge a package or a delivery; return also what was read of the package, that of a delivery as it was completed.

    Of a delivery that is refused before the subject is a package without payloads.
    """
    opened = PackageSubject(data)
    if opened.envelope_error is not None or not is_delivery(opened.envelope):
        return examine_package(data, name, context, device)
    subject = DeliverySubject(opened)
    results = run(DELIVERY_ORDER, subject, context, KIND)
    if all(result.outcome == PASSED for result in results):
        front = run(_FRONT, subject.release, context, "package")
        steps = run(STEPS_ORDER, subject, context, KIND) if _passed(front) else ()
        if not _passed(front) or not _passed(steps):
            return _verdict(subject, name, context, device, (*results, *front, *steps)), opened
        inner, package = examine_package(ByteView(_completed(subject)), name, context, device)
        verdict = _verdict(subject, name, context, device, (*results, *steps, *inner.checks))
        return inner._replace(kind=KIND, checks=verdict.checks, details=(*inner.details, *verdict.details)), package
    return _verdict(subject, name, context, device, results), opened


def _passed(results: tuple[CheckResult, ...]) -> bool:
    return all(result.outcome == PASSED or (not result.mandatory and not result.findings) for result in results)


def _verdict(
    subject: DeliverySubject, name: str, context: Context, device: str, results: tuple[CheckResult, ...]
) -> Verdict:
    details: list[tuple[str, str]] = []
    if subject.signer is not None:
        details.append(("sent by", subject.signer.source))
    for step in subject.taken:
        slot = slot_name(context.product, step.part._replace(header=False)) or f"component {step.part.number}"
        details.append(("delivers", f"{slot}: {step.form}, {step.size} bytes"))
    return Verdict(name, KIND, device, results, tuple(details), layout=context.layout)


def _completed(subject: DeliverySubject) -> bytes:
    """Return the release's envelope with the images that the steps have made."""
    envelope = subject.release.envelope
    payloads = {uri: (len(data), iter([data])) for uri, data in subject.made.items()}
    return b"".join(
        envelope_pieces(envelope.digest_bytes, envelope.blocks, envelope.manifest, envelope.severed, payloads)
    )


# -- the delivery, before anything in it counts


def signature(subject: DeliverySubject, context: Context) -> Finding | None:
    """One trusted key for deliveries has signed; without any in the product file, one for packages.

    One is enough, whatever is needed of packages: it vouches for the wrapping, the release is signed by itself.
    """
    message = subject.envelope.digest_bytes
    anchors = context.trust.deliverers(development=False)
    anchors += context.trust.deliverers(development=True) if context.development else ()
    found = []
    for number, data in enumerate(subject.envelope.blocks):
        place = Place(key=f"authentication.block[{number}]")
        try:
            block = read_block(data)
            signer = signer_of(block, message, anchors)
        except CoseError as error:
            return said_by("structure.envelope", error)._replace(place=place)
        except BadSignatureError as error:
            return Finding(
                "signature.malformed", str(error), place, hint="make the delivery again: imgseal deliver RELEASE.suit"
            )
        if signer is not None:
            refused = unusable(signer, context)
            if refused is None:
                subject.signer = signer
                return None
            return refused
        found.append(algorithm_of(block))
    return _nobody(subject, context, anchors, found)


def _nobody(subject: DeliverySubject, context: Context, anchors: tuple[TrustedKey, ...], found: list[str]) -> Finding:
    hint = "make it with imgseal deliver; if it came from elsewhere, do not use it"
    if not found:
        return Finding(
            "trust.no-signature", "the delivery is not signed", Place(key="authentication"),
            "at least one COSE_Sign1", "none", hint,
        )  # fmt: skip
    for anchor in context.trust.keys:
        if anchor in anchors:
            continue
        for data in subject.envelope.blocks:
            if signer_of(read_block(data), subject.envelope.digest_bytes, (anchor,)) is not None:
                hint = (
                    f"this is {anchor.source}, which the product file trusts for {anchor.role} only: sign with a key "
                    "that devices take deliveries by (trust.deliveries, or without any a key for packages)"
                )
    return Finding(
        "signature.wrong-key",
        "no trusted key verifies the signature of the delivery",
        Place(key="authentication"),
        expected=", ".join(anchor.source for anchor in anchors) or "no key is trusted at all",
        found=f"{len(found)} by another key",
        hint=hint,
    )


def digest(subject: DeliverySubject, context: Context) -> Finding | None:
    """The digest in the wrapper is that of the delivery's manifest."""
    return manifest_digest(subject.opened, context)


def manifest(subject: DeliverySubject, _context: Context) -> Finding | None:
    """The manifest has the one form that deliveries have."""
    try:
        subject.delivery = decode_delivery(subject.envelope.manifest)
    except SuitError as error:
        return said_by("structure.manifest", error)
    return None


def members(subject: DeliverySubject, _context: Context) -> list[Finding]:
    """The envelope holds the release, what each step fetches, and nothing else."""
    wanted = {RELEASE_KEY, *(key_of(index) for index in range(len(subject.delivery.steps)))}
    there = {*subject.envelope.payloads, *(labels.MANIFEST_MEMBERS[label] for label in subject.envelope.severed)}
    out = [
        Finding(
            "structure.unsigned-member",
            f"nothing that is signed refers to {extra!r}",
            Place(key="envelope"),
            "what the delivery's manifest fetches",
            extra,
            "it was added after signing: get the delivery again from its source",
        )
        for extra in sorted(there - wanted)
    ]
    out += [
        Finding(
            "rules.directive-failed",
            "what a step of the delivery fetches is not in it",
            Place(key="envelope"),
            f"a payload {missing!r}",
            "none",
            "get the delivery again from its source",
        )
        for missing in sorted(wanted - there)
    ]
    return out


def identity(subject: DeliverySubject, context: Context) -> list[Finding]:
    """The delivery is for devices of this vendor and class."""
    product, delivery = context.product, subject.delivery
    asked = (
        ("identity.wrong-vendor", "vendor", delivery.vendor_id, product.vendor_id),
        ("identity.wrong-class", "class", delivery.class_id, product.class_id),
    )
    return [
        Finding(
            code,
            f"the delivery is for devices of another {what}",
            Place(key="shared"),
            expected.hex(),
            found.hex(),
            "use the product file that the release was made with: --product FILE",
        )
        for code, what, found, expected in asked
        if found != expected
    ]


def release(subject: DeliverySubject, _context: Context) -> Finding | None:
    """The release inside is the one that the delivery names, with its sequence, and without payloads of its own."""
    inside = PackageSubject(ByteView(subject.envelope.payloads[RELEASE_KEY]))
    if inside.envelope_error is not None:
        return said_by("structure.envelope", inside.envelope_error)._replace(place=Place(key="the release inside"))
    named = subject.delivery.release
    if inside.envelope.digest.value != named:
        return Finding(
            "signature.manifest-digest",
            "the release inside is not the one that the delivery names",
            Place(key="the release inside"),
            named.hex(),
            inside.envelope.digest.value.hex(),
            "the release in the delivery was exchanged: get the delivery again from its source",
        )
    if inside.envelope.payloads:
        return Finding(
            "structure.unsigned-member",
            "the release inside has payloads: a delivery brings them itself",
            Place(key="the release inside"),
            "none",
            ", ".join(inside.envelope.payloads),
            "make the delivery again: imgseal deliver RELEASE.suit",
        )
    subject.release = inside
    return None


DELIVERY_ORDER: tuple[Check[DeliverySubject], ...] = (
    Check("digest", "signature", (), digest),
    Check("signature", "signature", ("digest",), signature),
    Check("manifest", "structure", ("signature",), manifest),
    Check("members", "structure", ("manifest",), members),
    Check("identity", "identity", ("manifest",), identity),
    Check("release", "signature", ("members",), release),
)
"""Checks of a delivery, before those of the release inside it."""

_FRONT = PACKAGE_ORDER[: [check.name for check in PACKAGE_ORDER].index("installation")]
"""What is asked of the release before any step is taken: signatures, identity, rules, history and sequence."""


# -- the steps, on the device that the verdict is for


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
        for part in (part for part in release_.parts if part[:2] == (number, target)):
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
                return _without_base(context, step)
            continue
        made: bytes | Finding
        stated = StatedPatch(Stated(step.size, step.digest), result, None if step.base is None else Stated(*step.base))
        if step.form == PLAIN:
            made = _plain(stated, payload, where)
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


def _without_base(context: Context, step: Step) -> NotRun:
    assert step.base is not None
    name = component_named(context.product, step.part.number)
    return NotRun(
        f"the base of the patch for {name} is not at hand: the first {step.base.size} bytes of what it runs, SHA-256 "
        f"{step.base.digest.hex()}; give the device that it is for"
    )


def _plain(stated: StatedPatch, payload: bytes, where: str) -> bytes | Finding:
    if stated.patch.is_of(payload):
        return payload
    return Finding(
        "digest.patch",
        "what travels is not what was signed",
        Place(key=where),
        f"{stated.patch.size} bytes, SHA-256 {stated.patch.digest.hex()}",
        f"{len(payload)} bytes",
        "it was changed or damaged on its way: get the delivery again from its source",
    )


def _words(context: Context, step: Step) -> str:
    return slot_name(context.product, step.part) or f"component {step.part.number}, run slot {step.part.slot}"


STEPS_ORDER: tuple[Check[DeliverySubject], ...] = (
    Check("agrees", "identity", (), agrees),
    Check("steps", "digest", ("agrees",), bases),
)
"""What the steps make on this device, once all that is in front of them is accepted."""
